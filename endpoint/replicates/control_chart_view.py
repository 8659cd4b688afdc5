"""A control chart as text and as picture; signals have their own shape and the name of the rule."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from endpoint.drawing import panels
from endpoint.replicates.control_chart import ControlChart
from endpoint.result.terminal import bullets, encodable, fill, joined
from endpoint.rounding import decimals_for, rounded, two_figures

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_KINDS = {"individuals": "individuals", "mean-range": "means and ranges", "mean-s": "means and s"}
_SCATTER = {
    "individuals": "moving range",
    "mean-range": "range within the day",
    "mean-s": "s within the day",
}
_MOST_TICKS = 14
"""Names along the axis at most."""


def chart_answer(chart: ControlChart) -> str:
    """Sentence that says whether the chart is in control."""
    n = len(chart.points)
    hit = {s.point for s in chart.signals} | set(chart.scatter_signals)
    verdict = (
        "no rule fires, in control"
        if chart.in_control
        else f"not in control at {len(hit)} of {n} points"
    )
    return f"Control chart of {_KINDS[chart.kind]}, {n} points: {verdict}."


def chart_text(
    chart: ControlChart, unit: str, *, width: int = 80, encoding: str | None = "utf-8"
) -> str:
    """Control chart in words for a terminal."""
    decimals = decimals_for(chart.sigma) or 3
    head = chart_answer(chart)
    (low2, high2), (low3, high3) = chart.limits(2.0)[-1], chart.limits(3.0)[-1]
    ends = [rounded(x, decimals) for x in (chart.centre, low2, high2, low3, high3)]
    lines = f"Centre {f'{ends[0]} {unit}'.strip()}, s = {two_figures(chart.sigma)} of single values"
    lines += f", from {'the first ' if chart.fixed else 'all '}{chart.baseline} points. "
    lines += (
        f"Warning limits (2 s) {ends[1]} to {ends[2]}, action limits (3 s) {ends[3]} to {ends[4]}"
    )
    lines += "." if len(set(chart.sizes)) == 1 else " at the last point; they change with n."
    signals = [
        f"point {s.point + 1} ({chart.labels[s.point]}, "
        f"{rounded(chart.points[s.point], decimals)}): {s.rule}, {s.words}"
        for s in chart.signals
    ]
    what = _SCATTER[chart.kind]
    signals += [
        f"point {k + 1} ({chart.labels[k]}): {what} {two_figures(chart.scatter[k] or 0.0)} is "
        "outside its limits"
        for k in chart.scatter_signals
    ]
    blocks = [
        [fill(head, width), fill(lines, width)],
        bullets(signals, width),
        bullets(chart.remarks, width),
    ]
    return encodable(joined(blocks), encoding)


def chart_picture(chart: ControlChart, unit: str) -> Figure:
    """Values with centre, warning and action limits; below, their scatter."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.0, 7.0), layout="constrained", facecolor="white")
    subtitle = "; ".join(sorted({f"{s.rule}: {s.words}" for s in chart.signals}))
    title = "\n".join([textwrap.fill(chart_answer(chart), 84), textwrap.fill(subtitle, 92)]).strip()
    figure.suptitle(title, x=0.012, ha="left", fontsize=panels.LARGE, parse_math=False)
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(2.6, 1.0))
    _values(top, chart, unit)
    _spread(bottom, chart, unit)
    n = len(chart.points)
    step = max(1, -(-n // _MOST_TICKS))
    bottom.set_xticks(range(0, n, step), chart.labels[::step], rotation=35, ha="right")
    for axes in (top, bottom):
        axes.tick_params(labelsize=panels.SMALL)
        axes.set_xlim(-0.7, n - 0.3)
        if chart.fixed and chart.baseline < n:
            axes.axvline(chart.baseline - 0.5, color=panels.SOFT, lw=1.0, ls=(0, (1, 2)))
    if chart.fixed and chart.baseline < n:
        top.annotate(
            "baseline ends",
            (chart.baseline - 0.5, 0.02),
            xycoords=("data", "axes fraction"),
            xytext=(-4, 0),
            textcoords="offset points",
            ha="right",
            fontsize=panels.SMALL,
            color=panels.SOFT,
        )
    return figure


def _values(axes: Axes, chart: ControlChart, unit: str) -> None:
    n = len(chart.points)
    edges = np.arange(n + 1) - 0.5
    styles = {2.0: (0, (2, 2)), 3.0: (0, (8, 3))}
    axes.axhline(chart.centre, color=panels.INK, lw=1.4)
    names = [(chart.centre, "centre")]
    for k, style in styles.items():
        for which in (0, 1):
            ends = np.array([pair[which] for pair in chart.limits(k)])
            axes.stairs(ends, edges, baseline=None, color=panels.INK, lw=1.2, ls=style)
            names.append((float(ends[-1]), f"{'+' if which else '−'}{k:g} s"))
    for height, name in names:
        axes.annotate(
            name,
            (1.005, height),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=panels.SMALL,
            annotation_clip=False,
        )
    x = np.arange(n)
    y = np.array(chart.points)
    hit = sorted({s.point for s in chart.signals})
    axes.plot(x, y, color=panels.SOFT, lw=1.0, zorder=2)
    quiet = np.setdiff1d(x, hit)
    axes.plot(quiet, y[quiet], "o", ms=5.5, color=panels.INK, zorder=3)
    axes.plot(hit, y[hit], "D", ms=10, mfc="white", mec=panels.INK, mew=1.8, zorder=4)
    for point in hit:
        rules = [s.rule for s in chart.signals if s.point == point]
        above = y[point] >= chart.centre
        axes.annotate(
            "\n".join(rules),
            (point, y[point]),
            xytext=(0, 9 if above else -9),
            textcoords="offset points",
            ha="center",
            va="bottom" if above else "top",
            fontsize=panels.SMALL,
            zorder=5,
            bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": "none"},
        )
    axes.margins(y=0.22)
    axes.set_ylabel(unit or "value", fontsize=panels.SMALL)


def _spread(axes: Axes, chart: ControlChart, unit: str) -> None:
    known = [k for k, value in enumerate(chart.scatter) if value is not None]
    values = [chart.scatter[k] or 0.0 for k in known]
    axes.plot(known, values, color=panels.SOFT, lw=1.0)
    edges = np.arange(len(chart.points) + 1) - 0.5
    lines = chart.scatter_lines
    for which, style in (("centre", "solid"), ("upper", (0, (8, 3))), ("lower", (0, (8, 3)))):
        ends = np.array([np.nan if line is None else getattr(line, which) for line in lines])
        if which != "lower" or np.nanmax(ends) > 0:
            axes.stairs(ends, edges, baseline=None, color=panels.INK, lw=1.2, ls=style)
    inside = [k for k in known if k not in chart.scatter_signals]
    axes.plot(inside, [chart.scatter[k] or 0.0 for k in inside], "o", ms=4.5, color=panels.INK)
    for k in chart.scatter_signals:
        axes.plot(k, chart.scatter[k] or 0.0, "D", ms=9, mfc="white", mec=panels.INK, mew=1.8)
    if chart.scatter_signals:
        axes.annotate(
            "diamond: outside the limits",
            (0.008, 0.96),
            xycoords="axes fraction",
            va="top",
            fontsize=panels.SMALL,
            bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": "none"},
        )
    limits = [line.upper for line in lines if line is not None]
    axes.set_ylim(0.0, 1.3 * max([*values, *limits]))
    name = {"individuals": "moving range", "mean-range": "range", "mean-s": "s"}[chart.kind]
    axes.set_ylabel(f"{name} / {unit}" if unit else name, fontsize=panels.SMALL)
