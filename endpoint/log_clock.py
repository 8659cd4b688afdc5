"""The clock of a log against that of its recording: as stated, as assumed, or as found."""

from __future__ import annotations

from dataclasses import dataclass, replace

from endpoint.clock_search import ClockSearch, search_clock
from endpoint.colour import ColourTrace
from endpoint.delivery import Delivery
from endpoint.sentences import Sentence, reason, remark
from endpoint.verdict import Verdict

FOUND_U_S = 1.0
"""Standard uncertainty of a difference that was found: two bins, and rows that come late."""
_DOUBTED = 2
"""Additions outside the recording from which its clock is doubted; the last may come late."""
_LATE_S = 2.0
_WORTH_A_LOOK, _WORTH_A_WORD = 1.0, 2.0
"""Gain of a quick search from which a thorough one is made, and of that one from which the user
hears of it."""


@dataclass(frozen=True)
class LogClock:
    """Difference of the clocks that the delivery of a job has in it."""

    offset_s: float = 0.0
    """Clock of the recording minus that of the log."""
    basis: str = "assumed"
    """"stated" in the record or its certificate, "assumed" to be none, or "found"."""


@dataclass(frozen=True)
class ClockDoubt:
    """What there is to say of the clock, and what may not be told because of it."""

    sentence: Sentence | None = None
    refuses: str = ""
    """"" nothing, "bracket" a bracket, "result" every number."""

    def on(self, verdict: Verdict) -> Verdict:
        """Verdict with the sentence, and without what may not be told."""
        if self.sentence is None:
            return verdict
        if self.refuses == "" or (self.refuses == "bracket" and verdict.status == "located"):
            return replace(verdict, remarks=(*verdict.remarks, self.sentence))
        told = verdict.reasons if verdict.status == "none" else ()
        return Verdict("none", (*told, self.sentence), verdict.remarks, None)


@dataclass(frozen=True, eq=False)
class Agreement:
    """A log on the clock of its recording, and what is doubtful about it."""

    delivery: Delivery
    clock: LogClock | None
    doubt: ClockDoubt = ClockDoubt()
    uncertainty_s: float = 0.0
    """Standard uncertainty of a difference that was found; comes on top of what was stated."""


def needs_every_frame(
    delivery: Delivery, clock: LogClock | None, colour: ColourTrace, last_s: float
) -> bool:
    """Whether the spans of a film that were looked at make it doubtful that the log fits it.

    Parameters
    ----------
    delivery, clock, last_s:
        As in `on_one_clock`.
    colour:
        Colours of the spans.
    """
    if clock is None or clock.basis != "assumed":
        return False
    if delivery.additions_outside(last_s):
        return True
    quick = search_clock(colour, delivery, thorough=False)
    return quick is not None and quick.gain >= _WORTH_A_LOOK


def on_one_clock(
    delivery: Delivery, clock: LogClock | None, colour: ColourTrace | None, last_s: float
) -> Agreement:
    """Bring a log on the clock of its recording, or say what is doubtful about it.

    A difference that was not stated and that the colours show beyond doubt is taken; one that was
    stated stands, whatever they show.

    Parameters
    ----------
    delivery:
        On the clock of the recording as far as that was stated.
    clock:
        What was stated of it; None where log and recording have one clock.
    colour:
        Colours of the recording; None to go by the times alone.
    last_s:
        Time of the last frame; infinite where it is not known.
    """
    outside = delivery.additions_outside(last_s)
    if clock is None:
        return Agreement(delivery, clock, _by_times_alone(outside, 0))
    seen = None if colour is None else _searched(colour, delivery, outside)
    if seen is not None and seen.confirms:
        return Agreement(delivery, clock)
    if clock.basis == "stated":
        return Agreement(delivery, clock, ClockDoubt(_remarked(seen, outside)))
    if seen is not None and seen.is_found:
        return _moved(delivery, seen.offset_s)
    if seen is not None and seen.contradicts:
        return Agreement(delivery, clock, ClockDoubt(reason("clocks-disagree"), "result"))
    doubt = _by_times_alone(outside, delivery.additions_after(last_s + _LATE_S))
    if doubt.sentence is None:
        doubt = ClockDoubt(_remarked(seen, outside))
    elif seen is not None and seen.gain >= _WORTH_A_WORD:
        doubt = ClockDoubt(doubt.sentence, "result")
    return Agreement(delivery, clock, doubt)


def _remarked(seen: ClockSearch | None, outside: int) -> Sentence | None:
    if seen is not None and seen.gain >= _WORTH_A_WORD:
        return remark("clocks-doubted")
    return reason("clocks-apart") if outside >= _DOUBTED else None


def _searched(colour: ColourTrace, delivery: Delivery, outside: int) -> ClockSearch | None:
    quick = search_clock(colour, delivery, thorough=False)
    if quick is None or (quick.gain < _WORTH_A_LOOK and not outside):
        return quick
    return search_clock(colour, delivery, thorough=True)


def _by_times_alone(outside: int, late: int) -> ClockDoubt:
    if late:
        return ClockDoubt(reason("clocks-apart"), "result")
    return ClockDoubt(reason("clocks-apart"), "bracket") if outside >= _DOUBTED else ClockDoubt()


def _moved(delivery: Delivery, offset_s: float) -> Agreement:
    return Agreement(
        Delivery("steps", delivery.time_s + offset_s, delivery.volume_ml),
        LogClock(offset_s, "found"),
        ClockDoubt(remark("clock-found", {"offset": f"{offset_s:+.1f}"})),
        FOUND_U_S,
    )
