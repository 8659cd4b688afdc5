"""The run that is open at the bench: what the live session tells the journal.

Times come on the clock of the session and are kept on the clock of the run, which is another one
where a run was resumed. What a person did is either kept or refused with an error (`append`).
What the program saw or noticed never stops the work: if there is no room for it, `trouble` says so.

Nothing waits here. What the disk does not take waits in the journal, in order, and is tried again.
"""

from __future__ import annotations

import contextlib
import datetime
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from endpoint.bench.journal.events import (
    KINDS,
    Correction,
    Event,
    Finding,
    GivenUp,
    Incident,
    Kept,
    PumpRate,
    Reading,
    RegionSeen,
    RunHead,
    Still,
    TubeSeen,
    VolumeSeen,
    WentOn,
)
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.run_list import RunEntry
from endpoint.bench.journal.run_record import head_of, run_head
from endpoint.bench.journal.seen_events import news, region_of, region_seen, seen_in
from endpoint.burette.burette_rows import BuretteRows
from endpoint.colour.density import ColourSample
from endpoint.problems import JournalProblem
from endpoint.result.document import plain
from endpoint.scene.region import Region


class OpenRun:
    """One run at a time of a journal.

    Parameters
    ----------
    journal:
        Open for writing. Without one everything is kept in memory, until the program ends.
    today:
        Day of the titration.
    source, program:
        As in `RunHead`.
    """

    def __init__(
        self,
        journal: RunJournal | None,
        today: datetime.date,
        *,
        source: str = "",
        program: str = "",
    ) -> None:
        self.run: int | None = None
        """Number of the run that is open now, or whose result is shown."""
        self.over = False
        """Whether it is finished: then it takes no more pictures, readings or notes."""
        self.head: RunHead | None = None
        """Its head."""
        self.shift_s = 0.0
        """Clock of the run minus clock of the session, s: not 0 in a run that was resumed."""
        self.journal = RunJournal.in_memory() if journal is None else journal
        self._today, self._source, self._program = today, source, program
        self._rows: BuretteRows | None = None
        """What the journal holds of a burette in the picture, on the clock of the run."""
        self._no_room: JournalProblem | None = None

    @property
    def trouble(self) -> str | None:
        """Sentence on why the journal cannot be written; None while it can."""
        problem = self.journal.problem or self._no_room
        return None if problem is None else problem.sentence

    # One run ------------------------------------------------------------------------------------

    def head_for(
        self, tables: Mapping[str, Any], form: Mapping[str, Any], folder: Path = Path()
    ) -> RunHead:
        """Head of a run to begin.

        Parameters
        ----------
        tables:
            Tables of the titration record.
        form:
            What was typed on the page.
        folder:
            Where the certificates are that the record names.

        Raises
        ------
        Problem
            The record cannot be used, or the journal cannot be read.
        """
        label = tables["sample"].get("label")
        done = [e for e in self.journal.runs() if e.head.label == label and e.had_result]
        return run_head(
            tables,
            folder,
            today=self._today,
            replicate=1 + len(done),
            source=self._source,
            program=self._program,
            form=form,
        )

    def begin(self, head: RunHead) -> None:
        """Open a run; on a full disk too, where it waits like every event.

        Raises
        ------
        JournalProblem
            There is no room for more to wait. Then no run is open.
        """
        self.leave()
        self.run = self.journal.begin(head, wait=False)
        self.head = head

    def leave(self) -> None:
        """No run is open, and no result is shown."""
        self.run, self.head, self.over = None, None, False
        self.shift_s, self._rows = 0.0, None

    def resume(self, run: int) -> list[Kept]:
        """Open an unfinished run again.

        `shift_s` is for the caller to set, who knows the time on the clock of the session.

        Returns
        -------
        All its events in order, on the clock of the run. The last is the `Resumed` that says where
        this clock is now.

        Raises
        ------
        JournalProblem
            There is no such run, it is finished, or it cannot be read or written.
        """
        journal = self._unfinished(run)
        self.leave()
        journal.resume(run)
        events = journal.events(run)
        self._rows = seen_in(
            kept.event for kept in events if isinstance(kept.event, TubeSeen | VolumeSeen)
        )
        self.run, self.head = run, head_of(events)
        return events

    def give_up(self, run: int) -> None:
        """Close an unfinished run without a result; it stays in the journal.

        It need not be readable, so that a damaged run can be closed too.

        Raises
        ------
        JournalProblem
            There is no such run, it is finished, or there is no room for more to wait.
        """
        self._unfinished(run).append(run, GivenUp(""))
        self.flush()

    def end(self, result: Mapping[str, Any] | None) -> None:
        """Close the run with the document of its result, or without one.

        Raises
        ------
        JournalProblem
            No run is open, or there is no room for more to wait. Then the run stays open.
        """
        self._put(
            GivenUp("") if result is None else Finding(str(result.get("status")), plain(result))
        )
        self.over = True
        self.flush()

    def go_on(self, now_s: float) -> list[Kept]:
        """Open the finished run again, to add titrant, and return its events as `resume` does.

        Parameters
        ----------
        now_s:
            Time on the clock of the session.

        Raises
        ------
        JournalProblem
            No run is finished, or there is no room for more to wait.
        """
        self.append(WentOn(now_s))
        self.over = False
        return self.events()

    def events(self) -> list[Kept]:
        """Events of the run but for its pictures, in order, on the clock of the run.

        Raises
        ------
        JournalProblem
            No run is open, or it cannot be read.
        """
        return self.journal.events(self._open(), [kind for kind in KINDS if kind != "still"])

    def series(self) -> list[RunEntry]:
        """Runs of the sample of this run and of its day that have a result, or had one.

        Raises
        ------
        JournalProblem
            The journal cannot be read.
        """
        if self.head is None:
            return []
        mine = _sample_of(self.head)
        return [e for e in self.journal.runs() if e.had_result and _sample_of(e.head) == mine]

    def last_form(self) -> dict[str, Any]:
        """What was typed on the page before the last run; empty if none was.

        Raises
        ------
        JournalProblem
            The journal cannot be read.
        """
        forms = [dict(entry.head.form) for entry in self.journal.runs() if entry.head.form]
        return forms[-1] if forms else {}

    # What a person did --------------------------------------------------------------------------

    def append(self, event: Event) -> int:
        """Keep an event and return its number, by which a correction or an undo refers to it.

        Parameters
        ----------
        event:
            With its time on the clock of the session.

        Raises
        ------
        JournalProblem
            It is not kept: no run is open, it refers to nothing that can be corrected, or there is
            no room for more to wait.
        """
        return self._put(_moved(event, self.shift_s))

    # What the program saw and noticed -----------------------------------------------------------

    def colour(self, sample: ColourSample) -> None:
        """Keep the colour of one frame."""
        self._try(_moved(sample, self.shift_s))

    def burette_rows(self, rows: BuretteRows) -> None:
        """Keep what is new of a burette in the picture; what found no room comes with the next."""
        if self.run is None or self.over:
            return
        now = rows.moved(self.shift_s)
        try:
            for event in news(self._rows, now, None if self._rows is None else self._rows.tube):
                self._put(event)
        except JournalProblem as problem:
            self._no_room = problem
        else:
            self._rows = now

    def region(self, region: Region) -> None:
        """Keep where liquid and reference are."""
        self._try(region_seen(region))

    def kept_region(self) -> Region | None:
        """Region that was kept last in the open run; None if there is none or it is damaged."""
        if self.run is None:
            return None
        with contextlib.suppress(JournalProblem):
            kept = self.journal.events(self.run, ["region"])
            last = kept[-1].event if kept else None
            return region_of(last) if isinstance(last, RegionSeen) else None
        return None

    def wants_still(self, time_s: float) -> bool:
        """Whether a picture of this time would be kept: at most one a second, later fewer."""
        if self.run is None or self.over or self.trouble is not None:
            return False
        return self.journal.wants_still(self.run, time_s + self.shift_s)

    def still(self, time_s: float, jpeg: bytes) -> None:
        """Keep a picture, if there is room for it."""
        self._try(Still(time_s + self.shift_s, jpeg))

    def verdict(self, said: Mapping[str, Any]) -> None:
        """Keep the verdict so far: "status", "time_s" and what else is known."""
        self._try(Finding(str(said.get("status")), plain(self._on_clock(said)), final=False))

    def note(self, code: str, said: Mapping[str, Any]) -> None:
        """Keep an incident; "jump_s" is how far a clock jumped."""
        seconds = said.get("jump_s")
        text = json.dumps(plain(self._on_clock(said)), ensure_ascii=False, default=str)
        self._try(Incident(code, text, None if seconds is None else float(seconds)))

    # The journal --------------------------------------------------------------------------------

    def unfinished(self) -> list[RunEntry]:
        """Runs that were begun and not ended.

        Raises
        ------
        JournalProblem
            The journal cannot be read.
        """
        return self.journal.unfinished()

    def flush(self) -> None:
        """Try to write what waits; `trouble` says if that fails."""
        self._no_room = None
        with contextlib.suppress(JournalProblem):
            self.journal.flush()

    def close(self) -> None:
        """Close the journal.

        Raises
        ------
        JournalProblem
            What waits cannot be written.
        """
        self.journal.close()

    def _unfinished(self, run: int) -> RunJournal:
        """The journal, in which this run is unfinished."""
        if run not in [entry.run for entry in self.unfinished()]:
            raise JournalProblem(
                f"Run {run} is not one of the unfinished runs.", "Begin a new run."
            )
        return self.journal

    def _open(self) -> int:
        if self.run is None:
            raise JournalProblem("No run is open.", "Begin a run.")
        return self.run

    def _put(self, event: Event) -> int:
        return self.journal.append(self._open(), event)

    def _try(self, event: Event) -> None:
        """Keep an event of the open run, if there is room; between two runs it belongs to none."""
        if self.run is None or self.over:
            return
        try:
            self._put(event)
        except JournalProblem as problem:
            self._no_room = problem

    def _on_clock(self, said: Mapping[str, Any]) -> dict[str, Any]:
        moved = {"time_s": said["time_s"] + self.shift_s} if "time_s" in said else {}
        return {**said, **moved}


def _moved(event: Event, later_s: float) -> Event:
    """An event on another clock."""
    if isinstance(event, Reading):
        return event.moved(later_s)
    if isinstance(event, ColourSample | PumpRate | Still | WentOn):
        return replace(event, time_s=event.time_s + later_s)
    if isinstance(event, Correction) and event.time_s is not None:
        return replace(event, time_s=event.time_s + later_s)
    return event


def _sample_of(head: RunHead) -> tuple[str, str]:
    """Name and day of a sample."""
    sample = head.record.get("sample")
    day = sample.get("date") if isinstance(sample, Mapping) else None
    return head.label, str(day)
