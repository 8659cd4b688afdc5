"""A few small pictures of a recording, kept while it is read, for people to look at afterwards."""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.recording import channels
from endpoint.recording.frame import Box, Frame, small, thinned

_SAMPLES = 24
"""Pixels along the longer side from which the shade of a picture is taken."""
_FINEST_SHADE = 0.01
"""Width of a class of shades, as a part of all light; each class keeps one picture. It doubles as
long as there are too many."""
_LEAST_LIGHT = 0.02
"""Sum of the three channels (linear, 0 to 3) in which a shade can be told; below, it is dark."""
_LATER_S = 2.0
"""How much later a picture of the same shade replaces the kept one, s. All four are assumed and
decide only which pictures are shown."""


@dataclass(frozen=True, eq=False)
class KeptPicture:
    """One small picture."""

    index: int
    time_s: float
    rgb: NDArray[np.uint8]
    """Shape (h, w, 3)."""


def small_copy(frame: Frame, long_side: int) -> KeptPicture:
    """Small picture of a frame."""
    rgb = channels.in_bytes(small(frame, long_side))
    rgb.setflags(write=False)
    return KeptPicture(frame.index, frame.time_s, rgb)


class ShadeKeeper:
    """Keeps the latest small picture of every shade that the liquid has; their number is bounded.

    Evenly spread pictures miss a change that takes a hundredth of a film. Here each shade between
    the first colour and the last has one picture. It is the latest, because a plume that passes
    shows a shade too early. When there are more than `most`, shades are told apart less finely.
    """

    def __init__(self, most: int = 32, long_side: int = 320, every_s: float = 0.3) -> None:
        self._most, self._side, self._every_s = most, long_side, every_s
        self._finest = _FINEST_SHADE
        self._kept: dict[int, KeptPicture] = {}
        self._waiting: tuple[int, Frame] | None = None
        self._looked_s = -np.inf

    def see(self, frame: Frame, liquid: Box) -> None:
        """Keep a frame if its shade is new, or was last kept a while ago.

        Parameters
        ----------
        frame:
            Any frame of the recording; the order does not matter.
        liquid:
            Where the liquid is, in pixels of the whole picture.
        """
        if abs(frame.time_s - self._looked_s) < self._every_s:
            return
        self._looked_s = frame.time_s
        shade = _shade(frame, liquid)
        if shade is None:
            return
        level = round(shade / self._finest)
        if self._waiting is not None and self._waiting[0] != level:
            self._settle()
            level = round(shade / self._finest)
        # A small copy costs more than a look: it is made when the shade has passed.
        self._waiting = level, frame

    def _settle(self) -> None:
        if self._waiting is None:
            return
        level, frame = self._waiting
        self._waiting = None
        old = self._kept.get(level)
        if old is None or frame.time_s > old.time_s + _LATER_S:
            self._kept[level] = small_copy(frame, self._side)
        while len(self._kept) > self._most:
            self._finest *= 2.0
            merged: dict[int, KeptPicture] = {}
            for level, picture in self._kept.items():
                other = merged.get(round(0.5 * level))
                if other is None or picture.time_s > other.time_s:
                    merged[round(0.5 * level)] = picture
            self._kept = merged

    def forget(self) -> None:
        """Begin anew."""
        self._kept, self._finest, self._looked_s = {}, _FINEST_SHADE, -np.inf
        self._waiting = None

    @property
    def pictures(self) -> tuple[KeptPicture, ...]:
        """What was kept, in no order."""
        self._settle()
        return tuple(self._kept.values())


def _shade(frame: Frame, liquid: Box) -> float | None:
    """Blue minus red as a part of all light that comes from the liquid; None in the dark."""
    step = max(1, -(-max(liquid.width, liquid.height) // _SAMPLES))
    red, green, blue = thinned(frame, liquid, step).reshape(-1, 3).mean(axis=0).tolist()
    light = red + green + blue
    return (blue - red) / light if light > _LEAST_LIGHT else None


class PauseKeeper:
    """Keeps the latest small picture of every pause of the delivery.

    Where there are more than `most`, only every second one has its picture, or every third.
    """

    def __init__(
        self, pauses_s: Sequence[tuple[float, float]], most: int = 40, long_side: int = 320
    ) -> None:
        thin = max(1, -(-len(pauses_s) // most))
        self._start_s = [start for start, _ in pauses_s[::thin]]
        self._stop_s = [stop for _, stop in pauses_s[::thin]]
        self._side = long_side
        self._kept: dict[int, KeptPicture] = {}
        self._waiting: tuple[int, Frame] | None = None

    def see(self, frame: Frame) -> None:
        """Keep a frame if it shows a pause later than what was kept of it."""
        k = bisect.bisect_right(self._start_s, frame.time_s) - 1
        if k < 0 or frame.time_s > self._stop_s[k]:
            return
        if self._waiting is not None and self._waiting[0] != k:
            self._settle()
        self._waiting = k, frame

    def _settle(self) -> None:
        if self._waiting is None:
            return
        k, frame = self._waiting
        self._waiting = None
        old = self._kept.get(k)
        if old is None or frame.time_s > old.time_s:
            self._kept[k] = small_copy(frame, self._side)

    def forget(self) -> None:
        """Begin anew."""
        self._kept, self._waiting = {}, None

    @property
    def pictures(self) -> tuple[KeptPicture, ...]:
        """What was kept, in no order."""
        self._settle()
        return tuple(self._kept.values())


class PictureKeeper:
    """Keeps evenly spread small pictures of all that pass; their number does not grow.

    When there are more than `most`, every second one is dropped and from then on only every
    second of those that would have been kept is. Where the place of the liquid is known, a
    `ShadeKeeper` adds pictures of the change, and where pauses are known, each has its picture.
    """

    def __init__(
        self,
        most: int = 40,
        long_side: int = 320,
        liquid: Box | None = None,
        pauses_s: Sequence[tuple[float, float]] = (),
    ) -> None:
        self._most, self._side, self._liquid = most, long_side, liquid
        self._kept: list[KeptPicture] = []
        self._stride, self._seen = 1, 0
        self._shades = ShadeKeeper(long_side=long_side)
        self._pauses = PauseKeeper(pauses_s, long_side=long_side)

    def through(self, frames: Iterable[Frame]) -> Iterator[Frame]:
        """Pass frames on unchanged and keep some of them."""
        for frame in frames:
            self.see(frame)
            yield frame

    def see(self, frame: Frame) -> None:
        """Keep a frame if its turn has come."""
        if self._seen % self._stride == 0:
            self._kept.append(small_copy(frame, self._side))
            if len(self._kept) > self._most:
                self._kept = self._kept[::2]
                self._stride *= 2
        if self._liquid is not None:
            self._shades.see(frame, self._liquid)
        self._pauses.see(frame)
        self._seen += 1

    def forget(self, expected: int = 0) -> None:
        """Begin anew; what would be dropped of so many frames is not copied first."""
        self._kept, self._stride, self._seen = [], 1, 0
        while expected > self._most * self._stride:
            self._stride *= 2
        self._shades.forget()
        self._pauses.forget()

    @property
    def pictures(self) -> tuple[KeptPicture, ...]:
        """What was kept, in order of time, each frame once."""
        kept = (*self._shades.pictures, *self._pauses.pictures, *self._kept)
        by_time = {picture.time_s: picture for picture in kept}
        return tuple(by_time[time_s] for time_s in sorted(by_time))
