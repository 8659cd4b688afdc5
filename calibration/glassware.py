"""Burettes, pipettes and flasks: how well a volume is known from the class printed on the glass.

The limit of error of the class is taken as the half width of a triangular distribution (QUAM
2012, examples A1 to A3: values near the nominal are more likely). One piece of ware carries one
name, and its calibration error is the same each time it is used: two deliveries of one pipette
are fully correlated in the calibration and independent in the filling.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from calibration.plain import checked_number, checked_table, checked_text
from calibration.quantity import CalibrationProblem, Quantity

CLASSES = ("A", "AS", "B")


class WareProblem(CalibrationProblem):
    """A piece of glassware is not described well enough, or there is none such."""


@functools.cache
def _data() -> dict[str, Any]:
    text = files("calibration").joinpath("glassware.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@dataclass(frozen=True)
class Tolerance:
    """Limit of error of one kind, size and class."""

    kind: str
    nominal_ml: float
    division_ml: float | None
    """Smallest division of the scale, mL; None for ware with one mark."""
    ware_class: str
    limit_ml: float
    """Largest error allowed at any point of the scale, mL."""
    class_a_limit_ml: float
    standard: str
    source: str
    status: str
    """"read", or "memory" for a value that was not checked against its source."""


def kinds() -> tuple[str, ...]:
    """Kinds of ware that have a table."""
    return tuple(dict.fromkeys(table["kind"] for table in _data()["table"]))


def find_tolerance(
    kind: str,
    nominal_ml: float,
    ware_class: str,
    division_ml: float | None = None,
    standard: str | None = None,
) -> Tolerance:
    """Limit of error of a piece of ware.

    Parameters
    ----------
    kind:
        "burette", "pipette" (one mark), "flask" or "graduated pipette".
    nominal_ml:
        Size printed on the piece, mL.
    ware_class:
        "A", "AS" or "B".
    division_ml:
        Smallest division of a burette, mL; needed where burettes of one size differ.
    standard:
        "ISO" (default where there is one), "ASTM" or "USP".

    Raises
    ------
    WareProblem
        The kind, class, standard or size is not in the tables, or the division decides and is
        missing.
    """
    if ware_class not in CLASSES:
        raise WareProblem(
            f'The class "{ware_class}" of a {kind} is unknown.', "Use A, AS or B, as on the piece."
        )
    table = _table(kind, standard)
    rows = [dict(zip(table["columns"], row, strict=True)) for row in table["rows"]]
    sizes = sorted({row["nominal_ml"] for row in rows})
    rows = [row for row in rows if row["nominal_ml"] == nominal_ml]
    if not rows:
        listed = ", ".join(f"{size:g}" for size in sizes)
        raise WareProblem(
            f"No limit of error is listed for a {kind} of {nominal_ml:g} mL.",
            f"Listed by {table['standard']} are {listed} mL; for another give a certificate.",
        )
    row = _by_division(rows, kind, nominal_ml, division_ml)
    class_a = row["any"] if "any" in row else row["A"]
    limit = class_a if ware_class in ("A", "AS") or "any" in row else row.get("B", 2.0 * class_a)
    return Tolerance(
        kind=kind,
        nominal_ml=float(nominal_ml),
        division_ml=row.get("division_ml"),
        ware_class=ware_class,
        limit_ml=float(limit),
        class_a_limit_ml=float(class_a),
        standard=table["standard"],
        source=table["source"],
        status=table["status"],
    )


def _table(kind: str, standard: str | None) -> dict[str, Any]:
    tables = [table for table in _data()["table"] if table["kind"] == kind]
    if not tables:
        raise WareProblem(f'The kind of ware "{kind}" is unknown.', f"Use {', '.join(kinds())}.")
    for table in tables:
        if standard in (None, table["standard"]):
            return dict(table)
    names = ", ".join(table["standard"] for table in tables)
    raise WareProblem(f'For a {kind} the standard "{standard}" is not listed.', f"Use {names}.")


def _by_division(
    rows: list[dict[str, float]], kind: str, nominal_ml: float, division_ml: float | None
) -> dict[str, float]:
    divisions = [row.get("division_ml") for row in rows]
    listed = " or ".join(f"{division:g}" for division in divisions if division is not None)
    if division_ml is None:
        if len(rows) > 1:
            raise WareProblem(
                f"A {kind} of {nominal_ml:g} mL is made with divisions of {listed} mL, and the "
                "limit of error depends on it.",
                "Give division_ml: the volume between two neighbouring lines.",
            )
        return rows[0]
    for row, division in zip(rows, divisions, strict=True):
        if division == division_ml:
            return row
    if not listed:
        raise WareProblem(f"A {kind} has one mark and no divisions.", "Leave division_ml out.")
    raise WareProblem(
        f"A {kind} of {nominal_ml:g} mL with divisions of {division_ml:g} mL is not listed.",
        f"Listed are divisions of {listed} mL; for another give a certificate.",
    )


@dataclass(frozen=True)
class Ware:
    """One piece of glassware. Its name says which: two volumes with one name share its error."""

    name: str
    tolerance: Tolerance


def ware_from_table(data: Mapping[str, object], kind: str, where: str) -> Ware:
    """Read a piece of ware from a table such as {nominal_ml = 50, class = "A", name = "17"}.

    Parameters
    ----------
    data:
        Keys nominal_ml and class; optional division_ml, standard and name.
    kind:
        As for `find_tolerance`.
    where:
        Place named in an error, such as "well-3.toml: ware.burette".

    Raises
    ------
    CalibrationProblem
        A key is missing, unknown or of the wrong type, or `find_tolerance` finds nothing.
    """
    optional = ("division_ml", "standard", "name")
    table = checked_table(dict(data), ("nominal_ml", "class"), optional, where)
    division = table.get("division_ml")
    name = table.get("name")
    standard = table.get("standard")
    try:
        tolerance = find_tolerance(
            kind,
            checked_number(table["nominal_ml"], f"{where}: nominal_ml"),
            checked_text(table["class"], f"{where}: class"),
            None if division is None else checked_number(division, f"{where}: division_ml"),
            None if standard is None else checked_text(standard, f"{where}: standard"),
        )
    except WareProblem as problem:
        raise WareProblem(f"{where}: {problem.sentence}", problem.remedy) from None
    label = kind if name is None else f"{kind} {checked_text(name, f'{where}: name')}"
    return Ware(label, tolerance)


def burette_volume(
    ware: Ware,
    volume_ml: Quantity | float,
    label: str = "",
    *,
    fills: int = 1,
    reading_limit_ml: float | None = None,
    temperature_half_width_c: float | None = None,
    temperature_name: str | None = None,
) -> Quantity:
    """Volume delivered by a burette, with what the burette adds to its uncertainty.

    Parameters
    ----------
    ware:
        The burette.
    volume_ml:
        Delivered volume in mL; contributions that it already has are kept.
    label:
        Name of this titration, so that the readings of two titrations stay independent.
    fills:
        How often the burette was filled; its error counts once for each.
    reading_limit_ml:
        Half width of the error of one reading, triangular; default a fifth of a division; 0
        where nobody reads, as with a pump. Start and end of each fill are read.
    temperature_half_width_c:
        Half width of the temperature about 20 C, rectangular; default 3 C.
    temperature_name:
        Name of the temperature contribution, to share one temperature between pieces of ware.

    Returns
    -------
    Quantity in mL. The calibration error does not grow with the volume: the limit of the class
    holds at every point of the scale.

    Raises
    ------
    WareProblem
        The volume is negative or more than the burette holds.
    """
    volume = volume_ml if isinstance(volume_ml, Quantity) else Quantity(volume_ml, "mL")
    nominal = ware.tolerance.nominal_ml
    if fills < 1 or not 0.0 <= volume.value <= nominal * fills:
        raise WareProblem(
            f"{volume.value:g} mL cannot come from a burette of {nominal:g} mL filled {fills} "
            "time(s).",
            "Check the volume, the size of the burette and how often it was filled.",
        )
    if reading_limit_ml is None:
        per_division = float(_data()["reading"]["limit_per_division"])
        reading_limit_ml = per_division * (ware.tolerance.division_ml or 0.0)
    total = volume + _calibration(ware).scaled(float(fills))
    total += _temperature(ware, volume.value, temperature_half_width_c, temperature_name)
    if reading_limit_ml > 0:
        where = f", {label}" if label else ""
        for number in range(1, fills + 1):
            for end in ("start", "end"):
                which = f"{end} {number}" if fills > 1 else end
                name = f"{ware.name}: reading{where}, {which}"
                total += Quantity.from_limits(0.0, "mL", reading_limit_ml, "triangular", name)
    return total


def pipette_deliveries(
    ware: Ware,
    times: int = 1,
    *,
    filling_ml: float | None = None,
    temperature_half_width_c: float | None = None,
    temperature_name: str | None = None,
    label: str = "",
) -> tuple[Quantity, ...]:
    """One or several deliveries of one pipette, mL.

    Parameters
    ----------
    ware:
        The pipette, or a flask emptied or filled to its mark.
    times:
        Number of deliveries, >= 1.
    filling_ml:
        Standard uncertainty of one filling, mL; default a third of the class A limit (common
        practice, no source).
    temperature_half_width_c, temperature_name:
        As for `burette_volume`.
    label:
        Name of this sample, so that fillings for two samples stay independent.

    Returns
    -------
    One quantity per delivery. Calibration and temperature are shared, each filling is its own.
    """
    if times < 1:
        raise WareProblem(f"The {ware.name} was filled {times} times.", "Give 1 or more.")
    nominal = ware.tolerance.nominal_ml
    if filling_ml is None:
        share = float(_data()["filling"]["share_of_class_a_limit"])
        filling_ml = share * ware.tolerance.class_a_limit_ml
    shared = Quantity(nominal, "mL") + _calibration(ware)
    shared += _temperature(ware, nominal, temperature_half_width_c, temperature_name)
    where = f", {label}" if label else ""
    return tuple(
        shared + Quantity.measured(0.0, "mL", filling_ml, f"{ware.name}: filling{where}, {number}")
        for number in range(1, times + 1)
    )


def flask_volume(ware: Ware, **options: Any) -> Quantity:
    """Volume of a flask filled once to its mark, mL; options as for `pipette_deliveries`."""
    return pipette_deliveries(ware, 1, **options)[0]


def _calibration(ware: Ware) -> Quantity:
    name = f"{ware.name}: calibration"
    return Quantity.from_limits(0.0, "mL", ware.tolerance.limit_ml, "triangular", name)


def _temperature(
    ware: Ware, volume_ml: float, half_width_c: float | None, name: str | None
) -> Quantity:
    data = _data()["temperature"]
    half = float(data["half_width_c"]) if half_width_c is None else half_width_c
    per_c = volume_ml * float(data["water_expansion_per_c"])
    label = f"{ware.name}: temperature" if name is None else name
    return Quantity.from_limits(0.0, "°C", half, "rectangular", label).scaled(per_c, "mL")
