"""Numbers in words that the page for a class says in more than one place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.hardness.units import M_CACO3
from endpoint.replay.chemistry import Water
from endpoint.result.wording import hardness_numbers, volume_text
from endpoint.rounding import FIXED_SPACE, outward, rounded


def percent(part: float) -> str:
    """Part as whole percent in words."""
    if 0 < part < 0.005:
        return f"less than 1{FIXED_SPACE}%"
    if 0.995 <= part < 1:
        return f"more than 99{FIXED_SPACE}%"
    return f"{rounded(100.0 * part, 0)}{FIXED_SPACE}%"


def strength(mol_l: float) -> str:
    """Concentration with as many of four to six decimals as it has."""
    exact = (d for d in (4, 5) if abs(round(mol_l, d) - mol_l) < 1e-9)
    return rounded(mol_l, next(exact, 6))


def constants_in_words() -> str:
    """Published constants that the model starts from, as the page names them."""
    calcium, magnesium = ERIOCHROME_BLACK_T.metals
    return (
        f"log K of CaEDTA {calcium.log_k_edta:g}, MgEDTA {magnesium.log_k_edta:g}, of calcium and "
        f"magnesium with the indicator {calcium.log_k_indicator:g} and "
        f"{magnesium.log_k_indicator:g} (the latter from memory of the literature)"
    )


def reckoning(data: Mapping[str, Any]) -> str:
    """How the hardness follows from the volumes, in numbers; empty where there is none."""
    volume, total, inputs = data["equivalence_ml"], data.get("hardness"), data["inputs"]
    if total is None or volume is None or volume["value"] is None:
        return ""
    sample = sum(float(part["value"]) for part in inputs["deliveries_ml"])
    added, blank = f"{volume_text(volume).split(FIXED_SPACE)[0]} mL", inputs["blank_ml"]
    if blank is not None:
        added = f"({added} \u2212 {rounded(float(blank['value']), 3)} mL of the blank)"
    mmol, mass = hardness_numbers(total)
    return (
        f"{strength(float(inputs['titrant_mol_l']['value']))} mol/L \u00d7 {added} \u00f7 "
        f"{sample:g} mL \u00d7 1000 mmol/mol = {mmol}; \u00d7 {rounded(M_CACO3, 2)} mg/mmol "
        f"= {mass} (95{FIXED_SPACE}%)."
    )


def known_as(water: Water, data: Mapping[str, Any], is_example: bool) -> tuple[str, str]:
    """Share of magnesium and amount of indicator with their 68 % intervals where a fit gave any.

    Parameters
    ----------
    water:
        As the model takes it.
    data:
        Document of the result.
    is_example:
        The water is none of this result.
    """
    share = percent(water.magnesium_share)
    dye = f"{rounded(water.indicator_umol_l, 0)}{FIXED_SPACE}\u00b5mol/L"
    found = data.get("chemistry") or {}
    ends = (found.get("magnesium_share") or {}).get("interval68")
    factor = (found.get("indicator_umol_l") or {}).get("factor68")
    if is_example:
        return share, dye
    if ends is not None:
        low, high = outward(100.0 * ends[0], 100.0 * ends[1], 0)
        share = f"{share} (68{FIXED_SPACE}%: {low} to {high}{FIXED_SPACE}%)"
    if factor is not None:
        low, high = outward(water.indicator_umol_l / factor, water.indicator_umol_l * factor, 0)
        dye = f"{dye} (68{FIXED_SPACE}%: {low} to {high}{FIXED_SPACE}\u00b5mol/L)"
    return share, dye
