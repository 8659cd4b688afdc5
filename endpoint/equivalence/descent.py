"""Levenberg-Marquardt on the titration model, from many starting points at once.

`descend` is written here because no library descends from many starting points at once: each step
solves the equilibrium of all of them in one call, and a minimum that is not worth it is given up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.equivalence.model import (
    EQUIVALENCE,
    LAG,
    PLUME,
    ROOT_MG,
    SHIFT_EDTA,
    SPLIT_IND,
    Model,
)

FloatArray = NDArray[np.float64]

_FARTHEST_LOG_K = 5.0
_NEVER_NEGATIVE = [LAG, PLUME]
_CLOSE = 1e-8
"""Promised fall of the cost at which a minimum is reached, as a part of it."""
_NEAR_ENOUGH = 1e-4
"""The same where only the cost is asked for: an interval of 1.96 needs it to a hundredth."""
_UNDAMPED = 1e-8
_MANY_STEPS = 50.0
FAR_COST = 60.0
"""A minimum of the first search that is higher by so much is not a rival."""


@dataclass(frozen=True, eq=False)
class Fit:
    """A minimum: all parameters, covariance of the free ones, weighted Jacobian, cost."""

    theta: FloatArray
    covariance: FloatArray
    jacobian: FloatArray
    cost: float
    log_free: FloatArray | None = None
    """Free ligands at the minimum, shape (2, 1, n): a start for a fit near by."""


def solve_from(
    model: Model, start: FloatArray, near: Fit | None = None, worth: float = np.inf
) -> Fit:
    """The minimum below one starting point, shape (14,); `near` is a fit to the same points."""
    log_free = None if near is None else near.log_free
    return descend(model, start[None, :], near=log_free, worth=worth)[0]


def descend(
    model: Model,
    starts: FloatArray,
    most: int = 80,
    near: FloatArray | None = None,
    worth: float = np.inf,
    close: float = _CLOSE,
) -> list[Fit]:
    """Levenberg-Marquardt from many starting points at once.

    Damping in the scale of the columns as in MINPACK, lengthened and shortened after Nielsen
    (Technical University of Denmark, report IMM-REP-1999-05; from memory).

    Parameters
    ----------
    model:
        Residuals and derivatives.
    starts:
        Shape (rows, 14).
    most:
        Limit of evaluations.
    near:
        `Balance.log_free` to begin from, shape (2, 1 or rows, n).
    worth:
        A row is given up where it would need many more steps to come down to this cost, or
        near to the best of the rows.
    close:
        Promised fall of the cost at which a minimum is reached, as a part of it.

    Returns
    -------
    One fit for each row.
    """
    theta = _allowed(starts.copy())
    rows = len(theta)
    if near is not None and near.shape[1] != rows:
        near = np.repeat(near[:, :1], rows, axis=1)
    rest, slopes, log_free = model.evaluate_rows(theta, near)
    cost = np.einsum("ri,ri->r", rest, rest)
    damping, growth = np.full(rows, 1e-3), np.full(rows, 2.0)
    scale = np.zeros((rows, slopes.shape[1]))
    active = np.arange(rows)
    never_negative = [(k, int(model.free[:k].sum())) for k in _NEVER_NEGATIVE if model.free[k]]
    for _ in range(most - 1):
        curve, slope = _normal(slopes[active], rest[active])
        for which, column in never_negative:
            held = (theta[active, which] <= 0.0) & (slope[:, column] > 0.0)
            _hold(curve, slope, column, held)
        scale[active] = np.maximum(scale[active], np.einsum("rii->ri", curve))
        step = _damped_step(curve, slope, damping[active, None] * scale[active])
        trial = theta[active]
        trial[:, model.free] += step
        trial = _allowed(trial)
        found = model.evaluate_rows(trial, log_free[:, active])
        there = np.einsum("ri,ri->r", found[0], found[0])
        # Twice the slope along the step and the curvature: what the quadratic model promises.
        promised = -2.0 * np.einsum("ri,ri->r", slope, step)
        promised -= np.einsum("ri,rij,rj->r", step, curve, step)
        gain = cost[active] - there
        better = gain >= 0.0
        up = active[better]
        theta[up], rest[up], slopes[up] = trial[better], found[0][better], found[1][better]
        log_free[:, up], cost[up] = found[2][:, better], there[better]
        ratio = gain / np.maximum(promised, 1e-300)
        calm = np.maximum(1.0 - (2.0 * np.minimum(ratio, 1.0) - 1.0) ** 3, 1.0 / 3.0)
        small = promised <= close * np.maximum(cost[active], 1.0)
        done = (small & (damping[active] < _UNDAMPED)) | (damping[active] > 1e12)
        goal = min(worth, float(cost.min()) + FAR_COST)
        done |= better & (cost[active] - _MANY_STEPS * gain > goal)
        damping[active] *= np.where(better, calm, growth[active])
        # Damped steps promise little along a flat valley: only an undamped one proves the end.
        damping[active[small & better]] = 0.1 * _UNDAMPED
        growth[active] = np.where(better, 2.0, 2.0 * growth[active])
        active = active[~done]
        if active.size == 0:
            break
    curve, _ = _normal(slopes, rest)
    covariance = np.asarray(np.linalg.pinv(curve, hermitian=True), dtype=np.float64)
    return [
        Fit(theta[k], covariance[k], slopes[k].T, float(cost[k]), log_free[:, k : k + 1])
        for k in range(rows)
    ]


def _allowed(theta: FloatArray) -> FloatArray:
    theta[:, EQUIVALENCE] = np.maximum(theta[:, EQUIVALENCE], 1e-3)
    theta[:, ROOT_MG] = np.clip(theta[:, ROOT_MG], -30.0, 30.0)
    theta[:, PLUME] = np.minimum(theta[:, PLUME], 2.0)
    theta[:, _NEVER_NEGATIVE] = np.maximum(theta[:, _NEVER_NEGATIVE], 0.0)
    # Far beyond what any chemistry reaches: a wild step must not end in a division by zero.
    constants = slice(SHIFT_EDTA, SPLIT_IND + 1)
    theta[:, constants] = np.clip(theta[:, constants], -_FARTHEST_LOG_K, _FARTHEST_LOG_K)
    return theta


def _hold(curve: FloatArray, slope: FloatArray, column: int, held: NDArray[np.bool_]) -> None:
    """Keep a parameter where it is in some rows: it stands at its limit and would go beyond.

    Without this no step keeps what it promises, and the descent never comes to its end.
    """
    own = curve[held, column, column]
    curve[held, column, :] = curve[held, :, column] = 0.0
    curve[held, column, column] = own
    slope[held, column] = 0.0


def _normal(slopes: FloatArray, rest: FloatArray) -> tuple[FloatArray, FloatArray]:
    return slopes @ slopes.transpose(0, 2, 1), np.einsum("rpi,ri->rp", slopes, rest)


def _damped_step(curve: FloatArray, slope: FloatArray, damping: FloatArray) -> FloatArray:
    stiff = curve.copy()
    diagonal = np.einsum("rii->ri", stiff)
    diagonal += damping + 1e-300
    return np.asarray(-np.linalg.solve(stiff, slope[..., None])[..., 0], dtype=np.float64)


def refit_at(
    model: Model, theta: FloatArray, equivalence_ml: float, near: FloatArray | None = None
) -> tuple[FloatArray, float, FloatArray | None]:
    """Best parameters with the equivalence volume held, starting from `theta`.

    Parameters
    ----------
    model, theta:
        As for `solve_from`.
    equivalence_ml:
        Volume that is held.
    near:
        Third item of an earlier call for a volume close by.

    Returns
    -------
    Parameters, cost, and what a next call may begin from.
    """
    free = model.free.copy()
    free[EQUIVALENCE] = False
    start = theta.copy()
    start[EQUIVALENCE] = equivalence_ml
    fit = descend(replace(model, free=free), start[None, :], near=near, close=_NEAR_ENOUGH)[0]
    return fit.theta, fit.cost, fit.log_free
