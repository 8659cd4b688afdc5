"""What a session knows and hears, whatever the run does: pictures, clocks, notices, the class."""

from __future__ import annotations

import datetime
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.result import Result
from endpoint.bench.guidance.plain_guidance import advise, check
from endpoint.bench.guidance.ports import Adviser, Check, Checker, Journal, MemoryJournal
from endpoint.bench.journal.keeping import Keeper
from endpoint.bench.live.advice_in_force import Advising
from endpoint.bench.live.burette import LEAST_RATE, SeenLive
from endpoint.bench.live.camera_view import Sight
from endpoint.bench.live.classroom import Question, Replicate
from endpoint.bench.live.form import Setting
from endpoint.bench.live.notices import ClockWatch, NoticeBoard, silent_for
from endpoint.bench.live.volumes import PictureDelivery, Volumes, delivered_by
from endpoint.colour.density import ColourSample
from endpoint.problems import RecordProblem, UnseenVolume
from endpoint.recording.frame import Box, Frame

_COLOURS_S = 1.0 / 16.0
_LEAST_SIDE = 8
_BY_HAND = (
    "What is seen from now on is kept. If it stays so, finish; for the next run draw the box by "
    "hand, or choose to type the readings."
)
_ONLY = {
    "set-up": "A run goes on already.",
    "titrating": "No run goes on.",
    "result": "There is no result yet.",
}


class Watching:
    """The part of a session that does not depend on how the run is done.

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
        self.seen = SeenLive()
        self.keeper = Keeper(journal or MemoryJournal())
        self.phase = "set-up"
        self.form: dict[str, Any] = {}
        self.setting: Setting | None = None
        self.replicates: list[Replicate] = []
        self.question: Question | None = None
        self.result: Result | None = None
        self.document: dict[str, Any] | None = None
        self.volumes: Volumes | None = None
        self.source_ended = False
        """Whether a film that is played has come to its end: silence is no fault then."""
        self.version = 0
        """Counts conclusions, so that the page draws a curve only when it is new."""
        self._describe, self._checker = describe, checker
        self._today, self._details = today, dict(details or {})
        self._job: AnalysisInputs | None = None
        self._concluded_s = -np.inf
        self._colour_s = self._measured_s = -np.inf
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
        self.seen.see(frame)
        # Drops need every picture, the colour does not.
        if self.seen.way != "drops" or frame.time_s >= self._colour_s + _COLOURS_S:
            self._colour_s = frame.time_s
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

    # Boxes by hand ------------------------------------------------------------------------------

    def put_box(self, what: str, box: Box | None) -> None:
        """Draw a box by hand, or take it away; only before the first addition.

        Parameters
        ----------
        what:
            "liquid", "reference", "burette" or "tip".
        box:
            In pixels of the pictures; None to look for it without.

        Raises
        ------
        RecordProblem
            The run has begun, there is no picture yet, or the box holds none of it.
        """
        with self.lock:
            self._must("set-up")
            if box is not None:
                box = self._inside(box)
            if what in ("liquid", "reference"):
                self.sight.boxes.pop(what, None)
                if box is not None:
                    self.sight.boxes[what] = box
                self.look_again()
            else:
                self.seen.put_box(what, box)

    def _inside(self, box: Box) -> Box:
        if self.sight.size is None:
            raise RecordProblem("There is no picture yet.", "Start the camera first.")
        width, height = self.sight.size
        inside = Box(box.left, box.top, min(box.right, width), min(box.bottom, height))
        if inside.width < _LEAST_SIDE or inside.height < _LEAST_SIDE:
            raise RecordProblem(
                f"The box is less than {_LEAST_SIDE} pixels wide or high in the picture of "
                f"{width} x {height} pixels.",
                "Draw it larger: left and top first, then right and bottom.",
            )
        return inside

    def watch(self, way: str, division_ml: float) -> None:
        """Choose in the set-up where the volume will come from: "typed", "meniscus", "drops"."""
        with self.lock:
            self._must("set-up")
            self.seen.want(way, division_ml)

    # The class ----------------------------------------------------------------------------------

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

    def delivered_ml(self, now_s: float) -> float:
        """Volume delivered by now."""
        return delivered_by(self.volumes, now_s)

    def checks(self, now_s: float) -> tuple[Check, ...]:
        """Lines of the set-up page."""
        found = self._checker(self.sight.set_up(now_s))
        return (*found, *self.seen.checks()) if self.sight.last_s is not None else found

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
            self._tell_of_burette(now_s)
            self.keeper.flush()
            if self.keeper.trouble is None:
                self.notices.clear("journal-full")
            else:
                self.notices.raise_("journal-full", now_s, why=self.keeper.trouble)

    def _tell_of_burette(self, now_s: float) -> None:
        """Notices of a volume that is read from the picture."""
        volumes, rate = self.volumes, self.seen.too_seldom()
        running = self.phase == "titrating" and isinstance(volumes, PictureDelivery)
        if running and rate is not None:
            self.notices.raise_("too-seldom", now_s, rate=rate, least=LEAST_RATE)
        else:
            self.notices.clear("too-seldom")
        why = self.seen.trouble or (
            volumes.trouble if isinstance(volumes, PictureDelivery) else None
        )
        early = (
            isinstance(volumes, PictureDelivery)
            and volumes.logged is None
            and self.seen.young(now_s)
        )
        if running and why is not None and not early:
            remedy = _BY_HAND if isinstance(why, UnseenVolume) else why.remedy
            self.notices.raise_("volume-unseen", now_s, why=why.sentence, remedy=remedy)
        else:
            self.notices.clear("volume-unseen")

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

    def _must(self, phase: str) -> None:
        if self.phase != phase:
            raise RecordProblem(_ONLY[phase], "Follow the steps on the page.")
