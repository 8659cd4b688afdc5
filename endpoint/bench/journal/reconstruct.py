"""From the events of a run to its colours and its delivered volume; pure.

`endpoint.bench.journal.readings` says which readings count. The first of them is the start of the
run; a refill continues from where the burette stood before.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.bench.guidance.drops import by_drops
from endpoint.bench.guidance.plume import Sight, sight_of
from endpoint.bench.journal.events import (
    Asked,
    Finding,
    Incident,
    Kept,
    PumpRate,
    Resumed,
    TubeSeen,
    VolumeSeen,
    WentOn,
)
from endpoint.bench.journal.pump import Pumped, pumped
from endpoint.bench.journal.readings import (
    CountedReading,
    delivered_ml,
    readings_of,
    standing,
)
from endpoint.bench.journal.seen_events import seen_in
from endpoint.colour.density import ColourSample
from endpoint.delivery.delivery import Delivery, reading_sd_ml
from endpoint.problems import DeliveryProblem, Flag
from endpoint.recording.volume_log import Refill, VolumeLog

_BACK_ML = 1e-9
"""Rounding of sums of readings, mL: a reading lower by more goes back."""
_AFTER_S = 1.0
"""How long a rate is held to run beyond the last picture, s."""
_TICK_S, _POURED_S = 1e-3, 0.2
"""Least time between two rows of a log, which must rise, and in which an addition runs in, s."""
_ACTS_S, _SLOW_S, _TYPED_S = 1.1, 5.0, 2.5
"""Time after which a person does what the page asks for, usually and at most, and that after which
an addition is typed, s. Assumed."""
_DROPS_ML, _STREAM_S, _LATE_S = 0.3, 2.0, 0.5
"""Up to so much is given in drops, mL; how long a stream takes at least, s; and the standard
uncertainty of the time at which a volume of it had run in, s: people act 0.6 to 1.6 s after they
are asked, and a tap by hand does not run evenly. Assumed."""
_LEANS_ML = 0.5
"""How far beyond a stream an end still leans on what the stream showed, mL: most of the change lies
within half a millilitre. Lower, and an interval leaves out that people act late; higher, and many
drops after a stream count for nothing."""
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
    starts: float = 1.0
    """By how much the switches of a pump, each pressed by hand, err more than one start does."""
    rows: tuple[tuple[float, float, bool], ...] = ()
    """Readings as a log holds them, where the burette was filled again: time, s; volume since the
    start or, from the first refill on, reading, mL; whether the row is the first after a refill."""
    asked: tuple[Asked, ...] = ()
    """What the page had asked for before each row of a typed log."""

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
    """Colours that count, in the order of their times.

    Those that came after the run was finished do not, unless it was gone on with, and then only
    from there on: nobody says what happens to the flask meanwhile.
    """
    found: list[ColourSample] = []
    finish: int | None = None
    """How many there were when somebody asked for the result."""
    over = False
    for kept in events:
        event = kept.event
        if isinstance(event, ColourSample) and not over:
            found.append(event)
        elif isinstance(event, Incident) and event.code == "finish":
            finish = len(found)
        elif isinstance(event, Finding) and event.final and not over:
            over = True
            if finish is not None:
                del found[finish:]
        elif isinstance(event, WentOn | Resumed):
            over, finish = False, None
    return tuple(sorted(found, key=lambda sample: sample.time_s))


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
    volumes = _checked(readings)
    if len(readings) < 2 or volumes[-1] <= 0.0:
        raise DeliveryProblem(
            "No titrant has been delivered in this run yet.",
            "Type the reading of the burette after each addition.",
        )
    log, rows = _log(readings, volumes), _rows(readings, volumes)
    asked = tuple({reading.time_s: reading.asked for reading in readings}.values())
    if not rows:
        log = replace(log, volume_ml=by_drops(log.volume_ml, [one.drops for one in asked]))
    return Delivered(mode, log, first_reading_ml=readings[0].burette_ml, rows=rows, asked=asked)


def as_pauses(
    samples: Sequence[ColourSample], done: Delivered
) -> tuple[tuple[ColourSample, ...], Delivered]:
    """Colours and typed readings as the picture shows that they belong together.

    A reading is typed seconds after its addition. The volume holds from there on where a plume
    shows when the addition ended, or half-way between the asking for it and the typing; frames of
    which nobody knows to which volume they belong are marked as not yet mixed.

    Parameters
    ----------
    samples, done:
        Of one run.
    """
    log, sight = done.log, _sight(samples, done)
    if sight is None or log is None or log.time_s is None:
        return tuple(samples), done
    colours = _marked(samples, done, sight, np.arange(1, log.time_s.size))
    ends_s = sight.times_of(log.time_s)
    moved = dict(zip(log.time_s.tolist(), ends_s.tolist(), strict=True))
    rows = tuple((moved[time], ml, refill) for time, ml, refill in done.rows)
    return colours, replace(done, log=replace(log, time_s=ends_s), rows=rows)


def _marked(
    samples: Sequence[ColourSample], done: Delivered, sight: Sight, rows: NDArray[np.int64]
) -> tuple[ColourSample, ...]:
    """Colours in which frames of no certain volume say so, for the additions of these rows."""
    assert done.log is not None
    assert done.log.time_s is not None
    log_s, ends_s = done.log.time_s, sight.times_of(done.log.time_s)
    apart = np.zeros(len(samples), dtype=np.bool_)
    time_s = np.array([sample.time_s for sample in samples])
    for k in rows.tolist():
        # Without an asking only an addition that was seen to end before its reading is believed:
        # the change of colour makes the liquid uneven too, and its frames must not be lost.
        asked = done.asked[k].asked_s is not None
        until_s = log_s[k] if asked else ends_s[k]
        if asked or ends_s[k] < log_s[k]:
            apart |= sight.apart & (time_s > log_s[k - 1]) & (time_s <= until_s)
    return tuple(
        replace(sample, flags=sample.flags | Flag.MIXING) if aside else sample
        for sample, aside in zip(samples, apart.tolist(), strict=True)
    )


def as_streams(
    samples: Sequence[ColourSample], done: Delivered
) -> tuple[tuple[ColourSample, ...], Delivered] | None:
    """The same with streams that run in evenly, so that the frames while they do count as well.

    So an addition that went through the whole change still tells where its end lies. None where
    nothing ran in as a stream, the readings were not typed, or the burette was refilled.

    Parameters
    ----------
    samples, done:
        Of one run.
    """
    log, sight = done.log, _sight(samples, done)
    if sight is None or log is None or log.time_s is None or done.rows:
        return None
    times_s, volumes_ml = [float(log.time_s[0])], [float(log.volume_ml[0])]
    sds_ml, read_sd_ml = [0.0], reading_sd_ml(log.volume_ml)
    streamed_ml, stream_sd_ml = -np.inf, 0.0
    drops: list[int] = []
    for k in range(1, log.time_s.size):
        read_s, added_ml = float(log.time_s[k]), float(log.volume_ml[k]) - volumes_ml[-1]
        begin_s, end_s = _stream_of(sight.additions_s[k], done.asked[k], read_s, added_ml)
        begin_s = max(begin_s, times_s[-1] + _TICK_S)
        end_s = max(end_s, begin_s + _POURED_S)
        if added_ml > _DROPS_ML and end_s - begin_s > _STREAM_S:
            late_ml = _LATE_S * added_ml / (end_s - begin_s)
            streamed_ml, stream_sd_ml = float(log.volume_ml[k]), late_ml
        else:
            drops.append(k)
            late_ml = stream_sd_ml if log.volume_ml[k] < streamed_ml + _LEANS_ML else 0.0
        times_s += [begin_s, end_s]
        volumes_ml += [volumes_ml[-1], float(log.volume_ml[k])]
        sds_ml += 2 * [float(np.hypot(read_sd_ml, late_ml))]
    if len(drops) == log.time_s.size - 1:
        return None
    times_s.append(max(samples[-1].time_s, times_s[-1]) + _AFTER_S)
    volumes_ml.append(volumes_ml[-1])
    sds_ml.append(sds_ml[-1])
    streams = VolumeLog(np.array(times_s), None, np.array(volumes_ml), sigma_ml=np.array(sds_ml))
    colours = _marked(samples, done, sight, np.array(drops, dtype=np.int64))
    return colours, replace(done, mode="continuous", log=streams)


def _stream_of(
    seen_s: tuple[float, float] | None,
    asked: Asked,
    read_s: float,
    added_ml: float,
) -> tuple[float, float]:
    """Begin and end of an addition, s: from what the page said, or as the picture shows it."""
    asked_s, closed_s, _ = asked
    begin_s, end_s = (read_s - _TYPED_S,) * 2 if seen_s is None else seen_s
    seen = begin_s < end_s
    if asked_s is not None and (not seen or begin_s > asked_s + _SLOW_S):
        # No plume was seen, or only where it grew near the end.
        begin_s = min(asked_s + _ACTS_S, read_s)
    if not seen and added_ml > _DROPS_ML:
        end_s = max(read_s - _TYPED_S, begin_s)
    if closed_s is not None:
        end_s = min(closed_s + _ACTS_S, read_s)
    return min(begin_s, end_s), end_s


def _sight(samples: Sequence[ColourSample], done: Delivered) -> Sight | None:
    """What the picture shows of the additions whose readings were typed."""
    log = done.log
    if done.mode != "steps" or log is None or log.time_s is None or not samples:
        return None
    time_s = np.array([sample.time_s for sample in samples])
    spread = np.array([sample.spread for sample in samples])
    usable = np.array([sample.flags == Flag.NONE for sample in samples])
    asked_s = tuple(one.asked_s for one in done.asked)
    return sight_of(time_s, spread, usable, tuple(log.time_s.tolist()), asked_s=asked_s)


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


def _checked(readings: Sequence[CountedReading]) -> list[float]:
    """Volume delivered by each reading, mL; never falling."""
    for before, reading in itertools.pairwise(readings):
        if not reading.refill and reading.burette_ml < before.burette_ml - _BACK_ML:
            raise DeliveryProblem(
                f"The reading {reading.burette_ml:g} mL at {reading.time_s:.0f} s (event "
                f"{reading.number}) is less than the one before, {before.burette_ml:g} mL.",
                "Correct one of the two, or mark it as the first after a refill.",
            )
    volumes = list(itertools.accumulate(delivered_ml(readings) or (0.0,), max))
    if volumes[-1] > _LARGEST_ML:
        raise DeliveryProblem(
            f"The readings add up to {volumes[-1]:g} mL.", "Correct the reading that is too large."
        )
    return volumes


def _log(readings: Sequence[CountedReading], volumes: list[float]) -> VolumeLog:
    """Log in which of two readings of one time the later counts."""
    time_s = np.array([reading.time_s for reading in readings])
    last = np.r_[np.diff(time_s) > 0, True]
    numbers = np.array([reading.number for reading in readings])[last].tolist()
    refills = tuple(
        Refill(volumes[k], reading.burette_ml)
        for k, reading in enumerate(readings)
        if k and reading.refill
    )
    return VolumeLog(time_s[last], None, np.array(volumes)[last], tuple(numbers), refills=refills)


def _rows(
    readings: Sequence[CountedReading], volumes: list[float]
) -> tuple[tuple[float, float, bool], ...]:
    """As `Delivered.rows`; none without a refill."""
    first = next((k for k, r in enumerate(readings) if k and r.refill), len(readings))
    if first == len(readings):
        return ()
    shown = [*volumes[:first], *(reading.burette_ml for reading in readings[first:])]
    return tuple(
        (reading.time_s, ml, bool(k) and reading.refill)
        for k, (reading, ml) in enumerate(zip(readings, shown, strict=True))
    )


def _pumped(rates: Sequence[PumpRate], events: Sequence[Kept]) -> Delivered:
    if any(rate.rate_ml_min < 0.0 for rate in rates):
        raise DeliveryProblem("The pump has a negative rate.", "Undo that rate.")
    line = pumped(events)
    if not line.time_s:
        raise DeliveryProblem("The pump was never started.", "Start the pump.")
    if len(line.time_s) == 1:
        return Delivered("continuous", None, line.rates_ml_min[0], line.time_s[0])
    last_s = max([line.time_s[-1], *(sample.time_s for sample in colours_of(events)[-1:])])
    end_s = last_s + _AFTER_S
    times = np.array([*line.time_s, end_s])
    volumes = np.array([*line.volume_ml, line.volume_at(end_s)])
    return Delivered("continuous", VolumeLog(times, None, volumes), starts=_starts(line))


def _starts(line: Pumped) -> float:
    """Errors of all switches up to the last rate, in errors of the time at that rate.

    A switch that is pressed late by t puts the volume wrong by t times the change of the rate; each
    is late by itself. The last stop comes when all is over.
    """
    rates = np.trim_zeros(np.array(line.rates_ml_min), "b")
    return float(np.linalg.norm(np.diff(rates, prepend=0.0)) / rates[-1])
