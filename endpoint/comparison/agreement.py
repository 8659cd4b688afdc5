"""Limits of agreement between two ways to find one volume.

Differences are visual minus recorded, in mL. Sources:

* bias and limits: J. M. Bland, D. G. Altman, Lancet 327 (1986) 307-310;
* approximate intervals of the limits: J. M. Bland, D. G. Altman, Stat. Methods Med. Res. 8 (1999)
  135-160, section 2;
* exact intervals: A. Carkeet, Optom. Vis. Sci. 92 (2015) e71-e80 (noncentral t);
* several titrations by each analyst: J. M. Bland, D. G. Altman, J. Biopharm. Stat. 17 (2007)
  571-582; intervals: G. Y. Zou, Stat. Methods Med. Res. 22 (2013) 630-642.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from endpoint.comparison.estimates import Z95, ComparisonProblem, Ranged, checked, not_constant
from endpoint.comparison.precision import components, reproducibility_interval

LEAST = 3
"""Differences without which no limits are worked out: two have a scatter of one degree of
freedom."""
_METHOD = "Limits of agreement"


@dataclass(frozen=True)
class Agreement:
    """Bias and limits of agreement of differences, mL."""

    n: int
    s_ml: float
    """Standard deviation of the differences."""
    bias_ml: Ranged
    lower_ml: Ranged
    """Lower limit, bias - 1.96 s, with its interval."""
    upper_ml: Ranged
    interval: str
    """"exact", "approximate" or "analysts"."""
    multiple: float
    """How many standard deviations the limits lie from the bias."""


@dataclass(frozen=True)
class GroupedAgreement:
    """The same for a further titration of a further analyst."""

    agreement: Agreement
    analysts: int
    s_within_ml: float
    s_between_ml: float


@functools.cache
def exact_factors(n: int, multiple: float = Z95) -> tuple[float, float]:
    """Ends of the exact 95 % interval of the upper limit, in standard deviations from the bias.

    (mean + k s) covers mean + multiple sigma when k sqrt(n) is a quantile of the noncentral t
    distribution with n - 1 degrees of freedom and noncentrality multiple sqrt(n).
    """
    from scipy.stats import nct

    low, high = (float(nct.ppf(q, n - 1, multiple * math.sqrt(n))) for q in (0.025, 0.975))
    return low / math.sqrt(n), high / math.sqrt(n)


def approximate_factors(n: int, multiple: float = Z95) -> tuple[float, float]:
    """The same by Bland and Altman 1999: variance s^2 (1/n + multiple^2 / (2 (n - 1)))."""
    from scipy.special import stdtrit

    half = float(stdtrit(n - 1, 0.975)) * math.sqrt(1.0 / n + multiple**2 / (2.0 * (n - 1)))
    return multiple - half, multiple + half


def agreement(differences_ml: ArrayLike, *, exact: bool = True, multiple: float = Z95) -> Agreement:
    """Bias and limits of agreement of independent differences.

    Parameters
    ----------
    differences_ml:
        Shape (n,), n >= 3, mL.
    exact:
        Exact intervals of the limits, or those of Bland and Altman 1999.
    multiple:
        Standard deviations from the bias to the limits; 1.96 for 95 % of differences, 2 as in
        the paper of 1986.

    Raises
    ------
    ComparisonProblem
        Fewer than 3 differences, or all are equal.
    """
    from scipy.special import stdtrit

    d = checked(differences_ml, "the differences", LEAST, _METHOD)
    not_constant(
        d, "all differences are equal", _METHOD, "Check that one column is not a "
        "copy of the other, and that volumes are read finely enough."
    )  # fmt: skip
    n, bias, s = len(d), float(d.mean()), float(d.std(ddof=1))
    half = float(stdtrit(n - 1, 0.975)) * s / math.sqrt(n)
    near, far = exact_factors(n, multiple) if exact else approximate_factors(n, multiple)
    return Agreement(
        n=n,
        s_ml=s,
        bias_ml=Ranged(bias, bias - half, bias + half),
        lower_ml=Ranged(bias - multiple * s, bias - far * s, bias - near * s),
        upper_ml=Ranged(bias + multiple * s, bias + near * s, bias + far * s),
        interval="exact" if exact else "approximate",
        multiple=multiple,
    )


def grouped_agreement(differences_ml: ArrayLike, analysts: Sequence[str]) -> GroupedAgreement:
    """Bias and limits for analysts like these: each counts the same, and they differ.

    The bias is the mean of the analysts' means; its interval has one degree of freedom less than
    there are analysts (exact for equal numbers of titrations). The limits take both the scatter of
    one analyst and that between analysts; their intervals are those of Zou.

    Parameters
    ----------
    differences_ml:
        Shape (n,), mL.
    analysts:
        Who made each titration; 3 or more analysts, and more titrations than analysts.

    Raises
    ------
    ComparisonProblem
        Too few analysts or titrations, or all differences are equal.
    """
    from scipy.special import stdtrit

    d = checked(differences_ml, "the differences", LEAST, _METHOD)
    names = sorted(set(analysts))
    if len(names) < 3 or len(d) <= len(names):
        raise ComparisonProblem(
            f"Limits for further analysts need 3 or more analysts with several titrations; there "
            f"are {len(names)} with {len(d)}.",
            "Let more people titrate, each several samples.",
        )
    groups = [d[[a == name for a in analysts]] for name in names]
    found = components(groups)
    means = np.array([group.mean() for group in groups])
    p = len(names)
    bias = float(means.mean())
    half = float(stdtrit(p - 1, 0.975)) * float(means.std(ddof=1)) / math.sqrt(p)
    total = reproducibility_interval(found)
    reach = Z95 * total.value
    inner = math.hypot(half, Z95 * (total.value - total.low))
    outer = math.hypot(half, Z95 * (total.high - total.value))
    limits = Agreement(
        n=len(d),
        s_ml=total.value,
        bias_ml=Ranged(bias, bias - half, bias + half),
        lower_ml=Ranged(bias - reach, bias - reach - outer, bias - reach + inner),
        upper_ml=Ranged(bias + reach, bias + reach - inner, bias + reach + outer),
        interval="analysts",
        multiple=Z95,
    )
    return GroupedAgreement(limits, p, found.s_r, found.s_between)
