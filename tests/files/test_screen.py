"""Standard output of every kind, and of none."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import TextIO

import click
import pytest

from endpoint.files.csv_table import plain_cell
from endpoint.files.screen import guarded_output, quiet_libraries
from endpoint.problems import OutputProblem
from tests.places import ROOT

COMMAND = [sys.executable, "-c", "from endpoint.cli import main; main()"]


def shown(text: str, encoding: str) -> str:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding)
    before, sys.stdout = sys.stdout, stream
    try:
        with guarded_output():
            sys.stdout.write(text + "\n")
    finally:
        sys.stdout = before
    return raw.getvalue().decode(encoding)


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "latin-1", "cp437", "ascii"])
def test_every_encoding_takes_every_name(encoding: str) -> None:
    said = shown("Brünnlein \u4e95 \U0001f4a7 \u2013 \udcff.toml", encoding)
    assert said.startswith("Br")
    assert said.endswith(".toml\n")


def test_nothing_steers_the_terminal() -> None:
    said = shown("a\x1b[31mb\x9bc\rd\u202ee\u2066f\x07\u2028g\th\nü\u202f1", "utf-8")
    assert said == "a?[31mb?c?d?e?f??g\th\nü\u202f1\n"


def said_to(stream: TextIO) -> None:
    before, sys.stdout = sys.stdout, stream
    try:
        with guarded_output():
            click.echo("x")
    finally:
        sys.stdout = before


def test_a_full_disk_is_told_in_words() -> None:
    with (
        open("/dev/full", "w", encoding="utf-8") as full,
        pytest.raises(OutputProblem, match="No space left"),
    ):
        said_to(full)


def run(*words: str, **how: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *words],
        text=True,
        stderr=subprocess.PIPE,
        check=False,
        **how,  # type: ignore[call-overload,no-any-return]
    )


def test_the_command_on_a_full_and_on_a_closed_output() -> None:
    with open("/dev/full", "wb") as full:
        done = run("--help", stdout=full)
    assert done.returncode == 2
    assert done.stderr.startswith("endpoint: Standard output cannot be written")
    assert len(done.stderr.splitlines()) == 2
    closed = run("--version", preexec_fn=lambda: os.close(1))
    assert (closed.returncode, closed.stderr) == (0, "")


def test_a_user_without_home_is_told_how_to_name_the_journal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from endpoint.bench.journal import export
    from endpoint.problems import JournalProblem

    def nowhere(*_: object, **__: object) -> Path:
        raise RuntimeError("could not determine the home directory")

    monkeypatch.setattr(export, "user_data_path", nowhere)
    with pytest.raises(JournalProblem, match="no home folder") as caught:
        export.default_journal()
    assert "--journal" in caught.value.remedy


def _run(code: str, folder: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """Run lines of Python by themselves."""
    line = [sys.executable, "-c", code]
    return subprocess.run(line, capture_output=True, text=True, check=False, cwd=folder)


def test_stopped_while_it_is_loaded() -> None:
    code = (
        "import sys\n"
        "class Stop:\n"
        "    def find_spec(self, name, *_):\n"
        "        if name == 'endpoint.commands.batch': raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Stop())\n"
        "from endpoint.cli import main; main()"
    )
    done = _run(code)
    assert done.returncode == 128 + signal.SIGINT
    assert done.stderr == "endpoint: Stopped.\nRun the command again to start over.\n"


def test_stopped_where_python_drops_it(tmp_path: Path) -> None:
    """Ctrl-C may hit the callback of a weak reference, which nothing can be raised from."""
    code = (
        "import signal, weakref, time\n"
        "from pathlib import Path\n"
        # A job in the background begins without one.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from endpoint import cli\n"
        "from endpoint.commands import plan\n"
        "class Thing: pass\n"
        "def stop(_): raise KeyboardInterrupt\n"
        "def work(*_, **__):\n"
        "    thing = Thing(); held = weakref.ref(thing, stop); del thing\n"
        "    for _ in range(100): time.sleep(0.01)\n"
        "    Path('ran-on').touch()\n"
        "plan.plan.callback = work\n"
        "cli.main(['plan', '14-18'])"
    )
    done = _run(code, tmp_path)
    assert done.returncode == 128 + signal.SIGINT, done.stderr
    assert done.stderr == "\nendpoint: Stopped.\nRun the command again to start over.\n"
    assert not (tmp_path / "ran-on").exists()


def test_libraries_are_silent_and_python_is_not(tmp_path: Path) -> None:
    code = (
        "import os, sys\n"
        "from endpoint.files.screen import quiet_libraries\n"
        "with quiet_libraries():\n"
        "    os.write(2, b'noise'); print('words', file=sys.stderr)\n"
        "print('after', file=sys.stderr)"
    )
    done = _run(code)
    assert done.returncode == 0
    assert done.stderr == "words\nafter\n"
    with quiet_libraries():
        pass


def test_json_on_the_screen_is_ascii(capsys: pytest.CaptureFixture[str]) -> None:
    from endpoint.commands.options import put_json

    put_json({"label": "ü\u202e\x1b"}, "-")
    said = capsys.readouterr().out
    assert said.isascii()
    assert "\x1b" not in said
    assert json.loads(said) == {"label": "ü\u202e\x1b"}


@pytest.mark.parametrize("text", ["=1+1", "+1+x", "-2+3+x", "@A1", "\t=1", "\r=1", "\n=1", "＝1"])
def test_a_cell_is_never_a_formula(text: str) -> None:
    assert plain_cell(text) == f"'{text}"


@pytest.mark.parametrize("text", ["", "Well 3", "-1.5", "+2", "a=1", "-1e-3"])
def test_other_cells_stay_as_they_are(text: str) -> None:
    assert plain_cell(text) == text
