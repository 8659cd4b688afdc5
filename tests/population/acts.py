"""What a person or a pump adds, and when: pours, squirts from the tap, drops, in their order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.population.balances import Curve

FloatArray = NDArray[np.float64]

DROP_ML = (0.03, 0.06)
LONGEST_POUR_S = 10.0
_POUR_ML_S = (0.25, 1.0)
_MOST_ADDITIONS = 160


@dataclass(frozen=True, eq=False)
class Additions:
    """Additions in their order; each runs evenly from begin to end. Arrays of length n."""

    begin_s: FloatArray
    end_s: FloatArray
    volume_ml: FloatArray

    @property
    def total_ml(self) -> FloatArray:
        """Volume in the flask after each addition, shape (n,)."""
        return np.cumsum(self.volume_ml)

    def volume_at(self, time_s: FloatArray) -> FloatArray:
        """Volume that left the burette by these times, mL."""
        if self.begin_s.size == 0:
            return np.zeros_like(time_s)
        knots = np.column_stack([self.begin_s, self.end_s]).ravel()
        total = np.column_stack([self.total_ml - self.volume_ml, self.total_ml]).ravel()
        return np.interp(time_s, knots, total)

    def across_ml(self, volume_ml: float) -> float | None:
        """Size of the addition during which this volume was reached; None if never."""
        k = int(np.searchsorted(self.total_ml, volume_ml))
        return None if k >= self.volume_ml.size else float(self.volume_ml[k])


@dataclass(frozen=True)
class Manner:
    """How a person titrates."""

    fast_to_ml: float
    """Distance from the end up to which is poured."""
    squirt_to_ml: float
    """Distance from the end up to which short squirts are given."""
    pour_ml: float
    squirt_ml: float
    drop_ml: float
    drops_at_once: int
    wait_s: float
    """Usual time between the end of an addition and the begin of the next near the end."""
    beyond: int
    """Additions after the colour is clearly blue."""


def draw_manner(rng: np.random.Generator) -> Manner:
    """Somebody's manner."""
    near = float(rng.uniform(0.12, 0.6))
    return Manner(
        fast_to_ml=near + float(rng.uniform(0.4, 2.5)),
        squirt_to_ml=near,
        pour_ml=float(rng.uniform(0.8, 5.0)),
        squirt_ml=float(rng.uniform(0.1, 0.4)),
        drop_ml=float(rng.uniform(*DROP_ML)),
        drops_at_once=int(rng.choice([1, 1, 1, 1, 1, 2, 3])),
        wait_s=float(np.exp(rng.normal(np.log(5.0), 0.4))),
        beyond=int(rng.integers(3, 12)),
    )


def by_hand(
    rng: np.random.Generator, manner: Manner, curve: Curve, end_ml: float, stop_ml: float
) -> Additions:
    """Additions of a person who sees the end come, from 0 s on.

    Parameters
    ----------
    rng, manner:
        The person.
    curve:
        What the flask looks like.
    end_ml:
        Where the change is, mL.
    stop_ml:
        Volume at which the person stops in any case.
    """
    begin: list[float] = []
    end: list[float] = []
    volume: list[float] = []
    t = done = 0.0
    beyond = manner.beyond
    while done < stop_ml - 1e-9 and beyond > 0 and len(begin) < _MOST_ADDITIONS:
        left = end_ml - done
        if left > manner.fast_to_ml:
            dose = min(manner.pour_ml * rng.uniform(0.5, 1.3), left - 0.7 * manner.fast_to_ml)
            rate, wait = rng.uniform(*_POUR_ML_S), manner.wait_s * rng.uniform(0.5, 1.2)
        elif left > manner.squirt_to_ml:
            dose = min(manner.squirt_ml * rng.uniform(0.6, 1.4), left)
            rate, wait = rng.uniform(0.15, 0.4), manner.wait_s * rng.uniform(0.5, 1.2)
        else:
            dose = manner.drop_ml * manner.drops_at_once * (1.0 + 0.05 * rng.normal())
            rate, wait = rng.uniform(0.08, 0.2), manner.wait_s * np.exp(0.3 * rng.normal())
        dose = float(min(max(dose, 0.02), stop_ml - done))
        lasts = min(dose / rate, LONGEST_POUR_S)
        begin.append(t)
        end.append(t + lasts)
        volume.append(dose)
        t += lasts + max(wait, 0.8)
        done += dose
        beyond -= bool(curve.free(np.array([done]))[0] > 0.93)
    return Additions(np.array(begin), np.array(end), np.array(volume))


def in_one_go(additions: Additions, end_ml: float, size_ml: float) -> Additions:
    """The same titration with one large addition across the end."""
    total = additions.total_ml
    first = end_ml - 0.45 * size_ml
    k = int(np.searchsorted(total, first))
    done = float(total[k - 1]) if k else 0.0
    size = min(size_ml, LONGEST_POUR_S) + max(first - done, 0.0)
    begin = float(additions.begin_s[k]) if k < total.size else float(additions.end_s[-1] + 4.0)
    stop = begin + min(size / 0.4, LONGEST_POUR_S)
    parts = [
        np.r_[additions.begin_s[:k], begin, stop + 6.0],
        np.r_[additions.end_s[:k], stop, stop + 6.4],
        np.r_[additions.volume_ml[:k], size, 0.05],
    ]
    return Additions(*parts)


def by_tap(rng: np.random.Generator, end_ml: float, stop_ml: float) -> Additions:
    """A tap that is left open and closed bit by bit: it runs, slowly at last, with short stops."""
    begin: list[float] = []
    end: list[float] = []
    volume: list[float] = []
    t = done = 0.0
    fast, slow = rng.uniform(0.2, 0.5), rng.uniform(0.02, 0.06)
    turn_ml = rng.uniform(0.6, 2.0)
    while done < stop_ml - 1e-9:
        near = np.clip((end_ml - done) / turn_ml, 0.0, 1.0)
        rate = (slow + (fast - slow) * near) * np.exp(0.15 * rng.normal())
        lasts = float(rng.uniform(2.0, 6.0))
        dose = min(rate * lasts, stop_ml - done)
        begin.append(t)
        end.append(t + dose / rate)
        volume.append(dose)
        done += dose
        t += dose / rate + (rng.uniform(1.0, 4.0) if rng.random() < 0.25 else 0.02)
    return Additions(np.array(begin), np.array(end), np.array(volume))


def by_pump(rate_ml_min: float, stop_ml: float) -> Additions:
    """A pump that runs evenly from 0 s on."""
    return Additions(np.zeros(1), np.array([60.0 * stop_ml / rate_ml_min]), np.array([stop_ml]))


def later(additions: Additions, by_s: float) -> Additions:
    """The same additions, all later."""
    return Additions(additions.begin_s + by_s, additions.end_s + by_s, additions.volume_ml)
