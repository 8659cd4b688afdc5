"""Where a template lies in a map of two layers: masked normalised cross-correlation.

After Lewis, Fast Template Matching (1995), from memory. Over a wide range OpenCV's implementation
is the faster one, over a few pixels the sums are taken directly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.scene.stack import Array

_FEW = 2
"""Reach, in pixels, up to which direct sums are faster."""
_EVERY = 3
"""Every so many pixels are enough: maps are smooth over three, templates hold thousands."""


@dataclass(frozen=True)
class Match:
    """Place of a template, to parts of a pixel, and its likeness there, -1 to 1."""

    left: float
    top: float
    likeness: float


def best_place(
    maps: Array,
    template: Array,
    weight: Array,
    at: tuple[float, float],
    reach: int,
    barred: Sequence[tuple[float, float]] = (),
) -> Match:
    """Best place of a template near another one, likeness from both layers alike.

    Parameters
    ----------
    maps:
        Where it is looked for, shape (height, width, 2). Beyond its edge it goes on as at the
        edge; such pixels confirm nothing much.
    template, weight:
        Shapes (h, w, 2) and (h, w); pixels of weight 0 are left out.
    at, reach:
        Left and top around which it is looked for, and how far, in pixels.
    barred:
        Places (left, top) where something else of the same look is: around them nothing is found.
    """
    pad = reach + 2
    left, top = round(at[0]), round(at[1])
    tall, wide = weight.shape
    rows = np.clip(np.arange(top - pad, top + tall + pad), 0, maps.shape[0] - 1)
    columns = np.clip(np.arange(left - pad, left + wide + pad), 0, maps.shape[1] - 1)
    window = np.ascontiguousarray(maps[rows[:, None], columns[None]])
    likeness = _directly if reach <= _FEW else _by_transform
    total = likeness(window, template, weight, pad)
    for x, y in barred:
        bar_rows, bar_columns = (
            slice(max(round(v - start + pad) - half, 0), max(round(v - start + pad) + half + 1, 0))
            for v, start, half in ((y, top, tall // 3), (x, left, wide // 3))
        )
        total[bar_rows, bar_columns] = -1.0
    inner = total[2:-2, 2:-2]
    row, column = (int(v) + 2 for v in np.unravel_index(int(inner.argmax()), inner.shape))
    y, x = row + peak(total[:, column], row), column + peak(total[row], column)
    return Match(left - pad + x, top - pad + y, float(total[row, column]))


def _by_transform(window: Array, template: Array, weight: Array, pad: int) -> NDArray[np.float64]:
    """Likeness at every place of the template in a window, shape (2 pad + 1, 2 pad + 1)."""
    import cv2

    total = np.zeros((2 * pad + 1, 2 * pad + 1))
    for k in range(2):
        scores = cv2.matchTemplate(
            np.ascontiguousarray(window[..., k]),
            np.ascontiguousarray(template[..., k]),
            cv2.TM_CCOEFF_NORMED,
            mask=weight,
        )
        total += np.clip(np.nan_to_num(scores, posinf=0.0, neginf=0.0), -1.0, 1.0)
    return 0.5 * total


def _directly(window: Array, template: Array, weight: Array, pad: int) -> NDArray[np.float64]:
    """The same by direct sums; the outermost places, which nothing needs, stay at -1."""
    inside = np.flatnonzero(np.pad(weight, ((0, 0), (0, window.shape[1] - weight.shape[1]))))[
        ::_EVERY
    ]
    side = 2 * pad + 1
    steps = np.arange(1, side - 1)
    places = (steps[:, None] * window.shape[1] + steps).ravel()[:, None] + inside
    total = np.full((side, side), -1.0)
    likeness = np.zeros(len(places))
    for k in range(2):
        known = template[..., k][weight > 0][::_EVERY]
        known = known - known.mean()
        seen = window[..., k].ravel()[places]
        spread = np.einsum("ij,ij->i", seen, seen) - seen.sum(axis=1) ** 2 / known.size
        size = np.sqrt(np.maximum(spread * (known @ known), 0.0))
        likeness += np.clip(seen @ known / np.maximum(size, 1e-6), -1.0, 1.0)
    total[1:-1, 1:-1] = 0.5 * likeness.reshape(side - 2, side - 2)
    return total


def peak(line: NDArray[np.float64], at: int) -> float:
    """Where between its neighbours a peak lies, by a parabola."""
    if not 0 < at < len(line) - 1:
        return 0.0
    low, middle, high = line[at - 1 : at + 2]
    bend = low - 2.0 * middle + high
    return float(np.clip(0.5 * (low - high) / bend, -0.5, 0.5)) if bend < -1e-9 else 0.0
