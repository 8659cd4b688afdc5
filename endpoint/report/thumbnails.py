"""Strip of small pictures over the titration: where the colour was measured, and when not."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from endpoint.glimpses import Glimpse
from endpoint.problems import FLAG_TEXT, Flag
from endpoint.report.rounding import FIXED_SPACE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_COLUMNS = 4
_WIDE_IN = 2.9
_LINE_IN = 0.19
_GAP_IN = 0.14
_TEXT_PT = 11.0
_LETTERS = 29
_GRAVEST_FIRST = (
    Flag.DAMAGED,
    Flag.DARK,
    Flag.CAMERA_MOVED,
    Flag.LIQUID_LOST,
    Flag.REFERENCE_LOST,
    Flag.CLIPPED,
    Flag.OFF_COLOUR,
    Flag.MIXING,
    Flag.BEFORE_START,
)


def strip(glimpses: Sequence[Glimpse]) -> Figure | None:
    """Draw the pictures in rows, with volume and use under each; None without any.

    The liquid's outline is solid, the reference's dashed, both white on black. A frame that was
    set aside is crossed out and its reason stands under it, so that no colour is needed.
    """
    from matplotlib.figure import Figure

    if not glimpses:
        return None
    columns = min(_COLUMNS, len(glimpses))
    rows = [glimpses[k : k + columns] for k in range(0, len(glimpses), columns)]
    tall, wide = glimpses[0].picture.shape[:2]
    high_in = _WIDE_IN * tall / wide
    text_in = [_LINE_IN * max(len(_lines(g)) for g in row) + 0.06 for row in rows]
    width_in = columns * _WIDE_IN + (columns + 1) * _GAP_IN
    height_in = sum(text_in) + len(rows) * (high_in + _GAP_IN) + _GAP_IN
    figure = Figure(figsize=(width_in, height_in), facecolor="white")
    top = height_in - _GAP_IN
    for row, room in zip(rows, text_in, strict=True):
        for column, glimpse in enumerate(row):
            left = _GAP_IN + column * (_WIDE_IN + _GAP_IN)
            size = (_WIDE_IN / width_in, high_in / height_in)
            _draw(figure.add_axes((left / width_in, (top - high_in) / height_in, *size)), glimpse)
        top -= high_in + room + _GAP_IN
    return figure


def words_of(glimpse: Glimpse) -> str:
    """What stands under a picture."""
    head = f"{glimpse.volume_ml:.2f}{FIXED_SPACE}mL"
    reason = next((flag for flag in _GRAVEST_FIRST if flag & glimpse.flags), None)
    if reason is None:
        return f"{head}, used"
    return f"{head}, set aside: {FLAG_TEXT[reason][0]}"


def _lines(glimpse: Glimpse) -> list[str]:
    return textwrap.wrap(words_of(glimpse), _LETTERS)


def describe(glimpses: Sequence[Glimpse]) -> str:
    """The strip in words, for those who cannot see it."""
    told = " ".join(f"{g.time_s:.0f}{FIXED_SPACE}s: {words_of(g).rstrip('.')}." for g in glimpses)
    return f"Pictures over the titration with the measured region drawn on each. {told}"


def _draw(axes: Axes, glimpse: Glimpse) -> None:
    axes.imshow(glimpse.picture, interpolation="bilinear")
    tall, wide = glimpse.picture.shape[:2]
    axes.set_xlim(-0.5, wide - 0.5)
    axes.set_ylim(tall - 0.5, -0.5)
    axes.set_xticks([])
    axes.set_yticks([])
    aside = bool(glimpse.flags)
    for spine in axes.spines.values():
        spine.set_linewidth(2.5 if aside else 0.8)
    if glimpse.liquid is not None:
        _outline(axes, glimpse.liquid, "solid")
    _outline(axes, glimpse.reference, (0, (2.5, 2)))
    if aside:
        for ends in ((0, tall - 1), (tall - 1, 0)):
            axes.plot((0, wide - 1), ends, color="black", linewidth=2.6)
            axes.plot((0, wide - 1), ends, color="white", linewidth=1.0)
    axes.text(
        0.0,
        -0.03,
        "\n".join(_lines(glimpse)),
        transform=axes.transAxes,
        fontsize=_TEXT_PT,
        fontweight="bold" if aside else "normal",
        va="top",
        ha="left",
        color="black",
    )


def _outline(axes: Axes, polygon: tuple[tuple[float, float], ...], style: Any) -> None:
    xs, ys = ([point[k] for point in (*polygon, polygon[0])] for k in (0, 1))
    axes.plot(xs, ys, color="black", linewidth=3.2)
    axes.plot(xs, ys, color="white", linewidth=1.3, linestyle=style)
