"""Colours that no mixture of the two forms of the indicator has: something else was in the way.

From the red to the blue form the density moves along one line, or bows a little off it, and slowly
so. A hand, a sleeve or a shadow on the flask alone throws it off that line at once. What lies
along the line is never judged here: that is the titration itself. `off_colour_frames` judges frames
in order of time, `off_colour_runs` the points of a curve.
`swapped_frames` tells a thing that was exchanged for another.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# One law of darkness and bow for frames and points. Two measured cameras, simulated with four dyes,
# four lamps and several tone curves (1200 draws), bow in the median by 0.12 of the change at a
# density of 0.5, by 0.2 at 0.7, 0.5 at 1.1 and 0.64 at 1.3; see tests/colour/test_off_colour.py.
_STRAIGHT_TO = 0.65
"""Density of the darkest channel up to which a camera follows in a straight line. Also the point
from which `curve.points` expects the colour scale to bend."""
_BOW_PER_DARKNESS = 0.4
"""Bow in whole changes for each unit of density beyond. Smaller, and dark liquids lose the frames
of their own change; larger, and a sleeve before a dark liquid passes for it."""

# The rest was chosen on rendered films with hands, sleeves and shadows; no study was kept.
_LARGEST = 0.45
"""Distance of a point from the line, in whole changes, that no mixture has. The
cameras above reach 0.22 in liquids that are not dark."""
_ABRUPT = 0.25
"""Step in that distance between two points with which something comes or goes."""
_WINDOW_S = 16.0
"""Seconds around a frame with which it is compared; what stays longer than half of it is only told
by its distance from the line."""
_LEAST_FRAMES = 9
"""Frames without which none is judged: a line and its scatter need more than a few. Assumed."""
_STAYS_S = 3.0
"""Seconds around a frame over most of which a thing that was exchanged stays: a plume is gone."""
_MOST_AROUND = 60
"""Frames around a frame: fewer are not judged, more are thinned. Assumed."""
_ROWS = 512
"""Windows that are sorted together: little memory is needed."""
_SUDDEN, _SUDDEN_PART = 0.03, 0.12
"""Distance from the frames around, density, and what of the whole change is added to it."""
_FAR, _FAR_PART = 0.10, 0.30
"""The same for the distance from the line between the two forms."""
_MIXES_S = 0.35
"""Time, s, in which no flask mixes: a third of the time constant of the fastest stirrer. Shades
that are seen for longer are those of a liquid; pictures further apart may have missed them."""
_SHADE = 0.15
"""Part of the change at either end within which a colour is still the first or already the last.
Assumed."""
_PLUME = 0.3
"""The same where titrant runs in: plumes tint a part of the view. Assumed."""
_LEAST_SWAP = 0.15
"""Change, density over all channels, of less than which no swap is told. Assumed: smaller, and
noise of a pale liquid is one; larger, and a thing of pale colour is missed."""
_FEW_STREAKS = 0.01
"""Part of the frames that may be uneven without being streaks of titrant: edges that tremble."""
_SCATTERS = 6.0
"""Usual distances from the frames around from which a frame is sudden whatever the limits say."""


def depth_of(density: FloatArray) -> float:
    """Density of a liquid in its darkest channel: the upper quartile over its colours.

    Parameters
    ----------
    density:
        Shape (n, channels), n > 0.
    """
    return float(np.percentile(density.max(axis=1), 75))


def darkness_of(density: FloatArray) -> float:
    """Density of the liquid beyond what a camera follows in a straight line, >= 0.

    Parameters
    ----------
    density:
        Shape (n, channels).
    """
    return max((depth_of(density) if len(density) else 0.0) - _STRAIGHT_TO, 0.0)


def bow_of(depth: FloatArray) -> FloatArray:
    """How far mixtures of this density in the darkest channel bow off the line, in whole changes.

    In a dark liquid a camera's broad channels no longer follow, so mixtures leave the line.
    """
    return np.asarray(_BOW_PER_DARKNESS * np.maximum(depth - _STRAIGHT_TO, 0.0))


def largest_off(darkness: float) -> float:
    """Distance from the line of mixtures that can still be one, in whole changes.

    Parameters
    ----------
    darkness:
        From `darkness_of`.
    """
    return _LARGEST + _BOW_PER_DARKNESS * darkness


def off_colour_runs(off: FloatArray, limit: float) -> NDArray[np.bool_]:
    """Points whose colour is not a mixture, in runs that begin and end abruptly.

    A sleeve comes and goes between two points; a colour that bends away, as in a dark liquid or
    with another indicator, does not.

    Parameters
    ----------
    off:
        Distance from the line between start and end colour, in whole changes, shape (n,).
    limit:
        From `largest_off`.
    """
    strange = off > limit
    out = np.zeros(off.size, dtype=bool)
    edges = np.flatnonzero(np.diff(np.r_[False, strange, False].astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        enters = start > 0 and off[start] - off[start - 1] > _ABRUPT
        leaves = stop < off.size and off[stop - 1] - off[stop] > _ABRUPT
        out[start:stop] = enters and leaves
    return out


def off_colour_frames(
    time_s: FloatArray, density: FloatArray, usable: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Frames whose colour is not a mixture, shape (n,), bool.

    Parameters
    ----------
    time_s:
        Rising, s.
    density:
        Shape (n, 3).
    usable:
        Frames without another flag; only they are judged and compared with.
    """
    odd = np.zeros(time_s.size, dtype=np.bool_)
    index = np.flatnonzero(usable)
    if index.size < _LEAST_FRAMES:
        return odd
    values = density[index]
    start, change = _line(values)
    size = float(np.linalg.norm(change))
    off = _across(values - start, change)
    around = _running_median(time_s[index], off, _WINDOW_S, _LEAST_FRAMES)
    sudden = np.linalg.norm(off - around, axis=1)
    usual = 1.4826 * float(np.median(sudden))
    # Slow drift of the light moves the whole line.
    far = np.linalg.norm(off - np.median(off, axis=0), axis=1)
    bow = size * bow_of(values.max(axis=1))
    odd[index] = sudden > np.maximum(_SUDDEN + _SUDDEN_PART * size + bow, _SCATTERS * usual)
    odd[index] |= far > _FAR + _FAR_PART * size + bow
    return odd


def swapped_frames(
    time_s: FloatArray, density: FloatArray, spread: FloatArray, usable: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Frames after one coloured thing was put in the place of another, shape (n,), bool.

    Liquid turns by streaks and through every shade, for a second at least: stirring mixes a flask
    in one to several seconds. A plate, a jug or a cloth that is exchanged shows neither, before,
    behind or without a hand. Where pictures are missing nothing can be said.

    Parameters
    ----------
    time_s, density, usable:
        As in `off_colour_frames`.
    spread:
        Scatter of the colour over the liquid, log10 units, shape (n,).
    """
    after = np.zeros(time_s.size, dtype=np.bool_)
    index = np.flatnonzero(usable)
    if index.size < _LEAST_FRAMES:
        return after
    usual = float(np.median(spread[index]))
    streaks = float((spread[index] > 2.0 * usual + _SUDDEN).mean()) > _FEW_STREAKS
    leap = None if streaks else _leap(_staying(time_s[index], density[index]))
    if leap is None:
        return after
    last, first, shades = leap
    step_s = float(np.max(np.diff(time_s[int(index[last]) : int(index[first]) + 1])))
    if step_s > _MIXES_S or shades * step_s > _MIXES_S:
        return after
    after[int(index[first]) :] = True
    return after


def leaps(time_s: FloatArray, density: FloatArray, usable: NDArray[np.bool_]) -> bool:
    """Whether no picture shows a shade between the first colour and the last.

    A liquid that turned behind a hand leaves none either; a flask that was exchanged has none in
    any case.

    Parameters
    ----------
    time_s, density, usable:
        As in `off_colour_frames`.
    """
    index = np.flatnonzero(usable)
    if index.size < _LEAST_FRAMES:
        return False
    leap = _leap(_staying(time_s[index], density[index]), _PLUME)
    if leap is None:
        return False
    return leap[2] * float(np.median(np.diff(time_s[index]))) <= _MIXES_S


def _leap(density: FloatArray, shade: float = _SHADE) -> tuple[int, int, int] | None:
    """Last frame of the first colour, first of the last one, and how many have a shade between.

    `shade` is the part of the change within which a colour is still the first or already the last.
    None where there is no such change. A hand may have the shade of a mixture, but not its colour.
    """
    start, change = _line(density)
    size = float(np.linalg.norm(change))
    if size < _LEAST_SWAP:
        return None
    way = (density - start) @ change / size**2
    late, early = np.flatnonzero(way > 1.0 - shade), np.flatnonzero(way < shade)
    early = early[early < late[0]] if late.size else early[:0]
    if not early.size:
        return None
    off = np.linalg.norm(_across(density - start, change), axis=1)
    mixed = off < _FAR + _FAR_PART * size + size * bow_of(density.max(axis=1))
    last, first = int(early[-1]), int(late[0])
    return last, first, int(mixed[last + 1 : first].sum())


def _line(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Density at the start, and the change to the end."""
    few = max(3, min(25, len(values) // 8))
    start, end = np.median(values[:few], axis=0), np.median(values[-few:], axis=0)
    return start, end - start


def _across(moved: FloatArray, change: FloatArray) -> FloatArray:
    """Part of a movement that is not along the change, shape (n, 3)."""
    size = float(np.linalg.norm(change))
    if size < 0.05:
        return moved
    unit = change / size
    return np.asarray(moved - (moved @ unit)[:, None] * unit)


def _staying(time_s: FloatArray, density: FloatArray) -> FloatArray:
    """Colours without what comes and goes; a colour that only turns stays as it is."""
    return _running_median(time_s, density, _STAYS_S, 3)


def _running_median(
    time_s: FloatArray, values: FloatArray, window_s: float, least: int
) -> FloatArray:
    """Median over the frames within half a window, thinned where there are many."""
    out = np.empty_like(values)
    low = np.searchsorted(time_s, time_s - 0.5 * window_s)
    high = np.searchsorted(time_s, time_s + 0.5 * window_s, side="right")
    low = np.minimum(low, np.maximum(np.arange(time_s.size) - least // 2, 0))
    high = np.maximum(high, np.minimum(np.arange(time_s.size) + least // 2, time_s.size))
    step = np.maximum(1, (high - low) // _MOST_AROUND)
    count = -(-(high - low) // step)
    place = np.arange(int(count.max(initial=1)))
    for start in range(0, time_s.size, _ROWS):
        part = slice(start, start + _ROWS)
        n = count[part, None]
        # Places beyond the last frame of a window hold infinity, so that they sort to the end.
        index = np.minimum(low[part, None] + step[part, None] * place, time_s.size - 1)
        around = np.where((place < n)[..., None], values[index], np.inf)
        around.sort(axis=1)
        middle = [np.take_along_axis(around, k[..., None], 1) for k in ((n - 1) // 2, n // 2)]
        out[part] = 0.5 * (middle[0] + middle[1])[:, 0]
    return out
