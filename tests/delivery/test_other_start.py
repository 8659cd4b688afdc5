"""Whether the clock of a pump is believed, in simulated colours with faint signs of its start."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from endpoint.colour.density import ColourTrace
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.other_start import NEAR_S, other_start
from tests.simulated import seen_colours

FLASK_ML, RATE_ML_S, END_ML, LAG_S = 90.0, 0.06, 8.0, 1.4
BEGIN_S = 30.0
STOP_S = BEGIN_S + (END_ML + 1.0) / RATE_ML_S


def vessel(
    seed: int, *, tint: float = 0.015, uneven: float = 0.0, paler: bool = True
) -> ColourTrace:
    """3.6 mL/min from 30 s on into 90 mL that turn blue at 8 mL, five pictures a second.

    A plume tints a part of the view, more as the metal runs out, and makes it less even; the light
    wanders by 0.3 %.
    """
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, STOP_S + 12.0, 0.2)
    run_s = np.clip(time_s - BEGIN_S, 0.0, STOP_S - BEGIN_S)
    mixed_ml = RATE_ML_S * np.maximum(run_s - LAG_S, 0.0)
    plume = tint * -np.expm1(-run_s / 0.8) / np.maximum(1.0 - mixed_ml / END_ML, 0.1)
    plume[time_s > STOP_S] = 0.0
    blue = 1.0 / (1.0 + np.exp(-(mixed_ml - END_ML) / 0.08))
    blue = blue + (1.0 - blue) * plume
    density = np.array([0.25, 0.8, 0.6]) + np.outer(blue, [0.5, -0.3, -0.2])
    density *= (FLASK_ML / (FLASK_ML + mixed_ml * paler))[:, None]
    wander = np.zeros((time_s.size, 3))
    for k in range(1, time_s.size):
        wander[k] = 0.95 * wander[k - 1] + 0.31 * 0.003 * rng.normal(size=3)
    spread = np.hypot(0.04, uneven * -np.expm1(-run_s / 0.8))
    spread *= np.exp(0.05 * rng.normal(size=time_s.size))
    return seen_colours(time_s, density + wander, spread)


def pump(later_s: float) -> Delivery:
    return Delivery.at_constant_rate(60.0 * RATE_ML_S, BEGIN_S + later_s)


def logged(later_s: float) -> Delivery:
    ends_s = np.array([BEGIN_S, STOP_S]) + later_s
    return Delivery("continuous", ends_s, np.array([0.0, END_ML + 1.0]))


def test_most_logs_that_are_apart_are_not_believed_and_those_that_are_right_are() -> None:
    seeds, found = range(8), []
    for trace in map(vessel, seeds):
        for later_s in (-28.0, 45.0):
            other = other_start(trace, pump(later_s), FLASK_ML)
            if other is not None:
                found.append((other.later_s + later_s) / np.hypot(other.sd_s, 3.0))
        for later_s in (-0.8, 0.8):
            assert other_start(trace, pump(later_s), FLASK_ML) is None
    assert len(found) >= 0.75 * 2 * len(seeds)
    assert np.max(np.abs(found)) < 3.0


def test_a_plume_where_the_log_has_the_start_speaks_for_it_and_elsewhere_against() -> None:
    """Of colours that do not get paler, dilution tells nothing; what is uneven does."""
    for seed in range(3):
        plain = vessel(seed, tint=0.0, paler=False)
        assert other_start(plain, pump(0.5), FLASK_ML) is None
        streaky = vessel(seed, uneven=0.05)
        assert other_start(streaky, pump(0.5), FLASK_ML) is None
        found = other_start(streaky, pump(20.0), FLASK_ML)
        assert found is not None
        assert found.later_s == pytest.approx(-20.0, abs=2.0)


def test_a_log_that_goes_on_after_the_film_is_believed_less() -> None:
    """By the film alone these are as likely as not; that they outlast it decides."""
    trace = vessel(1)
    odds = {}
    for ends_s in (STOP_S + 5.0, STOP_S + 40.0):
        log = logged(40.0)
        log = replace(log, time_s=np.array([BEGIN_S + 40.0, ends_s]))
        log = replace(log, volume_ml=np.array([0.0, RATE_ML_S * (ends_s - BEGIN_S - 40.0)]))
        found = other_start(trace, log, FLASK_ML)
        assert found is not None
        odds[ends_s] = found.odds
    within, outlasts = odds.values()
    assert outlasts > within + 1.0


def test_the_start_is_apart_only_beyond_what_people_and_pumps_are_late_by() -> None:
    for seed in range(4):
        found = other_start(vessel(seed), pump(60.0), FLASK_ML)
        assert found is not None
        assert abs(found.later_s) > NEAR_S
