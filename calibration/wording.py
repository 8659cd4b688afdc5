"""Texts from files made safe to show on a terminal, in a table or on a page."""

from __future__ import annotations

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
