"""A result as plain data: the JSON that every other form is drawn from."""

from __future__ import annotations

import json
import platform
from collections import Counter
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from endpoint.pipeline import Result
from endpoint.problems import FLAG_TEXT, Flag
from endpoint.record import TitrationRecord
from endpoint.sentences import Sentence
from endpoint.sources.opening import sha256_of
from endpoint.transition import Estimate, indicator_umol_l, magnesium_share

FORMAT = 1


def document(result: Result, provenance: dict[str, Any]) -> dict[str, Any]:
    """Turn a result into the dictionary that is written as JSON.

    Parameters
    ----------
    result:
        Result of an analysis.
    provenance:
        Where it comes from, see `provenance_of`.

    Returns
    -------
    Plain data without NaN or infinity. With status "bracketed" the equivalence volume has no
    value and its interval is the bracket; with "none" all volumes and the hardness are None.
    """
    total = result.hardness
    hardness: dict[str, Any] | None = None if total is None else total.to_json()
    return {
        "format": FORMAT,
        "label": result.label,
        "status": result.status,
        "reasons": [_sentence(s) for s in result.reasons],
        "equivalence_ml": _equivalence(result),
        "midpoint_ml": _estimate(result.midpoint),
        "last_red_ml": _estimate(result.last_red),
        "above_ml": result.verdict.above_ml,
        "hardness": hardness,
        "budget": [] if total is None else [line.to_json() for line in total.budget],
        "not_in_budget": list(result.job.not_in_budget),
        "diagnosis": [_sentence(s) for s in result.remarks],
        "chemistry": _chemistry(result),
        "frames": frame_counts(result),
        "provenance": provenance,
    }


def to_json(data: dict[str, Any]) -> str:
    """JSON text; refuses NaN."""
    return json.dumps(data, indent=2, allow_nan=False, ensure_ascii=False)


def _sentence(sentence: Sentence) -> dict[str, str]:
    return {"code": sentence.code, "text": sentence.text, "advice": sentence.advice}


def _estimate(estimate: Estimate | None) -> dict[str, Any] | None:
    if estimate is None:
        return None
    return {
        "value": estimate.value_ml,
        "standard_uncertainty": estimate.standard_uncertainty_ml,
        "interval95": [estimate.low_ml, estimate.high_ml],
    }


def _equivalence(result: Result) -> dict[str, Any] | None:
    if result.status == "bracketed" and result.verdict.bracket_ml is not None:
        low, high = result.verdict.bracket_ml
        return {"value": None, "standard_uncertainty": None, "interval95": [low, high]}
    return _estimate(result.equivalence)


def _chemistry(result: Result) -> dict[str, Any] | None:
    """What the fit found besides the volume; None where no fit is believed."""
    fit = result.fit
    if fit is None or result.status == "none" or result.curve is None:
        return None
    share, share_low, share_high = magnesium_share(fit)
    indicator, factor = indicator_umol_l(fit, result.curve.flask_ml)
    return {
        "magnesium_share": {"value": share, "interval68": [share_low, share_high]},
        "indicator_umol_l": {"value": indicator, "factor68": factor},
        "uncertainty_parts_ml": dict(fit.contributions_ml),
        "residual_rms": fit.residual_rms,
        "degrees_of_freedom": fit.degrees_of_freedom,
        "parameters": {
            name: {"value": value, "standard_uncertainty": sd}
            for name, (value, sd) in fit.parameters.items()
        },
    }


def frame_counts(result: Result) -> dict[str, Any]:
    """Frames (or rows) read, used, and set aside with the reason in words."""
    curve = result.curve
    if curve is None:
        return {"read": 0, "used": 0, "set_aside": []}
    counts: Counter[Flag] = Counter()
    for value in curve.frame_flags:
        for flag in Flag(int(value)):
            counts[flag] += 1
    aside = [{"reason": FLAG_TEXT[flag][0], "count": count} for flag, count in counts.most_common()]
    return {
        "read": int(curve.frame_flags.size),
        "used": int((curve.frame_flags == 0).sum()),
        "set_aside": aside,
    }


def provenance_of(record: TitrationRecord, result: Result) -> dict[str, Any]:
    """Programs, medium and settings behind a result.

    Parameters
    ----------
    record:
        The titration record; its medium is read once more for the checksum.
    result:
        Result of its analysis.
    """
    settings = {k: v for k, v in record.settings.__dict__.items() if v is not None}
    return {
        "program": f"endpoint {_version('endpoint-titration')}",
        "python": platform.python_version(),
        "libraries": {name: _version(name) for name in ("numpy", "scipy", "av", "pillow")},
        "record": record.name,
        "medium": record.medium.name,
        "medium_sha256": sha256_of(record.medium),
        "source": dict(result.source_details),
        "notes": list(result.source_notes),
        "settings": {k: list(v) if isinstance(v, tuple) else v for k, v in settings.items()},
        "edta_constants": "log K CaY 10.65, MgY 8.79; pKa set fifield-kealey; fitted shift stated",
    }


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"
