"""Figures of a comparison for a paper: agreement, lines, bias by analyst. Black on white.

Analysts differ by the shape of their mark and whether it is filled, never by colour.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from endpoint.comparison.document import NAMES, further_of
from endpoint.comparison.estimates import Z95, Ranged
from endpoint.comparison.regression import Line
from endpoint.comparison.study import Against
from endpoint.comparison.words import decimals_of, main_agreement
from endpoint.drawing import panels
from endpoint.rounding import rounded

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_SHAPES = ("o", "s", "^", "D", "v", "P", "X", "p", "<", ">", "h", "*")
_SIZE = (6.3, 4.4)
_DASHES: tuple[Any, ...] = ("solid", (0, (6, 2)), (0, (1, 1.5)))
"""Size of a figure, inches (width of text of an A4 page), and the strokes of its lines."""
_STROKES = ((3.6, "#9a9a9a"), (1.3, panels.INK))
"""Width and grey of the lines: both can be seen where one lies on the other."""
_NAME_STEP = 0.055
"""Least distance of two names, as a part of the height."""
_MOST_NAMED = 2 * len(_SHAPES)
"""Analysts with a sign of their own: each sign empty and filled."""
_SMALL = 9.0
"""Size of the small type, points."""


def figures(part: Against) -> dict[str, tuple[Callable[[Against], Figure], str, str]]:
    """Figures that a comparison allows: stem -> (how it is drawn, title, words)."""
    name = NAMES[part.volume]
    stem = part.volume.removesuffix("_ml").replace("_", "-")
    found: dict[str, tuple[Callable[[Against], Figure], str, str]] = {}
    if part.agreement is not None:
        title = f"Visual titres against {name}: agreement"
        found[f"agreement-{stem}"] = (agreement_chart, title, _agreement_words(part))
    if part.lines or part.rank_line is not None:
        title = f"Visual titres against {name}: lines"
        found[f"lines-{stem}"] = (line_chart, title, _line_words(part))
    if len(part.by_analyst) > 1:
        title = f"Visual titres against {name}: bias by analyst"
        found[f"analysts-{stem}"] = (analyst_chart, title, _analyst_words(part))
    return found


def _page() -> tuple[Figure, Axes]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=_SIZE, layout="constrained", facecolor="white")
    axes = figure.subplots()
    axes.tick_params(labelsize=_SMALL, direction="in")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return figure, axes


def _points(axes: Axes, part: Against, x: np.ndarray, y: np.ndarray) -> None:
    """Marks by analyst; one shape for all where there are too many analysts."""
    names = sorted(set(part.analysts))
    many = len(names) > _MOST_NAMED
    who = np.array(part.analysts)
    for k, name in enumerate(["titration"] if many else names):
        chosen = np.ones(len(x), dtype=bool) if many else who == name
        axes.plot(
            x[chosen],
            y[chosen],
            ls="none",
            marker=_SHAPES[k % len(_SHAPES)],
            ms=5.5,
            mec=panels.INK,
            mfc=panels.INK if k >= len(_SHAPES) else "white",
            mew=0.9,
            label=name[:24] if len(names) > 1 else "titration",
            zorder=3,
        )


def _legend(figure: Figure, axes: Axes) -> None:
    handles, labels = axes.get_legend_handles_labels()
    # A long name widens its whole column.
    most = 3 if max(map(len, labels), default=0) > 20 else 5
    figure.legend(
        handles,
        [_safe(text) for text in labels],
        loc="outside lower center",
        ncols=min(max(len(labels), 1), most),
        fontsize=_SMALL,
        frameon=False,
    )


def _safe(text: str) -> str:
    """Label that matplotlib does not read as mathematics or leave out."""
    shown = text.replace("$", r"\$")
    return f" {shown}" if shown.startswith("_") else shown


def _further(part: Against) -> str:
    """For whom the limits that come first hold; empty where it is only for these titrations."""
    known = further_of(part)
    return known[-1][0] if known else ""


def agreement_chart(part: Against) -> Figure:
    """Difference against mean, with the bias and limits that come first, and their intervals.

    Those are for further analysts or samples where they are known; then the narrower limits that
    hold for these titrations only are drawn as dotted lines as well.
    """
    found = main_agreement(part)
    assert found is not None
    further = _further(part)
    of = f" (further {further})" if further else ""
    figure, axes = _page()
    mean = 0.5 * (part.visual_ml + part.recorded_ml)
    digits = decimals_of(found.bias_ml.low, found.bias_ml.high)
    for k, (value, style, words) in enumerate(
        (
            (found.upper_ml, (0, (6, 2)), "upper limit"),
            (found.bias_ml, "solid", "bias"),
            (found.lower_ml, (0, (6, 2)), "lower limit"),
        )
    ):
        axes.axhline(value.value, color=panels.INK, lw=1.2, ls=style)
        # The intervals may overlap, so they are drawn side by side.
        axes.plot(
            [0.95 + 0.02 * k] * 2,
            [value.low, value.high],
            transform=axes.get_yaxis_transform(),
            color=panels.INK,
            lw=1.0,
            marker="_",
            ms=6,
            label="_" if k else f"95 % intervals, at the right{of}",
        )
        axes.annotate(
            f"{words}\n{_signed(rounded(value.value, digits))} mL",
            (1.01, value.value),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=_SMALL,
            annotation_clip=False,
        )
    if further and part.agreement is not None:
        for k, value in enumerate((part.agreement.lower_ml, part.agreement.upper_ml)):
            label = "_" if k else "limits for these analysts only"
            axes.axhline(value.value, color=panels.INK, lw=1.0, ls=(0, (1, 1.5)), label=label)
    axes.axhline(0.0, color=panels.SOFT, lw=0.8)
    _points(axes, part, mean, part.differences_ml)
    reach = max(float(np.ptp(mean)), 0.1)
    axes.set_xlim(float(mean.min()) - 0.05 * reach, float(mean.max()) + 0.12 * reach)
    axes.set_xlabel(f"mean of visual titre and {NAMES[part.volume][4:]} / mL", fontsize=_SMALL + 1)
    axes.set_ylabel(f"visual titre minus {NAMES[part.volume][4:]} / mL", fontsize=_SMALL + 1)
    _legend(figure, axes)
    return figure


def line_chart(part: Against) -> Figure:
    """Visual titre less recorded volume against the recorded volume, with the lines.

    The difference is drawn, since lines near y = x could not be distinguished otherwise.
    """
    figure, axes = _page()
    x = part.recorded_ml
    reach = 0.05 * float(np.ptp(x))
    grid = np.linspace(float(x.min()) - reach, float(x.max()) + reach, 100)
    axes.axhline(0.0, color=panels.SOFT, lw=0.8, ls=(0, (1, 2)))
    # The band is that of the first line whose stated uncertainties explain the scatter.
    ends: list[tuple[float, str]] = []
    believed = next((one for one in part.lines if one.p_value is None or one.p_value >= 0.05), None)
    for k, line in enumerate(part.lines):
        rest = line.at(grid) - grid
        if line is believed:
            wide = Z95 * line.u_at(grid)
            words = f"95 % interval ({line.method})"
            axes.fill_between(grid, rest - wide, rest + wide, fc="#ededed", ec="none", label=words)
        width, colour = _STROKES[k]
        axes.plot(grid, rest, color=colour, lw=width, ls=_DASHES[k], label=line.method)
        ends.append((float(rest[-1]), line.method))
    if part.rank_line is not None:
        slope, intercept = (v.value for v in part.rank_line)
        rest = intercept + (slope - 1.0) * grid
        axes.plot(grid, rest, color=panels.INK, lw=1.5, ls=_DASHES[2], label="Passing-Bablok")
        ends.append((float(rest[-1]), "Passing-Bablok"))
    _points(axes, part, x, part.differences_ml)
    _bars(axes, part)
    _named_ends(axes, float(grid[-1]), ends)
    name = NAMES[part.volume][4:]
    axes.set_xlabel(f"{name} / mL", fontsize=_SMALL + 1)
    axes.set_ylabel(f"visual titre minus {name} / mL", fontsize=_SMALL + 1)
    _legend(figure, axes)
    return figure


def _named_ends(axes: Axes, x: float, ends: list[tuple[float, str]]) -> None:
    """Name each line at its right end, with the names spread out where the lines are close."""
    low, high = axes.get_ylim()
    at = -1.0
    for y, name in sorted(ends):
        at = max(at + _NAME_STEP, (y - low) / (high - low))
        axes.annotate(
            name,
            (x, y),
            xytext=(1.05, at),
            textcoords="axes fraction",
            va="center",
            fontsize=_SMALL,
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "lw": 0.6, "color": panels.SOFT},
        )
    axes.set_ylim(low, high)


def _signed(number: str) -> str:
    """Number with a true minus sign."""
    return number.replace("-", "\u2212")


def _bars(axes: Axes, part: Against) -> None:
    """Stated standard uncertainties of the differences, where every row has both."""
    key = part.volume.replace("_ml", "_u_ml")
    both = [(pair.visual_u_ml, getattr(pair, key)) for pair in part.pairs]
    if any(a is None or b is None for a, b in both):
        return
    sizes = [float(np.hypot(a, b)) for a, b in both if a is not None]
    axes.errorbar(
        part.recorded_ml,
        part.differences_ml,
        yerr=sizes,
        ls="none",
        ecolor=panels.SOFT,
        elinewidth=0.7,
        zorder=1,
    )


def analyst_chart(part: Against) -> Figure:
    """Bias of each analyst with its 95 % interval, and of all."""
    from matplotlib.figure import Figure

    shown = part.by_analyst
    height = min(2.0 + 0.28 * len(shown), 14.0)
    figure = Figure(figsize=(_SIZE[0], height), layout="constrained", facecolor="white")
    axes = figure.subplots()
    for row, each in enumerate(shown):
        _interval(axes, row, each.bias_ml, each.interval, "o")
    names = [f"{each.analyst[:24]} (n = {each.n})" for each in shown]
    total = main_agreement(part)
    if total is not None:
        _interval(axes, len(shown), total.bias_ml.value, total.bias_ml, "D")
        names.append(f"further {_further(part)}" if _further(part) else "all")
    axes.axvline(0.0, color=panels.SOFT, lw=0.8, ls=(0, (1, 2)))
    step = 1 + len(names) // 90
    axes.set_yticks(range(0, len(names), step), names[::step], parse_math=False)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_xlabel(f"visual titre minus {NAMES[part.volume][4:]} / mL", fontsize=_SMALL + 1)
    axes.tick_params(labelsize=_SMALL, direction="in")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return figure


def _interval(axes: Axes, row: int, value: float, ends: Ranged | None, marker: str) -> None:
    if ends is not None:
        axes.plot([ends.low, ends.high], [row, row], color=panels.INK, lw=1.3)
        axes.plot([ends.low, ends.high], [row, row], color=panels.INK, ls="none", marker="|", ms=9)
    filled = panels.INK if ends is not None else "white"
    axes.plot(value, row, marker=marker, ms=6.5, mec=panels.INK, mfc=filled, ls="none", zorder=3)


def _agreement_words(part: Against) -> str:
    found = main_agreement(part)
    assert found is not None
    d = decimals_of(found.bias_ml.low, found.bias_ml.high)
    texts = []
    for name, v in (
        ("bias", found.bias_ml),
        ("lower limit", found.lower_ml),
        ("upper limit", found.upper_ml),
    ):
        ends = f"{rounded(v.low, d)} to {rounded(v.high, d)}"
        texts.append(f"{name} {rounded(v.value, d)} mL (95 % interval {ends})")
    if _further(part) and part.agreement is not None:
        ends = " to ".join(
            rounded(v.value, d) for v in (part.agreement.lower_ml, part.agreement.upper_ml)
        )
        texts.append(f"these hold for further {_further(part)}; for these titrations {ends} mL")
    return (
        f"Difference of visual titre and {NAMES[part.volume]} against their mean, "
        f"{len(part.pairs)} titrations. " + "; ".join(texts) + "."
    )


def _line_words(part: Against) -> str:
    lines: list[Line] = list(part.lines)
    texts = [
        f"{line.method}: slope {rounded(line.slope.value, 4)}, intercept "
        f"{rounded(line.intercept_ml.value, 3)} mL"
        for line in lines
    ]
    if part.rank_line is not None:
        slope, intercept = (v.value for v in part.rank_line)
        texts.append(
            f"Passing-Bablok: slope {rounded(slope, 4)}, intercept {rounded(intercept, 3)} mL"
        )
    return f"Visual titres against {NAMES[part.volume]}. " + "; ".join(texts) + "."


def _analyst_words(part: Against) -> str:
    texts = []
    for each in part.by_analyst:
        ends = "no interval"
        digits = 3
        if each.interval is not None:
            digits = decimals_of(each.interval.low, each.interval.high)
            ends = f"{rounded(each.interval.low, digits)} to {rounded(each.interval.high, digits)}"
        texts.append(f"{each.analyst}: {rounded(each.bias_ml, digits)} mL ({ends}, n = {each.n})")
    return f"Bias by analyst against {NAMES[part.volume]}. " + "; ".join(texts) + "."
