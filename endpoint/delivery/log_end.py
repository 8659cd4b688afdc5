"""Whether the colour goes on changing after the last addition in a log."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace
from endpoint.delivery.delivery import Delivery

FloatArray = NDArray[np.float64]

_MIXED_S, _LOOK_S = 8.0, 4.0
"""After the last addition the liquid is mixed, even by hand; then it is looked at for a while."""
_FIRST_S, _LEAST_FRAMES = 3.0, 3
_LEAST_PART, _LEAST_DENSITY = 0.3, 0.03
"""Change after that, as a part of the whole one and in density, that no slow fading makes."""


def after_the_end(delivery: Delivery, first_s: float, last_s: float) -> tuple[float, float] | None:
    """Begin and end, s, of the look after the last addition; None where the film ends soon.

    Parameters
    ----------
    delivery:
        In steps or continuous, on the clock of the recording.
    first_s, last_s:
        Times of the first and the last frame.
    """
    rises = np.flatnonzero(np.diff(delivery.volume_ml) > 0.0)
    if delivery.mode == "per-still" or rises.size == 0:
        return None
    begin_s = max(float(delivery.time_s[rises[-1] + 1]), first_s) + _MIXED_S
    return None if begin_s + 2.0 * _LOOK_S > last_s else (begin_s, begin_s + _LOOK_S)


def changes_after_the_end(trace: ColourTrace, delivery: Delivery) -> bool:
    """Whether much of the change of colour comes after the last addition, so rows are missing.

    Parameters
    ----------
    trace:
        Colour against time, of all frames or of some spans.
    delivery:
        As in `after_the_end`.
    """
    usable = trace.usable & np.isfinite(trace.density).all(axis=1)
    time_s, density = trace.time_s[usable], trace.density[usable]
    if time_s.size == 0:
        return False
    look = after_the_end(delivery, float(time_s[0]), float(time_s[-1]))
    if look is None:
        return False
    start = density[time_s <= time_s[0] + _FIRST_S]
    early = density[(time_s >= look[0]) & (time_s <= look[1])]
    late = density[time_s >= time_s[-1] - _LOOK_S]
    if min(len(early), len(late)) < _LEAST_FRAMES:
        return False
    begin, middle, end = (np.median(part, axis=0) for part in (start, early, late))
    after, whole = math.dist(middle, end), math.dist(begin, end)
    return after > max(_LEAST_PART * whole, _LEAST_DENSITY)
