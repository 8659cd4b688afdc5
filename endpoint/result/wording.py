"""Numbers and sentences of a result, from its plain data: one wording for every form of it.

What goes in is a part of the dictionary of `endpoint.result.document`, in memory or read back from
a result.json; so the terminal, the chart, the page and the PDF cannot say different numbers.
Spaces that hold a number and its unit together are `rounding.FIXED_SPACE`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from calibration.wording import one_line
from endpoint.hardness.units import OTHER_UNITS
from endpoint.rounding import (
    FIXED_SPACE,
    decimals_for,
    format_quantity,
    outward,
    rounded,
    two_figures,
    with_uncertainty,
)

Plain = Mapping[str, Any]

_NO_STATEMENT = (
    "The result describes the sample as titrated; it does not say that the water is fit to drink."
)
CAUTION = (
    f"{_NO_STATEMENT} Ammonia buffer gives off fumes: work in a fume hood or with good "
    "ventilation, and follow the safety data sheets and your local rules."
)
STRONG_ALKALI = (
    "A pH of 12 to 13 is made with sodium or potassium hydroxide, which burns skin "
    "and eyes: wear goggles and gloves, and follow its safety data sheet."
)
VOLUMES = (
    # key of the document, short name, what it is
    ("equivalence_ml", "equivalence", "EDTA equals {metals}"),
    ("midpoint_ml", "midpoint", "half of the indicator is free"),
    ("last_red_ml", "last {bound}", "95 % is free: no {bound} left to see"),
)
OF_EBT = {"bound": "red", "free": "blue", "metals": ("calcium", "magnesium"), "ph": 10.0}
"""What older results, which say nothing of their indicator, were about."""
_AMMONIA_PH, _ALKALI_PH = 9.0, 11.5
_LOPSIDED = 0.15
"""Difference of the two arms of an interval, as a part of its width, from which both ends are
given instead of one number after the ±."""
_LEAST_SHARE = 0.005


def label_of(data: Plain) -> str:
    """Label of the sample on one line."""
    return one_line(data["label"]) or "Sample"


def volume_text(volume: Plain, *, coverage: bool = False) -> str:
    """Volume with its 95 % interval: "13.901 ± 0.023 mL", or both ends where they are unequal.

    Parameters
    ----------
    volume:
        Value and interval95, mL.
    coverage:
        Say "95 %" with it.
    """
    value, (low, high) = volume["value"], volume["interval95"]
    half = 0.5 * (high - low)
    apart = abs((high - value) - (value - low))
    if apart <= _LOPSIDED * (high - low):
        text = format_quantity(value, half, "mL")
        return text + (" (95 %)" if coverage else "").replace("5 ", f"5{FIXED_SPACE}")
    decimals = decimals_for(half) or 3
    ends = outward(low, high, decimals)
    said = "95 %: " if coverage else ""
    text = f"{rounded(value, decimals)} mL ({said}{ends[0]} to {ends[1]})"
    return text.replace(" ", FIXED_SPACE)


def answer_text(data: Plain) -> str:
    """One or two sentences that answer the question."""
    name, equivalence = label_of(data), data["equivalence_ml"]
    if equivalence is not None and equivalence["value"] is not None:
        text = f"{name}: equivalence volume {volume_text(equivalence, coverage=True)}."
        said = amount_text(data)
        return f"{text} {said}" if said else text
    reasons = data["reasons"]
    first = reasons[0]["text"] if reasons else "No endpoint was found."
    return f"{name}: {bound_text(data)}. {first}"


def amount_text(data: Plain) -> str:
    """Sentence with the hardness, or with the amount of another metal; empty without."""
    titrated, total, amount = data.get("titrated") or "", data["hardness"], None
    if total is not None:
        metals = data.get("indicator", OF_EBT)["metals"]
        return hardness_text(total, f"{titrated} hardness" if len(metals) == 1 else "")
    amount = data.get("amount_mmol_l")
    if amount is None:
        return ""
    return f"{titrated.capitalize()} {amount_number(amount)} (95{FIXED_SPACE}%)."


def amount_number(amount: Plain) -> str:
    """Amount of a titrated metal with half of its 95 % interval."""
    low, high = amount["interval95"]
    return format_quantity(amount["value"], 0.5 * (high - low), "mmol/L")


def hardness_text(total: Plain, name: str = "") -> str:
    """Sentence with the hardness in mmol/L and mg/L as CaCO3."""
    a, b = hardness_numbers(total)
    return f"{(name or 'hardness').capitalize()} {a} = {b} (95{FIXED_SPACE}%)."


def hardness_numbers(total: Plain) -> tuple[str, str]:
    """Hardness in mmol/L and in mg/L as CaCO3, each with half of its 95 % interval."""
    mmol, mass = total["mmol_l"], total["caco3_mg_l"]
    return (
        format_quantity(mmol["value"], mmol["expanded_uncertainty"], "mmol/L"),
        format_quantity(mass["value"], mass["expanded_uncertainty"], "mg/L as CaCO3"),
    )


def other_units(total: Plain) -> list[tuple[str, str, str, str]]:
    """Value, expanded uncertainty, unit and its definition, for every other unit."""
    rows = []
    for unit in OTHER_UNITS:
        number = total["other_units"].get(unit.key)
        if number is not None:
            shown = with_uncertainty(number["value"], number["expanded_uncertainty"], 2)
            rows.append((*shown, unit.label, unit.definition))
    return rows


def other_units_text(total: Plain) -> str:
    """The same hardness in every other unit, in one sentence."""
    shown = [
        f"{value} {unit}".replace(" ", FIXED_SPACE) for value, _, unit, _ in other_units(total)
    ]
    return "The same in other units: " + ", ".join(shown) + "."


def bound_text(data: Plain) -> str:
    """What is known of the equivalence volume where no single number is given."""
    equivalence, above = data["equivalence_ml"], data.get("above_ml")
    if equivalence is not None:
        low, high = outward(*equivalence["interval95"])
        if high is None:
            return f"the equivalence volume lies above {low}{FIXED_SPACE}mL"
        return (
            f"the equivalence volume lies between {low} and {high}{FIXED_SPACE}mL; "
            "the recording does not narrow it down further"
        )
    if above is not None:
        low, _ = outward(above, None)
        return (
            f"no endpoint in this recording; the equivalence volume is above {low}{FIXED_SPACE}mL"
        )
    return "no endpoint in this recording"


def volume_rows(data: Plain) -> list[tuple[str, str, str, str]]:
    """Key, name, number and meaning of those of the three volumes that there are."""
    indicator = data.get("indicator", OF_EBT)
    titrated = data.get("titrated") or " and ".join(indicator["metals"])
    words = {"bound": indicator["bound"], "metals": titrated}
    rows = []
    for key, title, meaning in VOLUMES:
        volume = data[key]
        if volume is not None and volume["value"] is not None:
            said = volume_text(volume)
            rows.append((key, title.format_map(words), said, meaning.format_map(words)))
    return rows


def volumes_note(data: Plain) -> str:
    """What the intervals of the volumes hold, and where the equivalence volume goes."""
    equivalence = data["equivalence_ml"]
    if equivalence is None or equivalence["value"] is None:
        return "Their 95 % intervals come from the recording alone."
    goes_to = "the hardness" if data["hardness"] is not None else "the concentration"
    return (
        f"{goes_to.capitalize()} is calculated from the equivalence volume. The intervals of the "
        f"volumes come from the recording alone; that of {goes_to} includes titrant and ware."
    )


def parts_texts(parts: Plain | None) -> list[str]:
    """Calcium and magnesium, or permanent and temporary hardness, each in a sentence."""
    texts, by_egta = [], (parts or {}).get("calcium_by") == ["EGTA"]
    for name, found in (parts or {}).items():
        if isinstance(found, Mapping):
            a, b = (found[key] for key in ("mmol_l", "caco3_mg_l"))
            said, also = _part_text(a, "mmol/L"), _part_text(b, "mg/L as CaCO3")
            sure = "uncertainty not known" if a["interval95"] is None else f"95{FIXED_SPACE}%"
            with_egta = ", titrated with EGTA" if name == "calcium" and by_egta else ""
            title = f"{name.replace('_', '-').capitalize()}{with_egta}"
            texts.append(f"{title}: {said} = {also} ({sure}).")
    if parts is not None:
        texts += [STRONG_ALKALI] if "calcium" in parts and not by_egta else []
        warnings = parts.get("warnings")
        texts += warnings if isinstance(warnings, list) else []
    return texts


def _part_text(number: Plain, unit: str) -> str:
    """Number with half of its interval; to three figures where it has none."""
    if number["interval95"] is not None:
        return format_quantity(number["value"], _half(number), unit)
    shown = rounded(number["value"], (decimals_for(number["value"]) or 0) + 1)
    return f"{shown} {unit}".replace(" ", FIXED_SPACE)


def _half(number: Plain) -> float:
    low, high = number["interval95"]
    return float(number.get("expanded_uncertainty", 0.5 * (high - low)))


def delivered_text(delivery: Plain | None) -> str:
    """How the volume was read out of the picture; empty where it was not."""
    if delivery is None:
        return ""
    volume = delivery["delivered_ml"]
    whole = format_quantity(volume["value"], 2.0 * volume["standard_uncertainty"], "mL")
    if delivery["read_from"] == "drops":
        low, high = delivery["drop_usual_ml"]
        return (
            f"Volumes read from the picture: {delivery['drops']} drops of "
            f"{delivery['drop_ml']:.4f} mL were counted, {whole} in all (95 %). Drops usually have "
            f"{low:g} to {high:g} mL."
        )
    if delivery["read_from"] == "log":
        return f"The volume log states its uncertainty: {whole} in all (95 %)."
    return (
        f"Volumes read from the picture: the meniscus was found in {delivery['frames_seen']} of "
        f"{delivery['frames']} pictures, {whole} in all (95 %). A parallax of "
        f"{delivery['parallax_ml']:.3f} mL was corrected."
    )


def advised(sentence: Plain) -> str:
    """Sentence with its advice, if there is any."""
    text, advice = str(sentence["text"]), str(sentence["advice"])
    return text if advice in ("", "None needed.") else f"{text} {advice}"


def further_remarks(data: Plain) -> list[str]:
    """Further reasons, diagnosis and notes; the first reason already stands in the answer."""
    lines = [advised(s) for s in (*data["reasons"][1:], *data["diagnosis"])]
    lines += data.get("notes", [])
    if data["hardness"] is not None:
        lines += data["hardness"].get("warnings", [])
    return lines


def certificates_text(certificates: Iterable[Plain]) -> str:
    """Which certificates were used; empty where none were."""
    named = "; ".join(f"{c['purpose']}: {c['id']}" for c in certificates)
    return f"Certificates used: {named}." if named else ""


def budget_rows(
    budget: Sequence[Plain], most: int
) -> tuple[list[tuple[str, str, str]], tuple[str, str] | None]:
    """The larger sources of uncertainty, and what is left of it.

    Parameters
    ----------
    budget:
        Lines of the document, largest first.
    most:
        Rows at most; what has less than half a percent is never among them.

    Returns
    -------
    Contribution, share and name with type for each row; share and name of the rest, or None.
    """
    large = [line for line in budget[:most] if line["share"] >= _LEAST_SHARE]
    rows = [
        (
            two_figures(line["contribution"]),
            f"{100 * line['share']:.0f}",
            f"{line['name']} ({line['type']})",
        )
        for line in large
    ]
    rest = budget[len(large) :]
    if not rest:
        return rows, None
    share = sum(line["share"] for line in rest)
    percent = f"{100 * share:.0f}" if share >= _LEAST_SHARE else "<1"
    return rows, (percent, rest[0]["name"] if len(rest) == 1 else f"{len(rest)} smaller sources")


def coverage_text(total: Plain) -> str:
    """Coverage factor and effective degrees of freedom, or Monte Carlo as the source."""
    check = total.get("monte_carlo")
    if check is not None and check["used"]:
        first = total["caco3_mg_l"].get("first_order", {}).get("expanded_uncertainty")
        also = (
            "" if first is None else f"; first order gives \u00b1 {two_figures(first)} mg/L CaCO3"
        )
        return f"The interval comes from {check['draws']} Monte Carlo draws{also}"
    nu = total["mmol_l"].get("effective_degrees_of_freedom")
    freedom = "many" if nu is None or nu > 1000 else rounded(nu, 0)
    k = total["mmol_l"].get("coverage_factor")
    if k is None:
        return "The coverage factor is not stated"
    return f"Coverage factor k = {k:.2f} with {freedom} effective degrees of freedom"


def types_text(total: Plain) -> str:
    """What A and B mean, and how the interval was made."""
    return f"A: from readings; B: from other information. {coverage_text(total)}."


def not_counted_text(missing: Sequence[str]) -> str:
    """What the uncertainty does not hold; empty where nothing is missing."""
    return "Not included in the uncertainty: " + "; ".join(missing) + "." if missing else ""


def frames_text(counts: Plain) -> str:
    """Frames (or rows) used and set aside; empty where none were read."""
    if not counts["read"]:
        return ""
    what = counts.get("kind", "frames")
    text = f"{counts['used']} of {counts['read']} {what} used."
    for part in counts["set_aside"]:
        text += f" {part['count']} set aside: {part['reason'][0].lower()}{part['reason'][1:]}"
    held = counts["in_recording"]
    if held is not None and counts["read"] < 0.95 * held:
        text += (
            f" The recording has {held} {what}; only those that matter were read "
            "(--every-frame reads all)."
        )
    left_out = counts["points_left_out"]
    if left_out:
        were = "was" if left_out == 1 else "were"
        text += (
            f" {left_out} of {counts['points']} points of the curve {were} left out of the fit: "
            "their colour does not agree with the others."
        )
    return text


def cautions(ph: float) -> str:
    """Usual cautions for a titration at a pH; local codes and safety data sheets come first."""
    if ph >= _ALKALI_PH:
        return f"{_NO_STATEMENT} {STRONG_ALKALI} Follow your local rules."
    if ph >= _AMMONIA_PH:
        return CAUTION
    return (
        f"{_NO_STATEMENT} Mind the hazards of the sample, the buffer and the indicator: follow "
        "their safety data sheets and your local rules."
    )
