"""A result in the words of the terminal, so that page and terminal say the same."""

from __future__ import annotations

from typing import Any

from endpoint.hardness_units import MG_L_CACO3
from endpoint.pipeline import Result
from endpoint.report.rounding import format_quantity
from endpoint.report.text import VOLUMES, bound_words, volume_words


def words_of(result: Result) -> dict[str, Any]:
    """Texts of a result: rounding and coverage are those of `endpoint locate`.

    Returns
    -------
    `volume`: number and the rest of it, or the words for a bound, with `value` empty then; both
    are empty where nothing is known.
    `amounts` and `others`: rows of name and text. All intervals are of 95 %.
    """
    equivalence = result.equivalence
    if equivalence is None:
        known = result.verdict.bracket_ml is not None or result.verdict.above_ml is not None
        value, rest = "", _capital(bound_words(result)) if known else ""
    else:
        value, rest = _parted(volume_words(equivalence, coverage=True))
    return {
        "volume": {"value": value, "rest": rest},
        "amounts": _amounts(result),
        "others": _others(result),
    }


def _parted(text: str) -> tuple[str, str]:
    """Leading number, and what follows it."""
    plain = text.replace("\u00a0", " ")
    value, _, rest = plain.partition(" ")
    return value, rest.strip()


def _capital(text: str) -> str:
    plain = text.replace("\u00a0", " ")
    return plain[:1].upper() + plain[1:] + "."


def _amounts(result: Result) -> list[dict[str, str]]:
    total, other = result.hardness, result.amount_mmol_l
    if total is None and other is not None:
        titrated = result.job.indicator.titrated.capitalize()
        return [_row(titrated, other.value, other.expanded_uncertainty(0.95), "mmol/L")]
    if total is None:
        return []
    mass = total.caco3_mg_l.value
    return [
        _row("Hardness", total.mmol_l.value, total.expanded_uncertainty(), "mmol/L"),
        _row("as calcium carbonate", mass, total.expanded_uncertainty(MG_L_CACO3), "mg/L"),
    ]


def _row(name: str, value: float, expanded: float, unit: str) -> dict[str, str]:
    return {
        "name": name,
        "text": format_quantity(value, expanded, unit).replace("\u00a0", " ") + " (95 %)",
    }


def _others(result: Result) -> list[dict[str, str]]:
    """Midpoint and last red, which eyes may have taken for the end."""
    indicator = result.job.indicator
    words = {"bound": indicator.bound.colour, "metals": indicator.titrated}
    rows = []
    for field, _, meaning in VOLUMES[1:]:
        estimate = getattr(result, field)
        if estimate is not None:
            text = volume_words(estimate, coverage=True).replace("\u00a0", " ")
            rows.append({"name": _capital(meaning.format_map(words))[:-1], "text": text})
    return rows
