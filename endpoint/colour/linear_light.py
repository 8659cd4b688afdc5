"""Linear light of the pixels in a mask, thinned to what a mean needs, and its level.

Neighbouring pixels of a compressed picture are correlated, so a few thousand pixels spread over the
area give as precise a mean as all of them. So whole rows and columns are left out before anything
is converted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from calibration.instruments.tone import bt709, srgb
from endpoint.recording.frame import Box, Codes, Spots

FloatArray = NDArray[np.float64]
Pixels = NDArray[np.float32]

MOST_PIXELS = 2500
"""Spots of an area that are read: the mean of more is no more certain than the light is steady.
Assumed."""
_TRIM = 0.1
"""Part of the pixels that is cut at either end, so that bubbles, glints and a stirrer bar do not
count (trimmed mean; common practice, no source)."""
_STEPS = 4096
"""Rows of the table of a tone curve: between them straight lines err by less than 1e-6."""
_TOP = 1.25
"""Encoded values above this are cut: overshoots of a film are smaller. Assumed."""
_BRIGHTEST = 1.9
"""Linear light above this cannot come from encoded values up to `_TOP`."""
_CODES = 65535.0 / _BRIGHTEST
"""16-bit codes per unit of linear light."""
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
        return srgb(x)
    if transfer == "bt709":
        return bt709(x)
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


def spots_of(box: Box, mask: NDArray[np.bool_]) -> tuple[Spots, int]:
    """Pixels of a mask that are read, and the step of the thinning.

    Parameters
    ----------
    box, mask:
        A part of a picture, and which of its pixels count, shape (box.height, box.width); at
        least one.

    Returns
    -------
    At most about `MOST_PIXELS` spots; every `step`-th row and column of the box is read.
    """
    step = max(1, math.ceil(math.sqrt(np.count_nonzero(mask) / MOST_PIXELS)))
    rows, columns = np.nonzero(mask[::step, ::step])
    if rows.size == 0:
        step = 1
        rows, columns = np.nonzero(mask)
    return Spots(box.top + step * rows, box.left + step * columns), step


def linear_light(codes: Sequence[Codes], transfer: Transfer = "srgb") -> Pixels:
    """Linear light of the same spots in several pictures.

    Parameters
    ----------
    codes:
        Of k pictures, n spots each.
    transfer:
        As in `to_linear`.

    Returns
    -------
    Shape (3, k, n).
    """
    parts = []
    for _, alike in groupby(codes, key=lambda code: code.coding):
        together = list(alike)
        values = np.stack([code.values for code in together], axis=1)
        parts.append(quick_linear(together[0].encoded(values), transfer))
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)


@dataclass(frozen=True)
class Level:
    """What many pixels show together, in every channel of every picture."""

    mean: FloatArray
    """Trimmed mean."""
    error: FloatArray
    """Its standard error from the scatter of the pixels."""
    low: FloatArray
    """16 % of the pixels are below."""
    high: FloatArray
    """16 % of the pixels are above."""


def level_of(pixels: NDArray[np.floating], step: int = 1) -> Level:
    """Trimmed mean over n pixels from every `step`-th row and column, n >= 1.

    Parameters
    ----------
    pixels:
        Linear light, 0 to `_BRIGHTEST`, shape (..., n).
    step:
        Step of the thinning.
    """
    # Whole numbers of 16 bits are sorted by their digits, in a third of the time.
    codes = (pixels * np.float32(_CODES) + np.float32(0.5)).astype(np.uint16)
    codes.sort(axis=-1, kind="stable")
    n = codes.shape[-1]
    low, high = (codes[..., round(part * (n - 1))] / _CODES for part in (0.16, 0.84))
    cut = int(n * _TRIM)
    kept = codes[..., cut : n - cut] if n > 2 * cut + 2 else codes
    middle = kept.sum(axis=-1, dtype=np.uint64) / kept.shape[-1]
    away = kept.astype(np.float32)
    away -= middle[..., None].astype(np.float32)
    variance = np.einsum("...j,...j->...", away, away) / kept.shape[-1]
    independent = max(kept.shape[-1] * min(step * step, _LEANING) / _LEANING, 1.0)
    error = np.sqrt(np.asarray(variance, dtype=np.float64) / independent) / _CODES
    return Level(middle / _CODES, error, low, high)


def to_encoded_srgb(linear: FloatArray) -> FloatArray:
    """Encode linear light with the sRGB curve (IEC 61966-2-1), clipped to 0 to 1."""
    x = np.clip(linear, 0.0, 1.0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
