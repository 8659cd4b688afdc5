"""When a pump begins to run, in simulated colours of a stirred vessel with a known start."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from endpoint.colour.density import ColourTrace
from endpoint.delivery.alignment import align
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.pump_start import PumpStart, pump_start
from tests.simulated import seen_colours

RATE_ML_S, BEGIN_S, END_ML, SAID_SD_S = 0.1, 9.0, 8.0, 0.7


def vessel(
    seed: int, *, plume: float = 0.05, plume_s: float = 0.8, steps: float = 0.0
) -> ColourTrace:
    """10 pictures a second of a vessel that a plume of some unevenness makes less even.

    The plume grows to its size as titrant spreads in it with a time constant; its variance adds to
    that of the quiet liquid. A coarse coding lets the unevenness jump by a part every few seconds.
    """
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, BEGIN_S + END_ML / RATE_ML_S + 12.0, 0.1)
    run_s = np.maximum(time_s - BEGIN_S, 0.0)
    spread = np.hypot(0.04, plume * -np.expm1(-run_s / plume_s))
    jumps = np.cumsum(rng.random(time_s.size) < 0.04)
    spread *= np.exp(steps * rng.normal(size=jumps[-1] + 1)[jumps])
    spread *= np.exp((0.05 if steps == 0.0 else 0.0) * rng.normal(size=time_s.size))
    blue = 1.0 / (1.0 + np.exp(-(run_s - END_ML / RATE_ML_S - 1.6) / 0.8))
    density = np.array([0.3, 0.8, 0.6]) + np.outer(blue, [0.5, -0.3, -0.2])
    return seen_colours(time_s, density + rng.normal(0.0, 0.002, density.shape), spread)


def told(late_s: float) -> Delivery:
    return Delivery.at_constant_rate(60.0 * RATE_ML_S, BEGIN_S + late_s)


def found(trace: ColourTrace, late_s: float) -> PumpStart:
    return pump_start(trace, told(late_s), SAID_SD_S)


@pytest.mark.parametrize("plume_s", [0.3, 0.8, 1.5])
def test_a_plume_shows_the_start_to_a_part_of_a_second(plume_s: float) -> None:
    late_s = np.random.default_rng(5).normal(0.0, SAID_SD_S, 20)
    starts = [
        found(vessel(k, plume_s=plume_s), float(late)) for k, late in enumerate(late_s.tolist())
    ]
    error_s = np.array([start.later_s for start in starts]) + late_s
    sd_s = np.array([start.sd_s for start in starts])
    assert np.median(sd_s) < 0.4
    assert np.sqrt(np.mean(error_s**2)) < 0.4 < 0.75 * np.sqrt(np.mean(late_s**2))
    assert np.sum(np.abs(error_s) < 1.96 * sd_s) >= 18


@pytest.mark.parametrize("late_s", [-1.0, 0.0, 1.0])
def test_without_a_plume_the_start_is_the_stated_one_as_uncertain_as_before(late_s: float) -> None:
    for seed in range(4):
        start = found(vessel(seed, plume=0.0), late_s)
        assert abs(start.later_s) < 0.25
        assert start.sd_s == pytest.approx(SAID_SD_S, abs=0.15)


def test_jumps_that_come_elsewhere_too_are_not_a_start() -> None:
    starts = [found(vessel(seed, plume=0.0, steps=0.05), 0.0) for seed in range(20)]
    later_s = np.array([start.later_s for start in starts])
    sd_s = np.array([start.sd_s for start in starts])
    assert np.sqrt(np.mean(later_s**2)) < 0.5 * SAID_SD_S
    assert np.median(sd_s) > 0.75 * SAID_SD_S


def test_a_film_that_begins_while_the_pump_runs_says_nothing_of_its_start() -> None:
    trace = vessel(1)
    late = trace.time_s > BEGIN_S + 4.0
    cut = seen_colours(trace.time_s[late], trace.density[late], trace.spread[late])
    start = found(cut, 0.0)
    assert abs(start.later_s) < 0.25
    assert start.sd_s == pytest.approx(SAID_SD_S, abs=0.15)


def test_the_log_of_an_even_pump_moves_and_keeps_what_is_uncertain() -> None:
    (way,) = align(vessel(2), told(0.9), stated=True)
    assert way.difference_s == pytest.approx(-0.9, abs=0.6)
    assert way.delivery.time_s[0] == pytest.approx(BEGIN_S, abs=0.6)
    assert way.sd_s is not None
    assert 0.2 < way.sd_s < 0.45


def test_a_pump_that_pauses_has_several_starts_since_each_makes_another_curve() -> None:
    at_s, volume_ml = [BEGIN_S, 79.0, 94.0, 130.0], [0.0, 7.0, 7.0, 10.6]
    paused = Delivery("continuous", np.array(at_s), np.array(volume_ml))
    assert not paused.is_even
    assert told(0.0).is_even
    ways = align(vessel(3), replace(paused, time_s=paused.time_s + 0.5), stated=True)
    assert len(ways) > 3
    cost = np.array([way.cost for way in ways])
    weight = np.exp(-cost) / np.exp(-cost).sum()
    begin_s = np.array([way.delivery.time_s[0] for way in ways])
    assert float(weight @ begin_s) == pytest.approx(BEGIN_S, abs=0.6)
    assert all(way.sd_s == 0.0 for way in ways)
