"""What tests of more than one file share."""

from __future__ import annotations

import fcntl
import os
import sys
import zlib
from collections.abc import Generator, Iterator
from functools import partial
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

from tests.places import ROOT

if TYPE_CHECKING:
    from collections.abc import Callable

    from playwright.sync_api import Browser, Page

# The workers of xdist inherit it: threads of two processes on two cores wait for each other.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
    os.environ.setdefault(_name, "1")

# Else every worker, and every program that a test starts, would compile all modules anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# How long an example takes tells of the machine and what else it does.
settings.register_profile(
    "any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("any machine")


@pytest.hookimpl(wrapper=True)
def pytest_collection(session: pytest.Session) -> Generator[None, object, object]:
    """Let one worker compile every module first: else all do the same at the same time."""
    run = getattr(session.config, "workerinput", {}).get("testrunuid")
    if run is None:
        return (yield)
    place = ROOT / ".pytest_cache"
    place.mkdir(exist_ok=True)
    with (place / "compiled").open("a+") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        file.seek(0)
        if file.read() == run:
            fcntl.flock(file, fcntl.LOCK_UN)
            return (yield)
        file.truncate(0)
        collected = yield
        file.write(run)
        return collected


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files in an order of chance, the same in every run, and the longest one first.

    In that of their names all workers wait for browsers at the end, while a core stands idle.
    """

    def place(item: pytest.Item) -> tuple[bool, int]:
        file = item.nodeid.partition("::")[0]
        return file != "tests/test_types.py", zlib.crc32(file.encode())

    items.sort(key=place)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A browser for all tests of a module."""
    from tests.bench_server import browsing

    with browsing() as opened:
        yield opened


@pytest.fixture(scope="module")
def window(browser: Browser) -> Iterator[Page]:
    """A window for all tests of a module that are content with one: a new one takes a second."""
    page = browser.new_page()
    # A page asks before it is left while somebody titrates.
    page.on("dialog", lambda dialog: dialog.accept())
    yield page
    page.close()


@pytest.fixture
def opened(window: Page) -> Iterator[Callable[..., Page]]:
    """Opens the page of a bench in that window, which forgets it after the test."""
    from tests.bench_server import open_bench

    yield partial(open_bench, window)
    if window.url != "about:blank":
        window.evaluate("localStorage.clear()")
        window.goto("about:blank")


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Result folders without their chart, which takes half of an export: for tests of numbers."""
    from endpoint.report import folder

    monkeypatch.setattr(folder, "chart", lambda _: None)
    monkeypatch.setattr(folder, "picture_bytes", lambda *_: b"")
