"""The burette in live pictures: where it is, whether it can be read, and what is seen of it.

Pictures come from one thread and questions from others. Every picture costs a bounded time: the
meniscus is looked at ten times a second, drops in every picture; the slow search for the burette
runs in another thread.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.bench.guidance.setup_checks import Check
from endpoint.burette.burette_rows import WAYS, BuretteRows, DropTally
from endpoint.burette.burette_search import burette_in
from endpoint.burette.drops import DropCounter
from endpoint.burette.meniscus import MeniscusFollower
from endpoint.problems import DeliveryProblem, RecordProblem
from endpoint.recording.frame import Box, Frame

LEAST_RATE = 25.0
"""Pictures a second below which a drop may fall between two of them. It falls through the 3 cm
below a tip in 0.08 s, which is two pictures."""
_RATE_SLACK = 0.96
_RATE_S = 3.0
"""Part of `LEAST_RATE` that still counts as reached, so that a camera of 25 pictures a second
passes with one of them lost, and the time over which the rate is taken, s. Assumed."""
_BETWEEN_S, _MANY_ROWS, _SELDOM_S = 0.09, 20_000, 1.0
"""Least time between two looks at a meniscus, s, the looks after which they become seldom, and the
time between two from then on, s: half an hour is kept in full. Assumed."""
_TRY_LOOKS, _TRY_AGAIN_S = 8, 3.0
"""Looks of one trial before a run, and the time between two trials, s. Assumed."""
_SEARCH_S = 4.0
"""Time between two searches for tube or tip, s: a search costs more than a look. Assumed."""
_YOUNG_S = 4.0
"""Time after the begin within which what was not found yet is no fault, s. Assumed."""
_TITLES = {"meniscus": "burette", "drops": "tip"}


@dataclass(frozen=True)
class _Tried:
    """What a few pictures of the set-up gave."""

    tube: bool
    meniscus: bool = False
    lines: bool = False
    why: str = ""


class LiveBurette:
    """What the pictures show of the burette."""

    def __init__(self) -> None:
        self.way = "typed"
        """"typed", "meniscus" or "drops"."""
        self.division_ml = 0.1
        self.boxes: dict[str, Box] = {}
        """Drawn by hand: "burette", "tip"."""
        self.found: Box | None = None
        """Burette that was found without a box."""
        self.trouble: DeliveryProblem | None = None
        """Why pictures can no longer be read in this run."""
        self._lock = threading.RLock()
        self._times: deque[float] = deque(maxlen=400)
        self._frame: Frame | None = None
        self._searched_s = self._last_s = self._tried_s = -np.inf
        self._looks = 0
        self._tip: NDArray[np.float32] | None = None
        """What the tip looked like in the last picture."""
        self._begun_s = -np.inf
        self._trial: MeniscusFollower | None = None
        self._tried: _Tried | None = None
        self._follower: MeniscusFollower | None = None
        self._counter: DropCounter | None = None
        self._before: BuretteRows | None = None

    # Set-up -------------------------------------------------------------------------------------

    @property
    def box(self) -> Box | None:
        """Where to look: by hand or found."""
        name = _TITLES.get(self.way)
        if name is None:
            return None
        return self.boxes.get(name) or (self.found if name == "burette" else None)

    def want(self, way: str, division_ml: float) -> None:
        """Choose where the volume comes from."""
        with self._lock:
            if (way, division_ml) != (self.way, self.division_ml):
                self.way, self.division_ml = way, division_ml
                self.found, self._searched_s = None, -np.inf
                self._forget_trial()

    def put_box(self, what: str, box: Box | None) -> None:
        """Look in a box drawn by hand, or look for the burette again."""
        with self._lock:
            self.boxes.pop(what, None)
            if box is not None:
                self.boxes[what] = box
            else:
                self.found, self._searched_s = None, -np.inf
            self._forget_trial()

    def _forget_trial(self) -> None:
        self._trial, self._tried, self._tried_s = None, None, -np.inf

    def search(self, now_s: float) -> bool:
        """Look for the burette if it is time to; slow, so off the pictures. True if it looked."""
        with self._lock:
            frame = self._frame
            due = self.way == "meniscus" and self.box is None and frame is not None
            if not due or now_s - self._searched_s < _SEARCH_S:
                return False
            self._searched_s, division_ml = now_s, self.division_ml
        assert frame is not None
        found = burette_in(frame, division_ml)
        with self._lock:
            if self.way == "meniscus" and self.division_ml == division_ml:
                self.found = found
        return True

    def rate(self) -> float | None:
        """Pictures a second over the last three seconds; None until that long is known."""
        with self._lock:
            times = np.array(self._times)
        if times.size < 2 or times[-1] - times[0] < _RATE_S:
            return None
        recent = times[times >= times[-1] - _RATE_S]
        return float((recent.size - 1) / (recent[-1] - recent[0])) if recent.size > 1 else 0.0

    def young(self, now_s: float) -> bool:
        """Whether the run began only seconds ago, so that nothing need be seen yet."""
        with self._lock:
            return now_s - self._begun_s < _YOUNG_S

    def too_seldom(self) -> float | None:
        """Pictures a second if they are too few for counting drops."""
        rate = self.rate() if self.way == "drops" else None
        return rate if rate is not None and rate < _RATE_SLACK * LEAST_RATE else None

    def checks(self) -> tuple[Check, ...]:
        """Lines of the set-up page; none where readings are typed."""
        with self._lock:
            if self.way == "drops":
                return (self._tip_line(), self._rate_line())
            return () if self.way == "typed" else (self._burette_line(), *self._read_lines())

    def _tip_line(self) -> Check:
        if "tip" in self.boxes:
            return Check("tip-box", "good", "The bench counts drops in the box below the tip.")
        return Check(
            "tip-box",
            "fault",
            "There is no box yet for the falling drops.",
            "Draw a box by hand from the tip of the burette down to the mouth of the flask.",
        )

    def _rate_line(self) -> Check:
        rate = self.rate()
        if rate is None:
            return Check("picture-rate", "wait", "Measuring the picture rate.")
        told = f"The camera gives {rate:.0f} pictures a second."
        if self.too_seldom() is None:
            return Check("picture-rate", "good", told)
        return Check(
            "picture-rate",
            "fault",
            f"{told} Counting drops needs {LEAST_RATE:.0f}.",
            "Type the readings instead, or use a faster camera or computer with more light.",
        )

    def _burette_line(self) -> Check:
        tried = self._tried
        if self.box is None:
            searched = self._searched_s > -np.inf
            return Check(
                "burette-found",
                "fault" if searched else "wait",
                "The bench cannot find the burette in the picture."
                if searched
                else "Looking for the burette.",
                "Show all of its graduated part, upright, against a plain background; or draw a "
                "box around it.",
            )
        if tried is not None and not tried.tube:
            return Check(
                "burette-found", "fault", tried.why, "Draw the box around the straight tube."
            )
        how = "in the box drawn by hand" if "burette" in self.boxes else "in the picture"
        return Check("burette-found", "good", f"The bench has found the burette {how}.")

    def _read_lines(self) -> tuple[Check, ...]:
        tried = self._tried
        if self.box is None or (tried is not None and not tried.tube):
            return ()
        if tried is None:
            return (Check("meniscus-found", "wait", "Looking for the meniscus."),)
        meniscus = Check("meniscus-found", "good", "The meniscus is in view.")
        if not tried.meniscus:
            meniscus = Check(
                "meniscus-found",
                "fault",
                "The bench cannot see the meniscus in the tube.",
                "The box must hold the meniscus and the tube below it; put a dark card behind.",
            )
        lines = Check("burette-lines", "good", "The bench can read the printed lines.")
        if not tried.lines:
            lines = Check(
                "burette-lines",
                "doubt",
                "The bench cannot read the printed lines: it has no volume before the end reading.",
                "Move the camera closer, choose the right volume between two lines, or go on and "
                "type the end reading.",
            )
        return meniscus, lines

    # Pictures -----------------------------------------------------------------------------------

    def see(self, frame: Frame) -> None:
        """Look at the next picture."""
        with self._lock:
            if self._times and frame.time_s <= self._times[-1]:
                return
            tip = self._tip_in(frame)
            if tip is not None and self._tip is not None and np.array_equal(tip, self._tip):
                # A camera gives its last picture once more, which hides what falls between.
                return
            self._tip = tip
            self._times.append(frame.time_s)
            self._frame = frame
            if self.way == "typed" or self.trouble is not None:
                return
            try:
                if self._counter is not None:
                    self._counter.add(frame, tip if self._counter.box == self.box else None)
                elif self._follower is not None:
                    self._look(self._follower, frame)
                elif self.way == "meniscus":
                    self._try(frame)
            except DeliveryProblem as problem:
                self.trouble = problem

    def _tip_in(self, frame: Frame) -> NDArray[np.float32] | None:
        """What the box of the drops shows, encoded; None without such a box in the picture."""
        box = self.boxes.get("tip") if self.way == "drops" else None
        if box is None or box.right > frame.width or box.bottom > frame.height:
            return None
        return frame.encoded(box)

    def _look(self, follower: MeniscusFollower, frame: Frame) -> None:
        between = _BETWEEN_S if self._looks < _MANY_ROWS else _SELDOM_S
        if frame.time_s > self._last_s + between:
            self._last_s, self._looks = frame.time_s, self._looks + 1
            follower.add(frame)

    def _try(self, frame: Frame) -> None:
        """See in a few pictures of the set-up whether the tube can be read."""
        box = self.box
        if box is None or frame.time_s < self._last_s + _BETWEEN_S:
            return
        if self._trial is None:
            if frame.time_s < self._tried_s + _TRY_AGAIN_S:
                return
            self._trial = MeniscusFollower(box)
        self._last_s = frame.time_s
        try:
            self._trial.add(frame)
        except DeliveryProblem as problem:
            self._tried, self._trial = _Tried(False, why=problem.sentence), None
            self._tried_s = frame.time_s
            return
        rows = self._trial.rows()
        if len(rows) < _TRY_LOOKS:
            return
        known = self._trial.full_tube()
        lines = known is not None and known.trace(rows).scale(self.division_ml, None) is not None
        self._tried = _Tried(True, known is not None, lines)
        self._trial, self._tried_s = None, frame.time_s

    # The run ------------------------------------------------------------------------------------

    def begin(self, way: str, division_ml: float) -> None:
        """Begin to read with the next picture.

        Raises
        ------
        RecordProblem
            Nothing says where to look, or pictures come too seldom.
        """
        with self._lock:
            self.stop()
            if way not in WAYS:
                self.want("typed", self.division_ml)
                return
            self.want(way, division_ml)
            box, seldom = self.box, self.too_seldom()
            if box is None:
                raise RecordProblem(
                    "The bench has not found the burette in the picture yet."
                    if way == "meniscus"
                    else "There is no box yet for the falling drops.",
                    "Draw a box by hand, or choose to type the readings.",
                )
            if seldom is not None:
                raise RecordProblem(
                    f"The camera gives only {seldom:.0f} pictures a second; counting drops needs "
                    f"{LEAST_RATE:.0f}.",
                    "Choose to type the readings.",
                )
            self._start(box)

    def _start(self, box: Box) -> None:
        self._last_s, self._looks, self.trouble = -np.inf, 0, None
        self._begun_s = self._times[-1] if self._times else -np.inf
        if self.way == "meniscus":
            self._follower = MeniscusFollower(box)
        else:
            self._counter = DropCounter(box)

    def go_on(self, way: str, before: BuretteRows | None, division_ml: float) -> None:
        """Resume a run that was interrupted, with what it had seen.

        Raises
        ------
        RecordProblem
            Nothing says where to look.
        """
        if before is None or (way == "meniscus" and before.tube is None):
            self.begin(way, division_ml)
            return
        if way == "drops":
            self.begin(way, division_ml)
            self._before = before
            return
        with self._lock:
            self.stop()
            self.way, self.division_ml, self.trouble = way, before.division_ml, None
            assert before.tube is not None
            self._last_s, self._looks = -np.inf, len(before.rows)
            self.boxes["burette"] = before.tube.tube.box
            self._follower = MeniscusFollower.going_on(before.tube, before.rows)

    def stop(self) -> None:
        """The run is over."""
        with self._lock:
            self._follower = self._counter = self._before = None
            self.trouble = None
            self._forget_trial()

    def rows(self) -> BuretteRows | None:
        """All that was seen in this run; None until there is something."""
        with self._lock:
            follower, counter, before = self._follower, self._counter, self._before
            if follower is not None:
                return BuretteRows(
                    "meniscus", follower.rows(), self.division_ml, tube=follower.full_tube()
                )
            if counter is None:
                return None
            counter = counter.snapshot()
        try:
            count = counter.result()
        except DeliveryProblem:
            return before
        span = count.last_s - count.first_s
        tally = DropTally(
            count.first_s,
            count.last_s,
            count.miss_chance * span,
            count.suspected_missed,
            count.stream_s,
        )
        rows = np.column_stack([count.time_s, count.sightings.astype(np.float64)]).reshape(-1, 2)
        if before is None or before.tally is None:
            return BuretteRows("drops", rows, tally=tally)
        later = rows[rows[:, 0] > before.tally.last_s]
        return replace(before, rows=np.vstack([before.rows, later]), tally=before.tally.then(tally))
