"""Writes to the journal; what cannot be written is held and tried again."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from endpoint.bench.guidance.ports import Journal
from endpoint.bench.journal.burette_events import news, seen_in
from endpoint.bench.journal.events import kind_of
from endpoint.colour.density import ColourSample
from endpoint.delivery.burette_rows import BuretteRows
from endpoint.problems import OutputProblem
from endpoint.scene.region import Region

_MOST_HELD = 50_000
"""Events that are held while the journal is full: about an hour of colours at 15 a second."""


class Keeper:
    """The journal of a session, which never stops the work when it cannot be written."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._held: deque[tuple[str, dict[str, Any]]] = deque(maxlen=_MOST_HELD)
        self.trouble: str | None = None
        """Sentence on why it cannot be written; None while it can."""
        self.shift_s = 0.0
        """Clock of the run minus clock of the session: not 0 in a run that was gone on with."""
        self._seen: BuretteRows | None = None
        """What the journal holds of a burette in the picture, on its clock."""

    def begin(self, record: Mapping[str, Any]) -> None:
        """Open a run."""
        self.shift_s, self._seen = 0.0, None
        try:
            self._journal.begin(record)
        except OutputProblem as problem:
            self.trouble = problem.sentence

    def note(self, kind: str, data: dict[str, Any]) -> None:
        """Keep one event, in order."""
        if "time_s" in data:
            data = {**data, "time_s": data["time_s"] + self.shift_s}
        if self._held:
            self._held.append((kind, data))
            return
        try:
            self._journal.append(kind, data)
        except OutputProblem as problem:
            self._held.append((kind, data))
            self.trouble = problem.sentence

    def colour(self, sample: ColourSample) -> None:
        """Keep the colour of one frame."""
        data = asdict(sample)
        data["flags"] = int(sample.flags)
        self.note("colour", data)

    def seen(self, rows: BuretteRows) -> None:
        """Keep what is new of a burette that the picture shows."""
        now = rows.moved(self.shift_s)
        for event in news(self._seen, now, None if self._seen is None else self._seen.tube):
            self.note(kind_of(event), {"event": event})
        self._seen = now

    def region(self, region: Region) -> None:
        """Keep where liquid and reference are."""
        try:
            self._journal.keep_region(region)
        except OutputProblem as problem:
            self.trouble = problem.sentence

    def kept_region(self) -> Region | None:
        """Region of the run that is gone on with, None if it cannot be read."""
        try:
            return self._journal.kept_region()
        except OutputProblem as problem:
            self.trouble = problem.sentence
            return None

    def wants_still(self, time_s: float) -> bool:
        """Whether a picture of this time of the session would be kept."""
        return self.trouble is None and self._journal.wants_still(time_s + self.shift_s)

    def still(self, time_s: float, jpeg: bytes) -> None:
        """Keep a picture; one that cannot be kept is let go."""
        try:
            self._journal.keep_still(time_s + self.shift_s, jpeg)
        except OutputProblem as problem:
            self.trouble = problem.sentence

    def unfinished(self) -> list[dict[str, Any]]:
        """Runs that were broken off; none if the journal cannot be read."""
        try:
            return [dict(run) for run in self._journal.unfinished()]
        except OutputProblem as problem:
            self.trouble = problem.sentence
            return []

    def resume(self, run: str) -> list[dict[str, Any]]:
        """Open a run again and return its events.

        Raises
        ------
        OutputProblem
            There is no such run, or it cannot be read.
        """
        events = [dict(event) for event in self._journal.resume(run)]
        self._seen = seen_in(event["event"] for event in events if "event" in event)
        return events

    def flush(self) -> None:
        """Write what waits."""
        try:
            while self._held:
                self._journal.append(*self._held[0])
                self._held.popleft()
            self._journal.flush()
        except OutputProblem as problem:
            self.trouble = problem.sentence
        else:
            self.trouble = None

    def end(self, result: Mapping[str, Any] | None) -> None:
        """Close the run."""
        self.flush()
        try:
            self._journal.end(result)
        except OutputProblem as problem:
            self.trouble = problem.sentence
