"""A report as a PDF for paper, set by typst: two pages for one result, tagged (PDF/UA-1).

The template reads the texts as JSON, the drawings and pictures as files of one temporary folder,
which is all that it can reach. So no text of a result is ever markup.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

from endpoint.drawing.curve_svg import curve_drawings
from endpoint.drawing.thumbnails import CELL_IN, COLUMNS, TYPE_PT
from endpoint.report.contents import contents_of, cut, shortened
from endpoint.report.page import NO_BUDGET, NO_CURVE, PICTURES, dated, program
from endpoint.report.typesetting import set_pages
from endpoint.result.kept import KeptResult, picture_bytes

_PAGES = 2
_TEXT_MM, _GAP_MM = 176.0, 5.0
_LEAST_PT = 6.0
"""Pages of the report; width of the text and gap between two pictures, mm; smallest type,
points."""
_LEVELS = (
    # size of type, picture height, rows of the budget, texts in a list, signs of a text
    {"size": 9.8, "picture_mm": 82, "rows": 10, "texts": 10, "signs": 500},
    {"size": 9.5, "picture_mm": 72, "rows": 10, "texts": 8, "signs": 400},
    {"size": 9.2, "picture_mm": 58, "rows": 10, "texts": 6, "signs": 260},
    {"size": 8.8, "picture_mm": 50, "rows": 6, "texts": 4, "signs": 170},
    {"size": 8.2, "picture_mm": 30, "rows": 5, "texts": 3, "signs": 110},
    {"size": 7.8, "picture_mm": 20, "rows": 4, "texts": 2, "signs": 80},
)
"""How much is printed, from all that is usual to what always fits."""


def report_pdf(
    kept: Sequence[KeptResult],
    title: str,
    heading: str,
    mean: Mapping[str, Any] | None = None,
) -> bytes:
    """PDF of a report on one result, or on a mean and then on each of its results.

    Parameters
    ----------
    kept:
        The results.
    title, heading:
        Of the document and of its first page.
    mean:
        Texts on the mean, see `endpoint.replicates.report_contents`; None for one result.

    Returns
    -------
    The same bytes for the same results: no time of making is in it.

    Raises
    ------
    InstallProblem
        typst cannot be loaded.
    OutputProblem
        The PDF cannot be typeset.
    """
    views = [contents_of(each) for each in kept]
    with tempfile.TemporaryDirectory(prefix="endpoint-report-") as place:
        folder = Path(place)
        pictures = [list(_pictures(each, k, folder)) for k, each in enumerate(kept)]
        template = (files("endpoint.report") / "templates" / "report.typ").read_bytes()
        (folder / "report.typ").write_bytes(template)
        heads = {"title": cut(title, 140), "heading": cut(heading, 120)}
        wanted = _PAGES * len(views) + (0 if mean is None else 1)
        for level in _LEVELS:
            data = {**heads, **_data(kept, views, pictures, mean, level, folder)}
            pages, pdf = set_pages(folder, "report.typ", data)
            if pages <= wanted:
                break
        # What the pages of the results have no room for may well fit on that of the mean.
        for fuller in _LEVELS[: _LEVELS.index(level)] if mean is not None else ():
            pages, roomy = set_pages(
                folder, "report.typ", {**data, "mean": _mean(mean or {}, fuller)}
            )
            if pages <= wanted:
                return roomy
        return pdf


def _data(
    kept: Sequence[KeptResult],
    views: Sequence[dict[str, Any]],
    pictures: Sequence[Sequence[Mapping[str, Any]]],
    mean: Mapping[str, Any] | None,
    level: Mapping[str, Any],
    folder: Path,
) -> dict[str, Any]:
    """What the template draws, cut to a level."""
    parts = []
    for k, (view, each) in enumerate(zip(views, kept, strict=True)):
        part = _placed(view, each, k, level, folder)
        part["pictures"] = _side_by_side(pictures[k], level["picture_mm"])
        parts.append(part)
    return {
        "description": cut(views[0]["answer"] if mean is None else mean["answer"], 400),
        "dated": dated(views[0]) if mean is None else "",
        "footer": cut(f"{program(views)}: {', '.join(v['file'] for v in views)}", 90),
        "size": level["size"],
        "mean": None if mean is None else _mean(mean, level),
        "views": parts,
    }


def _pictures(kept: KeptResult, number: int, folder: Path) -> Iterator[dict[str, Any]]:
    from PIL import Image

    for name, caption, words in PICTURES:
        data = picture_bytes(kept, name)
        if data is not None:
            file = f"r{number}-{name}"
            (folder / file).write_bytes(data)
            with Image.open(folder / file) as picture:
                ratio = picture.width / picture.height
            yield {"file": file, "name": name, "caption": caption, "words": words, "ratio": ratio}


def _side_by_side(pictures: Sequence[Mapping[str, Any]], most_mm: float) -> list[dict[str, Any]]:
    """Pictures with the width of each, side by side on the page: the first is the smaller one.

    A strip of which the captions could not be read is left out.
    """
    legible_mm = 25.4 * COLUMNS * CELL_IN * _LEAST_PT / TYPE_PT
    if len(pictures) == 2 and most_mm * pictures[1]["ratio"] < legible_mm:
        more = f"{pictures[0]['caption']} (more in {pictures[1]['name']})"
        pictures = [{**pictures[0], "caption": more}]
    room = _TEXT_MM - _GAP_MM * max(len(pictures) - 1, 0)
    parts = (0.3, 0.7) if len(pictures) == 2 else (0.6,)
    return [
        {**picture, "width_mm": round(min(room * part, most_mm * picture["ratio"]), 2)}
        for picture, part in zip(pictures, parts, strict=False)
    ]


def _placed(
    view: Mapping[str, Any],
    kept: KeptResult,
    number: int,
    level: Mapping[str, Any],
    folder: Path,
) -> dict[str, Any]:
    """View of a result with its drawings in the folder, cut to what a page holds."""
    name, most, longest = f"r{number}", level["texts"], level["signs"]
    placed = {**view, "label": cut(view["label"], 80), "no_curve": NO_CURVE}
    for key in ("deviations", "diagnosis"):
        placed[key] = shortened(view[key], most, longest)
    for key in ("sample", "method", "fit", "provenance"):
        placed[key] = [
            {"name": f["name"], "value": cut(f["value"], min(longest, 200))} for f in view[key][:14]
        ]
    for key in ("volumes_note", "delivered", "frames"):
        placed[key] = cut(view[key], longest)
    placed["headline"] = {**view["headline"], "what": cut(view["headline"]["what"], 60)}
    placed["volumes"] = [
        {**row, "name": cut(row["name"], 40), "meaning": cut(row["meaning"], 80)}
        for row in view["volumes"]
    ]
    placed["parts"] = [cut(text, longest) for text in view["parts"][:6]]
    placed["to_do"] = [
        {key: cut(text, longest) for key, text in each.items()} for each in view["to_do"][:3]
    ]
    placed["cautions"] = [view["cautions"]]
    # What is reserved about them stands under the deviations.
    listed = [f"{c['name']} ({c['about']})" for c in view["certificates"]]
    placed["certificates"] = shortened(listed, most, longest)
    placed["curves"] = [
        _file(folder, f"{name}-curve{k}.svg", drawing)
        for k, drawing in enumerate(curve_drawings(kept, name, paper=True))
    ]
    placed["budget_missing"] = NO_BUDGET if kept.status == "located" else ""
    if view["budget"] is not None:
        placed["budget"] = _shorter(view["budget"], level["rows"], longest)
    return placed


def _mean(mean: Mapping[str, Any], level: Mapping[str, Any]) -> dict[str, Any]:
    placed = dict(mean)
    most, longest = level["texts"], 2 * level["signs"]
    placed["answer"] = cut(mean["answer"], 600)
    placed["findings"] = shortened(mean["findings"], most + 4, longest)
    rows = mean["table"]["rows"]
    shown = [[cut(cell, 60) for cell in row] for row in rows[:20]]
    caption = mean["table"]["caption"]
    if len(rows) > len(shown):
        caption += f" {len(rows) - len(shown)} more titrations are on the next pages."
    placed["table"] = {**mean["table"], "rows": shown, "caption": caption}
    if mean["budget"] is not None:
        placed["budget"] = _shorter(mean["budget"], level["rows"], longest)
    return placed


def _shorter(budget: Mapping[str, Any], most: int, longest: int) -> dict[str, Any]:
    """The first rows of a budget; the rest in one."""
    rows = [
        {**row, "name": cut(row["name"], 80), "input": cut(row["input"], 50)}
        for row in budget["rows"]
    ]
    rest = budget["rest"]
    if len(rows) > most:
        share = sum(row["part"] for row in budget["rows"][most:])
        rest = {
            "share": f"{100 * share:.0f}",
            "name": f"{budget['count'] - most} smaller sources, see result.json",
        }
        rows = rows[:most]
    inputs = any(row["input"] for row in rows)
    texts = {key: cut(budget[key], longest) for key in ("types", "missing")}
    return {**budget, **texts, "rows": rows, "rest": rest, "inputs": inputs}


def _file(folder: Path, name: str, drawing: Mapping[str, str]) -> dict[str, str]:
    (folder / name).write_text(drawing["svg"], "utf-8")
    return {"file": name, "caption": drawing["caption"], "words": drawing["words"]}
