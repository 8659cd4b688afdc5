"""Pictures of a flask that moves, laid upon each other, and what one picture of it looks like.

A flask that is swirled by hand stands elsewhere in every picture. It is found in one of them, its
pose in the others is read by `tracking`, and these are turned back, so that the liquid can be
looked for as if it had stood still.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from endpoint.scene import tracking
from endpoint.scene.flask_maps import maps_of
from endpoint.scene.stack import Array, Mask
from endpoint.scene.tracking import Guide, Pose

Picture = NDArray[np.float32]
T = TypeVar("T", np.uint8, np.float32)

_LEAST_SEEN = 0.5
"""Part of the pictures in which the flask must be recognised."""
_ALIKE = 0.58
"""Likeness of two pictures that show the same."""
_LEAST_MOVE = 0.012
"""Movement that is worth turning back, as a share of the picture's width."""


@dataclass(frozen=True, eq=False)
class Poses:
    """Where a flask stands in some pictures."""

    guide: Guide
    kept: tuple[int, ...]
    """Pictures in which it was recognised."""
    poses: tuple[Pose, ...]
    """One for each of `kept`."""

    def moves(self, width: int) -> bool:
        """Whether the flask really stands elsewhere in some pictures."""
        far = [pose.apart(tracking.HOME) > _LEAST_MOVE * width for pose in self.poses]
        return sum(far) >= max(2, 0.1 * len(far))


def typical(pictures: Sequence[Picture], liquid: Mask, clear: int | None = 2) -> list[int]:
    """Which pictures show the flask as the first ones do.

    Pictures are linked that look alike around the liquid, so that a colour that changes by and by
    stays linked. Of the groups of linked pictures the first is taken that holds three or a
    quarter of all: what covers the flask comes after the flask.
    """
    if len(pictures) < 3:
        return [0]
    window = tracking.guide(pictures, liquid, 1.0, clear)
    if window is None:
        return list(range(len(pictures)))
    alike = tracking.likeness_among(window, pictures) > _ALIKE
    np.fill_diagonal(alike, True)
    linked = np.linalg.matrix_power(alike.astype(np.float64), len(pictures)) > 0
    sizes = linked.sum(axis=1)
    enough = min(max(3.0, 0.25 * len(pictures)), float(sizes.max()))
    first = int(np.flatnonzero(sizes >= enough)[0])
    return [int(j) for j in np.flatnonzero(linked[first])]


def poses_of(guide: Guide, pictures: Sequence[Picture]) -> Poses:
    """Look for the flask in small pictures."""
    kept: list[int] = []
    poses: list[Pose] = []
    for i, picture in enumerate(pictures):
        pose = tracking.look(guide, picture, None)
        if pose.likeness >= guide.least:
            kept.append(i)
            poses.append(pose)
    return Poses(guide, tuple(kept), tuple(poses))


def followed(
    guide: Guide, pictures: Sequence[Picture], liquid: Mask, width: int, home: int = 0
) -> Poses:
    """Follow a flask through pictures, learning what it looks like in other colours.

    Parameters
    ----------
    guide:
        What it looks like in one picture.
    pictures:
        Small pictures in time order.
    liquid:
        The liquid in that one, shape (h, w).
    width:
        Width of the whole pictures.
    home:
        Which picture that is; it is followed from there both ways.
    """
    known = [maps_of(pictures[home], guide.clear)]
    for way in (pictures[home + 1 :], pictures[:home][::-1]):
        last = tracking.HOME
        for picture in way:
            pose = tracking.look(guide, picture, last)
            if pose.likeness < guide.least:
                continue
            last = pose
            (turned,) = turned_back([picture], [pose], guide, width)
            known.append(maps_of(turned, guide.clear))
            guide = tracking.guide_of(known, liquid, guide.factor, guide.clear) or guide
    return poses_of(guide, pictures)


def recognised(poses: Poses, count: int) -> bool:
    """Whether the flask was recognised in enough of `count` pictures."""
    return len(poses.kept) >= max(3.0, _LEAST_SEEN * count)


def turned_back(
    pictures: Sequence[NDArray[T]], poses: Sequence[Pose], guide: Guide, width: int
) -> list[NDArray[T]]:
    """Pictures in which the flask stands where the guide has it.

    Parameters
    ----------
    pictures, poses:
        Pictures of any one size and the poses of the flask in them.
    guide:
        What the flask looks like, to whose pose they are turned.
    width:
        Width of the whole pictures, to which the poses belong.
    """
    import cv2

    out = []
    for picture, pose in zip(pictures, poses, strict=True):
        size = (picture.shape[1], picture.shape[0])
        matrix = _matrix(pose, guide, picture.shape[1] / width)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        turned = cv2.warpAffine(picture, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        out.append(np.asarray(turned, dtype=picture.dtype))
    return out


def everywhere(mask: Mask, poses: Sequence[Pose], guide: Guide, width: int) -> Mask:
    """All that a mask covers in any of the poses, shape of the mask."""
    import cv2

    total = mask.copy()
    for pose in poses:
        matrix = _matrix(pose, guide, mask.shape[1] / width)
        size = (mask.shape[1], mask.shape[0])
        total |= cv2.warpAffine(mask.astype(np.uint8), matrix, size, flags=cv2.INTER_NEAREST) > 0
    return total


def _matrix(pose: Pose, guide: Guide, factor: float) -> Array:
    """Affine matrix from the guide's pose to another, in pictures scaled by `factor`."""
    import cv2

    x, y = (guide.factor * v * factor for v in guide.middle)
    matrix = cv2.getRotationMatrix2D((x, y), pose.turn_deg, pose.scale)
    shift = np.array([[0.0, 0.0, pose.dx], [0.0, 0.0, pose.dy]])
    return np.asarray(matrix + factor * shift, dtype=np.float32)
