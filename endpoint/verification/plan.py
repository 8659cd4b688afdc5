"""The plan of a verification: how many titrations, the table to fill, and records."""

from __future__ import annotations

import datetime
import math
import random
from dataclasses import dataclass

from calibration.ware.tolerance import USUAL_DIVISION_ML
from endpoint.verification.table import VerificationProblem

_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ"
"""Of the codes: without those that look like a digit, and without that of the levels."""
_SAMPLES_ML, _BURETTES_ML = (100.0, 50.0), (10.0, 25.0, 50.0)
"""Sample volumes, by fillings of a 50 mL pipette, and burettes; the first that serve are taken."""
TITRANTS_MOL_L = (0.01, 0.005, 0.002, 0.001)
"""EDTA, mol/L: the usual one, and simple dilutions of it for soft levels."""
LEAST_TITRE_ML, DROP_ML = 5.0, 0.05
"""Titre of the lowest level, mL, below which a weaker titrant is taken (common practice, no
source): a drop is 1 % of it. A drop is 0.05 mL (common practice, no source)."""
ADDED_ML, FLASK_ML = 5.0, 105.0
"""Buffer, and all that is in the flask at the start, mL."""
_FULL = 0.9
"""Largest titre as a part of the burette, so that the end is passed on one filling. Our choice."""
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
    titrant_mol_l: float
    """EDTA, weak enough for the lowest level where the highest one allows it."""

    @property
    def drop_mmol_l(self) -> float:
        """What a drop of the titrant is worth, mmol/L."""
        return 1000.0 * self.titrant_mol_l * DROP_ML / self.sample_ml


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
    most = _FULL * _BURETTES_ML[-1] * TITRANTS_MOL_L[0] * 1000.0 / _SAMPLES_ML[-1]
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
    ware = ware_for(levels)
    return VerificationPlan(levels, each_day, days, wanted_mmol_l, expected, steps, *ware)


def titre_ml(known_mmol_l: float, sample_ml: float, titrant_mol_l: float) -> float:
    """Titre of a level, mL."""
    return known_mmol_l * sample_ml / (1000.0 * titrant_mol_l)


def ware_for(
    levels_mmol_l: tuple[float, ...], least_titre_ml: float = LEAST_TITRE_ML
) -> tuple[float, float, float]:
    """Sample volume and burette, mL, and titrant, mol/L, for levels in rising order.

    The highest level stays on one filling of the burette; the lowest one has the least titre, as
    far as a weaker titrant allows it.
    """
    low, high = levels_mmol_l[0], levels_mmol_l[-1]
    fit = [
        (sample, burette, titrant)
        for sample in _SAMPLES_ML
        for titrant in TITRANTS_MOL_L
        for burette in _BURETTES_ML
        if titre_ml(high, sample, titrant) <= _FULL * burette + 1e-9
    ]
    sample_ml = fit[0][0]
    fit = [each for each in fit if each[0] == sample_ml]
    large = (e for e in fit if titre_ml(low, sample_ml, e[2]) >= least_titre_ml - 1e-9)
    weakest = min(titrant for _, _, titrant in fit)
    return next(large, next(each for each in fit if each[2] == weakest))


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
    fillings, division = round(plan.sample_ml / 50.0), USUAL_DIVISION_ML[plan.burette_ml]
    deliveries = ", ".join(["50.0"] * fillings)
    return f"""format = 1
[sample]
label = "Flask {name}"
deliveries_ml = [{deliveries}]
added_ml = {FLASK_ML - plan.sample_ml:.1f}
[titrant]
certificate = "edta.json"
[recording]
video = "{name}.mp4"
[delivery]
log = "{name}.csv"
mode = "steps"
[ware]
burette = {{ nominal_ml = {plan.burette_ml:g}, class = "A", division_ml = {division:g} }}
pipette = {{ nominal_ml = 50, class = "A" }}
"""


def controls(plan: VerificationPlan) -> tuple[str, ...]:
    """Names of the records of the controls, one for each day."""
    return tuple(f"control-{day}" for day in range(1, plan.days + 1))
