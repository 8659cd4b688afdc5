"""A live run: frames and readings come in, the same result comes out as of a film.

The session has no clock and no disk of its own: times come with the calls, and what must outlive
the program goes to the journal. Frames and commands may come from different threads.
"""

from __future__ import annotations

import datetime
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from endpoint.bench.advising import Advising, moment_of
from endpoint.bench.going_on import gone_on
from endpoint.bench.keeping import Keeper
from endpoint.bench.notices import ClockWatch, NoticeBoard, silent_for
from endpoint.bench.plain_guidance import advise, check
from endpoint.bench.ports import (
    Adviser,
    Check,
    Checker,
    Guidance,
    Journal,
    MemoryJournal,
    Moment,
)
from endpoint.bench.setting import Setting, job_of, setting_from
from endpoint.bench.sight import Sight
from endpoint.bench.teaching import Question, Replicate, expected_ml
from endpoint.bench.volumes import Pump, Readings, delivered_by
from endpoint.colour import ColourSample
from endpoint.curve import from_colour
from endpoint.job import Job
from endpoint.pipeline import Result, conclude
from endpoint.problems import RecordProblem
from endpoint.sources.frame import Frame

_UPDATE_S = 1.0
_MOST_REPLICATES = 50
_NOT_FOUND = "The flask and its reference are not found yet."
_FIND_IT = "Wait for the checks, or put the flask in the middle of the picture."
_ONLY = {
    "set-up": "A run goes on already.",
    "titrating": "No run goes on.",
    "result": "There is no result yet.",
}


class LiveSession:
    """Everything that is known of the run that goes on at the bench.

    Parameters
    ----------
    describe:
        Turns a result into the document that `endpoint locate --json` prints.
    today:
        Day of the titration.
    adviser, checker, journal:
        Guidance, checks of the set-up, and the store of events.
    details:
        Provenance of the pictures.
    """

    def __init__(
        self,
        *,
        describe: Callable[[Result, Setting], dict[str, Any]],
        today: datetime.date,
        adviser: Adviser = advise,
        checker: Checker = check,
        journal: Journal | None = None,
        details: Mapping[str, str] | None = None,
    ) -> None:
        self.lock = threading.RLock()
        self.sight = Sight()
        self.notices = NoticeBoard()
        self.keeper = Keeper(journal or MemoryJournal())
        self.phase = "set-up"
        self.form: dict[str, Any] = {}
        self.setting: Setting | None = None
        self.replicates: list[Replicate] = []
        self.question: Question | None = None
        self.result: Result | None = None
        self.document: dict[str, Any] | None = None
        self.volumes: Readings | Pump | None = None
        self.source_ended = False
        """Whether a film that is played has come to its end: silence is no fault then."""
        self.version = 0
        """Counts conclusions, so that the page draws a curve only when it is new."""
        self._describe, self._checker = describe, checker
        self._today, self._details = today, dict(details or {})
        self._job: Job | None = None
        self._concluded_s = -np.inf
        self._changed = False
        self.unfinished = self.keeper.unfinished()
        """Runs of the journal that were broken off."""
        self._concluding = threading.Lock()
        self._clock = ClockWatch()
        self._away_s: float | None = None
        self._advice = Advising(adviser)

    # Pictures -----------------------------------------------------------------------------------

    def see(self, frame: Frame) -> None:
        """Take the next frame; its `time_s` is on the clock of the session and rises."""
        self._keep(self.sight.see(frame))
        with self.lock:
            self.notices.clear("camera-silent")

    def _keep(self, settled: list[ColourSample]) -> None:
        if not settled:
            return
        hidden = self.sight.hidden()
        with self.lock:
            if self.phase == "titrating":
                for sample in settled:
                    self.keeper.colour(sample)
            self._changed = True
            if hidden is None:
                self.notices.clear("view")
            else:
                self.notices.raise_("view", settled[-1].time_s, why=hidden)
            lost = self.phase == "set-up" and self.sight.lost_long()
        if lost:
            self.look_again()

    def keep_still(self, time_s: float, picture: Callable[[], bytes]) -> None:
        """Keep a picture of the run now and then; `picture` gives it as JPEG."""
        with self.lock:
            if self.phase == "titrating" and self.keeper.wants_still(time_s):
                self.keeper.still(time_s, picture())

    def look_again(self) -> None:
        """Look for the flask anew; only before the first addition.

        Raises
        ------
        RecordProblem
            The run has begun.
        """
        with self.lock:
            if self.phase == "titrating":
                raise RecordProblem(
                    "The flask cannot be looked for anew within a run.",
                    "Put it back on its mark, or finish the run.",
                )
            self.sight.look_again()
            self.notices.clear("view")

    # The run ------------------------------------------------------------------------------------

    def begin(self, form: Mapping[str, Any], now_s: float) -> None:
        """Begin to titrate with what the form says.

        Raises
        ------
        Problem
            The form is not complete, or the flask is not found yet.
        """
        setting = setting_from(form)
        job = job_of(setting, self._today)
        with self.lock:
            self._must("set-up")
            if self.sight.region is None:
                raise RecordProblem(_NOT_FOUND, _FIND_IT)
            self.form, self.setting, self._job = dict(form), setting, job
            self._clear()
            self.sight.forget_before(now_s)
            if setting.mode == "pump":
                self.volumes = Pump(float(setting.rate_ml_min or 0.0))
            else:
                self.volumes = Readings.start(now_s, setting.first_reading_ml)
            self.phase = "titrating"
            self.version += 1
            self.keeper.begin({"record": setting.record(), "form": dict(form)})
            self.keeper.note("begin", {"time_s": now_s})
            self.keeper.region(self.sight.region)

    def resume(self, run: str, now_s: float) -> None:
        """Go on with a run that was broken off.

        Raises
        ------
        Problem
            There is no such run, or the flask is not found yet.
        """
        with self.lock:
            self._must("set-up")
            entry = next((e for e in self.unfinished if e["run"] == run), None)
            if entry is None:
                raise RecordProblem("There is no such run to go on with.", "Begin a new run.")
            setting = setting_from(entry["form"])
            self._job = job_of(setting, self._today)
            if self.sight.region is None:
                raise RecordProblem(_NOT_FOUND, _FIND_IT)
            old = gone_on(self.keeper.resume(run), setting, now_s)
            region = self.keeper.kept_region()
            if region is not None and self.sight.fits(region):
                # The same pixels as before the break; that the camera moved is seen by the watch.
                self.sight.look_at(region)
            self.keeper.shift_s = old.shift_s
            self.form, self.setting, self.volumes = dict(entry["form"]), setting, old.volumes
            self._clear()
            self.sight.put(old.colours)
            self.unfinished = []
            self.phase, self._changed = "titrating", True
            self.version += 1
            if setting.mode == "pump" and not old.sure:
                self.notices.raise_("break-unknown", now_s)

    def give_up(self, run: str) -> None:
        """Close a run that was broken off, without a result; it stays in the journal."""
        with self.lock:
            self._must("set-up")
            if any(entry["run"] == run for entry in self.unfinished):
                self.keeper.resume(run)
                self.keeper.end(None)
            self.unfinished = [e for e in self.unfinished if e["run"] != run]

    def reading(self, ml: float, now_s: float) -> None:
        """Take a burette reading, which tells the volume delivered by now.

        Raises
        ------
        Problem
            The reading is impossible, or no burette run goes on.
        """
        with self.lock:
            readings = self._readings().add(now_s, ml)
            self._new_volumes(readings)
            when = readings.rows[-1].time_s
            self.keeper.note("reading", {"time_s": when, "reading_ml": ml})

    def undo(self, now_s: float) -> None:
        """Take back the last reading; the journal keeps it, and that it was taken back."""
        with self.lock:
            self._new_volumes(self._readings().undo())
            self.keeper.note("undo", {"time_s": now_s})

    def correct(self, row: int, ml: float, now_s: float) -> None:
        """Correct a reading; the journal keeps both."""
        with self.lock:
            self._new_volumes(self._readings().correct(row, ml))
            self.keeper.note("correction", {"time_s": now_s, "row": row, "reading_ml": ml})

    def pump(self, run: bool, now_s: float) -> None:
        """The pump is started (True) or stopped (False) now.

        Raises
        ------
        RecordProblem
            No pump run goes on, or it is started twice or stopped before it was started.
        """
        with self.lock:
            self._must("titrating")
            pump = self.volumes
            if not isinstance(pump, Pump):
                raise RecordProblem("This run has no pump.", "Type the readings of the burette.")
            if run == (pump.start_s is not None) or pump.stop_s is not None:
                raise RecordProblem(
                    "The pump was started before." if run else "The pump is not running.",
                    "Finish the run and begin another to start over.",
                )
            started, stopped = (now_s, None) if run else (pump.start_s, now_s)
            self._new_volumes(replace(pump, start_s=started, stop_s=stopped))
            self.keeper.note("pump", {"time_s": now_s, "run": run})

    def finish(self, now_s: float) -> None:
        """End the run; the last conclusion is its result."""
        with self.lock:
            self._must("titrating")
            self._keep(self.sight.rest())
            pump = self.volumes
            if isinstance(pump, Pump) and pump.start_s is not None:
                # It runs on until the last picture unless it was stopped.
                stop = now_s if pump.stop_s is None else pump.stop_s
                self.volumes = replace(pump, stop_s=stop)
            self.keeper.note("finish", {"time_s": now_s})
        with self._concluding:
            self._conclude(now_s, final=True)
            self._end()

    def _end(self) -> None:
        with self.lock:
            self.phase = "result"
            if self.document is not None and self.setting is not None:
                self.replicates.append(Replicate(self.setting.label, self.document))
                del self.replicates[:-_MOST_REPLICATES]
            self.keeper.end(self.document)
            for code in ("view", "camera-silent", "source-ended"):
                self.notices.clear(code)
            self.version += 1

    def again(self) -> None:
        """Go back to the set-up for the next replicate; the form keeps its values."""
        with self.lock:
            self._must("result")
            self.phase = "set-up"
            self.volumes = None
            self._clear()
            self.version += 1
            self.look_again()

    def ask(self, now_s: float) -> None:
        """Ask the class for its prediction; viewers see no numbers until it is given."""
        with self.lock:
            self._must("titrating")
            self.question = Question(self.delivered_ml(now_s))

    def guess(self, ml: float) -> None:
        """Keep the prediction of the class; it is compared with the result.

        Raises
        ------
        RecordProblem
            No question is open.
        """
        with self.lock:
            if self.question is None:
                raise RecordProblem("No question is open.", "Ask the class first.")
            self.question = replace(self.question, guess_ml=ml, open=False)
            self.keeper.note("guess", {"volume_ml": ml})

    def _new_volumes(self, volumes: Readings | Pump) -> None:
        self.volumes, self._changed = volumes, True

    def _readings(self) -> Readings:
        self._must("titrating")
        if not isinstance(self.volumes, Readings):
            raise RecordProblem("This run has a pump.", "Start and stop the pump instead.")
        return self.volumes

    def _clear(self) -> None:
        """Forget what is known of the run before."""
        self.result = self.document = self.question = None
        self._advice.forget()

    def _must(self, phase: str) -> None:
        if self.phase != phase:
            raise RecordProblem(_ONLY[phase], "Follow the steps on the page.")

    # Time ---------------------------------------------------------------------------------------

    def tick(self, now_s: float, steady_s: float, wall_s: float) -> None:
        """Look at the clocks and the camera; call it a few times a second."""
        with self.lock:
            jump = self._clock.jump_s(steady_s, wall_s)
            if jump:
                self.notices.raise_("clock-jumped", now_s, over=True, seconds=abs(jump))
                self.keeper.note("clock", {"time_s": now_s, "jump_s": jump})
            silent = silent_for(self.sight.last_s, now_s)
            if silent and self.phase != "result" and not self.source_ended:
                self.notices.raise_("camera-silent", now_s, seconds=silent)
            self.keeper.flush()
            if self.keeper.trouble is None:
                self.notices.clear("journal-full")
            else:
                self.notices.raise_("journal-full", now_s, why=self.keeper.trouble)

    def page_left(self, now_s: float) -> None:
        """The page of the person at the bench is gone."""
        with self.lock:
            self._away_s = now_s
            self.keeper.note("page", {"time_s": now_s, "open": False})

    def page_back(self, now_s: float) -> None:
        """It is there again; how long it was away is said."""
        with self.lock:
            if self._away_s is not None and self.phase == "titrating":
                gone = now_s - self._away_s
                self.notices.raise_("page-away", now_s, over=True, seconds=gone)
                self.keeper.note("page", {"time_s": now_s, "open": True})
            self._away_s = None

    # Conclusions --------------------------------------------------------------------------------

    def due(self, now_s: float) -> bool:
        """Whether it is time for a new conclusion: at most once a second."""
        return (
            self.phase == "titrating" and self._changed and now_s - self._concluded_s >= _UPDATE_S
        )

    def conclude(self, now_s: float) -> None:
        """Work out curve, fit and verdict of all that was seen; slow, call it off the frames."""
        with self._concluding:
            # The run may have ended while this waited for another conclusion.
            if self.phase == "titrating":
                self._conclude(now_s)

    def _conclude(self, now_s: float, *, final: bool = False) -> None:
        with self.lock:
            self._concluded_s, self._changed = now_s, False
            volumes, setting = self.volumes, self.setting
            if self._job is None or volumes is None or setting is None:
                return
            job = replace(self._job, delivery=volumes.delivery())
            region = self.sight.region
        # A reading that is still to come cannot be waited for once the run has ended.
        stepwise = isinstance(volumes, Readings) and not final
        trace, plume = self.sight.trace(volumes.times_s if stepwise else ())
        assert job.delivery is not None
        try:
            curve = from_colour(trace, job.delivery, job.flask_ml, job.priors.lag_s[0])
            result = conclude(job, curve, region, (), self._details)
            document = self._describe(result, setting)
        except (ValueError, ArithmeticError, np.linalg.LinAlgError) as error:
            with self.lock:
                self.notices.raise_("analysis", now_s)
                self.keeper.note("fault", {"time_s": now_s, "what": type(error).__name__})
            return
        with self.lock:
            self.notices.clear("analysis")
            self.result, self.document = result, document
            self.version += 1
            told = {"status": result.status, "equivalence_ml": document["equivalence_ml"]}
            self.keeper.note("verdict", {"time_s": now_s, **told})
            taught = expected_ml(
                self.replicates, setting.label, job.flask_ml, setting.titrant_mol_l
            )
            moment = replace(self._moment(now_s), plume=plume, expected_ml=taught)
        self._advice.think(result, moment)

    def guidance(self, now_s: float) -> Guidance:
        """What to do now: the last advice, unless nothing is seen or titrant was just added."""
        with self.lock:
            return self._advice.now(self._moment(now_s))

    def _moment(self, now_s: float) -> Moment:
        told = {n.code for n in self.notices.current(now_s) if not n.over}
        return moment_of(
            now_s,
            self.volumes,
            None if self._job is None else self._job.lag_s,
            None if told & {"view", "camera-silent"} else self.sight.blueness(),
        )

    def checks(self, now_s: float) -> tuple[Check, ...]:
        """Lines of the set-up page."""
        return self._checker(self.sight.set_up(now_s))

    def delivered_ml(self, now_s: float) -> float:
        """Volume delivered by now."""
        return delivered_by(self.volumes, now_s)
