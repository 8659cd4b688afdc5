"""CSV files as text cells, as table programs and instruments write them."""

from __future__ import annotations

import csv
import io
import math
import re
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from calibration.problem import Problem
from calibration.reading import Unreadable, read_bytes
from endpoint.problems import DeliveryProblem

MAX_BYTES = 40_000_000
MAX_ROWS = 200_000
"""Rows of a table at most: half an hour at a hundred a second; more would take minutes to fit."""
_MOST_LINES = 3 * MAX_ROWS
"""Lines of a file before it is cut up: rows, with as many blank lines and remarks again between."""
_MAX_CELLS = 4_000_000
_MAX_COLUMNS = 500
_REMEDIES = {
    "missing": "Check the name; names in a record start from its folder, those of a command from "
    "the folder where it runs.",
    "folder": "Name the CSV file in it.",
    "special": "Name a CSV file.",
    "large": "Thin the table.",
    "system": "Check the permissions of the file.",
}
_UNITS = re.compile(
    r"[\[(]?(m?s|sec|seconds?|min|minutes?|h|hours?|[a-z:]*:s+|[mcd\u00b5\u03bcu]?l|[cd]m3|cm³|ccm?|nm"
    r"|m?au|a\.u\.|m?abs|absorbance|a|1|°?c|k|-|none|file|name)?[\])]?",
    re.I,
)
_HEAD_LINES = 200
"""Lines among which a head is looked for; what instruments write above it is far shorter."""
_LOOKED_AT = 1000
"""Rows that show which decimal sign a table has."""
_SEPARATORS = {";": "semicolons", "\t": "tabs", ",": "commas"}
_COMMA_NUMBER = re.compile(r"[-+]?(0,\d+|\d+,(\d{1,2}|\d{4,}))")
"""A decimal comma that no separator of thousands can be."""


@dataclass(frozen=True)
class Sheet:
    """Cells of a CSV as text: header, rows and the row number in the file of each row."""

    name: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    decimal_comma: bool
    units: tuple[str, ...] = ()
    """Cells of a row of units below the header; empty texts without one."""
    above: tuple[str, ...] = ()
    """Lines above the header."""


def read_sheet(
    path: Path,
    problem: type[Problem] = DeliveryProblem,
    is_head: Callable[[tuple[str, ...]], bool] | None = None,
) -> Sheet:
    """Read a CSV file as text cells.

    Parameters
    ----------
    path:
        File to read.
    problem:
        Class of error to raise.
    is_head:
        Whether the cells of a line are the header: then lines may stand above it, and lines that
        begin with # anywhere. Without it the first line is the header.

    Raises
    ------
    Problem
        The file is missing, unreadable, too large, not text, empty, has ragged rows, or separates
        its header with another sign than its rows.
    """
    text = _text_of(path, problem).replace("\r\n", "\n").replace("\r", "\n")
    if text.count("\n") > _MOST_LINES:
        raise _too_many(path.name, problem)
    first, _, rest = text.lstrip("\n").partition("\n")
    if re.fullmatch(r'"?sep=.?"?', first.strip()):  # a hint that table programs write
        text = "\n" + rest
        first = rest.lstrip("\n").partition("\n")[0]
    above: tuple[str, ...] = ()
    if is_head is None:
        separator = max(_SEPARATORS, key=first.count)
    else:
        begin, separator = _head(path.name, text, is_head, problem)
        lines = text.split("\n")
        above = tuple(line for line in lines[:begin] if line.strip())
        # Blank lines in their place keep the numbers of the rows.
        text = "\n".join("" if _is_comment(line) else line for line in lines[begin:])
        text = "\n" * begin + text
    numbers, rows = _cells(path.name, text, separator, problem)
    if len(rows) < 2:
        raise problem(
            f"{path.name} has no rows.", "Give a header line and one row for each volume."
        )
    header, width = rows[0], len(rows[0])
    if is_head is not None:
        _check_separator(path.name, rows, separator, problem)
    for number, row in zip(numbers[1:], rows[1:], strict=True):
        if len(row) > width and any(row[width:]):
            raise problem(
                f"Row {number} of {path.name} has {len(row)} cells, but the header has {width}.",
                "If the numbers use a decimal comma, separate the cells with semicolons.",
            )
    body = [(*row, *[""] * (width - len(row)))[:width] for row in rows[1:]]
    units = body[0] if len(body) > 1 and _is_units(body[0]) else ("",) * width
    if any(units):
        numbers, body = numbers[1:], body[1:]
    comma = separator != "," or _has_decimal_commas(body)
    return Sheet(path.name, header, tuple(body), tuple(numbers[1:]), comma, units, above)


def _is_comment(line: str) -> bool:
    return line.lstrip(' "').startswith("#")


def _head(
    name: str, text: str, is_head: Callable[[tuple[str, ...]], bool], problem: type[Problem]
) -> tuple[int, str]:
    """Line of the header, counted from 0, and the sign that separates the cells."""
    lines = text.split("\n", _HEAD_LINES)[:_HEAD_LINES]
    found: list[tuple[int, int, str]] = []
    for separator in _SEPARATORS:
        cells = [_one_line(line, separator) for line in lines]
        k = next((k for k, row in enumerate(cells) if len(row) > 1 and is_head(row)), None)
        if k is not None:
            found.append((-len(cells[k]), k, separator))
    if found:
        _, begin, separator = min(found)
        return begin, separator
    # No header is known: it is taken to stand above the first row with two numbers.
    written = [k for k, line in enumerate(lines) if line.strip() and not _is_comment(line)]
    if not written:
        return 0, ","
    separator = max(_SEPARATORS, key=lambda s: sum(_numbers_in(lines[k], s) for k in written))
    if not any(separator in lines[k] for k in written):
        separator = max(_SEPARATORS, key=lines[written[0]].count)
    place = next((i for i, k in enumerate(written) if _numbers_in(lines[k], separator) > 1), 0)
    if place > 1 and _is_units(_one_line(lines[written[place - 1]], separator)):
        place -= 1
    begin = written[max(place - 1, 0)]
    if not any(one in line for line in lines[begin:] for one in _SEPARATORS):
        raise problem(
            f"{name} has no commas, semicolons or tabs between its cells.",
            "Export the table as CSV.",
        )
    return begin, separator


def _one_line(line: str, separator: str) -> tuple[str, ...]:
    """Cells of a line alone; empty for a line that is not one of a table."""
    if line.count(separator) >= _MAX_COLUMNS or len(line) > 100_000:
        return ()
    try:
        return tuple(cell.strip() for cell in next(csv.reader([line], delimiter=separator), []))
    except csv.Error:
        return ()


def _numbers_in(line: str, separator: str) -> int:
    return sum(is_number(cell) for cell in _one_line(line, separator))


def is_number(cell: str) -> bool:
    """Whether a cell is a plain number, with a decimal point or comma."""
    return re.fullmatch(r"[-+\u2212]?\d+([.,]\d*)?([eE][-+]?\d+)?", cell.strip()) is not None


def _has_decimal_commas(body: list[tuple[str, ...]]) -> bool:
    """Whether quoted cells between commas hold decimal commas and no decimal points."""
    cells = [cell for row in body[:_LOOKED_AT] for cell in row if is_number(cell)]
    return any(_COMMA_NUMBER.fullmatch(cell) for cell in cells) and not any(
        "." in cell for cell in cells
    )


def _check_separator(
    name: str, rows: list[tuple[str, ...]], separator: str, problem: type[Problem]
) -> None:
    """Refuse rows that another sign separates than the header."""
    if any(len(row) == len(rows[0]) for row in rows[1:]):
        return
    first = [row[0] for row in rows[1:]]
    for other in _SEPARATORS:
        cut = all(len(_one_line(cell, other)) > 1 and _numbers_in(cell, other) for cell in first)
        if other != separator and cut and not all(is_number(cell) for cell in first):
            raise problem(
                f"{name} separates its header with {_SEPARATORS[separator]} and its rows with "
                f"{_SEPARATORS[other]}.",
                "Use one of them throughout.",
            )


def _is_units(cells: tuple[str, ...]) -> bool:
    """Whether a row below the header holds units: one at least, and nothing else."""
    return any(cells) and all(_UNITS.fullmatch(cell) for cell in cells)


def _cells(
    name: str, text: str, separator: str, problem: type[Problem]
) -> tuple[list[int], list[tuple[str, ...]]]:
    """Row numbers and cells of all rows that are not blank."""
    numbers: list[int] = []
    rows: list[tuple[str, ...]] = []
    count = 0
    try:
        reader = csv.reader(_lines(name, text, separator, problem), delimiter=separator)
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            rows.append(tuple(cell.strip() for cell in cells))
            numbers.append(reader.line_num)
            count += len(cells)
            if len(rows) > MAX_ROWS + 1 or count > _MAX_CELLS:
                raise _too_many(name, problem)
    except csv.Error:
        raise problem(
            f"{name} cannot be read as a table.", "Save it again as CSV from the table program."
        ) from None
    return numbers, rows


def _too_many(name: str, problem: type[Problem]) -> Problem:
    return problem(
        f"{name} has more than {MAX_ROWS} rows or {_MAX_CELLS} cells.", "Split or thin the table."
    )


def _lines(name: str, text: str, separator: str, problem: type[Problem]) -> Iterator[str]:
    """Lines of a text; a line without end is refused before it is cut into cells."""
    for number, line in enumerate(io.StringIO(text), start=1):
        if line.count(separator) >= _MAX_COLUMNS:
            raise problem(
                f"Row {number} of {name} has more than {_MAX_COLUMNS} cells.",
                "Keep only the columns that are needed.",
            )
        yield line


def _text_of(path: Path, problem: type[Problem]) -> str:
    try:
        data = read_bytes(path, MAX_BYTES)
    except Unreadable as why:
        raise problem(why.sentence, _REMEDIES[why.kind]) from None
    for encoding in _encodings(data):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise problem(f"{path.name} is not a text file.", "Export the table as CSV.")


def _encodings(data: bytes) -> tuple[str, ...]:
    """Encodings to try; none for what is not text."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return ("utf-16",)
    part = data[:4096]
    if b"\x00" not in part:
        return ("utf-8-sig", "cp1252")
    # UTF-16 without a mark: of digits and separators every other byte is 0.
    if len(data) % 2 == 0 and part[1::2].count(0) > 0.8 * len(part[1::2]) and 0 not in part[::2]:
        return ("utf-16-le",)
    if len(data) % 2 == 0 and part[::2].count(0) > 0.8 * len(part[::2]) and 0 not in part[1::2]:
        return ("utf-16-be",)
    return ()


def number_in(sheet: Sheet, row: int, column: int, problem: type[Problem]) -> float:
    """Return a cell as a finite number, or raise a problem that names row and column."""
    cell = sheet.rows[row][column]
    where = f"Row {sheet.numbers[row]} of {sheet.name}"
    title = sheet.header[column]
    if not cell:
        raise problem(f"{where} has no {title}.", "Fill the cell or delete the row.")
    text = cell.replace("\u2212", "-").replace("\u00a0", "")
    if sheet.decimal_comma and text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    try:
        value = float(text) if not any(c in text for c in "_xX") else math.nan
    except ValueError:
        raise problem(
            f'{where} has "{cell[:40]}" for {title}, which is not a number.',
            "Write a plain number there.",
        ) from None
    if not math.isfinite(value):
        raise problem(
            f'{where} has "{cell[:40]}" for {title}, which is not a finite number.',
            "Write a plain number there, or delete the row.",
        )
    return value


def plain_title(title: str) -> str:
    """Column title without case, units' brackets and signs: "Volume (mL)" is volume_ml."""
    return re.sub(r"[^a-z]+", "_", title.lower()).strip("_")


def plain_cell(text: str) -> str:
    """Text for a cell of a table; an apostrophe stands before what would be a formula.

    Table programs take a cell for a formula that begins with =, +, -, @ (also in their wide forms),
    a tab or a line end (OWASP, "CSV injection"); a number keeps its sign.
    """
    first = unicodedata.normalize("NFKC", text[:1])
    if first and first in "=+-@\t\r\n" and not is_number(text):
        return f"'{text}"
    return text
