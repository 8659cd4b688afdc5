"""The colour signal that the chemistry predicts for every added volume.

The signal is s(V) = red + (blue - red) g(f) + drift (V - V0) with
g(f) = f + bend f (1 - f) + kink f (1 - f) (1 - 2 f) and f the free fraction from
`endpoint.equilibrium`. What is not known is a parameter, and what is known of it beforehand
(published constants, a pH near 10) is a normal prior, treated as one more observation (Bayes with
a Laplace interval; Gelman et al., Bayesian Data Analysis, ch. 4, from memory). The equivalence
volume and the plateaus carry no knowledge beforehand, the magnesium share next to none: they come
from the recording.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.equilibrium import Constants, constants_at, solve

FloatArray = NDArray[np.float64]

EQUIVALENCE, ROOT_MG, SHIFT_EDTA, SHIFT_IND, SPLIT_EDTA, SPLIT_IND, LOG_IND, LAG = range(8)
RED, BLUE, DRIFT, BEND, KINK = range(8, 13)
PARAMETERS = 13
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
)
CHEMICAL = slice(0, 8)
_SMALLEST_ROOT = 1e-5


@dataclass(frozen=True)
class Priors:
    """What is known before the recording is looked at: means and standard deviations."""

    root_magnesium: float = 1.0
    """Square root of magnesium to calcium: nothing is as likely as a little; 1:1 is one sigma."""
    shift_edta: float = 0.15
    """Both EDTA constants together: pH of the buffer, ionic strength, set of pKa (log10)."""
    shift_indicator: float = 0.2
    """Both indicator constants together: pH of the buffer, published values (log10)."""
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


@dataclass(frozen=True)
class Setting:
    """What is fixed for one recording."""

    flask_ml: float
    """Sample plus everything added before titrating, mL."""
    titrant_mol_l: float
    mixed_volume_ml: Callable[[float], FloatArray]
    """Volume that the liquid has felt at every point, for a mixing lag in s; shape (n,)."""
    lag_matters: bool
    """False if every point was taken after mixing: then the lag is not a parameter."""
    ph: float = 10.0


def free_fraction_and_slopes(
    volume_ml: FloatArray, theta: FloatArray, setting: Setting, constants: Constants
) -> tuple[FloatArray, FloatArray]:
    """Free fraction f and its derivatives by implicit differentiation of the mass balances.

    Parameters
    ----------
    volume_ml:
        Mixed volume, shape (n,).
    theta:
        Parameters in the order of `PARAMETER_NAMES`; only the chemical ones are used.
    setting:
        Flask volume and titrant concentration.
    constants:
        Conditional constants before the shifts in `theta`.

    Returns
    -------
    f, shape (n,), and df/dtheta, shape (8, n); the row LAG holds df/dV, per mL.
    """
    root = max(abs(float(theta[ROOT_MG])), _SMALLEST_ROOT)
    share_mg = root * root / (1.0 + root * root)
    shares = np.array([1.0 - share_mg, share_mg])
    total_ml = setting.flask_ml + volume_ml
    metal = (theta[EQUIVALENCE] * setting.titrant_mol_l / total_ml)[:, None] * shares
    edta = setting.titrant_mol_l * volume_ml / total_ml
    indicator = 1e-3 * np.exp(theta[LOG_IND]) / total_ml
    half = np.array([-0.5, 0.5])
    k_edta = np.array([constants.log_ca_edta, constants.log_mg_edta])
    k_edta = k_edta + theta[SHIFT_EDTA] + theta[SPLIT_EDTA] * half
    k_ind = np.array([constants.log_ca_indicator, constants.log_mg_indicator])
    k_ind = k_ind + theta[SHIFT_IND] + theta[SPLIT_IND] * half
    state = solve(metal, edta, indicator, k_edta, k_ind)
    my, mi = state.metal_edta_mol_l, state.metal_indicator_mol_l
    sy, si = my / metal, mi / metal
    hyy = state.free_edta_mol_l + (my * (1.0 - sy)).sum(-1)
    hii = state.free_indicator_mol_l + (mi * (1.0 - si)).sum(-1)
    hyi = -(my * si).sum(-1)
    det = hyy * hii - hyi * hyi

    def slope(gy: FloatArray, gi: FloatArray) -> FloatArray:
        """Change of ln(free indicator) for a change of the two balances."""
        return np.asarray(-(hyy * gi - hyi * gy) / det)

    # Balances by ln T, ln K(EDTA), ln K(indicator) of each metal: shape (n, 2).
    by_k = (my * (1.0 - sy), -mi * sy)
    by_l = (-my * si, mi * (1.0 - si))
    log10 = float(np.log(10.0))
    d_share = np.array([-share_mg, 1.0 - share_mg]) * 2.0 / root * np.sign(theta[ROOT_MG] + 1e-300)
    out = np.zeros((8, volume_ml.size))
    out[EQUIVALENCE] = slope(my.sum(-1), mi.sum(-1)) / theta[EQUIVALENCE]
    out[ROOT_MG] = slope((my * d_share).sum(-1), (mi * d_share).sum(-1))
    out[SHIFT_EDTA] = log10 * slope(by_k[0].sum(-1), by_k[1].sum(-1))
    out[SPLIT_EDTA] = log10 * slope((by_k[0] * half).sum(-1), (by_k[1] * half).sum(-1))
    out[SHIFT_IND] = log10 * slope(by_l[0].sum(-1), by_l[1].sum(-1))
    out[SPLIT_IND] = log10 * slope((by_l[0] * half).sum(-1), (by_l[1] * half).sum(-1))
    out[LOG_IND] = slope(np.zeros_like(indicator), -indicator) - 1.0
    d_edta = setting.titrant_mol_l * setting.flask_ml / total_ml**2
    gy = -my.sum(-1) / total_ml - d_edta
    gi = -mi.sum(-1) / total_ml + indicator / total_ml
    out[LAG] = slope(gy, gi) + 1.0 / total_ml
    return state.free_fraction, out * state.free_fraction


def unit_signal(
    volume_ml: FloatArray, theta: FloatArray, setting: Setting, constants: Constants
) -> FloatArray:
    """Free fraction f for parameter rows.

    Parameters
    ----------
    volume_ml:
        Mixed volume, shape (rows, n).
    theta:
        Chemical parameters, shape (rows, 8), in the order of `PARAMETER_NAMES`.
    setting:
        Flask volume and titrant concentration.
    constants:
        Conditional constants before the shifts in `theta`.
    """
    ratio = np.maximum(np.abs(theta[:, ROOT_MG]), _SMALLEST_ROOT) ** 2
    share = ratio / (1.0 + ratio)
    metal_mmol = theta[:, EQUIVALENCE] * setting.titrant_mol_l
    total_ml = setting.flask_ml + volume_ml
    metal = metal_mmol[:, None] / total_ml
    shares = np.stack([1.0 - share, share], axis=-1)[:, None, :]
    half = np.array([-0.5, 0.5])
    k_edta = (
        np.array([constants.log_ca_edta, constants.log_mg_edta])
        + theta[:, SHIFT_EDTA, None]
        + theta[:, SPLIT_EDTA, None] * half
    )
    k_indicator = (
        np.array([constants.log_ca_indicator, constants.log_mg_indicator])
        + theta[:, SHIFT_IND, None]
        + theta[:, SPLIT_IND, None] * half
    )
    result = solve(
        metal[..., None] * shares,
        setting.titrant_mol_l * volume_ml / total_ml,
        1e-3 * np.exp(theta[:, LOG_IND])[:, None] / total_ml,
        k_edta[:, None, :],
        k_indicator[:, None, :],
    )
    return result.free_fraction


def colour_scale(f: FloatArray, bend: float, kink: float) -> FloatArray:
    """Position of the colour between red (0) and blue (1) for a free fraction."""
    bump = f * (1.0 - f)
    return np.asarray(f + bend * bump + kink * bump * (1.0 - 2.0 * f))


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
    """Which parameters are fitted, shape (13,); the others stay at their prior mean."""

    @property
    def constants(self) -> Constants:
        """Conditional constants at the assumed pH."""
        return constants_at(self.setting.ph)

    def prior_mean(self) -> FloatArray:
        """Centre of every prior, 0 where there is none, shape (13,)."""
        p = self.priors
        mean = np.zeros(PARAMETERS)
        mean[LOG_IND] = p.log_indicator_umol_l[0] + np.log(1e-3 * self.setting.flask_ml)
        mean[LAG], mean[BEND], mean[KINK] = p.lag_s[0], p.bend[0], p.kink[0]
        mean[BLUE] = 1.0
        return mean

    def prior_sd(self) -> FloatArray:
        """Standard deviation of every prior, infinite where there is none, shape (13,)."""
        p = self.priors
        span_ml = max(float(np.ptp(self.volume_ml)), 1e-6)
        sd = np.full(PARAMETERS, np.inf)
        sd[ROOT_MG], sd[SHIFT_EDTA], sd[SHIFT_IND] = (
            p.root_magnesium,
            p.shift_edta,
            p.shift_indicator,
        )
        sd[SPLIT_EDTA], sd[SPLIT_IND] = p.split_edta, p.split_indicator
        sd[LOG_IND], sd[LAG] = p.log_indicator_umol_l[1], p.lag_s[1]
        sd[DRIFT], sd[BEND], sd[KINK] = p.drift_span / span_ml, p.bend[1], p.kink[1]
        return sd

    def fraction(self, theta: FloatArray) -> FloatArray:
        """Free fraction at every point for rows of parameters, shape (rows, n)."""
        lag = theta[:, LAG]
        if np.all(lag == lag[0]):
            mixed = np.broadcast_to(
                self.setting.mixed_volume_ml(float(lag[0])), (len(theta), self.signal.size)
            )
        else:
            mixed = np.stack([self.setting.mixed_volume_ml(float(v)) for v in lag])
        return unit_signal(mixed, theta[:, CHEMICAL], self.setting, self.constants)

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
        return self.levels(theta, self.fraction(theta[None, :])[0])

    def residuals(self, theta: FloatArray) -> FloatArray:
        """Weighted residuals, the priors of the free parameters last."""
        data = (self.predict(theta) - self.signal) / self.sigma
        return np.concatenate([data, self._prior_residuals(theta)])

    def _prior_residuals(self, theta: FloatArray) -> FloatArray:
        with_prior = self.free & np.isfinite(self.prior_sd())
        return ((theta - self.prior_mean()) / self.prior_sd())[with_prior]

    def jacobian(self, theta: FloatArray) -> FloatArray:
        """Derivative of `residuals` by the free parameters, shape (n + priors, free)."""
        return self.evaluate(theta)[1]

    def evaluate(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """`residuals` and `jacobian` from one solution of the mass balances."""
        f, slopes = self._fraction_slopes(theta)
        n = self.signal.size
        span, bend, kink = theta[BLUE] - theta[RED], theta[BEND], theta[KINK]
        bump = f * (1.0 - f)
        chain = span * (1.0 + bend * (1.0 - 2.0 * f) + kink * (1.0 - 6.0 * bump))
        full = np.zeros((n, PARAMETERS))
        full[:, CHEMICAL] = (chain * slopes).T
        bent = colour_scale(f, bend, kink)
        full[:, RED], full[:, BLUE] = 1.0 - bent, bent
        full[:, DRIFT] = self.volume_ml - self.volume_ml.mean()
        full[:, BEND], full[:, KINK] = span * bump, span * bump * (1.0 - 2.0 * f)
        data = full[:, self.free] / self.sigma[:, None]
        with_prior = self.free & np.isfinite(self.prior_sd())
        prior = np.diag(1.0 / self.prior_sd())[with_prior][:, self.free]
        rest = (self.levels(theta, f) - self.signal) / self.sigma
        residuals = np.concatenate([rest, self._prior_residuals(theta)])
        return residuals, np.concatenate([data, prior])

    def _fraction_slopes(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Free fraction and its derivatives by the chemical parameters, (n,) and (8, n)."""
        lag = float(theta[LAG])
        mixed = self.setting.mixed_volume_ml(lag)
        f, slopes = free_fraction_and_slopes(mixed, theta, self.setting, self.constants)
        if self.free[LAG]:
            step_s = 1e-3
            later = self.setting.mixed_volume_ml(lag + step_s)
            slopes[LAG] *= (later - mixed) / step_s
        return f, slopes
