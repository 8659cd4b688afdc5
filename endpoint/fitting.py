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
    LOGIT_MG,
    PARAMETER_NAMES,
    RED,
    Model,
)

FloatArray = NDArray[np.float64]

_PRIOR_GROUPS: dict[str, tuple[str, ...]] = {
    "magnesium share, constants and pH": (
        "logit_magnesium_share",
        "shift_log_k_edta",
        "shift_log_k_indicator",
        "split_log_k_edta",
        "split_log_k_indicator",
    ),
    "amount of indicator": ("log_indicator_umol",),
    "mixing lag": ("lag_s",),
    "drift and colour scale of the camera": ("drift_per_ml", "bend"),
}
_RIVAL_COST = 9.0


@dataclass(frozen=True, eq=False)
class Fit:
    """A minimum: all parameters, covariance of the free ones, weighted Jacobian, cost."""

    theta: FloatArray
    covariance: FloatArray
    jacobian: FloatArray
    cost: float


def solve_from(model: Model, start: FloatArray) -> Fit:
    """Levenberg-Marquardt (MINPACK through scipy) from one starting point, shape (12,)."""
    free = model.free
    memo: dict[bytes, tuple[FloatArray, FloatArray]] = {}

    def whole(x: FloatArray) -> FloatArray:
        theta = start.copy()
        theta[free] = x
        theta[EQUIVALENCE] = max(theta[EQUIVALENCE], 1e-3)
        theta[LOGIT_MG] = float(np.clip(theta[LOGIT_MG], -12.0, 12.0))
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
        max_nfev=80,
        xtol=1e-8,
        ftol=1e-8,
    )
    theta = whole(solution.x)
    jacobian = both(solution.x)[1]
    covariance = np.asarray(np.linalg.pinv(jacobian.T @ jacobian, hermitian=True), dtype=np.float64)
    return Fit(theta, covariance, jacobian, 2.0 * float(solution.cost))


def _starts(model: Model) -> list[FloatArray]:
    """Starting points from a coarse grid: the best with little and the best with much magnesium.

    A slow fade can be explained in two ways, which are two minima: hardly any magnesium, or weak
    constants. Both have to be tried.
    """
    volume = model.setting.mixed_volume_ml(model.priors.lag_s[0])
    half = crossing(volume, model.signal, model.sigma, 0.5)
    middle = half if half is not None else float(volume[int(np.argmax(model.signal > 0.5))])
    starts = []
    for logits in ((-5.5, -4.0), (-1.4, 0.5)):
        grid = []
        for logit in logits:
            for offset in (-0.3, 0.0, 0.12, 0.3, 0.7, 1.2, 2.0):
                theta = model.prior_mean()
                theta[EQUIVALENCE], theta[LOGIT_MG] = max(middle + offset, 0.05), logit
                grid.append(theta)
        rows = np.stack(grid)
        costs = [
            _level_cost(model, row, f) for row, f in zip(rows, model.fraction(rows), strict=True)
        ]
        starts.append(np.asarray(rows[int(np.argmin(costs))]))
    return starts


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


def _extra_noise(residual: FloatArray, sigma: FloatArray, freedom: float) -> float:
    """Scatter to add in quadrature so that chi-square equals its degrees of freedom."""
    if np.sum((residual / sigma) ** 2) <= freedom:
        return 0.0
    low, high = 0.0, float(np.sqrt(np.sum(residual**2) / freedom)) + 1e-12
    for _ in range(60):
        middle = 0.5 * (low + high)
        if np.sum(residual**2 / (sigma**2 + middle**2)) > freedom:
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
    """The other minimum, where it is nearly as good: the same scatter, the next best cost."""


def fit_with_noise(model: Model) -> Fitted:
    """Alternate between fit and scatter until they agree; try both minima."""
    own = model.sigma
    n = own.size
    rough = _thinned(model)
    rough = replace(rough, sigma=np.hypot(rough.sigma, 0.01))
    found = [solve_from(rough, start) for start in _starts(rough)]
    found.sort(key=lambda fit: fit.cost)
    extra, freedom = 0.0, 1.0
    fit = found[0]
    for _ in range(5):
        residual = model.signal - model.predict(fit.theta)
        freedom = max(n - _data_weight(fit, fit.jacobian.shape[0] - _prior_count(model)), 1.0)
        updated = _extra_noise(residual, own, freedom)
        settled = abs(updated - extra) < 0.05 * max(updated, float(np.median(own)))
        extra = updated
        current = replace(model, sigma=np.hypot(own, extra))
        fit = solve_from(current, fit.theta)
        if settled:
            break
    current = replace(model, sigma=np.hypot(own, extra))
    other = solve_from(current, found[1].theta)
    if other.cost < fit.cost - 1e-6:
        fit, other = other, fit
        residual = model.signal - model.predict(fit.theta)
        extra = _extra_noise(residual, own, freedom)
        current = replace(model, sigma=np.hypot(own, extra))
        fit, other = solve_from(current, fit.theta), solve_from(current, other.theta)
    apart = abs(other.theta[EQUIVALENCE] - fit.theta[EQUIVALENCE])
    near = other.cost - fit.cost < _RIVAL_COST and apart > 1e-4
    return Fitted(current, fit, extra, freedom, other if near else None)


def _prior_count(model: Model) -> int:
    return int(np.sum(model.free & np.isfinite(model.prior_sd())))


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
