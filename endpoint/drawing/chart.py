"""The chart of a result, and the same in words. Nothing in it depends on telling colours apart.

Two columns share their volumes from top to bottom: the whole titration, and the part around the
end. Each shows the colour of the real liquid, its hue angle (or the absorbances of a photometer),
the free part of the indicator with the fit, and the residuals of the fit.
"""

from __future__ import annotations

import io
import textwrap
import warnings
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import numpy as np

from endpoint.analysis.result import Result
from endpoint.drawing import panels
from endpoint.drawing.curve_points import window_around
from endpoint.drawing.panels import has_colour, volumes_of
from endpoint.result.text import answer, unbroken_answer, volume_words
from endpoint.rounding import FIXED_SPACE, outward, rounded

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_TITLE_COLUMNS = 94
"""Signs in a line of the title."""
_DPI = 120


def chart(result: Result) -> Figure:
    """Chart of a whole titration.

    Parameters
    ----------
    result:
        With a believed fit both columns are drawn, else the densities in one; without a curve
        the figure shows the first picture of the recording if there is one.
    """
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    spacing = ConstrainedLayoutEngine(w_pad=0.08, h_pad=0.06, hspace=0.02, wspace=0.02)
    figure = Figure(figsize=(10.0, 10.0), layout=spacing, facecolor="white")
    # A dollar sign in the user's label does not begin a formula.
    figure.suptitle(
        _title(result),
        x=0.012,
        ha="left",
        fontsize=panels.LARGE,
        color=panels.INK,
        parse_math=False,
    )
    curve = result.curve
    if curve is None or len(curve) == 0:
        _first_picture(figure, result)
    elif result.fit is None or result.status == "none":
        _without_fit(figure, result)
    else:
        _with_fit(figure, result)
    return figure


def _title(result: Result) -> str:
    lines = textwrap.wrap(unbroken_answer(result), _TITLE_COLUMNS, break_on_hyphens=False)
    for sentence in result.reasons[:1]:
        lines += textwrap.wrap(f"What to do: {sentence.advice}", _TITLE_COLUMNS)
    return "\n".join(lines).replace(FIXED_SPACE, " ")


def _first_picture(figure: Figure, result: Result) -> None:
    axes = figure.subplots()
    axes.axis("off")
    if result.first_frame is not None:
        axes.imshow(result.first_frame)
        axes.set_title("First picture of the recording", fontsize=panels.SMALL, loc="left")


def _without_fit(figure: Figure, result: Result) -> None:
    curve = result.curve
    assert curve is not None
    coloured = has_colour(curve)
    rows = figure.subplots(
        3 if coloured else 1,
        1,
        sharex=True,
        squeeze=False,
        height_ratios=(0.5, 1.0, 3.6) if coloured else None,
    )[:, 0]
    v = curve.volume_ml
    low, high = _padded(float(v.min()), float(v.max()))
    above = result.verdict.above_ml
    if above is not None:
        high = max(high, above + 0.22 * (above - low))
    rows[-1].set_xlim(low, high)
    if coloured:
        panels.strip(rows[0], v, curve.rgb, (low, high))
        panels.hue(rows[1], v, curve.hue_deg)
    panels.densities(rows[-1], curve, above)
    rows[-1].set_xlabel("added titrant / mL", fontsize=panels.SMALL)


def _with_fit(figure: Figure, result: Result) -> None:
    curve, fit = result.curve, result.fit
    assert curve is not None
    assert fit is not None
    coloured = has_colour(curve)
    heights = (0.5, 1.1, 3.9, 1.3) if coloured else (1.6, 3.9, 1.3)
    grid = figure.subplots(
        len(heights),
        2,
        sharex="col",
        sharey="row",
        height_ratios=heights,
        width_ratios=(1.0, 1.35),
    )
    x = fit.mixed_volume_ml
    windows = (_padded(float(x.min()), float(x.max())), zoom_window(result))
    for column, window in enumerate(windows):
        top, middle, bottom = grid[0, column], grid[-2, column], grid[-1, column]
        middle.set_xlim(*window)
        if coloured:
            panels.strip(top, x, curve.rgb, window)
            panels.hue(grid[1, column], x, curve.hue_deg)
            panels.lines(grid[1, column], result)
        else:
            panels.absorbances(top, x, curve)
            panels.lines(top, result)
            if column:
                panels.name_channels(top, curve)
        panels.fractions(middle, result)
        panels.residuals(bottom, result)
        mixed = ", mixed in" if curve.lag_matters else ""
        bottom.set_xlabel(f"added titrant{mixed} / mL", fontsize=panels.SMALL)
        if column:
            for axes in grid[:, column]:
                axes.set_ylabel("")
    grid[0, 0].set_title("Whole titration", loc="left", fontsize=panels.SMALL)
    grid[0, 1].set_title("Around the end", loc="left", fontsize=panels.SMALL)
    panels.name_volumes(grid[-2, 1], result)
    handles, labels = grid[-2, 0].get_legend_handles_labels()
    figure.legend(
        handles,
        labels,
        loc="outside lower left",
        ncols=len(handles),
        fontsize=panels.SMALL,
        frameon=False,
    )


def _padded(low: float, high: float) -> tuple[float, float]:
    pad = max(0.025 * (high - low), 0.05)
    return low - pad, high + pad


def zoom_window(result: Result) -> tuple[float, float]:
    """Volumes that the right column shows, mL, see `curve_points.window_around`."""
    end: tuple[float, float | None] = (0.0, 0.0)
    if result.equivalence is not None:
        end = (result.equivalence.value_ml, result.equivalence.value_ml)
    elif result.verdict.bracket_ml is not None:
        end = result.verdict.bracket_ml
    return window_around(end, [estimate.value_ml for _, estimate in volumes_of(result)])


def describe(result: Result) -> str:
    """What the chart shows, in words, for those who cannot see it."""
    parts = [answer(result)]
    curve, fit = result.curve, result.fit
    if curve is None or len(curve) == 0:
        what = "only the first picture of the recording" if result.first_frame is not None else ""
        parts.append(f"The chart shows {what or 'nothing else'}.")
        return " ".join(parts)
    first, last = float(curve.volume_ml[0]), float(curve.volume_ml[-1])
    parts.append(
        f"The chart shows {len(curve)} points from {rounded(first, 2)} to {rounded(last, 2)} mL of "
        "added titrant."
    )
    if has_colour(curve):
        parts.append(
            f"The hue angle of the liquid goes from {rounded(float(curve.hue_deg[0]) % 360.0, 0)} "
            f"to {rounded(float(curve.hue_deg[-1]) % 360.0, 0)} degrees."
        )
    if fit is None or result.status == "none":
        parts.append("The optical densities are drawn without a fit.")
        return " ".join(parts)
    for mark, estimate in volumes_of(result):
        name = mark.words_for(result.job.indicator)
        parts.append(f"The {name} is at {volume_words(estimate)}, marked by a {mark.shape}.")
    bracket = result.verdict.bracket_ml
    if bracket is not None:
        low, high = outward(*bracket)
        end = "without an upper end" if high is None else f"to {high} mL"
        parts.append(f"A hatched band shows the bracket from {low} mL {end}.")
    rest = (fit.free_fraction - fit.fitted_fraction)[~fit.outlier]
    parts.append(
        "The points scatter around the fit by "
        f"{rounded(100.0 * float(np.sqrt(np.mean(rest**2))), 1)} % of the whole change."
    )
    if fit.outlier.any():
        parts.append(f"Points left out of the fit, drawn as crosses: {int(fit.outlier.sum())}.")
    return " ".join(parts).replace(FIXED_SPACE, " ")


def picture_bytes(figure: Figure, kind: str, title: str, words: str) -> bytes:
    """Figure as "png", "svg" or "pdf", with title and description for those who cannot see it.

    Its parts get their places once and keep them in every kind.
    """
    import matplotlib

    buffer = io.BytesIO()
    about: dict[str, Any] = {"Title": title, "Description": words}
    if kind == "svg":
        about = {"Date": None}
    elif kind == "pdf":
        about = {"Title": title, "Subject": words, "CreationDate": None}
    with warnings.catch_warnings(), matplotlib.rc_context({"svg.hashsalt": "endpoint"}):
        # Characters of a label that the font lacks are drawn as boxes.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        layout = figure.get_layout_engine()
        if layout is not None:
            # With it each kind would be drawn twice, once only to find the places.
            figure.set_dpi(_DPI)
            layout.execute(figure)
            figure.set_layout_engine(None)
        figure.savefig(buffer, format=kind, dpi=_DPI, metadata=about)
    data = buffer.getvalue()
    return _described(data, title, words) if kind == "svg" else data


def _described(svg: bytes, title: str, words: str) -> bytes:
    """Put title and description where a screen reader looks for them (SVG 1.1, 5.4)."""
    text = svg.decode("utf-8")
    start = text.index("<svg ")
    end = text.index(">", start) + 1
    opening = text[start : end - 1] + ' role="img" aria-labelledby="title desc">'
    named = f'<title id="title">{escape(title)}</title><desc id="desc">{escape(words)}</desc>'
    return (text[:start] + opening + "\n " + named + text[end:]).encode("utf-8")
