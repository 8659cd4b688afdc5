"""A small steady copy of the recording's pictures, in which the regions are looked for.

Everything here is an array of reduced size; nothing is measured in it. Densities are -log10 of
linear light, so that a liquid which takes up more colour moves every pixel by the same law
(Bouguer, Lambert, Beer) wherever it is seen through.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.recording import channels
from endpoint.recording.frame import Box, Frame, thinned
from endpoint.recording.frame_median import median_over_frames

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

LONG_SIDE = 320
"""Long side of the reduced pictures in pixels."""
_FLOOR = 0.002
_CLIPPED = 0.97
# Good enough for finding: the true tone curves differ from these powers by a few per cent.
_POWER = {"srgb": 2.2, "bt709": 2.0, "linear": 1.0}


@dataclass(frozen=True, eq=False)
class Stack:
    """Pictures of reduced size on a common exposure; arrays are read-only."""

    density: Array
    """-log10 of linear light, drift of the lamp and the camera taken out, shape (n, h, w, 3)."""
    middle: Array
    """Median of `density` over the frames, shape (h, w, 3)."""
    wander: Array
    """Robust scatter of the pixel's brightness over the frames, log10 units, shape (h, w)."""
    clipped: Mask
    """A channel is at its upper limit in more than a tenth of the frames, shape (h, w)."""
    glare: Mask
    """All channels are at their upper limit in more than a tenth of the frames, shape (h, w)."""
    kept: tuple[int, ...]
    """Which of the given pictures are used: the dark ones are left out."""

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width of the reduced pictures."""
        return self.middle.shape[0], self.middle.shape[1]

    def part(self, rows: slice, columns: slice) -> Stack:
        """The same of a part of the pictures."""
        return Stack(
            self.density[:, rows, columns],
            self.middle[rows, columns],
            self.wander[rows, columns],
            self.clipped[rows, columns],
            self.glare[rows, columns],
            self.kept,
        )


def thin_step(width: int, height: int) -> int:
    """Every so manieth row and column of a picture is enough to shrink it: 3 x 3 make a mean."""
    return max(max(width, height) // LONG_SIDE // 3, 1)


def reduce(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Shrink a picture of shape (height, width, 3) so that its long side is at most LONG_SIDE."""
    import cv2

    height, width = picture.shape[:2]
    factor = LONG_SIDE / max(height, width)
    if factor >= 1.0:
        return picture
    size = (max(round(width * factor), 1), max(round(height * factor), 1))
    return np.asarray(
        cv2.resize(np.ascontiguousarray(picture), size, interpolation=cv2.INTER_AREA),
        dtype=np.uint8,
    )


def _lit(light: Array) -> list[int]:
    """Frames in which the light was on; a few pixels of each are enough."""
    level = np.log10(np.maximum(light.mean(axis=(1, 2, 3)), 1e-6))
    usual = float(np.sort(level)[-min(3, len(level))])
    return [int(i) for i in np.flatnonzero(level > usual - 0.4)]


def _steady(density: Array) -> Array:
    """Take out of every frame and channel the shift that the unchanging half of pixels shows."""
    coarse = density[:, ::2, ::2]
    usable = channels.largest(median_over_frames(coarse)) < 1.7
    if usable.sum() < 50:
        return density
    pixels = coarse[:, usable]
    shift: Array = np.zeros((len(density), 1, 3), np.float32)
    for _ in range(3):
        away = pixels - shift
        away -= median_over_frames(away)
        scatter = np.abs(away).mean(axis=(0, 2))
        quiet = scatter <= np.quantile(scatter, 0.4)
        # One channel after the other lies closely together, which the median is quicker on.
        calm = np.ascontiguousarray(away[:, quiet].transpose(0, 2, 1))
        shift = shift + np.median(calm, axis=2)[:, None].astype(np.float32)
    return np.asarray(density - shift[:, None], dtype=np.float32)


def build(pictures: list[NDArray[np.uint8]], transfer: str = "srgb") -> Stack:
    """Make the stack from reduced pictures of one size, shape (h, w, 3) each, at least one."""
    level = (np.arange(256, dtype=np.float64) / 255.0) ** _POWER.get(transfer, 2.2)
    light = level.astype(np.float32)
    encoded = np.stack(pictures)
    kept = _lit(light[encoded[:, ::4, ::4]])
    encoded = encoded[kept]
    density = _steady((-np.log10(np.maximum(light, _FLOOR))).take(encoded))
    middle = median_over_frames(density)
    bright = channels.mean(density)
    scatter = median_over_frames(np.abs(bright - median_over_frames(bright)))
    wander = np.multiply(scatter, 1.48, dtype=np.float32)
    over = encoded > 255 * _CLIPPED
    clipped, glare = (
        channels.largest(over).mean(axis=0) > 0.1,
        channels.least(over).mean(axis=0) > 0.1,
    )
    stack = Stack(density, middle, wander, clipped, glare, tuple(kept))
    for array in (stack.density, stack.middle, stack.wander, stack.clipped, stack.glare):
        array.setflags(write=False)
    return stack


def reduced(frame: Frame) -> NDArray[np.uint8]:
    """Reduced picture; of a large one no more is converted than a mean needs."""
    step = thin_step(frame.width, frame.height)
    if step == 1:
        return reduce(frame.rgb8())
    return reduce(channels.in_bytes(thinned(frame, Box(0, 0, frame.width, frame.height), step)))
