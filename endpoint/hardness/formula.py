"""From volumes and concentrations to water hardness, with its first budget.

One mole of EDTA binds one mole of calcium or magnesium, so

    hardness = c(titrant) (V_equivalence - V_blank) / V_sample.

Other metals that the record states are subtracted (`endpoint.hardness.other_metals`). Water and
buffer added to the flask do not enter. The uncertainty is first order, summed under the names of
`calibration.quantity`, so ware that is used twice is counted with its correlation.
Nothing here says whether a water is fit for drinking.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from calibration.problem import CalibrationProblem, Problem
from calibration.quantity import Quantity
from endpoint.hardness.budget import (
    BudgetLine,
    Evaluation,
    budget,
    evaluate,
)
from endpoint.hardness.units import (
    M_CACO3,
    MG_L_CACO3,
    OTHER_UNITS,
    HardnessUnit,
    in_unit,
)

_TITRE, _BLANK = "equivalence volume", "blank"
_FEW = 10.0
"""Degrees of freedom below which the tails of Student's t matter: at 10 its 95 % factor is 14 %
above that of the normal distribution."""
_MAX_TITRANT_MOL_L = 1.0
"""Concentration, mol/L, beyond which a number is one in other units: less of the disodium salt
dissolves in water (about 0.3, from memory)."""


class HardnessProblem(Problem):
    """No hardness can be worked out from these volumes."""

    code = "hardness"


_LARGE_BLANK = 0.1
"""Blank as a part of the titre that is worth a remark. Clean reagents take a drop or two, 0.05 to
0.1 mL (common practice, no source). Lower, and every soft water is remarked; higher, and hard water
in the wash bottle passes."""


@dataclass(frozen=True)
class Formula:
    """Hardness in mol/L as a function of its inputs, written with + - * /."""

    function: Callable[..., Any]
    inputs: tuple[tuple[str, Quantity], ...]
    """Name and quantity of each argument."""


@dataclass(frozen=True)
class Hardness:
    """A hardness in every unit, and where its uncertainty comes from."""

    evaluation: Evaluation
    """In mmol/L."""
    warnings: tuple[str, ...] = ()

    @property
    def mmol_l(self) -> Quantity:
        """Hardness in mmol/L."""
        return self.evaluation.quantity

    @property
    def caco3_mg_l(self) -> Quantity:
        """Hardness in mg/L CaCO3."""
        return in_unit(self.mmol_l, MG_L_CACO3)

    @property
    def other_units(self) -> dict[str, Quantity]:
        """Hardness in each of `OTHER_UNITS`, by key."""
        return {unit.key: in_unit(self.mmol_l, unit) for unit in OTHER_UNITS}

    @property
    def budget(self) -> tuple[BudgetLine, ...]:
        """Every source in mg/L CaCO3, largest first; empty where no uncertainty is known."""
        return budget(self.mmol_l, MG_L_CACO3.per_mmol_l, MG_L_CACO3.label)

    def interval95(self, unit: HardnessUnit | None = None) -> tuple[float, float]:
        """95 % interval in a unit, by default mmol/L; no water holds less than nothing."""
        factor = 1.0 if unit is None else unit.per_mmol_l
        low, high = self.evaluation.interval95
        return max(low, 0.0) * factor, high * factor

    def expanded_uncertainty(self, unit: HardnessUnit | None = None) -> float:
        """Half of the 95 % interval in a unit, by default mmol/L."""
        factor = 1.0 if unit is None else unit.per_mmol_l
        return self.evaluation.expanded_uncertainty * factor

    def to_json(self) -> dict[str, object]:
        """Plain dictionary with mmol_l, caco3_mg_l, other_units and the Monte Carlo run."""
        check = self.evaluation.monte_carlo
        others = {
            unit.key: {**self._number_json(unit), "definition": unit.definition}
            for unit in OTHER_UNITS
        }
        return {
            "mmol_l": self._number_json(None),
            "caco3_mg_l": self._number_json(MG_L_CACO3),
            "other_units": others,
            "monte_carlo": None if check is None else {**check.to_json(), "unit": "mmol/L"},
            "warnings": list(self.warnings),
        }

    def _number_json(self, unit: HardnessUnit | None) -> dict[str, object]:
        quantity = self.mmol_l if unit is None else in_unit(self.mmol_l, unit)
        u, expanded = quantity.standard_uncertainty, self.expanded_uncertainty(unit)
        nu = quantity.effective_degrees_of_freedom
        check = self.evaluation.monte_carlo
        by_draws = check is not None and check.is_used
        return {
            "value": quantity.value,
            "unit": quantity.unit,
            "standard_uncertainty": u,
            "expanded_uncertainty": expanded,
            "interval95": list(self.interval95(unit)),
            "interval_from": "Monte Carlo" if by_draws else "first order",
            # An interval from draws is not a multiple of u.
            "coverage_factor": None if by_draws else quantity.coverage_factor(0.95),
            "effective_degrees_of_freedom": nu if math.isfinite(nu) else None,
            "first_order": {
                "expanded_uncertainty": quantity.expanded_uncertainty(0.95),
                "interval95": list(quantity.interval(0.95)),
                "coverage_factor": quantity.coverage_factor(0.95),
            },
        }


def input_lines(total: Hardness) -> list[dict[str, object]]:
    """Inputs of a hardness for JSON, sensitivities and contributions in mg/L CaCO3."""
    factor = MG_L_CACO3.per_mmol_l
    scaled = (replace(x, sensitivity=x.sensitivity * factor) for x in total.evaluation.inputs)
    return [{**line.to_json(), "result_unit": MG_L_CACO3.label} for line in scaled]


def hardness(
    equivalence_ml: Quantity,
    titrant_mol_l: Quantity,
    sample_ml: Quantity | Sequence[Quantity],
    blank_ml: Quantity | None = None,
    other_metals: Sequence[tuple[str, Quantity]] = (),
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
    other_metals:
        Names and contents, as mmol/L of hardness, of metals that are titrated too; they are
        subtracted.

    Raises
    ------
    HardnessProblem
        A volume or the concentration is not above zero, the blank is not below the titre, the
        other metals are more than what was titrated, a concentration can hardly be in mol/L, or
        a unit is wrong.
    """
    formula = titrated(equivalence_ml, titrant_mol_l, sample_ml, blank_ml, other_metals)
    return hardness_of(formula, other_metals)


def hardness_of(formula: Formula, other_metals: Sequence[tuple[str, Quantity]] = ()) -> Hardness:
    """Total hardness by a formula; `other_metals` are those that it subtracts.

    Raises
    ------
    HardnessProblem
        Nothing is left for calcium and magnesium, or a Monte Carlo draw gave no number.
    """
    try:
        found = evaluate(formula.function, formula.inputs, factor=1000.0, unit="mmol/L")
    except CalibrationProblem as problem:
        raise HardnessProblem(problem.sentence, problem.remedy) from None
    _check_left(found, other_metals)
    said = _warnings(found, dict(formula.inputs))
    return Hardness(found, (*_subtraction(other_metals), *said))


def titrated(
    equivalence_ml: Quantity,
    titrant_mol_l: Quantity,
    sample_ml: Quantity | Sequence[Quantity],
    blank_ml: Quantity | None = None,
    other_metals: Sequence[tuple[str, Quantity]] = (),
) -> Formula:
    """Formula of one titration, for what is calculated further from it; inputs as `hardness`.

    Raises
    ------
    HardnessProblem
        A quantity cannot be used.
    """
    deliveries = (sample_ml,) if isinstance(sample_ml, Quantity) else tuple(sample_ml)
    _check(equivalence_ml, titrant_mol_l, deliveries, blank_ml)
    inputs = [(_TITRE, equivalence_ml), ("titrant", titrant_mol_l)]
    if blank_ml is not None:
        inputs.append((_BLANK, blank_ml))
    inputs += sample_inputs(deliveries)
    inputs += subtrahends(other_metals)
    fillings = len(deliveries)

    def model(titre: Any, titrant: Any, *rest: Any) -> Any:
        if blank_ml is not None:
            titre, rest = titre - rest[0], rest[1:]
        found = titrant * titre / total_of(rest[:fillings])
        return found if len(rest) == fillings else found - total_of(rest[fillings:])

    return Formula(model, tuple(inputs))


def sample_inputs(deliveries: Sequence[Quantity]) -> list[tuple[str, Quantity]]:
    """Name every delivery of the sample for a budget."""
    several = len(deliveries) > 1
    return [
        (f"sample, delivery {n}" if several else "sample", delivery)
        for n, delivery in enumerate(deliveries, 1)
    ]


def subtrahends(other_metals: Sequence[tuple[str, Quantity]]) -> list[tuple[str, Quantity]]:
    """Other metals as inputs of a budget, mol/L."""
    return [(name, content.scaled(1e-3, "mol/L")) for name, content in other_metals]


def _check_left(found: Evaluation, other_metals: Sequence[tuple[str, Quantity]]) -> None:
    """Refuse other metals that are more than all that was titrated.

    Raises
    ------
    HardnessProblem
        Nothing is left.
    """
    if other_metals and not found.quantity.value > 0.0:
        named = ", ".join(name for name, _ in other_metals)
        raise HardnessProblem(
            f"The stated contents of other metals ({named}) are more than all that was titrated.",
            "State them in mg/L of the sample, and leave out those that were masked.",
        )


def _subtraction(other_metals: Sequence[tuple[str, Quantity]]) -> tuple[str, ...]:
    """Say what was subtracted."""
    if not other_metals:
        return ()
    named = ", ".join(f"{name} {q.value * M_CACO3:.2g}" for name, q in other_metals)
    return (f"Subtracted for other metals in the sample, in mg/L CaCO3: {named}.",)


def total_of(parts: Sequence[Any]) -> Any:
    """Sum of quantities, numbers or arrays."""
    total = parts[0]
    for part in parts[1:]:
        total = total + part
    return total


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


def _warnings(found: Evaluation, inputs: Mapping[str, Quantity]) -> tuple[str, ...]:
    said = []
    part = inputs[_BLANK].value / inputs[_TITRE].value if _BLANK in inputs else 0.0
    if part > _LARGE_BLANK:
        said.append(
            f"The blank is {100.0 * part:.0f} % of the titre, where a drop or two is usual: check "
            "water, buffer and indicator for hardness, and titrate the blank again."
        )
    if found.interval95[0] <= 0.0:
        said.append(
            "The hardness cannot be distinguished from zero: take more sample or a weaker titrant."
        )
    return (*said, *draws_remark(found))


def draws_remark(found: Evaluation) -> tuple[str, ...]:
    """Say that the interval is from draws, and why; empty where first order is kept."""
    check = found.monte_carlo
    if check is None or not check.is_used:
        return ()
    first, drawn = found.quantity.expanded_uncertainty(0.95), 0.5 * (check.high - check.low)
    side = "narrower" if first < drawn else "wider"
    parts = found.quantity.contributions.values()
    few = min((part.degrees_of_freedom for part in parts), default=math.inf)
    if few < _FEW:
        why = (
            f"the draws follow the long tails of a scatter that {few + 1:.0f} values show; first "
            "order averages them with sources that are known better"
        )
    else:
        why = "the draws follow formula and distributions as they are, not as straight lines"
    return (
        f"The interval given is that of {check.draws} Monte Carlo draws. First order makes it "
        f"{100.0 * abs(1.0 - first / drawn):.0f} % {side}: {why}.",
    )
