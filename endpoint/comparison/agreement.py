"""Limits of agreement between two ways to find one volume.

Differences are visual minus recorded, in mL. Sources:

* bias and limits: J. M. Bland, D. G. Altman, Lancet 327 (1986) 307-310;
* approximate intervals of the limits: J. M. Bland, D. G. Altman, Stat. Methods Med. Res. 8 (1999)
  135-160, section 2;
* exact intervals: A. Carkeet, Optom. Vis. Sci. 92 (2015) e71-e80 (noncentral t);
* several titrations by each analyst, or of each sample: J. M. Bland, D. G. Altman, J. Biopharm.
  Stat. 17 (2007) 571-582; intervals: G. Y. Zou, Stat. Methods Med. Res. 22 (2013) 630-642.
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
_MORE = {
    "analysts": "Let more people titrate, each several samples.",
    "samples": "Titrate more samples, each several times.",
}


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
    """"exact", "approximate", "analysts", "samples" or "both"."""
    multiple: float
    """How many standard deviations the limits lie from the bias."""


@dataclass(frozen=True)
class GroupedAgreement:
    """The same for a further titration of a further analyst or sample, or of both."""

    agreement: Agreement
    groups: int
    """Analysts, or samples; of both, the smaller number."""
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


def grouped_agreement(
    differences_ml: ArrayLike, groups: Sequence[str], of: str = "analysts"
) -> GroupedAgreement:
    """Bias and limits for analysts (or samples) like these: each counts the same, and they differ.

    The bias is the mean of the groups' means; its interval has one degree of freedom less than
    there are groups (exact for equal numbers of titrations). The limits take both the scatter
    within a group and that between groups; their intervals are those of Zou.

    Parameters
    ----------
    differences_ml:
        Shape (n,), mL.
    groups:
        Who made each titration, or which sample it was of; 3 or more, and more titrations than
        groups.
    of:
        "analysts" or "samples".

    Raises
    ------
    ComparisonProblem
        Too few groups or titrations, or all differences are equal.
    """
    from scipy.special import stdtrit

    d = checked(differences_ml, "the differences", LEAST, _METHOD)
    names = sorted(set(groups))
    if len(names) < LEAST or len(d) <= len(names):
        raise ComparisonProblem(
            f"Limits for further {of} need 3 or more {of} with several titrations; there "
            f"{'is' if len(names) == 1 else 'are'} {len(names)} with {len(d)} titrations.",
            _MORE[of],
        )
    parts = [d[[a == name for a in groups]] for name in names]
    found = components(parts)
    means = np.array([part.mean() for part in parts])
    p = len(names)
    bias = float(means.mean())
    half = float(stdtrit(p - 1, 0.975)) * float(means.std(ddof=1)) / math.sqrt(p)
    limits = _limits(len(d), bias, half, reproducibility_interval(found), of)
    return GroupedAgreement(limits, p, found.s_r, found.s_between)


def crossed_agreement(analysts: GroupedAgreement, samples: GroupedAgreement) -> GroupedAgreement:
    """Bias and limits for further analysts and further samples at once.

    The squares of both half-widths of the bias are added, and the larger total scatter counts.
    Each of the two holds the scatter of a single titration as well, so the interval is on the safe
    side: 95 % or more in the simulations of the tests.
    """
    a, s = analysts.agreement, samples.agreement
    half = math.hypot(*(0.5 * (each.bias_ml.high - each.bias_ml.low) for each in (a, s)))
    wider = max((a, s), key=lambda each: each.s_ml)
    own = 0.5 * (wider.bias_ml.high - wider.bias_ml.low)
    inner, outer = (
        math.sqrt(max((end - wider.upper_ml.value) ** 2 - own**2, 0.0)) / Z95
        for end in wider.upper_ml.ends
    )
    total = Ranged(wider.s_ml, wider.s_ml - inner, wider.s_ml + outer)
    bias = 0.5 * (a.bias_ml.value + s.bias_ml.value)
    return GroupedAgreement(
        _limits(a.n, bias, half, total, "both"),
        min(analysts.groups, samples.groups),
        min(analysts.s_within_ml, samples.s_within_ml),
        math.hypot(analysts.s_between_ml, samples.s_between_ml),
    )


def _limits(n: int, bias: float, half: float, total: Ranged, of: str) -> Agreement:
    """Limits from a bias with its half-width and a total standard deviation, as Zou has them."""
    reach = Z95 * total.value
    inner = math.hypot(half, Z95 * (total.value - total.low))
    outer = math.hypot(half, Z95 * (total.high - total.value))
    return Agreement(
        n=n,
        s_ml=total.value,
        bias_ml=Ranged(bias, bias - half, bias + half),
        lower_ml=Ranged(bias - reach, bias - reach - outer, bias - reach + inner),
        upper_ml=Ranged(bias + reach, bias + reach - inner, bias + reach + outer),
        interval=of,
        multiple=Z95,
    )
