"""Output files and folders, written whole or not at all, by one program at a time."""

from __future__ import annotations

import os
import secrets
import shutil
import tempfile
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from calibration.writing import is_special, write_whole
from endpoint.problems import OutputProblem

_STAGE = ".endpoint-stage-"
"""How the folder in which results are prepared begins; a killed program leaves one behind."""


def check_folder(folder: Path) -> None:
    """Make the output folder, or say before any work why it cannot be used.

    Raises
    ------
    OutputProblem
        The path is a file, or cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except (FileExistsError, NotADirectoryError):
        raise OutputProblem(f"{folder} is a file, not a folder.", "Name another folder.") from None
    except OSError as error:
        raise OutputProblem(
            f"{folder} cannot be written ({error.strerror}).", "Name another folder."
        ) from None


def check_file(path: Path) -> None:
    """Say before any work why a file cannot be written; nothing is made.

    Raises
    ------
    OutputProblem
        The path is a folder, or its folder does not exist or cannot be written.
    """
    if path.is_dir():
        raise OutputProblem(f"{path} is a folder.", "Name a file.")
    if is_special(path):
        if not os.access(path, os.W_OK):
            raise OutputProblem(f"{path} cannot be written.", "Name another file.")
        return
    folder = Path(os.path.realpath(path)).parent
    if not folder.is_dir():
        raise OutputProblem(
            f"{folder} is not a folder, so {path.name} cannot be written there.",
            "Make the folder first, or name another file.",
        )
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise OutputProblem(
            f"{folder} cannot be written ({error.strerror}).", "Name another file."
        ) from None


def write_text(path: Path, text: str) -> None:
    """Write a file whole or not at all; what UTF-8 cannot hold of a file name becomes "?".

    Raises
    ------
    OutputProblem
        It cannot be written.
    """
    write_bytes(path, text.encode("utf-8", "replace"))


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: the old one stays until the new one is complete.

    Raises
    ------
    OutputProblem
        It cannot be written.
    """
    if path.is_dir():
        raise OutputProblem(f"{path} is a folder.", "Name a file.")
    with _told(path):
        write_whole(path, data)


@contextmanager
def held_folder(folder: Path) -> Iterator[None]:
    """Make an output folder and keep other programs from writing results there meanwhile.

    Raises
    ------
    OutputProblem
        The folder cannot be used, or another program is writing there.
    """
    check_folder(folder)
    handle = _lock(folder)
    try:
        if handle is not None:
            for left in folder.glob(f"{_STAGE}*"):
                shutil.rmtree(left, ignore_errors=True)
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _lock(folder: Path) -> int | None:
    """Handle that holds the folder; None where the system has no such lock (Windows)."""
    try:
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise OutputProblem(
            f"Another program is writing results to {folder}.",
            "Wait for it, or name another folder.",
        ) from None
    except OSError:  # a network disk without locks
        os.close(handle)
        return None
    return handle


@contextmanager
def staged(folder: Path, marks: Sequence[str], older: Collection[str] = ()) -> Iterator[Path]:
    """Folder in which to write results; when all are there, they are put in their place together.

    The marks stand in the folder only while everything there belongs to them: older ones are taken
    away before anything else changes, and the new ones come last. So a program that is stopped
    leaves the older results whole, or results without their mark, which nobody takes for whole.
    A link that lies there under the name of a result is replaced, not followed.

    Parameters
    ----------
    folder:
        The output folder; it is made.
    marks:
        Names of the files that say that results are there, in the order in which they come.
    older:
        Names, relative to the folder, of what an earlier program of this kind may have left. What
        of it the new results do not have is removed, if a mark is there.

    Raises
    ------
    OutputProblem
        The folder cannot be written; then nothing there has changed, unless the disk failed.
    """
    check_folder(folder)
    stage = folder / f"{_STAGE}{secrets.token_hex(8)}"
    try:
        with _told(folder):
            stage.mkdir()
        yield stage
        with _told(folder):
            _put(stage, folder, marks, older)
    except OutputProblem as problem:
        sentence = problem.sentence.replace(f"{stage.name}{os.sep}", "")
        raise type(problem)(sentence, problem.remedy) from None
    finally:
        shutil.rmtree(stage, ignore_errors=True)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Put what the system says while it writes there in words."""
    try:
        yield
    except OSError as error:
        raise OutputProblem(
            f"{path} cannot be written ({error.strerror}).",
            "Check the folder, its permissions and the free space.",
        ) from None


def _put(stage: Path, folder: Path, marks: Sequence[str], older: Collection[str]) -> None:
    names = sorted(p.relative_to(stage).as_posix() for p in stage.rglob("*") if p.is_file())
    for name in names:
        place = folder / name
        if place.is_dir():
            raise OutputProblem(f"{place} is a folder.", "Name another output folder.")
        if place.parent != folder and place.parent.is_symlink():
            raise OutputProblem(f"{place.parent} is a link.", "Name another output folder.")
    known = any((folder / mark).is_file() for mark in marks)
    for mark in reversed(marks):
        (folder / mark).unlink(missing_ok=True)
    for name in names:
        if name not in marks:
            (folder / name).parent.mkdir(exist_ok=True)
            os.replace(stage / name, folder / name)
    for name in set(older) - set(names) if known else ():
        with suppress(OSError):
            (folder / name).unlink(missing_ok=True)
            if (folder / name).parent != folder:
                (folder / name).parent.rmdir()
    for mark in marks:
        if mark in names:
            os.replace(stage / mark, folder / mark)
