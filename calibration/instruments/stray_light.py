"""Stray light of a photometer, from readings of known or proportional absorbances.

Light that reaches the detector without having crossed the liquid (a share s of the light of the
blank) bends the scale: A_obs = -log10((T + s) / (1 + s)), with T = 10^-A. The model is that of
ASTM E387 and of the handbooks of spectrophotometry (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

_LN10 = math.log(10.0)


@dataclass(frozen=True)
class Level:
    """Readings of one filter or of one dilution at one wavelength."""

    expected: float
    """Nominal absorbance of the filter, or relative concentration."""
    expected_uncertainty: float
    """Standard uncertainty, in the unit of `expected`."""
    readings: tuple[float, ...]
    """Absorbances, blank taken off."""

    @property
    def mean(self) -> float:
        """Mean reading."""
        return float(np.mean(self.readings))


@dataclass(frozen=True, eq=False)
class ScaleFit:
    """Slope and stray light of one wavelength; arrays of shape (levels,)."""

    slope: float
    """Absorbance per unit of `expected`, without stray light; 1 is right for filters."""
    slope_uncertainty: float
    stray: float
    """Share of the blank's light; may come out slightly negative by chance."""
    stray_uncertainty: float
    degrees_of_freedom: float
    true: FloatArray
    """Absorbance that the straight line gives."""
    observed: FloatArray
    residual: FloatArray
    """Observed minus fitted."""
    uncertainty: FloatArray
    """Standard uncertainty of each residual as it was weighed."""
    misfit: float
    """Reduced chi square; far above 1 the model does not describe the photometer."""


def bent(true: ArrayLike, stray: float) -> FloatArray:
    """Absorbance that a photometer with stray light shows, any shape."""
    transmittance = 10.0 ** -np.asarray(true, dtype=np.float64)
    return -np.log10((transmittance + stray) / (1.0 + stray))


def straightened(shown: ArrayLike, stray: float) -> FloatArray:
    """Absorbance without stray light, any shape; the inverse of `bent`.

    What lies at or above the highest absorbance that can be shown, log10((1 + s) / s), has no
    inverse and comes back as infinity.
    """
    light = 10.0 ** -np.asarray(shown, dtype=np.float64) * (1.0 + stray) - stray
    inside = light > 0.0
    return np.where(inside, -np.log10(np.where(inside, light, 1.0)), np.inf)


@dataclass(frozen=True)
class Noise:
    """Scatter of single readings: of the absorbance, and of the light behind it."""

    absorbance: float
    """Standard deviation at low absorbance."""
    transmittance: float
    """Standard deviation of the transmittance, which decides at high absorbance."""
    degrees_of_freedom: int

    def at(self, absorbance: ArrayLike) -> FloatArray:
        """Standard deviation of a single reading in absorbance, shape of `absorbance`."""
        a = np.asarray(absorbance, dtype=np.float64)
        return np.hypot(self.absorbance, self.transmittance * 10.0**a / _LN10)


def noise_of(groups: Sequence[Sequence[float]], digit: float) -> Noise:
    """Noise from repeated readings, by maximum likelihood; at least that of the last digit.

    Parameters
    ----------
    groups:
        Repeated readings of the same thing each; those of one reading tell nothing.
    digit:
        Last digit of the display, 0.001 for three decimals: rectangular, digit / sqrt(12).
    """
    from scipy.optimize import minimize

    known = [
        (float(np.mean(g)), float(np.var(g, ddof=1)), len(g) - 1) for g in groups if len(g) > 1
    ]
    floor = digit / math.sqrt(12.0)
    if not known:
        return Noise(max(floor, 1e-6), 0.0, 0)
    mean, variance, dof = (
        np.array(column, dtype=np.float64) for column in zip(*known, strict=True)
    )
    gain = (10.0**mean / _LN10) ** 2
    pooled = max(float(dof @ variance / dof.sum()), floor**2, 1e-12)

    def deviance(p: FloatArray) -> float:
        v = np.exp(p[0]) + np.exp(p[1]) * gain + floor**2
        return float(np.sum(dof * (np.log(v) + variance / v)))

    start = np.log([0.5 * pooled, 0.5 * pooled / float(np.max(gain))])
    bounds = [(math.log(pooled) - 14.0, math.log(pooled) + 7.0), (start[1] - 14.0, start[1] + 7.0)]
    found = minimize(deviance, start, method="L-BFGS-B", bounds=bounds)
    low, light = np.exp(np.asarray(found.x, dtype=np.float64)).tolist()
    return Noise(math.sqrt(low + floor**2), math.sqrt(light), int(dof.sum()))


def _columns(levels: Sequence[Level]) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Expected and read values, and which levels are low enough for a first slope."""
    x = np.array([level.expected for level in levels])
    y = np.array([level.mean for level in levels])
    return x, y, np.asarray(y <= max(0.7, float(np.sort(y)[1])))


def _weights(
    levels: Sequence[Level], noise: Noise, zero_uncertainty: float, slope: float, stray: float
) -> FloatArray:
    """Standard uncertainty of each mean reading against its expectation."""
    x, y, _ = _columns(levels)
    count = np.array([len(level.readings) for level in levels])
    u_x = np.array([level.expected_uncertainty for level in levels])
    light = np.maximum(10.0 ** -(slope * x), 1e-12)
    steepness = slope * light / np.maximum(light + stray, 1e-12)
    variance = noise.at(y) ** 2 / count + zero_uncertainty**2 + (steepness * u_x) ** 2
    return np.asarray(np.sqrt(variance))


def fit_scale(
    levels: Sequence[Level],
    noise: Noise,
    zero_uncertainty: float = 0.0,
    fixed_slope: bool = False,
) -> ScaleFit:
    """Fit slope and stray light to the mean readings of the levels.

    Weighted least squares; the weights hold the noise and the uncertainty of what was expected.
    Where the residuals are larger than these, the uncertainties are enlarged (Birge ratio).

    Parameters
    ----------
    levels:
        Four or more, three or more with `fixed_slope`.
    noise:
        Of single readings.
    zero_uncertainty:
        Standard uncertainty of the blank that was taken off.
    fixed_slope:
        Take the slope as 1: the filters tell their absorbance.
    """
    from scipy.optimize import least_squares

    x, y, low = _columns(levels)
    slope = float(x[low] @ y[low] / (x[low] @ x[low]))
    scale = 10.0 ** -float(y.max())
    sigma = np.ones_like(y)

    def parts(p: FloatArray) -> tuple[float, float]:
        return (1.0 if fixed_slope else float(p[0])), float(p[-1]) * scale

    def left_over(p: FloatArray) -> FloatArray:
        k, s = parts(p)
        # Stray light cannot take away more than the light that is there.
        light = np.maximum(10.0 ** -(k * x) + s, 1e-9 * scale)
        return np.asarray((-np.log10(light / (1.0 + s)) - y) / sigma)

    p = np.array([0.1] if fixed_slope else [slope, 0.1])
    lowest = [-0.9] if fixed_slope else [0.0, -0.9]
    for _ in range(3):
        sigma = _weights(levels, noise, zero_uncertainty, *parts(p))
        p = np.asarray(least_squares(left_over, p, bounds=(lowest, np.inf)).x, dtype=np.float64)
    k, s = parts(p)
    found = least_squares(left_over, p, bounds=(lowest, np.inf))
    jacobian = np.asarray(found.jac, dtype=np.float64)
    dof = len(y) - len(p)
    rest = np.asarray(found.fun, dtype=np.float64)
    misfit = float(rest @ rest) / dof
    u = np.sqrt(max(misfit, 1.0) * np.diag(np.linalg.pinv(jacobian.T @ jacobian)))
    from_noise = noise.degrees_of_freedom if noise.degrees_of_freedom and misfit <= 1.0 else 0
    return ScaleFit(
        k, 0.0 if fixed_slope else float(u[0]), s, float(u[-1]) * scale,
        float(max(dof, from_noise)), k * x, y, -rest * sigma, sigma, misfit,
    )  # fmt: skip


def linear_limit(stray: float, share: float, highest: float) -> float:
    """Shown absorbance up to which stray light takes away less than a share of the absorbance.

    The straight line is the one that the lowest absorbances follow.

    Parameters
    ----------
    stray:
        Stray light as a part of the light of the blank.
    share:
        Part of the absorbance that may be lost, 0 to 1.
    highest:
        Highest shown absorbance of which there are readings.

    Returns
    -------
    Absorbance, 0 to `highest`.
    """
    from scipy.optimize import brentq

    if stray <= 0.0:
        return highest

    def lost(true: float) -> float:
        start = true / (1.0 + stray)
        return 1.0 - float(bent(true, stray)) / start - share

    top = float(straightened(highest, stray))
    if not math.isfinite(top):
        top = highest + 2.0
    if lost(top) <= 0.0:
        return highest
    return min(float(bent(float(brentq(lost, 1e-6, top)), stray)), highest)


def believed(
    stray: float, stray_uncertainty: float, noise: Noise, share: float, highest: float
) -> float:
    """Highest shown absorbance whose corrected value is good to a share of itself.

    The uncertainty of the stray light and the noise of a single reading count.

    Parameters
    ----------
    stray, stray_uncertainty:
        Stray light as a part of the light of the blank, and its standard uncertainty.
    noise:
        Scatter of single readings.
    share:
        Part of the absorbance that its standard uncertainty may be, 0 to 1.
    highest:
        Highest shown absorbance of which there are readings: nothing is believed above it.

    Returns
    -------
    Absorbance, 0 to `highest`; 0 where not even the lowest one is good.
    """
    shown = np.linspace(0.3, highest, 400) if highest > 0.3 else np.array([highest])
    true = straightened(shown, stray)
    light = np.maximum(10.0**-true, 1e-300)
    by_stray = stray_uncertainty * (1.0 - light) / (light * _LN10)
    by_noise = noise.at(shown) * (light + max(stray, 0.0)) / light
    good = np.isfinite(true) & (np.hypot(by_stray, by_noise) <= share * np.maximum(true, 0.3))
    return float(shown[np.argmin(good) - 1 if not good.all() else -1]) if good[0] else 0.0
