"""The advice in force: asked for beside the frames, put aside as soon as it no longer holds."""

from __future__ import annotations

import math

from endpoint.analysis.inputs import DEFAULT_LAG_S
from endpoint.analysis.result import Result
from endpoint.bench.guidance.plain_guidance import advise, mixing, unseen
from endpoint.bench.guidance.ports import Adviser, Guidance, Moment
from endpoint.bench.live.volumes import (
    RISEN_ML,
    PictureDelivery,
    Pump,
    Readings,
    Volumes,
    delivered_by,
)


def moment_of(
    now_s: float,
    volumes: Volumes | None,
    lag_s: tuple[float, float] | None,
    blueness: float | None,
) -> Moment:
    """Where a titration stands.

    Parameters
    ----------
    now_s:
        On the clock of the frames.
    volumes:
        What was delivered.
    lag_s:
        Mixing time and its standard uncertainty, if stated.
    blueness:
        Form seen now; None if nothing is seen.
    """
    since = math.inf
    if isinstance(volumes, Readings) and len(volumes.rows) > 1:
        since = now_s - volumes.rows[-1].time_s
    if isinstance(volumes, PictureDelivery) and volumes.rose_s is not None:
        since = now_s - volumes.rose_s
    return Moment(
        now_s=now_s,
        delivered_ml=delivered_by(volumes, now_s),
        since_addition_s=since,
        lag_s=(lag_s or DEFAULT_LAG_S)[0],
        blueness=blueness,
        pump=isinstance(volumes, Pump),
        watched=isinstance(volumes, PictureDelivery),
    )


class Advising:
    """Keeps the last advice of an adviser, which may be slow.

    Parameters
    ----------
    adviser:
        Gives guidance for the last conclusion.
    """

    def __init__(self, adviser: Adviser) -> None:
        self._adviser = adviser
        self._last: Guidance | None = None

    def forget(self) -> None:
        """A new run begins."""
        self._last = None

    def think(self, result: Result | None, moment: Moment) -> None:
        """Ask for advice on a conclusion."""
        self._last = self._adviser(result, moment)

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
