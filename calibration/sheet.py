"""Calibration sheets: what a person writes at the bench, checked cell by cell.

A sheet is a TOML file:

    format = 1
    [certificate]
    id = "burette-17-2026"
    what = "Burette 50 mL, number 17"
    date = 2026-03-02
    expiry = 2027-03-02        # optional
    operator = "AB"
    [ware]                     # tables as the kind of calibration needs them
    kind = "burette"
    [[weighing]]               # readings, one table for each row
    mark_ml = 10
    mass_g = 9.9712

Instead of `[[weighing]]` the rows may stand in a CSV file that the sheet names with
`csv = "weighings.csv"`. A CSV file can also be the whole sheet: its first lines then begin with
`#` and hold the TOML. Columns are separated by comma, semicolon or tab; with the last two a
decimal comma is read too.

Every error names file, table or row, key or column, and one remedy.
"""

from __future__ import annotations

import csv
import datetime
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibration.cells import Section, SheetProblem
from calibration.reading import Unreadable, read_text, toml_of

FORMAT = 1
"""Version of the format that every sheet states."""
MAX_BYTES = 5_000_000
"""Bytes of a sheet beyond which it is refused unread. Assumed, as is the next: far beyond what a
person types or a balance exports."""
MAX_ROWS = 10_000
"""Rows of one table of a sheet at most."""


@dataclass(frozen=True)
class Head:
    """What every certificate begins with."""

    identifier: str
    what: str
    date: datetime.date
    expiry: datetime.date | None
    operator: str
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """A calibration sheet that was read; cells are checked as they are asked for."""

    name: str
    """File name, named in errors."""
    folder: Path
    """Where relative paths in the sheet begin."""
    today: datetime.date
    tables: Mapping[str, Any]
    table_rows: tuple[Section, ...] | None = None
    """Rows of the CSV, or None where there is none."""
    _asked: set[str] = field(default_factory=set)

    def has(self, name: str) -> bool:
        """Tell whether a table, or rows of that name, stand in the sheet."""
        self._asked.add(name)
        return name in self.tables

    def section(self, name: str, needed: bool = True) -> Section:
        """Return one table, `[name]`; an empty one where it is missing and not `needed`.

        Raises
        ------
        SheetProblem
            It is missing and needed, or no table.
        """
        self._asked.add(name)
        value = self.tables.get(name, None if needed else {})
        if value is None:
            raise SheetProblem(f"{self.name}: the table [{name}] is missing.", f"Add [{name}].")
        if not isinstance(value, dict):
            raise SheetProblem(
                f"{self.name}: {name} is not a table.", f"Write [{name}] above its keys."
            )
        return Section(f"{self.name}: {name}", value)

    def rows(self, name: str, least: int = 1) -> tuple[Section, ...]:
        """Return the readings: every `[[name]]`, or else the rows of the CSV.

        Raises
        ------
        SheetProblem
            There are fewer than `least`, or they stand in both places.
        """
        self._asked.add(name)
        value = self.tables.get(name)
        if value is not None and self.table_rows is not None:
            raise SheetProblem(
                f"{self.name}: there are readings in [[{name}]] and in a CSV.",
                "Keep one of the two.",
            )
        if isinstance(value, list) and all(isinstance(row, dict) for row in value):
            found = tuple(
                Section(f"{self.name}: {name}, row {n}", row) for n, row in enumerate(value, 1)
            )
        elif value is not None:
            raise SheetProblem(
                f"{self.name}: {name} is not a list of readings.",
                f"Write [[{name}]], with two brackets, above each reading.",
            )
        else:
            found = self.table_rows or ()
        if len(found) < least:
            raise SheetProblem(
                f"{self.name} holds {len(found)} reading(s) [[{name}]], but {least} or more are "
                "needed.",
                f"Add a [[{name}]] for each reading, or a CSV file; a single reading does not show "
                "its scatter.",
            )
        if len(found) > MAX_ROWS:
            raise SheetProblem(
                f"{self.name} holds {len(found)} readings.", f"Give {MAX_ROWS} at most."
            )
        return found

    def head(self) -> Head:
        """Read and check `[certificate]`.

        Raises
        ------
        SheetProblem
            A key is missing or unknown, the date is after today, or the expiry before the date.
        """
        part = self.section("certificate")
        date = part.day("date", today=self.today)
        expiry = part.day("expiry", None)
        if expiry is not None and expiry < date:
            raise part.problem(
                "expiry",
                f"is {expiry}, before the date {date}.",
                "Check both days; perhaps they were swapped.",
            )
        remarks = part.cells.get("remarks", []) if part.has("remarks") else []
        if not isinstance(remarks, list) or not all(isinstance(text, str) for text in remarks):
            raise part.problem("remarks", "is not a list of texts.", 'Write ["..."].')
        head = Head(
            part.text("id"),
            part.text("what"),
            date,
            expiry,
            part.text("operator"),
            tuple(remarks),
        )
        part.close()
        return head

    def close(self) -> None:
        """Refuse tables that were never asked for."""
        known = Section(self.name, self.tables, self._asked | {"format", "csv"})
        known.close()


def read_sheet(path: Path, today: datetime.date) -> Sheet:
    """Read a sheet, TOML or CSV with a head of `#` lines.

    Parameters
    ----------
    path:
        The file.
    today:
        Day of reading, for dates in the future.

    Raises
    ------
    SheetProblem
        The file cannot be read, is no TOML or no table, or has no `format = 1`.
    """
    text = _text(path)
    rows: tuple[Section, ...] | None = None
    is_csv = path.suffix.lower() in (".csv", ".tsv", ".txt")
    if is_csv:
        lines = text.splitlines()
        head = [line.lstrip()[1:].removeprefix(" ") for line in lines if _is_head(line)]
        body = [(n, line) for n, line in enumerate(lines, 1) if line.strip() and not _is_head(line)]
        if not head:
            raise SheetProblem(
                f"{path.name} has rows but no head.",
                'Begin it with lines such as: # format = 1, then # [certificate], # id = "..."; '
                "or name the CSV in a TOML sheet: csv = ...",
            )
        rows = tuple(_csv_rows(path.name, body))
        text = "\n".join(head)
    tables = _toml(path.name, text)
    if tables.get("format") != FORMAT:
        raise SheetProblem(
            f"{path.name} has no format = {FORMAT}.", f"Write format = {FORMAT} as its first line."
        )
    named = tables.get("csv")
    if named is not None:
        if is_csv or not isinstance(named, str) or "\x00" in named:
            raise SheetProblem(
                f"{path.name}: csv is not a file name.", 'Write csv = "readings.csv".'
            )
        other = path.parent / named
        numbered = list(enumerate(_text(other).splitlines(), 1))
        rows = tuple(_csv_rows(other.name, [(n, t) for n, t in numbered if t.strip()]))
    return Sheet(path.name, path.parent, today, tables, rows)


def _is_head(line: str) -> bool:
    return line.lstrip().startswith("#")


def _text(path: Path) -> str:
    try:
        return read_text(path, MAX_BYTES)
    except Unreadable as why:
        raise SheetProblem(
            f"The sheet {path.name} cannot be read ({why.reason}).",
            "Check its name and permissions."
            if why.kind != "text"
            else "Save the sheet as TOML or CSV, in UTF-8.",
        ) from None


def _toml(name: str, text: str) -> dict[str, Any]:
    try:
        return toml_of(text, name)
    except Unreadable as why:
        raise SheetProblem(
            why.sentence, "Correct that line; put texts in quotes, numbers without."
        ) from None


def _csv_rows(name: str, lines: Sequence[tuple[int, str]]) -> Iterator[Section]:
    if not lines:
        return
    separator = max(";\t,", key=lines[0][1].count)
    try:
        cells = [(n, next(csv.reader([line], delimiter=separator), [])) for n, line in lines]
    except csv.Error:
        raise SheetProblem(
            f"{name} cannot be read as a table.", "Save it again as CSV from the table program."
        ) from None
    header = [cell.strip() for cell in cells[0][1]]
    twice = next((key for key in header if key and header.count(key) > 1), None)
    if twice is not None or not all(header):
        raise SheetProblem(
            f"{name}: row {cells[0][0]} "
            + ("holds an empty name." if twice is None else f"names {twice} twice."),
            "Give each column a name of its own in the first row.",
        )
    for number, row in cells[1:]:
        if len(row) != len(header):
            raise SheetProblem(
                f"{name}: row {number} has {len(row)} cells, but the header has {len(header)}.",
                "If the numbers use a decimal comma, separate the cells with semicolons.",
            )
        values = {
            key: _cell(cell.strip(), separator)
            for key, cell in zip(header, row, strict=True)
            if cell.strip()
        }
        yield Section(f"{name}: row {number}", values)


def _cell(text: str, separator: str) -> float | str:
    """Return the number in a cell, or its text."""
    plain = text if separator == "," else text.replace(",", ".")
    try:
        return float(plain) if plain.isascii() and "_" not in plain else text
    except ValueError:
        return text
