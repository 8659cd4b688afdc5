"""What every titration record says, however the end was read: sample, titrant, ware, blank.

[sample]
label = "Spring at the mill"
date = 2026-11-20              # day of the titration; default: today
analyst = "A. Berg"            # who titrated; may be left out
volume_ml = 100.0              # or deliveries_ml = [50.0, 50.0]
added_ml = 5.0                 # buffer and rinse water in the flask; default 0
alkalinity_mmol_l = 3.20       # acid capacity to pH 4.3; alkalinity_standard_uncertainty_mmol_l
[titrant]
concentration_mol_l = 0.0100
standard_uncertainty_mol_l = 0.00002   # or certificate = "edta.json"; or several of one titrant:
# certificates = ["edta-1.json", "edta-2.json"]   # its factor on the day, with its drift
[blank]
volume_ml = 0.05               # or result = "blank/result.json"
standard_uncertainty_ml = 0.02
[ware]
burette = { nominal_ml = 50, class = "A", division_ml = 0.1, name = "B2" }   # or "burette.json"
pipette = "A"
first_reading_ml = 0.0         # where the burette stood at the start; matters with a certificate
temperature_c = 20.0           # of water and titrant; without it 20 +/- 3 is taken
temperature_half_width_c = 3.0
[calcium]                      # second titration: calcium alone
by = "pH 12 to 13"             # or "EGTA"
titre_ml = 9.20                # or result = "calcium/result.json"
standard_uncertainty_ml = 0.03
deliveries_ml = [50.0, 50.0]   # default as [sample]
blank_ml = 0.0                 # of these reagents; [blank] is not subtracted here
concentration_mol_l = 0.0100   # needed for EGTA, or certificate = "egta.json"; else the EDTA above
standard_uncertainty_mol_l = 0.00002
[conditions]                   # and [other_metals], see `endpoint.record.conditions`
ph = 10.05
[method]                       # verified on this bench: its bias and scatter
certificate = "method.json"
[certificates]
accept = ["edta-7"]            # used although expired, dated later or of other ware
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from endpoint.files.cells import RecordReader
from endpoint.hardness.other_metals import HIGH_PH, StatedMetal
from endpoint.hardness.titre import CONCENTRATIONS_MOL_L
from endpoint.problems import RecordProblem
from endpoint.record.conditions import (
    CONDITION_KEYS,
    METAL_KEYS,
    MG_CACO3_PER_MMOL_ACID,
    StatedConditions,
    stated_conditions,
    stated_metals,
)

BENCH_KEYS: dict[str, tuple[str, ...]] = {
    "sample": (
        "label",
        "date",
        "volume_ml",
        "deliveries_ml",
        "added_ml",
        "analyst",
        "alkalinity_mmol_l",
        "alkalinity_standard_uncertainty_mmol_l",
    ),
    "titrant": (
        "concentration_mol_l",
        "standard_uncertainty_mol_l",
        "certificate",
        "certificates",
    ),
    "blank": ("volume_ml", "standard_uncertainty_ml", "result"),
    "ware": (
        "burette",
        "pipette",
        "first_reading_ml",
        "temperature_c",
        "temperature_half_width_c",
    ),
    "calcium": (
        "by",
        "titre_ml",
        "standard_uncertainty_ml",
        "result",
        "volume_ml",
        "deliveries_ml",
        "blank_ml",
        "concentration_mol_l",
        "standard_uncertainty_mol_l",
        "certificate",
    ),
    "conditions": CONDITION_KEYS,
    "other_metals": METAL_KEYS,
    "method": ("certificate",),
    "certificates": ("accept",),
}
_MOST_ALKALINITY_MMOL_L = 130.0
"""mmol/L of acid: the mineral waters with the most bicarbonate hold 7.8 g/L, 128 (from memory)."""
CALCIUM_BY = (HIGH_PH, "EGTA")
"""Ways to titrate calcium alone: magnesium precipitated, or a reagent that leaves it."""


@dataclass(frozen=True)
class CalciumPart:
    """Second titration, at pH 12 to 13 or with EGTA, in which calcium alone is titrated."""

    by: str
    """One of `CALCIUM_BY`."""

    titre_ml: float | None
    standard_uncertainty_ml: float | None
    result: Path | None
    deliveries_ml: tuple[float, ...]
    blank_ml: float | None
    concentration_mol_l: float | None = None
    """Of a solution of its own; without it and a certificate that of the first titration."""
    standard_uncertainty_mol_l: float | None = None
    certificate: Path | None = None

    @property
    def reagent(self) -> str:
        """What the solution is called in budgets."""
        return "EGTA" if self.by == "EGTA" else "EDTA for calcium"


@dataclass(frozen=True, kw_only=True)
class BenchRecord:
    """A checked record without the reading of the end; paths as in the record."""

    name: str
    """What errors call the record."""
    label: str
    day: datetime.date | None = None
    """Day of the titration; None where the record does not say."""
    analyst: str | None = None
    """Who titrated, if stated."""
    deliveries_ml: tuple[float, ...]
    added_ml: float
    concentration_mol_l: float | None
    standard_uncertainty_mol_l: float | None
    certificate: Path | None
    certificates: tuple[Path, ...] = ()
    """Several standardisations of one titrant."""
    blank_ml: float | None = None
    blank_uncertainty_ml: float | None = None
    blank_result: Path | None = None
    ware: Mapping[str, Mapping[str, Any] | str | Path] = field(default_factory=dict)
    """Burette and pipette: a table, a class such as "A", or the path of a certificate."""
    first_reading_ml: float = 0.0
    temperature_c: float | None = None
    temperature_half_width_c: float | None = None
    calcium: CalciumPart | None = None
    conditions: StatedConditions = field(default_factory=StatedConditions)
    other_metals: tuple[StatedMetal, ...] = ()
    alkalinity_mmol_l: tuple[float, float | None] | None = None
    """Acid capacity to pH 4.3 and its standard uncertainty, mmol/L."""
    method: Path | None = None
    """Certificate of the method's verification."""
    accepted: tuple[str, ...] = ()
    """Identifiers of certificates that are used although expired or not fitting."""

    @property
    def has_blank(self) -> bool:
        """Whether there is a [blank], read by eye or as a result."""
        return self.blank_ml is not None or self.blank_result is not None


def bench_values(
    reader: RecordReader, tables: Mapping[str, Mapping[str, Any]], folder: Path
) -> dict[str, Any]:
    """Fields of `BenchRecord` from the tables of a record.

    Raises
    ------
    RecordProblem
        A key is missing or has an impossible value.
    """
    parts = {key: tables.get(key, {}) for key in BENCH_KEYS}
    ware = parts["ware"]
    values = {
        **_sample(reader, parts["sample"]),
        **_titrant(reader, parts["titrant"], folder),
        **_blank(reader, parts["blank"], folder),
        "ware": {
            key: reader.ware(ware[key], key, folder)
            for key in ("burette", "pipette")
            if key in ware
        },
        "first_reading_ml": reader.number(ware, "ware", "first_reading_ml", 0.0, 100.0) or 0.0,
        "temperature_c": reader.number(ware, "ware", "temperature_c", 5.0, 40.0),
        "temperature_half_width_c": reader.number(
            ware, "ware", "temperature_half_width_c", 0.0, 10.0
        ),
        "conditions": stated_conditions(reader, parts["conditions"]),
        "other_metals": stated_metals(reader, parts["other_metals"]),
        "method": _method(reader, parts["method"], folder),
        "accepted": reader.texts(parts["certificates"], "certificates", "accept"),
    }
    values["calcium"] = _calcium(reader, parts["calcium"], folder, values["deliveries_ml"])
    return values


def _method(reader: RecordReader, table: Mapping[str, Any], folder: Path) -> Path | None:
    name = reader.text(table, "method", "certificate")
    return None if name is None else folder / name


def _calcium(
    reader: RecordReader, table: Mapping[str, Any], folder: Path, default: tuple[float, ...]
) -> CalciumPart | None:
    if not table:
        return None
    titre = reader.number(table, "calcium", "titre_ml", 0.05, 200.0)
    result = reader.text(table, "calcium", "result")
    if (titre is None) == (result is None):
        raise RecordProblem(
            f"{reader.name}: calcium needs titre_ml or result, one of the two.",
            'Write titre_ml = 9.20, or result = "calcium/result.json".',
        )
    own = reader.deliveries(table, "calcium")
    by = reader.text(table, "calcium", "by") or CALCIUM_BY[0]
    if by not in CALCIUM_BY:
        raise RecordProblem(
            f'{reader.name}: calcium.by is "{by[:40]}".',
            f"Write {' or '.join(map(repr, CALCIUM_BY))}.".replace("'", '"'),
        )
    return CalciumPart(
        by=by,
        titre_ml=titre,
        standard_uncertainty_ml=reader.number(
            table, "calcium", "standard_uncertainty_ml", 0.0, 5.0
        ),
        result=None if result is None else folder / result,
        deliveries_ml=default if own is None else own,
        blank_ml=reader.number(table, "calcium", "blank_ml", 0.0, 50.0),
        **_calcium_titrant(reader, table, folder, by),
    )


def _calcium_titrant(
    reader: RecordReader, table: Mapping[str, Any], folder: Path, by: str
) -> dict[str, Any]:
    """Solution that calcium was titrated with; EGTA is never the EDTA of the first titration."""
    if by == "EGTA" and "concentration_mol_l" not in table and "certificate" not in table:
        raise RecordProblem(
            f"{reader.name}: calcium was titrated with EGTA, but [calcium] does not say how strong "
            "it was.",
            'Write concentration_mol_l = 0.0100, or certificate = "egta.json", in [calcium].',
        )
    if "concentration_mol_l" not in table and "certificate" not in table:
        if "standard_uncertainty_mol_l" in table:
            raise RecordProblem(
                f"{reader.name}: calcium.standard_uncertainty_mol_l stands without "
                "concentration_mol_l.",
                "Give calcium.concentration_mol_l, or remove it.",
            )
        return {}
    found = _titrant(reader, table, folder, "calcium")
    return {key: value for key, value in found.items() if key != "certificates"}


def _sample(reader: RecordReader, table: Mapping[str, Any]) -> dict[str, Any]:
    parts = reader.deliveries(table, "sample")
    if parts is None:
        raise RecordProblem(
            f"{reader.name}: sample needs volume_ml or deliveries_ml, one of the two.",
            "Write volume_ml = 100.0, or deliveries_ml = [50.0, 50.0] for two pipette fillings.",
        )
    label = table.get("label", reader.name)
    if not isinstance(label, str):
        raise RecordProblem(f"{reader.name}: sample.label is not text.", "Put the label in quotes.")
    added = reader.number(table, "sample", "added_ml", 0.0, 5000.0)
    return {
        "label": label[:200],
        "day": reader.day(table, "sample", "date"),
        "analyst": reader.text(table, "sample", "analyst"),
        "deliveries_ml": parts,
        "added_ml": added or 0.0,
        "alkalinity_mmol_l": _alkalinity(reader, table),
    }


def _alkalinity(
    reader: RecordReader, table: Mapping[str, Any]
) -> tuple[float, float | None] | None:
    value = reader.number(table, "sample", "alkalinity_mmol_l", 0.0, math.inf)
    if value is not None and value > _MOST_ALKALINITY_MMOL_L:
        raise RecordProblem(
            f"{reader.name}: sample.alkalinity_mmol_l is {value:g} mmol/L of acid; even the "
            f"strongest mineral waters hold less than {_MOST_ALKALINITY_MMOL_L:g}.",
            "If it is in mg/L as CaCO3, divide by 50.04: alkalinity_mmol_l = "
            f"{value / MG_CACO3_PER_MMOL_ACID:.2f}",
        )
    key = "alkalinity_standard_uncertainty_mmol_l"
    u = reader.number(table, "sample", key, 0.0, 20.0)
    if value is None and u is not None:
        raise RecordProblem(
            f"{reader.name}: sample.{key} stands without alkalinity_mmol_l.",
            "Give sample.alkalinity_mmol_l, or remove it.",
        )
    return None if value is None else (value, u)


def _titrant(
    reader: RecordReader, table: Mapping[str, Any], folder: Path, section: str = "titrant"
) -> dict[str, Any]:
    concentration = table.get("concentration_mol_l")
    certificate = reader.text(table, section, "certificate")
    several = reader.texts(table, section, "certificates")
    if sum((concentration is not None, certificate is not None, bool(several))) != 1:
        raise RecordProblem(
            f"{reader.name}: {section} needs concentration_mol_l or certificate (or certificates), "
            "one of them.",
            'Write concentration_mol_l = 0.0100, or certificate = "edta.json".',
        )
    value = reader.number(table, section, "concentration_mol_l", *CONCENTRATIONS_MOL_L)
    uncertainty = reader.number(table, section, "standard_uncertainty_mol_l", 0.0, 0.1)
    if uncertainty is not None and value is None:
        raise RecordProblem(
            f"{reader.name}: the certificate states the uncertainty of the titrant.",
            f"Remove {section}.standard_uncertainty_mol_l.",
        )
    if uncertainty is not None and value is not None and uncertainty > 0.2 * value:
        raise RecordProblem(
            f"{reader.name}: {section}.standard_uncertainty_mol_l is more than a fifth of the "
            "concentration.",
            "Give both in mol/L.",
        )
    return {
        "concentration_mol_l": value,
        "standard_uncertainty_mol_l": uncertainty,
        "certificate": None if certificate is None else folder / certificate,
        "certificates": tuple(folder / name for name in several),
    }


def _blank(reader: RecordReader, table: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    volume = reader.number(table, "blank", "volume_ml", 0.0, 50.0)
    result = reader.text(table, "blank", "result")
    if table and (volume is None) == (result is None):
        raise RecordProblem(
            f"{reader.name}: blank.volume_ml is missing."
            if result is None
            else f"{reader.name}: blank has volume_ml and result.",
            'Write volume_ml, or result = "blank/result.json", one of the two; or remove [blank].',
        )
    uncertainty = reader.number(table, "blank", "standard_uncertainty_ml", 0.0, 5.0)
    return {
        "blank_ml": volume,
        "blank_uncertainty_ml": uncertainty,
        "blank_result": None if result is None else folder / result,
    }
