"""Hardness from titres read by eye, in words and as plain data."""

from __future__ import annotations

from typing import Any

from endpoint.analysis.by_eye import EyeResult
from endpoint.hardness.formula import input_lines
from endpoint.hardness.solid import Content
from endpoint.hardness.split import number_json
from endpoint.hardness.units import M_CACO3, M_CALCIUM, MG_L_CACO3
from endpoint.result import wording
from endpoint.result.document import plain
from endpoint.result.terminal import bullets, encodable, fill, joined
from endpoint.result.text import budget_lines, certificate_lines
from endpoint.rounding import format_quantity, rounded


def eye_document(result: EyeResult) -> dict[str, Any]:
    """Plain data of a hardness from titres read by eye; no NaN, no infinity.

    Parameters
    ----------
    result:
        From `endpoint.analysis.by_eye.work_out`.
    """
    record, titres, net = result.record, result.titres, result.net_titre_ml
    data = {
        "format": 1,
        "label": record.label,
        "read": "eye",
        "analyst": record.analyst,
        "indicator": record.indicator,
        "date": None if record.day is None else record.day.isoformat(),
        "titres_ml": list(record.titres_ml),
        "mean_titre_ml": {
            "value": titres.mean_ml.value,
            "standard_uncertainty": titres.mean_ml.standard_uncertainty,
        },
        "standard_deviation_ml": titres.standard_deviation_ml,
        "net_titre_ml": {"value": net.value, "standard_uncertainty": net.standard_uncertainty},
        "blank_ml": None
        if result.blank_ml is None
        else {
            "value": result.blank_ml.value,
            "standard_uncertainty": result.blank_ml.standard_uncertainty,
            "read_by_same_eye": result.blank_by_eye,
        },
        "content": None if result.content is None else _content(result.content),
        "hardness": result.hardness.to_json(),
        "budget": [line.to_json() for line in result.hardness.budget],
        "budget_inputs": input_lines(result.hardness),
        "quantities": {
            "net_titre_ml": net.to_json(),
            "hardness_mmol_l": result.hardness.mmol_l.to_json(),
        },
        "parts": [split.to_json() for split in result.splits],
        "not_in_budget": list(result.missing),
        "certificates": [used.to_json() for used in result.certificates],
        "remarks": list(result.remarks),
    }
    return {key: plain(value) for key, value in data.items()}


def eye_text(result: EyeResult, *, width: int = 80, encoding: str | None = "utf-8") -> str:
    """Text for a terminal: the answer first, then titres, parts, budget, remarks.

    Parameters
    ----------
    result:
        From `endpoint.analysis.by_eye.work_out`.
    width:
        Columns.
    encoding:
        Encoding of the terminal; signs that it lacks are written in ASCII.
    """
    total = result.hardness.to_json()
    budget = [line.to_json() for line in result.hardness.budget]
    parts = [t for split in result.splits for t in wording.parts_texts(split.to_json())]
    remarks = [*result.remarks, *result.hardness.warnings]
    certificates = [used.to_json() for used in result.certificates]
    blocks = [
        [fill(f"{result.record.label}: {wording.hardness_text(total)}", width)],
        [fill(wording.other_units_text(total), width, "  ")],
        [fill(_titre_words(result), width)],
        [] if result.content is None else [fill(_content_words(result.content), width)],
        [fill(text, width) for text in parts],
        bullets(remarks, width),
        budget_lines(total, budget, result.missing, width),
        certificate_lines(certificates, width),
        [fill(wording.CAUTION, width)],
    ]
    return encodable(joined(blocks), encoding)


_CONTENT = (
    ("mg/g as CaCO3", M_CACO3),
    ("mg/g as calcium", M_CALCIUM),
)
"""Units in which the content of a solid is stated, for 1 mmol/g."""


def _content(content: Content) -> dict[str, Any]:
    return {
        unit: number_json(content.evaluation, factor, unit)
        for unit, factor in (("mmol/g", 1.0), *_CONTENT)
    }


def _content_words(content: Content) -> str:
    found, half = content.evaluation.quantity, content.evaluation.expanded_uncertainty
    texts = [
        format_quantity(factor * found.value, factor * half, unit)
        for unit, factor in (("mmol/g", 1.0), *_CONTENT)
    ]
    return f"The solid holds {' = '.join(texts)} (95 %), all stated as calcium."


def _titre_words(result: EyeResult) -> str:
    count, s = len(result.record.titres_ml), result.titres.standard_deviation_ml
    net = result.net_titre_ml
    shown = format_quantity(net.value, net.expanded_uncertainty(0.95), "mL")
    read = "1 titre" if count == 1 else f"{count} titres"
    spread = "" if s is None else f", standard deviation {rounded(s, 3)} mL"
    kind = "back titre" if result.record.back_titration is not None else "titre"
    less = "ware and temperature" if result.blank_by_eye else "ware, temperature and endpoint error"
    return (
        f"{read} read by eye{spread}. Mean {kind}, corrected for {less}: {shown} (95 %). "
        f"{_blank_words(result)}The budget is in {MG_L_CACO3.label}."
    )


def _blank_words(result: EyeResult) -> str:
    if result.blank_ml is None:
        return ""
    blank = result.blank_ml
    shown = format_quantity(blank.value, blank.expanded_uncertainty(0.95), "mL")
    eye = (
        " It was read by the same eye, so the error of the end cancels."
        if result.blank_by_eye
        else ""
    )
    return f"Blank subtracted: {shown} (95 %).{eye} "
