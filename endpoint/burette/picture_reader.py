"""The delivered volume read out of the same frames that give the colour, in one pass."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from endpoint.burette.burette_search import find_burette, find_tip
from endpoint.burette.drops import DropCounter
from endpoint.burette.meniscus import MeniscusFollower
from endpoint.burette.picture_volume import (
    PictureVolume,
    delivery_from_drops,
    delivery_from_meniscus,
)
from endpoint.record.delivery import BuretteReadings
from endpoint.recording.frame import Box, Frame, PictureSource

_BETWEEN_S = 0.09
"""The meniscus is looked at ten times a second: it moves by less than 0.05 mL in between."""


@dataclass(frozen=True)
class BuretteInPicture:
    """What the record says of a burette that the film shows."""

    readings: BuretteReadings
    box: Box | None = None
    """Where to look in the picture; None to find it."""


@dataclass(eq=False)
class VolumeWatch:
    """Sees every frame of a recording and makes the delivery of it."""

    readings: BuretteReadings
    box: Box
    _follower: MeniscusFollower = field(init=False)
    _counter: DropCounter = field(init=False)
    _last_s: float = -np.inf

    def __post_init__(self) -> None:
        self._follower, self._counter = MeniscusFollower(self.box), DropCounter(self.box)

    def through(self, frames: Iterable[Frame]) -> Iterator[Frame]:
        """Pass frames on unchanged, each seen first."""
        for frame in frames:
            self.see(frame)
            yield frame

    def see(self, frame: Frame) -> None:
        """Look at one frame; frames come in order of time.

        Raises
        ------
        DeliveryProblem
            The box holds no tube, or too much moves in it.
        """
        if self.readings.kind == "drops":
            self._counter.add(frame)
        elif frame.time_s > self._last_s + _BETWEEN_S:
            self._last_s = frame.time_s
            self._follower.add(frame)

    def volume(self) -> PictureVolume:
        """Delivered volume up to the last frame.

        Raises
        ------
        UnseenVolume
            The pictures do not show reliably what was delivered.
        DeliveryProblem
            The typed readings contradict the pictures.
        """
        said = self.readings
        if said.kind == "meniscus":
            return delivery_from_meniscus(
                self._follower.trace(),
                start_ml=said.start_ml,
                end_ml=said.end_ml,
                division_ml=said.division_ml,
            )
        assert said.start_ml is not None
        assert said.end_ml is not None
        return delivery_from_drops(
            self._counter.result(), start_ml=said.start_ml, end_ml=said.end_ml
        )


def watch_for(source: PictureSource, seen: BuretteInPicture) -> VolumeWatch:
    """Watch of a recording; the burette or the tip is looked for where no box is given.

    Raises
    ------
    UnseenVolume
        It was not found reliably.
    """
    find = find_burette if seen.readings.kind == "meniscus" else find_tip
    return VolumeWatch(seen.readings, seen.box or find(source))
