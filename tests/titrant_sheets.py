"""A good sheet of a standardisation, and the same with some cells changed."""

from __future__ import annotations

import copy
import datetime
from pathlib import Path
from typing import Any

from calibration.certificate import Certificate
from calibration.quantity import Quantity
from calibration.sheet import Sheet
from calibration.standardisation.titrant import certificate_from_sheet

TODAY = datetime.date(2026, 11, 25)
BURETTE = {"nominal_ml": 50, "class": "A", "division_ml": 0.1, "name": "B2"}
BASE: dict[str, Any] = {
    "format": 1,
    "certificate": {
        "id": "EDTA-7",
        "what": "EDTA 0.01 mol/L, bottle 7",
        "date": datetime.date(2026, 11, 9),
        "expiry": datetime.date(2026, 12, 9),
        "operator": "KT",
    },
    "titrant": {"nominal_mol_l": 0.01, "stored_in": "polyethylene"},
    "standard": {
        "substance": "calcium carbonate",
        "lot": "C-18",
        "mass_mg": 250.3,
        "balance_half_width_mg": 0.15,
        "purity_percent": 99.95,
        "purity_half_width_percent": 0.05,
    },
    "ware": {
        "pipette": {"nominal_ml": 25, "class": "A", "name": "P1"},
        "flask": {"nominal_ml": 250, "class": "A", "name": "F4"},
        "burette": BURETTE,
    },
    "end": {
        "read": "eye",
        "indicator": "Eriochrome Black T",
        "analyst": "KT",
        "error_ml": -0.03,
        "error_standard_uncertainty_ml": 0.03,
    },
    "titre": [{"volume_ml": 24.87}, {"volume_ml": 24.92}, {"volume_ml": 24.90}],
}


def sheet(changes: dict[str, Any] | None = None, folder: Path = Path()) -> Sheet:
    """Sheet of `BASE` with cells replaced, keys like "titrant.nominal_mol_l"; ... takes one out."""
    tables = copy.deepcopy(BASE)
    for place, value in (changes or {}).items():
        *path, last = place.split(".")
        table: Any = tables
        for key in path:
            table = table[int(key)] if isinstance(table, list) else table.setdefault(key, {})
        if value is ...:
            del table[last]
        elif isinstance(table, list):
            table[int(last)] = value
        else:
            table[last] = value
    return Sheet("edta.toml", folder, TODAY, tables)


def certificate(changes: dict[str, Any] | None = None, folder: Path = Path()) -> Certificate:
    return certificate_from_sheet(sheet(changes, folder))


def strength(changes: dict[str, Any] | None = None, folder: Path = Path()) -> Quantity:
    return certificate(changes, folder).quantity("concentration", "mol/L")
