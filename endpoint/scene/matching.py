"""Where a template lies in a map of two layers, and how it is turned and scaled there.

From a place nearby all four are found together, by the inverse compositional algorithm (Baker and
Matthews, Lucas-Kanade 20 Years On, 2004, from memory) on layers of mean 0 and norm 1. Over a wide
range places are tried in maps of half the size, by masked normalised cross-correlation (Lewis,
Fast Template Matching, 1995, from memory; OpenCV's implementation).

Places are complex numbers x + iy, pixels; `turn` is scale times exp(-i angle), the angle
counter-clockwise as seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.recording.frame import half
from endpoint.scene.stack import Array

_SPACING = 2
"""Every so many rows and columns of a template are compared: maps are smooth over three pixels,
templates hold thousands."""
_MOST_STEPS = 8
_ENOUGH = 0.1
"""Movement of a step, pixels at the rim of the template, from which on nothing is gained."""
_MOST_MOVE = 5.0
"""Pixels from the start beyond which the search has lost its way: blurred edges lead no farther."""
_SIZES = (0.8, 1.25)


@dataclass(frozen=True, eq=False)
class Template:
    """What is looked for; arrays are read-only."""

    offsets: NDArray[np.complex128]
    """Pixels that are compared, from the middle, shape (n,)."""
    known: NDArray[np.float32]
    """Both layers there, mean 0 and norm 1, shape (2, n)."""
    solve: NDArray[np.float32]
    """Turns what differs, shape (2 n,), into the move and the change of `turn`, shape (4,)."""
    reach: float
    """Distance of its farthest pixel from the middle."""


@dataclass(frozen=True)
class Match:
    """Where the middle of a template lies, how it is turned and scaled, and its likeness."""

    place: complex
    turn: complex
    likeness: float
    """-1 to 1, both layers alike."""
    edges: float = 0.0
    """That of the second layer alone."""


def template_of(maps: Array, weight: Array, middle: complex) -> Template:
    """Prepare a template.

    Parameters
    ----------
    maps, weight:
        Shapes (h, w, 2) and (h, w); pixels of weight 0 are left out.
    middle:
        Point about which it turns.
    """
    import cv2

    rows, columns = (_SPACING * each for each in np.nonzero(weight[::_SPACING, ::_SPACING]))
    offsets = columns + 1j * rows - middle
    x, y = offsets.real, offsets.imag
    known, falls = np.empty((2, rows.size)), np.empty((2, rows.size, 4))
    for k in range(2):
        layer = np.ascontiguousarray(maps[..., k])
        across, down = (
            cv2.Sobel(layer, cv2.CV_64F, *way, scale=0.125)[rows, columns]
            for way in ((1, 0), (0, 1))
        )
        fall = np.column_stack([across, down, across * x + down * y, down * x - across * y])
        level = layer[rows, columns].astype(np.float64)
        level -= level.mean()
        norm = max(float(np.linalg.norm(level)), 1e-6)
        known[k] = level / norm
        fall = (fall - fall.mean(axis=0)) / norm
        falls[k] = fall - known[k][:, None] * (known[k] @ fall)
    every = falls.reshape(-1, 4)
    solve = np.linalg.pinv(every)
    return Template(
        offsets, known.astype(np.float32), solve.astype(np.float32), float(np.abs(offsets).max())
    )


def _seen(maps: Array, template: Template, place: complex, turn: complex) -> NDArray[np.float32]:
    """Both layers of a picture where the template would lie, mean 0 and norm 1, shape (2, n)."""
    import cv2

    at = place + turn * template.offsets
    x, y = (part.astype(np.float32)[:, None] for part in (at.real, at.imag))
    found = cv2.remap(maps, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = np.ascontiguousarray(found[:, 0].T, dtype=np.float32)
    seen -= seen.mean(axis=1, keepdims=True)
    norm = np.sqrt(np.einsum("ij,ij->i", seen, seen))
    seen /= np.maximum(norm, np.float32(1e-4))[:, None]
    return seen


def match_at(maps: Array, template: Template, place: complex, turn: complex) -> Match:
    """How well a map confirms a place.

    Parameters
    ----------
    maps:
        Shape (height, width, 2). Beyond its edge it goes on as at the edge; such pixels confirm
        nothing much.
    template:
        What is looked for.
    place, turn:
        Of its middle.
    """
    return _match(template, _seen(maps, template, place, turn), place, turn)


def _match(template: Template, seen: NDArray[np.float32], place: complex, turn: complex) -> Match:
    colour, edges = np.einsum("ij,ij->i", template.known, seen).tolist()
    return Match(place, turn, 0.5 * (colour + edges), edges)


def refined(maps: Array, template: Template, place: complex, turn: complex) -> Match:
    """Best place, turn and size of a template near those given; parameters as in `match_at`."""
    start, best = place, None
    for _ in range(_MOST_STEPS):
        seen = _seen(maps, template, place, turn)
        match = _match(template, seen, place, turn)
        if best is None or match.likeness > best.likeness:
            best = match
        step = template.solve @ (seen - template.known).ravel()
        moved, change = complex(step[0], step[1]), complex(step[2], step[3])
        turn /= 1.0 + change
        turn *= min(max(abs(turn), _SIZES[0]), _SIZES[1]) / abs(turn)
        place -= turn * moved
        far = abs(place - start) > _MOST_MOVE
        if far or abs(moved) + abs(change) * template.reach < _ENOUGH:
            break
    assert best is not None
    return best


def best_place(
    maps: Array,
    template: Array,
    weight: Array,
    at: tuple[float, float],
    reach: tuple[float, float],
    barred: Sequence[tuple[float, float]] = (),
) -> tuple[float, float, float]:
    """Left, top and likeness of the best place of a template as it stands, to about a pixel.

    Parameters
    ----------
    maps:
        Where it is looked for, as in `match_at`.
    template, weight:
        As in `template_of`.
    at, reach:
        Left and top around which it is looked for, and how far across and down, pixels.
    barred:
        Places (left, top) where something else of the same look is: around them nothing is found.
    """
    import cv2

    small, known = half(maps), half(template)
    mask = (half(weight) > 0.5).astype(np.float32)
    tall, wide = mask.shape
    left, top = (round(0.5 * (v - r)) for v, r in zip(at, reach, strict=True))
    across, down = (max(1, round(r)) + 1 for r in reach)
    rows = np.clip(np.arange(top, top + tall + down - 1), 0, small.shape[0] - 1)
    columns = np.clip(np.arange(left, left + wide + across - 1), 0, small.shape[1] - 1)
    window = small[rows[:, None], columns]
    total = np.zeros((down, across))
    for k in range(2):
        there, layer = (np.ascontiguousarray(each[..., k]) for each in (window, known))
        scores = cv2.matchTemplate(there, layer, cv2.TM_CCOEFF_NORMED, mask=mask)
        total += np.clip(np.nan_to_num(scores, posinf=0.0, neginf=0.0), -1.0, 1.0)
    for x, y in barred:
        bar_rows, bar_columns = (
            slice(max(at_ - side // 3, 0), max(at_ + side // 3 + 1, 0))
            for at_, side in ((round(0.5 * y) - top, tall), (round(0.5 * x) - left, wide))
        )
        total[bar_rows, bar_columns] = -2.0
    row, column = (int(v) for v in np.unravel_index(int(total.argmax()), total.shape))
    return 2.0 * (left + column), 2.0 * (top + row), 0.5 * float(total[row, column])
