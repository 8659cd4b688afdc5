"""The tables [standard] and [ware] of a titrant sheet: how much metal one aliquot holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from calibration.cells import Section
from calibration.quantity import Quantity
from calibration.standardisation.standards import (
    Substance,
    amount,
    find_substance,
    in_vacuum,
    molar_mass,
    substance_names,
    weighed_mass,
)
from calibration.ware.bench_ware import Session, bench_ware


@dataclass(frozen=True)
class Standard:
    """The solution of the standard."""

    substance: Substance
    mol_l: Quantity
    """Metal in mol/L at 20 °C."""
    details: dict[str, Any]
    """What stands in the certificate."""
    remarks: tuple[str, ...] = ()


def standard_solution(section: Section, ware: Section, session: Session) -> Standard:
    """Read `[standard]`: weighed and made up in a flask, or bought with a certificate.

    Raises
    ------
    CalibrationProblem
        A cell is missing or cannot be true, both ways are given, or the standard had expired.
    """
    substance = find_substance(section.choice("substance", substance_names()))
    lot = section.text("lot", None)
    bought = [key for key in ("certified_mol_l", "certified_mg_l") if section.has(key)]
    if section.has("mass_mg") and bought:
        raise section.problem(
            bought[0],
            "is given, and mass_mg too.",
            "Keep mass_mg for a weighed standard, the other for a bought solution.",
        )
    if not bought:
        return _weighed(section, ware, session, substance, lot)
    if len(bought) > 1:
        raise section.problem(bought[1], f"is given, and {bought[0]} too.", "Keep one of the two.")
    return _bought(section, bought[0], session, substance, lot)


def _weighed(
    section: Section, ware: Section, session: Session, substance: Substance, lot: str | None
) -> Standard:
    if substance.only_in_solution:
        raise section.problem(
            "substance",
            f'is "{substance.name}", which is not weighed.',
            "Give certified_mol_l or certified_mg_l of the solution, or another substance.",
        )
    mass_mg = section.number("mass_mg", 10.0, 50_000.0)
    half_width_mg = section.number("balance_half_width_mg", 0.001, 50.0)
    percent = section.number("purity_percent", 90.0, 100.0)
    half_percent = section.number("purity_half_width_percent", 0.0, 5.0)
    buoyancy = section.choice("air_buoyancy", ("corrected", "left out"), "corrected")
    section.close()
    flask = bench_ware(ware, "flask", session)
    mass = weighed_mass(mass_mg, half_width_mg, session.identifier)
    if buoyancy == "corrected":
        mass = in_vacuum(mass, substance.density_g_ml, session.identifier)
    batch = session.identifier if lot is None else f"lot {lot}"
    purity = Quantity.from_limits(
        percent / 100.0,
        "1",
        half_percent / 100.0,
        "rectangular",
        f"purity of {substance.name}, {batch}",
    )
    volume = flask.filled(1, session.identifier, session)
    held = amount(mass, purity, molar_mass(substance.composition))
    found = (held / volume).scaled(1.0, "mol/L")
    details = {
        "substance": substance.name,
        "way": "weighed",
        "lot": lot,
        "mass_mg": mass_mg,
        "purity_percent": percent,
        "air_buoyancy": buoyancy,
        "flask": flask.name,
        "flask_ml": flask.nominal_ml,
    }
    return Standard(substance, found, details, (*flask.remarks, substance.handling))


def _bought(
    section: Section, key: str, session: Session, substance: Substance, lot: str | None
) -> Standard:
    ending = key.removeprefix("certified_")
    in_mg = ending == "mg_l"
    low, high = (1.0, 100_000.0) if in_mg else (1e-4, 1.0)
    value = section.number(key, low, high)
    expanded = section.number(f"expanded_uncertainty_{ending}", 0.0, 0.1 * value)
    factor = section.number("coverage_factor", 1.0, 4.0, 2.0)
    expiry = section.day("expiry", None)
    section.close()
    if expiry is not None and expiry < session.date:
        raise section.problem(
            "expiry",
            f"is {expiry}: the standard had expired on the day of use, {session.date}.",
            "Use a standard that is still valid.",
        )
    batch = f"lot {lot}" if lot is not None else f"used for {session.identifier}"
    unit = "mg/L" if in_mg else "mol/L"
    found = Quantity.measured(
        value, unit, expanded / factor, f"certified standard of {substance.name}, {batch}"
    )
    if in_mg:
        found = (found / molar_mass(substance.composition)).scaled(1e-3, "mol/L")
    details = {
        "substance": substance.name,
        "way": "bought solution",
        "lot": lot,
        key: value,
        "expiry": None if expiry is None else expiry.isoformat(),
    }
    remark = "The bought standard must be stored as its own certificate says."
    return Standard(substance, found, details, (remark,))
