"""Whether the camera or the flask was moved: the edges around the flask are looked for again.

The shift is found by phase correlation of the edge strength (Kuglin and Hines, 1975, from memory;
implementation of OpenCV). Edges stay where they are while the colour between them changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.sources.frame import Box, Frame

_SIDE = 128
_LEAST_RESPONSE = 0.12


@dataclass(frozen=True, eq=False)
class Anchors:
    """Edges around the flask as the first frames showed them."""

    width: int
    """Width of the whole picture."""
    box: Box
    step: int
    """Every so many pixels are looked at."""
    edges: NDArray[np.float32]
    window: NDArray[np.float32]


def _around(liquid: Box, width: int, height: int) -> Box:
    """The liquid with a good part of what stands still around it."""
    x, y = liquid.width, max(liquid.height, liquid.width // 2)
    return Box(
        max(liquid.left - x, 0),
        max(liquid.top - 2 * y, 0),
        min(liquid.right + x, width),
        min(liquid.bottom + y, height),
    )


def _edges(frame: Frame, box: Box, step: int) -> NDArray[np.float32]:
    import cv2

    grey = frame.encoded(box)[::step, ::step].mean(axis=2).astype(np.float32)
    grey = cv2.GaussianBlur(grey, (0, 0), 1.0)
    across, down = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    strength = np.hypot(across, down)
    # Strong and faint edges count alike, so that light and colour do not matter.
    scale = float(np.percentile(strength, 80)) + 0.02
    return np.asarray(np.minimum(strength / scale, 2.0), dtype=np.float32)


def anchor(frames: Sequence[Frame], liquid: Box, reference: Box) -> Anchors | None:
    """Remember the edges of the first frame; None if there is too little to hold on to.

    Parameters
    ----------
    frames:
        Frames in time order.
    liquid, reference:
        Boxes of the region; the edges are taken around the liquid.
    """
    import cv2

    if not frames:
        return None
    first = frames[0]
    box = _around(liquid, first.width, first.height)
    step = max(1, max(box.width, box.height) // _SIDE)
    edges = _edges(first, box, step)
    if min(edges.shape) < 16 or float(edges.std()) < 0.05:
        return None
    window = cv2.createHanningWindow((edges.shape[1], edges.shape[0]), cv2.CV_32F)
    return Anchors(first.width, box, step, edges, np.asarray(window, dtype=np.float32))


def shifted(anchors: Anchors, frame: Frame, share: float) -> bool:
    """Whether the edges stand further off than `share` of the picture's width.

    A picture without like edges (a hand, the dark) counts as not moved: other flags tell of it.
    """
    import cv2

    edges = _edges(frame, anchors.box, anchors.step)
    (dx, dy), response = cv2.phaseCorrelate(anchors.edges, edges, anchors.window)
    distance = float(np.hypot(dx, dy)) * anchors.step
    return bool(response > _LEAST_RESPONSE and distance > share * anchors.width)
