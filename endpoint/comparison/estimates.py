"""What the methods of a comparison share: an estimate with its interval, and their refusal."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.problem import Problem

FloatArray = NDArray[np.float64]

LEVEL = 0.95
"""Confidence of every interval."""
Z95 = 1.959963984540054
"""97.5 % point of the standard normal distribution."""


class ComparisonProblem(Problem):
    """A comparison, or one of its methods, cannot be made from these titres."""

    code = "comparison"


@dataclass(frozen=True)
class Ranged:
    """A value and its 95 % confidence interval."""

    value: float
    low: float
    high: float

    @property
    def ends(self) -> tuple[float, float]:
        """Lower and upper end of the interval."""
        return self.low, self.high

    def holds(self, value: float) -> bool:
        """Whether a value lies in the interval."""
        return self.low <= value <= self.high


@dataclass(frozen=True)
class Refused:
    """A method that was not used, and why."""

    method: str
    sentence: str
    remedy: str


def checked(values: ArrayLike, name: str, least: int, method: str) -> FloatArray:
    """Finite values as an array of at least so many.

    Raises
    ------
    ComparisonProblem
        There are fewer, or one is not finite.
    """
    found = np.array(values, dtype=np.float64)
    if found.ndim != 1 or not np.all(np.isfinite(found)):
        raise ComparisonProblem(
            f"{method}: {name} contain a value that is not a number.", "Correct it."
        )
    if len(found) < least:
        raise ComparisonProblem(
            f"{method} needs {least} or more titrations, there are {len(found)}.",
            "Titrate more samples.",
        )
    return found


def not_constant(values: FloatArray, words: str, method: str, remedy: str) -> None:
    """Refuse values that do not differ beyond rounding.

    Raises
    ------
    ComparisonProblem
        They are all equal.
    """
    scale = float(np.max(np.abs(values)))
    if float(np.ptp(values)) <= 1e-9 * max(scale, 1.0):
        raise ComparisonProblem(f"{method}: {words}.", remedy)


def deviation_interval(s: float, freedom: float) -> Ranged:
    """95 % interval of a standard deviation with so many degrees of freedom (chi-square)."""
    from scipy.special import chdtri

    low = s * math.sqrt(freedom / float(chdtri(freedom, 0.025)))
    high = s * math.sqrt(freedom / float(chdtri(freedom, 0.975)))
    return Ranged(s, low, high)
