"""A fault of the program itself: one sentence for the user, and a file for whoever mends it."""

from __future__ import annotations

import datetime
import os
import platform
import re
import shlex
import sys
import tempfile
import traceback
from collections.abc import Iterator, Sequence
from importlib.metadata import PackageNotFoundError, requires, version

from calibration.wording import one_line

_PROGRAM = "endpoint-titration"
_MOST_SIGNS = 500
"""Signs kept of one line: the message of an error may quote what was read, which can be long and
is nobody's business."""
_MOST_SIGNS_SHOWN = 200


def debugging() -> bool:
    """Whether tracebacks are shown instead of written to a file: ENDPOINT_DEBUG=1."""
    return os.environ.get("ENDPOINT_DEBUG") == "1"


def fault_told(error: BaseException, arguments: Sequence[str]) -> tuple[str, str]:
    """Write the report of a fault, or show its traceback, and return what to tell the user.

    Never raises: where the report cannot be written, the sentence says so.

    Parameters
    ----------
    error:
        An exception that is not a `Problem`.
    arguments:
        Command line without its first word; what would repeat the fault.

    Returns
    -------
    One sentence and one remedy.
    """
    what = f"The program failed because of a fault of its own ({_brief(error)})"
    if debugging():
        traceback.print_exception(error, file=sys.stderr)
        return f"{what}.", "The traceback is on standard error."
    try:
        path = _written("\n".join(_lines(error, arguments)) + "\n")
    except Exception as failed:
        return (
            f"{what}, and the report of it could not be written ({_brief(failed)}).",
            "Run the command again with ENDPOINT_DEBUG=1 to see where it failed.",
        )
    return (
        f"{what}; the report of it is {path}.",
        "Please send us that file: it holds the command and where it failed, not the recording.",
    )


def _written(text: str) -> str:
    """Path of a new file with a text; only its owner can read it, and nobody can guess its name."""
    handle, path = tempfile.mkstemp(prefix="endpoint-fault-", suffix=".txt")
    try:
        with open(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(text)
    except OSError:
        os.unlink(path)
        raise
    return path


def _brief(error: BaseException) -> str:
    """Class and message of an error; the message alone where the system gave the reason."""
    if isinstance(error, OSError) and error.strerror:
        return one_line(error.strerror, _MOST_SIGNS_SHOWN)
    try:
        said = f"{type(error).__name__}: {error}".removesuffix(": ")
    except Exception:  # the fault may lie in the error itself
        said = type(error).__name__
    return one_line(said, _MOST_SIGNS_SHOWN)


def _lines(error: BaseException, arguments: Sequence[str]) -> Iterator[str]:
    yield "Report of a fault in endpoint"
    yield f"time:    {datetime.datetime.now(datetime.UTC).isoformat(timespec='seconds')}"
    yield _cut(f"command: {shlex.join(['endpoint', *arguments])}")
    yield f"program: {_PROGRAM} {_version(_PROGRAM)}"
    yield f"python:  {platform.python_version()}, {platform.platform()}"
    yield f"with:    {', '.join(f'{name} {_version(name)}' for name in _libraries())}"
    yield ""
    for block in traceback.format_exception(error):
        yield from map(_cut, block.splitlines())


def _libraries() -> list[str]:
    """Libraries that the program always needs, as its own package names them."""
    try:
        needed = requires(_PROGRAM) or []
    except PackageNotFoundError:
        return []
    names = (re.match(r"[\w.-]+", line) for line in needed if "extra ==" not in line)
    return sorted(found[0] for found in names if found)


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"


def _cut(line: str) -> str:
    return line if len(line) <= _MOST_SIGNS else f"{line[:_MOST_SIGNS]} ..."
