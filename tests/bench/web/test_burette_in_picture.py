"""Volumes out of the live picture: whole runs in a browser, and runs that are broken off.

A camera of the computer shows a rendered film with its burette, or with its falling drops. What
comes out must be what `endpoint locate` says of the same film, and hold the truth.
"""

from __future__ import annotations

import datetime
import math
import pickle
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.bench.journal.export import export
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.live import burette
from endpoint.bench.live.session import LiveSession
from endpoint.delivery.delivery import Delivery
from endpoint.equivalence.fit import Estimate
from endpoint.problems import RecordProblem
from endpoint.record.titration import read_record
from endpoint.recording.film import VideoSource
from endpoint.recording.frame import Box, Frame
from endpoint.result.document import document
from endpoint.scene.region import locate
from tests.bench_film import SLOW, BuretteFilm, make_burette_film
from tests.bench_server import (
    Bench,
    FilmClock,
    browsing,
    fill,
    finish,
    finished,
    heard,
    new_session,
    serving,
    tab_to,
)
from tests.shared import made_once
from tests.waiting import wait_for

DAY = datetime.date(2026, 11, 25)
LEAD_S = 3.5
"""Film before a run begins, s."""


@dataclass(frozen=True)
class Located:
    """What `endpoint locate` says of a film."""

    equivalence: Estimate
    tip: Box | None
    delivery: Delivery

    def volume_ml(self, time_s: float) -> float:
        """Delivered at a time of the film."""
        return float(self.delivery.volume_at(time_s))


def _made(folder: Path) -> None:
    for shows in ("meniscus", "drops"):
        film = make_burette_film(shows, folder)
        job, source = prepare(read_record(film.record), DAY)
        result = analyse(source, job)
        assert result.equivalence is not None
        assert result.seen_volume is not None
        told = Located(result.equivalence, result.seen_box, result.seen_volume.delivery)
        (folder / shows).write_bytes(pickle.dumps((film, told)))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[BuretteFilm, Located]]:
    folder = made_once(tmp_path_factory, "burette-films", _made)
    out = {}
    for shows in ("meniscus", "drops"):
        film, told = pickle.loads((folder / shows).read_bytes())
        out[shows] = replace(film, record=folder / film.record.name), told
    return out


@pytest.fixture(scope="module")
def films(made: dict[str, tuple[BuretteFilm, Located]]) -> dict[str, BuretteFilm]:
    return {shows: film for shows, (film, _) in made.items()}


@pytest.fixture(scope="module")
def located(made: dict[str, tuple[BuretteFilm, Located]]) -> dict[str, Located]:
    return {shows: told for shows, (_, told) in made.items()}


@pytest.fixture(scope="module")
def frames(films: dict[str, BuretteFilm]) -> dict[str, list[Frame]]:
    return {
        shows: list(VideoSource(film.record.with_suffix(".avi")).frames())
        for shows, film in films.items()
    }


@pytest.fixture
def slow_motion(monkeypatch: pytest.MonkeyPatch) -> None:
    """Drops fall in slow motion in the film, so that fewer pictures a second show them all."""
    monkeypatch.setattr(burette, "LEAST_RATE", burette.LEAST_RATE / (2 * SLOW["drops"]))


def agrees(live: dict[str, Any], film: BuretteFilm, located: Located) -> None:
    """The live volume is that of the film, within the uncertainties, and holds the truth."""
    end = live["equivalence_ml"]
    joint = math.hypot(end["standard_uncertainty"], located.equivalence.standard_uncertainty_ml)
    assert abs(end["value"] - located.equivalence.value_ml) <= 2.0 * joint
    low, high = located.equivalence.low_ml, located.equivalence.high_ml
    assert low < film.true_ml < high
    low, high = end["interval95"]
    assert low < film.true_ml < high
    assert high - low < 0.3
    assert any("volume of the log" in line["name"] for line in live["budget"])


# In the browser ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class At:
    """A frame with another time."""

    frame: Frame
    time_s: float

    def __getattr__(self, name: str) -> Any:
        return getattr(self.frame, name)


def show(bench: Bench, frames: list[Frame], from_s: float, to_s: float) -> None:
    """Show every picture of a part of the film; the clock of the bench goes with them."""
    clock = bench.hub.clock
    assert isinstance(clock, FilmClock)
    step_s = frames[1].time_s - frames[0].time_s
    for frame in frames:
        if from_s <= frame.time_s < to_s:
            clock.time_s += step_s
            bench.hub.frame(At(frame, clock.time_s))
            bench.session.look_at_burette(clock.time_s)


def stands_ready(bench: Bench, frames: list[Frame]) -> bool:
    """Show the flask and burette a while before the run; whether every check is passed."""
    show(bench, frames, 0.0, LEAD_S)
    return all(check.mark == "good" for check in bench.session.checks(bench.hub.clock.now()))


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


def begin_run(
    page: Page, bench: Bench, film: BuretteFilm, frames: list[Frame], tip: Box | None
) -> None:
    """From the address to the first addition, by keyboard."""
    shows = film.recipe.shows
    page.goto(bench.address())
    wait_for(lambda: stands_ready(bench, frames), "the flask")
    expect(page.locator("#checks li[data-code=flask-found].good")).to_be_visible()
    fill(page, "#f-label", "Test water")
    fill(page, "#f-sample", "50")
    fill(page, "#f-fillings", "2")
    fill(page, "#f-added", "5")
    fill(page, "#f-titrant", "0.0100")
    tab_to(page, "[name=mode]")
    for _ in range(2 if shows == "meniscus" else 3):
        page.keyboard.press("ArrowDown")
    wait_for(lambda: bench.session.burette.way == shows, "the choice")
    fill(page, "#f-first", f"{film.start_ml:.2f}")
    if tip is not None:
        draw_tip_box(page, tip)
    wait_for(lambda: stands_ready(bench, frames), "the burette in the picture")
    good = ("picture-rate",) if tip else ("burette-found", "meniscus-found", "burette-lines")
    for code in good:
        expect(page.locator(f"#checks li[data-code={code}].good")).to_be_visible()
    tab_to(page, "#f-lag-u")
    page.keyboard.press("Enter")
    expect(page.locator("#view-titrating")).to_be_visible()
    expect(page.locator("#end-reading")).to_be_focused()


@pytest.mark.parametrize("shows", ["meniscus", "drops"])
def test_run_with_the_burette_in_the_picture(
    shows: str,
    films: dict[str, BuretteFilm],
    located: dict[str, Located],
    frames: dict[str, list[Frame]],
    slow_motion: None,
) -> None:
    film, pictures = films[shows], frames[shows]
    middle_s = 0.5 * (film.begin_s + film.end_s)
    tip = located[shows].tip if shows == "drops" else None
    with serving(browser=False, clock=FilmClock()) as bench, browsing() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        told = heard(page)
        begin_run(page, bench, film, pictures, tip)
        show(bench, pictures, LEAD_S, middle_s)
        expect(page.locator("#guide-words")).to_be_in_viewport()
        expect(page.locator("#seen-words")).to_contain_text("Provisional")
        wait_for(lambda: float(page.locator("#delivered").inner_text()) > 0.5, "0.5 mL")
        if shows == "drops":
            # Drops alone give no scale: the run is not lost, the page says what is missing.
            finish(page)
            expect(page.locator("#reading-note")).to_contain_text("end reading is missing")
        show(bench, pictures, middle_s, math.inf)
        fill(page, "#end-reading", f"{film.end_ml:.2f}")
        page.keyboard.press("Enter")
        expect(page.locator("#seen-words")).to_contain_text("from both readings")
        expect(page.locator("#finish")).to_be_focused()
        live = finished(page)
        assert not told, told
    agrees(live, film, located[shows])


# Without a browser -------------------------------------------------------------------------------


def session_of(path: Path, frames: list[Frame], tip: Box | None, later_s: float) -> LiveSession:
    """Session with a journal, at its set-up, that looks at the first frames."""
    port = OpenRun(RunJournal.open(path), DAY, source="drawn", program="test")
    session = new_session(journal=port)
    session.view.look_at(locate(frames[:12]))
    session.watch("meniscus" if tip is None else "drops", 0.1)
    if tip is not None:
        session.burette.put_box("tip", tip)
    for frame in frames:
        if frame.time_s > LEAD_S:
            break
        session.see(At(frame, frame.time_s + later_s))
        session.look_at_burette(frame.time_s + later_s)
    return session


def closed(session: LiveSession) -> None:
    session.keeper.close()


def form_of(film: BuretteFilm) -> dict[str, Any]:
    return {
        "label": "Water", "sample_ml": 50.0, "fillings": 2, "added_ml": 5.0, "titrant_mol_l": 0.01,
        "mode": film.recipe.shows, "first_reading_ml": film.start_ml, "division_ml": 0.1,
    }  # fmt: skip


def play(session: LiveSession, frames: list[Frame], later_s: float) -> float:
    for frame in frames:
        now = frame.time_s + later_s
        session.see(At(frame, now))
        session.look_at_burette(now)
    return now


@pytest.mark.parametrize("shows", ["meniscus", "drops"])
def test_run_that_is_broken_off_goes_on_and_its_export_says_the_same(
    shows: str,
    films: dict[str, BuretteFilm],
    located: dict[str, Located],
    frames: dict[str, list[Frame]],
    slow_motion: None,
    tmp_path: Path,
) -> None:
    film, shown = films[shows], frames[shows]
    tip = located[shows].tip if shows == "drops" else None
    path = tmp_path / "journal.sqlite"
    session = session_of(path, shown, tip, 100.0)
    assert {c.code: c.mark for c in session.checks(100.0 + LEAD_S)}[
        "burette-lines" if tip is None else "tip-box"
    ] == "good"
    session.begin(form_of(film), 100.0 + LEAD_S)
    # Broken off within a pause of about the middle, without a word; nothing is delivered then.
    cut_s = film.begin_s + 0.45 * (film.end_s - film.begin_s)
    volume_ml = located[shows].volume_ml
    while abs(volume_ml(cut_s) - volume_ml(cut_s + 1.2)) > 0.01:
        cut_s += 0.2
    play(session, [f for f in shown if LEAD_S < f.time_s <= cut_s], 100.0)
    before = session.delivered_ml(0.0)
    closed(session)
    again = session_of(path, shown, tip, 7.0)
    assert [run.head.label for run in again.unfinished] == ["Water"]
    again.resume(str(again.unfinished[0].run), 7.1 + LEAD_S)
    assert again.delivered_ml(0.0) == pytest.approx(before, abs=0.06)
    now = play(again, [f for f in shown if f.time_s > cut_s + 1.0], 6.2 + LEAD_S - cut_s)
    again.running().end_reading(film.end_ml, now)
    again.finish(now)
    assert again.document is not None
    assert again.document["status"] == "located", again.document["reasons"]
    agrees(again.document, film, located[shows])
    closed(again)
    with RunJournal.open(path, writing=False) as journal:
        (entry,) = journal.runs()
        done = export(journal, entry.run, tmp_path / "out")
    assert done.why_not is None
    job, source = prepare(read_record(tmp_path / "out" / "record.toml"), DAY)
    told = document(analyse(source, job), {})
    for key in ("value", "standard_uncertainty"):
        assert told["equivalence_ml"][key] == pytest.approx(
            again.document["equivalence_ml"][key], abs=1e-6
        )
    assert told["hardness"]["mmol_l"]["value"] == pytest.approx(
        again.document["hardness"]["mmol_l"]["value"], rel=1e-6
    )


def test_what_cannot_be_done_is_said(
    films: dict[str, BuretteFilm], frames: dict[str, list[Frame]], tmp_path: Path
) -> None:
    film, shown = films["meniscus"], frames["meniscus"]
    session = session_of(tmp_path / "journal.sqlite", shown, None, 0.0)
    drops = {**form_of(film), "mode": "drops"}
    with pytest.raises(RecordProblem, match="no box yet for the falling drops"):
        session.begin(drops, 2.0)
    session.put_box("tip", Box(100, 200, 160, 300))
    # Three pictures a second come: far too few for drops, and that is said before the run.
    play(session, [f for f in shown if 2.0 < f.time_s < 6.0], 0.0)
    session.watch("drops", 0.1)
    assert {c.code: c.mark for c in session.checks(6.0)}["picture-rate"] == "fault"
    with pytest.raises(RecordProblem, match="counting drops needs 25"):
        session.begin(drops, 6.0)
    with pytest.raises(RecordProblem, match="start reading is missing"):
        session.begin({**form_of(film), "first_reading_ml": None}, 6.0)
    with pytest.raises(RecordProblem, match="less than 8 pixels"):
        session.put_box("burette", Box(50, 50, 51, 90))
    session.watch("meniscus", 0.1)
    session.put_box("burette", Box(0, 0, 40, 200))
    session.begin(form_of(film), 6.0)
    play(session, [f for f in shown if 6.0 < f.time_s < 16.0], 0.0)
    session.tick(15.9, 0.0, 0.0)
    told = {n.code: n.text for n in session.notices.current(16.0)}
    assert "volume-unseen" in told
    with pytest.raises(RecordProblem, match="read from the picture"):
        session.running().reading(3.0, 16.0)
    with pytest.raises(RecordProblem, match="not above the start reading"):
        session.running().end_reading(film.start_ml, 16.0)
    session.finish(16.0)
    assert session.document is not None
    assert session.document["status"] == "none"
    assert session.document["reasons"][0]["text"]
    closed(session)
