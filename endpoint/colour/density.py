"""Colour of the liquid in every frame, as optical density against the white reference.

Density is D_k = -log10(L_k / L_ref,k) for the three channels of linear light. The reference patch
stands in the same frame, so exposure and white balance cancel. A tone curve that is not quite the
assumed one stretches D but keeps its order, which the later fit can bear.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.linear_light import (
    CameraTone,
    Level,
    Pixels,
    Transfer,
    level_of,
    linear_light,
    spots_of,
    to_encoded_srgb,
)
from endpoint.colour.off_colour import leaps, off_colour_frames, swapped_frames
from endpoint.problems import Flag
from endpoint.recording.frame import Codes, Frame, Spots, codes_at
from endpoint.scene.region import Region
from endpoint.scene.tracking import HOME, Pose

FloatArray = NDArray[np.float64]

_CLIP_LEVEL = 0.985
"""Encoded value of the reference above which it is overexposed (common practice, no source): 4 of
255 steps are left, which its scatter needs. Lower, and bright references that are sound are set
aside; higher, and clipped pixels darken its mean."""
_DARK_LINEAR = 0.002
"""Linear light below which a channel tells nothing: half a step of 8 bits near black is 0.00015,
the noise and stray light of a telephone about 0.001. Densities end there, at 2.7 before white; a
liquid without more in any channel is dark."""


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
    """How the flask stood compared with where it was found."""


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

    @cached_property
    def leaps(self) -> bool:
        """Whether no frame shows a shade between the first colour and the last."""
        return leaps(self.time_s, self.density, self.usable)


UNSHARE: FloatArray = np.array([[0.70, 0.24, 0.06], [0.06, 0.74, 0.20], [0.00, 0.20, 0.80]])
"""Mixes the channels of linear sRGB back to about what the sensor saw.

A camera subtracts neighbouring channels from each other to show colours as people see them. In a
strongly coloured liquid this bends the density scale: half of the change then reads as a third.
This is a typical inverse (computed for the Nikon D5100 of colour-science under four lamps, with a
colour matrix fitted on 24 patches); rows sum to 1, so that grey stays grey.
"""


_UNSHARE32 = UNSHARE.astype(np.float32)


def as_people_see(ratio: FloatArray, transfer: Transfer) -> FloatArray:
    """Linear sRGB over white, shape (3, ...), through the camera's matrix if it is known."""
    if isinstance(transfer, CameraTone) and transfer.matrix is not None:
        return np.asarray(transfer.matrix @ ratio)
    return ratio


def _as_written(linear: FloatArray, transfer: Transfer) -> FloatArray:
    """Encoded values as the camera wrote them."""
    if isinstance(transfer, CameraTone):
        return np.interp(linear, transfer.linear, transfer.encoded)
    return to_encoded_srgb(linear)


@dataclass(frozen=True, eq=False)
class PixelSet:
    """Pixels of a region that are read in every frame: the liquid first, then the reference."""

    spots: Spots
    liquid: int
    """How many of them are liquid."""
    steps: tuple[int, int]
    """Steps of the thinning in the liquid and in the reference."""

    @classmethod
    def of(cls, region: Region) -> PixelSet:
        """Pixels of a region."""
        liquid, step = spots_of(region.liquid_box, region.liquid_mask)
        white, white_step = spots_of(region.reference_box, region.reference_mask)
        both = Spots(np.r_[liquid.rows, white.rows], np.r_[liquid.columns, white.columns])
        return cls(both, liquid.rows.size, (step, white_step))


@dataclass(frozen=True, eq=False)
class PixelReading:
    """Pixels of one frame, not yet turned into a colour."""

    index: int
    time_s: float
    codes: Codes

    @classmethod
    def of(cls, frame: Frame, sight: PixelSet) -> PixelReading:
        """Read a frame; it need not be kept then."""
        return cls(frame.index, frame.time_s, codes_at(frame, sight.spots))


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
    sight = PixelSet.of(region)
    return colours_of([PixelReading.of(frame, sight)], sight, transfer)[0]


def colours_of(
    readings: Sequence[PixelReading],
    sight: PixelSet,
    transfer: Transfer = "srgb",
    pose: Pose = HOME,
) -> list[ColourSample]:
    """Colours of the liquid in frames that were read, worked out together.

    Parameters
    ----------
    readings:
        One or more, read at `sight`.
    sight:
        Pixels of the region.
    transfer:
        Tone curve of the encoded values, see `pixels.to_linear`.
    pose:
        How the flask stood in all of them.
    """
    light = linear_light([reading.codes for reading in readings], transfer)
    seen, true = _levels(light[..., : sight.liquid], sight.steps[0])
    patch, even = _levels(light[..., sight.liquid :], sight.steps[1])
    reference = patch.mean
    clipped = np.any(_as_written(reference, transfer) > _CLIP_LEVEL, axis=0)
    # A strong colour may have nothing in one channel: that is a lot of dye, and the others tell it.
    dark = np.all(true.mean < _DARK_LINEAR, axis=0)
    dark |= np.any(reference < 5 * _DARK_LINEAR, axis=0)
    level, white_level = np.maximum(true.mean, _DARK_LINEAR), np.maximum(even.mean, 1e-4)
    density = -np.log10(level / white_level)
    ratio = np.maximum(seen.mean, 1e-4) / np.maximum(reference, 1e-4)
    shown = -np.log10(np.maximum(as_people_see(ratio, transfer), 1e-4))
    sigma = np.hypot(true.error / level, even.error / white_level) / np.log(10.0)
    low, high = -np.log10(np.maximum([seen.high[0], seen.low[0]], 1e-4))
    flags = np.where(clipped, int(Flag.CLIPPED), 0) | np.where(dark, int(Flag.DARK), 0)
    columns = (_triples(column) for column in (density, shown, sigma, reference))
    more = zip((0.5 * (high - low)).tolist(), flags.tolist(), strict=True)
    return [
        ColourSample(r.index, r.time_s, true_d, shown_d, error, white, spread, Flag(flag), pose)
        for r, true_d, shown_d, error, white, (spread, flag) in zip(
            readings, *columns, more, strict=True
        )
    ]


def _triples(column: FloatArray) -> list[tuple[float, float, float]]:
    """Values of shape (3, k) as k triples."""
    return list(zip(*column.tolist(), strict=True))


def _levels(light: Pixels, step: int) -> tuple[Level, Level]:
    """Levels of the channels as they are, and mixed back to what the sensor saw."""
    both = np.empty((6, *light.shape[1:]), dtype=np.float32)
    both[:3] = light
    both[3:] = (_UNSHARE32 @ both[:3].reshape(3, -1)).reshape(light.shape)
    every = level_of(both, step)
    first, second = (
        Level(every.mean[k], every.error[k], every.low[k], every.high[k])
        for k in (slice(0, 3), slice(3, 6))
    )
    return first, second


_XYZ_OVER_WHITE: FloatArray = np.array(
    [[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169], [0.019334, 0.119193, 0.950227]]
) / np.array([[0.95047], [1.0], [1.08883]])
"""Linear sRGB to XYZ over that of white (IEC 61966-2-1, D65, 2 degrees), as skimage has it."""


def lab_and_rgb(density: FloatArray) -> tuple[FloatArray, FloatArray, NDArray[np.uint8]]:
    """CIELAB hue and chroma and the sRGB colour for densities, the reference taken as white.

    The same as `skimage.color.rgb2lab`, which takes 0.1 s to import (CIE 15).

    Parameters
    ----------
    density:
        Shape (n, 3).

    Returns
    -------
    Hue angle in degrees, shape (n,); chroma, shape (n,); sRGB bytes, shape (n, 3).
    """
    linear = 10.0 ** -np.maximum(density, 0.0)
    xyz = linear @ _XYZ_OVER_WHITE.T
    root = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    a, b = 500.0 * (root[:, 0] - root[:, 1]), 200.0 * (root[:, 1] - root[:, 2])
    hue = np.degrees(np.arctan2(b, a)) % 360.0
    return hue, np.hypot(a, b), np.rint(255.0 * to_encoded_srgb(linear)).astype(np.uint8)


_COLUMNS = ("density", "display_density", "density_sigma", "reference")


def trace(samples: Iterable[ColourSample]) -> ColourTrace:
    """Gather samples into arrays; an empty iterable gives a trace of length 0.

    Frames whose colour is not a mixture of the two forms of the indicator are flagged here.
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
    flags[swapped_frames(time_s, density, spread, flags == 0)] |= int(Flag.OFF_COLOUR)
    flags[off_colour_frames(time_s, density, flags == 0)] |= int(Flag.OFF_COLOUR)
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
