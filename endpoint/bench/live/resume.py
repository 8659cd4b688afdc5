"""An unfinished run as it was, put on the clock of the session that resumes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from endpoint.bench.journal.burette_events import seen_in
from endpoint.bench.journal.events import (
    Correction,
    Kept,
    PumpRate,
    Reading,
    Resumed,
    TubeSeen,
    Undo,
    VolumeSeen,
)
from endpoint.bench.live.form import Setting
from endpoint.bench.live.volumes import PictureDelivery, Pump, Readings, Volumes
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
        All events of the run in order, as `OpenRun.resume` returns them: the last `Resumed` says
        where the clock of the run is now.
    setting:
        What was stated before the run.
    now_s:
        Time on the clock of the session, s.

    Raises
    ------
    OutputProblem
        The events hold no start reading.
    """
    ends = [kept.event for kept in events if isinstance(kept.event, Resumed)]
    later_s = now_s - ends[-1].time_s if ends else 0.0
    sure = ends[-1].sure if ends else False
    colours = tuple(
        replace(kept.event, time_s=kept.event.time_s + later_s)
        for kept in events
        if isinstance(kept.event, ColourSample)
    )
    seen: BuretteRows | None = None
    volumes: Volumes
    if setting.mode == "pump":
        volumes = _pump(events, setting, later_s)
    elif setting.mode in WAYS:
        seen = seen_in(k.event for k in events if isinstance(k.event, TubeSeen | VolumeSeen))
        seen = None if seen is None else seen.moved(later_s)
        volumes = _in_picture(_readings(events, later_s), seen, setting, later_s)
    else:
        volumes = _readings(events, later_s)
        if not volumes.rows:
            raise OutputProblem("The run broke off before it began.", "Begin a new run.")
    return ResumedRun(volumes, seen, colours, -later_s, sure)


def _readings(events: Sequence[Kept], later_s: float) -> Readings:
    """What was typed, on another clock."""
    typed = []
    for kept in events:
        event = kept.event
        if isinstance(event, Reading):
            typed.append(replace(kept, event=replace(event, time_s=event.time_s + later_s)))
        elif isinstance(event, Correction):
            time_s = None if event.time_s is None else event.time_s + later_s
            typed.append(replace(kept, event=replace(event, time_s=time_s)))
        elif isinstance(event, Undo):
            typed.append(kept)
    return Readings(tuple(typed))


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


def _pump(events: Sequence[Kept], setting: Setting, later_s: float) -> Pump:
    pump = Pump(float(setting.rate_ml_min or 0.0))
    for kept in events:
        event = kept.event
        if isinstance(event, PumpRate):
            when = event.time_s + later_s
            pump = replace(pump, **{"start_s" if event.rate_ml_min > 0.0 else "stop_s": when})
    return pump
