"""What of a picture tells a flask: how much it has the colour of the indicator, and its edges."""

from __future__ import annotations

import math

import numpy as np

from endpoint.recording import channels
from endpoint.scene.stack import Array

_APART = 3
"""Every so many pixels tell the colour of most of a picture."""
_GAMMA = 2.2
_DARKEST = np.float32(0.004 ** (1.0 / _GAMMA))
"""Encoded value below which a picture is black."""
_SOFT = 0.3


def _density(picture: Array) -> Array:
    """Rough optical density of encoded R'G'B'."""
    import cv2

    lit = np.clip(picture, _DARKEST, np.float32(1.0)).astype(np.float32, copy=False)
    density = np.asarray(cv2.log(lit), dtype=np.float32).reshape(picture.shape)
    density *= np.float32(-_GAMMA / math.log(10.0))
    return density


def _colour(density: Array, clear: int | None) -> Array:
    """How much of the indicator's colour a density has, see `maps_of`."""
    # Red and blue indicator both let blue light through best; skin, wood and most cloth do not.
    least = channels.least(density) if clear is None else density[..., clear]
    return np.asarray(channels.largest(density) - least, dtype=np.float32)


def middle_of(picture: Array, clear: int | None) -> float:
    """Colour of most of a picture."""
    return float(np.median(_colour(_density(picture[::_APART, ::_APART]), clear)))


def maps_of(
    picture: Array,
    clear: int | None,
    scale: tuple[float, float] | None = None,
    middle: float | None = None,
) -> Array:
    """Colour of the indicator and strength of edges of a small picture, shape (h, w, 2).

    `scale` is the colour of the ground and of the liquid: all that is coloured about as much as
    the liquid counts alike, so that a plume is not taken for another flask. `clear` is the channel
    that the indicator lets through in both forms; None where each form lets another one through.
    `middle` is given where the picture is a part of another one, see `middle_of`.
    """
    import cv2

    density = np.asarray(cv2.GaussianBlur(_density(picture), (0, 0), 1.0), dtype=np.float32)
    colour = _colour(density, clear)
    colour -= middle_of(picture, clear) if middle is None else middle
    level = np.ascontiguousarray(channels.mean(density))
    across, down = cv2.Sobel(level, cv2.CV_32F, 1, 0), cv2.Sobel(level, cv2.CV_32F, 0, 1)
    edges = cv2.GaussianBlur(cv2.sqrt(cv2.magnitude(across, down)), (0, 0), 1.0)
    maps = np.asarray(cv2.merge([colour, edges]), dtype=np.float32)
    return maps if scale is None else scaled(maps, scale)


def scaled(maps: Array, scale: tuple[float, float]) -> Array:
    """Maps without a scale, or a part of them, with one, see `maps_of`."""
    out = maps.copy()
    colour = out[..., 0]
    colour -= scale[0]
    colour /= np.abs(colour) + _SOFT * max(scale[1] - scale[0], 0.02)
    return out
