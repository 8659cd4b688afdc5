"""One run at the bench: what was stated, what was delivered, and what is concluded from it."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Sequence
from typing import Any

import numpy as np

from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.result import Result
from endpoint.bench.guidance.guide import Moment
from endpoint.bench.guidance.said import Guidance
from endpoint.bench.journal.events import Asked, Discarded, Kept, PumpRate, Undo
from endpoint.bench.journal.pump import Pump
from endpoint.bench.live.advice_in_force import AdviceInForce, moment_of
from endpoint.bench.live.classroom import replicate_of, series_of
from endpoint.bench.live.conclude import document_of_run, ended_result, result_of_run
from endpoint.bench.live.entries import BenchParts, RunEntries
from endpoint.bench.live.form import Setting
from endpoint.bench.live.resume import resumed_run
from endpoint.bench.live.volumes import Readings, Volumes, may_end
from endpoint.problems import JournalProblem, RecordProblem

_UPDATE_S = 1.0
"""Least time between two conclusions, s: a person acts on no faster news. Assumed."""
_OF_A_RUN = ("view", "camera-silent", "source-ended", "too-seldom", "volume-unseen")
"""Notices that end with the run."""


class LiveRun(RunEntries):
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
        super().__init__(parts, setting, volumes)
        self.result: Result | None = None
        self.document: dict[str, Any] | None = None
        self.ending = False
        """Whether it is being finished: pictures that come now do not count."""
        self.discarded: tuple[int, str] | None = None
        """Number of that event and the reason, if the run does not count."""
        self.version = 0
        """Counts conclusions."""
        self._job = job
        self._advice = AdviceInForce()
        self._concluded_s = -np.inf
        self._concluding = threading.Lock()

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
        """End the run; what the journal holds by now makes its result.

        Raises
        ------
        Problem
            Something is missing that only the person at the bench can give.
        """
        parts = self._parts
        with parts.lock:
            self._refresh()
            may_end(self.volumes)
            if isinstance(self.volumes, Pump) and self.volumes.running:
                self._act(PumpRate(now_s, 0.0))
            parts.keeper.note("finish", {"time_s": now_s})
            self.ending = True
        try:
            self._settle(now_s)
        finally:
            self.ending = False

    def go_on(self, now_s: float) -> None:
        """Add titrant to the finished run: pictures and readings count again from now on.

        Raises
        ------
        Problem
            The run was discarded, the flask is not in view, or the journal has no room.
        """
        parts = self._parts
        with parts.lock:
            if self.discarded is not None:
                raise RecordProblem("This run is discarded.", "Take that back first.")
            parts.view.found()
            self.restore(parts.keeper.go_on(now_s), now_s)
            parts.classroom.forget(parts.keeper.run or 0)
            self._advice.forget()
            self.over = False
            self.version += 1

    def restore(self, events: Sequence[Kept], now_s: float) -> None:
        """Take volumes, colours and region from the journal, to go on from there.

        Parameters
        ----------
        events:
            Of the run, as `OpenRun.resume` or `OpenRun.go_on` returns them.
        now_s:
            Time on the clock of the session.

        Raises
        ------
        Problem
            The run broke off before it began, or nothing says where the burette is.
        """
        parts, mode = self._parts, self.setting.mode
        old = resumed_run(events, self.setting, now_s)
        region = parts.keeper.kept_region()
        if region is not None and parts.view.fits(region):
            # The same pixels as before the break; the watch sees whether the camera moved.
            parts.view.look_at(region)
        parts.keeper.shift_s = old.shift_s
        parts.burette.go_on(mode, old.seen, self.setting.division_ml)
        parts.view.put(old.colours)
        self.volumes, self.changed = old.volumes, True
        if mode == "drops":
            parts.notices.raise_("drops-unseen", now_s, over=True)
        if mode == "pump" and not old.sure:
            parts.notices.raise_("break-unknown", now_s)

    def discard(self, reason: str) -> None:
        """The finished run does not count; the journal keeps it.

        Raises
        ------
        Problem
            It is discarded already, or the journal has no room.
        """
        with self._parts.lock:
            if self.discarded is not None:
                raise RecordProblem("This run is discarded already.", "Begin the next one.")
            number = self._parts.keeper.append(Discarded(reason))
            self.discarded = (number, reason)
            self._parts.classroom.forget(self._parts.keeper.run or 0)
            self._list()

    def take_back(self) -> None:
        """The run that was discarded counts again.

        Raises
        ------
        Problem
            It was not discarded, or the journal has no room.
        """
        with self._parts.lock:
            if self.discarded is None:
                raise RecordProblem("This run is not discarded.", "Nothing need be done.")
            self._parts.keeper.append(Undo(self.discarded[0]))
            self.discarded = None
            self._teach()
            self._list()

    def _asked(self) -> Asked:
        return self._advice.asked

    def _again(self) -> None:
        """Work out the result anew, if there is one."""
        if self.over:
            self._settle(self._concluded_s)

    def _settle(self, now_s: float) -> None:
        """Make and keep the result of all that is kept."""
        with self._concluding:
            self._conclude(now_s, final=True)
            with self._parts.lock:
                self._close()

    def _close(self) -> None:
        parts = self._parts
        parts.keeper.end(self.document)
        self.over = True
        parts.burette.stop()
        self._teach()
        self._list()
        for code in _OF_A_RUN:
            parts.notices.clear(code)

    def _teach(self) -> None:
        result, document, keeper = self.result, self.document, self._parts.keeper
        if result is not None and document is not None and self.discarded is None:
            replicate = replicate_of(self.setting.label, result, document, keeper.run or 0)
            self._parts.classroom.add(replicate)

    def _list(self) -> None:
        """List the replicates anew."""
        parts = self._parts
        with contextlib.suppress(JournalProblem):
            parts.classroom.series = series_of(parts.keeper.series())
        self.version += 1

    def _conclude(self, now_s: float, *, final: bool = False) -> None:
        parts, setting = self._parts, self.setting
        with parts.lock:
            self._concluded_s, self.changed = now_s, False
        try:
            result = self._final() if final else self._so_far()
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
            if final:
                return
            found = {"status": result.status, "equivalence_ml": document["equivalence_ml"]}
            parts.keeper.verdict({"time_s": now_s, **found})
            moment = parts.classroom.taught(
                self._moment(now_s),
                setting.label,
                self._job.flask_ml,
                self._job.titrant_mol_l.value,
            )
        self._advice.think(result, moment, self._final)

    def _so_far(self) -> Result:
        """Result of what was seen so far."""
        parts = self._parts
        with parts.lock:
            volumes, region = self.volumes, parts.view.region
        asked_s = volumes.asked_s if isinstance(volumes, Readings) else ()
        trace, sight = parts.view.trace(volumes.times_s, asked_s)
        return result_of_run(self._job, volumes, trace, region, parts.details, sight=sight)

    def _final(self) -> Result:
        """Result of what the journal holds, as an export of the run gives it."""
        parts = self._parts
        with parts.lock:
            events, volumes, region = parts.keeper.events(), self.volumes, parts.view.region
        result = ended_result(self._job, events, volumes, region, parts.details)
        # Nothing was delivered: that is a result too.
        return self._so_far() if result is None else result

    def guidance(self, now_s: float) -> Guidance:
        """What to do now: the last guidance, unless the view is lost or titrant was just added."""
        with self._parts.lock:
            return self._advice.now(self._moment(now_s))

    def _moment(self, now_s: float) -> Moment:
        notices, view = self._parts.notices, self._parts.view
        raised = {n.code for n in notices.current(now_s) if not n.over}
        hidden = bool(raised & {"view", "camera-silent"})
        volumes = self.volumes
        calm_s = volumes.calm_s if isinstance(volumes, Pump) else volumes.times_s
        sight = view.sight(calm_s)
        return moment_of(now_s, self.volumes, None if hidden else view.blueness(), sight)
