"""Ware at hand, from what is printed on it."""

from __future__ import annotations

import math

from calibration.ware.glassware import Ware
from calibration.ware.tolerance import Tolerance, WareProblem, find_tolerance
from endpoint.planner.question import PlannerProblem

_DIVISIONS = (0.1, 0.05, 0.02, 0.01, 0.2)
"""Divisions of burettes, mL, those of the standards, in the order in which they are tried."""


def numbers_of(text: str, option: str) -> tuple[float, ...]:
    """Read numbers with commas between; a decimal comma cannot stand here.

    Raises
    ------
    PlannerProblem
        A part is not a number above 0.
    """
    found = []
    for part in text.split(","):
        try:
            number = float(part)
        except ValueError:
            number = math.nan
        if not (math.isfinite(number) and number > 0):
            raise PlannerProblem(
                f'{option} contains "{part.strip():.40}", which is not a number above 0.',
                "Write numbers with a decimal point and commas between, such as 0.01,0.02.",
            )
        found.append(number)
    return tuple(dict.fromkeys(found))


def burette_at_hand(nominal_ml: float, ware_class: str, division_ml: float | None) -> Ware:
    """Burette by size, class and division; without a division the largest limit is assumed.

    Raises
    ------
    PlannerProblem
        There is no such burette in the tables.
    """
    if division_ml is not None:
        return Ware("burette", _found("burette", nominal_ml, ware_class, division_ml))
    possible = []
    for division in _DIVISIONS:
        try:
            possible.append(find_tolerance("burette", nominal_ml, ware_class, division))
        except WareProblem:
            continue
    if not possible:
        return Ware("burette", _found("burette", nominal_ml, ware_class, None))
    return Ware("burette", max(possible, key=lambda t: t.limit_ml))


def pipettes_at_hand(sizes_ml: str, ware_class: str) -> tuple[Ware, ...]:
    """One-mark pipettes by size, all of one class.

    Raises
    ------
    PlannerProblem
        There is no such pipette in the tables.
    """
    return tuple(
        Ware("pipette", _found("pipette", size, ware_class, None))
        for size in numbers_of(sizes_ml, "--pipette")
    )


def _found(kind: str, nominal_ml: float, ware_class: str, division_ml: float | None) -> Tolerance:
    try:
        return find_tolerance(kind, nominal_ml, ware_class, division_ml)
    except WareProblem as problem:
        # A plan is made from classes; a certificate cannot be given here.
        remedy = problem.remedy.split("; for any other")[0].rstrip(".")
        raise PlannerProblem(problem.sentence, f"{remedy}.") from None
