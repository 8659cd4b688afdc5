"""Faults of the program itself: one sentence, a private report, exit code 70."""

from __future__ import annotations

import logging
import os
import re
import stat
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from calibration.problem import Problem
from endpoint.batch.work import row_of_record
from endpoint.cli import main
from endpoint.commands.bench import FaultsTold
from endpoint.files.fault_report import fault_told
from endpoint.problems import EXIT_FAULT
from tests.places import ROOT, SAMPLES

FAULTY = """
import sys
from endpoint.cli import main
def fail(**options):
    raise {error}
main.commands["hardness"].callback = fail
main()
"""
USED = ["hardness", "well 3.toml"]


@pytest.fixture(autouse=True)
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folder for reports; the debugging of whoever runs the tests is out of play."""
    folder = tmp_path / "reports"
    folder.mkdir()
    monkeypatch.setenv("TMPDIR", str(folder))
    monkeypatch.setattr("tempfile.tempdir", None)
    monkeypatch.delenv("ENDPOINT_DEBUG", raising=False)
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    return folder


def run_apart(error: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a command that fails, in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", FAULTY.format(error=error), *USED],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=60,
    )


def failing(monkeypatch: pytest.MonkeyPatch, command: click.Command, error: BaseException) -> None:
    """Let a command raise, whatever its options."""

    def fail(context: click.Context) -> None:
        raise error

    monkeypatch.setattr(command, "parse_args", lambda context, given: [])
    monkeypatch.setattr(command, "invoke", fail)


def test_a_fault_is_one_sentence_and_a_private_report(temporary: Path) -> None:
    got = run_apart("KeyError('lost')")
    assert got.returncode == EXIT_FAULT == 70
    assert got.stdout == ""
    sentence, _ = got.stderr.splitlines()
    (report,) = temporary.iterdir()
    assert sentence == (
        "endpoint: The program failed because of a fault of its own (KeyError: 'lost'); "
        f"the report of it is {report}."
    )
    assert stat.S_IMODE(report.stat().st_mode) == 0o600
    text = report.read_text("utf-8")
    assert "Traceback (most recent call last)" in text
    assert "in fail\n" in text
    assert text.endswith("KeyError: 'lost'\n")
    assert "command: endpoint hardness 'well 3.toml'\n" in text
    assert "program: endpoint-titration " in text
    assert re.search(r"^python:  3\.\d+", text, re.M)
    assert re.search(r"^with:    .*\bnumpy \d", text, re.M)


def test_reports_never_share_a_file(temporary: Path) -> None:
    fault_told(KeyError("a"), [])
    fault_told(KeyError("b"), [])
    assert len(list(temporary.iterdir())) == 2


@pytest.mark.parametrize("command", sorted(main.commands))
def test_every_command_tells_a_fault(
    command: str, temporary: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    failing(monkeypatch, main.commands[command], ZeroDivisionError("division by zero"))
    got = CliRunner().invoke(main, [command])
    assert got.exit_code == EXIT_FAULT
    assert "Traceback" not in got.output
    (report,) = temporary.iterdir()
    assert str(report) in got.stderr
    assert f"command: endpoint {command}\n" in report.read_text("utf-8")


def test_debugging_shows_the_traceback_instead(temporary: Path) -> None:
    got = run_apart("KeyError('lost')", ENDPOINT_DEBUG="1")
    assert got.returncode == EXIT_FAULT
    assert got.stderr.startswith("Traceback (most recent call last)")
    assert got.stderr.endswith("KeyError: 'lost'\n")
    assert list(temporary.iterdir()) == []


def test_a_report_that_cannot_be_written_is_told(temporary: Path) -> None:
    """On a disk that takes no byte more: a limit on the size of files stands for it."""
    code = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))\n"
    code += "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
    got = subprocess.run(
        [sys.executable, "-c", code + FAULTY.format(error="KeyError('lost')"), *USED],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert got.returncode == EXIT_FAULT
    sentence, remedy = got.stderr.splitlines()
    assert "(KeyError: 'lost'), and the report of it could not be written (" in sentence
    assert "ENDPOINT_DEBUG=1" in remedy
    assert list(temporary.iterdir()) == []


def test_an_error_that_cannot_be_told_is_told(temporary: Path) -> None:
    class MuteError(Exception):
        def __str__(self) -> str:
            raise ValueError

    sentence, _ = fault_told(MuteError(), [])
    assert "(MuteError)" in sentence
    assert len(list(temporary.iterdir())) == 1


def test_a_long_message_is_cut(temporary: Path) -> None:
    """An error may quote what was read; what a recording holds does not go into the report."""
    sentence, _ = fault_told(ValueError("x" * 100_000 + "\x1b[31m"), ["locate", "y" * 100_000])
    assert len(sentence) < 600
    assert sentence.isprintable()
    (report,) = temporary.iterdir()
    assert report.stat().st_size < 5000


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        ("KeyboardInterrupt", 130, "Stopped."),
        ("BrokenPipeError", 1, ""),
        ("MemoryError", 2, "needs more memory"),
    ],
)
def test_what_is_not_a_fault_leaves_no_report(
    temporary: Path, error: str, code: int, words: str
) -> None:
    got = run_apart(error)
    assert got.returncode == code
    assert words in got.stderr
    assert "fault" not in got.stderr
    assert list(temporary.iterdir()) == []


def test_a_fault_in_a_task_of_the_server_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[BaseException | None] = []
    monkeypatch.setattr(threading, "excepthook", lambda ended: told.append(ended.exc_value))
    handler = FaultsTold()
    error = ValueError("a task failed")
    handler.handle(logging.makeLogRecord({"msg": "x", "exc_info": (ValueError, error, None)}))
    handler.handle(logging.makeLogRecord({"msg": "no error in it"}))
    assert told == [error]


def test_a_fault_in_a_thread_is_told_and_the_command_goes_on(
    temporary: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def work(context: click.Context) -> int:
        for error in (KeyError("lost"), Problem("The camera is gone.", "Plug it in.")):
            thread = threading.Thread(target=_raise, args=(error,))
            thread.start()
            thread.join()
        return 0

    hook = threading.excepthook
    monkeypatch.setattr(main.commands["bench"], "invoke", work)
    got = CliRunner().invoke(main, ["bench"])
    assert got.exit_code == 0
    (report,) = temporary.iterdir()
    assert str(report) in got.stderr
    assert got.stderr.endswith("endpoint: The camera is gone.\nPlug it in.\n")
    assert "Traceback" not in got.stderr
    assert threading.excepthook is hook


def _raise(error: BaseException) -> None:
    raise error


def test_a_row_of_a_batch_names_the_report(
    temporary: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> None:
        raise IndexError("past the end")

    monkeypatch.setattr("endpoint.batch.work.analyse", fail)
    record = SAMPLES / "quarry-pond.toml"
    row = row_of_record("quarry-pond.toml", record)
    (report,) = temporary.iterdir()
    assert row["status"] == "failed"
    assert row["reasons"] == "program-error"
    assert "IndexError: past the end" in row["text"]
    assert str(report) in row["text"]
    assert f"command: endpoint locate {record}\n" in report.read_text("utf-8")


@pytest.mark.parametrize("debug", [False, True])
def test_a_fault_in_a_child_of_a_batch(temporary: Path, tmp_path: Path, debug: bool) -> None:
    """Through the real command: the child's report is named, or its traceback shown."""
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(
        "import sys\n"
        "if 'endpoint.batch.child' in ' '.join(sys.orig_argv):\n"
        "    import endpoint.analysis.pipeline as p\n"
        "    def fail(*a, **k):\n        raise IndexError('past the end')\n"
        "    p.analyse = fail\n"
    )
    (tmp_path / "list.txt").write_text(str(SAMPLES / "quarry-pond.toml"))
    code, listed = "from endpoint.cli import main; main()", tmp_path / "list.txt"
    out = str(tmp_path / "out")
    got = subprocess.run(
        [sys.executable, "-c", code, "batch", str(listed), "--out", out, "--quiet"],
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join([str(tmp_path / "site"), str(ROOT)]),
            **({"ENDPOINT_DEBUG": "1"} if debug else {}),
        },
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert got.returncode == 0, got.stderr
    assert "a fault of its own (IndexError: past the end)" in got.stdout
    reports = [str(path) for path in temporary.iterdir()]
    if debug:
        assert reports == []
        assert "IndexError: past the end\n" in got.stderr
    else:
        assert len(reports) == 1
        assert reports[0] in got.stdout
        assert got.stderr == ""
