"""Texts from files made safe to show on a terminal, in a table or on a page; lists in words."""

from __future__ import annotations

import re
from collections.abc import Iterable

STEERING = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff"
    "\U000e0000-\U000e007f]"
)
"""Signs that steer a terminal or turn the direction of a text (Unicode 16: controls but for tab and
line feed, the bidirectional formatting characters of UAX 9, line separators and tags)."""
_GAP = " ... "


def one_line(text: str, longest: int | None = None) -> str:
    """Text with single spaces, and "?" for each sign that cannot be shown or steers a terminal.

    Parameters
    ----------
    text:
        Any text.
    longest:
        Signs that are kept at most, of which the middle is left out; None keeps all.
    """
    line = "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))
    if longest is None or len(line) <= longest:
        return line
    half = (longest - len(_GAP)) // 2
    return f"{line[:half]}{_GAP}{line[-half:]}"


def listed(names: Iterable[str]) -> str:
    """List for a sentence: "iron, zinc and nickel"; empty without a name."""
    *others, last = list(names) or [""]
    return f"{', '.join(others)} and {last}" if others else last
