"""From volumes and concentrations to water hardness, with its first budget.

One mole of EDTA binds one mole of calcium or magnesium, so

    hardness = c(titrant) (V_equivalence - V_blank) / V_sample.

Water and buffer added to the flask do not enter. The uncertainty is first order, summed under the
names of `calibration.quantity`, so ware that is used twice is counted with its correlation.
Nothing here says whether a water is fit for drinking.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.quantity import CalibrationProblem, Quantity
from endpoint.problems import Problem

M_CACO3 = 100.086
"""Molar mass of CaCO3 in g/mol (standard atomic weights, computed); no other value is used."""
M_CAO = 56.077
M_MGCO3 = 84.313
M_CALCIUM = 40.078
M_MAGNESIUM = 24.305
US_GRAIN_PER_GALLON_MG_L = 64.79891 / 3.785411784
CLARK_DEGREE_MG_L = 64.79891 / 4.54609
_MAX_TITRANT_MOL_L = 1.0


class HardnessProblem(Problem):
    """No hardness can be worked out from these volumes."""

    code = "hardness"
    http_status = 422


@dataclass(frozen=True)
class HardnessUnit:
    """A way to state hardness."""

    key: str
    """Key in JSON."""
    label: str
    """Unit as printed after the number."""
    per_mmol_l: float
    """Number in this unit for 1 mmol/L of calcium and magnesium; exact by definition."""
    definition: str


MG_L_CACO3 = HardnessUnit(
    "caco3_mg_l", "mg/L CaCO3", M_CACO3, "all calcium and magnesium stated as CaCO3, 100.086 g/mol"
)
OTHER_UNITS = (
    HardnessUnit("meq_l", "meq/L", 2.0, "milliequivalents per litre, two per mmol/L"),
    HardnessUnit("cao_mg_l", "mg/L CaO", M_CAO, "stated as CaO, 56.077 g/mol"),
    HardnessUnit("german_degree", "°dH", M_CAO / 10.0, "German degree: 10 mg/L CaO"),
    HardnessUnit("french_degree", "°fH", M_CACO3 / 10.0, "French degree: 10 mg/L CaCO3"),
    HardnessUnit(
        "clark_degree",
        "Clark degree",
        M_CACO3 / CLARK_DEGREE_MG_L,
        "Clark (English) degree: one grain (64.79891 mg) of CaCO3 in one imperial gallon "
        "(4.54609 L), 14.2538 mg/L; older tables take 14.2857",
    ),
    HardnessUnit(
        "us_grain_per_gallon",
        "grain per US gallon",
        M_CACO3 / US_GRAIN_PER_GALLON_MG_L,
        "one grain (64.79891 mg) of CaCO3 in one US gallon (3.785411784 L), 17.1181 mg/L",
    ),
)


@dataclass(frozen=True)
class BudgetLine:
    """One source of uncertainty of a hardness."""

    name: str
    contribution: float
    """Standard uncertainty that it causes, mg/L CaCO3, >= 0."""
    share: float
    """Share of the variance, 0 to 1; all shares sum to 1."""
    kind: str
    """"A" from repeated readings, "B" from other knowledge."""
    distribution: str
    degrees_of_freedom: float

    def to_json(self) -> dict[str, object]:
        """Plain dictionary; infinite degrees of freedom become null."""
        nu = self.degrees_of_freedom
        return {
            "name": self.name,
            "contribution": self.contribution,
            "unit": MG_L_CACO3.label,
            "share": self.share,
            "type": self.kind,
            "distribution": self.distribution,
            "degrees_of_freedom": nu if math.isfinite(nu) else None,
        }


@dataclass(frozen=True)
class Hardness:
    """Total hardness in every unit, and where its uncertainty comes from."""

    mmol_l: Quantity
    budget: tuple[BudgetLine, ...]
    """Largest share first; empty where every input is given without uncertainty."""
    warnings: tuple[str, ...] = ()

    @property
    def caco3_mg_l(self) -> Quantity:
        """Hardness in mg/L CaCO3."""
        return in_unit(self.mmol_l, MG_L_CACO3)

    @property
    def other_units(self) -> dict[str, Quantity]:
        """Hardness in each of `OTHER_UNITS`, by key."""
        return {unit.key: in_unit(self.mmol_l, unit) for unit in OTHER_UNITS}

    def to_json(self) -> dict[str, object]:
        """Plain dictionary with mmol_l, caco3_mg_l and other_units."""
        others = {
            unit.key: {**_number_json(in_unit(self.mmol_l, unit)), "definition": unit.definition}
            for unit in OTHER_UNITS
        }
        return {
            "mmol_l": _number_json(self.mmol_l),
            "caco3_mg_l": _number_json(self.caco3_mg_l),
            "other_units": others,
            "warnings": list(self.warnings),
        }


def _number_json(quantity: Quantity) -> dict[str, object]:
    low, high = quantity.interval(0.95)
    nu = quantity.effective_degrees_of_freedom
    return {
        "value": quantity.value,
        "unit": quantity.unit,
        "standard_uncertainty": quantity.standard_uncertainty,
        # No water holds less than nothing.
        "interval95": [max(low, 0.0), high],
        "coverage_factor": quantity.coverage_factor(0.95),
        "effective_degrees_of_freedom": nu if math.isfinite(nu) else None,
    }


def in_unit(mmol_l: Quantity, unit: HardnessUnit) -> Quantity:
    """Hardness in another unit; the factor is exact, so nothing is added to the uncertainty."""
    return mmol_l.scaled(unit.per_mmol_l, unit.label)


def hardness(
    equivalence_ml: Quantity,
    titrant_mol_l: Quantity,
    sample_ml: Quantity | Sequence[Quantity],
    blank_ml: Quantity | None = None,
) -> Hardness:
    """Total hardness from one titration.

    Parameters
    ----------
    equivalence_ml:
        Equivalence volume in mL with its contributions.
    titrant_mol_l:
        Concentration of the EDTA in mol/L.
    sample_ml:
        Volume of the sample in mL; several deliveries of one pipette are added by name, so its
        calibration counts twice and its filling adds in squares.
    blank_ml:
        Equivalence volume of a blank in mL; it is subtracted.

    Raises
    ------
    HardnessProblem
        A volume or the concentration is not above zero, the blank is not below the titre, a
        concentration can hardly be in mol/L, or a unit is wrong.
    """
    deliveries = (sample_ml,) if isinstance(sample_ml, Quantity) else tuple(sample_ml)
    _check(equivalence_ml, titrant_mol_l, deliveries, blank_ml)
    try:
        sample = deliveries[0]
        for delivery in deliveries[1:]:
            sample = sample + delivery
        net = equivalence_ml if blank_ml is None else equivalence_ml - blank_ml
        result = (titrant_mol_l * net / sample).scaled(1000.0, "mmol/L")
    except CalibrationProblem as problem:
        raise HardnessProblem(problem.sentence, problem.remedy) from None
    return Hardness(result, budget(result), _warnings(result, equivalence_ml, blank_ml))


def _check(
    equivalence_ml: Quantity,
    titrant_mol_l: Quantity,
    deliveries: Sequence[Quantity],
    blank_ml: Quantity | None,
) -> None:
    if not deliveries:
        raise HardnessProblem("The volume of the sample is missing.", "Give volume_ml.")
    named = [("The equivalence volume", equivalence_ml, "mL")]
    named += [("The volume of the sample", delivery, "mL") for delivery in deliveries]
    named += [("The concentration of the titrant", titrant_mol_l, "mol/L")]
    for name, quantity, unit in named:
        if quantity.unit != unit:
            raise HardnessProblem(f"{name} is in {quantity.unit}.", f"Give it in {unit}.")
        if not quantity.value > 0:
            raise HardnessProblem(
                f"{name} is {quantity.value:g} {unit}.", "It must be above 0: check the record."
            )
    if titrant_mol_l.value > _MAX_TITRANT_MOL_L:
        raise HardnessProblem(
            f"The concentration of the titrant is {titrant_mol_l.value:g} mol/L, more EDTA than "
            "dissolves.",
            "Give it in mol/L: 10 mmol/L is 0.010 mol/L.",
        )
    if blank_ml is None:
        return
    if blank_ml.unit != "mL" or blank_ml.value < 0:
        raise HardnessProblem(
            f"The blank is {blank_ml.value:g} {blank_ml.unit}.", "Give 0 mL or more."
        )
    if blank_ml.value >= equivalence_ml.value:
        raise HardnessProblem(
            f"The blank ({blank_ml.value:.3f} mL) is not smaller than the titre "
            f"({equivalence_ml.value:.3f} mL), so no hardness is left.",
            "Check that the two were not swapped, and the water that the blank was made with.",
        )


def _warnings(
    result: Quantity, equivalence_ml: Quantity, blank_ml: Quantity | None
) -> tuple[str, ...]:
    found = []
    if blank_ml is not None and blank_ml.value > 0.5 * equivalence_ml.value:
        found.append("The blank is more than half of the titre: clean reagents are needed.")
    if result.interval(0.95)[0] <= 0.0:
        found.append("The hardness cannot be told from zero: take more sample or a weaker titrant.")
    return tuple(found)


def budget(mmol_l: Quantity) -> tuple[BudgetLine, ...]:
    """Contributions in mg/L CaCO3 with their shares of the variance, largest first.

    Parameters
    ----------
    mmol_l:
        A hardness in mmol/L.
    """
    shares = mmol_l.shares()
    lines = [
        BudgetLine(
            name=name,
            contribution=abs(c.value) * M_CACO3,
            share=shares[name],
            kind=c.kind,
            distribution=c.distribution,
            degrees_of_freedom=c.degrees_of_freedom,
        )
        for name, c in mmol_l.contributions.items()
        if shares
    ]
    return tuple(sorted(lines, key=lambda line: -line.share))


def caco3_per_ml(standard_mg_ml: Quantity, standard_ml: Quantity, titre_ml: Quantity) -> Quantity:
    """Return mg of CaCO3 that 1 mL of titrant binds, from a standard water of known content.

    Parameters
    ----------
    standard_mg_ml:
        Content of the standard in mg/mL CaCO3.
    standard_ml, titre_ml:
        Standard taken and titrant used for it, mL.

    Raises
    ------
    HardnessProblem
        The titre is not above zero, or the units do not fit.
    """
    try:
        result = standard_mg_ml * standard_ml / titre_ml
    except CalibrationProblem as problem:
        raise HardnessProblem(problem.sentence, problem.remedy) from None
    if result.unit != "mg/mL" or not result.value > 0:
        raise HardnessProblem(
            f"The titrant would bind {result.value:g} {result.unit} of CaCO3.",
            "Give the standard in mg/mL and both volumes in mL, all above 0.",
        )
    return result


def titrant_from_caco3(mg_per_ml: Quantity) -> Quantity:
    """Concentration in mol/L of a titrant that binds so many mg of CaCO3 per mL."""
    return mg_per_ml.scaled(1.0 / M_CACO3, "mol/L")


def from_ions(calcium_mg_l: float, magnesium_mg_l: float) -> Quantity:
    """Hardness in mmol/L of a water with declared calcium and magnesium, mg/L (no uncertainty)."""
    if not (calcium_mg_l >= 0 and magnesium_mg_l >= 0):
        raise HardnessProblem(
            f"The declared ions are {calcium_mg_l:g} and {magnesium_mg_l:g} mg/L.",
            "Give 0 or more for both.",
        )
    return Quantity(calcium_mg_l / M_CALCIUM + magnesium_mg_l / M_MAGNESIUM, "mmol/L")


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


def permanent_and_temporary(total: Quantity, boiled: Quantity) -> Split:
    """Permanent hardness is what stays after boiling; temporary hardness is the rest.

    Parameters
    ----------
    total, boiled:
        Hardness before and after boiling and filtering, made up to the first volume; mmol/L.
    """
    return _split(total, boiled, "permanent", "temporary", "the boiled sample")


def calcium_and_magnesium(total: Quantity, calcium: Quantity) -> Split:
    """Magnesium is the total at pH 10 minus the calcium found at pH 12 to 13.

    Parameters
    ----------
    total, calcium:
        Hardness at pH 10 and at pH 12 to 13, mmol/L.
    """
    return _split(total, calcium, "calcium", "magnesium", "the calcium titration")


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
            f"These readings cannot be: {second} gave {shown[0]:.1f} mg/L CaCO3, more than the "
            f"total of {shown[1]:.1f}. Check that the two were not swapped, and titrate again."
        )
    return Split(total, part, None, part_name, rest_name, (warning,))
