"""Delivered volume of a live run: typed readings, a pump that was started, or the picture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from endpoint.delivery.burette_rows import BuretteRows, LoggedVolume
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.picture_volume import level_spans
from endpoint.problems import DeliveryProblem, Problem

MOST_ML = 200.0
MOST_READINGS = 500
RISEN_ML = 0.02
"""A smaller rise of a meniscus that is followed is no addition."""
RISEN_S = 0.5
_TICK_S = 1e-3


@dataclass(frozen=True)
class Reading:
    """One burette reading."""

    time_s: float
    reading_ml: float
    """As it stands on the burette, which rises while titrant is delivered."""
    corrected: bool = False


def checked_ml(value: float, what: str) -> float:
    """A volume that a burette can show.

    Raises
    ------
    DeliveryProblem
        It lies outside 0 to 200 mL.
    """
    if not 0.0 <= value <= MOST_ML:
        raise DeliveryProblem(
            f"{what} {value:g} mL is not between 0 and {MOST_ML:g} mL.",
            "Type the reading of the burette in millilitres.",
        )
    return float(value)


@dataclass(frozen=True)
class Readings:
    """Readings of a burette in time order; the first is the start."""

    rows: tuple[Reading, ...]

    @classmethod
    def start(cls, time_s: float, reading_ml: float = 0.0) -> Readings:
        """Begin with the reading before anything is delivered."""
        return cls((Reading(time_s, checked_ml(reading_ml, "The start reading")),))

    @property
    def delivered_ml(self) -> float:
        """Volume delivered so far."""
        return self.rows[-1].reading_ml - self.rows[0].reading_ml

    @property
    def times_s(self) -> tuple[float, ...]:
        """Times of all readings."""
        return tuple(row.time_s for row in self.rows)

    def add(self, time_s: float, reading_ml: float) -> Readings:
        """Readings with one more.

        Raises
        ------
        DeliveryProblem
            The reading falls, or there are too many.
        """
        last = self.rows[-1]
        checked_ml(reading_ml, "The reading")
        if reading_ml < last.reading_ml - 1e-9:
            raise DeliveryProblem(
                f"{reading_ml:.2f} mL is less than the last reading, {last.reading_ml:.2f} mL.",
                "Look again, or correct the last reading.",
            )
        if len(self.rows) >= MOST_READINGS:
            raise DeliveryProblem(
                f"There are {MOST_READINGS} readings already.", "Finish this run and begin another."
            )
        when = max(time_s, last.time_s + _TICK_S)
        return Readings((*self.rows, Reading(when, float(reading_ml))))

    def undo(self) -> Readings:
        """Readings without the last one.

        Raises
        ------
        DeliveryProblem
            Only the start reading is left.
        """
        if len(self.rows) < 2:
            raise DeliveryProblem("There is no reading to take back.", "Type the first reading.")
        return Readings(self.rows[:-1])

    def correct(self, row: int, reading_ml: float) -> Readings:
        """Readings with one of them changed; its time stays.

        Raises
        ------
        DeliveryProblem
            There is no such row, or the reading does not lie between its neighbours.
        """
        if not 0 <= row < len(self.rows):
            raise DeliveryProblem(f"There is no reading {row}.", "Choose a reading from the list.")
        checked_ml(reading_ml, "The reading")
        low = self.rows[row - 1].reading_ml if row else 0.0
        high = self.rows[row + 1].reading_ml if row + 1 < len(self.rows) else MOST_ML
        if not low - 1e-9 <= reading_ml <= high + 1e-9:
            raise DeliveryProblem(
                f"{reading_ml:.2f} mL does not lie between its neighbours, {low:.2f} and "
                f"{high:.2f} mL.",
                "Correct those first, or look again.",
            )
        rows = list(self.rows)
        rows[row] = replace(rows[row], reading_ml=float(reading_ml), corrected=True)
        return Readings(tuple(rows))

    def delivery(self) -> Delivery:
        """Steps of delivered volume on the clock of the frames."""
        return Delivery(
            "steps",
            np.array([row.time_s for row in self.rows]),
            np.array([row.reading_ml - self.rows[0].reading_ml for row in self.rows]),
        )

    def volume_at(self, time_s: float) -> float:
        """Delivered volume at a time."""
        return float(self.delivery().volume_at(time_s))

    def to_json(self) -> list[dict[str, Any]]:
        """Rows for the page."""
        first = self.rows[0].reading_ml
        return [
            {
                "row": k,
                "time_s": round(row.time_s, 3),
                "reading_ml": row.reading_ml,
                "volume_ml": round(row.reading_ml - first, 4),
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

    def volume_at(self, time_s: float) -> float:
        """Delivered volume at a time."""
        if self.start_s is None:
            return 0.0
        end = time_s if self.stop_s is None else min(time_s, self.stop_s)
        return max(end - self.start_s, 0.0) * self.rate_ml_min / 60.0

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


def delivered_by(volumes: Volumes | None, time_s: float) -> float:
    """Volume delivered by a time, mL; a burette's is that of its last reading."""
    if isinstance(volumes, Readings | PictureDelivery):
        return volumes.delivered_ml
    return 0.0 if volumes is None else volumes.volume_at(time_s)
