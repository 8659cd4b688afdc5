"""`endpoint runs check`: what is damaged is named, what is sound is salvaged."""

from __future__ import annotations

import datetime
import os
import sqlite3
from pathlib import Path

import pytest

from endpoint.bench.journal.events import Reading
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import OpenRun
from endpoint.problems import JournalProblem
from tests.command import run

TABLES = {
    "format": 1,
    "sample": {"label": "Well", "volume_ml": 100.0},
    "titrant": {"concentration_mol_l": 0.01},
    "delivery": {"mode": "steps"},
}


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A journal of three runs with three readings each."""
    path = tmp_path / "j.sqlite"
    with RunJournal.open(path) as journal:
        bench = OpenRun(journal, datetime.date(2026, 11, 25))
        for _ in range(3):
            bench.begin(bench.head_for(TABLES, {}))
            for k in range(3):
                bench.append(Reading(float(k), 0.5 * k))
            bench.end({"status": "none"})
    return path


def change(path: Path, statement: str) -> None:
    with sqlite3.connect(path) as db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            db.execute(f"DROP TRIGGER {name}")
        db.execute(statement)
    db.close()


def test_a_sound_journal_is_said_to_be_sound(kept: Path) -> None:
    said = run("runs", "check", "--journal", kept)
    assert said.exit_code == 0
    assert "3 runs can be read, 3 of them are whole." in said.stdout


@pytest.mark.parametrize(
    ("where", "runs", "readings"),
    [
        ("number = (SELECT max(number) FROM events WHERE run = 2)", 3, 3),
        ("run = 2 AND kind = 'reading'", 3, 0),
        ("run = 2 AND kind = 'opened'", 2, None),
    ],
)
def test_one_damaged_run_is_named_and_the_others_are_salvaged(
    kept: Path, tmp_path: Path, where: str, runs: int, readings: int | None
) -> None:
    change(kept, f"UPDATE events SET body = '{{' WHERE {where}")
    said = run("runs", "check", "--journal", kept)
    assert said.exit_code == 2
    assert "Run 2 is damaged" in said.stdout
    assert "Run 1" not in said.stdout
    assert "--salvage" in said.stderr
    new = tmp_path / "new.sqlite"
    assert run("runs", "check", "--journal", kept, "--salvage", new).exit_code == 0
    with RunJournal.open(new) as journal:
        assert len(journal.runs()) == runs
        if readings is not None:
            assert len(journal.events(2, ["reading"])) == readings
        assert len(journal.events(3, ["reading"])) == 3
    assert "already exists" in run("runs", "check", "--journal", kept, "--salvage", new).stderr
    again = run("runs", "check", "--journal", new)
    assert again.exit_code == 0, again.output


def test_pages_of_the_file_that_are_lost_cost_only_what_stood_there(
    tmp_path: Path, kept: Path
) -> None:
    with RunJournal.open(kept) as journal:
        bench = OpenRun(journal, datetime.date(2026, 11, 25))
        bench.begin(bench.head_for(TABLES, {}))
        for k in range(400):
            bench.append(Reading(float(k), 0.01 * k))
    with sqlite3.connect(kept) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = int(db.execute("PRAGMA page_size").fetchone()[0])
    db.close()
    data = bytearray(kept.read_bytes())
    middle = data.index(b'"time_s": 200.0') // size * size
    data[middle : middle + size] = bytes(size)
    kept.write_bytes(data)
    said = run("runs", "check", "--journal", kept, "--salvage", tmp_path / "new.sqlite")
    assert said.exit_code == 0, said.output
    assert "cannot be read" in said.stdout
    with RunJournal.open(tmp_path / "new.sqlite") as journal:
        assert [entry.run for entry in journal.runs()] == [1, 2, 3, 4]
        assert 200 < len(journal.events(4, ["reading"])) < 400


def test_what_is_no_file_is_refused_as_a_journal(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for name in (tmp_path / "pipe", Path("/dev/zero")):
        said = run("runs", "--journal", name)
        assert (said.exit_code, "not an ordinary file" in said.stderr) == (2, True)
        with pytest.raises(JournalProblem, match="not an ordinary file"):
            RunJournal.open(name)


def test_a_journal_has_one_writer_whatever_link_it_is_named_by(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    (tmp_path / "sym.sqlite").symlink_to("j.sqlite")
    with RunJournal.open(tmp_path / "sym.sqlite") as journal:
        bench = OpenRun(journal, datetime.date(2026, 11, 25))
        bench.begin(bench.head_for(TABLES, {}))
        with pytest.raises(JournalProblem, match="Another bench"):
            RunJournal.open(path)
        os.link(path, tmp_path / "hard.sqlite")
        with pytest.raises(JournalProblem, match="second name"):
            RunJournal.open(tmp_path / "hard.sqlite")
    (tmp_path / "hard.sqlite").unlink()
    with RunJournal.open(path) as journal:
        assert len(journal.runs()) == 1
