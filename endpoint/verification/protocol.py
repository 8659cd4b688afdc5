"""The protocol of a verification, to be printed: one part for each of two people."""

from __future__ import annotations

import math
import textwrap

from endpoint.hardness.units import M_CACO3
from endpoint.verification.plan import (
    ADDED_ML,
    DROP_ML,
    FLASK_ML,
    LEAST_TITRE_ML,
    TITRANTS_MOL_L,
    VerificationPlan,
    titre_ml,
    ware_for,
)

_STOCK_MMOL_L = 10.0
"""Stock solution of calcium carbonate, mmol/L: 1.0009 g in 1 L, as in ISO 6059 and Standard
Methods 2340 C (there 1 mg/mL, the same; from memory)."""
_FLASKS_ML = (250.0, 500.0, 1000.0, 2000.0)
_RINSE = 1.25
"""Standard to be made, as a multiple of what is pipetted: rinsing and a spare. Our choice."""


def _flask_ml(plan: VerificationPlan, number: int) -> tuple[int, float]:
    """Flasks to make up of a level, and their volume, mL."""
    titrations = plan.replicates * plan.days
    if number == len(plan.levels_mmol_l) // 2:
        titrations += plan.days
    need = _RINSE * titrations * plan.sample_ml
    count = math.ceil(need / _FLASKS_ML[-1])
    return count, next(flask for flask in _FLASKS_ML if count * flask >= need)


def _levels(plan: VerificationPlan) -> list[str]:
    lines = []
    for k, known in enumerate(plan.levels_mmol_l):
        count, flask = _flask_ml(plan, k)
        several = f", {count} flasks, poured together and mixed" if count > 1 else ""
        lines.append(
            f"    L{k + 1}: {known:g} mmol/L, {flask * known / _STOCK_MMOL_L:.1f} mL of stock in "
            f"{flask:g} mL{several}"
        )
    return lines


def _bullet(text: str) -> list[str]:
    return textwrap.wrap(text, 80, initial_indent="- ", subsequent_indent="  ",
                         break_on_hyphens=False)  # fmt: skip


def _stock(plan: VerificationPlan) -> list[str]:
    need = 0.0
    for k, known in enumerate(plan.levels_mmol_l):
        count, flask = _flask_ml(plan, k)
        need += count * flask * known / _STOCK_MMOL_L
    times = math.ceil(need / 1000.0)
    more = (
        f" The levels take {need / 1000.0:.1f} L of it: make {times} L, with {times} times the "
        "mass and acid."
    )
    return _bullet(
        f"Stock, {_STOCK_MMOL_L:g} mmol/L: dry calcium carbonate for 2 h at 110 °C. Weigh "
        f"{_STOCK_MMOL_L * M_CACO3 / 1000:.4f} g to 0.1 mg into a beaker, moisten it, dissolve it "
        "in as little hydrochloric acid (1 mol/L) as is needed (about 25 mL), boil off the carbon "
        "dioxide, cool, neutralise to methyl red with ammonia, and make up to 1000 mL at 20 °C. "
        f"Write down mass, purity and flask.{more if times > 1 else ''}"
    )


def _titrant(plan: VerificationPlan) -> list[str]:
    """Titrant and burette, and what a soft level asks for."""
    usual = TITRANTS_MOL_L[0]
    before, low, high = (
        titre_ml(level, plan.sample_ml, titrant)
        for level, titrant in (
            (plan.levels_mmol_l[0], usual),
            (plan.levels_mmol_l[0], plan.titrant_mol_l),
            (plan.levels_mmol_l[-1], plan.titrant_mol_l),
        )
    )
    lines = [
        *_bullet(
            f"EDTA, {plan.titrant_mol_l:g} mol/L, standardised; its certificate is edta.json in "
            "the records."
        ),
        *_bullet(
            f"A burette of {plan.burette_ml:g} mL: the lowest level takes {low:.1f} mL, the "
            f"highest {high:.1f} mL. One drop ({DROP_ML:g} mL) is {plan.drop_mmol_l:.2g} mmol/L"
            f"{_finer(plan)}."
        ),
    ]
    if plan.titrant_mol_l < usual:
        lines += _bullet(
            f"Of EDTA {usual:g} mol/L the lowest level would take only {before:.2g} mL. Dilute it "
            "with pipette and flask, standardise it as diluted, and take less indicator. The "
            "outcome holds for this titrant: titrate the samples with it as well."
        )
    if low < LEAST_TITRE_ML - 1e-9:
        lines += _bullet(
            f"{low:.2g} mL is little: a drop is {100.0 * DROP_ML / low:.0f} % of it. The levels "
            "lie too far apart for one titrant, or are too soft for any: verify soft water in a "
            "study of its own."
        )
    return lines


def _finer(plan: VerificationPlan) -> str:
    """What would make a drop smaller than the wanted uncertainty, where it is not."""
    if plan.drop_mmol_l <= plan.wanted_mmol_l + 1e-12:
        return ""
    least_ml = DROP_ML * plan.levels_mmol_l[0] / plan.wanted_mmol_l
    _, burette_ml, titrant = ware_for(plan.levels_mmol_l, least_ml)
    if titrant == plan.titrant_mol_l:
        return ", more than the wanted uncertainty"
    return (
        f", more than the wanted uncertainty: EDTA {titrant:g} mol/L from a burette of "
        f"{burette_ml:g} mL would make it smaller"
    )


def protocol_text(plan: VerificationPlan) -> str:
    """Protocol to print: cautions, and a part for each of two people, so that codes stay blind."""
    lines = [
        "Verification of the method",
        "",
        *textwrap.wrap(
            f"{len(plan.steps)} titrations: {len(plan.levels_mmol_l)} levels, {plan.replicates} of "
            f"each on each of {plan.days} days. The mean error will be known to "
            f"± {plan.expected_mmol_l:.2g} mmol/L (95 %), if one titration scatters as stated.",
            80,
        ),
        "",
        "Cautions",
        *_bullet(
            "Hydrochloric acid and ammonia buffer are corrosive: goggles, gloves, fume hood. "
            "Carbon dioxide escapes when the carbonate dissolves: add the acid drop by drop, under "
            "a watch glass. The safety data sheets and the rules of your laboratory come first."
        ),
        "",
        *_for_whoever_makes_the_standards(plan),
        "",
        *_for_whoever_titrates(plan),
    ]
    return "\n".join(lines) + "\n"


def _for_whoever_makes_the_standards(plan: VerificationPlan) -> list[str]:
    return [
        "PART 1, FOR WHOEVER MAKES THE STANDARDS",
        "",
        "Secret",
        *_bullet(
            "table.csv says which code is which level. Keep it and this part to yourself: whoever "
            "titrates gets the flasks, the records and part 2, and sees the table only when the "
            "last result is there."
        ),
        *_bullet("Set the acceptance limits in the head of the table before the first titration."),
        "",
        "Standards",
        *_stock(plan),
        *_bullet("Levels, made up with pure water; label what you hand over with the codes alone:"),
        *_levels(plan),
        *_bullet(
            "The known hardness and its standard uncertainty come from mass, purity, flask and "
            "pipettes; write them into the table before the titrations are evaluated."
        ),
        "",
        "Titrant and burette",
        *_titrant(plan),
    ]


def _for_whoever_titrates(plan: VerificationPlan) -> list[str]:
    days = [
        f"  day {day}: {' '.join(step.code for step in plan.steps if step.day == day)}"
        for day in range(1, plan.days + 1)
    ]
    return [
        "PART 2, FOR WHOEVER TITRATES",
        "",
        "Each titration",
        *_bullet(
            f"{plan.sample_ml:g} mL of the standard ({round(plan.sample_ml / 50.0)} × 50 mL "
            f"pipette), {ADDED_ML:g} mL of buffer{_water(plan)}, indicator."
        ),
        *_bullet(
            "Without magnesium the change is slow: use a buffer with Mg-EDTA, in the blank as well."
        ),
        *_bullet(
            f"EDTA, {plan.titrant_mol_l:g} mol/L, from a burette of {plan.burette_ml:g} mL. Record "
            "it as the records say: film and volume log have the name of the code."
        ),
        *_bullet(
            "Write down at once what went wrong: a titration is left out only for a reason in the "
            "titration itself, written down before its result is known."
        ),
        "",
        "On each day",
        *_bullet(
            "One blank (water, buffer, indicator): it must be blue before any EDTA. If it is red, "
            "find the calcium or magnesium in water, buffer or ware before you go on."
        ),
        *_bullet(
            "One control (the middle level, with its name on the flask; records control-1 to "
            f"control-{plan.days}). If it differs from the known hardness by more than three "
            "standard deviations, stop. It is not in the table: keep it on a control chart "
            "(endpoint replicates --control-chart)."
        ),
        *_bullet("Titrate in this order:"),
        "",
        *days,
        "",
        "When all are recorded",
        *_bullet(
            "endpoint batch FOLDER --out RESULTS works out all records of the folder; then "
            "endpoint verify table.csv --results RESULTS/results.csv --out VERIFIED evaluates them."
        ),
    ]


def _water(plan: VerificationPlan) -> str:
    more = FLASK_ML - plan.sample_ml - ADDED_ML
    return f", {more:g} mL of pure water" if more > 0 else ""
