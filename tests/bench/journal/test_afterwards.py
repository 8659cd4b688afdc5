"""A run beyond its finish, what a newer program may write, refills, and pumps that are held."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calibration.quantity import Quantity
from calibration.ware.burette import CalibratedBurette, calibrated_burette_volume
from endpoint.bench.journal.events import (
    Correction,
    Discarded,
    Event,
    Finding,
    Incident,
    Kept,
    PumpRate,
    Reading,
    RunHead,
    Stamp,
    Still,
    Undo,
    Unknown,
    WentOn,
)
from endpoint.bench.journal.export import export
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.pump import Pump
from endpoint.bench.journal.readings import Typed, last_act, readings_of
from endpoint.bench.journal.reconstruct import as_pauses, as_streams, colours_of, delivered
from endpoint.bench.journal.run_record import result_of
from endpoint.problems import Flag
from endpoint.recording.volume_log import read_log
from endpoint.result.document import document
from endpoint.result.kept import read_kept
from tests.command import located
from tests.command import run as run_command
from tests.live_titration import RECORD, Titration, head, pumped, stepwise

FRAME_S = 0.5
DONE = Finding("located", {"status": "located"})


def keep(journal: RunJournal, titration: Titration, events: list[Event], run_of: RunHead) -> int:
    run = journal.begin(run_of)
    for event in events:
        journal.append(run, event)
    for sample in titration.samples(0.0, titration.end_s, FRAME_S):
        journal.append(run, sample)
    return run


def statuses(journal: RunJournal) -> list[str]:
    return [entry.status for entry in journal.runs()]


def test_a_finished_run_may_go_on_be_discarded_and_be_taken_back(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    with RunJournal.open(path) as journal:
        run = journal.begin(head())
        assert statuses(journal) == ["unfinished"]
        journal.append(run, DONE)
        assert statuses(journal) == ["located"]
        journal.append(run, WentOn(100.0))
        assert statuses(journal) == ["unfinished"]
        journal.append(run, Finding("bracketed", {"status": "bracketed"}))
        discard = journal.append(run, Discarded("spilt"))
        assert statuses(journal) == ["discarded"]
        (entry,) = journal.runs()
        assert (entry.finished, entry.has_result, entry.had_result) == (True, False, True)
        back = journal.append(run, Undo(discard))
        assert statuses(journal) == ["bracketed"]
        journal.append(run, Undo(back))
        count = len(journal.events(run))
    listed = run_command("runs", "--journal", path)
    assert "discarded" in listed.output
    # Nothing of it is gone.
    with RunJournal.open(path, writing=False) as journal:
        assert len(journal.events(run)) == count == 7


@pytest.mark.usefixtures("undrawn")
def test_what_a_newer_program_writes_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    titration = stepwise()
    log = titration.delivery
    pairs = zip(log.time_s.tolist(), log.volume_ml.tolist(), strict=True)
    with RunJournal.open(path) as journal:
        keep(journal, titration, [Reading(t, ml) for t, ml in pairs], head())
        journal.flush()
        before = document(result_of(journal.events(1)), {})["equivalence_ml"]
    with closing(sqlite3.connect(path)) as db:
        db.execute(
            "INSERT INTO events VALUES (100000, 1, 'stirrer', 0, 0, '{\"rpm\": 300}', ?)", (b"x",)
        )
        db.commit()
    with RunJournal.open(path) as journal:
        events = journal.events(1)
        assert events[-1].event == Unknown("stirrer", '{"rpm": 300}', b"x")
        assert document(result_of(events), {})["equivalence_ml"] == before
        assert statuses(journal) == ["unfinished"]
        assert journal.append(1, Reading(1e4, 30.0)) == 100001
        export(journal, 1, tmp_path / "out")
    told = json.loads((tmp_path / "out" / "events.json").read_text("utf-8"))
    assert told[-2]["kind"] == "stirrer"


def numbered(*events: Event) -> list[Typed]:
    return [Typed(k, event) for k, event in enumerate(events, 1)]


def test_undo_takes_back_what_was_done_last() -> None:
    """After a correction it is the correction, not the reading; the start is never taken back."""
    events = numbered(Reading(0.0, 0.0), Reading(5.0, 2.0), Reading(9.0, 4.0), Correction(2, 2.2))
    taken: list[int] = []
    for number in (5, 6, 7):
        act = last_act(events)
        assert act is not None
        taken.append(act[0])
        events.append(Typed(number, Undo(act[0])))
    assert taken == [4, 3, 2]
    assert last_act(events) is None
    assert [r.burette_ml for r in readings_of(events)] == [0.0]
    # The correction of a reading that is gone is passed over.
    gone = numbered(Reading(0.0, 0.0), Reading(5.0, 2.0), Correction(2, 2.2), Undo(2))
    assert last_act(gone) is None


def test_pictures_after_the_finish_do_not_count(tmp_path: Path) -> None:
    samples = list(stepwise().samples(0.0, 20.0, 1.0))
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = journal.begin(head())
        for k, sample in enumerate(samples):
            if k == 8:
                journal.append(run, Incident("finish", "{}"))
            if k == 10:
                journal.append(run, DONE)
            if k == 14:
                journal.append(run, WentOn(14.0))
            journal.append(run, sample)
        times = [sample.time_s for sample in colours_of(journal.events(run))]
        assert times == [s.time_s for s in (*samples[:8], *samples[14:])]
        # A finish that failed ends nothing.
        other = journal.begin(head())
        journal.append(other, Incident("finish", "{}"))
        for sample in samples:
            journal.append(other, sample)
        assert len(colours_of(journal.events(other))) == len(samples)


# Refills.


def refilled(titration: Titration, start_ml: float, at_ml: float, after_ml: float) -> list[Event]:
    """Readings of a burette that is filled again as soon as it has given `at_ml`."""
    events: list[Event] = []
    shift, filled = start_ml, False
    log = titration.delivery
    for time_s, ml in zip(log.time_s.tolist(), log.volume_ml.tolist(), strict=True):
        events.append(Reading(time_s, round(ml + shift, 2)))
        if ml >= at_ml and not filled:
            events.append(Reading(time_s + 1.0, after_ml, refill=True))
            shift, filled = after_ml - ml, True
    return events


def reading_names(budget: Quantity) -> list[str]:
    return [name for name in budget.contributions if ": reading" in name]


@pytest.mark.usefixtures("undrawn")
def test_volume_goes_on_over_a_refill_and_each_of_its_readings_errs(tmp_path: Path) -> None:
    titration = stepwise()
    log = titration.delivery
    pairs = zip(log.time_s.tolist(), log.volume_ml.tolist(), strict=True)
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        keep(journal, titration, [Reading(t, ml) for t, ml in pairs], head())
        keep(journal, titration, refilled(titration, 1.30, 12.0, 0.40), head())
        plain, twice = (result_of(journal.events(run)) for run in (1, 2))
        export(journal, 2, tmp_path / "out")
    assert plain.equivalence is not None
    assert twice.equivalence is not None
    assert twice.equivalence.value_ml == pytest.approx(plain.equivalence.value_ml, abs=1e-3)
    once, more = plain.equivalence_quantity, twice.equivalence_quantity
    assert once is not None
    assert more is not None
    assert (len(reading_names(once)), len(reading_names(more))) == (2, 4)
    u_once, u_more = (
        sum(q.contributions[n].value ** 2 for n in reading_names(q)) for q in (once, more)
    )
    assert u_more == pytest.approx(2.0 * u_once)
    # The record folder says the same, with readings as they were read.
    rows = list(csv.DictReader((tmp_path / "out" / "volumes.csv").read_text("utf-8").splitlines()))
    assert [row["volume_ml"] for row in rows if row["refill"] == "yes"] == ["0.4"]
    (refill,) = read_log(tmp_path / "out" / "volumes.csv").refills
    assert refill.reading_ml == 0.4
    again = located(tmp_path / "out" / "record.toml")
    assert again["equivalence_ml"] == document(twice, {})["equivalence_ml"]
    assert again["quantities"] == document(twice, {})["quantities"]


def test_a_refill_beyond_the_end_adds_nothing(tmp_path: Path) -> None:
    titration = stepwise()
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        keep(journal, titration, refilled(titration, 0.0, 25.2, 0.0), head())
        result = result_of(journal.events(1))
    assert result.equivalence_quantity is not None
    assert len(reading_names(result.equivalence_quantity)) == 2


def test_a_calibrated_burette_is_corrected_fill_by_fill() -> None:
    marks = (10.0, 20.0, 30.0)
    corrections = tuple(Quantity(v, "mL") for v in (0.03, 0.02, -0.04))
    burette = CalibratedBurette(
        "burette B9", "b-9", 30.0, 0.1, "borosilicate 3.3", marks, corrections
    )
    got = calibrated_burette_volume(
        burette, 25.0, start_ml=10.0, refills=[(10.0, 10.0)], reading_limit_ml=0.0
    )
    # 10 to 20 mL, filled again, 10 to 25 mL: -0.01 and (-0.01 - 0.03) mL.
    assert got.value == pytest.approx(25.0 - 0.01 - 0.04, abs=1e-9)
    usual = calibrated_burette_volume(burette, 50.0, fills=2, reading_limit_ml=0.0)
    same = calibrated_burette_volume(burette, 50.0, refills=[(30.0, 0.0)], reading_limit_ml=0.0)
    assert usual.value == pytest.approx(same.value)


# Readings that are typed late.


def test_a_reading_that_is_typed_late_stands_where_its_plume_ended() -> None:
    calm = list(stepwise().samples(0.0, 40.0, 0.25))
    plume = (20.0, 21.5)
    samples = [
        replace(s, spread=0.12) if plume[0] <= s.time_s < plume[1] else replace(s, spread=0.01)
        for s in calm
    ]
    readings = numbered(Reading(0.0, 0.0), Reading(26.0, 2.0), Reading(39.0, 2.0))
    kept = [Kept(k.number, 1, Stamp(0.0, 0.0), k.event) for k in readings]
    colours, done = as_pauses(samples, delivered(kept))
    assert done.log is not None
    assert done.log.time_s is not None
    assert done.log.time_s[1] == pytest.approx(plume[1], abs=0.6)
    assert done.log.time_s[[0, 2]].tolist() == [0.0, 39.0]
    mixing = [c.time_s for c in colours if c.flags & Flag.MIXING]
    assert mixing[0] == pytest.approx(plume[0], abs=0.6)
    assert mixing[-1] == pytest.approx(plume[1], abs=0.6)


def test_between_asking_and_typing_no_volume_is_known() -> None:
    """A drop makes no plume: frames from half a second after the asking on may hold it or not."""
    samples = [replace(s, spread=0.01) for s in stepwise().samples(0.0, 40.0, 0.25)]
    readings = numbered(
        Reading(0.0, 0.0), Reading(26.0, 2.0, asked_s=19.5), Reading(39.0, 2.05, asked_s=31.5)
    )
    kept = [Kept(k.number, 1, Stamp(0.0, 0.0), k.event) for k in readings]
    colours, done = as_pauses(samples, delivered(kept))
    mixing = np.array([bool(c.flags & Flag.MIXING) for c in colours])
    time_s = np.array([c.time_s for c in colours])
    unknown = ((time_s > 20.0) & (time_s <= 26.0)) | ((time_s > 32.0) & (time_s <= 39.0))
    assert mixing.tolist() == unknown.tolist()
    assert done.log is not None
    assert done.log.time_s is not None
    assert done.log.time_s.tolist() == [0.0, 23.0, 35.5]


def test_a_stream_runs_in_from_the_asking_to_the_word_to_close_the_tap() -> None:
    samples = [replace(s, spread=0.01) for s in stepwise().samples(0.0, 80.0, 0.25)]
    readings = numbered(
        Reading(0.0, 0.0),
        Reading(50.0, 4.0, asked_s=5.0, closed_s=45.0),
        Reading(60.0, 4.06, asked_s=53.0),
        Reading(70.0, 4.56, asked_s=63.0, closed_s=64.0),
    )
    kept = [Kept(k.number, 1, Stamp(0.0, 0.0), k.event) for k in readings]
    streams = as_streams(samples, delivered(kept))
    assert streams is not None
    colours, done = streams
    assert done.mode == "continuous"
    assert done.log is not None
    assert done.log.sigma_ml is not None
    # A second for a hand on the way to the tap.
    assert done.delivery.volume_at([5.9, 46.3]).tolist() == pytest.approx([0.0, 4.0], abs=0.01)
    assert float(done.delivery.volume_at(26.0)) == pytest.approx(2.0, abs=0.05)
    # What runs in evenly by hand is known to half a second of it; what was read, to a reading.
    assert done.log.sigma_ml[2] == pytest.approx(0.05, abs=0.01)
    # An end just beyond a stream leans on what the stream showed; farther on, on the readings.
    assert done.log.sigma_ml[4] == pytest.approx(0.05, abs=0.01)
    assert done.log.sigma_ml[6] == pytest.approx(0.0082, abs=0.0002)
    mixing = [c.time_s for c in colours if c.flags & Flag.MIXING]
    assert min(mixing) > 53.0
    drops = [Kept(k.number, 1, Stamp(0.0, 0.0), k.event) for k in numbered(
        Reading(0.0, 0.0), Reading(50.0, 0.05, asked_s=45.0)
    )]  # fmt: skip
    assert as_streams(samples, delivered(drops)) is None


# Pumps.


@pytest.mark.usefixtures("undrawn")
def test_a_pump_that_is_held_and_slowed_gives_the_same_from_its_record(tmp_path: Path) -> None:
    titration = pumped()
    half = {**RECORD, "delivery": {"mode": "continuous", "mixing_lag_s": 1.5}}
    events: list[Event] = [PumpRate(5.0, 4.0), PumpRate(330.0, 0.0), PumpRate(340.0, 2.0)]
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = journal.begin(head(**half))
        for event in events:
            journal.append(run, event)
        line = Pump(4.0, tuple(journal.events(run))).delivery()
        slowed = Titration(line, titration.equivalence_ml, 480.0)
        for sample in slowed.samples(0.0, slowed.end_s, FRAME_S):
            journal.append(run, sample)
        live = result_of(journal.events(run))
        export(journal, run, tmp_path / "out")
    assert live.equivalence is not None
    assert live.equivalence.value_ml == pytest.approx(25.0, abs=0.1)
    again = located(tmp_path / "out" / "record.toml")
    assert again["equivalence_ml"] == document(live, {})["equivalence_ml"]


def test_each_switch_of_a_pump_errs_by_itself() -> None:
    def starts(*rates: PumpRate) -> float:
        kept = numbered(*rates)
        return delivered([Kept(k.number, 1, Stamp(0.0, 0.0), k.event) for k in kept]).starts

    assert starts(PumpRate(5.0, 3.0)) == 1.0
    assert starts(PumpRate(5.0, 3.0), PumpRate(9.0, 0.0)) == 1.0
    # Held and started again: three switches of the same size.
    held = starts(PumpRate(5.0, 3.0), PumpRate(9.0, 0.0), PumpRate(20.0, 3.0))
    assert held == pytest.approx(3.0**0.5)
    # Slowed to a third: 3 and 2 mL/min, told as time at 1 mL/min.
    assert starts(PumpRate(5.0, 3.0), PumpRate(9.0, 1.0)) == pytest.approx(13.0**0.5)


# The report of an export.


def test_report_of_an_export_tells_of_camera_curve_and_pictures(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    Image.fromarray(np.full((48, 64, 3), 120, dtype=np.uint8)).save(buffer, "JPEG")
    titration = stepwise()
    log = titration.delivery
    rows: list[Event] = []
    for time_s, ml in zip(log.time_s.tolist(), log.volume_ml.tolist(), strict=True):
        rows += [Reading(time_s, ml), Still(time_s + 3.0, buffer.getvalue())]
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        keep(journal, titration, rows, head())
        made = export(journal, 1, tmp_path / "out")
    assert made.result is not None
    assert len(made.result.pictures) == log.time_s.size
    kept = read_kept(tmp_path / "out")
    assert kept.curve is not None
    page = (tmp_path / "out" / "report.html").read_text("utf-8")
    assert "pictures of a camera, measured live at the bench" in page
    assert "photometer" not in page
    assert "No curve is drawn" not in page
    assert (tmp_path / "out" / "pictures" / "index.csv").is_file()
