"""Is there a difference at all? Paired t test, Wilcoxon's test, and what else differences show."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from endpoint.comparison.estimates import ComparisonProblem, checked, not_constant

LEAST_T = 3
"""Pairs without which no t test is made."""
LEAST_WILCOXON = 6
"""With fewer the two-sided probability cannot fall below 5 %."""
LEAST_NORMAL = 8
"""Differences below which nothing is said about their distribution: Shapiro and Wilk's test finds
even an exponential distribution in fewer than half of such samples."""
_NORMALITY = "Shapiro and Wilk's test of normality"
_REMEDY = "Check that one column is not a copy of the other."


@dataclass(frozen=True)
class PairedTest:
    """A two-sided test that the differences have the centre 0."""

    method: str
    n: int
    """Differences that count; Wilcoxon's test leaves out those of 0."""
    statistic: float
    p_value: float


def paired_t(differences_ml: ArrayLike) -> PairedTest:
    """Student's paired t test (scipy.stats.ttest_1samp).

    Raises
    ------
    ComparisonProblem
        Fewer than 3 differences, or all are equal.
    """
    from scipy.stats import ttest_1samp

    d = checked(differences_ml, "the differences", LEAST_T, "The paired t test")
    not_constant(d, "all differences are equal", "The paired t test", _REMEDY)
    found = ttest_1samp(d, 0.0)
    return PairedTest("paired t", len(d), float(found.statistic), float(found.pvalue))


def wilcoxon_test(differences_ml: ArrayLike) -> PairedTest:
    """Wilcoxon's signed-rank test (scipy.stats.wilcoxon).

    Exact for up to 50 differences without ties. Ties get mean ranks; for up to 13 differences
    scipy then counts all signs, beyond it takes the normal approximation.

    Raises
    ------
    ComparisonProblem
        Fewer than 6 differences other than 0.
    """
    from scipy.stats import PermutationMethod, wilcoxon

    d = checked(differences_ml, "the differences", LEAST_WILCOXON, "Wilcoxon's test")
    # Readings to a division differ by multiples of it; float noise would break the ties apart.
    d = np.round(d, 9)
    d = checked(d[d != 0.0], "differences other than 0", LEAST_WILCOXON, "Wilcoxon's test")
    tied = len(np.unique(np.abs(d))) < len(d)
    if not tied and len(d) <= 50:
        found = wilcoxon(d, method="exact")
    elif len(d) <= 13:
        found = wilcoxon(d, method=PermutationMethod(n_resamples=2**13 + 1))
    else:
        found = wilcoxon(d, method="approx")
    return PairedTest("Wilcoxon", len(d), float(found.statistic), float(found.pvalue))


def normality(differences_ml: ArrayLike) -> float:
    """Probability of Shapiro and Wilk's test that differences are normal (scipy.stats.shapiro).

    Raises
    ------
    ComparisonProblem
        Fewer than 8 differences, or two are equal: rounded titres fail the test whatever their
        errors are.
    """
    from scipy.stats import shapiro

    d = np.round(checked(differences_ml, "the differences", LEAST_NORMAL, _NORMALITY), 9)
    if len(np.unique(d)) < len(d):
        raise ComparisonProblem(
            f"{_NORMALITY}: no verdict, because some differences are equal to the last digit.",
            "Read the burette more finely, or judge the differences in the figure.",
        )
    return float(shapiro(d).pvalue)


def trend(mean_ml: ArrayLike, differences_ml: ArrayLike) -> float | None:
    """Probability that differences do not grow or fall with the titre (t test of Pearson's r).

    None for fewer than 5 pairs or values that do not vary.
    """
    from scipy.special import stdtr

    m, d = (np.asarray(v, dtype=np.float64) for v in (mean_ml, differences_ml))
    if len(m) < 5 or float(np.ptp(m)) <= 1e-12 or float(np.ptp(d)) <= 1e-12:
        return None
    r = float(np.corrcoef(m, d)[0, 1])
    if abs(r) >= 1.0:
        return 0.0
    t = abs(r) * math.sqrt((len(m) - 2) / (1.0 - r * r))
    return 2.0 * float(stdtr(len(m) - 2, -t))
