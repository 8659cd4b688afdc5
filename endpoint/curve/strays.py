"""Points that stand apart from both sides: a bubble in the cell, a drop on the glass, a hand.

A running median leaves every rise and every step as it is and forgets what is shorter than half
of its window, so that what departs from it is neither chemistry nor light (Tukey, Exploratory Data
Analysis, ch. 7, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_LEAST_HALF, _MOST_HALF = 3, 8
"""Points on either side of the median: strays of as many neighbours are found. A twenty-fifth
of the curve between these limits, so that of a short one the change is not taken for a stray."""
_ROUNDS = 10
"""Rounds at most; each sets the worst strays aside. Assumed."""
_SCATTERS = 6.0
"""Distance from the median, in usual distances of the points, from which a point is a stray: of
normal errors less than one in a million."""
_PART = 0.05
"""Distance, as a part of the change, below which the fit itself deals with a stray. Assumed."""
_MOST_OF_IT = 0.5
"""Part of the change between what stands before and after points that stand apart, from which they
are the change itself. Assumed."""
_PLATEAU, _FLAT = 4, 0.25
"""Points next to the end that must be a plateau: they lie four times closer together, and hold less
than a quarter of the change. Where an addition leaps into the change, the few points before it are
the whole of the red plateau, and what follows is the rest of the change."""
_FAR_PART, _FARTHEST = 0.15, 3.0
"""Distance of a stray at the end in whole changes: nearer, it is left to the fit; farther, the rest
of the curve holds no change and the end may be it. Assumed."""


def running_median(values: FloatArray, window: int) -> FloatArray:
    """Median over a window of points that shrinks towards the ends, shape of `values`.

    Parameters
    ----------
    values:
        Shape (n, ...).
    window:
        Odd number of points.
    """
    n, half = len(values), window // 2
    out = np.array(values)
    if n >= window:
        around = np.lib.stride_tricks.sliding_window_view(values, window, axis=0)
        out[half : n - half] = np.median(around, axis=-1)
    for k in (*range(min(half, n)), *range(max(n - half, 0), n)):
        reach = min(half, k, n - 1 - k)
        out[k] = np.median(values[k - reach : k + reach + 1], axis=0)
    return out


def strays(density: FloatArray) -> NDArray[np.bool_]:
    """Points that stand apart from their neighbours on both sides, shape (n,).

    Parameters
    ----------
    density:
        In order of volume, shape (n, channels).
    """
    n = len(density)
    apart = np.zeros(n, dtype=bool)
    window = 2 * min(max(n // 25, _LEAST_HALF), _MOST_HALF) + 1
    for _ in range(_ROUNDS):
        left = np.flatnonzero(~apart)
        if left.size < 2 * window:
            break
        middle = running_median(density[left], window)
        away = np.linalg.norm(density[left] - middle, axis=1)
        usual = 1.4826 * float(np.median(away))
        change = float(np.linalg.norm(np.ptp(middle, axis=0)))
        # Strays draw the median of their neighbours away: the worst go first.
        limit = max(_SCATTERS * usual, _PART * change, 0.5 * float(away.max()))
        if not (away > limit).any():
            break
        apart[left[away > limit]] = True
    apart &= ~_steps_of_the_change(density, apart)
    for order in (slice(None), slice(None, None, -1)):
        left = np.flatnonzero(~apart)[order]
        apart[left[: _at_the_end(density[left])]] = True
    return apart


def _steps_of_the_change(density: FloatArray, apart: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Points that stand apart since the change itself goes by way of them, shape (n,).

    In a dark liquid a camera's mixtures bow off the line between both ends, and a sharp change is
    over within three drops. What was in the way comes back to where it came from; the change goes
    on, drop by drop, to another level.
    """
    out = np.zeros(apart.size, dtype=bool)
    kept = density[~apart]
    change = float(np.linalg.norm(np.ptp(running_median(kept, 2 * _LEAST_HALF - 1), axis=0)))
    edges = np.flatnonzero(np.diff(np.r_[False, apart, False].astype(np.int8)))
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if start < _LEAST_HALF or stop > apart.size - _LEAST_HALF:
            continue
        before = np.median(density[start - _LEAST_HALF : start], axis=0)
        way = np.median(density[stop : stop + _LEAST_HALF], axis=0) - before
        length = float(np.linalg.norm(way))
        part = (density[start:stop] - before) @ way / max(length**2, 1e-12)
        goes_on = bool(np.all(np.diff(np.r_[0.0, part, 1.0]) > 0.0))
        out[start:stop] = goes_on and length > _MOST_OF_IT * change
    return out


def _at_the_end(density: FloatArray) -> int:
    """Strays with which a curve begins, at most `_LEAST_HALF`; its points in order from there.

    The last points of a recording may be the change itself: they are strays only if what stands
    next to them is a plateau and the change lies beyond it.
    """
    if len(density) < 4 * _LEAST_HALF:
        return 0
    change = float(np.linalg.norm(np.ptp(running_median(density[_LEAST_HALF:], 3), axis=0)))
    for count in range(_LEAST_HALF, 0, -1):
        beside = density[count : count + _PLATEAU]
        level = np.median(beside, axis=0)
        away = np.linalg.norm(density[:count] - level, axis=1)
        flat = float(np.linalg.norm(beside - level, axis=1).max()) < _FLAT * float(away.min())
        flat = flat and float(np.linalg.norm(np.ptp(beside, axis=0))) < _FLAT * change
        if flat and _FAR_PART * change < away.min() and away.max() < _FARTHEST * change:
            return count
    return 0
