"""The guidance in force: worked out off the frames, and changed as soon as it no longer holds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from endpoint.analysis.result import Result
from endpoint.bench.guidance.guide import TINGE_REACHES_ML, Moment, advise, begun
from endpoint.bench.guidance.plume import Sight
from endpoint.bench.guidance.prediction import Stream
from endpoint.bench.guidance.pumping import runs_on
from endpoint.bench.guidance.said import Guidance, Pace, counted_down, shifted, unseen, waiting
from endpoint.bench.guidance.words import PUMP_START, drops_in
from endpoint.bench.journal.events import NOT_ASKED, Asked
from endpoint.bench.journal.pump import Pump
from endpoint.bench.live.volumes import RISEN_ML, PictureDelivery, Volumes, delivered_by

_FIRST_WAIT_S = 2.0
"""Wait after a reading until the liquid was looked at, s. Nobody reads and types within a second,
so that two usual mixing times are over by then. Only from the reading to the next asking is it sure
which volume the colour belongs to."""
_PAUSED_S = 3.0
"""Wait after a pump was paused, s: two usual mixing times."""
_LONGEST_WAIT_S = 8.0
"""How long after a reading unevenness is taken for an addition that nobody asked for, s: five usual
mixing times."""
_SAME_ML = 1e-6
"""Volumes that differ by less are the same, mL."""
_RUN_ON_ML = 0.5
"""What runs in at most between the first tinge of a stream and a closed tap, mL: three drops a
second for three seconds. So much before the reading the end does not lie."""


def moment_of(
    now_s: float, volumes: Volumes | None, blueness: float | None, sight: Sight | None = None
) -> Moment:
    """Where a titration stands.

    Parameters
    ----------
    now_s:
        On the clock of the frames.
    volumes:
        What was delivered.
    blueness:
        Form seen now; None if nothing is seen.
    sight:
        What the picture tells of an addition under way.
    """
    pump = isinstance(volumes, Pump)
    running = "" if sight is None or pump else sight.running
    known_s = volumes.paused_s if isinstance(volumes, Pump) else volumes.times_s if volumes else ()
    return Moment(
        now_s=now_s,
        delivered_ml=delivered_by(volumes, now_s),
        blueness=blueness,
        pump=pump,
        rate_ml_min=volumes.rate_ml_min if isinstance(volumes, Pump) and volumes.running else 0.0,
        watched=isinstance(volumes, PictureDelivery),
        read_s=known_s[-1] if known_s else None,
        running=running,
        turns=sight is not None and sight.turns,
    )


class AdviceInForce:
    """The last guidance, and whether it still holds."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """A run begins, or goes on after its result."""
        self._last: Guidance | None = None
        self._read_s: float | None = None
        self._said_s: float | None = None
        """Readings that are taken in, and that the last guidance knows of, by their times."""
        self._closing = self._tinged = False
        """Whether the pump is to be paused, and whether an addition brought the first tinge."""
        self._slower: Guidance | None = None
        """What the last look said, if it asked for a slower pump."""
        self._stream = Stream()
        self._asked: dict[float | None, Asked] = {}
        """What the page asked for after each reading, and when first, by the times of the
        readings."""

    @property
    def asked(self) -> Asked:
        """What the page asked for before the next reading."""
        return self._asked.get(self._read_s, NOT_ASKED)

    def think(
        self, result: Result, moment: Moment, final: Callable[[], Result] | None = None
    ) -> None:
        """Work out guidance for a conclusion; slow.

        Parameters
        ----------
        result, moment:
            As for `advise`.
        final:
            Gives what the result would be if the run ended now: asked before anybody is told that
            it is enough.
        """
        last = self._last
        if moment.blueness is None or self._untyped(moment):
            return
        if last is not None and self._is_over(last, moment):
            return
        stands = last is not None and (last.amount_ml or last.code in ("enough", "over"))
        typed = not (moment.pump or moment.watched)
        if stands and typed and moment.read_s == self._said_s and self._knows(moment):
            # What was said stands until the reading that answers it is typed.
            return
        moment = replace(moment, stream=self._stream)
        said = advise(result, moment)
        # Past the end streams may show it where the pauses so far do not.
        unsure = said.code in ("beyond", "over") and result.status != "located"
        if final is not None and (said.code == "enough" or (unsure and not moment.pump)):
            said = advise(result, moment, final())
        if _slows(said, moment):
            # A single look may err: slower only where two in a row say so, at the faster of both.
            before, self._slower = self._slower, said
            if before is None:
                return
            said = max(before, said, key=lambda one: one.rate_ml_min or 0.0)
            said = shifted(said, moment.delivered_ml)
            self._closing |= said.code == "close"
        else:
            self._slower = None
        self._last, self._said_s = said, moment.read_s

    def _is_over(self, last: Guidance, moment: Moment) -> bool:
        """Whether it is said already that it is enough: a little more does not take that back."""
        more_ml = moment.delivered_ml - last.delivered_ml
        return moment.pump and last.code == "enough" and 0.0 <= more_ml < _RUN_ON_ML

    def _untyped(self, moment: Moment) -> bool:
        """Whether what is seen may belong to a volume that nobody has typed yet.

        Near the end the colour itself makes the liquid uneven; nobody waits for that for ever.
        """
        asked = self.asked.asked_s is not None or moment.read_s is None
        return moment.running in ("adding", "added") and (
            asked or moment.now_s < (moment.read_s or 0.0) + _LONGEST_WAIT_S
        )

    def _knows(self, moment: Moment) -> bool:
        """Whether the last guidance is for the volume of a moment.

        A reading may be typed while a conclusion from before it is worked out.
        """
        last = self._last
        return last is not None and abs(moment.delivered_ml - last.delivered_ml) <= _SAME_ML

    def now(self, moment: Moment) -> Guidance:
        """Guidance in force at a moment."""
        said = self._now(moment)
        asked, now_s = self.asked, moment.now_s
        if said.amount_ml is not None:
            first_s = now_s if asked.asked_s is None else asked.asked_s
            drops = drops_in(said.amount_ml)
            self._asked[self._read_s] = asked._replace(asked_s=first_s, drops=drops)
        if said.code == "close" and asked.closed_s is None:
            self._asked[self._read_s] = asked._replace(closed_s=now_s)
        return said

    def _now(self, moment: Moment) -> Guidance:
        pace = Pace(moment.pump, moment.rate_ml_min, not moment.watched)
        last = self._last or begun(moment.delivered_ml, pace)
        if moment.blueness is None:
            said = unseen(moment.delivered_ml, pace)
            return replace(said, place=last.place, finishing=last.finishing)
        if moment.pump:
            return self._while_pumping(last, moment, pace)
        if moment.watched:
            risen = moment.delivered_ml > last.delivered_ml + RISEN_ML
            return waiting("mixing", moment.delivered_ml, last, None) if risen else last
        if moment.read_s != self._read_s:
            self._read(moment)
        until_s = (self._read_s or 0.0) + _FIRST_WAIT_S
        looked = self._last is not None and moment.now_s >= until_s
        young = moment.delivered_ml > 0.0 and not looked
        if young or abs(moment.delivered_ml - last.delivered_ml) > _SAME_ML:
            return counted_down(waiting("mixing", moment.delivered_ml, last, until_s), moment.now_s)
        return self._while_adding(last, moment)

    def _while_pumping(self, last: Guidance, moment: Moment, pace: Pace) -> Guidance:
        """What holds while a pump runs, and while it stands still until the liquid has mixed."""
        if moment.read_s != self._read_s:
            self._read(moment)
        if pace.rate_ml_min > 0.0:
            self._tinged |= last.code == "pour" and moment.turns
            self._closing |= self._tinged
            if self._closing and last.code not in ("enough", "over"):
                return waiting("close", moment.delivered_ml, last, None, pace)
            if last.title.startswith(PUMP_START):
                last = runs_on(last)
            return counted_down(shifted(last, moment.delivered_ml), moment.now_s)
        until_s = (moment.read_s or 0.0) + _PAUSED_S
        young = moment.now_s < until_s or self._said_s != moment.read_s
        if moment.read_s is not None and young and last.code not in ("enough", "over"):
            said = waiting("mixing", moment.delivered_ml, last, until_s, pace)
            return counted_down(said, moment.now_s)
        return counted_down(shifted(last, moment.delivered_ml), moment.now_s)

    def _while_adding(self, last: Guidance, moment: Moment) -> Guidance:
        """What holds while titrant runs in that no reading tells of yet."""
        self._tinged |= last.code == "pour" and moment.turns
        if self._tinged:
            return waiting("close", moment.delivered_ml, last, None)
        if moment.running == "added" or (moment.running == "adding" and last.amount_ml is None):
            return waiting("type", moment.delivered_ml, last, None)
        return counted_down(last, moment.now_s)

    def _read(self, moment: Moment) -> None:
        before_ml = self._stream.tinge_ml
        gone = before_ml is not None and moment.delivered_ml > before_ml + TINGE_REACHES_ML
        if moment.pump or gone:
            before_ml = None
        if self._last is not None and self._last.code in ("pour", "close"):
            tinge_ml = moment.delivered_ml if self._tinged else before_ml
            self._stream = Stream(moment.delivered_ml - _RUN_ON_ML, tinge_ml)
        self._closing = self._tinged = False
        self._read_s = moment.read_s


def _slows(said: Guidance, moment: Moment) -> bool:
    """Whether a pump that runs is to be slowed or paused."""
    slower = 0.0 < (said.rate_ml_min or 0.0) < moment.rate_ml_min
    return moment.pump and moment.rate_ml_min > 0.0 and (slower or said.code == "close")
