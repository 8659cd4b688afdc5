"""Single panels of the chart. Shapes, line styles and words carry everything; all is grey."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from endpoint.analysis.result import Result
from endpoint.chemistry.indicators import Indicator
from endpoint.curve.points import RGB, Curve
from endpoint.equivalence.fit import Estimate
from endpoint.result.text import volume_words
from endpoint.rounding import FIXED_SPACE, outward

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FloatArray = NDArray[np.float64]

INK = "#1a1a1a"
SOFT = "#6e6e6e"
_BAND = "#e2e2e2"
_BAR = "#b0b0b0"
_LINE = "#d9d9d9"
LARGE, SMALL = 13.0, 11.5
"""Sizes of type, points: readable where the picture is half as wide."""
_MANY = 150
"""Points from which they are drawn small."""
_STYLES: Sequence[Any] = ("solid", (0, (6, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)))
_SHAPES = "osD^"
_PLATE = {"boxstyle": "round,pad=0.3", "fc": "white", "ec": "#9a9a9a", "lw": 0.7}


@dataclass(frozen=True)
class Mark:
    """How one of the three volumes is drawn."""

    field: str
    words: str
    shape: str
    """Name of the marker for people."""
    marker: str
    line: Any
    height: float | None
    """Free part at which the marker stands; None is the lower edge."""
    slot: float
    """Where its name stands, as a part of the height of the panel."""

    def words_for(self, indicator: Indicator) -> str:
        """Its name with the colour of the indicator's bound form."""
        return self.words.replace("{bound}", indicator.bound.colour)


MARKS = (
    Mark("last_red", "last {bound} (95 % free)", "square", "s", (0, (1, 1.5)), 0.95, 0.72),
    Mark("midpoint", "midpoint (half free)", "circle", "o", (0, (6, 3)), 0.5, 0.48),
    Mark("equivalence", "equivalence volume", "triangle", "^", "solid", None, 0.20),
)


def volumes_of(result: Result) -> list[tuple[Mark, Estimate]]:
    """Those of the three volumes that the result has."""
    found = []
    for mark in MARKS:
        estimate: Estimate | None = getattr(result, mark.field)
        if estimate is not None:
            found.append((mark, estimate))
    return found


def has_colour(curve: Curve) -> bool:
    """Whether the points carry the colour of a picture."""
    return curve.channels == RGB and bool(np.any(curve.rgb))


def _dress(axes: Axes, label: str) -> None:
    axes.set_ylabel(label, fontsize=SMALL)
    axes.tick_params(labelsize=SMALL)
    axes.grid(color=_LINE, lw=0.6)
    axes.set_axisbelow(True)


def strip(axes: Axes, x: FloatArray, rgb: NDArray[np.uint8], window: tuple[float, float]) -> None:
    """Colour of the real liquid; every volume takes the colour of the nearest point."""
    at = np.linspace(*window, 1400)
    order = np.argsort(x, kind="stable")
    edges = 0.5 * (x[order][1:] + x[order][:-1])
    picture = rgb[order][np.searchsorted(edges, at)].astype(np.float64) / 255.0
    # There is no colour before the first point and after the last one.
    picture[(at < x.min()) | (at > x.max())] = 1.0
    axes.imshow(
        picture[None, :, :], extent=(*window, 0.0, 1.0), aspect="auto", interpolation="nearest"
    )
    axes.set_yticks([])
    axes.tick_params(labelsize=SMALL, bottom=False)
    axes.set_ylabel("liquid", fontsize=SMALL, rotation=0, ha="right", va="center")


def hue(axes: Axes, x: FloatArray, hue_deg: FloatArray) -> None:
    """Hue angle as a line, without a jump at 360 degrees."""
    order = np.argsort(x, kind="stable")
    turned = np.degrees(np.unwrap(np.radians(hue_deg[order])))
    style = "-" if x.size > _MANY else "-o"
    axes.plot(x[order], turned, style, color=INK, lw=1.2, ms=3, mfc="white")
    middle = 0.5 * (float(turned.min()) + float(turned.max()))
    half = max(0.6 * float(np.ptp(turned)), 10.0)
    axes.set_ylim(middle - half, middle + half)
    _dress(axes, "hue angle / \u00b0")
    axes.yaxis.set_major_locator(_few_ticks())
    axes.yaxis.set_major_formatter(lambda value, _place: f"{value % 360.0:.0f}")


def _few_ticks() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(nbins=4, steps=[1, 2, 3, 5, 10])


def absorbances(axes: Axes, x: FloatArray, curve: Curve) -> None:
    """Absorbance of every wavelength, or density of every channel."""
    order = np.argsort(x, kind="stable")
    for k, name in enumerate(curve.channels):
        axes.plot(
            x[order],
            curve.density[order, k],
            color=INK,
            ls=_STYLES[k % len(_STYLES)],
            lw=1.3,
            marker="" if x.size > _MANY else _SHAPES[k % len(_SHAPES)],
            ms=3.5,
            mfc="white",
            label=f"{name} channel" if curve.channels == RGB else name,
        )
    least, most = float(curve.density.min()), float(curve.density.max())
    axes.set_ylim(min(0.0, 1.1 * least), 1.3 * max(most, 0.05))
    _dress(axes, "density" if curve.channels == RGB else "absorbance")
    axes.yaxis.set_major_locator(_few_ticks())


def name_channels(axes: Axes, curve: Curve) -> None:
    """Names of the lines in a row at the upper edge."""
    axes.legend(
        fontsize=SMALL - 1.5,
        loc="upper left",
        ncols=min(len(curve.channels), 3),
        facecolor="white",
        edgecolor="none",
        framealpha=1.0,
        borderpad=0.1,
        borderaxespad=0.3,
        columnspacing=1.2,
    )


def lines(axes: Axes, result: Result) -> None:
    """The three volumes as lines only."""
    for mark, estimate in volumes_of(result):
        axes.axvline(estimate.value_ml, color=SOFT, ls=mark.line, lw=0.8, zorder=1)


def fractions(axes: Axes, result: Result) -> None:
    """Free part of the indicator with error bars, fit, volumes and bracket."""
    curve, fit = result.curve, result.fit
    assert curve is not None
    assert fit is not None
    x, f, good = fit.mixed_volume_ml, fit.free_fraction, ~fit.outlier
    many = len(curve) > _MANY
    axes.errorbar(
        x[good],
        f[good],
        2 * fit.free_fraction_sigma[good],
        fmt="o",
        ms=2.4 if many else 4.5,
        color=SOFT,
        mfc="white",
        mew=0.7 if many else 1.0,
        ecolor=_BAR,
        elinewidth=0.5 if many else 1.0,
        label="measured, bars: 2 sigma",
        zorder=2,
    )
    axes.plot(fit.grid_volume_ml, fit.grid_fraction, "-", color=INK, lw=1.6, label="fit", zorder=4)
    low = max(min(-0.15, float(f[good].min()) - 0.05), -0.5)
    high = min(max(1.12, float(f[good].max()) + 0.05), 1.5)
    axes.set_ylim(low, high)
    if not good.all():
        seen = np.clip(f[~good], low + 0.03, high - 0.03)
        axes.plot(x[~good], seen, "x", ms=8, mew=1.6, color=INK, label="left out", zorder=5)
    bracket = result.verdict.bracket_ml
    if bracket is not None:
        right = axes.get_xlim()[1] if bracket[1] is None else bracket[1]
        _hatched(axes, bracket[0], right)
    for mark, estimate in volumes_of(result):
        axes.axvline(estimate.value_ml, color=INK, ls=mark.line, lw=1.0, zorder=3)
        axes.plot(
            [estimate.value_ml],
            [_height(axes, mark)],
            mark.marker,
            ms=8.5,
            mfc="white",
            mec=INK,
            mew=1.5,
            zorder=6,
        )
    _dress(axes, f"free ({result.job.indicator.free.colour}) part of the indicator")


def _height(axes: Axes, mark: Mark) -> float:
    low, high = axes.get_ylim()
    return low + 0.035 * (high - low) if mark.height is None else mark.height


def _hatched(axes: Axes, left: float, right: float) -> None:
    axes.axvspan(left, right, hatch="//", facecolor="none", edgecolor=_BAR, lw=0, zorder=1)


def name_volumes(axes: Axes, result: Result) -> None:
    """Names of the volumes in a column at the lower right.

    Beyond the end the curve runs at the top, so nothing is ever under them.
    """
    left, right = axes.get_xlim()
    for mark, estimate in volumes_of(result):
        inside = left <= estimate.value_ml <= right
        edge = left if estimate.value_ml < left else right
        side = "left" if estimate.value_ml < left else "right"
        words = volume_words(estimate).replace(FIXED_SPACE, " ").replace(" mL (", " mL\n(")
        text = f"{mark.words_for(result.job.indicator)}\n{words}"
        axes.annotate(
            text if inside else f"{text}\n({side} of this panel)",
            (estimate.value_ml if inside else edge, _height(axes, mark)),
            xytext=(0.975, mark.slot),
            textcoords="axes fraction",
            ha="right",
            va="center",
            fontsize=SMALL,
            fontweight="bold" if mark.field == "equivalence" else "normal",
            zorder=8,
            bbox=_PLATE,
            arrowprops={
                "arrowstyle": "-" if inside else "->",
                "color": SOFT,
                "lw": 1.0,
                "shrinkB": 6.0 if inside else 0.0,
            },
        )
    bracket = result.verdict.bracket_ml
    if bracket is not None:
        low, high = outward(*bracket)
        ends = f"above {low} mL" if high is None else f"{low} to {high} mL"
        axes.text(
            0.975,
            MARKS[-1].slot,
            f"hatched: the equivalence\nvolume lies here,\n{ends}",
            transform=axes.transAxes,
            ha="right",
            va="center",
            fontsize=SMALL,
            fontweight="bold",
            zorder=8,
            bbox=_PLATE,
        )


def residuals(axes: Axes, result: Result) -> None:
    """Measured minus fitted free part, with twice its standard deviation as a grey band."""
    fit = result.fit
    assert fit is not None
    x, rest = fit.mixed_volume_ml, fit.free_fraction - fit.fitted_fraction
    wide, good = 2.0 * fit.free_fraction_sigma, ~fit.outlier
    order = np.argsort(x, kind="stable")
    axes.fill_between(
        x[order], -wide[order], wide[order], color=_BAND, lw=0, label="2 sigma", zorder=1
    )
    axes.axhline(0.0, color=SOFT, lw=0.8, zorder=2)
    small = x.size > _MANY
    axes.plot(x[good], rest[good], "o", ms=2.4 if small else 4, color=INK, mfc="white", mew=0.8)
    limit = 1.15 * max(float(np.max(np.abs(rest[good]))), float(np.median(wide)))
    if not good.all():
        axes.plot(x[~good], np.clip(rest[~good], -limit, limit), "x", ms=8, mew=1.6, color=INK)
    axes.set_ylim(-1.1 * limit, 1.1 * limit)
    _dress(axes, "measured\nminus fit")
    axes.yaxis.set_major_locator(_few_ticks())


def densities(axes: Axes, curve: Curve, above_ml: float | None) -> None:
    """Densities where no fit is believed, and what the recording proves all the same."""
    from matplotlib.ticker import AutoLocator

    absorbances(axes, curve.volume_ml, curve)
    axes.yaxis.set_major_locator(AutoLocator())
    axes.set_ylabel("optical density" if curve.channels == RGB else "absorbance", fontsize=SMALL)
    name_channels(axes, curve)
    if above_ml is None:
        return
    right = axes.get_xlim()[1]
    _hatched(axes, above_ml, right)
    low, _ = outward(above_ml, None)
    axes.text(
        0.975,
        0.5,
        f"the equivalence\nvolume is above\n{low} mL",
        transform=axes.transAxes,
        ha="right",
        va="center",
        fontsize=SMALL,
        zorder=8,
        bbox=_PLATE,
    )
