"""What a run that was broken off had, put on the clock of the session that goes on with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from endpoint.bench.journal.burette_events import seen_in
from endpoint.bench.live.form import Setting
from endpoint.bench.live.volumes import PictureDelivery, Pump, Reading, Readings, Volumes
from endpoint.colour.density import ColourSample
from endpoint.delivery.burette_rows import WAYS, BuretteRows
from endpoint.problems import OutputProblem


@dataclass(frozen=True)
class GoneOn:
    """A run as it was, moved to another clock."""

    volumes: Volumes
    seen: BuretteRows | None
    """What the picture showed of the burette before the break."""
    colours: tuple[ColourSample, ...]
    shift_s: float
    """Clock of the run minus clock of the session."""
    sure: bool
    """Whether it is known how long the break was; a pump's volume hangs on it."""


def gone_on(events: Sequence[Mapping[str, Any]], setting: Setting, now_s: float) -> GoneOn:
    """Rebuild volumes and colours.

    Parameters
    ----------
    events:
        As `ports.Journal.resume` returns them.
    setting:
        What was stated before the run.
    now_s:
        Time on the clock of the session.

    Raises
    ------
    OutputProblem
        The events hold no start of a run.
    """
    ends = [event for event in events if event["kind"] == "resumed"]
    later_s = now_s - float(ends[-1]["time_s"]) if ends else 0.0
    sure = bool(ends[-1]["sure"]) if ends else False
    colours = tuple(
        replace(event["sample"], time_s=event["sample"].time_s + later_s)
        for event in events
        if event["kind"] == "colour"
    )
    volumes: Volumes
    seen: BuretteRows | None = None
    if setting.mode == "pump":
        volumes = _pump(events, setting, later_s)
    elif setting.mode in WAYS:
        seen = seen_in(event["event"] for event in events if "event" in event)
        seen = None if seen is None else seen.moved(later_s)
        typed = [float(e["reading_ml"]) for e in events if e["kind"] == "reading"]
        end = typed[-1] if len(typed) > 1 else None
        begun = next((float(e["time_s"]) for e in events if e["kind"] == "reading"), 0.0) + later_s
        volumes = PictureDelivery(setting.mode, setting.first_reading_ml, begun, end)
        volumes = volumes if seen is None else volumes.with_rows(seen)
    else:
        rows = tuple(
            Reading(float(event["time_s"]) + later_s, float(event["reading_ml"]))
            for event in events
            if event["kind"] == "reading"
        )
        if not rows:
            raise OutputProblem("The run broke off before it began.", "Begin a new run.")
        volumes = Readings(rows)
    return GoneOn(volumes, seen, colours, -later_s, sure)


def _pump(events: Sequence[Mapping[str, Any]], setting: Setting, later_s: float) -> Pump:
    pump = Pump(float(setting.rate_ml_min or 0.0))
    for event in events:
        if event["kind"] == "pump":
            when = float(event["time_s"]) + later_s
            pump = replace(pump, **{"start_s" if event["run"] else "stop_s": when})
    return pump
