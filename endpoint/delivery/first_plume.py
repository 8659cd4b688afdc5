"""When titrant is first seen to run in: the first plume of colour, against the start of a log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace
from endpoint.delivery.delivery import Delivery

FloatArray = NDArray[np.float64]

_BIN_S = 1.0
_LEAST_RISE = 1.8
"""How much more uneven the liquid must be while titrant runs in than before."""
_OFTEN, _NEXT, _OF_NEXT = 75, 5, 3
_UNCHANGED = 0.5
_STILL_QUIET = 0.3
"""Part of the way from quiet to the limit, in logarithms, up to which the seconds before are
quiet."""
_FIRST_ML, _LEEWAY_S = 0.15, 6.0
"""Three drops are to be seen; and seconds that do not matter."""
_UNMIXED_ML = 0.1
"""Titrant in a plume, mL: 3 mL/min that take 2 s to mix in. Less, and a plume that comes into view
close to the end speaks against a log that is right."""


@dataclass(frozen=True)
class FirstPlume:
    """First plume of a recording, and when the log of a continuous delivery has it."""

    quiet_until_s: float
    """The liquid was seen quiet until then."""
    seen_s: float
    """And streaky from then on."""
    told_s: float
    """Start of the delivery in the log."""
    fits: bool


def first_plume(trace: ColourTrace, delivery: Delivery) -> FirstPlume | None:
    """Find when the liquid becomes streaky for good, and compare it with the log.

    Parameters
    ----------
    trace:
        Colour against time, of all frames or of some spans.
    delivery:
        Continuous, on the clock of the log.

    Returns
    -------
    None where that is not seen: no streaks, streaks from the first picture on, or no quiet start.
    """
    rises = np.flatnonzero(np.diff(delivery.volume_ml) > 0.0)
    if delivery.mode != "continuous" or rises.size == 0:
        return None
    start = int(rises[0])
    told_s = float(delivery.time_s[start])
    late_s = float(
        np.interp(
            delivery.volume_ml[start] + _FIRST_ML,
            delivery.volume_ml[start:],
            delivery.time_s[start:],
        )
    )
    time_s, density, spread = seconds_of(trace)
    if time_s.size < 4 * _NEXT:
        return None
    quiet, streaky = float(np.median(spread[:2])), float(np.percentile(spread, _OFTEN))
    if streaky < _LEAST_RISE * quiet:
        return None
    limit = np.sqrt(quiet * streaky)
    above = spread > limit
    lasting = np.array(
        [above[k] and above[k + 1 : k + 1 + _NEXT].sum() >= _OF_NEXT for k in range(time_s.size)]
    )
    if not lasting.any() or lasting[:2].any():
        return None
    first = int(np.argmax(lasting))
    change = np.linalg.norm(density[-1] - density[0])
    moved = np.linalg.norm(np.median(density[first : first + _NEXT], axis=0) - density[0])
    if moved > _UNCHANGED * change:
        return None  # blue liquid looks more uneven than red: this is the end, not the beginning
    quiet_until_s, seen_s = float(time_s[first - 1]), float(time_s[first])
    early = seen_s < told_s - _LEEWAY_S
    late = quiet_until_s > late_s + _LEEWAY_S and _is_sudden(spread, first, quiet, limit)
    if late:
        far = np.linalg.norm(density - density[0], axis=1) > _UNCHANGED * change
        place = delivery.volume_at([late_s, seen_s, time_s[np.argmax(far)]])
        excess = float(np.median(spread[first : first + _NEXT])) - quiet
        late = quiet + excess * _smaller(*place) > limit
    fits = not (early or late)
    if early and _rises_at(time_s, spread, told_s, late_s):
        fits = True  # a stirrer that was switched on before
    return FirstPlume(quiet_until_s, seen_s, told_s, fits)


def _is_sudden(spread: FloatArray, first: int, quiet: float, limit: float) -> bool:
    """Whether streaks began at once: plumes that only grow as the metal runs out began before."""
    before = float(np.median(spread[max(0, first - _NEXT) : first]))
    return bool(before < quiet * (limit / quiet) ** _STILL_QUIET)


def _smaller(told_ml: float, seen_ml: float, half_ml: float) -> float:
    """How much smaller a plume is where the log begins than where one is first seen.

    What is unmixed turns the more liquid blue the less metal is left, up to half of the change.
    """
    left_ml = max(half_ml - seen_ml, 0.0)
    return (left_ml + _UNMIXED_ML) / (half_ml - told_ml + _UNMIXED_ML)


def seconds_of(trace: ColourTrace) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Begin of every second that holds frames, and the median of their colour and unevenness."""
    usable = trace.usable & np.isfinite(trace.spread) & np.isfinite(trace.density).all(axis=1)
    number = np.floor(trace.time_s[usable] / _BIN_S).astype(np.int64)
    density, spread = trace.density[usable], trace.spread[usable]
    if number.size == 0:
        return np.zeros(0), np.zeros((0, 3)), np.zeros(0)
    cuts = np.flatnonzero(np.diff(number)) + 1
    parts = np.split(np.arange(number.size), cuts)
    return (
        np.asarray(_BIN_S * number[np.r_[0, cuts]], dtype=np.float64),
        np.array([np.median(density[part], axis=0) for part in parts]),
        np.array([np.median(spread[part]) for part in parts]),
    )


def _rises_at(time_s: FloatArray, spread: FloatArray, told_s: float, late_s: float) -> bool:
    before = spread[(time_s >= told_s - 2.0 * _LEEWAY_S) & (time_s < told_s - _BIN_S)]
    after = spread[(time_s > late_s) & (time_s <= late_s + 2.0 * _LEEWAY_S)]
    if before.size < 2 or after.size < 2:
        return False
    return bool(np.median(after) > np.sqrt(_LEAST_RISE) * np.median(before))
