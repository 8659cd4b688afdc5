"""Films, read with PyAV: true time stamps, explicit colour matrix, corrupt packets survived."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.problems import InstallProblem, SourceProblem
from endpoint.sources.frame import Box, ByteArray, Frame, SourceInfo

MAX_PIXELS = 8192 * 8192
_SAMPLE_SEEK_LIMIT = 3.0

# Kr and Kb of the luma equation: ITU-R BT.601, BT.709, BT.2020 (non-constant luminance).
_KR_KB = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722), "bt2020": (0.2627, 0.0593)}
_MATRIX_BY_TAG = {1: "bt709", 4: "bt601", 5: "bt601", 6: "bt601", 9: "bt2020", 10: "bt2020"}
_HDR_TRANSFER = {16: "PQ", 18: "HLG"}
_PLANAR = {
    "yuv420p": (8, 2, 2),
    "yuvj420p": (8, 2, 2),
    "yuv422p": (8, 2, 1),
    "yuvj422p": (8, 2, 1),
    "yuv444p": (8, 1, 1),
    "yuvj444p": (8, 1, 1),
    "yuv420p10le": (10, 2, 2),
    "yuv422p10le": (10, 2, 1),
    "yuv444p10le": (10, 1, 1),
}
_SUFFIX_HINT = "Copy it again from the camera, or convert it to MP4 (H.264)."


@dataclass(frozen=True)
class ColourCoding:
    """How samples of a film turn into R'G'B'."""

    matrix: str
    full_range: bool


def _av() -> Any:
    try:
        import av
    except ImportError as error:
        raise InstallProblem(
            f"The film reader PyAV cannot be loaded ({error}).",
            "Install the program again: pip install --force-reinstall av.",
        ) from None
    av.logging.set_level(None)
    logging.getLogger("libav").setLevel(logging.CRITICAL)
    return av


class VideoFrame:
    """One decoded picture; converts only the part that is asked for."""

    def __init__(
        self, picture: Any, index: int, time_s: float, coding: ColourCoding, turns: int
    ) -> None:
        self.index = index
        self.time_s = time_s
        self._picture = picture
        self._coding = coding
        self._turns = turns % 4

    @property
    def width(self) -> int:
        """Width in pixels, upright."""
        return int(self._picture.height if self._turns % 2 else self._picture.width)

    @property
    def height(self) -> int:
        """Height in pixels, upright."""
        return int(self._picture.width if self._turns % 2 else self._picture.height)

    def rgb8(self) -> ByteArray:
        """Return the whole picture as uint8."""
        whole = self.encoded(Box(0, 0, self.width, self.height))
        return np.asarray(np.clip(np.rint(whole * 255.0), 0, 255), dtype=np.uint8)

    def encoded(self, box: Box) -> NDArray[np.float32]:
        """Return a part of the picture as float32 R'G'B', 0 to 1."""
        stored = self._stored_box(box)
        name = self._picture.format.name
        if name in _PLANAR or name == "nv12":
            part = self._from_planes(stored, name)
        else:
            rgb = self._picture.to_ndarray(format="rgb48le" if "10" in name else "rgb24")
            part = rgb[stored.top : stored.bottom, stored.left : stored.right].astype(np.float32)
            part /= np.float32(65535.0 if rgb.dtype == np.uint16 else 255.0)
        return np.rot90(part, self._turns) if self._turns else part

    def _stored_box(self, box: Box) -> Box:
        """Box in the picture as stored, before it is turned upright (counter-clockwise turns)."""
        w, h = self._picture.width, self._picture.height
        if self._turns == 0:
            return box
        if self._turns == 1:
            return Box(w - box.bottom, box.left, w - box.top, box.right)
        if self._turns == 2:
            return Box(w - box.right, h - box.bottom, w - box.left, h - box.top)
        return Box(box.top, h - box.right, box.bottom, h - box.left)

    def _plane(self, number: int, dtype: type, step: int = 1) -> NDArray[Any]:
        plane = self._picture.planes[number]
        data: NDArray[Any] = np.frombuffer(plane, dtype=dtype)
        stride = plane.line_size // np.dtype(dtype).itemsize
        rows = data.size // stride
        return data[: rows * stride].reshape(rows, stride)

    def _from_planes(self, box: Box, name: str) -> NDArray[np.float32]:
        bits, across, down = _PLANAR.get(name, (8, 2, 2))
        dtype = np.uint8 if bits == 8 else np.uint16
        luma = self._plane(0, dtype)[box.top : box.bottom, box.left : box.right]
        rows = slice(box.top // down, (box.bottom - 1) // down + 1)
        columns = slice(box.left // across, (box.right - 1) // across + 1)
        if name == "nv12":
            pairs = self._plane(1, dtype)
            chroma = [pairs[rows, 0::2][:, columns], pairs[rows, 1::2][:, columns]]
        else:
            chroma = [self._plane(k, dtype)[rows, columns] for k in (1, 2)]
        r = np.arange(box.top, box.bottom) // down - rows.start
        c = np.arange(box.left, box.right) // across - columns.start
        unit = np.float32(1.0 / (1 << (bits - 8)))
        y = luma.astype(np.float32) * unit
        u, v = (part[r[:, None], c].astype(np.float32) * unit - 128.0 for part in chroma)
        if self._coding.full_range:
            y, u, v = y / 255.0, u / 255.0, v / 255.0
        else:
            y, u, v = (y - 16.0) / 219.0, u / 224.0, v / 224.0
        kr, kb = _KR_KB[self._coding.matrix]
        red = y + 2.0 * (1.0 - kr) * v
        blue = y + 2.0 * (1.0 - kb) * u
        green = (y - kr * red - kb * blue) / (1.0 - kr - kb)
        return np.stack([red, green, blue], axis=-1).astype(np.float32, copy=False)


class VideoSource:
    """A film file.

    Parameters
    ----------
    path:
        Film of any container and codec that FFmpeg reads.
    colour_matrix, colour_range:
        Override for missing or wrong tags: "bt601", "bt709", "bt2020"; "limited", "full".

    Raises
    ------
    SourceProblem
        The file is no film, holds no picture track, is cut off, or its pictures are too large.
    """

    def __init__(
        self, path: Path, colour_matrix: str | None = None, colour_range: str | None = None
    ) -> None:
        self.path = path
        self._damaged = 0
        av = _av()
        container = self._open(av)
        try:
            stream = self._picture_track(container)
            self._check_size(stream)
            first = self._first(container, stream)
            self._turns = _quarter_turns(first)
            self._coding, notes = _coding(first, colour_matrix, colour_range)
            self._start_s = float(first.pts * first.time_base) if first.pts is not None else 0.0
            self.info = self._describe(container, stream, first, notes)
        finally:
            container.close()

    def _open(self, av: Any) -> Any:
        try:
            return av.open(str(self.path), metadata_errors="ignore")
        except av.error.FFmpegError:
            pass
        except (OSError, ValueError, UnicodeError):
            pass
        raise SourceProblem(f"{self.path.name} is no film that can be read.", _SUFFIX_HINT)

    def _picture_track(self, container: Any) -> Any:
        tracks = [s for s in container.streams.video if s.codec_context is not None]
        if not tracks:
            raise SourceProblem(
                f"{self.path.name} holds no pictures, only sound or data.",
                "Name the film of the flask.",
            )
        tracks[0].thread_type = "AUTO"
        return tracks[0]

    def _check_size(self, stream: Any) -> None:
        w, h = stream.codec_context.width, stream.codec_context.height
        if w * h > MAX_PIXELS:
            raise SourceProblem(
                f"The pictures of {self.path.name} are too large ({w} x {h}).",
                "Film with 4K or less.",
            )

    def _first(self, container: Any, stream: Any) -> Any:
        for picture in self._decoded(container, stream):
            return picture
        raise SourceProblem(f"{self.path.name} holds no picture that can be read.", _SUFFIX_HINT)

    def _decoded(self, container: Any, stream: Any) -> Iterator[Any]:
        """Pictures of a container; a broken packet costs only itself."""
        av = _av()
        packets = container.demux(stream)
        while True:
            try:
                packet = next(packets)
            except StopIteration:
                return
            except (av.error.FFmpegError, OSError):
                self._damaged += 1
                return
            try:
                yield from packet.decode()
            except (av.error.FFmpegError, OSError, ValueError):
                self._damaged += 1
            if packet.dts is None and packet.pts is None and packet.size == 0:
                return

    def _describe(self, container: Any, stream: Any, first: Any, notes: list[str]) -> SourceInfo:
        duration = None
        if stream.duration is not None and stream.time_base is not None:
            duration = float(stream.duration * stream.time_base)
        elif container.duration is not None:
            duration = container.duration / 1e6
        upright = VideoFrame(first, 0, 0.0, self._coding, self._turns)
        transfer = _HDR_TRANSFER.get(int(first.color_trc or 0))
        if transfer:
            notes.append(
                f"The film is HDR ({transfer}): its tone curve is only roughly known. "
                "Film in standard range."
            )
        return SourceInfo(
            kind="video",
            path=str(self.path),
            width=upright.width,
            height=upright.height,
            duration_s=duration,
            frame_count=int(stream.frames) or None,
            notes=tuple(notes),
            details={
                "codec": str(stream.codec_context.name),
                "pixel_format": str(first.format.name),
                "colour_matrix": self._coding.matrix,
                "colour_range": "full" if self._coding.full_range else "limited",
                "quarter_turns": str(self._turns),
            },
        )

    def frames(self) -> Iterator[Frame]:
        """Yield every readable frame in time order."""
        av = _av()
        container = self._open(av)
        self._damaged = 0
        try:
            stream = self._picture_track(container)
            last = -1.0
            for index, picture in enumerate(self._decoded(container, stream)):
                time_s = self._time_of(picture, last)
                if time_s <= last:
                    continue
                last = time_s
                yield VideoFrame(picture, index, time_s, self._coding, self._turns)
        finally:
            container.close()
            self._note_damage()

    def _time_of(self, picture: Any, last: float) -> float:
        if picture.pts is None:
            return last + 0.04
        return float(picture.pts * picture.time_base) - self._start_s

    def _note_damage(self) -> None:
        sentence = f"{self._damaged} damaged packets were passed over."
        if self._damaged and sentence not in self.info.notes:
            kept = tuple(n for n in self.info.notes if "damaged packets" not in n)
            self.info = replace(self.info, notes=(*kept, sentence))

    def sample(self, count: int) -> list[Frame]:
        """Return about `count` frames spread over the film, through its key frames if it can."""
        duration = self.info.duration_s
        if duration and duration > 0:
            found = self._sample_by_seeking(count, duration)
            if len(found) >= max(3, count // 2) or (found and duration < _SAMPLE_SEEK_LIMIT):
                return found
        return self._sample_by_reading(count)

    def _sample_by_seeking(self, count: int, duration_s: float) -> list[Frame]:
        av = _av()
        container = self._open(av)
        found: dict[int, Frame] = {}
        try:
            stream = self._picture_track(container)
            for k in range(count):
                target = self._start_s + duration_s * (k + 0.5) / count
                with suppress(av.error.FFmpegError, OSError, ValueError):
                    container.seek(int(target / stream.time_base), stream=stream)
                    picture = next(self._decoded(container, stream), None)
                    if picture is None or picture.pts is None:
                        continue
                    if picture.pts not in found:
                        time_s = float(picture.pts * picture.time_base) - self._start_s
                        # Held by value: a decoder may reuse its buffers.
                        frame = VideoFrame(picture, k, time_s, self._coding, self._turns)
                        found[picture.pts] = frame
        finally:
            container.close()
        return [found[pts] for pts in sorted(found)]

    def _sample_by_reading(self, count: int) -> list[Frame]:
        kept: list[Frame] = []
        stride = 1
        for seen, frame in enumerate(self.frames()):
            if seen % stride == 0:
                kept.append(frame)
                if len(kept) >= 2 * count:
                    kept = kept[::2]
                    stride *= 2
        return kept

    def close(self) -> None:
        """Nothing stays open between calls."""


def _quarter_turns(picture: Any) -> int:
    """Counter-clockwise quarter turns that set the picture upright."""
    rotation = getattr(picture, "rotation", 0) or 0
    return round(float(rotation) / 90.0) % 4


def _coding(picture: Any, matrix: str | None, range_: str | None) -> tuple[ColourCoding, list[str]]:
    notes: list[str] = []
    tagged = _MATRIX_BY_TAG.get(int(picture.colorspace or 0))
    if matrix is None:
        matrix = tagged
        if matrix is None:
            matrix = "bt709" if picture.height >= 720 else "bt601"
            notes.append(
                f"The film does not say which colour matrix it has; {matrix.upper()} is assumed "
                "(usual for its size)."
            )
    name = str(picture.format.name)
    tag = int(picture.color_range or 0)
    tagged_full = tag == 2 or name.startswith("yuvj")
    full = tagged_full if range_ is None else range_ == "full"
    return ColourCoding(matrix, full), notes
