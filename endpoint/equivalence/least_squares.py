"""Least squares on the titration model: both minima, scatter between points, uncertainty parts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.delivery.alike import together
from endpoint.equivalence.crossings import crossing
from endpoint.equivalence.descent import FAR_COST, Fit, descend, solve_from
from endpoint.equivalence.model import (
    BLUE,
    EQUIVALENCE,
    LOG_IND,
    PARAMETER_NAMES,
    PLUME,
    RED,
    ROOT_MG,
    Model,
)

FloatArray = NDArray[np.float64]

_CHEMISTRY = "magnesium share, constants and pH"
_PRIOR_GROUPS: dict[str, tuple[str, ...]] = {
    _CHEMISTRY: (
        "root_magnesium_ratio",
        "shift_log_k_edta",
        "shift_log_k_indicator",
        "split_log_k_edta",
        "split_log_k_indicator",
    ),
    "amount of indicator": ("log_indicator_umol",),
    "mixing lag": ("lag_s",),
    "drift and colour scale of the camera": ("drift_per_ml", "bend", "kink"),
    "titrant not yet mixed in": ("unmixed_ml",),
}
_RIVAL_COST = 9.0
_USUAL_POINTS = 20
_FARTHEST = 12
"""Points beyond which neighbours no longer count."""


_ROOTS = (0.03, 0.12, 0.4, 1.0)
_INDICATOR_FACTORS = (0.3, 1.0, 3.0)
_OFFSETS_ML = (-0.3, 0.0, 0.12, 0.3, 0.7, 1.2, 2.0)


def starting_points(model: Model) -> FloatArray:
    """Best cells of a coarse grid for every magnesium and indicator, shape (starts, 14).

    A fade can be explained in more than one way (hardly any magnesium, weak constants, much
    indicator), and these are separate minima: each has to be tried.
    """
    model = _rough(model)
    volume = model.setting.mixed_volume_ml(model.priors.lag_s[0])
    half = crossing(volume, model.signal, model.sigma, 0.5)
    middle = half if half is not None else float(volume[int(np.argmax(model.signal > 0.5))])
    roots, factors, offsets = np.meshgrid(_ROOTS, _INDICATOR_FACTORS, _OFFSETS_ML, indexing="ij")
    rows = np.tile(model.prior_mean(), (roots.size, 1))
    rows[:, EQUIVALENCE] = np.maximum(middle + offsets.ravel(), 0.05)
    rows[:, ROOT_MG] = roots.ravel()
    rows[:, LOG_IND] += np.log(factors.ravel())
    cost = _level_costs(model, rows).reshape(roots.shape)
    best = cost.argmin(axis=-1)
    least = cost.min(axis=-1)
    chosen = {(k, int(np.argmin(least[k]))) for k in range(len(_ROOTS))}
    chosen |= {(int(np.argmin(least[:, k])), k) for k in range(len(_INDICATOR_FACTORS))}
    cells = rows.reshape(*roots.shape, -1)
    return np.stack([cells[(*cell, best[cell])] for cell in sorted(chosen)])


def _level_costs(model: Model, rows: FloatArray) -> FloatArray:
    """Misfit of every row with its best plateaus, which are written into `rows`."""
    f = model.fraction(rows)
    weight = 1.0 / model.sigma**2
    left, target = 1.0 - f, model.signal
    aa, ab, bb = (left * left) @ weight, (left * f) @ weight, (f * f) @ weight
    ay, by = left @ (weight * target), f @ (weight * target)
    det = np.maximum(aa * bb - ab * ab, 1e-12 * aa * bb + 1e-300)
    rows[:, RED], rows[:, BLUE] = (bb * ay - ab * by) / det, (aa * by - ab * ay) / det
    rest = rows[:, RED, None] * left + rows[:, BLUE, None] * f - target
    return np.asarray((rest * rest) @ weight)


def _rough(model: Model) -> Model:
    """Model for the first search: fewer points, none of them better than 1 % of the change."""
    rough = _thinned(model)
    return replace(rough, sigma=np.hypot(rough.sigma, 0.01))


def _thinned(model: Model, most: int = 160) -> Model:
    """Fewer points where nothing happens, for the first search."""
    n = model.signal.size
    if n <= most:
        return model
    weight = 0.2 + np.abs(np.gradient(np.clip(model.signal, -0.2, 1.2)))
    position = np.cumsum(weight) / weight.sum()
    kept = np.unique(np.searchsorted(position, (np.arange(most) + 0.5) / most))
    kept = kept[kept < n]
    mixed, flow = model.setting.mixed_volume_ml, model.setting.flow
    flow = None if flow is None else flow[kept]
    return replace(
        model,
        setting=replace(model.setting, mixed_volume_ml=lambda lag: mixed(lag)[kept], flow=flow),
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
    minima: FloatArray
    """Every minimum of the first search, shape (minima, 14)."""


def fit_with_noise(model: Model, known: FloatArray | None = None) -> Fitted:
    """Alternate between fit and scatter until they agree; try every minimum found.

    Parameters
    ----------
    model:
        Residuals and derivatives.
    known:
        `Fitted.minima` of nearly the same points, to begin from instead of `starting_points`.
    """
    starts = starting_points(model) if known is None else known
    found = _distinct(descend(_rough(model), starts, most=30, close=1e-6))
    current, fit, extra, freedom = _settle(model, found[0])
    rival: Fit | None = None
    for other in found[1:]:
        if other.cost > found[0].cost + FAR_COST:
            continue
        again = solve_from(current, other.theta, worth=fit.cost + _RIVAL_COST)
        if again.cost < fit.cost - 1e-6 and _apart(again, fit):
            old = fit
            current, fit, extra, freedom = _settle(model, again)
            again = solve_from(current, old.theta, old)
        near = again.cost - fit.cost < _RIVAL_COST and _apart(again, fit)
        if near and (rival is None or again.cost < rival.cost):
            rival = again
    minima = np.stack([one.theta for one in found])
    return Fitted(current, fit, extra, freedom, rival, minima)


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
    current, same = model, fit.jacobian.shape[0] == n + priors
    for _ in range(6):
        residual = model.signal - model.predict(fit.theta)
        freedom = max(n - _data_weight(fit, fit.jacobian.shape[0] - priors), 1.0)
        own = np.hypot(model.sigma, model.reading_scatter(fit.theta))
        updated = _extra_noise(residual, own, freedom, model.floor)
        settled = abs(updated - extra) < 0.05 * max(updated, float(np.median(own)))
        extra = updated
        current = replace(model, sigma=np.hypot(own, extra))
        fit = solve_from(current, fit.theta, near=fit if same else None)
        same = True
        if settled:
            break
    if model.free[PLUME]:
        current = _as_many_as_count(current, fit)
        fit = solve_from(current, fit.theta, near=fit)
    return current, fit, extra, freedom


def _as_many_as_count(model: Model, fit: Fit) -> Model:
    """Model whose points weigh as much as those of them that say something of their own.

    While titrant runs in, the points follow each other within parts of a second, and lamp, camera
    and plume wander over seconds. Hundreds of points that err together would outvote all that is
    known of the chemistry.
    """
    residual = (model.signal - model.predict(fit.theta)) / model.sigma
    return replace(model, sigma=model.sigma * np.sqrt(together(residual)))


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
    if not model.free[ROOT_MG] and _CHEMISTRY in out:
        out["constants and pH"] = out.pop(_CHEMISTRY)
    return out


def neighbour_likeness(
    residual: FloatArray, sigma: FloatArray, freedom: float, usual: float
) -> float:
    """Correlation of neighbouring points, 0 to 0.9.

    Exposure, lamp and compression of a film wander over seconds, so neighbours err alike. A few
    residuals tell little of it: what is usual counts as `_USUAL_POINTS` more of them.

    Parameters
    ----------
    residual, sigma:
        Of every point in order of volume, shape (n,).
    freedom:
        Degrees of freedom of the fit; a fit pulls neighbours apart.
    usual:
        Correlation to expect.
    """
    z, n = residual / sigma, residual.size
    shown = float(np.sum(z[1:] * z[:-1]) / max(float(np.sum(z * z)), 1e-300))
    shown += (n - freedom) / n
    return min(max((n * shown + _USUAL_POINTS * usual) / (n + _USUAL_POINTS), 0.0), 0.9)


def scatter_factor(fit: Fit, n: int, likeness: float) -> float:
    """Widening of the scatter's part in the equivalence volume for neighbours that err alike.

    Ordinary least squares with first-order autocorrelated errors: the covariance of the estimate
    and the expected sum of squares (Judge et al., Theory and Practice of Econometrics, ch. 8, from
    memory).

    Parameters
    ----------
    fit:
        Minimum; its first row is the equivalence volume.
    n:
        Points; further rows of its Jacobian are priors.
    likeness:
        Correlation of neighbours.
    """
    data = fit.jacobian[:n]
    projected = data @ fit.covariance
    pull = projected[:, 0]
    alike = alone = float(np.sum(pull * pull))
    trace = own = float(np.sum(projected * data))
    for lag in range(1, min(_FARTHEST, n)):
        weight = 2.0 * likeness**lag
        alike += weight * float(pull[lag:] @ pull[:-lag])
        trace += weight * float(np.sum(projected[lag:] * data[:-lag]))
    spread = (n - own) / max(n - trace, 0.5 * (n - own), 1.0)
    return max(float(np.sqrt(max(alike, 0.0) / max(alone, 1e-300) * spread)), 1.0)


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
