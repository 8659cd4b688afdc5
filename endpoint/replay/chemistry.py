"""Who holds calcium, magnesium and indicator: tables of the solver for the replay.

The page only looks numbers up. Everything in these tables comes from
`endpoint.chemistry.equilibrium`; the settings of the page are the steps of the grid, so that
nothing is interpolated between them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.acid_base import magnesium_hydroxide_ph, protonated_parts
from endpoint.chemistry.equilibrium import EBT_PKA, constants_at, solve

FloatArray = NDArray[np.float64]

PH = (8.0, 8.5, 9.0, 9.5, 10.0, 10.5, 11.0)
MAGNESIUM = (0.0, 0.02, 0.05, 0.10, 0.20, 0.40, 0.60)
INDICATOR_UMOL_L = (5.0, 10.0, 20.0, 40.0, 80.0)
"""Steps of the three sliders: pH, part of magnesium, and amount of indicator in the flask, umol/L:
from what a class may find in practice to what spoils the end. Our choice."""
LEVELS = (0.1, 0.5, 0.9, 0.95)
"""Free parts of the indicator whose volumes are tabulated: begin, middle, end, last red."""
_SAME_PH = 0.2
"""A step of the grid as near to the stated pH as this is left out in its favour."""
_AROUND_ML = 2.5
"""Distance from the equivalence volume within which volumes stand close together, mL: the whole
change lies there, even without magnesium."""
_HALVINGS = 28
"""Halvings: 50 mL by 2^28 is 0.0000002 mL, and pages have four decimals."""


@dataclass(frozen=True)
class Water:
    """A sample in its flask, as the model takes it."""

    flask_ml: float
    """Sample, buffer and rinse water before the first addition."""
    equivalence_ml: float
    titrant_mol_l: float
    magnesium_share: float
    """Of calcium and magnesium together, 0 to 1."""
    indicator_umol_l: float
    """In the flask before the first addition."""
    ph: float = 10.0
    edta_set: str = "fifield-kealey"
    """Acid constants of EDTA, see `endpoint.chemistry.equilibrium.EDTA_PKA`."""

    @property
    def is_possible(self) -> bool:
        """Whether such a flask is physically possible, so that the solver can be used."""
        return (
            1.0 < self.flask_ml < 1e4
            and 0.01 < self.equivalence_ml < 1e4
            and 1e-5 < self.titrant_mol_l < 10.0
            and 0.0 <= self.magnesium_share <= 1.0
            and 0.01 < self.indicator_umol_l < 1e4
            and 7.0 <= self.ph <= 12.0
        )

    @property
    def metal_mmol(self) -> float:
        """Calcium and magnesium in the flask."""
        return self.equivalence_ml * self.titrant_mol_l

    @property
    def magnesium_mol_l(self) -> float:
        """Magnesium in the flask before the first addition."""
        return 1e-3 * self.magnesium_share * self.metal_mmol / (1e-3 * self.flask_ml)


@dataclass(frozen=True, eq=False)
class Holders:
    """Parts of calcium, magnesium and indicator by what holds them; arrays of one shape, 0 to 1.

    A metal that is not there has the part 0 everywhere.
    """

    calcium_free: FloatArray
    calcium_edta: FloatArray
    calcium_indicator: FloatArray
    magnesium_free: FloatArray
    magnesium_edta: FloatArray
    magnesium_indicator: FloatArray
    indicator_free: FloatArray
    indicator_calcium: FloatArray
    indicator_magnesium: FloatArray


NAMES = tuple(Holders.__dataclass_fields__)


def holders(waters: list[Water], volume_ml: FloatArray) -> Holders:
    """Solve the mass balances of many waters at once.

    Parameters
    ----------
    waters:
        Any number of them.
    volume_ml:
        Added titrant, shape (n,), or one row for each water, shape (waters, n); >= 0.

    Returns
    -------
    Arrays of shape (waters, n).
    """
    added = np.broadcast_to(volume_ml, (len(waters), np.shape(volume_ml)[-1]))

    def column(values: list[float]) -> FloatArray:
        return np.array(values, dtype=np.float64)[:, None]

    total_ml = column([w.flask_ml for w in waters]) + added
    metal = column([w.metal_mmol for w in waters]) / total_ml
    share = column([w.magnesium_share for w in waters])
    totals = np.stack([(1.0 - share) * metal, share * metal], axis=-1)
    dye = 1e-6 * column([w.indicator_umol_l * w.flask_ml for w in waters]) / total_ml
    edta = column([w.titrant_mol_l for w in waters]) * added / total_ml
    k = [constants_at(w.ph, w.edta_set) for w in waters]
    log_edta = np.array([(c.log_ca_edta, c.log_mg_edta) for c in k])[:, None, :]
    log_dye = np.array([(c.log_ca_indicator, c.log_mg_indicator) for c in k])[:, None, :]
    found = solve(totals, edta, dye, log_edta, log_dye)
    there = np.maximum(totals, 1e-300)
    free, bound = found.free_metal_mol_l / there, found.metal_edta_mol_l / there
    on_dye = found.metal_indicator_mol_l / there
    part = found.metal_indicator_mol_l / dye[..., None]
    return Holders(
        free[..., 0],
        bound[..., 0],
        on_dye[..., 0],
        free[..., 1],
        bound[..., 1],
        on_dye[..., 1],
        found.free_indicator_mol_l / dye,
        part[..., 0],
        part[..., 1],
    )


def volumes_of_levels(waters: list[Water], levels: tuple[float, ...] = LEVELS) -> FloatArray:
    """Volumes at which parts of the indicator are free, by halving.

    Parameters
    ----------
    waters:
        Any number of them.
    levels:
        Free parts, 0 to 1.

    Returns
    -------
    mL, shape (waters, levels); NaN where the part is free from the start, or not before one and a
    half times the equivalence volume.
    """
    shape = (len(waters), len(levels))
    wanted = np.broadcast_to(np.array(levels), shape)
    low = np.zeros(shape)
    high = np.array([1.5 * w.equivalence_ml for w in waters])[:, None] + low
    outside = (holders(waters, low).indicator_free >= wanted) | (
        holders(waters, high).indicator_free < wanted
    )
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        under = holders(waters, middle).indicator_free < wanted
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.where(outside, np.nan, 0.5 * (low + high))


@dataclass(frozen=True, eq=False)
class Tables:
    """Tables over pH, share of magnesium, amount of indicator and volume."""

    water: Water
    ph: tuple[float, ...]
    magnesium: tuple[float, ...]
    indicator_umol_l: tuple[float, ...]
    own: tuple[int, int, int]
    """Where the water itself stands on the three axes."""
    volume_ml: FloatArray
    """Shape (n,), rising."""
    holders: Holders
    """Shape (pH, magnesium, indicator, n)."""
    level_ml: FloatArray
    """Volumes of `LEVELS`, shape (pH, magnesium, indicator, levels); NaN where there is none."""


def tabulate(water: Water) -> Tables:
    """Tables around a water; its pH is a step of the grid, the rest are on the grid already.

    Parameters
    ----------
    water:
        As `water_of` gives it; its calcium and magnesium together are the same everywhere.
    """
    ph = tuple(sorted([step for step in PH if abs(step - water.ph) > _SAME_PH] + [water.ph]))
    own = (
        ph.index(water.ph),
        MAGNESIUM.index(water.magnesium_share),
        INDICATOR_UMOL_L.index(water.indicator_umol_l),
    )
    waters = [
        replace(water, ph=a, magnesium_share=b, indicator_umol_l=c)
        for a in ph
        for b in MAGNESIUM
        for c in INDICATOR_UMOL_L
    ]
    volume_ml = volume_grid(water.equivalence_ml)
    solved = holders(waters, volume_ml)
    shape = (len(ph), len(MAGNESIUM), len(INDICATOR_UMOL_L), -1)
    table = Holders(*(getattr(solved, name).reshape(shape) for name in NAMES))
    levels = volumes_of_levels(waters).reshape(shape)
    return Tables(water, ph, MAGNESIUM, INDICATOR_UMOL_L, own, volume_ml, table, levels)


def volume_grid(equivalence_ml: float) -> FloatArray:
    """Volumes from 0 to a quarter beyond the equivalence volume, close together around it, mL."""
    last = 1.25 * equivalence_ml
    around = min(_AROUND_ML, 0.25 * equivalence_ml)
    fine = equivalence_ml + np.linspace(-around, around, 81)
    # The change of every setting lies before or just after the end: finest there.
    finest = equivalence_ml + np.linspace(-0.2 * around, 0.12 * around, 33)
    return np.unique(np.round(np.r_[np.linspace(0.0, last, 41), fine, finest], 6))


def magnesium_begins(water: Water, share: float, ph: float) -> bool:
    """Whether magnesium hydroxide can form before the first drop, at a share of magnesium."""
    free = replace(water, magnesium_share=share).magnesium_mol_l
    return free > 0.0 and ph >= magnesium_hydroxide_ph(free)[0]


def plain_tables(tables: Tables) -> dict[str, Any]:
    """Tables for the page: parts of 65535 as text (base64 of little-endian 16-bit numbers)."""
    import base64

    def packed(values: FloatArray) -> str:
        counts = np.rint(65535.0 * np.clip(values, 0.0, 1.0)).astype("<u2")
        return base64.b64encode(counts.tobytes()).decode("ascii")

    def known(values: FloatArray) -> list[float | None]:
        return [None if np.isnan(v) else round(float(v), 4) for v in values.ravel()]

    return {
        "ph": list(tables.ph),
        "magnesium": list(tables.magnesium),
        "indicator": list(tables.indicator_umol_l),
        "own": list(tables.own),
        "volume_ml": [round(float(v), 4) for v in tables.volume_ml],
        "equivalence_ml": tables.water.equivalence_ml,
        "levels": list(LEVELS),
        "level_ml": known(tables.level_ml),
        "hydroxide": [
            [magnesium_begins(tables.water, share, ph) for share in tables.magnesium]
            for ph in tables.ph
        ],
        "orange": [round(protonated_parts(ph, EBT_PKA)[0], 4) for ph in tables.ph],
        "parts": {name: packed(getattr(tables.holders, name)) for name in NAMES},
    }


def water_of(document: Mapping[str, Any]) -> Water | None:
    """Water like the sample of a result, for the model; None where the result does not say enough.

    Equivalence volume and pH are the sample's. A fit does not know magnesium and indicator well:
    of these the model takes the steps of its sliders next to what the fit prefers, so that nobody
    takes them for something that was measured. The constants are the published ones.

    Only a titration of calcium and magnesium with Eriochrome Black T has a model here.
    """
    found, inputs = document.get("chemistry"), document["inputs"]
    volume = (document.get("equivalence_ml") or {}).get("value")
    if found is None or volume is None or inputs.get("indicator") != "Eriochrome Black T":
        return None
    try:
        water = Water(
            flask_ml=float(inputs["flask_ml"]),
            equivalence_ml=float(volume),
            titrant_mol_l=float(inputs["titrant_mol_l"]["value"]),
            magnesium_share=float(found["magnesium_share"]["value"]),
            indicator_umol_l=float(found["indicator_umol_l"]["value"]),
            ph=float(inputs["ph"]),
        )
    except KeyError:
        return None
    if not water.is_possible:
        return None
    share, dye = water.magnesium_share, water.indicator_umol_l
    # By the root, as the fit has it; amounts by their ratio.
    return replace(
        water,
        magnesium_share=min(MAGNESIUM, key=lambda step: abs(step**0.5 - share**0.5)),
        indicator_umol_l=min(INDICATOR_UMOL_L, key=lambda step: abs(np.log(step / dye))),
    )
