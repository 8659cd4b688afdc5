"""The journal of the bench: every event of every run, kept as it happens and never changed.

    with RunJournal.open(path) as journal:
        run = journal.begin(RunHead("Well 3", record))
        number = journal.append(run, Reading(12.0, 3.50))
        journal.append(run, sample)              # a `ColourSample` of every frame
        journal.append(run, Correction(number, 3.40))
        journal.flush()                          # on disk now, or a `JournalProblem`
    RunJournal.open(path, writing=False).runs()     # reading, also while a bench writes

The journal is one SQLite file with a write-ahead log and `synchronous=FULL`: what is written
survives when the program is killed or the machine loses power. `append` never waits for the disk. A
thread writes what a person did at once, and colours and pictures within `writer.BATCH_S`, so a kill
loses at most what happened in that time (on a slow disk, plus one write). One program at a time may
write; any number may read meanwhile. Triggers refuse to change or delete an event.

When the disk is full, or anything else prevents writing, `on_problem` is called at once, `problem`
holds the reason and `flush` raises it. What was written stays readable. What was not waits in
memory, where `events` finds it too, and is tried again every second; only pictures are dropped.
When too many events wait, `append` refuses more: an event that has a number is never lost while the
program runs. Every method may be called from any thread.
"""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType

from endpoint.bench.journal.events import (
    OF_FRAMES,
    Correction,
    Event,
    Kept,
    Resumed,
    RunHead,
    Stamp,
    Still,
    Undo,
    encode,
    may_refer,
)
from endpoint.bench.journal.run_list import RunEntry, entry_of, kept_of
from endpoint.bench.journal.sqlite_file import JournalFile
from endpoint.bench.journal.writer import JournalWriter, Tell
from endpoint.problems import JournalProblem

MOST_STILL_BYTES = 64_000_000
"""Pictures of one run."""
_STILL_EVERY_S = 1.0
"""Least time between two kept pictures, s, of an empty store; it grows as the store fills.
Assumed."""
_MOST_STILL = 2_000_000
"""Bytes of one picture at most; a larger one is not kept. Assumed."""

_LEAST_STEP_S = 1e-3
_LONGEST_GAP_S = 86_400.0
_APART_S = 2.0
"""When a run is resumed: the least step of time, s; the longest gap that a clock is believed, s (a
day); and how far the steady clock and that of the wall may differ, s, with both believed: settings
of the clock are larger. Assumed."""

Clock = Callable[[], Stamp]


def system_clock() -> Stamp:
    """Both clocks of the machine."""
    return Stamp(time.monotonic(), time.time())


@dataclass
class _RunState:
    """What is remembered of a run that is written to."""

    kinds: dict[int, str] = field(default_factory=dict)
    still_bytes: int = 0
    still_s: float = -1e9


class RunJournal:
    """An open journal; make one with `RunJournal.open`."""

    def __init__(
        self,
        file: JournalFile,
        clock: Clock,
        on_problem: Tell | None,
    ) -> None:
        self._file, self._clock = file, clock
        self._states: dict[int, _RunState] = {}
        self._lock = threading.RLock()
        self._closed = False
        self._number, self._run = file.last_numbers()
        self._writer = JournalWriter(file, on_problem)

    @classmethod
    def in_memory(cls, clock: Clock = system_clock) -> RunJournal:
        """A journal that ends with the program."""
        return cls(JournalFile(None, True), clock, None)

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        writing: bool = True,
        most_bytes: int | None = None,
        clock: Clock = system_clock,
        on_problem: Tell | None = None,
    ) -> RunJournal:
        """Open a journal, or begin one where there is none.

        Parameters
        ----------
        path:
            The file; its folder is made.
        writing:
            False only reads, and nothing is made.
        most_bytes:
            Largest size of the file; None for as much as the disk holds.
        clock:
            Gives the clocks of the machine.
        on_problem:
            Called with a problem as soon as writing fails, and with None when it works again; by
            the thread that writes, so it must be quick and must not call the journal.

        Raises
        ------
        JournalProblem
            The file is not a journal, is of a newer version, is damaged, is open for writing in
            another program, or cannot be created.
        """
        file = JournalFile(path, writing, most_bytes)
        try:
            return cls(file, clock, on_problem)
        except BaseException:
            file.close()
            raise

    def __enter__(self) -> RunJournal:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is None:
            self.close()
            return
        with contextlib.suppress(JournalProblem):  # the first error is the one to report
            self.close()

    @property
    def path(self) -> Path:
        """The file."""
        return self._file.path

    @property
    def in_memory_only(self) -> bool:
        """Whether it ends with the program."""
        return self._file.in_memory

    @property
    def problem(self) -> JournalProblem | None:
        """Why events wait in memory now, or None."""
        return self._writer.problem

    def begin(self, head: RunHead, *, wait: bool = True) -> int:
        """Open a run and return its number.

        Parameters
        ----------
        head:
            What is known of the run.
        wait:
            True returns when the run is on disk. With False a run that cannot be written now
            begins all the same and waits like every event.

        Raises
        ------
        JournalProblem
            The run cannot be written, and does not exist then (with `wait`), or too many events
            wait already.
        """
        with self._lock:
            self._run += 1
            run = self._run
            self._states[run] = _RunState()
            number = self._put(run, head)
        if not wait:
            return run
        try:
            self.flush()
        except JournalProblem:
            if not self._writer.take_back(number):
                return run  # written since, by the thread
            with self._lock:
                del self._states[run]
            raise
        return run

    def append(self, run: int, event: Event) -> int:
        """Keep one event and return its number; 0 for a picture that comes too soon.

        Raises
        ------
        JournalProblem
            The event is not kept: there is no such run, a correction or undo refers to an event
            that cannot be corrected, or too many events wait in memory already.
        ValueError
            The event holds a number that is not finite.
        """
        with self._lock:
            state = self._state(run)
            if isinstance(event, Still) and not self._takes(state, event):
                return 0
            if isinstance(event, Correction | Undo):
                kind = "correction" if isinstance(event, Correction) else "undo"
                if not may_refer(kind, state.kinds.get(event.of)):
                    raise JournalProblem(
                        f"Event {event.of} of run {run} cannot be "
                        f"{'corrected' if kind == 'correction' else 'undone'}.",
                        "Choose a reading from the list of this run.",
                    )
            return self._put(run, event)

    def wants_still(self, run: int, time_s: float) -> bool:
        """Whether a picture of this time would be kept; no other need be encoded.

        At most one a second; fewer the more room the pictures of the run have taken.
        """
        with self._lock:
            state = self._state(run)
            left = 1.0 - state.still_bytes / MOST_STILL_BYTES
            return left > 0.0 and time_s - state.still_s >= _STILL_EVERY_S / left - 1e-6

    def flush(self) -> None:
        """Write everything that waits.

        Raises
        ------
        JournalProblem
            Events cannot be written; they stay in memory.
        """
        self._writer.flush()

    def events(self, run: int, kinds: Iterable[str] | None = None) -> list[Kept]:
        """Events of a run in the order in which they happened, with those that still wait.

        Parameters
        ----------
        run:
            Number of the run.
        kinds:
            Names of `events.KINDS` that are wanted; None for all.

        Raises
        ------
        JournalProblem
            There is no such run, or the file cannot be read.
        """
        wanted = None if kinds is None else tuple(kinds)
        with self._writer.held() as waiting:
            rows = self._file.rows(run, wanted)
        rows += [row for row in waiting if row[1] == run and (wanted is None or row[2] in wanted)]
        if not rows and run not in self._states and run not in self._file.runs():
            raise self._no_run(run)
        return [kept_of(row, self.path) for row in rows]

    def runs(self) -> list[RunEntry]:
        """Every run, oldest first; a damaged one says so in its `status`.

        Raises
        ------
        JournalProblem
            The file cannot be read.
        """
        if len(self._writer) and self.problem is None:
            self._writer.write()
        return [self._entry(run) for run in self._file.runs()]

    def _entry(self, run: int) -> RunEntry:
        """Line of a run; one that cannot be read does not hide the others."""
        try:
            return entry_of(run, *self._file.ends_of(run), self._file.count_of(run), self.path)
        except JournalProblem:
            return RunEntry(run, None, RunHead("", {}), "damaged", None, 0)

    def unfinished(self) -> list[RunEntry]:
        """Runs that were opened and not ended, oldest first."""
        return [entry for entry in self.runs() if not entry.finished]

    def resume(self, run: int) -> Resumed:
        """Resume a run: keep and return the time at which the clock of its frames continues.

        Raises
        ------
        JournalProblem
            There is no such run, or it cannot be written.
        """
        self._state(run)
        self.flush()
        last = [kept_of(row, self.path) for row in self._file.last_timed(run)]
        going_on = Resumed(0.0, True)
        if last:
            time_s = max(float(getattr(kept.event, "time_s", 0.0)) for kept in last)
            newest = max(last, key=lambda kept: kept.number)
            going_on = resumption(time_s, newest.stamp, self._clock())
        self.append(run, going_on)
        self.flush()
        return going_on

    def close(self) -> None:
        """Write what waits and close the file; harmless when called twice.

        Raises
        ------
        JournalProblem
            What waits cannot be written. The file is closed all the same.
        """
        with self._lock:
            if self._closed:
                return
            self._closed = True
        self._writer.stop()
        try:
            self.flush()
        finally:
            self._file.close()

    def _state(self, run: int) -> _RunState:
        if run not in self._states:
            if run not in self._file.runs():
                raise self._no_run(run)
            kinds, used, last_s = self._file.state_of(run)
            self._states[run] = _RunState(kinds, used, last_s)
        return self._states[run]

    def _takes(self, state: _RunState, still: Still) -> bool:
        """Whether a picture is taken; it may come too soon or be too large."""
        left = 1.0 - (state.still_bytes + len(still.jpeg)) / MOST_STILL_BYTES
        if left <= 0.0 or len(still.jpeg) > _MOST_STILL or self.problem is not None:
            return False
        if still.time_s - state.still_s < _STILL_EVERY_S / left - 1e-6:
            return False
        state.still_bytes += len(still.jpeg)
        state.still_s = still.time_s
        return True

    def _put(self, run: int, event: Event) -> int:
        if not self._file.writing or self._closed:
            how = "closed" if self._closed else "open for reading only"
            raise JournalProblem(f"The journal is {how}.", "Open it again for writing.")
        kind, body, data = encode(event)
        stamp = self._clock()
        self._number += 1
        urgent = kind not in OF_FRAMES
        row = (self._number, run, kind, stamp.mono_s, stamp.wall_s, body, data)
        self._writer.put(row, urgent=urgent)
        if urgent:
            self._states[run].kinds[self._number] = kind
        return self._number

    def _no_run(self, run: int) -> JournalProblem:
        known = self._file.runs()
        listed = f"It has runs {known[0]} to {known[-1]}." if known else "It has no runs yet."
        return JournalProblem(
            f"The journal {self.path} has no run {run}.", f"{listed} To list them: endpoint runs."
        )


def resumption(last_time_s: float, last: Stamp, now: Stamp) -> Resumed:
    """Where the clock of the frames continues after a break.

    The monotonic clock does not count sleep and restarts with the machine; the clock on the wall
    can be set. If the two spans differ, the longer is taken and marked as not sure.

    Parameters
    ----------
    last_time_s:
        Time of the last event on the clock of the frames, s.
    last, now:
        When that event was written, and the present.
    """
    mono = now.mono_s - last.mono_s
    wall = now.wall_s - last.wall_s
    spans = [span for span in (mono, wall) if 0.0 <= span <= _LONGEST_GAP_S]
    gap = max(spans, default=_LEAST_STEP_S)
    sure = len(spans) == 2 and math.isclose(mono, wall, abs_tol=_APART_S)
    return Resumed(last_time_s + max(gap, _LEAST_STEP_S), sure)
