"""A bench that serves while a test runs, and a browser that looks at it."""

from __future__ import annotations

import contextlib
import datetime
import os
import shutil
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, ViewportSize, expect, sync_playwright

from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.live.session import LiveSession
from endpoint.bench.web.app import MAX_MESSAGE_BYTES, application
from endpoint.bench.web.hub import BenchClock, Hub
from endpoint.bench.web.security import Keys, Patient
from endpoint.recording.frame import Frame
from tests.waiting import PATIENCE_S, wait_for

DAY = datetime.date(2026, 11, 25)
expect.set_options(timeout=1e3 * PATIENCE_S)


@dataclass
class Bench:
    """A running bench."""

    port: int
    keys: Keys
    hub: Hub
    seen_s: list[float]
    """Times of the pictures that the bench has measured."""

    @property
    def session(self) -> LiveSession:
        return self.hub.session

    @property
    def root(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def address(self) -> str:
        """A fresh one-time address."""
        return f"{self.root}/?token={self.keys.new_operator_token()}"


def new_session(**parts: Any) -> LiveSession:
    parts.setdefault("journal", OpenRun(None, DAY))
    return LiveSession(today=DAY, details={"camera": "test"}, **parts)


class FilmClock(BenchClock):
    """Stands at the time of the picture that was shown last, however long anything takes."""

    time_s = 0.0

    def now(self) -> float:
        return self.time_s


@contextlib.contextmanager
def serving(
    *, browser: bool = True, shared: bool = False, clock: BenchClock | None = None, **parts: Any
) -> Iterator[Bench]:
    """Serve on a free port of this computer until the block ends, with the clock that is given."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.bind(("127.0.0.1", 0))
    port = listener.getsockname()[1]
    keys = Keys(port, shared=shared)
    session = new_session(**parts)
    seen_s: list[float] = []
    see = session.see

    def see_and_count(frame: Frame) -> None:
        see(frame)
        seen_s.append(frame.time_s)

    session.see = see_and_count  # type: ignore[method-assign]
    hub = Hub(session, clock or BenchClock(), browser=browser)
    app = application(hub, keys, (f"127.0.0.1:{port}",))
    config = uvicorn.Config(
        app,
        log_level="critical",
        access_log=False,
        http=Patient,
        limit_concurrency=64,
        ws="websockets-sansio",
        ws_max_size=MAX_MESSAGE_BYTES,
        ws_per_message_deflate=False,
        timeout_graceful_shutdown=1,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        wait_for(lambda: server.started, "the server")
        yield Bench(port, keys, hub, seen_s)
    finally:
        server.should_exit = True
        thread.join(15.0)
        listener.close()


def chromium() -> str:
    """Path of the browser; a test without one fails, it is not skipped."""
    named = os.environ.get("ENDPOINT_CHROMIUM")
    found = named or shutil.which("chromium") or shutil.which("chromium-browser")
    assert found, "Chromium is missing: apt-get install chromium, or set ENDPOINT_CHROMIUM."
    return found


@contextlib.contextmanager
def browsing(*, camera: bool = False, cameras: int = 1) -> Iterator[Browser]:
    """A real Chromium, with cameras that show a test picture if they are wanted."""
    arguments = ["--no-sandbox", "--disable-gpu", "--mute-audio"]
    if camera:
        arguments += [
            f"--use-fake-device-for-media-stream=device-count={cameras}",
            "--use-fake-ui-for-media-stream",
        ]
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium(), args=arguments)
        try:
            yield browser
        finally:
            browser.close()


LOOKS: dict[str, Any] = {
    "desk": {"viewport": {"width": 1280, "height": 800}, "color_scheme": "light"},
    "telephone": {"viewport": {"width": 390, "height": 844}, "color_scheme": "dark"},
}
Opened = Callable[..., Page]
"""What the fixture `opened` gives: `open_bench` for the window of the module."""


def open_bench(
    page: Page,
    bench: Bench,
    viewport: ViewportSize | None = None,
    color_scheme: Literal["light", "dark"] = "light",
) -> Page:
    """Show the page of a bench, as the person who operates it sees it."""
    page.set_viewport_size(viewport or {"width": 1280, "height": 800})
    page.emulate_media(color_scheme=color_scheme)
    page.goto(bench.address())
    expect(page.locator("body[data-role=operator]")).to_have_count(1)
    return page


def heard(page: Page) -> list[str]:
    """Errors that a page tells from now on: broken scripts, refused styles, lost files."""
    told: list[str] = []
    page.on("pageerror", lambda error: told.append(str(error)))
    page.on("console", lambda m: told.append(m.text) if m.type in ("error", "warning") else None)
    return told


def barriers(page: Page) -> list[str]:
    """What axe finds, as sentences."""
    loaded = page.evaluate("'axe' in window")
    found = (Axe("0") if loaded else Axe()).run(page)
    return [
        f"{v['id']}: {v['help']}: {[n['target'] for n in v['nodes']]}"
        for v in found.response["violations"]
    ]


def barriers_of(page: Page) -> list[str]:
    """What axe finds at a desk in the light and on a telephone in the dark, and what is too wide.

    The page is afterwards as large and as dark as it was.
    """
    size = page.viewport_size
    dark = page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    found = []
    for name, look in LOOKS.items():
        page.set_viewport_size(look["viewport"])
        page.emulate_media(color_scheme=look["color_scheme"])
        found += [f"{name}: {barrier}" for barrier in barriers(page)]
        if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            found.append(f"{name}: wider than the window")
    if size is not None:
        page.set_viewport_size(size)
    page.emulate_media(color_scheme="dark" if dark else "light")
    return found


def tab_to(page: Page, selector: str) -> None:
    """Press Tab until the element has the focus; fails where the keyboard cannot reach it."""
    for _ in range(80):
        if page.evaluate("s => document.activeElement?.matches(s) ?? false", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{selector} cannot be reached with the keyboard")


def fill(page: Page, selector: str, text: str) -> None:
    """Go to a field with the keyboard and type over what it holds."""
    tab_to(page, selector)
    page.keyboard.press("Control+a")
    page.keyboard.type(text)


def start_camera(page: Page) -> None:
    """Start the camera with the keyboard."""
    before = page.evaluate("document.body.dataset.cameraStarted ?? ''")
    tab_to(page, "#camera-start")
    page.keyboard.press("Enter")
    page.wait_for_selector(f"body[data-camera-started]:not([data-camera-started='{before}'])")


def finish(page: Page) -> None:
    """Finish the run; before it is enough the page says so and asks to press again."""
    tab_to(page, "#finish")
    page.keyboard.press("Enter")
    if page.locator("#view-titrating").is_visible() and "all the same" in (
        page.locator("#finish").inner_text()
    ):
        page.keyboard.press("Enter")


def finished(page: Page) -> dict[str, Any]:
    """Finish the run and return the document, after the page has shown its volume."""
    finish(page)
    expect(page.locator("#view-result")).to_be_visible()
    expect(page.locator("#result .outcome")).to_contain_text("Located")
    document: dict[str, Any] = page.evaluate("fetch('/result.json').then((r) => r.json())")
    shown = float(page.locator("#equivalence").inner_text())
    assert abs(shown - document["equivalence_ml"]["value"]) < 0.005
    return document
