"""Tone curve of a camera: from encoded values back to linear light.

Grey steps of known density, or one patch at known exposures, give log10 of the light up to a factor
for each channel (or patch). The curve is log10 F(e) = log10 F_sRGB(e) + d(e), where d is a smooth
line through a few knots; how smooth is chosen by generalised cross-validation (P. Craven and
G. Wahba, Numer. Math. 31 (1979) 377-403). Because only ratios of light are known, d has no zero of
its own: F is scaled so that F(1) = 1. Below and above the readings d goes on as it ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

KNOTS = 12
"""Knots of a tone curve at most: more follow the scatter of the steps, fewer miss its toe.
Assumed."""
TABLE = 65
"""Rows of the table that goes into a certificate. Between them straight lines. Assumed."""


@dataclass(frozen=True)
class Step:
    """One grey reading of one channel."""

    group: str
    """Readings that share the unknown factor: a channel, or a patch and channel."""
    log_light: float
    """log10 of the light, up to the factor of the group."""
    log_light_uncertainty: float
    encoded: float
    encoded_uncertainty: float


@dataclass(frozen=True, eq=False)
class Tone:
    """Tone curve as a table, and how far it is from the standard ones."""

    encoded: FloatArray
    """Shape (65,), 0 to 1, strictly rising."""
    linear: FloatArray
    """Shape (65,), 0 to 1, strictly rising."""
    lowest: float
    """Encoded values from `lowest` to `highest` were read."""
    highest: float
    deviation: dict[str, float]
    """By standard curve: largest error of a density between two levels in the range read, if that
    curve were taken for the camera's own (highest less lowest of the difference)."""
    deviation_uncertainty: float
    steepest: float
    """Largest relative error of a small density, if sRGB were taken."""
    residual: FloatArray
    """Density, one for each step, shape (n,)."""

    def to_linear(self, values: ArrayLike) -> FloatArray:
        """Linear light of encoded values, shape of `values`; 0 and 1 for what lies beyond."""
        return interpolate(self.encoded, self.linear, values)


def srgb(encoded: ArrayLike) -> FloatArray:
    """Linear light of sRGB (IEC 61966-2-1), 0 to 1, shape of `encoded`."""
    x = np.asarray(encoded, dtype=np.float64)
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)


def bt709(encoded: ArrayLike) -> FloatArray:
    """Linear light of ITU-R BT.709, 0 to 1, shape of `encoded`."""
    x = np.asarray(encoded, dtype=np.float64)
    return np.where(x < 0.081, x / 4.5, ((x + 0.099) / 1.099) ** (1.0 / 0.45))


STANDARDS = {"sRGB": srgb, "BT.709": bt709}


def interpolate(encoded: ArrayLike, linear: ArrayLike, values: ArrayLike) -> FloatArray:
    """Monotone cubic through a table (F. N. Fritsch and R. E. Carlson, 1980), exact at its rows.

    Parameters
    ----------
    encoded, linear:
        The table, `encoded` rising within 0 to 1, shape (rows,).
    values:
        Encoded values, any shape; what lies beyond 0 to 1 is set to the end.

    Returns
    -------
    Linear light, shape of `values`.
    """
    from scipy.interpolate import PchipInterpolator

    x = np.clip(np.asarray(values, dtype=np.float64), 0.0, 1.0)
    return np.asarray(PchipInterpolator(np.asarray(encoded), np.asarray(linear))(x))


def _slope(encoded: FloatArray) -> FloatArray:
    """Change of log10 sRGB light per encoded value."""
    h = 1e-4
    low, high = np.maximum(encoded - h, 1e-5), encoded + h
    return np.asarray((np.log10(srgb(high)) - np.log10(srgb(low))) / (high - low))


def _hats(x: FloatArray, knots: FloatArray) -> FloatArray:
    """Values of the natural cubic splines through one knot each, shape (n, knots)."""
    from scipy.interpolate import CubicSpline

    inside = np.clip(x, knots[0], knots[-1])
    return np.asarray(CubicSpline(knots, np.eye(len(knots)), bc_type="natural")(inside))


def fit_tone(steps: Sequence[Step]) -> Tone:
    """Fit the tone curve.

    Parameters
    ----------
    steps:
        Eight or more, of two or more levels in each group, none clipped.

    Raises
    ------
    ValueError
        The curve that fits does not rise everywhere: the readings contradict each other.
    """
    e = np.array([s.encoded for s in steps])
    y = np.array([s.log_light for s in steps]) - np.log10(srgb(e))
    u = np.hypot([s.log_light_uncertainty for s in steps],
                 np.array([s.encoded_uncertainty for s in steps]) * _slope(e))  # fmt: skip
    w = 1.0 / np.maximum(u, 1e-4)
    names = sorted({s.group for s in steps})
    groups = np.array([[s.group == name for name in names] for s in steps], dtype=np.float64)
    knots = np.linspace(e.min(), e.max(), min(KNOTS, max(4, len(np.unique(np.round(e, 2))) - 1)))
    design = np.hstack([_hats(e, knots), -groups]) * w[:, None]
    rough = np.zeros((len(knots) - 2, design.shape[1]))
    for k in range(len(knots) - 2):
        rough[k, k : k + 3] = (1.0, -2.0, 1.0)
    # d and the factors of the groups may shift together: the mean of d is held at zero.
    gauge = np.zeros((1, design.shape[1]))
    gauge[0, : len(knots)] = w.mean()
    best = (np.inf, np.zeros(design.shape[1]), np.eye(design.shape[1]), 1.0)
    for strength in np.geomspace(1e-3, 1e6, 28) * (w.mean() ** 2):
        bending = design.T @ design + gauge.T @ gauge + strength * rough.T @ rough
        inverse = np.linalg.pinv(bending, hermitian=True)
        found = inverse @ design.T @ (y * w)
        used = float(np.trace(design @ inverse @ design.T))
        rest = design @ found - y * w
        if len(y) - used > 1.0:
            score = float(rest @ rest) / (len(y) - used) ** 2
            if score < best[0]:
                best = (score, found, inverse, float(rest @ rest) / (len(y) - used))
    _, found, inverse, misfit = best
    residual = (design @ found - y * w) / w
    return _made(e, knots, found[: len(knots)],
                 inverse[: len(knots), : len(knots)] * max(misfit, 1.0), residual)  # fmt: skip


def _made(
    e: FloatArray, knots: FloatArray, line: FloatArray, covariance: FloatArray, residual: FloatArray
) -> Tone:
    """Table and deviations from the fitted line of differences to sRGB."""
    low, high = float(e.min()), float(e.max())
    encoded = np.linspace(0.0, 1.0, TABLE)
    d = _hats(encoded, knots) @ line
    linear = srgb(encoded) * 10.0 ** (d - d[-1])
    linear[-1] = 1.0
    if not np.all(np.diff(linear) > 1e-7):
        raise ValueError("the curve does not rise everywhere")
    grid = np.linspace(low, high, 200)
    hats = _hats(grid, knots)
    own = np.log10(srgb(grid)) + hats @ line
    deviation = {
        name: float(np.ptp(own - np.log10(curve(grid)))) for name, curve in STANDARDS.items()
    }
    difference = hats @ line
    top, bottom = hats[np.argmax(difference)], hats[np.argmin(difference)]
    u = float(np.sqrt(max((top - bottom) @ covariance @ (top - bottom), 0.0)))
    light = np.log10(srgb(grid))
    steepest = float(np.max(np.abs(np.gradient(difference, light))))
    for array in (encoded, linear, residual):
        array.setflags(write=False)
    return Tone(encoded, linear, low, high, deviation, u, steepest, residual)
