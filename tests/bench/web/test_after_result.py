"""The result page ends the job, and has a way back; volumes of every kind, by keyboard alone."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.web.hub import jpeg_of
from endpoint.recording.frame import ArrayFrame
from endpoint.result.short_words import words_of
from tests.bench_scene import ADDITIONS, FORM_VALUES, PAUSE_S, frames, place
from tests.bench_server import (
    LOOKS,
    Bench,
    FilmClock,
    Opened,
    barriers_of,
    fill,
    finish,
    heard,
    serving,
    tab_to,
)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with RunJournal.open(tmp_path / "journal.sqlite") as journal:
        kept = OpenRun(journal, datetime.date(2026, 11, 25), source="drawn")
        with serving(browser=True, clock=FilmClock(), journal=kept) as running:
            place(running, frames(0.0))
            yield running


def titrate(bench: Bench) -> None:
    """The whole titration at once, up to its finish; the clock of the bench goes with it."""
    session, clock = bench.session, bench.hub.clock
    assert isinstance(clock, FilmClock)
    session.begin({**FORM_VALUES, "burette_nominal_ml": 25.0, "burette_class": "A"}, clock.now())
    entered = 1
    for frame in frames(0.0):
        if entered < len(ADDITIONS) and frame.time_s >= PAUSE_S * entered:
            session.running().reading(ADDITIONS[entered], frame.time_s)
            entered += 1
        clock.time_s = frame.time_s + 0.01
        session.see(ArrayFrame(frame.index, clock.time_s, frame.pixels))
        session.keep_still(clock.time_s, partial(jpeg_of, frame))
    session.finish(clock.time_s + 0.01)
    bench.hub.changed()


def let_pass(bench: Bench, seconds: float) -> None:
    """Let the clock of the bench go on."""
    clock = bench.hub.clock
    assert isinstance(clock, FilmClock)
    clock.time_s += seconds


def press(page: Page, selector: str) -> None:
    """Reach a control with the keyboard and press it."""
    tab_to(page, selector)
    page.keyboard.press("Enter")


def wrong(page: Page, selector: str, note: str, said: str) -> None:
    """The field is marked, has the focus, and names the sentence that says what is wrong."""
    field = page.locator(selector)
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(field).to_be_focused()
    described = field.get_attribute("aria-describedby") or ""
    assert note in described.split()
    expect(page.locator(f"#{note}")).to_contain_text(said)


def test_result_ends_the_job_and_has_a_way_back(bench: Bench, opened: Opened) -> None:
    page = opened(bench, **LOOKS["telephone"])
    told = heard(page)
    titrate(bench)
    expect(page.locator("#view-result .outcome")).to_contain_text("Located")
    # For a moment the page may still show what was concluded before the finish.
    assert bench.session.document is not None
    volume = words_of(bench.session.document)["volume"]["value"]
    expect(page.locator("#equivalence")).to_have_text(volume)
    expect(page.locator("#run-words")).to_have_text("Run 1, replicate 1 of Drawn water")
    expect(page.locator("#kept-words")).to_contain_text("as run 1: ")
    found = {"result": barriers_of(page)}
    # Correct a reading, see another volume, take it back.
    page.get_by_text("Readings and corrections").click()
    fill(page, "#row-8", "30")
    page.keyboard.press("Enter")
    wrong(page, "#row-8", "result-note", "is not between 0 and 25 mL")
    found["refused"] = barriers_of(page)
    fill(page, "#row-8", "7.84")
    page.keyboard.press("Enter")
    expect(page.locator("#readings")).to_contain_text("7.84 (corrected)")
    found["corrected"] = barriers_of(page)
    undo = page.locator("#result-undo")
    expect(undo).to_have_attribute("aria-label", "Undo the correction of reading 8")
    press(page, "#result-undo")
    expect(page.locator("#result-note")).to_have_text("Taken back: the correction of reading 8.")
    expect(page.locator("#readings")).not_to_contain_text("corrected")
    expect(page.locator("#equivalence")).to_have_text(volume)
    # Discard, and take that back.
    press(page, "#discard")
    page.keyboard.press("Enter")
    wrong(page, "#reason", "result-note", "why the run is discarded")
    page.keyboard.type("spilt")
    page.keyboard.press("Enter")
    expect(page.locator("#discarded")).to_contain_text("This run is discarded: spilt.")
    expect(page.locator("#replicates")).to_contain_text("Discarded, not in the mean")
    expect(page.locator("#go-on")).to_be_hidden()
    found["discarded"] = barriers_of(page)
    press(page, "#take-back")
    expect(page.locator("#discarded")).to_be_hidden()
    # Go on adding; the volume goes on.
    press(page, "#go-on")
    expect(page.locator("#view-titrating")).to_be_visible()
    expect(page.locator("#delivered")).to_have_text(f"{ADDITIONS[-1]:.2f}")
    finish(page)
    expect(page.locator("#view-result")).to_be_visible()
    expect(page.locator("#equivalence")).to_have_text(volume)
    # The next replicate keeps the form, but not the start reading.
    press(page, "#again")
    expect(page.locator("#f-titrant")).to_have_value("0.01")
    expect(page.locator("#f-first")).to_have_value("")
    expect(page.locator("#first-hint")).to_contain_text("The last reading was 8.70 mL")
    assert not {view: b for view, b in found.items() if b}
    assert not told


def test_reports_and_record_folder_of_the_result(
    bench: Bench, opened: Opened, tmp_path: Path
) -> None:
    page = opened(bench)
    titrate(bench)
    expect(page.locator("#view-result .outcome")).to_contain_text("Located")
    press(page, "#write-folder")
    folder = tmp_path / "runs" / "run-0001"
    expect(page.locator("#folder-words")).to_have_text(f"Written to {folder}")
    assert {"record.toml", "result.json", "report.html", "report.pdf", "thumbnails.png"} <= {
        path.name for path in folder.iterdir()
    }
    pdf = page.evaluate(
        "fetch('/report.pdf').then((r) => r.blob()).then((b) => b.slice(0, 5).text())"
    )
    assert pdf == "%PDF-"
    shown = page.locator("#equivalence").inner_text()
    with page.expect_popup() as popup:
        press(page, "a[href='/report.html']")
    report = popup.value
    told = heard(report)
    expect(report.locator("body")).to_contain_text("measured live at the bench")
    expect(report.locator("body")).to_contain_text(shown)
    # Its style and its pictures are shown: the policy of the bench lets them through.
    assert report.evaluate("[...document.images].every((i) => i.naturalWidth > 0)")
    assert report.evaluate("document.images.length") >= 1
    assert not told
    report.close()


def test_readings_are_questioned_refused_and_refilled(bench: Bench, opened: Opened) -> None:
    page = opened(bench, **LOOKS["telephone"])
    told = heard(page)
    form = {**FORM_VALUES, "burette_nominal_ml": 25.0, "first_reading_ml": 1.0}
    bench.session.begin(form, bench.hub.clock.now())
    bench.hub.changed()
    expect(page.locator("#reading")).to_be_focused()
    page.keyboard.type("30")
    page.keyboard.press("Enter")
    wrong(page, "#reading", "reading-note", "is not between 0 and 25 mL")
    page.keyboard.type("20")
    page.keyboard.press("Enter")
    wrong(page, "#reading", "reading-note", "19.00 mL more than the last reading")
    expect(page.locator("#reading-sure")).to_have_text("Yes, 20.00 mL")
    found = {"questioned": barriers_of(page)}
    page.keyboard.press("Enter")
    expect(page.locator("#delivered")).to_have_text("19.00")
    expect(page.locator("#reading-sure")).to_be_hidden()
    expect(page.locator("#reading")).to_have_value("")
    press(page, "#refill-box summary")
    expect(page.locator("#before")).to_have_value("20.00")
    fill(page, "#before", "20.50")
    fill(page, "#after", "x")
    page.keyboard.press("Enter")
    wrong(page, "#after", "reading-note", "Type the reading after the refill")
    found["refill"] = barriers_of(page)
    fill(page, "#after", "0.30")
    page.keyboard.press("Enter")
    expect(page.locator("#reading-note")).to_contain_text("The burette is refilled")
    expect(page.locator("#delivered")).to_have_text("19.50")
    expect(page.locator("#reading")).to_be_focused()
    page.keyboard.type("1.30")
    page.keyboard.press("Enter")
    expect(page.locator("#delivered")).to_have_text("20.50")
    assert not {view: b for view, b in found.items() if b}
    assert not told


def test_a_notice_does_not_move_what_is_pressed(bench: Bench, opened: Opened) -> None:
    page = opened(bench)
    told = heard(page)
    bench.session.begin(FORM_VALUES, bench.hub.clock.now())
    bench.session.running().reading(2.0, bench.hub.clock.now())
    bench.hub.changed()
    expect(page.locator("#delivered")).to_have_text("2.00")
    button, notices = page.locator("#undo"), page.locator("#notices")
    button.hover()
    before = button.bounding_box()
    page.mouse.down()
    bench.session.notices.raise_("source-ended", bench.hub.clock.now(), over=True)
    bench.hub.changed()
    # Longer than a state takes to come.
    page.wait_for_timeout(600)
    assert button.bounding_box() == before
    page.mouse.up()
    expect(page.locator("#delivered")).to_have_text("0.00")
    expect(notices).to_contain_text("recording has ended")
    assert button.bounding_box() != before
    assert not told


def test_pump_is_held_started_again_and_set_to_other_rates(bench: Bench, opened: Opened) -> None:
    page = opened(bench, **LOOKS["telephone"])
    told = heard(page)
    form = {**FORM_VALUES, "mode": "pump", "rate_ml_min": 60.0}
    bench.session.begin(form, bench.hub.clock.now())
    bench.hub.changed()
    expect(page.locator("#pump-start")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#pump-stop")).to_be_focused()
    expect(page.locator("#pump-words")).to_have_text("The pump runs at 60 mL/min.")
    let_pass(bench, 2.0)
    fill(page, "#rate", "0")
    page.keyboard.press("Enter")
    wrong(page, "#rate", "reading-note", "The pump rate must be a number")
    found = {"refused": barriers_of(page)}
    fill(page, "#rate", "20")
    page.keyboard.press("Enter")
    expect(page.locator("#pump-words")).to_have_text("The pump runs at 20 mL/min.")
    let_pass(bench, 2.0)
    press(page, "#pump-stop")
    expect(page.locator("#pump-start")).to_be_focused()
    expect(page.locator("#pump-start")).to_have_text("Pump starts again now")
    expect(page.locator("#pump-undo")).to_have_attribute("aria-label", "Undo the stop of the pump")
    found["held"] = barriers_of(page)
    page.keyboard.press("Enter")
    expect(page.locator("#pump-words")).to_have_text("The pump runs at 20 mL/min.")
    let_pass(bench, 2.0)
    finish(page)
    expect(page.locator("#view-result")).to_be_visible()
    expect(page.locator("#corrections")).to_be_hidden()
    assert not {view: b for view, b in found.items() if b}
    assert not told


def test_a_form_that_is_wrong_marks_its_field(bench: Bench, opened: Opened) -> None:
    page = opened(bench)
    for selector, text in (("#f-sample", "100"), ("#f-titrant", "x")):
        fill(page, selector, text)
    press(page, "#begin")
    wrong(page, "#f-titrant", "begin-note", "Type a number: EDTA, mol/L")
    fill(page, "#f-titrant", "0.01")
    fill(page, "#f-first", "30")
    page.locator("#f-burette").select_option("25 A")
    press(page, "#begin")
    wrong(page, "#f-first", "begin-note", "not on a burette of 25 mL")
    assert not barriers_of(page)
    fill(page, "#f-first", "0.4")
    expect(page.locator("#f-first")).not_to_have_attribute("aria-invalid", "true")
    fill(page, "#f-lag-u", "0.2")
    press(page, "#begin")
    wrong(page, "#f-lag", "begin-note", "The uncertainty of the mixing time is given without")
