"""Delivered volume of a live run: typed readings, a pump that was started, or the picture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from calibration.problem import Problem
from endpoint.bench.journal.events import Correction, Reading, Undo
from endpoint.bench.journal.readings import CountedReading, Numbered, readings_of
from endpoint.burette.burette_rows import BuretteRows, LoggedVolume
from endpoint.burette.picture_volume import level_spans
from endpoint.delivery.delivery import Delivery
from endpoint.problems import DeliveryProblem, RecordProblem, UnseenVolume

MOST_ML = 200.0
MOST_READINGS = 500
"""Largest reading, mL (twice the largest burette), and most readings of a run."""
RISEN_ML = 0.02
"""A smaller rise of a meniscus that is followed is not an addition, mL. Assumed: less than half a
drop."""
RISEN_S = 0.5
"""How soon after a rise a level counts as part of it, s: a meniscus creeps on for a moment.
Assumed."""
_TICK_S = 1e-3
"""Least time between two rows of a log, s, which must rise."""


def checked_ml(value: float, what: str) -> float:
    """A volume that a burette can show.

    Raises
    ------
    DeliveryProblem
        It lies outside 0 to 200 mL.
    """
    if not 0.0 <= value <= MOST_ML:
        raise DeliveryProblem(
            f"{what}, {value:g} mL, is not between 0 and {MOST_ML:g} mL.",
            "Type the burette reading in millilitres.",
        )
    return float(value)


@dataclass(frozen=True)
class Typed:
    """A reading, a correction or an undo, with its number in the journal."""

    number: int
    event: Reading | Correction | Undo


@dataclass(frozen=True)
class Readings:
    """Readings of a burette as they were typed; the first is the start.

    `addition`, `correction` and `undo` check what a person wants and give the event for it; when
    that is kept, `plus` takes it in.
    """

    events: tuple[Numbered, ...] = ()
    """On the clock of the session."""

    @cached_property
    def rows(self) -> tuple[CountedReading, ...]:
        """Readings that count, in time order."""
        return readings_of(self.events)

    @property
    def delivered_ml(self) -> float:
        """Volume delivered so far."""
        return self.rows[-1].burette_ml - self.rows[0].burette_ml

    @property
    def times_s(self) -> tuple[float, ...]:
        """Times of all readings."""
        return tuple(row.time_s for row in self.rows)

    def plus(self, number: int, event: Reading | Correction | Undo) -> Readings:
        """Readings with one more event of this number."""
        return Readings((*self.events, Typed(number, event)))

    def addition(self, time_s: float, reading_ml: float) -> Reading:
        """The event of one more reading.

        Raises
        ------
        DeliveryProblem
            The reading falls, or there are too many.
        """
        last = self.rows[-1]
        checked_ml(reading_ml, "The reading")
        if reading_ml < last.burette_ml - 1e-9:
            raise DeliveryProblem(
                f"{reading_ml:.2f} mL is less than the last reading, {last.burette_ml:.2f} mL.",
                "Read the burette again, or correct the last reading.",
            )
        if len(self.rows) >= MOST_READINGS:
            raise DeliveryProblem(
                f"This run has {MOST_READINGS} readings already.", "Finish it and begin another."
            )
        return Reading(max(time_s, last.time_s + _TICK_S), float(reading_ml))

    def undo(self) -> Undo:
        """The event that undoes the last reading.

        Raises
        ------
        DeliveryProblem
            Only the start reading is left.
        """
        if len(self.rows) < 2:
            raise DeliveryProblem("There is no reading to undo.", "Type the first reading.")
        return Undo(self.rows[-1].number)

    def correction(self, row: int, reading_ml: float) -> Correction:
        """The event that corrects a reading; its time stays.

        Raises
        ------
        DeliveryProblem
            There is no such row, or the reading does not lie between its neighbours.
        """
        if not 0 <= row < len(self.rows):
            raise DeliveryProblem(f"There is no reading {row}.", "Choose one from the list.")
        checked_ml(reading_ml, "The reading")
        low = self.rows[row - 1].burette_ml if row else 0.0
        high = self.rows[row + 1].burette_ml if row + 1 < len(self.rows) else MOST_ML
        if not low - 1e-9 <= reading_ml <= high + 1e-9:
            raise DeliveryProblem(
                f"{reading_ml:.2f} mL does not lie between its neighbours, {low:.2f} and "
                f"{high:.2f} mL.",
                "Correct those first, or read the burette again.",
            )
        return Correction(self.rows[row].number, float(reading_ml))

    def delivery(self) -> Delivery:
        """Steps of delivered volume on the clock of the frames."""
        return Delivery(
            "steps",
            np.array([row.time_s for row in self.rows]),
            np.array([row.burette_ml - self.rows[0].burette_ml for row in self.rows]),
        )

    def volume_at(self, time_s: float) -> float:
        """Delivered volume at a time."""
        return float(self.delivery().volume_at(time_s))

    def to_json(self) -> list[dict[str, Any]]:
        """Rows for the page."""
        first = self.rows[0].burette_ml
        return [
            {
                "row": k,
                "time_s": round(row.time_s, 3),
                "reading_ml": row.burette_ml,
                "volume_ml": round(row.burette_ml - first, 4),
                "corrected": row.corrected,
            }
            for k, row in enumerate(self.rows)
        ]


@dataclass(frozen=True)
class Pump:
    """A pump of constant rate."""

    rate_ml_min: float
    start_s: float | None = None
    stop_s: float | None = None

    @property
    def times_s(self) -> tuple[float, ...]:
        """There are no readings."""
        return ()

    def switched(self, run: bool, now_s: float) -> Pump:
        """The pump, started (True) or stopped (False) now.

        Raises
        ------
        RecordProblem
            It is started twice, or stopped before it was started.
        """
        if run == (self.start_s is not None) or self.stop_s is not None:
            raise RecordProblem(
                "The pump was started before." if run else "The pump is not running.",
                "Finish the run and begin another.",
            )
        return replace(self, start_s=now_s) if run else replace(self, stop_s=now_s)

    def volume_at(self, time_s: float) -> float:
        """Delivered volume at a time."""
        if self.start_s is None:
            return 0.0
        end = time_s if self.stop_s is None else min(time_s, self.stop_s)
        return max(end - self.start_s, 0.0) * self.rate_ml_min / 60.0

    def rate_at(self, time_s: float) -> float:
        """Rate at a time, mL/min; 0 while it stands still."""
        runs = self.start_s is not None and (self.stop_s is None or time_s < self.stop_s)
        return self.rate_ml_min if runs else 0.0

    def delivery(self) -> Delivery:
        """Straight line from start to stop on the clock of the frames."""
        if self.start_s is None:
            return Delivery("continuous", np.array([0.0]), np.array([0.0]))
        if self.stop_s is None:
            return Delivery.at_constant_rate(self.rate_ml_min, self.start_s)
        stop = max(self.stop_s, self.start_s + _TICK_S)
        return Delivery(
            "continuous", np.array([self.start_s, stop]), np.array([0.0, self.volume_at(stop)])
        )


@dataclass(frozen=True, eq=False)
class PictureDelivery:
    """A burette that the picture shows: the volume so far, and the readings that were typed."""

    way: str
    """"meniscus" or "drops"."""
    start_ml: float
    begun_s: float = 0.0
    """When the run began, on the clock of the session."""
    end_ml: float | None = None
    """Reading typed at the end; without it the scale is provisional."""
    logged: LoggedVolume | None = None
    """None until something was seen."""
    drops: int | None = None
    rose_s: float | None = None
    """When titrant was last seen to be added."""
    trouble: Problem | None = None
    """Why there is no volume now."""

    @property
    def times_s(self) -> tuple[float, ...]:
        """When additions ended, the last of which may go on."""
        if self.logged is None or self.rose_s is None:
            return ()
        log = self.logged.log
        assert log.time_s is not None
        begins = level_spans(log.time_s, log.volume_ml)[:, 0]
        return (*begins[begins < self.rose_s - RISEN_S].tolist(), self.rose_s)

    @property
    def delivered_ml(self) -> float:
        """Volume delivered so far."""
        return 0.0 if self.logged is None else float(self.logged.log.volume_ml[-1])

    @property
    def sigma_ml(self) -> float | None:
        """Standard uncertainty of it."""
        sigma = None if self.logged is None else self.logged.log.sigma_ml
        return None if sigma is None else float(sigma[-1])

    def ended(self, end_ml: float) -> PictureDelivery:
        """The volume with the reading at the end.

        Raises
        ------
        Problem
            The reading is impossible.
        """
        checked_ml(end_ml, "The end reading")
        if end_ml <= self.start_ml:
            raise RecordProblem(
                f"The end reading, {end_ml:.2f} mL, is not above the start reading, "
                f"{self.start_ml:.2f} mL.",
                "Burette readings rise as titrant runs out: read it again.",
            )
        return replace(self, end_ml=end_ml)

    def with_rows(self, rows: BuretteRows) -> PictureDelivery:
        """The volume of what was seen by now; what was known before stays if that gives none."""
        drops = len(rows.rows) if self.way == "drops" else None
        try:
            logged = rows.volume(self.start_ml, self.end_ml)
        except DeliveryProblem as problem:
            return replace(self, trouble=problem, drops=drops)
        log = logged.log
        assert log.time_s is not None
        rising = np.flatnonzero(log.volume_ml < log.volume_ml[-1] - RISEN_ML)
        rose = float(log.time_s[rising[-1]]) if rising.size else None
        return replace(self, logged=logged, drops=drops, rose_s=rose, trouble=None)

    def delivery(self) -> Delivery:
        """Volume on the clock of the frames."""
        if self.logged is None:
            return Delivery("continuous", np.array([0.0]), np.array([0.0]))
        return self.logged.seen.delivery


Volumes = Readings | Pump | PictureDelivery


def typed(volumes: Volumes) -> Readings:
    """The readings of a run whose readings are typed.

    Raises
    ------
    RecordProblem
        It has a pump, or is read from the picture.
    """
    if isinstance(volumes, PictureDelivery):
        raise RecordProblem(
            "The volumes of this run are read from the picture.",
            "Type only the end reading, at the end.",
        )
    if isinstance(volumes, Pump):
        raise RecordProblem("This run has a pump.", "Start and stop the pump instead.")
    return volumes


def ended(volumes: Volumes, now_s: float) -> Volumes:
    """Volumes of a run that ends now.

    Raises
    ------
    Problem
        The end reading of a run with drops is missing, or what was seen contradicts a reading.
    """
    if isinstance(volumes, PictureDelivery):
        if volumes.way == "drops" and volumes.end_ml is None:
            raise RecordProblem(
                "The end reading is missing: counting drops does not show how large a drop is.",
                "Read the burette, type the end reading, then finish.",
            )
        if volumes.trouble is not None and not isinstance(volumes.trouble, UnseenVolume):
            raise volumes.trouble
    if isinstance(volumes, Pump) and volumes.start_s is not None and volumes.stop_s is None:
        # It runs on until the last picture unless it was stopped.
        return replace(volumes, stop_s=now_s)
    return volumes


def delivered_by(volumes: Volumes | None, time_s: float) -> float:
    """Volume delivered by a time, mL; a burette's is that of its last reading."""
    if isinstance(volumes, Readings | PictureDelivery):
        return volumes.delivered_ml
    return 0.0 if volumes is None else volumes.volume_at(time_s)
