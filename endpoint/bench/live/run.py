"""One run at the bench: what was stated, what was delivered, and what is concluded from it."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.result import Result
from endpoint.bench.guidance.guide import Guidance, Moment
from endpoint.bench.journal.events import Correction, PumpRate, Reading, Undo
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.live.advice_in_force import AdviceInForce, moment_of
from endpoint.bench.live.burette import LiveBurette
from endpoint.bench.live.camera_view import CameraView
from endpoint.bench.live.classroom import Classroom, replicate_of
from endpoint.bench.live.conclude import document_of_run, result_of_run
from endpoint.bench.live.form import Setting
from endpoint.bench.live.notices import NoticeBoard
from endpoint.bench.live.volumes import PictureDelivery, Pump, Volumes, ended, typed
from endpoint.problems import RecordProblem

_UPDATE_S = 1.0
_VOLUME_S = 0.5
"""Least times between two conclusions, and between two readings of the volume out of the picture,
s: a person acts on no faster news. Assumed."""
_OF_A_RUN = ("view", "camera-silent", "source-ended", "too-seldom", "volume-unseen")
"""Notices that end with the run."""


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


class LiveRun:
    """A run in progress, or the last one while its result is shown.

    Parameters
    ----------
    parts:
        Camera view, burette, notices, class and journal of the session.
    setting, job:
        What was stated before the first addition.
    volumes:
        What is delivered at the start.
    """

    def __init__(
        self, parts: BenchParts, setting: Setting, job: AnalysisInputs, volumes: Volumes
    ) -> None:
        self.setting, self.volumes = setting, volumes
        self.result: Result | None = None
        self.document: dict[str, Any] | None = None
        self.over = False
        """Whether it is finished."""
        self.changed = False
        """Whether anything is new since the last conclusion."""
        self.version = 0
        """Counts conclusions."""
        self._parts, self._job = parts, job
        self._advice = AdviceInForce()
        self._concluded_s = self._measured_s = -np.inf
        self._concluding = threading.Lock()

    # Volumes ------------------------------------------------------------------------------------

    def reading(self, ml: float, now_s: float) -> None:
        """Take a burette reading, which says how much is delivered by now.

        Raises
        ------
        Problem
            The reading is impossible, this run has no burette readings, or the journal has no room.
        """
        with self._parts.lock:
            self._type(typed(self.volumes).addition(now_s, ml))

    def undo(self) -> None:
        """Undo the last reading; the journal keeps both.

        Raises
        ------
        Problem
            Only the start reading is left, or this run has no burette readings.
        """
        with self._parts.lock:
            self._type(typed(self.volumes).undo())

    def correct(self, row: int, ml: float) -> None:
        """Correct a reading; the journal keeps both.

        Raises
        ------
        Problem
            There is no such row, or the reading is impossible.
        """
        with self._parts.lock:
            self._type(typed(self.volumes).correction(row, ml))

    def _type(self, event: Reading | Correction | Undo) -> None:
        """Take in what was typed; what the journal has no room for does not count."""
        number = self._parts.keeper.append(event)
        self._take(typed(self.volumes).plus(number, event))

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
            volumes = self.volumes.ended(ml)
            self._parts.keeper.append(Reading(now_s, float(ml)))
            self._take(volumes)
            self._refresh()

    def pump(self, run: bool, now_s: float) -> None:
        """The pump is started (True) or stopped (False) now.

        Raises
        ------
        Problem
            The run has no pump, or it is started twice or stopped before it was started.
        """
        with self._parts.lock:
            if not isinstance(self.volumes, Pump):
                raise RecordProblem("This run has no pump.", "Type the readings of the burette.")
            volumes = self.volumes.switched(run, now_s)
            self._parts.keeper.append(PumpRate(now_s, volumes.rate_ml_min if run else 0.0))
            self._take(volumes)

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

    # Conclusions --------------------------------------------------------------------------------

    def due(self, now_s: float) -> bool:
        """Whether it is time for a new conclusion: at most once a second."""
        return not self.over and self.changed and now_s - self._concluded_s >= _UPDATE_S

    def conclude(self, now_s: float) -> None:
        """Work out curve, fit and verdict of all that was seen; slow, call it off the frames."""
        with self._concluding:
            # The run may have ended while this waited for another conclusion.
            if not self.over:
                self._conclude(now_s)

    def finish(self, now_s: float) -> None:
        """End the run; the last conclusion is its result.

        Raises
        ------
        Problem
            Something is missing that only the person at the bench can give.
        """
        parts = self._parts
        with parts.lock:
            self._refresh()
            self.volumes = ended(self.volumes, now_s)
            parts.keeper.note("finish", {"time_s": now_s})
        with self._concluding:
            self._conclude(now_s, final=True)
            with parts.lock:
                self._close()

    def _close(self) -> None:
        parts, result, document = self._parts, self.result, self.document
        parts.keeper.end(document)
        self.over = True
        parts.burette.stop()
        if result is not None and document is not None:
            parts.classroom.add(replicate_of(self.setting.label, result, document))
        for code in _OF_A_RUN:
            parts.notices.clear(code)
        self.version += 1

    def _conclude(self, now_s: float, *, final: bool = False) -> None:
        parts, setting, job = self._parts, self.setting, self._job
        with parts.lock:
            self._concluded_s, self.changed = now_s, False
            volumes, region = self.volumes, parts.view.region
        trace, sight = parts.view.trace(volumes.times_s)
        ended_s = () if sight is None else sight.ended_s
        try:
            result = result_of_run(
                job, volumes, trace, region, parts.details, ended_s=ended_s, final=final
            )
            document = document_of_run(result, setting.mode, parts.details)
        except (ValueError, ArithmeticError, np.linalg.LinAlgError) as error:
            with parts.lock:
                parts.notices.raise_("analysis", now_s)
                parts.keeper.note("fault", {"time_s": now_s, "what": type(error).__name__})
            return
        with parts.lock:
            parts.notices.clear("analysis")
            self.result, self.document = result, document
            self.version += 1
            found = {"status": result.status, "equivalence_ml": document["equivalence_ml"]}
            parts.keeper.verdict({"time_s": now_s, **found})
            moment = parts.classroom.taught(
                self._moment(now_s),
                setting.label,
                job.flask_ml,
                setting.titrant_mol_l,
            )
        self._advice.think(result, moment)

    def guidance(self, now_s: float) -> Guidance:
        """What to do now: the last guidance, unless the view is lost or titrant was just added."""
        with self._parts.lock:
            return self._advice.now(self._moment(now_s))

    def _moment(self, now_s: float) -> Moment:
        notices, view = self._parts.notices, self._parts.view
        raised = {n.code for n in notices.current(now_s) if not n.over}
        hidden = bool(raised & {"view", "camera-silent"})
        sight = view.sight(self.volumes.times_s)
        return moment_of(now_s, self.volumes, None if hidden else view.blueness(), sight)
