"""When a delivery began, as the dilution of the colour tells it.

Titrant that runs in dilutes the indicator: long before the end the density falls as F / (F + V),
and before the start it does not fall at all. The bend between the two is small, one or two per cent
of the density in twenty seconds, but a clock that is a quarter of a minute off is seen by it.
With the first titrant a plume comes into view and tints it, which is as small a step towards blue:
it hides the bend where it is not reckoned with, and shows the start where it is.
No source: mass balance; own method.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace
from endpoint.delivery.alike import together
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.first_plume import seconds_of

FloatArray = NDArray[np.float64]

_RED_PART = 0.7
"""Part of the time to the middle of the change in which only dilution is seen; a hyperbola takes up
what the chemistry adds."""
_LEAST_SECONDS = 20
_MIXES_S = 1.5
_STEP_S, _MOST_STARTS = 1.0, 240
_TINT, _TINT_SD, _GROWS_S = 0.01, 0.02, 1.0
"""Part of the view that the plume of a pump tints at its start, its standard deviation, and the
time in which the plume grows, s: a tenth of a mL that is not mixed in yet turns ten times its
volume of 100 mL. Assumed."""
_SOON_S = 5.0
"""Time before the middle of the change within which a course by the time that is left no longer
grows, s."""
_OWN = 0.3
"""Standard deviation of the part of the density that is the indicator's: glass, stray light and
tone curve add to it. Assumed."""
_PATH_GROWS = 0.2
"""Part of the views, one in five, in which the colour does not get paler: seen from above, the way
of the light grows as the volume does. Assumed."""
_DRIFT = 0.01
"""Density by which a lamp may drift over a recording, 1 sigma. Assumed."""
_LEFT = 0.15
"""Part of a change of lamp or exposure that the reference does not undo, 1 sigma: it stands beside
the flask, and light comes through it. Assumed. A step of light looks like a bend otherwise."""
_CHANNELS_ALONE = 0.5
"""Part of what three channels say that is their own: light wanders in all of them. Assumed."""
_LEAST_DENSITY, _DARKEST = 0.02, 1e-3
_LEAST_SD = 5e-4
"""Least scatter of the density of a second that is reckoned with."""


@dataclass(frozen=True, eq=False)
class Starts:
    """Where a log may lie on the clock of its recording, and how likely that is."""

    later_s: FloatArray
    """By how much everything may have happened later than the log says, shape (starts,)."""
    likelihood: FloatArray
    """Natural logarithm, over that of the log as it stands, shape (starts,)."""

    @property
    def gain(self) -> float:
        """How much likelier, natural logarithm, than the log as it stands; a mean over starts."""
        return float(np.logaddexp.reduce(self.likelihood) - np.log(self.likelihood.size))

    @property
    def mean_s(self) -> float:
        """Mean over the starts, each as likely as it is, s."""
        return float(self._weight @ self.later_s)

    @property
    def sd_s(self) -> float:
        """Standard deviation of it, s; no less than half of the step between two starts."""
        sd_s = np.sqrt(self._weight @ (self.later_s - self.mean_s) ** 2)
        return max(float(sd_s), 0.5 * float(self.later_s[1] - self.later_s[0]))

    @property
    def _weight(self) -> FloatArray:
        return np.asarray(np.exp(self.likelihood - np.logaddexp.reduce(self.likelihood)))


def dilution_start(trace: ColourTrace, delivery: Delivery, flask_ml: float) -> Starts | None:
    """Find the start of a delivery by the dilution of the colour.

    Parameters
    ----------
    trace:
        Colour against time, of all frames or of some spans.
    delivery:
        Continuous, on the clock of the log.
    flask_ml:
        Volume in the flask before, mL.

    Returns
    -------
    None where too little is seen before the change.
    """
    told_s = delivery.begin_s
    time_s, density, _ = seconds_of(trace)
    middle_s = _middle_s(time_s, density)
    if middle_s is None or not np.isfinite(told_s):
        return None
    kept = time_s < time_s[0] + _RED_PART * (middle_s - time_s[0])
    if kept.sum() < _LEAST_SECONDS:
        return None
    change = _ends(density)[1] - _ends(density)[0]
    time_s, density = time_s[kept], density[kept]
    first_s, last_s = float(time_s[0]), float(time_s[-1])
    step_s = max(_STEP_S, (last_s - first_s) / _MOST_STARTS)
    # A start before the recording leaves no bend in it: one place stands for all of them.
    starts_s = np.arange(first_s - step_s, last_s - 5.0, step_s)
    later_s = np.r_[0.0, starts_s - told_s]
    shapes = _shapes(time_s, later_s, (delivery, flask_ml, middle_s))
    light = np.log10(np.maximum(trace.reference, _DARKEST))
    light = seconds_of(replace(trace, density=light))[1][: time_s.size]
    cost, unseen = _costs(np.stack([density, light]), change, shapes)
    seen, unseen = np.log1p(-_PATH_GROWS) - cost, np.log(_PATH_GROWS) - unseen
    likelihood = np.logaddexp(seen, unseen)
    return Starts(later_s[1:], likelihood[1:] - likelihood[0])


def red_until_s(trace: ColourTrace) -> float | None:
    """Time up to which only dilution is seen, s; None without a change."""
    time_s, density, _ = seconds_of(trace)
    middle_s = _middle_s(time_s, density)
    return None if middle_s is None else float(time_s[0] + _RED_PART * (middle_s - time_s[0]))


def _middle_s(time_s: FloatArray, density: FloatArray) -> float | None:
    """Middle of the change, s; None without one."""
    if time_s.size < _LEAST_SECONDS:
        return None
    start, end = _ends(density)
    size = float((end - start) @ (end - start))
    blue = (density - start) @ (end - start) > 0.5 * size
    lasting = np.flatnonzero(blue & np.r_[blue[1:], True])
    return None if size <= 0.0 or lasting.size == 0 else float(time_s[lasting[0]])


def _ends(density: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Colour of the first and of the last seconds, shape (3,) each."""
    return np.median(density[:5], axis=0), np.median(density[-5:], axis=0)


@dataclass(frozen=True, eq=False)
class _Shapes:
    """Courses that the density may be made of."""

    plain: FloatArray
    """Whatever the start: level, chemistry and drift, shape (3, n)."""
    fall: FloatArray
    """Dilution for each start, shape (starts, n)."""
    tint: FloatArray
    """Plume for each start, shape (starts, n)."""


def _shapes(
    time_s: FloatArray, later_s: FloatArray, known: tuple[Delivery, float, float]
) -> _Shapes:
    delivery, flask_ml, middle_s = known
    nearer = 1.0 / (middle_s - time_s + _SOON_S)
    span = (time_s - time_s.mean()) / np.ptp(time_s)
    ran_s = time_s - later_s[:, None]
    added_ml = delivery.volume_at(ran_s - _MIXES_S)
    # What ran in before the recording leaves no bend.
    fall = flask_ml / (flask_ml + added_ml - added_ml[:, :1])
    since_s = np.maximum(ran_s + 0.5 * _STEP_S - delivery.begin_s, 0.0)
    # A plume tints the more the less metal is left.
    tint = -np.expm1(-since_s / _GROWS_S) * nearer / nearer[0]
    return _Shapes(np.stack([np.ones_like(time_s), nearer, span]), fall, tint)


def _costs(measured: FloatArray, change: FloatArray, shapes: _Shapes) -> tuple[FloatArray, float]:
    """Negative logarithm of the likelihood of each start, shape (starts,), and of none at all.

    Up to a constant. The dilution of each channel and one plume are fitted; what is known of them
    beforehand counts as observations of their own.

    Parameters
    ----------
    measured:
        Density, and logarithm of the light of the reference, shape (2, n, 3).
    change:
        Of the density from first to last, shape (3,).
    shapes:
        Of what is fitted.
    """
    density, light = measured
    channels, starts = density.shape[1], len(shapes.fall)
    level = np.maximum(np.median(density, axis=0), _LEAST_DENSITY)
    own = 1.0 / (_OWN * level)
    normal = np.zeros((starts, channels + 1, channels + 1))
    normal[:, range(channels), range(channels)] = own**2
    normal[:, channels, channels] = _TINT_SD**-2
    seen = np.tile(np.r_[own**2 * level, _TINT * _TINT_SD**-2], (starts, 1))
    known = float(np.sum((own * level) ** 2)) + (_TINT / _TINT_SD) ** 2
    total = known
    steady = np.vstack([np.zeros((2, 2)), np.diag([1.0 / _DRIFT, 1.0 / _LEFT])])
    for c in range(channels):
        plain = np.vstack([shapes.plain, light[:, c] - light[:, c].mean()])
        noise = _noise(density[:, c], np.vstack([plain, shapes.plain[2] ** 2]).T)
        noise /= np.sqrt(_CHANNELS_ALONE)
        basis = np.linalg.qr(np.hstack([plain / noise, steady]).T)[0]
        rest, fall, tint = (
            _without(basis, part / noise)
            for part in (density[None, :, c], shapes.fall, change[c] * shapes.tint)
        )
        normal[:, c, c] += np.sum(fall * fall, axis=1)
        normal[:, c, channels] += np.sum(fall * tint, axis=1)
        normal[:, channels, c] = normal[:, c, channels]
        normal[:, channels, channels] += np.sum(tint * tint, axis=1)
        seen[:, c] += fall @ rest[0]
        seen[:, channels] += tint @ rest[0]
        total += float(rest[0] @ rest[0])
    found = np.linalg.solve(normal, seen[..., None])[..., 0]
    return 0.5 * (total - np.sum(seen * found, axis=1)), 0.5 * (total - known)


def _without(basis: FloatArray, rows: FloatArray) -> FloatArray:
    """Rows without what the columns of a basis explain; what is known of these is observed as 0."""
    wide = np.pad(rows, ((0, 0), (0, len(basis) - rows.shape[1])))
    return np.asarray(wide - (wide @ basis) @ basis.T)


def _noise(values: FloatArray, smooth: FloatArray) -> float:
    """Scatter about a smooth course, as much larger as values in a row err as one."""
    rest = values - smooth @ np.linalg.lstsq(smooth, values, rcond=None)[0]
    return max(float(np.std(rest)), _LEAST_SD) * float(np.sqrt(together(rest)))
