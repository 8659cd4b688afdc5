"""Colour of the liquid in every frame, as optical density against the white reference.

Density is D_k = -log10(L_k / L_ref,k) for the three channels of linear light. The reference patch
stands in the same frame, so exposure and white balance cancel. A tone curve that is not quite the
assumed one stretches D but keeps its order, which the later fit can bear.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from endpoint import tracking
from endpoint.mixture import strangers
from endpoint.pixels import CameraTone, Level, Pixels, Transfer, level_of, linear_pixels
from endpoint.problems import Flag
from endpoint.region import Region
from endpoint.sources.frame import Frame
from endpoint.steadiness import camera_shift, has_moved, small_picture
from endpoint.tracking import HOME, Pose

FloatArray = NDArray[np.float64]

_CLIP_LEVEL = 0.985
_DARK_LINEAR = 0.002
_DARK_PART = 0.35
"""Brightness of the whole picture, as a part of the usual, below which the light was off."""
_LOOK_EVERY_S = 0.5
_RESTLESS_S = 3.0
"""How long every frame is looked at after the flask was seen to move."""
_LEAST_MOVE = 0.01
"""Movement that is followed, as a share of the picture's width."""
_LEAP = 0.06
"""Movement between two looks that must be seen twice before it is believed, likewise."""
_SURE = 0.85
"""Likeness from which once is enough."""


@dataclass(frozen=True)
class ColourSample:
    """Colour of one frame."""

    index: int
    time_s: float
    density: tuple[float, float, float]
    """Red, green, blue channel; log10 units; 0 is as bright as the reference."""
    display_density: tuple[float, float, float]
    """The same before the channels are mixed back: what a screen shows."""
    density_sigma: tuple[float, float, float]
    """Standard error from the scatter of the pixels; what differs between frames comes on top."""
    reference: tuple[float, float, float]
    """Linear light of the reference patch, 0 to 1."""
    spread: float
    """Robust scatter of the red-channel density over the liquid: large while mixing."""
    flags: Flag
    pose: Pose = HOME
    """How the flask stood beside where it was found."""


@dataclass(frozen=True, eq=False)
class ColourTrace:
    """Colour against time; arrays share the length n and cannot be written to."""

    index: NDArray[np.int64]
    time_s: FloatArray
    density: FloatArray
    """Shape (n, 3)."""
    display_density: FloatArray
    """Shape (n, 3), for people."""
    density_sigma: FloatArray
    """Shape (n, 3)."""
    reference: FloatArray
    """Shape (n, 3), linear light of the reference patch."""
    spread: FloatArray
    flags: NDArray[np.int64]
    hue_deg: FloatArray
    """CIELAB hue angle h_ab of the liquid, the reference taken as white, 0 to 360."""
    chroma: FloatArray
    """CIELAB chroma C*_ab."""
    rgb: NDArray[np.uint8]
    """Colour of the liquid with the reference as white, sRGB, shape (n, 3): for people."""

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            getattr(self, name).setflags(write=False)

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Frames without any flag, shape (n,)."""
        return np.asarray(self.flags == 0)


UNSHARE: FloatArray = np.array([[0.70, 0.24, 0.06], [0.06, 0.74, 0.20], [0.00, 0.20, 0.80]])
"""Mixes the channels of linear sRGB back to about what the sensor saw.

A camera subtracts neighbouring channels from each other to show colours as people see them. In a
strongly coloured liquid this bends the density scale: half of the change then reads as a third.
This is a typical inverse (computed for the Nikon D5100 of colour-science under four lamps, with a
colour matrix fitted on 24 patches); rows sum to 1, so that grey stays grey.
"""


_UNSHARE32 = UNSHARE.T.astype(np.float32)


def as_people_see(ratio: FloatArray, transfer: Transfer) -> FloatArray:
    """Linear sRGB over white, shape (3,), through the camera's matrix if it is known."""
    if isinstance(transfer, CameraTone) and transfer.matrix is not None:
        return np.asarray(transfer.matrix @ ratio)
    return ratio


def _encoded(linear: FloatArray, transfer: Transfer) -> FloatArray:
    """Encoded values as the camera wrote them."""
    if isinstance(transfer, CameraTone):
        return np.interp(linear, transfer.linear, transfer.encoded)
    return to_encoded_srgb(linear)


def measure(frame: Frame, region: Region, transfer: Transfer = "srgb") -> ColourSample:
    """Colour of the liquid in one frame.

    Parameters
    ----------
    frame:
        A picture of the size for which `region` was made.
    region:
        Masks of the liquid and of the reference patch.
    transfer:
        Tone curve of the encoded values, see `pixels.to_linear`.
    """
    liquid, step = linear_pixels(frame, region.liquid_box, region.liquid_mask, transfer)
    white, white_step = linear_pixels(frame, region.reference_box, region.reference_mask, transfer)
    seen, true = _levels(liquid, step)
    patch, even = _levels(white, white_step)
    reference = patch.mean
    flags = Flag.NONE
    if np.any(_encoded(reference, transfer) > _CLIP_LEVEL):
        flags |= Flag.CLIPPED
    if (
        np.any(seen.mean < 0.2 * _DARK_LINEAR)
        or np.any(true.mean < _DARK_LINEAR)
        or np.any(reference < 5 * _DARK_LINEAR)
    ):
        flags |= Flag.DARK
    level, white_level = np.maximum(true.mean, 1e-4), np.maximum(even.mean, 1e-4)
    density = -np.log10(level / white_level)
    ratio = np.maximum(seen.mean, 1e-4) / np.maximum(reference, 1e-4)
    shown = -np.log10(np.maximum(as_people_see(ratio, transfer), 1e-4))
    sigma = np.hypot(true.error / level, even.error / white_level) / np.log(10.0)
    low, high = -np.log10(np.maximum([seen.high[0], seen.low[0]], 1e-4))
    return ColourSample(
        frame.index,
        frame.time_s,
        (float(density[0]), float(density[1]), float(density[2])),
        (float(shown[0]), float(shown[1]), float(shown[2])),
        (float(sigma[0]), float(sigma[1]), float(sigma[2])),
        (float(reference[0]), float(reference[1]), float(reference[2])),
        float(0.5 * (high - low)),
        flags,
    )


def _levels(pixels: Pixels, step: int) -> tuple[Level, Level]:
    """Levels of the channels as they are, and mixed back to what the sensor saw."""
    both = level_of(np.concatenate([pixels, pixels @ _UNSHARE32], axis=1), step)
    first, second = (
        Level(both.mean[k], both.error[k], both.low[k], both.high[k])
        for k in (slice(0, 3), slice(3, 6))
    )
    return first, second


def to_encoded_srgb(linear: FloatArray) -> FloatArray:
    """Encode linear light with the sRGB curve (IEC 61966-2-1), clipped to 0 to 1."""
    x = np.clip(linear, 0.0, 1.0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


@dataclass(frozen=True)
class _Seen:
    """What one look at the scene has told."""

    flags: Flag
    pose: Pose

    def about(self, sample: ColourSample, before: Flag = Flag.NONE) -> ColourSample:
        """Sample with what the looks around it have told of the whole scene.

        Only if all of the picture is dark, the light was off; else something dark is before it.
        """
        flags = sample.flags | (before & ~Flag.DARK) | self.flags
        hidden = Flag.REFERENCE_LOST | Flag.LIQUID_LOST | Flag.CAMERA_MOVED
        if (self.flags | before) & Flag.DARK:
            flags = (sample.flags & ~hidden) | Flag.DARK if sample.flags else sample.flags
        elif flags & hidden:
            flags &= ~Flag.DARK
        return replace(sample, flags=flags)


@dataclass
class Watch:
    """Notices over the frames that the light, the reference, the camera or the flask changes.

    It keeps a short memory; give it every sample in order.
    """

    region: Region
    pose: Pose = HOME
    """Where the flask was seen last."""
    _first: list[FloatArray] = field(default_factory=list)
    _usual: FloatArray = field(default_factory=lambda: np.ones(3))
    _leapt: Pose | None = None
    _looked_s: float = -np.inf
    _restless_s: float = -np.inf

    def light(self, sample: ColourSample) -> Flag:
        """Flags that the reference patch tells beside the frames before."""
        reference = np.asarray(sample.reference)
        flags = Flag.NONE
        if len(self._first) >= 3:
            usual = self._usual
            change = np.log10(np.maximum(reference, 1e-5) / np.maximum(usual, 1e-5))
            tint = change - change.mean()
            if np.max(np.abs(tint)) > 0.12 or change.mean() < -0.3:
                flags |= Flag.REFERENCE_LOST
        if not (sample.flags | flags) and len(self._first) < 25:
            self._first.append(reference)
            self._usual = np.median(np.stack(self._first), axis=0)
        return flags

    def due(self, time_s: float) -> bool:
        """Whether it is time to look for the scene again: in every frame while things move."""
        return time_s >= self._looked_s + _LOOK_EVERY_S or time_s < self._restless_s

    def look(self, frame: Frame) -> _Seen:
        """Look whether the camera stands where it stood, and where the flask is."""
        self._looked_s = frame.time_s
        picture = small_picture(frame)
        if float(picture.mean()) < _DARK_PART * self.region.level:
            return _Seen(Flag.DARK, self.pose)
        scene, guide = self.region.scene, self.region.guide
        if scene is not None and has_moved(camera_shift(scene, picture)):
            return _Seen(Flag.CAMERA_MOVED, HOME)
        if guide is None or picture.shape[:2] != guide.shape:
            return _Seen(Flag.NONE, HOME)
        pose = tracking.look(guide, picture, self.pose)
        if pose.likeness < guide.least:
            self._leapt = None
            return _Seen(Flag.LIQUID_LOST, self.pose)
        width = self.region.width
        if pose.is_home(width):
            pose = HOME
        elif pose == replace(self.pose, likeness=pose.likeness):
            pose = self.pose
        leaps = pose.apart(self.pose) > _LEAP * width and pose.likeness < _SURE
        if leaps and (self._leapt is None or pose.apart(self._leapt) > _LEAP * width):
            self._leapt = pose
            self._restless_s = frame.time_s + _RESTLESS_S
            return _Seen(Flag.LIQUID_LOST, self.pose)
        if not self._near(pose, self.pose):
            self._restless_s = frame.time_s + _RESTLESS_S
        self._leapt, self.pose = None, pose
        return _Seen(Flag.NONE, pose)

    def _near(self, a: Pose, b: Pose) -> bool:
        return a.apart(b) <= _LEAST_MOVE * self.region.width and abs(a.turn_deg - b.turn_deg) < 3.0


@dataclass
class Follower:
    """Takes frames one by one and gives their colours, with every flag set.

    The scene is looked for twice a second, and in every frame while the flask moves; the liquid
    is measured where the flask was seen. Frames between two looks wait for the second: what it
    finds wrong may have been so since the first.
    """

    region: Region
    transfer: Transfer = "srgb"
    latest: ColourSample | None = None
    """Colour of the last frame as it was measured, before the next look has been had."""
    _watch: Watch = field(init=False)
    _waiting: list[ColourSample] = field(default_factory=list)
    _before: Flag = Flag.NONE
    _here: Region | None = None
    _at: Pose = HOME

    def __post_init__(self) -> None:
        self._watch, self._here = Watch(self.region), self.region

    def take(self, frame: Frame) -> list[ColourSample]:
        """Colours that are settled by this frame, in order; often none."""
        region = self.region
        settled: list[ColourSample] = []
        if self._waiting and frame.time_s > self._waiting[-1].time_s + 2.0 * _LOOK_EVERY_S:
            # What happened in a gap that nobody looked at does not speak against what was before.
            settled = self.rest()
        seen: _Seen | None = None
        if (frame.width, frame.height) != (region.width, region.height):
            seen = _Seen(Flag.CAMERA_MOVED, self._at)
        elif self._watch.due(frame.time_s):
            seen = self._look(frame)
        sample = measure(frame, self._here or region, self.transfer)
        sample = replace(sample, flags=sample.flags | self._watch.light(sample), pose=self._at)
        self.latest = sample
        if seen is None:
            self._waiting.append(sample)
            return settled
        settled += [seen.about(held, self._before) for held in self._waiting]
        settled.append(seen.about(sample))
        self.latest = settled[-1]
        self._waiting, self._before = [], seen.flags
        return settled

    def rest(self) -> list[ColourSample]:
        """Colours of the frames that still wait for a look; they wait no longer."""
        seen = _Seen(Flag.NONE, self._at)
        settled = [seen.about(held, self._before) for held in self._waiting]
        self._waiting, self._before = [], Flag.NONE
        return settled

    def _look(self, frame: Frame) -> _Seen:
        seen = self._watch.look(frame)
        if seen.pose is not self._at:
            if seen.pose.apart(self._at) > _LEAST_MOVE * self.region.width:
                self._before |= Flag.CAMERA_MOVED
            self._at, self._here = seen.pose, self.region.at(seen.pose)
        if self._here is None:
            seen = replace(seen, flags=seen.flags | Flag.LIQUID_LOST)
        return seen


def follow(
    frames: Iterable[Frame], region: Region, transfer: Transfer = "srgb"
) -> Iterator[ColourSample]:
    """Yield the colour of each frame in order, with every flag set; see `Follower`."""
    follower = Follower(region, transfer)
    for frame in frames:
        yield from follower.take(frame)
    yield from follower.rest()


def lab_and_rgb(density: FloatArray) -> tuple[FloatArray, FloatArray, NDArray[np.uint8]]:
    """CIELAB hue and chroma and the sRGB colour for densities, the reference taken as white.

    Parameters
    ----------
    density:
        Shape (n, 3).

    Returns
    -------
    Hue angle in degrees, shape (n,); chroma, shape (n,); sRGB bytes, shape (n, 3).
    """
    from skimage.color import rgb2lab

    encoded = to_encoded_srgb(10.0 ** -np.maximum(density, 0.0))
    lab = rgb2lab(encoded[:, None, :])[:, 0]
    hue = np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360.0
    return hue, np.hypot(lab[:, 1], lab[:, 2]), np.rint(255.0 * encoded).astype(np.uint8)


_COLUMNS = ("density", "display_density", "density_sigma", "reference")


def trace(samples: Iterable[ColourSample]) -> ColourTrace:
    """Gather samples into arrays; an empty iterable gives a trace of length 0.

    Frames whose colour is no mixture of the two forms of the indicator are flagged here.
    """
    rows = list(samples)
    return trace_of(
        index=np.array([s.index for s in rows], dtype=np.int64),
        time_s=np.array([s.time_s for s in rows], dtype=np.float64),
        spread=np.array([s.spread for s in rows], dtype=np.float64),
        flags=np.array([int(s.flags) for s in rows], dtype=np.int64),
        **{
            name: np.array([getattr(s, name) for s in rows], dtype=np.float64).reshape(-1, 3)
            for name in _COLUMNS
        },
    )


def trace_of(
    *,
    index: NDArray[np.int64],
    time_s: FloatArray,
    spread: FloatArray,
    flags: NDArray[np.int64],
    density: FloatArray,
    display_density: FloatArray,
    density_sigma: FloatArray,
    reference: FloatArray,
) -> ColourTrace:
    """The same from columns, shape (n,) or (n, 3), as in `ColourSample`; `flags` is written to."""
    flags[strangers(time_s, density, flags == 0)] |= int(Flag.OFF_COLOUR)
    if time_s.size:
        hue, chroma, rgb = lab_and_rgb(display_density)
    else:
        hue, chroma, rgb = np.zeros(0), np.zeros(0), np.zeros((0, 3), dtype=np.uint8)
    return ColourTrace(
        index=index,
        time_s=time_s,
        density=density,
        display_density=display_density,
        density_sigma=density_sigma,
        reference=reference,
        spread=spread,
        flags=flags,
        hue_deg=hue,
        chroma=chroma,
        rgb=rgb,
    )


def mean_hue_deg(hue_deg: FloatArray) -> float:
    """Circular mean of hue angles, 0 to 360 degrees; Mardia and Jupp, Directional Statistics."""
    turn = np.exp(1j * np.radians(hue_deg)).mean()
    degrees = float(np.degrees(np.angle(turn)) % 360.0)
    return 0.0 if degrees == 360.0 else degrees
