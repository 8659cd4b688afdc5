"""Visual and recorded titres, from a CSV table.

    analyst,sample,visual_ml,objective_ml,last_red_ml
    AB,Mill spring,13.95,13.848,13.894
    BC,Mill spring,13.90,13.848,13.894

* `visual_ml`: what a person read, mL; needed.
* `objective_ml`: equivalence volume from a recording or another objective end point, mL; or
  `recording`: the JSON that `endpoint locate --json` wrote (path from the table), or with a table
  of `endpoint batch` the name of a record in it; either brings equivalence volume, last red and
  their uncertainties.
* `last_red_ml`: where 95 % of the indicator is free, mL; optional.
* `visual_u_ml`, `objective_u_ml`, `last_red_u_ml`: standard uncertainties, optional.
* `analyst`, `sample`: names; optional. `remark`: not read.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.problem import Problem
from calibration.wording import one_line
from endpoint.files import csv_table
from endpoint.files.batch_table import read_batch_table
from endpoint.files.result_json import result_json
from endpoint.hardness.titre import LONGEST_TEXT
from endpoint.problems import nearest

COLUMNS = (
    "analyst",
    "sample",
    "visual_ml",
    "visual_u_ml",
    "objective_ml",
    "objective_u_ml",
    "last_red_ml",
    "last_red_u_ml",
    "recording",
    "remark",
)
_BATCH_NUMBERS = ("equivalence_ml", "equivalence_u_ml", "last_red_ml", "last_red_u_ml")
MOST_ROWS = 3000
"""Rows of a table at most, see `passing_bablok.MOST`."""
_MOST_ML = 200.0
_LEAST_ML = 0.02
_MOST_U_ML = 10.0
"""Titres, mL, and standard uncertainties, mL, beyond which a cell is a typing error: less than a
drop, or more than any burette holds."""
_ONE_PERSON = "all (no column analyst)"
_NEITHER = "Add a column objective_ml (equivalence volume, mL) or recording (a result of locate)."


class CompareTableProblem(Problem):
    """A table of visual and recorded titres cannot be used."""

    code = "compare-table"


@dataclass(frozen=True)
class Pair:
    """One titration with both volumes, mL."""

    row: int
    """Row in the file."""
    analyst: str
    sample: str
    visual_ml: float
    equivalence_ml: float
    last_red_ml: float | None = None
    visual_u_ml: float | None = None
    equivalence_u_ml: float | None = None
    last_red_u_ml: float | None = None
    recording: str | None = None
    """File of the recording's result."""


@dataclass(frozen=True)
class LeftOut:
    """A row whose recording has no volume."""

    row: int
    analyst: str
    sample: str
    because: str


def named_row(one: Pair | LeftOut) -> str:
    """Row with what the table says of it: "Row 9 (KT, well 3)"."""
    said = [text for text in (one.analyst, one.sample) if text and text != _ONE_PERSON]
    return f"Row {one.row} ({', '.join(said)})" if said else f"Row {one.row}"


@dataclass(frozen=True)
class CompareTable:
    """All rows of a table."""

    name: str
    pairs: tuple[Pair, ...]
    left_out: tuple[LeftOut, ...]
    has_analysts: bool
    has_samples: bool


def read_compare_table(path: Path, results: Path | None = None) -> CompareTable:
    """Read a table; the rules stand at the top of this module.

    Parameters
    ----------
    path:
        The table.
    results:
        Table that `endpoint batch` wrote, for the column `recording`.

    Raises
    ------
    CompareTableProblem
        A column is missing or unknown, or a cell cannot be used; file, row and column are named.
    ResultFileProblem
        A file in the column `recording` is missing or no result.
    """
    sheet = csv_table.read_sheet(path, CompareTableProblem)
    titles = [title.strip().lower() for title in sheet.header]
    _check_titles(sheet, titles)
    if len(sheet.rows) > MOST_ROWS:
        raise CompareTableProblem(
            f"{sheet.name} has {len(sheet.rows)} rows.", f"Give {MOST_ROWS} at most."
        )
    pairs: list[Pair] = []
    left: list[LeftOut] = []
    bring = _from_files(path.parent) if results is None else _from_batch(results)
    for k in range(len(sheet.rows)):
        found = _row(sheet, titles, k, bring)
        if isinstance(found, Pair):
            pairs.append(found)
        else:
            left.append(found)
    return CompareTable(
        sheet.name, tuple(pairs), tuple(left), "analyst" in titles, "sample" in titles
    )


def _check_titles(sheet: csv_table.Sheet, titles: list[str]) -> None:
    for title in titles:
        if title and title not in COLUMNS:
            raise CompareTableProblem(
                f'{sheet.name} has an unknown column "{title[:40]}".',
                nearest(title, COLUMNS),
            )
        if title and titles.count(title) > 1:
            raise CompareTableProblem(
                f"{sheet.name} has two columns {title}.", "Rename or remove one of them."
            )
    if "visual_ml" not in titles:
        raise CompareTableProblem(
            f"{sheet.name} has no column visual_ml.",
            "Give the titres read by eye, in mL, this title; the file has: "
            f"{', '.join(titles)[:120]}.",
        )
    if "objective_ml" not in titles and "recording" not in titles:
        raise CompareTableProblem(f"{sheet.name} has no recorded volumes.", _NEITHER)


def _row(sheet: csv_table.Sheet, titles: list[str], k: int, bring: _Bring) -> Pair | LeftOut:
    where = f"Row {sheet.numbers[k]} of {sheet.name}"
    cells = dict(zip(titles, range(len(titles)), strict=True))

    def text(key: str) -> str:
        return one_line(sheet.rows[k][cells[key]], LONGEST_TEXT) if key in cells else ""

    def number(key: str, low: float, high: float) -> float | None:
        if not text(key):
            return None
        return _bounded(sheet, k, cells[key], low, high)

    visual = number("visual_ml", _LEAST_ML, _MOST_ML)
    if visual is None:
        raise CompareTableProblem(f"{where} has no visual_ml.", "Fill the cell or delete the row.")
    values: dict[str, Any] = {
        "visual_u_ml": number("visual_u_ml", 0.0, _MOST_U_ML),
        "equivalence_ml": number("objective_ml", _LEAST_ML, _MOST_ML),
        "equivalence_u_ml": number("objective_u_ml", 0.0, _MOST_U_ML),
        "last_red_ml": number("last_red_ml", _LEAST_ML, _MOST_ML),
        "last_red_u_ml": number("last_red_u_ml", 0.0, _MOST_U_ML),
    }
    analyst, sample = text("analyst"), text("sample")
    if "analyst" in cells and not analyst:
        raise CompareTableProblem(f"{where} names no analyst.", "Fill the cell in every row.")
    recording = text("recording") or None
    if recording is not None:
        given = next((key for key, v in values.items() if v is not None and key[0] != "v"), None)
        if given is not None:
            name = given.replace("equivalence", "objective")
            raise CompareTableProblem(
                f"{where} has both a recording and {name}.", "Keep one of the two in a row."
            )
        brought = bring(recording, where)
        if isinstance(brought, str):
            return LeftOut(sheet.numbers[k], analyst or _ONE_PERSON, sample, brought)
        values |= brought
    if values["equivalence_ml"] is None:
        raise CompareTableProblem(
            f"{where} has no recorded volume.", "Fill objective_ml or recording, or delete the row."
        )
    return Pair(
        row=sheet.numbers[k],
        analyst=analyst or _ONE_PERSON,
        sample=sample,
        visual_ml=visual,
        recording=recording,
        **values,
    )


def _bounded(sheet: csv_table.Sheet, row: int, column: int, low: float, high: float) -> float:
    value = csv_table.number_in(sheet, row, column, CompareTableProblem)
    if not low <= value <= high:
        raise CompareTableProblem(
            f"Row {sheet.numbers[row]} of {sheet.name} has {value:g} mL for "
            f"{sheet.header[column].strip()}, outside {low:g} to {high:g} mL.",
            "Give it in millilitres.",
        )
    return value


_Bring = Callable[[str, str], dict[str, float | None] | str]
"""From the cell `recording` and its place to the volumes, or to why there are none."""
_ONLY_INTERVAL = "its recording gives only an interval"
_NO_VOLUME = "its recording has no equivalence volume"


def _from_files(folder: Path) -> _Bring:
    """Volumes from result files next to the table; each is read once."""
    seen: dict[Path, dict[str, Any]] = {}

    def bring(name: str, where: str) -> dict[str, float | None] | str:
        path = folder / name
        if path not in seen:
            seen[path] = result_json(path)[0]
        return _from_result(seen[path], path, where)

    return bring


def _from_batch(results: Path) -> _Bring:
    """Volumes from the table of a batch."""
    batch = read_batch_table(results, _BATCH_NUMBERS, CompareTableProblem)

    def bring(name: str, where: str) -> dict[str, float | None] | str:
        status, found = batch.result(name, where)
        if status != "located":
            return _ONLY_INTERVAL if status == "bracketed" else _NO_VOLUME
        return found

    return bring


def _from_result(data: dict[str, Any], path: Path, where: str) -> dict[str, float | None] | str:
    """Volumes of a result, or why there are none."""
    status = data.get("status")
    if status not in ("located", "bracketed", "none") or "equivalence_ml" not in data:
        raise CompareTableProblem(
            f"{where}: {path.name} is not a result of endpoint locate.",
            "Name a file that endpoint locate --json FILE wrote.",
        )
    equivalence = _volume(data, "equivalence_ml", path, where)
    if status != "located" or equivalence is None:
        return _ONLY_INTERVAL if status == "bracketed" else _NO_VOLUME
    red = _volume(data, "last_red_ml", path, where)
    return {
        "equivalence_ml": equivalence[0],
        "equivalence_u_ml": equivalence[1],
        "last_red_ml": None if red is None else red[0],
        "last_red_u_ml": None if red is None else red[1],
    }


def _volume(
    data: dict[str, Any], key: str, path: Path, where: str
) -> tuple[float, float | None] | None:
    table = data.get(key)
    if not isinstance(table, dict) or table.get("value") is None:
        return None
    value, u = table["value"], table.get("standard_uncertainty")
    for each in (value, 0.0 if u is None else u):
        if isinstance(each, bool) or not isinstance(each, int | float) or not math.isfinite(each):
            raise CompareTableProblem(
                f"{where}: {key} of {path.name} is not a number.", "Run endpoint locate again."
            )
    return float(value), None if u is None else float(u)
