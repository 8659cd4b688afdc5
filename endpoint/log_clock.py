"""The clock of a log against that of its recording: as stated, as assumed, or as found."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from endpoint.clock_search import ClockSearch, search_clock
from endpoint.delivery import Delivery
from endpoint.sentences import Sentence, reason, remark
from endpoint.verdict import Verdict

if TYPE_CHECKING:
    from endpoint.colour import ColourTrace
    from endpoint.job import Job

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


def needs_every_frame(job: Job, colour: ColourTrace, last_s: float) -> bool:
    """Whether the spans of a film that were looked at make it doubtful that the log fits it.

    Parameters
    ----------
    job, last_s:
        As in `on_one_clock`.
    colour:
        Colours of the spans.
    """
    if job.clock is None or job.clock.basis != "assumed" or job.delivery is None:
        return False
    if job.delivery.additions_outside(last_s):
        return True
    quick = search_clock(colour, job.delivery, thorough=False)
    return quick is not None and quick.gain >= _WORTH_A_LOOK


def on_one_clock(job: Job, colour: ColourTrace | None, last_s: float) -> tuple[Job, ClockDoubt]:
    """Job with its log on the clock of the recording, and what is doubtful about it.

    A difference that was not stated and that the colours show beyond doubt is taken; one that was
    stated stands, whatever they show.

    Parameters
    ----------
    job:
        With its delivery.
    colour:
        Colours of the recording; None to go by the times alone.
    last_s:
        Time of the last frame; infinite where it is not known.
    """
    delivery, clock = job.delivery, job.clock
    if delivery is None:
        return job, ClockDoubt()
    outside = delivery.additions_outside(last_s)
    if clock is None:
        return job, _by_times_alone(outside, 0)
    seen = None if colour is None else _searched(colour, delivery, outside)
    if seen is not None and seen.confirms:
        return job, ClockDoubt()
    if clock.basis == "stated":
        return job, ClockDoubt(_remarked(seen, outside))
    if seen is not None and seen.is_found:
        said = remark("clock-found", {"offset": f"{seen.offset_s:.1f}"})
        return _moved(job, delivery, seen.offset_s), ClockDoubt(said)
    if seen is not None and seen.contradicts:
        return job, ClockDoubt(reason("clocks-disagree"), "result")
    doubt = _by_times_alone(outside, delivery.additions_after(last_s + _LATE_S))
    return job, doubt if doubt.sentence else ClockDoubt(_remarked(seen, outside))


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


def _moved(job: Job, delivery: Delivery, offset_s: float) -> Job:
    return replace(
        job,
        delivery=Delivery("steps", delivery.time_s + offset_s, delivery.volume_ml),
        clock=LogClock(offset_s, "found"),
        clock_uncertainty_s=math.hypot(job.clock_uncertainty_s, FOUND_U_S),
    )
