"""Delivered volume of a live run: typed readings, a pump that was started, or the picture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from calibration.problem import Problem
from endpoint.bench.journal.events import NOT_ASKED, Asked, Correction, Event, Reading, Undo
from endpoint.bench.journal.pump import Pump
from endpoint.bench.journal.readings import (
    CountedReading,
    Numbered,
    Typed,
    delivered_ml,
    last_act,
    readings_of,
    undo_of,
)
from endpoint.burette.burette_rows import BuretteRows, LoggedVolume
from endpoint.burette.picture_volume import level_spans
from endpoint.delivery.delivery import Delivery, reading_sd_ml
from endpoint.problems import DeliveryProblem, RecordProblem, UnseenVolume, Unsure

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
JUMP_ML = 5.0
"""An addition that is larger, mL, is questioned once: a tenth of the usual burette of 50 mL. People
add as much far from the end only, and a slip of the decimal point or a line of tens misread is
always larger. Lower, and honest first additions are questioned; higher, and a misread ten at a
small burette passes. Assumed."""


def checked_ml(value: float, what: str, most_ml: float = MOST_ML) -> float:
    """A volume that a burette can show.

    Raises
    ------
    DeliveryProblem
        It lies outside 0 to `most_ml`.
    """
    if not 0.0 <= value <= most_ml:
        raise DeliveryProblem(
            f"{what}, {value:g} mL, is not between 0 and {most_ml:g} mL.",
            "Type the burette reading in millilitres.",
        )
    return float(value)


@dataclass(frozen=True)
class Readings:
    """Readings of a burette as they were typed; the first is the start.

    `addition`, `refill`, `correction` and `undo` check what a person wants and give the events for
    it; when these are kept, `plus` takes them in.
    """

    events: tuple[Numbered, ...] = ()
    """On the clock of the session."""
    most_ml: float = MOST_ML
    """Largest reading that the burette can show."""

    @cached_property
    def rows(self) -> tuple[CountedReading, ...]:
        """Readings that count, in time order."""
        return readings_of(self.events)

    @cached_property
    def volumes_ml(self) -> tuple[float, ...]:
        """Volume delivered by each of them, mL."""
        return delivered_ml(self.rows)

    @property
    def delivered_ml(self) -> float:
        """Volume delivered so far."""
        return self.volumes_ml[-1]

    @property
    def times_s(self) -> tuple[float, ...]:
        """Times of all readings."""
        return tuple(row.time_s for row in self.rows)

    @property
    def asked_s(self) -> tuple[float | None, ...]:
        """When the page had asked for the addition of each reading."""
        return tuple(row.asked.asked_s for row in self.rows)

    def plus(self, number: int, event: Event) -> Readings:
        """Readings with one more event of this number."""
        return replace(self, events=(*self.events, Typed(number, event)))

    def addition(
        self,
        time_s: float,
        reading_ml: float,
        *,
        sure: bool = True,
        asked: Asked = NOT_ASKED,
    ) -> Reading:
        """The event of one more reading.

        Parameters
        ----------
        time_s, reading_ml:
            When, and what the burette shows.
        sure:
            Whether the person said so after a question: then a jump is taken.
        asked:
            What the page had asked for.

        Raises
        ------
        Problem
            The reading falls or is beyond the burette, there are too many, or it jumps.
        """
        last = self.rows[-1]
        checked_ml(reading_ml, "The reading", self.most_ml)
        if reading_ml < last.burette_ml - 1e-9:
            raise DeliveryProblem(
                f"{reading_ml:.2f} mL is less than the last reading, {last.burette_ml:.2f} mL.",
                "Read the burette again, correct the last reading, or enter a refill.",
            )
        if len(self.rows) >= MOST_READINGS:
            raise DeliveryProblem(
                f"This run has {MOST_READINGS} readings already.", "Finish it and begin another."
            )
        added_ml = reading_ml - last.burette_ml
        if added_ml > JUMP_ML and not sure:
            raise Unsure(
                f"{reading_ml:.2f} mL is {added_ml:.2f} mL more than the last reading.",
                "If that is right, enter it again; if not, type the right reading.",
            )
        at_s = max(time_s, last.time_s + _TICK_S)
        return Reading(
            at_s,
            float(reading_ml),
            asked_s=asked.asked_s,
            closed_s=asked.closed_s,
            drops=asked.drops,
        )

    def refill(self, time_s: float, before_ml: float, after_ml: float) -> tuple[Reading, ...]:
        """The events of a refill: the reading before, if titrant ran in since the last, and after.

        Raises
        ------
        DeliveryProblem
            A reading is impossible.
        """
        checked_ml(after_ml, "The reading after the refill", self.most_ml)
        last = self.rows[-1]
        events: list[Reading] = []
        if abs(before_ml - last.burette_ml) > 1e-9:
            events.append(self.addition(time_s, before_ml))
        begun_s = events[-1].time_s if events else last.time_s
        events.append(Reading(max(time_s, begun_s + _TICK_S), float(after_ml), refill=True))
        if after_ml > before_ml:
            raise DeliveryProblem(
                f"After the refill the burette would show {after_ml:.2f} mL, more than the "
                f"{before_ml:.2f} mL before.",
                "A full burette shows a small reading: check both.",
            )
        return tuple(events)

    def undo(self) -> Undo:
        """The event that takes back what was typed last, be it a reading or a correction.

        Raises
        ------
        DeliveryProblem
            Only the start reading is left.
        """
        return undo_of(self.events)

    def correction(self, row: int, reading_ml: float) -> Correction:
        """The event that corrects a reading; its time stays.

        Raises
        ------
        DeliveryProblem
            There is no such row, or the reading does not lie between its neighbours.
        """
        if not 0 <= row < len(self.rows):
            raise DeliveryProblem(f"There is no reading {row}.", "Choose one from the list.")
        checked_ml(reading_ml, "The reading", self.most_ml)
        begins = row == 0 or self.rows[row].refill
        ends = row + 1 == len(self.rows) or self.rows[row + 1].refill
        low = 0.0 if begins else self.rows[row - 1].burette_ml
        high = self.most_ml if ends else self.rows[row + 1].burette_ml
        if not low - 1e-9 <= reading_ml <= high + 1e-9:
            raise DeliveryProblem(
                f"{reading_ml:.2f} mL does not lie between its neighbours, {low:.2f} and "
                f"{high:.2f} mL.",
                "Correct those first, or read the burette again.",
            )
        return Correction(self.rows[row].number, float(reading_ml))

    def delivery(self) -> Delivery:
        """Steps of delivered volume on the clock of the frames."""
        volumes_ml = np.maximum.accumulate(np.array(self.volumes_ml))
        return Delivery(
            "steps",
            np.array([row.time_s for row in self.rows]),
            volumes_ml,
            reading_sd_ml=reading_sd_ml(volumes_ml),
        )

    def volume_at(self, time_s: float) -> float:
        """Delivered volume at a time."""
        return float(self.delivery().volume_at(time_s))

    def to_json(self) -> list[dict[str, Any]]:
        """Rows for the page."""
        return [
            {
                "row": k,
                "time_s": round(row.time_s, 3),
                "reading_ml": row.burette_ml,
                "volume_ml": round(volume_ml, 4),
                "corrected": row.corrected,
                "refill": row.refill,
            }
            for k, (row, volume_ml) in enumerate(zip(self.rows, self.volumes_ml, strict=True))
        ]

    @property
    def undo_words(self) -> str:
        """What an undo takes back, empty where there is nothing."""
        act = last_act(self.events)
        if act is None:
            return ""
        if isinstance(act[1], Correction):
            rows = {row.number: k for k, row in enumerate(self.rows)}
            return f"the correction of reading {rows[act[1].of]}"
        assert isinstance(act[1], Reading)
        what = "the refill" if act[1].refill else "the reading"
        return f"{what}, {act[1].burette_ml:.2f} mL"


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


def may_end(volumes: Volumes) -> None:
    """Whether a run can end now.

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


def delivered_by(volumes: Volumes | None, time_s: float) -> float:
    """Volume delivered by a time, mL; a burette's is that of its last reading."""
    if isinstance(volumes, Readings | PictureDelivery):
        return volumes.delivered_ml
    return 0.0 if volumes is None else volumes.volume_at(time_s)


def last_reading_ml(volumes: Volumes) -> float | None:
    """Where the burette stood when it was read last, mL; None for a pump, or if nobody read it."""
    if isinstance(volumes, Readings):
        return volumes.rows[-1].burette_ml
    return volumes.end_ml if isinstance(volumes, PictureDelivery) else None
