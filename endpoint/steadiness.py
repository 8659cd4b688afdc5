"""Whether a picture still shows the scene where the first one showed it.

The shift is found by phase correlation of the edge strength (Kuglin and Hines, 1975, from memory;
implementation of OpenCV). Edges stay where they are while the colour between them changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.sources.frame import Box, Frame, grey

_SIDE = 160
_LEAST_RESPONSE = 0.12
MOVED_SHARE = 0.015
"""Shift that counts as moved, as a share of the picture's width."""


@dataclass(frozen=True, eq=False)
class Scene:
    """Edges of a part of the picture as the first frame showed them."""

    width: int
    """Width of the whole picture."""
    box: Box
    step: int
    """Every so many pixels are looked at."""
    edges: NDArray[np.float32]
    window: NDArray[np.float32]


def _edges(frame: Frame, box: Box, step: int) -> NDArray[np.float32]:
    import cv2

    picture = np.ascontiguousarray(grey(frame, box, step))
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.5), dtype=np.float32)
    across, down = cv2.Sobel(picture, cv2.CV_32F, 1, 0), cv2.Sobel(picture, cv2.CV_32F, 0, 1)
    strength = np.hypot(across, down)
    # Relative to the strong edges, so that light matters little; noise and texture count nothing.
    scale = float(np.percentile(strength, 98)) + 0.02
    return np.asarray(np.clip(strength / scale - 0.15, 0.0, 1.0), dtype=np.float32)


def scene(first: Frame, box: Box | None = None) -> Scene | None:
    """Remember the edges of a picture or of a part of it; None without edges to hold on to."""
    import cv2

    part = box or Box(0, 0, first.width, first.height)
    step = max(1, round(max(part.width, part.height) / _SIDE))
    edges = _edges(first, part, step)
    if min(edges.shape) < 16 or float(edges.std()) < 0.05:
        return None
    window = cv2.createHanningWindow((edges.shape[1], edges.shape[0]), cv2.CV_32F)
    return Scene(first.width, part, step, edges, np.asarray(window, dtype=np.float32))


def shift_share(scene_: Scene, frame: Frame) -> tuple[float, float]:
    """Shift of the edges as a share of the picture's width, and how clearly it was found."""
    import cv2

    edges = _edges(frame, scene_.box, scene_.step)
    # phaseCorrelate multiplies the window into its first two arguments in place.
    (dx, dy), response = cv2.phaseCorrelate(scene_.edges.copy(), edges, scene_.window)
    return float(np.hypot(dx, dy)) * scene_.step / scene_.width, float(response)


def is_shifted(scene_: Scene, frame: Frame) -> bool:
    """Whether the scene stands elsewhere.

    A picture without like edges (a hand, the dark) counts as not shifted: other flags tell of it.
    """
    share, response = shift_share(scene_, frame)
    return response > _LEAST_RESPONSE and share > MOVED_SHARE


def before_a_move(frames: Sequence[Frame]) -> list[Frame]:
    """Frames that show the scene where the first one does; all if those are fewer than three."""
    if not frames:
        return []
    first = scene(frames[0])
    if first is None:
        return list(frames)
    kept = [frame for frame in frames if not is_shifted(first, frame)]
    return kept if len(kept) >= 3 else list(frames)
