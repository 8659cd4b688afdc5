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

from endpoint.pixels import CameraTone, Transfer, level_of, linear_pixels
from endpoint.problems import Flag
from endpoint.region import Region
from endpoint.sources.frame import Frame
from endpoint.steadiness import Scene, is_shifted, scene

FloatArray = NDArray[np.float64]

_CLIP_LEVEL = 0.985
_DARK_LINEAR = 0.002
_LOOK_EVERY_S = 0.5


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
    seen, patch = level_of(liquid, step), level_of(white, white_step)
    true = level_of(liquid @ _UNSHARE32, step)
    even = level_of(white @ _UNSHARE32, white_step)
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


def to_encoded_srgb(linear: FloatArray) -> FloatArray:
    """Encode linear light with the sRGB curve (IEC 61966-2-1), clipped to 0 to 1."""
    x = np.clip(linear, 0.0, 1.0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


@dataclass
class Watch:
    """Notices over the frames that the light, the reference or the camera is not as it was.

    It keeps a short memory of the first good frames; give it every sample in order.
    """

    region: Region
    _first: list[FloatArray] = field(default_factory=list)
    _usual: FloatArray = field(default_factory=lambda: np.ones(3))
    _scene: Scene | None = None
    _looked_s: float = -np.inf

    def light(self, sample: ColourSample) -> Flag:
        """Flags that the reference patch tells beside the frames before."""
        reference = np.asarray(sample.reference)
        flags = Flag.NONE
        if len(self._first) >= 3:
            usual = self._usual
            change = np.log10(np.maximum(reference, 1e-5) / np.maximum(usual, 1e-5))
            tint = change - change.mean()
            if change.mean() < -0.6:
                flags |= Flag.DARK
            elif np.max(np.abs(tint)) > 0.12 or change.mean() < -0.3:
                flags |= Flag.REFERENCE_LOST
        if not (sample.flags | flags) and len(self._first) < 25:
            self._first.append(reference)
            self._usual = np.median(np.stack(self._first), axis=0)
        return flags

    def due(self, sample: ColourSample) -> bool:
        """Whether it is time to look for the scene again."""
        return sample.time_s >= self._looked_s + _LOOK_EVERY_S

    def place(self, sample: ColourSample, frame: Frame) -> Flag:
        """Look whether the scene stands where it stood, and whether the flask is seen."""
        if self._scene is None and self._looked_s == -np.inf:
            self._scene = scene(frame)
        self._looked_s = sample.time_s
        if sample.flags & Flag.DARK:
            return Flag.NONE
        if self._scene is not None and is_shifted(self._scene, frame):
            return Flag.CAMERA_MOVED
        return Flag.LIQUID_LOST if self.region.covered(frame) else Flag.NONE


def follow(
    frames: Iterable[Frame], region: Region, transfer: Transfer = "srgb"
) -> Iterator[ColourSample]:
    """Yield the colour of each frame in order, with every flag set.

    The scene is looked for twice a second. Frames between two looks wait for the second: what it
    finds wrong may have been so since the first.
    """
    watch = Watch(region)
    waiting: list[ColourSample] = []
    before = Flag.NONE
    for frame in frames:
        sample = measure(frame, region, transfer)
        sample = replace(sample, flags=sample.flags | watch.light(sample))
        waiting.append(sample)
        if watch.due(sample):
            now = watch.place(sample, frame)
            for k, held in enumerate(waiting):
                last = k == len(waiting) - 1
                yield replace(held, flags=held.flags | (now if last else before | now))
            waiting, before = [], now
    for held in waiting:
        yield replace(held, flags=held.flags | before)


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


def trace(samples: Iterable[ColourSample]) -> ColourTrace:
    """Gather samples into arrays; an empty iterable gives a trace of length 0."""
    rows = list(samples)
    density = np.array([s.density for s in rows], dtype=np.float64).reshape(-1, 3)
    display = np.array([s.display_density for s in rows], dtype=np.float64).reshape(-1, 3)
    if rows:
        hue, chroma, rgb = lab_and_rgb(display)
    else:
        hue, chroma, rgb = np.zeros(0), np.zeros(0), np.zeros((0, 3), dtype=np.uint8)
    return ColourTrace(
        index=np.array([s.index for s in rows], dtype=np.int64),
        time_s=np.array([s.time_s for s in rows], dtype=np.float64),
        density=density,
        display_density=display,
        density_sigma=np.array([s.density_sigma for s in rows], dtype=np.float64).reshape(-1, 3),
        reference=np.array([s.reference for s in rows], dtype=np.float64).reshape(-1, 3),
        spread=np.array([s.spread for s in rows], dtype=np.float64),
        flags=np.array([int(s.flags) for s in rows], dtype=np.int64),
        hue_deg=hue,
        chroma=chroma,
        rgb=rgb,
    )


def mean_hue_deg(hue_deg: FloatArray) -> float:
    """Circular mean of hue angles, 0 to 360 degrees; Mardia and Jupp, Directional Statistics."""
    turn = np.exp(1j * np.radians(hue_deg)).mean()
    degrees = float(np.degrees(np.angle(turn)) % 360.0)
    return 0.0 if degrees == 360.0 else degrees
