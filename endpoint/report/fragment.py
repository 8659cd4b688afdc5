"""A result as a piece of HTML for a notebook: answer, why, chart, budget, caution.

No script, no network, no style of its own but widths, so that it takes on light and dark pages.
"""

from __future__ import annotations

import base64
from html import escape

from endpoint.pipeline import Result
from endpoint.report.charts import chart, describe
from endpoint.report.files import picture_bytes
from endpoint.report.rounding import two_figures
from endpoint.report.text import CAUTION, advised, answer, name_of, volume_words

_MOST_PARTS = 8
_VOLUMES = (
    ("equivalence", "equivalence volume (goes to the hardness)"),
    ("midpoint", "midpoint (half of the indicator is free)"),
    ("last_red", "last red (95 % is free)"),
)


def html_of(result: Result) -> str:
    """HTML of a result; every text of the user's is escaped."""
    parts = [f"<div><p><strong>{escape(answer(result))}</strong></p>"]
    parts += _list([advised(s) for s in result.reasons])
    parts += _volumes(result)
    parts += _list([advised(s) for s in result.remarks])
    parts.append(_picture(result))
    parts += _budget(result)
    parts.append(f"<p><small>{escape(CAUTION)}</small></p></div>")
    return "\n".join(parts)


def _list(texts: list[str]) -> list[str]:
    if not texts:
        return []
    return ["<ul>", *(f"<li>{escape(text)}</li>" for text in texts), "</ul>"]


def _volumes(result: Result) -> list[str]:
    rows = []
    for field, words in _VOLUMES:
        estimate = getattr(result, field)
        if estimate is not None:
            rows.append(
                f'<tr><th scope="row" style="text-align:left">{escape(words)}</th>'
                f"<td>{escape(volume_words(estimate))}</td></tr>"
            )
    return (
        ["<table><caption style='text-align:left'>Volumes, 95 %</caption>", *rows, "</table>"]
        if rows
        else []
    )


def _picture(result: Result) -> str:
    """Chart as an image of its own, so that two results on one page cannot mix their marks."""
    words = describe(result)
    svg = picture_bytes(chart(result), "svg", name_of(result), words)
    data = base64.b64encode(svg).decode("ascii")
    return (
        f'<img src="data:image/svg+xml;base64,{data}" alt="{escape(words, quote=True)}" '
        'style="max-width:100%;background:white">'
    )


def _budget(result: Result) -> list[str]:
    total = result.hardness
    if total is None:
        return []
    titles = ("source", "mg/L CaCO3", "share")
    head = "".join(f'<th scope="col">{title}</th>' for title in titles)
    rows = [
        f'<tr><th scope="row" style="text-align:left">{escape(line.name)} ({line.kind})</th>'
        f"<td>{two_figures(line.contribution)}</td><td>{100 * line.share:.0f} %</td></tr>"
        for line in total.budget[:_MOST_PARTS]
    ]
    return [
        "<details><summary>Where the uncertainty of the hardness comes from</summary><table>",
        f"<tr>{head}</tr>",
        *rows,
        "</table></details>",
    ]
