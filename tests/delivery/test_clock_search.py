"""The clock of a log, searched in simulated colours of which the true clock is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from endpoint.delivery.clock_search import NO_MATTER_S, SURE, ClockSearch, search_clock

from endpoint.colour.density import ColourTrace
from endpoint.delivery.delivery import Delivery
from tests.simulated import seen_colours

FRAMES_S = 10.0
END_ML = 10.0


def delivered(rng: np.random.Generator, pause_s: float) -> tuple[Delivery, float, float]:
    """Additions as a person makes them, the rate of pouring in mL/s, and the length of the film."""
    rate = float(rng.uniform(0.2, 0.7))
    sizes_ml = [*rng.uniform(1.5, 2.2, 4), *rng.uniform(0.3, 0.6, 3)]
    sizes_ml += list(rng.choice([0.05, 0.1, 0.15], 16))
    now, at_s = float(rng.uniform(4.0, 12.0)), []
    for size in sizes_ml:
        now += size / rate + 0.2
        at_s.append(now)
        now += pause_s * float(rng.uniform(0.8, 1.3))
    volume_ml = np.cumsum(sizes_ml)
    volume_ml += END_ML - volume_ml[14]
    return Delivery("steps", np.r_[0.0, at_s], np.r_[0.0, volume_ml]), rate, now


def filmed(rng: np.random.Generator, true: Delivery, rate: float, last_s: float) -> ColourTrace:
    """Colour of the mixed liquid, and plumes that wander while titrant is poured.

    Nothing is shared with the search: the mixing is of second order and differs from film to
    film, plumes wander, the light drifts.
    """
    time_s = np.arange(0.0, last_s, 1.0 / FRAMES_S)
    tau_s = float(rng.uniform(0.4, 1.1))
    poured = np.zeros(time_s.size)
    for row_s, size in zip(true.time_s, np.diff(true.volume_ml, prepend=0.0), strict=True):
        poured += ((time_s > row_s - size / rate) & (time_s <= row_s)) * rate
    fresh, mixed, wander = np.zeros(time_s.size), np.zeros(time_s.size), 0.0
    plume = np.zeros(time_s.size)
    step = 1.0 / FRAMES_S
    for k in range(1, time_s.size):
        fresh[k] = fresh[k - 1] + step * (poured[k] - fresh[k - 1] / tau_s)
        mixed[k] = mixed[k - 1] + step * fresh[k] / tau_s
        wander = 0.8 * wander + rng.normal(0.0, 0.3)
        plume[k] = fresh[k] * float(np.exp(wander))
    blue = 1.0 / (1.0 + np.exp(-(mixed - END_ML) / 0.06))
    seen = np.minimum(blue + (1.0 - blue) * 0.4 * (1.0 - np.exp(-3.0 * plume)), 1.0)
    light = 0.01 * np.cumsum(rng.normal(0.0, 1.0, time_s.size)) / np.sqrt(time_s.size)
    density = np.outer(seen, [0.30, -0.12, -0.05]) + [0.2, 0.5, 0.4] + light[:, None]
    density += rng.normal(0.0, 0.002, density.shape)
    spread = 0.012 + 0.08 * (1.0 - np.exp(-2.0 * plume)) * (1.0 - 0.8 * blue)
    spread *= np.exp(rng.normal(0.0, 0.05, time_s.size))
    return seen_colours(time_s, density, spread)


def searched(seed: int, offset_s: float, pause_s: float = 11.0, late_s: float = 0.7) -> ClockSearch:
    """Search in a film whose log is `offset_s` behind, written with some scatter."""
    rng = np.random.default_rng([seed, 77])
    true, rate, last_s = delivered(rng, pause_s)
    film = filmed(rng, true, rate, last_s)
    late = np.maximum.accumulate(true.time_s + rng.normal(0.0, late_s, true.time_s.size))
    written_s = late + 1e-3 * np.arange(late.size)
    written = Delivery("steps", written_s - offset_s, true.volume_ml.copy())
    found = search_clock(film, written, thorough=True)
    assert found is not None
    return found


SEEDS = range(40, 52)


def test_a_right_clock_is_never_contradicted() -> None:
    found = [searched(seed, 0.0) for seed in SEEDS]
    assert not any(one.gain >= SURE or one.is_found for one in found)
    assert sum(one.confirms for one in found) >= 10


@pytest.mark.parametrize(
    ("offset_s", "half"),
    [(-140.0, 0), (-31.0, 1), (-12.0, 0), (12.0, 1), (62.5, 0), (3600.0, 1)],
)
def test_a_clock_that_is_apart_is_found_or_doubted(offset_s: float, half: int) -> None:
    """Each film meets three of the offsets: one film and its log are searched alike at all six."""
    found = [searched(seed, offset_s) for seed in SEEDS[half::2]]
    assert all(one.gain >= SURE for one in found)
    sure = [one.offset_s for one in found if one.is_found]
    assert len(sure) >= 5
    assert sure == pytest.approx(np.full(len(sure), offset_s), abs=2.0)


def test_rows_that_are_a_little_late_are_left_to_the_mixing_lag() -> None:
    low, high = NO_MATTER_S
    for half, offset_s in enumerate((low + 1.0, high - 1.0)):
        assert not any(searched(seed, offset_s).gain >= SURE for seed in SEEDS[half::2])


def test_equal_pauses_are_not_taken_for_each_other() -> None:
    """A shift by whole pauses fits nearly as well: no wrong difference may count as sure."""
    for seed in SEEDS[::2]:
        rng = np.random.default_rng([seed, 78])
        true, rate, _ = delivered(rng, 10.0)
        at_s = 6.0 + 10.0 * np.arange(true.time_s.size - 1)
        even = Delivery("steps", np.r_[0.0, at_s], true.volume_ml.copy())
        film = filmed(rng, even, rate, float(at_s[-1]) + 9.0)
        for offset_s in (0.0, 20.0):
            log = Delivery("steps", even.time_s - offset_s, true.volume_ml.copy())
            found = search_clock(film, log, thorough=True)
            assert found is not None
            assert not found.is_found or found.offset_s == pytest.approx(offset_s, abs=2.0)
            assert offset_s > 0.0 or found.gain < SURE


def test_where_nothing_is_seen_nothing_is_found() -> None:
    rng = np.random.default_rng(9)
    true, rate, last_s = delivered(rng, 11.0)
    none = Delivery("steps", true.time_s, np.r_[0.0, np.full(true.time_s.size - 1, 1e-6)])
    film = filmed(rng, none, rate, last_s)
    for offset_s in (0.0, 40.0, -40.0):
        log = Delivery("steps", true.time_s - offset_s, true.volume_ml.copy())
        assert search_clock(film, log, thorough=False) is None
        found = search_clock(film, log, thorough=True)
        assert found is not None
        assert not found.is_found
        assert found.gain < SURE
        assert not found.confirms


def test_the_quick_search_sees_the_doubt_and_none_where_there_is_none() -> None:
    for seed in SEEDS:
        rng = np.random.default_rng([seed, 77])
        true, rate, last_s = delivered(rng, 11.0)
        film = filmed(rng, true, rate, last_s)
        right = search_clock(film, true, thorough=False)
        wrong = Delivery("steps", true.time_s + 17.0, true.volume_ml.copy())
        apart = search_clock(film, wrong, thorough=False)
        assert right is not None
        assert apart is not None
        assert right.gain < 1.0 < 6.0 < apart.gain


def test_too_little_to_compare_is_said() -> None:
    rng = np.random.default_rng(3)
    true, rate, last_s = delivered(rng, 11.0)
    film = filmed(rng, true, rate, last_s)
    late = Delivery("steps", true.time_s[2:].copy(), true.volume_ml[2:].copy())
    assert search_clock(film, late, thorough=True) is None
    few = Delivery("steps", true.time_s[:4].copy(), true.volume_ml[:4].copy())
    assert search_clock(film, few, thorough=True) is None
    assert search_clock(film, Delivery.at_constant_rate(4.0), thorough=True) is None
    hidden = replace(film, flags=np.ones_like(film.flags))
    assert search_clock(hidden, true, thorough=True) is None
