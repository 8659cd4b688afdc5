"""Rows of the journal's file as events, and a run as one line of the list of runs; pure.

A run that is damaged has a line too, so that it does not hide the others.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from endpoint.bench.journal.events import (
    Discarded,
    Finding,
    GivenUp,
    Kept,
    RunHead,
    Stamp,
    decode,
)
from endpoint.bench.journal.readings import standing
from endpoint.bench.journal.sqlite_file import Row
from endpoint.problems import JournalProblem

_LATEST_S = 2.5e11
"""About the last second that has a date, s since 1970."""


@dataclass(frozen=True)
class RunEntry:
    """A run in the list of runs."""

    run: int
    opened: Stamp | None
    """None if that is damaged."""
    head: RunHead
    """Without label and record if it is damaged."""
    status: str
    """"located", "bracketed", "none", "discarded", "given-up", "unfinished" or "damaged"."""
    result: dict[str, Any] | None
    """Plain data of the last finding."""
    events: int
    """How many events there are, the colours of the frames among them."""

    @property
    def finished(self) -> bool:
        """Whether the run was ended, with a result or without."""
        return self.status != "unfinished"

    @property
    def has_result(self) -> bool:
        """Whether the run was ended with a result."""
        return self.status not in ("unfinished", "given-up", "damaged", "discarded")

    @property
    def had_result(self) -> bool:
        """Whether it was ended with a result, be it discarded or not."""
        return self.has_result or self.status == "discarded"


def kept_of(row: Row, path: Path) -> Kept:
    """Event of a row.

    Parameters
    ----------
    row:
        Of the table `events`.
    path:
        The journal that it is from.

    Raises
    ------
    JournalProblem
        It is damaged.
    """
    number, run, kind, mono_s, wall_s, body, data = row
    try:
        if not abs(wall_s) < _LATEST_S:
            raise ValueError
        return Kept(number, run, Stamp(mono_s, wall_s), decode(kind, body, data))
    except (KeyError, TypeError, ValueError, struct.error, RecursionError):
        raise JournalProblem(
            f"Event {number} of the journal {path} is damaged.",
            "Restore the file from a backup, or begin a new journal.",
        ) from None


def entry_of(
    run: int, first: Row, ended: Row, discards: Sequence[Row], events: int, path: Path
) -> RunEntry:
    """Line of a run.

    Parameters
    ----------
    run:
        Its number.
    first, ended, discards:
        As `JournalFile.ends_of` gives them.
    events:
        How many it has.
    path:
        The journal.
    """
    opened, head, status, result = None, RunHead("", {}), "unfinished", None
    try:
        beginning = kept_of(first, path)
        opened = beginning.stamp
        if not isinstance(beginning.event, RunHead):
            return RunEntry(run, opened, head, "damaged", None, events)
        head = beginning.event
        event = kept_of(ended, path).event
        marks = standing([kept_of(row, path) for row in discards]).values()
    except JournalProblem:
        return RunEntry(run, opened, head, "damaged", None, events)
    if isinstance(event, GivenUp):
        status = "given-up"
    elif isinstance(event, Finding):
        result = dict(event.result)
        status = event.status if event.final else status
        if event.final and any(isinstance(mark, Discarded) for mark in marks):
            status = "discarded"
    return RunEntry(run, opened, head, status, result, events)
