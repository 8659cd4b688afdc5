"""A report as one HTML file that needs nothing else: no script, no network, no other file."""

from __future__ import annotations

import base64
import functools
import hashlib
from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any

from endpoint.drawing.budget_svg import budget_drawing
from endpoint.drawing.curve_svg import curve_drawings
from endpoint.report.contents import contents_of
from endpoint.result.kept import KeptResult, picture_bytes

_MOST_BARS = 8
"""Bars of the budget; the table has all."""
PICTURES = (
    (
        "region.png",
        "First picture of the recording",
        "The liquid is outlined with a solid line, the reference with a dashed one.",
    ),
    (
        "thumbnails.png",
        "Pictures of the titration; those set aside are crossed out, with the reason",
        "Small pictures from the whole titration, each with its volume and the measured region; a "
        "caption says whether it was used or why it was set aside.",
    ),
)
"""Kept pictures that a report shows: file, caption, words for those who cannot see it."""
NO_CURVE = (
    "No curve is drawn: only a result.json was given, or the recording has too few points. The "
    "folder that endpoint locate --out wrote contains the curve."
)
NO_BUDGET = (
    "Only a hardness has a budget by source. The interval above includes titrant, ware and "
    "recording."
)


def report_page(kept: KeptResult) -> str:
    """HTML of a report on one result.

    Parameters
    ----------
    kept:
        As read from its files, see `endpoint.result.kept`.
    """
    view = drawn_contents(kept, "r1")
    return page_of([view], view["title"], view["label"], dated(view))


def page_of(
    views: Sequence[dict[str, Any]],
    title: str,
    heading: str,
    day: str = "",
    replicates: dict[str, Any] | None = None,
) -> str:
    """HTML of a report on one result, or on a mean and then on each of its results.

    Parameters
    ----------
    views:
        From `drawn_contents`, one for each result.
    title, heading:
        Of the window and of the page.
    day:
        Line below the heading.
    replicates:
        Texts on the mean, where there are several results.
    """
    style = _resource("report.css")
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    return str(
        _template().render(
            views=views,
            title=title,
            heading=heading,
            dated=day,
            replicates=replicates,
            style=_safe(style),
            style_hash=f"sha256-{digest}",
            cautions=list(dict.fromkeys(view["cautions"] for view in views)),
            program=program(views),
            files=", ".join(view["file"] for view in views),
        )
    )


def drawn_contents(kept: KeptResult, name: str) -> dict[str, Any]:
    """Texts of a result with its drawings and pictures, for the page.

    Parameters
    ----------
    kept:
        The result.
    name:
        Begins the ids of its drawings.
    """
    view = contents_of(kept)
    view["curves"] = [_marked(d) for d in curve_drawings(kept, name)]
    view["no_curve"] = NO_CURVE
    view["budget_missing"] = NO_BUDGET if kept.status == "located" else ""
    budget = view["budget"]
    if budget is not None:
        budget["inputs"] = any(row["input"] for row in budget["rows"])
    view["bars"] = bars_of(view, name)
    view["pictures"] = []
    for file, caption, words in PICTURES:
        data = picture_bytes(kept, file)
        if data is not None:
            encoded = base64.b64encode(data).decode("ascii")
            view["pictures"].append({"caption": caption, "words": words, "data": encoded})
    return view


def bars_of(view: Mapping[str, Any], name: str) -> dict[str, Any] | None:
    """Bar chart of the budget of a view; None where there is none."""
    budget = view["budget"]
    if budget is None:
        return None
    return _marked(budget_drawing(budget["rows"], budget["unit"], name, _MOST_BARS))


def dated(view: dict[str, Any]) -> str:
    """Line with the day of the titration and of the analysis, as far as they are known."""
    days = [fact["value"] for fact in view["sample"] if fact["name"] == "Titrated on"]
    parts = [f"Titrated on {day}" for day in days]
    parts += [
        f"analysed {fact['value'][:10]}"
        for fact in view["provenance"]
        if fact["name"] == "Analysed"
    ]
    line = ", ".join(parts)
    return line[:1].upper() + line[1:]


def program(views: Sequence[dict[str, Any]]) -> str:
    """Programs that made the results."""
    named = [f["value"] for view in views for f in view["provenance"] if f["name"] == "Program"]
    return ", ".join(dict.fromkeys(named)) or "endpoint"


def _marked(drawing: dict[str, str]) -> dict[str, Any]:
    """Drawing whose SVG goes into the page as it is; all texts in it are escaped."""
    return {**drawing, "svg": _safe(drawing["svg"])}


def _safe(text: str) -> Any:
    from markupsafe import Markup

    return Markup(text)


@functools.cache
def _template() -> Any:
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=False)
    return environment.from_string(_resource("report.html.jinja"))


@functools.cache
def _resource(name: str) -> str:
    return (files("endpoint.report") / "templates" / name).read_text(encoding="utf-8")
