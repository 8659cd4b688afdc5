"""Repeatability and reproducibility of titres by several analysts: one-way analysis of variance.

Terms and arithmetic are those of ISO 5725-2:2019 (7.4), the analyst in the place of the
laboratory: s_r (repeatability), s_L (between analysts), s_R^2 = s_L^2 + s_r^2, limits
r = 1.96 sqrt(2) s_r = 2.8 s_r and R = 2.8 s_R. Numbers of titres may differ. If all analysts work
in one laboratory, s_R is an intermediate precision (ISO 5725-3), not a reproducibility between
laboratories. The formulas are from memory of the standard; the tests hold them against scipy and
statsmodels.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from endpoint.comparison.estimates import (
    Z95,
    ComparisonProblem,
    FloatArray,
    Ranged,
    deviation_interval,
)
from endpoint.replicates.outliers import OutlierTest, grubbs

_METHOD = "Repeatability and reproducibility"
_LIMIT = Z95 * math.sqrt(2.0)
"""Factor from a standard deviation to a repeatability or reproducibility limit, 2.77 (ISO 5725-6
rounds it to 2.8)."""


@dataclass(frozen=True)
class Components:
    """One-way analysis of variance of p groups with N values in all."""

    groups: int
    values: int
    mean_size: float
    """Number of values of a group, weighted as ISO 5725-2 does; n for equal groups."""
    mean_square_between: float
    mean_square_within: float
    f: float
    p_value: float
    """Probability of such an F, or a larger one, if analysts did not differ."""

    @property
    def s_r(self) -> float:
        """Repeatability standard deviation."""
        return math.sqrt(self.mean_square_within)

    @property
    def s_between(self) -> float:
        """Standard deviation between groups, s_L; 0 where the estimate would be negative."""
        excess = (self.mean_square_between - self.mean_square_within) / self.mean_size
        return math.sqrt(max(excess, 0.0))


@dataclass(frozen=True)
class CochranTest:
    """Whether the scatter of one analyst stands out: largest variance over their sum."""

    analyst: str
    statistic: float
    critical_5: float
    critical_1: float
    verdict: str
    """"nothing", "straggler" or "outlier"."""


@dataclass(frozen=True)
class Precision:
    """Precision of one sample (a level in ISO 5725), or of the differences of all samples."""

    of: str
    """The sample, or a text for all of them."""
    analysts: tuple[str, ...]
    numbers: tuple[int, ...]
    """Titres of each analyst."""
    mean_ml: float
    """General mean: of all values."""
    anova: Components
    s_r_ml: Ranged
    s_between_ml: float
    s_reproducibility_ml: Ranged
    r_ml: float
    R_ml: float
    cochran: CochranTest | None
    """None where numbers of titres differ, or some analyst has no scatter of their own."""
    means: OutlierTest
    """Grubbs test of the means of the analysts."""


def components(groups: Sequence[ArrayLike]) -> Components:
    """One-way analysis of variance.

    Parameters
    ----------
    groups:
        Values of each group; 2 or more groups, more values than groups.

    Raises
    ------
    ComparisonProblem
        Too few groups or values, or no scatter within any group.
    """
    from scipy.special import fdtrc

    arrays: list[FloatArray] = [np.array(group, dtype=np.float64) for group in groups]
    sizes = np.array([len(group) for group in arrays])
    p, total = len(arrays), int(sizes.sum())
    be = "is" if p == 1 else "are"
    if p < 2 or total <= p or np.any(sizes < 1):
        raise ComparisonProblem(
            f"{_METHOD} need 2 or more analysts and several titres of one of them; there {be} {p} "
            f"with {total} {'titre' if total == 1 else 'titres'}.",
            "Let each analyst titrate each sample twice or more.",
        )
    means = np.array([group.mean() for group in arrays])
    mean = float((sizes * means).sum() / total)
    between = float((sizes * (means - mean) ** 2).sum()) / (p - 1)
    within = sum(float(((g - g.mean()) ** 2).sum()) for g in arrays) / (total - p)
    if within <= 1e-18 * max(mean * mean, 1.0):
        raise ComparisonProblem(
            f"{_METHOD}: the titres of each analyst are equal to the last digit.",
            "Read the burette to a fifth of a division; their scatter is hidden by rounding.",
        )
    f = between / within
    size = (total - float((sizes**2).sum()) / total) / (p - 1)
    tail = float(fdtrc(p - 1, total - p, f))
    return Components(p, total, size, between, within, f, tail)


def reproducibility_interval(found: Components) -> Ranged:
    """s_R with its 95 % interval (F. A. Graybill, C.-M. Wang, J. Am. Stat. Assoc. 75 (1980) 869).

    Exact for one group of the two alone, within about 1 % of 95 % between; approximate where
    numbers of values differ.
    """
    from scipy.special import chdtri

    variance = found.s_between**2 + found.mean_square_within
    parts = (
        (found.mean_square_between / found.mean_size, found.groups - 1),
        (
            found.mean_square_within * (1.0 - 1.0 / found.mean_size),
            found.values - found.groups,
        ),
    )
    total = sum(part for part, _ in parts)
    down = math.hypot(*(p * (1.0 - f / float(chdtri(f, 0.025))) for p, f in parts))
    up = math.hypot(*(p * (f / float(chdtri(f, 0.975)) - 1.0) for p, f in parts))
    low = math.sqrt(max(total - down, 0.0))
    high = math.sqrt(total + up)
    # Where the estimate of s_L is cut off at 0 the sum of the parts is smaller than s_R.
    value = math.sqrt(variance)
    return Ranged(value, min(low, value), max(high, value))


def cochran_critical(analysts: int, titres: int, significance: float) -> float:
    """Critical value of Cochran's C = largest variance / sum of variances, through F.

    Source: ISO 5725-2, 7.3.3; W. G. Cochran, Ann. Eugenics 11 (1941) 47. The Bonferroni bound,
    which rounds to the printed table.
    """
    from scipy.special import fdtri

    freedom = titres - 1
    f = float(fdtri(freedom, freedom * (analysts - 1), 1.0 - significance / analysts))
    return f / (f + analysts - 1)


def precision(titres_ml: Mapping[str, ArrayLike], of: str) -> Precision:
    """Repeatability and reproducibility of titres, by analyst.

    Parameters
    ----------
    titres_ml:
        Values of each analyst, mL (titres of one sample, or differences from the recorded volume).
    of:
        What they are of.

    Raises
    ------
    ComparisonProblem
        As `components`.
    """
    names = tuple(titres_ml)
    arrays: list[FloatArray] = [np.array(titres_ml[name], dtype=np.float64) for name in names]
    found = components(arrays)
    total = reproducibility_interval(found)
    return Precision(
        of=of,
        analysts=names,
        numbers=tuple(len(a) for a in arrays),
        mean_ml=float(np.concatenate(arrays).mean()),
        anova=found,
        s_r_ml=deviation_interval(found.s_r, found.values - found.groups),
        s_between_ml=found.s_between,
        s_reproducibility_ml=total,
        r_ml=_LIMIT * found.s_r,
        R_ml=_LIMIT * total.value,
        cochran=_cochran(names, arrays),
        means=grubbs([float(a.mean()) for a in arrays]),
    )


def _cochran(names: Sequence[str], arrays: Sequence[FloatArray]) -> CochranTest | None:
    sizes = {len(a) for a in arrays}
    if len(sizes) != 1 or min(sizes) < 2 or len(arrays) < 2:
        return None
    variances = [float(a.var(ddof=1)) for a in arrays]
    if sum(v > 0 for v in variances) < 2:
        return None
    k = int(np.argmax(variances))
    statistic = variances[k] / sum(variances)
    size = sizes.pop()
    at_5, at_1 = (cochran_critical(len(arrays), size, a) for a in (0.05, 0.01))
    verdict = "nothing"
    if statistic > at_5:
        verdict = "outlier" if statistic > at_1 else "straggler"
    return CochranTest(names[k], statistic, at_5, at_1, verdict)
