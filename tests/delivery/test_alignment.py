"""Rows of a log against additions: habits of writing of a population, with known truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from endpoint.analysis.result import Result
from endpoint.colour.density import trace
from endpoint.delivery.activity import activity_of
from endpoint.delivery.alignment import Alignment, align, can_be_aligned
from endpoint.delivery.delivery import Delivery, reading_sd_ml
from endpoint.recording.volume_log import read_log
from tests.population.colours import samples_of
from tests.population.draws import Draw, draw
from tests.population.judging import result_of_colours, rows_of, write_record

SEEDS = (3, 24)
"""Two people of the population who add drop by drop and go on into the blue."""


def _writing(seed: int, **habits: Any) -> Draw:
    """A draw whose person writes as stated, each drop at once and to the tenth of a second."""
    drawn = draw(seed)
    plain = {
        "late_s": 0.3,
        "late_scatter_s": 0.2,
        "reads_when_writing": False,
        "near_rows_every": 1,
        "early_rows_every": 1,
        "grain_s": 0.1,
        "grain_ml": 0.01,
        "clock_s": 0.0,
        "first": "zero",
        "misses_last": False,
    }
    return replace(drawn, habits=replace(drawn.habits, **{**plain, **habits}))


def _result(drawn: Draw, folder: Path) -> Result:
    record = write_record(drawn, rows_of(drawn), folder)
    found = result_of_colours(record, samples_of(drawn))
    assert isinstance(found, Result)
    return found


def _best(drawn: Draw, folder: Path) -> Alignment:
    write_record(drawn, rows_of(drawn), folder)
    log = read_log(folder / "volumes.csv")
    assert log.time_s is not None
    delivery = Delivery("steps", log.time_s, log.volume_ml)
    return align(trace(samples_of(drawn)), delivery)[0]


HABITS = [
    {},
    {"late_s": 2.0, "late_scatter_s": 0.6},
    {"late_s": 4.0, "late_scatter_s": 1.0, "grain_s": 1.0},
    {"late_s": 2.0, "reads_when_writing": True},
    {"near_rows_every": 3, "early_rows_every": 99},
    {"first": "pour", "early_rows_every": 4},
    {"clock_s": -75.0},
    {"clock_s": -40.0, "late_s": 1.5},
    {"late_s": 5.5, "late_scatter_s": 0.5, "grain_s": 1.0},
    {"late_s": 6.5, "late_scatter_s": 0.5},
]


@pytest.mark.parametrize(("seed", "habits"), list(zip(SEEDS * 5, HABITS, strict=True)))
def test_whatever_the_habits_the_interval_holds_the_truth(
    tmp_path: Path, seed: int, habits: dict[str, Any]
) -> None:
    drawn = _writing(seed, **habits)
    result = _result(drawn, tmp_path)
    found, truth_ml = result.equivalence, drawn.end_ml
    if found is None:  # several drops in one row may leave a bracket
        assert result.verdict.bracket_ml is not None
        low, high = result.verdict.bracket_ml
        assert habits.get("near_rows_every", 1) > 1
        assert low <= truth_ml
        assert high is None or truth_ml <= high
        return
    assert found.low_ml <= truth_ml <= found.high_ml
    assert abs(found.value_ml - truth_ml) < 0.06


@pytest.mark.parametrize("late_s", [0.3, 3.0])
def test_each_pause_gets_the_volume_that_was_delivered_by_then(
    tmp_path: Path, late_s: float
) -> None:
    """Of the pauses up to the blue; beyond it no addition can be seen."""
    right, all_of_them = 0, 0
    for seed in SEEDS:
        drawn = _writing(seed, late_s=late_s)
        delivery = _best(drawn, tmp_path).delivery
        acts = drawn.acts
        ends = np.r_[acts.begin_s[1:], drawn.last_s] - drawn.first_s
        seen = acts.total_ml < drawn.end_ml
        got = delivery.volume_at(ends[seen] - 1.5)
        right += int(np.sum(np.abs(got - acts.total_ml[seen]) < 0.02))
        all_of_them += int(seen.sum())
    assert right >= 0.9 * all_of_them


def test_another_clock_is_said(tmp_path: Path) -> None:
    apart = _result(_writing(24, clock_s=-75.0), tmp_path)
    (told,) = [one for one in apart.remarks if one.code == "clock-found"]
    assert abs(float(told.text.split("moved by ")[1].split(" s")[0]) + 75.0) < 3.0
    together = _result(_writing(24), tmp_path)
    assert "clock-found" not in {one.code for one in together.remarks}


def test_a_stated_clock_stands_and_is_doubted(tmp_path: Path) -> None:
    drawn = _writing(24, clock_s=-75.0)
    write_record(drawn, rows_of(drawn), tmp_path)
    log = read_log(tmp_path / "volumes.csv")
    assert log.time_s is not None
    colour = trace(samples_of(drawn))
    ways = align(colour, Delivery("steps", log.time_s, log.volume_ml), stated=True)
    assert all(abs(way.difference_s) < 10.0 for way in ways)
    assert {None if way.remark is None else way.remark.code for way in ways} == {"clocks-doubted"}
    right = align(colour, Delivery("steps", log.time_s - 75.0, log.volume_ml), stated=True)
    assert right[0].remark is None


def test_an_addition_after_the_last_row_is_noticed(tmp_path: Path) -> None:
    drawn = _writing(24)
    write_record(drawn, rows_of(drawn), tmp_path)
    log = read_log(tmp_path / "volumes.csv")
    assert log.time_s is not None
    kept = log.volume_ml < drawn.end_ml - 0.4
    cut = Delivery("steps", log.time_s[kept], log.volume_ml[kept])
    assert align(trace(samples_of(drawn)), cut)[0].goes_on


def test_what_can_be_aligned() -> None:
    at_s = np.arange(12.0)
    assert can_be_aligned(Delivery("steps", at_s, at_s))
    assert not can_be_aligned(Delivery("steps", at_s[:3], at_s[:3]))
    assert not can_be_aligned(Delivery("per-still", at_s, at_s))
    assert not can_be_aligned(Delivery("continuous", at_s, 0.1 * at_s))  # a pump
    by_hand = np.cumsum([0, 5, 0.1, 0.1, 3, 0.05, 0.05, 0.05, 1, 0.05, 0.05, 0.05])
    assert can_be_aligned(Delivery("continuous", at_s, by_hand))
    # A pump at 5 mL/min that is stopped four times, its rows written where it starts and stops.
    runs = np.array([0, 60, 0, 40, 0, 20, 0, 10, 0, 5, 0])
    lasts_s = np.where(runs > 0, runs, 8)
    pump = Delivery("continuous", np.cumsum(lasts_s) * 1.0, np.cumsum(runs) / 12.0)
    assert not can_be_aligned(pump)
    assert align(trace([]), Delivery("steps", at_s, at_s)) == ()
    assert activity_of(trace([])) is None


@pytest.mark.parametrize(
    ("volume_ml", "grain_ml"),
    [([0.0, 1.3, 5.0], 0.1), ([0.0, 1.35, 5.0], 0.05), ([0.1, 1.32], 0.02), ([0.0, 1.31], 0.01)],
)
def test_readings_were_rounded_to_the_coarsest_grain_that_explains_them(
    volume_ml: list[float], grain_ml: float
) -> None:
    # A meniscus is read to a fifth of a division of 0.1 mL, triangular, whatever is written down.
    by_eye_ml = 0.02 / np.sqrt(6.0)
    expected_ml = max(grain_ml / np.sqrt(12.0), by_eye_ml)
    assert reading_sd_ml(np.array(volume_ml)) == pytest.approx(expected_ml)
    assert reading_sd_ml(np.array([*volume_ml, 0.1234])) == 0.0


def test_pictures_an_hour_apart_are_too_coarse_for_additions_and_stop_nothing() -> None:
    samples = [replace(s, time_s=3600.0 * k) for k, s in enumerate(samples_of(draw(3))[:150])]
    delivery = Delivery("steps", np.arange(39.0), 0.3 * np.arange(39.0))
    for alignment in align(trace(samples), delivery):
        assert np.isfinite(alignment.cost)
