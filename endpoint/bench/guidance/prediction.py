"""How much titrant is left, from the curve so far: a weighted sample over the chemistry.

Adaptive importance sampling (Cappe et al., J. Comput. Graph. Statist. 13 (2004) 907; from memory):
magnesium share, constants, amount of indicator and mixing lag are drawn from what is known
beforehand, then from what the first draws found likely. The equivalence volume stands on a grid of
its own for every draw; colours of the two ends, drift and bend of the scale are linear in the
signal and are integrated in closed form (Rao and Blackwell). Draws are a fixed lattice, so that the
same curve gives the same answer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from endpoint.bench.guidance.draws import DIMENSIONS, drawn, quantiles, tempered
from endpoint.bench.guidance.likelihood import log_likelihood
from endpoint.bench.guidance.progress import LAGS_S, History
from endpoint.chemistry.indicators import Indicator
from endpoint.chemistry.two_metals import balance
from endpoint.equivalence.model import Priors, Setting, flasks_of

FloatArray = NDArray[np.float64]

_CLOSED = 1e-5
"""Error of the balances; it adds to a scatter of the colour of a thousandth and more."""
_ROUNDS = 6
"""Rounds of draws, each nearer to what is likely."""
_FIRST_NODES = np.r_[np.arange(-1.2, 0.6, 0.15), np.geomspace(0.6, 12.0, 11)]
"""Equivalence volumes of the first round as distances from the volume now, mL."""
_NODES = 14
_FINE_NODES = 7
_NEAR_ML = 0.5
_BEHIND_ML, _BEFORE_ML = 4.0, 25.0
"""Equivalence volumes that are tried for each draw, and those between the best of them; how far
behind the volume now they begin, mL; and how far from the end the balances are tabulated, mL behind
and before it."""
_EFFECTIVE = 16.0
_WIDER = 1.05
_SHRINK = 0.3
_LEAST_VARIANCE = 0.005
_POOLED = 4
"""Effective draws that shape the next round, how much wider than they it is drawn, how far its
correlations are shrunk, the least variance of a direction, and the rounds that are pooled in the
end: choices of adaptive importance sampling, which decide how much an answer wanders from look to
look. Assumed, no study kept."""
_DRIFT_PART = 0.7
"""A prediction looks back on part of the recording only."""
_FEW = 8.0
"""Effective draws below which weights are flattened. Assumed."""
_LEAST_TITRE_ML = 0.5
"""Nobody titrates less: what keeps the first drops from being taken for the last."""
_EDGE_PART = 0.05
"""Probability beyond the far end of the grid from which no upper end of what is left is stated."""
_SCALE_ML = 0.5
"""What is left is as likely within one factor as within another, above this (scale prior). A flat
prior would hold the far end of the grid against the near, and always call the last millilitre
unlikely that every titration comes to."""
_LEAST_PART = 0.025
"""Probability that less is left than is said to be left at least. By the prior it would be that; a
titration is looked at often near the end and seldom far from it, and there it is more: 0.1 of the
looks at rendered films in their last 2.5 mL.
"""
AMOUNTS_ML = (0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 5.0)
"""Amounts that may be advised, mL: a drop (common practice, no source), two, and round portions."""
_NINE_IN_TEN = 0.9
_TINGE_ML = 0.6
"""What is left on average, mL, where a stream was stopped by a tinge that was one: 0.64 mL after 80
of 109 tinges (`tests.loop_flask`, seeds 400 to 439 and 500 to 539), while more than 2 mL were left
after the others. Every other time it is believed to be noise."""
_FLOOR_SD_ML = 0.1
"""How sharply a stream bounds the end from below, mL: what runs in within a second. Assumed."""


@dataclass(frozen=True)
class Left:
    """What is left to the equivalence volume, from the volume delivered now, mL."""

    value_ml: float | None
    """Median; None as long as only a lower bound is known."""
    low_ml: float | None
    high_ml: float | None
    """90 % interval."""
    middle_ml: float
    """Median, whether bounded or not."""
    at_least_ml: float
    """What is left at least, see `_LEAST_PART`; not below 0."""
    free_fraction: float
    free_low: float
    free_high: float
    """90 % interval of the free fraction of the indicator in the liquid now."""
    unmixed_ml: float
    """Delivered, but not yet mixed in, for the longer of the likely mixing lags."""
    rise: tuple[float, ...]
    """By how much the free fraction rises at most, with a probability of 0.9, once each of
    `AMOUNTS_ML` has been added and mixed in; never falling."""


def _shape_nodes() -> FloatArray:
    """Distances from the equivalence volume at which the free fraction is tabulated, mL."""
    wide = np.geomspace(0.5, _BEFORE_ML, 26)
    fine = np.arange(-0.48, 0.481, 0.024)
    return np.asarray(np.r_[-wide[::-1], fine, np.geomspace(0.5, _BEHIND_ML, 8)])


_SHAPE_ML = _shape_nodes()


@dataclass(frozen=True)
class Stream:
    """What titrant that ran in under the eyes of the camera has shown."""

    floor_ml: float = 0.0
    """Volume before which the end does not lie, mL: until then no tinge was seen."""
    tinge_ml: float | None = None
    """Volume at which the tap was closed on the last tinge, mL; None without one."""


@dataclass(frozen=True, eq=False)
class _Case:
    history: History
    setting: Setting
    priors: Priors
    indicator: Indicator
    sigma: FloatArray
    expected_ml: tuple[float, float] | None
    stream: Stream

    def log_prior(self, equivalence_ml: FloatArray) -> FloatArray:
        """What earlier replicates and streams say of the equivalence volume; a scale prior."""
        below = np.minimum((equivalence_ml - self.stream.floor_ml) / _FLOOR_SD_ML, 0.0)
        if self.expected_ml is not None:
            middle, sd = self.expected_ml
            return np.asarray(-0.5 * ((equivalence_ml - middle) / sd) ** 2 - 0.5 * below**2)
        density = 1.0 / _scale(equivalence_ml - self.history.now_ml)
        if self.stream.tinge_ml is not None:
            away_ml = np.maximum(equivalence_ml - self.stream.tinge_ml, 0.0)
            near = np.exp(-away_ml / _TINGE_ML) / _TINGE_ML
            density = density + near * np.log1p(_BEFORE_ML / _SCALE_ML)
        return np.asarray(np.log(density) - 0.5 * below**2)

    @property
    def drift_sd(self) -> float:
        """Drift over the points, in expected changes."""
        return _DRIFT_PART * self.priors.drift_span

    @property
    def unmixed_ml(self) -> FloatArray:
        """Delivered, but not mixed in at the points, for the usual lag, shape (n,)."""
        h = self.history
        mixed_ml = _by_lag(h.mixed_ml, np.array([self.lag_s]))[0]
        return np.asarray(np.maximum(h.volume_ml - mixed_ml, 0.0))

    @property
    def lag_s(self) -> float:
        """Usual mixing lag, s."""
        return float(np.clip(self.priors.lag_s[0], LAGS_S[0], LAGS_S[-1]))

    def theta(self, z: FloatArray, equivalence_ml: float) -> tuple[FloatArray, FloatArray]:
        """Chemical parameters as for `flasks_of`, and lags in s, for standard normal draws."""
        p = self.priors
        theta = np.zeros((len(z), 8))
        theta[:, 0] = equivalence_ml
        # A half-normal square root of the ratio, as the fit's prior is for a sign-free root.
        theta[:, 1] = p.root_magnesium * ndtri(np.minimum(0.5 + 0.5 * ndtr(z[:, 0]), 1.0 - 1e-9))
        theta[:, 2:6] = z[:, 1:5] @ np.linalg.cholesky(p.constants_covariance).T
        log_umol_l, sd = p.log_indicator_umol_l
        theta[:, 6] = log_umol_l + np.log(1e-3 * self.setting.flask_ml) + sd * z[:, 5]
        mean, sd = max(p.lag_s[0], 1e-3), p.lag_s[1]
        width = np.sqrt(np.log1p((sd / mean) ** 2))
        lag = mean * np.exp(-0.5 * width**2 + width * z[:, 6])
        return theta, np.clip(lag, LAGS_S[0], LAGS_S[-1])

    def shapes(self, theta: FloatArray) -> FloatArray:
        """Free fraction at `_SHAPE_ML` from the equivalence volume, shape (draws, nodes)."""
        volume = np.maximum(theta[0, 0] + _SHAPE_ML, 0.0)
        volume = np.broadcast_to(volume, (len(theta), volume.size))
        constants = self.setting.constants
        assert constants is not None
        single = len(self.indicator.metals) == 1
        if single:
            theta = theta.copy()
            theta[:, 1] = theta[:, 4] = theta[:, 5] = 0.0
        flasks = flasks_of(volume, theta, self.setting, constants)
        return balance(flasks, closed=_CLOSED).free_fraction


def _scale(left_ml: FloatArray) -> FloatArray:
    return np.asarray(np.maximum(left_ml, 0.0) + _SCALE_ML)


@dataclass(frozen=True, eq=False)
class _Shapes:
    """Free fraction against the distance from the equivalence volume: lines, a row for a draw."""

    begin: FloatArray
    slope: FloatArray

    @classmethod
    def of(cls, table: FloatArray) -> _Shapes:
        """From the free fraction at `_SHAPE_ML`, shape (draws, nodes)."""
        slope = np.diff(table, axis=1) / np.diff(_SHAPE_ML)
        return cls(table[:, :-1] - slope * _SHAPE_ML[:-1], slope)

    def at(self, away_ml: FloatArray) -> FloatArray:
        """Free fraction at distances in mL, shape (draws, ...)."""
        draws, nodes = self.slope.shape
        flat = np.clip(away_ml, _SHAPE_ML[0], _SHAPE_ML[-1] - 1e-9).reshape(draws, -1)
        k = np.searchsorted(_SHAPE_ML, flat, side="right") - 1
        k += np.arange(draws)[:, None] * nodes
        free = self.begin.ravel()[k] + flat * self.slope.ravel()[k]
        return np.asarray(free.reshape(away_ml.shape))


def _by_lag(values: FloatArray, lag_s: FloatArray) -> FloatArray:
    """Rows of (lags, ...) at given lags, shape (draws, ...)."""
    nodes = np.array(LAGS_S)
    k = np.clip(np.searchsorted(nodes, lag_s, side="right") - 1, 0, nodes.size - 2)
    part = (lag_s - nodes[k]) / (nodes[k + 1] - nodes[k])
    part = part.reshape(-1, *([1] * (values.ndim - 1)))
    return np.asarray(values[k] * (1.0 - part) + values[k + 1] * part)


@dataclass(frozen=True, eq=False)
class _Sample:
    z: FloatArray
    equivalence_ml: FloatArray
    """Shape (draws, nodes), rising."""
    log_mass: FloatArray
    """Likelihood, width of the node and weight of the draw."""
    free: FloatArray
    """Free fraction now and with each of `AMOUNTS_ML` more, shape (1 + amounts, draws, nodes);
    empty in a round that only leads to the next one."""
    misfit: float
    """Least weighted sum of squares."""


def _round(
    case: _Case, z: FloatArray, log_q: FloatArray, nodes: FloatArray, counts: bool
) -> _Sample:
    h = case.history
    middle = float(np.clip(np.median(nodes), 0.3, None))
    theta, lag = case.theta(z, middle)
    shapes = _Shapes.of(case.shapes(theta))
    mixed = _by_lag(h.mixed_ml, lag)
    coarse = np.broadcast_to(nodes, (len(z), nodes.size))
    first, misfit = log_likelihood(
        h,
        case.sigma,
        case.drift_sd,
        case.unmixed_ml,
        shapes.at(mixed[:, None, :] - coarse[..., None]),
    )
    first = first + case.log_prior(coarse)
    best = np.clip(np.argmax(first, axis=1), 1, nodes.size - 2)
    t = (np.arange(_FINE_NODES) + 1.0) / (_FINE_NODES + 1.0) * 2.0 - 1.0
    left, right = nodes[best] - nodes[best - 1], nodes[best + 1] - nodes[best]
    fine = nodes[best][:, None] + np.where(t < 0, t * left[:, None], t * right[:, None])
    fine[:, _FINE_NODES // 2] += 1e-6
    second, closer = log_likelihood(
        h,
        case.sigma,
        case.drift_sd,
        case.unmixed_ml,
        shapes.at(mixed[:, None, :] - fine[..., None]),
    )
    second = second + case.log_prior(fine)
    volume = np.concatenate([coarse, fine], axis=1)
    order = np.argsort(volume, axis=1)
    volume = np.take_along_axis(volume, order, axis=1)
    log_l = np.take_along_axis(np.concatenate([first, second], axis=1), order, axis=1)
    gap = np.diff(volume, axis=1)
    width = np.empty_like(volume)
    width[:, 0], width[:, -1] = 0.5 * gap[:, 0], 0.5 * gap[:, -1]
    width[:, 1:-1] = 0.5 * (gap[:, 1:] + gap[:, :-1])
    prior = -0.5 * np.sum(z * z, axis=1) - log_q
    now = _by_lag(h.now_mixed_ml, lag)
    ahead = [now[:, None] - volume, *(h.now_ml + more - volume for more in AMOUNTS_ML)]
    free = np.stack([shapes.at(away_ml) for away_ml in ahead]) if counts else np.zeros(0)
    log_mass = log_l + np.log(np.maximum(width, 1e-12)) + prior[:, None]
    return _Sample(z, volume, log_mass, free, min(misfit, closer))


def _draw_mass(sample: _Sample) -> FloatArray:
    top = sample.log_mass.max(axis=1)
    return np.asarray(top + np.log(np.exp(sample.log_mass - top[:, None]).sum(axis=1)))


def _next_nodes(last: _Sample, weights: FloatArray) -> FloatArray:
    """Grid over what was found likely; the weights are tempered ones of its draws."""
    own = np.exp(last.log_mass - last.log_mass.max(axis=1, keepdims=True))
    mass = weights[:, None] * own / own.sum(axis=1, keepdims=True)
    low, high = quantiles(last.equivalence_ml, mass, (0.003, 0.997))
    pad = 0.25 * (high - low) + 0.02
    low = max(low - pad, _LEAST_TITRE_ML)
    # Narrow steps at the near end: it steers the pace.
    span = max(high + pad - low, pad)
    return np.asarray(low - _NEAR_ML + np.geomspace(_NEAR_ML, _NEAR_ML + span, _NODES))


def predict(
    history: History,
    titrant_mol_l: float,
    flask_ml: float,
    priors: Priors,
    indicator: Indicator,
    expected_ml: tuple[float, float] | None = None,
    stream: Stream | None = None,
) -> Left:
    """Predict what is left to the equivalence volume.

    Parameters
    ----------
    history:
        From `endpoint.bench.guidance.progress.gather`.
    titrant_mol_l:
        Concentration of EDTA.
    flask_ml:
        Volume in the flask before the first addition.
    priors:
        Knowledge from before the recording, see `endpoint.equivalence.model`.
    indicator:
        What is titrated.
    expected_ml:
        Equivalence volume to expect and its standard deviation, from an earlier replicate.
    stream:
        What streams under the eyes of the camera have shown.
    """
    setting = Setting(
        flask_ml, titrant_mol_l, lambda _: np.zeros(0), True, indicator.ph, indicator.constants
    )
    sigma = np.hypot(history.sigma, history.floor)
    case = _Case(history, setting, priors, indicator, sigma, expected_ml, stream or Stream())
    nodes = np.unique(np.maximum(history.now_ml + _FIRST_NODES, _LEAST_TITRE_ML))
    if expected_ml is not None:
        likely = expected_ml[0] + expected_ml[1] * np.arange(-3.0, 3.5)
        nodes = np.unique(np.r_[nodes, np.maximum(likely, _LEAST_TITRE_ML)])
    scaled = expected_ml is None
    samples = _sampled(case, _Aim(np.zeros(DIMENSIONS), np.eye(DIMENSIONS), nodes))
    return _summary(history, samples, priors, scaled)


@dataclass(frozen=True, eq=False)
class _Aim:
    """Where the next draws go."""

    mean: FloatArray
    root: FloatArray
    nodes: FloatArray


def _sampled(case: _Case, aim: _Aim) -> list[_Sample]:
    """Round after round, each nearer to what is likely."""
    samples: list[_Sample] = []
    for k in range(_ROUNDS):
        z, log_q = drawn(k, aim.mean, aim.root)
        leads = k < _ROUNDS - _POOLED
        samples.append(_round(case, z, log_q, aim.nodes, not leads))
        if leads:
            case = _refined(case, samples[-1])
        weights = tempered(_draw_mass(samples[-1]), _EFFECTIVE)
        mean = np.asarray(weights @ z)
        spread: FloatArray = (z - mean).T @ ((z - mean) * weights[:, None])
        spread = (1.0 - _SHRINK) * spread + _SHRINK * np.diag(np.diag(spread))
        wide = _WIDER**2 * spread + _LEAST_VARIANCE * np.eye(DIMENSIONS)
        root = np.asarray(np.linalg.cholesky(wide), dtype=np.float64)
        aim = _Aim(mean, root, _next_nodes(samples[-1], weights))
    return samples


def _refined(case: _Case, sample: _Sample) -> _Case:
    """More scatter where even the best draw does not come near enough to the points."""
    n = case.history.signal.size
    freedom = max(n - 4.0, 1.0)
    excess = sample.misfit / freedom
    if excess <= 1.0 or n < 6:
        return case
    factor = min(float(np.sqrt(excess)), 3.0)
    return replace(case, sigma=case.sigma * factor)


def _pooled(samples: list[_Sample]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Equivalence volume, free fractions as in `_Sample`, and logarithm of the mass; n of each."""
    log_w = np.concatenate([_draw_mass(one) for one in samples])
    mass = np.concatenate([one.log_mass for one in samples])
    # Where few draws carry all the weight, flatter weights are more honest than those.
    flat = np.log(np.maximum(tempered(log_w, _FEW), 1e-300))
    mass = mass - log_w[:, None] + flat[:, None]
    volume = np.concatenate([one.equivalence_ml for one in samples])
    free = np.concatenate([one.free for one in samples], axis=1)
    return volume.ravel(), free.reshape(len(free), -1), mass.ravel()


def _summary(
    history: History,
    samples: list[_Sample],
    priors: Priors,
    scaled: bool,
) -> Left:
    equivalence, free, log_mass = _pooled(samples[-_POOLED:])
    mass = np.exp(log_mass - log_mass.max())
    left = equivalence - history.now_ml
    levels = (_LEAST_PART, 0.05, 0.5, 0.95)
    least, low, middle, high = quantiles(left, mass, levels)
    f_low, f_middle, f_high = quantiles(free[0], mass, (0.05, 0.5, 0.95))
    rises = [float(quantiles(more - free[0], mass, (_NINE_IN_TEN,))[0]) for more in free[1:]]
    edge = _FIRST_NODES[-1] - 1.0
    plain = mass * _scale(left) if scaled else mass
    beyond = float(plain[left > edge].sum() / plain.sum())
    bounded = beyond < _EDGE_PART
    longer = priors.lag_s[0] + priors.lag_s[1]
    unmixed = history.now_ml - float(np.interp(longer, LAGS_S, history.now_mixed_ml))
    return Left(
        value_ml=float(middle) if bounded else None,
        low_ml=float(low) if bounded else None,
        high_ml=float(high) if bounded else None,
        middle_ml=float(middle),
        at_least_ml=max(float(least), 0.0),
        free_fraction=float(f_middle),
        free_low=float(f_low),
        free_high=float(f_high),
        unmixed_ml=max(unmixed, 0.0),
        rise=tuple(np.maximum.accumulate(rises).tolist()),
    )
