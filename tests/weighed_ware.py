"""Simulated weighings of glassware with known errors, for the tests of its calibration."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from calibration.certificate import Certificate
from calibration.sheet import Sheet
from calibration.ware.water import air_density, weighed_volume
from calibration.ware.weighing import certificate_from_sheet

TODAY = datetime.date(2026, 11, 25)
GAMMA = 9.9e-6
Truth = Callable[[float], float]


def sheet_of(tables: Mapping[str, Any]) -> Sheet:
    return Sheet("ware.toml", Path(), TODAY, dict(tables))


def tables(kind: str = "burette", **changes: Any) -> dict[str, Any]:
    """A sheet without readings; `changes` replaces whole tables or, as table__key, one key."""
    found: dict[str, Any] = {
        "format": 1,
        "certificate": {
            "id": "ware-1",
            "what": f"{kind} X",
            "date": "2026-11-02",
            "expiry": "2027-11-01",
            "operator": "MR",
        },
        "ware": {
            "kind": kind,
            "name": "X",
            "nominal_ml": 50,
            "class": "A",
            "glass": "borosilicate 3.3",
        },
        "balance": {"name": "W", "division_mg": 1, "linearity_mg": 2, "scale_ppm": 10},
        "conditions": {
            "thermometer": "T",
            "water_half_width_c": 0.2,
            "water_c": 22.0,
            "air_c": 22.0,
            "pressure_hpa": 990,
            "pressure_half_width_hpa": 10,
        },
    }
    if kind == "burette":
        found["ware"]["division_ml"] = 0.1
    for name, value in changes.items():
        table, _, key = name.partition("__")
        if key and value is None:
            found[table].pop(key, None)
        elif key:
            found[table][key] = value
        else:
            found[table] = value
    return found


def mass_of(volume_ml: float, water_c: float = 22.0, pressure_hpa: float = 990.0) -> float:
    """Balance reading, g, of a volume at 20 °C, to the last digit."""
    air = air_density(22.0, pressure_hpa, 50.0)
    return volume_ml / weighed_volume(1.0, water_c, air, GAMMA)


def simulated_rows(
    rng: np.random.Generator,
    truth: Truth,
    marks: tuple[float, ...],
    times: int,
    setup: Mapping[str, Any],
    scatter_ml: float,
) -> list[dict[str, float]]:
    """Rows of weighings whose errors are drawn from what the sheet states about them."""
    balance, conditions = setup["balance"], setup["conditions"]
    scale = 1.0 + rng.uniform(-1, 1) * balance["scale_ppm"] * 1e-6
    error_c = rng.uniform(-1, 1) * conditions["water_half_width_c"]
    pressure = conditions["pressure_hpa"] + rng.uniform(-1, 1) * 10.0
    gamma = GAMMA * (1.0 + 0.1 * rng.uniform(-1, 1))
    dense = rng.normal(0.0, 0.01)
    air = air_density(22.0 + rng.uniform(-3, 3), pressure, 50.0 + rng.uniform(-20, 20))
    rows = []
    for mark in marks:
        bent = (rng.uniform(-1, 1) - rng.uniform(-1, 1)) * balance["linearity_mg"] * 1e-3
        for _ in range(times):
            shown_c = round(22.0 + rng.uniform(-0.5, 0.5), 1)
            volume = mark + truth(mark) + rng.normal(0.0, scatter_ml)
            mass = volume / weighed_volume(1.0, shown_c - error_c, air, gamma, dense)
            step = balance["division_mg"] * 1e-3
            shown_g = round((mass / scale + bent) / step) * step
            rows.append({"mark_ml": mark, "mass_g": round(shown_g, 6), "water_c": shown_c})
    return rows


def certificate_of(setup: Mapping[str, Any], rows: list[dict[str, float]]) -> Certificate:
    return certificate_from_sheet(sheet_of({**setup, "weighing": rows}))
