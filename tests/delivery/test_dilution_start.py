"""When a pump began, by the dilution of the colour, in simulated colours."""

from __future__ import annotations

import numpy as np
import pytest

from endpoint.colour.density import ColourTrace
from endpoint.delivery.alignment import align
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.dilution_start import Starts, dilution_start
from tests.simulated import seen_colours

FLASK_ML, RATE_ML_S, END_ML, LAG_S = 80.0, 0.08, 12.0, 1.2


def colours(
    begin_s: float, *, drift: float = 0.0, seed: int = 1, dilutes: bool = True
) -> ColourTrace:
    """5 mL/min from `begin_s` on into 80 mL that turn blue at 12 mL; light wanders by 0.2 %."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, begin_s + END_ML / RATE_ML_S + 15.0, 0.2)
    mixed_ml = RATE_ML_S * np.maximum(time_s - begin_s - LAG_S, 0.0)
    blue = 1.0 / (1.0 + np.exp(-(mixed_ml - END_ML) / 0.08))
    density = np.array([0.25, 0.8, 0.6]) + np.outer(blue, [0.5, -0.3, -0.2])
    density *= (FLASK_ML / (FLASK_ML + mixed_ml * dilutes))[:, None]
    density += drift * (time_s / time_s[-1])[:, None]
    wander = np.zeros((time_s.size, 3))
    for k in range(1, time_s.size):
        wander[k] = 0.96 * wander[k - 1] + 0.28 * 0.002 * rng.normal(size=3)
    noise = rng.normal(0.0, 0.003, density.shape)
    return seen_colours(time_s, density + wander + noise, np.full(time_s.size, 0.02))


def pump(begin_s: float) -> Delivery:
    return Delivery.at_constant_rate(60.0 * RATE_ML_S, begin_s)


def found(trace: ColourTrace, told_s: float) -> Starts:
    start = dilution_start(trace, pump(told_s), FLASK_ML)
    assert start is not None
    return start


@pytest.mark.parametrize("begin_s", [8.0, 25.0, 50.0])
def test_a_start_before_the_one_in_the_log_is_found(begin_s: float) -> None:
    start = found(colours(begin_s), begin_s + 40.0)
    assert start.gain > 5.0
    assert start.mean_s == pytest.approx(-40.0, abs=3.0 * np.hypot(start.sd_s, 2.0))


@pytest.mark.parametrize("begin_s", [25.0, 50.0])
@pytest.mark.parametrize("apart_s", [30.0, 60.0])
def test_a_start_after_the_one_in_the_log_is_likelier(begin_s: float, apart_s: float) -> None:
    """Where the log begins before the film, only one bend tells against it, not two."""
    start = found(colours(begin_s), begin_s - apart_s)
    assert start.gain > 3.0
    assert start.mean_s == pytest.approx(apart_s, abs=3.0 * np.hypot(start.sd_s, 2.0))


@pytest.mark.parametrize("seed", range(1, 9))
@pytest.mark.parametrize("drift", [-0.02, 0.0, 0.02])
def test_a_right_start_stays_whatever_the_lamp_does(seed: int, drift: float) -> None:
    delivery = pump(12.0)
    trace = colours(12.0, drift=drift, seed=seed)
    ways = align(trace, delivery, stated=True, flask_ml=FLASK_ML)
    assert [way.difference_s for way in ways] == [0.0]


def test_colours_that_do_not_dilute_say_little() -> None:
    assert found(colours(12.0, dilutes=False), 12.0).gain < 5.0


def test_other_starts_are_offered_around_the_one_found_and_the_log_last() -> None:
    ways = align(colours(20.0), pump(60.0), stated=True, flask_ml=FLASK_ML)
    begins = np.array([way.delivery.time_s[0] for way in ways])
    assert begins.min() < 20.0 < begins[:-1].max()
    assert begins[-1] == 60.0
    # Light that drifts looks like dilution, so the log is never the less likely one.
    assert ways[-1].cost <= min(way.cost for way in ways[:-1])
    assert ways[0].remark is not None
    assert ways[0].remark.code == "clock-found"
    assert len(align(colours(20.0), pump(60.0), stated=True)) == 1


def test_where_no_change_is_seen_nothing_is_said() -> None:
    trace = colours(8.0)
    red = trace.time_s < 60.0
    part = seen_colours(trace.time_s[red], trace.density[red], trace.spread[red])
    assert dilution_start(part, pump(8.0), FLASK_ML) is None or found(part, 8.0).gain < 5.0
    few = seen_colours(trace.time_s[:50], trace.density[:50], trace.spread[:50])
    assert dilution_start(few, pump(8.0), FLASK_ML) is None
