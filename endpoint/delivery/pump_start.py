"""When a pump began to run, to a part of a second: from then on the liquid is less even.

A log has the start to about a second, and with a pump that runs on, a second is its rate in mL. The
first plume shows it better: its variance adds to that of the quiet liquid and grows to its usual
size as fast as plumes spread. So the start is a change point in the unevenness, with the log as
what is known beforehand (Bayes; normal errors whose size is fitted). Whether such a step means
anything is asked of the same film: stirrers, glints and coding let the unevenness step elsewhere
too. No source for the whole: own method; judged in tests/studies/RESULTS.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace
from endpoint.delivery.alike import together
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.dilution_start import red_until_s

FloatArray = NDArray[np.float64]

STATED_SD_S = 0.8
"""Standard uncertainty of the start of a pump that was read off its recording, s: somebody writes
down the second, which is an even distribution over 1 s (0.29 s), and is late or early by 0.5 s,
looking from the pump to the clock; the pump takes up its slack and the first drop has to form
(0.5 s). Assumed. Lower, and a start that was read off carelessly is believed too much; higher, and
the interval says little where no plume is seen."""
LOGGED_SD_S = 1.1
"""The same where the log has a clock of its own, s: it was started by hand as well, and telephones
begin to record up to a second and a half after their button was pressed (0.8 s). Assumed. With
0.5 and 0.8 s 88 % of the intervals of pumps held (population, tuning seeds 2000 to 2549), now 93 %.
"""
_SPREADS_S = (0.3, 0.7, 1.5)
"""Times in which a plume grows to its size that are tried, s: stirred flasks spread it so."""
_LEAST_SD_S = 0.25
"""Least uncertainty of a start that is seen, s: half a second from the tip into view."""
_REACH_S, _REACH_SDS, _BEYOND_S, _STEP_S, _ROUGH_S = 5.0, 2.5, 3.0, 0.1, 0.5
"""How far around the start in the log others are tried, s and standard uncertainties of it,
whichever is more; what is looked at beyond them; steps there, and elsewhere; s. A log that is
farther off is asked by `first_plume`."""
_LEAST_FRAMES, _LEAST_ELSEWHERE, _MOST_ELSEWHERE = 20, 2, 12
"""Frames of a window, and windows in which no pump begins; more of them tell hardly more."""
_BY_CHANCE = 2.0
"""Logarithm of the likelihood that the best of many places gains where there is no step: half of
the square of a normal deviate that is the largest of ten or so."""


@dataclass(frozen=True)
class PumpStart:
    """When titrant began to run in, compared with the log."""

    later_s: float
    sd_s: float
    """Standard uncertainty; that of the log where the recording shows nothing."""
    gain: float
    """How much likelier the recording is than one without a plume there, natural logarithm."""


def pump_start(trace: ColourTrace, delivery: Delivery, said_sd_s: float) -> PumpStart:
    """Start of a pump by its log and by the first plume together.

    Parameters
    ----------
    trace:
        Colour against time, of all frames or of some spans.
    delivery:
        Continuous, on the clock of the recording as far as that is known.
    said_sd_s:
        Standard uncertainty of the start that the log has, s, > 0.
    """
    as_said = PumpStart(0.0, said_sd_s, 0.0)
    said_s, red_s = delivery.begin_s, red_until_s(trace)
    if red_s is None or not np.isfinite(said_s):
        return as_said
    usable = trace.usable & np.isfinite(trace.spread) & (trace.spread > 0.0)
    time_s, uneven = trace.time_s[usable], np.log(trace.spread[usable])
    reach_s = max(_REACH_S, _REACH_SDS * said_sd_s)
    window_s = reach_s + _BEYOND_S
    later_s = np.arange(-reach_s, reach_s + 0.5 * _STEP_S, _STEP_S)
    rough_s = np.arange(-reach_s, reach_s + 0.5 * _ROUGH_S, _ROUGH_S)
    seen = _gains(time_s, uneven, said_s, later_s)
    # Where the pump runs already, nothing begins: what is gained there is gained by chance.
    first_s, last_s = said_s + 2.0 * window_s, red_s - window_s
    count = int(np.clip((last_s - first_s) // window_s + 1, 0, _MOST_ELSEWHERE))
    others = [_gains(time_s, uneven, at, rough_s) for at in np.linspace(first_s, last_s, count)]
    chance = [float(gain.max()) for gain in others if gain is not None]
    if seen is None or len(chance) < _LEAST_ELSEWHERE:
        return as_said
    gained = seen / max(1.0, max(chance) / _BY_CHANCE) - _BY_CHANCE
    if gained.max() <= 0.0:
        return as_said
    before = np.exp(-0.5 * (later_s / said_sd_s) ** 2)
    # The plume is seen, or it is not and says nothing.
    weight = np.logaddexp(0.0, gained) + np.log(before / before.sum())
    gain = float(np.logaddexp.reduce(weight))
    weight = np.exp(weight - gain)
    mean_s = float(weight @ later_s)
    sd_s = float(np.sqrt(weight @ (later_s - mean_s) ** 2))
    return PumpStart(mean_s, float(np.hypot(sd_s, min(_LEAST_SD_S, said_sd_s))), gain)


def plume_course(trace: ColourTrace, until_s: float) -> tuple[FloatArray, FloatArray]:
    """How much likelier a plume that begins at some times makes the unevenness of a recording.

    Parameters
    ----------
    trace:
        Colour against time, of all frames or of some spans.
    until_s:
        Time up to which it is looked for, s: blue liquid looks more uneven than red.

    Returns
    -------
    Times, s, rising, and the natural logarithm, 0 or more; 0 throughout where steps as large come
    everywhere.
    """
    usable = trace.usable & np.isfinite(trace.spread) & (trace.spread > 0.0)
    time_s, uneven = trace.time_s[usable], np.log(trace.spread[usable])
    if time_s.size == 0:
        return np.zeros(1), np.zeros(1)
    later_s = np.arange(-_REACH_S, _REACH_S, _ROUGH_S)
    middles_s = np.arange(float(time_s[0]) + _REACH_S, until_s - _REACH_S, 2.0 * _REACH_S)
    found = [(at, _gains(time_s, uneven, at, later_s)) for at in middles_s.tolist()]
    known = [(at + later_s, gain) for at, gain in found if gain is not None]
    if len(known) <= _LEAST_ELSEWHERE:
        return np.zeros(1), np.zeros(1)
    at_s, gain = (np.concatenate(part) for part in zip(*known, strict=True))
    # One plume begins; what is gained elsewhere is gained by chance.
    elsewhere = np.abs(at_s - at_s[np.argmax(gain)]) > _REACH_S + _BEYOND_S
    chance = float(gain[elsewhere].max()) if elsewhere.any() else 0.0
    return at_s, np.logaddexp(0.0, gain / max(1.0, chance / _BY_CHANCE) - _BY_CHANCE)


def _gains(
    time_s: FloatArray, uneven: FloatArray, middle_s: float, later_s: FloatArray
) -> FloatArray | None:
    """Gain in log likelihood of a step up at each of some times around a middle, shape (times,).

    Compared with a course that only drifts; None where few frames are there.
    """
    near = np.abs(time_s - middle_s) < float(later_s[-1]) + _BEYOND_S
    if near.sum() < _LEAST_FRAMES:
        return None
    time, values = time_s[near] - middle_s, uneven[near]
    plain = np.linalg.qr(np.column_stack([np.ones(time.size), time]))[0]
    rest = values - plain @ (plain.T @ values)
    without = float(rest @ rest)
    if without < 1e-12:
        return np.zeros(later_s.size)
    ran_s = np.maximum(time - later_s[:, None], 0.0)
    squares, best, left = [], without, rest
    for spreads_s in _SPREADS_S:
        # Variances add, so unevenness grows with the square of the plume.
        shape = np.expm1(-ran_s / spreads_s) ** 2
        shape -= (shape @ plain) @ plain.T
        size = np.sum(shape * shape, axis=1)
        height = np.maximum(shape @ rest, 0.0) / np.maximum(size, 1e-6)
        squares.append(without - height**2 * size)
        k = int(np.argmin(squares[-1]))
        if squares[-1][k] < best:
            best, left = float(squares[-1][k]), rest - height[k] * shape[k]
    counted = max(time.size / together(left) - 4.0, 1.0)
    gains = -0.5 * counted * np.log(np.maximum(squares, 1e-12) / without)
    return np.asarray(np.logaddexp.reduce(gains, axis=0) - np.log(len(_SPREADS_S)))
