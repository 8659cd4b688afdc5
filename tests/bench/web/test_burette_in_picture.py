"""Volumes out of the live picture: whole runs in a browser, and runs that are broken off.

A camera of the computer shows a rendered film with its burette, or with its falling drops. What
comes out must be what `endpoint locate` says of the same film, and hold the truth.
"""

from __future__ import annotations

import datetime
import math
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import cycle, islice
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from playwright.sync_api import Browser, Page, ViewportSize, expect

from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.bench.journal.export import export
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.live import run as live_run
from endpoint.bench.live.session import LiveSession
from endpoint.equivalence.fit import Estimate
from endpoint.problems import RecordProblem
from endpoint.record.titration import read_record
from endpoint.recording.film import VideoSource
from endpoint.recording.frame import Box, Frame
from endpoint.result.document import document
from endpoint.scene.region import locate
from sample_media.bench_view import bench_recipe, plan_of_bench
from sample_media.recipes import Plan
from tests.bench_server import (
    Bench,
    FilmClock,
    fill,
    finish,
    finished,
    heard,
    new_session,
    serving,
    tab_to,
)
from tests.kept_films import BENCH_SEED, record_of, truth_in
from tests.located_films import located
from tests.waiting import wait_for

DAY = datetime.date(2026, 11, 25)


@dataclass(frozen=True)
class Film:
    """A kept film with its burette, its truth, and what `endpoint locate` says of it."""

    shows: str
    path: Path
    step_s: float
    """Between two pictures."""
    true_ml: float
    sample_ml: float
    start_ml: float
    end_ml: float
    equivalence: Estimate
    tip: Box | None
    plan: Plan

    def frames(self, first: int = 0, last: int | None = None) -> Iterator[Frame]:
        """Pictures of a part of the film."""
        return islice(VideoSource(self.path).frames(), first, last)

    def lead(self, seconds: float = 1.0) -> Iterator[Frame]:
        """The first second, in which nothing happens, as often as is wanted."""
        first = list(self.frames(0, round(1.0 / self.step_s)))
        return islice(cycle(first), round(seconds / self.step_s))

    def pause(self, part: float, least_s: float) -> int:
        """Picture from which on nothing is added for so long, after this part of the additions."""
        plan = self.plan
        time_s = float(plan.true_s[0] + part * np.ptp(plan.true_s))
        while np.ptp(np.interp([time_s, time_s + least_s], plan.true_s, plan.true_ml)) > 0.0:
            time_s += 0.2
        return round(time_s / self.step_s)


def _film(factory: pytest.TempPathFactory, shows: str) -> Film:
    found, _ = located(factory, f"burette-{shows}")
    record, truth = record_of(f"burette-{shows}"), truth_in(f"burette-{shows}")
    stated = tomllib.loads(record.read_text("utf-8"))
    readings = stated["delivery"][shows]
    path = record.parent / stated["recording"]["video"]
    first, second = islice(VideoSource(path).frames(), 2)
    end = found["equivalence_ml"]
    return Film(
        shows,
        path,
        second.time_s - first.time_s,
        truth["equivalence_ml"],
        truth["recipe"]["sample_ml"],
        readings["start_ml"],
        readings["end_ml"],
        Estimate(end["value"], end["standard_uncertainty"], *end["interval95"]),
        Box(*found["delivery"]["box"]) if shows == "drops" else None,
        plan_of_bench(bench_recipe(shows, BENCH_SEED)),
    )


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Film]:
    return {shows: _film(tmp_path_factory, shows) for shows in ("meniscus", "drops")}


def agrees(live: dict[str, Any], film: Film) -> None:
    """The live volume is that of the film, within the uncertainties, and holds the truth."""
    end, alone = live["equivalence_ml"], film.equivalence
    joint = math.hypot(end["standard_uncertainty"], alone.standard_uncertainty_ml)
    assert abs(end["value"] - alone.value_ml) <= 2.0 * joint
    assert alone.low_ml < film.true_ml < alone.high_ml
    low, high = end["interval95"]
    assert low < film.true_ml < high
    assert high - low < 0.3
    assert any("volume of the log" in line["name"] for line in live["budget"])


_GRAIN = np.random.default_rng(7).normal(0.0, 1e-3, 1 << 20).astype(np.float32)


@dataclass(frozen=True)
class At:
    """A frame of a camera: with another time, and never the same twice as in a packed film."""

    frame: Frame
    time_s: float

    def encoded(self, box: Box) -> NDArray[np.float32]:
        """Part of the picture with grain of a thousandth."""
        still = self.frame.encoded(box)
        begin = round(1e3 * self.time_s) * 7919 % (_GRAIN.size - still.size)
        return still + _GRAIN[begin : begin + still.size].reshape(still.shape)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.frame, name)


# In the browser ----------------------------------------------------------------------------------


def show(bench: Bench, film: Film, frames: Iterable[Frame]) -> None:
    """Show pictures of the film, every one of them; the clock of the bench goes with them."""
    clock = bench.hub.clock
    assert isinstance(clock, FilmClock)
    for frame in frames:
        clock.time_s += film.step_s
        bench.hub.frame(At(frame, clock.time_s))
        bench.session.look_at_burette(clock.time_s)


def stands_ready(bench: Bench, film: Film) -> bool:
    """Show the flask and burette a while before the run; whether every check is passed."""
    show(bench, film, film.lead())
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


def begin_run(page: Page, bench: Bench, film: Film) -> None:
    """From the address to the first addition, by keyboard."""
    page.goto(bench.address())
    wait_for(lambda: stands_ready(bench, film), "the flask")
    expect(page.locator("#checks li[data-code=flask-found].good")).to_be_visible()
    fill(page, "#f-label", "Test water")
    fill(page, "#f-sample", f"{film.sample_ml:g}")
    fill(page, "#f-fillings", "2")
    fill(page, "#f-added", "5")
    fill(page, "#f-titrant", "0.0100")
    tab_to(page, "[name=mode]")
    for _ in range(2 if film.shows == "meniscus" else 3):
        page.keyboard.press("ArrowDown")
    wait_for(lambda: bench.session.burette.way == film.shows, "the choice")
    fill(page, "#f-first", f"{film.start_ml:.2f}")
    if film.tip is not None:
        draw_tip_box(page, film.tip)
    wait_for(lambda: stands_ready(bench, film), "the burette in the picture")
    good = ("picture-rate",) if film.tip else ("burette-found", "meniscus-found", "burette-lines")
    for code in good:
        expect(page.locator(f"#checks li[data-code={code}].good")).to_be_visible()
    tab_to(page, "#f-lag-u")
    page.keyboard.press("Enter")
    expect(page.locator("#view-titrating")).to_be_visible()
    expect(page.locator("#end-reading")).to_be_focused()


@pytest.mark.parametrize("shows", ["meniscus", "drops"])
def test_run_with_the_burette_in_the_picture(
    shows: str, films: dict[str, Film], browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The clock goes as fast as pictures are measured: to conclude in each of its seconds would cost
    # as much as all the rest, on a fast machine more than on a slow one.
    monkeypatch.setattr(live_run, "_UPDATE_S", 10.0)
    film = films[shows]
    middle = film.pause(0.5, 1.0)
    size: ViewportSize = {"width": 1280, "height": 800}
    with (
        serving(browser=False, clock=FilmClock()) as bench,
        browser.new_page(viewport=size) as page,
    ):
        told = heard(page)
        begin_run(page, bench, film)
        show(bench, film, film.frames(0, middle))
        expect(page.locator("#guide-words")).to_be_in_viewport()
        expect(page.locator("#seen-words")).to_contain_text("Provisional")
        wait_for(lambda: float(page.locator("#delivered").inner_text()) > 0.5, "0.5 mL")
        if shows == "drops":
            # Drops alone give no scale: the run is not lost, the page says what is missing.
            finish(page)
            expect(page.locator("#reading-note")).to_contain_text("end reading is missing")
        show(bench, film, film.frames(middle))
        fill(page, "#end-reading", f"{film.end_ml:.2f}")
        page.keyboard.press("Enter")
        expect(page.locator("#seen-words")).to_contain_text("from both readings")
        expect(page.locator("#finish")).to_be_focused()
        live = finished(page)
        assert not told, told
    agrees(live, film)


# Without a browser -------------------------------------------------------------------------------


def session_of(path: Path, film: Film, now_s: float) -> tuple[LiveSession, float]:
    """Session with a journal, at its set-up, that looks at the first frames; and the time."""
    port = OpenRun(RunJournal.open(path), DAY, source="drawn", program="test")
    session = new_session(journal=port)
    session.view.look_at(locate(list(film.frames(0, 12))))
    session.watch(film.shows, 0.1)
    if film.tip is not None:
        session.burette.put_box("tip", film.tip)
    return session, play(session, film, film.lead(4.0), now_s)


def play(session: LiveSession, film: Film, frames: Iterable[Frame], now_s: float) -> float:
    """Show pictures to a session; returns the time of the last."""
    for frame in frames:
        now_s += film.step_s
        session.see(At(frame, now_s))
        session.look_at_burette(now_s)
    return now_s


def closed(session: LiveSession) -> None:
    session.keeper.close()


def form_of(film: Film) -> dict[str, Any]:
    return {
        "label": "Water", "sample_ml": film.sample_ml, "fillings": 2, "added_ml": 5.0,
        "titrant_mol_l": 0.01, "mode": film.shows, "first_reading_ml": film.start_ml,
        "division_ml": 0.1,
    }  # fmt: skip


@pytest.mark.parametrize("shows", ["meniscus", "drops"])
@pytest.mark.usefixtures("undrawn")
def test_run_that_is_broken_off_goes_on_and_its_export_says_the_same(
    shows: str, films: dict[str, Film], tmp_path: Path
) -> None:
    film = films[shows]
    path = tmp_path / "journal.sqlite"
    session, now_s = session_of(path, film, 100.0)
    assert {c.code: c.mark for c in session.checks(now_s)}[
        "burette-lines" if film.tip is None else "tip-box"
    ] == "good"
    session.begin(form_of(film), now_s)
    # Broken off within a pause of about the middle, without a word; nothing is delivered then.
    cut = film.pause(0.45, 1.2)
    play(session, film, film.frames(0, cut), now_s)
    before = session.delivered_ml(0.0)
    closed(session)
    again, now_s = session_of(path, film, 7.0)
    assert [run.head.label for run in again.unfinished] == ["Water"]
    again.resume(str(again.unfinished[0].run), now_s)
    assert again.delivered_ml(0.0) == pytest.approx(before, abs=0.06)
    now_s = play(again, film, film.frames(cut + round(1.0 / film.step_s)), now_s)
    again.running().end_reading(film.end_ml, now_s)
    again.finish(now_s)
    assert again.document is not None
    assert again.document["status"] == "located", again.document["reasons"]
    agrees(again.document, film)
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


def test_what_cannot_be_done_is_said(films: dict[str, Film], tmp_path: Path) -> None:
    film = films["meniscus"]
    session, now_s = session_of(tmp_path / "journal.sqlite", film, 0.0)
    drops = {**form_of(film), "mode": "drops"}
    with pytest.raises(RecordProblem, match="no box yet for the falling drops"):
        session.begin(drops, now_s)
    session.put_box("tip", Box(100, 200, 160, 300))
    # Five pictures a second come: far too few for drops, and that is said before the run.
    now_s = play(session, film, film.lead(4.0), now_s)
    session.watch("drops", 0.1)
    assert {c.code: c.mark for c in session.checks(now_s)}["picture-rate"] == "fault"
    with pytest.raises(RecordProblem, match="counting drops needs 25"):
        session.begin(drops, now_s)
    with pytest.raises(RecordProblem, match="start reading is missing"):
        session.begin({**form_of(film), "first_reading_ml": None}, now_s)
    with pytest.raises(RecordProblem, match="less than 8 pixels"):
        session.put_box("burette", Box(50, 50, 51, 90))
    session.watch("meniscus", 0.1)
    session.put_box("burette", Box(0, 0, 40, 200))
    session.begin(form_of(film), now_s)
    now_s = play(session, film, film.lead(10.0), now_s)
    session.tick(now_s, 0.0, 0.0)
    told = {n.code: n.text for n in session.notices.current(now_s)}
    assert "volume-unseen" in told
    with pytest.raises(RecordProblem, match="read from the picture"):
        session.running().reading(3.0, now_s)
    with pytest.raises(RecordProblem, match="not above the start reading"):
        session.running().end_reading(film.start_ml, now_s)
    session.finish(now_s)
    assert session.document is not None
    assert session.document["status"] == "none"
    assert session.document["reasons"][0]["text"]
    closed(session)
