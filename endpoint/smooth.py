"""Crossing volumes without a chemical model: monotone regression and interpolation.

Isotonic (pool-adjacent-violators) regression after Barlow et al., Statistical Inference under
Order Restrictions, 1972 (from memory), in the implementation of scipy; between the blocks a
shape-preserving cubic (Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980) 238, from memory).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression

FloatArray = NDArray[np.float64]


def monotone_curve(
    volume_ml: FloatArray, fraction: FloatArray, sigma: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rising step blocks of a noisy curve, one node per block.

    Returns
    -------
    Nodes: mean volume and level of every block, both strictly rising.
    """
    fitted = isotonic_regression(fraction, weights=1.0 / sigma**2).x
    starts = np.flatnonzero(np.r_[True, np.diff(fitted) > 1e-12])
    sizes = np.diff(np.r_[starts, fitted.size])
    return np.add.reduceat(volume_ml, starts) / sizes, fitted[starts]


def crossing(
    volume_ml: FloatArray, fraction: FloatArray, sigma: FloatArray, level: float
) -> float | None:
    """Volume at which the monotone curve passes a level, or None if it never does."""
    nodes, levels = monotone_curve(volume_ml, fraction, sigma)
    if nodes.size < 2 or not levels[0] < level < levels[-1]:
        return None
    # The curve is monotone, so volume against level is a function too.
    return shape_preserving(levels, nodes, level)


def shape_preserving(x: FloatArray, y: FloatArray, at: float) -> float:
    """Fritsch and Carlson's cubic through rising points at one place between the first and last.

    It gives what `scipy.interpolate.PchipInterpolator` gives, but looks at four points only.

    Parameters
    ----------
    x, y:
        Shape (n,), n >= 2, `x` strictly rising.
    at:
        Where to look, from x[0] to x[-1].
    """
    k = min(max(int(np.searchsorted(x, at)), 1), x.size - 1)
    first, last = max(k - 2, 0), min(k + 2, x.size)
    xs, ys = x[first:last].tolist(), y[first:last].tolist()
    h = [b - a for a, b in pairwise(xs)]
    slope = [(b - a) / w for (a, b), w in zip(pairwise(ys), h, strict=True)]
    j = k - 1 - first
    d0 = _slope_at(h, slope, j, first + j == 0, False)
    d1 = _slope_at(h, slope, j + 1, False, first + j + 1 == x.size - 1)
    t = (at - xs[j]) / h[j]
    a, b = ys[j], ys[j + 1]
    return float(
        a * (1 + 2 * t) * (1 - t) ** 2
        + h[j] * d0 * t * (1 - t) ** 2
        + b * t * t * (3 - 2 * t)
        + h[j] * d1 * t * t * (t - 1)
    )


def _slope_at(h: list[float], slope: list[float], j: int, first: bool, last: bool) -> float:
    """Derivative at node j of a few intervals: harmonic mean, at the ends a one-sided estimate."""
    if len(slope) == 1:
        return slope[0]
    if first or last:
        near, far = (0, 1) if first else (-1, -2)
        d = ((2 * h[near] + h[far]) * slope[near] - h[near] * slope[far]) / (h[near] + h[far])
        if d * slope[near] <= 0:
            return 0.0
        turns = slope[near] * slope[far] < 0
        return 3 * slope[near] if turns and abs(d) > 3 * abs(slope[near]) else d
    a, b = slope[j - 1], slope[j]
    if a * b <= 0:
        return 0.0
    w1, w2 = 2 * h[j] + h[j - 1], h[j] + 2 * h[j - 1]
    return (w1 + w2) / (w1 / a + w2 / b)


def crossing_with_error(
    volume_ml: FloatArray,
    fraction: FloatArray,
    sigma: FloatArray,
    level: float,
    *,
    draws: int = 80,
    seed: int = 20,
) -> tuple[float, float] | None:
    """Crossing and its standard error by parametric bootstrap (Efron and Tibshirani, 1993).

    Parameters
    ----------
    volume_ml, fraction, sigma:
        Rising curve, its values 0 to 1 and their standard deviations, shape (n,).
    level:
        Fraction to look for, 0 to 1.
    draws, seed:
        Size of the bootstrap and the seed of its generator.
    """
    here = crossing(volume_ml, fraction, sigma, level)
    if here is None:
        return None
    noise = np.random.default_rng(seed).standard_normal((draws, fraction.size)) * sigma
    found = [crossing(volume_ml, fraction + row, sigma, level) for row in noise]
    good = np.array([v for v in found if v is not None])
    if good.size < draws // 2:
        return None
    low, high = np.percentile(good, [15.87, 84.13])
    return here, float(0.5 * (high - low))
