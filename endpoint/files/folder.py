"""Output files, written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path

from endpoint.problems import OutputProblem


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
    folder = path.absolute().parent
    if path.is_dir():
        raise OutputProblem(f"{path} is a folder.", "Name a file.")
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
    """Write a file whole or not at all.

    Raises
    ------
    OutputProblem
        It cannot be written.
    """
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: the old one stays until the new one is complete.

    Raises
    ------
    OutputProblem
        It cannot be written.
    """
    part = path.with_name(path.name + ".part")
    try:
        if path.is_dir():
            raise OutputProblem(f"{path} is a folder.", "Name a file.")
        part.write_bytes(data)
        os.replace(part, path)
    except OSError as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise OutputProblem(
            f"{path} cannot be written ({error.strerror}).",
            "Check the folder, its permissions and the free space.",
        ) from None
