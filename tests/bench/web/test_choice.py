"""The page shows what was taken for the liquid, and one tap or one key puts it right."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from functools import cache
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, expect

from endpoint.recording.frame import ArrayFrame
from tests.bench.live.test_choice import ALONE, TWO_RED, holds
from tests.bench_server import Bench, Opened, barriers, heard, serving, tab_to
from tests.live_benches import LiveBench, Plan, draw_live_bench
from tests.waiting import wait_for


@cache
def drawn_of(plan: Plan) -> LiveBench:
    return draw_live_bench(plan)


@pytest.fixture(params=[TWO_RED])
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """A bench before a camera of this computer."""
    frames = drawn_of(request.param).frames
    with serving(browser=False) as running:
        stop = threading.Event()

        def show() -> None:
            number = 0
            while not stop.wait(0.1):
                pixels = frames[number % len(frames)].pixels
                running.hub.frame(ArrayFrame(number, running.hub.clock.now(), pixels))
                number += 1

        thread = threading.Thread(target=show)
        thread.start()
        wait_for(lambda: running.session.view.region is not None, "the first look")
        yield running
        stop.set()
        thread.join()


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_next_candidate_by_keyboard(bench: Bench, opened: Opened, width: int, scheme: Any) -> None:
    view = {"width": width, "height": 844}
    page = opened(bench, viewport=view, color_scheme=scheme)
    told = heard(page)
    words = page.locator("#choice-words")
    expect(words).to_contain_text("Is the liquid outlined? It is 1 of")
    expect(page.locator("[data-code=flask-found] .tag")).to_have_text("check this")
    expect(page.locator("#outlines text.rim-text", has_text="2?")).to_have_count(1)
    assert barriers(page) == []
    tab_to(page, "#next-body")
    page.keyboard.press("Enter")
    expect(words).to_contain_text("You chose the liquid (2 of")
    expect(page.locator("#next-body")).to_be_focused()
    expect(page.locator("[data-code=flask-found] .tag")).to_have_text("good")
    assert barriers(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert told == []


def test_tap_on_the_flask_takes_it(browser: Browser, bench: Bench) -> None:
    drawn = drawn_of(TWO_RED)
    context = browser.new_context(has_touch=True, viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(bench.address())
    expect(page.locator("#choice-words")).to_be_visible()
    rows, columns = np.nonzero(drawn.liquid)
    frame = page.locator("#frame")
    frame.scroll_into_view_if_needed()
    box = frame.bounding_box()
    assert box is not None
    scale = box["width"] / drawn.frames[0].width
    page.touchscreen.tap(
        box["x"] + float(columns.mean()) * scale, box["y"] + float(rows.mean()) * scale
    )
    expect(page.locator("#choice-words")).to_contain_text("You chose the liquid (1 of")
    assert holds(bench.session, drawn) >= 0.95
    context.close()


def test_what_is_right_is_said_to_be_right(bench: Bench, opened: Opened) -> None:
    page = opened(bench)
    tab_to(page, "#keep-body")
    page.keyboard.press("Enter")
    expect(page.locator("#choice-words")).to_contain_text("You chose the liquid (1 of")
    expect(page.locator("#keep-body")).to_be_hidden()
    expect(page.locator("[data-code=flask-found] .tag")).to_have_text("good")


@pytest.mark.parametrize("bench", [ALONE], indirect=True)
def test_where_it_is_sure_it_says_what_was_taken(bench: Bench, opened: Opened) -> None:
    page = opened(bench)
    expect(page.locator("[data-code=flask-found] .tag")).to_have_text("good")
    expect(page.locator("[data-code=flask-found]")).to_contain_text("its liquid is outlined")
    expect(page.locator("#outlines text.rim-text", has_text="liquid")).to_have_count(1)
