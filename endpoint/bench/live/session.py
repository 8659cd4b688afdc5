"""A live run: frames and readings come in, the same result comes out as of a film.

The session has no clock and no disk of its own: times come with the calls, and what must outlive
the program goes to the journal. Frames and commands may come from different threads.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from calibration.problem import Problem
from endpoint.bench.guidance.setup_checks import Check, setup_checks
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.journal.run_record import inputs_before
from endpoint.bench.live.entries import BenchParts, first_volumes
from endpoint.bench.live.form import in_words, setting_from
from endpoint.bench.live.run import LiveRun
from endpoint.bench.live.volumes import (
    Readings,
    delivered_by,
    last_reading_ml,
)
from endpoint.colour.density import ColourSample
from endpoint.problems import RecordProblem, Unsure
from endpoint.record.certificates import certificates_in
from endpoint.recording.frame import Box, Frame

_COLOURS_S = 1.0 / 16.0
"""Least time between two colours while drops are counted, s. Assumed."""
_ONLY = {
    "set-up": "A run is in progress already.",
    "titrating": "No run is in progress.",
    "result": "There is no result yet.",
}


class LiveSession:
    """Everything that is known at the bench: the run in progress and those before it.

    Parameters
    ----------
    today:
        Day of the titration.
    journal:
        The store of events.
    details:
        Where the pictures come from.
    certificates:
        Folder of the certificates that can be chosen; None for none.
    """

    def __init__(
        self,
        *,
        today: datetime.date,
        journal: OpenRun,
        details: Mapping[str, str] | None = None,
        certificates: Path | None = None,
    ) -> None:
        self._parts = parts = BenchParts(journal, dict(details or {}))
        self.keeper, self.lock = parts.keeper, parts.lock
        self.view, self.burette = parts.view, parts.burette
        self.notices, self.classroom = parts.notices, parts.classroom
        self.run: LiveRun | None = None
        """The run in progress, or the last one while its result is shown."""
        self.today = today
        self.certificates = certificates or Path()
        self.offered = () if certificates is None else certificates_in(certificates)
        """Certificates that can be chosen."""
        self.form: dict[str, Any] = self.keeper.last_form()
        """Values of the set-up form: those of the last run, but for its start reading."""
        self.form.pop("first_reading_ml", None)
        self.last_reading_ml: float | None = None
        """Where the burette stood at the end of the run before; None if nobody read it."""
        self.source_ended = False
        """Whether a film that is played has come to its end: silence is not a fault then."""
        self.unfinished = self.keeper.unfinished()
        """Runs of the journal that were broken off."""
        self._version = 0
        self._colour_s = -math.inf

    # Pictures -----------------------------------------------------------------------------------

    def see(self, frame: Frame) -> None:
        """Take the next frame; its `time_s` is on the clock of the session and rises."""
        self.burette.see(frame)
        # Drops need every picture, the colour does not.
        if self.burette.way != "drops" or frame.time_s >= self._colour_s + _COLOURS_S:
            self._colour_s = frame.time_s
            self._keep(self.view.see(frame))
        with self.lock:
            self.notices.clear("camera-silent")

    def _keep(self, settled: list[ColourSample]) -> None:
        if not settled:
            return
        hidden = self.view.hidden()
        with self.lock:
            if self.phase == "titrating" and self.run is not None and not self.run.ending:
                self.run.changed = True
                for sample in settled:
                    self.keeper.colour(sample)
            self.notices.hold("view", settled[-1].time_s, hidden is not None, why=hidden)
            lost = self.phase == "set-up" and (self.view.lost_long() or self.view.changed)
        if lost:
            self.look_again()

    def keep_still(self, time_s: float, picture: Callable[[], bytes]) -> None:
        """Keep a picture of the run now and then; `picture` gives it as JPEG."""
        with self.lock:
            if self.phase == "titrating" and self.keeper.wants_still(time_s):
                self.keeper.still(time_s, picture())

    def end_of_source(self, now_s: float) -> None:
        """A film that is played as if live is over."""
        with self.lock:
            self.source_ended = True
            self.notices.raise_("source-ended", now_s, over=True)

    def start_of_source(self) -> None:
        """It is played from its start again."""
        with self.lock:
            self.source_ended = False
            self.notices.clear("source-ended")

    # Set-up -------------------------------------------------------------------------------------

    def checks(self, now_s: float) -> tuple[Check, ...]:
        """Lines of the set-up page."""
        found = setup_checks(self.view.set_up(now_s))
        return (*found, *self.burette.checks()) if self.view.last_s is not None else found

    def look_again(self) -> None:
        """Look for the flask again; only before the first addition.

        Raises
        ------
        RecordProblem
            The run has begun.
        """
        with self.lock:
            if self.phase == "titrating":
                raise RecordProblem(
                    "The bench cannot look for the flask again during a run.",
                    "Put it back on its mark, or finish the run.",
                )
            self.view.look_again()
            self.notices.clear("view")

    def put_box(self, what: str, box: Box | None) -> None:
        """Draw a box by hand, or take it away; only before the first addition.

        Parameters
        ----------
        what:
            "liquid", "reference", "burette" or "tip".
        box:
            In pixels of the pictures; None to look without it.

        Raises
        ------
        RecordProblem
            The run has begun, there is no picture yet, or the box holds none of it.
        """
        with self.lock:
            self._must("set-up")
            box = None if box is None else self.view.inside(box)
            if what in ("liquid", "reference"):
                self.view.put_box(what, box)
                self.notices.clear("view")
            else:
                self.burette.put_box(what, box)

    def next_body(self) -> None:
        """Take the next of what could be the liquid; only before the first addition.

        Raises
        ------
        RecordProblem
            The run has begun, or there is nothing else.
        """
        self._must("set-up")
        self.view.next_body()

    def point_at(self, x: float, y: float) -> None:
        """Take the liquid at a place of the picture, in its pixels.

        Raises
        ------
        RecordProblem
            The run has begun, or there is no liquid at this place.
        """
        self._must("set-up")
        self.view.point_at(x, y)

    def keep_body(self) -> None:
        """The liquid that was taken is the right one.

        Raises
        ------
        RecordProblem
            The run has begun.
        """
        self._must("set-up")
        self.view.keep()

    def watch(self, way: str, division_ml: float) -> None:
        """Choose in the set-up where the volume will come from: "typed", "meniscus", "drops"."""
        with self.lock:
            self._must("set-up")
            self.burette.want(way, division_ml)

    # The run ------------------------------------------------------------------------------------

    def begin(self, form: Mapping[str, Any], now_s: float, *, sure: bool = True) -> None:
        """Begin to titrate with what the form says.

        Parameters
        ----------
        form:
            Values of the set-up form.
        now_s:
            Time on the clock of the session.
        sure:
            Whether the person said so after a question: then a check may say that something is
            wrong.

        Raises
        ------
        Problem
            The form is not complete, the flask is not found yet, or a check says that something is
            wrong.
        """
        setting = setting_from(form)
        with self.lock:
            self._must("set-up")
            region = self.view.found()
            self._must_be_ready(now_s, sure)
            try:
                head = self.keeper.head_for(setting.record(), form, self.certificates)
                job = inputs_before(head, self.today)
            except Problem as problem:
                raise in_words(problem, setting) from None
            self.burette.begin(setting.mode, setting.division_ml)
            try:
                self.keeper.begin(head)
                volumes = first_volumes(self.keeper, setting, now_s)
            except Problem:
                self.keeper.leave()
                self.burette.stop()
                raise
            self.view.forget_before(now_s)
            self._open(LiveRun(self._parts, setting, job, volumes), form)
            self.keeper.region(region)

    def _must_be_ready(self, now_s: float, sure: bool) -> None:
        """Ask once whether to begin although a check says that something is wrong."""
        wrong = [check for check in self.checks(now_s) if check.mark == "fault"]
        if wrong and not sure:
            raise Unsure(wrong[0].text, f"{wrong[0].advice} Or start all the same.")

    def resume(self, name: str, now_s: float) -> None:
        """Resume a run that was interrupted.

        Raises
        ------
        Problem
            There is no such run, or the flask is not found yet.
        """
        with self.lock:
            self._must("set-up")
            entry = next((e for e in self.unfinished if str(e.run) == name), None)
            if entry is None:
                raise RecordProblem("The journal holds no such unfinished run.", "Begin a new run.")
            setting = setting_from(entry.head.form)
            job = inputs_before(entry.head, self.today)
            self.view.found()
            run = LiveRun(self._parts, setting, job, Readings())
            run.restore(self.keeper.resume(entry.run), now_s)
            self.unfinished = []
            self._open(run, entry.head.form)

    def _open(self, run: LiveRun, form: Mapping[str, Any]) -> None:
        self.run, self.form = run, dict(form)
        self.classroom.question = None
        self._version += 1

    def give_up(self, run: str) -> None:
        """Close a run that was broken off, without a result; it stays in the journal."""
        with self.lock:
            self._must("set-up")
            for entry in self.unfinished:
                if str(entry.run) == run:
                    self.keeper.give_up(entry.run)
            self.unfinished = [e for e in self.unfinished if str(e.run) != run]

    def running(self) -> LiveRun:
        """The run in progress, which takes readings and concludes.

        Raises
        ------
        RecordProblem
            There is none.
        """
        self._must("titrating")
        assert self.run is not None
        return self.run

    def shown(self) -> LiveRun:
        """The run in progress, or the one whose result is shown.

        Raises
        ------
        RecordProblem
            There is none.
        """
        return self.running() if self.run is None else self.run

    def finished(self) -> LiveRun:
        """The run whose result is shown.

        Raises
        ------
        RecordProblem
            There is none.
        """
        self._must("result")
        assert self.run is not None
        return self.run

    def finish(self, now_s: float) -> None:
        """End the run; what is kept by now makes its result.

        Raises
        ------
        Problem
            No run is in progress, or something is missing that only a person can give.
        """
        with self.lock:
            run = self.running()
            self._keep(self.view.rest())
        run.finish(now_s)

    def again(self) -> None:
        """Go back to the set-up for the next replicate: the form forgets the start reading."""
        with self.lock:
            self._must("result")
            assert self.run is not None
            self._version += self.run.version + 1
            self.last_reading_ml = last_reading_ml(self.run.volumes)
            # The burette stands elsewhere now: the old start would be a false one.
            self.form.pop("first_reading_ml", None)
            self.run = self.classroom.question = None
            self.keeper.leave()
            self.look_again()

    # What the page shows ------------------------------------------------------------------------

    @property
    def phase(self) -> str:
        """Step of the work: "set-up", "titrating" or "result"."""
        if self.run is None:
            return "set-up"
        return "result" if self.run.over else "titrating"

    @property
    def version(self) -> int:
        """Counts conclusions, so that the page draws a curve only when it is new."""
        return self._version + (0 if self.run is None else self.run.version)

    @property
    def document(self) -> dict[str, Any] | None:
        """Document of the last conclusion of this run."""
        return None if self.run is None else self.run.document

    def delivered_ml(self, now_s: float) -> float:
        """Volume delivered by now."""
        return 0.0 if self.run is None else delivered_by(self.run.volumes, now_s)

    def look_at_burette(self, now_s: float) -> bool:
        """Find the burette in the set-up; in the run see what was delivered by now.

        Call it a few times a second, off the pictures. Returns whether there is news.
        """
        run = self.run
        return self.burette.search(now_s) if run is None else run.look_at_burette(now_s)

    # The class ----------------------------------------------------------------------------------

    def ask(self, now_s: float) -> None:
        """Ask the class for its prediction; viewers see no numbers until it is given."""
        with self.lock:
            self.running()
            self.classroom.ask(self.delivered_ml(now_s))

    def guess(self, ml: float) -> None:
        """Keep the prediction of the class; it is compared with the result.

        Raises
        ------
        RecordProblem
            No question is open.
        """
        with self.lock:
            self.classroom.guess(ml)
            self.keeper.note("guess", {"volume_ml": ml})

    # Time ---------------------------------------------------------------------------------------

    def tick(self, now_s: float, steady_s: float, wall_s: float) -> None:
        """Look at the clocks and the camera; call it a few times a second."""
        with self.lock:
            jump = self.notices.clock.jump_s(steady_s, wall_s)
            if jump:
                self.notices.raise_("clock-jumped", now_s, over=True, seconds=abs(jump))
                self.keeper.note("clock", {"time_s": now_s, "jump_s": jump})
            if self.phase != "result" and not self.source_ended:
                self.notices.tell_of_silence(self.view.last_s, now_s)
            volumes = None if self.run is None or self.run.over else self.run.volumes
            self.notices.tell_of_burette(self.burette, volumes, now_s)
            self.keeper.flush()
            trouble = self.keeper.trouble
            self.notices.hold("journal-full", now_s, trouble is not None, why=trouble)

    def page_left(self, now_s: float) -> None:
        """The page of the person at the bench is gone."""
        with self.lock:
            self.notices.away_s = now_s
            self.keeper.note("page", {"time_s": now_s, "open": False})

    def page_back(self, now_s: float) -> None:
        """It is there again; a notice says how long it was away."""
        with self.lock:
            gone = self.notices.back_after(now_s, running=self.phase == "titrating")
            if gone:
                self.keeper.note("page", {"time_s": now_s, "open": True})

    def _must(self, phase: str) -> None:
        if self.phase != phase:
            raise RecordProblem(_ONLY[phase], "Follow the steps on the page.")
