"""A plan as plain data: what JSON, the text and the record are made from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from endpoint.hardness.budget import budget
from endpoint.hardness.units import M_CACO3
from endpoint.planner.advice import (
    CAUTIONS,
    Remark,
    improvements,
    lasting_by_source,
    mg_edta_words,
    remarks,
)
from endpoint.planner.designs import Judged, Plan
from endpoint.planner.forecast import JUDGEMENT_ML, SHARP_ML
from endpoint.planner.indicator_error import EYE_LEVELS, MG_EDTA_MMOL_L, IndicatorError
from endpoint.planner.pouring import Pouring
from endpoint.planner.question import UNITS, Question


def plan_document(plan: Plan) -> dict[str, Any]:
    """Plan as plain data for JSON; None where a number does not exist."""
    question = plan.question
    proposal, *others = (_design(plan, judged) for judged in plan.judged)
    return {
        "format": 1,
        "what": "titration plan",
        "question": _question(question),
        "proposal": proposal,
        "alternatives": others,
        "designs_left_out": plan.rejected,
        "mg_edta": {
            "in_buffer": plan.mg_edta,
            "concentration_mmol_l": MG_EDTA_MMOL_L if plan.mg_edta else 0.0,
            "text": mg_edta_words(plan),
        },
        "indicator_error": [
            {
                "magnesium_share": without.magnesium,
                "without_mg_edta": _error(without),
                "with_mg_edta": _error(with_it),
            }
            for without, with_it in plan.errors
        ],
        "remarks": _remarks(remarks(plan)),
        "assumptions": assumptions(question),
        "cautions": list(CAUTIONS),
    }


def _remarks(found: Sequence[Remark]) -> list[dict[str, str]]:
    return [{"code": r.code, "text": r.text, "advice": r.advice} for r in found]


def _question(question: Question) -> dict[str, Any]:
    label, factor = UNITS[question.unit]
    wanted = question.wanted
    burette = question.burette.tolerance
    return {
        "hardness": [question.low_mmol_l * factor, question.high_mmol_l * factor],
        "unit": label,
        "per_mmol_l": factor,
        "hardness_mmol_l": [question.low_mmol_l, question.high_mmol_l],
        "wanted_relative": wanted.relative,
        "wanted": None if wanted.mmol_l is None else wanted.mmol_l * factor,
        "burette": {
            "nominal_ml": burette.nominal_ml,
            "class": burette.ware_class,
            "division_ml": burette.division_ml,
            "limit_ml": burette.limit_ml,
        },
        "pipettes": [
            {
                "nominal_ml": ware.tolerance.nominal_ml,
                "class": ware.tolerance.ware_class,
                "limit_ml": ware.tolerance.limit_ml,
            }
            for ware in question.pipettes
        ],
        "titrants_mol_l": list(question.titrants_mol_l),
        "titrant_relative_standard_uncertainty": question.titrant_relative_u,
        "magnesium_share": None if question.magnesium is None else list(question.magnesium),
        "indicator_umol_l": question.indicator_umol_l,
        "ph": question.ph,
        "readings": list(question.readings),
        "mixing_lag_s": question.mixing_lag_s,
    }


def _design(plan: Plan, judged: Judged) -> dict[str, Any]:
    design = judged.design
    return {
        "pipette_ml": design.pipette.tolerance.nominal_ml,
        "pipette_class": design.pipette.tolerance.ware_class,
        "fillings": design.fillings,
        "sample_ml": design.sample_ml,
        "water_ml": design.water_ml,
        "added_ml": design.added_ml,
        "titrant_mol_l": design.titrant_mol_l,
        "titre_ml": list(design.titre_ml),
        "aliquot_caco3_mg": design.aliquot_mg,
        "rules_not_kept": list(design.broken),
        "readings": {reading: _reading(plan, judged, reading) for reading in judged.outlooks},
    }


def _reading(plan: Plan, judged: Judged, reading: str) -> dict[str, Any]:
    question, view = plan.question, judged.outlooks[reading]
    _, factor = UNITS[question.unit]
    forecast, planned = view.forecast, view.planned
    own = forecast.expanded_from_own_scatter(planned)
    mean = forecast.mean_of(planned)
    percent = 100.0 / view.hardness_mmol_l
    k = forecast.coverage_factor
    return {
        "replicates_needed": view.replicates,
        "replicates": planned,
        "hardness_mmol_l": view.hardness_mmol_l,
        "wanted_percent": view.wanted_mmol_l * percent,
        "coverage_factor": k,
        "expanded_uncertainty": forecast.expanded(planned) * factor,
        "expanded_uncertainty_percent": forecast.expanded(planned) * percent,
        "expanded_uncertainty_of_one_percent": forecast.expanded(1) * percent,
        "never_below_percent": k * forecast.lasting_u * percent,
        "with_scatter_from_these_percent": None if own is None else own * percent,
        "titre_correction_ml": -forecast.correction_ml if reading == "eye" else 0.0,
        "lasting": [
            {"source": name, "expanded_uncertainty_percent": value * percent}
            for name, value in lasting_by_source(view)
        ],
        "improvements": _remarks(improvements(question, judged, reading, plan.mg_edta)),
        "pouring": _pouring(judged.pouring[reading]),
        "minutes": judged.minutes(reading),
        "budget": [line.to_json() for line in budget(mean, M_CACO3, "mg/L CaCO3")],
    }


def _pouring(pouring: Pouring) -> dict[str, Any]:
    return {
        "last_red_ml": pouring.last_red_ml,
        "duration_s": pouring.duration_s,
        "stretches": [
            {
                "kind": stretch.kind,
                "until_ml": stretch.until_ml,
                "until_from_last_red_ml": stretch.until_ml - pouring.last_red_ml,
                "addition_ml": stretch.addition_ml or None,
                "additions": stretch.count,
                "pause_s": stretch.pause_s if stretch.addition_ml else None,
            }
            for stretch in pouring.stretches
        ],
    }


def _error(error: IndicatorError) -> dict[str, float | None]:
    def number(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "midpoint_ml": number(error.midpoint_ml),
        "midpoint_percent": number(error.percent(error.midpoint_ml)),
        "last_red_ml": number(error.last_red_ml),
        "last_red_percent": number(error.percent(error.last_red_ml)),
    }


def assumptions(question: Question) -> list[str]:
    """What the prediction rests on, in sentences."""
    low, high = EYE_LEVELS
    if question.titre_scatter_ml is not None:
        scatter = f"One titre scatters by {question.titre_scatter_ml:g} mL (given)."
        each = [scatter]
    else:
        each = []
        if "eye" in question.readings:
            each.append(
                f"An end read by eye scatters by {JUDGEMENT_ML:g} mL, more in proportion where the "
                f"change from half free to the last red is longer than {SHARP_ML:g} mL, and by "
                f"half a drop of {question.drop_ml:g} mL (common practice, no source); different "
                "careful eyes "
                f"call {100 * low:.0f} to {100 * high:.0f} % free indicator blue (assumed)."
            )
        if "recording" in question.readings:
            each.append(
                f"In a recording one point scatters by {100 * question.colour_scatter:.2g} % of "
                "the colour change (assumed). The uncertainty of the end is that of a fit "
                "to the planned additions (Cramer-Rao bound)."
            )
    if question.magnesium is None:
        each.append(
            f"The share of magnesium is unknown: {100 * question.shares[0]:g} to "
            f"{100 * question.shares[-1]:g} % are taken as equally likely."
        )
    return [
        *each,
        "Ware: limits of error of the class as half widths of a triangle (QUAM 2012); "
        "temperature within 3 °C of 20 °C.",
        "The scatter is taken as known from earlier titrations (k = 1.96).",
        "Not included in the prediction: blank, sampling, interfering metals.",
    ]
