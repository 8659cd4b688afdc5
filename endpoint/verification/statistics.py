"""The statistics of a verification, one function for each; values of any unit, but all of one.

Sources: recovery and bias: Eurachem guide "The Fitness for Purpose of Analytical Methods", 2nd
edition (2014), and V. J. Barwick, S. L. R. Ellison, Analyst 124 (1999) 981; terms of precision:
ISO 5725-3; lack of fit: N. R. Draper, H. Smith, Applied Regression Analysis; binomial interval:
C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404; detection limit: ICH Q2(R1), 6.3. What is
worked against a published example stands in the tests; the rest is from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import Quantity

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Level:
    """What was found at one known value."""

    name: str
    n: int
    known: float
    known_u: float
    mean: float
    s: float
    """Standard deviation of all results of the level."""
    bias: Quantity
    """Mean minus known, with the scatter and the known value as sources."""
    p_value: float
    """Probability of such a bias, or a larger one, without one."""

    @property
    def recovery(self) -> float:
        """Mean over known; NaN for a blank."""
        return self.mean / self.known if self.known > 0 else math.nan

    @property
    def recovery_interval(self) -> tuple[float, float]:
        """95 % interval of the recovery; NaN for a blank."""
        if not self.known > 0:
            return math.nan, math.nan
        low, high = self.bias.interval(0.95)
        return 1.0 + low / self.known, 1.0 + high / self.known


@dataclass(frozen=True)
class Fit:
    """Straight line of found against known, and whether it is straight."""

    slope: float
    slope_u: float
    """Standard uncertainty of the slope, from the scatter alone."""
    intercept: float
    residual_s: float
    f: float
    """Lack of fit over pure error."""
    freedom: tuple[int, int]
    p_value: float


@dataclass(frozen=True)
class Precision:
    """Repeatability, and intermediate precision over days."""

    s_r: float
    freedom_r: int
    s_day: float
    """Standard deviation between days; 0 where the estimate would be negative, or on one day."""
    days: int
    f: float
    p_value: float
    """Probability of such a difference of days, or a larger one, without one; 1 for one day."""

    @property
    def s_intermediate(self) -> float:
        """Intermediate precision (ISO 5725-3) of one result."""
        return math.hypot(self.s_r, self.s_day)


@dataclass(frozen=True)
class Factor:
    """Observed scatter over the stated one."""

    value: float
    low: float
    high: float
    chi_square: float
    freedom: int
    p_value: float
    """Probability of so large a factor or a larger one where the true one is 1."""


def level(
    name: str, found: Sequence[float], known: float, known_u: float, known_source: str
) -> Level:
    """Bias of one level: t test of the mean with the uncertainty of the known value.

    Parameters
    ----------
    name:
        Of the level.
    found:
        Two results or more.
    known, known_u:
        Known value and its standard uncertainty, 0 or more.
    known_source:
        Name of what is uncertain in the known value; levels of one stock solution share it.
    """
    from scipy.special import stdtr

    x = np.asarray(found, dtype=np.float64)
    n, mean, s = len(x), float(x.mean()), float(x.std(ddof=1))
    scatter = Quantity.measured(
        mean, "", s / math.sqrt(n), f"scatter, {name}", kind="A", degrees_of_freedom=n - 1
    )
    bias = scatter - Quantity.measured(known, "", known_u, known_source)
    u = bias.standard_uncertainty
    freedom = bias.effective_degrees_of_freedom
    p = 2.0 * float(stdtr(freedom, -abs(bias.value) / u)) if u > 0 else 0.0
    return Level(name, n, known, known_u, mean, s, bias, p)


def straight_line(known: FloatArray, found: FloatArray) -> Fit | None:
    """Least squares line with the F test of lack of fit; None for fewer than 3 levels.

    Parameters
    ----------
    known, found:
        Shape (n,); some known values occur more than once.
    """
    from scipy.special import fdtrc

    levels, index = np.unique(known, return_inverse=True)
    n, m = len(known), len(levels)
    if m < 3 or n <= m:
        return None
    slope, intercept = np.polyfit(known, found, 1)
    rest = float(np.sum((found - intercept - slope * known) ** 2))
    means = np.bincount(index, weights=found) / np.bincount(index)
    pure = float(np.sum((found - means[index]) ** 2))
    if not pure > 0:
        return None
    freedom = (m - 2, n - m)
    f = max(rest - pure, 0.0) / freedom[0] / (pure / freedom[1])
    tail, s = float(fdtrc(*freedom, f)), math.sqrt(rest / (n - 2))
    slope_u = s / math.sqrt(float(np.sum((known - known.mean()) ** 2)))
    return Fit(float(slope), slope_u, float(intercept), s, f, freedom, tail)


def precision(errors: FloatArray, levels: Sequence[str], days: Sequence[str]) -> Precision:
    """Precision pooled over levels, by the analysis of variance of levels and days.

    Parameters
    ----------
    errors:
        Found minus known, shape (n,).
    levels, days:
        Of each result.
    """
    from scipy.special import fdtrc

    def left(*factors: Sequence[str]) -> tuple[float, int]:
        columns = [
            np.array([[name == each for name in sorted(set(f))] for each in f], dtype=np.float64)
            for f in factors
        ]
        x = np.hstack(columns)
        beta, _, rank, _ = np.linalg.lstsq(x, errors, rcond=None)
        return float(np.sum((errors - x @ beta) ** 2)), len(errors) - int(rank)

    pooled, freedom_0 = left(levels)
    sizes = np.array([days.count(day) for day in set(days)])
    within, freedom_1 = left(levels, days) if len(sizes) > 1 else (0.0, 0)
    # One day, or so few results that days and scatter cannot be told apart.
    if freedom_1 < 1:
        return Precision(math.sqrt(pooled / freedom_0), freedom_0, 0.0, 1, 0.0, 1.0)
    between = (pooled - within) / (freedom_0 - freedom_1)
    ms = within / freedom_1
    n_0 = (len(errors) - float(np.sum(sizes**2)) / len(errors)) / (len(sizes) - 1)
    f = between / ms
    return Precision(
        s_r=math.sqrt(ms),
        freedom_r=freedom_1,
        s_day=math.sqrt(max((between - ms) / n_0, 0.0)),
        days=len(sizes),
        f=f,
        p_value=float(fdtrc(freedom_0 - freedom_1, freedom_1, f)),
    )


def mean_bias(errors: FloatArray, days: Sequence[str]) -> tuple[float, float, int]:
    """Mean error, its standard uncertainty from the scatter alone, and degrees of freedom.

    Days count each the same where there are 3 or more with several results, for what a day has of
    its own does not average out within it; otherwise the results count as independent.
    """
    names = sorted(set(days))
    if 3 <= len(names) < len(errors):
        means = np.array([errors[[day == name for day in days]].mean() for name in names])
        return float(means.mean()), float(means.std(ddof=1)) / math.sqrt(len(names)), len(names) - 1
    n = len(errors)
    return float(errors.mean()), float(errors.std(ddof=1)) / math.sqrt(n), n - 1


def scatter_factor(errors: FloatArray, levels: Sequence[str], own_u: FloatArray) -> Factor:
    """Observed scatter within the levels over the stated one, by the chi-square of z.

    Parameters
    ----------
    errors:
        Found minus known, shape (n,). What all results of a level share drops out.
    levels:
        Of each result.
    own_u:
        Standard uncertainty of each result from what is its own, above 0.
    """
    from scipy.special import chdtrc, chdtri

    chi, freedom = 0.0, 0
    for name in set(levels):
        here = np.array([each == name for each in levels])
        weight = own_u[here] ** -2.0
        middle = float(np.sum(weight * errors[here]) / np.sum(weight))
        chi += float(np.sum(weight * (errors[here] - middle) ** 2))
        freedom += int(here.sum()) - 1
    low, high = (math.sqrt(chi / float(chdtri(freedom, q))) for q in (0.025, 0.975))
    p = float(chdtrc(freedom, chi))
    return Factor(math.sqrt(chi / freedom), low, high, chi, freedom, p)


def proportion(hits: int, n: int) -> tuple[float, float]:
    """Exact 95 % interval of a proportion (Clopper and Pearson)."""
    from scipy.stats import binomtest

    found = binomtest(hits, n).proportion_ci(0.95, method="exact")
    return float(found.low), float(found.high)


def detection_limits(lowest: Level, slope: float) -> tuple[float, float]:
    """Detection and quantitation limit: 3.3 and 10 s over the slope (ICH Q2(R1), 6.3 and 7.3)."""
    return 3.3 * lowest.s / slope, 10.0 * lowest.s / slope


def holm(p_values: Sequence[float]) -> list[float]:
    """Probabilities adjusted so that all tests together alarm in 5 % (S. Holm, 1979)."""
    order = sorted(range(len(p_values)), key=lambda k: p_values[k])
    adjusted, largest = [0.0] * len(p_values), 0.0
    for rank, k in enumerate(order):
        largest = max(largest, min(1.0, p_values[k] * (len(p_values) - rank)))
        adjusted[k] = largest
    return adjusted
