"""The plan of a verification: how many titrations, the protocol, the table to fill, and records."""

from __future__ import annotations

import datetime
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
_SAMPLES_ML, _BURETTES_ML = (100.0, 50.0), (25.0, 50.0)
"""Sample volumes, by fillings of a 50 mL pipette, and burettes; the first that serve are taken."""
_TITRANT_MOL_L, _ADDED_ML, _FLASK_ML = 0.01, 5.0, 105.0
"""EDTA, mol/L; buffer, and all that is in the flask at the start, mL."""
_FULL = 0.9
"""Largest titre as a part of the burette, so that the end is passed on one filling. Our choice."""
_FLASKS_ML = (250.0, 500.0, 1000.0, 2000.0)
_RINSE = 1.25
"""Standard to be made, as a multiple of what is pipetted: rinsing and a spare. Our choice."""
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
    sample_ml: float
    """Of each titration."""
    burette_ml: float
    """Nominal volume of the smallest burette that the highest level does not empty."""


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
    most = _FULL * _BURETTES_ML[-1] * _TITRANT_MOL_L * 1000.0 / _SAMPLES_ML[-1]
    if len(levels) < 3 or not all(0.0 < each <= most for each in levels):
        raise VerificationProblem(
            f"The plan cannot have the levels {', '.join(f'{each:g}' for each in levels)} mmol/L.",
            f"Give 3 or more different ones, above 0 and up to {most:g} mmol/L.",
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
    sample_ml, burette_ml = _ware(levels[-1])
    return VerificationPlan(
        levels, each_day, days, wanted_mmol_l, expected, steps, sample_ml, burette_ml
    )


def titre_ml(known_mmol_l: float, sample_ml: float) -> float:
    """Titre of a level, mL of the EDTA of the plan."""
    return known_mmol_l * sample_ml / (1000.0 * _TITRANT_MOL_L)


def _ware(highest_mmol_l: float) -> tuple[float, float]:
    """Sample volume and burette, mL, with which the highest level stays on one filling."""
    pairs = ((sample, burette) for sample in _SAMPLES_ML for burette in _BURETTES_ML)
    return next(
        (sample, burette)
        for sample, burette in pairs
        if titre_ml(highest_mmol_l, sample) <= _FULL * burette + 1e-9
    )


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


def table_text(plan: VerificationPlan, today: datetime.date) -> str:
    """Table to fill: known values and recordings; the head of `verification.table`."""
    head = [
        "format = 1",
        "[certificate]",
        'id = "METHOD-1"',
        'what = "hardness by EDTA, end from a recording"',
        f"date = {today}",
        f"expiry = {_year_later(today)}",
        'operator = "?"',
        "[method]",
        'bench = "?"  # camera, burette, pipette',
        'standards = "?"  # supplier and lot of the calcium carbonate',
        'end = "recording"',
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


def _year_later(day: datetime.date) -> datetime.date:
    """A year is our choice; the head of the table may say less."""
    return day + datetime.timedelta(days=365)


def record_text(plan: VerificationPlan, name: str) -> str:
    """Record of one titration, which names only the code of the flask."""
    fillings = round(plan.sample_ml / 50.0)
    deliveries = ", ".join(["50.0"] * fillings)
    return f"""format = 1
[sample]
label = "Flask {name}"
deliveries_ml = [{deliveries}]
added_ml = {_FLASK_ML - plan.sample_ml:.1f}
[titrant]
certificate = "edta.json"
[recording]
video = "{name}.mp4"
[delivery]
log = "{name}.csv"
mode = "steps"
[ware]
burette = {{ nominal_ml = {plan.burette_ml:g}, class = "A" }}
pipette = {{ nominal_ml = 50, class = "A" }}
"""


def controls(plan: VerificationPlan) -> tuple[str, ...]:
    """Names of the records of the controls, one for each day."""
    return tuple(f"control-{day}" for day in range(1, plan.days + 1))


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


def _litres_of_stock(plan: VerificationPlan) -> list[str]:
    need = 0.0
    for k, known in enumerate(plan.levels_mmol_l):
        count, flask = _flask_ml(plan, k)
        need += count * flask * known / _STOCK_MMOL_L
    if need <= 1000.0:
        return []
    times = math.ceil(need / 1000.0)
    return [
        f"  The levels take {need / 1000.0:.1f} L of it: make {times} L, with {times} times the "
        "mass and acid."
    ]


def _water(plan: VerificationPlan) -> str:
    more = _FLASK_ML - plan.sample_ml - _ADDED_ML
    return f", {more:g} mL of pure water" if more > 0 else ""


def protocol_text(plan: VerificationPlan) -> str:
    """Protocol to print: cautions, standards, order, blank and control."""
    lines = [
        "Verification of the method",
        "",
        f"{len(plan.steps)} titrations: {len(plan.levels_mmol_l)} levels, {plan.replicates} of "
        f"each on each of {plan.days} days.",
        f"The mean error will be known to ± {plan.expected_mmol_l:.2g} mmol/L (95 %), if one "
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
        "  is needed (about 25 mL), boil off the carbon dioxide, cool, neutralise to methyl red",
        "  with ammonia, and make up to 1000 mL at 20 °C. Write down mass, purity and flask.",
        *_litres_of_stock(plan),
        "- Without magnesium the change is slow: use a buffer with Mg-EDTA, in the blank as well.",
        "- Levels, made up with pure water; somebody else labels the flasks by code:",
        *_levels(plan),
        "- The known hardness and its standard uncertainty come from mass, purity, flask and",
        "  pipettes; write them into the table before the titrations are evaluated.",
        "",
        "Each titration",
        f"- {plan.sample_ml:g} mL of the standard ({round(plan.sample_ml / 50.0)} × 50 mL "
        f"pipette), {_ADDED_ML:g} mL of buffer{_water(plan)}, indicator.",
        f"- EDTA, {_TITRANT_MOL_L:g} mol/L, standardised; its certificate is edta.json in the "
        "records.",
        f"- A burette of {plan.burette_ml:g} mL: the highest level takes "
        f"{titre_ml(plan.levels_mmol_l[-1], plan.sample_ml):.1f} mL.",
        "",
        "On each day",
        "- One blank (water, buffer, indicator): it must be blue before any EDTA. If it is red,",
        "  find the calcium or magnesium in water, buffer or ware before you go on.",
        "- One control (the middle level, not blind; records control-1 to "
        f"control-{plan.days}). If it",
        "  differs from the known hardness by more than three standard deviations, stop. It is not",
        "  in the table: keep it on a control chart (endpoint replicates --control-chart).",
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
