"""A result as plain data: the JSON that every other form is drawn from."""

from __future__ import annotations

import json
import math
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from calibration.quantity import Quantity
from endpoint.analysis.inputs import DEFAULT_LAG_S, AnalysisInputs
from endpoint.analysis.result import Result
from endpoint.burette.picture_reader import BuretteInPicture
from endpoint.burette.picture_volume import DROP_ML
from endpoint.chemistry.indicators import Indicator
from endpoint.equivalence.fit import Estimate, indicator_umol_l, magnesium_share
from endpoint.hardness.formula import input_lines
from endpoint.hardness.split import Split
from endpoint.messages import Sentence
from endpoint.problems import FLAG_TEXT, Flag
from endpoint.record.delivery import BuretteReadings
from endpoint.record.titration import TitrationRecord
from endpoint.recording.opening import sha256_of

FORMAT = 1
_LIBRARIES = ("numpy", "scipy", "av", "opencv-python", "pillow", "scikit-image", "matplotlib")


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
    total, amount = result.hardness, result.amount_mmol_l
    hardness: dict[str, Any] | None = None if total is None else total.to_json()
    data: dict[str, Any] = {
        "format": FORMAT,
        "label": result.label,
        "status": result.status,
        "reasons": [_sentence(s) for s in result.reasons],
        "equivalence_ml": _equivalence(result),
        "midpoint_ml": _estimate(result.midpoint),
        "last_red_ml": _estimate(result.last_red),
        "above_ml": result.verdict.above_ml,
        "titrated": result.job.indicator.titrated,
        "indicator": _indicator(result.job.indicator),
        "amount_mmol_l": None if amount is None else _amount(amount),
        "hardness": hardness,
        "budget": [] if total is None else [line.to_json() for line in total.budget],
        "budget_inputs": [] if total is None else input_lines(total),
        "quantities": _quantities(result),
        "not_in_budget": list(result.job.not_in_budget),
        "parts": _parts(result.splits),
        "certificates": [used.to_json() for used in result.job.certificates],
        "diagnosis": [_sentence(s) for s in result.remarks],
        "chemistry": _chemistry(result),
        "frames": frame_counts(result),
        "notes": notes_of(result),
        "inputs": _inputs(result.job),
        "delivery": delivery_seen(result),
        "provenance": provenance,
    }
    return {key: plain(value) for key, value in data.items()}


def _parts(splits: Sequence[Split]) -> dict[str, Any] | None:
    """Parts of all splits under their names, with the warnings of all."""
    if not splits:
        return None
    every = [split.to_json() for split in splits]
    warnings = [text for split in splits for text in split.warnings]
    return {key: part for each in every for key, part in each.items()} | {"warnings": warnings}


def _indicator(indicator: Indicator) -> dict[str, Any]:
    """What sentences about a titration need to know of its indicator."""
    return {
        "name": indicator.name,
        "bound": indicator.bound.colour,
        "free": indicator.free.colour,
        "metals": [metal.name for metal in indicator.metals],
        "ph": indicator.ph,
    }


def _quantities(result: Result) -> dict[str, Any]:
    """Equivalence volume and hardness with every named contribution, for use in other sums."""
    if result.hardness is None or result.equivalence_quantity is None:
        return {}
    return {
        "equivalence_ml": result.equivalence_quantity.to_json(),
        "hardness_mmol_l": result.hardness.mmol_l.to_json(),
    }


def _amount(amount: Quantity) -> dict[str, Any]:
    return {
        "value": amount.value,
        "unit": amount.unit,
        "standard_uncertainty": amount.standard_uncertainty,
        "interval95": list(amount.interval(0.95)),
    }


def plain(value: Any) -> Any:
    """Plain data: numpy's numbers become Python's, and what is not finite becomes None."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode("utf-8")
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value


def notes_of(result: Result) -> list[str]:
    """Notes of the source and the region for people, each once."""
    notes = (*result.source_notes, *(result.region.notes if result.region is not None else ()))
    return list(dict.fromkeys(notes))


def _inputs(job: AnalysisInputs) -> dict[str, Any]:
    """What the record said, so that the result can be worked out again."""
    lag_s, lag_u_s = job.lag_s or DEFAULT_LAG_S
    return {
        "date": None if job.day is None else job.day.isoformat(),
        "analyst": job.analyst,
        "deliveries_ml": [part.to_json() for part in job.deliveries_ml],
        "added_ml": job.added_ml,
        "flask_ml": job.flask_ml,
        "indicator": job.indicator.name,
        "ph": job.indicator.ph,
        "titrant_mol_l": job.titrant_mol_l.to_json(),
        "blank_ml": None if job.blank_ml is None else job.blank_ml.to_json(),
        "delivery": _way_of(job),
        "mixing_lag_s": {
            "value": lag_s,
            "standard_uncertainty": lag_u_s,
            "stated": job.lag_s is not None,
        },
        "clock": None if job.clock is None else asdict(job.clock),
    }


def _way_of(job: AnalysisInputs) -> str:
    if job.seen is not None:
        return job.seen.readings.kind
    return "beside the rows" if job.delivery is None else job.delivery.mode


def delivery_seen(result: Result) -> dict[str, Any] | None:
    """What was read of the burette in the picture; None where the volume came another way.

    `parallax_ml` is what the printed lines alone would have put wrong over the whole volume;
    `drop_ml` and `drops` are None for a meniscus, and all that only a picture has for a log with
    uncertainties.
    """
    seen, plan, box = result.seen_volume, result.job.seen, result.seen_box
    if seen is None:
        return None
    if plan is None:
        plan = BuretteInPicture(BuretteReadings("log", None, None))
    drops, lines = (plan.readings.kind == kind for kind in ("drops", "meniscus"))
    return {
        "read_from": plan.readings.kind,
        "start_ml": plan.readings.start_ml,
        "end_ml": plan.readings.end_ml,
        "division_ml": None if not lines else plan.readings.division_ml,
        "box": None if box is None else [box.left, box.top, box.right, box.bottom],
        "box_given": plan.box is not None,
        "delivered_ml": {
            "value": float(seen.volume_ml[-1]),
            "standard_uncertainty": float(seen.sigma_ml[-1]),
        },
        "frames": None if not lines else int(seen.flags.size),
        "frames_seen": None if not lines else int(np.sum(seen.flags == 0)),
        "parallax_ml": None if not lines else seen.parallax_ml,
        "drops": int(seen.time_s.size) if drops else None,
        "drop_ml": seen.drop_ml,
        "drop_usual_ml": list(DROP_ML) if drops else None,
        "pauses": len(seen.delivery.pauses_s),
        "remarks": [_sentence(s) for s in seen.remarks],
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


_GRAVEST_FIRST = (
    Flag.DAMAGED,
    Flag.OTHER_LIGHT,
    Flag.REPEATED,
    Flag.DARK,
    Flag.CAMERA_MOVED,
    Flag.LIQUID_LOST,
    Flag.REFERENCE_LOST,
    Flag.CLIPPED,
    Flag.SATURATED,
    Flag.OFF_COLOUR,
    Flag.OUTLIER,
    Flag.MIXING,
)


def frame_counts(result: Result) -> dict[str, Any]:
    """Frames (or rows) read, used, and set aside with the reason in words.

    Every frame that is set aside counts once, under its gravest reason, so the numbers add up.
    Points are groups of frames; those left out of the fit are counted separately.
    """
    curve = result.curve
    kind = "rows" if result.region is None and result.film_frames is None else "frames"
    if curve is None:
        return {
            "kind": kind,
            "in_recording": result.film_frames,
            "read": 0,
            "used": 0,
            "set_aside": [],
            "points": 0,
            "points_left_out": 0,
        }
    left = np.array(curve.frame_flags, dtype=np.int64)
    used = int(np.sum(left == 0))
    aside = []
    for flag in _GRAVEST_FIRST:
        hit = (left & int(flag)) != 0
        if hit.any():
            aside.append({"reason": FLAG_TEXT[flag][0], "count": int(hit.sum())})
            left[hit] = 0
    aside.sort(key=lambda part: -int(str(part["count"])))
    outliers = 0 if result.fit is None else int(np.sum(result.fit.outlier))
    return {
        "kind": kind,
        "in_recording": result.film_frames,
        "read": int(left.size),
        "used": used,
        "set_aside": aside,
        "points": len(curve),
        "points_left_out": outliers,
    }


def provenance_of(
    record: TitrationRecord, result: Result, analysed: str | None = None
) -> dict[str, Any]:
    """Programs, medium and settings behind a result.

    Parameters
    ----------
    record:
        The titration record; its medium is read once more for the checksum.
    result:
        Result of its analysis.
    analysed:
        Date and time of the analysis (ISO 8601); None leaves it out.
    """
    log = record.log or record.per_still
    settings = {k: v for k, v in record.settings.__dict__.items() if v is not None}
    return {
        **programs(),
        **({} if analysed is None else {"analysed": analysed}),
        "record": record.name,
        "record_sha256": record.sha256,
        "medium": record.medium.name,
        "medium_kind": record.kind,
        "medium_sha256": sha256_of(record.medium),
        "volumes": None if log is None else log.name,
        "volumes_sha256": None if log is None else sha256_of(log),
        "source": dict(result.source_details),
        "notes": list(result.source_notes),
        "settings": {k: list(v) if isinstance(v, tuple) else v for k, v in settings.items()},
        "edta_constants": edta_constants(result.job.indicator),
    }


def edta_constants(indicator: Indicator) -> str:
    """Published EDTA constants from which the fit started, in one line for the provenance."""
    values = ", ".join(f"{metal.edta_complex} {metal.log_k_edta:g}" for metal in indicator.metals)
    flask = ""
    if indicator.conditions is not None:
        ph, warmth, ammonia, sodium = (
            f"{value:g}"
            for value, _ in (
                indicator.conditions.ph,
                indicator.conditions.temperature_c,
                indicator.conditions.ammonia_mol_l,
                indicator.conditions.sodium_mol_l,
            )
        )
        flask = f"moved to pH {ph}, {warmth} °C, {ammonia} mol/L ammonia, {sodium} mol/L sodium; "
    return f"log K {values}; pKa set {indicator.edta_set}; {flask}fitted shift stated"


def programs() -> dict[str, Any]:
    """Versions of this program, of Python and of the libraries that a result depends on."""
    return {
        "program": program(),
        "python": platform.python_version(),
        "libraries": {name: _version(name) for name in _LIBRARIES},
    }


def program() -> str:
    """Name and version of this program."""
    return f"endpoint {_version('endpoint-titration')}"


@cache
def _version(name: str) -> str:
    """Version of an installed distribution; looking it up takes longer than all of a document."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"
