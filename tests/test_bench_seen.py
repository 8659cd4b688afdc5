"""Volumes out of the live picture: whole runs in a browser, and runs that are broken off.

The camera of the browser plays a rendered film with its burette, or with its falling drops. What
comes out must be what `endpoint locate` says of the same film, and hold the truth.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from endpoint.assembly import prepare
from endpoint.bench.journal import Journal
from endpoint.bench.journal_port import SessionJournal
from endpoint.bench.live import LiveSession
from endpoint.bench.parts import adviser, checker
from endpoint.pipeline import Result, analyse
from endpoint.problems import RecordProblem
from endpoint.record import read_record
from endpoint.region import locate
from endpoint.report.document import document
from endpoint.runs import export
from endpoint.sources.frame import Box, Frame
from endpoint.sources.video import VideoSource
from tests.bench_film import BuretteFilm, make_burette_film
from tests.bench_server import (
    Bench,
    browsing,
    fill,
    finished,
    heard,
    new_session,
    serving,
    start_camera,
    tab_to,
    wait_until,
)

DAY = datetime.date(2026, 11, 25)


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, BuretteFilm]:
    folder = tmp_path_factory.mktemp("burette")
    return {shows: make_burette_film(shows, folder) for shows in ("meniscus", "drops")}


@pytest.fixture(scope="module")
def located(films: dict[str, BuretteFilm]) -> dict[str, Result]:
    """What `endpoint locate` says of each film."""
    out = {}
    for shows, film in films.items():
        job, source = prepare(read_record(film.record), DAY)
        out[shows] = analyse(source, job)
    return out


def agrees(live: dict[str, Any], film: BuretteFilm, located: Result) -> None:
    """The live volume is that of the film, within the uncertainties, and holds the truth."""
    assert located.equivalence is not None
    end = live["equivalence_ml"]
    joint = math.hypot(end["standard_uncertainty"], located.equivalence.standard_uncertainty_ml)
    assert abs(end["value"] - located.equivalence.value_ml) <= 2.0 * joint
    low, high = end["interval95"]
    assert low < film.true_ml < high
    assert high - low < 0.3
    assert any("volume of the log" in line["name"] for line in live["budget"])


# In the browser ----------------------------------------------------------------------------------


def draw_tip_box(page: Page, box: Box) -> None:
    """Type a box with the keyboard and move a side of it with an arrow key."""
    tab_to(page, "#hand summary")
    page.keyboard.press("Enter")
    tab_to(page, "#box-what")
    page.keyboard.press("End")
    for side in ("left", "top", "right", "bottom"):
        fill(page, f"#box-{side}", str(getattr(box, side)))
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowDown")
    tab_to(page, "#box-use")
    page.keyboard.press("Enter")
    expect(page.locator("#checks li[data-code=tip-box].good")).to_be_visible()


def begin_run(page: Page, bench: Bench, film: BuretteFilm, tip: Box | None) -> float:
    """From the address to the first addition, by keyboard; when the film of the run began."""
    shows = film.recipe.shows
    page.goto(bench.address())
    start_camera(page)
    expect(page.locator("#checks li[data-code=flask-found].good")).to_be_visible(timeout=20000)
    fill(page, "#f-label", "Test water")
    fill(page, "#f-sample", "50")
    fill(page, "#f-fillings", "2")
    fill(page, "#f-added", "5")
    fill(page, "#f-titrant", "0.0100")
    tab_to(page, "[name=mode]")
    for _ in range(2 if shows == "meniscus" else 3):
        page.keyboard.press("ArrowDown")
    fill(page, "#f-first", f"{film.start_ml:.2f}")
    if tip is not None:
        draw_tip_box(page, tip)
        expect(page.locator("#checks li[data-code=picture-rate].good")).to_be_visible(timeout=15000)
    else:
        for code in ("burette-found", "meniscus-found", "burette-lines"):
            good = page.locator(f"#checks li[data-code={code}].good")
            expect(good).to_be_visible(timeout=20000)
    began = start_camera(page)
    tab_to(page, "#f-lag-u")
    page.keyboard.press("Enter")
    expect(page.locator("#view-titrating")).to_be_visible()
    expect(page.locator("#end-reading")).to_be_focused()
    return began


@pytest.mark.parametrize("shows", ["meniscus", "drops"])
def test_run_with_the_burette_in_the_picture(
    shows: str, films: dict[str, BuretteFilm], located: dict[str, Result]
) -> None:
    film = films[shows]
    tip = located[shows].seen_box if shows == "drops" else None
    with serving(adviser=adviser, checker=checker) as bench, browsing(film.mjpeg) as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        told = heard(page)
        began = begin_run(page, bench, film, tip)
        wait_until(began + 0.6 * film.end_s)
        expect(page.locator("#seen-words")).to_contain_text("Provisional")
        assert float(page.locator("#delivered").inner_text()) > 0.5
        if shows == "drops":
            # Drops alone give no scale: the run is not lost, the page says what is missing.
            tab_to(page, "#finish")
            page.keyboard.press("Enter")
            expect(page.locator("#reading-note")).to_contain_text("end reading is missing")
        wait_until(began + film.end_s)
        fill(page, "#end-reading", f"{film.end_ml:.2f}")
        page.keyboard.press("Enter")
        expect(page.locator("#seen-words")).to_contain_text("by both readings")
        expect(page.locator("#finish")).to_be_focused()
        live = finished(page)
        assert not told, told
    agrees(live, film, located[shows])
