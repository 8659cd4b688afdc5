"""The plan of a verification: how many titrations, the protocol, the table to fill, and records."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from endpoint.hardness.units import M_CACO3
from endpoint.verification.table import VerificationProblem

_STOCK_MMOL_L = 10.0
"""Stock solution of calcium carbonate, mmol/L: 1.0009 g in 1 L, as in ISO 6059 and Standard
Methods 2340 C (there 1 mg/mL, the same; from memory)."""
_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ"
"""Of the codes: without those that look like a digit, and without that of the levels."""
_MOST_TITRATIONS = 200
"""More are not planned: weeks of work. Our choice."""


@dataclass(frozen=True)
class Step:
    """One titration of the plan."""

    code: str
    """Blind code on the flask."""
    level: str
    day: int
    known_mmol_l: float
    """Nominal; the table takes what was really weighed."""


@dataclass(frozen=True)
class VerificationPlan:
    """Levels, replicates, days, and the order of titrations."""

    levels_mmol_l: tuple[float, ...]
    replicates: int
    """Titrations of each level on each day."""
    days: int
    wanted_mmol_l: float
    """Half of the 95 % interval of the mean error that is wanted."""
    expected_mmol_l: float
    """The same, as the plan will give it with the stated scatter."""
    steps: tuple[Step, ...]


def plan_verification(
    levels_mmol_l: tuple[float, ...],
    wanted_mmol_l: float,
    scatter_mmol_l: float,
    *,
    days: int = 5,
    seed: int = 1,
) -> VerificationPlan:
    """Smallest plan whose mean error is known to the wanted interval.

    Days count each the same, so the interval of the mean of d day means is that of Student's t with
    d - 1 degrees of freedom; the scatter of a day mean shrinks with the titrations of the day.

    Parameters
    ----------
    levels_mmol_l:
        Known hardness of the levels, 3 or more for the line.
    wanted_mmol_l:
        Half of the 95 % interval of the mean error.
    scatter_mmol_l:
        Standard deviation of one titration, from earlier work.
    days:
        Days, 3 to 20.
    seed:
        Of the random order and codes.

    Raises
    ------
    VerificationProblem
        A number cannot be used, or the wish needs more than 200 titrations.
    """
    from scipy.special import stdtrit

    levels = tuple(sorted(set(levels_mmol_l)))
    if len(levels) < 3 or not all(0.0 <= each <= _STOCK_MMOL_L for each in levels):
        raise VerificationProblem(
            f"The plan has {len(levels)} levels.",
            f"Give 3 or more different ones, from 0 to {_STOCK_MMOL_L:g} mmol/L.",
        )
    if not 3 <= days <= 20:
        raise VerificationProblem(f"The plan has {days} days.", "Give 3 to 20.")
    if not (wanted_mmol_l > 0.0 and scatter_mmol_l > 0.0):
        raise VerificationProblem(
            "The wanted uncertainty and the scatter must be above 0.", "Give both in mmol/L."
        )
    reach = float(stdtrit(days - 1, 0.975)) * scatter_mmol_l / math.sqrt(days)
    each_day = max(1, math.ceil((reach / wanted_mmol_l) ** 2 / len(levels) - 1e-9))
    total = each_day * days * len(levels)
    if total > _MOST_TITRATIONS:
        raise VerificationProblem(
            f"A mean error known to {wanted_mmol_l:g} mmol/L needs {total} titrations.",
            "Give more --days, a larger --wanted, or lessen the scatter first.",
        )
    expected = reach / math.sqrt(each_day * len(levels))
    steps = _steps(levels, each_day, days, random.Random(seed))
    return VerificationPlan(levels, each_day, days, wanted_mmol_l, expected, steps)


def _steps(
    levels: tuple[float, ...], each_day: int, days: int, rng: random.Random
) -> tuple[Step, ...]:
    """Every level on every day, in an order and with codes that tell nothing of the level."""
    steps: list[Step] = []
    codes = [f"{a}{b}" for a in _LETTERS for b in range(10)]
    rng.shuffle(codes)
    for day in range(1, days + 1):
        today = [(f"L{k}", known) for k, known in enumerate(levels, 1) for _ in range(each_day)]
        rng.shuffle(today)
        steps += [Step(codes[len(steps) + k], name, day, v) for k, (name, v) in enumerate(today)]
    return tuple(steps)


def table_text(plan: VerificationPlan, today: str) -> str:
    """Table to fill: known values and recordings; the head of `verification.table`."""
    head = [
        "format = 1",
        "[certificate]",
        'id = "METHOD-1"',
        'what = "hardness by EDTA, end from a recording"',
        f"date = {today}",
        'operator = "?"',
        "[method]",
        'bench = "which bench, camera, burette, pipette"',
        'standards = "calcium carbonate, supplier and lot"',
        "# Acceptance limits, to be set before the first titration:",
        "# largest_bias_percent = 1.0",
        "# largest_scatter_percent = 0.5",
    ]
    lines = [f"# {line}" for line in head]
    lines.append("code,level,day,known_mmol_l,known_u_mmol_l,recording")
    lines += [
        f"{step.code},{step.level},{step.day},{step.known_mmol_l:.4f},,{step.code}.toml"
        for step in plan.steps
    ]
    return "\n".join(lines) + "\n"


def record_text(step: Step) -> str:
    """Record of one titration, which names only the code of the flask."""
    return f"""format = 1
[sample]
label = "Flask {step.code}"
deliveries_ml = [50.0, 50.0]
added_ml = 5.0
[titrant]
certificate = "edta.json"
[recording]
video = "{step.code}.mp4"
[delivery]
log = "{step.code}.csv"
mode = "steps"
[ware]
burette = {{ nominal_ml = 25, class = "A" }}
pipette = {{ nominal_ml = 50, class = "A" }}
"""


def protocol_text(plan: VerificationPlan) -> str:
    """Protocol to print: cautions, standards, order, blank and control."""
    lines = [
        "Verification of the method",
        "",
        f"{len(plan.steps)} titrations: {len(plan.levels_mmol_l)} levels, {plan.replicates} of "
        f"each on each of {plan.days} days.",
        f"The mean error will be known to +-{plan.expected_mmol_l:.2g} mmol/L (95 %), if one "
        "titration scatters as stated.",
        "",
        "Cautions",
        "- Hydrochloric acid and ammonia buffer are corrosive: goggles, gloves, fume hood. Carbon",
        "  dioxide escapes when the carbonate dissolves: add the acid drop by drop, under a watch",
        "  glass. The safety data sheets and the rules of your laboratory come first.",
        "",
        "Standards",
        f"- Stock, {_STOCK_MMOL_L:g} mmol/L: dry calcium carbonate for 2 h at 110 °C. Weigh "
        f"{_STOCK_MMOL_L * M_CACO3 / 1000:.4f} g to 0.1 mg",
        "  into a beaker, moisten it, dissolve it in as little hydrochloric acid (1 mol/L) as",
        "  needs be (about 25 mL), boil off the carbon dioxide, cool, neutralise to methyl red",
        "  with ammonia, and make up to 1000 mL at 20 °C. Write down mass, purity and flask.",
        "- Without magnesium the change is slow: use a buffer with Mg-EDTA, in the blank as well.",
        "- Levels, made up to 1000 mL with pure water; somebody else labels the flasks by code:",
    ]
    for k, known in enumerate(plan.levels_mmol_l, 1):
        volume = 1000.0 * known / _STOCK_MMOL_L
        lines.append(f"    L{k}: {known:g} mmol/L, {volume:.1f} mL of stock")
    lines += [
        "- The known hardness and its standard uncertainty come from mass, purity, flask and",
        "  pipettes; write them into the table before the titrations are evaluated.",
        "",
        "On each day",
        "- One blank (water, buffer, indicator) and one control (the middle level, not blind)",
        "  before the others. If the control differs by more than three standard deviations, stop.",
        "- Titrate in this order, and record each; nobody who titrates knows the levels.",
        "",
    ]
    for day in range(1, plan.days + 1):
        codes = " ".join(step.code for step in plan.steps if step.day == day)
        lines.append(f"  day {day}: {codes}")
    lines += [
        "",
        "Set the acceptance limits in the head of the table before the first titration. A",
        "titration is left out only for a reason in the titration itself, written down before its",
        "result is known.",
    ]
    return "\n".join(lines) + "\n"
