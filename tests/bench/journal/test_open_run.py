"""The run that is open at the bench: what is taken is kept, what is not kept is refused."""

from __future__ import annotations

import datetime
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from endpoint.bench.journal import writer
from endpoint.bench.journal.events import (
    Correction,
    Finding,
    Incident,
    PumpRate,
    Reading,
    Resumed,
    RunHead,
    Stamp,
    Undo,
    VolumeSeen,
)
from endpoint.bench.journal.export import export
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.journal.readings import readings_of
from endpoint.bench.journal.reconstruct import delivered
from endpoint.burette.burette_rows import BuretteRows
from endpoint.colour.density import ColourSample
from endpoint.problems import JournalProblem
from endpoint.recording.frame import Box
from endpoint.scene.region import Region
from tests.bench.journal.test_journal import full_disk
from tests.kept_runs import result_in
from tests.live_titration import RECORD, Titration, pumped, stepwise

TODAY = datetime.date(2026, 11, 20)
BY_HAND = {**RECORD, "recording": {"video": "recording.mp4"}}
PUMP = {**BY_HAND, "delivery": {"rate_ml_min": 4.0, "mixing_lag_s": 1.5}}


def colours(run: OpenRun, titration: Titration, start_s: float, stop_s: float) -> None:
    for sample in titration.samples(start_s, stop_s, 0.5):
        run.colour(sample)


def test_a_run_by_hand_is_kept_broken_off_and_resumed(tmp_path: Path) -> None:
    titration = stepwise()
    log = titration.delivery
    rows = list(zip(log.time_s.tolist(), log.volume_ml.tolist(), strict=True))
    half = len(rows) // 2
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY, source="camera")
        run.begin(run.head_for(BY_HAND, {"first_reading_ml": 1.3}))
        run.append(Reading(0.0, 1.3))
        numbers = [run.append(Reading(time_s, ml + 1.3)) for time_s, ml in rows[1:half]]
        wrong = run.append(Reading(rows[half][0] - 5.0, 48.0))
        run.append(Undo(wrong))
        run.append(Correction(numbers[1], 6.0))
        run.append(Correction(numbers[1], rows[2][1] + 1.3))
        colours(run, titration, 0.0, rows[half][0])
        run.note("clock", {"time_s": 3.0, "jump_s": 3600.0})
        run.verdict({"time_s": 3.0, "status": "none"})
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        (entry,) = run.unfinished()
        assert entry.run == 1
        assert entry.head.form == {"first_reading_ml": 1.3}
        assert entry.head.record["sample"]["label"] == RECORD["sample"]["label"]
        back = run.resume(entry.run)
        said = [kept.event for kept in back]
        count = sum(isinstance(event, ColourSample) for event in said)
        assert 100 < count < entry.events
        readings = readings_of(back)
        assert [r.burette_ml for r in readings] == pytest.approx(
            [ml + 1.3 for _, ml in rows[:half]]
        )
        assert Incident("clock", '{"time_s": 3.0, "jump_s": 3600.0}', 3600.0) in said
        assert Finding("none", {"time_s": 3.0, "status": "none"}, final=False) in said
        assert isinstance(said[-1], Resumed)
        # Old readings can be corrected by their numbers.
        run.append(Correction(readings[1].number, rows[1][1] + 1.3))
        for time_s, ml in rows[half:]:
            run.append(Reading(time_s, ml + 1.3))
        colours(run, titration, rows[half][0], titration.end_s)
        assert len(readings_of(journal.events(1))) == len(rows)
        result = result_in(journal, 1)
        assert result.equivalence is not None
        assert result.equivalence.value_ml == pytest.approx(25.0, abs=0.02)
        run.end({"status": "located", "equivalence_ml": {"value": 25.0}})
        assert run.unfinished() == []
        assert [entry.status for entry in journal.runs()] == ["located"]


def test_times_of_a_resumed_run_are_kept_on_its_own_clock(tmp_path: Path) -> None:
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        run.begin(run.head_for(BY_HAND, {}))
        first = run.append(Reading(5.0, 0.0))
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        run.resume(1)
        run.shift_s = 100.0
        (sample,) = stepwise().samples(7.0, 7.5, 1.0)
        run.append(Reading(6.0, 1.0))
        run.append(Correction(first, 0.1, 2.0))
        run.append(PumpRate(6.5, 0.0))
        run.colour(sample)
        run.note("page", {"time_s": 8.0, "open": False})
        run.verdict({"time_s": 9.0, "status": "none"})
        run.still(10.0, b"\xff\xd8")
        kept = [kept.event for kept in journal.events(1)][-7:]
        run.begin(run.head_for(BY_HAND, {}))
        run.append(Reading(6.0, 1.0))
        assert journal.events(2)[-1].event == Reading(6.0, 1.0)
    times = [getattr(event, "time_s", None) for event in kept]
    assert times == [106.0, 102.0, 106.5, 107.0, None, None, 110.0]
    incident, finding = kept[4:6]
    assert incident == Incident("page", '{"time_s": 108.0, "open": false}')
    assert finding == Finding("none", {"time_s": 109.0, "status": "none"}, final=False)


@pytest.mark.usefixtures("undrawn")
def test_a_pump_that_is_stopped_is_exported(tmp_path: Path) -> None:
    titration = pumped()
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        run.begin(run.head_for(PUMP, {}))
        run.note("begin", {"time_s": 0.0})
        run.append(PumpRate(5.0, 4.0))
        colours(run, titration, 0.0, titration.end_s)
        run.append(PumpRate(titration.end_s, 0.0))
        done = delivered(journal.events(1))
        assert done.delivery.volume_at([titration.end_s])[0] == pytest.approx(26.2)
        made = export(journal, 1, tmp_path / "out")
        assert made.result is not None
        assert made.result.equivalence is not None
        assert made.result.equivalence.value_ml == pytest.approx(25.0, abs=0.1)


def test_replicates_of_one_sample_are_numbered(tmp_path: Path) -> None:
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        ends: list[dict[str, Any] | None] = [{"status": "located"}, None, {"status": "none"}]
        for end in ends:
            run.begin(run.head_for(BY_HAND, {}))
            run.end(end)
        run.begin(run.head_for(BY_HAND, {}))
        heads: list[RunHead] = [entry.head for entry in journal.runs()]
    assert [head.replicate for head in heads] == [1, 2, 2, 3]


def test_region_and_pictures_go_with_the_run(tmp_path: Path) -> None:
    region = Region(
        width=8,
        height=6,
        liquid_box=Box(1, 1, 4, 3),
        liquid_mask=np.ones((2, 3), dtype=bool),
        reference_box=Box(5, 0, 7, 2),
        reference_mask=np.ones((2, 2), dtype=bool),
        liquid_by_hand=True,
        reference_by_hand=False,
        confidence=0.5,
        change=0.25,
        liquid_outline=((1, 1), (4, 3)),
        level=0.5,
    )
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        assert not run.wants_still(0.0)
        run.begin(run.head_for(BY_HAND, {}))
        assert run.kept_region() is None
        run.region(region)
        assert run.wants_still(0.0)
        run.still(0.0, b"\xff\xd8")
        assert not run.wants_still(0.5)
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        run.resume(1)
        back = run.kept_region()
        assert back is not None
        assert (back.liquid_box, back.reference_box) == (region.liquid_box, region.reference_box)
        assert np.array_equal(back.liquid_mask, region.liquid_mask)
        assert (back.guide, back.scene, back.level) == (None, None, 0.5)
        assert not run.wants_still(0.5)


def test_a_run_begins_on_a_full_disk_and_is_written_later(tmp_path: Path) -> None:
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        full_disk(journal, True)
        run.begin(run.head_for(BY_HAND, {"label": "x" * 9000}))
        run.append(Reading(0.0, 0.0))
        run.append(Reading(5.0, 2.0))
        run.flush()
        assert run.trouble is not None
        assert "disk is full" in run.trouble
        assert len(journal.events(1)) == 3
        full_disk(journal, False)
        run.flush()
        assert run.trouble is None
        run.verdict({"status": "none", "left_ml": float("nan")})
        run.end({"status": "none", "equivalence_ml": np.float64("inf")})
    with RunJournal.open(tmp_path / "j.sqlite", writing=False) as journal:
        assert [entry.status for entry in journal.runs()] == ["none"]
        assert journal.runs()[0].result == {"status": "none", "equivalence_ml": None}
        assert len(journal.events(1)) == 5


def test_a_run_that_ends_on_a_full_disk_is_written_later(tmp_path: Path) -> None:
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        run.begin(run.head_for(BY_HAND, {}))
        journal.flush()
        full_disk(journal, True)
        run.end({"status": "none", "why": "x" * 9000})
        assert run.over
        assert run.trouble is not None
        with RunJournal.open(journal.path, writing=False) as reader:
            assert [entry.status for entry in reader.runs()] == ["unfinished"]
        full_disk(journal, False)
        run.flush()
        with RunJournal.open(journal.path, writing=False) as reader:
            assert [entry.status for entry in reader.runs()] == ["none"]


def test_on_a_full_disk_frames_leave_room_for_what_a_person_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "MOST_WAITING", 100)
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        run.begin(run.head_for(BY_HAND, {}))
        journal.flush()
        full_disk(journal, True)
        run.note("filler", {"text": "x" * 9000})
        run.flush()
        colours(run, stepwise(), 0.0, 400.0)
        assert run.trouble is not None
        taken = sum(kept.number > 2 for kept in journal.events(1))
        assert taken == 89
        for k in range(10):
            run.append(Reading(float(k), 0.1 * k))
        with pytest.raises(JournalProblem, match="disk is full"):
            run.append(Reading(10.0, 1.0))
        full_disk(journal, False)
        run.flush()
        with RunJournal.open(journal.path, writing=False) as reader:
            events = reader.events(1)
    assert len(events) == 2 + 89 + 10
    assert [row.time_s for row in readings_of(events)] == list(range(10))


def test_rows_that_found_no_room_come_with_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        run.begin(run.head_for(BY_HAND, {}))
        rows = np.arange(24.0).reshape(6, 4)
        run.burette_rows(BuretteRows("meniscus", rows[:2]))
        with monkeypatch.context() as patched:
            patched.setattr(journal, "append", no_room)
            run.burette_rows(BuretteRows("meniscus", rows[:4]))
            assert run.trouble == "The disk is full."
        run.flush()
        run.burette_rows(BuretteRows("meniscus", rows))
        events = [k.event for k in journal.events(1) if isinstance(k.event, VolumeSeen)]
        assert [len(event.data) // 32 for event in events] == [2, 4]
        assert b"".join(event.data for event in events) == rows.tobytes()


def no_room(run: int, event: object) -> int:
    raise JournalProblem("The disk is full.", "Make space.")


def damage(path: Path, where: str, body: str) -> None:
    """Change the text of events behind the back of the journal, as a failing disk does."""
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TRIGGER never_changed")
        db.execute(f"UPDATE events SET body = ? WHERE {where}", (body,))
        db.commit()


@pytest.mark.parametrize(
    ("where", "status"),
    [
        ("run = 1 AND kind = 'opened'", "damaged"),
        ("run = 1 AND kind = 'finding'", "damaged"),
        ("run = 1 AND kind = 'incident'", "none"),
    ],
)
@pytest.mark.usefixtures("undrawn")
def test_an_old_run_that_is_damaged_hides_no_other_and_stops_no_new_one(
    tmp_path: Path, where: str, status: str
) -> None:
    path = tmp_path / "j.sqlite"
    with RunJournal.open(path) as journal:
        run = OpenRun(journal, TODAY)
        for _ in range(2):
            run.begin(run.head_for(BY_HAND, {}))
            run.end({"status": "none"})
        journal.append(1, Incident("page-closed", "The page was closed."))
        run.begin(run.head_for(BY_HAND, {}))
    damage(path, where, '{"x": ')
    with RunJournal.open(path) as journal:
        run = OpenRun(journal, TODAY)
        assert [entry.status for entry in journal.runs()] == [status, "none", "unfinished"]
        assert [entry.run for entry in run.unfinished()] == [3]
        run.begin(run.head_for(BY_HAND, {}))
        run.append(Reading(0.0, 0.5))
        run.flush()
        assert run.trouble is None
        with RunJournal.open(path, writing=False) as reader:
            events = reader.events(4)
            assert [kept.event for kept in events[1:]] == [Reading(0.0, 0.5)]
            head = events[0].event
            assert isinstance(head, RunHead)
            assert head.replicate == 1 + [e.has_result for e in reader.runs()].count(True)
        with pytest.raises(JournalProblem, match="is damaged"):
            export(journal, 1, tmp_path / "out")


def test_a_run_with_a_damaged_event_can_be_given_up(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    with RunJournal.open(path) as journal:
        run = OpenRun(journal, TODAY)
        run.begin(run.head_for(BY_HAND, {}))
        run.append(Reading(0.0, 0.5))
    damage(path, "kind = 'reading'", "?")
    with RunJournal.open(path) as journal:
        run = OpenRun(journal, TODAY)
        with pytest.raises(JournalProblem, match=r"Event 2 .*is damaged"):
            run.resume(1)
        assert run.run is None
        run.give_up(1)
        assert run.unfinished() == []
        with pytest.raises(JournalProblem, match="Run 1 is not one"):
            run.give_up(1)


def test_a_run_with_a_damaged_time_is_listed(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    with RunJournal.open(path, clock=lambda: Stamp(0.0, 1e300)) as journal:
        OpenRun(journal, TODAY).begin(OpenRun(journal, TODAY).head_for(BY_HAND, {}))
        journal.flush()
        (entry,) = journal.runs()
        assert (entry.status, entry.opened, entry.has_result) == ("damaged", None, False)


def test_what_cannot_be_done_is_said(tmp_path: Path) -> None:
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = OpenRun(journal, TODAY)
        with pytest.raises(JournalProblem, match="No run is open"):
            run.end(None)
        with pytest.raises(JournalProblem, match="No run is open"):
            run.append(Reading(0.0, 0.0))
        # What the program notices between two runs belongs to none.
        run.note("page", {"time_s": 0.0, "open": False})
        assert journal.runs() == []
        with pytest.raises(JournalProblem, match="Run 7 is not one"):
            run.resume(7)
        run.begin(run.head_for(BY_HAND, {}))
        start = run.append(Reading(0.0, 0.0))
        for other in (start + 1, -1, 99):
            with pytest.raises(JournalProblem, match="cannot be corrected"):
                run.append(Correction(other, 1.0))
        run.end(None)
        with pytest.raises(JournalProblem, match="Run 1 is not one"):
            run.resume(1)
        assert [entry.status for entry in journal.runs()] == ["given-up"]


def test_without_a_journal_all_is_kept_in_memory() -> None:
    run = OpenRun(None, TODAY)
    run.begin(run.head_for(BY_HAND, {}))
    assert run.append(Reading(0.0, 0.0)) != run.append(Reading(1.0, 1.0))
    colours(run, stepwise(), 0.0, 2.0)
    run.flush()
    assert (run.trouble, run.kept_region()) == (None, None)
    assert len(readings_of(run.events())) == 2
    assert [entry.run for entry in run.unfinished()] == [1]
    run.end(None)
    assert run.unfinished() == []
    assert not run.wants_still(0.0)
    run.close()
