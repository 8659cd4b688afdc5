"""A result in plain words for a terminal: the answer first, then why."""

from __future__ import annotations

import textwrap

from endpoint.pipeline import Result
from endpoint.report.document import frame_counts
from endpoint.report.rounding import rounded, with_uncertainty
from endpoint.transition import Estimate

CAUTION = (
    "The result describes the sample as titrated; it is no statement that a water is fit to "
    "drink. Ammonia buffer gives off fumes: work under a hood or in good air, and follow the "
    "safety data sheets and your local rules."
)
_MEANINGS = (
    ("equivalence", "equivalence", "EDTA equals calcium and magnesium; used for the hardness"),
    ("midpoint", "midpoint", "half of the indicator is free"),
    ("last_red", "last red", "95 % is free: a careful eye sees no red any more"),
)


def half_width(estimate: Estimate) -> float:
    """Half of the 95 % interval, mL."""
    return 0.5 * (estimate.high_ml - estimate.low_ml)


def answer(result: Result) -> str:
    """One or two sentences that answer the question."""
    name = result.label
    if result.equivalence is not None:
        e = result.equivalence
        value, wide = with_uncertainty(e.value_ml, half_width(e))
        text = f"{name}: equivalence volume {value} mL \u00b1 {wide} mL (95 %)."
        if result.hardness is not None:
            mmol, mass = result.hardness.mmol_l, result.hardness.caco3_mg_l
            a, ua = with_uncertainty(mmol.value, mmol.expanded_uncertainty(0.95))
            b, ub = with_uncertainty(mass.value, mass.expanded_uncertainty(0.95))
            text += f" Hardness {a} \u00b1 {ua} mmol/L = {b} \u00b1 {ub} mg/L as CaCO3 (95 %)."
        return text
    first = result.reasons[0].text if result.reasons else "No endpoint was found."
    if result.verdict.bracket_ml is not None:
        low, high = result.verdict.bracket_ml
        if high is None:
            return f"{name}: the equivalence volume lies above {rounded(low, 2)} mL. {first}"
        return (
            f"{name}: the equivalence volume lies between {rounded(low, 2)} and "
            f"{rounded(high, 2)} mL; no single number is honest. {first}"
        )
    text = f"{name}: no endpoint in this recording. {first}"
    if result.verdict.above_ml is not None:
        text += f" The equivalence volume is above {rounded(result.verdict.above_ml, 2)} mL."
    return text


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
    blocks = [_fill(answer(result), width)]
    volumes = _volumes(result)
    if volumes:
        blocks.append("\n".join(volumes))
    why = [f"{s.text} {s.advice}" for s in result.reasons]
    why += [f"{s.text} {s.advice}".replace(" None needed.", "") for s in result.remarks]
    why += list(result.source_notes)
    if result.hardness is not None:
        why += list(result.hardness.warnings)
    if why:
        blocks.append("\n".join(_fill(f"- {line}", width, "  ") for line in why))
    budget = _budget(result)
    if budget:
        blocks.append("\n".join(budget))
    blocks.append(_fill(_frames(result), width))
    blocks.append(_fill(CAUTION, width))
    text = "\n\n".join(block for block in blocks if block)
    return _encodable(text, encoding)


def _fill(text: str, width: int, indent: str = "") -> str:
    return textwrap.fill(text, width, subsequent_indent=indent)


def _volumes(result: Result) -> list[str]:
    rows = []
    for field, title, meaning in _MEANINGS:
        estimate: Estimate | None = getattr(result, field)
        if estimate is None:
            continue
        value, wide = with_uncertainty(estimate.value_ml, half_width(estimate))
        rows.append(f"{title:<12}{value:>8} \u00b1 {wide} mL  {meaning}")
    return rows


def _budget(result: Result) -> list[str]:
    if result.hardness is None or not result.hardness.budget:
        return []
    rows = ["Where the uncertainty of the hardness comes from (mg/L as CaCO3, share):"]
    rows += [
        f"{line.contribution:>8.2g}  {100 * line.share:>3.0f} %  {line.name}"
        for line in result.hardness.budget[:6]
    ]
    rest = result.hardness.budget[6:]
    if rest:
        rows.append(f"{'':>8}  {100 * sum(x.share for x in rest):>3.0f} %  {len(rest)} smaller")
    if result.job.not_in_budget:
        rows.append("Not in it: " + "; ".join(result.job.not_in_budget) + ".")
    return rows


def _frames(result: Result) -> str:
    counts = frame_counts(result)
    if not counts["read"]:
        return ""
    what = "rows" if result.region is None else "frames"
    text = f"{counts['used']} of {counts['read']} {what} used."
    for part in counts["set_aside"]:
        text += f" {part['count']} set aside: {part['reason'][0].lower()}{part['reason'][1:]}"
    return text


def _encodable(text: str, encoding: str | None) -> str:
    try:
        text.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        text = text.replace("\u00b1", "+-").encode("ascii", "replace").decode("ascii")
    return text
