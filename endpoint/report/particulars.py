"""Particulars of a kept result for a report: sample, method, deviations, where it comes from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from endpoint.result.wording import OF_EBT
from endpoint.rounding import FIXED_SPACE, format_quantity, outward, rounded, with_uncertainty

Fact = dict[str, str]
Plain = Mapping[str, Any]

_WAYS = {
    "steps": "volume log, additions in steps",
    "continuous": "volume log, continuous delivery",
    "per-still": "a volume for each still",
    "beside the rows": "a volume in each row",
    "meniscus": "meniscus of the burette, read from the picture",
    "drops": "drops counted in the picture, between two burette readings",
}
_WATCHED = {
    "video": "pictures of a film",
    "stills": "still pictures",
    "colours": "pictures of a camera, measured live at the bench",
    "photometer": "absorbances of a photometer",
}
"""Kind of the recording, where the result says it -> where its colours come from."""
_PUMPED = ("continuous",)
_SHIFTS = {
    "shift_log_k_edta": "Shift of log K, metal with EDTA",
    "shift_log_k_indicator": "Shift of log K, metal with indicator",
}
"""Fitted parameter -> what it is: departure of a conditional constant from the published one."""
_BY_HAND = {
    "liquid_box": "The place of the liquid was set by hand.",
    "reference_box": "The place of the reference was set by hand.",
    "burette_box": "The place of the burette was set by hand.",
    "tip_box": "The place of the falling drops was set by hand.",
    "colour_matrix": "The colour matrix of the film was set by hand: {}.",
    "colour_range": "The range of the film's samples was set by hand: {}.",
    "tone_curve": "The tone curve of the pictures was set by hand: {}.",
}


def sample(data: Plain) -> list[Fact]:
    """The sample and what was added to it."""
    inputs = data["inputs"]
    facts = []
    if inputs.get("date"):
        facts.append(_fact("Titrated on", inputs["date"]))
    if inputs.get("analyst"):
        facts.append(_fact("Titrated by", inputs["analyst"]))
    parts = inputs["deliveries_ml"]
    volumes = [_quantity(part) for part in parts]
    same = len(volumes) > 1 and len(set(volumes)) == 1
    shown = f"{len(volumes)} \u00d7 {volumes[0]}" if same else " + ".join(volumes)
    facts.append(_fact("Sample volume", shown))
    if inputs.get("added_ml") is not None:
        facts.append(_fact("Buffer and water added", f"{inputs['added_ml']:g}{FIXED_SPACE}mL"))
    blank = inputs["blank_ml"]
    facts.append(_fact("Blank", "none subtracted" if blank is None else _quantity(blank)))
    return facts


def method(data: Plain, pictures: bool) -> list[Fact]:
    """How the titration was done and recorded.

    Parameters
    ----------
    data:
        Document of a result.
    pictures:
        Whether colours came from pictures; else from absorbances.
    """
    inputs = data["inputs"]
    indicator = data.get("indicator", OF_EBT)
    ph = inputs.get("ph", indicator["ph"])
    way = inputs.get("delivery", "")
    facts = [
        _fact("Method", f"titration with EDTA, {data.get('titrated') or 'calcium and magnesium'}"),
        _fact("Titrant", _quantity(inputs["titrant_mol_l"])),
        _fact(
            "Indicator",
            f"{inputs.get('indicator', 'Eriochrome Black T')}, {indicator['bound']} to "
            f"{indicator['free']}",
        ),
        _fact("pH", f"{ph:g}"),
        _fact("Volumes from", _WAYS.get(way, way)),
    ]
    if data["frames"]["read"]:
        kind = data["provenance"].get("medium_kind")
        usual = "pictures (film, stills or camera)" if pictures else "absorbances of a photometer"
        watched = _WATCHED.get(str(kind), usual)
        facts.append(_fact("Colour from", watched))
    lag = inputs.get("mixing_lag_s")
    if lag is not None and way in _PUMPED:
        time = _with_u(lag["value"], lag["standard_uncertainty"], "s")
        facts.append(_fact("Mixing lag", f"{time}, {'stated' if lag['stated'] else 'assumed'}"))
    facts.append(
        _fact("Evaluation", "fit of the mass balances of metal, EDTA and indicator to the colour")
    )
    return facts


def deviations(data: Plain) -> list[str]:
    """What differs from a titration in which everything is stated and certified."""
    inputs = data["inputs"]
    texts = [text for c in data.get("certificates", []) for text in c["reservations"]]
    missing = data.get("not_in_budget", [])
    texts += [f"Not stated, so not included in the uncertainty: {text}." for text in missing]
    lag = inputs.get("mixing_lag_s")
    if lag is not None and not lag["stated"] and inputs.get("delivery") in _PUMPED:
        time = _with_u(lag["value"], lag["standard_uncertainty"], "s")
        texts.append(f"The mixing lag was not stated; {time} was assumed.")
    if inputs["blank_ml"] is None:
        texts.append("No blank was subtracted.")
    left_out = data["frames"]["points_left_out"]
    if left_out:
        were = "point was" if left_out == 1 else "points were"
        texts.append(f"{left_out} {were} left out of the fit.")
    for name, value in (data["provenance"].get("settings") or {}).items():
        if name in _BY_HAND and value is not None:
            texts.append(_BY_HAND[name].format(str(value)[:40]))
    return texts


def found_by_fit(data: Plain) -> list[Fact]:
    """What the fit found besides the volume."""
    chemistry = data.get("chemistry")
    if chemistry is None:
        return []
    facts = []
    share = chemistry.get("magnesium_share")
    metals = data.get("indicator", OF_EBT)["metals"]
    if share is not None and "magnesium" in metals:
        below, above = share["interval68"]
        low, high = outward(100.0 * below, 100.0 * above, 0)
        value = rounded(100.0 * share["value"], 0)
        facts.append(
            _fact("Magnesium, share of both metals", f"{value} % (68 %: {low} to {high} %)")
        )
    dye = chemistry.get("indicator_umol_l")
    if dye is not None:
        amount = f"{_figures(dye['value'])}{FIXED_SPACE}\u00b5mol/L"
        text = f"{amount} (68 %: within a factor of {dye['factor68']:.2f})"
        facts.append(_fact("Indicator in the flask", text))
    for key, words in _SHIFTS.items():
        shift = (chemistry.get("parameters") or {}).get(key)
        if shift is not None:
            text = _shift_text(shift["value"], shift["standard_uncertainty"])
            facts.append(_fact(words, text))
    rms = chemistry.get("residual_rms")
    if isinstance(rms, float) and 0.0 <= rms < 10.0:
        facts.append(_fact("Scatter around the fit", f"{100.0 * rms:.1f} % of the colour change"))
    return facts


def _shift_text(value: float, u: float | None) -> str:
    """Shift with its sign and standard uncertainty, "−0.03 (u = 0.13)"."""
    shown, wide = with_uncertainty(value, u)
    sign = "" if float(shown) <= 0.0 else "+"
    shown = f"{sign}{shown}".replace("-", "\u2212")
    return f"{shown} (u{FIXED_SPACE}={FIXED_SPACE}{wide})" if wide else shown


def _figures(value: float) -> str:
    """Two significant figures of a number that is known within a factor only."""
    return f"{float(f'{value:.2g}'):g}"


def provenance(data: Plain) -> list[Fact]:
    """Files with their checksums, settings and programs."""
    origin = data["provenance"]
    facts = []
    for name, words in (("record", "Record"), ("medium", "Recording"), ("volumes", "Volume log")):
        if origin.get(name):
            facts.append(_fact(words, origin[name]))
        if origin.get(f"{name}_sha256"):
            facts.append(_fact(f"SHA-256 of the {words.lower()}", origin[f"{name}_sha256"]))
    details = origin.get("source") or {}
    if details:
        shown = "; ".join(f"{key.replace('_', ' ')} {value}" for key, value in details.items())
        facts.append(_fact("Format of the recording", shown))
    settings = origin.get("settings") or {}
    named = "; ".join(f"{key.replace('_', ' ')} {value}" for key, value in settings.items())
    facts.append(_fact("Settings", named or "none set by hand"))
    if origin.get("edta_constants"):
        facts.append(_fact("Constants", origin["edta_constants"]))
    if origin.get("analysed"):
        facts.append(_fact("Analysed", origin["analysed"]))
    if origin.get("program"):
        facts.append(_fact("Program", origin["program"]))
    libraries = origin.get("libraries") or {}
    versions = [f"Python {origin['python']}"] if origin.get("python") else []
    versions += [f"{name} {version}" for name, version in libraries.items()]
    if versions:
        facts.append(_fact("Versions", ", ".join(versions)))
    return facts


def _fact(name: str, value: str) -> Fact:
    return {"name": name, "value": str(value)}


def _quantity(part: Plain) -> str:
    """Value with its standard uncertainty, "50.000 mL (u = 0.032 mL)"."""
    unit, value = part["unit"], part["value"]
    squares = sum(c["value"] ** 2 for c in part.get("contributions", {}).values())
    return _with_u(value, math.sqrt(squares), unit)


def _with_u(value: float, u: float, unit: str) -> str:
    if not u > 0:
        return f"{value:g}{FIXED_SPACE}{unit}"
    number, _, wide, *_ = format_quantity(value, u, unit).split(FIXED_SPACE)
    return f"{number}{FIXED_SPACE}{unit} (u{FIXED_SPACE}={FIXED_SPACE}{wide}{FIXED_SPACE}{unit})"
