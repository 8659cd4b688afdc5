"""Between the pages, the pictures and the session: threads for slow work, newest frames only."""

from __future__ import annotations

import asyncio
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from calibration.problem import Problem
from endpoint.bench.live.session import LiveSession
from endpoint.bench.web.incoming_picture import Transit
from endpoint.bench.web.page_state import curve_of_session, state_of_session
from endpoint.bench.web.papers import Papers
from endpoint.bench.web.protocol import Command, Picture, ProtocolProblem, decode
from endpoint.problems import RecordProblem
from endpoint.recording.frame import ArrayFrame, Box, Frame

MAX_CONNECTIONS = 12
"""Pages at once: a class in groups; each costs a state four times a second. Assumed."""
_TICK_S = 0.25
"""Time between two looks at the clock, and at the latest between two states of a page, s."""
_VIEWER_S = 0.2
"""Least time between two states for those who only watch, s."""
_PREVIEW_S = 0.4
_PREVIEW_SIDE = 480
"""Time between two small pictures, s, and their longer side in pixels: enough to see a hand in
view."""
_MOST_WAITING = 8
"""Pictures that wait while drops are counted, about a quarter of a second; more would delay the
guidance. Without drops only the newest counts."""
_SIDES = ("left", "top", "right", "bottom")


class BenchClock:
    """Clock of the session: steady, from 0, at k-fold speed for a film played faster."""

    def __init__(self, speed: float = 1.0, start_s: float = 0.0) -> None:
        self.speed, self._start_s, self._zero = speed, start_s, time.monotonic()

    def now(self) -> float:
        """Seconds of the session."""
        return self._start_s + (time.monotonic() - self._zero) * self.speed


@dataclass(eq=False)
class Page:
    """One connected page."""

    may_operate: bool
    operator: bool = False
    wake: asyncio.Event = field(default_factory=asyncio.Event)
    answers: deque[dict[str, Any]] = field(default_factory=deque)
    version: int = -1
    sent_s: float = -1.0
    preview: int = -1
    transit: Transit = field(default_factory=Transit)


@dataclass(frozen=True)
class _Waiting:
    page: Page
    picture: Picture
    time_s: float


class Hub:
    """Everything that the routes of the server share.

    A picture that comes while one is being measured waits; a newer one takes its place, and the
    page hears of it and may send the next. So a slow computer sees fewer pictures, never late
    ones. Only while drops are counted do a few wait, as every one may show a drop.
    """

    def __init__(self, session: LiveSession, clock: BenchClock, *, browser: bool) -> None:
        self.session, self.clock, self.browser = session, clock, browser
        self.papers = Papers(session)
        self.start_id = secrets.token_hex(8)
        self.pages: list[Page] = []
        self.preview: tuple[int, bytes] | None = None
        self.on_commands: list[Callable[[Command], None]] = []
        self._loop: asyncio.AbstractEventLoop | None = None
        self._fresh = threading.Condition()
        self._waiting: deque[_Waiting] = deque()
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._index = 0
        self._waking = False
        """Whether the pages will be woken anyway."""
        self._ticker: asyncio.Task[None] | None = None

    # Life ---------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the threads; call it within the event loop."""
        self._loop = asyncio.get_running_loop()
        self._stop.clear()
        self._threads = [
            threading.Thread(target=self._measure_all, name="bench-pictures", daemon=True),
            threading.Thread(target=self._conclude_all, name="bench-curve", daemon=True),
        ]
        for thread in self._threads:
            thread.start()
        self._ticker = asyncio.create_task(self._tick())

    async def stop(self) -> None:
        """End the threads."""
        self._stop.set()
        with self._fresh:
            self._fresh.notify_all()
        if self._ticker is not None:
            self._ticker.cancel()
        for thread in self._threads:
            await asyncio.to_thread(thread.join, 10.0)
        self.session.keeper.flush()

    @property
    def stopping(self) -> threading.Event:
        """Set when the server ends."""
        return self._stop

    async def _tick(self) -> None:
        while True:
            await asyncio.sleep(_TICK_S)
            await asyncio.to_thread(
                self.session.tick, self.clock.now(), time.monotonic(), time.time()
            )
            self._wake()

    def _wake(self) -> None:
        self._waking = False
        for page in self.pages:
            page.wake.set()

    def changed(self) -> None:
        """Wake the pages from any thread."""
        loop = self._loop
        if self._waking or loop is None or loop.is_closed() or self._stop.is_set():
            return
        self._waking = True
        loop.call_soon_threadsafe(self._wake)

    # Pages --------------------------------------------------------------------------------------

    def join(self, may_operate: bool, known: str = "") -> Page | None:
        """A page opens; None if there are too many of its kind.

        Viewers never take the operator's place. The first page that may becomes the operator.
        `known` is the `start_id` that the page saw before: one left open from an earlier start of
        the program comes back by itself, and must not be quicker than the one just opened.
        """
        if sum(page.may_operate == may_operate for page in self.pages) >= MAX_CONNECTIONS:
            return None
        page = Page(may_operate)
        left_open = known not in ("", self.start_id)
        if may_operate and not left_open and not any(other.operator for other in self.pages):
            page.operator = True
            self.session.page_back(self.clock.now())
        self.pages.append(page)
        page.wake.set()
        return page

    def leave(self, page: Page) -> None:
        """A page is gone."""
        self.pages.remove(page)
        if page.operator:
            self.session.page_left(self.clock.now())
        self._wake()

    def command(self, page: Page, command: Command) -> None:
        """Do what a page asks; slow for some, so call it off the event loop.

        Raises
        ------
        Problem
            It cannot be done; the page shows the sentence and the remedy.
        """
        if command.do == "take-over":
            self._take_over(page)
            return
        if not page.operator:
            raise ProtocolProblem(
                "This page can only watch.",
                "Use the page at the bench, or take over once that is closed.",
            )
        session, values, now = self.session, command.values, self.clock.now()
        sure = bool(values.get("sure"))
        acts: dict[str, Callable[[], None]] = {
            "begin": lambda: session.begin(values["form"], now, sure=sure),
            "reading": lambda: session.running().reading(values["ml"], now, sure=sure),
            "refill": lambda: session.running().refill(
                values["before_ml"], values["after_ml"], now
            ),
            "undo": lambda: session.shown().undo(),
            "correct": lambda: session.shown().correct(values["row"], values["ml"]),
            "pump-start": lambda: session.running().pump(True, now),
            "pump-stop": lambda: session.running().pump(False, now),
            "pump-rate": lambda: session.running().pump_rate(values["rate_ml_min"], now),
            "end-reading": lambda: session.shown().end_reading(values["ml"], now),
            "finish": lambda: session.finish(now),
            "watch": lambda: session.watch(values["way"], values["division_ml"]),
            "box": lambda: session.put_box(values["what"], Box(*(values[side] for side in _SIDES))),
            "no-box": lambda: session.put_box(values["what"], None),
            "next-body": session.next_body,
            "keep-body": session.keep_body,
            "point": lambda: session.point_at(values["x"], values["y"]),
            "again": session.again,
            "go-on": lambda: session.finished().go_on(now),
            "discard": lambda: session.finished().discard(values["reason"]),
            "take-back": lambda: session.finished().take_back(),
            "write-folder": self.papers.write_folder,
            "look-again": session.look_again,
            "ask": lambda: session.ask(now),
            "guess": lambda: session.guess(values["ml"]),
            "resume": lambda: session.resume(values["run"], now),
            "give-up": lambda: session.give_up(values["run"]),
        }
        acts[command.do]()
        for listener in self.on_commands:
            listener(command)

    def _take_over(self, page: Page) -> None:
        if not page.may_operate or any(p.operator for p in self.pages if p is not page):
            raise RecordProblem(
                "The page at the bench is still open.", "Close that page first, then take over."
            )
        if not page.operator:
            page.operator = True
            self.session.page_back(self.clock.now())

    def messages(self, page: Page) -> list[dict[str, Any] | bytes]:
        """What a page must hear now: answers, its state, the curve if it is new."""
        out: list[dict[str, Any] | bytes] = []
        while page.answers:
            out.append(page.answers.popleft())
        measured = bool(out)
        now = time.monotonic()
        due = measured if page.operator else now - page.sent_s >= _VIEWER_S
        if due or now - page.sent_s >= _TICK_S or self.session.version != page.version:
            state = state_of_session(self.session, self.clock.now(), operator=page.operator)
            state["role"] = "operator" if page.operator else "viewer"
            state["free"] = page.may_operate and not any(p.operator for p in self.pages)
            state["camera"] = "browser" if self.browser else "machine"
            state["start_id"] = self.start_id
            state["kept"] = self.papers.state()
            out.append(state)
            page.sent_s = now
            hidden = not page.operator and self.session.classroom.asked
            if state["version"] != page.version and not hidden:
                out.append(curve_of_session(self.session))
                page.version = state["version"]
        preview = self.preview
        if preview is not None and preview[0] != page.preview:
            page.preview = preview[0]
            out.append(preview[1])
        return out

    # Pictures -----------------------------------------------------------------------------------

    def picture(self, page: Page, picture: Picture) -> None:
        """A picture of a page has come in; the one that waited is dropped."""
        late_s = page.transit.delay_s(time.monotonic(), picture.sent_ms)
        time_s = self.clock.now() - (picture.age_s + late_s) * self.clock.speed
        room = _MOST_WAITING if self.session.burette.way == "drops" else 1
        with self._fresh:
            gone = [self._waiting.popleft() for _ in range(len(self._waiting) - room + 1)]
            self._waiting.append(_Waiting(page, picture, time_s))
            self._fresh.notify()
        for old in gone:
            old.page.answers.append({"say": "seen", "number": old.picture.number, "used": False})
            old.page.wake.set()

    def frame(self, frame: Frame) -> None:
        """A frame of a camera or film on this machine."""
        self.session.see(frame)
        self.session.keep_still(frame.time_s, lambda: jpeg_of(frame))
        self._preview(frame)
        self.changed()

    def _measure_all(self) -> None:
        while not self._stop.is_set():
            with self._fresh:
                while not self._waiting and not self._stop.is_set():
                    self._fresh.wait(0.5)
                waiting = self._waiting.popleft() if self._waiting else None
            if waiting is not None:
                self._measure(waiting)

    def _measure(self, waiting: _Waiting) -> None:
        answer: dict[str, Any] = {"say": "seen", "number": waiting.picture.number, "used": True}
        try:
            pixels = decode(waiting.picture)
            self._index += 1
            frame = ArrayFrame(self._index, waiting.time_s, pixels)
            self.session.see(frame)
            self.session.keep_still(frame.time_s, lambda: jpeg_of(frame))
            if not self.browser:
                self._preview(frame)
        except Problem as problem:
            answer |= {"used": False, "text": problem.sentence, "advice": problem.remedy}
        waiting.page.answers.append(answer)
        self.changed()

    def _conclude_all(self) -> None:
        while not self._stop.wait(0.1):
            now = self.clock.now()
            if self.session.look_at_burette(now):
                self.changed()
            run = self.session.run
            if run is not None and run.due(now):
                run.conclude(now)
                self.changed()

    def _preview(self, frame: Frame) -> None:
        """Small picture for the pages, where the browser has no camera of its own."""
        number = int(time.monotonic() / _PREVIEW_S)
        if self.preview is None or self.preview[0] != number:
            self.preview = (number, b"EPV1" + jpeg_of(frame, _PREVIEW_SIDE))


def jpeg_of(frame: Frame, side: int = 1920) -> bytes:
    """Picture as JPEG, thinned to at most `side` pixels."""
    import cv2

    step = max(1, -(-max(frame.width, frame.height) // side))
    small = np.ascontiguousarray(frame.rgb8()[::step, ::step, ::-1])
    good, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 85])
    return bytes(data.tobytes()) if good else b""
