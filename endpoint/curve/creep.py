"""Colour that creeps back towards the bound form while nothing is added.

Whatever gives metal to the liquid, such as calcium carbonate that dissolves again, turns the free
form back within a pause. How much dye there is does not count: dye that fades makes the liquid
paler, not redder.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace
from endpoint.curve.points import Curve
from endpoint.delivery.delivery import Delivery

FloatArray = NDArray[np.float64]

_LEAST_FRAMES = 8
_LEAST_S = 2.0
"""Frames and length of a pause that shows a slope. Assumed: fewer, and noise is taken for a
slope."""


@dataclass(frozen=True, eq=False)
class Creep:
    """How the colour moves in each pause; arrays of shape (pauses,)."""

    volume_ml: FloatArray
    """Volume delivered by each pause."""
    fall_per_s: FloatArray
    """Fall of the free fraction in each pause, 1/s; negative where it still rises."""


def creep_of(trace: ColourTrace, delivery: Delivery, curve: Curve, lag_s: float) -> Creep | None:
    """Creep within the pauses of a delivery in steps; None where no pause shows it.

    Parameters
    ----------
    trace:
        Colour against time, all frames that were read.
    delivery:
        Delivered volume against time.
    curve:
        The same as points; it lends the colours of the two forms.
    lag_s:
        Mixing time, s.
    """
    if delivery.mode != "steps" or trace.time_s.size < _LEAST_FRAMES or len(curve) < 2:
        return None
    fraction = _fractions(trace, delivery, curve)
    usable = trace.usable & np.isfinite(fraction)
    volumes, falls = [], []
    ends = float(trace.time_s[0]), float(trace.time_s[-1])
    for volume_ml, start, stop in delivery.settled_spans(*ends, lag_s):
        inside = usable & (trace.time_s >= start) & (trace.time_s <= stop)
        time = trace.time_s[inside]
        if time.size < _LEAST_FRAMES or float(np.ptp(time)) < _LEAST_S:
            continue
        volumes.append(volume_ml)
        falls.append(-float(np.polyfit(time - time.mean(), fraction[inside], 1)[0]))
    return Creep(np.array(volumes), np.array(falls)) if volumes else None


def _fractions(trace: ColourTrace, delivery: Delivery, curve: Curve) -> FloatArray:
    """Part of the free form in the mixture of both that each frame shows, whatever its depth."""
    dilution = 1.0 + delivery.volume_at(trace.time_s) / curve.flask_ml
    undiluted = trace.density * dilution[:, None]
    forms = np.stack([curve.start_density, curve.start_density + curve.change_density], axis=1)
    bound, free = np.linalg.lstsq(forms, undiluted.T, rcond=None)[0]
    whole = bound + free
    return np.asarray(free / np.where(np.abs(whole) > 0.1, whole, np.nan))
