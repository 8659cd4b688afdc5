"""Films, read with PyAV: true time stamps, explicit colour matrix, damage survived and counted."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.problems import InstallProblem, SourceProblem
from endpoint.sources.frame import Box, ByteArray, Frame, SourceInfo
from endpoint.sources.planes import ColourCoding, Part, rgb_of

MAX_PIXELS = 4096 * 3072
MAX_PICTURE_BYTES = 40_000_000
"""Largest picture, once decoded: a decoder holds several, and the program stays under 1 GB."""
_SAMPLE_BYTES = 200_000_000
_MOST_THREADS = 4
_SUSPECT_S = 10.0
_MOST_BROKEN_READS = 50

# Codes of ITU-T H.273 (colour description): matrix coefficients and transfer characteristics.
_MATRIX_BY_TAG = {1: "bt709", 4: "bt601", 5: "bt601", 6: "bt601", 9: "bt2020", 10: "bt2020"}
_HDR_TRANSFER = {16: "PQ", 18: "HLG"}
_NO_FILMS = ("concat", "hls", "dash", "image2", "imf", "sdp", "rtsp")
_COPY_AGAIN = "Copy it again from the camera, or convert it to MP4 (H.264)."


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
        """Return the whole picture as uint8; worked out in strips, so that little is held."""
        out = np.empty((self.height, self.width, 3), dtype=np.uint8)
        rows = max(16, (1 << 19) // self.width)
        for top in range(0, self.height, rows):
            strip = self.encoded(Box(0, top, self.width, min(top + rows, self.height)))
            strip *= np.float32(255.0)
            np.rint(strip, out=strip)
            out[top : top + rows] = np.clip(strip, 0, 255, out=strip)
        return out

    def encoded(self, box: Box) -> NDArray[np.float32]:
        """Return a part of the picture as float32 R'G'B', 0 to 1."""
        part = rgb_of(self._picture, self._stored(box), self._coding)
        return np.rot90(part, self._turns) if self._turns else part

    def _stored(self, box: Box) -> Part:
        """Box in the picture as stored, before it is turned upright (counter-clockwise turns)."""
        w, h = self._picture.width, self._picture.height
        if self._turns == 0:
            return Part(box.top, box.bottom, box.left, box.right)
        if self._turns == 1:
            return Part(box.left, box.right, w - box.bottom, w - box.top)
        if self._turns == 2:
            return Part(h - box.bottom, h - box.top, w - box.right, w - box.left)
        return Part(h - box.right, h - box.left, box.top, box.bottom)


@dataclass
class _Tally:
    """What one reading of a film had to leave out."""

    packets: int = 0
    suspect: int = 0
    unlike: int = 0
    backwards: int = 0

    def sentences(self) -> list[str]:
        told = (
            (self.packets, "damaged packets were passed over."),
            (self.suspect, "pictures were left out because they are damaged or build on damage."),
            (self.unlike, "pictures were left out because their size differs from the first."),
            (self.backwards, "pictures were left out because their time stamps do not rise."),
        )
        return [f"{count} {text}" for count, text in told if count]


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
        The file is no film, holds no picture track or a single picture, is cut off, has no time
        stamps, or its pictures are too large.
    """

    def __init__(
        self, path: Path, colour_matrix: str | None = None, colour_range: str | None = None
    ) -> None:
        self.path = path
        av = _av()
        container = self._open(av)
        try:
            stream = self._picture_track(container)
            first = self._first(container, stream)
            self._turns = _quarter_turns(first)
            self._coding, notes = _coding(first, colour_matrix, colour_range)
            self._start_s = _stamp_s(first)
            self._stored_size = (first.width, first.height)
            self._picture_bytes = _bytes_of(first)
            self.info = self._describe(container, stream, first, notes)
        finally:
            container.close()

    def _open(self, av: Any) -> Any:
        options = {"max_pixels": str(MAX_PIXELS), "protocol_whitelist": "file"}
        container = None
        with suppress(av.error.FFmpegError, OSError, ValueError, UnicodeError):
            container = av.open(str(self.path), metadata_errors="ignore", options=options)
        if container is None:
            raise SourceProblem(f"{self.path.name} is no film that can be read.", _COPY_AGAIN)
        if set(container.format.name.split(",")) & set(_NO_FILMS):
            container.close()
            raise SourceProblem(
                f"{self.path.name} is a list of other files, no film.", "Name the film itself."
            )
        return container

    def _picture_track(self, container: Any) -> Any:
        """First track of moving pictures; the cover picture of a sound file is none."""
        av = _av()
        cover = av.stream.Disposition.attached_pic
        tracks = [
            s
            for s in container.streams.video
            if s.codec_context is not None and not s.disposition & cover
        ]
        if not tracks:
            raise SourceProblem(
                f"{self.path.name} holds no moving pictures, only sound, text or data.",
                "Name the film of the flask.",
            )
        self._check_size(tracks[0].codec_context.width, tracks[0].codec_context.height)
        tracks[0].thread_type = "AUTO"
        # Every thread of a decoder holds pictures of its own.
        tracks[0].codec_context.thread_count = min(_MOST_THREADS, os.cpu_count() or 1)
        return tracks[0]

    def _check_size(self, width: int, height: int) -> None:
        if width * height > MAX_PIXELS:
            raise SourceProblem(
                f"The pictures of {self.path.name} are too large ({width} x {height}).",
                "Film with 4K or less.",
            )

    def _first(self, container: Any, stream: Any) -> Any:
        """First picture of a film that has at least two, with time stamps."""
        pictures = self._decoded(container, stream, _Tally())
        first = next(pictures, None)
        if first is None:
            raise SourceProblem(f"{self.path.name} holds no picture that can be read.", _COPY_AGAIN)
        self._check_size(first.width, first.height)
        if _bytes_of(first) > MAX_PICTURE_BYTES:
            raise SourceProblem(
                f"The pictures of {self.path.name} are too large ({first.width} x {first.height}, "
                f"{first.format.name}).",
                "Film with 4K or less, or convert the film to 8 bits (yuv420p).",
            )
        second = next(pictures, None)
        if second is None:
            raise SourceProblem(
                f"{self.path.name} holds a single picture, no film.",
                'Name the whole film; stills go into one folder, as stills = "folder".',
            )
        if first.pts is None and second.pts is None:
            raise SourceProblem(
                f"{self.path.name} has no time stamps.", "Convert it to MP4 or MKV with its times."
            )
        return first if first.pts is not None else second

    def _decoded(self, container: Any, stream: Any, tally: _Tally) -> Iterator[Any]:
        """Sound pictures of a container.

        A broken packet costs itself and the pictures that build on it: those up to the next key
        picture are left out, for 10 s at most (films of one key picture would end there).
        """
        suspect_until_s = -np.inf
        for picture in self._every(container, stream, tally):
            broken = picture is None or picture.is_corrupt
            stamp_s = _stamp_s(picture) if picture is not None and picture.pts is not None else None
            if picture is not None and picture.key_frame and not broken:
                suspect_until_s = -np.inf
            if broken:
                suspect_until_s = np.inf if stamp_s is None else stamp_s + _SUSPECT_S
            elif np.isposinf(suspect_until_s) and stamp_s is not None:
                suspect_until_s = stamp_s + _SUSPECT_S
            if picture is None:
                continue
            if broken or (stamp_s is not None and stamp_s < suspect_until_s):
                tally.suspect += 1
                continue
            yield picture

    def _every(self, container: Any, stream: Any, tally: _Tally) -> Iterator[Any]:
        """Every decoded picture, and None where a packet was broken."""
        av = _av()
        broken_reads = 0
        packets = container.demux(stream)
        while True:
            try:
                packet = next(packets)
            except StopIteration:
                return
            except (av.error.FFmpegError, OSError, ValueError):
                tally.packets += 1
                broken_reads += 1
                if broken_reads > _MOST_BROKEN_READS:
                    return
                packets = container.demux(stream)
                yield None
                continue
            try:
                yield from packet.decode()
            except (av.error.FFmpegError, OSError, ValueError):
                tally.packets += 1
                yield None

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
        """Yield every sound picture in time order."""
        container = self._open(_av())
        tally = _Tally()
        last = -1.0
        ended = False
        try:
            stream = self._picture_track(container)
            for index, picture in enumerate(self._decoded(container, stream, tally)):
                if (picture.width, picture.height) != self._stored_size:
                    tally.unlike += 1
                elif picture.pts is None or self._time_of(picture) <= last:
                    tally.backwards += 1
                else:
                    last = self._time_of(picture)
                    yield VideoFrame(picture, index, last, self._coding, self._turns)
            ended = True
        finally:
            container.close()
            self._note(tally, last if ended else None)

    def _time_of(self, picture: Any) -> float:
        return _stamp_s(picture) - self._start_s

    def _note(self, tally: _Tally, last_s: float | None) -> None:
        """Add what a reading found to the notes, each sentence once."""
        sentences = tally.sentences()
        expected_s = self.info.duration_s
        if last_s is not None and expected_s is not None and last_s < 0.95 * expected_s - 2.0:
            sentences.append(
                f"The film breaks off at {last_s:.0f} s; its header promises {expected_s:.0f} s."
            )
        kept = [note for note in self.info.notes if note not in sentences]
        if sentences:
            self.info = replace(self.info, notes=(*kept, *sentences))

    def sample(self, count: int) -> list[Frame]:
        """Return about `count` pictures spread over the film, through its key pictures if it can.

        Fewer are returned where `count` of them would fill the memory.
        """
        count = max(1, min(count, _SAMPLE_BYTES // self._picture_bytes))
        duration = self.info.duration_s
        if duration and duration > 0:
            found = self._sample_by_seeking(count, duration)
            if len(found) >= max(3, count // 2):
                return found
        return self._sample_by_reading(count)

    def _sample_by_seeking(self, count: int, duration_s: float) -> list[Frame]:
        av = _av()
        container = self._open(av)
        found: dict[int, Frame] = {}
        try:
            stream = self._picture_track(container)
            for k in range(count):
                target_s = self._start_s + duration_s * (k + 0.5) / count
                with suppress(av.error.FFmpegError, OSError, ValueError):
                    container.seek(int(target_s / stream.time_base), stream=stream)
                    picture = next(self._decoded(container, stream, _Tally()), None)
                    if picture is None or picture.pts is None or picture.pts in found:
                        continue
                    if (picture.width, picture.height) != self._stored_size:
                        continue
                    time_s = self._time_of(picture)
                    found[picture.pts] = VideoFrame(picture, k, time_s, self._coding, self._turns)
        finally:
            container.close()
        return [found[pts] for pts in sorted(found)]

    def _sample_by_reading(self, count: int) -> list[Frame]:
        """Every n-th picture; n is doubled whenever more than `count` are held."""
        kept: list[Frame] = []
        stride = 1
        for seen, frame in enumerate(self.frames()):
            if seen % stride == 0:
                kept.append(frame)
                if len(kept) > count:
                    kept = kept[::2]
                    stride *= 2
        return kept

    def close(self) -> None:
        """Nothing stays open between calls."""


def _stamp_s(picture: Any) -> float:
    return float(picture.pts * picture.time_base)


def _bytes_of(picture: Any) -> int:
    return sum(plane.buffer_size for plane in picture.planes)


def _quarter_turns(picture: Any) -> int:
    """Counter-clockwise quarter turns that set the picture upright."""
    rotation = getattr(picture, "rotation", 0) or 0
    return round(float(rotation) / 90.0) % 4


def _coding(picture: Any, matrix: str | None, range_: str | None) -> tuple[ColourCoding, list[str]]:
    """Matrix and range: what was asked for, else the tags, else the usual ones with a note."""
    notes: list[str] = []
    name = str(picture.format.name)
    is_yuv = not (picture.format.is_rgb or picture.format.has_palette or name.startswith("gray"))
    if matrix is None:
        matrix = _MATRIX_BY_TAG.get(int(picture.colorspace or 0))
        if matrix is None:
            matrix = "bt709" if picture.height >= 720 else "bt601"
            if is_yuv:
                notes.append(
                    f"The film does not say which colour matrix it has; {matrix.upper()} is "
                    "assumed (usual for its size)."
                )
    tag = int(picture.color_range or 0)
    full = tag == 2 or name.startswith("yuvj")
    if range_ is not None:
        full = range_ == "full"
    elif tag not in (1, 2) and is_yuv and not full:
        notes.append("The film does not say which range its samples have; limited is assumed.")
    return ColourCoding(matrix, full), notes
