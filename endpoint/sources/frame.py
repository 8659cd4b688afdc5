"""One picture with its time, and what every source of pictures offers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ByteArray = NDArray[np.uint8]


@dataclass(frozen=True)
class Box:
    """A rectangle of whole pixels, `left <= x < right` and `top <= y < bottom`."""

    left: int
    top: int
    right: int
    bottom: int

    @property
    def width(self) -> int:
        """Width in pixels."""
        return self.right - self.left

    @property
    def height(self) -> int:
        """Height in pixels."""
        return self.bottom - self.top


@runtime_checkable
class Frame(Protocol):
    """A picture as the camera encoded it (after its tone curve), upright, with its time."""

    @property
    def index(self) -> int:
        """Position in the recording, from 0."""
        ...

    @property
    def time_s(self) -> float:
        """Seconds since the first frame, from the recording's own time stamps."""
        ...

    @property
    def width(self) -> int:
        """Width in pixels, after rotation."""
        ...

    @property
    def height(self) -> int:
        """Height in pixels, after rotation."""
        ...

    def rgb8(self) -> ByteArray:
        """Return the whole picture, shape (height, width, 3), uint8, encoded R'G'B'."""
        ...

    def encoded(self, box: Box) -> NDArray[np.float32]:
        """Return a part of the picture, shape (box.height, box.width, 3), encoded R'G'B', 0 to 1.

        Values come straight from the stored samples, so they can lie a little outside 0 to 1 and
        are not rounded to 8 bits on the way.
        """
        ...


@dataclass(frozen=True)
class SourceInfo:
    """What is known of a source before its frames are read."""

    kind: str
    """"video", "stills", "photometer", "live" or "synthetic"."""
    path: str
    width: int
    height: int
    duration_s: float | None
    frame_count: int | None
    """Number of frames if the container tells, else None."""
    transfer: str = "srgb"
    """Name of the tone curve that `encoded` values carry: "srgb" or "bt709" or "linear"."""
    notes: tuple[str, ...] = ()
    """Sentences the user should see: untagged colour matrix, HDR, damaged packets..."""
    details: dict[str, str] = field(default_factory=dict)
    """Provenance: codec, matrix, range, rotation, sha256..."""


class PictureSource(Protocol):
    """A recording made of pictures: film, stills, camera or simulation."""

    @property
    def info(self) -> SourceInfo:
        """What is known of the source; `notes` may grow while frames are read."""
        ...

    def frames(self) -> Iterator[Frame]:
        """Yield every readable frame once, in time order; may be called again from the start."""
        ...

    def sample(self, count: int) -> list[Frame]:
        """Return about `count` frames spread evenly over the recording, in time order."""
        ...

    def close(self) -> None:
        """Release files; harmless when called twice."""
        ...


@dataclass(frozen=True, eq=False)
class ArrayFrame:
    """A frame held in memory as an RGB array of 8 or 16 bits or float 0 to 1."""

    index: int
    time_s: float
    pixels: NDArray[np.generic]
    """Shape (height, width, 3)."""

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.pixels.shape[0])

    def _scale(self) -> float:
        name = self.pixels.dtype.name
        return {"uint8": 255.0, "uint16": 65535.0}.get(name, 1.0)

    def rgb8(self) -> ByteArray:
        """Return the whole picture as uint8."""
        if self.pixels.dtype == np.uint8:
            return np.asarray(self.pixels, dtype=np.uint8)
        scaled = self.pixels.astype(np.float32) * (255.0 / self._scale())
        return np.asarray(np.clip(np.rint(scaled), 0, 255), dtype=np.uint8)

    def encoded(self, box: Box) -> NDArray[np.float32]:
        """Return a part of the picture as float32, 0 to 1."""
        part = self.pixels[box.top : box.bottom, box.left : box.right]
        return part.astype(np.float32) / np.float32(self._scale())
