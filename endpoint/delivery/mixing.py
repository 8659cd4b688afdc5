"""How much of a delivered volume has mixed in: the response of a first-order lag, exact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Mixing:
    """Mixed volume at fixed times for any lag; what does not depend on the lag is kept.

    A fit asks for it in every step. See `endpoint.delivery.delivery.Delivery.mixing_at`.
    """

    delivered_ml: FloatArray
    """Volume delivered at the times, shape (n,)."""
    gaps_s: FloatArray
    """From the start before to each start of an addition or a line, the first 0, shape (starts,)"""
    amounts: FloatArray
    """What each start adds: mL for steps, a change of the rate in mL/s for lines."""
    last: IntArray
    """Start before or at each time, shape (n,)."""
    since_s: FloatArray
    """From that start to the time, shape (n,)."""
    begun: NDArray[np.bool_]
    """Whether there is such a start."""
    rate_ml_s: FloatArray | None
    """Rate at each time for lines; None for steps."""

    @classmethod
    def at_once(cls, volume_ml: FloatArray) -> Mixing:
        """Volumes that had mixed in whatever the lag, mL, shape (n,)."""
        nothing, first = np.zeros(0), np.zeros(volume_ml.size, dtype=np.int64)
        begun = np.ones(volume_ml.size, dtype=np.bool_)
        return cls(volume_ml, nothing, nothing, first, np.zeros(volume_ml.size), begun, None)

    def __call__(self, lag_s: float) -> FloatArray:
        """Mixed volume, mL, shape (n,), for a lag in s; all of it for a lag of none."""
        if lag_s <= 1e-6 or self.amounts.size == 0:
            return self.delivered_ml
        # From one start to the next, so that the work grows with n + starts.
        rest, left = 0.0, []
        kept = np.exp(self.gaps_s / -lag_s).tolist()
        for part, amount in zip(kept, self.amounts.tolist(), strict=True):
            rest = rest * part + amount
            left.append(rest)
        unmixed = np.array(left)[self.last] * np.exp(self.since_s / -lag_s)
        unmixed *= self.begun
        if self.rate_ml_s is None:
            return np.asarray(self.delivered_ml - unmixed)
        # For lines the amounts are changes of rate, so the volume behind is rate times lag.
        return np.asarray(self.delivered_ml - lag_s * (self.rate_ml_s - unmixed))
