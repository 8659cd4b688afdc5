"""The rank line of Passing and Bablok: no law of errors assumed, outliers do little.

Source: H. Passing, W. Bablok, J. Clin. Chem. Clin. Biochem. 21 (1983) 709-720. It takes both
volumes as uncertain in the ratio of the slope, and holds for lines that rise.

Where the errors are very unequal and the same few samples come again and again it leans: simulated
with six waters, ten titrations each and error variances of 1 to 50, its interval of the slope held
the truth in 86 % of cases, not 95 %; with sixty waters in 95 %.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from endpoint.comparison.estimates import (
    Z95,
    ComparisonProblem,
    FloatArray,
    Ranged,
    checked,
    not_constant,
)

LEAST = 10
MOST = 3000
"""Pairs without which no line is fitted, as its confidence bounds hold for many, and beyond which
its slopes, one for each two pairs, take too much memory. Assumed."""
_METHOD = "The Passing-Bablok line"


def passing_bablok(x_ml: ArrayLike, y_ml: ArrayLike) -> tuple[Ranged, Ranged]:
    """Slope and intercept with their 95 % intervals.

    Parameters
    ----------
    x_ml, y_ml:
        Shape (n,), 10 to 3000 points.

    Returns
    -------
    Slope, and intercept in mL. The interval of the intercept follows from the ends of that of the
    slope, as the authors have it; simulated it holds the truth in 94 % of cases, not 95 %.

    Raises
    ------
    ComparisonProblem
        Too few or too many points, values that do not vary, volumes that do not rise together, or
        too few slopes for an interval.
    """
    x = checked(x_ml, "the recorded volumes", LEAST, _METHOD)
    y = checked(y_ml, "the visual titres", LEAST, _METHOD)
    if len(x) != len(y) or len(x) > MOST:
        raise ComparisonProblem(
            f"{_METHOD} takes two columns of equal length, up to {MOST} rows.", "Split the table."
        )
    remedy = "Compare samples of different hardness, or do without the regression."
    not_constant(x, "all recorded volumes are equal", _METHOD, remedy)
    not_constant(y, "all visual titres are equal", _METHOD, remedy)
    n = len(x)
    slopes = pair_slopes(x, y)
    count, offset = len(slopes), int(np.sum(slopes < -1.0))
    middle = count // 2 + offset
    reach = Z95 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    first = round((count - reach) / 2.0)
    low_at, high_at = first + offset - 1, count - first + offset
    if first < 1 or high_at >= count or middle >= count:
        raise ComparisonProblem(
            f"{_METHOD}: the volumes do not clearly rise together, so there is no line.",
            "Compare more samples, of different hardness.",
        )
    slope = 0.5 * float(slopes[(count - 1) // 2 + offset] + slopes[middle])
    low, high = float(slopes[low_at]), float(slopes[high_at])
    if not all(math.isfinite(v) for v in (slope, low, high)):
        raise ComparisonProblem(
            f"{_METHOD}: too many recorded volumes are equal.",
            "Compare samples of different hardness.",
        )
    return Ranged(slope, low, high), Ranged(
        float(np.median(y - slope * x)),
        float(np.median(y - high * x)),
        float(np.median(y - low * x)),
    )


def pair_slopes(x: FloatArray, y: FloatArray) -> FloatArray:
    """Slopes of all pairs of points in ascending order; without equal points and slopes of -1.

    Points above one another have a slope of +inf or -inf by the order in which they stand; both
    count as steeper than every other slope, since slopes below -1 are put behind the others.
    """
    i, j = np.triu_indices(len(x), 1)
    run, rise = x[j] - x[i], y[j] - y[i]
    apart = (run != 0.0) | (rise != 0.0)
    with np.errstate(divide="ignore"):
        slopes = rise[apart] / np.where(run[apart] == 0.0, 0.0, run[apart])
    return np.sort(slopes[slopes != -1.0])
