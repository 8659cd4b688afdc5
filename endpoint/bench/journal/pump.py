"""A pump that is started, held and set to other rates: what a person did, and what it delivered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from endpoint.bench.journal.events import Event, PumpRate, Undo
from endpoint.bench.journal.readings import Numbered, Typed, last_act, standing, undo_of
from endpoint.delivery.delivery import Delivery
from endpoint.problems import RecordProblem

_CALM_S = 4.0
"""How long before the first start of a pump the liquid shows its first colour, s: somebody begins
the run, goes to the pump and starts it. Assumed."""
_FAR_S = 1e7
"""How long the last rate of a pump is held to go on, s: longer than any titration."""


@dataclass(frozen=True)
class Pumped:
    """What a pump delivered: corners of straight lines, in order."""

    time_s: tuple[float, ...]
    """Strictly rising; the first is the first start."""
    volume_ml: tuple[float, ...]
    rates_ml_min: tuple[float, ...]
    """From each corner on; the last one is that of now."""

    def volume_at(self, time_s: float) -> float:
        """Volume delivered by a time, mL; the last rate goes on."""
        before = [k for k, corner_s in enumerate(self.time_s) if corner_s <= time_s]
        if not before:
            return 0.0
        k = before[-1]
        return self.volume_ml[k] + self.rates_ml_min[k] / 60.0 * (time_s - self.time_s[k])


def pumped(events: Sequence[Numbered]) -> Pumped:
    """What a pump delivered, from the rates that count; nothing before its first start.

    Parameters
    ----------
    events:
        Events of one run, in the order of their numbers.
    """
    rates = [e for e in standing(events).values() if isinstance(e, PumpRate)]
    times: list[float] = []
    volumes: list[float] = []
    now: list[float] = []
    for rate in sorted(rates, key=lambda rate: rate.time_s):
        if not times and rate.rate_ml_min <= 0.0:
            continue
        if times and rate.time_s <= times[-1]:
            # Two switches of one moment: the later one counts.
            now[-1] = rate.rate_ml_min
            continue
        run_s = rate.time_s - times[-1] if times else 0.0
        volumes.append(volumes[-1] + now[-1] / 60.0 * run_s if times else 0.0)
        times.append(rate.time_s)
        now.append(rate.rate_ml_min)
    return Pumped(tuple(times), tuple(volumes), tuple(now))


@dataclass(frozen=True)
class Pump:
    """A pump that is started, held, started again and set to other rates."""

    rate_ml_min: float
    """Set now: it runs at this rate, or will when it is started."""
    events: tuple[Numbered, ...] = ()
    """On the clock of the session."""

    @cached_property
    def line(self) -> Pumped:
        """What was delivered."""
        return pumped(self.events)

    @property
    def running(self) -> bool:
        """Whether it runs now."""
        return bool(self.line.rates_ml_min) and self.line.rates_ml_min[-1] > 0.0

    @property
    def start_s(self) -> float | None:
        """When it was started first; None before."""
        return self.line.time_s[0] if self.line.time_s else None

    @property
    def stop_s(self) -> float | None:
        """When it was stopped or held; None before its start and while it runs."""
        return None if self.running or not self.line.time_s else self.line.time_s[-1]

    @property
    def paused_s(self) -> tuple[float, ...]:
        """When it was paused or stopped."""
        line = self.line
        rates = zip(line.time_s, line.rates_ml_min, strict=True)
        return tuple(time_s for time_s, rate in rates if rate <= 0.0)

    @property
    def calm_s(self) -> tuple[float, ...]:
        """Times from which on the liquid was calm until it ran: before the start, and pauses."""
        if self.start_s is None:
            return ()
        return (self.start_s - 2.0 * _CALM_S, self.start_s - _CALM_S, *self.paused_s)

    @property
    def times_s(self) -> tuple[float, ...]:
        """There are no readings."""
        return ()

    def plus(self, number: int, event: Event) -> Pump:
        """The pump with one more event of this number."""
        rate = event.rate_ml_min if isinstance(event, PumpRate) else 0.0
        events = (*self.events, Typed(number, event))
        return replace(self, events=events, rate_ml_min=rate or self.rate_ml_min)

    def switched(self, run: bool, now_s: float) -> PumpRate:
        """The event of starting (True) or holding (False) it now.

        Raises
        ------
        RecordProblem
            It runs already, or does not run.
        """
        if run == self.running:
            raise RecordProblem(
                "The pump is running already." if run else "The pump is not running.",
                "Look at the pump, and press the button that fits.",
            )
        return PumpRate(now_s, self.rate_ml_min if run else 0.0)

    def set_to(self, rate_ml_min: float) -> Pump:
        """A pump that stands still, with the rate at which it will run."""
        return replace(self, rate_ml_min=rate_ml_min)

    def undo(self) -> Undo:
        """The event that takes back the last switching.

        Raises
        ------
        DeliveryProblem
            It was not switched.
        """
        return undo_of(self.events)

    @property
    def undo_words(self) -> str:
        """What an undo takes back, empty where there is nothing."""
        act = last_act(self.events)
        if act is None or not isinstance(act[1], PumpRate):
            return ""
        rate = act[1].rate_ml_min
        return f"the rate of {rate:g} mL/min" if rate > 0.0 else "the stop of the pump"

    def volume_at(self, time_s: float) -> float:
        """Delivered volume at a time."""
        return self.line.volume_at(time_s)

    def delivery(self) -> Delivery:
        """Straight lines on the clock of the frames; the last rate goes on."""
        line = self.line
        if not line.time_s:
            return Delivery("continuous", np.array([0.0]), np.array([0.0]))
        if len(line.time_s) == 1:
            return Delivery.at_constant_rate(self.rate_ml_min, line.time_s[0])
        far_s = line.time_s[-1] + _FAR_S
        return Delivery(
            "continuous",
            np.array([*line.time_s, far_s]),
            np.array([*line.volume_ml, line.volume_at(far_s)]),
        )
