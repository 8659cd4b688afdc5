"""Whether the camera or the flask was moved: a few marked places are looked for again.

Places with a corner or an edge crossing are kept as small templates, some on the flask and some
elsewhere. As long as most of them are where they were, nothing has moved, and this is seen from a
few thousand pixels. Only when a group is lost, the whole picture is searched for it (normalised
cross-correlation; Lewis, Fast Template Matching, 1995, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.region_stack import Array, Mask, Stack, reduce
from endpoint.sources.frame import Box, Frame, grey

_HALF = 9
"""Half side of a template in pixels of the reduced picture."""
_PER_GROUP = 6
_IN_PLACE = 0.7
_FOUND = 0.8
_REACH = 0.25
"""How far a lost group is searched for, as a share of the picture's width."""


@dataclass(frozen=True, eq=False)
class Anchors:
    """Templates of the reduced picture and where they belong; arrays are read-only."""

    factor: float
    """Pixels of the full picture per pixel of the reduced one."""
    width: int
    """Width of the reduced picture."""
    centres: NDArray[np.int64]
    """(x, y) in the reduced picture, shape (k, 2)."""
    templates: Array
    """Shape (k, side, side)."""
    on_flask: NDArray[np.bool_]
    """Shape (k,)."""
    level: float
    """Mean of the reduced picture, 0 to 1."""


def _grey(stack: Stack) -> tuple[Array, Array]:
    """Tone-compressed brightness of every frame and their median."""
    frames = (10.0 ** (-0.45 * stack.density)).mean(axis=3).astype(np.float32)
    return frames, np.median(frames, axis=0).astype(np.float32)


def _likeness(a: Array, b: Array) -> float:
    a, b = a - a.mean(), b - b.mean()
    norm = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / norm if norm > 1e-6 else 0.0


def _patch(picture: Array, x: int, y: int) -> Array:
    return picture[y - _HALF : y + _HALF + 1, x - _HALF : x + _HALF + 1]


def anchor(stack: Stack, liquid: Mask, factor: float) -> Anchors | None:
    """Choose the places; None when the picture has too little structure.

    Parameters
    ----------
    stack:
        The reduced pictures from which the region was found.
    liquid:
        The liquid in them, shape (h, w).
    factor:
        Pixels of the full picture per pixel of the reduced one.
    """
    frames, middle = _grey(stack)
    if min(middle.shape) < 6 * _HALF:
        return None
    corner = _corners(middle, liquid)
    around = _around(liquid)
    centres: list[tuple[int, int]] = []
    groups: list[bool] = []
    for on_flask in (True, False):
        chosen = _choose(np.where(around == on_flask, corner, 0.0), middle, frames)
        centres += chosen
        groups += [on_flask] * len(chosen)
    if len(centres) < 3:
        return None
    result = Anchors(
        factor,
        middle.shape[1],
        np.array(centres, dtype=np.int64),
        np.stack([_patch(middle, x, y) for x, y in centres]).astype(np.float32),
        np.array(groups, dtype=np.bool_),
        float(middle.mean()),
    )
    for array in (result.centres, result.templates, result.on_flask):
        array.setflags(write=False)
    return result


def _corners(middle: Array, liquid: Mask) -> Array:
    """Strength of corners, 0 inside the liquid and at the border of the picture."""
    import cv2

    corner = cv2.cornerMinEigenVal(cv2.GaussianBlur(middle, (0, 0), 1.0), 7, ksize=3)
    inside = cv2.erode(liquid.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=2) > 0
    corner[inside] = 0.0
    kept = np.zeros_like(corner)
    rim = _HALF + 1
    kept[rim:-rim, rim:-rim] = corner[rim:-rim, rim:-rim]
    return np.asarray(kept, dtype=np.float32)


def _around(liquid: Mask) -> Mask:
    """The liquid's surroundings in which the vessel's edges lie."""
    rows, columns = np.nonzero(liquid)
    wide, tall = int(np.ptp(columns)) + 1, int(np.ptp(rows)) + 1
    near = np.zeros(liquid.shape, np.bool_)
    top, left = rows.min() - int(0.9 * wide), columns.min() - int(0.3 * wide)
    low, right = rows.max() + int(0.3 * tall) + 4, columns.max() + int(0.3 * wide) + 1
    near[max(top, 0) : low, max(left, 0) : right] = True
    return near


def _choose(corner: Array, middle: Array, frames: Array) -> list[tuple[int, int]]:
    """Strongest places that look the same in nearly all frames, well apart."""
    corner = corner.copy()
    found: list[tuple[int, int]] = []
    few = frames[np.linspace(0, len(frames) - 1, min(len(frames), 9)).astype(int)]
    for _ in range(30):
        y, x = (int(v) for v in np.unravel_index(int(corner.argmax()), corner.shape))
        if corner[y, x] <= 1e-6 or len(found) == _PER_GROUP:
            break
        template = _patch(middle, x, y)
        alike = [_likeness(_patch(frame, x, y), template) for frame in few]
        good = bool(np.quantile(alike, 0.25) > 0.85 and template.std() > 0.012)
        reach = 2 * _HALF if good else _HALF // 2
        if good:
            found.append((x, y))
        corner[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1] = 0.0
    return found


def _in_place(anchors: Anchors, frame: Frame) -> NDArray[np.float64]:
    """Likeness of every anchor's place to its template, -1 to 1, shape (k,)."""
    import cv2

    side = 2 * _HALF + 1
    likeness = np.zeros(len(anchors.centres))
    for i, (x, y) in enumerate(anchors.centres):
        left, top = round((x - _HALF) * anchors.factor), round((y - _HALF) * anchors.factor)
        size = max(round(side * anchors.factor), side)
        box = Box(left, top, min(left + size, frame.width), min(top + size, frame.height))
        part = np.ascontiguousarray(grey(frame, box, max(1, size // (2 * side))))
        if part.shape != (side, side):
            part = np.asarray(
                cv2.resize(part, (side, side), interpolation=cv2.INTER_AREA), dtype=np.float32
            )
        likeness[i] = _likeness(part.astype(np.float32), anchors.templates[i])
    return likeness


def _search(
    anchors: Anchors, frame: Frame
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Where every template is now: shift (k, 2) in reduced pixels, likeness (k,), level."""
    import cv2

    picture = reduce(frame.rgb8()).astype(np.float32).mean(axis=2) / 255.0
    reach = int(_REACH * anchors.width)
    shift, likeness = np.zeros((len(anchors.centres), 2)), np.zeros(len(anchors.centres))
    for i, (x, y) in enumerate(anchors.centres):
        left, top = max(x - _HALF - reach, 0), max(y - _HALF - reach, 0)
        window = picture[top : y + _HALF + 1 + reach, left : x + _HALF + 1 + reach]
        match = cv2.matchTemplate(
            np.ascontiguousarray(window), anchors.templates[i], cv2.TM_CCOEFF_NORMED
        )
        row, column = np.unravel_index(int(np.nan_to_num(match).argmax()), match.shape)
        likeness[i] = float(match[row, column])
        shift[i] = (left + column + _HALF - x, top + row + _HALF - y)
    return shift, likeness, float(picture.mean())


def _lost(anchors: Anchors, likeness: NDArray[np.float64], on_flask: bool) -> NDArray[np.bool_]:
    """Anchors of a group that are not where they were; none if those are too few to count.

    Places around the flask may show more of the bench than of the flask, so that a third of them
    is enough; of the scene it must be more than half.
    """
    group = anchors.on_flask == on_flask
    lost = group & (likeness < _IN_PLACE)
    enough = max(2.0, (0.33 if on_flask else 0.51) * float(group.sum()))
    return lost if lost.sum() >= enough else np.zeros_like(lost)


def shifted(anchors: Anchors, frame: Frame, share: float) -> bool:
    """Whether the flask or everything stands elsewhere by more than `share` of the width.

    A picture in which the places are hidden or dark counts as not moved: other flags tell of it.
    """
    near = _in_place(anchors, frame)
    groups = [lost for g in (True, False) if (lost := _lost(anchors, near, g)).any()]
    if not groups:
        return False
    shift, likeness, level = _search(anchors, frame)
    if level < 0.35 * anchors.level:
        return False
    for lost in groups:
        least = max(2.0, 0.66 * float(lost.sum()))
        found = lost & (likeness > np.maximum(_FOUND, near + 0.2))
        if found.sum() < least:
            continue
        typical = np.median(shift[found], axis=0)
        agree = np.linalg.norm(shift[found] - typical, axis=1) < 3.0
        if agree.sum() >= least and np.linalg.norm(typical) > share * anchors.width:
            return True
    # Nothing at all is recognised although it is light: the camera looks elsewhere.
    return bool((likeness < 0.6).mean() > 0.8)


def hidden(anchors: Anchors, frame: Frame, share: float) -> bool:
    """Whether something stands before the flask: its edges are gone, but not elsewhere."""
    lost = _lost(anchors, _in_place(anchors, frame), True)
    return bool(lost.sum() > 0.5 * anchors.on_flask.sum()) and not shifted(anchors, frame, share)
