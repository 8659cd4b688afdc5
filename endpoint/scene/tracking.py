"""Where the flask is in a picture: it drifts and turns when it is swirled by hand.

The flask is kept as a template of two maps of a small picture: how much it has the colour of the
indicator, and how strong its edges are. Both stay alike while the colour between the edges
changes. A look is a masked normalised cross-correlation (Lewis, Fast Template Matching, 1995,
from memory; OpenCV's implementation) over turned templates: near the last pose first, then wide,
so that a flask that was hidden is found again without any memory. A pose that the picture does
not confirm is none.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.recording import channels
from endpoint.recording.frame import Box
from endpoint.scene.matching import Match, best_place, peak
from endpoint.scene.stack import Array, Mask

CONFIRMED, FOUND_AGAIN = 0.62, 0.75
"""Likeness below which a pose is not believed: near the last one, and anywhere."""
_LEAST, _LEAST_PART = 0.45, 0.75
"""In noisy pictures all is less alike: never below this, and this part of the usual likeness."""
_GAIN = 0.06
"""Likeness that a move must win over staying: plumes and waves only seem to move the flask."""
_NEAR = 9
"""How far the search goes around the last pose, small pixels; if it was lost, everywhere."""
_TURN_DEG = 4.0
_FAR_TURNS_DEG = (-12.0, -4.0, 4.0, 12.0)
_ALIKE, _MOST_OTHERS = 0.6, 3
"""Likeness, below that at which a flask is found again, of other things that could be taken for it
once they have its colour, and how many of them are kept in mind."""
_SIZES = (0.95, 1.0, 1.05)
_STILL = 0.008
"""Movement that counts as none, as a share of the picture's width."""
_STILL_DEG = 2.5
_APART = 3
"""Every so many pixels tell the colour of most of a picture."""
_MARGIN = 6
"""Pixels around a part that its blurred edges need."""
_SAME_EDGES = 0.88
"""Likeness of the edges alone from which the flask stands where it stood, whatever its colour.
Plumes, a turn of the colour and a drift of the white balance leave 0.88 to 0.99 of it, a hand
before half of the flask leaves 0.6 to 0.82."""
_PLAINLY = 0.94
"""Likeness from which nothing else is looked for."""
_GAMMA = 2.2
_DARKEST = np.float32(0.004 ** (1.0 / _GAMMA))
"""Encoded value below which a picture is black."""
_SOFT = 0.3


@dataclass(frozen=True)
class Pose:
    """How the flask stands against its first pose: turned and scaled about its middle, shifted."""

    dx: float = 0.0
    """Pixels of the whole picture."""
    dy: float = 0.0
    turn_deg: float = 0.0
    """Counter-clockwise as seen."""
    scale: float = 1.0
    likeness: float = 1.0
    """-1 to 1: how well the picture confirms it."""

    def is_home(self, width: int) -> bool:
        """Whether this is the first pose as far as can be seen."""
        shift = math.hypot(self.dx, self.dy)
        return (
            shift < _STILL * width
            and abs(self.turn_deg) < _STILL_DEG
            and abs(self.scale - 1.0) < 0.03
        )

    def apart(self, other: Pose) -> float:
        """Distance of two poses in pixels of the whole picture, turns left out."""
        return math.hypot(self.dx - other.dx, self.dy - other.dy)


HOME = Pose()


@dataclass(frozen=True, eq=False)
class Guide:
    """What the flask looks like; arrays are read-only."""

    factor: float
    """Pixels of the whole picture per pixel of the small one."""
    shape: tuple[int, int]
    """Height and width of the small picture."""
    middle: tuple[float, float]
    """Point about which the flask turns, (x, y) in the small picture."""
    maps: Array
    """Colour and edges around the flask, shape (h, w, 2)."""
    weight: Array
    """1 on the flask and its rim, 0 outside, shape (h, w)."""
    corner: tuple[int, int]
    """Left and top of `maps` in the small picture."""
    scale: tuple[float, float]
    """Colour of the ground and of the liquid, see `_maps`."""
    least: float = CONFIRMED
    """Likeness below which a pose near the last one is not believed."""
    clear: int | None = 2
    """Channel that the liquid lets through in each of its colours, see `_maps`."""
    others: tuple[tuple[float, float], ...] = ()
    """Places, like `corner`, where something else looks alike."""


def _density(picture: Array) -> Array:
    """Rough optical density of encoded R'G'B'."""
    lit = np.clip(picture, _DARKEST, 1.0).astype(np.float32)
    return np.asarray(np.float32(-_GAMMA) * np.log10(lit), dtype=np.float32)


def _colour(density: Array, clear: int | None) -> Array:
    """How much of the indicator's colour a density has, see `_maps`."""
    # Red and blue indicator both let blue light through best; skin, wood and most cloth do not.
    least = channels.least(density) if clear is None else density[..., clear]
    return np.asarray(channels.largest(density) - least, dtype=np.float32)


def _middle(picture: Array, clear: int | None) -> float:
    """Colour of most of a picture."""
    return float(np.median(_colour(_density(picture[::_APART, ::_APART]), clear)))


def _maps(
    picture: Array,
    clear: int | None,
    scale: tuple[float, float] | None = None,
    middle: float | None = None,
) -> Array:
    """Colour of the indicator and strength of edges of a small picture, shape (h, w, 2).

    `scale` is the colour of the ground and of the liquid: all that is coloured about as much as
    the liquid counts alike, so that a plume is not taken for another flask. `clear` is the channel
    that the indicator lets through in both forms; None where each form lets another one through.
    `middle` is given where the picture is a part of another one, see `_middle`.
    """
    import cv2

    density = np.asarray(cv2.GaussianBlur(_density(picture), (0, 0), 1.0), dtype=np.float32)
    colour = _colour(density, clear)
    colour -= _middle(picture, clear) if middle is None else middle
    if scale is not None:
        colour -= scale[0]
        colour /= np.abs(colour) + _SOFT * max(scale[1] - scale[0], 0.02)
    level = np.ascontiguousarray(channels.mean(density))
    edges = np.hypot(cv2.Sobel(level, cv2.CV_32F, 1, 0), cv2.Sobel(level, cv2.CV_32F, 0, 1))
    edges = cv2.GaussianBlur(np.sqrt(edges), (0, 0), 1.0)
    return np.ascontiguousarray(np.dstack([colour, edges]), dtype=np.float32)


def guide(
    pictures: Sequence[Array], liquid: Mask, factor: float, clear: int | None = 2
) -> Guide | None:
    """Remember what the flask looks like; None where there is too little of it.

    Parameters
    ----------
    pictures:
        One or more small pictures with the flask in one pose and the liquid of any colour,
        encoded R'G'B' 0 to 1, shape (h, w, 3).
    liquid:
        The liquid in them, shape (h, w).
    factor:
        Pixels of the whole picture per pixel of the small one.
    clear:
        Channel (0, 1, 2 for R, G, B) that the liquid lets through in each of its colours, if any.
    """
    import cv2

    rows, columns = np.nonzero(liquid)
    if rows.size < 6:
        return None
    reach = max(3, round(0.18 * math.sqrt(rows.size)))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    weight = cv2.dilate(liquid.astype(np.uint8), disc).astype(np.float32)
    pad = reach + max(4, round(0.3 * max(np.ptp(columns), np.ptp(rows))))
    left, top = max(int(columns.min()) - pad, 0), max(int(rows.min()) - pad, 0)
    right = min(int(columns.max()) + pad + 1, liquid.shape[1])
    bottom = min(int(rows.max()) + pad + 1, liquid.shape[0])
    colour = np.mean([_maps(picture, clear)[..., 0] for picture in pictures], axis=0)
    beside = (slice(top, bottom), slice(left, right))
    ground = float(np.median(colour[beside][weight[beside] == 0]))
    scale = (ground, float(np.median(colour[liquid])))
    every = [_maps(picture, clear, scale)[beside] for picture in pictures]
    maps = np.mean(every, axis=0).astype(np.float32)
    weight = weight[top:bottom, left:right].copy()
    inside = weight > 0
    # Both maps count alike.
    maps /= np.maximum(maps[inside].std(axis=0), 1e-3)
    if float(maps[inside].std()) < 1e-3:
        return None
    for array in (maps, weight):
        array.setflags(write=False)
    middle = (float(columns.mean()), float(rows.mean()))
    return Guide(factor, liquid.shape, middle, maps, weight, (left, top), scale, clear=clear)


def _turned(guide_: Guide, turn_deg: float, scale: float) -> tuple[Array, Array]:
    """Template and weight turned and scaled about the middle of the flask."""
    import cv2

    if turn_deg == 0.0 and scale == 1.0:
        return guide_.maps, guide_.weight
    x = guide_.middle[0] - guide_.corner[0]
    y = guide_.middle[1] - guide_.corner[1]
    matrix = cv2.getRotationMatrix2D((x, y), turn_deg, scale)
    size = (guide_.maps.shape[1], guide_.maps.shape[0])
    maps = cv2.warpAffine(guide_.maps, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    weight = cv2.warpAffine(guide_.weight, matrix, size, flags=cv2.INTER_NEAREST)
    return np.asarray(maps, np.float32), np.asarray(weight, np.float32)


def _part(picture: Array, box: Box) -> Array:
    """Part of a picture of shape (h, w, k), which goes on beyond its edge as at the edge.

    Such pixels confirm nothing much.
    """
    height, width = picture.shape[:2]
    if box.left >= 0 and box.top >= 0 and box.right <= width and box.bottom <= height:
        return picture[box.top : box.bottom, box.left : box.right]
    rows = np.clip(np.arange(box.top, box.bottom), 0, height - 1)
    columns = np.clip(np.arange(box.left, box.right), 0, width - 1)
    return picture[rows[:, None], columns[None]]


def look(
    guide_: Guide, picture: Array, near: Pose | None = None, seen_from: Pose | None = None
) -> Pose:
    """Where the flask is; `likeness` tells whether to believe it (`Guide.least`).

    Parameters
    ----------
    guide_:
        What the flask looks like.
    picture:
        Small picture of the same size as the guide's.
    near:
        Last pose that was confirmed, None if there is none.
    seen_from:
        Pose that the flask has if it stays on the bench and only the camera moved; None if the
        camera stands.
    """
    middle = _middle(picture, guide_.clear)
    stays = []
    for known in dict.fromkeys((seen_from or HOME, near or HOME, HOME)):
        stays.append(_stay(guide_, picture, middle, known))
        if stays[-1].likeness >= _PLAINLY:
            return stays[-1]
    maps = _maps(picture, guide_.clear, guide_.scale, middle)
    last = near or HOME if seen_from is None else max(stays, key=lambda stay: stay.likeness)
    pose = _sized(guide_, maps, _best(guide_, maps, last, _NEAR))
    for stay in stays:
        if stay.likeness >= max(guide_.least, pose.likeness - _GAIN):
            return stay
    if pose.likeness >= guide_.least:
        return pose
    bench = seen_from or HOME
    far = _anywhere(guide_, maps, (bench.dx / guide_.factor, bench.dy / guide_.factor))
    if far.likeness > 0.5:
        far = _sized(guide_, maps, _best(guide_, maps, far, 2))
    return far if far.likeness >= FOUND_AGAIN else pose


def _stay(guide_: Guide, picture: Array, middle: float, pose: Pose) -> Pose:
    """The same pose with its likeness in a picture; only the part around it is looked at."""
    template, weight = _turned(guide_, pose.turn_deg, pose.scale)
    left, top = (round(v) for v in _place(guide_, pose))
    tall, wide = weight.shape
    around = Box(left - _MARGIN, top - _MARGIN, left + wide + _MARGIN, top + tall + _MARGIN)
    part = np.ascontiguousarray(_part(picture, around))
    maps = _maps(part, guide_.clear, guide_.scale, middle)
    inside = weight > 0
    seen = maps[_MARGIN:-_MARGIN, _MARGIN:-_MARGIN][inside].astype(np.float64)
    known = template[inside].astype(np.float64)
    seen -= seen.mean(axis=0)
    known -= known.mean(axis=0)
    size = np.sqrt((seen**2).sum(axis=0) * (known**2).sum(axis=0))
    colour, edge = ((seen * known).sum(axis=0) / np.maximum(size, 1e-9)).tolist()
    likeness = 0.5 * (colour + edge)
    # A plume, or blue liquid before a coloured ground, has other colours side by side; what hides
    # the flask brings other edges.
    return replace(pose, likeness=max(likeness, _PLAINLY) if edge > _SAME_EDGES else likeness)


def with_usual(guide_: Guide, pictures: Sequence[Array]) -> Guide:
    """Guide that knows how alike the flask is to itself in some pictures that show it."""
    alike = [likeness_at_home(guide_, picture) for picture in pictures]
    usual = float(np.median([a for a in alike if a > _LEAST] or [1.0]))
    return replace(guide_, least=float(np.clip(_LEAST_PART * usual, _LEAST, CONFIRMED)))


def likeness_at_home(guide_: Guide, picture: Array) -> float:
    """How well a picture confirms the first pose, -1 to 1."""
    maps = _maps(picture, guide_.clear, guide_.scale)
    return best_place(maps, guide_.maps, guide_.weight, guide_.corner, 1).likeness


def likeness_among(guide_: Guide, pictures: Sequence[Array]) -> NDArray[np.float64]:
    """How alike pictures are to each other where the guide has the flask, shape (n, n)."""
    left, top = guide_.corner
    tall, wide = guide_.weight.shape
    inside = guide_.weight > 0
    total = np.zeros((len(pictures), len(pictures)))
    maps = [
        _maps(p, guide_.clear, guide_.scale)[top : top + tall, left : left + wide] for p in pictures
    ]
    for k in range(2):
        rows = np.stack([each[..., k][inside] for each in maps]).astype(np.float64)
        rows -= rows.mean(axis=1, keepdims=True)
        rows /= np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-9)
        total += 0.5 * rows @ rows.T
    return total


def _place(guide_: Guide, pose: Pose) -> tuple[float, float]:
    """Left and top of the template for a pose."""
    return guide_.corner[0] + pose.dx / guide_.factor, guide_.corner[1] + pose.dy / guide_.factor


def _pose(guide_: Guide, match: Match, turn_deg: float, scale: float) -> Pose:
    return Pose(
        (match.left - guide_.corner[0]) * guide_.factor,
        (match.top - guide_.corner[1]) * guide_.factor,
        turn_deg,
        scale,
        match.likeness,
    )


def _best(guide_: Guide, maps: Array, near: Pose, reach: int) -> Pose:
    """Best place within `reach`, then the best of a few turns there, refined by a parabola."""
    match = best_place(
        maps, *_turned(guide_, near.turn_deg, near.scale), _place(guide_, near), reach
    )
    found = [_pose(guide_, match, near.turn_deg, near.scale)]
    for turn_deg in (near.turn_deg - _TURN_DEG, near.turn_deg + _TURN_DEG):
        turned = _turned(guide_, turn_deg, near.scale)
        match = best_place(maps, *turned, _place(guide_, found[0]), 2)
        found.append(_pose(guide_, match, turn_deg, near.scale))
    found = [found[1], found[0], found[2]]
    k = int(np.argmax([pose.likeness for pose in found]))
    shift = _TURN_DEG * peak(np.array([pose.likeness for pose in found]), k)
    return replace(found[k], turn_deg=found[k].turn_deg + shift)


def _anywhere(guide_: Guide, maps: Array, moved: tuple[float, float]) -> Pose:
    """Best pose in the whole picture, but not where another thing of that look stood.

    Parameters
    ----------
    guide_, maps:
        What the flask looks like, and the picture.
    moved:
        How far the bench itself has moved in the picture, small pixels.
    """
    barred = [(x + moved[0], y + moved[1]) for x, y in guide_.others]
    found = []
    for turn_deg in _FAR_TURNS_DEG:
        turned = _turned(guide_, turn_deg, 1.0)
        match = best_place(maps, *turned, guide_.corner, max(guide_.shape) // 2, barred)
        found.append(_pose(guide_, match, turn_deg, 1.0))
    return max(found, key=lambda pose: pose.likeness)


def with_others(guide_: Guide, picture: Array) -> Guide:
    """Guide that knows where else in a picture of it something looks alike.

    A reference flask that is blue all the time is not the flask that was covered.
    """
    maps = _maps(picture, guide_.clear, guide_.scale)
    places: list[tuple[float, float]] = [guide_.corner]
    for _ in range(_MOST_OTHERS):
        match = best_place(
            maps, guide_.maps, guide_.weight, guide_.corner, max(guide_.shape) // 2, places
        )
        if match.likeness < _ALIKE:
            break
        places.append((match.left, match.top))
    return replace(guide_, others=tuple(places[1:]))


def _sized(guide_: Guide, maps: Array, pose: Pose) -> Pose:
    """The same pose with the best of a few sizes."""
    found = []
    for factor in _SIZES:
        size = min(max(pose.scale * factor, 0.8), 1.25)
        turned = _turned(guide_, pose.turn_deg, size)
        match = best_place(maps, *turned, _place(guide_, pose), 1)
        found.append(_pose(guide_, match, pose.turn_deg, size))
    k = int(np.argmax([p.likeness for p in found]))
    shift = (_SIZES[1] - _SIZES[0]) * peak(np.array([p.likeness for p in found]), k)
    return replace(found[k], scale=found[k].scale * (1.0 + shift))


def carried(mask: Mask, box: Box, pose: Pose, middle: tuple[float, float]) -> tuple[Box, Mask]:
    """Mask and box of a part of the flask in another pose.

    Parameters
    ----------
    mask, box:
        In the first pose; shape (box.height, box.width).
    pose:
        Where the flask is now.
    middle:
        Point about which it turns, (x, y) in the whole picture.
    """
    import cv2

    matrix = cv2.getRotationMatrix2D(middle, pose.turn_deg, pose.scale)
    matrix[:, 2] += np.array([pose.dx, pose.dy])
    corners = np.array([[x, y, 1.0] for x in (box.left, box.right) for y in (box.top, box.bottom)])
    moved = corners @ matrix.T
    left, top = (int(v) for v in np.floor(moved.min(axis=0)))
    right, bottom = (int(v) + 1 for v in np.ceil(moved.max(axis=0)))
    shift = matrix.copy()
    shift[:, 2] += matrix[:, :2] @ np.array([box.left, box.top]) - (left, top)
    turned = cv2.warpAffine(
        mask.astype(np.uint8), shift, (right - left, bottom - top), flags=cv2.INTER_NEAREST
    )
    return Box(left, top, right, bottom), np.asarray(turned > 0)
