"""Likelihood interval of the equivalence volume, all other parameters refitted at every volume.

Venzon and Moolgavkar, Appl. Statist. 37 (1988) 87 (from memory). A curve can have several minima
with hills between them, so the interval is followed from each and the hull of all is given.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from endpoint.equivalence.least_squares import refit_at
from endpoint.equivalence.model import EQUIVALENCE, Model

FloatArray = NDArray[np.float64]

_CLOSE = 1.0 / 256.0
"""How close an end is looked for, as a part of the first bracket."""
_LEAST_ML = 1e-3


def profile_ends(
    model: Model, minima: list[FloatArray], first_ml: float, k: float, reach_ml: float
) -> tuple[float, float | None]:
    """Ends of the interval in which the cost rises by no more than k squared.

    Parameters
    ----------
    model:
        Residuals and derivatives.
    minima:
        Parameters of the minima, the best one first, each of shape (13,).
    first_ml:
        First step away from a minimum, mL.
    k:
        Standard deviations, such as 1.96.
    reach_ml:
        How far to look.

    Returns
    -------
    Lower and upper end, mL; the upper one is None if nothing bounds it within `reach_ml`.
    """
    best = float(np.sum(model.residuals(minima[0]) ** 2))
    lows: list[float] = []
    highs: list[float | None] = []
    for theta in minima:
        here = float(np.sqrt(max(float(np.sum(model.residuals(theta) ** 2)) - best, 0.0))) - k
        if here >= 0.0:
            continue
        low = _end(model, theta, -first_ml, (best, here, k), reach_ml)
        lows.append(0.0 if low is None else low)
        highs.append(_end(model, theta, first_ml, (best, here, k), reach_ml))
    bounded = [high for high in highs if high is not None]
    return min(lows), max(bounded) if len(bounded) == len(highs) else None


def _end(
    model: Model,
    theta: FloatArray,
    step_ml: float,
    level: tuple[float, float, float],
    reach_ml: float,
) -> float | None:
    """One end: steps that grow until the cost is too high, then false position (Illinois)."""
    best, below, k = level
    centre, direction = float(theta[EQUIVALENCE]), float(np.sign(step_ml))
    near: FloatArray | None = None

    def excess(away: float) -> float:
        """Root of the rise in cost, nearly straight in the volume, less k."""
        nonlocal theta, near
        theta, cost, near = refit_at(model, theta, centre + direction * away, near)
        return float(np.sqrt(max(cost - best, 0.0))) - k

    inside, outside = 0.0, abs(step_ml)
    while True:
        if centre + direction * outside <= _LEAST_ML:
            return _LEAST_ML
        above = excess(outside)
        if above > 0.0:
            break
        inside, below = outside, above
        if outside > reach_ml:
            return None
        outside *= 1.7
    close = max(_CLOSE * (outside - inside), 1e-6)
    side = 0
    for _ in range(12):
        middle = inside + (outside - inside) * below / (below - above)
        middle = min(max(middle, inside + 0.5 * close), outside - 0.5 * close)
        value = excess(middle)
        if value > 0.0:
            outside, above = middle, value
            below *= 0.5 if side == 1 else 1.0
            side = 1
        else:
            inside, below = middle, value
            above *= 0.5 if side == -1 else 1.0
            side = -1
        if outside - inside <= close:
            break
    return centre + direction * outside
