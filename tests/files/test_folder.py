"""Output folders: all of a result or nothing of it, and one program at a time."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from endpoint.files.folder import held_folder, staged, write_text
from endpoint.problems import OutputProblem

NAMES = ("curve.csv", "chart.png", "pictures/001.jpg", "result.json")


def put(folder: Path, text: str, names: tuple[str, ...] = NAMES) -> None:
    with staged(folder, ("result.json",), NAMES) as stage:
        for name in names:
            (stage / name).parent.mkdir(exist_ok=True)
            write_text(stage / name, text)


def texts(folder: Path) -> dict[str, str]:
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_text() for path in files}


class Killed(BaseException):
    """Nothing catches it, as nothing catches a kill; what is left is what a kill leaves."""


@pytest.mark.parametrize("at", range(1, 9))
def test_interrupted_at_any_file_a_result_never_stands_among_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    put(tmp_path, "old")
    real, count = os.replace, 0

    def replace(*names: Path) -> None:
        nonlocal count
        count += 1
        if count == at:
            raise Killed
        real(*names)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(Killed):
        put(tmp_path, "new")
    found = texts(tmp_path)
    assert set(found.values()) in ({"old"}, {"new"}) or "result.json" not in found
    assert set(found) <= set(NAMES)


def test_an_error_before_the_end_changes_nothing(tmp_path: Path) -> None:
    put(tmp_path, "old")
    with pytest.raises(OutputProblem, match="is a folder"):
        put(tmp_path, "new", ("curve.csv", "pictures"))
    assert set(texts(tmp_path).values()) == {"old"}


def test_what_only_the_older_result_had_goes_and_what_is_not_ours_stays(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "chart.png").write_text("somebody's")
    put(tmp_path, "one", ("curve.csv",))
    assert texts(tmp_path)["chart.png"] == "somebody's"
    put(tmp_path, "two")
    put(tmp_path, "three", ("curve.csv", "result.json"))
    assert texts(tmp_path) == {"notes.txt": "mine", "curve.csv": "three", "result.json": "three"}
    assert not (tmp_path / "pictures").exists()


def test_links_under_the_names_of_results_are_not_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "victim").write_text("precious")
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "curve.csv").symlink_to(outside / "victim")
    put(folder, "new", ("curve.csv", "result.json"))
    assert not (folder / "curve.csv").is_symlink()
    (folder / "pictures").symlink_to(outside)
    with pytest.raises(OutputProblem, match="is a link"):
        put(folder, "newer")
    assert (outside / "victim").read_text() == "precious"
    assert texts(folder)["result.json"] == "new"


def test_a_second_writer_is_told_and_the_first_goes_on(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from endpoint.files.folder import held_folder\n"
        "with held_folder(Path(sys.argv[1])): print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with (
            pytest.raises(OutputProblem, match="Another program is writing"),
            held_folder(tmp_path),
        ):
            pass
        other.kill()
    # The system lets go when a program ends, however it ends; what it prepared is swept away.
    (tmp_path / ".endpoint-stage-0123").mkdir()
    with held_folder(tmp_path):
        put(tmp_path, "new")
    assert set(texts(tmp_path)) == set(NAMES)
    assert not list(tmp_path.glob(".*"))
