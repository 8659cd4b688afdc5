"""Correlated estimates as quantities, and the straight line with both of its coefficients."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.quantity import Contribution, Quantity, QuantityProblem

FloatArray = NDArray[np.float64]
_LEAST_EIGENVALUE = -1e-9


def correlated(
    values: Sequence[float],
    covariance: ArrayLike,
    units: Sequence[str],
    name: str,
    *,
    kind: str = "A",
    degrees_of_freedom: float = math.inf,
) -> tuple[Quantity, ...]:
    """Quantities that have the given covariance through named parts that they share.

    The covariance is split along the axes of its correlation matrix; each axis becomes one named
    source, "<name>, part 1" and so on, so that the correlation outlives arithmetic and files.
    Effective degrees of freedom of what is worked out from them are approximate: the formula of
    Welch and Satterthwaite holds for independent sources (JCGM 100:2008, G.4.1).

    Parameters
    ----------
    values, units:
        One per quantity.
    covariance:
        Shape (n, n), unit(i) unit(j), symmetric, no negative variance.
    name, kind, degrees_of_freedom:
        Of the sources.

    Raises
    ------
    QuantityProblem
        The shapes do not fit, or the matrix is no covariance.
    """
    matrix = np.asarray(covariance, dtype=np.float64)
    n = len(values)
    if matrix.shape != (n, n) or len(units) != n or not np.all(np.isfinite(matrix)):
        raise QuantityProblem(
            f'The covariance of "{name}" does not fit {n} values.', "Give one row for each value."
        )
    sd = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    scale = np.where(sd > 0, sd, 1.0)
    eigenvalues, axes = np.linalg.eigh(matrix / np.outer(scale, scale))
    if not np.allclose(matrix, matrix.T) or eigenvalues.min() < _LEAST_EIGENVALUE:
        raise QuantityProblem(
            f'The covariance of "{name}" cannot be: a variance comes out negative.',
            "Check the correlation coefficients.",
        )
    loads = scale[:, None] * axes * np.sqrt(np.maximum(eigenvalues, 0.0))[None, :]
    return tuple(
        Quantity(
            values[k],
            units[k],
            {
                f"{name}, part {j + 1}": Contribution(loads[k, j], kind, degrees_of_freedom)
                for j in range(n)
                if eigenvalues[j] > 1e-12
            },
        )
        for k in range(n)
    )


def from_sets_of_readings(
    readings: ArrayLike, units: Sequence[str], name: str
) -> tuple[Quantity, ...]:
    """Means of quantities that were read together, with their correlation.

    Source: JCGM 100:2008, 5.2.3, equation (17), and example H.2.

    Parameters
    ----------
    readings:
        Shape (sets, quantities), at least 2 sets.
    units, name:
        As for `correlated`.

    Raises
    ------
    QuantityProblem
        There are fewer than 2 sets.
    """
    data = np.asarray(readings, dtype=np.float64)
    if data.ndim != 2 or len(data) < 2:
        raise QuantityProblem(
            f'"{name}" has fewer than 2 sets of readings.', "Read all quantities again together."
        )
    covariance = np.atleast_2d(np.cov(data, rowvar=False, ddof=1)) / len(data)
    return correlated(
        [float(v) for v in data.mean(axis=0)],
        covariance,
        units,
        name,
        degrees_of_freedom=len(data) - 1,
    )


@dataclass(frozen=True)
class Line:
    """Straight line y = intercept + slope (x - x0)."""

    intercept: Quantity
    """y at x0."""
    slope: Quantity
    x0: float
    residual_sd: float
    """Standard deviation of a point about the line, n - 2 degrees of freedom; unit of y."""
    correlation: float
    """Of intercept and slope."""
    count: int

    def at(self, x: float) -> Quantity:
        """Y at x, in the unit of y."""
        return self.intercept + self.slope.scaled(x - self.x0, self.intercept.unit)


def fit_line(
    x: ArrayLike, y: ArrayLike, *, x0: float = 0.0, units: tuple[str, str] = ("1", "1"), name: str
) -> Line:
    """Least squares through points of equal weight.

    Source: JCGM 100:2008, example H.3.

    Parameters
    ----------
    x, y:
        Shape (n,), n >= 3; the x are taken as exact.
    x0:
        Where the intercept is taken.
    units:
        Of x and y.
    name:
        Name of the source of uncertainty, the scatter about the line.

    Raises
    ------
    QuantityProblem
        There are fewer than 3 points, or all x are equal.
    """
    a, b = np.asarray(x, dtype=np.float64) - x0, np.asarray(y, dtype=np.float64)
    n = a.size
    if n < 3 or a.shape != b.shape or float(np.ptp(a)) == 0.0:
        raise QuantityProblem(
            f'No line can be drawn through the {n} point(s) of "{name}".',
            "Give at least 3 points with different x.",
        )
    design = np.column_stack([np.ones(n), a])
    inverse = np.linalg.inv(design.T @ design)
    coefficients = inverse @ design.T @ b
    s = float(np.sqrt(np.sum((b - design @ coefficients) ** 2) / (n - 2)))
    slope_unit = f"{units[1]}/{units[0]}" if units[0] != "1" else units[1]
    covariance = inverse * s**2
    intercept, slope = correlated(
        [float(c) for c in coefficients],
        covariance,
        (units[1], slope_unit),
        name,
        degrees_of_freedom=n - 2,
    )
    r = float(inverse[0, 1] / np.sqrt(inverse[0, 0] * inverse[1, 1]))
    return Line(intercept, slope, x0, s, r, n)
