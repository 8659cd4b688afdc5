"""Mixing lag of a stirred flask from a pause test.

The titrant is stopped at a known time while the colour still moves. A stirred flask answers like a
first-order lag, so the volume that has mixed in runs up to the delivered one as
r tau exp(-(t - t0) / tau); near one place of the curve the colour does the same. `tau` is the
mixing time of the tool's model of delivery. Before the stop the colour runs along a straight line,
whose end also shows a dead time, if there is one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.cells import SheetProblem
from calibration.quantity import Quantity

FloatArray = NDArray[np.float64]

LONGEST_LAG_S = 120.0
"""Mixing time beyond which a fit is refused, s: stirred flasks take 0.3 to 3 s, so that more is a
drift. Assumed."""
ENOUGH_BEFORE = 4
ENOUGH_AFTER = 6
"""Readings before the stop from which the level at the stop is fitted, and readings after it
without which nothing is fitted: three unknowns need twice as many. Assumed."""
BEFORE_LAGS = 2.0
"""Readings from so many lags before the stop are used."""
BEND = 0.2
"""Standard deviation of the bend of the colour over the volume that has not mixed in yet. Computed
for 6 mL/min, a lag of 1.6 s and a change of colour of 0.5 + 0.5 tanh(v / 0.4 mL): 0 to 0.3."""


class TimingProblem(SheetProblem):
    """Times of a sheet do not show what they should."""


@dataclass(frozen=True)
class Pause:
    """One stop of the titrant; arrays of shape (n,)."""

    name: str
    time_s: FloatArray
    signal: FloatArray
    stop_s: float
    """On the clock of `time_s`."""


@dataclass(frozen=True)
class PauseFit:
    """First-order lag of one pause."""

    lag_s: float
    lag_uncertainty_s: float
    degrees_of_freedom: float
    delay_s: float | None
    """Time from the stop to the first answer of the colour; None where nothing was read before."""
    delay_uncertainty_s: float
    step: float
    """Change of the signal that followed after the stop."""
    noise: float


def _answer(since: FloatArray, lag_s: float) -> FloatArray:
    """Volume behind, in units of r tau: 1 - x before the stop, exp(-x) after it."""
    x = since / lag_s
    return np.where(x < 0.0, 1.0 - x, np.exp(-np.maximum(x, 0.0)))


def _levels(
    time_s: FloatArray, signal: FloatArray, lag_s: float, bend: float, delay_s: float
) -> tuple[FloatArray, FloatArray]:
    """Best final level and step for a lag, shapes (2,), and what is left over, shape (n,)."""
    behind = _answer(time_s - delay_s, lag_s)
    design = np.column_stack([np.ones_like(time_s), behind * (1.0 + bend * behind)])
    levels = np.asarray(np.linalg.lstsq(design, signal, rcond=None)[0], dtype=np.float64)
    return levels, design @ levels - signal


@dataclass(frozen=True)
class _Fit:
    lag_s: float
    lag_uncertainty_s: float
    delay_s: float
    delay_uncertainty_s: float
    degrees_of_freedom: float
    step: float
    noise: float


def _fit(t: FloatArray, y: FloatArray, lag: float, with_delay: bool) -> _Fit:
    """Least squares from a first lag; the step and the final level are solved for inside."""
    from scipy.optimize import least_squares

    own_noise = 1.4826 * float(np.median(np.abs(np.diff(y, 2)))) / math.sqrt(6.0)
    own_noise = max(own_noise, 1e-9 * float(np.max(np.abs(y))), 1e-300)

    def parts(p: FloatArray) -> tuple[float, float, float]:
        return math.exp(float(np.clip(p[0], -20, 20))), float(p[1]), float(p[2:].sum())

    def left_over(p: FloatArray) -> FloatArray:
        return np.append(_levels(t, y, *parts(p))[1], own_noise * float(p[1]) / BEND)

    count = 3 if with_delay else 2
    first, scale = [math.log(lag), 0.0, 0.0], [0.3, 0.1, max(0.3 * lag, 1e-3)]
    # The first lag is a fair one; far from it the fit would only describe noise.
    room = np.array([1.5, 5.0 * BEND, 2.0 * lag])[:count]
    start = np.array(first[:count])
    found = least_squares(
        left_over, start, x_scale=scale[:count], bounds=(start - room, start + room)
    )
    tau, bend, delay = parts(np.asarray(found.x, dtype=np.float64))
    levels, rest = _levels(t, y, tau, bend, delay)
    dof = len(t) - 1 - count
    noise = math.sqrt(float(rest @ rest) / dof)
    alike = float(np.clip((rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-300), 0.0, 0.9))
    stretch = (1.0 + alike) / (1.0 - alike)
    jacobian = np.asarray(found.jac, dtype=np.float64)
    # The row of the prior knowledge is weighed by `noise`, no longer by the first guess of it.
    jacobian[-1] *= noise / own_noise
    u = noise * np.sqrt(stretch * np.diag(np.linalg.pinv(jacobian.T @ jacobian)))
    return _Fit(
        tau, float(tau * u[0]), delay, float(u[2:].sum()), max(dof / stretch, 1.0),
        -float(levels[1]), noise,
    )  # fmt: skip


def _enough(t: FloatArray, pause: Pause) -> None:
    if len(t) < ENOUGH_AFTER:
        raise TimingProblem(
            f"{pause.name} has {len(t)} reading(s) after the stop at {pause.stop_s:g} s, needed "
            f"are {ENOUGH_AFTER} or more.",
            "Go on reading for half a minute after the stop, or correct stop_s.",
        )


def fit_pause(pause: Pause) -> PauseFit:
    """Fit the lag of one pause, s(t) = a + b (f + c f^2), f = exp(-(t - stop) / tau).

    The small bend c stands for the curve of colour against volume; that it is small is prior
    knowledge (`BEND`). Readings shortly before the stop show whether the colour answered late:
    there f runs on as 1 - (t - stop - delay) / tau. A negative delay tells of a wrong stop time or
    clock. The lag itself is fitted only to what follows the stop (and the delay): further readings
    would narrow it no more than the bend of the curve allows. The uncertainty comes from the
    scatter about the fit, enlarged where neighbouring readings scatter alike (autocorrelation r: by
    sqrt((1 + r) / (1 - r))).

    Raises
    ------
    TimingProblem
        There are fewer than 6 readings after the stop, nothing moves after it, or the lag is longer
        than the readings go on.
    """
    t, y = pause.time_s - pause.stop_s, pause.signal
    late = t >= 0.0
    _enough(t[late], pause)
    starts = np.geomspace(max(float(t[-1]) / 200.0, 1e-3), float(t[-1]), 25).tolist()
    lag = min(
        starts, key=lambda tau: float(np.sum(_levels(t[late], y[late], tau, 0.0, 0.0)[1] ** 2))
    )
    near = (t >= -BEFORE_LAGS * lag) & (t < 0.0)
    delay, delay_u = None, 0.0
    if np.count_nonzero(near) >= ENOUGH_BEFORE:
        whole = _fit(t[near | late], y[near | late], lag, with_delay=True)
        if whole.lag_uncertainty_s < 0.3 * whole.lag_s:
            # A bend of 0.2 looks like a delay of about 0.2 lags.
            delay, bent = whole.delay_s, BEND * whole.lag_s
            delay_u = math.hypot(whole.delay_uncertainty_s, bent)
        if (
            delay is not None
            and delay > 2.0 * delay_u
            and np.count_nonzero(t >= delay) > len(t) / 4
        ):
            late, lag = t >= delay, whole.lag_s
            _enough(t[late], pause)
    fit = _fit(t[late], y[late], lag, with_delay=False)
    _check_fit(pause, fit.lag_s, fit.lag_uncertainty_s, fit.step, fit.noise)
    return PauseFit(
        fit.lag_s, fit.lag_uncertainty_s, fit.degrees_of_freedom, delay, delay_u, fit.step,
        fit.noise,
    )  # fmt: skip


def _check_fit(pause: Pause, tau: float, lag_u: float, step: float, noise: float) -> None:
    """Refuse a lag that the readings do not show."""
    span = float(pause.time_s[-1]) - pause.stop_s
    level = float(np.max(np.abs(pause.signal)))
    if abs(step) <= 3.0 * noise + 1e-9 * level or lag_u > 0.5 * tau:
        raise TimingProblem(
            f"{pause.name}: the signal does not settle clearly after the stop at "
            f"{pause.stop_s:g} s (it moves by {abs(step):.2g}, its noise is {noise:.2g}).",
            "Stop the titrant while the colour is changing, and check stop_s.",
        )
    if tau > min(span / 2.0, LONGEST_LAG_S):
        raise TimingProblem(
            f"{pause.name}: the signal still moves at the last reading, {span:.3g} s after the "
            "stop.",
            "Go on reading until it is steady, or stir faster.",
        )


def mixing_lag(fits: Sequence[PauseFit], identifier: str) -> tuple[Quantity, float | None]:
    """Lag to be used for a later titration, in s, and the scatter of the pauses.

    The value is the mean. Its uncertainty is that of the fits, and the scatter of the pauses beyond
    that of their fits, as it acts on one more run: s sqrt(1 + 1/n).
    """
    lags = np.array([fit.lag_s for fit in fits])
    own = np.array([fit.lag_uncertainty_s for fit in fits])
    n = len(fits)
    variance = float(np.sum(own**2))
    dof = variance**2 / sum(
        u**4 / f.degrees_of_freedom for u, f in zip(own.tolist(), fits, strict=True)
    )
    u_fit = math.sqrt(variance) / n
    lag = Quantity(float(lags.mean()), "s") + Quantity.measured(
        0.0, "s", u_fit, f"{identifier}: lag, fit", kind="A", degrees_of_freedom=dof
    )
    scatter = float(lags.std(ddof=1)) if n > 1 else None
    if scatter is not None:
        beyond = math.sqrt(max(scatter**2 - variance / n, 0.0)) * math.sqrt(1.0 + 1.0 / n)
        if beyond > 0.0:
            name = f"{identifier}: lag, differences between pauses"
            lag += Quantity.measured(0.0, "s", beyond, name, kind="A", degrees_of_freedom=n - 1)
    return lag, scatter
