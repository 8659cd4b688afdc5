"""The clock of a log against that of its recording: what is stated, and what is doubtful."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from endpoint.colour.density import ColourTrace
from endpoint.delivery.clock_search import ClockSearch, search_clock
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.first_plume import first_plume
from endpoint.delivery.log_end import changes_after_the_end
from endpoint.messages import Sentence, reason, remark

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
    """"stated" in the record or its certificate, or "assumed" to be none."""


@dataclass(frozen=True)
class ClockDoubt:
    """What there is to say about the clock, and which numbers it forbids."""

    sentence: Sentence | None = None
    refuses: str = ""
    """"" nothing, "bracket" a bracket, "result" every number."""


def needs_every_frame(
    delivery: Delivery, clock: LogClock | None, colour: ColourTrace, last_s: float
) -> bool:
    """Whether the spans of a film that were looked at make it doubtful that the log fits it.

    Parameters
    ----------
    delivery, clock, last_s:
        As in `doubt_of_clock`.
    colour:
        Colours of the spans.
    """
    if clock is None or clock.basis != "assumed" or delivery.mode != "steps":
        return False
    if delivery.additions_outside(last_s):
        return True
    quick = search_clock(colour, delivery, thorough=False)
    return quick is not None and quick.gain >= _WORTH_A_LOOK


def doubt_of_clock(
    delivery: Delivery, clock: LogClock | None, colour: ColourTrace | None, last_s: float
) -> ClockDoubt:
    """What is doubtful about the clock of a log, and about its end.

    A difference that was stated stands, whatever the colours show. One that they show, and that
    was not stated, is asked about: a log that lacks rows, or holds several additions in one, may
    look as if its clock were another.

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
    if clock is None or colour is None:
        late = 0 if clock is None else delivery.additions_after(last_s + _LATE_S)
        stated = clock is not None and clock.basis == "stated"
        doubt = _by_times_alone(delivery.additions_outside(last_s), late)
        return ClockDoubt(doubt.sentence) if stated else doubt
    if delivery.mode == "continuous":
        doubt = _by_first_plume(delivery, clock, colour)
    else:
        doubt = _by_colours(delivery, clock, colour, last_s)
    if doubt.refuses == "result" or not changes_after_the_end(colour, delivery):
        return doubt
    return ClockDoubt(reason("goes-on"), "result")


def _by_colours(
    delivery: Delivery, clock: LogClock, colour: ColourTrace, last_s: float
) -> ClockDoubt:
    outside = delivery.additions_outside(last_s)
    seen = _searched(colour, delivery, outside)
    if seen is not None and seen.confirms:
        return ClockDoubt()
    if clock.basis == "stated":
        return ClockDoubt(_remarked(seen, outside))
    if seen is not None and seen.is_found:
        first_s = delivery.time_s[1:][np.diff(delivery.volume_ml) > 0.0][0] + seen.offset_s
        words = {"offset": f"{seen.offset_s:+.1f}", "first": f"{first_s:.0f}"}
        return ClockDoubt(reason("clock-found", words), "result")
    doubt = _by_times_alone(outside, delivery.additions_after(last_s + _LATE_S))
    if doubt.sentence is None:
        return ClockDoubt(_remarked(seen, outside))
    if seen is not None and seen.gain >= _WORTH_A_WORD:
        return ClockDoubt(doubt.sentence, "result")
    return doubt


def _remarked(seen: ClockSearch | None, outside: int) -> Sentence | None:
    if seen is not None and seen.gain >= _WORTH_A_WORD:
        return remark("clocks-doubted")
    return reason("clocks-apart") if outside >= _DOUBTED else None


def _by_first_plume(delivery: Delivery, clock: LogClock, colour: ColourTrace) -> ClockDoubt:
    seen = first_plume(colour, delivery)
    if seen is None or seen.fits:
        return ClockDoubt()
    words = {
        "seen": f"{seen.seen_s:.0f}",
        "told": f"{seen.told_s:.0f}",
        "offset": f"{seen.seen_s - seen.told_s:+.0f}",
    }
    if clock.basis == "stated":
        return ClockDoubt(remark("plume-elsewhere", words))
    return ClockDoubt(reason("plume-elsewhere", words), "result")


def _searched(colour: ColourTrace, delivery: Delivery, outside: int) -> ClockSearch | None:
    quick = search_clock(colour, delivery, thorough=False)
    if quick is None or (quick.gain < _WORTH_A_LOOK and not outside):
        return quick
    return search_clock(colour, delivery, thorough=True)


def _by_times_alone(outside: int, late: int) -> ClockDoubt:
    if late:
        return ClockDoubt(reason("clocks-apart"), "result")
    return ClockDoubt(reason("clocks-apart"), "bracket") if outside >= _DOUBTED else ClockDoubt()
