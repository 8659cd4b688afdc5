"""What a record says of the flask and of other metals in the sample.

[conditions]                       # all of it in the flask, before the titration
ph = 10.05                         # measured
ph_standard_uncertainty = 0.05
temperature_c = 21.0               # default: ware.temperature_c
ammonia_mol_l = 0.30               # of the buffer, free and as ammonium
sodium_mol_l = 0.012
minutes_since_buffer = 2.0         # from adding the buffer to the first picture or row
[other_metals]                     # in the sample; for each metal also _standard_uncertainty_mg_l
iron_mg_l = 0.40
iron_standard_uncertainty_mg_l = 0.02
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from endpoint.chemistry.conditions import Conditions
from endpoint.files.cells import RecordReader
from endpoint.hardness.other_metals import OTHER_METALS, StatedMetal
from endpoint.problems import RecordProblem

CONDITION_KEYS = (
    "ph",
    "ph_standard_uncertainty",
    "temperature_c",
    "ammonia_mol_l",
    "sodium_mol_l",
    "minutes_since_buffer",
)
METAL_KEYS = tuple(
    f"{name}{ending}" for name in OTHER_METALS for ending in ("_mg_l", "_standard_uncertainty_mg_l")
)
_SYMBOLS = {
    "iron": "fe", "zinc": "zn", "manganese": "mn", "copper": "cu",
    "aluminium": "al", "strontium": "sr", "nickel": "ni", "cobalt": "co",
}  # fmt: skip
MG_CACO3_PER_MMOL_ACID = 50.04
"""Alkalinity of 1 mmol/L of acid in mg/L as CaCO3: half its molar mass."""
_PH_U, _WARMTH_U_C, _RECIPE_LOG_U = 0.05, 1.0, 0.15
"""Standard uncertainties taken for what is stated: a calibrated pH meter, a thermometer in the
flask, and recipes and bottles, natural logarithm (common practice, no source)."""


@dataclass(frozen=True)
class StatedConditions:
    """What is said of the flask; None where nothing is said."""

    ph: float | None = None
    ph_standard_uncertainty: float | None = None
    temperature_c: float | None = None
    ammonia_mol_l: float | None = None
    sodium_mol_l: float | None = None
    minutes_since_buffer: float | None = None

    def over(self, usual: Conditions) -> Conditions:
        """Usual conditions with those that are stated in their place."""
        found = usual
        if self.ph is not None:
            stated_u = self.ph_standard_uncertainty
            found = replace(found, ph=(self.ph, _PH_U if stated_u is None else stated_u))
        if self.temperature_c is not None:
            found = replace(found, temperature_c=(self.temperature_c, _WARMTH_U_C))
        if self.ammonia_mol_l is not None:
            found = replace(found, ammonia_mol_l=(self.ammonia_mol_l, _RECIPE_LOG_U))
        if self.sodium_mol_l is not None:
            found = replace(found, sodium_mol_l=(self.sodium_mol_l, _RECIPE_LOG_U))
        return found

    @property
    def is_chemical(self) -> bool:
        """Whether anything is stated that moves the constants."""
        stated = (self.ph, self.temperature_c, self.ammonia_mol_l, self.sodium_mol_l)
        return any(value is not None for value in stated)


def refuse_misplaced(
    reader: RecordReader, table: Mapping[str, Any], names: tuple[str, ...], prefix: str
) -> None:
    """Refuse what is said of the flask or of the sample in another table, with the line it needs.

    Raises
    ------
    RecordProblem
        A key that is not among `names` belongs elsewhere.
    """
    for key, value in table.items():
        place = None if key in names else _place_of(key.casefold())
        is_short = isinstance(value, str) or (isinstance(value, int | float) and value < 1e6)
        number = re.match(r"\d{1,6}(\.\d{1,6})?", str(value)) if is_short else None
        if place is None or number is None:
            continue
        section, right = place
        shown = number.group()
        if right == "alkalinity_mmol_l" and "mg" in _words(key):
            shown = f"{float(shown) / MG_CACO3_PER_MMOL_ACID:.2f}"
        raise RecordProblem(
            f"{reader.name}: {prefix}{key[:60]} is not known.",
            f"Write it under [{section}]: {right} = {shown}",
        )


def _words(key: str) -> list[str]:
    return re.split(r"[^a-z]+", key.casefold())


def _place_of(key: str) -> tuple[str, str] | None:
    """Table and key for what somebody called otherwise, or wrote elsewhere; None if unclear."""
    words = _words(key)
    metal = next((m for m, symbol in _SYMBOLS.items() if m in words or symbol in words), None)
    places = (
        (key in CONDITION_KEYS, "conditions", key),
        (key in METAL_KEYS, "other_metals", key),
        ("ph" in words, "conditions", "ph"),
        ("temp" in words or "temperature" in words, "conditions", "temperature_c"),
        ("buffer" in words and "minutes" in words, "conditions", "minutes_since_buffer"),
        ("alkalinity" in words, "sample", "alkalinity_mmol_l"),
        (metal is not None, "other_metals", f"{metal}_mg_l"),
    )
    return next(((section, right) for holds, section, right in places if holds), None)


def stated_conditions(reader: RecordReader, table: Mapping[str, Any]) -> StatedConditions:
    """Read [conditions].

    Raises
    ------
    RecordProblem
        A key has an impossible value, or an uncertainty stands alone.
    """

    def number(key: str, low: float, high: float) -> float | None:
        return reader.number(table, "conditions", key, low, high)

    found = StatedConditions(
        ph=number("ph", 8.0, 12.0),
        ph_standard_uncertainty=number("ph_standard_uncertainty", 0.005, 1.0),
        temperature_c=number("temperature_c", 5.0, 40.0),
        ammonia_mol_l=number("ammonia_mol_l", 0.0, 3.0),
        sodium_mol_l=number("sodium_mol_l", 0.0, 1.0),
        minutes_since_buffer=number("minutes_since_buffer", 0.0, 600.0),
    )
    if found.ph is None and found.ph_standard_uncertainty is not None:
        raise RecordProblem(
            f"{reader.name}: conditions.ph_standard_uncertainty stands without ph.",
            "Give conditions.ph, or remove it.",
        )
    return found


def stated_metals(reader: RecordReader, table: Mapping[str, Any]) -> tuple[StatedMetal, ...]:
    """Read [other_metals].

    Raises
    ------
    RecordProblem
        A key has an impossible value, or an uncertainty stands alone.
    """
    found = []
    for name in OTHER_METALS:
        content = reader.number(table, "other_metals", f"{name}_mg_l", 0.0, 1000.0)
        key = f"{name}_standard_uncertainty_mg_l"
        uncertainty = reader.number(table, "other_metals", key, 0.0, 1000.0)
        if content is not None:
            found.append(StatedMetal(name, content, uncertainty))
        elif uncertainty is not None:
            raise RecordProblem(
                f"{reader.name}: other_metals.{key} stands without {name}_mg_l.",
                f"Give other_metals.{name}_mg_l, or remove it.",
            )
    return tuple(found)
