"""CSV files as text cells, as table programs and instruments write them."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from calibration.problem import Problem
from endpoint.problems import DeliveryProblem

MAX_BYTES = 40_000_000
MAX_ROWS = 1_000_000
_MAX_CELLS = 4_000_000
_MAX_COLUMNS = 500
_UNITS = re.compile(
    r"[\[(]?(s|sec|seconds?|ml|cm3|cm³|nm|au|a\.u\.|abs|absorbance|a|-|none|file|name)?[\])]?", re.I
)


@dataclass(frozen=True)
class Sheet:
    """Cells of a CSV as text: header, rows and the row number in the file of each row."""

    name: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    decimal_comma: bool


def read_sheet(path: Path, problem: type[Problem] = DeliveryProblem) -> Sheet:
    """Read a CSV file as text cells.

    Parameters
    ----------
    path:
        File to read.
    problem:
        Class of error to raise.

    Raises
    ------
    Problem
        The file is missing, unreadable, too large, not text, empty or has ragged rows.
    """
    text = _text_of(path, problem).replace("\r\n", "\n").replace("\r", "\n")
    first, _, rest = text.lstrip("\n").partition("\n")
    if re.fullmatch(r'"?sep=.?"?', first.strip()):  # a hint that table programs write
        text = "\n" + rest
        first = rest.lstrip("\n").partition("\n")[0]
    separator = max(";\t,", key=first.count)
    numbers, rows = _cells(path.name, text, separator, problem)
    if len(rows) < 2:
        raise problem(
            f"{path.name} has no rows.", "Give a header line and one row for each volume."
        )
    header, width = rows[0], len(rows[0])
    for number, row in zip(numbers[1:], rows[1:], strict=True):
        if len(row) > width and any(row[width:]):
            raise problem(
                f"Row {number} of {path.name} has {len(row)} cells, but the header has {width}.",
                "If the numbers use a decimal comma, separate the cells with semicolons.",
            )
    body = [(*row, *[""] * (width - len(row)))[:width] for row in rows[1:]]
    begin = 1 if len(body) > 1 and _is_units(body[0]) else 0
    return Sheet(
        path.name, header, tuple(body[begin:]), tuple(numbers[1 + begin :]), separator != ","
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
                raise problem(
                    f"{name} has more than {MAX_ROWS} rows or {_MAX_CELLS} cells.",
                    "Split or thin the table.",
                )
    except csv.Error:
        raise problem(
            f"{name} cannot be read as a table.", "Save it again as CSV from the table program."
        ) from None
    return numbers, rows


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
        size = path.stat().st_size
        if path.is_dir():
            raise problem(f"{path.name} is a folder, not a table.", "Name the CSV file in it.")
        if not path.is_file():
            raise problem(f"{path.name} is not an ordinary file.", "Name a CSV file.")
        if size > MAX_BYTES:
            raise problem(f"{path.name} is larger than 40 MB.", "Thin the table.")
        data = path.read_bytes()
    except FileNotFoundError:
        raise problem(
            f"{path} does not exist.",
            "Check the name; names in a record start from its folder, those of a command from the "
            "folder where it runs.",
        ) from None
    except OSError as error:
        raise problem(
            f"{path} cannot be read ({error.strerror}).", "Check the permissions of the file."
        ) from None
    if b"\x00" in data[:4096] and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise problem(f"{path.name} is not a text file.", "Export the table as CSV.")
    for encoding in ("utf-8-sig", "utf-16", "cp1252"):
        if encoding == "utf-16" and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
            continue
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise problem(f"{path.name} is not a text file.", "Export the table as CSV.")


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
