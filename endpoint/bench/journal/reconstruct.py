"""From the events of a run to its colours and its delivered volume; pure.

`endpoint.bench.journal.readings` says which readings count. The first of them is the start of the
run; a refill continues from where the burette stood before.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from endpoint.bench.journal.burette_events import seen_in
from endpoint.bench.journal.events import Kept, PumpRate, TubeSeen, VolumeSeen
from endpoint.bench.journal.readings import CountedReading, readings_of, standing
from endpoint.colour.density import ColourSample
from endpoint.delivery.delivery import Delivery
from endpoint.problems import DeliveryProblem
from endpoint.recording.volume_log import VolumeLog

_BACK_ML = 1e-9
"""Rounding of sums of readings, mL: a reading lower by more goes back."""
_AFTER_S = 1.0
"""How long a rate is held to run beyond the last picture, s."""
_LARGEST_ML = 1000.0
"""Sum of readings beyond which one of them is wrong, mL: no titration takes so much."""


@dataclass(frozen=True)
class Delivered:
    """What was delivered: a log, or one constant rate from a start time."""

    mode: str
    """"steps" or "continuous"."""
    log: VolumeLog | None
    rate_ml_min: float | None = None
    start_s: float = 0.0
    first_reading_ml: float | None = None
    """Where the burette stood at the start; None for a pump."""

    @property
    def delivery(self) -> Delivery:
        """Delivered volume on the clock of the frames."""
        if self.rate_ml_min is not None:
            return Delivery.at_constant_rate(self.rate_ml_min, self.start_s)
        assert self.log is not None
        assert self.log.time_s is not None
        return Delivery(self.mode, self.log.time_s, self.log.volume_ml)

    @property
    def table(self) -> dict[str, Any]:
        """Keys of [delivery] in a record, without the file of the log."""
        if self.rate_ml_min is None:
            return {"mode": self.mode}
        return {"rate_ml_min": self.rate_ml_min, "start_s": self.start_s}


def colours_of(events: Iterable[Kept]) -> tuple[ColourSample, ...]:
    """Colours of the frames in the order of their times."""
    samples = [kept.event for kept in events if isinstance(kept.event, ColourSample)]
    return tuple(sorted(samples, key=lambda sample: sample.time_s))


def delivered(events: Sequence[Kept], mode: str = "steps") -> Delivered:
    """What was delivered, from the readings of the burette or the rates of a pump.

    Parameters
    ----------
    events:
        Events of one run, in order.
    mode:
        How readings are joined: "steps" or "continuous". A pump is always continuous.

    Raises
    ------
    DeliveryProblem
        Nothing was delivered, a reading runs backwards, or there are readings and a pump.
    """
    rates = [e for e in standing(events).values() if isinstance(e, PumpRate)]
    readings = readings_of(events)
    if any(isinstance(kept.event, VolumeSeen) for kept in events):
        return _seen(events, readings)
    if rates and len(readings) > 1:
        raise DeliveryProblem(
            "This run has burette readings and a pump.", "Undo either the readings or the pump."
        )
    if rates:
        return _pumped(rates, events)
    times, volumes, numbers = _from_readings(readings)
    if len(readings) < 2 or volumes[-1] <= 0.0:
        raise DeliveryProblem(
            "No titrant has been delivered in this run yet.",
            "Type the reading of the burette after each addition.",
        )
    return Delivered(mode, _log(times, volumes, numbers), first_reading_ml=readings[0].burette_ml)


def _seen(events: Sequence[Kept], readings: Sequence[CountedReading]) -> Delivered:
    """What the pictures show, between the start reading and the last that was typed."""
    rows = seen_in(k.event for k in events if isinstance(k.event, TubeSeen | VolumeSeen))
    if rows is None or not readings:
        raise DeliveryProblem(
            "The run broke off before the burette was found in the picture.", "Begin a new run."
        )
    start = readings[0].burette_ml
    logged = rows.volume(start, readings[-1].burette_ml if len(readings) > 1 else None)
    if logged.log.volume_ml[-1] <= 0.0:
        raise DeliveryProblem(
            "No titrant has been delivered in this run yet.",
            "Add titrant, and keep the burette in the picture.",
        )
    return Delivered("continuous", logged.log, first_reading_ml=start)


def _from_readings(
    readings: Sequence[CountedReading],
) -> tuple[list[float], list[float], list[int]]:
    base, last = 0.0, None
    times: list[float] = []
    volumes: list[float] = []
    numbers: list[int] = []
    for reading in readings:
        if last is None:
            base = -reading.burette_ml
        elif reading.refill:
            base += last - reading.burette_ml
        elif reading.burette_ml < last - _BACK_ML:
            raise DeliveryProblem(
                f"The reading {reading.burette_ml:g} mL at {reading.time_s:.0f} s (event "
                f"{reading.number}) is less than the one before, {last:g} mL.",
                "Correct one of the two, or mark it as the first after a refill.",
            )
        last = reading.burette_ml
        times.append(reading.time_s)
        # Twelve decimals, so that 13.9 - 0.1 is written as people do.
        volumes.append(max(round(base + reading.burette_ml, 12), volumes[-1] if volumes else 0.0))
        numbers.append(reading.number)
    if volumes and volumes[-1] > _LARGEST_ML:
        raise DeliveryProblem(
            f"The readings add up to {volumes[-1]:g} mL.", "Correct the reading that is too large."
        )
    return times, volumes, numbers


def _pumped(rates: Sequence[PumpRate], events: Sequence[Kept]) -> Delivered:
    ordered = sorted(rates, key=lambda rate: rate.time_s)
    while ordered and ordered[0].rate_ml_min <= 0.0:
        ordered = ordered[1:]
    if not ordered:
        raise DeliveryProblem("The pump was never started.", "Start the pump.")
    if any(rate.rate_ml_min < 0.0 for rate in ordered):
        raise DeliveryProblem("The pump has a negative rate.", "Undo that rate.")
    first = ordered[0]
    if len(ordered) == 1:
        return Delivered("continuous", None, first.rate_ml_min, first.time_s)
    samples = colours_of(events)
    end_s = max([ordered[-1].time_s, *(sample.time_s for sample in samples[-1:])]) + _AFTER_S
    times, volumes = [first.time_s], [0.0]
    for rate, until_s in zip(ordered, [*(rate.time_s for rate in ordered[1:]), end_s], strict=True):
        if until_s <= times[-1]:
            continue
        volumes.append(volumes[-1] + rate.rate_ml_min / 60.0 * (until_s - times[-1]))
        times.append(until_s)
    return Delivered("continuous", _log(times, volumes, []))


def _log(times: list[float], volumes: list[float], numbers: list[int]) -> VolumeLog:
    """Log in which of two rows of one time the later counts."""
    time_s, volume_ml = np.array(times), np.array(volumes)
    last = np.r_[np.diff(time_s) > 0, True]
    kept = np.array(numbers)[last].tolist() if numbers else []
    return VolumeLog(time_s[last], None, volume_ml[last], tuple(kept))
