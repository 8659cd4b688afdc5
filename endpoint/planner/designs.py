"""All designs that the ware allows, judged by rules of practice and predicted uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibration.quantity import Quantity
from calibration.ware.glassware import Ware
from endpoint.chemistry.equilibrium import Flask
from endpoint.hardness.units import M_CACO3
from endpoint.planner.forecast import Forecast, Setup, by_eye, by_recording
from endpoint.planner.indicator_error import IndicatorError, in_flask, indicator_error
from endpoint.planner.pouring import BEYOND_ML, Pouring, pouring_for
from endpoint.planner.question import PlannerProblem, Question

TITRE_FROM_ML, TITRE_TO_ML = 5.0, 20.0
"""Wanted titre (common practice, no source)."""
BURETTE_SHARE = 0.30
"""Least part of the burette's nominal volume (USP 29, general chapter <31>)."""
ALIQUOT_MG = 25.0
"""Most CaCO3 in the sample (AOAC 973.52)."""
BUFFER_ML = 2.0
"""Ammonia buffer; 1 to 2 mL for 50 to 100 mL of sample (common practice, no source)."""
FILL_UP_TO_ML = 50.0
"""A smaller sample is filled up with distilled water, so that it can be seen and stirred."""
FLASK_PART = 0.6
"""Part of a conical flask that liquid may fill (common practice, no source)."""
MOST_FILLINGS = 4
MOST_SAMPLE_ML = 200.0
"""Fillings of one pipette, and mL of sample in one flask, at most (common practice, no source)."""
LEAST_REPLICATES = 2
"""So that a blunder shows (common practice, no source)."""
SHOWN = 4
_JUDGED = 8
"""Designs that are shown, and those that are forecast in full, which takes the time."""
_MINUTES = 3.0
_MINUTES_FILLING = 0.5
"""Time of a titration besides the titrant itself (buffer, indicator, rinsing), and of each filling
of the pipette, min. Assumed."""
_WEIGHTS = {"titre-small": 1.0, "titre-large": 0.5, "burette-share": 0.5, "aliquot": 1.0}
"""Cost of missing a bound by its own size: a titre too small costs certainty, a large one only a
refill. Our choice."""


@dataclass(frozen=True)
class Design:
    """One choice of sample volume and titrant."""

    pipette: Ware
    fillings: int
    titrant_mol_l: float
    titre_ml: tuple[float, float]
    """Equivalence volumes at the lowest and the highest expected hardness."""
    aliquot_mg: float
    """CaCO3 in the sample at the highest expected hardness."""
    water_ml: float
    """Distilled water added, so that the flask holds `FILL_UP_TO_ML`."""
    broken: tuple[str, ...]
    """Rules of practice that it does not keep."""
    penalty: float
    """Weight of the broken rules, each times how far it is missed."""

    @property
    def sample_ml(self) -> float:
        """Sample, mL."""
        return self.pipette.tolerance.nominal_ml * self.fillings

    @property
    def added_ml(self) -> float:
        """Water and buffer in the flask as well as the sample, mL."""
        return self.water_ml + BUFFER_ML

    def flask(self, question: Question, hardness_mmol_l: float, share: float, mg: bool) -> Flask:
        """Contents of the flask for one water.

        Parameters
        ----------
        question:
            The plan that was asked for.
        hardness_mmol_l:
            Calcium and magnesium in the sample.
        share:
            Part of magnesium in them, 0 to 1.
        mg:
            Whether the buffer holds Mg-EDTA.
        """
        return in_flask(
            hardness_mmol_l,
            share,
            self.sample_ml,
            self.sample_ml + self.added_ml,
            self.titrant_mol_l,
            question.indicator_umol_l,
            mg_edta=mg,
            ph=question.ph,
        )


@dataclass(frozen=True)
class Outlook:
    """What one way of reading would give for a design, at its least favourable hardness."""

    forecast: Forecast
    wanted_mmol_l: float
    replicates: int | None
    """Smallest number that reaches the wanted uncertainty; None if no number does."""

    @property
    def planned(self) -> int:
        """Titrations to do: never fewer than two; three where no number is enough."""
        return 3 if self.replicates is None else max(self.replicates, LEAST_REPLICATES)

    @property
    def hardness_mmol_l(self) -> float:
        """Hardness that it is worked out for."""
        return self.forecast.one.value

    def relative(self, replicates: int) -> float:
        """95 % half width of the mean as a part of the hardness."""
        return self.forecast.expanded(replicates) / self.hardness_mmol_l


@dataclass(frozen=True)
class Judged:
    """A design with its outlooks by way of reading."""

    design: Design
    outlooks: dict[str, Outlook]
    pouring: dict[str, Pouring]
    """For the middle of the expected hardness."""

    def minutes(self, reading: str) -> float:
        """Time for one titration: a rough guess for comparing designs."""
        return (
            _MINUTES
            + _MINUTES_FILLING * self.design.fillings
            + self.pouring[reading].duration_s / 60.0
        )


@dataclass(frozen=True)
class Plan:
    """The best design, up to three others, and what the chemistry predicts for it."""

    question: Question
    judged: tuple[Judged, ...]
    """Best first."""
    mg_edta: bool
    errors: tuple[tuple[IndicatorError, IndicatorError], ...]
    """Without and with magnesium EDTA, for the best design in the middle of the hardness."""
    rejected: int
    """Designs that would need a refill, a larger flask or no full pipette."""

    @property
    def best(self) -> Judged:
        """The proposal."""
        return self.judged[0]


def candidates(question: Question) -> tuple[list[Design], int]:
    """Designs that need no refill and fit into the flask, and the number of the others."""
    found, rejected = [], 0
    for pipette in question.pipettes:
        for fillings in range(1, MOST_FILLINGS + 1):
            for titrant in sorted(set(question.titrants_mol_l)):
                design = _design(question, pipette, fillings, titrant)
                if design is None:
                    rejected += 1
                else:
                    found.append(design)
    return found, rejected


def _design(question: Question, pipette: Ware, fillings: int, titrant: float) -> Design | None:
    sample = pipette.tolerance.nominal_ml * fillings
    low, high = (1e-3 * h * sample for h in (question.low_mmol_l, question.high_mmol_l))
    titre = (low / titrant, high / titrant)
    nominal = question.burette.tolerance.nominal_ml
    water = max(0.0, FILL_UP_TO_ML - sample)
    whole = sample + water + BUFFER_ML + titre[1]
    too_much = titre[1] * 1.02 + 2.0 * BEYOND_ML > nominal
    if too_much or sample > MOST_SAMPLE_ML or whole > FLASK_PART * question.flask_ml:
        return None
    aliquot = high * M_CACO3
    # How far each rule is missed: above 1 it is broken.
    misses = {
        "titre-small": TITRE_FROM_ML / titre[0],
        "titre-large": titre[1] / TITRE_TO_ML,
        "burette-share": BURETTE_SHARE * nominal / titre[0],
        "aliquot": aliquot / ALIQUOT_MG,
    }
    broken = tuple(code for code, miss in misses.items() if miss > 1.0)
    penalty = sum(_WEIGHTS[code] * misses[code] for code in broken)
    return Design(pipette, fillings, titrant, titre, aliquot, water, broken, penalty)


def setup_for(question: Question, design: Design) -> Setup:
    """Ware, titrant and scatter for the forecasts of a design."""
    titrant = Quantity.measured(
        design.titrant_mol_l,
        "mol/L",
        question.titrant_relative_u * design.titrant_mol_l,
        "titrant: concentration",
    )
    return Setup(
        burette=question.burette,
        pipette=design.pipette,
        fillings=design.fillings,
        titrant_mol_l=titrant,
        drop_ml=question.drop_ml,
        mixing_lag_s=question.mixing_lag_s,
        colour_scatter=question.colour_scatter,
        titre_scatter_ml=question.titre_scatter_ml,
    )


def outlook(question: Question, design: Design, reading: str, mg_edta: bool) -> Outlook | None:
    """Forecast at the least favourable end of the expected hardness; None if never wine red."""
    setup = setup_for(question, design)
    found = []
    for hardness in sorted({question.low_mmol_l, question.high_mmol_l}):
        flasks = tuple(design.flask(question, hardness, s, mg_edta) for s in question.shares)
        forecast = (by_eye if reading == "eye" else by_recording)(setup, flasks)
        if forecast is None:
            return None
        wanted = question.wanted.at(hardness)
        found.append(Outlook(forecast, wanted, forecast.replicates_for(wanted)))

    def hardship(one: Outlook) -> tuple[float, float]:
        count = math.inf if one.replicates is None else float(one.replicates)
        return count, one.forecast.expanded(one.planned) / one.wanted_mmol_l

    return max(found, key=hardship)


def _judge(question: Question, design: Design, mg_edta: bool) -> Judged | None:
    outlooks, pouring = {}, {}
    middle = min(question.shares, key=lambda s: abs(s - 0.2))
    flask = design.flask(question, question.middle_mmol_l, middle, mg_edta)
    for reading in question.readings:
        view = outlook(question, design, reading, mg_edta)
        how = pouring_for(
            flask,
            recorded=reading == "recording",
            mixing_lag_s=question.mixing_lag_s,
            drop_ml=question.drop_ml,
        )
        if view is None or how is None:
            return None
        outlooks[reading], pouring[reading] = view, how
    return Judged(design, outlooks, pouring)


def _order(judged: Judged, primary: str) -> tuple[float, bool, float, float]:
    """Practice first; then what reaches the wish in the least time; then the uncertainty."""
    view = judged.outlooks[primary]
    reached = view.replicates is not None
    expanded = view.forecast.expanded(view.planned) / view.wanted_mmol_l
    effort = round(view.planned * judged.minutes(primary)) if reached else 0.0
    return judged.design.penalty, not reached, effort, expanded


def error_table(
    question: Question, design: Design
) -> tuple[tuple[IndicatorError, IndicatorError], ...]:
    """Indicator errors without and with magnesium EDTA for every share that may be."""
    hardness = question.middle_mmol_l
    return tuple(
        (
            indicator_error(design.flask(question, hardness, share, False)),
            indicator_error(design.flask(question, hardness, share, True)),
        )
        for share in question.shares
    )


def wants_mg_edta(errors: tuple[tuple[IndicatorError, IndicatorError], ...]) -> bool:
    """Whether magnesium EDTA at least halves the early fade of one of the possible waters."""
    return any(
        not math.isfinite(without.midpoint_ml)
        or abs(without.midpoint_ml) > 2.0 * abs(with_it.midpoint_ml)
        for without, with_it in errors
    )


def make_plan(question: Question) -> Plan:
    """Compare all designs and choose.

    Raises
    ------
    PlannerProblem
        No design is possible with this ware.
    """
    possible, rejected = candidates(question)
    if not possible:
        raise PlannerProblem(
            "With this ware every sample would need a refill of the burette or a larger flask.",
            "Give a smaller pipette, a stronger titrant (--titrant) or a larger burette.",
        )
    # Cheap rules first: only the promising designs are worked out.
    possible.sort(key=lambda d: (d.penalty, d.fillings, -d.titre_ml[0]))
    chosen = possible[:_JUDGED]
    errors = error_table(question, chosen[0])
    mg_edta = wants_mg_edta(errors) if question.mg_edta is None else question.mg_edta
    judged = [j for d in chosen if (j := _judge(question, d, mg_edta)) is not None]
    if not judged:
        raise PlannerProblem(
            f"At pH {question.ph:g} the indicator is partly blue before the first drop.",
            "Plan with a buffer of pH 10.",
        )
    primary = question.readings[-1]
    judged.sort(key=lambda j: _order(j, primary))
    best = judged[0].design
    return Plan(question, tuple(judged[:SHOWN]), mg_edta, error_table(question, best), rejected)
