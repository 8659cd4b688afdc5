"""Lines of text for a terminal of any width and encoding."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Sequence

from endpoint.rounding import FIXED_SPACE

_ASCII = {
    "\u00b1": "+-",
    "\u00b0": "deg ",
    "\u00d7": "x",
    "\u2013": "-",
    "\u2212": "-",
    "\u00b5": "u",
}


def fill(text: str, width: int, indent: str = "") -> str:
    """Text in lines of a width; fixed spaces are not broken, as textwrap breaks none."""
    return textwrap.fill(text, width, subsequent_indent=indent, break_on_hyphens=False)


def bullets(texts: Sequence[str], width: int) -> list[str]:
    """Each text as an item of a list."""
    return [fill(f"- {text}", width, "  ") for text in texts]


def table(rows: Sequence[Sequence[str]], left: Collection[int] = (0,)) -> list[str]:
    """Rows of equal length as lines, two spaces between the columns.

    Parameters
    ----------
    rows:
        Cells of each row, the head among them.
    left:
        Columns that start at the left; numbers end at the right.
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(
            cell.ljust(wide) if k in left else cell.rjust(wide)
            for k, (cell, wide) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def joined(blocks: Sequence[Sequence[str]]) -> str:
    """Blocks of lines with an empty line between those that hold anything."""
    return "\n\n".join("\n".join(block) for block in blocks if any(block))


def encodable(text: str, encoding: str | None) -> str:
    """Text with plain spaces, and in ASCII where the encoding lacks a sign."""
    text = text.replace(FIXED_SPACE, " ")
    try:
        text.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        for sign, plain in _ASCII.items():
            text = text.replace(sign, plain)
        text = text.encode("ascii", "replace").decode("ascii")
    return text
