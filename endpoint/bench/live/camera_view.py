"""What the camera sees: flask and reference in the first frames, then the colour of each frame."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.bench.guidance.plume import Sight, sight_of
from endpoint.bench.guidance.setup_checks import SetUp
from endpoint.colour.density import ColourSample, ColourTrace
from endpoint.colour.follow import ColourFollower
from endpoint.colour.sample_store import SampleStore
from endpoint.curve.colour_names import blueness_of
from endpoint.problems import FLAG_TEXT, Flag, NoEndpoint, NotReady, RecordProblem
from endpoint.recording.frame import Box, Frame
from endpoint.scene import start
from endpoint.scene.region import Region, locate
from endpoint.scene.start import Start

_LOOK_FRAMES = 12
_LOOK_SPACING_S = 0.1
_LOOK_AGAIN_S = 2.0
"""Pictures in which flask and reference are looked for, the least time between two of them and
between two searches, s: twelve pictures show a second of stirring. Assumed."""
_THUMBS_S = 0.5
_QUIET_THUMBS = 4
"""Time between two thumbnails, s, and how many of them have to be alike before a changed scene is
looked at again: a hand has left, a liquid has come to rest. Assumed."""
_RECENT_S = 1.0
_ALIVE_S = 2.0
_LOST_S = 4.0
"""What "now" means, s: of a trouble, of a camera that still sends, and of a flask that is lost (a
hand is gone after 4 s). Assumed."""
_MOST_RECENT = 150
"""Samples of which the checks see the last seconds: at 30 a second they reach back 5 s."""
_HIDING = (Flag.DARK, Flag.LIQUID_LOST, Flag.REFERENCE_LOST, Flag.CAMERA_MOVED, Flag.CLIPPED)
_LEAST_SIDE = 8
"""Side of a box that can be measured, pixels: fewer, and single pixels decide. Assumed."""
_LOST = int(Flag.LIQUID_LOST | Flag.REFERENCE_LOST | Flag.CAMERA_MOVED)


def _same_size(one: Frame, other: Frame) -> bool:
    return (one.width, one.height) == (other.width, other.height)


def _no_liquid_there() -> RecordProblem:
    return RecordProblem(
        "The bench sees no coloured liquid there.",
        "Point at the middle of the liquid, or draw a box around it.",
    )


class CameraView:
    """Frames to colours, with a memory of bounded size."""

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.region: Region | None = None
        self.trouble: str | None = None
        """Code of why flask or reference are not found."""
        self.last_s: float | None = None
        self.size: tuple[int, int] | None = None
        """Width and height of the pictures."""
        self.boxes: dict[str, Box] = {}
        """Drawn by hand: "liquid", "reference"."""
        self.start: Start | None = None
        """What could be the liquid, as it was last looked for; None with a box by hand."""
        self.which = 0
        """Body of `start` that was taken."""
        self.kept = False
        """Whether a person has said where the liquid is; then it is not looked for again."""
        self.changed = False
        """Whether the scene has changed since, and has come to rest."""
        self._thumbs: deque[NDArray[np.float32]] = deque(maxlen=_QUIET_THUMBS)
        self._thumb: NDArray[np.float32] | None = None
        self._thumb_s = -np.inf
        self._store = SampleStore()
        self._recent: deque[ColourSample] = deque(maxlen=_MOST_RECENT)
        self._follower: ColourFollower | None = None
        self._first: list[Frame] = []
        self._looked_s = -np.inf
        self._asked = 0
        """Counts what makes a look that is under way worthless."""
        self._from_s = -np.inf

    def see(self, frame: Frame) -> list[ColourSample]:
        """Take the next frame and return the colours that it settles; slow while looking."""
        with self.lock:
            if self.last_s is not None and frame.time_s <= self.last_s:
                return []
            self.last_s, self.size = frame.time_s, (frame.width, frame.height)
            follower = self._follower
        if follower is None:
            self._look(frame)
            return []
        self._compare(frame)
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
        with self.lock:
            # A film gives way to the pictures of a telephone: only those of one size are one scene.
            if self._first and not _same_size(self._first[-1], frame):
                self._first = []
            if not self._first or frame.time_s - self._first[-1].time_s >= _LOOK_SPACING_S:
                self._first.append(frame)
            del self._first[:-_LOOK_FRAMES]
        if len(self._first) < _LOOK_FRAMES or frame.time_s - self._looked_s < _LOOK_AGAIN_S:
            return
        self._looked_s = frame.time_s
        with self.lock:
            first, boxes, asked = list(self._first), dict(self.boxes), self._asked
        region, trouble, begun = None, None, None
        try:
            if "liquid" in boxes:
                region = locate(first, boxes["liquid"], boxes.get("reference"))
            else:
                begun = start.look(first)
                region = begun.region(0, boxes.get("reference"))
        except NoEndpoint as absent:
            trouble = absent.code
        with self.lock:
            if asked != self._asked:
                # While it looked, somebody drew a box or asked for another look.
                return
            self.trouble, self.start = trouble, begun
            if region is not None:
                self._take(region, begun, 0, kept=begun is None)

    def _compare(self, frame: Frame) -> None:
        """See whether the scene is another one than when the liquid was looked for."""
        if self.kept or frame.time_s < self._thumb_s + _THUMBS_S:
            return
        self._thumb_s = frame.time_s
        now = start.thumbnail(frame)
        with self.lock:
            if self._thumb is None:
                self._thumb = now
            self._thumbs.append(now)
            first = self._thumbs[0]
            quiet = len(self._thumbs) == _QUIET_THUMBS and not start.differs(first, now)
            self.changed = quiet and start.differs(self._thumb, now)

    def next_body(self) -> None:
        """Take the next of the bodies that could be the liquid.

        Raises
        ------
        RecordProblem
            There is no other one.
        """
        begun = self.start
        if begun is None or len(begun.bodies) < 2:
            raise RecordProblem(
                "The bench sees nothing else that could be the liquid.",
                "Point at the flask in the picture, or draw a box around the liquid.",
            )
        self._choose(begun, (self.which + 1) % len(begun.bodies))

    def point_at(self, x: float, y: float) -> None:
        """Take the body at a place of the picture, in its pixels.

        Raises
        ------
        RecordProblem
            There is no picture yet, or no liquid at this place.
        """
        begun = self.start
        if begun is None and self._first:
            begun = start.look(list(self._first))
        if begun is None:
            raise RecordProblem(
                "The bench cannot look there.", "Press Look for the flask again, then point at it."
            )
        try:
            begun = begun.pointed_at(x, y)
        except NoEndpoint:
            raise _no_liquid_there() from None
        self._choose(begun, 0)

    def _choose(self, begun: Start, which: int) -> None:
        try:
            region = begun.region(which, self.boxes.get("reference"))
        except NoEndpoint as absent:
            if absent.code == "no-flask":
                raise _no_liquid_there() from None
            raise RecordProblem(
                "The picture shows no white or grey reference.",
                "Stand the flask on a white tile that shows next to it in the picture.",
            ) from None
        with self.lock:
            self._take(region, begun, which, kept=True)

    def keep(self) -> None:
        """The liquid that was taken is the right one."""
        self.kept = True

    def found(self) -> Region:
        """Where flask and reference are.

        Raises
        ------
        NotReady
            They are not found yet.
        """
        if self.region is None:
            raise NotReady(
                "The bench has not found the flask and its reference yet.",
                "Wait for the checks, or put the flask in the middle of the picture.",
            )
        return self.region

    def look_at(self, region: Region) -> None:
        """Measure in this region from now on."""
        with self.lock:
            self._take(region, None, 0, kept=True)

    def _take(self, region: Region, begun: Start | None, which: int, *, kept: bool) -> None:
        with self.lock:
            self._asked += 1
            self.region, self.trouble = region, None
            self.start, self.which, self.kept = begun, which, kept
            self._thumb, self.changed = None, False
            self._thumbs.clear()
            self._follower, self._first = ColourFollower(region), []
            self._store.clear()
            self._recent.clear()

    def fits(self, region: Region) -> bool:
        """Whether a region is for pictures of the size that is measured now."""
        now = self.region
        return now is not None and (now.width, now.height) == (region.width, region.height)

    def look_again(self) -> None:
        """Forget where the flask stood and look for it again."""
        with self.lock:
            self._asked += 1
            self.region = self._follower = self.trouble = self.start = None
            self.kept = self.changed = False
            self._first, self._looked_s, self._from_s = [], -np.inf, -np.inf
            self._store.clear()
            self._recent.clear()

    def inside(self, box: Box) -> Box:
        """The part of a box drawn by hand that lies in the picture.

        Raises
        ------
        RecordProblem
            There is no picture yet, or the box holds too little of it.
        """
        if self.size is None:
            raise RecordProblem("There is no picture yet.", "Start the camera first.")
        width, height = self.size
        inside = Box(box.left, box.top, min(box.right, width), min(box.bottom, height))
        if inside.width < _LEAST_SIDE or inside.height < _LEAST_SIDE:
            raise RecordProblem(
                f"The box covers less than {_LEAST_SIDE} pixels of the picture, which has "
                f"{width} x {height} pixels.",
                "Draw a larger box inside the picture.",
            )
        return inside

    def put_box(self, what: str, box: Box | None) -> None:
        """Look in a box drawn by hand for "liquid" or "reference"; None to look without it."""
        with self.lock:
            self.boxes.pop(what, None)
            if box is not None:
                self.boxes[what] = box
            self.look_again()

    def forget_before(self, time_s: float) -> None:
        """A run begins: drop colours from before it, and the pictures of other bodies."""
        with self.lock:
            self.start, self.kept = None, True
            self._from_s = time_s
            self._store.forget_before(time_s)

    def put(self, samples: Iterable[ColourSample]) -> None:
        """Take the colours of a run that is resumed, in place of those of the set-up."""
        with self.lock:
            self._from_s = -np.inf
            self._store.clear()
            self._add(list(samples))

    def trace(
        self, readings_s: tuple[float, ...] = (), asked_s: tuple[float | None, ...] = ()
    ) -> tuple[ColourTrace, Sight | None]:
        """All colours that are held, and what they tell of additions beyond the readings.

        Parameters
        ----------
        readings_s:
            Times of the readings: frames that belong to none of them are set aside. Without any
            none are.
        asked_s:
            When the page had asked for the addition of each.
        """
        with self.lock:
            columns = self._store.columns()
        sight = None
        if readings_s:
            sight = _sight(columns, readings_s, asked_s)
        trace = SampleStore.trace_of(columns)
        if sight is not None:
            # Only now: the colours in between show that a change was no other flask.
            trace = replace(trace, flags=trace.flags | np.where(sight.apart, int(Flag.MIXING), 0))
        return trace, sight

    def sight(self, readings_s: tuple[float, ...]) -> Sight | None:
        """What the last pause tells of an addition that no reading tells of; quick."""
        if not readings_s:
            return None
        names = ("time_s", "spread", "flags", "density")
        with self.lock:
            since_s = readings_s[-2:][0] - _RECENT_S
            columns = {name: self._store.since(since_s, name) for name in names}
        return _sight(columns, readings_s[-2:], (), colours=True)

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
            return SetUp(
                camera_alive=self.last_s is not None and now_s - self.last_s < _ALIVE_S,
                trouble=self.trouble,
                region=self.region,
                samples=tuple(self._recent),
                sure=self.kept or self.start is None or self.start.sure,
            )

    def _recent_flags(self, seconds: float) -> NDArray[np.int64]:
        with self.lock:
            return self._store.since((self.last_s or 0.0) - seconds, "flags")


def _sight(
    columns: dict[str, NDArray[Any]],
    readings_s: tuple[float, ...],
    asked_s: tuple[float | None, ...],
    *,
    colours: bool = False,
) -> Sight:
    usable = columns["flags"] == 0
    density = columns["density"] if colours else None
    return sight_of(columns["time_s"], columns["spread"], usable, readings_s, density, asked_s)
