"""A run as it was, put on the clock of the session that goes on with it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from endpoint.bench.journal.events import (
    Correction,
    Kept,
    PumpRate,
    Reading,
    Resumed,
    TubeSeen,
    Undo,
    VolumeSeen,
    WentOn,
)
from endpoint.bench.journal.pump import Pump
from endpoint.bench.journal.readings import Typed
from endpoint.bench.journal.reconstruct import colours_of
from endpoint.bench.journal.seen_events import seen_in
from endpoint.bench.live.form import Setting
from endpoint.bench.live.volumes import PictureDelivery, Readings, Volumes
from endpoint.burette.burette_rows import WAYS, BuretteRows
from endpoint.colour.density import ColourSample
from endpoint.problems import OutputProblem


@dataclass(frozen=True)
class ResumedRun:
    """A run as it was, moved to another clock."""

    volumes: Volumes
    seen: BuretteRows | None
    """What the picture showed of the burette before the break."""
    colours: tuple[ColourSample, ...]
    shift_s: float
    """Clock of the run minus clock of the session, s."""
    sure: bool
    """Whether it is known how long the break was; the volume of a pump depends on it."""


def resumed_run(events: Sequence[Kept], setting: Setting, now_s: float) -> ResumedRun:
    """Volumes and colours of a run so far.

    Parameters
    ----------
    events:
        All events of the run in order, as `OpenRun.resume` and `OpenRun.go_on` return them: the
        last `Resumed` or `WentOn` says where the clock of the run is now.
    setting:
        What was stated before the run.
    now_s:
        Time on the clock of the session, s.

    Raises
    ------
    OutputProblem
        The events hold no start reading.
    """
    ends = [kept.event for kept in events if isinstance(kept.event, Resumed | WentOn)]
    later_s = now_s - ends[-1].time_s if ends else 0.0
    # In a program that ran all the time the clock is known.
    sure = bool(ends) and (isinstance(ends[-1], WentOn) or ends[-1].sure)
    colours = tuple(replace(c, time_s=c.time_s + later_s) for c in colours_of(events))
    acts = tuple(_moved(events, later_s))
    seen: BuretteRows | None = None
    volumes: Volumes
    if setting.mode == "pump":
        pump = Pump(float(setting.rate_ml_min or 0.0))
        for act in acts:
            pump = pump.plus(act.number, act.event)
        volumes = pump
    elif setting.mode in WAYS:
        seen = seen_in(k.event for k in events if isinstance(k.event, TubeSeen | VolumeSeen))
        seen = None if seen is None else seen.moved(later_s)
        volumes = _in_picture(Readings(acts, setting.most_ml), seen, setting, later_s)
    else:
        volumes = Readings(acts, setting.most_ml)
        if not volumes.rows:
            raise OutputProblem("The run broke off before it began.", "Begin a new run.")
    return ResumedRun(volumes, seen, colours, -later_s, sure)


def _moved(events: Sequence[Kept], later_s: float) -> Iterator[Typed]:
    """What a person did, on another clock."""
    for kept in events:
        event = kept.event
        if isinstance(event, Reading):
            yield Typed(kept.number, event.moved(later_s))
        elif isinstance(event, PumpRate):
            yield Typed(kept.number, replace(event, time_s=event.time_s + later_s))
        elif isinstance(event, Correction):
            time_s = None if event.time_s is None else event.time_s + later_s
            yield Typed(kept.number, replace(event, time_s=time_s))
        elif isinstance(event, Undo):
            yield Typed(kept.number, event)


def _in_picture(
    readings: Readings, seen: BuretteRows | None, setting: Setting, later_s: float
) -> PictureDelivery:
    rows = readings.rows
    volumes = PictureDelivery(
        setting.mode,
        setting.first_reading_ml,
        rows[0].time_s if rows else later_s,
        rows[-1].burette_ml if len(rows) > 1 else None,
    )
    return volumes if seen is None else volumes.with_rows(seen)
