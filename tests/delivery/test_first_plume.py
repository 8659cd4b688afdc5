"""The first plume of a continuous delivery, in simulated colours and in the film of a pump."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import endpoint
from endpoint.analysis.frames import _bursts
from endpoint.analysis.result import Result
from endpoint.colour.density import ColourTrace
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.first_plume import FirstPlume, first_plume
from endpoint.recording.frame import Stamps
from tests.kept_films import record_of
from tests.places import SAMPLES
from tests.simulated import seen_colours

LAST_S, END_S = 120.0, 90.0
SMALL = "small-school-well"


def colours(begin_s: float, *, streaks: float = 0.04, stirrer_s: float = 0.0) -> ColourTrace:
    """Quiet red liquid, streaky from `begin_s` on, blue and uneven from 90 s on."""
    rng = np.random.default_rng(4)
    time_s = np.arange(0.0, LAST_S, 0.1)
    blue = 1.0 / (1.0 + np.exp(-(time_s - END_S) / 1.5))
    poured = (time_s >= begin_s) * (1.0 - blue)
    spread = 0.011 + 0.006 * ((time_s >= stirrer_s) & (stirrer_s > 0.0)) + 0.05 * blue
    spread = spread + streaks * poured * rng.uniform(0.4, 1.6, time_s.size)
    density = np.outer(blue, [0.4, -0.2, -0.1]) + np.array([0.2, 0.6, 0.5])
    density = density + np.outer(poured, [0.03, -0.04, -0.04])
    return seen_colours(time_s, density + rng.normal(0.0, 0.002, density.shape), spread)


def log(begin_s: float) -> Delivery:
    """4 mL/min from `begin_s` on."""
    at_s = np.array([min(begin_s, 0.0) - 1.0, begin_s, LAST_S])
    return Delivery("continuous", at_s, np.array([0.0, 0.0, (LAST_S - begin_s) / 15.0]))


def seen(trace: ColourTrace, delivery: Delivery) -> FirstPlume:
    found = first_plume(trace, delivery)
    assert found is not None
    return found


@pytest.mark.parametrize("begin_s", [5.0, 31.0, 60.0])
@pytest.mark.parametrize(("late_s", "fits"), [(0, True), (4, True), (-4, True), (15, False)])
def test_the_first_plume_is_held_against_the_log(begin_s: float, late_s: int, fits: bool) -> None:
    found = seen(colours(begin_s), log(begin_s + late_s))
    assert found.seen_s == pytest.approx(begin_s, abs=1.0)
    assert found.fits == fits
    assert not seen(colours(begin_s), log(begin_s - 20.0)).fits


def test_a_plume_that_comes_into_view_near_the_end_says_nothing_of_the_start() -> None:
    """What is unmixed turns the more liquid blue the less metal is left: weak for most of 90 s."""
    rng = np.random.default_rng(4)
    time_s = np.arange(0.0, LAST_S, 0.1)
    left_ml = np.maximum(END_S - time_s, 0.0) / 15.0
    blue = 1.0 / (1.0 + np.exp(-(time_s - END_S) / 1.5))
    seen_part = 0.1 / (0.1 + left_ml) * (time_s > 9.0)
    spread = 0.025 + 0.5 * seen_part * (time_s > 83.0) * rng.uniform(0.6, 1.4, time_s.size)
    density = np.outer(blue, [0.4, -0.2, -0.1]) + np.array([0.5, 1.1, 0.9])
    density = density + rng.normal(0.0, 0.002, density.shape)
    trace = seen_colours(time_s, density, spread)
    found = seen(trace, log(9.0))
    assert found.seen_s > 70.0
    assert found.fits


def test_where_no_plume_can_be_seen_nothing_is_said() -> None:
    assert first_plume(colours(20.0, streaks=0.0), log(60.0)) is None  # blue is no plume
    assert first_plume(colours(0.0), log(60.0)) is None  # no quiet start to compare with
    assert first_plume(colours(20.0), Delivery("steps", np.arange(3.0), np.arange(3.0))) is None


def test_a_stirrer_before_the_pump_is_no_plume_elsewhere() -> None:
    assert seen(colours(45.0, stirrer_s=12.0), log(45.0)).fits


def test_the_quiet_start_is_looked_at_in_the_fast_path() -> None:
    times = np.arange(0.0, 300.0, 0.1)
    keys = np.arange(0.0, 300.0, 1.0)
    stamps = Stamps(time_s=times, key_s=keys)
    at_s = np.array([0.0, 100.0, 300.0])
    bursts = _bursts(Delivery("continuous", at_s, np.array([0.0, 0.0, 12.0])), stamps, (250, 260))
    assert bursts is not None
    held = [begin for begin, _ in bursts if begin < 100.0]
    assert held == pytest.approx(np.arange(0.0, 100.0, 3.0))


def _elsewhere(record: Path) -> str:
    """Text of a record for another folder than that of its film."""
    video = record.with_suffix(".mp4")
    return record.read_text("utf-8").replace(video.name, str(video))


def _pump(film: Path, folder: Path, shift_s: float, more: str = "") -> Result:
    """The film of the pump with a log on another clock."""
    rows = np.loadtxt(SAMPLES / "school-well-volumes.csv", delimiter=",", skiprows=1)
    at_s = rows[:, 0] + shift_s
    # Without a stated clock a log may not run beyond its film.
    last_s = float(at_s[-1]) if more else min(float(at_s[-1]), 169.0)
    kept = [*[t for t in at_s if t < last_s], last_s]
    lines = [f"{t:.2f},{np.interp(t, at_s, rows[:, 1]):.4f}" for t in kept]
    (folder / "school-well-volumes.csv").write_text("\n".join(["time_s,volume_ml", *lines, ""]))
    mode = 'mode = "continuous"'
    text = _elsewhere(film).replace(mode, f"{mode}\n{more}")
    (folder / "school-well.toml").write_text(text)
    return endpoint.analyse(folder / "school-well.toml")


def test_a_pump_on_another_clock_costs_width(tmp_path: Path) -> None:
    result = _pump(record_of(SMALL), tmp_path, -15.0)
    truth = json.loads((SAMPLES / "school-well.truth.json").read_text("utf-8"))
    assert result.verdict.bracket_ml is not None
    low, high = result.verdict.bracket_ml
    assert high is not None
    assert low < truth["equivalence_ml"] < high
    assert "plume-elsewhere" in {remark.code for remark in result.remarks}


def test_a_log_of_a_pump_that_lies_late_and_is_cut_off_gives_no_number(tmp_path: Path) -> None:
    """Moved to the first plume it ends before the colour changes."""
    result = _pump(record_of(SMALL), tmp_path, 60.0)
    assert result.status == "none"
    assert result.hardness is None
    assert "plume-elsewhere" in {remark.code for remark in result.remarks}


def test_a_log_of_a_pump_that_ends_before_the_film_gives_no_number(tmp_path: Path) -> None:
    """What was cut off would be taken for the tint of the plume: a change at the first drop."""
    (tmp_path / "school-well-volumes.csv").write_text("time_s,volume_ml\n0,0\n4,0\n109,7\n")
    record = tmp_path / "school-well.toml"
    record.write_text(_elsewhere(record_of(SMALL)))
    result = endpoint.analyse(record)
    assert result.status == "none"
    assert "goes-on" in {sentence.code for sentence in result.reasons}


def test_a_stated_clock_of_a_pump_stands(tmp_path: Path) -> None:
    film = record_of(SMALL)
    right = _pump(film, tmp_path, 60.0, "clock_offset_s = -60")
    assert right.status == "located"
    truth = json.loads((SAMPLES / "school-well.truth.json").read_text("utf-8"))
    assert right.equivalence is not None
    assert right.equivalence.low_ml < truth["equivalence_ml"] < right.equivalence.high_ml
    assert "plume-elsewhere" not in {remark.code for remark in right.remarks}
    wrong = _pump(film, tmp_path, -15.0, "clock_offset_s = 0")
    assert "plume-elsewhere" in {remark.code for remark in wrong.remarks}
    assert "plume-elsewhere" not in {reason.code for reason in wrong.reasons}
