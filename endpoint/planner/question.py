"""What the person asks: the water, the ware at hand and the uncertainty that is wanted."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from calibration.problem import Problem
from calibration.ware.glassware import Ware
from endpoint.hardness.units import M_CACO3, M_CAO
from endpoint.planner.forecast import COLOUR_SCATTER
from endpoint.planner.indicator_error import SHARES
from endpoint.planner.pouring import DROP_ML


class PlannerProblem(Problem):
    """A titration cannot be planned from what was given."""

    code = "plan"


UNITS: dict[str, tuple[str, float]] = {
    # name on the command line: (as printed, per mmol/L)
    "mmol/L": ("mmol/L", 1.0),
    "mg/L": ("mg/L CaCO3", M_CACO3),
    "dH": ("°dH", M_CAO / 10.0),
    "fH": ("°fH", M_CACO3 / 10.0),
}
_OTHER_NAMES = {
    "ppm": "mg/L",
    "mg/l caco3": "mg/L",
    "°dh": "dH",
    "°fh": "fH",
}
"""What people write for the units, in small letters."""
LOWEST_MMOL_L = 0.05
"""ISO 6059:1984, scope."""
HIGHEST_MMOL_L = 50.0
"""Above this a hardness was hardly meant in the stated unit (our choice)."""
READINGS = ("eye", "recording")


def unit_of(name: str) -> tuple[str, float]:
    """Key of `UNITS` for what a person wrote, and the number in that unit for 1 mmol/L.

    Raises
    ------
    PlannerProblem
        There is no such unit.
    """
    small = name.strip().lower()
    known = {**{key.lower(): key for key in UNITS}, **_OTHER_NAMES}
    if small not in known:
        raise PlannerProblem(
            f'The unit "{name:.20}" is not known.', "Give mmol/L, mg/L, ppm, °dH or °fH."
        )
    key = known[small]
    return key, UNITS[key][1]


_NUMBER = r"(\d+(?:[.,]\d*)?|[.,]\d+)"
_RANGE = re.compile(rf"^\s*{_NUMBER}\s*(?:(?:-|–|\.\.|to)\s*{_NUMBER})?\s*$")


def parse_range(text: str, what: str, example: str) -> tuple[float, float]:
    """Read "2.5" or "2-3" (decimal point or comma).

    Raises
    ------
    PlannerProblem
        The text is neither a number nor a range, or the range runs downwards.
    """
    found = _RANGE.match(text)
    if found is None:
        raise PlannerProblem(
            f'{what} "{text:.40}" is neither a number nor a range.', f"Write it like {example}."
        )
    low, high = (float((part or found[1]).replace(",", ".")) for part in found.groups())
    if low > high:
        raise PlannerProblem(
            f"{what} runs downwards, from {low:g} to {high:g}.", "Write the smaller number first."
        )
    return low, high


@dataclass(frozen=True)
class Wanted:
    """Half width of the 95 % interval that is wanted: relative, or in mmol/L."""

    relative: float | None = None
    mmol_l: float | None = None

    def at(self, hardness_mmol_l: float) -> float:
        """Wanted half width at a hardness, mmol/L."""
        return self.mmol_l if self.mmol_l is not None else (self.relative or 0.0) * hardness_mmol_l


def parse_wanted(text: str, unit: str) -> Wanted:
    """Read "1 %" as relative, "0.05" as a number in the unit of the hardness.

    Raises
    ------
    PlannerProblem
        The text is not a number above 0 and below 50 %.
    """
    relative = text.strip().endswith("%")
    body = text.strip().removesuffix("%")
    value, upper = parse_range(body, "The wanted uncertainty", "1% or 0.05")
    if value != upper or not value > 0:
        raise PlannerProblem(
            f'The wanted uncertainty "{text:.40}" is not one number above 0.',
            "Write it like 1% (of the hardness) or 0.05 (in the unit of the hardness).",
        )
    if not relative:
        return Wanted(mmol_l=value / UNITS[unit][1])
    if value >= 50.0:
        raise PlannerProblem(
            f"The wanted uncertainty is {value:g} % of the hardness.", "Give less than 50 %."
        )
    return Wanted(relative=value / 100.0)


@dataclass(frozen=True)
class Question:
    """Everything that a plan is made from."""

    low_mmol_l: float
    high_mmol_l: float
    wanted: Wanted
    burette: Ware
    pipettes: tuple[Ware, ...]
    unit: str = "mmol/L"
    """Key of `UNITS`: how hardness is printed."""
    titrants_mol_l: tuple[float, ...] = (0.01, 0.02, 0.05)
    titrant_relative_u: float = 0.002
    """Standard uncertainty of the titrant as a part of its concentration."""
    magnesium: tuple[float, float] | None = None
    """Share of magnesium in the hardness, from and to; None where unknown."""
    indicator_umol_l: float = 20.0
    ph: float = 10.0
    readings: tuple[str, ...] = READINGS
    mg_edta: bool | None = None
    """None: let the plan decide."""
    flask_ml: float = 250.0
    """Size of the conical flask."""
    drop_ml: float = DROP_ML
    mixing_lag_s: float = 1.5
    colour_scatter: float = COLOUR_SCATTER
    titre_scatter_ml: float | None = None

    def __post_init__(self) -> None:
        _check(self)

    @property
    def middle_mmol_l(self) -> float:
        """Middle of the expected hardness."""
        return 0.5 * (self.low_mmol_l + self.high_mmol_l)

    @property
    def shares(self) -> tuple[float, ...]:
        """Magnesium shares that must be thought of."""
        if self.magnesium is None:
            return SHARES
        low, high = self.magnesium
        return (low,) if low == high else (low, 0.5 * (low + high), high)


def _check(question: Question) -> None:
    label, factor = UNITS[question.unit]
    limits = (
        # what, value, low, high, unit
        ("The magnesium share", max(question.magnesium or (0.0,)) * 100, 0.0, 100.0, "%"),
        ("The amount of indicator", question.indicator_umol_l, 1.0, 200.0, "umol/L"),
        ("The pH", question.ph, 9.0, 11.0, ""),
        ("The uncertainty of the titrant", question.titrant_relative_u * 100, 0.0, 10.0, "%"),
        ("The flask", question.flask_ml, 50.0, 2000.0, "mL"),
        ("A drop", question.drop_ml, 0.005, 0.2, "mL"),
        ("The mixing lag", question.mixing_lag_s, 0.0, 60.0, "s"),
        ("The scatter of the colour", question.colour_scatter * 100, 0.05, 20.0, "%"),
        ("The scatter of a titre", question.titre_scatter_ml or 0.0, 0.0, 2.0, "mL"),
        *(("The titrant", c, 0.0005, 0.2, "mol/L") for c in question.titrants_mol_l),
    )
    for what, value, low, high, unit in limits:
        if not (math.isfinite(value) and low <= value <= high):
            raise PlannerProblem(
                f"{what} is {value:.6g} {unit}, outside {low:g} to {high:g}.".replace(" ,", ","),
                f"Check the value and its unit ({unit})." if unit else "Check the value.",
            )
    low, high = question.low_mmol_l, question.high_mmol_l
    if not (low > 0.0 and high <= HIGHEST_MMOL_L):
        worst = high if high > HIGHEST_MMOL_L else low
        raise PlannerProblem(
            f"The hardness is {worst * factor:.6g} {label}; a plan needs more than 0 and at most "
            f"{HIGHEST_MMOL_L * factor:.4g}.",
            "Check the number and its unit: --unit mmol/L, mg/L, dH or fH.",
        )
    if not question.pipettes or not question.titrants_mol_l:
        raise PlannerProblem("No pipette or no titrant is given.", "Give at least one of each.")
