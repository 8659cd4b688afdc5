"""Which titres agree, and whether one is an outlier: concordance, Grubbs, Dixon, repeatability.

A test only reports. It never discards a titre: a person does that, with a reason.

By default a titre may stand out on either side, so the two-sided critical values are used (the
suspect is not chosen beforehand). One-sided values are right only where the side was decided
before the titres were seen. The two are often swapped in print: 0.941, 0.765, 0.642 for 3, 4, 5
values is the two-sided 90 % table of Dixon's r10.

The words are those of ISO 5725-2: beyond the 5 % value a straggler, beyond the 1 % value an
outlier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtri, stdtrit

from endpoint.replicates.range_constants import range_factor

Side = Literal["both", "high", "low"]

CONCORDANT_ML = 0.10
"""Range within which titres are called concordant (common practice, no source)."""
_ROUNDING = 1e-9
"""Rounding of sums of titres, mL."""

# Two-sided critical values of r10 at 90, 95 and 99 %: D. B. Rorabacher, Anal. Chem. 63 (1991)
# 139-146, Table 1, as quoted in several public codes.
_DIXON: dict[int, tuple[float, float, float]] = {
    3: (0.941, 0.970, 0.994),
    4: (0.765, 0.829, 0.926),
    5: (0.642, 0.710, 0.821),
    6: (0.560, 0.625, 0.740),
    7: (0.507, 0.568, 0.680),
    8: (0.468, 0.526, 0.634),
    9: (0.437, 0.493, 0.598),
    10: (0.412, 0.466, 0.568),
}
DIXON_MOST = max(_DIXON)


@dataclass(frozen=True)
class OutlierTest:
    """One test of the value furthest from the others."""

    test: str
    """"Grubbs" or "Dixon r10"."""
    side: Side
    suspect: int | None
    """Index of the value tested; None where no test was made."""
    statistic: float | None
    critical_5: float | None
    """Value that is exceeded by chance in 5 % of samples without an outlier."""
    critical_1: float | None
    verdict: str
    """"nothing", "straggler", "outlier" or "not tested"."""
    remark: str = ""
    """What to know about it, or why there was no test."""


def grubbs_critical(n: int, significance: float, side: Side = "both") -> float:
    """Critical value of G = |x - mean| / s.

    Source: F. E. Grubbs, Technometrics 11 (1969) 1-21, through Student's t; NIST/SEMATECH
    e-Handbook, 1.3.5.17.1.

    Parameters
    ----------
    n:
        Number of values, 3 or more.
    significance:
        Probability of a false alarm: 0.05 or 0.01.
    side:
        "both" shares the probability between the two sides.
    """
    if n < 3:
        raise ValueError("the Grubbs test needs 3 values")
    tail = significance / (n if side != "both" else 2 * n)
    t = float(stdtrit(n - 2, 1.0 - tail))
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def grubbs(values: Sequence[float], side: Side = "both") -> OutlierTest:
    """Grubbs test of the value furthest from the mean, or of the largest or smallest."""
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    refused = _no_test("Grubbs", x, side)
    if refused is not None:
        return refused
    apart = {"both": np.abs(x - x.mean()), "high": x - x.mean(), "low": x.mean() - x}[side]
    k = int(np.argmax(apart))
    statistic = float(apart[k] / x.std(ddof=1))
    limits = grubbs_critical(n, 0.05, side), grubbs_critical(n, 0.01, side)
    alone = _others_equal("Grubbs", x, k, side)
    if alone is not None:
        return alone
    remark = ""
    if n == 3:
        remark = (
            f"With 3 values G cannot exceed {2 / math.sqrt(3):.4f}; it comes near that only where "
            "two of them agree almost exactly, so 3 titres can hardly show an outlier."
        )
    return OutlierTest("Grubbs", side, k, statistic, *limits, _verdict(statistic, *limits), remark)


def dixon(values: Sequence[float], side: Side = "both") -> OutlierTest:
    """Dixon test with r10: gap to the neighbour over the range, for 3 to 10 values.

    Two-sided 95 and 99 % values for "both". For one side the 5 % value is the two-sided 90 % one;
    a one-sided 1 % value is not in the table, so the two-sided 99 % one (0.5 %) stands in.
    """
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    refused = _no_test("Dixon r10", x, side)
    if refused is not None:
        return refused
    if n > DIXON_MOST:
        text = f"Dixon's test is not used for more than {DIXON_MOST} values; Grubbs' test is."
        return OutlierTest("Dixon r10", side, None, None, None, None, "not tested", text)
    order = np.argsort(x, kind="stable")
    ranked = x[order]
    width = float(ranked[-1] - ranked[0])
    ratios = {
        "low": float(ranked[1] - ranked[0]) / width,
        "high": float(ranked[-1] - ranked[-2]) / width,
    }
    end = side if side != "both" else max(ratios, key=lambda which: ratios[which])
    k = int(order[0] if end == "low" else order[-1])
    alone = _others_equal("Dixon r10", x, k, side)
    if alone is not None:
        return alone
    at_90, at_95, at_99 = _DIXON[n]
    limits = (at_95 if side == "both" else at_90, at_99)
    remark = ""
    if side != "both":
        remark = "The table has no one-sided 1 % value; that of 0.5 % is used instead."
    verdict = _verdict(ratios[end], *limits)
    return OutlierTest("Dixon r10", side, k, ratios[end], *limits, verdict, remark)


def _no_test(name: str, x: np.ndarray, side: Side) -> OutlierTest | None:
    text = ""
    if len(x) < 3:
        text = f"With {len(x)} value(s) nothing can be said about outliers: at least 3 are needed."
    elif float(np.ptp(x)) <= _ROUNDING:
        text = "All values are equal to the last digit: none stands out."
    return OutlierTest(name, side, None, None, None, None, "not tested", text) if text else None


def _others_equal(name: str, x: np.ndarray, k: int, side: Side) -> OutlierTest | None:
    """No test where all the others agree to the last digit read.

    Their real scatter is then hidden by the rounding of the readings, and any difference at all,
    be it one step of the scale, would be called an outlier.
    """
    rest = np.delete(x, k)
    if float(np.ptp(rest)) > _ROUNDING:
        return None
    text = (
        "All the others are equal to the last digit, so their scatter is not known: the test "
        "would call any difference an outlier, even one step of the scale."
    )
    return OutlierTest(name, side, k, None, None, None, "not tested", text)


def _verdict(statistic: float, critical_5: float, critical_1: float) -> str:
    if statistic > critical_1:
        return "outlier"
    return "straggler" if statistic > critical_5 else "nothing"


@dataclass(frozen=True)
class Concordance:
    """The largest group of titres that lie within a limit."""

    limit_ml: float
    members: tuple[int, ...]
    """Indices of the group, in the order given; empty where no two titres agree."""
    range_ml: float | None
    """Range of all titres; None for a single one."""
    unique: bool
    """Whether no other group is as large."""

    def agrees(self, n: int) -> bool:
        """Tell whether all n titres are in the group."""
        return n >= 2 and len(self.members) == n


def concordance(titres_ml: Sequence[float], limit_ml: float = CONCORDANT_ML) -> Concordance:
    """Largest group of titres of which no two are further apart than `limit_ml`.

    Of several groups of one size the tightest is taken.
    """
    x = np.asarray(titres_ml, dtype=np.float64)
    order = np.argsort(x, kind="stable")
    ranked = x[order]
    found: list[tuple[int, float, int]] = []
    for first in range(len(x)):
        inside = ranked <= ranked[first] + limit_ml + _ROUNDING
        size = int(inside.sum()) - first
        found.append((-size, float(ranked[first + size - 1] - ranked[first]), first))
    found.sort()
    whole = float(np.ptp(x)) if len(x) > 1 else None
    if not found or -found[0][0] < 2:
        return Concordance(limit_ml, (), whole, True)
    size, first = -found[0][0], found[0][2]
    unique = len(found) < 2 or -found[1][0] < size
    members = tuple(sorted(int(k) for k in order[first : first + size]))
    return Concordance(limit_ml, members, whole, unique)


@dataclass(frozen=True)
class Repeatability:
    """Titres of one analyst held against a repeatability limit."""

    limit_ml: float
    """r: two titres differ by more in 5 % of cases only."""
    deviation_ml: float
    """s_r = r / f(2)."""
    n: int
    critical_range_ml: float
    """Range that n titres exceed in 5 % of cases."""
    range_ml: float
    critical_s_ml: float
    """Standard deviation that n titres exceed in 5 % of cases."""
    s_ml: float

    @property
    def kept(self) -> bool:
        """Whether the range is within the critical range."""
        return self.range_ml <= self.critical_range_ml + _ROUNDING


def repeatability(titres_ml: Sequence[float], limit_ml: float) -> Repeatability | None:
    """Check of n titres against a repeatability limit r (ISO 5725-6: r = 2.8 s_r).

    For n titres the range may be f(n) s_r, see `endpoint.replicates.range_constants.range_factor`;
    s may be s_r sqrt(chi-square(0.95; n - 1) / (n - 1)). None for fewer than 2 titres.
    """
    x = np.asarray(titres_ml, dtype=np.float64)
    n = len(x)
    if n < 2:
        return None
    deviation = limit_ml / range_factor(2)
    return Repeatability(
        limit_ml=limit_ml,
        deviation_ml=deviation,
        n=n,
        critical_range_ml=range_factor(n) * deviation,
        range_ml=float(np.ptp(x)),
        critical_s_ml=deviation * math.sqrt(float(chdtri(n - 1, 0.05)) / (n - 1)),
        s_ml=float(x.std(ddof=1)),
    )
