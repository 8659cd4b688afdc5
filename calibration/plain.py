"""Checks of plain data that comes from a file: numbers, texts, tables, each named in its error."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from typing import Any

from calibration.quantity import FrozenTable, QuantityProblem
from calibration.wording import STEERING

LONGEST_TEXT = 1000
"""Signs of a name or a remark at most: twelve lines of a terminal. Assumed."""
_DEEPEST = 6
"""Levels of tables within tables that a certificate may have. Assumed."""


def checked_number(value: object, where: str) -> float:
    """Return a finite number as float, or raise QuantityProblem naming the place."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        try:
            if math.isfinite(value):
                return float(value)
        except OverflowError:
            pass
    raise QuantityProblem(f"{where} is {shown(value)}, not a number.", "Give a finite number.")


def checked_text(value: object, where: str) -> str:
    """Return a text that is not empty and can be shown, or raise QuantityProblem."""
    if not isinstance(value, str) or not value.strip():
        raise QuantityProblem(f"{where} is {shown(value)}, not a text.", "Give a short text.")
    if len(value) > LONGEST_TEXT or STEERING.search(value):
        raise QuantityProblem(
            f"{where} is too long or holds control characters.", "Write one short line."
        )
    return value


def checked_table(
    data: object, needed: Sequence[str], allowed: Sequence[str], where: str
) -> dict[str, Any]:
    """Return a dictionary that holds all `needed` keys and none beyond `allowed`, or raise."""
    if not isinstance(data, dict):
        raise QuantityProblem(
            f"{where} is not a table of keys.", f"It needs the keys {', '.join(needed)}."
        )
    known = [*needed, *allowed]
    for key in data:
        if key not in known:
            near = difflib.get_close_matches(str(key), known, n=1)
            remedy = (
                f'Did you mean "{near[0]}"?' if near else f"The known ones are: {', '.join(known)}."
            )
            raise QuantityProblem(f"{where}: the key {shown(key)} is unknown.", remedy)
    for key in needed:
        if key not in data:
            raise QuantityProblem(f'{where}: the key "{key}" is missing.', "Add it.")
    return data


def shown(value: object) -> str:
    """Short text of any value for an error."""
    if value is None:
        return "empty"
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"
    if isinstance(value, int) and abs(value) > 10**30:
        return "a number with too many digits"
    text = value if isinstance(value, str) else str(value)
    return f'"{text[:40]}"' if isinstance(value, str) else text[:40]


def checked_any(data: object, where: str) -> dict[str, Any]:
    """Return a dictionary with any keys, or raise QuantityProblem naming the place."""
    if not isinstance(data, dict):
        raise QuantityProblem(f"{where} is {shown(data)}, not a table.", 'Write {"name": ...}.')
    return data


def frozen_plain(value: object, where: str, depth: int = 0) -> Any:
    """Read-only copy of a plain value of JSON: tables, lists, texts, finite numbers, true, false.

    Raises
    ------
    QuantityProblem
        It holds something else, a number that is not finite, or is nested too deep.
    """
    if depth > _DEEPEST:
        raise QuantityProblem(f"{where} is nested too deep.", "Keep its details simple.")
    if isinstance(value, Mapping):
        inner = {str(k): frozen_plain(v, f"{where}: {k}", depth + 1) for k, v in value.items()}
        return FrozenTable(inner)
    if isinstance(value, list | tuple):
        return tuple(frozen_plain(part, where, depth + 1) for part in value)
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float) and math.isfinite(value):
        return value
    raise QuantityProblem(
        f"{where} holds {shown(value)}, which cannot be kept.", "Use texts and finite numbers."
    )


def plain_of(value: object) -> Any:
    """Plain dictionaries and lists of what `frozen_plain` made."""
    if isinstance(value, Mapping):
        return {str(key): plain_of(part) for key, part in value.items()}
    return [plain_of(part) for part in value] if isinstance(value, tuple) else value
