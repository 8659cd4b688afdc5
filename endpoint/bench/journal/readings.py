"""Which of the readings that a person typed count, and with what value; pure.

Undos and corrections are worked out here and nowhere else, for the live run, for a run that is
resumed and for an export:

* an undo cancels the event that it refers to, unless the undo was itself undone;
* of the corrections of a reading that count, the last one counts;
* readings are taken in the order of their times, those of one time in the order of typing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from endpoint.bench.journal.events import Correction, Event, PumpRate, Reading, Undo


class Numbered(Protocol):
    """An event with the number by which corrections and undos refer to it."""

    @property
    def number(self) -> int:
        """Unique within the run and rising."""
        ...

    @property
    def event(self) -> Event:
        """The event."""
        ...


@dataclass(frozen=True)
class CountedReading:
    """A reading as it counts now."""

    number: int
    """Of the event `Reading`."""
    time_s: float
    burette_ml: float
    refill: bool
    corrected: bool


def standing(events: Sequence[Numbered]) -> dict[int, Event]:
    """Readings, pump rates and corrections that were not undone, by number.

    Parameters
    ----------
    events:
        Events of one run, in the order of their numbers.
    """
    gone: set[int] = set()
    out: dict[int, Event] = {}
    for entry in reversed(events):
        if entry.number in gone:
            continue
        if isinstance(entry.event, Undo):
            gone.add(entry.event.of)
        elif isinstance(entry.event, Reading | PumpRate | Correction):
            out[entry.number] = entry.event
    return dict(reversed(out.items()))


def readings_of(events: Sequence[Numbered]) -> tuple[CountedReading, ...]:
    """Readings that count, corrected, in the order of their times.

    Parameters
    ----------
    events:
        Events of one run, in the order of their numbers.
    """
    found: dict[int, CountedReading] = {}
    for number, event in standing(events).items():
        if isinstance(event, Reading):
            found[number] = CountedReading(
                number, event.time_s, event.burette_ml, event.refill, False
            )
        elif isinstance(event, Correction) and event.of in found:
            old = found[event.of]
            time_s = old.time_s if event.time_s is None else event.time_s
            found[event.of] = replace(
                old, time_s=time_s, burette_ml=event.burette_ml, corrected=True
            )
    return tuple(sorted(found.values(), key=lambda reading: (reading.time_s, reading.number)))
