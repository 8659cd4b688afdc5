"""The guidance in force: worked out off the frames, and dropped as soon as it no longer holds."""

from __future__ import annotations

from endpoint.analysis.result import Result
from endpoint.bench.guidance.guide import Guidance, Moment, advise, mixing, unseen
from endpoint.bench.journal.pump import Pump
from endpoint.bench.live.volumes import RISEN_ML, PictureDelivery, Volumes, delivered_by


def moment_of(now_s: float, volumes: Volumes | None, blueness: float | None) -> Moment:
    """Where a titration stands.

    Parameters
    ----------
    now_s:
        On the clock of the frames.
    volumes:
        What was delivered.
    blueness:
        Form seen now; None if nothing is seen.
    """
    return Moment(
        now_s=now_s,
        delivered_ml=delivered_by(volumes, now_s),
        blueness=blueness,
        pump=isinstance(volumes, Pump),
        watched=isinstance(volumes, PictureDelivery),
    )


class AdviceInForce:
    """The last guidance, and whether it still holds."""

    def __init__(self) -> None:
        self._last: Guidance | None = None

    def forget(self) -> None:
        """A new run begins."""
        self._last = None

    def think(self, result: Result, moment: Moment) -> None:
        """Work out guidance for a conclusion; slow."""
        self._last = advise(result, moment)

    def now(self, moment: Moment) -> Guidance:
        """Guidance in force at a moment."""
        if moment.blueness is None:
            return unseen(moment.delivered_ml)
        last = self._last
        if last is None:
            return advise(None, moment)
        least_ml = RISEN_ML if moment.watched else 1e-6
        if moment.pump or moment.delivered_ml <= last.delivered_ml + least_ml:
            return last
        return mixing(moment.delivered_ml, last)
