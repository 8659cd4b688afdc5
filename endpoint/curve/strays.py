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
_SCATTERS = 6.0
"""Distance from the median, in usual distances of the points, from which a point is a stray: of
normal errors less than one in a million."""
_PART = 0.05
"""Distance, as a part of the change, below which the fit itself deals with a stray."""


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
    return apart
