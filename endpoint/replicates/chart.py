"""Dot plot of replicate titres: each by number and shape, mean, interval, concordance band.

Nothing depends on colour: titres in the mean are filled circles, those set aside crosses, rough
ones open squares, each with its name.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from endpoint.drawing import panels
from endpoint.hardness.budget import evaluate_one
from endpoint.hardness.titre import Run
from endpoint.replicates.document import group_mean, use_of
from endpoint.replicates.findings import titre_decimals
from endpoint.replicates.series import Replicates
from endpoint.replicates.words import answer
from endpoint.rounding import FIXED_SPACE, rounded

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LOOK = {
    # use: marker, filled, size, words
    "mean": ("o", True, 8.0, "in the mean"),
    "set aside": ("X", True, 9.0, "set aside"),
    "rough": ("s", False, 8.0, "rough"),
}
_MANY = 30
"""Titrations up to which each row says its numbers."""
_TITLE_COLUMNS = 84
"""Signs in a line of the title."""


def replicate_chart(found: Replicates) -> Figure:
    """Figure of all titres, one row for each."""
    from matplotlib.figure import Figure

    shown = [run for run in found.runs if run.titre_ml is not None]
    height = 2.6 + 0.34 * min(len(shown), 60)
    figure = Figure(figsize=(9.0, height), layout="constrained", facecolor="white")
    title = textwrap.fill(answer(found), _TITLE_COLUMNS, break_on_hyphens=False)
    figure.suptitle(
        title.replace(FIXED_SPACE, " "),
        x=0.012,
        ha="left",
        fontsize=panels.LARGE,
        color=panels.INK,
        parse_math=False,
    )
    axes = figure.subplots()
    _bands(axes, found)
    used = _titres(axes, found, shown)
    _axis(axes, found, shown)
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(
        [*used.values(), *handles],
        [*used, *labels],
        loc="outside lower left",
        ncols=2,
        fontsize=panels.SMALL,
        frameon=False,
    )
    return figure


def _titres(axes: Axes, found: Replicates, shown: list[Run]) -> dict[str, Any]:
    """Draw every titre in its row; returns words for the legend and a mark of each kind."""
    own_drawn = False
    used: dict[str, Any] = {}
    for row, run in enumerate(shown):
        assert run.titre_ml is not None
        use = use_of(found, run)
        marker, filled, size, words = _LOOK[use]
        own = run.own_uncertainty(run.titre_ml)
        if own > 0:
            axes.errorbar(
                run.titre_ml.value,
                row,
                xerr=1.96 * own,
                color=panels.SOFT,
                lw=1.2,
                capsize=3,
                label="_" if own_drawn else "95 %, separate for each titration",
            )
            own_drawn = True
        handle = axes.plot(
            run.titre_ml.value,
            row,
            marker=marker,
            ms=size,
            mfc=panels.INK if filled else "white",
            mec=panels.INK,
            ls="none",
            zorder=3,
        )[0]
        used[words] = handle
    return used


def _bands(axes: Axes, found: Replicates) -> None:
    summary = found.summary
    c = found.concordance
    centre = group_mean(found)
    if centre is not None:
        titres = [found.run(found.summary.numbers[k]).titre_ml for k in c.members]
        values = [t.value for t in titres if t is not None]
        middle = 0.5 * (min(values) + max(values))
        low, high = middle - 0.5 * c.limit_ml, middle + 0.5 * c.limit_ml
        words = f"concordant: {rounded(c.limit_ml, 2)} mL wide"
        axes.axvspan(low, high, fc="#ececec", ec="#8a8a8a", hatch="..", lw=0.8, label=words)
    mean = summary.titre.quantity
    axes.axvline(mean.value, color=panels.INK, lw=1.6, label="mean")
    if mean.standard_uncertainty > 0:
        for k, end in enumerate(evaluate_one(mean).interval95):
            words = "95 % interval of the mean" if k == 0 else "_"
            axes.axvline(end, color=panels.INK, lw=1.3, ls=(0, (5, 3)), label=words)


def _axis(axes: Axes, found: Replicates, shown: list[Run]) -> None:
    names = []
    for run in shown:
        label = run.label if len(run.label) <= 24 else run.label[:23] + "…"
        names.append(label if label == str(run.number) else f"{run.number}  {label}")
    step = 1 if len(shown) <= 60 else len(shown) // 60 + 1
    axes.set_yticks(range(0, len(shown), step), names[::step], parse_math=False)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_xlabel("titre / mL", fontsize=panels.SMALL)
    axes.tick_params(labelsize=panels.SMALL)
    axes.grid(color="#d9d9d9", lw=0.6, axis="x")
    axes.set_axisbelow(True)
    if len(shown) <= _MANY:
        decimals = titre_decimals(found.runs)
        for row, run in enumerate(shown):
            assert run.titre_ml is not None
            axes.annotate(
                rounded(run.titre_ml.value, decimals),
                (1.01, row),
                xycoords=("axes fraction", "data"),
                va="center",
                fontsize=panels.SMALL,
                annotation_clip=False,
            )


def describe_replicates(found: Replicates) -> str:
    """Words for those who cannot see the picture."""
    decimals = titre_decimals(found.runs)
    rows = [
        f"{run.number} {run.label}: {rounded(run.titre_ml.value, decimals)} mL, "
        f"{_LOOK[use_of(found, run)][3]}"
        for run in found.runs
        if run.titre_ml is not None
    ]
    return f"{answer(found)} Dot plot of the titres. ".replace(FIXED_SPACE, " ") + "; ".join(rows)
