"""Masks, boxes and outlines of parts of a picture, carried from one size or pose to another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from endpoint.problems import NoEndpoint
from endpoint.recording.frame import Box, Frame
from endpoint.scene import reference_patch
from endpoint.scene.stack import Mask, Stack
from endpoint.scene.tracking import Pose


def part_inside(box: Box, width: int, height: int, code: str) -> Box:
    """The part of a box that lies in the picture."""
    cut = Box(max(box.left, 0), max(box.top, 0), min(box.right, width), min(box.bottom, height))
    if cut.width < 1 or cut.height < 1:
        raise NoEndpoint(code)
    return cut


def enlarged(small: Mask, width: int, height: int) -> tuple[Box, Mask]:
    """Mask of the reduced picture as box and mask of the full picture."""
    import cv2

    big = cv2.resize(small.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    mask = big > 0.5
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    box = Box(int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1)
    return box, mask[box.top : box.bottom, box.left : box.right].copy()


def shrunk(box: Box, stack: Stack, width: int) -> Mask:
    """A box of the full picture as mask of the reduced picture."""
    factor = stack.shape[1] / width
    mask = np.zeros(stack.shape, dtype=np.bool_)
    top, left = int(box.top * factor), int(box.left * factor)
    bottom, right = int(np.ceil(box.bottom * factor)), int(np.ceil(box.right * factor))
    mask[top : max(bottom, top + 1), left : max(right, left + 1)] = True
    return mask


def without_glare(frames: Sequence[Frame], box: Box) -> Mask:
    """The box without glare: pixels that are much brighter than most of the box in most frames."""
    few = [frames[i] for i in np.linspace(0, len(frames) - 1, min(len(frames), 7)).astype(int)]
    level = np.median([f.encoded(box).min(axis=2) for f in few], axis=0)
    usual = float(np.median(level))
    spread = 1.48 * float(np.median(np.abs(level - usual)))
    glare = level > usual + max(4.0 * spread, 0.12)
    return np.asarray(~glare if glare.mean() < 0.5 else np.ones_like(glare), dtype=np.bool_)


def box_of_patch(
    patch: reference_patch.Patch, stack: Stack, width: int, height: int
) -> tuple[Box, Mask]:
    """The square of the reduced picture in the full one, a little smaller."""
    factor = width / stack.shape[1]
    inset = 0.5 if patch.side > 4 else 0.0
    left, top = (
        int(np.ceil((patch.left + inset) * factor)),
        int(np.ceil((patch.top + inset) * factor)),
    )
    side = max(int((patch.side - 2 * inset) * factor), 2)
    box = Box(left, top, min(left + side, width), min(top + side, height))
    return box, np.ones((box.height, box.width), dtype=np.bool_)


def outline_of(mask: Mask, box: Box) -> tuple[tuple[int, int], ...]:
    """Polygon around the largest part of the mask."""
    import cv2

    contours, _ = cv2.findContours(
        mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    largest = max(contours, key=cv2.contourArea)
    smooth = cv2.approxPolyDP(largest, 0.004 * cv2.arcLength(largest, True), True)
    return tuple((int(x) + box.left, int(y) + box.top) for x, y in smooth[:, 0])


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


def own_part(liquid: Mask) -> Mask:
    """Where the flask and the hand that holds it may be, shape of `liquid`."""
    own = np.zeros_like(liquid)
    rows, columns = np.nonzero(liquid)
    if rows.size:
        wide = max(int(np.ptp(columns)) + 1, int(np.ptp(rows)) + 1)
        left, right = columns.min() - wide // 2, columns.max() + wide // 2 + 1
        own[: rows.max() + wide // 3, max(left, 0) : right] = True
    return own
