"""What a person enters while titrating: readings, refills, corrections, the switches of a pump."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from endpoint.bench.journal.events import NOT_ASKED, Asked, Event, PumpRate, Reading
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.journal.pump import Pump
from endpoint.bench.live.burette import LiveBurette
from endpoint.bench.live.camera_view import CameraView
from endpoint.bench.live.classroom import Classroom
from endpoint.bench.live.form import Setting
from endpoint.bench.live.notices import NoticeBoard
from endpoint.bench.live.volumes import PictureDelivery, Readings, Volumes, checked_ml, typed
from endpoint.burette.burette_rows import WAYS
from endpoint.problems import RecordProblem

_VOLUME_S = 0.5
"""Least time between two readings of the volume out of the picture, s: a person acts on no faster
news. Assumed."""


@dataclass(frozen=True)
class BenchParts:
    """What a session is composed of, and what its runs use."""

    keeper: OpenRun
    """The journal."""
    details: Mapping[str, str]
    """Where the pictures come from."""
    lock: threading.RLock = field(default_factory=threading.RLock)
    view: CameraView = field(default_factory=CameraView)
    burette: LiveBurette = field(default_factory=LiveBurette)
    notices: NoticeBoard = field(default_factory=NoticeBoard)
    classroom: Classroom = field(default_factory=Classroom)


def first_volumes(keeper: OpenRun, setting: Setting, now_s: float) -> Volumes:
    """Nothing is delivered yet; the journal keeps the start.

    Raises
    ------
    JournalProblem
        It has no room.
    """
    if setting.mode == "pump":
        keeper.note("begin", {"time_s": now_s})
        return Pump(float(setting.rate_ml_min or 0.0))
    start = Reading(now_s, setting.first_reading_ml)
    number = keeper.append(start)
    if setting.mode in WAYS:
        return PictureDelivery(setting.mode, start.burette_ml, start.time_s)
    return Readings(most_ml=setting.most_ml).plus(number, start)


class RunEntries:
    """The volumes of a run, and what a person enters of them.

    Parameters
    ----------
    parts:
        Camera view, burette, notices, class and journal of the session.
    setting:
        What was stated before the first addition.
    volumes:
        What is delivered at the start.
    """

    def __init__(self, parts: BenchParts, setting: Setting, volumes: Volumes) -> None:
        self.setting, self.volumes = setting, volumes
        self.over = False
        """Whether the run is finished."""
        self.changed = False
        """Whether anything is new since the last conclusion."""
        self._parts = parts
        self._measured_s = -np.inf

    def reading(self, ml: float, now_s: float, *, sure: bool = True) -> None:
        """Take a burette reading, which says how much is delivered by now.

        Raises
        ------
        Problem
            The reading is impossible or jumps, this run has no burette readings, or the journal
            has no room.
        """
        with self._parts.lock:
            volumes = typed(self.volumes)
            self._act(volumes.addition(now_s, ml, sure=sure, asked=self._asked()))

    def _asked(self) -> Asked:
        """What the page asked for before the reading that is typed now."""
        return NOT_ASKED

    def refill(self, before_ml: float, after_ml: float, now_s: float) -> None:
        """The burette was filled again: its readings before and after.

        Raises
        ------
        Problem
            A reading is impossible, this run has no burette readings, or the journal has no room.
        """
        with self._parts.lock:
            for event in typed(self.volumes).refill(now_s, before_ml, after_ml):
                self._act(event)

    def undo(self) -> None:
        """Take back what was typed or switched last; the journal keeps both.

        Raises
        ------
        Problem
            There is nothing to take back, or the volume is read from the picture.
        """
        with self._parts.lock:
            volumes = self.volumes if isinstance(self.volumes, Pump) else typed(self.volumes)
            self._act(volumes.undo())
        self._again()

    def correct(self, row: int, ml: float) -> None:
        """Correct a reading; the journal keeps both.

        Raises
        ------
        Problem
            There is no such row, or the reading is impossible.
        """
        with self._parts.lock:
            self._act(typed(self.volumes).correction(row, ml))
        self._again()

    def _act(self, event: Event) -> None:
        """Take in what was done; what the journal has no room for does not count."""
        volumes = self.volumes
        assert not isinstance(volumes, PictureDelivery)
        self._take(volumes.plus(self._parts.keeper.append(event), event))

    def end_reading(self, ml: float, now_s: float) -> None:
        """Take the reading at the end of a run that is read from the picture; the last counts.

        Raises
        ------
        Problem
            The run is not read from the picture, or the reading is impossible.
        """
        with self._parts.lock:
            if not isinstance(self.volumes, PictureDelivery):
                raise RecordProblem(
                    "The volumes of this run do not come from the picture.",
                    "Type each reading as you take it.",
                )
            volumes = self.volumes.ended(checked_ml(ml, "The end reading", self.setting.most_ml))
            self._parts.keeper.append(Reading(now_s, float(ml)))
            self._take(volumes)
            self._refresh()
        self._again()

    def pump(self, run: bool, now_s: float) -> None:
        """The pump is started (True) or held (False) now.

        Raises
        ------
        Problem
            The run has no pump, or it runs already, or does not run.
        """
        with self._parts.lock:
            self._act(self._pump().switched(run, now_s))

    def pump_rate(self, rate_ml_min: float, now_s: float) -> None:
        """The pump is set to another rate; one that stands still takes it when it is started.

        Raises
        ------
        Problem
            The run has no pump, or the journal has no room.
        """
        with self._parts.lock:
            pump = self._pump()
            if pump.running:
                self._act(PumpRate(now_s, rate_ml_min))
            else:
                self.volumes = pump.set_to(rate_ml_min)

    def _pump(self) -> Pump:
        if not isinstance(self.volumes, Pump):
            raise RecordProblem("This run has no pump.", "Type the readings of the burette.")
        return self.volumes

    def look_at_burette(self, now_s: float) -> bool:
        """See in the picture what was delivered by now; returns whether there is news."""
        if (
            self.over
            or not isinstance(self.volumes, PictureDelivery)
            or now_s - self._measured_s < _VOLUME_S
        ):
            return False
        self._measured_s = now_s
        with self._parts.lock:
            self._refresh()
        return True

    def _refresh(self) -> None:
        """Bring the volume up to what was seen, and keep that in the journal."""
        volumes, rows = self.volumes, self._parts.burette.rows()
        if rows is None or not isinstance(volumes, PictureDelivery) or self.over:
            return
        self._parts.keeper.burette_rows(rows)
        now = volumes.with_rows(rows)
        self.changed |= now.delivered_ml != volumes.delivered_ml
        self.volumes = now

    def _take(self, volumes: Volumes) -> None:
        self.volumes, self.changed = volumes, True

    def _again(self) -> None:
        """Work out the result anew, if there is one."""
        raise NotImplementedError
