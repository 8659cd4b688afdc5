"""Whether titrant runs in right now: a plume makes the liquid uneven.

A burette reading is typed after the addition. Until then the frames of an addition in progress
seem to belong to the volume before it, and the blue plume would be taken for the colour of the
liquid. In rendered films the scatter within the liquid rises from 0.01 to 0.2 within half a
second of pouring, and from 0.013 to 0.03 with a drop; after the tap is closed it falls back within
four seconds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_WINDOW_S = 0.5
_TIMES, _MORE = 2.0, 0.008
_LEAST_FRAMES = 4
"""Time over which unevenness is smoothed, s; how many times that of a calm liquid, and how much
more (density), a plume has; and the frames that are judged at least. Assumed: lower, and noise is
taken for a plume; higher, and a weak one for mixed liquid."""
_MIXED_S = 9.0
"""Six usual mixing times: what is uneven then has become so by its colour."""


def plume_frames(
    time_s: FloatArray, spread: FloatArray, since_s: float, before_s: float | None = None
) -> NDArray[np.bool_]:
    """Frames in which the liquid is much more uneven than when it was calm.

    Parameters
    ----------
    time_s:
        Rising, shape (n,).
    spread:
        Scatter of the density within the liquid (`ColourSample.spread`), shape (n,).
    since_s:
        Time of the last reading; frames before it are never marked.
    before_s:
        Time of the reading before that, if there is one.

    Returns
    -------
    Shape (n,). The measure is the calmest moment since the reading, and for the first seconds
    after it, in which the addition mixes in, the calmest moment of the pause before.
    """
    raised = np.zeros(time_s.size, dtype=np.bool_)
    first = int(np.searchsorted(time_s, since_s))
    if time_s.size - first < _LEAST_FRAMES:
        # Too few to judge by, right after an addition.
        raised[first:] = before_s is not None
        return raised
    smooth = _smooth(time_s, spread, first)
    calm = np.minimum.accumulate(smooth)
    if before_s is not None:
        start = int(np.searchsorted(time_s, before_s))
        if first - start >= _LEAST_FRAMES:
            earlier = float(_smooth(time_s[:first], spread[:first], start).min())
            mixes = time_s[first:] < since_s + _MIXED_S
            calm[mixes] = np.minimum(calm[mixes], earlier)
    raised[first:] = (smooth > _TIMES * calm + _MORE) | (spread[first:] > _TIMES * calm + _MORE)
    return raised


def _smooth(time_s: FloatArray, spread: FloatArray, first: int) -> FloatArray:
    """Median over the last half second, from a frame on, which bounds the first windows."""
    low = np.maximum(np.searchsorted(time_s, time_s[first:] - _WINDOW_S), first)
    return np.array(
        [np.median(spread[int(a) : k + 1]) for k, a in enumerate(low.tolist(), start=first)]
    )
