"""Straight lines with errors in both variables: York, and Deming.

Sources: D. York, N. M. Evensen, M. L. Martinez, J. De Basabe Delgado, Am. J. Phys. 72 (2004)
367-375 (unified equations); W. E. Deming, Statistical Adjustment of Data (1943); the jackknife of
the Deming line as K. Linnet, Stat. Med. 9 (1990) 1463-1473 has it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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

LEAST_YORK = 4
LEAST_DEMING = 8
"""Pairs without which no line is fitted; the intervals of the second come from a jackknife, which
needs more. Assumed."""
_MOST_STEPS = 500
"""Steps of York's iteration at most. Assumed."""


@dataclass(frozen=True)
class Line:
    """y = intercept + slope x."""

    method: str
    n: int
    slope: Ranged
    intercept_ml: Ranged
    u_slope: float
    u_intercept_ml: float
    covariance: float
    """Of intercept and slope, mL."""
    chi_square: float | None = None
    """Weighted sum of squared residuals, where uncertainties were stated."""
    freedom: int | None = None
    p_value: float | None = None
    """Probability of such a chi-square, or a larger one, if the stated uncertainties are all."""
    variance_ratio: float | None = None
    """Error variance of y over that of x, for Deming."""

    def at(self, x: FloatArray) -> FloatArray:
        """Line at x, mL."""
        return self.intercept_ml.value + self.slope.value * x

    def u_at(self, x: FloatArray) -> FloatArray:
        """Standard uncertainty of the line at x, mL."""
        square = self.u_intercept_ml**2 + (self.u_slope * x) ** 2 + 2.0 * self.covariance * x
        return np.sqrt(np.maximum(square, 0.0))


def york(
    x_ml: ArrayLike,
    y_ml: ArrayLike,
    u_x_ml: ArrayLike,
    u_y_ml: ArrayLike,
    correlation: ArrayLike = 0.0,
) -> Line:
    """Best straight line when every point states the uncertainty of both values.

    Parameters
    ----------
    x_ml, y_ml, u_x_ml, u_y_ml:
        Shape (n,), n >= 4; standard uncertainties above 0.
    correlation:
        Of the two errors of each point, -1 < r < 1; a number or shape (n,).

    Returns
    -------
    Line with intervals of 1.96 standard uncertainties that follow from the stated ones alone.

    Raises
    ------
    ComparisonProblem
        Too few points, an uncertainty that is not above 0, x that does not vary, or no line.
    """
    from scipy.special import chdtrc

    x, y = _points(x_ml, y_ml, LEAST_YORK, "York's line")
    n = len(x)
    ux, uy = (np.array(u, dtype=np.float64) for u in (u_x_ml, u_y_ml))
    if ux.shape != x.shape or uy.shape != x.shape or not (np.all(ux > 0) and np.all(uy > 0)):
        raise ComparisonProblem(
            "York's line needs an uncertainty above 0 for both volumes of each titration.",
            "Fill the columns of uncertainties, or use the other lines.",
        )
    r = np.broadcast_to(np.asarray(correlation, dtype=np.float64), x.shape)
    wx, wy = ux**-2.0, uy**-2.0
    alpha = np.sqrt(wx * wy)
    b = _first_slope(x, y)
    for _ in range(_MOST_STEPS):
        w, beta, x_mean, y_mean = _york_step(b, x, y, wx, wy, alpha, r)
        down = float(np.sum(w * beta * (x - x_mean)))
        if down == 0.0 or not math.isfinite(down):
            break
        new = float(np.sum(w * beta * (y - y_mean))) / down
        done = abs(new - b) <= 1e-14 * max(abs(new), 1e-3)
        b = new
        if done:
            break
    else:
        down = 0.0
    if down == 0.0 or not math.isfinite(b):
        raise _no_line("York's line")
    w, beta, x_mean, y_mean = _york_step(b, x, y, wx, wy, alpha, r)
    a = y_mean - b * x_mean
    adjusted = x_mean + beta
    middle = float(np.sum(w * adjusted) / np.sum(w))
    variance_b = 1.0 / float(np.sum(w * (adjusted - middle) ** 2))
    variance_a = 1.0 / float(np.sum(w)) + middle**2 * variance_b
    chi = float(np.sum(w * (y - a - b * x) ** 2))
    u_b, u_a = math.sqrt(variance_b), math.sqrt(variance_a)
    return Line(
        "York",
        n,
        Ranged(b, b - Z95 * u_b, b + Z95 * u_b),
        Ranged(a, a - Z95 * u_a, a + Z95 * u_a),
        u_b,
        u_a,
        -middle * variance_b,
        chi,
        n - 2,
        float(chdtrc(n - 2, chi)),
    )


def _york_step(
    b: float,
    x: FloatArray,
    y: FloatArray,
    wx: FloatArray,
    wy: FloatArray,
    alpha: FloatArray,
    r: FloatArray,
) -> tuple[FloatArray, FloatArray, float, float]:
    """W, beta and the weighted means for a slope: equations 13a to 13e of the paper of 2004."""
    w = wx * wy / (wx + b * b * wy - 2.0 * b * r * alpha)
    x_mean, y_mean = float(np.sum(w * x) / np.sum(w)), float(np.sum(w * y) / np.sum(w))
    u, v = x - x_mean, y - y_mean
    beta = w * (u / wy + b * v / wx - (b * u + v) * r / alpha)
    return w, beta, x_mean, y_mean


def deming(x_ml: ArrayLike, y_ml: ArrayLike, variance_ratio: float = 1.0) -> Line:
    """Line for one ratio of the error variances of y and x, with jackknife intervals.

    Parameters
    ----------
    x_ml, y_ml:
        Shape (n,), n >= 8.
    variance_ratio:
        Error variance of y over that of x, above 0.

    Raises
    ------
    ComparisonProblem
        Too few points, values that do not vary, or no line.
    """
    from scipy.special import stdtrit

    x, y = _points(x_ml, y_ml, LEAST_DEMING, "The Deming line")
    if not 0.0 < variance_ratio < math.inf:
        raise ComparisonProblem(
            f"The Deming line: {variance_ratio:g} is not a ratio of variances.",
            "Give a number above 0.",
        )
    n = len(x)
    slope, intercept = _deming(x, y, variance_ratio)
    keep = ~np.eye(n, dtype=bool)
    left = np.array([_deming(x[k], y[k], variance_ratio) for k in keep])
    pseudo = n * np.array([slope, intercept]) - (n - 1) * left
    covariance = np.cov(pseudo, rowvar=False) / n
    u_b, u_a = (math.sqrt(float(covariance[k, k])) for k in (0, 1))
    t = float(stdtrit(n - 2, 0.975))
    return Line(
        "Deming",
        n,
        Ranged(slope, slope - t * u_b, slope + t * u_b),
        Ranged(intercept, intercept - t * u_a, intercept + t * u_a),
        u_b,
        u_a,
        float(covariance[0, 1]),
        variance_ratio=variance_ratio,
    )


def _deming(x: FloatArray, y: FloatArray, ratio: float) -> tuple[float, float]:
    u, v = x - x.mean(), y - y.mean()
    xx, yy, xy = float(u @ u), float(v @ v), float(u @ v)
    if xy == 0.0:
        raise _no_line("The Deming line")
    lean = yy - ratio * xx
    slope = (lean + math.sqrt(lean * lean + 4.0 * ratio * xy * xy)) / (2.0 * xy)
    return slope, float(y.mean()) - slope * float(x.mean())


def _points(
    x_ml: ArrayLike, y_ml: ArrayLike, least: int, method: str
) -> tuple[FloatArray, FloatArray]:
    x = checked(x_ml, "the recorded volumes", least, method)
    y = checked(y_ml, "the visual titres", least, method)
    if len(x) != len(y):
        raise ComparisonProblem(f"{method}: the columns differ in length.", "Complete the rows.")
    remedy = "Compare samples of different hardness, or do without the regression."
    not_constant(x, "all recorded volumes are equal", method, remedy)
    not_constant(y, "all visual titres are equal", method, remedy)
    return x, y


def _first_slope(x: FloatArray, y: FloatArray) -> float:
    u = x - x.mean()
    return float(u @ (y - y.mean())) / float(u @ u)


def _no_line(method: str) -> ComparisonProblem:
    return ComparisonProblem(
        f"{method}: the volumes do not rise or fall together, so there is no line.",
        "Compare samples of different hardness.",
    )
