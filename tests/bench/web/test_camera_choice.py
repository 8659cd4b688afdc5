"""Choosing among the cameras of the computer on the page, and finding the same one again."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from tests.bench_server import barriers, browsing, serving, start_camera, tab_to


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with browsing(camera=True, cameras=2) as opened:
        yield opened


def test_camera_is_chosen_by_keyboard_and_remembered(browser: Browser) -> None:
    with serving() as bench:
        context = browser.new_context(viewport={"width": 390, "height": 844})
        page = context.new_page()
        page.goto(bench.address())
        start_camera(page)
        choice = page.locator("#camera-list")
        expect(choice).to_be_visible()
        expect(choice.locator("option")).to_have_count(2)
        first = choice.input_value()
        tab_to(page, "#camera-list")
        page.keyboard.press("ArrowDown")
        expect(page.locator("#camera-note")).to_be_empty()
        page.wait_for_function(
            "first => document.querySelector('#camera-list').value !== first", arg=first
        )
        second = choice.input_value()
        page.wait_for_function(
            "id => document.querySelector('#video').srcObject"
            ".getVideoTracks()[0].getSettings().deviceId === id",
            arg=second,
        )
        assert barriers(page) == []
        page.goto(bench.address())
        start_camera(page)
        expect(choice).to_have_value(second)
        context.close()
