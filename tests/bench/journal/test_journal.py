"""The journal of the bench: nothing is lost, nothing is changed, every trouble is said."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from endpoint.bench.journal import journal as journal_module
from endpoint.bench.journal import sqlite_file, writer
from endpoint.bench.journal.events import (
    KINDS,
    Check,
    Correction,
    Discarded,
    Event,
    Finding,
    GivenUp,
    Incident,
    Kept,
    Note,
    PumpRate,
    Reading,
    RegionSeen,
    Resumed,
    Stamp,
    Still,
    TubeSeen,
    Undo,
    VolumeSeen,
    WentOn,
    decode,
    encode,
)
from endpoint.bench.journal.journal import RunJournal, resumption
from endpoint.bench.journal.readings import readings_of
from endpoint.bench.journal.reconstruct import delivered
from endpoint.colour.density import ColourSample
from endpoint.problems import DeliveryProblem, Flag, JournalProblem
from endpoint.scene.tracking import Pose
from tests.live_titration import head
from tests.waiting import wait_for

number = st.floats(allow_nan=False, allow_infinity=False)
triple = st.tuples(number, number, number)
samples = st.builds(
    ColourSample,
    index=st.integers(0, 2**62),
    time_s=number,
    density=triple,
    display_density=triple,
    density_sigma=triple,
    reference=triple,
    spread=number,
    flags=st.sampled_from([Flag.NONE, Flag.DARK | Flag.CAMERA_MOVED, Flag.CLIPPED]),
    pose=st.builds(Pose, number, number, number, number, number),
)
SAMPLE = ColourSample(
    3, 0.1, (0.1, 0.2, 0.3), (0.1,) * 3, (1e-3,) * 3, (0.6,) * 3, 0.01, Flag.NONE, Pose(1.5, -2.0)
)
ONE_OF_EACH: tuple[Event, ...] = (
    head(),
    SAMPLE,
    Check("flask", "good", "The flask was found."),
    Reading(1.5, 3.25, refill=True, how="meniscus"),
    PumpRate(2.0, 4.5),
    Correction(7, 3.2, 1.25),
    Undo(7),
    RegionSeen({"liquid_box": [1, 2, 3, 4]}, b"\x00\xff"),
    TubeSeen({"box": [1, 2, 3, 4], "gap": [5, 6]}, b"\x01\xfe"),
    VolumeSeen("drops", 2.5, {"first_s": 0.5}, b"\x02\xfd"),
    Still(4.0, b"\xff\xd8\x00"),
    Finding("located", {"equivalence_ml": {"value": 13.9}}, final=False),
    GivenUp("The flask fell."),
    WentOn(13.5),
    Discarded("The flask fell."),
    Resumed(12.5, sure=False),
    Incident("clock-jump", "The clock went back by an hour.", -3600.0),
    Note("Zeile\nmit Umlaut: ä \u0001"),
)


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[RunJournal]:
    with RunJournal.open(tmp_path / "journal.sqlite") as journal:
        yield journal


@given(samples)
def test_a_colour_comes_back_to_the_last_bit(sample: ColourSample) -> None:
    assert decode(*encode(sample)) == sample


def test_every_kind_of_event_comes_back_from_the_file(tmp_path: Path) -> None:
    assert {type(event) for event in ONE_OF_EACH} == set(KINDS.values())
    path = tmp_path / "new folder" / "journal.sqlite"
    with RunJournal.open(path) as journal:
        run = journal.begin(head())
        reading = journal.append(run, Reading(0.0, 0.0))
        written = []
        for event in ONE_OF_EACH[1:]:
            event = type(event)(of=reading) if isinstance(event, Undo) else event
            if isinstance(event, Correction):
                event = Correction(reading, event.burette_ml, event.time_s)
            journal.append(run, event)
            written.append(event)
    with RunJournal.open(path, writing=False) as journal:
        kept = journal.events(run)
    assert [k.event for k in kept] == [head(), Reading(0.0, 0.0), *written]
    assert [k.number for k in kept] == sorted(k.number for k in kept)
    assert all(k.stamp.wall_s > 1.7e9 and k.stamp.mono_s > 0 for k in kept)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_no_number_that_is_none_is_kept(opened: RunJournal, value: float) -> None:
    run = opened.begin(head())
    with pytest.raises(ValueError, match="JSON"):
        opened.append(run, Reading(1.0, value))
    assert len(opened.events(run)) == 1


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE events SET body = '{}' WHERE number = 2", "never changed"),
        ("DELETE FROM events WHERE number = 2", "never deleted"),
        ("REPLACE INTO events SELECT 2, run, kind, 0, 0, '', x'' FROM events", "never replaced"),
    ],
)
def test_the_file_refuses_to_change_an_event(tmp_path: Path, statement: str, said: str) -> None:
    path = tmp_path / "journal.sqlite"
    with RunJournal.open(path) as journal:
        journal.append(journal.begin(head()), Reading(1.0, 2.0))
    other = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match=said):
        other.execute(statement)
    other.close()
    with RunJournal.open(path, writing=False) as journal:
        assert journal.events(1)[1].event == Reading(1.0, 2.0)


def test_another_program_reads_while_the_bench_writes(opened: RunJournal) -> None:
    run = opened.begin(head())
    opened.append(run, SAMPLE)
    opened.flush()
    with RunJournal.open(opened.path, writing=False) as reader:
        assert [k.event for k in reader.events(run)] == [head(), SAMPLE]
        assert [entry.status for entry in reader.runs()] == ["unfinished"]
        with pytest.raises(JournalProblem, match="reading only"):
            reader.append(run, SAMPLE)


def test_what_a_person_did_is_written_by_itself(opened: RunJournal) -> None:
    run = opened.begin(head())
    opened.append(run, Reading(1.0, 0.5))
    with RunJournal.open(opened.path, writing=False) as reader:
        wait_for(lambda: len(reader.events(run)) == 2, "the second event")
    opened.append(run, SAMPLE)
    with RunJournal.open(opened.path, writing=False) as reader:
        wait_for(lambda: len(reader.events(run)) == 3, "the third event")


def test_waiting_in_vain_ends() -> None:
    with pytest.raises(AssertionError, match="in vain: nothing"):
        wait_for(lambda: False, "nothing", 0.05)


def test_runs_in_the_list(opened: RunJournal) -> None:
    for event in (
        Finding("located", {"equivalence_ml": {"value": 13.9}}),
        GivenUp("spilled"),
        Finding("located", {}, final=False),
        Note("nothing yet"),
    ):
        run = opened.begin(head())
        opened.append(run, Finding("none", {}, final=False))
        opened.append(run, event)
    told = [(entry.run, entry.status, entry.finished) for entry in opened.runs()]
    assert told == [
        (1, "located", True),
        (2, "given-up", True),
        (3, "unfinished", False),
        (4, "unfinished", False),
    ]
    assert [entry.run for entry in opened.unfinished()] == [3, 4]
    assert opened.runs()[0].result == {"equivalence_ml": {"value": 13.9}}


def test_a_correction_refers_to_a_reading_of_its_run(opened: RunJournal) -> None:
    one, two = opened.begin(head()), opened.begin(head())
    reading = opened.append(one, Reading(1.0, 0.5))
    note = opened.append(one, Note("x"))
    undo = opened.append(one, Undo(reading))
    opened.append(one, Undo(undo))
    opened.append(one, Correction(reading, 0.4))
    before = len(opened.events(one)) + len(opened.events(two))
    for run, event in (
        (one, Correction(note, 1.0)),
        (one, Correction(undo, 1.0)),
        (one, Undo(note)),
        (one, Undo(999)),
        (two, Undo(reading)),
        (two, Correction(reading, 1.0)),
    ):
        with pytest.raises(JournalProblem, match=r"cannot be (corrected|undone)"):
            opened.append(run, event)
    assert len(opened.events(one)) + len(opened.events(two)) == before
    with pytest.raises(JournalProblem, match="no run 3"):
        opened.append(3, Note("x"))
    with pytest.raises(JournalProblem, match="no run 3"):
        opened.events(3)


def test_after_a_restart_old_readings_can_still_be_corrected(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with RunJournal.open(path) as journal:
        run = journal.begin(head())
        reading = journal.append(run, Reading(1.0, 0.5))
    with RunJournal.open(path) as journal:
        later = journal.append(run, Correction(reading, 0.4))
        assert later > reading
        assert journal.begin(head()) == run + 1
        assert [r.burette_ml for r in readings_of(journal.events(run))] == [0.4]


def test_pictures_are_few_and_bounded(opened: RunJournal, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_module, "MOST_STILL_BYTES", 100_000)
    run = opened.begin(head())
    for k in range(3000):
        time_s = 0.25 * k
        wanted = opened.wants_still(run, time_s)
        took = opened.append(run, Still(time_s, bytes(1000))) > 0
        assert not took or wanted
    times = [k.event.time_s for k in opened.events(run, ["still"]) if isinstance(k.event, Still)]
    gaps = np.diff(times)
    assert gaps.min() >= 1.0
    assert gaps[-5:].min() > 4.0
    # The room left shrinks with each, so 100 of them last for 100 times 1 + 1/2 + ... + 1/100.
    assert 95 < len(times) <= 100
    assert 500.0 < times[-1] < 530.0
    assert opened.append(run, Still(1e6, bytes(journal_module._MOST_STILL + 1))) == 0


def test_pictures_are_counted_after_a_restart(tmp_path: Path) -> None:
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = journal.begin(head())
        journal.append(run, Still(10.0, bytes(1000)))
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        assert not journal.wants_still(run, 10.5)
        assert journal.append(run, Still(10.5, bytes(1000))) == 0
        assert journal.append(run, Still(11.5, bytes(1000))) > 0


def full_disk(journal: RunJournal, full: bool) -> None:
    """Let SQLite meet the end of the disk: it takes no page more, or as many as it likes."""
    pages = journal._file._db.execute("PRAGMA page_count").fetchone()[0]
    journal._file._db.execute(f"PRAGMA max_page_count = {pages if full else 1_000_000}")


def test_a_full_disk_is_said_at_once_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.02)
    told: list[JournalProblem | None] = []
    with RunJournal.open(tmp_path / "j.sqlite", on_problem=told.append) as journal:
        run = journal.begin(head())
        early = journal.append(run, Reading(0.0, 0.0))
        journal.flush()
        full_disk(journal, True)
        journal.append(run, Still(0.0, bytes(100_000)))
        for k in range(200):
            journal.append(run, Reading(float(k + 1), 0.1 * k))
        wait_for(lambda: journal.problem is not None, "the journal says what is wrong")
        with pytest.raises(JournalProblem, match=r"disk is full.*Free some space"):
            journal.flush()
        with pytest.raises(JournalProblem, match="disk is full"):
            journal.begin(head())
        with RunJournal.open(tmp_path / "j.sqlite", writing=False) as reader:
            assert early in [kept.number for kept in reader.events(run)]
            there = len(reader.events(run))
        assert there < 202
        # What waits in memory counts too, but for the picture.
        assert len(journal.events(run)) == 202
        assert not journal.events(run, ["still"])
        full_disk(journal, False)
        wait_for(lambda: journal.problem is None, "the journal has recovered")
        journal.flush()
        with RunJournal.open(tmp_path / "j.sqlite", writing=False) as reader:
            assert len(reader.events(run)) == 202
            assert [entry.run for entry in reader.runs()] == [run]
    assert [problem is not None for problem in told] == [True, False]


def test_a_journal_has_a_largest_size_if_wanted(tmp_path: Path) -> None:
    journal = RunJournal.open(tmp_path / "j.sqlite", most_bytes=100_000)
    run = journal.begin(head())
    with pytest.raises(JournalProblem, match="disk is full"):  # noqa: PT012
        for _ in range(500):
            journal.append(run, SAMPLE)
            journal.flush()
    with pytest.raises(JournalProblem, match="disk is full"):
        journal.close()
    with RunJournal.open(tmp_path / "j.sqlite", writing=False) as journal:
        assert 50 < len(journal.events(run)) < 500
    assert (tmp_path / "j.sqlite").stat().st_size <= 100_000


def test_memory_is_bounded_on_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "MOST_WAITING", 100)
    journal = RunJournal.open(tmp_path / "j.sqlite")
    run = journal.begin(head())
    full_disk(journal, True)
    with pytest.raises(JournalProblem, match="disk is full"):  # noqa: PT012
        for _ in range(100_000):
            journal.append(run, Note("x" * 1000))
            wait_for(
                lambda: journal.problem is not None or len(journal._writer) < 100,
                "room in the queue, or a problem",
            )
    with pytest.raises(JournalProblem, match="disk is full"):
        journal.close()
    journal.close()


def no_database(path: Path) -> None:
    path.write_text("Dear diary, today the water was hard. " * 200)


def other_database(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE events (number INTEGER PRIMARY KEY)")
    db.close()


def newer(path: Path) -> None:
    RunJournal.open(path).close()
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 2")
    db.close()


def damaged(path: Path) -> None:
    with RunJournal.open(path) as journal:
        run = journal.begin(head())
        for _ in range(2000):
            journal.append(run, SAMPLE)
    data = bytearray(path.read_bytes())
    for at in range(4096, len(data), 4096):
        data[at : at + 200] = bytes(200)
    path.write_bytes(data)


def a_folder(path: Path) -> None:
    path.mkdir()


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (no_database, "is not a journal"),
        (other_database, "is not a journal"),
        (newer, "newer version"),
        (damaged, "is damaged"),
        (a_folder, "is a folder"),
    ],
)
@pytest.mark.parametrize("writing", [True, False])
def test_what_is_no_journal_is_refused_and_left_alone(
    tmp_path: Path, make: Callable[[Path], None], said: str, writing: bool
) -> None:
    path = tmp_path / "thing.sqlite"
    make(path)
    before = path.read_bytes() if path.is_file() else b""
    with (
        pytest.raises(JournalProblem, match=said) as caught,
        RunJournal.open(path, writing=writing) as journal,
    ):
        journal.events(1)
    assert caught.value.remedy
    assert (path.read_bytes() if path.is_file() else b"") == before


@pytest.mark.parametrize(
    ("kind", "body", "data"),
    [
        ("colour", "", b"short"),
        ("reading", "[", None),
        ("reading", '{"x": 1}', None),
        ("reading", "7", None),
        ("reading", '{"time_s": "x", "burette_ml": 1.0}', None),
        ("correction", '{"of": 1.5, "burette_ml": 1.0}', None),
        ("finding", '{"status": "located", "result": [1]}', None),
    ],
)
def test_events_that_do_not_fit_their_kind_are_said(
    tmp_path: Path, kind: str, body: str, data: bytes | None
) -> None:
    path = tmp_path / "j.sqlite"
    with RunJournal.open(path) as journal:
        run = journal.begin(head())
    db = sqlite3.connect(path)
    db.execute("INSERT INTO events VALUES (10, 1, ?, 0, 0, ?, ?)", (kind, body, data))
    db.commit()
    db.close()
    with (
        RunJournal.open(path, writing=False) as journal,
        pytest.raises(JournalProblem, match=r"Event 10 .*is damaged"),
    ):
        journal.events(run)


def test_there_is_one_writer(opened: RunJournal) -> None:
    with pytest.raises(JournalProblem, match="Another bench is writing to"):
        RunJournal.open(opened.path)
    run = opened.begin(head())
    opened.close()
    with RunJournal.open(opened.path) as journal:
        assert journal.events(run)


def test_a_lock_of_another_program_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sqlite_file, "_BUSY_S", 0.05)
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = journal.begin(head())
        other = sqlite3.connect(tmp_path / "j.sqlite", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        journal.append(run, SAMPLE)
        with pytest.raises(JournalProblem, match="locked by another program"):
            journal.flush()
        other.execute("ROLLBACK")
        other.close()
        journal.flush()
        assert len(journal.events(run)) == 2


def test_a_journal_that_is_not_there_is_not_made_by_reading(tmp_path: Path) -> None:
    with pytest.raises(JournalProblem, match="There is no journal"):
        RunJournal.open(tmp_path / "folder" / "j.sqlite", writing=False)
    assert not list(tmp_path.iterdir())
    (tmp_path / "file").write_text("x")
    with pytest.raises(JournalProblem, match="cannot be created"):
        RunJournal.open(tmp_path / "file" / "j.sqlite")


@pytest.fixture(scope="module")
def torn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal as a machine leaves it that loses power: the file, and the log beside it."""
    path = tmp_path_factory.mktemp("torn") / "j.sqlite"
    copy = path.with_name("copy.sqlite")
    with RunJournal.open(path) as journal:
        run = journal.begin(head())
        for k in range(60):
            journal.append(run, Reading(float(k), 0.1 * k))
            journal.flush()
        for end in ("", "-wal"):
            copy.with_name(copy.name + end).write_bytes(
                path.with_name(path.name + end).read_bytes()
            )
    return copy


@settings(max_examples=25)
@given(share=st.floats(0.0, 1.0), damage=st.binary(max_size=8))
def test_a_log_that_ends_anywhere_leaves_a_whole_beginning(
    torn: Path, tmp_path_factory: pytest.TempPathFactory, share: float, damage: bytes
) -> None:
    place = tmp_path_factory.mktemp("copy") / "j.sqlite"
    place.write_bytes(torn.read_bytes())
    log = torn.with_name(torn.name + "-wal").read_bytes()
    place.with_name("j.sqlite-wal").write_bytes(log[: int(share * len(log))] + damage)
    with RunJournal.open(place) as journal:
        entries = journal.runs()
        assert entries or share < 0.2
        for entry in entries:
            numbers = [kept.number for kept in journal.events(entry.run)]
            assert numbers == list(range(1, len(numbers) + 1))
            assert share < 1.0 or len(numbers) == 61
            assert journal.append(entry.run, Note("on")) == numbers[-1] + 1


def test_a_program_that_was_killed_while_it_made_the_journal_is_no_harm(tmp_path: Path) -> None:
    for k, pragma in enumerate(("journal_mode = WAL", "user_version = 0", "page_size = 4096")):
        path = tmp_path / f"{k}.sqlite"
        with closing(sqlite3.connect(path)) as plain:
            plain.execute(f"PRAGMA {pragma}")
        with RunJournal.open(path) as journal:
            assert journal.begin(head()) == 1


def test_a_journal_is_read_where_nothing_can_be_written(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    with RunJournal.open(path) as journal:
        run = journal.begin(head())
    # SQLite cannot make the file that readers share, as on a full or a write-protected disk.
    (tmp_path / "j.sqlite-shm").symlink_to(tmp_path / "nowhere" / "x")
    with (
        closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as plain,
        pytest.raises(sqlite3.OperationalError),
    ):
        plain.execute("SELECT * FROM events")
    with RunJournal.open(path, writing=False) as journal:
        assert [kept.event for kept in journal.events(run)] == [head()]
    with pytest.raises(JournalProblem, match="cannot be"):
        RunJournal.open(path)


def test_a_closed_journal_says_so(tmp_path: Path) -> None:
    journal = RunJournal.open(tmp_path / "j.sqlite")
    run = journal.begin(head())
    journal.close()
    with pytest.raises(JournalProblem, match="closed"):
        journal.append(run, SAMPLE)
    with pytest.raises(JournalProblem, match="closed"):
        journal.events(run)


@pytest.mark.parametrize(
    ("last", "now", "time_s", "sure"),
    [
        (Stamp(100.0, 1000.0), Stamp(130.0, 1030.4), 80.4, True),
        (Stamp(100.0, 1000.0), Stamp(105.0, 1600.0), 650.0, False),  # asleep, or set forth
        (Stamp(100.0, 1000.0), Stamp(3.0, 1060.0), 110.0, False),  # the machine was started anew
        (Stamp(100.0, 1000.0), Stamp(130.0, 400.0), 80.0, False),  # the clock was set back
        (Stamp(100.0, 1000.0), Stamp(3.0, 400.0), 50.001, False),  # both: only the order is known
        (Stamp(100.0, 1000.0), Stamp(100.0, 1000.0), 50.001, True),
    ],
)
def test_the_clock_of_the_frames_goes_on(
    last: Stamp, now: Stamp, time_s: float, sure: bool
) -> None:
    got = resumption(50.0, last, now)
    assert got.time_s == pytest.approx(time_s)
    assert got.sure is sure


def test_a_run_goes_on_after_its_last_frame(tmp_path: Path) -> None:
    now = [Stamp(10.0, 500.0)]
    path = tmp_path / "j.sqlite"
    with RunJournal.open(path, clock=lambda: now[0]) as journal:
        run = journal.begin(head())
        assert journal.resume(run) == Resumed(0.0, True)
        journal.append(run, Reading(3.0, 1.0))
        journal.append(run, ColourSample(**{**SAMPLE.__dict__, "time_s": 7.0}))
        journal.append(run, Reading(6.5, 2.0))
    now[0] = Stamp(30.0, 520.0)
    with RunJournal.open(path, clock=lambda: now[0]) as journal:
        assert journal.resume(run) == Resumed(27.0, True)
        now[0] = Stamp(31.0, 521.0)
        assert journal.resume(run) == Resumed(28.0, True)
        assert [k.event for k in journal.events(run, ["resumed"])][1:] == [
            Resumed(27.0, True),
            Resumed(28.0, True),
        ]


def test_threads_may_read_while_one_writes(opened: RunJournal) -> None:
    run = opened.begin(head())
    seen: list[int] = []

    def read() -> None:
        while not seen or seen[-1] < 401:
            seen.append(len(opened.events(run)))

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    for k in range(400):
        opened.append(run, SAMPLE if k % 4 else Note("x"))
    wait_for(lambda: not reader.is_alive(), "the reader ends")
    assert seen == sorted(seen)
    assert [k.number for k in opened.events(run)] == list(range(1, 402))


# Readings, undos and corrections: what counts, told a second time and more plainly.

steps = st.lists(
    st.tuples(
        st.sampled_from(["read", "refill", "correct", "undo"]),
        st.integers(0, 40),
        st.integers(0, 11),
    ),
    max_size=14,
)


def events_of(ops: list[tuple[str, int, int]]) -> list[Kept]:
    """Events of operations; a target is one of the events so far that fits, if any does."""
    out: list[Kept] = []
    for what, tenths, pick in ops:
        readings = [k.number for k in out if isinstance(k.event, Reading)]
        anything = [k.number for k in out]
        event: Event
        if what in ("read", "refill"):
            # Times are typed too, so they need not rise.
            event = Reading(float(pick), tenths / 10, refill=what == "refill")
        elif what == "correct" and readings:
            event = Correction(readings[pick % len(readings)], tenths / 10)
        elif what == "undo" and anything:
            event = Undo(anything[pick % len(anything)])
        else:
            continue
        out.append(Kept(len(out) + 1, 1, Stamp(0.0, 0.0), event))
    return out


def counts(kept: Kept, events: list[Kept]) -> bool:
    """Whether an event counts: no undo that counts takes it back."""
    return not any(
        isinstance(other.event, Undo) and other.event.of == kept.number and counts(other, events)
        for other in events
        if other.number > kept.number
    )


@given(steps)
def test_readings_undos_and_corrections_rebuild_as_told(ops: list[tuple[str, int, int]]) -> None:
    events = events_of(ops)
    expected = []
    for kept in events:
        if isinstance(kept.event, Reading) and counts(kept, events):
            values = [
                other.event.burette_ml
                for other in events
                if isinstance(other.event, Correction)
                and other.event.of == kept.number
                and counts(other, events)
            ]
            event = kept.event
            value = values[-1] if values else event.burette_ml
            expected.append((event.time_s, kept.number, value, event.refill))
    expected.sort()
    got = readings_of(events)
    assert [(r.time_s, r.number, r.burette_ml, r.refill) for r in got] == expected

    falls = any(b[2] < a[2] and not b[3] for a, b in pairwise(expected))
    poured = sum(max(b[2] - a[2], 0.0) for a, b in pairwise(expected) if not b[3])
    if falls or poured <= 0.0:
        with pytest.raises(DeliveryProblem):
            delivered(events)
        return
    log = delivered(events).log
    assert log is not None
    assert log.time_s is not None
    assert log.volume_ml[-1] == pytest.approx(poured)
    assert np.all(np.diff(log.time_s) > 0)
    assert log.time_s.tolist() == sorted({row[0] for row in expected})


@given(steps)
def test_nothing_that_is_appended_changes_what_was_there(ops: list[tuple[str, int, int]]) -> None:
    events = events_of(ops)
    whole = readings_of(events)
    added = Kept(len(events) + 1, 1, Stamp(0.0, 0.0), Reading(99.0, 50.0))
    taken = Kept(len(events) + 2, 1, Stamp(0.0, 0.0), Undo(added.number))
    assert readings_of([*events, added])[:-1] == whole
    assert readings_of([*events, added, taken]) == whole


def at(*events: Event) -> list[Kept]:
    return [Kept(k + 1, 1, Stamp(0.0, 0.0), event) for k, event in enumerate(events)]


def volumes(*events: Event, mode: str = "steps") -> list[float]:
    log: Any = delivered(at(*events), mode).log
    return [float(v) for v in log.volume_ml]


def test_a_burette_that_does_not_start_at_zero_and_is_refilled() -> None:
    told = at(
        Reading(0.0, 1.20),
        Reading(10.0, 24.60),
        Reading(20.0, 0.30, refill=True),
        Reading(30.0, 1.40),
    )
    done = delivered(told)
    assert done.first_reading_ml == 1.20
    assert done.log is not None
    assert done.log.volume_ml.tolist() == [0.0, 23.4, 23.4, 24.5]
    assert done.log.rows == (1, 2, 3, 4)


def test_a_pump_is_one_rate_or_a_line_with_pauses() -> None:
    one = delivered(at(PumpRate(5.0, 6.0)))
    assert (one.rate_ml_min, one.start_s, one.log) == (6.0, 5.0, None)
    told = at(PumpRate(5.0, 6.0), PumpRate(65.0, 0.0), PumpRate(75.0, 3.0), SAMPLE)
    rates = delivered([*told, *at(ColourSample(**{**SAMPLE.__dict__, "time_s": 95.0}))])
    assert rates.mode == "continuous"
    times = [0.0, 5.0, 35.0, 65.0, 75.0, 95.0]
    assert rates.delivery.volume_at(times).tolist() == pytest.approx([0.0, 0.0, 3.0, 6.0, 6.0, 7.0])


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ([], "No titrant has been delivered"),
        ([Reading(0.0, 1.0)], "No titrant has been delivered"),
        ([Reading(0.0, 1.0), Reading(5.0, 1.0)], "No titrant has been delivered"),
        ([Reading(0.0, 2.0), Reading(5.0, 1.0)], "less than the one before"),
        ([Reading(0.0, 0.0), Reading(5.0, 1e6)], "add up to"),
        ([Reading(0.0, 0.0), Reading(1.0, 1.0), PumpRate(2.0, 1.0)], "readings and a pump"),
        ([PumpRate(0.0, 0.0)], "never started"),
        ([PumpRate(0.0, 1.0), PumpRate(5.0, -1.0)], "negative rate"),
    ],
)
def test_what_was_delivered_may_not_make_sense(events: list[Event], said: str) -> None:
    with pytest.raises(DeliveryProblem, match=said):
        delivered(at(*events))


@pytest.mark.parametrize("body", [b"\xff\xfe{", b"\xb4" * 7])
def test_a_body_that_is_no_text_is_a_damaged_event(tmp_path: Path, body: bytes) -> None:
    path = tmp_path / "j.sqlite"
    with RunJournal.open(path) as journal:
        for _ in range(2):
            journal.append(journal.begin(head()), Reading(1.0, 0.5))
    db = sqlite3.connect(path)
    db.execute("DROP TRIGGER never_changed")
    db.execute("UPDATE events SET body = CAST(? AS TEXT) WHERE run = 1", (body,))
    db.commit()
    db.close()
    with RunJournal.open(path, writing=False) as journal:
        assert [entry.status for entry in journal.runs()] == ["damaged", "unfinished"]
        with pytest.raises(JournalProblem, match="is damaged"):
            journal.events(1)
        assert len(journal.events(2)) == 2
