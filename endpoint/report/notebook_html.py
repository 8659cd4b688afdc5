"""A result as a piece of HTML for a notebook: answer, why, chart, budget, caution.

No script, no network, no style of its own but widths, so that it takes on light and dark pages.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from html import escape
from typing import Any

from endpoint.analysis.result import Result
from endpoint.drawing.chart import chart, describe, picture_bytes
from endpoint.result import wording
from endpoint.result.document import document
from endpoint.result.text import name_of
from endpoint.rounding import FIXED_SPACE

_MOST_PARTS = 8
"""Lines of the budget that a notebook shows."""


def html_of(result: Result) -> str:
    """HTML of a result; every text of the user's is escaped."""
    data = document(result, {})
    answer = wording.answer_text(data).replace(FIXED_SPACE, " ")
    parts = [f"<div><p><strong>{escape(answer)}</strong></p>"]
    parts += _list([wording.advised(s) for s in data["reasons"]])
    parts += _volumes(data)
    parts += _list([wording.advised(s) for s in data["diagnosis"]])
    parts.append(_picture(result))
    parts += _budget(data)
    caution = wording.cautions(result.job.indicator.ph)
    parts.append(f"<p><small>{escape(caution)}</small></p></div>")
    return "\n".join(parts)


def _list(texts: list[str]) -> list[str]:
    if not texts:
        return []
    return ["<ul>", *(f"<li>{escape(text)}</li>" for text in texts), "</ul>"]


def _volumes(data: Mapping[str, Any]) -> list[str]:
    rows = [
        f'<tr><th scope="row" style="text-align:left">{escape(f"{title} ({meaning})")}</th>'
        f"<td>{escape(number)}</td></tr>"
        for _, title, number, meaning in wording.volume_rows(data)
    ]
    if not rows:
        return []
    return ["<table><caption style='text-align:left'>Volumes, 95 %</caption>", *rows, "</table>"]


def _picture(result: Result) -> str:
    """Chart as an image of its own, so that two results on one page cannot mix their marks."""
    words = describe(result)
    svg = picture_bytes(chart(result), "svg", name_of(result), words)
    data = base64.b64encode(svg).decode("ascii")
    return (
        f'<img src="data:image/svg+xml;base64,{data}" alt="{escape(words, quote=True)}" '
        'style="max-width:100%;background:white">'
    )


def _budget(data: Mapping[str, Any]) -> list[str]:
    if data["hardness"] is None:
        return []
    titles = ("source", "mg/L CaCO3", "share")
    head = "".join(f'<th scope="col">{title}</th>' for title in titles)
    large, rest = wording.budget_rows(data["budget"], _MOST_PARTS)
    lines = [(name, part, share) for part, share, name in large]
    lines += [] if rest is None else [(rest[1], "", rest[0])]
    rows = [
        f'<tr><th scope="row" style="text-align:left">{escape(name)}</th>'
        f"<td>{part}</td><td>{escape(share)} %</td></tr>"
        for name, part, share in lines
    ]
    return [
        "<details><summary>Where the uncertainty of the hardness comes from</summary><table>",
        f"<tr>{head}</tr>",
        *rows,
        "</table></details>",
    ]
