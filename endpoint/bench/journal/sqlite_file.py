"""The SQLite file of a journal: creates, checks, writes and reads it; puts its errors in words."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from endpoint.problems import JournalProblem

VERSION = 1
"""Format of the journal, `PRAGMA user_version`."""
_APPLICATION = 0x454E4450
"""Marks the file as a journal of this program, `PRAGMA application_id`."""
_BUSY_S = 5.0
"""How long another process may hold the file, s. Assumed."""
_SCHEMA = f"""
BEGIN IMMEDIATE;
CREATE TABLE events (
  number INTEGER PRIMARY KEY,
  run INTEGER NOT NULL,
  kind TEXT NOT NULL,
  mono_s REAL NOT NULL,
  wall_s REAL NOT NULL,
  body TEXT NOT NULL,
  data BLOB
);
CREATE INDEX events_by_run ON events (run, number);
CREATE INDEX events_but_colours ON events (run, kind, number) WHERE kind <> 'colour';
CREATE TRIGGER never_changed BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events of a journal are never changed'); END;
CREATE TRIGGER never_deleted BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'events of a journal are never deleted'); END;
CREATE TRIGGER never_replaced BEFORE INSERT ON events
WHEN EXISTS (SELECT 1 FROM events WHERE number = NEW.number)
BEGIN SELECT RAISE(ABORT, 'events of a journal are never replaced'); END;
PRAGMA application_id = {_APPLICATION};
PRAGMA user_version = {VERSION};
COMMIT;
"""
_TIMED = ("reading", "pump-rate", "resumed", "still", "went-on")
_DAMAGE = (sqlite3.Error, UnicodeDecodeError)
_LARGEST = 64_000_000
"""Bytes of one value at most, sixteen times the longest text: a damaged length asks for 1 GB."""
_NO_SPACE = "Free some space on the disk; what is waiting is then written automatically."
_BACKUP = "Restore the file from a backup, or begin a new journal under another name."

Row = tuple[int, int, str, float, float, str, bytes | None]
"""A row of the table `events`: number, run, kind, mono_s, wall_s, body, data."""


def in_words(error: Exception, path: Path) -> JournalProblem:
    """Why SQLite cannot work, as a sentence and a remedy."""
    name = str(getattr(error, "sqlite_errorname", "") or "")
    if isinstance(error, UnicodeDecodeError):  # a name or a message that is no text
        name = "SQLITE_CORRUPT"
    for start, sentence, remedy in (
        ("SQLITE_FULL", f"The disk is full: the journal {path} cannot grow.", _NO_SPACE),
        (
            "SQLITE_BUSY",
            f"The journal {path} is locked by another program.",
            "Close the other program, or name another journal.",
        ),
        (
            "SQLITE_READONLY",
            f"The journal {path} is write-protected.",
            "Check the permissions of the file and of its folder.",
        ),
        (
            "SQLITE_CANTOPEN",
            f"The journal {path} cannot be opened.",
            "Check the name, and the permissions of the file and of its folder.",
        ),
        (
            "SQLITE_NOTADB",
            f"{path} is not a journal.",
            "Name another file; this one was not changed.",
        ),
        ("SQLITE_TOOBIG", f"The journal {path} is damaged.", _BACKUP),
        ("SQLITE_CORRUPT", f"The journal {path} is damaged.", _BACKUP),
    ):
        if name.startswith(start):
            return JournalProblem(sentence, remedy)
    return JournalProblem(
        f"The journal {path} cannot be used ({error}).", "Check the disk and the file."
    )


class JournalFile:
    """The file behind a journal; every method may be called from any thread.

    Parameters
    ----------
    path:
        None for one in memory, which ends with the program.
    writing:
        Whether events are written; else the file is only read.
    most_bytes:
        Largest size.

    Raises
    ------
    JournalProblem
        The file is not a journal, is newer, damaged or in use by another writer, or cannot be
        created.
    """

    def __init__(self, path: Path | None, writing: bool, most_bytes: int | None = None) -> None:
        self.in_memory = path is None
        self.path, self.writing = path or Path(":memory:"), writing
        self._file = self.path
        self._lock = threading.RLock()
        self._held: sqlite3.Connection | None = None
        path = self.path
        if not self.in_memory:
            self._look_at_path()
        try:
            if writing:
                self._held = None if self.in_memory else self._only_writer()
                self._db = sqlite3.connect(
                    self._file, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
                )
                self._make()
                self._db.execute("PRAGMA synchronous = FULL")
                if most_bytes is not None:
                    size = int(self._db.execute("PRAGMA page_size").fetchone()[0])
                    self._db.execute(f"PRAGMA max_page_count = {max(most_bytes // size, 1)}")
            else:
                self._db = self._reader()
                self._check()
            self._db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LARGEST)
            self._db.text_factory = lambda data: data.decode("utf-8", "replace")
        except _DAMAGE as error:
            self.close()
            raise in_words(error, path) from None
        except JournalProblem:
            self.close()
            raise

    def _look_at_path(self) -> None:
        path = self.path
        try:
            if path.is_dir():
                raise JournalProblem(f"{path} is a folder, not a journal.", "Name a file in it.")
            if path.exists() and not path.is_file():
                raise JournalProblem(f"{path} is not an ordinary file.", "Name another file.")
            # Log and lock lie next to the file itself, whatever link it was named by.
            self._file = Path(os.path.realpath(path))
            if self.writing:
                path.parent.mkdir(parents=True, exist_ok=True)
                if path.exists() and path.stat().st_nlink > 1:
                    # SQLite would keep a log under each name ("How to corrupt", section 2.5).
                    raise JournalProblem(
                        f"The journal {path} has a second name (a hard link).",
                        "Copy it to another name and write there, or remove the second name.",
                    )
            elif not path.exists():
                raise JournalProblem(
                    f"There is no journal {path}.",
                    "Name one with --journal, or begin one with endpoint bench.",
                )
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or error
            raise JournalProblem(
                f"The journal {path} cannot be created ({reason}).",
                "Name a journal in a folder where you may write.",
            ) from None

    def _only_writer(self) -> sqlite3.Connection:
        """Hold a lock that the system releases when the program ends, however it ends."""
        side = self._file.with_name(self._file.name + "-writer")
        held = sqlite3.connect(side, timeout=0.0, isolation_level=None, check_same_thread=False)
        try:
            held.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            held.close()
            if str(error.sqlite_errorname).startswith("SQLITE_BUSY"):
                raise JournalProblem(
                    f"Another bench is writing to the journal {self.path}.",
                    "Close that bench first, or name another journal.",
                ) from None
            raise
        return held

    def _make(self) -> None:
        if self._is_empty():
            # In one transaction; the log is switched on afterwards, as that is written at once.
            self._db.executescript(_SCHEMA)
        self._check()
        self._db.execute("PRAGMA journal_mode = WAL")

    def _is_empty(self) -> bool:
        """Whether the file is new, or was left by a program that was killed while creating it."""
        asked = (
            "SELECT count(*) FROM sqlite_master",
            "PRAGMA application_id",
            "PRAGMA user_version",
        )
        return not any(self._db.execute(question).fetchone()[0] for question in asked)

    def _reader(self) -> sqlite3.Connection:
        """Connection that only reads; it works on a full or write-protected disk too."""
        link = self._file.as_uri()
        db = sqlite3.connect(
            f"{link}?mode=ro",
            uri=True,
            timeout=_BUSY_S,
            isolation_level=None,
            check_same_thread=False,
        )
        try:
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.Error as error:
            db.close()
            log = self._file.with_name(self._file.name + "-wal")
            may_be_the_disk = isinstance(error, sqlite3.OperationalError)
            if not may_be_the_disk or (log.exists() and log.stat().st_size > 0):
                raise
            # Nobody writes to it, and SQLite cannot create the file that readers share.
            db = sqlite3.connect(
                f"{link}?immutable=1", uri=True, isolation_level=None, check_same_thread=False
            )
        return db

    def _check(self) -> None:
        mark = self._db.execute("PRAGMA application_id").fetchone()[0]
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        if mark != _APPLICATION:
            raise JournalProblem(
                f"{self.path} is not a journal.", "Name another file; this one was not changed."
            )
        if version > VERSION:
            raise JournalProblem(
                f"The journal {self.path} was written by a newer version of this program "
                f"(format {version}; this version reads formats up to {VERSION}).",
                "Install the newer version, or name another journal.",
            )

    def _ask(self, question: str, *values: Any) -> list[Any]:
        with self._lock:
            try:
                return self._db.execute(question, values).fetchall()
            except sqlite3.ProgrammingError:
                raise JournalProblem("The journal is closed.", "Open it again.") from None
            except _DAMAGE as error:
                raise in_words(error, self.path) from None

    def write(self, rows: Sequence[Row]) -> None:
        """Write rows, all or none.

        Raises
        ------
        JournalProblem
            They cannot be written.
        """
        if not rows:
            return
        with self._lock:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                self._db.executemany("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
                self._db.execute("COMMIT")
            except sqlite3.Error as error:
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise in_words(error, self.path) from None

    def last_numbers(self) -> tuple[int, int]:
        """Highest number of an event and of a run; 0 where there is none."""
        ((number,),) = self._ask("SELECT ifnull(max(number), 0) FROM events")
        ((run,),) = self._ask("SELECT ifnull(max(run), 0) FROM events")
        return int(number), int(run)

    def runs(self) -> list[int]:
        """Numbers of all runs, rising."""
        opened = self._ask(
            "SELECT run FROM events WHERE kind <> 'colour' AND kind = 'opened' ORDER BY run"
        )
        return [int(run) for (run,) in opened]

    def rows(self, run: int, kinds: Sequence[str] | None = None) -> list[Row]:
        """Events of a run in order, all or those of some kinds."""
        chosen = "" if kinds is None else f" AND kind IN ({','.join('?' * len(kinds))})"
        return self._ask(
            f"SELECT * FROM events WHERE run = ?{chosen} ORDER BY number", run, *(kinds or ())
        )

    def row(self, number: int) -> Row | None:
        """One event, past the indexes, which may be damaged; None if there is none."""
        found = self._ask("SELECT * FROM events NOT INDEXED WHERE number = ?", number)
        return found[0] if found else None

    def ends_of(self, run: int) -> tuple[Row, Row, list[Row]]:
        """First event of a run, what ended it or let it go on last, and what may discard it.

        The second is the first event again where nothing ended the run; the third has its undos
        too, in order.
        """
        first = self._ask("SELECT * FROM events WHERE run = ? ORDER BY number LIMIT 1", run)
        last = (
            "SELECT * FROM events WHERE run = ? AND kind <> 'colour' "
            "AND kind IN {} ORDER BY number DESC"
        )
        ended = self._ask(last.format("('finding', 'given-up', 'went-on')") + " LIMIT 1", run)
        discards = self._ask(last.format("('discarded', 'undo')"), run)
        # The index names the run, but what it points to is lost: an event that nothing can decode.
        first = first or [(0, run, "", 0.0, 0.0, "", None)]
        return first[0], (ended or first)[0], discards[::-1]

    def count_of(self, run: int) -> int:
        """Number of events of a run."""
        ((count,),) = self._ask("SELECT count(*) FROM events WHERE run = ?", run)
        return int(count)

    def last_timed(self, run: int) -> list[Row]:
        """Last colour and last of the other events that carry a time of the frames."""
        return [
            *self._ask(
                "SELECT * FROM events WHERE run = ? AND kind = 'colour' "
                "ORDER BY number DESC LIMIT 1",
                run,
            ),
            *self._ask(
                f"SELECT * FROM events WHERE run = ? AND kind <> 'colour' AND kind IN {_TIMED} "
                "ORDER BY number DESC LIMIT 1",
                run,
            ),
        ]

    def state_of(self, run: int) -> tuple[dict[int, str], int, float]:
        """Kinds of the events by number, bytes of pictures, time of the last picture, s."""
        kinds = self._ask(
            "SELECT number, kind FROM events WHERE run = ? AND kind <> 'colour' "
            "AND kind <> 'still'",
            run,
        )
        ((used, last),) = self._ask(
            "SELECT ifnull(sum(length(data)), 0), max(json_extract(body, '$.time_s')) "
            "FROM events WHERE run = ? AND kind <> 'colour' AND kind = 'still'",
            run,
        )
        return dict(kinds), int(used), -1e9 if last is None else float(last)

    def __del__(self) -> None:
        self.close()

    def close(self) -> None:
        """Close the file and release the lock; calling it twice does no harm."""
        with self._lock:
            for held in (getattr(self, "_db", None), self._held):
                if held is not None:
                    with contextlib.suppress(sqlite3.Error):
                        held.close()
