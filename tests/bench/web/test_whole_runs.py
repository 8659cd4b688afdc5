"""Whole runs in a real browser whose camera shows a rendered film, by keyboard only.

The tests drive the page as a person does: they look at what stands there, press Tab, type, press
Enter. What comes out must agree with `endpoint locate` on the same pictures.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect

from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.bench.live import run as live_run
from endpoint.bench.web.hub import BenchClock
from endpoint.record.titration import read_record
from tests.bench_film import BenchFilm, make_film
from tests.bench_server import (
    Bench,
    browsing,
    fill,
    finished,
    heard,
    serving,
    start_camera,
    tab_to,
)
from tests.scripted_camera import ScriptedCamera
from tests.waiting import wait_for

LEAST_PICTURES = 9
"""Pictures of every pause that the bench must have measured before the run goes on."""
SPEED = 2.0
"""Of the clock of the bench, and of the film: a browser shows all its pictures at this pace."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with browsing(camera=True) as opened:
        yield opened


@pytest.fixture(autouse=True)
def _usual_pace(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bench concludes once a second, as it does where its clock is not made to run faster."""
    monkeypatch.setattr(live_run, "_UPDATE_S", SPEED * live_run._UPDATE_S)


def test_pictures_of_a_camera_reach_the_bench(browser: Browser) -> None:
    """The runs below show a canvas, whose pictures the test commands; here it is a camera."""
    with serving() as bench, browser.new_page() as page:
        told = heard(page)
        page.goto(bench.address())
        start_camera(page)
        wait_for(lambda: len(bench.seen_s) >= LEAST_PICTURES, "pictures of the camera")
        assert not told, told


def fill_form(page: Page, film: BenchFilm) -> None:
    fill(page, "#f-label", "Test water")
    fill(page, "#f-sample", "100")
    fill(page, "#f-fillings", "2")
    fill(page, "#f-added", "5")
    fill(page, "#f-titrant", "0,0100")
    if film.recipe.mode != "steps":
        tab_to(page, "[name=mode]")
        page.keyboard.press("ArrowDown")
        fill(page, "#f-rate", f"{film.recipe.rate_ml_min:g}")
    fill(page, "#f-lag", f"{film.recipe.mixing_s:g}")
    fill(page, "#f-lag-u", "0.1")


def set_up(page: Page, bench: Bench, film: BenchFilm) -> ScriptedCamera:
    """From the address to the first addition; the camera shows the flask as it stands then."""
    camera = ScriptedCamera(page, film.coded, film.rate, speed=SPEED)
    page.goto(bench.address())
    camera.load()
    assert "token" not in page.url
    expect(page.locator("#checks li")).not_to_have_count(0)
    start_camera(page)
    expect(page.locator("#checks li[data-code=flask-found].good")).to_be_visible()
    fill_form(page, film)
    # Enter in a field of the form begins.
    page.keyboard.press("Enter")
    expect(page.locator("#view-titrating")).to_be_visible()
    return camera


def let_settle(bench: Bench, camera: ScriptedCamera, from_s: float, to_s: float) -> None:
    """Show a pause to its end, and go on with it until the bench has seen enough."""
    least = len(bench.seen_s) + LEAST_PICTURES
    camera.play(from_s, to_s)
    camera.wait_for(to_s)
    wait_for(lambda: len(bench.seen_s) >= least, "pictures of a pause")


def agrees(document: dict[str, Any], film: BenchFilm) -> None:
    """The live volume is that of `endpoint locate` and the true one, within the uncertainties."""
    job, source = prepare(read_record(film.record))
    result = analyse(source, job)  # type: ignore[arg-type]
    assert result.equivalence is not None, result.reasons
    live = document["equivalence_ml"]
    apart = live["value"] - result.equivalence.value_ml
    joint = math.hypot(live["standard_uncertainty"], result.equivalence.standard_uncertainty_ml)
    assert abs(apart) <= 2.0 * joint + 0.003, (live, result.equivalence)
    low, high = live["interval95"]
    assert low - 0.02 < film.recipe.flask.equivalence_ml < high + 0.02
    assert document["status"] == "located"


def test_burette_run(browser: Browser, tmp_path: Path) -> None:
    film = make_film("steps", tmp_path)
    size: ViewportSize = {"width": 1280, "height": 800}
    with serving(clock=BenchClock(SPEED)) as bench, browser.new_page(viewport=size) as page:
        told = heard(page)
        camera = set_up(page, bench, film)
        let_settle(bench, camera, 0.0, 1.0)
        words: list[tuple[float, str]] = []
        delivered = 0.0
        for k, (_, volume_ml) in enumerate(film.readings):
            words.append((delivered, page.locator("#guide-words").inner_text()))
            delivered = volume_ml
            if k == 1:
                # A slip, taken back with the keyboard, then typed right.
                page.keyboard.type("19.9\n")
                expect(page.locator("#reading-sure")).to_have_text("Yes, 19.90 mL")
                tab_to(page, "#reading-sure")
                page.keyboard.press("Enter")
                expect(page.locator("#delivered")).to_have_text("19.90")
                tab_to(page, "#undo")
                page.keyboard.press("Enter")
                expect(page.locator("#reading")).to_be_focused()
            page.keyboard.type(f"{volume_ml:.2f}\n")
            expect(page.locator("#delivered")).to_have_text(f"{volume_ml:.2f}")
            assert page.locator("#guide-shape svg").get_attribute("data-shape")
            let_settle(bench, camera, *film.pauses_s[k])
        # A reading that falls is refused with a sentence and changes nothing.
        page.keyboard.type("0.5\n")
        expect(page.locator("#reading-note")).to_contain_text("less than the last reading")
        document = finished(page)
        true_ml = film.recipe.flask.equivalence_ml
        early = {title for ml, title in words if ml < true_ml - 0.3}
        assert not early & {"Enough", "Stop: interval only"}, words
        assert not [title for title in early if "more" in title], words
        assert len({title for _, title in words}) >= 2
        assert not told, told
        tab_to(page, "#again")
        page.keyboard.press("Enter")
        expect(page.locator("#view-set-up")).to_be_visible()
        expect(page.locator("#f-label")).to_have_value("Test water")
    agrees(document, film)


def test_pump_run_on_a_phone(browser: Browser, tmp_path: Path) -> None:
    film = make_film("continuous", tmp_path)
    size: ViewportSize = {"width": 390, "height": 844}
    with serving(clock=BenchClock(SPEED)) as bench, browser.new_page(viewport=size) as page:
        told = heard(page)
        camera = set_up(page, bench, film)
        let_settle(bench, camera, 0.0, 1.0)
        camera.play_on_click("#pump-start", film.start_s, film.end_s)
        expect(page.locator("#pump-start")).to_be_focused()
        box = page.locator("#pump-start").bounding_box()
        assert box is not None
        assert box["y"] + box["height"] < 844, "the start of the pump is below the first screen"
        page.keyboard.press("Enter")
        expect(page.locator("#pump-stop")).to_be_focused()
        camera.wait_for(film.end_s - 4.0)
        page.keyboard.press("Enter")
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= 390, "the page is wider than the phone"
        camera.wait_for(film.end_s - 2.5)
        document = finished(page)
        assert not told, told
    agrees(document, film)
