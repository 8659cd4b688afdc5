"""A measured value that remembers where its uncertainty comes from.

A `Quantity` holds a value, a unit and one signed standard-uncertainty contribution for each NAMED
elementary input. The name is the identity: two volumes from one burette share the name
"burette 17: calibration", so they stay correlated through arithmetic and through a file.

Propagation is first order (JCGM 100:2008, 5.1 and 5.2): contribution = sensitivity times standard
uncertainty, added with its sign under each name, then root sum of squares over the names. The
Monte Carlo method (JCGM 101:2008) draws each name once and feeds every quantity that carries it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from calibration.problem import CalibrationProblem

V = TypeVar("V")

# Divisor from the half width of the limits to a standard uncertainty.
# QUAM 2012, 8.1 and appendix E1; JCGM 100:2008, 4.3 (normal: 95 % limits, from memory).
DIVISORS: Mapping[str, float] = {
    "rectangular": math.sqrt(3.0),
    "triangular": math.sqrt(6.0),
    "arcsine": math.sqrt(2.0),
    "normal": 1.96,
}


class QuantityProblem(CalibrationProblem):
    """A value, an uncertainty or a unit cannot be used."""


@dataclass(frozen=True)
class Source:
    """The input behind a contribution, in its own unit, for the lines of a budget."""

    estimate: float
    unit: str
    standard_uncertainty: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "estimate", float(self.estimate))
        object.__setattr__(self, "standard_uncertainty", float(self.standard_uncertainty))
        if not (math.isfinite(self.estimate) and 0.0 <= self.standard_uncertainty < math.inf):
            raise QuantityProblem(
                f"An input is {self.estimate:g} {self.unit} with the standard uncertainty "
                f"{self.standard_uncertainty:g}.",
                "Give finite numbers, and an uncertainty of 0 or more.",
            )

    def agrees_with(self, other: Source) -> bool:
        """Tell whether both are the same input, but for rounding on the way through a file."""
        return self.unit == other.unit and all(
            math.isclose(a, b, rel_tol=1e-9, abs_tol=0.0)
            for a, b in (
                (self.estimate, other.estimate),
                (self.standard_uncertainty, other.standard_uncertainty),
            )
        )


@dataclass(frozen=True)
class Contribution:
    """One named source of uncertainty, as it acts on one quantity."""

    value: float
    """Signed standard uncertainty in the unit of the quantity: sensitivity times u(input)."""
    kind: str = "B"
    """"A" from repeated readings, "B" from other knowledge (JCGM 100:2008, 4.2 and 4.3)."""
    degrees_of_freedom: float = math.inf
    distribution: str = "normal"
    """One of `DIVISORS`; normal with finite degrees of freedom is drawn as Student t."""
    source: Source | None = None
    """The input itself where it is known; kept through arithmetic and through files."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", float(self.value))
        object.__setattr__(self, "degrees_of_freedom", float(self.degrees_of_freedom))
        if not math.isfinite(self.value):
            raise QuantityProblem(
                f"A standard uncertainty is {self.value}, which is not a number.",
                "Give a finite number.",
            )
        if self.kind not in ("A", "B"):
            raise QuantityProblem(f'The kind "{self.kind}" is unknown.', 'Use "A" or "B".')
        if self.distribution not in DIVISORS:
            raise QuantityProblem(
                f'The distribution "{self.distribution}" is unknown.',
                f"Use one of: {', '.join(DIVISORS)}.",
            )
        if not self.degrees_of_freedom > 0:
            raise QuantityProblem(
                f"The degrees of freedom are {self.degrees_of_freedom:g}.",
                "Give a number above 0; leave the key out where the value is well known.",
            )

    def same_source(self, other: Contribution) -> bool:
        """Tell whether all but the size agrees, as it must under one name."""
        alike = (self.kind, self.degrees_of_freedom, self.distribution) == (
            other.kind,
            other.degrees_of_freedom,
            other.distribution,
        )
        if self.source is None or other.source is None:
            return alike
        return alike and self.source.agrees_with(other.source)

    @property
    def sensitivity(self) -> float | None:
        """Change of the quantity per unit of the input; None where the input is not known."""
        if self.source is None or self.source.standard_uncertainty == 0.0:
            return None
        return self.value / self.source.standard_uncertainty


class FrozenTable(Mapping[str, V]):
    """Read-only mapping from name to V; unlike a mapping proxy it can be hashed and pickled."""

    __slots__ = ("_items",)

    def __init__(self, items: Mapping[str, V] | None = None) -> None:
        self._items = dict(items or {})

    def __getitem__(self, name: str) -> V:
        return self._items[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __hash__(self) -> int:
        return hash(frozenset(self._items.items()))

    def __repr__(self) -> str:
        return f"FrozenTable({self._items!r})"


def combine_units(left: str, right: str, sign: int) -> str:
    """Unit of a product (sign +1) or of a quotient (sign -1), equal symbols cancelled.

    Symbols are separated by "·", what follows the first "/" is divided by; "1" has no unit.
    Nothing is converted: mL and L do not cancel.
    """
    powers: dict[str, int] = {}
    for unit, outer in ((left, 1), (right, sign)):
        above, _, below = unit.partition("/")
        for part, inner in ((above, 1), (below, -1)):
            for symbol in part.replace("/", "·").split("·"):
                if symbol and symbol != "1":
                    powers[symbol] = powers.get(symbol, 0) + outer * inner
    above = "·".join(s for s, n in powers.items() for _ in range(n))
    below = "·".join(s for s, n in powers.items() for _ in range(-n))
    return f"{above or '1'}/{below}" if below else above or "1"


@dataclass(frozen=True)
class Quantity:
    """Value, unit and named signed standard-uncertainty contributions; immutable.

    Raises
    ------
    QuantityProblem
        The value is not finite.
    """

    value: float
    unit: str
    contributions: Mapping[str, Contribution] = FrozenTable()

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", float(self.value))
        object.__setattr__(self, "contributions", FrozenTable(self.contributions))
        if not math.isfinite(self.value):
            raise QuantityProblem(
                f"A value in {self.unit} is {self.value}, which is not a number.",
                "Check the numbers that it was made from.",
            )

    @classmethod
    def measured(
        cls,
        value: float,
        unit: str,
        standard_uncertainty: float,
        name: str,
        *,
        kind: str = "B",
        degrees_of_freedom: float = math.inf,
        distribution: str = "normal",
    ) -> Quantity:
        """Quantity with one source of uncertainty.

        Raises
        ------
        QuantityProblem
            The uncertainty is negative or not finite, or the value is not finite.
        """
        if standard_uncertainty < 0:
            raise QuantityProblem(
                f'The uncertainty of "{name}" is negative ({standard_uncertainty:g} {unit}).',
                "Give a standard uncertainty of 0 or more.",
            )
        part = Contribution(
            standard_uncertainty,
            kind,
            degrees_of_freedom,
            distribution,
            Source(value, unit, standard_uncertainty),
        )
        return cls(value, unit, {name: part})

    @classmethod
    def from_limits(
        cls, value: float, unit: str, half_width: float, distribution: str, name: str
    ) -> Quantity:
        """Quantity known to lie within +/- `half_width`; type B, divisor from `DIVISORS`.

        Source: QUAM 2012, 8.1. For "normal" the limits are those of a 95 % interval.

        Parameters
        ----------
        value, half_width:
            In `unit`.
        unit:
            Of both.
        distribution:
            Key of `DIVISORS`.
        name:
            Whose error it is.

        Raises
        ------
        QuantityProblem
            The distribution is unknown, or a number is not finite.
        """
        if distribution not in DIVISORS:
            raise QuantityProblem(
                f'The distribution "{distribution}" of "{name}" is unknown.',
                f"Use one of: {', '.join(DIVISORS)}.",
            )
        u = half_width / DIVISORS[distribution]
        return cls.measured(value, unit, u, name, distribution=distribution)

    @classmethod
    def from_readings(cls, readings: Sequence[float], unit: str, name: str) -> Quantity:
        """Mean of repeated readings with u = s/sqrt(n), n - 1 degrees of freedom; type A.

        Source: JCGM 100:2008, 4.2.

        Raises
        ------
        QuantityProblem
            There are fewer than two readings, or one is not finite.
        """
        if len(readings) < 2:
            raise QuantityProblem(
                f'"{name}" has {len(readings)} reading(s), too few to know their spread.',
                "Give at least 2 readings, or a value with its standard uncertainty.",
            )
        data = np.asarray(readings, dtype=np.float64)
        u = float(data.std(ddof=1)) / math.sqrt(len(data))
        return cls.measured(
            float(data.mean()), unit, u, name, kind="A", degrees_of_freedom=len(data) - 1
        )

    @property
    def standard_uncertainty(self) -> float:
        """Root sum of squares over the names, in the unit of the quantity."""
        return math.hypot(*(c.value for c in self.contributions.values()))

    @property
    def effective_degrees_of_freedom(self) -> float:
        """Welch-Satterthwaite, JCGM 100:2008, G.4.1; infinite where every input is well known."""
        u = self.standard_uncertainty
        if u == 0.0:
            return math.inf
        ratio = sum((c.value / u) ** 4 / c.degrees_of_freedom for c in self.contributions.values())
        return 1.0 / ratio if ratio > 0 else math.inf

    def coverage_factor(self, coverage: float = 0.95) -> float:
        """Factor k: t of the effective degrees of freedom, cut to an integer (JCGM 100, G.4.1).

        Raises
        ------
        QuantityProblem
            The coverage does not lie between 0 and 1.
        """
        from scipy.special import ndtri, stdtrit  # seconds of start-up are spent only when asked

        if not 0.0 < coverage < 1.0:
            raise QuantityProblem(
                f"The coverage {coverage:g} is not a probability.", "Give a number between 0 and 1."
            )
        nu, p = self.effective_degrees_of_freedom, 0.5 * (1.0 + coverage)
        if nu >= 1e6:
            return float(ndtri(p))
        # The sum behind nu may land a rounding error below a whole number.
        whole = math.floor(nu * (1.0 + 1e-12))
        return float(stdtrit(whole if whole >= 1 else nu, p))

    def expanded_uncertainty(self, coverage: float = 0.95) -> float:
        """U = k u, in the unit of the quantity."""
        return self.coverage_factor(coverage) * self.standard_uncertainty

    def interval(self, coverage: float = 0.95) -> tuple[float, float]:
        """Value minus and plus the expanded uncertainty."""
        half = self.expanded_uncertainty(coverage)
        return self.value - half, self.value + half

    def shares(self) -> dict[str, float]:
        """Share of each name in the variance; they sum to 1. Empty where u is 0."""
        u = self.standard_uncertainty
        if u == 0.0:
            return {}
        return {name: (c.value / u) ** 2 for name, c in self.contributions.items()}

    def scaled(self, factor: float, unit: str | None = None) -> Quantity:
        """Return the quantity times an exact number, in another unit where one is given."""
        parts = {n: replace(c, value=c.value * factor) for n, c in self.contributions.items()}
        return Quantity(self.value * factor, self.unit if unit is None else unit, parts)

    def __neg__(self) -> Quantity:
        return self.scaled(-1.0)

    def __add__(self, other: Quantity | float) -> Quantity:
        other = self._with_my_unit(other)
        return combine(self.value + other.value, self.unit, ((1.0, self), (1.0, other)))

    __radd__ = __add__

    def __sub__(self, other: Quantity | float) -> Quantity:
        other = self._with_my_unit(other)
        return combine(self.value - other.value, self.unit, ((1.0, self), (-1.0, other)))

    def __rsub__(self, other: float) -> Quantity:
        return -self + other

    def __mul__(self, other: Quantity | float) -> Quantity:
        if not isinstance(other, Quantity):
            return self.scaled(float(other))
        unit = combine_units(self.unit, other.unit, 1)
        parts = ((other.value, self), (self.value, other))
        return combine(self.value * other.value, unit, parts)

    __rmul__ = __mul__

    def __truediv__(self, other: Quantity | float) -> Quantity:
        divisor = other if isinstance(other, Quantity) else Quantity(other, "1")
        if divisor.value == 0.0:
            raise QuantityProblem(
                f"A value in {self.unit} would be divided by zero.",
                "Check for an empty volume or a zero mass.",
            )
        unit = combine_units(self.unit, divisor.unit, -1)
        value = self.value / divisor.value
        return combine(
            value, unit, ((1.0 / divisor.value, self), (-value / divisor.value, divisor))
        )

    def __rtruediv__(self, other: float) -> Quantity:
        return Quantity(other, "1") / self

    def _with_my_unit(self, other: Quantity | float) -> Quantity:
        if not isinstance(other, Quantity):
            return Quantity(other, self.unit)
        if other.unit != self.unit:
            raise QuantityProblem(
                f"A value in {self.unit} and one in {other.unit} cannot be added.",
                "Bring both to one unit first.",
            )
        return other

    def to_json(self) -> dict[str, object]:
        """Plain dictionary for JSON; infinite degrees of freedom become null."""
        return {
            "value": self.value,
            "unit": self.unit,
            "contributions": {
                name: {
                    "value": c.value,
                    "kind": c.kind,
                    "degrees_of_freedom": (
                        c.degrees_of_freedom if math.isfinite(c.degrees_of_freedom) else None
                    ),
                    "distribution": c.distribution,
                    **(
                        {}
                        if c.source is None
                        else {
                            "input": {
                                "estimate": c.source.estimate,
                                "unit": c.source.unit,
                                "standard_uncertainty": c.source.standard_uncertainty,
                            }
                        }
                    ),
                }
                for name, c in self.contributions.items()
            },
        }


def combine(value: float, unit: str, terms: Sequence[tuple[float, Quantity]]) -> Quantity:
    """Return a quantity whose contributions are those of the terms, added by name.

    Parameters
    ----------
    value, unit:
        Of the result.
    terms:
        Pairs of sensitivity (unit of the result per unit of the quantity) and quantity.

    Raises
    ------
    QuantityProblem
        The value is not finite, or one name stands for two different sources.
    """
    parts: dict[str, Contribution] = {}
    for sensitivity, quantity in terms:
        for name, c in quantity.contributions.items():
            here = parts.get(name)
            if here is not None and not here.same_source(c):
                raise QuantityProblem(
                    f'Two different sources of uncertainty share the name "{name}".',
                    "Give each piece of ware, each preparation and each run a name of its own.",
                )
            before = 0.0 if here is None else here.value
            source = c.source if here is None or here.source is None else here.source
            parts[name] = replace(c, value=before + sensitivity * c.value, source=source)
    return Quantity(value, unit, parts)


def covariance(a: Quantity, b: Quantity) -> float:
    """Covariance of two quantities through the names that they share, in unit(a) unit(b)."""
    shared = a.contributions.keys() & b.contributions.keys()
    return math.fsum(a.contributions[n].value * b.contributions[n].value for n in shared)


def correlation(a: Quantity, b: Quantity) -> float:
    """Correlation coefficient, -1 to 1; 0 where one of them has no uncertainty."""
    product = a.standard_uncertainty * b.standard_uncertainty
    return covariance(a, b) / product if product > 0 else 0.0
