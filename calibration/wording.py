"""Texts from files made safe for a sentence on a terminal."""

from __future__ import annotations

_LONGEST = 500


def one_line(text: str) -> str:
    """Text without line breaks and control characters; of a long one the middle is left out."""
    line = "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))
    half = _LONGEST // 2
    return line if len(line) <= _LONGEST else f"{line[:half]} ... {line[-half:]}"
