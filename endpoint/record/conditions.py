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
