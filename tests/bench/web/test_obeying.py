"""Somebody who does what the page says, in a real browser: the words come from its accessible text.

The flask answers (`tests.loop_flask`): what is poured now is what the next pictures show. They are
drawn and handed to the bench in place of a camera's; the page is read and typed into as by a person
with a screen reader.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from endpoint.bench.live import run as live_run
from endpoint.bench.live.session import LiveSession
from endpoint.colour.density import UNSHARE
from endpoint.recording.frame import ArrayFrame
from endpoint.scene.region import locate
from tests.bench_scene import LIQUID, WHITE
from tests.bench_server import Bench, FilmClock, browsing, fill, heard, serving
from tests.loop_flask import STEP_S, LiveFlask, Recipe, draw_recipe
from tests.population.balances import Water
from tests.waiting import wait_for

_END_ML = 3.0
_MOST_S, _SLOW_ML_S, _FAST_ML_S = 400.0, 0.1, 0.4
_WORDS = re.compile(
    r"paragraph: \"?(Add up to|Add|Wait|Close the tap|Type the reading|Enough|Stop|Cannot)(.*)"
)
_AMOUNT = re.compile(r"([\d.]+) mL")


def small_flask() -> Recipe:
    """A water of 3 mL, well stirred, before a good camera: a short titration."""
    recipe = draw_recipe(8)
    water = Water(105.0, 22.0, 8.0, 1.6, 0.01)
    assert abs(water.equivalence_ml - _END_ML) < 1e-9
    return replace(
        recipe, sample_ml=100.0, added_ml=5.0, water=water, lag_s=0.8, stages=1, plume_s=0.5,
        noise=0.002, wander=0.001, spread=0.01, drift=np.zeros(3),
    )  # fmt: skip


@dataclass
class Hand:
    """The operator: pours, reads the burette, types."""

    bench: Bench
    page: Page
    flask: LiveFlask
    additions: int = 0
    _index: int = 0

    def pass_time(self, seconds: float, rate_ml_s: float = 0.0) -> None:
        """Let time pass, show what the flask looks like, and wait until the page tells of it."""
        session, until_s, most_ml = self.bench.session, self.now_s + seconds, rate_ml_s * seconds
        while self.now_s < until_s:
            poured_ml = min(rate_ml_s * STEP_S, most_ml)
            most_ml -= poured_ml
            self.flask.step(poured_ml)
            self.now_s = self.flask.time_s
            self.bench.hub.frame(self.picture())
        run = session.run
        if run is None:
            return
        if run.due(self.now_s):
            run.conclude(self.now_s)
        # On the clock of the film it is time for the next state.
        for page in self.bench.hub.pages:
            page.sent_s = -1.0
        self.bench.hub.changed()
        words = self.page.locator("#guide-words")
        wait_for(lambda: words.inner_text() == run.guidance(self.now_s).title, "the page")

    @property
    def now_s(self) -> float:
        """Time on the clock of the bench, which goes with the pictures."""
        return self.bench.hub.clock.now()

    @now_s.setter
    def now_s(self, time_s: float) -> None:
        clock = self.bench.hub.clock
        assert isinstance(clock, FilmClock)
        clock.time_s = time_s

    def picture(self) -> ArrayFrame:
        """The drawn bench: a plume tints a part of the liquid."""
        sample, self._index = self.flask.latest, self._index + 1
        mixed = np.linalg.inv(UNSHARE)
        picture = np.full((120, 160, 3), 0.7)
        picture[30:100, 50:120] = 0.7 * (mixed @ 10.0 ** -np.array(sample.density))
        if self.flask.plume > 0.01:
            picture[30:100:3, 50:120] *= np.array([0.75, 0.97, 1.1])
        picture *= 1.0 + 0.01 * np.random.default_rng(self._index).standard_normal(picture.shape)
        encoded = 1.055 * np.clip(picture, 0.0031308, 1.0) ** (1 / 2.4) - 0.055
        pixels = np.rint(255 * np.clip(encoded, 0.0, 1.0)).astype(np.uint8)
        return ArrayFrame(self._index, self.now_s, pixels)

    def read(self) -> tuple[str, float]:
        """What the page says, and the amount in it, mL."""
        found = _WORDS.search(self.page.locator("#view-titrating").aria_snapshot())
        assert found is not None
        amount = _AMOUNT.search(found.group(2))
        return found.group(1), 0.0 if amount is None else float(amount.group(1))

    def add(self, word: str, amount_ml: float) -> None:
        """Pour so much, but close the tap as soon as the page says so."""
        self.additions += 1
        rate = _SLOW_ML_S if word == "Add up to" else _FAST_ML_S
        end_ml = self.flask.added_ml + amount_ml
        while self.flask.added_ml < end_ml - 1e-6:
            step_s = min(0.25, (end_ml - self.flask.added_ml) / rate)
            self.pass_time(step_s, rate)
            if self.read()[0] == "Close the tap":
                self.pass_time(0.8, rate)
                break
        self.pass_time(1.5)
        self.type()

    def type(self) -> None:
        """Type the burette reading, to a hundredth."""
        self.page.get_by_label("Burette reading, mL").fill(f"{self.flask.added_ml:.2f}")
        self.page.keyboard.press("Enter")
        expect(self.page.locator("#delivered")).to_have_text(f"{self.flask.added_ml:.2f}")


def _place(session: LiveSession, first: ArrayFrame) -> None:
    session.view.look_at(locate([first] * 5, LIQUID, WHITE))


def test_whoever_does_what_the_page_says_gets_a_number(monkeypatch: pytest.MonkeyPatch) -> None:
    # A slow computer, on which a conclusion takes two seconds.
    monkeypatch.setattr(live_run, "_UPDATE_S", 2.0)
    with serving(browser=False, clock=FilmClock()) as bench, browsing() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        told = heard(page)
        page.goto(bench.address())
        hand = Hand(bench, page, LiveFlask(small_flask()))
        hand.flask.step(0.0)
        _place(bench.session, hand.picture())
        hand.pass_time(3.0)
        fill(page, "#f-label", "Small water")
        fill(page, "#f-sample", "100")
        fill(page, "#f-added", "5")
        fill(page, "#f-titrant", "0.0100")
        page.keyboard.press("Enter")
        expect(page.locator("#view-titrating")).to_be_visible()
        assert hand.read() == ("Add", 2.0)
        begun_s, word = hand.now_s, ""
        while word not in ("Enough", "Stop") and hand.now_s < begun_s + _MOST_S:
            word, amount_ml = hand.read()
            if word.startswith("Add"):
                hand.add(word, amount_ml)
            elif word in ("Type the reading", "Close the tap"):
                hand.type()
            hand.pass_time(0.25)
        assert word == "Enough"
        assert page.locator("#places [aria-current]").inner_text() == "enough"
        page.locator("#finish").click()
        expect(page.locator("#result .outcome")).to_contain_text("Located")
        document = bench.session.document
        assert document is not None
        assert document["status"] == "located"
        low, high = document["equivalence_ml"]["interval95"]
        assert low < _END_ML < high
        assert high - low < 0.1
        assert hand.additions <= 18
        assert not told, told
