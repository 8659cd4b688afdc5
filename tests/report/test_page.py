"""Reports as page and PDF: the same numbers everywhere, whole, readable by all, harmless."""

from __future__ import annotations

import html
import io
import json
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pytest
from click.testing import CliRunner
from playwright.sync_api import Browser, Dialog, Page
from pypdf import PdfReader
from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject

from calibration.wording import one_line
from endpoint.cli import main
from endpoint.drawing.curve_svg import curve_drawings
from endpoint.drawing.svg import MARKS
from endpoint.drawing.thumbnails import CELL_IN, COLUMNS, TYPE_PT
from endpoint.report.contents import contents_of, cut, shortened
from endpoint.report.pdf import _LEVELS, _side_by_side
from endpoint.result import wording
from endpoint.result.kept import read_kept
from endpoint.rounding import outward, two_figures, with_uncertainty
from tests.bench_server import barriers, heard
from tests.chemistry.test_indicator_records import record as other_indicator
from tests.kept_films import record_of
from tests.places import SAMPLES

CASES = ("film", "rows", "bracket", "none", "zinc")


@dataclass(frozen=True)
class Case:
    """One kept result with every form of it, all as plain text."""

    folder: Path
    terminal: str
    data: dict[str, Any]
    page: str
    pdf: bytes

    page_text: str
    pdf_text: str

    @property
    def texts(self) -> dict[str, str]:
        return {"terminal": self.terminal, "page": self.page_text, "PDF": self.pdf_text}


def read_page(page: str) -> str:
    """Text of a page without that of its drawings' descriptions."""
    body = re.sub(r"<(style|title|desc)\b.*?</\1>|<img [^>]*>", " ", page, flags=re.S)
    return flat(html.unescape(re.sub(r"<[^>]+>", " ", body)))


def read_pdf(pdf: bytes) -> str:
    return flat(" ".join(sheet.extract_text() for sheet in PdfReader(io.BytesIO(pdf)).pages))


def flat(text: str) -> str:
    return " ".join(text.split())


def run(*words: str) -> tuple[int, str, str]:
    answer = CliRunner().invoke(main, list(words))
    return answer.exit_code, answer.stdout, answer.stderr


def rows_between(low: float, high: float, folder: Path) -> Path:
    """Record of the photometer sample without the rows between two volumes."""
    folder.mkdir()
    head, *rows = (SAMPLES / "quarry-pond.csv").read_text("utf-8").splitlines()
    kept = [r for r in rows if not low < float(r.split(";")[0].replace(",", ".")) < high]
    (folder / "quarry-pond.csv").write_text("\n".join([head, *kept]) + "\n", "utf-8")
    shutil.copy(SAMPLES / "quarry-pond.toml", folder)
    return folder / "quarry-pond.toml"


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Case]:
    place = tmp_path_factory.mktemp("reports")
    (place / "zinc-record").mkdir()
    records = {
        "film": record_of("small-school-well"),
        "rows": SAMPLES / "quarry-pond.toml",
        "bracket": rows_between(16.5, 17.6, place / "jump"),
        "none": rows_between(16.5, 99.0, place / "early"),
        "zinc": other_indicator(place / "zinc-record", "Xylenol orange", 1501)[0],
    }
    found = {}
    for name, record in records.items():
        folder = place / name
        code, terminal, _ = run("locate", str(record), "--quiet", "--out", str(folder))
        assert code == {"bracket": 3, "none": 4}.get(name, 0)
        code, _, problem = run("report", str(folder), "--pdf", str(place / f"{name}.pdf"))
        assert code == 0, problem
        data = json.loads((folder / "result.json").read_text("utf-8"))
        page = (folder / "report.html").read_text("utf-8")
        pdf = (place / f"{name}.pdf").read_bytes()
        found[name] = Case(folder, flat(terminal), data, page, pdf, read_page(page), read_pdf(pdf))
    return found


@pytest.fixture(scope="module")
def replicates(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str, bytes, list[Path]]:
    """Three titrations: what the terminal says of them, page, PDF, folders."""
    place = tmp_path_factory.mktemp("replicates")
    folders = []
    for number in range(1, 4):
        record = rows_between(2.0 * number - 1, 2.0 * number + 1, place / f"record-{number}")
        folders.append(place / f"run-{number}")
        assert run("locate", str(record), "--out", str(folders[-1]))[0] == 0
    names = [str(folder) for folder in folders]
    code, said, _ = run("replicates", *names)
    assert code == 0
    page, pdf = place / "mean.html", place / "mean.pdf"
    code, _, problem = run("report", *names, "--html", str(page), "--pdf", str(pdf))
    assert code == 0, problem
    return flat(said), page.read_text("utf-8"), pdf.read_bytes(), folders


# --- the same numbers everywhere ---------------------------------------------------------------


def numbers_of(data: dict[str, Any]) -> list[str]:
    """Every number with its uncertainty, rounded here and not by the code that is tested."""
    shown = []
    for key in ("equivalence_ml", "midpoint_ml", "last_red_ml"):
        volume = data[key]
        if volume is None:
            continue
        low, high = volume["interval95"]
        if volume["value"] is None:
            ends = outward(low, high)
            shown += [str(ends[0]), str(ends[1])]
            continue
        value, wide = with_uncertainty(volume["value"], 0.5 * (high - low))
        shown.append(f"{value} \u00b1 {wide} mL")
    total = data["hardness"]
    if total is not None:
        for key, unit in (("mmol_l", "mmol/L"), ("caco3_mg_l", "mg/L as CaCO3")):
            number = total[key]
            value, wide = with_uncertainty(number["value"], number["expanded_uncertainty"])
            shown.append(f"{value} \u00b1 {wide} {unit}")
    elif data["amount_mmol_l"] is not None:
        low, high = data["amount_mmol_l"]["interval95"]
        value, wide = with_uncertainty(data["amount_mmol_l"]["value"], 0.5 * (high - low))
        shown.append(f"{value} \u00b1 {wide} mmol/L")
    if data["above_ml"] is not None:
        shown.append(f"above {outward(data['above_ml'], None)[0]} mL")
    return shown


@pytest.mark.parametrize("name", CASES)
def test_every_number_is_the_same_in_every_form(cases: dict[str, Case], name: str) -> None:
    case = cases[name]
    numbers = numbers_of(case.data)
    assert len(numbers) == {"film": 5, "rows": 5, "bracket": 2, "none": 1, "zinc": 4}[name]
    for where, text in case.texts.items():
        for number in numbers:
            assert number in text, f"{where} lacks {number}"


@pytest.mark.parametrize("name", ["film", "rows"])
def test_units_and_budget_are_the_same_in_every_form(cases: dict[str, Case], name: str) -> None:
    case = cases[name]
    for key, number in case.data["hardness"]["other_units"].items():
        value, wide = with_uncertainty(number["value"], number["expanded_uncertainty"])
        assert f"{value} {number['unit']}" in case.terminal, key
        for text in (case.page_text, case.pdf_text):
            assert f"{value} \u00b1 {wide} {number['unit']}" in text, key
    for line in case.data["budget"][:6]:
        part, share = two_figures(line["contribution"]), f"{100 * line['share']:.0f} %"
        name_and_type = f"{line['name']} ({line['type']})"
        assert f"{part} {share} {name_and_type}" in case.terminal
        for text in (case.page_text, case.pdf_text):
            row = re.search(rf"{re.escape(name_and_type)} [^()]*?{part} {share}", text)
            assert row, name_and_type
    inputs = [line for line in case.data["budget"][:6] if line["input_unit"]]
    assert inputs
    for line in inputs:
        u = f"u = {two_figures(line['standard_uncertainty'])} {line['input_unit']}"
        assert u in case.page_text
        assert u in case.pdf_text


@pytest.mark.parametrize("name", CASES)
def test_sentences_are_those_of_the_terminal(cases: dict[str, Case], name: str) -> None:
    case, data = cases[name], cases[name].data
    sentences = [s["text"] for s in (*data["reasons"], *data["diagnosis"])]
    sentences += [s["advice"] for s in data["reasons"]]
    sentences += [wording.frames_text(data["frames"]), wording.cautions(data["indicator"]["ph"])]
    for where, text in case.texts.items():
        for sentence in sentences:
            assert flat(sentence) in text, f"{where} lacks: {sentence}"


@pytest.mark.parametrize("name", CASES)
def test_status_is_said_in_words_at_the_top(cases: dict[str, Case], name: str) -> None:
    words = {"located": "Located", "bracketed": "Only an interval", "none": "No endpoint"}
    case = cases[name]
    for text in (case.page_text, case.pdf_text):
        assert words[case.data["status"]] in text[:400]


def test_other_metals_are_named_and_no_hardness_is_claimed(cases: dict[str, Case]) -> None:
    zinc = cases["zinc"]
    for text in zinc.texts.values():
        assert "last violet" in text
        assert "EDTA equals zinc" in text
        assert "Ammonia" not in text
        assert "Zinc" in text
    assert "Total hardness" not in zinc.page_text + zinc.pdf_text
    assert "Only a hardness has a budget by source" in zinc.page_text


def test_where_it_comes_from_is_told(cases: dict[str, Case]) -> None:
    film = cases["film"]
    origin = film.data["provenance"]
    assert {"numpy", "scipy", "scikit-image", "opencv-python", "av"} <= set(origin["libraries"])
    for text in (film.page_text, film.pdf_text):
        for key in ("medium_sha256", "volumes_sha256", "medium", "record", "program", "analysed"):
            assert origin[key] in text, key
        for library, version in origin["libraries"].items():
            assert f"{library} {version}" in text
        assert "No blank was subtracted." in text


def test_fitted_shifts_are_told_with_their_uncertainty(cases: dict[str, Case]) -> None:
    for name in ("film", "rows"):
        case = cases[name]
        assert "fitted shift stated" in case.page_text
        found = case.data["chemistry"]["parameters"]
        for key, words in (
            ("shift_log_k_edta", "Shift of log K, metal with EDTA"),
            ("shift_log_k_indicator", "Shift of log K, metal with indicator"),
        ):
            shift, u = found[key]["value"], found[key]["standard_uncertainty"]
            for text in (case.page_text, case.pdf_text):
                told = re.search(rf"{words} ([+\u2212]?)([\d.]+) \(u = ([\d.]+)\)", text)
                assert told, (name, key)
                sign, value, wide = told.groups()
                assert float(wide) == pytest.approx(u, rel=0.05)
                assert (-1 if sign == "\u2212" else 1) * float(value) == pytest.approx(
                    shift, abs=0.05 * u
                )


@pytest.mark.parametrize("name", CASES)
def test_parts_stand_in_one_order_in_page_and_pdf(cases: dict[str, Case], name: str) -> None:
    case = cases[name]
    outlines = []
    for text in (case.page_text, case.pdf_text):
        heads = ("Sample and method", "Colour against volume", "Provenance Record", "Cautions ")
        places = [text.index(head) for head in heads]
        outlines.append(places == sorted(places))
    assert outlines == [True, True]


def test_the_mean_comes_first_and_is_that_of_the_terminal(
    replicates: tuple[str, str, bytes, list[Path]],
) -> None:
    said, page, pdf, folders = replicates
    answer = re.match(r".*?\(concordant\)\.", said)
    assert answer
    reader = PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) == 1 + 2 * len(folders)
    first = flat(reader.pages[0].extract_text())
    whole = flat(html.unescape(re.sub(r"<[^>]+>", " ", page)))
    for text in (first, whole):
        assert answer[0] in text
        assert "mean of 3 titrations" in text
        assert "Grubbs" in text
        assert "\u2026" not in text
    for k, folder in enumerate(folders):
        data = json.loads((folder / "result.json").read_text("utf-8"))
        number = data["hardness"]["mmol_l"]
        value, wide = with_uncertainty(number["value"], number["expanded_uncertainty"])
        own = flat(reader.pages[1 + 2 * k].extract_text())
        assert f"{value} \u00b1 {wide} mmol/L" in own
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


# --- the PDF -----------------------------------------------------------------------------------


def tagged(node: Any) -> Iterator[DictionaryObject]:
    """Every element of the structure tree."""
    node = node.get_object() if isinstance(node, IndirectObject) else node
    if isinstance(node, ArrayObject):
        for item in node:
            yield from tagged(item)
    elif isinstance(node, DictionaryObject):
        yield node
        if "/K" in node:
            yield from tagged(node["/K"])


@pytest.mark.parametrize("name", CASES)
def test_pdf_has_two_pages_and_tells_a_reader_what_it_is(cases: dict[str, Case], name: str) -> None:
    reader = PdfReader(io.BytesIO(cases[name].pdf))
    assert len(reader.pages) == 2
    root: Any = reader.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"].value is True
    assert root["/ViewerPreferences"]["/DisplayDocTitle"].value is True
    assert reader.metadata is not None
    assert reader.metadata.title == f"Titration report: {cases[name].data['label']}"
    assert reader.metadata.creation_date is None
    xmp = root["/Metadata"].get_object().get_data().decode("utf-8")
    assert re.search(r"<pdfuaid:part>1</pdfuaid:part>", xmp)
    elements = list(tagged(root["/StructTreeRoot"]["/K"]))
    figures = [e for e in elements if e.get("/S") == "/Figure"]
    wanted = {"film": 4, "rows": 2, "bracket": 2, "none": 1, "zinc": 2}[name]
    assert len(figures) == wanted
    for figure in figures:
        assert len(str(figure["/Alt"])) > 30
    kinds = {str(e.get("/S")) for e in elements}
    assert {"/H1", "/P"} <= kinds
    assert ("/TH" in kinds) == (name in ("film", "rows", "zinc"))


def test_pictures_are_in_the_pdf_and_the_page(cases: dict[str, Case]) -> None:
    film = cases["film"]
    assert len(PdfReader(io.BytesIO(film.pdf)).pages[1].images) == 2
    assert film.page.count('<img alt="') == 2
    assert "<img" not in cases["rows"].page


@pytest.mark.parametrize("ratio", [3.6, 1.9, 1.75, 0.9])
def test_captions_of_small_pictures_can_be_read_or_are_left_out(ratio: float) -> None:
    first = {"name": "a.png", "caption": "First picture", "ratio": 1.3}
    strip = {"name": "b.png", "caption": "Pictures", "ratio": ratio}
    for level in _LEVELS:
        placed = _side_by_side([first, strip], level["picture_mm"])
        for picture in placed[1:]:
            points = picture["width_mm"] / 25.4 * TYPE_PT / (COLUMNS * CELL_IN)
            assert points >= 6.0
        if len(placed) == 1:
            assert "more in b.png" in placed[0]["caption"]
    shown = len(_side_by_side([first, strip], _LEVELS[0]["picture_mm"]))
    assert shown == (1 if ratio == 0.9 else 2)


def test_the_same_result_gives_the_same_bytes(cases: dict[str, Case], tmp_path: Path) -> None:
    film = cases["film"]
    copied = tmp_path / film.folder.name
    shutil.copytree(film.folder, copied)
    page, pdf = tmp_path / "again.html", tmp_path / "again.pdf"
    assert run("report", str(copied), "--html", str(page), "--pdf", str(pdf))[0] == 0
    assert page.read_text("utf-8") == film.page
    assert pdf.read_bytes() == film.pdf


# --- the page ----------------------------------------------------------------------------------

LOOKS: dict[str, tuple[Literal["light", "dark"], int, int]] = {
    "light": ("light", 1200, 900),
    "dark": ("dark", 1200, 900),
    "phone": ("light", 390, 844),
}
"""Colour scheme, width and height, pixels."""


@pytest.fixture(scope="module")
def window(browser: Browser) -> Page:
    """A window for one page after the other."""
    return browser.new_page()


def look_at(window: Page, look: str) -> int:
    """Make the window look so, and return its width."""
    scheme, width, height = LOOKS[look]
    window.emulate_media(color_scheme=scheme)
    window.set_viewport_size({"width": width, "height": height})
    return width


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("name", ["film", "bracket"])
def test_page_has_no_barriers_and_fits(
    window: Page, cases: dict[str, Case], name: str, look: str
) -> None:
    told = heard(window)
    asked: list[str] = []
    window.on("request", lambda request: asked.append(request.url))
    address = (cases[name].folder / "report.html").as_uri()
    width = look_at(window, look)
    window.goto(address)
    assert window.evaluate(f"matchMedia('(prefers-color-scheme: {LOOKS[look][0]})').matches")
    assert barriers(window) == []
    assert window.evaluate("document.documentElement.scrollWidth") <= width
    assert told == []
    assert address in asked
    assert [url for url in asked if url != address and not url.startswith("data:")] == []


def test_page_of_replicates_has_no_barriers(
    window: Page, replicates: tuple[str, str, bytes, list[Path]], tmp_path: Path
) -> None:
    width = look_at(window, "phone")
    (tmp_path / "mean.html").write_text(replicates[1], "utf-8")
    window.goto((tmp_path / "mean.html").as_uri())
    assert barriers(window) == []
    assert window.evaluate("document.documentElement.scrollWidth") <= width


def test_page_needs_no_script_and_lets_none_run(
    browser: Browser, window: Page, cases: dict[str, Case], tmp_path: Path
) -> None:
    film = cases["film"]
    assert "<script" not in film.page
    assert "javascript:" not in film.page
    context = browser.new_context(java_script_enabled=False, offline=True)
    page = context.new_page()
    page.goto((film.folder / "report.html").as_uri())
    said = flat(page.locator("main").inner_text())
    for number in numbers_of(film.data):
        assert number in said
    assert page.locator("svg.drawing").count() == 3
    context.close()
    # Even a script that got in would not run.
    spoiled = tmp_path / "spoiled.html"
    script = "<script>document.title='run'</script><img src=x onerror=\"document.title='run'\">"
    spoiled.write_text(film.page.replace("</main>", f"{script}</main>"), "utf-8")
    window.goto(spoiled.as_uri())
    assert window.title().startswith("Titration report")


def test_page_prints_without_cutting_numbers(window: Page, cases: dict[str, Case]) -> None:
    look_at(window, "light")
    window.goto((cases["film"].folder / "report.html").as_uri())
    printed = PdfReader(io.BytesIO(window.pdf(prefer_css_page_size=True)))
    text = flat(" ".join(sheet.extract_text() for sheet in printed.pages))
    for number in numbers_of(cases["film"].data):
        assert number in text
    assert printed.pages[0].mediabox.width == pytest.approx(595, abs=2)


# --- texts that try to be more than texts ------------------------------------------------------

WELL = "\u6c34\u4e95 \u039a\u03b1\u03bb\u03cc \u0179r\u00f3d\u0142o \U0001f642"
TRICKS = (
    '#read("/etc/passwd") $x$ *b* @a // /* ``` \\',
    "<script>alert(1)</script>\"' onload=x </title> {{ 7*7 }} {% raw %}",
    "\x1b[31mred\x00\r\n\u202ebackwards",
    WELL,
)


def spoil(folder: Path, place: Path, edit: Callable[[dict[str, Any]], None]) -> Path:
    """Copy of a kept result with another document."""
    spoiled = place / "spoiled"
    shutil.rmtree(spoiled, ignore_errors=True)
    shutil.copytree(folder, spoiled)
    data = json.loads((spoiled / "result.json").read_text("utf-8"))
    edit(data)
    (spoiled / "result.json").write_text(json.dumps(data), "utf-8")
    return spoiled


@pytest.mark.parametrize("trick", TRICKS)
def test_texts_of_a_result_stay_texts(
    window: Page, cases: dict[str, Case], tmp_path: Path, trick: str
) -> None:
    def edit(data: dict[str, Any]) -> None:
        data["label"] = trick
        data["notes"] = [trick]
        data["diagnosis"] = [{"code": trick, "text": trick, "advice": trick}]
        data["budget"][0]["name"] = trick
        data["provenance"]["medium"] = trick
        data["indicator"]["free"] = data["titrated"] = trick

    folder = spoil(cases["rows"].folder, tmp_path, edit)
    page, pdf = tmp_path / "t.html", tmp_path / "t.pdf"
    code, _, problem = run("report", str(folder), "--html", str(page), "--pdf", str(pdf))
    assert code == 0, problem
    shown = one_line(trick)
    reader = PdfReader(io.BytesIO(pdf.read_bytes()))
    assert len(reader.pages) == 2
    text = " ".join(sheet.extract_text() for sheet in reader.pages)
    assert reader.metadata is not None
    assert reader.metadata.title == f"Titration report: {shown}"
    assert "root:" not in text
    if trick is not WELL:  # boxes stand for signs of writing that no font here has
        assert flat(shown) in flat(text)
    else:
        assert "\u0179r\u00f3d\u0142o" in text
        assert "drawn as boxes" in text
    raw = page.read_text("utf-8")
    assert "<script" not in raw
    assert "\x1b" not in raw + text
    assert "\u202e" not in raw + text
    dialogs: list[str] = []

    def dismiss(dialog: Dialog) -> None:
        dialogs.append(dialog.message)
        dialog.dismiss()

    window.on("dialog", dismiss)
    window.goto(page.as_uri())
    assert window.locator("h1").inner_text() == shown
    assert window.title() == f"Titration report: {shown}"
    assert dialogs == []
    window.remove_listener("dialog", dismiss)


def test_a_flood_of_texts_still_makes_two_pages(cases: dict[str, Case], tmp_path: Path) -> None:
    def edit(data: dict[str, Any]) -> None:
        sentence = {
            "code": "x",
            "text": "A long sentence of a result. " * 40,
            "advice": "Do. " * 90,
        }
        data["label"] = "A very long name " * 100
        data["diagnosis"], data["notes"] = [sentence] * 60, ["A note. " * 300] * 40
        line = data["budget"][0]
        data["budget"] = [{**line, "name": f"source {k} {'w' * 300}"} for k in range(90)]
        data["not_in_budget"] = ["something that is missing " * 20] * 50
        data["certificates"] = [
            {"purpose": "burette " * 30, "id": "B" * 300, "reservations": ["Expired. " * 40] * 5}
        ] * 60
        data["titrated"] = "calcium " * 300
        data["provenance"]["source"] = {f"key {k}": "v" * 900 for k in range(60)}

    folder = spoil(cases["film"].folder, tmp_path, edit)
    pdf = tmp_path / "flood.pdf"
    code, _, problem = run("report", str(folder), "--pdf", str(pdf))
    assert code == 0, problem
    reader = PdfReader(io.BytesIO(pdf.read_bytes()))
    assert len(reader.pages) == 2
    text = flat(" ".join(sheet.extract_text() for sheet in reader.pages))
    assert "more in result.json" in text
    assert numbers_of(cases["film"].data)[0] in text


def test_cut_texts_say_so() -> None:
    assert cut("one two three four", 12) == "one two \u2026"
    assert cut("short", 12) == "short"
    assert cut("x" * 30, 10) == "x" * 8 + " \u2026"
    assert shortened(["a", "b", "c"], 2, 10) == ["a", "b", "1 more in result.json"]


# --- the drawings ------------------------------------------------------------------------------


def test_drawn_points_and_marks_stand_where_the_numbers_say(cases: dict[str, Case]) -> None:
    """The mark of each volume in the enlarged part, read back through the ticks of its axis."""
    kept = read_kept(cases["film"].folder)
    near = curve_drawings(kept, "t")[1]["svg"]
    ticks = re.findall(
        r'<text x="([\d.]+)" y="[\d.]+" text-anchor="middle" class="soft">([\d.]+)</text>', near
    )
    places = sorted({(float(x), float(v)) for x, v in ticks})
    (x1, v1), (x2, v2) = places[0], places[-1]
    seen = {
        "circle": re.search(r'<circle class="mark" cx="([\d.]+)"', near),
        "square": re.search(r'<rect x="([\d.]+)" [^>]*class="mark"', near),
        "triangle": re.search(r'<polygon class="mark" points="([\d.]+),', near),
    }
    for key, shape in MARKS.items():
        found = seen[shape]
        assert found, shape
        x = float(found[1]) + (5.5 if shape == "square" else 0.0)
        volume = v1 + (x - x1) * (v2 - v1) / (x2 - x1)
        assert volume == pytest.approx(cases["film"].data[key]["value"], abs=0.003)


def test_the_strip_has_the_colours_of_the_curve(cases: dict[str, Case]) -> None:
    kept = read_kept(cases["film"].folder)
    assert kept.curve is not None
    whole = curve_drawings(kept, "t")[0]["svg"]
    fills = re.findall(r'fill="#([0-9a-f]{6})"', whole)
    columns = [kept.curve[f"srgb_{name}"] for name in ("red", "green", "blue")]
    mixed = kept.curve["mixed_volume_ml"]
    for end, fill in ((mixed.min(), fills[0]), (mixed.max(), fills[-1])):
        there = (mixed == end).nonzero()[0]
        assert fill in {"".join(f"{int(c[k]):02x}" for c in columns) for k in there}
    red, blue = (tuple(int(h[k : k + 2], 16) for k in (0, 2, 4)) for h in (fills[0], fills[-1]))
    assert red[0] > red[2] > red[1]
    assert blue[2] > blue[0]


def test_a_result_without_its_folder_is_reported_without_a_curve(
    cases: dict[str, Case], tmp_path: Path
) -> None:
    alone = tmp_path / "alone.json"
    shutil.copy(cases["film"].folder / "result.json", alone)
    page, pdf = tmp_path / "a.html", tmp_path / "a.pdf"
    assert run("report", str(alone), "--html", str(page), "--pdf", str(pdf))[0] == 0
    assert "No curve is drawn" in page.read_text("utf-8")
    assert len(PdfReader(io.BytesIO(pdf.read_bytes())).pages) == 2
    view = contents_of(read_kept(alone))
    assert view["headline"]["number"].startswith("0.96")


# --- wrong use ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "nothing to write"),
        (["--pdf", "no/where/x.pdf"], "is not a folder"),
        (["--pdf", "."], "is a folder"),
        (["--pdf", "x.out", "--html", "x.out"], "the same file name"),
    ],
)
def test_wrong_use(
    cases: dict[str, Case],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    said: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, problem = run("report", str(cases["rows"].folder), *words)
    assert (code, out) == (2, "")
    assert said in problem
    assert len(problem.strip().splitlines()) == 2
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (lambda d: d.update(format=9), "has the format 9"),
        (lambda d: d.pop("inputs"), "damaged or was changed"),
        (lambda d: d["hardness"]["mmol_l"].update(value="much"), "hardness"),
        (lambda d: d["inputs"].update(ph=99), "inputs.ph"),
    ],
)
def test_spoiled_results(
    cases: dict[str, Case], tmp_path: Path, edit: Callable[[dict[str, Any]], None], said: str
) -> None:
    folder = spoil(cases["rows"].folder, tmp_path, edit)
    target = tmp_path / "x.pdf"
    code, out, problem = run("report", str(folder), "--pdf", str(target))
    assert (code, out) == (2, "")
    assert said in problem
    assert len(problem.strip().splitlines()) == 2
    assert not target.exists()


@pytest.mark.parametrize(
    "edit",
    [
        lambda d: d.update(parts={}),
        lambda d: d["hardness"]["mmol_l"].update(coverage_factor=None),
        lambda d: [d.pop(key) for key in ("indicator", "titrated", "notes", "parts", "chemistry")],
        lambda d: [d["frames"].pop("kind"), d["hardness"].pop("monte_carlo")],
        lambda d: d["provenance"].clear(),
        lambda d: d["hardness"]["mmol_l"].update(expanded_uncertainty=1e-300),
    ],
)
def test_what_a_result_may_lack_is_left_out(
    cases: dict[str, Case], tmp_path: Path, edit: Callable[[dict[str, Any]], None]
) -> None:
    folder = spoil(cases["rows"].folder, tmp_path, edit)
    page, pdf = tmp_path / "x.html", tmp_path / "x.pdf"
    code, _, problem = run("report", str(folder), "--html", str(page), "--pdf", str(pdf))
    assert code == 0, problem
    number = numbers_of(cases["rows"].data)[0]
    assert number in read_page(page.read_text("utf-8"))
    assert number in read_pdf(pdf.read_bytes())


def test_one_recording_twice_is_no_replicate(cases: dict[str, Case], tmp_path: Path) -> None:
    name = str(cases["rows"].folder)
    code, _, problem = run("report", name, name, "--pdf", str(tmp_path / "x.pdf"))
    assert code == 2
    assert "same recording" in problem
