"""Whether titrant runs in right now: a plume makes the liquid uneven.

A burette reading is typed after the addition. Until then the frames of an addition that goes on
seem to belong to the volume before it, and the blue plume would be taken for the colour of the
liquid. In rendered films the scatter within the liquid rises from 0.01 to 0.2 within half a
second of pouring, and from 0.013 to 0.03 with a drop.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_WINDOW_S = 0.5
_TIMES, _MORE = 2.0, 0.008
_LEAST_FRAMES = 4


def plume_frames(time_s: FloatArray, spread: FloatArray, since_s: float) -> NDArray[np.bool_]:
    """Frames in which the liquid is much more uneven than it was since the last reading.

    Parameters
    ----------
    time_s:
        Rising, shape (n,).
    spread:
        Scatter of the density within the liquid (`ColourSample.spread`), shape (n,).
    since_s:
        Time of the last reading; frames before it are never told.

    Returns
    -------
    Shape (n,). The calmest moment since the reading is the measure, so what mixes right after the
    reading is not told either.
    """
    raised = np.zeros(time_s.size, dtype=np.bool_)
    first = int(np.searchsorted(time_s, since_s))
    if time_s.size - first < _LEAST_FRAMES:
        return raised
    low = np.searchsorted(time_s, time_s[first:] - _WINDOW_S)
    smooth = np.array(
        [np.median(spread[max(int(a), first) : k + 1]) for k, a in enumerate(low, start=first)]
    )
    calm = np.minimum.accumulate(smooth)
    raised[first:] = (smooth > _TIMES * calm + _MORE) | (spread[first:] > _TIMES * calm + _MORE)
    return raised
