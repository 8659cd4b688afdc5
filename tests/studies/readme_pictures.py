"""The pictures of the README, made by the program itself; run on request.

    python -m tests.studies.readme_pictures

Writes sample_media/pictures: chart and first page of the report of the mill spring, the page for a
class, and the bench while a sample film plays as if it were live (half a minute). Needs Chromium.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pymupdf
from PIL import Image
from playwright.sync_api import Browser, Error, Page

from tests.bench_server import browsing
from tests.places import ROOT

RECORD = ROOT / "sample_media" / "mill-spring.toml"
PICTURES = ROOT / "sample_media" / "pictures"
WIDTH, HEIGHT = 1200, 800
_COMMAND = [sys.executable, "-c", "from endpoint.cli import main; main()"]
_COLOURS = 200


def run(*words: str | Path) -> None:
    """The program as a user runs it."""
    subprocess.run([*_COMMAND, *map(str, words)], cwd=ROOT, check=True)


def keep(picture: Path, name: str, width: int) -> None:
    """Save a picture so wide, in few colours so that the file is small."""
    with Image.open(picture) as whole:
        height = round(whole.height * width / whole.width)
        small = whole.convert("RGB").resize((width, height), Image.Resampling.LANCZOS)
        few = small.quantize(_COLOURS, dither=Image.Dither.NONE)
        few.save(PICTURES / f"{name}.png", optimize=True)


def report_page(folder: Path, to: Path) -> Path:
    """First page of the PDF of a result."""
    run("report", folder, "--pdf", to / "report.pdf")
    picture = to / "report.png"
    with pymupdf.open(to / "report.pdf") as pages:
        pages[0].get_pixmap(dpi=130).save(picture)
    return picture


def class_page(browser: Browser, folder: Path, to: Path) -> Path:
    """The page for a class, within the change."""
    run("replay", folder, "--out", to / "replay.html")
    page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
    page.goto((to / "replay.html").as_uri())
    scrubber = page.locator("input[type=range]").first
    scrubber.focus()
    page.keyboard.press("End")
    for _ in range(18):
        page.keyboard.press("ArrowLeft")
    page.wait_for_timeout(500)
    picture = to / "class.png"
    page.screenshot(path=picture)
    page.close()
    return picture


def bench_page(browser: Browser, to: Path) -> Path:
    """The bench shortly before the end of the titration."""
    journal = to / "journal.sqlite"
    words = ["bench", "--camera", str(RECORD), "--speed", "4", "--journal", str(journal)]
    program = subprocess.Popen(
        [*_COMMAND, *words],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert program.stdout is not None
        for line in program.stdout:
            found = re.search(r"http://\S+", line)
            if found:
                break
        else:
            raise SystemExit("The bench told no address.")
        page = browser.new_page(viewport={"width": WIDTH, "height": 1000})
        _when_it_listens(page, found.group())
        return _near_the_end(page, to / "bench.png")
    finally:
        program.terminate()
        program.wait(10)


def _when_it_listens(page: Page, address: str) -> None:
    for _ in range(40):
        try:
            page.goto(address)
            return
        except Error:
            page.wait_for_timeout(250)
    raise SystemExit("The bench does not answer.")


def _near_the_end(page: Page, picture: Path) -> Path:
    page.wait_for_timeout(3000)
    page.click("#begin")
    page.wait_for_selector("#view-titrating:visible")
    delivered = page.locator("#delivered")
    for _ in range(600):
        if float(delivered.inner_text() or 0.0) >= 13.4:
            break
        page.wait_for_timeout(200)
    page.wait_for_timeout(800)
    page.screenshot(path=picture)
    return picture


def main() -> None:
    """Make all of them anew."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name, browsing() as browser:
        to = Path(name)
        folder = to / "mill-spring"
        run("locate", RECORD, "--out", folder, "--quiet")
        keep(folder / "chart.png", "chart", 900)
        keep(report_page(folder, to), "report", 620)
        keep(class_page(browser, folder, to), "class", 900)
        keep(bench_page(browser, to), "bench", 900)
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
