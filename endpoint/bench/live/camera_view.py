"""What the camera sees: flask and reference found in the first frames, then the colour of each."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from endpoint.bench.guidance.colour_names import blueness_of
from endpoint.bench.guidance.ports import SetUp
from endpoint.bench.live.plume import plume_frames
from endpoint.bench.live.samples import SampleStore
from endpoint.colour.density import ColourSample, ColourTrace
from endpoint.colour.follow import ColourFollower
from endpoint.problems import FLAG_TEXT, Flag, NoEndpoint
from endpoint.recording.frame import Box, Frame
from endpoint.scene.region import Region, locate

FloatArray = NDArray[np.float64]

_LOOK_FRAMES = 12
_LOOK_SPACING_S = 0.1
_LOOK_AGAIN_S = 2.0
_RECENT_S = 1.0
_LIGHT_S = 4.0
_LIGHT_FRAMES = 15
_LOST_S = 4.0
_MOST_RECENT = 150
_HIDING = (Flag.DARK, Flag.LIQUID_LOST, Flag.REFERENCE_LOST, Flag.CAMERA_MOVED, Flag.CLIPPED)
_LOST = int(Flag.LIQUID_LOST | Flag.REFERENCE_LOST | Flag.CAMERA_MOVED)


class Sight:
    """Frames to colours, with a memory of bounded size."""

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.region: Region | None = None
        self.trouble: str | None = None
        """Code of why flask or reference are not found."""
        self.last_s: float | None = None
        self.frames = 0
        self.size: tuple[int, int] | None = None
        """Width and height of the pictures."""
        self.boxes: dict[str, Box] = {}
        """Drawn by hand: "liquid", "reference"."""
        self._store = SampleStore()
        self._recent: deque[ColourSample] = deque(maxlen=_MOST_RECENT)
        self._follower: ColourFollower | None = None
        self._first: list[Frame] = []
        self._looked_s = -np.inf
        self._from_s = -np.inf

    def see(self, frame: Frame) -> list[ColourSample]:
        """Take the next frame and return the colours that it settles; slow while looking."""
        with self.lock:
            if self.last_s is not None and frame.time_s <= self.last_s:
                return []
            self.last_s, self.size = frame.time_s, (frame.width, frame.height)
            self.frames += 1
            follower = self._follower
        if follower is None:
            self._look(frame)
            return []
        settled = follower.take(frame)
        with self.lock:
            if follower is not self._follower:
                return []
            return self._add(settled)

    def rest(self) -> list[ColourSample]:
        """Colours that still wait for a look; none does afterwards."""
        with self.lock:
            return self._add([] if self._follower is None else self._follower.rest())

    def _add(self, settled: list[ColourSample]) -> list[ColourSample]:
        kept = [sample for sample in settled if sample.time_s >= self._from_s]
        for sample in kept:
            self._store.add(sample)
        self._recent.extend(kept)
        return kept

    def _look(self, frame: Frame) -> None:
        """Collect first frames, then find liquid and reference in them."""
        if not self._first or frame.time_s - self._first[-1].time_s >= _LOOK_SPACING_S:
            self._first.append(frame)
        del self._first[:-_LOOK_FRAMES]
        if len(self._first) < _LOOK_FRAMES or frame.time_s - self._looked_s < _LOOK_AGAIN_S:
            return
        self._looked_s = frame.time_s
        try:
            region = locate(self._first, self.boxes.get("liquid"), self.boxes.get("reference"))
        except NoEndpoint as absent:
            self.trouble = absent.code
            return
        self.look_at(region)

    def look_at(self, region: Region) -> None:
        """Measure in this region from now on."""
        with self.lock:
            self.region, self.trouble = region, None
            self._follower, self._first = ColourFollower(region), []
            self._store.clear()
            self._recent.clear()

    def fits(self, region: Region) -> bool:
        """Whether a region is for pictures of the size that is measured now."""
        now = self.region
        return now is not None and (now.width, now.height) == (region.width, region.height)

    def look_again(self) -> None:
        """Forget where the flask stood and look for it anew."""
        with self.lock:
            self.region = self._follower = self.trouble = None
            self._first, self._looked_s, self._from_s = [], -np.inf, -np.inf
            self._store.clear()
            self._recent.clear()

    def forget_before(self, time_s: float) -> None:
        """Let go of colours before a time, also of those that are not settled yet."""
        with self.lock:
            self._from_s = time_s
            self._store.forget_before(time_s)

    def put(self, samples: Iterable[ColourSample]) -> None:
        """Take the colours of a run that is gone on with, in place of those of the set-up."""
        with self.lock:
            self._from_s = -np.inf
            self._store.clear()
            self._add(list(samples))

    def trace(self, readings_s: tuple[float, ...] = ()) -> tuple[ColourTrace, bool]:
        """All colours that are held, and whether titrant runs in right now.

        Parameters
        ----------
        readings_s:
            Times of the readings: frames since the last one that show a plume are set aside.
            Without any none are.
        """
        with self.lock:
            columns = self._store.columns()
        running = False
        if readings_s:
            before_s = readings_s[-2] if len(readings_s) > 1 else None
            plume = plume_frames(columns["time_s"], columns["spread"], readings_s[-1], before_s)
            columns["flags"][plume] |= int(Flag.MIXING)
            running = bool(plume[-1:].any())
        return SampleStore.trace_of(columns), running

    # What it looks like now ----------------------------------------------------------------------

    def latest(self) -> ColourSample | None:
        """Colour of the last frame."""
        return None if self._follower is None else self._follower.latest

    def blueness(self) -> float | None:
        """Form in the last second of frames; that of the last frame until there are some."""
        with self.lock:
            recent = self._store.since((self.last_s or 0.0) - _RECENT_S, "density")
        if len(recent):
            return blueness_of(np.median(recent, axis=0))
        latest = self.latest()
        return None if latest is None else blueness_of(np.array(latest.density))

    def hidden(self) -> str | None:
        """Sentence on what hides the view in the last second, None if it is clear."""
        flags = self._recent_flags(_RECENT_S)
        if flags.size == 0:
            return None
        for flag in _HIDING:
            if np.mean((flags & int(flag)) != 0) > 0.5:
                return FLAG_TEXT[flag][0]
        return None

    def lost_long(self) -> bool:
        """Whether the flask has been out of its place for seconds."""
        flags = self._recent_flags(_LOST_S)
        return flags.size > 20 and bool(np.mean((flags & _LOST) != 0) > 0.9)

    def set_up(self, now_s: float) -> SetUp:
        """What the checks of the set-up are made from."""
        with self.lock:
            light = self._store.since(now_s - _LIGHT_S, "reference")
        flags, latest = self._recent_flags(_RECENT_S), self.latest()
        many = flags.size > 0
        return SetUp(
            camera_alive=self.last_s is not None and now_s - self.last_s < 2.0,
            frames=self.frames,
            located=self.region is not None,
            trouble=self.trouble,
            clipped=many and bool(np.mean((flags & int(Flag.CLIPPED)) != 0) > 0.5),
            dark=many and bool(np.mean((flags & int(Flag.DARK)) != 0) > 0.5),
            light_scatter=_scatter(light) if len(light) >= _LIGHT_FRAMES else None,
            blueness=self.blueness(),
            depth=None if latest is None else float(max(latest.density)),
            region=self.region,
            samples=tuple(self._recent),
        )

    def _recent_flags(self, seconds: float) -> NDArray[np.int64]:
        with self.lock:
            return self._store.since((self.last_s or 0.0) - seconds, "flags")


def _scatter(light: FloatArray) -> float:
    """Largest relative standard deviation of the three channels."""
    return float(np.max(light.std(axis=0) / np.maximum(light.mean(axis=0), 1e-4)))
