"""Crossing volumes without a chemical model: monotone regression and interpolation.

Isotonic (pool-adjacent-violators) regression after Barlow et al., Statistical Inference under
Order Restrictions, 1972 (from memory), in the implementation of scipy; between the blocks a
shape-preserving cubic (Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980) 238, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
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
    upper = int(np.searchsorted(levels, level))
    low, high = max(upper - 3, 0), min(upper + 3, nodes.size)
    part = slice(low, high)
    # The curve is monotone, so volume against level is a function too.
    return float(PchipInterpolator(levels[part], nodes[part])(level))


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
