"""Limits of error of volumetric glassware, and what else the class printed on it says."""

from __future__ import annotations

import functools
import tomllib
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from calibration.problem import CalibrationProblem

CLASSES = ("A", "AS", "B")
USUAL_DIVISION_ML = {10.0: 0.02, 25.0: 0.05, 50.0: 0.1}
"""Nominal volume -> division of the usual burette of that size, mL; ISO 385 has all three."""


class WareProblem(CalibrationProblem):
    """A piece of glassware is not described well enough, or there is none such."""


@functools.cache
def glassware_data() -> dict[str, Any]:
    """Tables and defaults of `glassware.toml`, each with its source and status."""
    text = (files("calibration.ware") / "glassware.toml").read_text(encoding="utf-8")
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
    return tuple(dict.fromkeys(table["kind"] for table in glassware_data()["table"]))


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
            f"Listed by {table['standard']} are {listed} mL; for any other, give a certificate.",
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
    tables = [table for table in glassware_data()["table"] if table["kind"] == kind]
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
        f"Listed are divisions of {listed} mL; for any other, give a certificate.",
    )


def titre_remarks(nominal_ml: float, titre_ml: float) -> tuple[str, ...]:
    """What USP <31> advises about the size of a burette for this titre; empty where it fits.

    Parameters
    ----------
    nominal_ml:
        Size of the burette.
    titre_ml:
        Delivered volume.
    """
    use = glassware_data()["use"]
    percent, small = float(use["titre_at_least_percent"]), float(use["small_burette_ml"])
    if titre_ml >= percent / 100.0 * nominal_ml:
        return ()
    remedy = "take more sample, or a weaker titrant"
    if nominal_ml > small:
        size = f"a burette of {small:g} mL" if titre_ml < small else "a smaller burette"
        remedy = f"take more sample, a weaker titrant or {size}"
    return (
        f"The titre of {titre_ml:.2f} mL is less than {percent:g} % of the {nominal_ml:g} mL of "
        f"the burette (USP <31>): {remedy}.",
    )


def waiting_remarks(kind: str, ware_class: str) -> tuple[str, ...]:
    """What the class says about waiting before the reading; empty where nothing is known."""
    seconds = glassware_data()["waiting"].get(f"{kind}_{ware_class}")
    if seconds is None:
        return ()
    return (
        f"A {kind} of class {ware_class} is calibrated with a waiting time, usually {seconds:g} s "
        "(from memory): read the marking on the piece, and wait as long in use.",
    )
