"""How many titrations a comparison needs.

Two questions: how closely the limits of agreement are known (J. M. Bland, D. G. Altman, Stat.
Methods Med. Res. 8 (1999) 135-160: their interval by number), and which bias would be found
(power of the paired t test through the noncentral t distribution).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

from endpoint.comparison.agreement import exact_factors
from endpoint.comparison.estimates import Z95

MOST = 2000
"""Titrations beyond which "more than 2000" is said."""
POWER = 0.9
SIGNIFICANCE = 0.05
"""Power and significance that are planned for (common practice, no source)."""


@dataclass(frozen=True)
class Advice:
    """Numbers of titrations for a scatter of differences."""

    s_ml: float
    """Standard deviation of the differences that was reckoned with."""
    bias_ml: float
    """Bias that is to be found."""
    power: float
    n_for_bias: int | None
    """None: more than 2000."""
    limits_ml: float
    """How far the outer end of the interval of a limit may lie from the limit."""
    n_for_limits: int | None
    n_now: int
    bias_found_now_ml: float
    """Smallest bias that the present number finds with that power."""
    limits_now_ml: float
    """Distance from a limit to the outer end of its interval now."""


@functools.cache
def t_power(n: int, effect: float, significance: float = SIGNIFICANCE) -> float:
    """Probability that a two-sided paired t test of n differences finds a bias of effect * s."""
    from scipy.special import stdtrit
    from scipy.stats import nct

    critical = float(stdtrit(n - 1, 1.0 - 0.5 * significance))
    nc = effect * math.sqrt(n)
    power = float(nct.sf(critical, n - 1, nc))
    # Far out the other side is not computed well, and is nothing.
    return power if nc > 6.0 else power + float(nct.cdf(-critical, n - 1, nc))


def titrations_for_bias(bias_ml: float, s_ml: float, power: float = POWER) -> int | None:
    """Smallest number, 3 or more, that finds a bias with a power; None beyond 2000."""
    return _smallest(lambda n: t_power(n, bias_ml / s_ml) >= power)


def bias_found(n: int, s_ml: float, power: float = POWER) -> float:
    """Smallest bias, mL, that n titrations find with a power."""
    # The noncentral t distribution loses its figures far out, so the search goes up from below.
    low, high = 0.0, 1.0 / math.sqrt(n)
    while t_power(n, high) < power:
        low, high = high, 1.5 * high
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if t_power(n, middle) >= power else (middle, high)
    return high * s_ml


def titrations_for_limits(within_ml: float, s_ml: float) -> int | None:
    """Smallest number whose limits lie within so much of the outer end of their interval."""
    return _smallest(lambda n: (exact_factors(n)[1] - Z95) * s_ml <= within_ml)


def _smallest(enough: Callable[[int], bool]) -> int | None:
    if not enough(MOST):
        return None
    low, high = 2, MOST
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def advice(n: int, s_ml: float, bias_ml: float, limits_ml: float, power: float = POWER) -> Advice:
    """Advice for the scatter that n titrations showed.

    Parameters
    ----------
    n:
        Titrations there are, 3 or more.
    s_ml:
        Standard deviation of their differences, above 0.
    bias_ml:
        Bias that should be found, above 0.
    limits_ml:
        Wanted distance from a limit of agreement to the outer end of its interval, above 0.
    power:
        Probability with which the bias is to be found.
    """
    return Advice(
        s_ml=s_ml,
        bias_ml=bias_ml,
        power=power,
        n_for_bias=titrations_for_bias(bias_ml, s_ml, power),
        limits_ml=limits_ml,
        n_for_limits=titrations_for_limits(limits_ml, s_ml),
        n_now=n,
        bias_found_now_ml=bias_found(n, s_ml, power),
        limits_now_ml=(exact_factors(n)[1] - Z95) * s_ml,
    )
