"""The program at the bench is killed, and its disk runs full, while its page is open."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from endpoint.bench.journal.events import Reading
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.readings import readings_of
from endpoint.colour.density import ColourSample
from tests.bench_scene import ADDITIONS, TRUE_ML
from tests.bench_server import browsing, fill, finished, heard, tab_to
from tests.places import ROOT
from tests.waiting import wait_for

PAUSE = 9
"""Pictures of the flask between two additions, 0.9 s or more."""


class Program:
    """The bench in its own process."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.folder = folder
        (folder / "added").write_text("0")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> str:
        address = self.folder / "address"
        address.unlink(missing_ok=True)
        (self.folder / "seen").unlink(missing_ok=True)
        self.process = process = subprocess.Popen(
            [sys.executable, "-m", "tests.bench_process", str(self.folder), str(self.port)],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
        )
        wait_for(lambda: address.exists() or process.poll() is not None, "its address")
        assert process.poll() is None, "the bench did not start"
        wait_for(self.answers, "an answer")
        return address.read_text()

    def answers(self) -> bool:
        """Whether somebody listens."""
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
            return True
        return False

    def seen(self) -> int:
        """Pictures that it has measured."""
        seen = self.folder / "seen"
        return int(seen.read_text()) if seen.exists() else 0

    def pause(self) -> None:
        """Nothing is added until some more pictures have been measured."""
        least = self.seen() + PAUSE
        wait_for(lambda: self.seen() >= least, "pictures of the flask")

    def kill(self) -> None:
        assert self.process is not None
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(20)

    def add(self, number: int) -> None:
        """The flask gets an addition."""
        new = self.folder / "added.new"
        new.write_text(str(number))
        new.rename(self.folder / "added")


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    running = Program(tmp_path)
    yield running
    running.stop()


def titrate(page: Page, program: Program, numbers: range) -> None:
    for k in numbers:
        page.keyboard.type(f"{ADDITIONS[k]:.2f}\n")
        program.add(k)
        expect(page.locator("#delivered")).to_have_text(f"{ADDITIONS[k]:.2f}")
        program.pause()


def test_killed_and_full_while_the_page_is_open(program: Program, tmp_path: Path) -> None:
    with browsing() as browser:
        context = browser.new_context(viewport={"width": 1280, "height": 800})
        page = context.new_page()
        page.goto(program.start())
        expect(page.locator("#checks li[data-code=flask-found].good")).to_be_visible()
        for field, text in (
            ("label", "Spring"),
            ("sample", "100"),
            ("fillings", "2"),
            ("added", "5"),
            ("titrant", "0.0100"),
            ("lag", "0.1"),
        ):
            fill(page, f"#f-{field}", text)
        page.keyboard.press("Enter")
        expect(page.locator("#view-titrating")).to_be_visible()
        program.pause()
        titrate(page, program, range(1, 8))
        program.kill()
        # Said at once, in words.
        expect(page.locator("#notices")).to_contain_text("lost the bench")
        expect(page.locator("#notices")).to_contain_text("there you can resume the run")
        page.keyboard.type("9.99\n")
        expect(page.locator("#reading-note")).to_contain_text("does not answer")
        with RunJournal.open(tmp_path / "journal.sqlite", writing=False) as journal:
            events = journal.events(1)
            # Colours of the last pause are there; how many of them a kill may cost is measured
            # without a browser, in tests/bench/journal/test_kill.py.
            last = [isinstance(kept.event, Reading) for kept in events][::-1].index(True)
            assert any(isinstance(kept.event, ColourSample) for kept in events[-last:])
            there = [reading.burette_ml for reading in readings_of(events)]
            assert there == list(ADDITIONS[:8])

        again = context.new_page()
        told = heard(again)
        again.goto(program.start())
        expect(again.locator("#unfinished")).to_contain_text('The run "Spring" was interrupted.')
        expect(again.locator("#checks li[data-code=flask-found].good")).to_be_visible()
        tab_to(again, "[data-do=resume]")
        again.keyboard.press("Enter")
        expect(again.locator("#delivered")).to_have_text(f"{ADDITIONS[7]:.2f}")
        page.close(run_before_unload=False)
        expect(again.locator("#reading")).to_be_focused()
        titrate(again, program, range(8, 11))

        (tmp_path / "full").touch()
        titrate(again, program, range(11, 12))
        expect(again.locator("#notices")).to_contain_text("cannot write its journal")
        expect(again.locator("#notices")).to_contain_text("Free some space")
        titrate(again, program, range(12, 14))
        with RunJournal.open(tmp_path / "journal.sqlite", writing=False) as journal:
            assert len(readings_of(journal.events(1))) < 14, "the disk was not full: no proof"
        (tmp_path / "full").unlink()
        expect(again.locator("#notices")).not_to_contain_text("cannot write its journal")
        titrate(again, program, range(14, len(ADDITIONS)))
        document = finished(again)
        low, high = document["equivalence_ml"]["interval95"]
        assert low - 0.01 < TRUE_ML < high + 0.01
        assert document["equivalence_ml"]["value"] == pytest.approx(TRUE_ML, abs=0.05)
        assert not told, told
    program.stop()
    with RunJournal.open(tmp_path / "journal.sqlite", writing=False) as journal:
        (entry,) = journal.runs()
        assert entry.finished
        kept = [reading.burette_ml for reading in readings_of(journal.events(entry.run))]
        assert kept == list(ADDITIONS)
