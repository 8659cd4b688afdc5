"""Plain tables as the TOML text of a titration record (TOML 1.0)."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Mapping
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def toml_text(tables: Mapping[str, Any]) -> str:
    """TOML of plain values and of tables of plain values; what is None is left out.

    Parameters
    ----------
    tables:
        Texts, numbers, days, lists of these, and tables, of which those within a table are
        written inline.

    Raises
    ------
    TypeError
        A value is none of these.
    """
    lines = _pairs({k: v for k, v in tables.items() if not isinstance(v, Mapping)})
    for name, table in tables.items():
        if isinstance(table, Mapping) and table:
            lines += ["", f"[{_key(name)}]", *_pairs(table)]
    return "\n".join(lines) + "\n"


def _pairs(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(name)} = {_value(value)}" for name, value in table.items() if value is not None]


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _text(name)


def _text(value: str) -> str:
    # JSON escapes all that TOML wants escaped, but for DEL.
    plain = value.encode("utf-8", "replace").decode("utf-8")
    return json.dumps(plain, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(_pairs(value)) + " }" if value else "{}"
    raise TypeError(f"{type(value).__name__} has no TOML")
