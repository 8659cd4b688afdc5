"""What a careful analyst would make of a titration: a rule that looks only at the truth drawn.

* good: nothing distorts or hides the change; a number within a drop is expected.
* hard: something does, but a person could tell; a number with a wider interval, or a bracket.
* bracket: the recording allows only an interval.
* refuse: the change is not in the recording, or it is not this titration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.population.draws import Draw
from tests.population.view import mixed_at
from tests.population.writing import Rows

GRADES = ("good", "hard", "bracket", "refuse")

# Limits of "good". They are those that the population was asked for, not the program's.
STEP_ML = 0.15
PUMP_ML_MIN = 8.0
MAGNESIUM = 0.05
DYE_UMOL_L = (6.0, 40.0)
LATE_S = 2.5
CLOCK_S = 3.0
READING_ML = 0.05
ONE_ADDITION_ML = 0.5
"""Above this one addition across the end leaves an interval."""
STEP_OF_LIGHT = 0.004
"""Density that a step leaves, from which it is one: about the noise of a frame."""
BLUE = 0.9
"""Free indicator from which a person says blue."""
RED = 0.25
_MOST_FAULTS = 2
REFUSED = (
    "never-reached",
    "already-blue",
    "wrong-ph",
    "no-indicator",
    "flask-swapped",
    "balance-turns",
)


@dataclass(frozen=True)
class Grade:
    """A grade and why."""

    name: str
    because: tuple[str, ...]


def row_step_ml(drawn: Draw, rows: Rows) -> float | None:
    """Volume between the rows on either side of the end; None if there is no row beyond."""
    above = np.flatnonzero(rows.volume_ml >= drawn.end_ml - 0.02)
    if not above.size:
        return None
    k = int(above[0])
    return float(rows.volume_ml[k] - (rows.volume_ml[k - 1] if k else 0.0))


def lateness_s(drawn: Draw, rows: Rows) -> float:
    """Mean lateness of the rows near the end."""
    near = np.abs(rows.volume_ml - drawn.end_ml) < 0.6
    return float(rows.lateness_s[near].mean()) if near.any() else float(drawn.habits.late_s)


def _faults(drawn: Draw, rows: Rows) -> list[str]:
    """What a good recording does not have, away from steps and end."""
    faults = []
    water, delivery = drawn.water, drawn.delivery
    if delivery == "pump" and (drawn.rate_ml_min or 0.0) > PUMP_ML_MIN:
        faults.append("fast pump")
    if delivery == "tap":
        faults.append("tap left open")
    if water.magnesium_share < MAGNESIUM:
        faults.append("little magnesium")
    if not DYE_UMOL_L[0] <= water.indicator_umol_l <= DYE_UMOL_L[1]:
        faults.append("pale or dark")
    if delivery != "pump" and lateness_s(drawn, rows) > LATE_S:
        faults.append("rows late")
    if abs(drawn.clock_apart_s) > CLOCK_S:
        faults.append("clock apart")
    if delivery != "pump" and drawn.habits.grain_ml > READING_ML:
        faults.append("coarse readings")
    if _hidden_in_change(drawn):
        faults.append("hidden in the change")
    if drawn.mishaps.sticks > 0.015 or drawn.optics.turbid > 0.25 or drawn.film.noise > 0.01:
        faults.append("poor picture")
    return faults


def _hidden_in_change(drawn: Draw) -> bool:
    """Whether a hand, or a step of light that can be measured, falls where the colour changes."""
    time = np.arange(drawn.first_s, drawn.last_s, 0.2)
    free = drawn.curve.free(mixed_at(drawn, time).bulk)
    change = time[(free > RED) & (free < BLUE)]
    if not change.size:
        return False
    low, high = float(change[0]), float(change[-1])
    hands = any(begin < high and end > low for begin, end, _ in drawn.mishaps.hands)
    steps = (
        low < at < high and left * np.ptp([0.0, *shift]) > STEP_OF_LIGHT
        for at, shift, left in drawn.mishaps.steps
    )
    return hands or any(steps)


def last_free(drawn: Draw) -> float:
    """Free part of the indicator in the last frame."""
    at = mixed_at(drawn, np.array([drawn.last_s - 0.1])).bulk
    return float(drawn.curve.free(at)[0])


def grade_of(drawn: Draw, rows: Rows, more: tuple[str, ...] = ()) -> Grade:
    """Grade of a draw with what was written of it; `more` are faults of its film."""
    if drawn.event in REFUSED:
        return Grade("refuse", (drawn.event,))
    bound = []
    if last_free(drawn) < BLUE:
        bound.append("not blue in the last frame")
    across = drawn.acts.across_ml(drawn.end_ml)
    step = row_step_ml(drawn, rows)
    if drawn.delivery == "drops":
        if across is None or step is None:
            bound.append("no row beyond the end")
        elif max(across, step) > ONE_ADDITION_ML:
            bound.append("one addition across the end")
    faults = [*_faults(drawn, rows), *more]
    if drawn.delivery == "drops" and step is not None and STEP_ML < step <= ONE_ADDITION_ML:
        faults.append("coarse steps")
    if bound:
        return Grade("bracket", (*bound, *faults))
    if len(faults) > _MOST_FAULTS:
        return Grade("bracket", tuple(faults))
    return Grade("hard" if faults else "good", tuple(faults))
