"""The table of a verification: one row for each titration of a standard of known hardness.

A CSV with a head of `#` lines, or a TOML sheet that names its CSV:

    # format = 1
    # [certificate]
    # id = "METHOD-1"
    # what = "EDTA titration by film, bench 2"
    # date = 2026-11-20
    # expiry = 2027-11-20
    # operator = "KT"
    # [method]
    # bench = "bench 2, camera C1, burette B2"
    # standards = "calcium carbonate, lot C-18, in dilute hydrochloric acid"
    # end = "recording"                   # or "by eye": how the end was found
    # largest_bias_percent = 1.0          # acceptance limits, set before the titrations; optional
    # largest_scatter_percent = 0.5       # standard deviation of one result
    level,day,known_mmol_l,known_u_mmol_l,recording
    low,1,1.000,0.002,low-1/result.json

`recording` is a result of `endpoint locate` (file or folder, from the table), or with a table of
`endpoint batch` the name of a record in it. In place of it found_mmol_l, found_u_mmol_l and
own_u_mmol_l may stand: the result, its standard uncertainty, and the part of that which is new in
each titration.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from calibration.cells import Section
from calibration.problem import CalibrationProblem, Problem
from calibration.sheet import Head, Sheet, read_sheet
from endpoint.files.batch_table import read_batch_table
from endpoint.hardness.titre_files import read_runs
from endpoint.hardness.titre_table import TitreSetup

ENDS = ("recording", "by eye")
"""How the end of a titration is found."""
LEAST_LEVEL = 2
"""Titrations of a level without which its scatter is unknown."""
_BATCH_NUMBERS = ("hardness_mmol_l", "hardness_u_mmol_l", "hardness_own_u_mmol_l")
_MOST_MMOL_L = 1000.0
"""Hardness, mmol/L, beyond which a cell is a typing error."""


class VerificationProblem(Problem):
    """A verification cannot be planned or evaluated."""

    code = "verification"


@dataclass(frozen=True)
class Titration:
    """One titration of a standard, mmol/L."""

    level: str
    day: str
    known: float
    known_u: float
    found: float
    u: float
    own_u: float
    """Part of `u` that is new in each titration: scatter, readings, fillings."""

    @property
    def error(self) -> float:
        """Found minus known."""
        return self.found - self.known


@dataclass(frozen=True)
class Limits:
    """Acceptance limits, parts of the hardness; None where none was set."""

    bias: float | None = None
    scatter: float | None = None


@dataclass(frozen=True)
class VerificationTable:
    """A table that was read."""

    name: str
    head: Head
    bench: str
    standards: str
    limits: Limits
    end: str | None
    """How the end was found, "recording" or "by eye"; None where nobody says."""
    titrations: tuple[Titration, ...]
    without_result: tuple[str, ...]
    """Rows whose recording gave no hardness, and why."""


def read_verification(path: Path, results: Path | None, today: datetime.date) -> VerificationTable:
    """Read a table; the rules stand at the top of this module.

    Parameters
    ----------
    path:
        The table.
    results:
        Table of `endpoint batch`, for the column `recording`.
    today:
        Day of reading, for dates in the future.

    Raises
    ------
    Problem
        A cell is missing or cannot be true, or a level has fewer than 2 results.
    """
    try:
        sheet = read_sheet(path, today)
        head = sheet.head()
        bench, standards, limits, end = _method(sheet)
        rows = sheet.rows("titration", least=LEAST_LEVEL)
        bring = _from_files(path.parent) if results is None else _from_batch(results)
        if any(row.has("recording") for row in rows):
            end = "recording"
        kept, left = _titrations(rows, bring)
        sheet.close()
    except CalibrationProblem as problem:
        raise VerificationProblem(problem.sentence, problem.remedy) from None
    _check_levels(path.name, kept, left)
    return VerificationTable(path.name, head, bench, standards, limits, end, kept, left)


def _method(sheet: Sheet) -> tuple[str, str, Limits, str | None]:
    section = sheet.section("method")
    found = section.text("bench"), section.text("standards")
    operator = sheet.head().operator
    for key, text in (("operator", operator), ("bench", found[0]), ("standards", found[1])):
        if text.strip() == "?":
            raise VerificationProblem(
                f"{section.where}: {key} is not filled in.",
                "Write who titrated, on which bench and with which standards.",
            )
    bias = section.number("largest_bias_percent", 0.001, 50.0, None)
    scatter = section.number("largest_scatter_percent", 0.001, 50.0, None)
    end = section.text("end", None)
    if end not in (None, *ENDS):
        raise VerificationProblem(
            f'{section.where}: end is "{end:.40}".', 'Write "recording" or "by eye".'
        )
    section.close()
    return *found, Limits(*(None if v is None else 0.01 * v for v in (bias, scatter))), end


_Bring = Callable[[str, str], tuple[float, float, float] | str]
"""From the cell `recording` and its place to result, uncertainty and own part, or to why not."""


def _titrations(
    rows: tuple[Section, ...], bring: _Bring
) -> tuple[tuple[Titration, ...], tuple[str, ...]]:
    kept, left = [], []
    _check_once(rows)
    for row in rows:
        level, day = _words(row, "level"), _words(row, "day", "1")
        known = row.number("known_mmol_l", 0.0, _MOST_MMOL_L)
        known_u = row.number("known_u_mmol_l", 0.0, _MOST_MMOL_L, 0.0)
        if row.has("recording"):
            found = bring(_words(row, "recording"), row.where)
        else:
            value = row.number("found_mmol_l", -1.0, _MOST_MMOL_L)
            u = row.number("found_u_mmol_l", 1e-9, _MOST_MMOL_L)
            found = value, u, row.number("own_u_mmol_l", 1e-9, _MOST_MMOL_L)
        for note in ("code", "remark"):
            row.text(note, None)
        row.close()
        if isinstance(found, str):
            left.append(f"{row.where}: {found}")
        else:
            kept.append(Titration(level, day, known, known_u, *found))
    return tuple(kept), tuple(left)


def _check_once(rows: tuple[Section, ...]) -> None:
    """Refuse a recording, or a whole row with its code, that stands in the table twice."""
    seen: set[str] = set()
    for row in rows:
        if row.has("recording"):
            name = f"recording {_words(row, 'recording'):.60}"
        elif row.has("code"):
            name = f"row of {', '.join(f'{cell}' for cell in row.cells.values())}"
        else:
            continue
        if name in seen:
            raise VerificationProblem(
                f"{row.where}: the {name} stands in the table twice.",
                "Give each titration one row, with its own recording.",
            )
        seen.add(name)


def _words(row: Section, key: str, default: str | None = None) -> str:
    """Text of a cell; a number counts as text here."""
    value = row.cells[key] if row.has(key) else None
    if isinstance(value, float | int):
        return f"{value:g}"
    return str(row.text(key) if default is None else row.text(key, default))


def _check_levels(
    name: str, titrations: tuple[Titration, ...], without_result: tuple[str, ...]
) -> None:
    if not titrations and without_result:
        raise VerificationProblem(
            f"{name} holds no result: {without_result[0]}"
            + (", and so on." if len(without_result) > 1 else "."),
            "See what endpoint locate says of that record.",
        )
    known: dict[str, set[tuple[float, float]]] = {}
    for each in titrations:
        known.setdefault(each.level, set()).add((each.known, each.known_u))
    for level, values in known.items():
        count = sum(each.level == level for each in titrations)
        if len(values) > 1:
            raise VerificationProblem(
                f"{name}: the level {level} has {len(values)} different known values.",
                "Give each standard a level of its own.",
            )
        if count < LEAST_LEVEL:
            raise VerificationProblem(
                f"{name}: the level {level} has {count} result, which does not show its scatter.",
                "Titrate each level twice or more.",
            )
    if not titrations:
        raise VerificationProblem(f"{name} holds no result.", "Titrate, and fill the table.")


def _from_files(folder: Path) -> _Bring:
    def bring(name: str, where: str) -> tuple[float, float, float] | str:
        if name.endswith(".toml"):
            raise VerificationProblem(
                f"{where}: {name} is a record, not a result.",
                f"Run endpoint batch {folder} --out RESULTS first, then give --results "
                "RESULTS/results.csv.",
            )
        (run,) = read_runs((folder / name,), TitreSetup())
        if run.hardness_mmol_l is None:
            return f"{name} has no hardness ({run.status})"
        found = run.hardness_mmol_l
        own = run.own_uncertainty(found)
        if not own > 0:
            raise VerificationProblem(
                f"{where}: {name} does not name its uncertainties.", "Run endpoint locate again."
            )
        return found.value, found.standard_uncertainty, own

    return bring


def _from_batch(results: Path) -> _Bring:
    batch = read_batch_table(results, _BATCH_NUMBERS, VerificationProblem)

    def bring(name: str, where: str) -> tuple[float, float, float] | str:
        status, found = batch.result(name, where)
        value, u, own = (found[key] for key in _BATCH_NUMBERS)
        if status != "located" or value is None:
            return f"{name} has no hardness ({status})"
        if u is None:
            raise VerificationProblem(
                f"{name} has no uncertainty in {results.name}.", "Run endpoint batch again."
            )
        return value, u, own if own is not None and own > 0 else u

    return bring
