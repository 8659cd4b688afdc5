"""Whether the colour of a frame is a mixture of the two forms of the indicator.

From the red to the blue form the density moves along one line, or bows a little off it, and slowly
so. A hand, a sleeve or a shadow on the flask alone throws it off that line at once. What lies
along the line is never judged here: that is the titration itself.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_WINDOW_S = 16.0
_LEAST_FRAMES = 9
_MOST_AROUND = 60
_ROWS = 512
"""Windows that are sorted together: little is held."""
_SUDDEN, _SUDDEN_PART = 0.03, 0.12
"""Distance from the frames around, density, and what of the whole change is added to it."""
_FAR, _FAR_PART = 0.10, 0.30
"""The same for the distance from the line between the two forms."""
_SCATTERS = 6.0
_BOW_FROM, _BOW = 0.8, 0.5
"""A liquid darker than this bows off the line, by this part of the density above it."""


def strangers(
    time_s: FloatArray, density: FloatArray, usable: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Frames whose colour is no mixture, shape (n,), bool.

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
    around = _running_median(time_s[index], off)
    sudden = np.linalg.norm(off - around, axis=1)
    usual = 1.4826 * float(np.median(sudden))
    # Slow drift of the light moves the whole line.
    far = np.linalg.norm(off - np.median(off, axis=0), axis=1)
    bow = _BOW * np.maximum(values.max(axis=1) - _BOW_FROM, 0.0)
    odd[index] = sudden > np.maximum(_SUDDEN + _SUDDEN_PART * size + bow, _SCATTERS * usual)
    odd[index] |= far > _FAR + _FAR_PART * size + bow
    return odd


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


def _running_median(time_s: FloatArray, values: FloatArray) -> FloatArray:
    """Median over the frames within half a window, thinned where there are many."""
    out = np.empty_like(values)
    low = np.searchsorted(time_s, time_s - 0.5 * _WINDOW_S)
    high = np.searchsorted(time_s, time_s + 0.5 * _WINDOW_S, side="right")
    low = np.minimum(low, np.maximum(np.arange(time_s.size) - _LEAST_FRAMES // 2, 0))
    high = np.maximum(high, np.minimum(np.arange(time_s.size) + _LEAST_FRAMES // 2, time_s.size))
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
