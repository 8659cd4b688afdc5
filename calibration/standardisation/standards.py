"""Substances that EDTA is standardised against: molar mass, weighing, amount.

Model (QUAM 2012, example A2): n = m P / M with the balance's departure from linearity counted
twice, for the empty and for the full vessel. Here m is also corrected for the buoyancy of air,
which makes 0.03 % for calcium carbonate and 0.002 % for zinc.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from calibration.problem import CalibrationProblem
from calibration.propagation import propagate
from calibration.quantity import FrozenTable, Quantity, combine


class StandardProblem(CalibrationProblem):
    """A substance is not known, or cannot be used as it is."""


@functools.cache
def _data() -> dict[str, Any]:
    text = (files("calibration.standardisation") / "standards.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@dataclass(frozen=True)
class Substance:
    """What a standard is made of; one metal ion, and so one EDTA, in each formula."""

    name: str
    formula: str
    composition: Mapping[str, int]
    """Symbol of the element -> atoms in the formula."""
    density_g_ml: float
    handling: str
    """What practice asks for before it is weighed, one sentence."""
    only_in_solution: bool
    """True where it is never weighed, only certified in a solution."""


def substance_names() -> tuple[str, ...]:
    """Names of the substances that can be used."""
    return tuple(row["name"] for row in _data()["substance"])


def find_substance(name: str) -> Substance:
    """Return a substance by its name.

    Raises
    ------
    StandardProblem
        There is none of that name.
    """
    for row in _data()["substance"]:
        if row["name"] == name:
            return Substance(
                row["name"],
                row["formula"],
                FrozenTable(row["composition"]),
                row["density_g_ml"],
                row["handling"],
                row.get("only_in_solution", False),
            )
    raise StandardProblem(
        f'The standard "{name}" is not known.', f"Use one of: {', '.join(substance_names())}."
    )


def atomic_weights() -> dict[str, Quantity]:
    """Symbol -> atomic weight in g/mol; the same name in every standard, so it stays correlated."""
    table = _data()["atomic_weights"]
    return {
        symbol: Quantity.from_limits(
            weight, "g/mol", half_width, table["distribution"], f"atomic weight: {symbol}"
        )
        for symbol, weight, half_width in table["rows"]
    }


def molar_mass(
    composition: Mapping[str, int], weights: Mapping[str, Quantity] | None = None
) -> Quantity:
    """Molar mass in g/mol; atoms of one element are fully correlated (QUAM 2012, A2, note).

    Parameters
    ----------
    composition:
        Symbol of the element -> atoms in the formula.
    weights:
        Atomic weights in g/mol; default `atomic_weights`.

    Raises
    ------
    StandardProblem
        An element has no weight.
    """
    known = atomic_weights() if weights is None else weights
    for symbol in composition:
        if symbol not in known:
            raise StandardProblem(
                f"No atomic weight is listed for {symbol}.", f"Listed are: {', '.join(known)}."
            )
    terms = [(float(count), known[symbol]) for symbol, count in composition.items()]
    return combine(sum(count * weight.value for count, weight in terms), "g/mol", terms)


def weighed_mass(mass_mg: float, linearity_half_width_mg: float, label: str) -> Quantity:
    """Mass as the balance shows it, full minus empty vessel, mg (QUAM 2012, A2).

    Parameters
    ----------
    mass_mg:
        Difference of the two readings.
    linearity_half_width_mg:
        Largest departure of the balance from linearity, rectangular; it counts once for each of
        the two readings, which lie at different places of the scale.
    label:
        Name of this weighing, so that two weighings stay independent.
    """
    total = Quantity(mass_mg, "mg")
    for vessel in ("empty", "full"):
        name = f"balance: linearity, {vessel} vessel, {label}"
        total += Quantity.from_limits(0.0, "mg", linearity_half_width_mg, "rectangular", name)
    return total


def in_vacuum(mass_mg: Quantity, density_g_ml: float, label: str) -> Quantity:
    """Mass in mg with the buoyancy of air taken off.

    m = W (1 - a/8.0) / (1 - a/d) with the reading W, the density a of air and d of the substance;
    balances are set with weights of 8.0 g/mL (OIML D 28, from memory).

    Parameters
    ----------
    mass_mg:
        Reading of the balance.
    density_g_ml:
        Density of what was weighed, above 0.5 g/mL.
    label:
        Name of this weighing.
    """
    data = _data()["air"]
    air = Quantity.from_limits(
        data["density_g_ml"],
        "g/mL",
        data["half_width_g_ml"],
        "rectangular",
        f"density of air, {label}",
    )
    weights = float(data["weights_density_g_ml"])
    factor = propagate(
        lambda density: (1.0 - density / weights) / (1.0 - density / density_g_ml), air, unit="1"
    )
    return mass_mg * factor


def amount(mass_mg: Quantity, purity: Quantity, molar_mass_g_mol: Quantity) -> Quantity:
    """Amount n = m P / M in mmol.

    Parameters
    ----------
    mass_mg:
        Mass in mg.
    purity:
        Mass fraction of the substance, 0 to 1.
    molar_mass_g_mol:
        Molar mass in g/mol.
    """
    return (mass_mg * purity / molar_mass_g_mol).scaled(1.0, "mmol")
