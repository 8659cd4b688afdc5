"""What a person did that counts, and with what value: readings, the pump, what was discarded; pure.

Undos and corrections are worked out here and nowhere else, for the live run, for a run that is
resumed, for the list of runs and for an export:

* an undo cancels the event that it refers to, unless the undo was itself undone;
* of the corrections of a reading that count, the last one counts;
* readings are taken in the order of their times, those of one time in the order of typing;
* after a refill the delivered volume goes on from where it stood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from endpoint.bench.journal.events import (
    NOT_ASKED,
    Asked,
    Correction,
    Discarded,
    Event,
    PumpRate,
    Reading,
    Undo,
)
from endpoint.problems import DeliveryProblem


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
class Typed:
    """What a person did, with its number in the journal."""

    number: int
    event: Event


@dataclass(frozen=True)
class CountedReading:
    """A reading as it counts now."""

    number: int
    """Of the event `Reading`."""
    time_s: float
    burette_ml: float
    refill: bool
    corrected: bool
    asked: Asked = NOT_ASKED


def standing(events: Sequence[Numbered]) -> dict[int, Event]:
    """What a person did and what was not undone, by number.

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
        elif isinstance(entry.event, Reading | PumpRate | Correction | Discarded):
            out[entry.number] = entry.event
    return dict(reversed(out.items()))


def last_act(events: Sequence[Numbered]) -> tuple[int, Event] | None:
    """What an undo takes back: the last reading, correction or switching of the pump that counts.

    A correction of a reading that was undone since has no effect, so it is passed over; the start
    reading is never taken back. None where there is nothing left.

    Parameters
    ----------
    events:
        Events of one run, in the order of their numbers.
    """
    counted = standing(events)
    readings = [n for n, event in counted.items() if isinstance(event, Reading)]
    for number, event in reversed(counted.items()):
        if isinstance(event, PumpRate) or (isinstance(event, Reading) and number != readings[0]):
            return number, event
        if isinstance(event, Correction) and event.of in readings:
            return number, event
    return None


def undo_of(events: Sequence[Numbered]) -> Undo:
    """The event that takes back what was done last.

    Raises
    ------
    DeliveryProblem
        There is nothing left to take back.
    """
    act = last_act(events)
    if act is None:
        raise DeliveryProblem("There is nothing to undo.", "Go on with the titration.")
    return Undo(act[0])


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
                number,
                event.time_s,
                event.burette_ml,
                event.refill,
                False,
                event.asked,
            )
        elif isinstance(event, Correction) and event.of in found:
            old = found[event.of]
            time_s = old.time_s if event.time_s is None else event.time_s
            found[event.of] = replace(
                old, time_s=time_s, burette_ml=event.burette_ml, corrected=True
            )
    return tuple(sorted(found.values(), key=lambda reading: (reading.time_s, reading.number)))


def delivered_ml(readings: Sequence[CountedReading]) -> tuple[float, ...]:
    """Volume delivered by each reading, mL: 0 for the first, and a refill adds nothing.

    It may fall where a reading is less than the one before without a refill.
    """
    out: list[float] = []
    base, last = 0.0, None
    for reading in readings:
        if last is None:
            base = -reading.burette_ml
        elif reading.refill:
            base += last - reading.burette_ml
        last = reading.burette_ml
        # Twelve decimals, so that 13.9 - 0.1 is written as people do.
        out.append(round(base + reading.burette_ml, 12))
    return tuple(out)
