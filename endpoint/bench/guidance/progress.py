"""The curve so far, short enough for a prediction many times a second.

During the change its final colour is still unknown. So the signal here is how far the colour has
moved, in units of the whole change that is to be expected from the indicator's own colours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.indicators import Indicator
from endpoint.colour.off_colour import darkness_of
from endpoint.curve.points import RGB, Curve
from endpoint.curve.unmix import CHANNEL_NOISE, COMMON_NOISE, ROW_NOISE
from endpoint.delivery.delivery import Delivery

FloatArray = NDArray[np.float64]

LAGS_S = (0.2, 0.5, 0.8, 1.2, 1.7, 2.3, 3.0, 3.8, 5.0)
"""Mixing lags at which the mixed volume is worked out; between them straight lines."""
_MOST_POINTS = 30
_MOST_ROWS = 240
_FINE_ML = 0.03
_GROWTH = 1.18
"""Points and rows of a log that are kept at most, so that a look takes the same time throughout;
width of the newest bin, mL (half a drop or more), and how much wider each older one is. Assumed:
what was long ago shows no more than the first level and its drift."""
_MIDDLES_NM = (620.0, 530.0, 430.0)
_REACH_NM = 60.0
"""Wavelengths that stand for red, green and blue, nm, and how far a photometer's may lie from them.
Assumed."""
_START_ML = 0.3
"""Frames up to this volume, mL, give the first colour. Assumed: less than any titration has before
its change begins."""
_KNOWN_CHANGE = (1.0, 0.07)
_ROUGH_CHANGE = (1.35, 0.26)
"""Whole change over what is expected from the first colour, and its standard deviation: from an
earlier replicate, and from the rough densities of the indicator (1.38 to 1.55 in rendered films
with the dyes and the camera of the sample recordings; 1.43 with a standard deviation of 0.18 in the
40 flasks of `tests.loop_flask` from seed 400; 1 by the rough densities themselves). Smaller, and
the end is called nearer than it is.
"""
_CAMERA_FLOOR, _ROW_FLOOR = 0.003, 0.0007
"""Scatter of density between points that the scatter of frames does not show, of a camera and of
the rows of a photometer. Rendered films had 0.0037 (median) to 0.007 (root mean square) about a
straight drift before the change begins.
"""
_PLUME_SD, _STREAM_SD = 0.1, 0.4
"""Colour that a millilitre of titrant that is not mixed in yet lends to the picture, in expected
changes: rendered films have 0.02 to 0.05 after 2 mL, and less as soon as portions are smaller; and
while it runs in, when its plume stands in view: 0.1 mL in a second tints up to a tenth of it."""
_LEARNING = 0.5
"""How soon the observed change outweighs the direction that the indicator's colours predict.
Assumed, no study kept."""


@dataclass(frozen=True, eq=False)
class Habit:
    """What an earlier replicate showed: whole change of density per first density."""

    change_per_start: FloatArray
    """Change of undiluted density over the Euclidean size of the first one, shape (channels,)."""

    def __post_init__(self) -> None:
        self.change_per_start.setflags(write=False)


def habit_of(curve: Curve) -> Habit:
    """Habit from the whole curve of an earlier replicate with the same camera and indicator."""
    size = max(float(np.linalg.norm(curve.start_density)), 1e-3)
    return Habit(np.array(curve.change_density) / size)


@dataclass(frozen=True, eq=False)
class History:
    """Points of the curve so far, at most about 30; arrays cannot be written to."""

    mixed_ml: FloatArray
    """Volume that had mixed in, mL, for every lag of `LAGS_S`, shape (lags, n)."""
    volume_ml: FloatArray
    signal: FloatArray
    """Distance from the first colour, in expected changes, shape (n,)."""
    sigma: FloatArray
    now_mixed_ml: FloatArray
    """Volume that has mixed in by now, mL, for every lag, shape (lags,)."""
    now_ml: float
    """Delivered by now."""
    change: tuple[float, float]
    """Whole change in expected changes: what is known beforehand, and its standard deviation."""
    fade: float
    """Loss of the expected change for every part of the indicator that was free at the start."""
    bend: tuple[float, float]
    kink_sd: float
    floor: float
    """Scatter between points beyond `sigma`, in expected changes."""
    plume_sd: float = 0.1
    """Colour that a millilitre of titrant lends to the picture until it is mixed in, in expected
    changes."""

    def __post_init__(self) -> None:
        for name in ("mixed_ml", "volume_ml", "signal", "sigma", "now_mixed_ml"):
            getattr(self, name).setflags(write=False)


def _rough_forms(channels: tuple[str, ...], indicator: Indicator) -> FloatArray | None:
    """Rough densities of the bound and the free form in the channels, shape (2, channels)."""
    both = np.array([indicator.bound.camera_density, indicator.free.camera_density])
    if channels == RGB:
        return both
    columns = []
    for name in channels:
        digits = "".join(c for c in name if c.isdigit() or c == ".")
        away = [abs(float(digits or "nan") - nm) for nm in _MIDDLES_NM]
        near = int(np.argmin(away))
        columns.append(both[:, near] if away[near] <= _REACH_NM else np.zeros(2))
    forms = np.array(columns).T
    return forms if np.any(forms[1] != forms[0]) else None


def _covariance(curve: Curve) -> FloatArray:
    camera = curve.channels == RGB
    usual = np.array(CHANNEL_NOISE) if camera else np.full(len(curve.channels), ROW_NOISE)
    common = COMMON_NOISE if camera else ROW_NOISE
    own = np.median(curve.density_sigma, axis=0)
    return np.asarray(np.diag(own**2 + usual**2) + common**2)


@dataclass(frozen=True, eq=False)
class Expected:
    """Whole change that is to be expected from a first colour."""

    change: FloatArray
    """Of density, shape (channels,), as if the first colour were that of the bound form."""
    fade: float
    """Loss of it for every part of the indicator that was free in the first colour already."""


def expected_change(
    start: FloatArray, channels: tuple[str, ...], indicator: Indicator, habit: Habit | None = None
) -> Expected | None:
    """Whole change of density that is to be expected from a first colour.

    Parameters
    ----------
    start:
        First density, shape (channels,).
    channels, indicator:
        Where and what of.
    habit:
        Of an earlier replicate, if there was one.

    Returns
    -------
    None where no channel distinguishes the two forms, or nothing is coloured.
    """
    if habit is not None and habit.change_per_start.size == start.size:
        # It led from the first colour, a little of it free already, to the end.
        return Expected(np.asarray(habit.change_per_start * np.linalg.norm(start)), 1.0)
    forms = _rough_forms(channels, indicator)
    if forms is None:
        return None
    bound, free = forms
    # A grey shade (glass, light) lies on all channels of a camera: only what stands out counts.
    grey = channels == RGB
    shape = bound - bound.mean() if grey else bound
    seen = start - start.mean() if grey else start
    size = max(float(shape @ shape), 1e-12)
    amount = float(shape @ seen) / size
    if amount <= 0.02:
        return None
    fade = max(-float(shape @ (free - bound)) / size, 0.0)
    return Expected(np.asarray(amount * (free - bound)), _ROUGH_CHANGE[0] * fade)


def _edges(volume_ml: FloatArray) -> NDArray[np.int64]:
    """Bin of every point: fine near the last volume, wider the further before it."""
    far = float(np.ptp(volume_ml)) + 1e-9
    width = _FINE_ML
    steps = _GROWTH ** np.arange(_MOST_POINTS)
    while width * float(steps.sum()) < far:
        width *= 1.25
    ends = np.cumsum(width * steps)
    away = volume_ml.max() - volume_ml
    return np.asarray(np.searchsorted(ends, away, side="right"), dtype=np.int64)


def gather(
    curve: Curve,
    indicator: Indicator,
    *,
    now_s: float | None = None,
    habit: Habit | None = None,
) -> History | None:
    """Bin the curve so far; None as long as it shows nothing.

    Parameters
    ----------
    curve:
        Of the frames so far.
    indicator:
        What is in the flask.
    now_s:
        Time on the clock of the frames; by default that of the last frame.
    habit:
        What an earlier replicate showed of the change of colour.
    """
    kept = curve.flags == 0
    if int(kept.sum()) < 2:
        return None
    volume = np.array(curve.volume_ml[kept])
    undiluted = curve.density[kept] * (1.0 + volume / curve.flask_ml)[:, None]
    first = np.flatnonzero(volume <= volume[0] + _START_ML)[:5]
    start = np.median(undiluted[first], axis=0)
    expected = expected_change(start, curve.channels, indicator, habit)
    if expected is None:
        return None
    change = expected.change
    inverse = np.linalg.inv(_covariance(curve))
    seen = np.median(undiluted[-2:], axis=0) - start
    way = float(seen @ inverse @ change) / float(change @ inverse @ change)
    direction = change + max(way, 0.0) / _LEARNING * (seen if way > 0.05 else 0.0 * seen)
    direction = direction / float(np.linalg.norm(direction))
    weights = inverse @ direction / float(direction @ inverse @ direction)
    weights = weights / float(np.linalg.norm(change))
    signal = (undiluted - start) @ weights
    sigma = np.sqrt(curve.density_sigma[kept] ** 2 @ weights**2)
    delivery = _short(curve.delivery)
    mixed = np.stack(
        [_mixed_ml(curve, delivery, lag, np.array(curve.time_s[kept]), volume) for lag in LAGS_S]
    )
    number = _edges(volume)
    names, place = np.unique(number, return_inverse=True)
    sums = np.zeros((names.size, volume.size))
    weight = 1.0 / np.maximum(sigma, 1e-6) ** 2
    sums[place, np.arange(volume.size)] = weight
    total = sums.sum(axis=1)
    mean = sums / total[:, None]
    at = float(curve.frame_times_s.max()) if now_s is None else now_s
    last = volume[-1:]
    now_mixed = [_mixed_ml(curve, delivery, lag, np.array([at]), last)[0] for lag in LAGS_S]
    now_ml = float(_mixed_ml(curve, delivery, 0.0, np.array([at]), last)[0])
    camera = curve.channels == RGB
    dark = darkness_of(np.vstack([curve.density, start + change])) if camera else 0.0
    return History(
        mixed_ml=mixed @ mean.T,
        volume_ml=mean @ volume,
        signal=mean @ signal,
        sigma=1.0 / np.sqrt(total),
        now_mixed_ml=np.array(now_mixed),
        now_ml=now_ml,
        change=_ROUGH_CHANGE if habit is None else _KNOWN_CHANGE,
        fade=expected.fade,
        bend=(-0.04 - 0.3 * dark, 0.07 + 0.3 * dark) if camera else (0.0, 0.02),
        kink_sd=0.03 + 0.2 * dark if camera else 0.02,
        plume_sd=_PLUME_SD if curve.running_ml_s <= 0.0 else _STREAM_SD,
        floor=float(np.linalg.norm(weights)) * (_CAMERA_FLOOR if camera else _ROW_FLOOR),
    )


def _short(delivery: Delivery | None) -> Delivery | None:
    """The same delivery with fewer rows long ago, where mixing has long been over."""
    if delivery is None or delivery.time_s.size <= _MOST_ROWS:
        return delivery
    early = delivery.time_s.size - _MOST_ROWS // 2
    step = int(np.ceil(early / (_MOST_ROWS // 2)))
    kept = np.r_[np.arange(0, early, step), np.arange(early, delivery.time_s.size)]
    return Delivery(delivery.mode, delivery.time_s[kept], delivery.volume_ml[kept])


def _mixed_ml(
    curve: Curve, delivery: Delivery | None, lag_s: float, time_s: FloatArray, volume: FloatArray
) -> FloatArray:
    """Volume that has mixed in at times, mL; `volume` where mixing does not matter."""
    if delivery is None or not curve.lag_matters:
        return volume
    return delivery.mixed_volume_at(time_s, lag_s)
