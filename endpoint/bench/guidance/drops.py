"""Readings that the drops between them make better.

A burette is read to a hundredth or three, each time anew; a drop is 0.05 mL within a tenth. So
between two readings with one drop between them the drop tells the difference better than the
readings do, and over a dozen drops the readings tell how large a drop is. Volumes and size of the
drop are found together: weighted least squares, all of it linear (Gauss and Markov).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from endpoint.delivery.delivery import reading_sd_ml

FloatArray = NDArray[np.float64]

_READ_SD_ML = 0.02 / float(np.sqrt(3.0))
"""Standard uncertainty of a reading, mL: a fifth of a division of 0.1 mL either way, all of it as
likely (triangular limits, as a fit takes them, would trust a reading more than the drops)."""
_GRAIN_ML = 0.01
"""To what is read and rounded, mL. Where readings are coarser they are left as they are."""
_DROP_ML, _DROP_SD_ML = 0.05, 0.01
"""A drop of a burette and how much burettes differ, mL. Common practice, no source."""
_UNEVEN_ML = 0.006
"""Standard deviation of one drop among those of a burette, mL: a part of it stays at the tip.
Assumed."""
_MOST_DROPS = 5
"""More are not counted."""
_MOST_SDS = 2.5
"""How many standard deviations two readings may differ from what was asked for: beyond that other
drops fell, and the readings stand alone. Higher, and one drop in place of two goes unnoticed."""


def by_drops(volume_ml: FloatArray, drops: Sequence[int | None]) -> FloatArray:
    """Volumes as readings and drops tell them together, mL, to the hundredth; shape (n,).

    Parameters
    ----------
    volume_ml:
        Delivered by each reading, never falling; the first is the start, shape (n,).
    drops:
        How many drops were asked for since the reading before; None where it was no drops.
    """
    counted = [k for k, count in enumerate(drops) if k and count and 0 < count <= _MOST_DROPS]
    grain_sd_ml = reading_sd_ml(volume_ml)
    if not counted or not 0.0 < grain_sd_ml <= _READ_SD_ML:
        return volume_ml
    n = volume_ml.size
    # Unknown are the volumes and, last, how far a drop is from the usual one.
    read = np.eye(n, n + 1) / _READ_SD_ML
    read[0] *= 1e3  # volumes count from the start
    size = np.r_[np.zeros(n), 1.0 / _DROP_SD_ML]
    while True:
        rows, seen = [*read, size], [*(read[:, :n] @ volume_ml), 0.0]
        for k in counted:
            count = drops[k] or 0
            row = np.zeros(n + 1)
            row[[k - 1, k, n]] = -1.0, 1.0, -count
            sd_ml = _UNEVEN_ML * np.sqrt(count)
            rows.append(row / sd_ml)
            seen.append(count * _DROP_ML / sd_ml)
        found = np.linalg.lstsq(np.array(rows), np.array(seen), rcond=None)[0]
        drop_ml = _DROP_ML + float(found[-1])
        off = [_sds_off(volume_ml[k] - volume_ml[k - 1], drops[k] or 0, drop_ml) for k in counted]
        if not off or max(off) <= _MOST_SDS:
            return np.asarray(np.maximum.accumulate(np.round(found[:n] / _GRAIN_ML) * _GRAIN_ML))
        counted.pop(int(np.argmax(off)))


def _sds_off(added_ml: float, count: int, drop_ml: float) -> float:
    """How far the difference of two readings is from that many drops, in standard deviations."""
    sd_ml = np.hypot(np.sqrt(2.0) * _READ_SD_ML, _UNEVEN_ML * np.sqrt(count))
    return float(abs(added_ml - count * drop_ml) / sd_ml)
