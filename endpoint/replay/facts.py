"""What the record said of a titration, and how the hardness follows from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from endpoint.hardness.classes import SCHEME, hardness_in_words
from endpoint.hardness.units import M_CACO3
from endpoint.replay.numbers import strength
from endpoint.replay.shades import EBT
from endpoint.result.wording import hardness_numbers, volume_text
from endpoint.rounding import FIXED_SPACE, rounded


@dataclass(frozen=True)
class Facts:
    """What the record said of the titration."""

    indicator: str
    bound: str
    free: str
    ph: float
    sample_ml: float
    titrant_mol_l: float
    titrated: str
    """What the titre counts, such as "calcium and magnesium"."""
    blank_ml: float | None
    reckoning: str
    """How the hardness follows from the volumes, in numbers; empty where there is none."""
    soft_or_hard: str
    """The same in words, without a full stop; empty where there is none."""
    origin: str
    """From which recording, by which program; for the foot of the page."""


def facts_of(data: Mapping[str, Any]) -> Facts:
    """Facts of the document of a result."""
    inputs, about, source = data["inputs"], data["indicator"], data["provenance"]
    origin = [f"From {source.get('medium') or 'a recording'}"]
    if source.get("analysed"):
        origin.append(f"analysed {str(source['analysed'])[:10]}")
    return Facts(
        indicator=str(inputs.get("indicator", EBT)),
        bound=str(about["bound"]),
        free=str(about["free"]),
        ph=float(inputs.get("ph", about["ph"])),
        sample_ml=sum(float(part["value"]) for part in inputs["deliveries_ml"]),
        titrant_mol_l=float(inputs["titrant_mol_l"]["value"]),
        titrated=titrated_of(data),
        blank_ml=None if inputs.get("blank_ml") is None else float(inputs["blank_ml"]["value"]),
        reckoning=reckoning(data),
        soft_or_hard=soft_or_hard(data),
        origin=", ".join([*origin, str(source.get("program") or "endpoint")]) + ".",
    )


def per_ml_of(facts: Facts, metals: list[str]) -> tuple[float, str]:
    """What 1 mL of titrant changes in the result, and the unit of that."""
    mmol_l = 1e3 * facts.titrant_mol_l / facts.sample_ml
    if set(metals) <= {"calcium", "magnesium"}:
        return mmol_l * M_CACO3, "mg/L CaCO3"
    return mmol_l, "mmol/L"


def titrated_of(data: Mapping[str, Any]) -> str:
    """What the titre counts, such as "calcium and magnesium"."""
    return str(data.get("titrated") or " and ".join(data["indicator"]["metals"]))


def soft_or_hard(data: Mapping[str, Any]) -> str:
    """Hardness in words with the scale that they belong to; empty where there is no hardness.

    A hardness of calcium alone has no such words: the scales are made for the sum.
    """
    total, metals = data.get("hardness"), data["indicator"]["metals"]
    if total is None or set(metals) != {"calcium", "magnesium"}:
        return ""
    mass = total["caco3_mg_l"]
    value, half = float(mass["value"]), float(mass["expanded_uncertainty"])
    words = hardness_in_words(value, value - half, value + half)
    return f"The water is {words} on the {SCHEME}"


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
