"""The bench with its real guidance, checks and journal."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.bench.journal.export import export
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import OpenRun
from endpoint.record.titration import read_record
from endpoint.recording.frame import ArrayFrame
from endpoint.result.document import document
from tests.bench_scene import (
    ADDITIONS,
    FORM_VALUES,
    PAUSE_S,
    RATE,
    TRUE_ML,
    frames,
    place,
    pump_frames,
    ready,
)
from tests.bench_server import Bench, FilmClock, browsing, heard, serving, tab_to

DAY = datetime.date(2026, 11, 25)


def parts(path: Path) -> dict[str, Any]:
    journal = OpenRun(RunJournal.open(path), DAY, source="drawn", program="test")
    return {"journal": journal}


@pytest.mark.usefixtures("undrawn")
def test_export_of_a_run_gives_the_same_numbers(tmp_path: Path) -> None:
    held = parts(tmp_path / "journal.sqlite")
    session = ready(frames(), **held)
    entered, begun, codes = 1, False, set()
    for frame in frames():
        if not begun and frame.time_s >= 3.0:
            session.begin({**FORM_VALUES, "first_reading_ml": 1.5}, frame.time_s)
            begun = True
        if entered < len(ADDITIONS) and frame.time_s >= 4.0 + PAUSE_S * entered:
            session.running().reading(1.5 + ADDITIONS[entered], frame.time_s)
            entered += 1
        session.see(frame)
        if begun and frame.index % 20 == 15:
            session.running().conclude(frame.time_s)
            codes.add(session.running().guidance(frame.time_s).code)
    session.running().undo()
    session.finish(frame.time_s)
    assert session.document is not None
    assert session.document["equivalence_ml"]["value"] == pytest.approx(TRUE_ML, abs=0.03)
    assert "portion" in codes
    assert codes & {"beyond", "enough"}
    held["journal"].close()
    with RunJournal.open(tmp_path / "journal.sqlite", writing=False) as journal:
        (entry,) = journal.runs()
        assert entry.finished
        export(journal, entry.run, tmp_path / "out")
    job, source = prepare(read_record(tmp_path / "out" / "record.toml"), DAY)
    again = document(analyse(source, job), {})
    assert again["status"] == session.document["status"] == "located"
    for key in ("equivalence_ml", "midpoint_ml", "last_red_ml"):
        one, other = again[key], session.document[key]
        assert one["interval95"] == pytest.approx(other["interval95"], abs=1e-9), key
        assert one["value"] == pytest.approx(other["value"], abs=1e-9), key
    one, other = (d["hardness"]["mmol_l"] for d in (again, session.document))
    assert one["value"] == pytest.approx(other["value"], rel=1e-9)
    assert one["standard_uncertainty"] == pytest.approx(other["standard_uncertainty"], rel=1e-6)


@pytest.mark.usefixtures("undrawn")
def test_export_of_a_pump_run_gives_the_same_numbers(tmp_path: Path) -> None:
    held = parts(tmp_path / "journal.sqlite")
    film = pump_frames(8.0)
    session = ready(film, **held)
    for frame in film:
        if frame.index == 15:
            session.begin({**FORM_VALUES, "mode": "pump", "rate_ml_min": 8.0}, frame.time_s)
        if frame.index == 20:
            session.running().pump(True, frame.time_s)
        session.see(frame)
    session.running().pump(False, frame.time_s)
    session.finish(frame.time_s)
    assert session.document is not None
    assert session.document["status"] == "located"
    held["journal"].close()
    with RunJournal.open(tmp_path / "journal.sqlite", writing=False) as journal:
        (entry,) = journal.runs()
        export(journal, entry.run, tmp_path / "out")
    job, source = prepare(read_record(tmp_path / "out" / "record.toml"), DAY)
    again = document(analyse(source, job), {})
    one, other = again["equivalence_ml"], session.document["equivalence_ml"]
    assert one["interval95"] == pytest.approx(other["interval95"], abs=1e-6)


def pictures(bench: Bench, begin: int, end: int) -> None:
    """Show drawn frames one after the other; the clock of the bench goes with them."""
    clock = bench.hub.clock
    assert isinstance(clock, FilmClock)
    for frame in frames()[begin:end]:
        clock.time_s += 1.0 / RATE
        bench.session.see(ArrayFrame(frame.index, clock.time_s, frame.pixels))


def test_page_offers_to_go_on_after_a_break(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with browsing() as browser:
        held = parts(path)
        with serving(clock=FilmClock(), **held) as bench:
            place(bench, frames())
            pictures(bench, 0, 15)
            bench.session.begin(FORM_VALUES, bench.hub.clock.now())
            for k in (1, 2, 3):
                pictures(bench, 20 * k, 20 * k + 20)
                bench.session.running().reading(ADDITIONS[k], bench.hub.clock.now())
            pictures(bench, 80, 100)
        held["journal"].close()
        held = parts(path)
        with serving(clock=FilmClock(), **held) as bench:
            place(bench, frames())
            pictures(bench, 80, 100)
            page = browser.new_page()
            told = heard(page)
            page.goto(bench.address())
            expect(page.locator("#unfinished")).to_contain_text("Drawn water")
            tab_to(page, "[data-do=resume]")
            page.keyboard.press("Enter")
            expect(page.locator("#view-titrating")).to_be_visible()
            expect(page.locator("#delivered")).to_have_text("6.00")
            page.get_by_label("Burette reading").fill("7.00")
            page.keyboard.press("Enter")
            expect(page.locator("#delivered")).to_have_text("7.00")
            page.locator("#undo").click()
            expect(page.locator("#delivered")).to_have_text("6.00")
            page.get_by_text("Readings and corrections").click()
            page.locator("#row-2").fill("4.10")
            page.locator("[data-row='2']").click()
            expect(page.locator("#readings")).to_contain_text("4.10 (corrected)")
            assert not told
            page.close()
        held["journal"].close()
