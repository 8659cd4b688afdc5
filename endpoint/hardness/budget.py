"""The uncertainty budget of any result: every input, every source, and a Monte Carlo check.

A model is one function of its inputs, written with + - * /. It is evaluated three times: on
quantities (first order, JCGM 100:2008), on unit steps (sensitivities, exact to rounding) and on
draws (Monte Carlo, JCGM 101:2008). Where the two 95 % intervals differ by more than 5 % of the
half width, the one of the Monte Carlo run is used, as JCGM 101:2008, 8 allows, and that is said.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from calibration.propagation import monte_carlo
from calibration.quantity import Contribution, Quantity

DRAWS = 200_000
"""Draws of the check: the ends of a 95 % interval are then known to about 0.6 % of the standard
uncertainty (scatter of a quantile of a normal sample)."""
SEED = 1
"""So that a record gives the same numbers every time."""
LARGEST_DIFFERENCE = 0.05
"""Distance between the ends of the two intervals, as a part of the half width, from which the
interval of the draws is stated. Our choice, near the half of the last of two figures that JCGM 101
asks for (from memory); lower, and the scatter of the draws decides."""


@dataclass(frozen=True)
class BudgetLine:
    """One source of uncertainty of a result."""

    name: str
    contribution: float
    """Standard uncertainty that it causes in the result, >= 0, in `unit`."""
    unit: str
    """Unit of the result."""
    share: float
    """Share of the variance, 0 to 1; all shares sum to 1."""
    kind: str
    """"A" from repeated readings, "B" from other knowledge."""
    distribution: str
    degrees_of_freedom: float
    estimate: float | None = None
    """Value of the input in `input_unit`; None where it is not known any more."""
    input_unit: str | None = None
    standard_uncertainty: float | None = None
    """Of the input, in `input_unit`."""
    sensitivity: float | None = None
    """Change of the result per unit of the input, with its sign."""

    def to_json(self) -> dict[str, object]:
        """Plain dictionary; infinite degrees of freedom become null."""
        nu = self.degrees_of_freedom
        return {
            "name": self.name,
            "value": self.estimate,
            "input_unit": self.input_unit,
            "standard_uncertainty": self.standard_uncertainty,
            "sensitivity": self.sensitivity,
            "contribution": self.contribution,
            "unit": self.unit,
            "share": self.share,
            "type": self.kind,
            "distribution": self.distribution,
            "degrees_of_freedom": nu if math.isfinite(nu) else None,
        }


@dataclass(frozen=True)
class InputLine:
    """One input of the model, with all its sources together."""

    name: str
    value: float
    unit: str
    standard_uncertainty: float
    sensitivity: float
    """Change of the result (unit of the result) per unit of the input."""

    def to_json(self) -> dict[str, object]:
        """Plain dictionary."""
        return {
            "name": self.name,
            "value": self.value,
            "unit": self.unit,
            "standard_uncertainty": self.standard_uncertainty,
            "sensitivity": self.sensitivity,
            "contribution": abs(self.sensitivity) * self.standard_uncertainty,
        }


@dataclass(frozen=True)
class MonteCarloCheck:
    """Outcome of a Monte Carlo run compared with first order, in the unit of the result."""

    value: float
    standard_uncertainty: float | None
    """None where an input is a Student t of 2 degrees of freedom or fewer: no variance."""
    low: float
    high: float
    """Ends of the 95 % interval with equal probability on both sides (JCGM 101:2008, 7.7.2)."""
    difference: float
    """Larger distance of the ends from those of the first order, in half widths of it."""
    draws: int
    seed: int

    @property
    def is_used(self) -> bool:
        """Whether its interval takes the place of the first order."""
        return self.difference > LARGEST_DIFFERENCE

    def to_json(self, factor: float = 1.0) -> dict[str, object]:
        """Plain dictionary, in another unit where a factor is given."""
        return {
            "value": self.value * factor,
            "standard_uncertainty": (
                None if self.standard_uncertainty is None else self.standard_uncertainty * factor
            ),
            "interval95": [self.low * factor, self.high * factor],
            "difference_from_first_order": (
                self.difference if math.isfinite(self.difference) else None
            ),
            "draws": self.draws,
            "seed": self.seed,
            "used": self.is_used,
        }


@dataclass(frozen=True)
class Evaluation:
    """Value of a model with its budget."""

    quantity: Quantity
    inputs: tuple[InputLine, ...]
    monte_carlo: MonteCarloCheck | None
    """None where no input has an uncertainty."""

    @property
    def interval95(self) -> tuple[float, float]:
        """Ends of the 95 % interval: Monte Carlo where it differs, else first order with k u."""
        check = self.monte_carlo
        if check is not None and check.is_used:
            return check.low, check.high
        return self.quantity.interval(0.95)

    @property
    def expanded_uncertainty(self) -> float:
        """Half of the 95 % interval."""
        low, high = self.interval95
        return 0.5 * (high - low)


def evaluate(
    function: Callable[..., Any],
    inputs: Sequence[tuple[str, Quantity]],
    *,
    factor: float = 1.0,
    unit: str = "1",
    draws: int = DRAWS,
) -> Evaluation:
    """Evaluate a model with first order, sensitivities and Monte Carlo.

    Parameters
    ----------
    function:
        Takes one argument per input and uses only + - * / on them, so that quantities, numbers
        and arrays of draws go through the same lines.
    inputs:
        Name and quantity of each argument.
    factor, unit:
        The result is multiplied by the exact factor and is then in `unit`.
    draws:
        Monte Carlo draws; 0 leaves the run out.

    Raises
    ------
    QuantityProblem
        An input cannot be used, or a Monte Carlo draw gave no number.
    """
    quantities = [quantity for _, quantity in inputs]
    result = function(*quantities).scaled(factor, unit)
    steps = [
        Quantity(q.value, q.unit, {f"input {n}": Contribution(1.0)})
        for n, q in enumerate(quantities)
    ]
    slopes = function(*steps).scaled(factor, unit).contributions
    lines = tuple(
        InputLine(
            name,
            quantity.value,
            quantity.unit,
            quantity.standard_uncertainty,
            slopes[f"input {n}"].value,
        )
        for n, (name, quantity) in enumerate(inputs)
    )
    check = None
    if draws and any(quantity.standard_uncertainty > 0 for quantity in quantities):
        check = _check(function, quantities, result, factor, draws)
    return Evaluation(result, lines, check)


@functools.lru_cache(maxsize=128)
def evaluate_one(quantity: Quantity) -> Evaluation:
    """Evaluate a finished quantity: its interval by draws where first order differs.

    Parameters
    ----------
    quantity:
        Any quantity; the result is in its unit.

    Raises
    ------
    QuantityProblem
        A Monte Carlo draw gave no number.
    """
    return evaluate(lambda q: q, [("value", quantity)], unit=quantity.unit)


def _check(
    function: Callable[..., Any],
    quantities: Sequence[Quantity],
    result: Quantity,
    factor: float,
    draws: int,
) -> MonteCarloCheck:
    run = monte_carlo(lambda *a: function(*a) * factor, quantities, draws, SEED, result.unit)
    low, high = run.symmetric_interval(0.95)
    first = result.interval(0.95)
    half = 0.5 * (first[1] - first[0])
    apart = max(abs(low - first[0]), abs(high - first[1]))
    # First order sees nothing where all sensitivities are 0 (JCGM 101:2008, 5.11.4 and 9.3).
    nothing = 1e-12 * abs(result.value)
    difference = apart / half if half > nothing else math.inf
    difference = difference if apart > nothing else 0.0
    has_variance = all(
        c.degrees_of_freedom > 2.0 or c.distribution != "normal"
        for quantity in quantities
        for c in quantity.contributions.values()
    )
    u = run.standard_uncertainty if has_variance else None
    return MonteCarloCheck(run.value, u, low, high, difference, draws, SEED)


def budget(
    result: Quantity, factor: float = 1.0, unit: str | None = None
) -> tuple[BudgetLine, ...]:
    """Every source of a result with its share of the variance, largest first.

    Parameters
    ----------
    result:
        Any quantity.
    factor, unit:
        The lines are in `unit`, the result times the factor; its own unit if not given.
    """
    shares = result.shares()
    lines = []
    for name, share in shares.items():
        c = result.contributions[name]
        slope = c.sensitivity
        lines.append(
            BudgetLine(
                name=name,
                contribution=abs(c.value * factor),
                unit=result.unit if unit is None else unit,
                share=share,
                kind=c.kind,
                distribution=c.distribution,
                degrees_of_freedom=c.degrees_of_freedom,
                estimate=None if c.source is None else c.source.estimate,
                input_unit=None if c.source is None else c.source.unit,
                standard_uncertainty=None if c.source is None else c.source.standard_uncertainty,
                sensitivity=None if slope is None else slope * factor,
            )
        )
    return tuple(sorted(lines, key=lambda line: -line.share))
