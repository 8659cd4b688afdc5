"""Weighted draws for a prediction: a fixed lattice, weights that are not too uneven, quantiles."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

FloatArray = NDArray[np.float64]

DIMENSIONS = 7
DRAWS = 128
"""Unknowns that are sampled, and draws of them in each round. Assumed: more make a look slower,
fewer make the answers wander from look to look."""
_DEFENSIVE = 0.2
"""Part of the draws of every round that comes from what is known beforehand."""


@lru_cache(maxsize=16)
def _lattice(rows: int, skip: int) -> FloatArray:
    """Evenly spread standard normal draws: Kronecker lattice of the generalised golden ratio."""
    phi = 1.0
    for _ in range(60):
        phi = (1.0 + phi) ** (1.0 / (DIMENSIONS + 1.0))
    alpha = phi ** -np.arange(1.0, DIMENSIONS + 1.0)
    u = (0.5 + np.outer(np.arange(skip + 1, skip + rows + 1), alpha)) % 1.0
    z = np.asarray(ndtri(np.clip(u, 1e-4, 1.0 - 1e-4)))
    z.setflags(write=False)
    return z


def drawn(k: int, mean: FloatArray, root: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Draws of round `k` and the logarithm of their density, but for a constant."""
    z = _lattice(DRAWS, k * DRAWS).copy()
    if k == 0:
        return z, np.asarray(-0.5 * np.sum(z * z, axis=1))
    plain = np.arange(DRAWS) % round(1.0 / _DEFENSIVE) == 0
    z[~plain] = mean + z[~plain] @ root.T
    inside = _normal_log(z, mean, root) + np.log(1.0 - _DEFENSIVE)
    outside = -0.5 * np.sum(z * z, axis=1) + np.log(_DEFENSIVE)
    return z, np.asarray(np.logaddexp(inside, outside))


def _normal_log(z: FloatArray, mean: FloatArray, root: FloatArray) -> FloatArray:
    u = np.linalg.solve(root, (z - mean).T)
    return np.asarray(-0.5 * np.sum(u * u, axis=0) - np.log(np.diag(root)).sum())


def tempered(log_w: FloatArray, least: float) -> FloatArray:
    """Weights, flattened until enough draws count."""
    power = 1.0
    while True:
        w: FloatArray = np.exp(power * (log_w - log_w.max()))
        w /= w.sum()
        if 1.0 / float(w @ w) >= min(least, 0.5 * w.size) or power < 1e-3:
            return w
        power *= 0.7


def quantiles(value: FloatArray, mass: FloatArray, levels: tuple[float, ...]) -> FloatArray:
    """Weighted quantiles with straight lines between the values."""
    order = np.argsort(value, axis=None)
    v, w = value.ravel()[order], mass.ravel()[order]
    return np.asarray(np.interp(levels, (np.cumsum(w) - 0.5 * w) / w.sum(), v))
