"""The clock of a log against that of its recording, where rows cannot be put to additions."""

from __future__ import annotations

from dataclasses import dataclass

from endpoint.delivery.delivery import Delivery
from endpoint.messages import Sentence, reason

_DOUBTED = 2
"""Additions outside the recording from which its clock is doubted; the last may come late."""
_LATE_S = 2.0
"""How long after the last frame an addition may be written down, s."""


@dataclass(frozen=True)
class LogClock:
    """Difference of the clocks that the delivery of a job has in it."""

    offset_s: float = 0.0
    """Clock of the recording minus that of the log."""
    basis: str = "assumed"
    """"stated" in the record or its certificate, or "assumed" to be none."""


@dataclass(frozen=True)
class ClockDoubt:
    """What there is to say about the clock, and which numbers it forbids."""

    sentence: Sentence | None = None
    refuses: str = ""
    """"" nothing, "bracket" a bracket, "result" every number."""


def doubt_of_clock(delivery: Delivery, clock: LogClock | None, last_s: float) -> ClockDoubt:
    """What the times of a log alone make doubtful.

    Parameters
    ----------
    delivery:
        On the clock of the recording as far as that was stated.
    clock:
        What was stated of it; None where log and recording have one clock.
    last_s:
        Time of the last frame; infinite where it is not known.
    """
    outside = delivery.additions_outside(last_s)
    if delivery.additions_after(last_s + _LATE_S):
        doubt = ClockDoubt(reason("clocks-apart"), "result")
    elif outside >= _DOUBTED:
        doubt = ClockDoubt(reason("clocks-apart"), "bracket")
    else:
        doubt = ClockDoubt()
    stated = clock is not None and clock.basis == "stated"
    return ClockDoubt(doubt.sentence) if stated else doubt
