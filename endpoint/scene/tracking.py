"""Where the flask is in a picture: it drifts and turns when it is swirled by hand.

The flask is kept as a template of two maps of a small picture: how much it has the colour of the
indicator, and how strong its edges are. Both stay alike while the colour between the edges
changes. It is first asked whether the flask stands where it stood, then it is looked for near the
last pose, then widely, so that a flask that was hidden is found again without any memory. A pose
that the picture does not confirm is none.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from endpoint.recording.frame import Box
from endpoint.scene import matching
from endpoint.scene.flask_maps import maps_of, middle_of, scaled
from endpoint.scene.stack import Array, Mask

CONFIRMED, FOUND_AGAIN = 0.62, 0.75
"""Likeness below which a pose is not believed: near the last one, and anywhere."""
_LEAST, _LEAST_PART = 0.45, 0.75
"""In noisy pictures all is less alike: never below this, and this part of the usual likeness."""
_GAIN = 0.06
"""Likeness that a move must win over staying: plumes and waves only seem to move the flask."""
_NEAR = 9
"""How far the search goes around the last pose, small pixels; if it was lost, everywhere."""
_NEAR_TURNS_DEG = (-8.0, 0.0, 8.0)
_NO_DOUBT = 0.85
"""Likeness from which a pose near the last one is not a false peak."""
_FAR_TURNS_DEG = (-12.0, -4.0, 4.0, 12.0)
_ALIKE, _MOST_OTHERS = 0.6, 3
"""Likeness, below that at which a flask is found again, of other things that could be taken for it
once they have its colour, and how many of them are kept in mind."""
_STILL = 0.008
"""Movement that counts as none, as a share of the picture's width."""
_STILL_DEG = 2.5
_MARGIN = 6
"""Pixels around a part that its blurred edges need."""
_SAME_EDGES = 0.88
"""Likeness of the edges alone from which the flask stands where it stood, whatever its colour.
Plumes, a turn of the colour and a drift of the white balance leave 0.88 to 0.99 of it, a hand
before half of the flask leaves 0.6 to 0.82."""
_PLAINLY = 0.94
"""Likeness from which nothing else is looked for."""


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
    """Colour of the ground and of the liquid, see `flask_maps.maps_of`."""
    least: float = CONFIRMED
    """Likeness below which a pose near the last one is not believed."""
    clear: int | None = 2
    """Channel that the liquid lets through in each of its colours, see `flask_maps.maps_of`."""
    others: tuple[tuple[float, float], ...] = ()
    """Places, like `corner`, where something else looks alike."""


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
    return guide_of([maps_of(picture, clear) for picture in pictures], liquid, factor, clear)


def guide_of(
    plain: Sequence[Array], liquid: Mask, factor: float, clear: int | None = 2
) -> Guide | None:
    """The same from the maps of the pictures, without a scale, see `flask_maps.maps_of`."""
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
    colour = np.mean([maps[..., 0] for maps in plain], axis=0)
    beside = (slice(top, bottom), slice(left, right))
    ground = float(np.median(colour[beside][weight[beside] == 0]))
    scale = (ground, float(np.median(colour[liquid])))
    every = [scaled(maps[beside], scale) for maps in plain]
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


@lru_cache(maxsize=8)
def _template(guide_: Guide) -> matching.Template:
    x, y = (m - c for m, c in zip(guide_.middle, guide_.corner, strict=True))
    return matching.template_of(guide_.maps, guide_.weight, complex(x, y))


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
    import cv2

    height, width = picture.shape[:2]
    if box.left >= 0 and box.top >= 0 and box.right <= width and box.bottom <= height:
        return picture[box.top : box.bottom, box.left : box.right]
    inside = picture[max(box.top, 0) : max(box.bottom, 0), max(box.left, 0) : max(box.right, 0)]
    if inside.size:
        beyond = -box.top, box.bottom - height, -box.left, box.right - width
        rim = [max(each, 0) for each in beyond]
        return np.asarray(cv2.copyMakeBorder(inside, *rim, cv2.BORDER_REPLICATE), np.float32)
    rows = np.clip(np.arange(box.top, box.bottom), 0, height - 1)
    columns = np.clip(np.arange(box.left, box.right), 0, width - 1)
    return picture[rows[:, None], columns[None]]


def look(
    guide_: Guide,
    picture: Array,
    near: Pose | None = None,
    seen_from: Pose | None = None,
    *,
    widely: bool = True,
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
    widely:
        Whether a flask that is not near is looked for in the whole picture, which costs most.
    """
    middle = middle_of(picture, guide_.clear)
    known = list(dict.fromkeys((seen_from or HOME, near or HOME, HOME)))
    if len(known) == 1:
        stays = [_stay_in_part(guide_, picture, middle, known[0])]
        if stays[0].likeness >= _PLAINLY:
            return stays[0]
        known = []
    else:
        stays = []
    maps = maps_of(picture, guide_.clear, guide_.scale, middle)
    for pose in known:
        stays.append(_stay(guide_, maps, pose))
        if stays[-1].likeness >= _PLAINLY:
            return stays[-1]
    last = near or HOME if seen_from is None else max(stays, key=lambda stay: stay.likeness)
    pose = _near(guide_, maps, last)
    for stay in stays:
        if stay.likeness >= max(guide_.least, pose.likeness - _GAIN):
            return stay
    if pose.likeness >= guide_.least or not widely:
        return pose
    bench = seen_from or HOME
    far = _anywhere(guide_, maps, (bench.dx / guide_.factor, bench.dy / guide_.factor))
    return far if far.likeness >= FOUND_AGAIN else pose


def _stay_in_part(guide_: Guide, picture: Array, middle: float, pose: Pose) -> Pose:
    """The same pose with its likeness in a picture; only the part around it is looked at."""
    tall, wide = guide_.weight.shape
    left, top = (round(v) - _MARGIN for v in _corner(guide_, pose))
    around = Box(left, top, left + wide + 2 * _MARGIN, top + tall + 2 * _MARGIN)
    part = np.ascontiguousarray(_part(picture, around))
    maps = maps_of(part, guide_.clear, guide_.scale, middle)
    return _stay(guide_, maps, pose, complex(left, top))


def _stay(guide_: Guide, maps: Array, pose: Pose, corner: complex = 0j) -> Pose:
    """The same pose with its likeness in the maps of a picture whose corner lies there."""
    place, turn = _stand(guide_, pose)
    match = matching.match_at(maps, _template(guide_), place - corner, turn)
    # A plume, or blue liquid before a coloured ground, has other colours side by side; what hides
    # the flask brings other edges.
    same = match.edges > _SAME_EDGES
    return replace(pose, likeness=max(match.likeness, _PLAINLY) if same else match.likeness)


def with_usual(guide_: Guide, pictures: Sequence[Array]) -> Guide:
    """Guide that knows how alike the flask is to itself in some pictures that show it."""
    alike = [likeness_at_home(guide_, picture) for picture in pictures]
    usual = float(np.median([a for a in alike if a > _LEAST] or [1.0]))
    return replace(guide_, least=float(np.clip(_LEAST_PART * usual, _LEAST, CONFIRMED)))


def likeness_at_home(guide_: Guide, picture: Array) -> float:
    """How well a picture confirms the first pose, -1 to 1."""
    maps = maps_of(picture, guide_.clear, guide_.scale)
    return matching.refined(maps, _template(guide_), *_stand(guide_, HOME)).likeness


def likeness_among(guide_: Guide, pictures: Sequence[Array]) -> NDArray[np.float64]:
    """How alike pictures are to each other where the guide has the flask, shape (n, n)."""
    left, top = guide_.corner
    tall, wide = guide_.weight.shape
    inside = guide_.weight > 0
    total = np.zeros((len(pictures), len(pictures)))
    maps = [
        maps_of(p, guide_.clear, guide_.scale)[top : top + tall, left : left + wide]
        for p in pictures
    ]
    for k in range(2):
        rows = np.stack([each[..., k][inside] for each in maps]).astype(np.float64)
        rows -= rows.mean(axis=1, keepdims=True)
        rows /= np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-9)
        total += 0.5 * rows @ rows.T
    return total


def _corner(guide_: Guide, pose: Pose) -> tuple[float, float]:
    """Left and top of the template for a pose."""
    return guide_.corner[0] + pose.dx / guide_.factor, guide_.corner[1] + pose.dy / guide_.factor


def _stand(guide_: Guide, pose: Pose) -> tuple[complex, complex]:
    """Where the middle of the flask is in the small picture, and its turn, for a pose."""
    place = complex(*guide_.middle) + complex(pose.dx, pose.dy) / guide_.factor
    return place, cmath.rect(pose.scale, -math.radians(pose.turn_deg))


def _pose(guide_: Guide, match: matching.Match) -> Pose:
    moved = guide_.factor * (match.place - complex(*guide_.middle))
    turn_deg = -math.degrees(cmath.phase(match.turn))
    return Pose(moved.real, moved.imag, turn_deg, abs(match.turn), match.likeness)


def _refined(guide_: Guide, maps: Array, pose: Pose) -> Pose:
    """Best pose near another one."""
    return _pose(guide_, matching.refined(maps, _template(guide_), *_stand(guide_, pose)))


def _near(guide_: Guide, maps: Array, last: Pose) -> Pose:
    """Best pose near the last one; places are only tried where the way there is not plain."""
    pose = _refined(guide_, maps, last)
    if pose.likeness >= _NO_DOUBT:
        return pose
    x, y = _corner(guide_, last)
    tried = []
    for turn_deg in (0.0,) if pose.likeness >= guide_.least else _NEAR_TURNS_DEG:
        turned = _turned(guide_, last.turn_deg + turn_deg, last.scale)
        left, top, likeness = matching.best_place(maps, *turned, (x, y), (_NEAR, _NEAR))
        dx, dy = guide_.factor * (left - x), guide_.factor * (top - y)
        there = Pose(last.dx + dx, last.dy + dy, last.turn_deg + turn_deg, last.scale, likeness)
        tried.append(there)
    best = max(tried, key=lambda each: each.likeness)
    return max(pose, _refined(guide_, maps, best), key=lambda each: each.likeness)


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
        left, top, likeness = _best_of_all(guide_, maps, turn_deg, barred)
        dx, dy = left - guide_.corner[0], top - guide_.corner[1]
        found.append(Pose(guide_.factor * dx, guide_.factor * dy, turn_deg, 1.0, likeness))
    best = max(found, key=lambda pose: pose.likeness)
    return _refined(guide_, maps, best) if best.likeness > _LEAST else best


def _best_of_all(
    guide_: Guide, maps: Array, turn_deg: float, barred: Sequence[tuple[float, float]]
) -> tuple[float, float, float]:
    """Left, top and likeness of the best place in the whole picture, and a little beyond."""
    tall, wide = guide_.weight.shape
    spare = guide_.shape[1] - wide // 3, guide_.shape[0] - tall // 3
    middle = 0.5 * (guide_.shape[1] - wide), 0.5 * (guide_.shape[0] - tall)
    reach = 0.5 * spare[0], 0.5 * spare[1]
    return matching.best_place(maps, *_turned(guide_, turn_deg, 1.0), middle, reach, barred)


def with_others(guide_: Guide, picture: Array) -> Guide:
    """Guide that knows where else in a picture of it something looks alike.

    A reference flask that is blue all the time is not the flask that was covered.
    """
    maps = maps_of(picture, guide_.clear, guide_.scale)
    places: list[tuple[float, float]] = [guide_.corner]
    for _ in range(_MOST_OTHERS):
        left, top, likeness = _best_of_all(guide_, maps, 0.0, places)
        if likeness < _ALIKE:
            break
        places.append((left, top))
    return replace(guide_, others=tuple(places[1:]))
