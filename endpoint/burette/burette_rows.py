"""What the picture showed of the burette in a run, and the volume log that comes of it; pure.

The live session and the journal both go through here, so that a run that was broken off, or
exported, holds the same volumes. Rows are those of the meniscus (time, place, standard deviation,
flag) or one for each drop (time, sightings).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.burette.drops import DropCount
from endpoint.burette.full_tube import FullTube
from endpoint.burette.picture_volume import (
    PictureVolume,
    delivery_from_drops,
    delivery_from_meniscus,
    drop_ramps,
    of_log,
)
from endpoint.burette.tube import unseen
from endpoint.messages import Sentence
from endpoint.problems import DeliveryProblem
from endpoint.recording.volume_log import VolumeLog

FloatArray = NDArray[np.float64]

WAYS = ("meniscus", "drops")
COLUMNS = {"meniscus": 4, "drops": 2}
DROP_ML = (0.05, 0.01)
"""Volume of a drop and its standard uncertainty until the end reading is typed (from memory of
general teaching)."""
_EDGE_DROPS = 0.3


@dataclass(frozen=True)
class DropTally:
    """What belongs to counted drops besides their times."""

    first_s: float
    last_s: float
    """First and last frame."""
    blind_s: float = 0.0
    """Time in which a drop could fall unseen."""
    suspected: int = 0
    streams: tuple[tuple[float, float], ...] = ()

    def moved(self, later_s: float) -> DropTally:
        """The same on another clock."""
        streams = tuple((a + later_s, b + later_s) for a, b in self.streams)
        return replace(
            self,
            first_s=self.first_s + later_s,
            last_s=self.last_s + later_s,
            streams=streams,
        )

    def then(self, later: DropTally) -> DropTally:
        """Both counts together.

        In between nothing was seen and nothing should have been added, as the person is told;
        a drop that fell all the same is suspected.
        """
        return DropTally(
            self.first_s,
            later.last_s,
            self.blind_s + later.blind_s,
            self.suspected + later.suspected + 1,
            self.streams + later.streams,
        )


@dataclass(frozen=True, eq=False)
class BuretteRows:
    """All that was seen of the burette in a run so far."""

    way: str
    """"meniscus" or "drops"."""
    rows: FloatArray
    division_ml: float = 0.1
    tube: FullTube | None = None
    tally: DropTally | None = None

    def moved(self, later_s: float) -> BuretteRows:
        """The same on another clock."""
        rows = self.rows.copy()
        rows[:, 0] += later_s
        return replace(
            self, rows=rows, tally=None if self.tally is None else self.tally.moved(later_s)
        )

    def volume(self, start_ml: float, end_ml: float | None) -> LoggedVolume:
        """Delivered volume.

        Parameters
        ----------
        start_ml, end_ml:
            Readings before the first and after the last picture, mL. Without the second the scale
            comes from the printed lines, or from the usual volume of a drop: then it is
            provisional.

        Raises
        ------
        UnseenVolume
            The pictures do not show reliably what was delivered.
        DeliveryProblem
            The readings contradict the pictures.
        """
        if end_ml is not None and end_ml <= start_ml:
            raise DeliveryProblem(
                f"The end reading {end_ml:g} mL is not above the start reading {start_ml:g} mL.",
                "A burette is read downwards from 0: type the larger reading at the end.",
            )
        if self.way == "meniscus":
            return self._level(start_ml, end_ml)
        drops = self._counted()
        if end_ml is None:
            return _provisional(drops)
        seen = delivery_from_drops(drops, start_ml=start_ml, end_ml=end_ml)
        volume, sigma = np.r_[0.0, seen.volume_ml], np.r_[0.0, seen.sigma_ml]
        return _drop_log(drops, float(seen.drop_ml or 0.0), volume, sigma, seen.remarks)

    def _level(self, start_ml: float, end_ml: float | None) -> LoggedVolume:
        if self.tube is None or not len(self.rows):
            raise unseen("meniscus-missing")
        seen = delivery_from_meniscus(
            self.tube.trace(self.rows),
            start_ml=None if end_ml is None else start_ml,
            end_ml=end_ml,
            division_ml=self.division_ml,
        )
        log = VolumeLog(seen.time_s.copy(), None, seen.volume_ml.copy(), (), seen.sigma_ml.copy())
        return LoggedVolume(log, seen.remarks)

    def _counted(self) -> DropCount:
        if self.tally is None:
            raise unseen("frames-too-few")
        t = self.tally
        span = max(t.last_s - t.first_s, 1e-9)
        return DropCount(
            self.rows[:, 0].copy(),
            self.rows[:, 1].astype(np.int64),
            t.first_s,
            t.last_s,
            float(np.clip(t.blind_s / span, 0.0, 1.0)),
            t.suspected,
            t.streams,
        )


@dataclass(frozen=True, eq=False)
class LoggedVolume:
    """Volumes with their uncertainty, as a log holds them, and what is to be said of them."""

    log: VolumeLog
    remarks: tuple[Sentence, ...] = ()

    @property
    def seen(self) -> PictureVolume:
        """As the analysis takes it."""
        log = self.log
        assert log.time_s is not None
        assert log.sigma_ml is not None
        return replace(of_log(log.time_s, log.volume_ml, log.sigma_ml), remarks=self.remarks)


def _provisional(drops: DropCount) -> LoggedVolume:
    """Drops of the usual volume, which may be a fifth off."""
    if drops.stream_s:
        begin, end = drops.stream_s[0]
        raise unseen("stream", begin=f"{begin:.1f}", end=f"{end:.1f}")
    if drops.count < 1:
        ends = np.array([drops.first_s, max(drops.last_s, drops.first_s + 1e-3)])
        return LoggedVolume(VolumeLog(ends, None, np.zeros(2), (), np.zeros(2)))
    each, each_u = DROP_ML
    count = np.arange(drops.count + 1, dtype=np.float64)
    sigma = np.hypot(count * each_u, _EDGE_DROPS * each * (count > 0))
    return _drop_log(drops, each, count * each, sigma, ())


def _drop_log(
    drops: DropCount,
    drop_ml: float,
    volume_ml: FloatArray,
    sigma_ml: FloatArray,
    remarks: tuple[Sentence, ...],
) -> LoggedVolume:
    """Log of drops; `volume_ml` and `sigma_ml` begin before the first one."""
    time_s, level_ml = drop_ramps(drops.time_s, drop_ml)
    if drops.first_s < time_s[0]:
        time_s, level_ml = np.r_[drops.first_s, time_s], np.r_[0.0, level_ml]
    if drops.last_s > time_s[-1]:
        time_s, level_ml = np.r_[time_s, drops.last_s], np.r_[level_ml, level_ml[-1]]
    sigma = np.interp(level_ml, volume_ml, sigma_ml)
    return LoggedVolume(VolumeLog(time_s, None, level_ml, (), sigma), remarks)
