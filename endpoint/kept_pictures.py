"""A few small pictures of a recording, kept while it is read, for people to look at afterwards."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.sources.frame import Frame, small


@dataclass(frozen=True, eq=False)
class KeptPicture:
    """One small picture."""

    index: int
    time_s: float
    rgb: NDArray[np.uint8]
    """Shape (h, w, 3)."""


class PictureKeeper:
    """Keeps evenly spread small pictures of all that pass; their number does not grow.

    When there are more than `most`, every second one is dropped and from then on only every
    second of those that would have been kept is.
    """

    def __init__(self, most: int = 96, long_side: int = 240) -> None:
        self._most, self._side = most, long_side
        self._kept: list[KeptPicture] = []
        self._stride, self._seen = 1, 0

    def through(self, frames: Iterable[Frame]) -> Iterator[Frame]:
        """Pass frames on unchanged and keep some of them."""
        for frame in frames:
            self.see(frame)
            yield frame

    def see(self, frame: Frame) -> None:
        """Keep a frame if its turn has come."""
        if self._seen % self._stride == 0:
            encoded = np.clip(small(frame, self._side), 0.0, 1.0)
            rgb = np.rint(255.0 * encoded).astype(np.uint8)
            rgb.setflags(write=False)
            self._kept.append(KeptPicture(frame.index, frame.time_s, rgb))
            if len(self._kept) > self._most:
                self._kept = self._kept[::2]
                self._stride *= 2
        self._seen += 1

    def forget(self) -> None:
        """Begin anew."""
        self._kept, self._stride, self._seen = [], 1, 0

    @property
    def pictures(self) -> tuple[KeptPicture, ...]:
        """What was kept, in order of time."""
        return tuple(sorted(self._kept, key=lambda picture: picture.time_s))
