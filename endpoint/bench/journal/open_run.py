"""The journal as the live session speaks to it: plain kinds and mappings, one open run.

The session names a reading by its row on the page; here the rows become numbers of events. What
has no event of its own is kept as an incident under its kind, so nothing is dropped.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from endpoint.bench.journal.events import (
    Correction,
    Event,
    Finding,
    GivenUp,
    Incident,
    Kept,
    PumpRate,
    Reading,
    RegionSeen,
    Resumed,
    Still,
    TubeSeen,
    Undo,
    VolumeSeen,
    kind_of,
)
from endpoint.bench.journal.export import run_head
from endpoint.bench.journal.journal import RunEntry, RunJournal
from endpoint.bench.journal.reconstruct import readings_of
from endpoint.bench.journal.stored_region import region_of, region_seen
from endpoint.colour.density import ColourSample
from endpoint.problems import Flag, JournalProblem
from endpoint.result.document import plain
from endpoint.scene.region import Region
from endpoint.scene.tracking import HOME, Pose


class SessionJournal:
    """One run at a time of a `RunJournal`.

    Parameters
    ----------
    journal:
        Open for writing.
    today:
        Day of the titration.
    source, program:
        As in `RunHead`.
    """

    def __init__(
        self, journal: RunJournal, today: datetime.date, *, source: str = "", program: str = ""
    ) -> None:
        self.journal = journal
        self.run: int | None = None
        """Run that is open now."""
        self._today, self._source, self._program = today, source, program
        self._form: Mapping[str, Any] = {}
        self._record: Mapping[str, Any] = {}
        self._rows: list[int] = []

    def begin(self, record: Mapping[str, Any]) -> str:
        """Open a run with {"record": tables, "form": what was typed}; returns its number.

        A run that cannot be written now begins all the same; `flush` says so.

        Raises
        ------
        Problem
            The record cannot be used.
        """
        tables, form = record["record"], record.get("form", {})
        same = [e for e in self.journal.runs() if e.head.label == tables["sample"].get("label")]
        head = run_head(
            tables,
            Path(),
            today=self._today,
            replicate=1 + sum(entry.finished and entry.status != "given-up" for entry in same),
            source=self._source,
            program=self._program,
            form=form,
        )
        self.run = self.journal.begin(head, wait=False)
        self._record, self._form, self._rows = tables, form, []
        return str(self.run)

    def append(self, kind: str, data: Mapping[str, Any]) -> None:
        """Keep one event of the open run; what happens between two runs belongs to none.

        Raises
        ------
        JournalProblem
            There is no such row.
        """
        if self.run is None:
            return
        if kind == "colour":
            self.journal.append(self.run, _colour(data))
            return
        event = data["event"] if kind in ("tube", "volume-seen") else self._event(kind, data)
        number = self.journal.append(self.run, event)
        if isinstance(event, Reading):
            self._rows.append(number)
        elif isinstance(event, Undo):
            self._rows.remove(event.of)

    def keep_region(self, region: Region) -> None:
        """Keep where the liquid and the reference are, for a run that goes on."""
        self.journal.append(self._open_run(), region_seen(region))

    def kept_region(self) -> Region | None:
        """Region that was kept last in the open run.

        Raises
        ------
        JournalProblem
            It is damaged.
        """
        kept = self.journal.events(self._open_run(), ["region"])
        last = kept[-1].event if kept else None
        return region_of(last) if isinstance(last, RegionSeen) else None

    def wants_still(self, time_s: float) -> bool:
        """Whether a picture of this time would be kept: at most one a second, later fewer."""
        return self.run is not None and self.journal.wants_still(self.run, time_s)

    def keep_still(self, time_s: float, jpeg: bytes) -> None:
        """Keep a picture, if there is room for it."""
        self.journal.append(self._open_run(), Still(time_s, jpeg))

    def flush(self) -> None:
        """Write what waits.

        Raises
        ------
        JournalProblem
            It cannot be written.
        """
        self.journal.flush()

    def unfinished(self) -> Sequence[Mapping[str, Any]]:
        """Runs that were begun and not ended: run, label, record, form and number of events."""
        return [self._told(entry) for entry in self.journal.unfinished()]

    def resume(self, run: str) -> Sequence[Mapping[str, Any]]:
        """Open an unfinished run again.

        Returns
        -------
        What counts of it, as the session once gave it: "reading" in rows (corrected, without those
        that were taken back), "pump", "colour" and the rest in order; and at the end "resumed"
        with `time_s`, where the clock of the frames goes on, and `sure`.

        Raises
        ------
        JournalProblem
            There is no such run, or it is finished.
        """
        found = [e for e in self.journal.unfinished() if str(e.run) == run]
        if not found:
            raise JournalProblem(f"Run {run[:20]} is not open.", "Begin a new run.")
        self.run = found[0].run
        self._record, self._form = found[0].head.record, found[0].head.form
        events = self.journal.events(self.run)
        readings = readings_of(events)
        self._rows = [reading.number for reading in readings]
        told = [
            {"kind": "reading", "time_s": r.time_s, "reading_ml": r.burette_ml} for r in readings
        ]
        told += [said for kept in events if (said := _said(kept)) is not None]
        going_on = self.journal.resume(self.run)
        return [*told, {"kind": "resumed", "time_s": going_on.time_s, "sure": going_on.sure}]

    def end(self, result: Mapping[str, Any] | None) -> None:
        """Close the run with its result, or without one.

        Raises
        ------
        JournalProblem
            It cannot be written.
        """
        run = self._open_run()
        last = GivenUp("") if result is None else Finding(str(result.get("status")), plain(result))
        self.journal.append(run, last)
        self.run = None
        self.journal.flush()

    def _open_run(self) -> int:
        if self.run is None:
            raise JournalProblem("No run is open.", "Begin a run.")
        return self.run

    def _told(self, entry: RunEntry) -> dict[str, Any]:
        return {
            "run": str(entry.run),
            "label": entry.head.label,
            "record": dict(entry.head.record),
            "form": dict(entry.head.form),
            "events": entry.events,
        }

    def _event(self, kind: str, data: Mapping[str, Any]) -> Event:
        delivery = self._record.get("delivery", {})
        if kind == "begin" and "rate_ml_min" not in delivery:
            start = self._form.get("first_reading_ml")
            if start is None:
                start = self._record.get("ware", {}).get("first_reading_ml", 0.0)
            return Reading(float(data["time_s"]), float(start))
        if kind == "reading":
            return Reading(float(data["time_s"]), float(data["reading_ml"]))
        if kind == "correction":
            return Correction(self._row(int(data["row"])), float(data["reading_ml"]))
        if kind == "undo":
            return Undo(self._row(len(self._rows) - 1))
        if kind == "pump":
            rate = delivery.get("rate_ml_min", self._form.get("rate_ml_min", 0.0))
            return PumpRate(float(data["time_s"]), float(rate) if data["run"] else 0.0)
        if kind == "verdict":
            return Finding(str(data.get("status")), plain(data), final=False)
        seconds = data.get("jump_s")
        text = json.dumps(plain(data), ensure_ascii=False, default=str)
        return Incident(kind, text, None if seconds is None else float(seconds))

    def _row(self, row: int) -> int:
        if not 0 <= row < len(self._rows):
            raise JournalProblem(
                f"There is no reading in row {row}.", "Choose a reading from the list."
            )
        return self._rows[row]


def _colour(data: Mapping[str, Any]) -> ColourSample:
    """Colour from the mapping that `dataclasses.asdict` makes of one."""
    values = dict(data)
    pose = values.pop("pose", None)
    triples = ("density", "display_density", "density_sigma", "reference")
    values |= {name: tuple(values[name]) for name in triples}
    values["flags"] = Flag(values["flags"])
    values["pose"] = HOME if pose is None else Pose(**pose)
    return ColourSample(**values)


def _said(kept: Kept) -> dict[str, Any] | None:
    event = kept.event
    if isinstance(event, ColourSample):
        return {"kind": "colour", "sample": event}
    if isinstance(event, PumpRate):
        return {"kind": "pump", "time_s": event.time_s, "run": event.rate_ml_min > 0.0}
    if isinstance(event, TubeSeen | VolumeSeen):
        return {"kind": kind_of(event), "event": event}
    if isinstance(event, Finding):
        return {"kind": "verdict", **event.result}
    if isinstance(event, Resumed):
        return {"kind": "resumed", "time_s": event.time_s, "sure": event.sure}
    if isinstance(event, Incident):
        return {"kind": event.code, **json.loads(event.text)} if event.text[:1] == "{" else None
    return None
