"""Likelihood interval of the equivalence volume, all other parameters refitted at every volume.

Venzon and Moolgavkar, Appl. Statist. 37 (1988) 87 (from memory). A curve can have several minima
with hills between them, so the interval is followed from each and the hull of all is given.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from endpoint.equivalence.descent import refit_at
from endpoint.equivalence.model import EQUIVALENCE, Model

FloatArray = NDArray[np.float64]

_CLOSE = 1.0 / 256.0
"""How close an end is looked for, as a part of the first bracket."""
_LEVEL = 0.01
"""How close to k the root of the rise has to come, as a part of it."""
_LEAST_ML = 1e-3
_BENT = 0.1
"""Part of the half width by which an interval from the curvature may be wrong: less cannot be seen
in two printed digits. Smaller, and every fit pays for a profile; larger, and intervals at the
border of no magnesium or beyond a wide change lean to the wrong side."""


def profile_ends(
    model: Model, minima: list[FloatArray], first_ml: float, k: float, reach_ml: float
) -> tuple[float, float | None]:
    """Ends of the interval in which the cost rises by no more than k squared.

    Parameters
    ----------
    model:
        Residuals and derivatives.
    minima:
        Parameters of the minima, the best one first, each of shape (14,).
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


def is_bent(model: Model, theta: FloatArray, covariance: FloatArray, k: float) -> bool:
    """Whether the cost does not rise as the curvature at the minimum says.

    Parameters
    ----------
    model, theta:
        Residuals and derivatives, and the minimum.
    covariance:
        Of the free parameters at the minimum, from the curvature.
    k:
        Standard deviations at which the two are compared, such as 1.96.
    """
    best = float(np.sum(model.residuals(theta) ** 2))
    sd_ml = float(np.sqrt(covariance[0, 0]))
    # Where the other parameters go if the curvature is right: a start from next to the answer.
    along = np.zeros(theta.size)
    along[model.free] = covariance[:, 0] / covariance[0, 0]
    for away in (-k * sd_ml, k * sd_ml):
        there = max(float(theta[EQUIVALENCE]) + away, _LEAST_ML)
        _, cost, _ = refit_at(model, theta + away * along, there)
        if abs(float(np.sqrt(max(cost - best, 0.0))) - k) > _BENT * k:
            return True
    return False


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

    minimum, reached = theta, 0.0

    def excess(away: float) -> float:
        """Root of the rise in cost, nearly straight in the volume, less k."""
        nonlocal theta, near, reached
        # The others go on from the minimum as they went so far.
        further = away / reached if reached else 1.0
        start = minimum + further * (theta - minimum)
        theta, cost, near = refit_at(model, start, centre + direction * away, near)
        reached = away
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
        if abs(value) < _LEVEL * k:
            return centre + direction * middle
        if outside - inside <= close:
            break
    return centre + direction * outside
