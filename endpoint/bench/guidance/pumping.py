"""What is said where a pump delivers: a rate, a pause, or to let it run.

A pump runs fast under the eyes of the camera until the first tinge, then stands still until the
liquid has mixed: the plume is gone from the picture, and how the colour settles shows how long the
liquid takes to mix. Then it runs slowly through the change and past it. Its volume is known at
every moment, so nothing needs single additions.
"""

from __future__ import annotations

from dataclasses import replace

from endpoint.bench.guidance.prediction import Left
from endpoint.bench.guidance.said import Guidance, Pace, retitled, said_of
from endpoint.bench.guidance.words import LATE_ML, PUMP_ON, PUMP_START

_RATES_ML_MIN = (8.0, 6.0, 4.0, 3.0, 2.0, 1.5, 1.0)
_EARLY_ML_MIN = 6.0
"""Rates to set at a pump, mL/min, and the fastest one up to `LATE_ML`. Faster, and more than half a
millilitre runs in between the first tinge and the stop (the liquid mixes, the page sees it, a hand
reaches the pump: 5 s); slower, and the last half millilitre takes longer than a minute, while at
1 mL/min a mixing time that is off by a second shifts the end by less than 0.02 mL."""
_AHEAD_S, _FASTER = 8.0, 2.0
"""How far ahead one looks, s: the liquid mixes, the page sees it, a hand turns the knob; and how
many times faster it may run before somebody is asked to turn it up."""
_FAST_ML_MIN = 2.0
"""Rate from which on a pump is paused before it is slowed, mL/min: 0.05 mL on its way in one and a
half seconds, a drop."""


def pumping(
    code: str,
    amount_ml: float,
    pace: Pace,
    delivered_ml: float,
    left: Left,
    place: int | None,
    until_s: float | None,
) -> Guidance:
    """Guidance where a pump delivers.

    Parameters
    ----------
    code, amount_ml:
        What a burette would be asked for.
    pace, delivered_ml, left, place:
        As for `said_of`.
    until_s:
        Until when the liquid mixes; None if it has.
    """

    def said(code: str, rate_ml_min: float | None = None) -> Guidance:
        ml = None if code in ("enough", "close") else amount_ml
        return said_of(
            code, pace, delivered_ml, left, amount_ml=ml, rate_ml_min=rate_ml_min, place=place
        )

    now = pace.rate_ml_min
    if code == "enough":
        return said(code)
    if now <= 0.0 and until_s is not None:
        return said_of("mixing", pace, delivered_ml, left, place=place, until_s=until_s)
    wanted = 60.0 * amount_ml / _AHEAD_S
    if code == "beyond":
        # What the liquid shows must not lag behind: it decides when it is enough.
        wanted = min(wanted, _FAST_ML_MIN)
    late = delivered_ml >= LATE_ML
    wanted = wanted if late else min(wanted, _EARLY_ML_MIN)
    rate = next((r for r in _RATES_ML_MIN if r <= wanted), _RATES_ML_MIN[-1])
    if now <= 0.0:
        return retitled(said(code, rate), f"{PUMP_START} at {rate:g} mL/min")
    if code in ("portion", "drops") and rate < now and now > _FAST_ML_MIN:
        # While no end is in sight the first tinge tells when to pause, as it does a hand.
        return said_of("pour", pace, delivered_ml, left) if left.value_ml is None else said("close")
    fastest = code == "pour" and late and now >= _EARLY_ML_MIN
    if rate >= _FASTER * now or (rate < now and code != "pour") or (fastest and rate > now):
        return retitled(said(code, rate), f"Set the pump to {rate:g} mL/min")
    return said(code) if code == "beyond" else retitled(said(code), PUMP_ON)


def begun_pumping(pace: Pace, delivered_ml: float) -> Guidance:
    """What is said before anything is concluded from a curve."""
    if pace.rate_ml_min > 0.0:
        return said_of("pour", pace, delivered_ml, place=0)
    rate = _EARLY_ML_MIN
    said = said_of("pour", pace, delivered_ml, rate_ml_min=rate, place=0)
    return retitled(said, f"{PUMP_START} at {rate:g} mL/min")


def runs_on(before: Guidance) -> Guidance:
    """What is said as soon as a pump runs as it was asked for."""
    return retitled(replace(before, rate_ml_min=None), PUMP_ON)
