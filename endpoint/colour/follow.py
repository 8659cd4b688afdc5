"""Colours of the frames of a recording one after the other, with every flag set.

Twice a second the scene is looked at: whether the light is on, whether the camera stands where it
stood, and where the flask is. Between two looks only the pixels of liquid and reference are read.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourSample, PixelReading, PixelSet, colours_of
from endpoint.colour.linear_light import Transfer
from endpoint.problems import Flag
from endpoint.recording.frame import Frame
from endpoint.scene import tracking
from endpoint.scene.camera_shift import (
    HERE,
    LEAST_TILES,
    Picture,
    Scene,
    View,
    camera_moved,
    camera_shift,
    small_picture,
    view_of,
)
from endpoint.scene.region import Region
from endpoint.scene.tracking import HOME, Pose

FloatArray = NDArray[np.float64]

_DARK_PART = 0.35
"""Brightness of the whole picture, as a part of the usual, below which the light was off."""
_LOOK_EVERY_S = 0.5
_RESTLESS_S = 3.0
"""How long it is looked for more often after the flask was seen to move."""
_LOOK_RESTLESS_S = 0.09
"""How often then: a hand moves a flask by less than a hundredth of the picture in that time, and
films of 10 pictures a second are looked at throughout."""
_SEARCH_EVERY_S = 1.0
"""How often a flask that is lost is looked for in the whole picture: it is hidden or away for
seconds."""
_LEAST_MOVE = 0.01
"""Movement that is followed, as a share of the picture's width."""
_LEAP = 0.06
"""Movement between two looks that must be seen twice before it is believed, likewise; and how far
apart flask and bench may seem to have moved where the camera alone has: the bench lies at other
distances."""
_SURE = 0.85
"""Likeness from which once is enough."""
_DRIFT_S = 5.0
"""Time in which the usual light of the reference is learnt anew, s: a hand comes within one second,
a camera takes tens of seconds to drift."""
_MOST_DRIFT = 2.0
"""Factor by which the light of a channel may drift in all; more is another thing."""
_APART_S = 0.066
"""Time between two frames that are measured, s: liquid changes over tenths of a second, and frames
that follow closer only tell its noise once more. Films of up to 15 pictures a second are measured
throughout, faster ones 10 to 15 times a second."""
_MOST_READ = 32
"""Frames whose pixels are kept until they are measured together."""


@dataclass(frozen=True)
class _Seen:
    """What one look at the scene has told."""

    flags: Flag
    pose: Pose
    view: View = HERE

    def about(self, sample: ColourSample, before: Flag = Flag.NONE) -> ColourSample:
        """Sample with what the looks around it have told of the whole scene.

        If the whole picture is dark the light was off; otherwise something dark is in front of
        the liquid.
        """
        if not (sample.flags or self.flags or before):
            return sample
        flags = sample.flags | (before & ~Flag.DARK) | self.flags
        hidden = Flag.REFERENCE_LOST | Flag.LIQUID_LOST | Flag.CAMERA_MOVED
        if (self.flags | before) & Flag.DARK:
            flags = (sample.flags & ~hidden) | Flag.DARK if sample.flags else sample.flags
        elif flags & hidden:
            flags &= ~Flag.DARK
        return sample if flags == sample.flags else replace(sample, flags=flags)


@dataclass
class SceneWatch:
    """Notices over the frames that the light, the reference, the camera or the flask changes.

    It keeps a short memory; give it every sample in order.
    """

    region: Region
    pose: Pose = HOME
    """Where the flask was seen last."""
    _first: list[FloatArray] = field(default_factory=list)
    _usual: list[float] = field(default_factory=lambda: [1.0, 1.0, 1.0])
    _begun: list[float] = field(default_factory=lambda: [1.0, 1.0, 1.0])
    _learnt_s: float = -np.inf
    _leapt: Pose | None = None
    _view: View = HERE
    _looked_s: float = -np.inf
    _restless_s: float = -np.inf
    _searched_s: float = -np.inf
    """When the flask was last looked for everywhere, in vain."""

    def light(self, sample: ColourSample) -> Flag:
        """Flags that the reference patch shows compared with the frames before."""
        flags = Flag.NONE
        if len(self._first) >= 3:
            pairs = zip(sample.reference, self._usual, strict=True)
            change = [math.log10(max(now, 1e-5) / max(usual, 1e-5)) for now, usual in pairs]
            mean = sum(change) / 3.0
            if max(abs(each - mean) for each in change) > 0.12 or mean < -0.3:
                flags |= Flag.REFERENCE_LOST
        if not (sample.flags or flags):
            self._learn(sample)
        return flags

    def _learn(self, sample: ColourSample) -> None:
        """Follow the light of the reference: lamps and white balance drift, hands come at once."""
        if len(self._first) < 25:
            self._first.append(np.asarray(sample.reference))
            self._usual = self._begun = np.median(np.stack(self._first), axis=0).tolist()
        else:
            part = 1.0 - math.exp(-min(max(sample.time_s - self._learnt_s, 0.0) / _DRIFT_S, 1.0))
            near = zip(self._usual, sample.reference, self._begun, strict=True)
            self._usual = [
                min(max(usual + part * (now - usual), first / _MOST_DRIFT), first * _MOST_DRIFT)
                for usual, now, first in near
            ]
        self._learnt_s = sample.time_s

    def due(self, time_s: float) -> bool:
        """Whether it is time to look for the scene again: sooner while things move."""
        every_s = _LOOK_RESTLESS_S if time_s < self._restless_s else _LOOK_EVERY_S
        return time_s >= self._looked_s + every_s

    def look(self, frame: Frame) -> _Seen:
        """Look whether the camera stands where it stood, and where the flask is."""
        self._looked_s = frame.time_s
        picture = small_picture(frame)
        if float(picture.mean()) < _DARK_PART * self.region.level:
            return _Seen(Flag.DARK, self.pose)
        scene, guide = self.region.scene, self.region.guide
        moved = scene is not None and camera_moved(scene, picture)
        if guide is None or picture.shape[:2] != guide.shape:
            return _Seen(Flag.CAMERA_MOVED if moved else Flag.NONE, HOME)
        seen_from = None
        if scene is not None and moved:
            view = view_of(scene, picture, self._view)
            if view is None and len(scene.tiles) >= LEAST_TILES:
                view = self._view_by_flask(scene, picture)
                if view is None:
                    # The flask may be found, but not the reference that belongs to it.
                    return _Seen(Flag.CAMERA_MOVED, self.pose)
            self._view = view or HERE
            seen_from = self.region.pose_in(self._view)
        else:
            self._view = HERE
        widely = frame.time_s >= self._searched_s + _SEARCH_EVERY_S
        pose = tracking.look(guide, picture, self.pose, seen_from, widely=widely)
        if pose.likeness < guide.least:
            if widely:
                self._searched_s = frame.time_s
            self._leapt = None
            return _Seen(Flag.CAMERA_MOVED if moved else Flag.LIQUID_LOST, self.pose, self._view)
        return self._placed(pose, seen_from, frame.time_s)

    def _view_by_flask(self, scene: Scene, picture: Picture) -> View | None:
        """View in which the flask stands on the bench as it did, if the bench has moved like it.

        Between two photographs the camera turns and comes nearer, and few tiles shift alike; what
        stands on the bench is seen as before all the same.
        """
        guide, shift = self.region.guide, camera_shift(scene, picture)
        if guide is None or shift is None:
            return None
        pose = tracking.look(guide, picture, self.pose)
        width = self.region.width
        bench = Pose(shift[0] * width, shift[1] * width)
        if pose.likeness < _SURE or pose.apart(bench) > _LEAP * width:
            return None
        return self.region.view_of(pose)

    def _placed(self, pose: Pose, seen_from: Pose | None, time_s: float) -> _Seen:
        """A pose that the picture confirms, unless it is a leap that was seen only once."""
        width = self.region.width
        if pose.is_home(width):
            pose = HOME
        elif pose == replace(self.pose, likeness=pose.likeness):
            pose = self.pose
        leaps = pose.apart(self.pose) > _LEAP * width and pose.likeness < _SURE
        leaps &= seen_from is None or pose.apart(seen_from) > _LEAP * width
        if leaps and (self._leapt is None or pose.apart(self._leapt) > _LEAP * width):
            self._leapt = pose
            self._restless_s = time_s + _RESTLESS_S
            return _Seen(Flag.LIQUID_LOST, self.pose, self._view)
        if not self._near(pose, self.pose):
            self._restless_s = time_s + _RESTLESS_S
        self._leapt, self.pose = None, pose
        return _Seen(Flag.NONE, pose, self._view)

    def _near(self, a: Pose, b: Pose) -> bool:
        return a.apart(b) <= _LEAST_MOVE * self.region.width and abs(a.turn_deg - b.turn_deg) < 3.0


@dataclass
class ColourFollower:
    """Takes frames one by one and gives their colours, with every flag set.

    The scene is looked for twice a second, and in every frame while the flask moves; the liquid
    is measured where the flask was seen. Frames between two looks wait for the second: what it
    finds wrong may have been so since the first.
    """

    region: Region
    transfer: Transfer = "srgb"
    latest: ColourSample | None = None
    """Colour of the last frame as it was measured, before the next look has been had."""
    _watch: SceneWatch = field(init=False)
    _waiting: list[ColourSample] = field(default_factory=list)
    _read: list[PixelReading] = field(default_factory=list)
    """Frames that wait to be measured, all of them where the flask was seen last."""
    _last_s: float = -np.inf
    _before: Flag = Flag.NONE
    _sight: PixelSet = field(init=False)
    _lost: Flag = Flag.NONE
    """What is out of the picture."""
    _at: Pose = HOME
    _from: View = HERE

    def __post_init__(self) -> None:
        self._watch, self._sight = SceneWatch(self.region), PixelSet.of(self.region)

    def take(self, frame: Frame, patient: bool = False) -> list[ColourSample]:
        """Colours that are settled by this frame, in order; often none.

        With `patient` the frames between two looks are measured together, which costs less;
        `latest` then lags behind.
        """
        settled: list[ColourSample] = []
        waits = bool(self._waiting or self._read)
        if waits and frame.time_s > self._last_s + 2.0 * _LOOK_EVERY_S:
            # What happened in a gap that nobody looked at does not speak against what was before.
            settled = self.rest()
        self._last_s = frame.time_s
        seen: _Seen | None = None
        if (frame.width, frame.height) != (self.region.width, self.region.height):
            seen = _Seen(Flag.CAMERA_MOVED, self._at)
        elif self._watch.due(frame.time_s):
            seen = self._look(frame)
        self._read.append(PixelReading.of(frame, self._sight))
        if seen is None and patient and len(self._read) < _MOST_READ:
            return settled
        self._measure()
        if seen is None:
            return settled
        *held, last = self._waiting
        settled += [seen.about(sample, self._before) for sample in held]
        settled.append(seen.about(last))
        self.latest = settled[-1]
        self._waiting, self._before = [], seen.flags
        return settled

    def rest(self) -> list[ColourSample]:
        """Colours of the frames that still wait for a look; they wait no longer."""
        self._measure()
        seen = _Seen(Flag.NONE, self._at)
        settled = [seen.about(held, self._before) for held in self._waiting]
        self._waiting, self._before = [], Flag.NONE
        return settled

    def _measure(self) -> None:
        """Let the frames that were read wait for a look."""
        if not self._read:
            return
        for sample in colours_of(self._read, self._sight, self.transfer, self._at):
            light = self._watch.light(sample)
            self._waiting.append(replace(sample, flags=sample.flags | light) if light else sample)
        self._read, self.latest = [], self._waiting[-1]

    def _look(self, frame: Frame) -> _Seen:
        seen = self._watch.look(frame)
        if seen.pose is not self._at or seen.view is not self._from:
            self._measure()  # where the flask was until now
            if seen.pose.apart(self._at) > _LEAST_MOVE * self.region.width:
                self._before |= Flag.CAMERA_MOVED
            self._at, self._from = seen.pose, seen.view
            here, there = self.region.at(seen.pose), self.region.reference_in(seen.view)
            self._lost = Flag.NONE if here else Flag.LIQUID_LOST
            self._lost |= Flag.NONE if there else Flag.REFERENCE_LOST
            if here is not None and there is not None:
                here = replace(
                    here, reference_box=there.reference_box, reference_mask=there.reference_mask
                )
            self._sight = PixelSet.of(here or self.region)
        return replace(seen, flags=seen.flags | self._lost) if self._lost else seen


def follow(
    frames: Iterable[Frame], region: Region, transfer: Transfer = "srgb"
) -> Iterator[ColourSample]:
    """Yield the colours of frames in order, with every flag set; see `ColourFollower`.

    Of a film of many pictures a second only some are measured, see `measured`.
    """
    follower, pace = ColourFollower(region, transfer), _Pace()
    for frame in frames:
        if pace.takes(frame.time_s):
            yield from follower.take(frame, patient=True)
    yield from follower.rest()


def measured(time_s: FloatArray) -> NDArray[np.bool_]:
    """Which frames of these times `follow` measures, shape (n,)."""
    pace = _Pace()
    return np.array([pace.takes(time) for time in time_s.tolist()], dtype=np.bool_)


@dataclass
class _Pace:
    """Passes frames over that follow the last one too closely to tell anything new."""

    last_s: float = -np.inf

    def takes(self, time_s: float) -> bool:
        # Stills without times of their own all have one time.
        if 0.0 < time_s - self.last_s < _APART_S:
            return False
        self.last_s = time_s
        return True
