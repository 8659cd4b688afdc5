"""A total hardness in two parts: calcium and magnesium, permanent and temporary, carbonate and not.

The second part is the total minus the first; sources that both titrations share are counted with
their correlation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity
from endpoint.hardness.budget import Evaluation, evaluate_one
from endpoint.hardness.formula import HardnessProblem
from endpoint.hardness.other_metals import BOILED, HIGH_PH, StatedMetal, treated_words
from endpoint.hardness.units import M_CACO3, M_CALCIUM, M_MAGNESIUM, MG_L_CACO3, in_unit


@dataclass(frozen=True)
class Split:
    """A total hardness and two parts of it, in mmol/L."""

    total: Quantity
    part: Quantity
    """What the second titration found."""
    rest: Quantity | None
    """Total minus part; None where the readings do not allow it, see `warnings`."""
    part_name: str
    rest_name: str
    warnings: tuple[str, ...] = ()
    is_complete: bool = True
    """Whether the uncertainty of the second titration is stated; else no part has an interval."""
    by: str | None = None
    """How the part was titrated, where there are several ways."""

    @property
    def parts(self) -> tuple[tuple[str, Evaluation], ...]:
        """Names of the parts that are known, and each evaluated in mmol/L."""
        known = ((self.part_name, self.part), (self.rest_name, self.rest))
        return tuple(
            (name, evaluate_one(quantity)) for name, quantity in known if quantity is not None
        )

    def to_json(self) -> dict[str, object]:
        """Plain dictionary: each part by its name, None where it could not be shown."""
        data: dict[str, object] = {self.part_name: None, self.rest_name: None}
        for name, found in self.parts:
            units = [("mmol_l", 1.0, "mmol/L"), ("caco3_mg_l", M_CACO3, MG_L_CACO3.label)]
            if name in _ION_MASS:
                units.append(("ion_mg_l", _ION_MASS[name], "mg/L"))
            numbers = {key: number_json(found, factor, unit) for key, factor, unit in units}
            if not self.is_complete:
                for number in numbers.values():
                    number |= dict.fromkeys(set(number) - {"value", "unit"})
            data[name] = numbers
        if self.by == "EGTA":
            data[f"{self.part_name}_by"] = [self.by]
        return {**data, "warnings": list(self.warnings)}


_LIMESTONE_MMOL_L = 20.0
"""mmol/L of acid: calcite under 1 bar of carbon dioxide, 9 to 10 mmol/L of calcium at 10 to 25 °C
(equilibrium constants of Plummer and Busenberg 1982, from memory). Only waters with much sodium or
magnesium bicarbonate hold more; lower, and hard spring waters are doubted."""
_ION_MASS = {"calcium": M_CALCIUM, "magnesium": M_MAGNESIUM}


def number_json(found: Evaluation, factor: float, unit: str) -> dict[str, object]:
    """Plain dictionary of an amount, times a factor and then in a unit; none is below 0."""
    low, high = found.interval95
    check = found.monte_carlo
    by_draws = check is not None and check.is_used
    return {
        "value": found.quantity.value * factor,
        "unit": unit,
        "standard_uncertainty": found.quantity.standard_uncertainty * factor,
        "expanded_uncertainty": found.expanded_uncertainty * factor,
        "interval95": [max(low, 0.0) * factor, high * factor],
        "interval_from": "Monte Carlo" if by_draws else "first order",
    }


def permanent_and_temporary(
    total: Quantity, boiled: Quantity, other_metals: Sequence[StatedMetal] = ()
) -> Split:
    """Permanent hardness is what stays after boiling; temporary hardness is the rest.

    Parameters
    ----------
    total, boiled:
        Hardness before and after boiling and filtering, made up to the first volume; mmol/L.
    other_metals:
        What else the sample holds; neither hardness has it.
    """
    found = _split(total, boiled, "permanent", "temporary", "the boiled sample")
    return replace(found, warnings=(*found.warnings, *treated_words(other_metals, BOILED)))


def carbonate_and_other(total: Quantity, alkalinity: Quantity) -> Split:
    """Carbonate hardness is what the alkalinity can balance; the rest is non-carbonate hardness.

    Parameters
    ----------
    total:
        Hardness, mmol/L.
    alkalinity:
        Acid capacity to pH 4.3, mmol/L of acid: two for one of calcium or magnesium.
    """
    balanced = alkalinity.scaled(0.5, "mmol/L")
    said: tuple[str, ...] = ()
    if alkalinity.value > _LIMESTONE_MMOL_L:
        said = (
            f"The alkalinity of {alkalinity.value:g} mmol/L is more than water takes from "
            f"limestone ({_LIMESTONE_MMOL_L:g} mmol/L). If it is in mg/L as CaCO3, divide it by "
            "50.04.",
        )
    if balanced.value <= total.value:
        found = _split(total, balanced, "carbonate", "non_carbonate", "the alkalinity")
        return replace(found, warnings=said, is_complete=balanced.standard_uncertainty > 0.0)
    warning = (
        "The alkalinity balances more than all of the hardness (sodium bicarbonate, or a softened "
        "water): all of the hardness is carbonate hardness."
    )
    return Split(total, total, None, "carbonate", "non_carbonate", (warning, *said))


def calcium_and_magnesium(
    total: Quantity,
    calcium: Quantity,
    by: str | None = None,
    other_metals: Sequence[StatedMetal] = (),
) -> Split:
    """Magnesium is the total at pH 10 minus the calcium titrated alone.

    Source of the caution: H. Diehl, C. A. Goetz, C. C. Hach, J. Am. Water Works Assoc. 42 (1950) 40
    (magnesium hydroxide takes calcium and indicator with it; from memory).

    Parameters
    ----------
    total, calcium:
        Hardness, and calcium alone, mmol/L.
    by:
        How calcium was titrated alone: "pH 12 to 13" or "EGTA".
    other_metals:
        What else the sample holds; `calcium` is without them.
    """
    found = _split(total, calcium, "calcium", "magnesium", "the calcium titration")
    if by != HIGH_PH:
        return replace(found, by=by)
    text = (
        "At pH 12 to 13 magnesium hydroxide precipitates and can take calcium with it, so that "
        "calcium comes out low and magnesium high: add the alkali with stirring, titrate at "
        "once, and dilute a hard water first."
    )
    if found.rest is not None and found.rest.value > found.part.value:
        text += " This water has more magnesium than calcium, which makes it worse: EGTA avoids it."
    said = (*found.warnings, text, *treated_words(other_metals, HIGH_PH))
    return replace(found, by=by, warnings=said)


def _split(total: Quantity, part: Quantity, part_name: str, rest_name: str, second: str) -> Split:
    try:
        rest = total - part
    except CalibrationProblem as problem:
        raise HardnessProblem(problem.sentence, problem.remedy) from None
    if rest.value >= 0.0:
        return Split(total, part, rest, part_name, rest_name)
    reach = rest.value + rest.expanded_uncertainty(0.95)
    shown = [in_unit(q, MG_L_CACO3).value for q in (part, total)]
    if reach >= 0.0:
        limit = reach * M_CACO3
        warning = (
            f"No {rest_name} hardness could be shown: it is at most {limit:.1f} mg/L CaCO3 "
            "(within the uncertainty of the two titrations)."
        )
    else:
        warning = (
            f"These readings are impossible: {second} gave {shown[0]:.1f} mg/L CaCO3, more than "
            f"the total of {shown[1]:.1f}. Check that the two were not swapped, and titrate again."
        )
    return Split(total, part, None, part_name, rest_name, (warning,))
