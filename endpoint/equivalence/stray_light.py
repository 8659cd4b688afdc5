"""Stray light of a photometer: what the cell absorbs above about 1.5 is shown too small.

With a part s of the light going past the cell, A is shown as -log10((10^-A + s) / (1 + s)) (ASTM
E387, from memory). How large s is, only the plateau hints at, so the curve is fitted for several
and the results are weighed by how well they fit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.curve.points import RGB, Curve
from endpoint.equivalence.least_squares import Fitted
from endpoint.equivalence.model import EQUIVALENCE, Model

FloatArray = NDArray[np.float64]

_MATTERS_ABOVE = 1.5
"""Absorbance of the cell from which stray light is fitted: below it a part of 10^-2.5, much even
for a simple photometer, bends the scale by 4 %; the fit expects 2 % anyway."""
_LOG_PARTS = (-5.0, -3.75, -3.5, -3.25, -3.0, -2.75, -2.5, -2.25, -2.0)
_USUAL_LOG_PART, _LOG_SD = -3.2, 0.5
"""Stray light of photometers at 500 to 700 nm: data sheets state 0.01 to 0.5 %."""
USUAL_PART = 10.0**_USUAL_LOG_PART
_MOST = 12.0
"""Absorbance beyond which a wild step of the fit is not followed."""
_NO_LIGHT = 1e-5
"""Transmittance that stands for none."""


@dataclass(frozen=True, eq=False)
class StrayModel(Model):
    """The model as a photometer with stray light shows it."""

    part: float
    """Of the light that goes past the cell."""
    per_signal: float
    """Absorbance of the cell, dilution undone, for one unit of signal."""
    at_zero: float
    """The same where the signal is 0."""

    def _dilution(self) -> FloatArray:
        return np.asarray(1.0 + self.volume_ml / self.setting.flask_ml)

    def _shown(self, level: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Signal that is shown for a true one, and its derivative."""
        dilution = self._dilution()
        absorbance = (self.at_zero + self.per_signal * level) / dilution
        passed = 10.0 ** -np.clip(absorbance, -_MOST, _MOST)
        seen = -np.log10((passed + self.part) / (1.0 + self.part))
        return (seen * dilution - self.at_zero) / self.per_signal, passed / (passed + self.part)

    def straight(self, signal: FloatArray) -> tuple[FloatArray, FloatArray]:
        """True signal for one that is shown, and its derivative, shape (n,)."""
        dilution = self._dilution()
        seen = 10.0 ** -((self.at_zero + self.per_signal * signal) / dilution)
        passed = np.maximum(seen * (1.0 + self.part) - self.part, _NO_LIGHT)
        true = (-np.log10(passed) * dilution - self.at_zero) / self.per_signal
        return true, (passed + self.part) / passed

    def levels(self, theta: FloatArray, f: FloatArray) -> FloatArray:
        """Turn the free fraction into the signal that is shown, shape of `f`."""
        return self._shown(super().levels(theta, f))[0]

    def evaluate_rows(
        self, theta: FloatArray, near: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """As of the model without stray light."""
        rest, slopes, log_free = super().evaluate_rows(theta, near)
        n = self.signal.size
        level, slope = self._shown(rest[:, :n] * self.sigma + self.signal)
        rest[:, :n] = (level - self.signal) / self.sigma
        slopes[:, :, :n] *= slope[:, None, :]
        return rest, slopes, log_free


def has_stray_light(curve: Curve) -> bool:
    """Whether the cell of a photometer absorbs so much that stray light matters."""
    if curve.channels == RGB or len(curve) == 0 or np.count_nonzero(curve.weights) != 1:
        return False
    channel = int(np.flatnonzero(curve.weights)[0])
    high = curve.path_cm * float(np.percentile(curve.density[:, channel], 90))
    return high > _MATTERS_ABOVE


def with_stray_light(model: Model, curve: Curve, part: float) -> StrayModel:
    """A model as a photometer with this part of stray light shows it."""
    channel = int(np.flatnonzero(curve.weights)[0])
    return StrayModel(
        **{name: getattr(model, name) for name in Model.__dataclass_fields__},
        part=part,
        per_signal=curve.path_cm / float(curve.weights[channel]),
        at_zero=curve.path_cm * float(curve.start_density[channel]),
    )


def weigh_parts(fit_for: Callable[[float], Fitted]) -> tuple[Fitted, float, float]:
    """Fits for several parts of stray light, weighed by their likelihood.

    Parameters
    ----------
    fit_for:
        Fit for a part of stray light.

    Returns
    -------
    The likeliest fit; what is to be added to its equivalence volume for the mean of all, mL; and
    their spread, mL.
    """
    fits = [fit_for(10.0**log_part) for log_part in _LOG_PARTS]
    away = (np.array(_LOG_PARTS) - _USUAL_LOG_PART) / _LOG_SD
    cost = np.array([f.fit.cost + 2.0 * float(np.sum(np.log(f.model.sigma))) for f in fits])
    cost += away**2
    odds = np.exp(-0.5 * (cost - cost.min()))
    odds /= odds.sum()
    values = np.array([float(f.fit.theta[EQUIVALENCE]) for f in fits])
    mean = float(odds @ values)
    best = int(np.argmax(odds))
    return fits[best], mean - float(values[best]), float(np.sqrt(odds @ (values - mean) ** 2))
