"""A live run: frames and readings come in, the same result comes out as of a film.

The session has no clock and no disk of its own: times come with the calls, and what must outlive
the program goes to the journal. Frames and commands may come from different threads.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from endpoint.bench.guidance.ports import Guidance, Moment
from endpoint.bench.live.advice_in_force import moment_of
from endpoint.bench.live.classroom import Replicate, expected_ml
from endpoint.bench.live.conclude import result_of_run
from endpoint.bench.live.form import job_of, setting_from
from endpoint.bench.live.resume import gone_on
from endpoint.bench.live.volumes import PictureDelivery, Pump, Readings, Volumes, checked_ml
from endpoint.bench.live.watching import Watching
from endpoint.delivery.burette_rows import WAYS
from endpoint.problems import NotReady, RecordProblem, UnseenVolume
from endpoint.result.short_words import words_of

_UPDATE_S = 1.0
_VOLUME_S = 0.5
_MOST_REPLICATES = 50
_NOT_FOUND = "The flask and its reference are not found yet."
_FIND_IT = "Wait for the checks, or put the flask in the middle of the picture."


class LiveSession(Watching):
    """Everything that is known of the run that goes on at the bench; see `Watching`."""

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
                raise NotReady(_NOT_FOUND, _FIND_IT)
            self.seen.begin(setting.mode, setting.division_ml)
            self.form, self.setting, self._job = dict(form), setting, job
            self._clear()
            self.sight.forget_before(now_s)
            if setting.mode in WAYS:
                self.volumes = PictureDelivery(setting.mode, setting.first_reading_ml, now_s)
            elif setting.mode == "pump":
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
                raise NotReady(_NOT_FOUND, _FIND_IT)
            old = gone_on(self.keeper.resume(run), setting, now_s)
            region = self.keeper.kept_region()
            if region is not None and self.sight.fits(region):
                # The same pixels as before the break; that the camera moved is seen by the watch.
                self.sight.look_at(region)
            self.keeper.shift_s = old.shift_s
            self.seen.go_on(setting.mode, old.seen, setting.division_ml)
            self.form, self.setting, self.volumes = dict(entry["form"]), setting, old.volumes
            self._clear()
            self.sight.put(old.colours)
            self.unfinished = []
            self.phase, self._changed = "titrating", True
            self.version += 1
            if setting.mode == "drops":
                self.notices.raise_("drops-unseen", now_s, over=True)
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

    def end_reading(self, ml: float, now_s: float) -> None:
        """Take the reading at the end of a run that is read from the picture; the last counts.

        Raises
        ------
        Problem
            No such run goes on, or the reading is impossible.
        """
        with self.lock:
            self._must("titrating")
            volumes = self.volumes
            if not isinstance(volumes, PictureDelivery):
                raise RecordProblem(
                    "This run is not read from the picture.", "Type the readings as they come."
                )
            checked_ml(ml, "The end reading")
            if ml <= volumes.start_ml:
                raise RecordProblem(
                    f"The end reading {ml:.2f} mL is not above the start reading, "
                    f"{volumes.start_ml:.2f} mL.",
                    "A burette is read downwards from 0: look again.",
                )
            self._new_volumes(replace(volumes, end_ml=ml))
            self.keeper.note("reading", {"time_s": now_s, "reading_ml": ml})
            self._refresh()

    def look_at_burette(self, now_s: float) -> bool:
        """Find the burette in the set-up; in the run see what was delivered by now.

        Call it a few times a second, off the pictures. Returns whether there is news.
        """
        if self.phase == "set-up":
            return self.seen.search(now_s)
        if self.phase != "titrating" or not isinstance(self.volumes, PictureDelivery):
            return False
        if now_s - self._measured_s < _VOLUME_S:
            return False
        self._measured_s = now_s
        with self.lock:
            self._refresh()
        return True

    def _refresh(self) -> None:
        """Bring the volume up to what was seen, and keep that in the journal."""
        volumes, rows = self.volumes, self.seen.rows()
        if rows is None or not isinstance(volumes, PictureDelivery) or self.phase != "titrating":
            return
        self.keeper.seen(rows)
        now = volumes.with_rows(rows)
        if now.delivered_ml != volumes.delivered_ml:
            self._changed = True
        self.volumes = now

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
            self._refresh()
            self._may_finish()
            pump = self.volumes
            if isinstance(pump, Pump) and pump.start_s is not None:
                # It runs on until the last picture unless it was stopped.
                stop = now_s if pump.stop_s is None else pump.stop_s
                self.volumes = replace(pump, stop_s=stop)
            self.keeper.note("finish", {"time_s": now_s})
        with self._concluding:
            self._conclude(now_s, final=True)
            self._end()

    def _may_finish(self) -> None:
        volumes = self.volumes
        if not isinstance(volumes, PictureDelivery):
            return
        if volumes.way == "drops" and volumes.end_ml is None:
            raise RecordProblem(
                "The end reading is missing: drops alone do not say how much a drop holds.",
                "Read the burette, type the end reading, then finish.",
            )
        if volumes.trouble is not None and not isinstance(volumes.trouble, UnseenVolume):
            raise volumes.trouble

    def _end(self) -> None:
        with self.lock:
            self.phase = "result"
            self.seen.stop()
            if self.document is not None and self.setting is not None:
                words = words_of(self.document)
                self.replicates.append(Replicate(self.setting.label, self.document, words))
                del self.replicates[:-_MOST_REPLICATES]
            self.keeper.end(self.document)
            for code in ("view", "camera-silent", "source-ended", "too-seldom", "volume-unseen"):
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

    def _new_volumes(self, volumes: Volumes) -> None:
        self.volumes, self._changed = volumes, True

    def _readings(self) -> Readings:
        self._must("titrating")
        if isinstance(self.volumes, PictureDelivery):
            raise RecordProblem(
                "This run is read from the picture.", "Type only the end reading, at the end."
            )
        if not isinstance(self.volumes, Readings):
            raise RecordProblem("This run has a pump.", "Start and stop the pump instead.")
        return self.volumes

    def _clear(self) -> None:
        """Forget what is known of the run before."""
        self.result = self.document = self.question = None
        self._advice.forget()

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
            job, region = self._job, self.sight.region
        # A reading that is still to come cannot be waited for once the run has ended.
        stepwise = not isinstance(volumes, Pump) and not final
        trace, plume = self.sight.trace(volumes.times_s if stepwise else ())
        try:
            result = result_of_run(job, volumes, trace, region, self._details, final=final)
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
