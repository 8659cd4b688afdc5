"""Over the three channels of a picture: least, largest, mean.

The same numbers to the last bit as numpy's reductions over the last axis, which take 5 to 30 times
as long on an axis of three (measured on 180 x 320 pictures).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Channels = NDArray[Any]


def largest(picture: Channels) -> Channels:
    """Largest of the channels, shape (..., 3) to (...)."""
    first, second, third = _apart(picture)
    return np.asarray(np.maximum(np.maximum(first, second), third))


def least(picture: Channels) -> Channels:
    """Least of the channels, shape (..., 3) to (...)."""
    first, second, third = _apart(picture)
    return np.asarray(np.minimum(np.minimum(first, second), third))


def mean(picture: Channels) -> Channels:
    """Mean of the channels, shape (..., 3) of a floating type to (...)."""
    first, second, third = _apart(picture)
    total = first + second
    total += third
    total /= 3
    return np.asarray(total)


def _apart(picture: Channels) -> tuple[Channels, Channels, Channels]:
    return picture[..., 0], picture[..., 1], picture[..., 2]


def in_bytes(encoded: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Encoded values, 0 to 1 with small overshoots, as bytes; shape (h, w, 3)."""
    import cv2

    flat = np.ascontiguousarray(encoded).reshape(encoded.shape[0], -1)
    whole = np.asarray(cv2.multiply(flat, 255.0, dtype=cv2.CV_8U), dtype=np.uint8)
    return whole.reshape(encoded.shape)
