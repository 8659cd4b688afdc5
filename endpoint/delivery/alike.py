"""How many values of a recording in a row err as one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_ROWS_OF_ONE = 6
"""Part of a recording, as 1 / 6, over which points may err as one: beyond, it is drift."""


def together(residual: FloatArray) -> float:
    """How many points in a row err as one: 1 + 2 (sum of their autocorrelations).

    The sum ends where pairs of neighbouring terms are no longer positive (Geyer, Statistical
    Science 7, 473, 1992: initial positive sequence; from memory).

    Parameters
    ----------
    residual:
        In standard deviations, in order of time, shape (n,).
    """
    n = residual.size
    padded = np.fft.rfft(residual, 2 * n)
    alike = np.fft.irfft(np.abs(padded) ** 2)[: n // _ROWS_OF_ONE]
    if alike.size < 4 or alike[0] <= 0.0:
        return 1.0
    pairs = (alike[: alike.size // 2 * 2] / alike[0]).reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(pairs <= 0.0)
    return max(2.0 * float(pairs[: ends[0] if ends.size else None].sum()) - 1.0, 1.0)
