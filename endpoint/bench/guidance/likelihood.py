"""Colours of both ends, drift and bend integrated out of the likelihood in closed form.

The signal is linear in them (Rao and Blackwell), so that only the chemistry has to be sampled.
The Cholesky factors are worked out here, for all systems at once: 10,000 systems take 14 ms, with
`numpy.linalg.cholesky` 22 ms.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from endpoint.bench.guidance.progress import History

FloatArray = NDArray[np.float64]

_WANDER_SD = 0.1
"""Drift that turns, in expected changes: rendered films rise by 0.02 to 0.05 and fall again long
before the end.
"""
_RED_SD = 0.3
"""First level, in expected changes: the signal begins near 0, what is free then lies below.
Assumed."""


def log_likelihood(
    history: History, sigma: FloatArray, drift_sd: float, unmixed_ml: FloatArray, f: FloatArray
) -> tuple[FloatArray, float]:
    """Likelihood of the signal whatever the two end colours, and the least sum of squares.

    Parameters
    ----------
    history:
        Points so far, n of them, with what is known of the whole change.
    sigma:
        Standard deviation of every point, shape (n,).
    drift_sd:
        Standard deviation of the drift over the points, in expected changes.
    unmixed_ml:
        Titrant that was not mixed in yet at the points, shape (n,): it shows the last colour.
    f:
        Free fraction at the points for draws and equivalence volumes, shape (draws, nodes, n).

    Returns
    -------
    Natural logarithm but for a constant, shape (draws, nodes); the least sum of squares of all.
    """
    columns, sd, rest = _terms(history, 1.0 / sigma, drift_sd, unmixed_ml, f)
    size = len(columns)
    shape = f.shape[:2]
    m = np.empty((size, size, *shape))
    b = np.empty((size, *shape))
    for i in range(size):
        b[i] = _dot(columns[i], rest)
        for j in range(i + 1):
            m[i, j] = _dot(columns[i], columns[j])
        m[i, i] += 1.0 / np.square(sd[i])
    total = np.einsum("dkn,dkn->dk", rest, rest)
    # Cholesky by hand over the last axes: many small systems at once.
    log_det = np.log(sd[1])
    for i in range(size):
        for j in range(i):
            for k in range(j):
                m[i, j] -= m[i, k] * m[j, k]
            m[i, j] /= m[j, j]
            m[i, i] -= m[i, j] ** 2
            b[i] -= m[i, j] * b[j]
        m[i, i] = np.sqrt(np.maximum(m[i, i], 1e-12))
        b[i] /= m[i, i]
        log_det += np.log(m[i, i])
        total = total - b[i] ** 2
    return np.asarray(-0.5 * total - log_det), float(total.min())


def _terms(
    h: History, w: FloatArray, drift_sd: float, unmixed_ml: FloatArray, f: FloatArray
) -> tuple[list[FloatArray], list[float | FloatArray], FloatArray]:
    """Terms in which the signal is linear, their standard deviations, and the signal without them.

    All are divided by the standard deviation of the points, that is multiplied by `w`.
    """
    bump = f * (1.0 - f)
    away = (h.volume_ml - h.volume_ml.mean()) / max(float(np.ptp(h.volume_ml)), 3.0)
    columns = [
        w,
        f * w,
        bump * w,
        bump * (1.0 - 2.0 * f) * w,
        away * w,
        away**2 * w,
        unmixed_ml * w,
    ]
    # The first colour holds a little of the free form already, by what the chemistry says.
    grown = 1.0 / np.maximum(1.0 - h.fade * f[..., -1], 0.3)
    sd: list[float | FloatArray] = [
        _RED_SD,
        h.change[1] * grown,
        h.bend[1],
        h.kink_sd,
        drift_sd,
        _WANDER_SD,
        h.plume_sd,
    ]
    rest = h.signal * w - (h.change[0] * grown)[..., None] * columns[1] - h.bend[0] * columns[2]
    return columns, sd, rest


def _dot(one: FloatArray, other: FloatArray) -> FloatArray:
    if one.ndim == 1 and other.ndim == 1:
        return np.asarray(one @ other)
    if one.ndim == 1:
        return np.asarray(other @ one)
    if other.ndim == 1:
        return np.asarray(one @ other)
    return np.asarray(np.einsum("dkn,dkn->dk", one, other))
