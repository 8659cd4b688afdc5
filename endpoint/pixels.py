"""Linear light of the pixels in a mask, thinned to what a mean needs, and its level.

A mean over some thousand pixels knows no less than one over all of them: neighbouring pixels of a
compressed picture lean on each other. So whole rows and columns are left out before anything is
converted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from endpoint.sources.frame import Box, Frame, thinned

FloatArray = NDArray[np.float64]
Pixels = NDArray[np.float32]

MOST_PIXELS = 2500
_TRIM = 0.1
_STEPS = 4096
_TOP = 1.25
"""Encoded values above this are cut: overshoots of a film are smaller."""
_LEANING = 16.0
"""Neighbouring pixels that count as one witness, about 4 x 4 (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class CameraTone:
    """Tone curve and colour matrix of one camera, from its calibration."""

    encoded: FloatArray
    """Rising from 0 to 1, shape (n,)."""
    linear: FloatArray
    """Linear light at `encoded`, shape (n,)."""
    matrix: FloatArray | None = None
    """For colours that people see, shape (3, 3): linear camera RGB divided by that of white, to
    linear sRGB divided by white; rows sum to 1."""


Transfer = str | CameraTone


def to_linear(encoded: NDArray[np.floating], transfer: Transfer = "srgb") -> FloatArray:
    """Undo the tone curve.

    Parameters
    ----------
    encoded:
        Values 0 to 1 (small overshoots are kept at the ends), any shape.
    transfer:
        "srgb" (IEC 61966-2-1), "bt709" (ITU-R BT.709) or "linear"; or the camera's own curve.

    Raises
    ------
    ValueError
        The transfer is not known.
    """
    x = np.clip(np.asarray(encoded, dtype=np.float64), 0.0, None)
    if isinstance(transfer, CameraTone):
        return np.interp(x, transfer.encoded, transfer.linear)
    if transfer == "linear":
        return x
    if transfer == "srgb":
        return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    if transfer == "bt709":
        return np.where(x < 0.081, x / 4.5, ((x + 0.099) / 1.099) ** (1.0 / 0.45))
    raise ValueError(f"unknown transfer {transfer!r}")


@lru_cache(maxsize=4)
def _table(transfer: Transfer) -> tuple[Pixels, Pixels]:
    values = to_linear(np.linspace(0.0, _TOP, _STEPS + 1), transfer)
    return values[:-1].astype(np.float32), np.diff(values).astype(np.float32)


def quick_linear(encoded: Pixels, transfer: Transfer = "srgb") -> Pixels:
    """Return what `to_linear` gives, within 1e-6, by a table with straight lines between."""
    x = encoded * np.float32(_STEPS / _TOP)
    np.clip(x, 0.0, np.float32(_STEPS - 1e-3), out=x)
    k = x.astype(np.int32)
    x -= k
    base, slope = _table(transfer)
    x *= slope.take(k)
    x += base.take(k)
    return x


def linear_pixels(
    frame: Frame, box: Box, mask: NDArray[np.bool_], transfer: Transfer = "srgb"
) -> tuple[Pixels, int]:
    """Linear light of the pixels in a mask, thinned, and the step of the thinning.

    Parameters
    ----------
    frame:
        A picture.
    box, mask:
        A part of it, and which of its pixels count, shape (box.height, box.width); at least one.
    transfer:
        As in `to_linear`.

    Returns
    -------
    Shape (n, 3), n at most about `MOST_PIXELS`; every `step`-th row and column was read.
    """
    step = max(1, math.ceil(math.sqrt(np.count_nonzero(mask) / MOST_PIXELS)))
    chosen = mask[::step, ::step]
    if not chosen.any():
        step, chosen = 1, mask
    return quick_linear(thinned(frame, box, step)[chosen], transfer), step


@dataclass(frozen=True)
class Level:
    """What many pixels show together, per channel."""

    mean: FloatArray
    """Trimmed mean."""
    error: FloatArray
    """Its standard error from the scatter of the pixels."""
    low: FloatArray
    """16 % of the pixels are below."""
    high: FloatArray
    """16 % of the pixels are above."""


def level_of(pixels: NDArray[np.floating], step: int = 1) -> Level:
    """Trimmed mean over pixels of shape (n, 3) from every `step`-th row and column, n >= 1."""
    # Sorting is quick where a channel lies in one piece.
    ordered = np.ascontiguousarray(pixels.T, dtype=np.float32)
    ordered.sort(axis=1)
    n = ordered.shape[1]
    low, high = (ordered[:, round(part * (n - 1))].astype(np.float64) for part in (0.16, 0.84))
    cut = int(n * _TRIM)
    kept = ordered[:, cut : n - cut] if n > 2 * cut + 2 else ordered
    mean = kept.mean(axis=1, dtype=np.float64)
    square = np.einsum("ij,ij->i", kept, kept, dtype=np.float64) / kept.shape[1]
    independent = max(kept.shape[1] * min(step * step, _LEANING) / _LEANING, 1.0)
    error = np.sqrt(np.maximum(square - mean**2, 0.0) / independent)
    return Level(mean, error, low, high)
