"""Charts of a result. Nothing in them depends on telling colours apart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from endpoint.curve import RGB
from endpoint.pipeline import Result
from endpoint.report.rounding import rounded, with_uncertainty
from endpoint.report.text import answer, half_width

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FloatArray = NDArray[np.float64]

_INK = "#1a1a1a"
_SOFT = "#767676"
_ZOOM_ML = 1.6
_MARKS: tuple[tuple[str, str, str, Any, float], ...] = (
    # field, words, marker, line style, height of the mark
    ("equivalence", "equivalence volume", "v", "solid", 1.08),
    ("last_red", "last red, 95 % free", "s", (0, (1, 2)), 0.95),
    ("midpoint", "midpoint, half free", "o", (0, (6, 3)), 0.5),
)


def chart(result: Result) -> Figure:
    """Chart of a whole titration: colour strip, curve with fit, zoom, residuals.

    Parameters
    ----------
    result:
        Result with a curve; without one the figure only says why.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.5, 8.2), layout="constrained", facecolor="white")
    title = answer(result)
    figure.suptitle(_wrapped(title, 100), x=0.01, ha="left", fontsize=12, color=_INK)
    curve = result.curve
    if curve is None or len(curve) == 0:
        axes = figure.subplots()
        axes.axis("off")
        if result.first_frame is not None:
            axes.imshow(result.first_frame)
            axes.set_title("First picture of the recording", fontsize=10)
        return figure
    grid = figure.add_gridspec(3, 2, height_ratios=(1.0, 3.4, 1.2), width_ratios=(1.0, 1.25))
    strip = figure.add_subplot(grid[0, :])
    _strip(strip, result)
    whole, zoom = figure.add_subplot(grid[1, 0]), figure.add_subplot(grid[1, 1])
    rest = figure.add_subplot(grid[2, :])
    if result.fit is None or result.status == "none":
        zoom.remove()
        rest.remove()
        whole.remove()
        _signal(figure.add_subplot(grid[1:, :]), result)
        return figure
    _fractions(whole, result, None)
    centre = _centre(result)
    _fractions(zoom, result, (centre - _ZOOM_ML, centre + _ZOOM_ML))
    _marks(zoom, result)
    whole.set_title("Whole titration", loc="left", fontsize=10)
    zoom.set_title("Around the end", loc="left", fontsize=10)
    _residuals(rest, result)
    return figure


def _wrapped(text: str, width: int) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, width))


def _centre(result: Result) -> float:
    if result.equivalence is not None:
        return result.equivalence.value_ml
    low, high = result.verdict.bracket_ml or (0.0, None)
    return low if high is None else 0.5 * (low + high)


def _strip(axes: Axes, result: Result) -> None:
    """Colour of the real liquid, with the hue angle as a line; or the absorbances."""
    curve = result.curve
    assert curve is not None
    v = curve.volume_ml
    if curve.channels != RGB:
        styles = ["solid", "dashed", "dotted", "dashdot"]
        for k, name in enumerate(curve.channels):
            axes.plot(v, curve.density[:, k], color=_INK, ls=styles[k % 4], lw=1.3, label=name)
        axes.set_ylabel("absorbance")
        axes.legend(fontsize=8, loc="center left", frameon=False)
    else:
        edges = np.r_[v[0] - 1e-3, 0.5 * (v[1:] + v[:-1]), v[-1] + 1e-3]
        for left, right, colour in zip(edges[:-1], edges[1:], curve.rgb, strict=True):
            axes.axvspan(left, right, color=tuple(colour / 255.0), lw=0)
        hue = np.degrees(np.unwrap(np.radians(curve.hue_deg)))
        twin: Any = axes.twinx()
        twin.plot(v, hue, color="white", lw=3.2)
        twin.plot(v, hue, color=_INK, lw=1.4)
        twin.set_ylabel("hue h / \u00b0")
        pad = max(8.0, 0.1 * float(np.ptp(hue)))
        twin.set_ylim(hue.min() - pad, hue.max() + pad)
        axes.set_yticks([])
        axes.set_ylabel("colour of\nthe liquid")
    axes.set_xlim(v[0], v[-1] if v[-1] > v[0] else v[0] + 1)
    axes.tick_params(labelsize=8)


def _fractions(axes: Axes, result: Result, window: tuple[float, float] | None) -> None:
    """Free fraction with error bars, the fitted curve and points set aside."""
    curve, fit = result.curve, result.fit
    assert curve is not None
    assert fit is not None
    x, f = fit.mixed_volume_ml, fit.free_fraction
    good = ~fit.outlier & (curve.flags == 0)
    size = 4.0 if len(curve) < 120 else 2.0
    axes.errorbar(
        x[good],
        f[good],
        2 * fit.free_fraction_sigma[good],
        fmt="o",
        ms=size,
        color=_SOFT,
        mfc="white",
        ecolor="#b5b5b5",
        elinewidth=0.8,
        label="measured (bars: 2 sigma)",
        zorder=2,
    )
    if (~good).any():
        axes.plot(x[~good], f[~good], "x", ms=7, color=_INK, label="set aside", zorder=3)
    axes.plot(fit.grid_volume_ml, fit.grid_fraction, "-", color=_INK, lw=1.5, label="fit", zorder=4)
    bracket = result.verdict.bracket_ml
    if bracket is not None:
        right = bracket[1] if bracket[1] is not None else float(x.max()) + 1.0
        axes.axvspan(
            bracket[0], right, hatch="//", facecolor="none", edgecolor=_SOFT, lw=0, zorder=1
        )
    if window is None:
        for field, _, _, style, _ in _MARKS:
            estimate = getattr(result, field)
            if estimate is not None:
                axes.axvline(estimate.value_ml, color=_SOFT, ls=style, lw=0.9, zorder=1)
        axes.legend(fontsize=8, loc="upper left", frameon=False)
    else:
        axes.set_xlim(max(window[0], float(x.min())), window[1])
    axes.set_ylim(-0.12, 1.22)
    axes.set_xlabel("added titrant / mL")
    axes.set_ylabel("free (blue) part of the indicator")
    axes.grid(color="#e4e4e4", lw=0.6)
    axes.tick_params(labelsize=9)


def _marks(axes: Axes, result: Result) -> None:
    """The three volumes by line, shape and words; the words stand in a column, never on top."""
    row = 0
    for field, words, marker, style, height in _MARKS:
        estimate = getattr(result, field)
        if estimate is None:
            continue
        value, wide = with_uncertainty(estimate.value_ml, half_width(estimate))
        axes.axvline(estimate.value_ml, color=_INK, ls=style, lw=1.1, zorder=3)
        axes.plot(
            [estimate.value_ml], [height], marker, ms=9, mfc="white", mec=_INK, mew=1.5, zorder=6
        )
        axes.annotate(
            f"{words}\n{value} \u00b1 {wide} mL",
            (estimate.value_ml, height),
            xytext=(0.03, 0.93 - 0.17 * row),
            textcoords="axes fraction",
            fontsize=9,
            va="top",
            zorder=7,
            bbox={"boxstyle": "round,pad=0.25", "fc": "white", "ec": "#c8c8c8", "lw": 0.6},
            arrowprops={"arrowstyle": "-", "color": _SOFT, "lw": 0.8, "shrinkB": 5},
        )
        row += 1
    bracket = result.verdict.bracket_ml
    if bracket is not None:
        high = "no upper end" if bracket[1] is None else f"{rounded(bracket[1], 2)} mL"
        axes.annotate(
            f"hatched: bracket of the\nequivalence volume\n{rounded(bracket[0], 2)} to {high}",
            (0.97, 0.08),
            xycoords="axes fraction",
            ha="right",
            va="bottom",
            fontsize=9,
            bbox={"boxstyle": "round,pad=0.25", "fc": "white", "ec": "#c8c8c8", "lw": 0.6},
        )


def _residuals(axes: Axes, result: Result) -> None:
    curve, fit = result.curve, result.fit
    assert curve is not None
    assert fit is not None
    rest = fit.free_fraction - fit.fitted_fraction
    good = ~fit.outlier & (curve.flags == 0)
    band = 2 * float(np.median(fit.free_fraction_sigma[good]))
    axes.axhspan(-band, band, color="#ececec", lw=0)
    axes.axhline(0, color=_SOFT, lw=0.8)
    axes.plot(fit.mixed_volume_ml[good], rest[good], "o", ms=3, color=_INK, mfc="white")
    limit = max(1.6 * band, 1.15 * float(np.max(np.abs(rest[good]))))
    axes.set_ylim(-limit, limit)
    axes.set_xlabel("added titrant / mL   (grey: 2 sigma)")
    axes.set_ylabel("measured\nminus fit")
    axes.tick_params(labelsize=8)


def _signal(axes: Axes, result: Result) -> None:
    """Densities where no fit is believed."""
    curve = result.curve
    assert curve is not None
    styles = ["solid", "dashed", "dotted", "dashdot"]
    shapes = "osD^"
    for k, name in enumerate(curve.channels):
        label = f"{name} channel" if curve.channels == RGB else name
        axes.plot(
            curve.volume_ml,
            curve.density[:, k],
            color=_INK,
            ls=styles[k % 4],
            lw=1.1,
            marker=shapes[k % 4],
            ms=4,
            mfc="white",
            label=label,
            markevery=max(1, len(curve) // 40),
        )
    axes.set_xlabel("added titrant / mL")
    axes.set_ylabel("optical density" if curve.channels == RGB else "absorbance")
    axes.grid(color="#e4e4e4", lw=0.6)
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, 0.0), high + 0.15 * (high - low))
    axes.legend(fontsize=9, loc="upper right", ncols=len(curve.channels), frameon=False)


def describe(result: Result) -> str:
    """Return a paragraph that says what the chart shows, for those who cannot see it."""
    text = answer(result) + " "
    curve = result.curve
    if curve is None or len(curve) == 0:
        return text + "The chart shows only the first picture of the recording."
    text += (
        f"The chart shows {len(curve)} points from {rounded(float(curve.volume_ml[0]), 2)} to "
        f"{rounded(float(curve.volume_ml[-1]), 2)} mL of added titrant."
    )
    for field, words, *_ in _MARKS:
        estimate = getattr(result, field)
        if estimate is not None:
            value, wide = with_uncertainty(estimate.value_ml, half_width(estimate))
            text += f" The {words}, stands at {value} \u00b1 {wide} mL."
    return text


def region_picture(result: Result) -> Figure | None:
    """First picture with the liquid and the reference outlined and named."""
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    region, picture = result.region, result.first_frame
    if region is None or picture is None:
        return None
    height, width = picture.shape[:2]
    figure = Figure(figsize=(8.0, 8.0 * height / width), facecolor="white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.imshow(picture)
    axes.axis("off")
    named = (
        ("liquid", region.liquid_box, region.liquid_mask, "solid"),
        ("reference", region.reference_box, region.reference_mask, "dashed"),
    )
    for name, box, mask, style in named:
        whole = np.zeros((height, width))
        whole[box.top : box.bottom, box.left : box.right] = mask
        if mask.all():
            corner = (box.left, box.top)
            for colour, wide in (("black", 4.0), ("white", 1.6)):
                axes.add_patch(
                    Rectangle(
                        corner, box.width, box.height, fill=False, ec=colour, lw=wide, ls=style
                    )
                )
        else:
            for colour, wide in (("black", 4.0), ("white", 1.6)):
                axes.contour(whole, [0.5], colors=colour, linewidths=wide, linestyles=style)
        axes.annotate(
            name,
            (box.left, box.top),
            xytext=(0, 4),
            textcoords="offset points",
            fontsize=13,
            color="white",
            va="bottom",
            bbox={"boxstyle": "square,pad=0.2", "fc": "black", "ec": "white", "lw": 0.8},
        )
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    return figure
