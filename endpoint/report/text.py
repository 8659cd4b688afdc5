"""A result in plain words for a terminal: the answer first, then why."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from endpoint.certificate_use import UsedCertificate
from endpoint.hardness import Hardness, Split
from endpoint.hardness_units import M_CACO3, MG_L_CACO3, OTHER_UNITS
from endpoint.pipeline import Result
from endpoint.report.document import delivery_seen, frame_counts, notes_of
from endpoint.report.rounding import (
    FIXED_SPACE,
    decimals_for,
    format_quantity,
    outward,
    rounded,
    two_figures,
    with_uncertainty,
)
from endpoint.sentences import Sentence
from endpoint.transition import Estimate

_NO_STATEMENT = (
    "The result describes the sample as titrated; it is no statement that a water is fit to drink."
)
CAUTION = (
    f"{_NO_STATEMENT} Ammonia buffer gives off fumes: work under a hood or in good air, and follow "
    "the safety data sheets and your local rules."
)
STRONG_ALKALI = (
    "A pH of 12 to 13 is made with sodium or potassium hydroxide, which burns skin "
    "and eyes: wear goggles and gloves, and follow its safety data sheet."
)
VOLUMES = (
    # field of the result, short name, what it is
    ("equivalence", "equivalence", "EDTA equals {metals}"),
    ("midpoint", "midpoint", "half of the indicator is free"),
    ("last_red", "last {bound}", "95 % is free: no {bound} left to see"),
)
_AMMONIA_PH, _ALKALI_PH = 9.0, 11.5
_LEAST_SHARE = 0.005
_MOST_LINES = 6
_LOPSIDED = 0.15
"""Difference of the two arms of an interval, as a part of its width, that people are told of."""
_ASCII = {"\u00b1": "+-", "\u00b0": "deg ", FIXED_SPACE: " "}


def half_width(estimate: Estimate) -> float:
    """Half of the 95 % interval, mL."""
    return 0.5 * (estimate.high_ml - estimate.low_ml)


def volume_words(estimate: Estimate, *, coverage: bool = False) -> str:
    """Volume with its 95 % interval: "13.901 ± 0.023 mL", or both ends where they are unequal.

    Parameters
    ----------
    estimate:
        A volume.
    coverage:
        Say "95 %" with it.
    """
    low, high = estimate.low_ml, estimate.high_ml
    apart = abs((high - estimate.value_ml) - (estimate.value_ml - low))
    if apart <= _LOPSIDED * (high - low):
        text = format_quantity(estimate.value_ml, half_width(estimate), "mL")
        return text + (" (95 %)" if coverage else "").replace("5 ", f"5{FIXED_SPACE}")
    decimals = decimals_for(half_width(estimate)) or 3
    ends = outward(low, high, decimals)
    said = "95 %: " if coverage else ""
    text = f"{rounded(estimate.value_ml, decimals)} mL ({said}{ends[0]} to {ends[1]})"
    return text.replace(" ", FIXED_SPACE)


def name_of(result: Result) -> str:
    """Label of the sample on one line, without signs that steer a terminal."""
    seen = "".join(c if c.isprintable() else " " for c in result.label)
    return " ".join(seen.split()) or "Sample"


def answer(result: Result) -> str:
    """One or two sentences that answer the question."""
    return unbroken_answer(result).replace(FIXED_SPACE, " ")


def unbroken_answer(result: Result) -> str:
    """Answer in which fixed spaces hold numbers and units together, for texts with line breaks."""
    name = name_of(result)
    if result.equivalence is not None:
        text = f"{name}: equivalence volume {volume_words(result.equivalence, coverage=True)}."
        said = amount_words(result)
        return f"{text} {said}" if said else text
    first = result.reasons[0].text if result.reasons else "No endpoint was found."
    return f"{name}: {bound_words(result)}. {first}"


def amount_words(result: Result) -> str:
    """Sentence with the hardness, or with the amount of another metal; empty without."""
    indicator = result.job.indicator
    if result.hardness is not None:
        alone = len(indicator.metals) == 1
        return hardness_words(result.hardness, f"{indicator.titrated} hardness" if alone else "")
    amount = result.amount_mmol_l
    if amount is None:
        return ""
    said = format_quantity(amount.value, amount.expanded_uncertainty(0.95), "mmol/L")
    return f"{indicator.titrated.capitalize()} {said} (95{FIXED_SPACE}%)."


def hardness_words(total: Hardness, name: str = "") -> str:
    """Sentence with the hardness in mmol/L and mg/L as CaCO3."""
    mmol, mass = total.mmol_l, total.caco3_mg_l
    a = format_quantity(mmol.value, total.expanded_uncertainty(), "mmol/L")
    b = format_quantity(mass.value, total.expanded_uncertainty(MG_L_CACO3), "mg/L as CaCO3")
    return f"{(name or 'hardness').capitalize()} {a} = {b} (95{FIXED_SPACE}%)."


def bound_words(result: Result) -> str:
    """What is known of the equivalence volume where no single number is given."""
    bracket, above = result.verdict.bracket_ml, result.verdict.above_ml
    if bracket is not None:
        low, high = outward(*bracket)
        if high is None:
            return f"the equivalence volume lies above {low}{FIXED_SPACE}mL"
        return (
            f"the equivalence volume lies between {low} and {high}{FIXED_SPACE}mL; "
            "no single number is honest"
        )
    if above is not None:
        low, _ = outward(above, None)
        return (
            f"no endpoint in this recording; the equivalence volume is above {low}{FIXED_SPACE}mL"
        )
    return "no endpoint in this recording"


def summary(result: Result, *, width: int = 80, encoding: str | None = "utf-8") -> str:
    """Text for a terminal.

    Parameters
    ----------
    result:
        Result of an analysis.
    width:
        Columns.
    encoding:
        Encoding of the terminal; signs that it lacks are written in ASCII.
    """
    blocks = [
        [_fill(unbroken_answer(result), width)],
        _other_units(result, width),
        parts_lines(result.split, width),
        _volumes(result, width),
        _delivered(result, width),
        [_fill(f"- {line}", width, "  ") for line in _why(result)],
        _budget(result, width),
        certificate_lines(result.job.certificates, width),
        _frames(result, width),
        [_fill(cautions(result.job.indicator.ph), width)],
    ]
    text = "\n\n".join("\n".join(block) for block in blocks if block)
    return encodable(text, encoding)


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


def _fill(text: str, width: int, indent: str = "") -> str:
    # textwrap does not break at the fixed space.
    return textwrap.fill(text, width, subsequent_indent=indent, break_on_hyphens=False)


def _why(result: Result) -> list[str]:
    """Reasons, diagnosis and notes; the first reason already stands in the answer."""
    lines = [f"What to do: {s.advice}" for s in result.reasons[:1]]
    lines += [advised(s) for s in (*result.reasons[1:], *result.remarks)]
    lines += notes_of(result)
    if result.hardness is not None:
        lines += result.hardness.warnings
    return lines


def advised(sentence: Sentence) -> str:
    """Sentence with its advice, if there is any."""
    none = sentence.advice == "None needed."
    return sentence.text if none else f"{sentence.text} {sentence.advice}"


def _other_units(result: Result, width: int) -> list[str]:
    total = result.hardness
    if total is None:
        return []
    others = total.other_units
    shown = []
    for unit in OTHER_UNITS:
        quantity = others[unit.key]
        value, _ = with_uncertainty(quantity.value, total.expanded_uncertainty(unit), 2)
        shown.append(f"{value} {unit.label}".replace(" ", FIXED_SPACE))
    return [_fill("The same in other units: " + ", ".join(shown) + ".", width, "  ")]


def parts_lines(split: Split | None, width: int) -> list[str]:
    """Calcium and magnesium, or permanent and temporary hardness, each on a line."""
    if split is None:
        return []
    rows = []
    for name, found in split.parts:
        value, wide, factor = found.quantity.value, found.expanded_uncertainty, M_CACO3
        a = format_quantity(value, wide, "mmol/L")
        b = format_quantity(value * factor, wide * factor, "mg/L as CaCO3")
        rows.append(_fill(f"{name.capitalize()}: {a} = {b} (95{FIXED_SPACE}%).", width))
    if split.part_name == "calcium":
        rows.append(_fill(STRONG_ALKALI, width))
    return rows + [_fill(warning, width) for warning in split.warnings]


def certificate_lines(certificates: Sequence[UsedCertificate], width: int) -> list[str]:
    """Certificates that were used, and every reservation about them."""
    if not certificates:
        return []
    named = "; ".join(f"{c.purpose}: {c.certificate.identifier}" for c in certificates)
    rows = [_fill(f"Certificates used: {named}.", width)]
    for used in certificates:
        rows += [_fill(f"- {said}", width, "  ") for said in used.reservations]
    return rows


def _volumes(result: Result, width: int) -> list[str]:
    rows = []
    indicator = result.job.indicator
    words = {"bound": indicator.bound.colour, "metals": indicator.titrated}
    for field, title, meaning in VOLUMES:
        estimate: Estimate | None = getattr(result, field)
        if estimate is not None:
            said = volume_words(estimate)
            rows.append((title.format_map(words), said, meaning.format_map(words)))
    if not rows:
        return []
    wide = max(len(words) for _, words, _ in rows)
    lines = [_fill(f"{t:<11}  {w:<{wide}}  {m}", width, " " * 13) for t, w, m in rows]
    note = "Their 95 % intervals come from the recording alone."
    if result.equivalence is not None:
        note = (
            f"The equivalence volume goes to {_goes_to(result)}. The intervals of the volumes come "
            f"from the recording alone; titrant and ware are added in {_goes_to(result)}."
        )
    return [*lines, _fill(note, width)]


def _delivered(result: Result, width: int) -> list[str]:
    """How the volume was read out of the picture, if it was."""
    found = delivery_seen(result)
    if found is None:
        return []
    volume = found["delivered_ml"]
    whole = format_quantity(volume["value"], 2.0 * volume["standard_uncertainty"], "mL")
    if found["read_from"] == "drops":
        low, high = found["drop_usual_ml"]
        text = (
            f"Volumes from the picture: {found['drops']} drops of {found['drop_ml']:.4f} mL were "
            f"counted, {whole} in all (95 %). A drop has {low:g} to {high:g} mL."
        )
    elif found["read_from"] == "log":
        text = f"The log of volumes states its uncertainty: {whole} in all (95 %)."
    else:
        text = (
            f"Volumes from the picture: the meniscus was seen in {found['frames_seen']} of "
            f"{found['frames']} looks, {whole} in all (95 %). Parallax of "
            f"{found['parallax_ml']:.3f} mL was taken out."
        )
    return [_fill(text, width)]


def _goes_to(result: Result) -> str:
    return "the hardness" if result.hardness is not None else "the concentration"


def _budget(result: Result, width: int) -> list[str]:
    if result.hardness is None:
        return []
    return budget_lines(result.hardness, result.job.not_in_budget, width)


def budget_lines(total: Hardness, missing: Sequence[str], width: int) -> list[str]:
    """Where the uncertainty comes from: the larger sources, k, and what is not counted."""
    rows = []
    if total.budget:
        large = [x for x in total.budget[:_MOST_LINES] if x.share >= _LEAST_SHARE]
        rows = [
            "Where the uncertainty of the hardness comes from:",
            f"{'mg/L CaCO3':>12}  {'share':>5}",
        ]
        rows += [
            f"{two_figures(x.contribution):>12}  {100 * x.share:>3.0f} %  {x.name} ({x.kind})"
            for x in large
        ]
        rest = total.budget[len(large) :]
        if rest:
            share = sum(x.share for x in rest)
            percent = f"{100 * share:>3.0f}" if share >= _LEAST_SHARE else " <1"
            names = rest[0].name if len(rest) == 1 else f"{len(rest)} smaller parts"
            rows.append(f"{'':>12}  {percent} %  {names}")
        rows.append(_fill(f"A: from readings; B: otherwise known. {coverage_words(total)}.", width))
    if missing:
        rows.append(_fill("Not in the uncertainty: " + "; ".join(missing) + ".", width, "  "))
    return rows


def coverage_words(total: Hardness) -> str:
    """Coverage factor and effective degrees of freedom, or that draws gave the interval."""
    check = total.evaluation.monte_carlo
    if check is not None and check.is_used:
        first = two_figures(total.caco3_mg_l.expanded_uncertainty(0.95))
        return (
            f"The interval is from {check.draws} Monte Carlo draws; first order gives "
            f"\u00b1 {first} mg/L CaCO3"
        )
    nu = total.mmol_l.effective_degrees_of_freedom
    k = total.mmol_l.coverage_factor(0.95)
    freedom = "many" if nu > 1000 else rounded(nu, 0)
    return f"Coverage factor k = {k:.2f} with {freedom} effective degrees of freedom"


def _frames(result: Result, width: int) -> list[str]:
    counts = frame_counts(result)
    if not counts["read"]:
        return []
    what = "rows" if result.region is None and result.film_frames is None else "frames"
    text = f"{counts['used']} of {counts['read']} {what} used."
    for part in counts["set_aside"]:
        text += f" {part['count']} set aside: {part['reason'][0].lower()}{part['reason'][1:]}"
    held = counts["in_recording"]
    if held is not None and counts["read"] < 0.95 * held:
        text += (
            f" The recording holds {held} {what}; the ones that matter were looked at "
            "(--every-frame looks at all)."
        )
    left_out = counts["points_left_out"]
    if left_out:
        were = "was" if left_out == 1 else "were"
        text += (
            f" {left_out} of {counts['points']} points of the curve {were} left out of the fit: "
            "the colour stands apart from the others."
        )
    return [_fill(text, width)]


def encodable(text: str, encoding: str | None) -> str:
    """Text with the signs that an encoding lacks written in ASCII."""
    text = text.replace(FIXED_SPACE, " ")
    try:
        text.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        for sign, plain in _ASCII.items():
            text = text.replace(sign, plain)
        text = text.encode("ascii", "replace").decode("ascii")
    return text
