"""Gravimetric calibration of burettes, pipettes, flasks and drops, the way of ISO 4787.

Water is weighed, the buoyancy of air and the temperature of water and glass are corrected, and
the volume at 20 °C results. What is one and the same for all weighings (balance, thermometer,
air, glass, density of water) keeps one name, so that it cancels where two volumes are compared;
the scatter and the linearity of the balance have a name for each mark.

The sheet (`calibration.sheet`), every delivery of a burette beginning at the zero line:

    [ware]          kind, name, nominal_ml, class, glass; for burettes division_ml;
                    optional standard, limit_ml
    [balance]       division_mg, linearity_mg; optional name, scale_ppm
    [conditions]    water_half_width_c, pressure_hpa at the balance; optional water_c,
                    thermometer, air_c, air_half_width_c, pressure_half_width_hpa,
                    humidity_percent, humidity_half_width_percent
    [[weighing]]    mass_g, or mass_before_g and mass_after_g; water_c; for burettes mark_ml
    [[drop]]        count; mass_g (or before and after) and water_c, or volume_ml

The keys `name` of the balance and `thermometer` let several calibrations share one error.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from calibration.cells import Section, SheetProblem
from calibration.certificate import Certificate
from calibration.propagation import propagate
from calibration.quantity import Quantity, combine
from calibration.sheet import Sheet
from calibration.ware.glassware import reading_limit
from calibration.ware.tolerance import waiting_remarks
from calibration.ware.water import WATER_DENSITY_U_KG_M3, weighed_volume
from calibration.ware.weighing_sheet import (
    DEFAULT_SCALE_PPM,
    Setup,
    Weighing,
    read_mass,
    read_setup,
    read_water,
    read_weighings,
)

FEW_DEGREES_OF_FREEDOM = 5
"""With fewer at one mark, the scatter of all marks of a burette is pooled. Assumed: with 5 the
coverage factor is 2.6, with fewer it grows fast."""
USUAL_DROP_ML = (0.03, 0.06)
"""From memory of general teaching."""


def certificate_from_sheet(sheet: Sheet) -> Certificate:
    """Make the certificate of a piece of glassware from its weighings.

    Parameters
    ----------
    sheet:
        As in the head of this module.

    Returns
    -------
    Certificate of the kind "glassware", every quantity in mL at 20 °C.
    Pipette and flask: "volume" (mean) and "filling" (0 with the scatter of one delivery).
    Burette: "correction at 10 mL" (true minus nominal) for each mark. With counted drops: "drop".

    Raises
    ------
    CalibrationProblem
        A cell is missing or cannot be true; the sentence names it, with one remedy.

    Source of the method: ISO 4787:2021 (from memory), JCGM 100:2008.
    """
    head = sheet.head()
    has_drops = sheet.has("drop")
    has_weighings = sheet.has("weighing") or sheet.table_rows is not None or not has_drops
    weighed = has_weighings or not _drops_were_read(sheet)
    setup = read_setup(sheet, head.identifier, weighed)
    quantities: dict[str, Quantity] = {}
    readings: dict[str, tuple[float, ...]] = {}
    details = _details(setup)
    remarks = list(head.remarks)
    if has_weighings:
        weighings = read_weighings(sheet.rows("weighing", least=2), setup)
        readings |= _readings(weighings)
        if setup.piece.tolerance.kind == "burette":
            quantities |= _corrections(weighings, setup)
            details["marks_ml"] = sorted({w.mark_ml for w in weighings})
            details["scatter_ml"] = _pooled(_by_mark(weighings))[0]
            remarks += _burette_remarks(quantities, weighings, setup)
        else:
            quantities |= _one_mark(weighings, setup)
            remarks += _one_mark_remarks(quantities, len(weighings), setup)
    if has_drops:
        quantities["drop"], raw = _drop(sheet.rows("drop", least=2), setup)
        readings |= raw
        remarks += _drop_remarks(quantities["drop"])
    sheet.close()
    remarks += _common_remarks(setup, weighed)
    return Certificate(
        head.identifier,
        "glassware",
        head.what,
        head.date,
        head.expiry,
        head.operator,
        quantities,
        readings,
        tuple(remarks),
        details,
    )


def _drops_were_read(sheet: Sheet) -> bool:
    rows = sheet.tables.get("drop")
    return isinstance(rows, list) and all(isinstance(r, dict) and "volume_ml" in r for r in rows)


def _details(setup: Setup) -> dict[str, object]:
    piece = setup.piece
    found: dict[str, object] = {
        "ware": piece.tolerance.kind,
        "name": piece.name,
        "nominal_ml": piece.tolerance.nominal_ml,
        "class": piece.tolerance.ware_class,
        "limit_ml": piece.tolerance.limit_ml,
        "glass": piece.glass_name,
    }
    if piece.tolerance.division_ml is not None:
        found["division_ml"] = piece.tolerance.division_ml
    return found


def _readings(weighings: Sequence[Weighing]) -> dict[str, tuple[float, ...]]:
    found: dict[str, tuple[float, ...]] = {}
    if any("mark_ml" in w.row.cells for w in weighings):
        found["mark_ml"] = tuple(w.mark_ml for w in weighings)
    for key in ("mass_before_g", "mass_after_g"):
        if all(key in w.row.cells for w in weighings):
            found[key] = tuple(float(w.row.cells[key]) for w in weighings)
    found["mass_g"] = tuple(w.mass_g for w in weighings)
    found["water_c"] = tuple(w.water_c for w in weighings)
    found["volume_at_20_ml"] = tuple(round(w.volume_ml, 6) for w in weighings)
    return found


# --- volumes ------------------------------------------------------------------------------------


def _systematic(mass_g: float, water_c: float, where: str, setup: Setup) -> Quantity:
    """Volume at 20 °C with all but the scatter; `where` names what is weighed: " at 10 mL"."""
    name = f"{setup.base}, balance linearity{where}"
    # Two readings within +/- linearity each: their difference is triangular within twice that.
    width = 2.0 * setup.balance.linearity_g
    mass = Quantity.from_limits(mass_g, "g", width, "triangular", name)
    piece = setup.piece
    expansion = Quantity.from_limits(
        piece.glass.expansion_per_c,
        "1/°C",
        piece.glass.half_width_per_c,
        "rectangular",
        f"{piece.label}: glass expansion",
    )
    density = Quantity.measured(0.0, "kg/m3", WATER_DENSITY_U_KG_M3, "water: density")

    def volume(m: float, scale: float, error_c: float, air: float, dense: float, g: float) -> float:
        return weighed_volume(m * (1.0 + scale), water_c + error_c, air, g, dense)

    conditions = setup.conditions
    inputs = (mass, setup.balance.scale, conditions.thermometer, conditions.air, density, expansion)
    return propagate(volume, *inputs, unit="mL")


def _rounding(name: str, setup: Setup) -> Quantity:
    """Two displays rounded to one division; 1 g counts as 1 mL."""
    width = setup.balance.division_g
    return Quantity.from_limits(0.0, "g", width, "triangular", name).scaled(1.0, "mL")


def _mean(weighings: Sequence[Weighing], s: float, dof: int, where: str, setup: Setup) -> Quantity:
    """Mean volume of one mark; `s` is the standard deviation of one delivery, mL."""
    mass = float(np.mean([w.mass_g for w in weighings]))
    water = float(np.mean([w.water_c for w in weighings]))
    u = s / math.sqrt(len(weighings))
    name = f"{setup.base}, scatter{where}"
    parts = [
        _systematic(mass, water, where, setup),
        Quantity.measured(0.0, "mL", u, name, kind="A", degrees_of_freedom=dof),
    ]
    rounding = _rounding(f"{setup.base}, balance division{where}", setup)
    if s < rounding.standard_uncertainty:  # else the scatter holds it already
        parts.append(rounding)
    mean = float(np.mean([w.volume_ml for w in weighings]))
    return combine(mean, "mL", [(1.0, part) for part in parts])


def _by_mark(weighings: Sequence[Weighing]) -> dict[float, list[Weighing]]:
    groups: dict[float, list[Weighing]] = {}
    for w in sorted(weighings, key=lambda w: w.mark_ml):
        groups.setdefault(w.mark_ml, []).append(w)
    return groups


def _pooled(groups: Mapping[float, Sequence[Weighing]]) -> tuple[float, int]:
    """Standard deviation of one delivery over all marks, mL, and its degrees of freedom."""
    squares = sum(len(g) * float(np.var([w.volume_ml for w in g])) for g in groups.values())
    dof = sum(len(group) - 1 for group in groups.values())
    return math.sqrt(squares / dof), dof


def _corrections(weighings: Sequence[Weighing], setup: Setup) -> dict[str, Quantity]:
    groups = _by_mark(weighings)
    first = weighings[0]
    if len(groups) < 2:
        raise first.row.problem(
            "mark_ml",
            f"is {first.mark_ml:g} mL, as in every row.",
            "Weigh several marks of the burette, at best five or more, down to the lowest line.",
        )
    single = next((group[0] for group in groups.values() if len(group) < 2), None)
    if single is not None:
        raise single.row.problem(
            "mark_ml",
            f"is {single.mark_ml:g} mL, which was weighed only once.",
            "Weigh each mark twice or more; one weighing does not show its scatter.",
        )
    few = any(len(group) - 1 < FEW_DEGREES_OF_FREEDOM for group in groups.values())
    found = {}
    for mark, group in groups.items():
        s, dof = _pooled(groups if few else {mark: group})
        mean = _mean(group, s, dof, f" at {mark:g} mL", setup)
        found[f"correction at {mark:g} mL"] = mean - mark
    return found


def _one_mark(weighings: Sequence[Weighing], setup: Setup) -> dict[str, Quantity]:
    s, dof = _pooled(_by_mark(weighings))
    name = f"{setup.base}, filling"
    filling = Quantity.measured(0.0, "mL", s, name, kind="A", degrees_of_freedom=dof)
    rounding = _rounding(name, setup)
    if s < rounding.standard_uncertainty:
        filling = rounding
    return {"volume": _mean(weighings, s, dof, "", setup), "filling": filling}


def _drop(rows: Sequence[Section], setup: Setup) -> tuple[Quantity, dict[str, tuple[float, ...]]]:
    """Mean volume of one drop, from counted drops that were weighed or read on the burette."""
    tolerance = setup.piece.tolerance
    if tolerance.kind != "burette":
        raise SheetProblem(
            f"{rows[0].where}: a {tolerance.kind} is not emptied by drops.", "Remove [[drop]]."
        )
    counts, volumes, masses, waters = [], [], [], []
    read = rows[0].has("volume_ml")
    for row in rows:
        count = row.whole("count", 5, 1000)
        low, high = 0.005 * count, 0.2 * count
        counts.append(float(count))
        if read:
            volumes.append(float(row.number("volume_ml", low, high)))
        else:
            masses.append(read_mass(row, low, high))
            waters.append(read_water(row, setup))
            volumes.append(setup.volume(masses[-1], waters[-1]))
        row.close()
    drops = [volume / count for volume, count in zip(volumes, counts, strict=True)]
    share = 1.0 / float(np.mean(counts))
    base = f"{setup.piece.label}: drop {setup.identifier}"
    scatter = Quantity.from_readings(drops, "mL", f"{base}, scatter")
    spread = float(np.std(volumes, ddof=1))
    raw = {"drop_count": tuple(counts)}
    if read:
        limit = 2.0 * reading_limit(tolerance.division_ml)
        hidden = Quantity.from_limits(0.0, "mL", limit, "triangular", f"{base}, reading")
        name = f"{base}, scale of the burette"
        shared = Quantity.from_limits(0.0, "mL", tolerance.limit_ml, "triangular", name)
        raw["drop_volume_ml"] = tuple(volumes)
    else:
        hidden = _rounding(f"{base}, balance division", setup)
        mass, water = float(np.mean(masses)), float(np.mean(waters))
        shared = _systematic(mass, water, " of the drops", setup)
        raw |= {"drop_mass_g": tuple(masses), "drop_water_c": tuple(waters)}
    parts = [(1.0, scatter), (share, shared)]
    if spread < hidden.standard_uncertainty:  # else the scatter holds it already
        parts.append((share, hidden))
    return combine(float(np.mean(drops)), "mL", parts), raw


# --- remarks ------------------------------------------------------------------------------------


def _burette_remarks(
    corrections: Mapping[str, Quantity], weighings: Sequence[Weighing], setup: Setup
) -> list[str]:
    tolerance = setup.piece.tolerance
    remarks = [
        f"The {name} is {q.value:+.3f} mL, outside the limit of class {tolerance.ware_class}, "
        f"{tolerance.limit_ml:g} mL."
        for name, q in corrections.items()
        if abs(q.value) > tolerance.limit_ml
    ]
    top = max(w.mark_ml for w in weighings)
    if top < tolerance.nominal_ml:
        remarks.append(f"The lowest line weighed is {top:g} mL: readings beyond it are refused.")
    if len(corrections) < 5:
        remarks.append("Fewer than 5 marks were weighed: the scale between them is less certain.")
    return remarks


def _one_mark_remarks(quantities: Mapping[str, Quantity], count: int, setup: Setup) -> list[str]:
    tolerance, remarks = setup.piece.tolerance, []
    error = quantities["volume"].value - tolerance.nominal_ml
    if abs(error) > tolerance.limit_ml:
        remarks.append(
            f"The volume is {error:+.3f} mL off the nominal, outside the limit of class "
            f"{tolerance.ware_class}, {tolerance.limit_ml:g} mL."
        )
    if quantities["filling"].standard_uncertainty > tolerance.limit_ml:
        remarks.append(
            "The deliveries scatter by more than the limit of the class: check the tip, the "
            "waiting time and how clean the glass is."
        )
    if count < 5:
        remarks.append(f"Only {count} weighings: their scatter is poorly known; ten are usual.")
    return remarks


def _drop_remarks(drop: Quantity) -> list[str]:
    low, high = USUAL_DROP_ML
    if low <= drop.value <= high:
        return []
    return [
        f"A drop of {drop.value:.4f} mL is outside the usual {low:g} to {high:g} mL (general "
        "teaching, from memory): check the count and the tip."
    ]


def _common_remarks(setup: Setup, weighed: bool) -> list[str]:
    remarks = []
    if weighed and not setup.balance.scale_stated:
        remarks.append(
            f"The scale of the balance was assumed right within {DEFAULT_SCALE_PPM:g} ppm (common "
            "practice for an adjusted balance, no source); scale_ppm replaces it."
        )
    tolerance = setup.piece.tolerance
    return remarks + list(waiting_remarks(tolerance.kind, tolerance.ware_class))
