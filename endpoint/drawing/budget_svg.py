"""Bar chart of a budget: one bar for each source, its name above it and its share next to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from endpoint.drawing.svg import Drawing, fitting

_WIDTH, _ROW, _TOP = 440.0, 34.0, 6.0
_BAR, _ROOM = 11.0, 92.0
"""User units: width of the drawing, height of a row, margin, height of a bar, room for numbers."""


def budget_drawing(
    rows: Sequence[Mapping[str, Any]], unit: str, name: str, most: int
) -> dict[str, str]:
    """Bars as long as the share of each source in the variance.

    Parameters
    ----------
    rows:
        `name`, `share`, `contribution` as texts and `part` between 0 and 1; largest first.
    unit:
        Of the contributions.
    name:
        Begins the ids in the SVG.
    most:
        Bars at most.
    """
    shown = list(rows[:most])
    drawing = Drawing(_WIDTH, 2 * _TOP + _ROW * len(shown))
    full = _WIDTH - _ROOM
    for k, row in enumerate(shown):
        top = _TOP + k * _ROW
        drawing.text(0, top + 11, fitting(row["name"], _WIDTH))
        drawing.box(0, top + 17, full, _BAR, "track")
        drawing.box(0, top + 17, max(full * float(row["part"]), 1.5), _BAR, "bar")
        said = f"{row['share']} %, {row['contribution']}"
        drawing.text(full + 6, top + 27, said, "soft")
    listed = "; ".join(f"{row['name']} {row['share']} %" for row in shown)
    words = f"Shares of the variance, largest first: {listed}."
    caption = f"Share of each source in the variance, and its contribution in {unit}"
    svg = drawing.svg(f"{name}-bars", caption, words)
    return {"caption": caption, "words": words, "svg": svg}
