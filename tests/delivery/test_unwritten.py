"""Drops that nobody wrote down: what runs in after a row was written is not in that row."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from endpoint.colour.density import trace
from endpoint.delivery.activity import Activity
from endpoint.delivery.alignment import align
from endpoint.delivery.delivery import Delivery
from endpoint.recording.volume_log import read_log
from tests.population.colours import samples_of
from tests.population.draws import draw
from tests.population.judging import rows_of, write_record

BIN_S, BINS = 0.5, 32


def _pause(bluer: Any) -> Activity:
    """A recording of one pause of 16 s; only its colour matters here."""
    nothing, square = np.zeros(BINS + 1), np.zeros((BINS + 1, BINS + 1), dtype=np.float32)
    held = np.arange(BINS + 1)
    return Activity(0.0, BIN_S, square, held, nothing, nothing[1:], bluer)


def _settling(time_constant_s: float, step: float = 0.0, step_s: float = 7.0) -> Any:
    """Colour that settles from 0.3 to 0.7, and goes on by a step that mixes in within 1 s."""
    at_s = BIN_S * (np.arange(BINS) + 0.5)
    later = np.where(at_s > step_s, 1.0 - np.exp(-(at_s - step_s)), 0.0)
    return 0.7 - 0.4 * np.exp(-at_s / time_constant_s) + step * later


@pytest.mark.parametrize("time_constant_s", [0.3, 1.0, 2.0, 4.0, 10.0])
def test_what_only_settles_is_one_pause(time_constant_s: float) -> None:
    assert _pause(_settling(time_constant_s)).steps_up_after(0, 4, BINS) == BINS


@pytest.mark.parametrize(
    ("time_constant_s", "step"), [(0.3, 0.02), (1.0, 0.03), (2.0, 0.1), (2.0, 0.3)]
)
def test_a_drop_after_the_row_ends_its_pause(time_constant_s: float, step: float) -> None:
    found = _pause(_settling(time_constant_s, step)).steps_up_after(0, 4, BINS)
    assert BIN_S * found == pytest.approx(7.0, abs=0.75)


def test_a_drop_before_the_row_was_written_belongs_to_it() -> None:
    assert _pause(_settling(1.0, 0.1)).steps_up_after(0, 20, BINS) == BINS


def test_a_colour_that_goes_back_or_is_not_seen_ends_no_pause() -> None:
    assert _pause(_settling(1.0, -0.1)).steps_up_after(0, 4, BINS) == BINS
    assert _pause(None).steps_up_after(0, 4, BINS) == BINS
    hidden = _settling(1.0, 0.1)
    hidden[12] = np.nan
    assert _pause(hidden).steps_up_after(0, 4, BINS) == BINS


def test_noise_is_no_drop() -> None:
    rng = np.random.default_rng(4)
    taken = [
        _pause(_settling(1.0) + 0.01 * rng.normal(size=BINS)).steps_up_after(0, 4, BINS) < BINS
        for _ in range(300)
    ]
    # Five of their own standard deviations: hardly ever, though the scatter is known from few bins.
    assert np.mean(taken) < 0.02


@pytest.mark.parametrize("seed", [37, 69])
def test_no_pause_of_a_log_with_gaps_holds_a_drop_that_is_seen(tmp_path: Path, seed: int) -> None:
    drawn = draw(seed)
    habits = replace(
        drawn.habits,
        late_s=0.3,
        late_scatter_s=0.2,
        reads_when_writing=False,
        near_rows_every=3,
        early_rows_every=1,
        grain_s=0.1,
        grain_ml=0.01,
        clock_s=0.0,
        first="zero",
        misses_last=False,
    )
    drawn = replace(drawn, habits=habits)
    write_record(drawn, rows_of(drawn), tmp_path)
    log = read_log(tmp_path / "volumes.csv")
    assert log.time_s is not None
    colour = trace(samples_of(drawn))
    best = align(colour, Delivery("steps", log.time_s, log.volume_ml))[0]
    begin_s = drawn.acts.begin_s - drawn.first_s
    after_ml = drawn.acts.total_ml - drawn.end_ml
    near = (after_ml > -0.25) & (after_ml < 0.05)
    inside = [
        (round(one, 1), span)
        for one in begin_s[near].tolist()
        for span in best.delivery.pauses_s.tolist()
        if span[0] + 3.0 < one < span[1] - 1.0
    ]
    assert inside == []
