"""The replay in a real browser: numbers, keyboard, nothing told too early, print, no script."""

from __future__ import annotations

import html
import io
import json
import re
import statistics
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect
from pypdf import PdfReader
from scipy.stats import t as student

from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.curve.colour_names import NAMES, blueness_of, name_of, name_of_part
from endpoint.drawing.svg import MARKS
from endpoint.hardness.units import M_CACO3
from endpoint.messages import REASONS
from endpoint.record.titration import read_record
from endpoint.replay.chemistry import (
    INDICATOR_UMOL_L,
    MAGNESIUM,
    Tables,
    holders,
    volumes_of_levels,
)
from endpoint.replay.page import LARGEST_BYTES, page
from endpoint.replay.practical import practical_of
from endpoint.replay.questions import what_went_wrong
from endpoint.replay.shades import with_dye
from endpoint.replay.story import Story, story_of
from endpoint.report.folder import write_folder
from endpoint.result.document import provenance_of
from endpoint.result.kept import read_kept
from endpoint.result.text import summary
from tests.bench_server import barriers, heard, tab_to
from tests.command import run
from tests.kept_results import result_folder
from tests.places import SAMPLES

BAD = '</script><script>window.bad=1</script><img src=x onerror="window.bad=1"> & "Well"'


@dataclass(frozen=True)
class Made:
    """A result in its folder, its page, and what the terminal says of it."""

    folder: Path
    address: str
    text: str
    story: Story
    said: str


def made(folder: Path, said: str = "") -> Made:
    story = story_of(read_kept(folder))
    text = page(story)
    (folder / "replay.html").write_text(text, "utf-8")
    return Made(folder, (folder / "replay.html").as_uri(), text, story, said)


@pytest.fixture(scope="module")
def fountain(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Thirty stills of a titration."""
    record = read_record(SAMPLES / "chapel-fountain.toml")
    job, source = prepare(record)
    result = analyse(source, job)
    folder = tmp_path_factory.mktemp("replay") / "fountain"
    write_folder(result, folder, provenance_of(record, result))
    return made(folder, summary(result, width=10_000))


@pytest.fixture(scope="module")
def window(browser: Browser) -> Iterator[tuple[Page, list[str], list[str]]]:
    """A window for one page after the other, the errors that it tells and what it asks for."""
    context = browser.new_context(viewport={"width": 1280, "height": 800}, color_scheme="light")
    opened = context.new_page()
    asked: list[str] = []
    opened.on("request", lambda request: asked.append(request.url))
    yield opened, heard(opened), asked
    context.close()


@pytest.fixture
def shown(window: tuple[Page, list[str], list[str]], fountain: Made) -> Iterator[Page]:
    """The page as it is when it has just been opened."""
    opened, told, asked = window
    told.clear()
    asked.clear()
    opened.goto(fountain.address)
    yield opened
    assert told == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []


def go_to(opened: Page, volume_ml: float, story: Story) -> None:
    """Put the scrubber to a volume as dragging does."""
    k = int(np.argmin([abs(step.volume_ml - volume_ml) for step in story.steps]))
    opened.locator("#scrubber").fill(str(k))


def plain_text(opened: Page) -> str:
    return opened.locator("body").inner_text().replace("\u00a0", " ")


# --- numbers ----------------------------------------------------------------------------------


def test_numbers_are_those_of_the_terminal(fountain: Made) -> None:
    text = html.unescape(re.sub("</?sub>", "", fountain.text)).replace("\u00a0", " ")
    answer = fountain.said.split("\n", 1)[0]
    assert "Hardness" in answer
    assert answer in text
    data = json.loads((fountain.folder / "result.json").read_text("utf-8"))
    for mark in fountain.story.marks:
        said = mark.text.replace("\u00a0", " ")
        assert said in fountain.said
        assert said in text
        assert mark.value_ml == data[f"{mark.key}_ml"]["value"]


def test_steps_say_what_the_curve_says(fountain: Made) -> None:
    curve = read_kept(fountain.folder).curve
    assert curve is not None
    for volume, free in zip(curve["volume_ml"], curve["free_fraction"], strict=True):
        step = min(fountain.story.steps, key=lambda s: abs(s.volume_ml - volume))
        # The step has the fitted curve; one point scatters by 0.02.
        assert step.level == pytest.approx(float(np.clip(free, 0.0, 1.0)), abs=0.08)
        assert step.words.startswith(f"{step.volume_ml:.2f} mL, ")
        assert f"{100 * step.level:.0f}" in step.reading or "than" in step.reading
    assert fountain.story.steps[0].colour.name == "wine red"
    assert fountain.story.steps[-1].colour.name == "blue"
    assert [s.points for s in fountain.story.steps] == sorted(
        s.points for s in fountain.story.steps
    )
    assert fountain.story.steps[-1].points == curve["volume_ml"].size


def test_colour_words_follow_the_free_part(fountain: Made) -> None:
    order = ["wine red", "red violet", "violet", "blue violet", "blue"]
    for step in fountain.story.steps:
        assert step.colour == fountain.story.forms.at(step.level)
        # Half free is between the two forms, and no red is left from 95 % on.
        assert (step.colour.name == "blue") == (step.level >= 0.95)
        assert (step.colour.name == "violet") == (0.35 <= step.level < 0.65)
    names = [step.colour.name for step in fountain.story.steps]
    assert [names.index(name) for name in order] == sorted(names.index(name) for name in order)
    assert fountain.story.forms.at(1.0, 30.0).name.endswith("dark blue")


def test_much_indicator_is_dark_but_not_black(fountain: Made) -> None:
    story = fountain.story
    assert story.water is not None
    for amount in INDICATOR_UMOL_L:
        times = amount / story.water.indicator_umol_l
        for free in (0.0, 0.5, 1.0):
            code = story.forms.at(free, times).hex
            channels = [int(code[k : k + 2], 16) for k in (1, 3, 5)]
            # 64 of 255 is CIE lightness 27 in grey; a black one cannot be told from another.
            assert max(channels) >= 64, (amount, free)
            assert max(channels) - min(channels) >= 20, (amount, free)
    # As measured at the amount that was used, and darker with more.
    whites = [sum(bytes.fromhex(story.forms.at(0.0, s).hex[1:])) for s in (0.5, 1.0, 2.0, 8.0)]
    assert whites == sorted(whites, reverse=True)
    density = np.array([0.1, 0.8, 1.2])
    assert with_dye(density, 1.0) == pytest.approx(density)
    assert (with_dye(density, 4.0) < 4.0 * density).all()


def test_the_camera_alone_gives_the_names_of_the_free_part(fountain: Made) -> None:
    """As at the bench, where no fit is known yet: the same name, or the one next to it."""
    names = [name for name, *_ in NAMES]
    curve = read_kept(fountain.folder).curve
    assert curve is not None
    density = np.stack([curve[f"density_{c}"] for c in ("red", "green", "blue")], axis=-1)
    apart = [
        names.index(name_of(blueness_of(d))) - names.index(name_of_part(f))
        for d, f in zip(density, curve["free_fraction"], strict=True)
    ]
    assert max(map(abs, apart)) <= 1
    assert apart.count(0) >= 0.9 * len(apart)


def test_volumes_are_those_that_were_delivered(fountain: Made, tmp_path: Path) -> None:
    sheet = (fountain.folder / "pictures" / "index.csv").read_text("utf-8").split("\n")[1:]
    logged = sorted(float(line.split(",")[2]) for line in sheet if line)
    assert [p.volume_ml for p in fountain.story.pictures] == logged
    copied(fountain.folder, tmp_path)
    curve = tmp_path / "curve.csv"
    rows = [line.split(",") for line in curve.read_text("utf-8").strip().split("\n")]
    for row in rows[1:]:
        row[1] = f"{max(float(row[0]) - 0.1, 0.0):.4f}"
    curve.write_text("".join(",".join(row) + "\n" for row in rows), "utf-8")
    assert story_of(read_kept(tmp_path)).volume_ml == pytest.approx(fountain.story.volume_ml)
    # A stream runs ahead of the colour of the flask: there the colour belongs to what is mixed in.
    data = json.loads((tmp_path / "result.json").read_text("utf-8"))
    data["inputs"]["delivery"] = "continuous"
    (tmp_path / "result.json").write_text(json.dumps(data), "utf-8")
    lagging = story_of(read_kept(tmp_path)).volume_ml
    assert lagging == pytest.approx(np.maximum(fountain.story.volume_ml - 0.1, 0.0), abs=1e-4)


def test_both_sheets_have_the_same_round_volumes(shown: Page, fountain: Made) -> None:
    def column(sheet: str, rows: int) -> list[str]:
        cells = shown.locator(f"#{sheet} .fill tbody tr td:first-child")
        assert cells.count() >= rows
        return cells.all_text_contents()

    work, answers = column("worksheet", 5), column("answers", 10)
    assert set(work) < set(answers)
    assert all(v.endswith("0") for v in answers)
    widths = np.diff([float(v) for v in work])
    assert widths == pytest.approx(widths[0])
    assert widths[0] % 0.5 == 0.0
    end = fountain.story.equivalence_ml
    assert end is not None
    assert min(abs(float(v) - end) for v in answers) <= 0.05


def test_the_hardness_is_reckoned_in_numbers(fountain: Made) -> None:
    said = fountain.story.facts.reckoning.replace("\u00a0", " ")
    found = re.match(
        r"([0-9.]+) mol/L × ([0-9.]+) mL ÷ ([0-9.]+) mL × 1000 mmol/mol = ([0-9.]+) ± .* mmol/L; "
        r"× ([0-9.]+) mg/mmol = ([0-9.]+) ±",
        said,
    )
    assert found is not None
    strength, volume, sample, mmol, molar, mass = (float(g) for g in found.groups())
    assert 1000.0 * strength * volume / sample == pytest.approx(mmol, abs=1e-4)
    assert molar == 100.09
    assert mmol * molar == pytest.approx(mass, abs=0.02)
    assert mmol == pytest.approx(0.1 * float(fountain.story.marks[1].number), abs=1e-4)


def test_what_the_fit_hardly_knows_is_not_told(shown: Page, fountain: Made) -> None:
    found = json.loads((fountain.folder / "result.json").read_text("utf-8"))["chemistry"]
    shown.locator("#show-all").click()
    said = " ".join(plain_text(shown).split())
    assert "68 %" not in said
    assert "magnesium share of" not in said
    assert "a recording hardly tells" in said
    for sheet in ("worksheet", "answers"):
        assert shown.locator(f"#{sheet}").text_content() is not None
    water = fountain.story.water
    assert water is not None
    assert water.magnesium_share in MAGNESIUM
    assert water.indicator_umol_l in INDICATOR_UMOL_L
    share, dye = found["magnesium_share"]["value"], found["indicator_umol_l"]["value"]
    assert share not in MAGNESIUM
    assert dye not in INDICATOR_UMOL_L
    # The model with a step in place of the fitted value still stands where the recording does.
    own = fountain.story.own_middle_ml
    middle = volumes_of_levels([water])[0][1] - water.equivalence_ml
    assert own is not None
    assert middle == pytest.approx(own, abs=0.1)


def test_the_constants_of_the_model_are_stated(fountain: Made) -> None:
    calcium, magnesium = ERIOCHROME_BLACK_T.metals
    assert f"CaEDTA {calcium.log_k_edta:g}, MgEDTA {magnesium.log_k_edta:g}" in fountain.text
    dye = f"{calcium.log_k_indicator:g} and {magnesium.log_k_indicator:g}"
    assert f"magnesium with the indicator {dye}" in fountain.text


def test_every_place_has_the_same_numbers(shown: Page, fountain: Made) -> None:
    story = fountain.story
    shown.locator("#show-all").click()
    text = plain_text(shown)
    assert story.own_middle_ml is not None
    own = f"{-story.own_middle_ml:.2f} mL before the equivalence volume"
    told = shown.locator('.explained[data-answer="early"]').inner_text()
    assert own in told.replace("\u00a0", " ")
    # The others are about the model, and say so.
    for key in ("magnesium", "ph"):
        told = shown.locator(f'.explained[data-answer="{key}"]').inner_text()
        assert "ccording to the model" in told, key
    for mark in story.marks:
        assert mark.text.startswith(mark.number)
        assert f"{mark.name} {mark.number} mL" in " ".join(text.split())
    chart = shown.locator("#stop .chart")
    for dot in chart.locator(".dot").all():
        assert 54.0 - 0.01 <= float(dot.get_attribute("cx") or "nan") <= 468.01
    assert "mg/L as CaCO3" in text
    assert shown.locator("#answers sub").count() >= 1


def test_the_file_is_small_and_complete(fountain: Made) -> None:
    assert len(fountain.text.encode()) < LARGEST_BYTES == 8_000_000
    assert re.findall(r'(?:src|href)="(?!data:|#)[^"]*"', fountain.text) == []
    assert "http:" not in fountain.text
    assert "https:" not in fountain.text
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', fountain.text)
    assert policy is not None
    assert "unsafe" not in policy[1]
    assert "default-src 'none'" in html.unescape(policy[1])
    # The same result gives the same bytes.
    assert page(story_of(read_kept(fountain.folder))) == fountain.text


# --- the scrubber -----------------------------------------------------------------------------


def test_scrubber_by_keyboard(shown: Page, fountain: Made) -> None:
    tab_to(shown, "#scrubber")
    scrubber, volume = shown.locator("#scrubber"), shown.locator("#volume")
    first = shown.locator("#picture").get_attribute("src")
    steps = fountain.story.steps
    shown.keyboard.press("End")
    expect(volume).to_have_text(f"{steps[-1].volume_ml:.2f}")
    assert shown.locator("#picture").get_attribute("src") != first
    expect(scrubber).to_have_attribute("aria-valuetext", steps[-1].words)
    assert "blue" in steps[-1].words
    assert "free" in steps[-1].words
    shown.keyboard.press("ArrowLeft")
    expect(volume).to_have_text(f"{steps[-2].volume_ml:.2f}")
    shown.keyboard.press("PageDown")
    assert float(volume.inner_text()) < 0.95 * steps[-1].volume_ml
    shown.keyboard.press("Home")
    expect(volume).to_have_text("0.00")
    expect(shown.locator("#picture")).to_have_attribute("alt", "The flask at " + steps[0].words)
    shown.locator("#on").click()
    expect(shown.locator("#told")).to_have_text(scrubber.get_attribute("aria-valuetext") or "-")
    second = sorted({round(float(v), 2) for v in fountain.story.volume_ml})[1]
    assert float(volume.inner_text()) == pytest.approx(second, abs=0.026)


def test_the_curve_grows_point_by_point(shown: Page, fountain: Made) -> None:
    volume_ml = fountain.story.volume_ml
    for k in (0, 100, 225, 232, len(fountain.story.steps) - 1):
        step = fountain.story.steps[k]
        shown.locator("#scrubber").fill(str(k))
        seen = shown.locator("#grown .dot:visible").count()
        assert seen == step.points
        # Nothing that comes later is in view.
        assert seen == (volume_ml <= step.volume_ml + 0.025 + 1e-9).sum()


def test_the_picture_is_the_nearest(shown: Page, fountain: Made) -> None:
    volumes = np.array([p.volume_ml for p in fountain.story.pictures])
    for wanted in (0.0, 5.1, 11.4, 11.6, 12.4):
        go_to(shown, wanted, fountain.story)
        note = shown.locator("#picture-note").inner_text()
        told = float(note.removeprefix("Picture at ").removesuffix(" mL."))
        at = float(shown.locator("#volume").inner_text())
        assert abs(told - at) <= np.abs(volumes - at).min() + 0.006


def test_playing_moves_and_pauses(shown: Page) -> None:
    shown.locator("#play").click()
    expect(shown.locator("#play")).to_have_text("Pause")
    expect(shown.locator("#volume")).not_to_have_text("0.00")
    shown.locator("#play").click()
    expect(shown.locator("#play")).to_have_text("Play")


# --- predict, then look -----------------------------------------------------------------------


def test_nothing_is_told_before_it_is_asked_for(shown: Page, fountain: Made) -> None:
    text = plain_text(shown)
    for mark in fountain.story.marks:
        assert mark.text.replace("\u00a0", " ") not in text
        assert f"{mark.value_ml:.2f}" not in text
    assert "Right." not in text
    assert "Equivalence volume" not in text
    for hidden in shown.locator(".answer").all():
        expect(hidden).to_be_hidden()
    expect(shown.locator("#stop-reveal")).to_be_disabled()


@pytest.mark.parametrize("off_ml", [-0.9, 0.25])
def test_own_stop_against_the_chemistry(shown: Page, fountain: Made, off_ml: float) -> None:
    story = fountain.story
    assert story.equivalence_ml is not None
    go_to(shown, story.equivalence_ml + off_ml, story)
    own = float(shown.locator("#volume").inner_text())
    tab_to(shown, "#stop-here")
    shown.keyboard.press("Enter")
    expect(shown.locator("#stop-said")).to_contain_text(f"{own:.2f} mL")
    tab_to(shown, "#stop-reveal")
    shown.keyboard.press("Enter")
    said = shown.locator("#own-error").inner_text()
    off = own - story.equivalence_ml
    # 0.0100 mol/L into 100 mL: 1 mL is 0.1 mmol/L, and that is 10.0086 mg/L as CaCO3.
    assert f"{abs(off):.2f} mL {'before' if off < 0 else 'after'} the equivalence volume" in said
    found = re.search(r"come out ([0-9.]+) mg/L CaCO3 too (low|high)", said)
    assert found is not None
    assert float(found[1]) == pytest.approx(abs(off) * 10.0086, abs=0.051)
    assert found[2] == ("low" if off < 0 else "high")
    assert shown.evaluate("document.activeElement.id") == "own-error"
    text = plain_text(shown)
    for mark in story.marks:
        assert mark.text.replace("\u00a0", " ") in text
    assert {f"{mark.key}_ml": mark.shape for mark in story.marks} == MARKS
    assert len(set(MARKS.values())) == 3
    expect(shown.locator("#model-body")).to_be_visible()
    shown.locator("#stop-again").click()
    assert f"{story.equivalence_ml:.2f}" not in shown.locator("#stop").inner_text()


def test_colours_only(shown: Page, fountain: Made) -> None:
    story = fountain.story
    tab_to(shown, "#blind")
    shown.keyboard.press("Enter")
    expect(shown.locator("#blind")).to_have_attribute("aria-pressed", "true")
    go_to(shown, 12.0, story)
    expect(shown.locator(".grows")).to_be_hidden()
    expect(shown.locator("#reading")).to_be_hidden()
    shown.locator("#on").click()
    step = story.steps[int(shown.locator("#scrubber").input_value())]
    for words in (
        shown.locator("#scrubber").get_attribute("aria-valuetext"),
        shown.locator("#told").text_content(),
        shown.locator("#picture").get_attribute("alt"),
    ):
        assert words is not None
        assert step.colour.name in words
        assert "free" not in words
        assert "%" not in words
    # The colour is still there in a picture and in a word.
    expect(shown.locator("#picture")).to_be_visible()
    expect(shown.locator("#shade")).to_have_text(step.colour.name)
    assert "free" not in shown.locator("#watch").inner_text()
    shown.locator("#stop-here").click()
    expect(shown.locator("#stop-said")).not_to_contain_text("curve")
    shown.locator("#stop-reveal").click()
    expect(shown.locator(".grows")).to_be_visible()
    expect(shown.locator("#reading")).to_contain_text("free")


def test_stops_of_a_class(shown: Page, fountain: Made) -> None:
    story = fountain.story
    end = story.equivalence_ml
    assert end is not None
    typed = shown.locator("#class-stops")
    typed.fill("11.40 11,55 11.6; 11.62\n11.7 abc -3 9999 11.50,")
    expect(shown.locator("#class-count")).to_contain_text("6 stops. Left out: abc, -3, 9999.")
    expect(shown.locator("#class-result")).to_be_hidden()
    go_to(shown, 11.65, story)
    shown.locator("#stop-here").click()
    shown.locator("#class-add").click()
    shown.locator("#stop-reveal").click()
    stops = [11.40, 11.55, 11.60, 11.62, 11.70, 11.50, 11.65]
    mean, sd = statistics.mean(stops), statistics.stdev(stops)
    half = student.ppf(0.975, 6) * sd / 7**0.5
    said = shown.locator("#class-summary").inner_text().replace("\u00a0", " ")
    assert f"7 stops: mean {mean:.2f} mL, from 11.40 to 11.70 mL." in said
    assert f"standard deviation {sd:.2f} mL" in said
    off = mean - end
    assert f"on average {abs(off):.2f} mL {'before' if off < 0 else 'after'} the" in said
    found = re.search(r"95 %: ([−+])([0-9.]+) to ([−+])([0-9.]+) mL", said)
    assert found is not None
    ends = [float(found[k + 1]) * (1 if found[k] == "+" else -1) for k in (1, 3)]
    assert ends == pytest.approx([off - half, off + half], abs=0.0051)
    amount = re.search(r"result is ([0-9.]+) mg/L CaCO3 too (low|high)", said)
    assert amount is not None
    assert float(amount[1]) == pytest.approx(abs(off) * story.per_ml, abs=0.051)
    significant = ends[0] > 0 or ends[1] < 0
    assert ("would not take this bias away" in said) == significant
    assert shown.locator("#class-chart .dot").count() == 7
    shown.locator("#stop-again").click()
    expect(shown.locator("#class-result")).to_be_hidden()


def test_a_bias_that_more_pupils_would_not_remove(shown: Page, fountain: Made) -> None:
    end = fountain.story.equivalence_ml
    assert end is not None
    shown.locator("#class-stops").fill(
        " ".join(f"{end + 0.3 + 0.02 * k:.2f}" for k in range(-2, 3))
    )
    go_to(shown, 11.0, fountain.story)
    shown.locator("#stop-here").click()
    shown.locator("#stop-reveal").click()
    expect(shown.locator("#class-summary")).to_contain_text("would not take this bias away")


def test_the_model_says_what_it_does_not_know(shown: Page, fountain: Made) -> None:
    tables = fountain.story.tables
    assert tables is not None
    shown.locator("#model-open").click()
    doubt = shown.locator("#model-doubt")
    expect(doubt).to_have_text("")
    shown.locator("#set-ph").fill(str(len(tables.ph) - 1))
    expect(doubt).to_contain_text("22 % of the free indicator is its orange form")
    expect(doubt).to_contain_text("magnesium hydroxide can form")
    shown.locator("#set-magnesium").fill("0")
    expect(doubt).not_to_contain_text("magnesium hydroxide")
    assert "Above pH 11 magnesium hydroxide" not in fountain.text


def test_questions_by_keyboard(shown: Page) -> None:
    for question in shown.locator("form.question").all():
        key = question.get_attribute("data-question")
        button, said = question.locator("[data-reveal]"), question.locator("[data-said]")
        first = question.locator("input").first
        first.focus()
        shown.keyboard.press("Space")
        expect(button).to_be_enabled()
        expect(question.locator(".explained")).to_be_hidden()
        button.focus()
        shown.keyboard.press("Enter")
        expect(question.locator(".explained")).to_be_visible()
        assert said.get_attribute("aria-live") == "polite"
        if key == "control":
            # Only sodium was ticked: it and both of calcium and magnesium are wrong.
            expect(said).to_have_text("1 of 4 flasks agree with the model.")
            assert question.locator(".verdict b").all_inner_texts()[0].startswith("Blue")
            assert question.locator(".verdict b").all_inner_texts()[1].startswith("Red")
        else:
            right = question.locator(".verdict").first.inner_text().startswith("✓")
            expect(said).to_contain_text("right answer" if right else "another answer")


def test_the_model_shows_what_the_solver_says(shown: Page, fountain: Made) -> None:
    tables = fountain.story.tables
    assert tables is not None
    shown.locator("#model-open").click()
    rng = np.random.default_rng(3)
    shape = tables.holders.indicator_free.shape
    for round_ in range(7):
        p, m, d, v = (int(rng.integers(n)) for n in shape)
        if round_ == 0:
            m = v = 0
        for key, k in zip(("ph", "magnesium", "indicator", "volume"), (p, m, d, v), strict=True):
            shown.locator(f"#set-{key}").fill(str(k))
        for chart in ("calcium", "magnesium", "indicator"):
            figure = shown.locator(f'[data-chart="{chart}"]')
            for part in figure.locator("[data-part]").all():
                said, which = part.inner_text(), part.get_attribute("data-part")
                expected = solved(tables, f"{chart}_{which}", (p, m, d, v))
                if said == "no magnesium":
                    assert tables.magnesium[m] == 0.0
                elif said == "no EDTA yet":
                    assert tables.volume_ml[v] == 0.0
                elif said[0] in "<>":
                    assert expected < 0.0006 or expected > 0.9994
                else:
                    percent = float(said.removesuffix(" %"))
                    assert percent == pytest.approx(100.0 * expected, abs=0.06)
        expect(shown.locator("#model-said")).to_contain_text(f"At {tables.volume_ml[v]:.2f} mL")
    shown.locator("#model-back").click()
    expect(shown.locator("#out-ph")).to_have_text("pH 10")
    expect(shown.locator("#out-volume")).to_have_text(f"{tables.water.equivalence_ml:.2f} mL")
    for figure in shown.locator(".species").all():
        here = figure.locator("[data-here]").bounding_box()
        end = figure.locator('[data-ticks="around"] .drop').bounding_box()
        assert here is not None
        assert end is not None
        assert here["x"] + 0.5 * here["width"] == pytest.approx(
            end["x"] + 0.5 * end["width"], abs=1
        )
    before = shown.locator('[data-chart="indicator"] [data-band="free"]').get_attribute("d")
    shown.locator("#model-scale").click()
    after = shown.locator('[data-chart="indicator"] [data-band="free"]').get_attribute("d")
    assert before != after


def solved(tables: Tables, name: str, at: tuple[int, int, int, int]) -> float:
    p, m, d, v = at
    water = replace(
        tables.water,
        ph=tables.ph[p],
        magnesium_share=tables.magnesium[m],
        indicator_umol_l=tables.indicator_umol_l[d],
    )
    return float(getattr(holders([water], tables.volume_ml[v : v + 1]), name)[0, 0])


def test_what_is_drawn_at_first_is_what_the_script_draws(shown: Page, fountain: Made) -> None:
    drawn = re.findall(r'data-band="(\w+)" d="([^"]*)"', fountain.text)
    shown.locator("#model-open").click()
    for (_, path), band in zip(drawn, shown.locator("[data-band]").all(), strict=True):
        a, b = (np.array(re.findall(r"[0-9.]+", d), dtype=float) for d in (path, band_path(band)))
        # Volumes are sent with four decimals, parts with 16 bits.
        assert a == pytest.approx(b, abs=0.02)


def band_path(band: Any) -> str:
    return str(band.get_attribute("d"))


# --- barriers, print, no script ---------------------------------------------------------------

SIZES = [
    {"viewport": {"width": 1280, "height": 800}, "color_scheme": "light"},
    {"viewport": {"width": 390, "height": 844}, "color_scheme": "dark"},
]


@pytest.mark.parametrize("options", SIZES, ids=["light", "dark-phone"])
def test_no_barriers(browser: Browser, fountain: Made, options: dict[str, Any]) -> None:
    opened = browser.new_page(**options)
    told = heard(opened)
    opened.goto(fountain.address)
    assert barriers(opened) == []
    go_to(opened, 11.0, fountain.story)
    opened.locator("#stop-here").click()
    opened.locator("#class-stops").fill("10.9 11.2 11.3")
    opened.locator("#stop-reveal").click()
    opened.locator("#show-all").click()
    assert barriers(opened) == []
    for width in (320, 390, 768, 1280):
        opened.set_viewport_size({"width": width, "height": 844})
        assert opened.evaluate("document.documentElement.scrollWidth <= innerWidth"), width
    assert told == []
    opened.close()


def test_less_motion_has_no_playing(browser: Browser, fountain: Made) -> None:
    opened = browser.new_page(reduced_motion="reduce")
    opened.goto(fountain.address)
    expect(opened.locator("#play")).to_be_hidden()
    expect(opened.locator("#still")).to_be_visible()
    opened.locator("#on").click()
    expect(opened.locator("#volume")).not_to_have_text("0.00")
    opened.close()


def test_without_a_script_everything_stands_there(browser: Browser, fountain: Made) -> None:
    opened = browser.new_context(java_script_enabled=False).new_page()
    opened.goto(fountain.address)
    text = plain_text(opened)
    for mark in fountain.story.marks:
        assert mark.text.replace("\u00a0", " ") in text
    assert fountain.story.answer.replace("\u00a0", " ") in text
    for title in (
        "Worksheet",
        "Practical sheet",
        "Answer sheet",
        "Red, blue, and who takes the metal",
        "Who holds what",
        "Scripts are off",
    ):
        assert title in text
    assert opened.locator("#scrubber").is_hidden()
    assert opened.locator(".grows .dot").count() == len(fountain.story.volume_ml)
    assert opened.locator(".strip img").count() >= 4
    opened.context.close()


def test_the_worksheet_holds_no_answer(shown: Page, fountain: Made) -> None:
    def printed(sheet: str) -> str:
        shown.evaluate("sheet => { document.documentElement.dataset.print = sheet; }", sheet)
        reader = PdfReader(io.BytesIO(shown.pdf(prefer_css_page_size=True)))
        assert 1 <= len(reader.pages) <= 3
        text = " ".join(" ".join(p.extract_text() for p in reader.pages).split())
        return unicodedata.normalize("NFKC", text)

    work, answers, practical = (printed(s) for s in ("worksheet", "answers", "practical"))
    assert "Worksheet" in work
    assert "Ammonia buffer" in work
    assert "I would stop at" in work
    for mark in fountain.story.marks:
        number = mark.text.split("\u00a0")[0]
        assert number not in work
        assert number in answers
    assert "Answer sheet" in answers
    assert "Answer sheet" not in work
    # Hardness in open steps with the molar mass, and its word on a scale with a name.
    assert "(40.08 + 12.01 + 3 × 16.00) mg/mmol" in work
    assert pytest.approx(M_CACO3, abs=0.01) == 40.08 + 12.01 + 3 * 16.00
    assert "moderately hard up to 120" in work
    assert "Geological Survey" in work
    assert fountain.story.facts.soft_or_hard + " (soft up to 60" in answers
    assert fountain.story.facts.soft_or_hard not in work
    assert "Practical sheet" in practical
    assert "Worksheet" not in practical


# --- other results ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def without_number(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Folders of two results without a number."""
    return {name: result_folder(tmp_path_factory, name) for name in ("bracketed", "none")}


def copied(folder: Path, to: Path) -> None:
    """Copy the numbers of a result without its pictures."""
    for path in folder.iterdir():
        if path.suffix in (".json", ".csv"):
            (to / path.name).write_bytes(path.read_bytes())


@pytest.mark.parametrize("case", ["bracketed", "beyond", "none"])
def test_results_without_a_number(
    window: tuple[Page, list[str], list[str]],
    without_number: dict[str, Path],
    tmp_path: Path,
    case: str,
) -> None:
    copied(without_number["none" if case == "none" else "bracketed"], tmp_path)
    if case == "bracketed":
        data = json.loads((tmp_path / "result.json").read_text("utf-8"))
        data["equivalence_ml"]["interval95"][0] = 24.6
        (tmp_path / "result.json").write_text(json.dumps(data), "utf-8")
    one = made(tmp_path)
    opened, told, _ = window
    told.clear()
    opened.goto(one.address)
    expect(opened.locator(".drawn")).to_be_visible()
    answer = one.story.answer.replace("\u00a0", " ")
    if case == "bracketed":
        assert answer not in plain_text(opened)
        for volume, said in ((24.7, "inside the interval"), (20.0, "outside the interval")):
            go_to(opened, volume, one.story)
            opened.locator("#stop-here").click()
            opened.locator("#stop-reveal").click()
            assert answer in plain_text(opened)
            expect(opened.locator("#own-error")).to_contain_text(said)
            opened.locator("#stop-again").click()
    else:
        # The end lies beyond the last volume, or is not known: nobody can point at it, but say why.
        assert answer not in plain_text(opened)
        assert one.story.reasons[0][1] not in plain_text(opened)
        expect(opened.locator("#stop")).to_have_count(0)
        question = opened.locator('form[data-question="wrong"]')
        assert question.locator("input").count() >= 2
        question.locator("input").first.check()
        question.locator("[data-reveal]").click()
        assert answer in plain_text(opened)
        assert one.story.reasons[0][1] in plain_text(opened)
        assert question.locator(".verdict b").all_inner_texts().count("✓ Right.") == 1
        expect(opened.locator("#model-body")).to_be_visible()
    opened.locator("#show-all").click()
    assert "example" in plain_text(opened)
    assert "nan" not in plain_text(opened).lower().split()
    assert told == []


@pytest.mark.parametrize("case", ["fountain", "none"])
def test_questions_have_the_same_numbers_on_page_and_sheets(
    window: tuple[Page, list[str], list[str]],
    fountain: Made,
    without_number: dict[str, Path],
    tmp_path: Path,
    case: str,
) -> None:
    copied(fountain.folder if case == "fountain" else without_number[case], tmp_path)
    one = made(tmp_path)
    opened, _, _ = window
    opened.goto(one.address)
    numbers = [int(text) for text in opened.locator("main .number").all_text_contents()]
    assert numbers == list(range(1, len(numbers) + 1))
    asked = opened.locator("legend:has(.number)").all_text_contents()
    assert len(asked) >= 3
    for sheet in ("worksheet", "answers"):
        tasks = opened.locator(f"#{sheet} ol.tasks > li").all_text_contents()
        for text in asked:
            number, question = " ".join(text.split()).split(" ", 1)
            assert " ".join(tasks[int(number) - 1].split()).startswith(question)


def test_hostile_words_are_only_words(
    window: tuple[Page, list[str], list[str]], fountain: Made, tmp_path: Path
) -> None:
    copied(fountain.folder, tmp_path)
    data = json.loads((tmp_path / "result.json").read_text("utf-8"))
    data["label"] = BAD
    data["indicator"]["bound"] = "red</script><script>window.bad=1</script>"
    data["provenance"]["medium"] = BAD
    (tmp_path / "result.json").write_text(json.dumps(data), "utf-8")
    opened, told, _ = window
    told.clear()
    opened.goto(made(tmp_path).address)
    assert opened.evaluate("window.bad") is None
    assert told == []
    assert opened.locator("h1").inner_text() == " ".join(BAD.split())[:120]


def test_another_indicator_has_no_model(fountain: Made, tmp_path: Path) -> None:
    copied(fountain.folder, tmp_path)
    data = json.loads((tmp_path / "result.json").read_text("utf-8"))
    data["inputs"]["indicator"] = "Calconcarboxylic acid"
    (tmp_path / "result.json").write_text(json.dumps(data), "utf-8")
    one = made(tmp_path)
    assert one.story.tables is None
    assert "with Calconcarboxylic acid they are left out" in one.text
    assert 'id="model"' not in one.text
    assert 'id="stop"' in one.text
    assert {step.colour.name for step in one.story.steps} >= {"red", "blue"}


@pytest.mark.parametrize(
    ("key", "value"),
    [
        (("chemistry",), None),
        (("indicator",), None),
        (("inputs", "flask_ml"), -5.0),
        (("provenance", "medium"), None),
        (("chemistry", "magnesium_share"), {"value": 7.0, "interval68": [0.0, 1.0]}),
        (("titrated",), None),
    ],
)
def test_what_a_result_may_lack(
    fountain: Made, tmp_path: Path, key: tuple[str, ...], value: Any
) -> None:
    copied(fountain.folder, tmp_path)
    data = json.loads((tmp_path / "result.json").read_text("utf-8"))
    inside = data
    for part in key[:-1]:
        inside = inside[part]
    if value is None:
        del inside[key[-1]]
    else:
        inside[key[-1]] = value
    (tmp_path / "result.json").write_text(json.dumps(data), "utf-8")
    one = made(tmp_path)
    assert one.story.is_example == ("chemistry" in key or key[-1] == "flask_ml")
    assert fountain.story.answer in one.story.answer


def test_words_of_a_label_are_never_formulas(fountain: Made, tmp_path: Path) -> None:
    copied(fountain.folder, tmp_path)
    data = json.loads((tmp_path / "result.json").read_text("utf-8"))
    data["label"] = "Well_3^2+"
    (tmp_path / "result.json").write_text(json.dumps(data), "utf-8")
    assert "Well_3^2+: equivalence volume" in made(tmp_path).text


@pytest.fixture(scope="module")
def unanswered(without_number: dict[str, Path]) -> Story:
    """Story of a result without a number."""
    folder = without_number["none"]
    story = story_of(read_kept(folder))
    data = json.loads((folder / "result.json").read_text("utf-8"))
    assert story.reason == data["reasons"][0]["code"]
    assert story.reasons == tuple((r["text"], r["advice"]) for r in data["reasons"])
    return story


@pytest.mark.parametrize("code", [*REASONS, "unheard-of"])
def test_every_reason_makes_a_question(unanswered: Story, code: str) -> None:
    told = (("It was so.", "Do it again."),)
    question = what_went_wrong(replace(unanswered, reason=code, reasons=told))
    assert question is not None
    assert sum(choice.is_right for choice in question.choices) == 1
    texts = [choice.text for choice in question.choices]
    assert len(set(texts)) == len(texts) >= 2
    assert "{" not in " ".join(texts)
    assert question.explained == "Do it again."


def test_a_label_does_not_tell_what_went_wrong(
    without_number: dict[str, Path], tmp_path: Path
) -> None:
    copied(without_number["none"], tmp_path)
    data = json.loads((tmp_path / "result.json").read_text("utf-8"))
    for label in ("Deep well (stopped too early)", "Deep well, stopped too early"):
        (tmp_path / "result.json").write_text(json.dumps({**data, "label": label}), "utf-8")
        assert story_of(read_kept(tmp_path)).label == "Deep well"


def test_practical_sheet_as_pdf_and_page(browser: Browser, fountain: Made, tmp_path: Path) -> None:
    for name in ("sheet.pdf", "sheet.html"):
        done = run(
            "replay",
            str(fountain.folder),
            "--out",
            str(tmp_path / "class.html"),
            "--practical",
            str(tmp_path / name),
        )
        assert done.exit_code == 0, done.stderr
    reader = PdfReader(tmp_path / "sheet.pdf")
    assert len(reader.pages) == 2
    assert "/StructTreeRoot" in reader.root_object
    pdf = unicodedata.normalize("NFKC", " ".join(p.extract_text() for p in reader.pages))
    pdf = re.sub(r"\s+", "", pdf)
    told = heard(opened := browser.new_page(viewport={"width": 390, "height": 844}))
    opened.goto((tmp_path / "sheet.html").as_uri())
    assert barriers(opened) == []
    assert opened.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert len(PdfReader(io.BytesIO(opened.pdf(prefer_css_page_size=True))).pages) == 2
    text = plain_text(opened)
    sheet = practical_of(fountain.story)
    assert sheet is not None
    flask_ml = fountain.story.facts.sample_ml * 1.02
    assert f"in {flask_ml:.0f} mL that is" in text
    assert "67.5 g of ammonium chloride" in text
    assert "Magnesium EDTA" in text
    texts = [sheet.title, sheet.salt, sheet.first, *sheet.hazards, *sheet.waste, *sheet.steps]
    texts += [a.amount for a in sheet.amounts] + [row.holds for row in sheet.flasks]
    for words in texts:
        assert words.replace("\u00a0", " ") in text
        assert re.sub(r"\s+", "", unicodedata.normalize("NFKC", words)) in pdf, words
    for words in ("safety data sheets", "local rules", "ammonia", "stains", "spatula tip"):
        assert words in text.lower()
    assert told == []
    opened.close()


def test_practical_sheet_only_where_it_fits(fountain: Made, tmp_path: Path) -> None:
    copied(fountain.folder, tmp_path)
    data = json.loads((tmp_path / "result.json").read_text("utf-8"))
    data["inputs"]["indicator"] = "Calconcarboxylic acid"
    (tmp_path / "result.json").write_text(json.dumps(data), "utf-8")
    for name, said in (("a.pdf", "Eriochrome Black T only"), ("a.docx", "not a name")):
        done = run("replay", str(tmp_path), "--practical", str(tmp_path / name))
        assert done.exit_code == 2
        assert said in done.stderr
        assert not (tmp_path / name).exists()


def test_command(fountain: Made, tmp_path: Path) -> None:
    out = tmp_path / "class.html"
    done = run("replay", str(fountain.folder), "--out", str(out))
    assert done.exit_code == 0
    assert f"Written to {out}" in done.output
    assert out.read_text("utf-8") == fountain.text


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        ("no result", "holds no result.json"),
        ("no curve", "no curve to replay"),
        ("no columns", "lacks columns"),
        ("no sample", "impossible sample volume"),
        ("no picture", "pictures/001.jpg"),
        ("other file", "not one of its pictures"),
        ("name", "ends in .html"),
    ],
)
def test_what_cannot_be_replayed_is_told(
    fountain: Made, tmp_path: Path, spoil: str, said: str
) -> None:
    folder = tmp_path / "result"
    (folder / "pictures").mkdir(parents=True)
    for path in [*fountain.folder.glob("*.*"), *fountain.folder.glob("pictures/*")]:
        (folder / path.relative_to(fountain.folder)).write_bytes(path.read_bytes())
    index = folder / "pictures" / "index.csv"
    if spoil == "no result":
        (folder / "result.json").unlink()
    elif spoil == "no curve":
        (folder / "curve.csv").unlink()
    elif spoil == "no columns":
        curve = folder / "curve.csv"
        curve.write_text(curve.read_text("utf-8").replace("free_fraction,", "other,"), "utf-8")
    elif spoil == "no sample":
        data = json.loads((folder / "result.json").read_text("utf-8"))
        data["inputs"]["titrant_mol_l"]["value"] = 0.0
        (folder / "result.json").write_text(json.dumps(data), "utf-8")
    elif spoil == "no picture":
        (folder / "pictures" / "001.jpg").write_bytes(b"no picture")
    elif spoil == "other file":
        index.write_text(index.read_text("utf-8").replace("001.jpg", "../x.jpg"), "utf-8")
    out = tmp_path / ("page.txt" if spoil == "name" else "page.html")
    done = run("replay", str(folder), "--out", str(out))
    assert done.exit_code == 2
    assert said in done.stderr
    assert len(done.stderr.strip().split("\n")) == 2
    assert not out.exists()
