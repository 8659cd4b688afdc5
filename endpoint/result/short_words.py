"""A result in the words of the terminal, so that page and terminal say the same."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from endpoint.result.wording import (
    amount_number,
    bound_text,
    hardness_numbers,
    volume_rows,
    volume_text,
)

_NOTHING = "no endpoint in this recording"


def words_of(data: Mapping[str, Any]) -> dict[str, Any]:
    """Texts of a document of a result: rounding and coverage are those of `endpoint locate`.

    Returns
    -------
    `volume`: number and the rest of it, or the words for a bound, with `value` empty then; both
    are empty where nothing is known.
    `amounts` and `others`: rows of name and text. All intervals are of 95 %.
    """
    equivalence = data["equivalence_ml"]
    if equivalence is None or equivalence["value"] is None:
        bound = bound_text(data)
        value, rest = "", "" if bound == _NOTHING else _sentence(bound)
    else:
        value, _, rest = _plain(volume_text(equivalence, coverage=True)).partition(" ")
    return {
        "volume": {"value": value, "rest": rest},
        "amounts": _amounts(data),
        "others": [
            {
                "name": _plain(meaning[:1].upper() + meaning[1:]),
                "text": _plain(volume_text(data[key], coverage=True)),
            }
            for key, _, _, meaning in volume_rows(data)
            if key != "equivalence_ml"
        ],
    }


def _plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def _sentence(text: str) -> str:
    plain = _plain(text)
    return plain[:1].upper() + plain[1:] + "."


def _amounts(data: Mapping[str, Any]) -> list[dict[str, str]]:
    total, other = data["hardness"], data.get("amount_mmol_l")
    if total is not None:
        mmol, mass = hardness_numbers(total)
        found = [("Hardness", mmol), ("Hardness as calcium carbonate", mass)]
    elif other is not None:
        found = [(str(data.get("titrated") or "metal").capitalize(), amount_number(other))]
    else:
        found = []
    return [{"name": name, "text": f"{_plain(text)} (95 %)"} for name, text in found]
