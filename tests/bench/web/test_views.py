"""Every view: no barrier that axe finds, every state told by words and shape without colour."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, ViewportSize, expect

from endpoint.analysis.result import Result
from endpoint.bench.guidance.guide import Moment, advise
from endpoint.bench.guidance.said import Guidance
from endpoint.bench.guidance.setup_checks import Check
from endpoint.bench.guidance.words import ADVICE, Tone
from endpoint.bench.live import advice_in_force
from endpoint.bench.live import session as live_session
from endpoint.bench.web.dichromacy import MATRICES
from endpoint.recording.frame import ArrayFrame, Box
from endpoint.result.short_words import words_of
from tests.bench_scene import (
    ADDITIONS,
    FILM_START_S,
    FORM_VALUES,
    PAUSE_S,
    RATE,
    frames,
    place,
)
from tests.bench_server import (
    LOOKS,
    Bench,
    FilmClock,
    Opened,
    barriers,
    barriers_of,
    fill,
    finish,
    heard,
    serving,
    tab_to,
)
from tests.waiting import wait_for

SET_UP = round(FILM_START_S * RATE)
"""Pictures before a run begins."""
LAYOUT_S = 30.0
"""Time in which a page that has another size has surely been drawn anew."""
SHAPES = [advice.shape for advice in ADVICE.values()]


class Said:
    """Guidance that the test wants to see, and else what it always says."""

    def __init__(self) -> None:
        self.guidance: Guidance | None = None

    def __call__(
        self, result: Result | None, moment: Moment, ended: Result | None = None
    ) -> Guidance:
        return self.guidance or advise(result, moment, ended)


SAID = Said()


def film(bench: Bench, frame: ArrayFrame) -> None:
    """Show the next picture; the clock of the bench goes with the pictures."""
    clock = bench.hub.clock
    assert isinstance(clock, FilmClock)
    clock.time_s += 1.0 / RATE
    bench.session.see(ArrayFrame(frame.index, clock.time_s, frame.pixels))


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    SAID.guidance = None
    monkeypatch.setattr(advice_in_force, "advise", SAID)
    with serving(browser=True, clock=FilmClock()) as running:
        place(running, frames())
        for frame in frames()[:SET_UP]:
            film(running, frame)
        yield running


def begin(bench: Bench, **changes: Any) -> None:
    bench.session.begin({**FORM_VALUES, **changes}, bench.hub.clock.now())
    bench.hub.changed()


def replay(bench: Bench, upto: int = len(ADDITIONS)) -> None:
    """Show the bench the whole titration."""
    session, clock = bench.session, bench.hub.clock
    zero = clock.now()
    session.begin(FORM_VALUES, zero)
    entered = 1
    for frame in frames()[SET_UP:]:
        if entered < upto and clock.now() - zero >= PAUSE_S * entered:
            session.running().reading(ADDITIONS[entered], clock.now())
            entered += 1
        film(bench, frame)
    session.running().conclude(clock.now())
    bench.hub.changed()


def test_views_have_no_barriers(bench: Bench, opened: Opened) -> None:
    page = opened(bench, **LOOKS["telephone"])
    told = heard(page)
    found: dict[str, list[str]] = {"set-up": barriers_of(page)}
    page.get_by_text("Sound and display").click()
    found["menu"] = barriers_of(page)
    page.keyboard.press("Escape")
    begin(bench)
    expect(page.locator("#view-titrating")).to_be_visible()
    bench.session.running().reading(2.0, bench.hub.clock.now())
    bench.session.ask(bench.hub.clock.now())
    bench.hub.changed()
    expect(page.locator("#question")).to_be_visible()
    page.get_by_text("Readings and corrections").click()
    found["titrating"] = barriers_of(page)
    page.locator("#projector-toggle").click()
    page.keyboard.press("Escape")
    expect(page.locator("#projector")).to_be_hidden()
    expect(page.locator("#projector-toggle")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#projector")).to_be_visible()
    found["projector"] = barriers_of(page)
    page.locator("#projector-toggle").click()
    finish(page)
    expect(page.locator("#view-result .outcome")).to_contain_text("No endpoint")
    found["no result"] = barriers_of(page)
    page.locator("#again").click()
    place(bench, frames())
    replay(bench)
    expect(page.locator("#view-titrating")).to_be_visible()
    finish(page)
    expect(page.locator("#view-result .outcome")).to_contain_text("Located")
    found["result"] = barriers_of(page)
    page.locator("#projector-toggle").click()
    expect(page.locator("#p-result")).to_be_visible()
    found["projected result"] = barriers_of(page)
    too_wide = page.evaluate(
        "[...document.querySelectorAll('body *')].filter(e => !e.closest('.scroll') &&"
        " e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 80))"
    )
    assert not too_wide
    assert not {view: b for view, b in found.items() if b}
    assert not told


SCREENS: tuple[ViewportSize, ...] = (
    {"width": 1920, "height": 1080},
    {"width": 1280, "height": 800},
    {"width": 390, "height": 844},
)


def on_every_screen(page: Page, fits: Callable[[], bool]) -> list[ViewportSize]:
    """Screens, from a projector's to a telephone's, on which a layout does not come to fit."""
    wrong = []
    for size in SCREENS:
        page.set_viewport_size(size)
        page.evaluate("scrollTo(0, 0)")
        try:
            wait_for(fits, "the layout", LAYOUT_S)
        except AssertionError:
            wrong.append(size)
    return wrong


def test_class_is_asked_and_told(bench: Bench, opened: Opened) -> None:
    """The question stands on the first screen and the end is not shown; then the result is."""
    page = opened(bench)
    told = heard(page)
    replay(bench)
    page.locator("#projector-toggle").click()
    curve = page.locator("#p-curve")
    expect(curve).to_have_attribute("aria-label", re.compile("Endpoint at"))
    bench.session.ask(bench.hub.clock.now())
    bench.hub.changed()
    question = page.locator("#question")
    expect(question).to_be_visible()
    expect(curve).not_to_have_attribute("aria-label", re.compile("Endpoint at"))

    def on_the_first_screen() -> bool:
        area, size = question.bounding_box(), page.viewport_size
        assert area is not None
        assert size is not None
        return area["y"] + area["height"] <= size["height"]

    assert not on_every_screen(page, on_the_first_screen)
    found = {"asked": barriers_of(page)}
    fill(page, "#guess", "8.40")
    page.keyboard.press("Enter")
    expect(question).to_contain_text("The class says 8.40 mL")
    expect(curve).to_have_attribute("aria-label", re.compile("Endpoint at"))
    bench.session.finish(bench.hub.clock.now())
    bench.hub.changed()
    result = page.locator("#p-result")
    expect(result).to_contain_text("Hardness")
    expect(page.locator("#p-number")).to_be_hidden()
    document = bench.session.document
    assert document is not None
    words = words_of(document)
    expect(result.locator(".big")).to_have_text(
        f"{words['volume']['value']} {words['volume']['rest']}"
    )
    red = document["last_red_ml"]["value"]
    expect(result).to_contain_text(f"The last red was gone at {red:.2f} mL.")
    expect(result).to_contain_text(f"{8.40 - round(red, 2):.2f} mL too high")

    def apart() -> bool:
        below, aside, size = result.bounding_box(), curve.bounding_box(), page.viewport_size
        assert below is not None
        assert aside is not None
        assert size is not None
        apart_x = below["x"] >= aside["x"] + aside["width"]
        narrow = page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        return narrow and (apart_x or below["y"] + below["height"] <= aside["y"])

    assert not on_every_screen(page, apart)
    found["told"] = barriers_of(page)
    assert not {view: b for view, b in found.items() if b}
    assert not told


def test_refusal_goes_when_the_checks_are_good(
    opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A set-up that was not ready is begun; the sentence leaves as soon as all checks are good."""
    checks = [Check("flask", "wait", "Looking for the flask.", "")]
    monkeypatch.setattr(live_session, "setup_checks", lambda _: tuple(checks))
    with serving() as running:
        page = opened(running)
        running.session.see(frames()[0])
        for name, value in (("#f-sample", "100"), ("#f-titrant", "0.01")):
            page.locator(name).fill(value)
        page.locator("#begin").click()
        expect(page.locator("#begin-note")).to_contain_text("has not found the flask")
        checks[0] = Check("flask", "good", "The flask is found.")
        running.hub.changed()
        expect(page.locator("#begin-note")).to_have_text("")


def point_at(page: Page, x: float, y: float) -> None:
    """Move the pointer to a pixel of the picture, wherever it stands on the page by now."""
    frame = page.locator("#frame")
    frame.scroll_into_view_if_needed()
    area = frame.bounding_box()
    assert area is not None
    scale = min(area["width"] / 160, area["height"] / 120)
    left, top = (area["width"] - 160 * scale) / 2, (area["height"] - 120 * scale) / 2
    frame.hover(position={"x": left + x * scale, "y": top + y * scale}, force=True)


@pytest.mark.parametrize("options", LOOKS.values(), ids=LOOKS)
def test_boxes_are_drawn_by_hand(bench: Bench, opened: Opened, options: dict[str, Any]) -> None:
    """A box by pointer and one by keyboard; then a run that looks for a burette in a box."""
    page = opened(bench, **options)
    told = heard(page)
    page.get_by_text("Draw boxes by hand").click()
    point_at(page, 60, 50)
    page.mouse.down()
    point_at(page, 100, 80)
    point_at(page, 110, 90)
    page.mouse.up()
    # Its rectangle gives way to the outline of the liquid as soon as that is found in the box.
    boxes = bench.session.view.boxes
    wait_for(lambda: "liquid" in boxes, "the box drawn with the pointer")
    drawn = boxes["liquid"]
    for side, wanted in zip(
        (drawn.left, drawn.top, drawn.right, drawn.bottom), (60, 50, 110, 90), strict=True
    ):
        assert abs(side - wanted) <= 2
    tab_to(page, "#box-none")
    page.keyboard.press("Enter")
    wait_for(lambda: not boxes, "no box")
    expect(page.locator("#outlines rect")).to_have_count(0)
    page.locator("[name=mode][value=meniscus]").check()
    expect(page.locator("#checks li[data-code=burette-found]")).to_be_visible()
    page.locator("#box-what").select_option("burette")
    for name, value in (("left", "4"), ("top", "4"), ("right", "40"), ("bottom", "110")):
        fill(page, f"#box-{name}", value)
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    expect(page.locator("#outlines rect")).not_to_have_count(0)
    assert bench.session.burette.boxes["burette"] == Box(4, 4, 40, 109)
    page.locator("#box-right").fill("6")
    page.locator("#box-use").click()
    expect(page.locator("#camera-note")).to_contain_text("at least 8 pixels")
    found = {"set-up": barriers(page)}
    place(bench, frames())
    begin(bench, mode="meniscus", first_reading_ml=1.0, division_ml=0.1)
    expect(page.locator("#end-form")).to_be_visible()
    for frame in 2 * frames()[:SET_UP]:
        film(bench, frame)
    # There is no tube in that box: it is said, and the run can be ended.
    expect(page.locator("#notices")).to_contain_text("No straight glass tube")
    found["titrating"] = barriers(page)
    size = page.viewport_size
    assert size is not None
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    finish(page)
    expect(page.locator("#view-result .outcome")).to_contain_text("No endpoint")
    assert not {view: b for view, b in found.items() if b}
    assert not told


def guidance_of(shape: str) -> Guidance:
    title = f"Words of {shape}"
    return Guidance(
        shape,
        title,
        "What to do.",
        shape,
        2,
        Tone((440.0,), 1.0, 1, 1.0),
        title,
        left_text="About 1.00 mL left, 0.10 either way.",
        left_ml=1.0,
        left_low_ml=0.9,
        left_high_ml=1.1,
    )


def say(bench: Bench, shape: str) -> None:
    SAID.guidance = guidance_of(shape)
    bench.session.running().conclude(bench.hub.clock.now())
    bench.hub.changed()


def picture(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)).convert("L").resize((48, 48)), dtype=float)


def test_every_state_is_told_apart_through_every_eye(bench: Bench, opened: Opened) -> None:
    page = opened(bench, viewport={"width": 1280, "height": 800})
    # What is asked for stands until a reading is typed, so nothing may be asked for before.
    SAID.guidance = guidance_of(SHAPES[0])
    begin(bench)
    expect(page.locator("#view-titrating")).to_be_visible()
    for kind in MATRICES:
        page.evaluate("document.querySelector('.menu').open = true")
        page.locator("#vision").select_option(kind)
        page.evaluate("document.querySelector('.menu').open = false")
        seen: dict[str, np.ndarray] = {}
        for shape in SHAPES:
            say(bench, shape)
            expect(page.locator("#guide-words")).to_have_text(f"Words of {shape}")
            expect(page.locator("#guide-shape svg")).to_have_attribute("data-shape", shape)
            seen[shape] = picture(page.locator("#guide-shape").screenshot())
        for k, a in enumerate(SHAPES):
            for b in SHAPES[k + 1 :]:
                apart = float(np.mean(np.abs(seen[a] - seen[b]) > 60))
                assert apart > 0.015, f"{a} and {b} look alike ({kind}, {apart:.3f})"


def test_checks_and_notices_have_word_and_shape(bench: Bench, opened: Opened) -> None:
    page = opened(bench, viewport={"width": 390, "height": 844})
    bench.session.notices.raise_("analysis", bench.hub.clock.now())
    expect(page.locator("#notices li")).not_to_have_count(0)
    expect(page.locator("#checks li")).not_to_have_count(1)
    told = page.locator(".check").evaluate_all(
        "rows => rows.map(r => [r.querySelector('.tag').textContent,"
        " r.querySelector('svg').dataset.shape, r.className])"
    )
    assert len(told) >= 3, told
    pairs = {(word, shape) for word, shape, _ in told}
    assert all(word and shape for word, shape in pairs)
    assert len(pairs) == len({word for word, _ in pairs}) == len({shape for _, shape in pairs})


def test_preview_of_colour_vision_is_the_published_one(bench: Bench, opened: Opened) -> None:
    import colour  # takes a second, which every worker would pay for at the top

    names = {"protan": "Protanomaly", "deutan": "Deuteranomaly", "tritan": "Tritanomaly"}
    page = opened(bench)
    for kind, published in names.items():
        matrix = np.array(colour.CVD_MATRICES_MACHADO2010[published][1.0])
        assert np.allclose(MATRICES[kind], matrix, atol=1e-6)
        assert np.allclose(np.sum(MATRICES[kind], axis=1), 1.0, atol=2e-6)
        page.evaluate("document.querySelector('.menu').open = true")
        page.locator("#vision").select_option(kind)
        page.evaluate("document.querySelector('.menu').open = false")
        page.evaluate(
            "const s = document.getElementById('swatch'); s.id = 'held'; s.className = '';"
            "s.style.cssText = 'background:#96325a;width:60px;height:60px;border:0;border-radius:0'"
            if kind == "protan"
            else "0"
        )
        shot = Image.open(io.BytesIO(page.locator("#held").screenshot())).convert("RGB")
        shown = np.array(shot.getpixel((30, 30)), dtype=float)
        linear = matrix @ colour.cctf_decoding(np.array([0x96, 0x32, 0x5A]) / 255.0)
        wanted = 255.0 * colour.cctf_encoding(np.clip(linear, 0.0, 1.0))
        assert np.allclose(shown, wanted, atol=3.0), (kind, shown, wanted)


def test_second_tab_is_a_viewer_and_takes_over(browser: Browser, bench: Bench) -> None:
    context = browser.new_context()
    first = context.new_page()
    first.goto(bench.address())
    expect(first.locator("body[data-role=operator]")).to_have_count(1)
    begin(bench)
    second = context.new_page()
    second.goto(bench.root)
    expect(second.locator("#viewer-line")).to_be_visible()
    expect(second.locator("#reading-form")).to_be_hidden()
    first.close(run_before_unload=False)
    expect(second.locator("#take-over")).to_be_visible()
    tab_to(second, "#take-over")
    second.keyboard.press("Enter")
    expect(second.locator("#reading-form")).to_be_visible()
    expect(second.locator("#notices")).to_contain_text("was closed for")
    context.close()


def test_page_says_when_the_bench_is_gone(opened: Opened) -> None:
    with serving() as running:
        page = opened(running)
    expect(page.locator("#notices")).to_contain_text("lost the bench")


def test_tones_and_speech_are_off_until_asked_for(browser: Browser, bench: Bench) -> None:
    page = browser.new_page()
    page.add_init_script(
        "window.made = 0; const Old = window.AudioContext;"
        "window.AudioContext = class extends Old { createOscillator() { window.made += 1;"
        " return super.createOscillator(); } };"
        "window.said = []; window.speechSynthesis.speak = (u) => window.said.push(u.text);"
    )
    page.goto(bench.address())
    SAID.guidance = guidance_of("single drop")
    begin(bench)
    say(bench, "single drop")
    expect(page.locator("#guide-words")).to_have_text("Words of single drop")
    assert page.evaluate("[window.made, window.said.length]") == [0, 0]
    page.get_by_text("Sound and display").click()
    page.locator("#tones").check()
    page.locator("#speech").check()
    wait_for(lambda: page.evaluate("window.made > 0 && window.said.length > 0"), "tone and speech")
    assert page.evaluate("window.said[0]") == "Words of single drop"
    page.close()
