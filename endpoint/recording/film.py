"""Films, read with PyAV: true time stamps, explicit colour matrix, damage survived and counted."""

from __future__ import annotations

import os
from collections.abc import Generator, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from endpoint.files.container import broken, libav, open_container
from endpoint.problems import SourceProblem
from endpoint.recording.film_frame import VideoFrame
from endpoint.recording.frame import Frame, SourceInfo, Spans, Stamps
from endpoint.recording.planes import coding_of
from endpoint.recording.read_ahead import ahead

MAX_PIXELS = 4096 * 3072
MAX_PICTURE_BYTES = 40_000_000
"""Largest picture, once decoded: a decoder holds several, and the program stays under 1 GB."""
_SAMPLE_BYTES = 200_000_000
_MOST_THREADS = 4
_PIXELS_A_THREAD = 500_000
"""Pixels of a picture that one thread of a decoder is given: with two, small pictures (640 x 480)
take a quarter more CPU and come no sooner, since each is measured while the next one is decoded."""
_MOST_AHEAD, _AHEAD_BYTES = 4, 25_000_000
_SUSPECT_S = 10.0
_MOST_BROKEN_READS = 50

# Codes of ITU-T H.273 (colour description): transfer characteristics.
_HDR_TRANSFER = {16: "PQ", 18: "HLG"}
_LISTS = (b"#EXTM3U", b"ffconcat", b"<?xml", b"<MPD", b"v=0")
"""How HLS, concat, DASH and SDP begin."""
_COPY_AGAIN = "Copy it again from the camera, or convert it to MP4 (H.264)."


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
    """A film file of any container and codec that FFmpeg reads.

    Parameters
    ----------
    colour_matrix, colour_range:
        Override for missing or wrong tags: "bt601", "bt709", "bt2020"; "limited", "full".
    decode_threads:
        Most threads of the decoder; None for as many as there are cores, up to 4. Small pictures
        are given fewer.

    Raises
    ------
    SourceProblem
        The file is not a film, holds no picture track or a single picture, is cut off, has no time
        stamps, or its pictures are too large.
    """

    def __init__(
        self,
        path: Path,
        colour_matrix: str | None = None,
        colour_range: str | None = None,
        decode_threads: int | None = None,
    ) -> None:
        self.path = path
        self._threads = decode_threads or min(_MOST_THREADS, os.cpu_count() or 1)
        container = self._open()
        try:
            stream = self._picture_track(container)
            first = self._first(container, stream)
            self._turns = _quarter_turns(first)
            self._coding, notes = coding_of(first, colour_matrix, colour_range)
            self._start_s = _stamp_s(first)
            self._stored_size = (first.width, first.height)
            self._picture_bytes = _bytes_of(first)
            self._stamps: Stamps | None = None
            self.info = self._describe(container, stream, first, notes)
        finally:
            container.close()

    def _open(self) -> Any:
        container = open_container(self.path, options={"max_pixels": str(MAX_PIXELS)})
        if container is None:
            if _is_list(self.path):
                raise SourceProblem(
                    f"{self.path.name} is a list of other files, not a film.",
                    "Name the film itself.",
                )
            raise SourceProblem(f"{self.path.name} is not a film that can be read.", _COPY_AGAIN)
        return container

    def _picture_track(self, container: Any) -> Any:
        """First track of moving pictures; the cover picture of a sound file is none."""
        cover = libav().stream.Disposition.attached_pic
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
        context = tracks[0].codec_context
        wanted = -(-context.width * context.height // _PIXELS_A_THREAD)
        context.thread_count = max(1, min(self._threads, wanted))
        # Edges of coding blocks are not smoothed in pictures on which no other one builds: that
        # hardly moves a mean over a region, and no error is handed on.
        context.options = {"skip_loop_filter": "noref"}
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

    def _decoded(
        self, container: Any, stream: Any, tally: _Tally, wanted: Spans | None = None
    ) -> Iterator[Any]:
        """Sound pictures of a container.

        A broken packet costs itself and the pictures that build on it: those up to the next key
        picture are left out, for 10 s at most (films of one key picture would end there).
        Outside `wanted` only those pictures are decoded on which others build.
        """
        suspect_until_s = -np.inf
        for picture in self._every(container, stream, tally, wanted):
            if picture is not None and suspect_until_s == -np.inf and not picture.is_corrupt:
                yield picture
                continue
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

    def _every(
        self, container: Any, stream: Any, tally: _Tally, wanted: Spans | None = None
    ) -> Iterator[Any]:
        """Every decoded picture, and None where a packet was broken."""
        damage = broken()
        broken_reads = 0
        packets = container.demux(stream)
        while True:
            try:
                packet = next(packets)
            except StopIteration:
                return
            except damage:
                tally.packets += 1
                broken_reads += 1
                if broken_reads > _MOST_BROKEN_READS:
                    return
                packets = container.demux(stream)
                yield None
                continue
            if wanted is not None:
                inside = packet.pts is None or wanted.hold(self._time_of(packet))
                stream.codec_context.skip_frame = "DEFAULT" if inside else "NONREF"
            try:
                yield from packet.decode()
            except damage:
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
        """Yield every sound picture in time order; the next few are decoded ahead."""
        if self._threads == 1:
            return self._frames()
        width, height = self._stored_size
        most = _AHEAD_BYTES // max(1, 2 * width * height)
        return ahead(self._frames(), max(1, min(_MOST_AHEAD, most)))

    def _frames(self) -> Generator[Frame, None, None]:
        container = self._open()
        tally = _Tally()
        last = -1.0
        ended = False
        try:
            stream = self._picture_track(container)
            for index, picture in enumerate(self._decoded(container, stream, tally)):
                if (picture.width, picture.height) != self._stored_size:
                    tally.unlike += 1
                elif picture.pts is None or (time_s := self._time_of(picture)) <= last:
                    tally.backwards += 1
                else:
                    last = time_s
                    yield VideoFrame(picture, index, last, self._coding, self._turns)
            ended = True
        finally:
            container.close()
            self._note(tally, last if ended else None)

    def _time_of(self, picture: Any) -> float:
        return _stamp_s(picture) - self._start_s

    def stamps(self) -> Stamps:
        """Times of all pictures, from the container alone: nothing is decoded."""
        if self._stamps is None:
            container = self._open()
            times: list[float] = []
            keys: list[float] = []
            try:
                stream = self._picture_track(container)
                with suppress(*broken()):
                    for packet in container.demux(stream):
                        if packet.pts is not None:
                            times.append(self._time_of(packet))
                            if packet.is_keyframe:
                                keys.append(times[-1])
            finally:
                container.close()
            self._stamps = Stamps(np.unique(times), np.unique(keys))
        return self._stamps

    def frames_within(self, spans: Spans) -> Iterator[Frame]:
        """Yield the sound pictures whose times lie in the spans, in time order.

        One seek to the key picture before a span, unless the reading is already past it.
        """
        container = self._open()
        tally = _Tally()
        stamps = self.stamps()
        try:
            stream = self._picture_track(container)
            for key_s, run in stamps.runs(spans):
                begin_s = key_s + self._start_s
                # Where a film cannot be sought, the reading goes on from where it is.
                with suppress(*broken()):
                    container.seek(round(begin_s / float(stream.time_base)), stream=stream)
                yield from self._run(container, stream, tally, run)
        finally:
            container.close()
            self._note(tally, None)

    def _run(self, container: Any, stream: Any, tally: _Tally, run: Spans) -> Iterator[Frame]:
        last = -1.0
        for picture in self._decoded(container, stream, tally, run):
            if (picture.width, picture.height) != self._stored_size or picture.pts is None:
                continue
            time_s = self._time_of(picture)
            if time_s > run.end_s:
                return
            if time_s > last and run.hold(time_s):
                last = time_s
                index = self.stamps().index_of(time_s)
                yield VideoFrame(picture, index, time_s, self._coding, self._turns)

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
        container = self._open()
        found: dict[int, Frame] = {}
        try:
            stream = self._picture_track(container)
            for k in range(count):
                target_s = self._start_s + duration_s * (k + 0.5) / count
                with suppress(*broken()):
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
        """Every n-th picture, n a power of 2; of the others only those on which others build."""
        time_s = self.stamps().time_s
        stride = 1
        while time_s[::stride].size > count:
            stride *= 2
        return list(self.frames_within(Spans.of((time, time) for time in time_s[::stride])))

    def close(self) -> None:
        """Nothing stays open between calls."""


def _is_list(path: Path) -> bool:
    """Whether a file that is not a film is a list of others; for the words of the refusal."""
    with suppress(OSError), path.open("rb") as file:
        return file.read(64).lstrip(b"\xef\xbb\xbf \r\n").startswith(_LISTS)
    return False


def _stamp_s(picture: Any) -> float:
    """Time of a picture or a packet, as exact as a float can be."""
    unit = picture.time_base
    return float(picture.pts * unit.numerator / unit.denominator)


def _bytes_of(picture: Any) -> int:
    return sum(plane.buffer_size for plane in picture.planes)


def _quarter_turns(picture: Any) -> int:
    """Counter-clockwise quarter turns that set the picture upright."""
    return round(float(picture.rotation) / 90.0) % 4
