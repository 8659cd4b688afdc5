"""Least squares on the titration model: both minima, scatter between points, uncertainty parts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from endpoint.smooth import crossing
from endpoint.titration_model import (
    BLUE,
    EQUIVALENCE,
    LOG_IND,
    PARAMETER_NAMES,
    RED,
    ROOT_MG,
    Model,
)

FloatArray = NDArray[np.float64]

_PRIOR_GROUPS: dict[str, tuple[str, ...]] = {
    "magnesium share, constants and pH": (
        "root_magnesium_ratio",
        "shift_log_k_edta",
        "shift_log_k_indicator",
        "split_log_k_edta",
        "split_log_k_indicator",
    ),
    "amount of indicator": ("log_indicator_umol",),
    "mixing lag": ("lag_s",),
    "drift and colour scale of the camera": ("drift_per_ml", "bend", "kink"),
}
_RIVAL_COST = 9.0


@dataclass(frozen=True, eq=False)
class Fit:
    """A minimum: all parameters, covariance of the free ones, weighted Jacobian, cost."""

    theta: FloatArray
    covariance: FloatArray
    jacobian: FloatArray
    cost: float


def solve_from(model: Model, start: FloatArray, most: int = 80) -> Fit:
    """Levenberg-Marquardt (MINPACK through scipy) from one starting point, shape (13,)."""
    free = model.free
    memo: dict[bytes, tuple[FloatArray, FloatArray]] = {}

    def whole(x: FloatArray) -> FloatArray:
        theta = start.copy()
        theta[free] = x
        theta[EQUIVALENCE] = max(theta[EQUIVALENCE], 1e-3)
        theta[ROOT_MG] = float(np.clip(theta[ROOT_MG], -30.0, 30.0))
        return theta

    def both(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        key = x.tobytes()
        if key not in memo:
            if len(memo) > 4:
                memo.clear()
            memo[key] = model.evaluate(whole(x))
        return memo[key]

    def residuals(x: FloatArray) -> FloatArray:
        return both(x)[0]

    def jacobian_of(x: FloatArray) -> FloatArray:
        return both(x)[1]

    solution = least_squares(
        residuals,
        start[free],
        jac=jacobian_of,
        method="lm",
        x_scale="jac",
        max_nfev=most,
        xtol=1e-8,
        ftol=1e-8,
    )
    theta = whole(solution.x)
    jacobian = both(solution.x)[1]
    covariance = np.asarray(np.linalg.pinv(jacobian.T @ jacobian, hermitian=True), dtype=np.float64)
    return Fit(theta, covariance, jacobian, 2.0 * float(solution.cost))


_ROOTS = (0.03, 0.12, 0.4, 1.0)
_INDICATOR_FACTORS = (0.3, 1.0, 3.0)
_OFFSETS_ML = (-0.3, 0.0, 0.12, 0.3, 0.7, 1.2, 2.0)


def _starts(model: Model) -> list[FloatArray]:
    """Starting points: the best cell of a coarse grid for every magnesium and indicator.

    A fade can be explained in more than one way (hardly any magnesium, weak constants, much
    indicator), and these are separate minima: each has to be tried.
    """
    volume = model.setting.mixed_volume_ml(model.priors.lag_s[0])
    half = crossing(volume, model.signal, model.sigma, 0.5)
    middle = half if half is not None else float(volume[int(np.argmax(model.signal > 0.5))])
    cells = []
    for root in _ROOTS:
        for factor in _INDICATOR_FACTORS:
            rows = np.tile(model.prior_mean(), (len(_OFFSETS_ML), 1))
            rows[:, EQUIVALENCE] = np.maximum(middle + np.array(_OFFSETS_ML), 0.05)
            rows[:, ROOT_MG] = root
            rows[:, LOG_IND] += np.log(factor)
            fractions = model.fraction(rows)
            level_costs = [_level_cost(model, r, f) for r, f in zip(rows, fractions, strict=True)]
            best = int(np.argmin(level_costs))
            cells.append((level_costs[best], rows[best]))
    costs = np.array([cost for cost, _ in cells]).reshape(len(_ROOTS), len(_INDICATOR_FACTORS))
    chosen = {(k, int(np.argmin(costs[k]))) for k in range(len(_ROOTS))}
    chosen |= {(int(np.argmin(costs[:, k])), k) for k in range(len(_INDICATOR_FACTORS))}
    return [cells[a * len(_INDICATOR_FACTORS) + b][1] for a, b in sorted(chosen)]


def _level_cost(model: Model, theta: FloatArray, f: FloatArray) -> float:
    """Misfit of f with its best plateaus, which are written into `theta`."""
    weight = 1.0 / model.sigma
    design = np.stack([1.0 - f, f], axis=1) * weight[:, None]
    target = model.signal * weight
    level, *_ = np.linalg.lstsq(design, target, rcond=None)
    theta[RED], theta[BLUE] = level
    return float(np.sum((design @ level - target) ** 2))


def _thinned(model: Model, most: int = 160) -> Model:
    """Fewer points where nothing happens, for the first search."""
    n = model.signal.size
    if n <= most:
        return model
    weight = 0.2 + np.abs(np.gradient(np.clip(model.signal, -0.2, 1.2)))
    position = np.cumsum(weight) / weight.sum()
    kept = np.unique(np.searchsorted(position, (np.arange(most) + 0.5) / most))
    kept = kept[kept < n]
    mixed = model.setting.mixed_volume_ml
    return replace(
        model,
        setting=replace(model.setting, mixed_volume_ml=lambda lag: mixed(lag)[kept]),
        signal=model.signal[kept],
        sigma=model.sigma[kept],
        volume_ml=model.volume_ml[kept],
    )


def _data_weight(fit: Fit, n: int) -> float:
    """Number of parameters that the data (not the priors) determine: trace of the hat matrix."""
    data = fit.jacobian[:n]
    return float(np.sum((data @ fit.covariance) * data))


def _extra_noise(residual: FloatArray, sigma: FloatArray, freedom: float, floor: float) -> float:
    """Scatter to add in quadrature so that chi-square equals its degrees of freedom.

    `floor` counts as one more residual of that size, so that a handful of points which happen to
    fit well does not claim to be without scatter.
    """

    def excess(extra: float) -> float:
        variance = sigma**2 + extra**2
        own = floor**2 / max(extra**2, 1e-16)
        return float(np.sum(residual**2 / variance)) + own - freedom - 1.0

    low, high = 0.1 * floor + 1e-8, float(np.sqrt(np.sum(residual**2) / freedom)) + 2.0 * floor
    if excess(low) <= 0.0:
        return low
    while excess(high) > 0.0:
        high *= 2.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        if excess(middle) > 0.0:
            low = middle
        else:
            high = middle
    return high


@dataclass(frozen=True, eq=False)
class Fitted:
    """The best minimum with the scatter that explains it."""

    model: Model
    fit: Fit
    extra: float
    freedom: float
    rival: Fit | None
    """Another minimum that is nearly as good, with the same scatter."""


_RIVAL_COST = 9.0


def fit_with_noise(model: Model) -> Fitted:
    """Alternate between fit and scatter until they agree; try every minimum found."""
    rough = _thinned(model)
    rough = replace(rough, sigma=np.hypot(rough.sigma, 0.01))
    found = _distinct([solve_from(rough, start, most=30) for start in _starts(rough)])
    current, fit, extra, freedom = _settle(model, found[0])
    rival: Fit | None = None
    for other in found[1:]:
        if other.cost > found[0].cost + 60.0:
            continue
        again = solve_from(current, other.theta)
        if again.cost < fit.cost - 1e-6 and _apart(again, fit):
            old = fit
            current, fit, extra, freedom = _settle(model, again)
            again = solve_from(current, old.theta)
        near = again.cost - fit.cost < _RIVAL_COST and _apart(again, fit)
        if near and (rival is None or again.cost < rival.cost):
            rival = again
    return Fitted(current, fit, extra, freedom, rival)


def _apart(one: Fit, other: Fit) -> bool:
    return abs(float(one.theta[EQUIVALENCE] - other.theta[EQUIVALENCE])) > 5e-4


def _distinct(fits: list[Fit]) -> list[Fit]:
    kept: list[Fit] = []
    for fit in sorted(fits, key=lambda f: f.cost):
        if all(_apart(fit, other) for other in kept):
            kept.append(fit)
    return kept


def _settle(model: Model, fit: Fit) -> tuple[Model, Fit, float, float]:
    """Refit with the scatter that the residuals show until it no longer changes."""
    own, n = model.sigma, model.signal.size
    priors = int(np.sum(model.free & np.isfinite(model.prior_sd())))
    extra, freedom = -1.0, 1.0
    current = model
    for _ in range(6):
        residual = model.signal - model.predict(fit.theta)
        freedom = max(n - _data_weight(fit, fit.jacobian.shape[0] - priors), 1.0)
        updated = _extra_noise(residual, own, freedom, model.floor)
        settled = abs(updated - extra) < 0.05 * max(updated, float(np.median(own)))
        extra = updated
        current = replace(model, sigma=np.hypot(own, extra))
        fit = solve_from(current, fit.theta)
        if settled:
            break
    return current, fit, extra, freedom


def contributions(model: Model, fit: Fit) -> dict[str, float]:
    """Split the variance of the equivalence volume between the colour and every prior."""
    n = model.signal.size
    names = np.array(PARAMETER_NAMES)[model.free]
    with_prior = np.isfinite(model.prior_sd())[model.free]
    row = int(np.flatnonzero(names == "equivalence_ml")[0])
    pull = fit.covariance[row] @ fit.jacobian.T
    out = {"scatter of the colour": float(np.sqrt(np.sum(pull[:n] ** 2)))}
    prior_pull = dict(zip(names[with_prior].tolist(), pull[n:].tolist(), strict=True))
    for group, members in _PRIOR_GROUPS.items():
        total = sum(prior_pull.get(name, 0.0) ** 2 for name in members)
        if total > 0:
            out[group] = float(np.sqrt(total))
    return out


def neighbour_factor(residual: FloatArray, sigma: FloatArray) -> float:
    """Widening for points that lean on each other (first-order autocorrelation of residuals)."""
    z = residual / sigma
    if z.size < 30:
        return 1.0
    rho = float(np.sum(z[1:] * z[:-1]) / np.sum(z * z))
    rho = min(max(rho - 2.0 / np.sqrt(z.size), 0.0), 0.9)
    return float(np.sqrt((1.0 + rho) / (1.0 - rho)))


def two_minima(fit: Fit, rival: Fit | None) -> tuple[float, float]:
    """Mean of the equivalence volume over both minima and the spread between them."""
    here = float(fit.theta[EQUIVALENCE])
    if rival is None:
        return here, 0.0
    there = float(rival.theta[EQUIVALENCE])
    sizes = [np.sqrt(max(np.linalg.det(f.covariance), 1e-300)) for f in (fit, rival)]
    odds = float(np.exp(-0.5 * (rival.cost - fit.cost)) * sizes[1] / sizes[0])
    part = odds / (1.0 + odds)
    return here + part * (there - here), float(np.sqrt(part * (1.0 - part))) * abs(there - here)


def refit_at(model: Model, theta: FloatArray, equivalence_ml: float) -> tuple[FloatArray, float]:
    """Best parameters and cost with the equivalence volume held, starting from `theta`."""
    free = model.free.copy()
    free[EQUIVALENCE] = False
    start = theta.copy()
    start[EQUIVALENCE] = equivalence_ml
    fit = solve_from(replace(model, free=free), start)
    return fit.theta, fit.cost
