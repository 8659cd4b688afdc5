"""Scatter of neighbouring frames and rows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from endpoint.curve.unmix import ROW_NOISE

FloatArray = NDArray[np.float64]

_LEAST_NOISE = 5e-4
"""Absorbance: the last digit of a good photometer. Common practice, no source."""
_HIGH = 1.5
"""Absorbance of the cell above which the scatter of rows is looked at by itself. Assumed: a scatter
of 3e-4 in the light is 0.004 in absorbance there, several times that of a pale cell."""
_TRANSMITTANCE_NOISE = 3e-4
"""Usual scatter of the transmittance of a photometer (data sheets: 0.01 to 0.1 %)."""
_FEW = 6
"""Rows above `_HIGH` below which the usual scatter is taken. Assumed."""


def frame_noise(density: FloatArray) -> FloatArray:
    """Scatter between neighbouring frames without their common trend, shape (channels,)."""
    if len(density) < 4:
        return np.full(density.shape[1], ROW_NOISE)
    return np.asarray(1.4826 * np.median(_bends(density), axis=0))


def repeats(density: FloatArray) -> NDArray[np.bool_]:
    """Frames that show the colour of the frame before to the last digit, shape (n,).

    No camera sees one colour twice: the coding kept an old picture. While titrant runs in, such a
    colour is too old for its volume.

    Parameters
    ----------
    density:
        Of all three channels of a camera, shape (n, 3).
    """
    return np.r_[False, np.all(np.diff(density, axis=0) == 0.0, axis=1)][: len(density)]


def row_noise(absorbance: FloatArray, path_cm: float) -> FloatArray:
    """Standard deviation of the rows of a photometer, shape of `absorbance`.

    A detector scatters by the same light whatever the cell absorbs, so that dark cells scatter the
    more in absorbance: by the factor 10^A.

    Parameters
    ----------
    absorbance:
        Of 1 cm, in order of volume, shape (n, channels).
    path_cm:
        Of the cell.
    """
    noise = np.maximum(frame_noise(absorbance), _LEAST_NOISE)
    out = np.tile(noise, (len(absorbance), 1))
    dark = 10.0 ** np.clip(path_cm * absorbance, 0.0, 6.0)
    for channel in range(absorbance.shape[1]):
        high = path_cm * absorbance[:, channel] > _HIGH
        if not high.any():
            continue
        light = _TRANSMITTANCE_NOISE / np.log(10.0)
        rows = high[1:-1] & high[:-2] & high[2:]
        if rows.sum() >= _FEW:
            bends = path_cm * _bends(absorbance[:, channel]) / dark[1:-1, channel]
            light = 1.4826 * float(np.median(bends[rows]))
        out[:, channel] = np.hypot(out[:, channel], light * dark[:, channel] / path_cm)
    return out


def _bends(values: FloatArray) -> FloatArray:
    """Second differences, scaled to the scatter of one value."""
    return np.asarray(np.abs(np.diff(values, n=2, axis=0)) / np.sqrt(6.0))
