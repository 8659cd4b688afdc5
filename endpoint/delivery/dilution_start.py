"""When a delivery began, as the dilution of the colour tells it.

Titrant that runs in dilutes the indicator: long before the end the density falls as F / (F + V),
and before the start it does not fall at all. The bend between the two is small, one or two per cent
of the density in twenty seconds, but a clock that is a quarter of a minute off is seen by it.
No source: mass balance; own method.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace
from endpoint.delivery.alike import together
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.first_plume import seconds_of

FloatArray = NDArray[np.float64]

_RED_PART = 0.7
"""Part of the time to the middle of the change in which only dilution is seen; a hyperbola takes up
what the chemistry adds."""
_LEAST_SECONDS = 20
_MIXES_S = 1.5
_STEP_S, _MOST_STARTS = 1.0, 240
_OWN = 0.3
"""Standard deviation of the part of the density that is the indicator's: glass, stray light and
tone curve add to it. Assumed."""
_DRIFT = 0.01
"""Density by which a lamp may drift over a recording, 1 sigma. Assumed."""
_CHANNELS_ALONE = 0.5
"""Part of what three channels say that is their own: light wanders in all of them. Assumed."""
_LEAST_DENSITY = 0.02
_LEAST_SD = 5e-4
"""Least scatter of the density of a second that is reckoned with."""


@dataclass(frozen=True)
class DilutionStart:
    """Where the log lies on the clock of the recording, as dilution has it."""

    later_s: float
    """By how much everything happened later than the log says."""
    sd_s: float
    gain: float
    """How much likelier, natural logarithm, than the log as it stands; a mean over all starts."""


def dilution_start(trace: ColourTrace, delivery: Delivery, flask_ml: float) -> DilutionStart | None:
    """Find the start of a delivery by the dilution of the colour.

    Parameters
    ----------
    trace:
        Colour against time, of all frames or of some spans.
    delivery:
        Continuous, on the clock of the log.
    flask_ml:
        Volume in the flask before, mL.

    Returns
    -------
    None where too little is seen before the change.
    """
    rises = np.flatnonzero(np.diff(delivery.volume_ml) > 0.0)
    time_s, density, _ = seconds_of(trace)
    middle_s = _middle_s(time_s, density)
    if middle_s is None or rises.size == 0:
        return None
    kept = time_s < time_s[0] + _RED_PART * (middle_s - time_s[0])
    if kept.sum() < _LEAST_SECONDS:
        return None
    time_s, density = time_s[kept], density[kept]
    told_s = float(delivery.time_s[rises[0]])
    first_s, last_s = float(time_s[0]), float(time_s[-1])
    step_s = max(_STEP_S, (last_s - first_s) / _MOST_STARTS)
    # A start before the recording leaves no bend in it: one place stands for all of them.
    starts_s = np.arange(first_s - step_s, last_s - 5.0, step_s)
    later_s = np.r_[0.0, starts_s - told_s]
    cost = _costs(time_s, density, later_s, (delivery, flask_ml, middle_s))
    others = cost[1:].min() - cost[1:]
    weight = np.exp(others)
    mean_s = float(weight @ later_s[1:] / weight.sum())
    sd_s = float(np.sqrt(weight @ (later_s[1:] - mean_s) ** 2 / weight.sum()))
    gain = float(cost[0] - cost[1:].min() + np.log(weight.mean()))
    return DilutionStart(mean_s, max(sd_s, 0.5 * step_s), gain)


def red_until_s(trace: ColourTrace) -> float | None:
    """Time up to which only dilution is seen, s; None without a change."""
    time_s, density, _ = seconds_of(trace)
    middle_s = _middle_s(time_s, density)
    return None if middle_s is None else float(time_s[0] + _RED_PART * (middle_s - time_s[0]))


def _middle_s(time_s: FloatArray, density: FloatArray) -> float | None:
    """Middle of the change, s; None without one."""
    if time_s.size < _LEAST_SECONDS:
        return None
    start, end = np.median(density[:5], axis=0), np.median(density[-5:], axis=0)
    size = float((end - start) @ (end - start))
    blue = (density - start) @ (end - start) > 0.5 * size
    lasting = np.flatnonzero(blue & np.r_[blue[1:], True])
    return None if size <= 0.0 or lasting.size == 0 else float(time_s[lasting[0]])


def _costs(
    time_s: FloatArray,
    density: FloatArray,
    later_s: FloatArray,
    known: tuple[Delivery, float, float],
) -> FloatArray:
    """Negative logarithm of the likelihood of each start, up to a constant."""
    delivery, flask_ml, middle_s = known
    span = (time_s - time_s.mean()) / np.ptp(time_s)
    nearer = 1.0 / (middle_s - time_s + 5.0)
    level = np.maximum(np.median(density, axis=0), _LEAST_DENSITY)
    plain = [np.ones_like(span), nearer, span]
    bends = []
    for later in later_s.tolist():
        added_ml = delivery.volume_at(time_s - later - _MIXES_S)
        # What ran in before the recording leaves no bend.
        bends.append(flask_ml / (flask_ml + added_ml - added_ml[0]))
    cost = np.zeros(later_s.size)
    for c in range(density.shape[1]):
        own = density[:, c]
        noise = _noise(own, np.column_stack([*plain, time_s**2]))
        drift, dye = noise / _DRIFT, noise / (_OWN * level[c])
        known_rows = np.array([[0.0, 0.0, drift, 0.0], [0.0, 0.0, 0.0, dye]])
        wanted = np.r_[own, 0.0, dye * level[c]]
        for k, fall in enumerate(bends):
            columns = np.vstack([np.column_stack([*plain, fall]), known_rows])
            found = np.linalg.lstsq(columns, wanted, rcond=None)[0]
            cost[k] += 0.5 * float(np.sum((wanted - columns @ found) ** 2)) / noise**2
    return _CHANNELS_ALONE * cost


def _noise(values: FloatArray, smooth: FloatArray) -> float:
    """Scatter about a smooth course, as much larger as values in a row err as one."""
    rest = values - smooth @ np.linalg.lstsq(smooth, values, rcond=None)[0]
    return max(float(np.std(rest)), _LEAST_SD) * float(np.sqrt(together(rest)))
