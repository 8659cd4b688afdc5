"""Delivered volume against time, and how much of it has mixed in."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from endpoint.delivery.mixing import Mixing

FloatArray = NDArray[np.float64]

_NEVER_S = 1e7
_SETTLE_LAGS = 4.0
_SETTLE_PART = 0.6
_POUR_PART = 0.6
_POUR_ML_S = 0.4
"""Usual rate from a burette: a row says what is delivered by its time, so pouring begins before."""
_GRAINS_ML = (0.1, 0.05, 0.02, 0.01)
"""To what people round readings of a burette, mL."""
_BY_EYE_ML = 0.02 / float(np.sqrt(6.0))
"""Standard deviation of a meniscus read by eye between lines of 0.1 mL: a fifth of a division,
triangular, as `calibration.ware.glassware.reading_limit` has it. Whatever is written down, people
read no better; volumes finer than a hundredth were not read by eye."""
_ALIKE = 1.0 / 3.0
"""Part of the steps between readings up to which there are different ones where a dispenser doses.
Assumed: a plan has two or three sizes of step."""
_LOOK_S, _LOOK_FRAMES = 4.0, 60
_MARKED_S = 0.5
"""How long before an addition frames must be marked at least, s, for its beginning to be known."""
_EVEN_ML = 0.05
"""Departure of a log from a straight line, mL, that its rounding makes: a drop. A pump that stops
for a second departs by more."""


def look_s(time_s: FloatArray) -> float:
    """How long the end of a pause is looked at, s: 4 s, or longer where frames are few.

    The last seconds are mixed best and nearest to the next addition; more frames add little, as
    what differs from pause to pause stays. So a film need not be decoded between.

    Parameters
    ----------
    time_s:
        Times of frames, rising.
    """
    between_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
    return max(_LOOK_S, _LOOK_FRAMES * between_s)


def reading_sd_ml(volume_ml: FloatArray) -> float:
    """Standard uncertainty of each reading of a burette as people read and round it, mL.

    Parameters
    ----------
    volume_ml:
        Readings as written, shape (n,).

    Returns
    -------
    That of an even distribution over the coarsest grain that explains all of them, and no less than
    that of reading by eye; 0 where no grain does.
    """
    for grain_ml in _GRAINS_ML:
        if np.all(np.abs(volume_ml / grain_ml - np.round(volume_ml / grain_ml)) < 1e-4):
            return max(float(grain_ml / np.sqrt(12.0)), _BY_EYE_ML)
    return 0.0


def sd_by_steps_ml(volume_ml: FloatArray) -> float:
    """`reading_sd_ml` where the steps are those of somebody who doses by hand, else 0.

    By hand they have many sizes; steps of few sizes are those of a dispenser, or of a plan.

    Parameters
    ----------
    volume_ml:
        As written, shape (n,).
    """
    steps_ml = np.round(np.diff(volume_ml), 4)
    by_hand = np.unique(steps_ml).size > _ALIKE * steps_ml.size
    return reading_sd_ml(volume_ml) if by_hand else 0.0


def read_one_by_one(volume_ml: FloatArray, sd_ml: float) -> Delivery:
    """Delivery of rows or pictures that each state a volume, mL, shape (n,), read to `sd_ml`."""
    number = np.arange(volume_ml.size, dtype=np.float64)
    return Delivery("per-still", number, volume_ml, reading_sd_ml=sd_ml)


@dataclass(frozen=True, eq=False)
class Delivery:
    """Cumulative volume of titrant against time.

    `mode` is "steps" (a volume is held until the next time), "continuous" (straight lines
    between the times) or "per-still" (time is the number of the still, held).
    """

    mode: str
    time_s: FloatArray
    """Strictly rising, shape (n,)."""
    volume_ml: FloatArray
    """Never falling, shape (n,)."""
    pauses_s: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    """Begin and end of each span in which nothing is poured, where these were seen, shape (k, 2);
    only for "continuous"."""
    reading_sd_ml: float = 0.0
    """Standard uncertainty of each volume by itself, mL: readings are rounded."""

    def __post_init__(self) -> None:
        if self.mode not in ("steps", "continuous", "per-still"):
            raise ValueError(f"unknown mode of delivery {self.mode!r}")
        if self.time_s.size == 0 or self.time_s.size != self.volume_ml.size:
            raise ValueError("a delivery needs as many volumes as times, at least one")
        if np.any(np.diff(self.time_s) <= 0) or np.any(np.diff(self.volume_ml) < 0):
            raise ValueError("times must rise and volumes must not fall")
        self.time_s.setflags(write=False)
        self.volume_ml.setflags(write=False)
        self.pauses_s.setflags(write=False)

    @property
    def is_held(self) -> bool:
        """Whether volumes are held for a while, so that the liquid can mix."""
        return self.mode == "steps" or self.pauses_s.size > 0

    @property
    def begin_s(self) -> float:
        """When a continuous delivery begins to run; infinite where it never does."""
        rises = np.flatnonzero(np.diff(self.volume_ml) > 0.0)
        return float(self.time_s[rises[0]]) if rises.size else float(np.inf)

    @property
    def is_even(self) -> bool:
        """Whether it runs at one rate from begin to end, so that later is only elsewhere."""
        rises = np.flatnonzero(np.diff(self.volume_ml) > 0.0)
        if self.mode != "continuous" or rises.size == 0:
            return False
        part = slice(int(rises[0]), int(rises[-1]) + 2)
        time_s, volume_ml = self.time_s[part], self.volume_ml[part]
        line = np.interp(time_s, time_s[[0, -1]], volume_ml[[0, -1]])
        return bool(np.max(np.abs(volume_ml - line)) <= _EVEN_ML)

    def additions_outside(self, last_s: float) -> int:
        """How many additions in steps lie before the recording begins or after `last_s`."""
        if self.mode != "steps":
            return 0
        at_s = self.time_s[1:][np.diff(self.volume_ml) > 0.0]
        return int(np.sum((at_s < 0.0) | (at_s > last_s)))

    def additions_after(self, last_s: float) -> int:
        """How many additions in steps lie after `last_s`."""
        if self.mode != "steps":
            return 0
        added = np.diff(self.volume_ml, prepend=0.0) > 0.0
        return int(np.sum(added & (self.time_s > last_s)))

    @classmethod
    def at_constant_rate(cls, rate_ml_min: float, start_s: float = 0.0) -> Delivery:
        """Pump that starts at `start_s` and runs on at a constant rate."""
        rate_ml_s = rate_ml_min / 60.0
        return cls(
            "continuous",
            np.array([start_s, start_s + _NEVER_S]),
            np.array([0.0, rate_ml_s * _NEVER_S]),
        )

    def volume_at(self, time_s: ArrayLike) -> FloatArray:
        """Delivered volume, mL; before the first time it is the first volume (continuous) or 0."""
        t = np.asarray(time_s, dtype=np.float64)
        if self.mode == "continuous":
            return np.asarray(np.interp(t, self.time_s, self.volume_ml))
        k = np.searchsorted(self.time_s, t, side="right") - 1
        before = self._before()
        return np.where(k < 0, before, self.volume_ml[np.maximum(k, 0)])

    def _before(self) -> float:
        """Volume before the first row: what the first row says if it is a start reading of 0."""
        return 0.0 if self.mode == "steps" else float(self.volume_ml[0])

    @property
    def may_begin_with_reading(self) -> bool:
        """Whether the first row may be what the burette read before anything ran in.

        A first portion is poured, and is larger than the next; a reading may be anything.
        """
        first, *later = np.unique(self.volume_ml)[:2].tolist()
        return bool(later and 0.0 < first < later[0] - first)

    def mixed_volume_at(self, time_s: ArrayLike, mixing_time_s: float) -> FloatArray:
        """Volume that has mixed into the bulk of the liquid: response of a first-order lag.

        Exact for steps (each approaches with exp(-t / tau)) and for straight lines. Stills are
        taken after mixing.

        Parameters
        ----------
        time_s:
            Shape (n,).
        mixing_time_s:
            Time constant tau >= 0.
        """
        return self.mixing_at(np.atleast_1d(np.asarray(time_s, dtype=np.float64)))(mixing_time_s)

    def mixing_at(self, time_s: FloatArray) -> Mixing:
        """`mixed_volume_at` of the same times for any mixing time.

        Parameters
        ----------
        time_s:
            Shape (n,).
        """
        last = np.searchsorted(self.time_s, time_s, side="right") - 1
        seen, begun = np.maximum(last, 0), last >= 0
        rates: FloatArray | None = None
        if self.mode == "per-still":
            amounts = np.zeros(0)
        elif self.mode == "steps":
            amounts = np.diff(self.volume_ml, prepend=self._before())
        else:
            slopes = np.diff(self.volume_ml) / np.diff(self.time_s)
            amounts = np.diff(np.r_[0.0, slopes, 0.0])
            rates = np.where(begun, np.cumsum(amounts)[seen], 0.0)
        return Mixing(
            delivered_ml=self.volume_at(time_s),
            gaps_s=np.diff(self.time_s, prepend=self.time_s[0]),
            amounts=amounts,
            last=seen,
            since_s=np.maximum(time_s - self.time_s[seen], 0.0),
            begun=begun,
            rate_ml_s=rates,
        )

    def rate_ml_s_at(self, time_s: ArrayLike) -> FloatArray:
        """Rate of continuous delivery, mL/s; 0 for steps and stills."""
        t = np.asarray(time_s, dtype=np.float64)
        if self.mode != "continuous":
            return np.zeros_like(t)
        slopes = np.r_[0.0, np.diff(self.volume_ml) / np.diff(self.time_s), 0.0]
        return np.asarray(slopes[np.searchsorted(self.time_s, t, side="right")])

    def settled_spans(
        self, first_s: float, last_s: float, lag_s: float, calm_s: FloatArray | None = None
    ) -> list[tuple[float, float, float]]:
        """When the liquid is mixed and nothing is poured, for every constant volume (steps).

        Parameters
        ----------
        first_s, last_s:
            Times of the first and the last frame.
        lag_s:
            Mixing time, s.
        calm_s:
            Times of the frames in which nothing is poured, rising, where somebody knows them: then
            a pause ends with the last of them, and a short one keeps its last part.

        Returns
        -------
        Volume in mL, start and stop in s, in time order. Before the first step nothing has to mix.
        """
        if self.pauses_s.size:
            return self._seen_spans(first_s, last_s, lag_s)
        times = self.time_s[np.diff(self.volume_ml, prepend=0.0) > 1e-9]
        begins = np.r_[first_s, times[(times > first_s) & (times <= last_s)]]
        volumes = self.volume_at(begins)
        spans = []
        for k, begin in enumerate(begins.tolist()):
            length, pour = last_s - begin, 0.0
            if k + 1 < begins.size:
                length = float(begins[k + 1]) - begin
                added_ml = float(volumes[k + 1] - volumes[k])
                pour = min(added_ml / _POUR_ML_S + 0.3, _POUR_PART * length)
            calm = length - pour
            settle = 0.0 if k == 0 else min(_SETTLE_LAGS * lag_s, _SETTLE_PART * calm)
            start, stop = begin + settle, begin + calm
            if calm_s is not None and k + 1 < begins.size:
                start, stop = _while_calm(start, stop, begin, begin + length, calm_s)
            spans.append((float(volumes[k]), start, stop))
        return spans

    def _seen_spans(
        self, first_s: float, last_s: float, lag_s: float
    ) -> list[tuple[float, float, float]]:
        """As `settled_spans` where begin and end of every pause were seen."""
        spans = []
        for k, (begin, stop) in enumerate(self.pauses_s.tolist()):
            begin, stop = max(begin, first_s), min(stop, last_s)
            settle = min(_SETTLE_LAGS * lag_s, _SETTLE_PART * (stop - begin)) if k else 0.0
            if stop > begin:
                volume = float(self.volume_at(0.5 * (begin + stop)))
                spans.append((volume, begin + settle, stop))
        return spans


def _while_calm(
    start_s: float, stop_s: float, begin_s: float, end_s: float, calm_s: FloatArray
) -> tuple[float, float]:
    """Settled part of a pause where it is known when nothing is poured.

    Parameters
    ----------
    start_s, stop_s:
        Settled part by how long people usually pour.
    begin_s, end_s:
        The addition before the pause, and the next one.
    calm_s:
        As for `Delivery.settled_spans`.
    """
    inside = calm_s[np.searchsorted(calm_s, begin_s) : np.searchsorted(calm_s, end_s)]
    if not inside.size or end_s - float(inside[-1]) < _MARKED_S:
        return start_s, stop_s
    first_s, last_s = float(inside[0]), float(inside[-1])
    return min(start_s, first_s + _SETTLE_PART * (last_s - first_s)), last_s
