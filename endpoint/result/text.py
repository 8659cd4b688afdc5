"""A result in plain words for a terminal: the answer first, then why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from calibration.wording import one_line
from endpoint.analysis.result import Result
from endpoint.equivalence.fit import Estimate
from endpoint.result import wording
from endpoint.result.document import document
from endpoint.result.terminal import bullets, encodable, fill, joined
from endpoint.rounding import FIXED_SPACE

_MOST_LINES = 6


def volume_words(estimate: Estimate, *, coverage: bool = False) -> str:
    """Volume with its 95 % interval, see `wording.volume_text`."""
    ends = (estimate.low_ml, estimate.high_ml)
    return wording.volume_text({"value": estimate.value_ml, "interval95": ends}, coverage=coverage)


def name_of(result: Result) -> str:
    """Label of the sample on one line, without signs that steer a terminal."""
    return one_line(result.label) or "Sample"


def answer(result: Result) -> str:
    """One or two sentences that answer the question."""
    return unbroken_answer(result).replace(FIXED_SPACE, " ")


def unbroken_answer(result: Result) -> str:
    """Answer in which fixed spaces hold numbers and units together, for texts with line breaks."""
    return wording.answer_text(_data(result))


def _data(result: Result) -> dict[str, Any]:
    return {**document(result, {}), "label": one_line(result.label)}


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
    data = _data(result)
    total = data["hardness"]
    blocks = [
        [fill(wording.answer_text(data), width)],
        [] if total is None else [fill(wording.other_units_text(total), width, "  ")],
        [fill(text, width) for text in wording.parts_texts(data["parts"])],
        _volumes(data, width),
        [fill(wording.delivered_text(data["delivery"]), width)],
        bullets(_why(data), width),
        [] if total is None else budget_lines(total, data["budget"], data["not_in_budget"], width),
        certificate_lines(data["certificates"], width),
        [fill(wording.frames_text(data["frames"]), width)],
        [fill(wording.cautions(result.job.indicator.ph), width)],
    ]
    return encodable(joined(blocks), encoding)


def _why(data: Mapping[str, Any]) -> list[str]:
    first = [f"What to do: {s['advice']}" for s in data["reasons"][:1]]
    return [*first, *wording.further_remarks(data)]


def certificate_lines(certificates: Sequence[Mapping[str, Any]], width: int) -> list[str]:
    """Certificates that were used, and every reservation about them."""
    if not certificates:
        return []
    rows = [fill(wording.certificates_text(certificates), width)]
    for used in certificates:
        rows += bullets(used["reservations"], width)
    return rows


def _volumes(data: Mapping[str, Any], width: int) -> list[str]:
    rows = wording.volume_rows(data)
    if not rows:
        return []
    wide = max(len(words) for _, _, words, _ in rows)
    lines = [fill(f"{t:<11}  {w:<{wide}}  {m}", width, " " * 13) for _, t, w, m in rows]
    return [*lines, fill(wording.volumes_note(data), width)]


def budget_lines(
    total: Mapping[str, Any],
    budget: Sequence[Mapping[str, Any]],
    missing: Sequence[str],
    width: int,
) -> list[str]:
    """Where the uncertainty comes from: the larger sources, k, and what is not counted.

    Parameters
    ----------
    total, budget, missing:
        Hardness, its budget and what is not in it, as in the document.
    width:
        Columns.
    """
    rows = []
    if budget:
        large, rest = wording.budget_rows(budget, _MOST_LINES)
        rows = [
            "Where the uncertainty of the hardness comes from:",
            f"{'mg/L CaCO3':>12}  {'share':>5}",
        ]
        rows += [f"{part:>12}  {share:>3} %  {name}" for part, share, name in large]
        if rest is not None:
            rows.append(f"{'':>12}  {rest[0]:>3} %  {rest[1]}")
        rows.append(fill(wording.types_text(total), width))
    if missing:
        rows.append(fill(wording.not_counted_text(missing), width, "  "))
    return rows
