"""Levenberg-Marquardt on the titration model, from many starting points at once.

`descend` is written here because no library descends from many starting points at once: each step
solves the equilibrium of all of them in one call, and a minimum that is not worth it is given up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from endpoint.equivalence.model import (
    CONSTANTS,
    EQUIVALENCE,
    LAG,
    PARAMETERS,
    PLUME,
    ROOT_MG,
    SMALLEST_ROOT,
    Model,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

_NEVER_NEGATIVE = [LAG, PLUME]
_LEAST, _MOST = np.full(PARAMETERS, -np.inf), np.full(PARAMETERS, np.inf)
_LEAST[EQUIVALENCE], _LEAST[_NEVER_NEGATIVE] = 1e-3, 0.0
_LEAST[ROOT_MG], _MOST[ROOT_MG], _MOST[PLUME] = -30.0, 30.0, 2.0
# Far beyond what any chemistry reaches: a wild step must not end in a division by zero.
_LEAST[CONSTANTS], _MOST[CONSTANTS] = -5.0, 5.0
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
    theta = _allowed(starts)
    rows = len(theta)
    if near is not None and near.shape[1] != rows:
        near = np.repeat(near[:, :1], rows, axis=1)
    state = _State(theta, *model.evaluate_rows(theta, near))
    damping, growth = np.full(rows, 1e-3), np.full(rows, 2.0)
    scale = np.zeros((rows, state.slopes.shape[1]))
    active = np.arange(rows)
    ended: list[tuple[IntArray, _State]] = []
    least = np.inf
    free = np.flatnonzero(model.free)
    never_negative = [(k, int(model.free[:k].sum())) for k in _NEVER_NEGATIVE if model.free[k]]
    for _ in range(most - 1):
        curve, slope = state.normal()
        if model.free[ROOT_MG]:
            _bend(curve, state, model)
        for which, column in never_negative:
            held = (state.theta[:, which] <= 0.0) & (slope[:, column] > 0.0)
            if held.any():
                _hold(curve, slope, column, held)
        np.maximum(scale, np.einsum("rii->ri", curve), out=scale)
        step = _damped_step(curve, slope, damping[:, None] * scale)
        trial = state.theta.copy()
        trial[:, free] += step
        trial = _allowed(trial)
        found = _State(trial, *model.evaluate_rows(trial, state.log_free))
        # Twice the slope along the step and the curvature: what the quadratic model promises.
        along = (curve @ step[..., None])[..., 0]
        promised = -np.einsum("ri,ri->r", step, 2.0 * slope + along)
        gain = state.cost - found.cost
        better = gain >= 0.0
        state = found.where(better, state)
        ratio = gain / np.maximum(promised, 1e-300)
        calm = np.maximum(1.0 - (2.0 * np.minimum(ratio, 1.0) - 1.0) ** 3, 1.0 / 3.0)
        small = promised <= close * np.maximum(state.cost, 1.0)
        done = (small & (damping < _UNDAMPED)) | (damping > 1e12)
        least = min(least, float(state.cost.min()))
        done |= better & (state.cost - _MANY_STEPS * gain > min(worth, least + FAR_COST))
        damping *= np.where(better, calm, growth)
        # Damped steps promise little along a flat valley: only an undamped one proves the end.
        damping[small & better] = 0.1 * _UNDAMPED
        growth = np.where(better, 2.0, 2.0 * growth)
        if done.any():
            ended.append((active[done], state.of(done)))
            going = ~done
            active, state = active[going], state.of(going)
            damping, growth, scale = damping[going], growth[going], scale[going]
            if active.size == 0:
                break
    ended.append((active, state))
    fits = {
        int(row): fit for which, one in ended for row, fit in zip(which, one.fits(), strict=True)
    }
    return [fits[row] for row in range(rows)]


@dataclass(frozen=True, eq=False)
class _State:
    """Where each row stands: its parameters and what `Model.evaluate_rows` says of them."""

    theta: FloatArray
    rest: FloatArray
    slopes: FloatArray
    log_free: FloatArray

    @cached_property
    def cost(self) -> FloatArray:
        return np.asarray(np.einsum("ri,ri->r", self.rest, self.rest))

    def of(self, rows: BoolArray) -> _State:
        """Some of the rows."""
        return _State(self.theta[rows], self.rest[rows], self.slopes[rows], self.log_free[:, rows])

    def where(self, taken: BoolArray, other: _State) -> _State:
        """These rows where they are taken, those of `other` elsewhere."""
        if taken.all():
            return self
        if not taken.any():
            return other
        return _State(
            np.where(taken[:, None], self.theta, other.theta),
            np.where(taken[:, None], self.rest, other.rest),
            np.where(taken[:, None, None], self.slopes, other.slopes),
            np.where(taken[:, None], self.log_free, other.log_free),
        )

    def normal(self) -> tuple[FloatArray, FloatArray]:
        """Curvature of the cost and its slope, halved."""
        curve = self.slopes @ self.slopes.transpose(0, 2, 1)
        return curve, (self.slopes @ self.rest[..., None])[..., 0]

    def fits(self) -> list[Fit]:
        """One minimum for each row."""
        covariance = np.asarray(np.linalg.pinv(self.normal()[0], hermitian=True), dtype=np.float64)
        cost = self.cost.tolist()
        return [
            Fit(theta, covariance[k], self.slopes[k].T, cost[k], self.log_free[:, k : k + 1])
            for k, theta in enumerate(self.theta)
        ]


def _allowed(theta: FloatArray) -> FloatArray:
    return np.asarray(np.minimum(np.maximum(theta, _LEAST), _MOST))


def _bend(curve: FloatArray, state: _State, model: Model) -> None:
    """Add what the share of magnesium bends beyond its slopes, where that is most of the curvature.

    The share is a square of its parameter, so its slope vanishes where there is none. Where the
    recording has no magnesium, steps by the slopes alone jump over the end and back, and stop
    somewhere.
    """
    n, column = model.signal.size, int(model.free[:ROOT_MG].sum())
    root = np.maximum(np.abs(state.theta[:, ROOT_MG]), SMALLEST_ROOT)
    square = root * root
    # Second derivative of the share by its slope.
    turn = (1.0 - 3.0 * square) / ((1.0 + square) * root)
    turn *= np.where(state.theta[:, ROOT_MG] < 0.0, -1.0, 1.0)
    bend = turn * np.einsum("ri,ri->r", state.slopes[:, column, :n], state.rest[:, :n])
    curve[:, column, column] += np.where(bend > curve[:, column, column], bend, 0.0)


def _hold(curve: FloatArray, slope: FloatArray, column: int, held: NDArray[np.bool_]) -> None:
    """Keep a parameter where it is in some rows: it stands at its limit and would go beyond.

    Without this no step keeps what it promises, and the descent never comes to its end.
    """
    own = curve[held, column, column]
    curve[held, column, :] = curve[held, :, column] = 0.0
    curve[held, column, column] = own
    slope[held, column] = 0.0


def _damped_step(curve: FloatArray, slope: FloatArray, damping: FloatArray) -> FloatArray:
    stiff = curve.copy()
    np.einsum("rii->ri", stiff)[...] += damping + 1e-300
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
