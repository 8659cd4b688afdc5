"""Range and standard deviation of small normal samples: the constants of charts and limits.

All are computed from the distribution of the range w of n values of a normal population of
standard deviation 1,

    P(w <= q) = n * integral of phi(x) [Phi(x + q) - Phi(x)]^(n - 1) dx

(the studentized range for infinite degrees of freedom), so no table is copied.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr

FloatArray = NDArray[np.float64]

LARGEST = 1000
"""Values of one range at most. Assumed."""
_X = np.linspace(-9.0, 9.0, 721)
_DENSITY = np.exp(-0.5 * _X**2) / math.sqrt(2.0 * math.pi)
"""Nodes of the integral, in standard deviations, and the density there."""


def range_probability(q: float, n: int) -> float:
    """Probability that the range of n values is at most q standard deviations, 0 to 1."""
    inside = ndtr(_X + q) - ndtr(_X)
    return float(n * np.sum(_DENSITY * inside ** (n - 1)) * (_X[1] - _X[0]))


@functools.cache
def range_factor(n: int, probability: float = 0.95) -> float:
    """Range, in standard deviations, that n values stay within with a probability.

    For 95 % these are the critical range factors f(n) of ISO 5725-6 (from memory: 2.8, 3.3, 3.6,
    3.9, 4.0 for n = 2 to 6): f(2) s_r is the repeatability limit r = 2.8 s_r.

    Parameters
    ----------
    n:
        Number of values, 2 to `LARGEST`.
    probability:
        Between 0 and 1.

    Raises
    ------
    ValueError
        n or the probability is out of range.
    """
    if not 2 <= n <= LARGEST or not 0.0 < probability < 1.0:
        raise ValueError(f"no range factor for n = {n}, probability {probability}")
    low, high = 0.0, 12.0
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        if range_probability(middle, n) < probability:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@functools.cache
def range_moments(n: int) -> tuple[float, float]:
    """Mean d2 and standard deviation d3 of the range of n values, in standard deviations."""
    if not 2 <= n <= LARGEST:
        raise ValueError(f"no range of {n} values")
    nodes, weights = np.polynomial.legendre.leggauss(160)
    q, weights = 7.0 * (nodes + 1.0), 7.0 * weights
    beyond = np.array([1.0 - range_probability(float(each), n) for each in q])
    mean = float(np.sum(weights * beyond))
    square = float(np.sum(weights * 2.0 * q * beyond))
    return mean, math.sqrt(square - mean**2)


def deviation_bias(n: int) -> float:
    """c4: mean of the standard deviation s of n values, in standard deviations."""
    if n < 2:
        raise ValueError(f"no standard deviation of {n} values")
    return float(math.sqrt(2.0 / (n - 1)) * math.exp(gammaln(0.5 * n) - gammaln(0.5 * (n - 1))))
