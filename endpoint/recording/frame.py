"""One picture with its time, and what every source of pictures offers."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Protocol, cast, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from endpoint.recording import channels

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


@runtime_checkable
class ThinFrame(Protocol):
    """A frame that reads some of its pixels without converting the others."""

    def thinned(self, box: Box, step: int) -> NDArray[np.float32]:
        """Return what `encoded(box)[::step, ::step]` holds, up to rounding."""
        ...

    def grey(self, box: Box, step: int) -> NDArray[np.float32]:
        """Return the luma of the same pixels, 0 to 1, shape (rows, columns)."""
        ...


def thinned(frame: Frame, box: Box, step: int) -> NDArray[np.float32]:
    """Every `step`-th row and column of a part of a picture, encoded R'G'B', 0 to 1.

    Parameters
    ----------
    frame, box:
        Any frame, a part of it.
    step:
        1 or more.

    Returns
    -------
    Shape (ceil(box.height / step), ceil(box.width / step), 3).
    """
    if isinstance(frame, ThinFrame):
        return frame.thinned(box, step)
    return frame.encoded(box)[::step, ::step]


def halved(frame: Frame, box: Box, step: int) -> NDArray[np.float32]:
    """Means of two by two of the pixels of `thinned`, encoded R'G'B', 0 to 1.

    Returns
    -------
    Shape (ceil(h / 2), ceil(w / 2), 3) where `thinned` has (h, w, 3).
    """
    # Frames that hold luma and chroma take the means before they convert.
    own = getattr(frame, "halved", None)
    if own is not None:
        return cast(NDArray[np.float32], own(box, step))
    return half(thinned(frame, box, step))


def half(values: NDArray[Any]) -> NDArray[np.float32]:
    """Means of two by two of the values of a picture of shape (h, w) or (h, w, 3)."""
    import cv2

    size = (-(-values.shape[1] // 2), -(-values.shape[0] // 2))
    whole = np.ascontiguousarray(values, dtype=np.float32)
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def grey(frame: Frame, box: Box, step: int) -> NDArray[np.float32]:
    """Brightness of every `step`-th row and column, 0 to 1: luma, or the mean of R'G'B'."""
    if isinstance(frame, ThinFrame):
        return frame.grey(box, step)
    return np.asarray(channels.mean(frame.encoded(box)[::step, ::step]), dtype=np.float32)


def small(frame: Frame, long_side: int) -> NDArray[np.float32]:
    """Return the whole picture thinned to at most about `long_side` pixels, encoded R'G'B'.

    Pixels are picked, not averaged: what is thin may flicker. The step is
    `small_step(frame, long_side)`.
    """
    return thinned(frame, Box(0, 0, frame.width, frame.height), small_step(frame, long_side))


def small_step(frame: Frame, long_side: int) -> int:
    """Pixels of the picture per pixel of `small`."""
    return max(1, -(-max(frame.width, frame.height) // long_side))


@dataclass(frozen=True, eq=False)
class Spots:
    """Pixels of a picture that are read again and again."""

    rows: NDArray[np.intp]
    """Row of each pixel in the upright picture, shape (n,)."""
    columns: NDArray[np.intp]
    """Column of each, shape (n,)."""
    memory: dict[Hashable, Any] = field(default_factory=dict, repr=False)
    """What a source keeps about them: where they lie in its own storage."""

    def __post_init__(self) -> None:
        self.rows.setflags(write=False)
        self.columns.setflags(write=False)

    @property
    def box(self) -> Box:
        """Smallest box around them."""
        rows, columns = self.rows, self.columns
        return Box(int(columns.min()), int(rows.min()), int(columns.max()) + 1, int(rows.max()) + 1)


@dataclass(frozen=True, eq=False)
class Codes:
    """Some pixels of a picture as they are stored."""

    values: NDArray[Any]
    """Code values, shape (3, n)."""
    coding: Hashable
    """How they turn into R'G'B'; pictures of one coding can be turned together."""
    encoded: Callable[[NDArray[Any]], NDArray[np.float32]]
    """Turns such values of any shape (3, ...) into encoded R'G'B', 0 to 1, same shape."""


def codes_at(frame: Frame, spots: Spots) -> Codes:
    """Pixels at some spots; frames that do not hand them out as stored are converted first."""
    # Asking for a protocol takes longer than reading the pixels.
    codes = getattr(frame, "codes", None)
    if codes is not None:
        return cast(Codes, codes(spots))
    box = spots.box
    part = frame.encoded(box)[spots.rows - box.top, spots.columns - box.left]
    return Codes(np.ascontiguousarray(part.T), "encoded", as_they_are)


def as_they_are(values: NDArray[Any]) -> NDArray[np.float32]:
    """Encoded R'G'B' that is stored as such."""
    return np.asarray(values, dtype=np.float32)


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


_NEAR_S = 1e-6


@dataclass(frozen=True, eq=False)
class Spans:
    """Spans of time in which the pictures of a recording are wanted, ends included.

    Spans that overlap or touch are joined; a span of length 0 wants a single picture.
    """

    start_s: FloatArray
    """Rising, shape (n,)."""
    stop_s: FloatArray
    """Rising, shape (n,)."""

    @classmethod
    def of(cls, pairs: Iterable[tuple[float, float]]) -> Spans:
        """Order and join pairs of start and stop."""
        joined: list[list[float]] = []
        for start, stop in sorted(pairs):
            if joined and start <= joined[-1][1]:
                joined[-1][1] = max(joined[-1][1], stop)
            elif stop >= start:
                joined.append([start, stop])
        table = np.array(joined, dtype=np.float64).reshape(-1, 2)
        return cls(table[:, 0].copy(), table[:, 1].copy())

    def __post_init__(self) -> None:
        self.start_s.setflags(write=False)
        self.stop_s.setflags(write=False)

    def __len__(self) -> int:
        return int(self.start_s.size)

    @property
    def end_s(self) -> float:
        """End of the last span; minus infinity without any."""
        return float(self.stop_s[-1]) + _NEAR_S if len(self) else -np.inf

    def which(self, time_s: float) -> int:
        """Number of the span that holds a time, -1 if none does."""
        k = int(np.searchsorted(self.start_s, time_s + _NEAR_S, side="right")) - 1
        return k if k >= 0 and time_s <= self.stop_s[k] + _NEAR_S else -1

    def hold(self, time_s: float) -> bool:
        """Whether a time lies in one of the spans."""
        return self.which(time_s) >= 0


@dataclass(frozen=True, eq=False)
class Stamps:
    """Times of all pictures of a film, and of those that stand for themselves."""

    time_s: FloatArray
    """Rising, shape (n,)."""
    key_s: FloatArray
    """Times of the key pictures, rising, shape (k,)."""

    def __post_init__(self) -> None:
        self.time_s.setflags(write=False)
        self.key_s.setflags(write=False)

    def index_of(self, time_s: float) -> int:
        """Position of the picture at a time, from 0."""
        return int(np.searchsorted(self.time_s, time_s - _NEAR_S))

    def key_before(self, time_s: float) -> float:
        """Key picture from which a picture at this time can be decoded."""
        k = int(np.searchsorted(self.key_s, time_s + _NEAR_S, side="right")) - 1
        return float(self.key_s[k]) if k >= 0 else float(self.time_s[0])

    def runs(self, spans: Spans) -> list[tuple[float, Spans]]:
        """Spans that are best read in one go, each with the key picture to begin at."""
        runs: list[tuple[float, list[tuple[float, float]]]] = []
        for start, stop in zip(spans.start_s.tolist(), spans.stop_s.tolist(), strict=True):
            key = self.key_before(start)
            if runs and key <= runs[-1][1][-1][1]:
                runs[-1][1].append((start, stop))
            else:
                runs.append((key, [(start, stop)]))
        return [(key, Spans.of(pairs)) for key, pairs in runs]

    def share_decoded(self, spans: Spans) -> float:
        """Part of the pictures that must be decoded to see those in the spans, 0 to 1."""
        if not self.time_s.size:
            return 1.0
        seen = sum(
            int(np.sum((self.time_s >= key) & (self.time_s <= run.end_s)))
            for key, run in self.runs(spans)
        )
        return seen / self.time_s.size


@runtime_checkable
class SeekingSource(Protocol):
    """A recording of which parts can be read without the rest."""

    def stamps(self) -> Stamps:
        """Times of all pictures, found without decoding."""
        ...

    def frames_within(self, spans: Spans) -> Iterator[Frame]:
        """Yield the readable frames whose times lie in the spans, in time order."""
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
        return self.thinned(box, 1)

    def thinned(self, box: Box, step: int) -> NDArray[np.float32]:
        """Return every `step`-th row and column of a part as float32, 0 to 1."""
        return self._encoded(self.pixels[box.top : box.bottom : step, box.left : box.right : step])

    def codes(self, spots: Spots) -> Codes:
        """Return single pixels as they are stored."""
        values = np.ascontiguousarray(self.pixels[spots.rows, spots.columns].T)
        return Codes(values, values.dtype.name, self._encoded)

    def _encoded(self, values: NDArray[Any]) -> NDArray[np.float32]:
        return np.divide(np.asarray(values, dtype=np.float32), np.float32(self._scale()))

    def grey(self, box: Box, step: int) -> NDArray[np.float32]:
        """Return the mean of R'G'B' of the same pixels."""
        return np.asarray(channels.mean(self.thinned(box, step)), dtype=np.float32)
