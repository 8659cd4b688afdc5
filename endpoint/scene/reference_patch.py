"""Where the white or grey reference is: bright, neutral, even, steady, near, out of the shadow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.recording import channels
from endpoint.scene.stack import Mask, Stack

_SIDES = (4, 6, 9, 13, 18, 25, 34)
_MOST_CHROMA = 0.3
"""A wooden bench is at 0.4 or more from neutral, a tile in warm light at 0.2."""


@dataclass(frozen=True)
class Patch:
    """A square of the reduced picture."""

    left: int
    top: int
    side: int
    clipped: bool
    level: float
    """Linear light, 0 to 1."""
    chroma: float
    """Distance from neutral in log10 units."""


def chroma_of(density: NDArray[np.float32]) -> NDArray[np.float32]:
    """Distance of densities, shape (..., 3), from equal channels; log10 units."""
    return np.asarray(channels.largest(density) - channels.least(density), dtype=np.float32)


def _even(stack: Stack) -> NDArray[np.float32]:
    """Largest difference of brightness within 5 pixels, log10 units, shape (h, w)."""
    import cv2

    level = cv2.GaussianBlur(channels.mean(stack.middle), (0, 0), 1.0)
    kernel = np.ones((5, 5), np.uint8)
    return np.asarray(cv2.dilate(level, kernel) - cv2.erode(level, kernel), dtype=np.float32)


def ground_white(stack: Stack) -> NDArray[np.float32]:
    """Density of the bright neutral ground, shape (3,); the zero point of "colourless"."""
    pixels = stack.middle.reshape(-1, 3)
    chroma = chroma_of(pixels)
    bright = pixels.mean(axis=1)
    usable = (chroma < _MOST_CHROMA) & (_even(stack).ravel() < 0.06)
    if usable.sum() < 0.01 * len(pixels):
        usable = chroma < 2.0 * _MOST_CHROMA
    if usable.sum() < 0.01 * len(pixels):
        return np.asarray(np.full(3, np.quantile(bright, 0.05)), dtype=np.float32)
    level = np.quantile(bright[usable], 0.04)
    chosen = usable & (np.abs(bright - level) < 0.15)
    chosen &= chroma <= np.quantile(chroma[chosen], 0.5)
    white = np.median(pixels[chosen], axis=0)
    chosen = usable & (np.abs(pixels - white).max(axis=1) < 0.08)
    return np.asarray(np.median(pixels[chosen], axis=0), dtype=np.float32)


def _summed(values: NDArray[Any]) -> NDArray[np.float64]:
    """Sum of all that lies above and to the left, a row and a column more than `values`."""
    total = np.zeros((values.shape[0] + 1, values.shape[1] + 1))
    total[1:, 1:] = values.astype(np.float64).cumsum(axis=0).cumsum(axis=1)
    return total


def _sums(total: NDArray[np.float64], side: int) -> NDArray[np.float64]:
    """Sum over every square of the given side, by its top left corner, from `_summed`."""
    a = total[side:, side:] - total[:-side, side:] - total[side:, :-side] + total[:-side, :-side]
    return np.asarray(a)


def _around(liquid: Mask) -> tuple[Mask, NDArray[np.float32], float]:
    """What may be flask or its shadow, the distance from the liquid, and the liquid's size."""
    from scipy.ndimage import distance_transform_edt

    rows, columns = np.nonzero(liquid)
    size = float(np.hypot(np.ptp(rows) + 1, np.ptp(columns) + 1) / np.sqrt(2.0))
    distance = distance_transform_edt(~liquid).astype(np.float32)
    barred = distance < 0.22 * size
    # Glass above the liquid: the level rises into it, and it bends what stands behind.
    half = 0.5 * np.ptp(columns)
    middle = 0.5 * (columns.max() + columns.min())
    left, right = int(middle - 1.15 * half), int(middle + 1.15 * half) + 1
    top = int(rows.min() - 1.2 * size)
    barred[max(top, 0) : rows.min(), max(left, 0) : max(right, 0)] = True
    return barred, distance, size


def _tinted(stack: Stack, course: NDArray[np.float32] | None) -> NDArray[np.float32]:
    """How far every pixel follows the liquid's change of colour: log10 units, shape (h, w)."""
    from scipy.ndimage import gaussian_filter

    if course is None:
        return np.zeros(stack.shape, np.float32)
    seen = np.isfinite(course)
    slow = course[seen] - course[seen].mean()
    chroma = (stack.density[..., 0] - stack.density[..., 1])[seen]
    slope = np.tensordot(slow, chroma, axes=(0, 0)) / max(float(slow @ slow), 1e-9)
    smooth = gaussian_filter(slope, 2.0)
    return np.asarray(np.abs(smooth) * np.ptp(course[seen]), dtype=np.float32)


def _fit_for_use(
    stack: Stack, white: NDArray[np.float32], tint: NDArray[np.float32], barred: Mask
) -> Mask:
    """Pixels that could belong to a reference."""
    from scipy.ndimage import gaussian_filter

    uneven = _even(stack)
    level = channels.mean(stack.middle)
    chroma = chroma_of(stack.middle)
    off_white = chroma_of(stack.middle - white)
    wander = gaussian_filter(stack.wander, 1.5)
    calm = wander < max(0.03, 2.0 * float(np.median(wander)))
    good = (uneven < 0.06) & (chroma < _MOST_CHROMA) & (off_white < 0.1) & calm
    return np.asarray(good & (tint < 0.03) & ~barred & (level < 1.6))


def find(stack: Stack, liquid: Mask, course: NDArray[np.float32] | None) -> Patch | None:
    """Find the best square of neutral ground, or None.

    Parameters
    ----------
    stack:
        The reduced pictures.
    liquid:
        Where the liquid is, shape (h, w).
    course:
        Red minus green density of the liquid in every frame of the stack, or None when it does
        not change.
    """
    white = ground_white(stack)
    barred, distance, size = _around(liquid)
    tint = _tinted(stack, course)
    fit = _fit_for_use(stack, white, tint, barred)
    stain = 12.0 * tint + 16.0 * chroma_of(stack.middle - white) + 1.5 * chroma_of(stack.middle)
    best = _best_square(stack, fit & ~stack.clipped, stain, distance, size)
    if best is None:
        best = _best_square(stack, fit & stack.clipped, stain, distance, size)
    return best


def _best_square(
    stack: Stack,
    fit: Mask,
    stain: NDArray[np.float32],
    distance: NDArray[np.float32],
    size: float,
) -> Patch | None:
    height, width = stack.shape
    level = channels.mean(stack.middle).astype(np.float64)
    best: Patch | None = None
    best_score = -np.inf
    maps = [_summed(each) for each in (fit, level, level**2, stain, distance)]
    for side in _SIDES:
        if side > 0.25 * min(height, width) or (side == _SIDES[0] and max(height, width) >= 300):
            continue
        count = float(side * side)
        share, mean, square, stained, away = (_sums(each, side) / count for each in maps)
        scatter = np.sqrt(np.maximum(square - mean**2, 0.0))
        away /= max(size, 1.0)
        score = 0.9 * np.log2(side / 4.0) - 4.0 * mean - 12.0 * scatter - stained
        score -= 0.5 * np.maximum(away - 0.5, 0.0) + 3.0 * np.maximum(0.5 - away, 0.0)
        score = np.where(share > 0.985, score, -np.inf)
        if score.max() > best_score:
            row, column = np.unravel_index(int(score.argmax()), score.shape)
            best_score = float(score.max())
            part = stack.middle[row : row + side, column : column + side].reshape(-1, 3)
            best = Patch(
                int(column),
                int(row),
                side,
                bool(stack.clipped[row : row + side, column : column + side].mean() > 0.02),
                float(10.0 ** -mean[row, column]),
                float(chroma_of(part).mean()),
            )
    return best
