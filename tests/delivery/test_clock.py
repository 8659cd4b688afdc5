"""A log and a film with two clocks: the difference is found and asked for, or taken as stated."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Protocol

import numpy as np
import pytest

import endpoint
from endpoint.analysis.result import Result
from endpoint.colour.density import ColourTrace
from endpoint.delivery.clock import ClockDoubt, LogClock, doubt_of_clock
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.log_end import after_the_end, changes_after_the_end
from endpoint.messages import reason, remark
from endpoint.problems import DeliveryProblem
from endpoint.result.document import document
from endpoint.verdict.verdict import Verdict, with_doubt
from tests.kept_films import record_of
from tests.places import SAMPLES
from tests.simulated import seen_colours


@pytest.mark.parametrize(("last_s", "outside"), [(100.0, 2), (25.0, 3), (float("inf"), 2)])
def test_additions_outside_a_recording(last_s: float, outside: int) -> None:
    at_s = np.array([-40.0, -30.0, -20.0, -10.0, 10.0, 20.0, 30.0])
    steps = Delivery("steps", at_s, np.array([0.0, 2.0, 2.0, 3.0, 4.0, 5.0, 6.0]))
    assert steps.additions_outside(last_s) == outside
    assert steps.additions_after(last_s) == (1 if last_s == 25.0 else 0)
    assert Delivery.at_constant_rate(4.0).additions_outside(last_s) == 0
    assert Delivery.at_constant_rate(4.0).additions_after(last_s) == 0


@pytest.mark.parametrize(
    ("refuses", "status", "kept"),
    [
        ("", "located", "located"),
        ("bracket", "located", "located"),
        ("result", "located", "none"),
        ("", "bracketed", "bracketed"),
        ("bracket", "bracketed", "none"),
        ("bracket", "none", "none"),
        ("result", "none", "none"),
    ],
)
def test_what_a_doubt_leaves_of_a_verdict(refuses: str, status: str, kept: str) -> None:
    told = (reason("no-change"),) if status == "none" else ()
    before = Verdict(status, told, (remark("frames-lost"),), None, (1.0, 1.5))
    after = with_doubt(before, ClockDoubt(reason("clocks-apart"), refuses))
    assert after.status == kept
    said = after.remarks if kept != "none" else after.reasons
    assert said[0 if refuses == "result" else -1].code == "clocks-apart"
    assert remark("frames-lost") in after.remarks
    assert after.bracket_ml == (None if kept == "none" else (1.0, 1.5))
    assert set(told) <= set(after.reasons)
    assert with_doubt(before, ClockDoubt()) is before


def _log(name: str, shift_s: float) -> str:
    """Log of a sample with other times."""
    head, *rows = (SAMPLES / f"{name}-volumes.csv").read_text("utf-8").split()
    moved = [f"{float(row.split(',')[0]) + shift_s:.2f},{row.split(',')[1]}" for row in rows]
    return "\n".join([head, *moved, ""])


class Film(Protocol):
    """Writes the record of a sample film with another log, or more in its delivery."""

    def __call__(self, name: str, log: str, more: str = "") -> Path: ...


def _with_log(folder: Path, record: Path, log: str, more: str = "") -> Path:
    video = record.with_suffix(".mp4")
    (folder / f"{record.stem}-volumes.csv").write_text(log)
    text = record.read_text("utf-8").replace(video.name, str(video))
    other = folder / record.name
    other.write_text(text.replace('mode = "steps"', f'mode = "steps"\n{more}'))
    return other


@pytest.fixture
def film(tmp_path: Path) -> Film:
    return lambda name, log, more="": _with_log(tmp_path, record_of(f"small-{name}"), log, more)


def _truth_ml(name: str) -> float:
    truth = json.loads((SAMPLES / f"{name}.truth.json").read_text("utf-8"))
    return float(truth["equivalence_ml"])


def _codes(result: Result) -> set[str]:
    return {sentence.code for sentence in (*result.reasons, *result.remarks)}


@pytest.fixture(scope="module")
def stated(tmp_path_factory: pytest.TempPathFactory) -> Result:
    """A log that lies 100 s late, and says so."""
    log, folder = _log("chalk-spring", 100.0), tmp_path_factory.mktemp("stated")
    record = record_of("small-chalk-spring")
    return endpoint.analyse(_with_log(folder, record, log, "clock_offset_s = -100"))


@pytest.mark.parametrize(
    ("name", "shift_s", "then_stated"),
    [
        ("mill-spring", -62.0, True),
        ("chalk-spring", 100.0, False),
        ("chalk-spring", -9.0, False),
    ],
)
def test_a_difference_that_nobody_stated_is_found_and_told(
    film: Film, name: str, shift_s: float, then_stated: bool
) -> None:
    """The log begins long before the film, ends long after it, or lies wrong within it."""
    log = _log(name, shift_s)
    result = endpoint.analyse(film(name, log))
    assert result.status == "located"
    assert result.equivalence is not None
    assert result.equivalence.low_ml < _truth_ml(name) < result.equivalence.high_ml
    (told,) = [one for one in result.remarks if one.code == "clock-found"]
    offset_s = float(told.text.split("moved by ")[1].split(" s")[0])
    assert offset_s == pytest.approx(-shift_s, abs=3.0)
    if not then_stated:
        return
    agreed = endpoint.analyse(film(name, log, f"clock_offset_s = {offset_s}"))
    assert agreed.status == "located"
    assert agreed.equivalence is not None
    assert agreed.equivalence.low_ml < _truth_ml(name) < agreed.equivalence.high_ml
    assert document(agreed, {})["inputs"]["clock"] == {"offset_s": offset_s, "basis": "stated"}


def test_a_log_that_ends_before_the_film_gives_no_bracket(film: Film) -> None:
    """The rest was not written down; it would look as if the last row had changed the colour."""
    head, *rows = _log("chalk-spring", 0.0).split()
    kept = [row for row in rows if float(row.split(",")[1]) < _truth_ml("chalk-spring") - 0.5]
    result = endpoint.analyse(film("chalk-spring", "\n".join([head, *kept])))
    assert result.status == "none"
    assert result.verdict.bracket_ml is None


def test_additions_in_one_row_do_not_hinder(film: Film) -> None:
    """Whoever pours 12 mL in six portions may well write down the sum."""
    head, *rows = _log("mill-spring", 0.0).split()
    log = "\n".join([head, rows[0], *rows[6:]])
    result = endpoint.analyse(film("mill-spring", log))
    assert result.equivalence is not None
    assert result.equivalence.low_ml < _truth_ml("mill-spring") < result.equivalence.high_ml


def test_the_order_of_a_log_counts_more_than_its_times(film: Film) -> None:
    """The pauses are as long as they were, but in the wrong order."""
    head, *rows = _log("chalk-spring", 0.0).split()
    at_s, volumes = zip(*(row.split(",") for row in rows), strict=True)
    other_s = np.cumsum(np.r_[0.0, np.diff(np.array(at_s, dtype=float))[::-1]])
    log = [f"{t:.2f},{volume}" for t, volume in zip(other_s, volumes, strict=True)]
    result = endpoint.analyse(film("chalk-spring", "\n".join([head, *log])))
    assert result.equivalence is not None
    assert result.equivalence.low_ml < _truth_ml("chalk-spring") < result.equivalence.high_ml


def test_a_stated_difference_brings_both_together(stated: Result) -> None:
    there = endpoint.analyse(record_of("small-chalk-spring")).equivalence
    assert stated.equivalence is not None
    assert there is not None
    assert stated.job.clock == LogClock(-100.0, "stated")
    assert not {code for code in _codes(stated) if code.startswith("clock")}
    # A frame at the edge of a pause may fall to the other side of it by rounding.
    assert stated.equivalence.value_ml == pytest.approx(there.value_ml, abs=0.001)


def test_a_stated_difference_that_is_wrong_costs_width(film: Film, stated: Result) -> None:
    log, right = _log("chalk-spring", 0.0), stated.equivalence
    result = endpoint.analyse(film("chalk-spring", log, "clock_offset_s = -9"))
    assert result.job.clock == LogClock(-9.0, "stated")
    assert right is not None
    assert result.equivalence is not None
    assert result.equivalence.low_ml < _truth_ml("chalk-spring") < result.equivalence.high_ml
    assert result.equivalence.standard_uncertainty_ml > 2.0 * right.standard_uncertainty_ml


@pytest.mark.parametrize("shift_s", [20, 75])
def test_a_stated_difference_that_leaves_the_film_is_refused(film: Film, shift_s: int) -> None:
    more = f"clock_offset_s = {shift_s}"
    with pytest.raises(DeliveryProblem, match="recording ends") as asked:
        endpoint.analyse(film("mill-spring", _log("mill-spring", 0.0), more))
    assert "clock_offset_s" in asked.value.remedy


def test_first_drops_before_the_camera_ran_do_not_matter_if_the_colours_agree(film: Film) -> None:
    head, *rows = _log("mill-spring", 0.0).split()
    later = [f"{row.split(',')[0]},{float(row.split(',')[1]) + 0.06:.3f}" for row in rows]
    early = ["-20,0.00", "-15,0.03", "-10,0.06"]
    log = "\n".join([head, *early, *later])
    result = endpoint.analyse(film("mill-spring", log))
    assert result.status == "located"
    assert result.job.clock == LogClock()
    assert not {code for code in _codes(result) if code.startswith("clock")}


def test_where_rows_cannot_be_aligned_their_times_decide() -> None:
    at_s = np.array([-40.0, -30.0, -20.0, 10.0, 20.0, 30.0])
    log = Delivery("steps", at_s, np.arange(6.0))
    for last_s, refuses in ((100.0, "bracket"), (25.0, "result")):
        doubt = doubt_of_clock(log, LogClock(), last_s)
        assert doubt == ClockDoubt(reason("clocks-apart"), refuses)
    assert doubt_of_clock(log, LogClock(3.0, "stated"), 100.0).refuses == ""
    within = Delivery("steps", at_s + 50.0, np.arange(6.0))
    assert doubt_of_clock(within, LogClock(), 100.0) == ClockDoubt()


def _coloured(blue_from_s: float) -> ColourTrace:
    time_s = np.arange(0.0, 100.0, 0.2)
    density = np.outer(time_s >= blue_from_s, [0.4, -0.2, -0.1]) + np.array([0.2, 0.6, 0.5])
    return seen_colours(time_s, density, np.full(time_s.size, 0.01))


@pytest.mark.parametrize("mode", ["steps", "continuous"])
@pytest.mark.parametrize(
    ("end_s", "blue_from_s", "goes_on"),
    [(50.0, 52.0, False), (50.0, 70.0, True), (50.0, 40.0, False), (90.0, 99.0, False)],
)
def test_colour_that_changes_after_the_last_row(
    mode: str, end_s: float, blue_from_s: float, goes_on: bool
) -> None:
    log = Delivery(mode, np.array([0.0, 5.0, end_s]), np.array([0.0, 1.0, 2.0]))
    assert changes_after_the_end(_coloured(blue_from_s), log) == goes_on


def test_the_look_after_the_last_row() -> None:
    log = Delivery("steps", np.array([0.0, 5.0, 50.0, 60.0]), np.array([0.0, 1.0, 2.0, 2.0]))
    assert after_the_end(log, 0.0, 100.0) == (58.0, 62.0)
    assert after_the_end(log, 0.0, 65.0) is None
    assert after_the_end(Delivery.at_constant_rate(4.0), 0.0, 100.0) is None
