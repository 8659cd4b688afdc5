"""Whether the camera still looks where it looked: shifts of the scene between small pictures.

The picture is cut into overlapping tiles. The shift of each is read by phase correlation of the
edge strength (Kuglin and Hines, 1975, from memory; implementation of OpenCV); edges stay where
they are while the colour between them changes. The camera has moved where most tiles with edges
shift alike; a flask, a hand or a passer-by moves a few tiles only.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.recording import channels
from endpoint.recording.frame import Box, Frame, halved

SIDE = 160
"""Long side of the small pictures in which the scene is looked at; up to half more."""
MOVED_SHARE = 0.015
"""Shift that counts as moved, as a share of the picture's width."""
_LEAST_RESPONSE = 0.12
_LEAST_EDGES = 0.03
_ALIKE = 2.5
"""Shifts of tiles that differ by less, in small pixels, are one shift."""
_LEAST_KEPT = 0.1
"""A camera that is adjusted in the first moments was not knocked."""
_STILL_PART, _MOVED_PART = 0.25, 0.5
LEAST_TILES, _VIEW_PART = 3, 0.4
"""Tiles, and the part of all of them, that must agree on one view: hand and flask hide
or move the others. Chance agreement of so many is not seen in pictures of other scenes."""
_AGREE = 1.5
"""Distance, in small pixels, within which a tile agrees: phase correlation is good to half one."""
_FAR_TILES = 30.0
"""Distance of two tiles, small pixels, from which they tell a turn to three degrees."""
_MOST_TURN = 0.27
"""Turn (15 degrees) or change of size of a camera that is held; more is put down or carried."""

Picture = NDArray[np.float32]


def small_picture(frame: Frame) -> Picture:
    """Small copy of a picture, encoded R'G'B', 0 to 1; long side about `SIDE`.

    A quarter of the pixels would do to see a flask, but the noise of dim light wants four.
    """
    whole = Box(0, 0, frame.width, frame.height)
    return np.ascontiguousarray(halved(frame, whole, _step(frame)))


def small_factor(frame: Frame) -> float:
    """Pixels of the whole picture per pixel of the small one."""
    return 2.0 * _step(frame)


def _step(frame: Frame) -> int:
    return max(1, int(max(frame.width, frame.height) / (2 * SIDE) + 0.4))


@dataclass(frozen=True, eq=False)
class Scene:
    """Edges of the tiles of one picture; arrays are read-only."""

    shape: tuple[int, int]
    """Height and width of the small picture."""
    corners: tuple[tuple[int, int], ...]
    """Top and left of each tile."""
    tiles: tuple[Picture, ...]
    window: Picture


def _edges(picture: Picture) -> Picture:
    import cv2

    grey = np.ascontiguousarray(channels.mean(picture), dtype=np.float32)
    grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.2), dtype=np.float32)
    across, down = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    strength = np.asarray(cv2.magnitude(across, down), dtype=np.float32)
    # Relative to the strong edges, so that light matters little; noise and texture count nothing.
    scale = _strong(strength) + 0.02
    return np.asarray(np.clip(strength / scale - 0.15, 0.0, 1.0), dtype=np.float32)


def _strong(strength: Picture) -> float:
    """The 98th percentile, as `numpy.percentile`, which takes five times as long as to sort."""
    ordered = np.sort(strength, axis=None)
    at = 0.98 * (ordered.size - 1)
    below = ordered[int(at)]
    above, part = ordered[min(int(at) + 1, ordered.size - 1)], at - int(at)
    step = above - below
    return float(above - step * (1 - part) if part >= 0.5 else below + step * part)


def scene(picture: Picture, hidden: NDArray[np.bool_] | None = None) -> Scene | None:
    """Remember the edges of a small picture; None without edges to hold on to.

    Parameters
    ----------
    picture:
        Encoded R'G'B', 0 to 1, shape (h, w, 3).
    hidden:
        What moves by itself (the flask), shape (h, w): tiles full of it are left out.
    """
    import cv2

    height, width = picture.shape[:2]
    tall, wide = height // 2, width // 3
    if min(tall, wide) < 12:
        return None
    edges = _edges(picture)
    window = np.asarray(cv2.createHanningWindow((wide, tall), cv2.CV_32F), dtype=np.float32)
    corners, tiles = [], []
    for top in np.linspace(0, height - tall, 3).round().astype(int).tolist():
        for left in np.linspace(0, width - wide, 5).round().astype(int).tolist():
            part = (slice(top, top + tall), slice(left, left + wide))
            tile = np.ascontiguousarray(edges[part])
            own = float((tile * window).sum())
            if float((tile * window).std()) < _LEAST_EDGES:
                continue
            if hidden is not None and float((tile * window)[hidden[part]].sum()) > 0.5 * own:
                continue
            tile.setflags(write=False)
            corners.append((top, left))
            tiles.append(tile)
    if not tiles:
        return None
    return Scene((height, width), tuple(corners), tuple(tiles), window)


def camera_shift(scene_: Scene, picture: Picture) -> tuple[float, float] | None:
    """Shift of the scene as shares of the picture's width; None where it cannot be determined.

    A picture without like edges (a hand before the camera, the dark) tells nothing.
    """
    if picture.shape[:2] != scene_.shape:
        return None
    return _common_shift(scene_, list(_tile_shifts(scene_, picture)))


def _tile_shifts(scene_: Scene, picture: Picture) -> Iterator[tuple[float, float]]:
    """Shift of every tile that is found again, in pixels of the small picture."""
    for _, shift in _found_tiles(scene_, _edges(picture), HERE):
        yield shift


def _found_tiles(
    scene_: Scene, edges: Picture, near: View
) -> Iterator[tuple[int, tuple[float, float]]]:
    """Number and shift of every tile that is found again near a view; small pixels."""
    import cv2

    tall, wide = scene_.window.shape
    for k, ((top, left), tile) in enumerate(zip(scene_.corners, scene_.tiles, strict=True)):
        dx, dy = 0, 0
        if near is not HERE:
            x, y = near.place(left + 0.5 * wide, top + 0.5 * tall)
            dx = min(max(round(x - 0.5 * wide), 0), edges.shape[1] - wide) - left
            dy = min(max(round(y - 0.5 * tall), 0), edges.shape[0] - tall) - top
        now = np.ascontiguousarray(edges[top + dy : top + dy + tall, left + dx : left + dx + wide])
        # phaseCorrelate multiplies the window into its first two arguments in place.
        shift, response = cv2.phaseCorrelate(tile.copy(), now, scene_.window)
        if response > _LEAST_RESPONSE:
            yield k, (float(shift[0]) + dx, float(shift[1]) + dy)


@dataclass(frozen=True)
class View:
    """How the scene lies in a picture: turned and scaled by `turn` about the origin, and shifted.

    Places are complex numbers x + iy in pixels of the small picture.
    """

    turn: complex = 1.0 + 0.0j
    shift: complex = 0.0j

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Where a place of the first picture is now, in small pixels."""
        now = self.turn * complex(x, y) + self.shift
        return now.real, now.imag


HERE = View()


def view_of(scene_: Scene, picture: Picture, near: View = HERE) -> View | None:
    """How the scene lies in a picture, by most of its tiles; None where they do not agree.

    Tiles are looked for around a view of shortly before, and then where they were at first.

    Parameters
    ----------
    scene_:
        The scene as it was.
    picture:
        Small picture of the same size.
    near:
        View of a picture shortly before.
    """
    if picture.shape[:2] != scene_.shape or len(scene_.tiles) < LEAST_TILES:
        return None
    edges = _edges(picture)
    found = (_view_near(scene_, edges, each) for each in dict.fromkeys((near, HERE)))
    return next((view for view in found if view is not None), None)


def _view_near(scene_: Scene, edges: Picture, near: View) -> View | None:
    tall, wide = scene_.window.shape
    found = list(_found_tiles(scene_, edges, near))
    least = max(float(LEAST_TILES), _VIEW_PART * len(scene_.tiles))
    if len(found) < least:
        return None
    corners = np.array([scene_.corners[k] for k, _ in found], dtype=np.float64)
    here = corners[:, 1] + 0.5 * wide + 1j * (corners[:, 0] + 0.5 * tall)
    there = here + np.array([complex(*shift) for _, shift in found])
    best, most = HERE, np.zeros(len(found), dtype=np.bool_)
    for view in _guesses(here, there):
        near_it = np.abs(there - view.turn * here - view.shift) < _AGREE
        if near_it.sum() > most.sum():
            best, most = view, near_it
    if most.sum() < (least if best.turn == HERE.turn else max(least, 4.0)):
        return None
    middle, now = here[most].mean(), there[most].mean()
    apart, apart_now = here[most] - middle, there[most] - now
    size = float((np.abs(apart) ** 2).sum())
    # Tiles that lie close to each other do not tell a turn.
    turn = complex(np.conj(apart) @ apart_now) / size if size > 4.0 * wide**2 else best.turn
    return View(turn, complex(now - turn * middle))


def _guesses(here: NDArray[np.complex128], there: NDArray[np.complex128]) -> Iterator[View]:
    """Views by one tile that is not turned, and by two."""
    for p, q in zip(here, there, strict=True):
        yield View(1.0 + 0.0j, complex(q - p))
    for i in range(len(here)):
        for j in range(i):
            apart = here[i] - here[j]
            turn = complex((there[i] - there[j]) / apart)
            if abs(apart) > _FAR_TILES and abs(turn - 1.0) < _MOST_TURN:
                yield View(turn, complex(there[i] - turn * here[i]))


def _common_shift(scene_: Scene, shifts: list[tuple[float, float]]) -> tuple[float, float] | None:
    """Shift of the scene from those of its tiles, as shares of the picture's width."""
    if not shifts:
        return None
    found = np.array(shifts)
    width = scene_.shape[1]
    still = np.linalg.norm(found, axis=1) <= max(MOVED_SHARE * width, 1.0)
    if still.sum() >= max(1.0, _STILL_PART * len(found)):
        dx, dy = np.median(found[still], axis=0) / width
        return float(dx), float(dy)
    alike = np.linalg.norm(found[:, None] - found[None], axis=2) < _ALIKE
    most = alike[int(alike.sum(axis=1).argmax())]
    if most.sum() < max(1.0, _MOVED_PART * len(found)):
        # Tiles with edges of one direction shift as they like, but none of them stays.
        if still.any() or len(found) < _MOVED_PART * len(scene_.tiles):
            return None
        most = np.ones(len(found), dtype=np.bool_)
    dx, dy = np.median(found[most], axis=0) / width
    return float(dx), float(dy)


def camera_moved(scene_: Scene, picture: Picture) -> bool:
    """Whether the camera has moved: `has_moved(camera_shift(...))`, sooner where it stands.

    As soon as enough tiles have stayed, the others cannot change that.
    """
    if picture.shape[:2] != scene_.shape:
        return False
    enough = max(1.0, _STILL_PART * len(scene_.tiles))
    shifts, still = [], 0
    for shift in _tile_shifts(scene_, picture):
        shifts.append(shift)
        still += math.hypot(*shift) <= max(MOVED_SHARE * scene_.shape[1], 1.0)
        if still >= enough:
            return False
    return has_moved(_common_shift(scene_, shifts))


def has_moved(shift: tuple[float, float] | None) -> bool:
    """Whether a shift counts as a move; one that is not found does not (other flags)."""
    return shift is not None and float(np.hypot(*shift)) > MOVED_SHARE


def _middle(picture: Picture) -> NDArray[np.bool_]:
    """Where a flask may stand that was not found yet, shape (h, w)."""
    height, width = picture.shape[:2]
    hidden = np.zeros((height, width), dtype=np.bool_)
    hidden[:, width // 4 : width - width // 4] = True
    return hidden


def still_part(pictures: Sequence[Picture]) -> list[int]:
    """Indices of the small pictures from before the camera moved, all of them if it did not.

    They show the scene where the first one does and no move lies between them. When hardly any
    do, the longest part between moves is returned. What moves in the middle of the picture is
    taken for the flask.
    """
    kept = _before_a_move(pictures)
    parts = [kept[:1]]
    for last, i in itertools.pairwise(kept):
        before = scene(pictures[last], _middle(pictures[last]))
        if before is not None and has_moved(camera_shift(before, pictures[i])):
            parts.append([])
        parts[-1].append(i)
    if len(parts[0]) >= max(2.0, _LEAST_KEPT * len(kept)):
        return parts[0]
    return max(parts, key=len)


def _before_a_move(pictures: Sequence[Picture]) -> list[int]:
    """Indices of pictures that show the scene where the first does; all if hardly any do."""
    first = scene(pictures[0], _middle(pictures[0])) if pictures else None
    every = list(range(len(pictures)))
    if first is None:
        return every
    kept = [i for i in every if not has_moved(camera_shift(first, pictures[i]))]
    return kept if len(kept) >= _LEAST_KEPT * len(pictures) else every
