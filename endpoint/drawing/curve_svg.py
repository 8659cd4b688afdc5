"""The curve of a kept result, drawn for a page: colour strip, free part with fit, residuals.

Two drawings stand side by side, or below each other on a telephone: the whole titration, and the
part around the end. Shapes, lines and words carry all of it; the only colours are the liquid's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.drawing.curve_points import LEFT, RIGHT, Panel, Points, points_of, zoom_window
from endpoint.drawing.svg import MARKS, PRINT_STYLE, Drawing, fitting, nice_ticks, tick_texts
from endpoint.result import wording
from endpoint.result.kept import KeptResult
from endpoint.rounding import FIXED_SPACE, outward, rounded

FloatArray = NDArray[np.float64]

WIDTH, HEIGHT = 440.0, 400.0
_STRIP = (20.0, 42.0)
_MAIN = (56.0, 282.0)
_REST = (300.0, 352.0)
_ROWS_TOP, _ROWS_MAIN = (20.0, 100.0), (114.0, 282.0)
"""User units: size of the drawing; top and bottom of the strip of colours, of the curve, of the
residuals, and of both panels of a photometer."""
_DASHES = {"equivalence_ml": "", "midpoint_ml": "7 4", "last_red_ml": "2 3"}
_HEIGHTS = {"midpoint_ml": 0.5, "last_red_ml": 0.95}
_SLOTS = {"last_red_ml": 0.30, "midpoint_ml": 0.55, "equivalence_ml": 0.82}
"""Free part at which a mark sits on the curve, and where its words stand, as a part of the
height."""
_LINES = ("", "7 3", "2 3", "7 3 2 3")
_SIGN = 7.2
"""Width of a sign in a wide type, user units."""
_MANY = 150
"""Points from which they are drawn small and without error bars."""


def curve_drawings(kept: KeptResult, name: str, paper: bool = False) -> list[dict[str, str]]:
    """Drawings of the curve; none where the result has no curve.

    Parameters
    ----------
    kept:
        A result with its curve.
    name:
        Begins the ids in the SVG.
    paper:
        Put the style for paper into it; else the page has it.

    Returns
    -------
    For each drawing its `caption`, the `words` that stand for it, and the `svg`.
    """
    points = points_of(kept)
    if points is None:
        return []
    style = PRINT_STYLE if paper else ""
    low, high = float(points.x.min()), float(points.x.max())
    above = kept.document.get("above_ml")
    if points.free is None and above is not None:
        high = max(high, above + 0.3 * (above - low))
    pad = max(0.025 * (high - low), 0.05)
    windows = [("Whole titration", (low - pad, high + pad), False)]
    if points.free is not None:
        windows.append(("Around the end", zoom_window(kept.document), True))
    drawn = []
    for k, (caption, window, near) in enumerate(windows):
        words = _words(kept, points, near)
        drawing = Drawing(WIDTH, HEIGHT)
        if points.free is None:
            _densities(drawing, kept, points, window)
        else:
            _fractions(drawing, kept, points, window, near)
        svg = drawing.svg(f"{name}-curve{k + 1}", caption, words, style)
        drawn.append({"caption": caption, "words": words, "svg": svg})
    return drawn


def _strip(drawing: Drawing, points: Points, frame: Panel) -> None:
    """Colour of the liquid; every volume takes the colour of the nearest point."""
    assert points.rgb is not None
    edges = np.concatenate([points.x[:1], 0.5 * (points.x[1:] + points.x[:-1]), points.x[-1:]])
    low, high = frame.window
    top, bottom = frame.rows
    for k, (red, green, blue) in enumerate(points.rgb):
        left, right = max(float(edges[k]), low), min(float(edges[k + 1]), high)
        if right > left:
            # Half a unit over the seam, so that no background shines through.
            width = frame.x(right) - frame.x(left) + (0.5 if k + 1 < len(points.rgb) else 0.0)
            wide = min(width, RIGHT - frame.x(left))
            colour = f"#{red:02x}{green:02x}{blue:02x}"
            drawing.box(frame.x(left), top, wide, bottom - top, fill=colour)
    drawing.box(LEFT, top, RIGHT - LEFT, bottom - top, "edge")
    drawing.text(LEFT, top - 6, "colour of the liquid", "soft")


def _axes(
    drawing: Drawing, frame: Panel, title: str, volumes: bool, ticks: list[float] | None = None
) -> None:
    top, bottom = frame.rows
    at = nice_ticks(*frame.window, 6)
    for volume in at:
        drawing.line(frame.x(volume), top, frame.x(volume), bottom, "grid")
    heights = nice_ticks(*frame.scale, 4) if ticks is None else ticks
    for height, said in zip(heights, tick_texts(heights), strict=True):
        drawing.line(LEFT, frame.y(height), RIGHT, frame.y(height), "grid")
        drawing.text(LEFT - 6, frame.y(height) + 4, said, "soft", "end")
    drawing.line(LEFT, bottom, RIGHT, bottom, "axis")
    drawing.line(LEFT, top, LEFT, bottom, "axis")
    if title:
        drawing.text(LEFT + 7, top + 14, title, "soft")
    if volumes:
        for volume, said in zip(at, tick_texts(at), strict=True):
            drawing.text(frame.x(volume), bottom + 16, said, "soft", "middle")


def _fractions(
    drawing: Drawing, kept: KeptResult, points: Points, window: tuple[float, float], near: bool
) -> None:
    assert points.free is not None
    assert points.fitted is not None
    indicator = kept.document.get("indicator", wording.OF_EBT)
    rows = _MAIN
    if points.rgb is not None:
        _strip(drawing, points, Panel(window, _STRIP))
    else:
        rows = _ROWS_MAIN
        _bands(
            drawing,
            points,
            Panel(window, _ROWS_TOP, _band_scale(points)),
            "absorbance",
            False,
            near,
        )
    good = points.free[~points.left_out]
    least = float(good.min()) if good.size else 0.0
    most = float(good.max()) if good.size else 1.0
    frame = Panel(
        window, rows, (max(min(-0.12, least - 0.03), -0.5), min(max(1.1, most + 0.03), 1.5))
    )
    _axes(drawing, frame, "", False, [0.0, 0.5, 1.0])
    _bracket(drawing, kept.document, frame)
    for volume in _volumes(kept.document):
        key, value = volume
        if window[0] <= value <= window[1]:
            drawing.line(frame.x(value), rows[0], frame.x(value), rows[1], "thin", _DASHES[key])
    if points.x.size > _MANY:
        # So many points hide a line that is drawn before them.
        _measured(drawing, points, frame)
        _fit_line(drawing, kept, points, frame)
    else:
        _fit_line(drawing, kept, points, frame)
        _measured(drawing, points, frame)
    for key, value in _volumes(kept.document):
        if window[0] <= value <= window[1]:
            height = frame.y(_HEIGHTS[key]) if key in _HEIGHTS else rows[1] - 9
            drawing.mark(MARKS[key], frame.x(value), height, 5.5, "mark")
    drawing.upright(11, 0.5 * (rows[0] + rows[1]), f"free ({indicator['free']}) part")
    if near:
        _names(drawing, kept.document, frame)
    _residuals(drawing, points, window)
    drawing.text(0.5 * (LEFT + RIGHT), _REST[1] + 34, "added titrant / mL", "soft", "middle")


def _volumes(data: Mapping[str, Any]) -> list[tuple[str, float]]:
    found = [(key, data[key]) for key in MARKS]
    return [(k, v["value"]) for k, v in found if v is not None and v["value"] is not None]


def _bracket(drawing: Drawing, data: Mapping[str, Any], frame: Panel) -> None:
    equivalence = data["equivalence_ml"]
    if equivalence is None or equivalence["value"] is not None:
        return
    low, high = equivalence["interval95"]
    left, right = frame.window
    high = right if high is None else high
    if low < right and high > left:
        ends = (frame.x(max(low, left)), frame.x(min(high, right)))
        drawing.hatched(ends[0], frame.rows[0], ends[1], frame.rows[1])


def _fit_line(drawing: Drawing, kept: KeptResult, points: Points, frame: Panel) -> None:
    assert points.fitted is not None
    x, f = kept.fitted if kept.fitted is not None else (points.x, points.fitted)
    left, right = frame.window
    inside = np.flatnonzero((x >= left) & (x <= right))
    if inside.size < 2:
        return
    some = inside[:: max(1, inside.size // 400)]
    drawing.path([(frame.x(x[k]), frame.clipped(f[k])) for k in some], "line")


def _measured(drawing: Drawing, points: Points, frame: Panel) -> None:
    assert points.free is not None
    left, right = frame.window
    inside = np.flatnonzero((points.x >= left) & (points.x <= right))
    size = 2.0 if inside.size > _MANY else 3.0
    for k in inside:
        x, free = frame.x(points.x[k]), float(points.free[k])
        if points.left_out[k]:
            drawing.mark("cross", x, frame.clipped(free), 4.5, "line")
            continue
        if points.sigma is not None and inside.size <= _MANY:
            wide = 2.0 * float(points.sigma[k])
            drawing.line(x, frame.clipped(free - wide), x, frame.clipped(free + wide), "error")
        drawing.mark("circle", x, frame.clipped(free), size, "point")


def _names(drawing: Drawing, data: Mapping[str, Any], frame: Panel) -> None:
    """Names and numbers of the volumes in a column at the lower right, where nothing else is."""
    top, bottom = frame.rows
    left, right = frame.window
    rows = {key: (name, number) for key, name, number, _ in wording.volume_rows(data)}
    for key, value in _volumes(data):
        slot = top + _SLOTS[key] * (bottom - top)
        name, number = rows[key]
        inside = left <= value <= right
        where = "" if inside else (" (left of here)" if value < left else " (right of here)")
        words, number = name + where, number.replace(FIXED_SPACE, " ")
        start = RIGHT - 14 - _SIGN * max(len(words), len(number))
        if inside:
            height = frame.y(_HEIGHTS[key]) if key in _HEIGHTS else bottom - 9
            drawing.line(frame.x(value) + 6, height, max(start, frame.x(value) + 7), slot, "lead")
        strong = "strong" if key == "equivalence_ml" else ""
        _said(drawing, slot, (words, number), strong)
    equivalence = data["equivalence_ml"]
    if equivalence is not None and equivalence["value"] is None:
        low, high = outward(*equivalence["interval95"])
        ends = f"above {low} mL" if high is None else f"{low} to {high} mL"
        slot = top + _SLOTS["equivalence_ml"] * (bottom - top)
        _said(drawing, slot, ("hatched band:", ends), "strong")


def _said(drawing: Drawing, middle: float, lines: tuple[str, str], kind: str) -> None:
    """Two lines of text at the right edge, around a height."""
    wide = 8.0 + _SIGN * max(map(len, lines))
    drawing.box(RIGHT - 5 - wide, middle - 16, wide, 33, "back")
    for line, down in zip(lines, (-3, 12), strict=True):
        drawing.text(RIGHT - 8, middle + down, line, kind, "end")


def _residuals(drawing: Drawing, points: Points, window: tuple[float, float]) -> None:
    assert points.free is not None
    assert points.fitted is not None
    rest = points.free - points.fitted
    good = ~points.left_out
    wide = np.zeros_like(rest) if points.sigma is None else 2.0 * points.sigma
    limit = max(float(np.max(np.abs(rest[good]), initial=0.0)), float(np.median(wide)), 1e-4)
    frame = Panel(window, _REST, (-1.25 * limit, 1.25 * limit))
    ticks = nice_ticks(-limit, limit, 3)
    _axes(drawing, frame, "", True, ticks if len(ticks) <= 5 else ticks[::2])
    drawing.line(LEFT, frame.y(0.0), RIGHT, frame.y(0.0), "thin")
    for k in np.flatnonzero((points.x >= window[0]) & (points.x <= window[1])):
        shape = "cross" if points.left_out[k] else "circle"
        look = ("line", 4.0) if points.left_out[k] else ("point", 2.2)
        drawing.mark(shape, frame.x(points.x[k]), frame.clipped(rest[k]), look[1], look[0])
    drawing.text(LEFT + 2, _REST[0] - 4, "measured minus fit", "soft")


def _band_scale(points: Points) -> tuple[float, float]:
    least = min(float(d.min()) for _, d in points.bands)
    most = max(float(d.max()) for _, d in points.bands)
    return min(0.0, 1.1 * least), 1.25 * max(most, 0.05)


def _bands(
    drawing: Drawing,
    points: Points,
    frame: Panel,
    title: str,
    volumes: bool = True,
    named: bool = True,
) -> None:
    """Densities or absorbances, each with its own dashes and its name at its end."""
    _axes(drawing, frame, "", volumes)
    drawing.text(LEFT, frame.rows[0] - 6, title, "soft")
    left, right = frame.window
    inside = (points.x >= left) & (points.x <= right)
    taken: list[float] = []
    for k, (name, density) in enumerate(points.bands[:8]):
        dash = _LINES[k % len(_LINES)]
        x, d = points.x[inside], density[inside]
        if x.size < 2:
            continue
        drawing.path(
            [(frame.x(a), frame.clipped(b)) for a, b in zip(x, d, strict=True)], "thin", dash
        )
        if not named:
            continue
        height = frame.clipped(float(d[-1])) - 5
        while any(abs(height - other) < 13 for other in taken):
            height -= 13
        taken.append(height)
        drawing.text(RIGHT - 4, height, fitting(name, 150), "", "end")


def _densities(
    drawing: Drawing, kept: KeptResult, points: Points, window: tuple[float, float]
) -> None:
    """Densities where no fit is believed, and what the recording proves all the same."""
    rows = (_ROWS_TOP[0], _REST[1])
    title = "absorbance"
    if points.rgb is not None:
        _strip(drawing, points, Panel(window, _STRIP))
        rows, title = (_MAIN[0] + 18, _REST[1]), "optical density of each colour channel"
    frame = Panel(window, rows, _band_scale(points) if points.bands else (0.0, 1.0))
    above = kept.document.get("above_ml")
    if above is not None and above < window[1]:
        drawing.hatched(frame.x(max(above, window[0])), rows[0], RIGHT, rows[1])
    _bands(drawing, points, frame, title)
    if above is not None:
        low, _ = outward(above, None)
        _said(drawing, rows[1] - 28, ("hatched band:", f"above {low} mL"), "strong")
    drawing.text(0.5 * (LEFT + RIGHT), _REST[1] + 34, "added titrant / mL", "soft", "middle")


def _words(kept: KeptResult, points: Points, near: bool) -> str:
    """What a drawing shows, for those who cannot see it."""
    data = kept.document
    first, last = rounded(float(points.x[0]), 2), rounded(float(points.x[-1]), 2)
    texts = []
    if near:
        texts.append("The part of the curve around the end, enlarged.")
    else:
        texts.append(f"{data['frames']['points']} points from {first} to {last} mL.")
    if points.rgb is not None:
        texts.append("A strip shows the colour of the liquid at each volume.")
    if points.free is None:
        names = ", ".join(name for name, _ in points.bands[:8])
        texts.append(f"The densities are drawn without a fit: {names}.")
        texts.append(wording.bound_text(data).capitalize() + ".")
        return " ".join(texts).replace(FIXED_SPACE, " ")
    texts.append("Points show the free part of the indicator, a line the fit.")
    for key, name, number, _ in wording.volume_rows(data):
        texts.append(f"A {MARKS[key]} marks {name}, {number}.")
    equivalence = data["equivalence_ml"]
    if equivalence is not None and equivalence["value"] is None:
        texts.append(f"A hatched band: {wording.bound_text(data)}.")
    if points.left_out.any():
        texts.append(f"Crosses: {int(points.left_out.sum())} points left out of the fit.")
    return " ".join(texts).replace(FIXED_SPACE, " ")
