"""Places on the charts of the replay; the template writes them as SVG.

All charts are drawn in units of one viewBox that is 480 wide, so that text stays readable when a
phone shows them at 350 pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.replay.chemistry import Tables
from endpoint.replay.story import Mark, Story
from endpoint.rounding import rounded

FloatArray = NDArray[np.float64]

WIDTH = 480.0
LEFT, RIGHT = 54.0, 468.0
"""Width of a chart and its two edges, user units."""
_MOST_LINE = 420
"""Points of a line that is drawn: about one for each unit of width."""
_EDGE_ML = 1e-4
"""Rounding of volumes in the script, mL."""


@dataclass(frozen=True)
class Scale:
    """Straight scale from a value to a place on a chart."""

    low: float
    high: float
    first: float
    last: float

    def at(self, value: float) -> float:
        """Place of a value, rounded to what can be seen."""
        part = (value - self.low) / (self.high - self.low)
        return round(self.first + part * (self.last - self.first), 2)

    def ticks(self, most: int = 7) -> list[tuple[float, str]]:
        """Places and texts of round values."""
        step = _round_step((self.high - self.low) / most)
        decimals = max(0, -int(np.floor(np.log10(step) + 1e-9)))
        first = int(np.ceil(self.low / step - 1e-9))
        last = int(np.floor(self.high / step + 1e-9))
        return [(self.at(k * step), rounded(k * step, decimals)) for k in range(first, last + 1)]


def _round_step(least: float) -> float:
    decade = 10.0 ** np.floor(np.log10(least))
    return float(next(decade * m for m in (1.0, 2.0, 5.0, 10.0) if decade * m >= least * 0.999))


@dataclass(frozen=True)
class Plot:
    """One chart: scales, points and line."""

    x: Scale
    y: Scale
    height: float
    points: tuple[tuple[float, float, bool, float], ...]
    """Place, whether the point was left out, and its volume in mL."""
    line: str
    """Fitted curve as the d of a path, empty without one."""


@dataclass(frozen=True)
class Row:
    """One of the volumes on its own row under the chart around the end."""

    mark: Mark
    x: float
    low: float
    high: float
    y: float


@dataclass(frozen=True)
class Around:
    """The part around the end: the curve, and a row for each volume."""

    plot: Plot
    rows: tuple[Row, ...]
    own_y: float
    """Row of the pupil's own mark."""
    bracket: tuple[float, float] | None


def whole(story: Story) -> Plot:
    """Chart of the whole titration."""
    x = Scale(0.0, max(story.steps[-1].volume_ml, 1e-3), LEFT, RIGHT)
    return _plot(story, x, Scale(story.axis.low, story.axis.high, 262.0, 16.0), 310.0)


def around(story: Story) -> Around | None:
    """Chart around the end; None where the recording shows no end."""
    if not story.can_be_asked:
        return None
    places = [m.value_ml for m in story.marks]
    places += [end for m in story.marks for end in (m.low_ml, m.high_ml)]
    if story.bracket_ml is not None:
        low, high = story.bracket_ml
        places += [low, story.steps[-1].volume_ml if high is None else high]
    span = max(places) - min(places)
    pad = max(0.45, 0.6 * span)
    first, last = max(min(places) - pad, 0.0), max(places) + pad
    x = Scale(first, last, LEFT, RIGHT)
    plot = _plot(story, x, Scale(story.axis.low, story.axis.high, 176.0, 14.0), 0.0)
    rows = []
    top = 246.0
    for k, mark in enumerate(story.marks):
        place, ends = x.at(mark.value_ml), (x.at(mark.low_ml), x.at(mark.high_ml))
        rows.append(Row(mark, place, *ends, top + 34.0 * k))
    own_y = top + 34.0 * len(rows)
    bracket = None
    if story.bracket_ml is not None:
        low, high = story.bracket_ml
        bracket = (x.at(low), RIGHT if high is None else x.at(high))
    plot = Plot(plot.x, plot.y, own_y + 26.0, plot.points, plot.line)
    return Around(plot, tuple(rows), own_y, bracket)


def _plot(story: Story, x: Scale, y: Scale, height: float) -> Plot:
    reach = 1e-6
    points = tuple(
        (x.at(v), y.at(min(max(level, y.low), y.high)), bool(left), round(v, 4))
        for v, level, left in zip(
            story.volume_ml.tolist(), story.level.tolist(), story.left_out.tolist(), strict=True
        )
        if np.isfinite(level) and x.low - reach <= v <= x.high + reach
    )
    line = ""
    if story.axis.kind == "free" and story.fitted is not None:
        volume, fraction = story.fitted
        inside = (volume >= x.low) & (volume <= x.high)
        line = path_of(x, y, *_thinned(volume[inside], fraction[inside]))
    return Plot(x, y, height, points, line)


def _thinned(volume: FloatArray, level: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Only so many points of a line as can be seen: those where it bends come first."""
    if volume.size <= _MOST_LINE:
        return volume, level
    way = np.r_[0.0, np.cumsum(np.hypot(np.diff(volume) / np.ptp(volume), np.diff(level)))]
    places = np.searchsorted(way, np.linspace(0.0, way[-1], _MOST_LINE))
    pick = np.unique(np.minimum(places, volume.size - 1))
    return volume[pick], level[pick]


def path_of(x: Scale, y: Scale, volume: FloatArray, level: FloatArray) -> str:
    """Line as the d of a path."""
    if volume.size < 2:
        return ""
    pairs = zip(volume.tolist(), level.tolist(), strict=True)
    return "M" + "L".join(f"{x.at(v):g} {y.at(f):g}" for v, f in pairs)


BANDS = (
    # chart, title, bands from below: part of the tables, words
    (
        "calcium",
        "Who holds the calcium",
        (("edta", "EDTA"), ("indicator", "the indicator"), ("free", "nobody: free in the water")),
    ),
    (
        "magnesium",
        "Who holds the magnesium",
        (("edta", "EDTA"), ("indicator", "the indicator"), ("free", "nobody: free in the water")),
    ),
    (
        "indicator",
        "What the indicator holds",
        (("magnesium", "magnesium: red"), ("calcium", "calcium: red"), ("free", "nothing: blue")),
    ),
)


@dataclass(frozen=True)
class Band:
    """One band of a species chart as it is drawn before anything is moved."""

    key: str
    words: str
    path: str


@dataclass(frozen=True)
class SpeciesChart:
    """One chart of who holds what."""

    key: str
    title: str
    bands: tuple[Band, ...]


SPECIES_Y = Scale(0.0, 1.0, 128.0, 10.0)
"""Parts 0 to 1 on the height of a chart of who holds what, user units."""


def species_scales(tables: Tables) -> dict[str, Scale]:
    """Horizontal scales of the species charts: around the end, and the whole titration."""
    end = tables.water.equivalence_ml
    near = min(1.5, 0.25 * end)
    return {
        "around": Scale(end - near, min(end + 0.6 * near, 1.25 * end), LEFT, RIGHT),
        "whole": Scale(0.0, float(tables.volume_ml[-1]), LEFT, RIGHT),
    }


def species(tables: Tables) -> tuple[SpeciesChart, ...]:
    """Charts for the sample's own values."""
    x = species_scales(tables)["around"]
    volume = tables.volume_ml
    charts = []
    for key, title, bands in BANDS:
        below, drawn = np.zeros(volume.size), []
        for part, words in bands:
            above = below + getattr(tables.holders, f"{key}_{part}")[tables.own]
            drawn.append(Band(part, words, _band(x, volume, below, above)))
            below = above
        charts.append(SpeciesChart(key, title, tuple(drawn)))
    return tuple(charts)


def _band(x: Scale, volume: FloatArray, below: FloatArray, above: FloatArray) -> str:
    # A volume on the edge is in for the script too, which has four decimals of it.
    inside = np.flatnonzero((volume >= x.low - _EDGE_ML) & (volume <= x.high + _EDGE_ML))
    there = [(x.at(volume[k]), SPECIES_Y.at(min(above[k], 1.0))) for k in inside]
    back = [(x.at(volume[k]), SPECIES_Y.at(min(below[k], 1.0))) for k in inside[::-1]]
    return "M" + "L".join(f"{a:g} {b:g}" for a, b in there + back) + "Z"
