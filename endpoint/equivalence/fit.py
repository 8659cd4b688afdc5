"""From the curve to the equivalence volume: fit of the mass balance, and what no model sees.

Three volumes are kept apart. `equivalence` is where EDTA equals calcium and magnesium (from the
fit); `midpoint` is where half of the indicator is free; `last_red` is where 95 % is free and a
careful eye finds no red tinge left. The two latter are read off the curve without the model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.curve.points import Curve
from endpoint.equivalence.crossings import crossings_with_errors
from endpoint.equivalence.indicator_amount import amount_shown
from endpoint.equivalence.least_squares import (
    Fitted,
    contributions,
    fit_with_noise,
    neighbour_likeness,
    scatter_factor,
    starting_points,
    two_minima,
)
from endpoint.equivalence.model import (
    BEND,
    BLUE,
    DRIFT,
    EQUIVALENCE,
    KINK,
    LAG,
    PARAMETER_NAMES,
    PLUME,
    RED,
    ROOT_MG,
    SPLIT_EDTA,
    SPLIT_IND,
    Model,
    Priors,
    Setting,
    priors_for,
    rms_near,
    unbend,
)
from endpoint.equivalence.profile import is_bent, profile_ends
from endpoint.equivalence.robust import fit_without_strays, missed_ml
from endpoint.equivalence.stray_light import (
    USUAL_PART,
    StrayModel,
    has_stray_light,
    weigh_parts,
    with_stray_light,
)

FloatArray = NDArray[np.float64]

LAST_RED_LEVEL = 0.95
_K_95 = 1.96
"""Coverage factor of 95 % for a normal distribution."""
_HIDDEN_RISE = 0.5
_HIDDEN_GAP_ML = 0.12
"""Rise and width of a gap between two points in which a crossing cannot be read."""
_REACH_ML = 6.0
"""How far from the fitted volume an interval is looked for."""
_HARDLY_MAGNESIUM = 0.12
"""Square root of magnesium to calcium below which magnesium may as well be absent."""


@dataclass(frozen=True)
class Estimate:
    """A volume in mL with its standard uncertainty and 95 % interval."""

    value_ml: float
    standard_uncertainty_ml: float
    low_ml: float
    """Not below 0: no volume is."""
    high_ml: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "low_ml", max(self.low_ml, min(self.value_ml, 0.0)))

    def widened(self, by_ml: float) -> Estimate:
        """Estimate with another standard uncertainty added in quadrature, mL."""
        below, above = self.value_ml - self.low_ml, self.high_ml - self.value_ml
        return Estimate(
            self.value_ml,
            float(np.hypot(self.standard_uncertainty_ml, by_ml)),
            self.value_ml - float(np.hypot(below, _K_95 * by_ml)),
            self.value_ml + float(np.hypot(above, _K_95 * by_ml)),
        )


@dataclass(frozen=True, eq=False)
class Transition:
    """Everything that the fit and the model-free reading say about one curve."""

    equivalence: Estimate
    midpoint: Estimate | None
    last_red: Estimate | None
    free_fraction: FloatArray
    """f of every point with the fitted plateaus, drift taken off, shape (n,)."""
    free_fraction_sigma: FloatArray
    fitted_fraction: FloatArray
    """f of the model at every point, shape (n,)."""
    mixed_volume_ml: FloatArray
    """Volume that had mixed in at every point, shape (n,)."""
    outlier: NDArray[np.bool_]
    parameters: dict[str, tuple[float, float]]
    """Name -> value and standard deviation."""
    contributions_ml: dict[str, float]
    """Where the standard uncertainty of the equivalence volume comes from."""
    residual_rms: float
    """Root mean square of the residuals, around the end, as a part of the change."""
    degrees_of_freedom: float
    grid_volume_ml: FloatArray
    grid_fraction: FloatArray
    """The model on a fine grid of mixed volume, for drawing."""
    model: Model
    theta: FloatArray
    covariance: FloatArray
    minima: FloatArray
    """Parameters of every minimum that was looked at, shape (minima, 14)."""
    rivals: tuple[FloatArray, ...] = ()
    """Parameters of another minimum that is nearly as good, shape (14,)."""

    def fraction_at(self, volume_ml: FloatArray) -> FloatArray:
        """Model f for mixed volumes, shape (n,)."""
        setting = replace(self.model.setting, mixed_volume_ml=lambda _lag: volume_ml)
        model = replace(
            self.model, setting=setting, signal=np.zeros(volume_ml.size), volume_ml=volume_ml
        )
        return np.asarray(model.fraction(self.theta[None, :])[0])


def _estimate(value: float, error: float, freedom: float) -> Estimate:
    k = float(stdtrit(max(freedom, 1.0), 0.975))
    # A volume cannot be negative.
    return Estimate(value, error, max(value - k * error, min(value, 0.0)), value + k * error)


@dataclass(frozen=True)
class _Flask:
    """What stands in the burette and what is known of the chemistry in the flask."""

    titrant_mol_l: float
    priors: Priors
    indicator: Indicator


def _model_for(curve: Curve, flask: _Flask, kept: NDArray[np.bool_]) -> Model:
    free = np.ones(len(PARAMETER_NAMES), dtype=bool)
    free[LAG] = curve.lag_matters
    free[PLUME] = curve.running_ml_s > 0.0
    # A single metal stands twice with the same constants: nothing tells the two apart.
    free[[ROOT_MG, SPLIT_EDTA, SPLIT_IND]] = len(flask.indicator.metals) > 1
    setting = Setting(
        flask_ml=curve.flask_ml,
        titrant_mol_l=flask.titrant_mol_l,
        mixed_volume_ml=curve.mixing_of(kept),
        lag_matters=curve.lag_matters,
        ph=flask.indicator.ph,
        constants=flask.indicator.constants,
        reading_sd_ml=curve.reading_sd_ml,
        flow=curve.flow_of(kept),
    )
    return Model(
        setting=setting,
        priors=flask.priors,
        signal=np.array(curve.signal[kept]),
        sigma=np.array(curve.sigma[kept]),
        volume_ml=np.array(curve.volume_ml[kept]),
        floor=curve.floor,
        free=free,
    )


def _fit_all(
    curve: Curve, flask: _Flask, near: FloatArray | None
) -> tuple[Fitted, NDArray[np.bool_], float, float]:
    """Fit, its points, and what stray light adds to the equivalence volume and its spread, mL."""

    def plain(kept: NDArray[np.bool_]) -> Model:
        return _model_for(curve, flask, kept)

    if not has_stray_light(curve):
        return *fit_without_strays(curve, plain, near), 0.0, 0.0
    _, kept = fit_without_strays(
        curve, lambda kept: with_stray_light(plain(kept), curve, USUAL_PART)
    )
    model = plain(kept)
    starts = starting_points(model)  # they come from the chemistry, whatever the stray light
    fitted, moved, spread = weigh_parts(
        lambda part: fit_with_noise(with_stray_light(model, curve, part), starts)
    )
    return fitted, kept, moved, spread


def _value_and_parts(
    fitted: Fitted, residual: FloatArray, usual_likeness: float
) -> tuple[float, dict[str, float]]:
    """Equivalence volume and what its standard uncertainty is made of, mL."""
    model, fit = fitted.model, fitted.fit
    value, between = two_minima(fit, fitted.rival)
    likeness = neighbour_likeness(residual, model.sigma, fitted.freedom, usual_likeness)
    parts = contributions(model, fit)
    # Points that weigh less than their scatter already carry what errs together.
    weighed = float(np.sqrt(np.sum((residual / model.sigma) ** 2) / fitted.freedom))
    widening = scatter_factor(fit, residual.size, likeness) * min(weighed, 1.0)
    parts["scatter of the colour"] *= max(widening, 1.0)
    if between > 0:
        parts["two ways to explain the curve"] = between
    return value, parts


def _parameters(fitted: Fitted) -> dict[str, tuple[float, float]]:
    """Value and standard deviation of every free parameter, by its name."""
    model, fit = fitted.model, fitted.fit
    sd = np.sqrt(np.maximum(np.diag(fit.covariance), 0.0))
    free = np.flatnonzero(model.free)
    return {
        PARAMETER_NAMES[k]: (float(fit.theta[k]), float(s)) for k, s in zip(free, sd, strict=True)
    }


def fit_transition(
    curve: Curve,
    titrant_mol_l: float,
    priors: Priors | None = None,
    indicator: Indicator = ERIOCHROME_BLACK_T,
    near: Transition | None = None,
) -> Transition:
    """Fit the mass balance to a curve that holds a change of colour.

    Parameters
    ----------
    curve:
        At least 4 points, the colour of which changes.
    titrant_mol_l:
        Concentration of EDTA.
    priors:
        Knowledge from before the recording; by default that of the indicator.
    indicator:
        Which metals are titrated at which pH, and how strongly all is bound.
    near:
        Fit of nearly the same curve, to begin from; then the interval is that of the curvature.

    Raises
    ------
    ValueError
        Fewer than 4 points.
    """
    if len(curve) < 4:
        raise ValueError("a fit needs at least 4 points")
    known = priors or priors_for(indicator)
    known = replace(
        known,
        bend=curve.bend_prior,
        kink=curve.kink_prior,
        unmixed_ml=curve.unmixed_prior_ml,
        log_indicator_umol_l=amount_shown(curve, indicator),
    )
    flask = _Flask(titrant_mol_l, known, indicator)
    fitted, kept, moved, stray = _fit_all(curve, flask, None if near is None else near.minima)
    model, fit, extra, freedom = fitted.model, fitted.fit, fitted.extra, fitted.freedom
    residual = model.signal - model.predict(fit.theta)
    value, parts = _value_and_parts(fitted, residual, curve.usual_likeness)
    value += moved
    if stray > 0.0:
        parts["stray light"] = stray
    missed = missed_ml(curve, fitted, kept)
    if missed > 0.0:
        parts["strays within the change"] = missed
    error = float(np.sqrt(sum(v * v for v in parts.values())))
    whole = _model_for(curve, flask, np.ones(len(curve), dtype=bool))
    theta = fit.theta
    span = theta[BLUE] - theta[RED]
    centre = float(model.volume_ml.mean())
    level = theta[RED] + theta[DRIFT] * (curve.volume_ml - centre)
    signal, slope = np.asarray(curve.signal), np.ones(len(curve))
    if isinstance(model, StrayModel):
        whole = with_stray_light(whole, curve, model.part)
        signal, slope = whole.straight(signal)
    fraction = unbend((signal - level) / span, float(theta[BEND]), float(theta[KINK]))
    fraction_sigma = slope * np.hypot(curve.sigma, extra) / abs(span)
    mixed = curve.mixed_volume_ml(float(theta[LAG]))
    result = Transition(
        equivalence=_estimate(value, error, freedom),
        midpoint=None,
        last_red=None,
        free_fraction=fraction,
        free_fraction_sigma=fraction_sigma,
        fitted_fraction=whole.fraction(theta[None, :])[0],
        mixed_volume_ml=np.array(mixed),
        outlier=~kept,
        parameters=_parameters(fitted),
        contributions_ml=parts,
        residual_rms=rms_near(model, residual, float(theta[EQUIVALENCE])) / abs(float(span)),
        degrees_of_freedom=freedom,
        grid_volume_ml=np.zeros(0),
        grid_fraction=np.zeros(0),
        model=model,
        theta=theta,
        covariance=fit.covariance,
        minima=fitted.minima,
        rivals=() if fitted.rival is None else (fitted.rival.theta,),
    )
    if near is None and _is_profile_due(result):
        result = replace(result, equivalence=_by_profile(result))
    grid = np.linspace(float(mixed.min()), float(mixed.max()), 1200)
    midpoint, last_red = _level_volumes(curve, result, (0.5, LAST_RED_LEVEL))
    return replace(
        result,
        midpoint=midpoint,
        last_red=last_red,
        grid_volume_ml=grid,
        grid_fraction=result.fraction_at(grid),
    )


def profile_interval(
    fit: Transition, *, reach_ml: float = _REACH_ML, probability: float = 0.95, wider: float = 1.0
) -> tuple[float, float | None]:
    """Likelihood interval of the equivalence volume with all other parameters refitted.

    Used where few points stand in the change, so that the interval is not symmetric
    (see `endpoint.equivalence.profile`); a rival minimum counts too.

    Returns
    -------
    Lower and upper end, mL; the upper end is None if the recording does not bound it within
    `reach_ml`.
    """
    k = float(stdtrit(max(fit.degrees_of_freedom, 1.0), 0.5 + 0.5 * probability))
    first = max(0.5 * fit.equivalence.standard_uncertainty_ml, 2e-3)
    low, high = profile_ends(fit.model, [fit.theta, *fit.rivals], first, wider * k, reach_ml)
    if high is None or "strays within the change" not in fit.contributions_ml:
        return low, high
    return min(low, fit.equivalence.low_ml), max(high, fit.equivalence.high_ml)


def _level_volumes(
    curve: Curve, fit: Transition, levels: tuple[float, ...]
) -> list[Estimate | None]:
    """Model-free crossings of levels; the model only lends plateaus, drift and mixing lag."""
    kept = ~fit.outlier & (curve.flags == 0)
    found = crossings_with_errors(
        fit.mixed_volume_ml[kept], fit.free_fraction[kept], fit.free_fraction_sigma[kept], levels
    )
    return [
        None if pair is None else _level_volume(curve, fit, kept, level, *pair)
        for level, pair in zip(levels, found, strict=True)
    ]


def _level_volume(
    curve: Curve,
    fit: Transition,
    kept: NDArray[np.bool_],
    level: float,
    value: float,
    error: float,
) -> Estimate | None:
    """A crossing with what plateaus, drift, lag, readings and coarse points add to its error."""
    rise, gap = _around(fit, kept, value)
    if rise > _HIDDEN_RISE and gap > _HIDDEN_GAP_ML:
        return None
    theta, free = fit.theta, fit.model.free
    bump = level * (1.0 - level)
    span = float(theta[BLUE] - theta[RED])
    gradient = np.zeros(len(PARAMETER_NAMES))
    gradient[RED], gradient[BLUE] = 1.0 - level, level
    gradient[DRIFT] = value - float(fit.model.volume_ml.mean())
    gradient[BEND], gradient[KINK] = span * bump, span * bump * (1.0 - 2.0 * level)
    level_error = np.sqrt(max(float(gradient[free] @ fit.covariance @ gradient[free]), 0.0)) / span
    # Between two volumes that are far apart in colour the curve is only interpolated.
    between = gap / np.sqrt(12.0) if rise > 0.3 else 0.0
    read = fit.model.setting.reading_sd_ml
    parts = [error, between, read, float(level_error) / max(_slope_at(fit, value), 0.02)]
    if "lag_s" in fit.parameters:
        lag = float(theta[LAG])
        moved = curve.mixed_volume_ml(lag + 0.1) - curve.mixed_volume_ml(lag)
        nearest = int(np.argmin(np.abs(fit.mixed_volume_ml - value)))
        parts.append(float(moved[nearest]) / 0.1 * fit.parameters["lag_s"][1])
    return _estimate(value, float(np.sqrt(np.sum(np.square(parts)))), fit.degrees_of_freedom)


def _is_profile_due(fit: Transition) -> bool:
    """Whether the curvature at the minimum does not tell the interval.

    With calcium alone the curve has a corner at its end: beyond it nothing is left to see, and at
    the border of no magnesium the share of it cannot fall any further. Elsewhere the cost itself
    is asked.
    """
    if not fit.model.free[ROOT_MG] or abs(float(fit.theta[ROOT_MG])) < _HARDLY_MAGNESIUM:
        return True
    k = float(stdtrit(max(fit.degrees_of_freedom, 1.0), 0.975))
    return is_bent(fit.model, fit.theta, fit.covariance, k)


def _by_profile(fit: Transition) -> Estimate:
    """Interval from the likelihood itself, as wide as the curvature's parts outside of it ask."""
    linear = float(np.sqrt(max(float(fit.covariance[0, 0]), 1e-300)))
    wider = max(fit.equivalence.standard_uncertainty_ml / linear, 1.0)
    k = float(stdtrit(max(fit.degrees_of_freedom, 1.0), 0.975))
    minima = [fit.theta, *fit.rivals]
    low, high = profile_ends(fit.model, minima, wider * k * linear, wider * k, _REACH_ML)
    if high is None:
        return fit.equivalence
    error = max(fit.equivalence.standard_uncertainty_ml, 0.5 * (high - low) / k)
    return Estimate(fit.equivalence.value_ml, error, low, high)


def _around(fit: Transition, kept: NDArray[np.bool_], volume_ml: float) -> tuple[float, float]:
    """Rise of f and distance, mL, between the two points around a volume."""
    v, f = fit.mixed_volume_ml[kept], fit.free_fraction[kept]
    upper = int(np.clip(np.searchsorted(v, volume_ml), 1, v.size - 1))
    return float(f[upper] - f[upper - 1]), float(v[upper] - v[upper - 1])


def _slope_at(fit: Transition, volume_ml: float) -> float:
    around = np.array([volume_ml - 0.02, volume_ml + 0.02])
    f = fit.fraction_at(np.maximum(around, 0.0))
    return float((f[1] - f[0]) / 0.04)


def indicator_umol_l(fit: Transition, flask_ml: float) -> tuple[float, float]:
    """Indicator in the flask, umol/L, and the factor of one standard deviation."""
    log_umol, sd = fit.parameters["log_indicator_umol"]
    return float(np.exp(log_umol) * 1e3 / flask_ml), float(np.exp(sd))


def magnesium_share(fit: Transition) -> tuple[float, float, float]:
    """Share of magnesium in the hardness as the shape of the curve tells it, and 68 % limits.

    All 0 where a single metal is titrated.
    """
    if "root_magnesium_ratio" not in fit.parameters:
        return 0.0, 0.0, 0.0
    root, sd = fit.parameters["root_magnesium_ratio"]
    ratios = np.array([abs(root), max(abs(root) - sd, 0.0), abs(root) + sd]) ** 2
    values = ratios / (1.0 + ratios)
    return float(values[0]), float(values[1]), float(values[2])
