"""Uncertainty through any function: first order (JCGM 100:2008) and Monte Carlo (JCGM 101:2008)."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import Contribution, Quantity, QuantityProblem, combine

FloatArray = NDArray[np.float64]
MAX_DRAWS = 10_000_000
"""Most draws that may be asked for: ten times the 10^6 of JCGM 101 (from memory)."""
_BLOCK = 50_000
"""Draws that are worked out at once, so that the memory stays within some megabytes."""


def propagate(
    function: Callable[..., float],
    *quantities: Quantity,
    unit: str,
    sensitivities: Sequence[float] | None = None,
) -> Quantity:
    """First-order propagation through any function of the values (JCGM 100:2008, 5.1 and 5.2).

    Parameters
    ----------
    function:
        Takes one float per quantity, gives one float.
    *quantities:
        Its arguments, in order.
    unit:
        Unit of the result.
    sensitivities:
        Partial derivatives, one per quantity. Without them they are central differences of two
        steps, extrapolated (error of fourth order in a tenth of the standard uncertainty).

    Raises
    ------
    QuantityProblem
        The function or a derivative is not finite.
    """
    values = [q.value for q in quantities]
    if sensitivities is None:
        sensitivities = [_slope(function, values, n, q) for n, q in enumerate(quantities)]
    if len(sensitivities) != len(quantities):
        raise QuantityProblem(
            f"{len(sensitivities)} sensitivities were given for {len(quantities)} quantities.",
            "Give one for each.",
        )
    terms = list(zip((float(s) for s in sensitivities), quantities, strict=True))
    return combine(float(function(*values)), unit, terms)


def _slope(
    function: Callable[..., float], values: Sequence[float], n: int, quantity: Quantity
) -> float:
    u = quantity.standard_uncertainty
    if u == 0.0:
        return 0.0
    step = max(0.1 * u, 1e-4 * abs(values[n]))
    differences = []
    for h in (step, 0.5 * step):
        above, below = list(values), list(values)
        above[n], below[n] = values[n] + h, values[n] - h
        differences.append((function(*above) - function(*below)) / (above[n] - below[n]))
    return float((4.0 * differences[1] - differences[0]) / 3.0)


@dataclass(frozen=True)
class MonteCarlo:
    """Sorted outcomes of a Monte Carlo run (JCGM 101:2008, 7)."""

    outcomes: FloatArray
    """Shape (draws,), ascending, read-only, in `unit`."""
    unit: str

    @property
    def value(self) -> float:
        """Mean of the outcomes."""
        return float(self.outcomes.mean())

    @property
    def standard_uncertainty(self) -> float:
        """Standard deviation of the outcomes."""
        return float(self.outcomes.std(ddof=1))

    def symmetric_interval(self, coverage: float = 0.95) -> tuple[float, float]:
        """Interval with equal probability on both sides (JCGM 101:2008, 7.7.2)."""
        tail = 0.5 * (1.0 - coverage)
        low, high = np.quantile(self.outcomes, [tail, 1.0 - tail])
        return float(low), float(high)


def monte_carlo(
    function: Callable[..., FloatArray | float],
    quantities: Sequence[Quantity],
    draws: int,
    seed: int,
    unit: str = "",
) -> MonteCarlo:
    """Propagate distributions (JCGM 101:2008, 5.9 and 6.4), each NAME drawn once per draw.

    A quantity is its value plus its signed contributions times the standardised draws of their
    names, so what is shared stays shared. Normal with finite degrees of freedom is drawn as
    Student t, scaled by the standard uncertainty (6.4.9).

    Parameters
    ----------
    function:
        Takes one array of shape (n,) per quantity, gives an array of shape (n,).
    quantities:
        Its arguments, in order.
    draws:
        Number of draws, 1000 to `MAX_DRAWS`.
    seed:
        Seed of the generator: the same seed gives the same outcomes.
    unit:
        Unit of the outcomes, for the record.

    Raises
    ------
    QuantityProblem
        Too few or too many draws, a name that stands for two sources, or an outcome that is not
        finite.
    """
    if not 1000 <= draws <= MAX_DRAWS:
        raise QuantityProblem(
            f"{draws} Monte Carlo draws were asked for.", f"Ask for 1000 to {MAX_DRAWS}."
        )
    sources = _sources(quantities)
    outcomes = np.empty(draws)
    for start in range(0, draws, _BLOCK):
        n = min(_BLOCK, draws - start)
        drawn = {
            name: _standardised(c.distribution, c.degrees_of_freedom, n, (seed, start, place))
            for place, (name, c) in enumerate(sources.items())
        }
        inputs = []
        for quantity in quantities:
            sample = np.full(n, quantity.value)
            for name, c in quantity.contributions.items():
                sample += c.value * drawn[name]
            inputs.append(sample)
        with np.errstate(all="ignore"):
            outcomes[start : start + n] = function(*inputs)
    bad = int(np.count_nonzero(~np.isfinite(outcomes)))
    if bad:
        raise QuantityProblem(
            f"{bad} of {draws} Monte Carlo draws gave no number.",
            "An input is so uncertain that it reaches zero: determine it better.",
        )
    outcomes.sort()
    outcomes.setflags(write=False)
    return MonteCarlo(outcomes, unit)


def _sources(quantities: Sequence[Quantity]) -> dict[str, Contribution]:
    # The sum by name is thrown away: it is made to meet its check of names.
    unitless = [(0.0, replace(q, unit="1")) for q in quantities]
    return dict(combine(0.0, "1", unitless).contributions)


@functools.lru_cache(maxsize=64)
def _standardised(
    distribution: str, degrees_of_freedom: float, n: int, seed: tuple[int, ...]
) -> FloatArray:
    """Draws of mean 0 whose scale is one standard uncertainty, shape (n,), read-only.

    They are kept, at most 26 MB of them: a bench evaluates the same budget every second, and to
    draw is most of the work.
    """
    rng = np.random.default_rng(seed)
    if distribution == "rectangular":
        drawn = rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), n)
    elif distribution == "triangular":
        drawn = rng.triangular(-math.sqrt(6.0), 0.0, math.sqrt(6.0), n)
    elif distribution == "arcsine":
        drawn = math.sqrt(2.0) * np.cos(rng.uniform(0.0, math.pi, n))
    elif math.isfinite(degrees_of_freedom):
        drawn = rng.standard_t(degrees_of_freedom, n)
    else:
        drawn = rng.standard_normal(n)
    drawn.setflags(write=False)
    return drawn
