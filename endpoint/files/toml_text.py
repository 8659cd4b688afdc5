"""Plain tables as the TOML text of a titration record (TOML 1.0)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import tomli_w


def toml_text(tables: Mapping[str, Any]) -> str:
    """TOML of plain values and of tables of plain values, without what is None and empty tables.

    Parameters
    ----------
    tables:
        Texts, numbers, days, lists of these, and tables within tables. In a text, a sign that
        cannot be written as UTF-8 (half of a surrogate pair, from a file name) becomes "?".

    Raises
    ------
    TypeError
        A value is none of these.
    """
    return tomli_w.dumps({name: _plain(value) for name, value in _given(tables) if value != {}})


def _given(table: Mapping[str, Any]) -> list[tuple[str, Any]]:
    return [(_text(name), value) for name, value in table.items() if value is not None]


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _plain(part) for name, part in _given(value)}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    return _text(value) if isinstance(value, str) else value


def _text(text: str) -> str:
    return text.encode("utf-8", "replace").decode("utf-8")
