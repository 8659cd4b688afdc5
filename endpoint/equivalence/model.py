"""The colour signal that the chemistry predicts for every added volume.

The signal is s(V) = red + (blue - red) g(f) + drift (V - V0) with g(f) = f + bend f (1 - f) + kink
f (1 - f) (1 - 2 f) and f the free fraction from `endpoint.chemistry.equilibrium`. What is not known
is a parameter, and what is known of it beforehand (published constants, a pH near 10) is a normal
prior, treated as one more observation (Bayes with a Laplace interval; Gelman et al., Bayesian Data
Analysis, ch. 4, from memory). The equivalence volume and the plateaus carry no knowledge
beforehand, the magnesium share next to none: they come from the recording.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.conditions import Column
from endpoint.chemistry.equilibrium import constants_at
from endpoint.chemistry.indicators import Indicator
from endpoint.chemistry.two_metals import Balance, Flasks, PairConstants, balance

FloatArray = NDArray[np.float64]

EQUIVALENCE, ROOT_MG, SHIFT_EDTA, SHIFT_IND, SPLIT_EDTA, SPLIT_IND, LOG_IND, LAG = range(8)
RED, BLUE, DRIFT, BEND, KINK, PLUME = range(8, 14)
PARAMETERS = 14
PARAMETER_NAMES = (
    "equivalence_ml",
    "root_magnesium_ratio",
    "shift_log_k_edta",
    "shift_log_k_indicator",
    "split_log_k_edta",
    "split_log_k_indicator",
    "log_indicator_umol",
    "lag_s",
    "red_level",
    "blue_level",
    "drift_per_ml",
    "bend",
    "kink",
    "unmixed_ml",
)
CHEMICAL = slice(0, 8)
CONSTANTS = slice(SHIFT_EDTA, SPLIT_IND + 1)
SMALLEST_ROOT = 1e-5
NEAR_ML = 1.5
"""Distance from the end, mL, within which the scatter about a fit is that of the change."""
_IN_VIEW = 0.4
"""Part of the view that a plume tints at most: it stands in the light of the rest."""
_BLUNT_ML = 0.05
"""Distance from the end, mL, within which a plume no longer grows: little metal is left."""
_LN10 = float(np.log(10.0))
_CLOSED = 1e-9
"""Error of the mass balances, part of a total: no recording tells a millionth of the colour."""
_HALVES = np.array([[-0.5], [0.5]])


@dataclass(frozen=True)
class Priors:
    """What is known before the recording is looked at: means and standard deviations."""

    root_magnesium: float = 1.0
    """Square root of magnesium to calcium: nothing is as likely as a little; 1:1 is one sigma."""
    shift_edta: float = 0.15
    """Both EDTA constants together: published values, set of pKa (log10)."""
    shift_indicator: float = 0.2
    """Both indicator constants together: published values (log10)."""
    split_edta: float = 0.05
    """Between calcium and magnesium with EDTA: published values differ by this (log10)."""
    split_indicator: float = 0.1
    """Between calcium and magnesium with the indicator (log10)."""
    log_indicator_umol_l: tuple[float, float] = (float(np.log(20.0)), 0.9)
    """Indicator in the flask: a spatula tip, 20 umol/L within a factor of 2.5 (1 sigma)."""
    lag_s: tuple[float, float] = (1.5, 0.75)
    drift_span: float = 0.06
    """Drift of the signal over the whole recording as a part of red to blue."""
    bend: tuple[float, float] = (0.0, 0.1)
    """Departure of the colour scale from a straight one, as a part of red to blue: a camera sees
    broad bands, so that its density is not quite linear in the mixture. See `Curve.bend_prior`."""
    kink: tuple[float, float] = (0.0, 0.03)
    """The next order of it: a dark channel no longer follows at one end."""
    unmixed_ml: tuple[float, float] = (0.0, 0.05)
    """Titrant that has left the burette and is still a plume in view while it runs in, mL."""
    unknown_in_flask: tuple[Column, ...] = ()
    """What moves all four constants together and comes on top: pH, salt, buffer, warmth."""

    @cached_property
    def constants_covariance(self) -> FloatArray:
        """Covariance of the two shifts and the two splits in their order, shape (4, 4)."""
        apart = (self.shift_edta, self.shift_indicator, self.split_edta, self.split_indicator)
        together = np.array(self.unknown_in_flask).reshape(-1, 4)
        return np.asarray(np.diag(np.square(apart)) + together.T @ together)


def priors_for(indicator: Indicator, lag_s: tuple[float, float] = (1.5, 0.75)) -> Priors:
    """Knowledge that comes with an indicator, and the mixing time with its uncertainty, s."""
    spread = indicator.spread
    return Priors(
        shift_edta=spread.log_k_edta,
        shift_indicator=spread.log_k_indicator,
        split_edta=spread.between_metals_edta,
        split_indicator=spread.between_metals_indicator,
        log_indicator_umol_l=(float(np.log(spread.indicator_umol_l)), spread.indicator_log_sd),
        lag_s=lag_s,
        unknown_in_flask=indicator.unknown_in_flask,
    )


@dataclass(frozen=True)
class Setting:
    """What is fixed for one recording."""

    flask_ml: float
    """Sample plus everything added before titrating, mL."""
    titrant_mol_l: float
    mixed_volume_ml: Callable[[float], FloatArray]
    """Volume that has mixed in at every point, for a mixing lag in s; shape (n,)."""
    lag_matters: bool
    """False if every point was taken after mixing: then the lag is not a parameter."""
    ph: float = 10.0
    constants: PairConstants | None = None
    """Of the indicator in use; None: Eriochrome Black T with calcium and magnesium."""
    reading_sd_ml: float = 0.0
    """Standard uncertainty of the volume of each point by itself, mL: readings are rounded."""
    flow: FloatArray | None = None
    """Titrant in plumes at every point over that at the usual rate, shape (n,); None if it runs
    evenly throughout."""


def flasks_of(
    volume_ml: FloatArray, theta: FloatArray, setting: Setting, constants: PairConstants
) -> Flasks:
    """Totals and constants for parameter rows.

    Parameters
    ----------
    volume_ml:
        Mixed volume, shape (rows, n).
    theta:
        Parameters in the order of `PARAMETER_NAMES`, shape (rows, 8 or more); only the chemical
        ones are used.
    setting:
        Flask volume and titrant concentration.
    constants:
        Conditional constants before the shifts in `theta`.
    """
    root = np.maximum(np.abs(theta[:, ROOT_MG]), SMALLEST_ROOT)
    share = root * root / (1.0 + root * root)
    total_ml = setting.flask_ml + volume_ml
    metal = (theta[:, EQUIVALENCE] * setting.titrant_mol_l)[:, None] / total_ml
    shares = np.stack([1.0 - share, share])
    k_edta = np.array(constants.log_k_edta)[:, None] + theta[:, SHIFT_EDTA]
    k_indicator = np.array(constants.log_k_indicator)[:, None] + theta[:, SHIFT_IND]
    return Flasks(
        metal_mol_l=metal * shares[..., None],
        edta_mol_l=setting.titrant_mol_l * volume_ml / total_ml,
        indicator_mol_l=1e-3 * np.exp(theta[:, LOG_IND])[:, None] / total_ml,
        log_k_edta=k_edta + _HALVES * theta[:, SPLIT_EDTA],
        log_k_indicator=k_indicator + _HALVES * theta[:, SPLIT_IND],
    )


def chemical_slopes(
    state: Balance, theta: FloatArray, setting: Setting, volume_ml: FloatArray, out: FloatArray
) -> None:
    """Derivatives of ln(free fraction) by implicit differentiation of the mass balances.

    Parameters
    ----------
    state:
        Solved balances of the flasks of `theta` at `volume_ml`.
    theta, setting, volume_ml:
        As for `flasks_of`.
    out:
        Is filled with d ln f / dtheta, shape (rows, 8, n); the row LAG with d ln f / dV, per mL.
    """
    root = np.maximum(np.abs(theta[:, ROOT_MG]), SMALLEST_ROOT)
    share = root * root / (1.0 + root * root)
    total_ml = setting.flask_ml + volume_ml
    # Change of ln(free indicator) for a change of the EDTA and of the indicator balance.
    per = np.stack([-state.mixed_curvature, -state.curvature[0]]) / state.determinant
    pull, s = per[:, None] * state.bound, state.share
    # Balances by ln T, ln K(EDTA), ln K(indicator) of each metal.
    by_metal = pull[0] + pull[1]
    by_edta, by_indicator = pull - by_metal * s
    sign = np.where(theta[:, ROOT_MG] < 0.0, -1.0, 1.0)
    d_share = np.stack([-share, 1.0 - share]) * (2.0 / root * sign)
    indicator = per[1] * state.total[1]
    whole = by_metal[0] + by_metal[1]
    out[:, EQUIVALENCE] = whole / theta[:, EQUIVALENCE, None]
    out[:, ROOT_MG] = by_metal[0] * d_share[0, :, None] + by_metal[1] * d_share[1, :, None]
    out[:, SHIFT_EDTA] = _LN10 * (by_edta[0] + by_edta[1])
    out[:, SPLIT_EDTA] = (0.5 * _LN10) * (by_edta[1] - by_edta[0])
    out[:, SHIFT_IND] = _LN10 * (by_indicator[0] + by_indicator[1])
    out[:, SPLIT_IND] = (0.5 * _LN10) * (by_indicator[1] - by_indicator[0])
    out[:, LOG_IND] = -indicator - 1.0
    d_edta = setting.titrant_mol_l * setting.flask_ml / total_ml**2
    out[:, LAG] = (indicator - whole + 1.0) / total_ml - per[0] * d_edta


def colour_scale(f: FloatArray, bend: float, kink: float) -> FloatArray:
    """Position of the colour between red (0) and blue (1) for a free fraction."""
    bump = f * (1.0 - f)
    return np.asarray(f + bend * bump + kink * bump * (1.0 - 2.0 * f))


def unbend(bent: FloatArray, bend: float, kink: float) -> FloatArray:
    """Free fraction for positions of the colour; beyond red and blue with slope 1."""
    grid = np.linspace(0.0, 1.0, 2001)
    scale = np.maximum.accumulate(colour_scale(grid, bend, kink))
    inside = np.interp(bent, scale, grid)
    return np.asarray(inside + np.minimum(bent, 0.0) + np.maximum(bent - scale[-1], 0.0))


@dataclass(frozen=True, eq=False)
class Model:
    """Residuals and their derivatives for one recording; parameters as in `PARAMETER_NAMES`."""

    setting: Setting
    priors: Priors
    signal: FloatArray
    """Shape (n,), scaled so that red to blue is about 0 to 1."""
    sigma: FloatArray
    """Standard deviation of every point, shape (n,)."""
    volume_ml: FloatArray
    """Delivered volume, shape (n,)."""
    floor: float
    """Scatter between points to expect beyond `sigma`, same scale as `signal`."""
    free: NDArray[np.bool_]
    """Which parameters are fitted, shape (14,); the others stay at their prior mean."""

    @cached_property
    def constants(self) -> PairConstants:
        """Conditional constants before any shift."""
        if self.setting.constants is not None:
            return self.setting.constants
        k = constants_at(self.setting.ph)
        return PairConstants(
            (k.log_ca_edta, k.log_mg_edta), (k.log_ca_indicator, k.log_mg_indicator)
        )

    def prior_mean(self) -> FloatArray:
        """Centre of every prior, 0 where there is none, shape (14,)."""
        p = self.priors
        mean = np.zeros(PARAMETERS)
        mean[LOG_IND] = p.log_indicator_umol_l[0] + np.log(1e-3 * self.setting.flask_ml)
        mean[LAG], mean[BEND], mean[KINK] = p.lag_s[0], p.bend[0], p.kink[0]
        mean[BLUE], mean[PLUME] = 1.0, p.unmixed_ml[0]
        return mean

    def prior_sd(self) -> FloatArray:
        """Standard deviation of every prior, infinite where there is none, shape (14,)."""
        p = self.priors
        span_ml = max(float(np.ptp(self.volume_ml)), 1e-6)
        sd = np.full(PARAMETERS, np.inf)
        sd[ROOT_MG] = p.root_magnesium
        sd[CONSTANTS] = np.sqrt(np.diag(p.constants_covariance))
        sd[LOG_IND], sd[LAG] = p.log_indicator_umol_l[1], p.lag_s[1]
        sd[DRIFT], sd[BEND], sd[KINK] = p.drift_span / span_ml, p.bend[1], p.kink[1]
        sd[PLUME] = p.unmixed_ml[1]
        return sd

    def fraction(self, theta: FloatArray) -> FloatArray:
        """Free fraction at every point for rows of parameters, shape (rows, n)."""
        mixed = self._mixed(theta)
        return balance(flasks_of(mixed, theta, self.setting, self.constants)).free_fraction

    def _mixed(self, theta: FloatArray, later_s: float = 0.0) -> FloatArray:
        """Mixed volume for rows of parameters, shape (rows, n)."""
        lag = theta[:, LAG] + later_s
        if np.all(lag == lag[0]):
            one = self.setting.mixed_volume_ml(float(lag[0]))
            return np.broadcast_to(one, (len(theta), one.size))
        return np.stack([self.setting.mixed_volume_ml(float(v)) for v in lag])

    def levels(self, theta: FloatArray, f: FloatArray) -> FloatArray:
        """Turn the free fraction into the signal, shape of `f`."""
        centre = float(self.volume_ml.mean())
        bent = colour_scale(f, theta[BEND], theta[KINK])
        return np.asarray(
            theta[RED]
            + (theta[BLUE] - theta[RED]) * bent
            + theta[DRIFT] * (self.volume_ml - centre)
        )

    def predict(self, theta: FloatArray) -> FloatArray:
        """Signal at every point, shape (n,)."""
        f = self.fraction(theta[None, :])
        plume = _plume(theta[None, :], self._mixed(theta[None, :]), self.setting.flow)[0]
        return self.levels(theta, (f + (1.0 - f) * plume)[0])

    def reading_scatter(self, theta: FloatArray) -> FloatArray:
        """What the uncertainty of each reading makes of the signal, shape (n,)."""
        sd_ml = self.setting.reading_sd_ml
        if sd_ml <= 0.0:
            return np.zeros(self.signal.size)
        mixed = self._mixed(theta[None, :])
        both = np.concatenate([np.maximum(mixed - sd_ml, 0.0), mixed + sd_ml])
        rows = np.stack([theta, theta])
        f = balance(flasks_of(both, rows, self.setting, self.constants)).free_fraction
        return np.asarray(0.5 * abs(theta[BLUE] - theta[RED]) * (f[1] - f[0]))

    def residuals(self, theta: FloatArray) -> FloatArray:
        """Weighted residuals, the priors of the free parameters last."""
        return self.evaluate(theta)[0]

    def jacobian(self, theta: FloatArray) -> FloatArray:
        """Derivative of `residuals` by the free parameters, shape (n + priors, free)."""
        return self.evaluate(theta)[1]

    def evaluate(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """`residuals` and `jacobian` from one solution of the mass balances."""
        residuals, jacobian, _ = self.evaluate_rows(theta[None, :])
        return residuals[0], jacobian[0].T

    def evaluate_rows(
        self, theta: FloatArray, near: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Residuals and derivatives for many rows of parameters at once.

        Parameters
        ----------
        theta:
            Shape (rows, 14).
        near:
            `Balance.log_free` of rows close by, to begin from.

        Returns
        -------
        Residuals (rows, n + priors), their derivatives (rows, free, n + priors), and
        `Balance.log_free` (2, rows, n).
        """
        mixed = self._mixed(theta)
        state = balance(flasks_of(mixed, theta, self.setting, self.constants), near, _CLOSED)
        f = state.free_fraction
        rows, n = f.shape
        full = np.empty((rows, PARAMETERS, n))
        chemical = full[:, CHEMICAL]
        chemical_slopes(state, theta, self.setting, mixed, chemical)
        # What follows is all linear in the slopes of the fraction, so its factors are gathered.
        factor = f
        if self.free[PLUME]:
            plume, by_distance, by_unmixed = _plume(theta, mixed, self.setting.flow)
            bare, open_part = 1.0 - f, 1.0 - plume
            factor = f * open_part
            f = f + bare * plume
        span, bend, kink = (theta[:, BLUE] - theta[:, RED])[:, None], *theta[:, (BEND, KINK)].T
        bump, tilt = f * (1.0 - f), 1.0 - 2.0 * f
        curl = bump * tilt
        bent = f + bend[:, None] * bump + kink[:, None] * curl
        turn = span * (1.0 + bend[:, None] * tilt + kink[:, None] * (1.0 - 6.0 * bump))
        chemical *= (factor * turn)[:, None, :]
        if self.free[PLUME]:
            bare *= turn
            by_distance *= bare
            full[:, EQUIVALENCE] += by_distance
            full[:, LAG] -= by_distance
            full[:, PLUME] = bare * by_unmixed
        if self.free[LAG]:
            step_s = 1e-3
            full[:, LAG] *= (self._mixed(theta, step_s) - mixed) / step_s
        away_ml = self._away_ml
        full[:, RED], full[:, BLUE], full[:, DRIFT] = 1.0 - bent, bent, away_ml
        full[:, BEND], full[:, KINK] = span * bump, span * curl
        level = theta[:, RED, None] + span * bent + theta[:, DRIFT, None] * away_ml
        mean, prior, among = self._knowledge
        rest = np.empty((rows, n + len(prior)))
        np.divide(level - self.signal, self.sigma, out=rest[:, :n])
        np.matmul(theta - mean, prior.T, out=rest[:, n:])
        slopes = np.empty((rows, len(among), n + len(prior)))
        np.divide(full[:, self._columns], self.sigma, out=slopes[:, :, :n])
        slopes[:, :, n:] = among
        return rest, slopes, state.log_free

    @cached_property
    def _columns(self) -> slice | NDArray[np.intp]:
        """The free parameters among all."""
        return slice(None) if self.free.all() else np.flatnonzero(self.free)

    @cached_property
    def _away_ml(self) -> FloatArray:
        return np.asarray(self.volume_ml - self.volume_ml.mean())

    @cached_property
    def _knowledge(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Prior means, and the rows that make standard observations of what is known.

        One row for each known parameter in its order, shape (known, 14); those of the constants
        are mixed, because what is unknown of the flask moves them together. The last item holds
        the columns of the free parameters, shape (free, known).
        """
        sd = self.prior_sd()
        rows = np.diag(1.0 / sd)
        constants = np.arange(PARAMETERS)[CONSTANTS][self.free[CONSTANTS]]
        within = constants - CONSTANTS.start
        covariance = self.priors.constants_covariance[np.ix_(within, within)]
        rows[np.ix_(constants, constants)] = np.linalg.inv(np.linalg.cholesky(covariance))
        known = rows[self.free & np.isfinite(sd)]
        return self.prior_mean(), known, known.T[self.free]


def _plume(
    theta: FloatArray, mixed_ml: FloatArray, flow: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Part of the view that titrant not yet mixed in has turned, and its slopes.

    What is near the tip turns as much liquid blue as it holds metal for; so the same plume grows
    the nearer the end comes.

    Parameters
    ----------
    theta:
        Shape (rows, 14).
    mixed_ml:
        Shape (rows, n).
    flow:
        As in `Setting`.

    Returns
    -------
    The part, and its derivatives by the equivalence volume and by the unmixed titrant, per mL;
    each of shape (rows, n).
    """
    unmixed, away = theta[:, PLUME, None], theta[:, EQUIVALENCE, None] - mixed_ml
    by_theta: FloatArray | float = 1.0
    if flow is not None:
        unmixed, by_theta = unmixed * flow, flow
    root = np.sqrt(away * away + 4.0 * _BLUNT_ML**2)
    left = 0.5 * (away + root)
    total = np.maximum(unmixed + left, 1e-9)
    by_left = -unmixed / total**2
    by_distance = by_left * 0.5 * (1.0 + away / root)
    by_unmixed = _IN_VIEW * left / total**2 * by_theta
    return _IN_VIEW * unmixed / total, _IN_VIEW * by_distance, by_unmixed


def rms_near(model: Model, residual: FloatArray, equivalence_ml: float) -> float:
    """Scatter about the fit near the end; coarse additions far before it may be badly mixed."""
    near = np.abs(model.volume_ml - equivalence_ml) < NEAR_ML
    part = residual[near] if near.sum() >= 5 else residual
    return float(np.sqrt(np.mean(part**2)))
