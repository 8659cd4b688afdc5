"""A verification to read and to file: one HTML file, and a PDF of the same texts."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from typing import Any

from endpoint.drawing.svg import PRINT_STYLE, Drawing, nice_ticks, tick_texts
from endpoint.report.typesetting import set_from
from endpoint.result.wording import CAUTION
from endpoint.verification.document import (
    accepted_words,
    answer,
    check_rows,
    level_rows,
    line_words,
    precision_words,
    remarks,
    to_do,
)
from endpoint.verification.study import Verification

_WIDTH, _HEIGHT = 560.0, 250.0
_LEFT, _RIGHT, _TOP, _FOOT = 74.0, 546.0, 14.0, 196.0
_SPREAD = 0.34
"""Size of the drawing and edges of its plot, user units; how far the results of a level stand apart
at most, as a part of the room that the level has."""


def report_contents(found: Verification) -> dict[str, Any]:
    """All texts and tables of the report."""
    said = answer(found)
    return {
        "title": f"Method verification: {found.table.bench}",
        "passed": found.passed,
        "verdict": "not decided" if found.verdict == "undecided" else found.verdict,
        "headline": "The study does not decide whether the method passes."
        if found.verdict == "undecided"
        else f"The method on this bench {found.verdict}.",
        "answer": said[:1].upper() + said[1:],
        "to_do": to_do(found),
        "tables": [
            {
                "heading": "Levels",
                "caption": "In mmol/L, with 95 % intervals.",
                "rows": _signed(found),
            },
            {
                "heading": "Questions to the bench",
                "caption": "The probability that chance alone finds as much or more, adjusted for "
                "the number of questions.",
                "rows": [list(row) for row in check_rows(found)],
            },
        ],
        "precision": f"{line_words(found)} {precision_words(found)}",
        "accepted": [accepted_words(each) for each in found.accepted],
        "without": remarks(found),
        "standards": f"Standards: {found.table.standards}.",
        "caution": CAUTION,
        "footer": f"From {found.table.name}, {len(found.table.titrations)} titrations.",
    }


def _signed(found: Verification) -> list[list[str]]:
    return [[cell.replace("-0.", "\u22120.") for cell in row] for row in level_rows(found)]


def errors_drawing(found: Verification, style: str = "") -> dict[str, str]:
    """Error of every result by its level, with the bias of each level and its interval.

    Returns
    -------
    svg, caption and words for those who cannot see it.
    """
    names = [level.name for level in found.levels]
    bars = {level.name: (level.bias.value, *level.bias.interval(0.95)) for level in found.levels}
    errors = [each.error for each in found.table.titrations]
    ends = [*errors, 0.0, *(end for three in bars.values() for end in three)]
    pad = 0.06 * (max(ends) - min(ends)) or 1e-3
    low, high = min(ends) - pad, max(ends) + pad

    def at(value: float) -> float:
        return _FOOT - (value - low) / (high - low) * (_FOOT - _TOP)

    drawn = Drawing(_WIDTH, _HEIGHT)
    ticks = nice_ticks(low, high, 6)
    for tick, text in zip(ticks, tick_texts(ticks), strict=True):
        drawn.line(_LEFT, at(tick), _RIGHT, at(tick), "grid")
        drawn.text(_LEFT - 7, at(tick) + 5, text.replace("-", "\u2212"), "soft", "end")
    drawn.line(_LEFT, at(0.0), _RIGHT, at(0.0), "axis", "5 4")
    room = (_RIGHT - _LEFT) / len(names)
    for k, name in enumerate(names):
        x = _LEFT + (k + 0.5) * room
        own = [each.error for each in found.table.titrations if each.level == name]
        for n, error in enumerate(own):
            shift = 0.0 if len(own) < 2 else _SPREAD * room * (2.0 * n / (len(own) - 1) - 1.0)
            drawn.mark("circle", x + shift, at(error), 3.4, "point")
        value, first, last = bars[name]
        drawn.line(x, at(first), x, at(last), "line")
        for end in (first, last):
            drawn.line(x - 8, at(end), x + 8, at(end), "line")
        drawn.mark("square", x, at(value), 5.0, "mark")
        drawn.text(x, _FOOT + 20, name[:16], "", "middle")
    drawn.line(_LEFT, _TOP, _LEFT, _FOOT, "axis")
    drawn.line(_LEFT, _FOOT, _RIGHT, _FOOT, "axis")
    drawn.upright(14, 0.5 * (_TOP + _FOOT), "found − known, mmol/L")
    drawn.text(
        0.5 * (_LEFT + _RIGHT), _FOOT + 42, "level; square: mean, bar: 95 %", "soft", "middle"
    )
    words = "; ".join(
        f"{name}: {value:+.4f} ({first:+.4f} to {last:+.4f})"
        for name, (value, first, last) in bars.items()
    )
    caption = "Error of every result, and the bias of each level with its 95 % interval"
    words = f"Bias by level in mmol/L, with its 95 % interval: {words}."
    return {"svg": drawn.svg("errors", caption, words, style), "caption": caption, "words": words}


def report_html(found: Verification) -> str:
    """HTML of the report: one file that loads nothing and runs no script."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    style = (files("endpoint.report") / "templates" / "report.css").read_text("utf-8").strip()
    style += "\n.scroll { overflow-x: auto; }"
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    environment = Environment(
        loader=PackageLoader("endpoint.verification", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
    )
    drawing = errors_drawing(found)
    return environment.get_template("verification.html.jinja").render(
        **report_contents(found),
        drawing={**drawing, "svg": Markup(drawing["svg"])},
        style=Markup(style),
        style_hash=f"sha256-{digest}",
    )


def report_pdf(found: Verification) -> bytes:
    """PDF of the report.

    Raises
    ------
    InstallProblem
        typst cannot be loaded.
    OutputProblem
        The PDF cannot be typeset.
    """
    drawing = errors_drawing(found, PRINT_STYLE)
    drawn = {"file": "errors.svg", "caption": drawing["caption"], "words": drawing["words"]}
    data = {**report_contents(found), "drawing": drawn}
    svg = {"errors.svg": drawing["svg"]}
    return set_from("endpoint.verification", "verification.typ", data, svg)
