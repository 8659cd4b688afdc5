"""The replay in a real browser: numbers, keyboard, nothing told too early, print, no script."""

from __future__ import annotations

import html
import io
import json
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect
from pypdf import PdfReader

from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.curve.colour_names import NAMES, blueness_of, name_of, name_of_part
from endpoint.drawing.svg import MARKS
from endpoint.record.titration import read_record
from endpoint.replay.chemistry import Tables, holders
from endpoint.replay.page import LARGEST_BYTES, page
from endpoint.replay.story import Story, story_of
from endpoint.report.folder import write_folder
from endpoint.result.document import provenance_of
from endpoint.result.kept import read_kept
from endpoint.result.text import summary
from tests.bench_server import barriers, heard, tab_to
from tests.command import run
from tests.places import SAMPLES
from tests.report.test_folder import CASES, EXTRA

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


@pytest.fixture
def shown(browser: Browser, fountain: Made) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1280, "height": 800}, color_scheme="light")
    opened = context.new_page()
    told, asked = heard(opened), []
    opened.on("request", lambda request: asked.append(request.url))
    opened.goto(fountain.address)
    yield opened
    assert told == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    context.close()


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
    assert fountain.story.forms.at(1.0, 30.0).name == "dark blue"


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


def test_what_the_fit_found_is_told_with_its_interval(shown: Page, fountain: Made) -> None:
    found = json.loads((fountain.folder / "result.json").read_text("utf-8"))["chemistry"]
    shown.locator("#show-all").click()
    said = " ".join(plain_text(shown).split())
    told = re.search(r"magnesium share of ([0-9]+) % \(68 %: ([0-9]+) to ([0-9]+) %\)", said)
    assert told is not None
    low, high = found["magnesium_share"]["interval68"]
    assert 100 * low - 1 < float(told[2]) <= 100 * low
    assert 100 * high <= float(told[3]) < 100 * high + 1
    dye = re.search(r"([0-9]+) µmol/L \(68 %: ([0-9]+) to ([0-9]+) µmol/L\)", said)
    assert dye is not None
    value, factor = found["indicator_umol_l"]["value"], found["indicator_umol_l"]["factor68"]
    assert float(dye[2]) <= value / factor < float(dye[2]) + 1
    assert float(dye[3]) - 1 < value * factor <= float(dye[3])


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
    for key in ("early", "magnesium", "ph"):
        told = shown.locator(f'.explained[data-answer="{key}"]').inner_text()
        assert own in told.replace("\u00a0", " "), key
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
    expect(shown.locator("#out-ph")).to_contain_text("this sample")
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
    from dataclasses import replace

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
    for title in ("Worksheet", "Answer sheet", "Who holds what", "Scripts are off"):
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

    work, answers = printed("worksheet"), printed("answers")
    assert "Worksheet" in work
    assert "Ammonia buffer" in work
    assert "I would stop at" in work
    for mark in fountain.story.marks:
        number = mark.text.split("\u00a0")[0]
        assert number not in work
        assert number in answers
    assert "Answer sheet" in answers
    assert "Answer sheet" not in work


# --- other results ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def without_number(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Folders of two results without a number."""
    folders = {}
    for status in ("bracketed", "none"):
        folders[status] = tmp_path_factory.mktemp(status)
        write_folder(CASES[status](), folders[status], EXTRA)
    return folders


def copied(folder: Path, to: Path) -> None:
    """Copy the numbers of a result without its pictures."""
    for path in folder.iterdir():
        if path.suffix in (".json", ".csv"):
            (to / path.name).write_bytes(path.read_bytes())


@pytest.mark.parametrize("case", ["bracketed", "beyond", "none"])
def test_results_without_a_number(
    browser: Browser, without_number: dict[str, Path], tmp_path: Path, case: str
) -> None:
    copied(without_number["none" if case == "none" else "bracketed"], tmp_path)
    if case == "bracketed":
        data = json.loads((tmp_path / "result.json").read_text("utf-8"))
        data["equivalence_ml"]["interval95"][0] = 24.6
        (tmp_path / "result.json").write_text(json.dumps(data), "utf-8")
    one = made(tmp_path)
    opened = browser.new_page()
    told = heard(opened)
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
        # The end lies beyond the last volume, or is not known: nobody can point at it.
        assert answer in plain_text(opened)
        assert one.story.reasons[0][1] in plain_text(opened)
        expect(opened.locator("#stop")).to_have_count(0)
    opened.locator("#show-all").click()
    assert "example" in plain_text(opened)
    assert "nan" not in plain_text(opened).lower().split()
    assert told == []
    opened.close()


def test_hostile_words_are_only_words(browser: Browser, fountain: Made, tmp_path: Path) -> None:
    copied(fountain.folder, tmp_path)
    data = json.loads((tmp_path / "result.json").read_text("utf-8"))
    data["label"] = BAD
    data["indicator"]["bound"] = "red</script><script>window.bad=1</script>"
    data["provenance"]["medium"] = BAD
    (tmp_path / "result.json").write_text(json.dumps(data), "utf-8")
    opened = browser.new_page()
    told = heard(opened)
    opened.goto(made(tmp_path).address)
    assert opened.evaluate("window.bad") is None
    assert told == []
    assert opened.locator("h1").inner_text() == " ".join(BAD.split())[:120]
    opened.close()


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
