"""Files that may come from anywhere, read with care: every text of the program comes through here.

Only an ordinary file is opened (a pipe or a device would never end), no more of it is read than
its kind may hold, and what is nested too deep is refused before it takes time or memory.
"""

from __future__ import annotations

import json
import os
import re
import stat
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any, NoReturn

_NO_WAITING = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)
_BYTES_AS_THEY_ARE = getattr(os, "O_BINARY", 0)


class Unreadable(Exception):
    """A file cannot be read; the reader of its kind makes a problem with a remedy of it.

    Parameters
    ----------
    kind:
        "missing", "folder", "special", "large", "text", "system" or "syntax".
    place:
        The file, as errors name it.
    reason:
        "it is a folder", or what the system says.
    """

    def __init__(self, kind: str, place: object, reason: str) -> None:
        super().__init__(kind, place, reason)
        self.kind, self.reason = kind, reason
        says = reason[3:] if reason.startswith("it ") else f"cannot be read ({reason})"
        self.sentence = f"{place} {says}."


def read_bytes(path: Path, most_bytes: int) -> bytes:
    """Content of an ordinary file of at most so many bytes.

    Raises
    ------
    Unreadable
        There is no such file, it is a folder, a pipe or a device, too large, or cannot be read.
    """
    try:
        _check_ordinary(path, os.stat(path))
        # Between look and opening another program may have put a pipe there: that must not hang.
        handle = os.open(path, os.O_RDONLY | _NO_WAITING | _BYTES_AS_THEY_ARE)
        with open(handle, "rb") as file:
            _check_ordinary(path, os.fstat(handle))
            data = file.read(most_bytes + 1)
    except FileNotFoundError:
        raise Unreadable("missing", path, "it does not exist") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "the name cannot be used"
        raise Unreadable("system", path, why) from None
    if len(data) > most_bytes:
        raise Unreadable("large", path.name, f"it is larger than {most_bytes / 1e6:g} MB")
    return data


def _check_ordinary(path: Path, found: os.stat_result) -> None:
    if stat.S_ISDIR(found.st_mode):
        raise Unreadable("folder", path, "it is a folder")
    if not stat.S_ISREG(found.st_mode):
        raise Unreadable("special", path, "it is not an ordinary file")


def read_text(path: Path, most_bytes: int) -> str:
    """Text of an ordinary file in UTF-8, with or without its mark.

    Raises
    ------
    Unreadable
        As `read_bytes`, or it is not UTF-8.
    """
    try:
        text = read_bytes(path, most_bytes).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Unreadable("text", path.name, "it is not a text file") from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


# The TOML parser's time and memory grow with the square of the parts of a dotted key.
_PART = r"(?:[\w-]++|\"[^\"\n]*+\"|'[^'\n]*+')"
_DEEP_KEY = re.compile(rf"(?<![\w-]){_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{30}}")


def toml_of(text: str, name: str) -> dict[str, Any]:
    """Tables of a TOML text (TOML 1.0); `name` is that of the file.

    Raises
    ------
    Unreadable
        It is not TOML, or holds a name of more than 30 parts with dots between.
    """
    if _DEEP_KEY.search(text):
        raise Unreadable("syntax", name, "it has a name of more than 30 parts separated by dots")
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # numbers of too many digits are ValueErrors
        raise Unreadable("syntax", name, f"it is not valid TOML ({_why(error)})") from None


def json_of(text: str, name: str) -> Any:
    """Value of a JSON text (RFC 8259); `name` is that of the file.

    Raises
    ------
    Unreadable
        It is not JSON, names a key of one object twice, holds NaN or Infinity, or is nested too
        deep.
    """
    try:
        return json.loads(text, parse_constant=_no_constant, object_pairs_hook=_no_doubles)
    except (ValueError, RecursionError) as error:
        raise Unreadable("syntax", name, f"it is not valid JSON ({_why(error)})") from None


def _why(error: Exception) -> str:
    return "it is nested too deep" if isinstance(error, RecursionError) else str(error)[:100]


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"it holds {word}, which is not a number")


def _no_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) != len(pairs):
        twice = Counter(name for name, _ in pairs).most_common(1)[0][0]
        raise ValueError(f'the key "{twice[:40]}" is there twice')
    return table
