"""Volume logs: which titrant volume was delivered by when, or stands behind which still.

A log is a CSV with a header: `time_s,volume_ml` or `file,volume_ml`; comma, semicolon or tab;
decimal point or, unless the comma separates the cells, decimal comma. Volumes are cumulative.

A burette that was refilled starts again at a small reading. Mark that row in an additional
column `refill` with any word (`yes`, `x`, `1`): its volume_ml is the new burette reading and
counts from there, as in

    time_s,volume_ml,refill
    310,24.60,
    345,0.00,yes
    360,1.20,
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from endpoint.problems import DeliveryProblem, Problem

FloatArray = NDArray[np.float64]

MAX_BYTES = 50_000_000
MAX_ROWS = 1_000_000
_LARGEST_ML = 1000.0


@dataclass(frozen=True)
class Sheet:
    """Cells of a CSV as text: header, rows and the row number in the file of each row."""

    name: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    decimal_comma: bool


@dataclass(frozen=True, eq=False)
class VolumeLog:
    """Times or still names with cumulative volumes."""

    time_s: FloatArray | None
    files: tuple[str, ...] | None
    volume_ml: FloatArray


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
    text = _text_of(path, problem)
    lines: list[str] = [line for line in text.splitlines() if line.strip()]
    if len(lines) < 2:
        raise problem(
            f"{path.name} holds no rows.", "Give a header line and one row for each volume."
        )
    if len(lines) > MAX_ROWS:
        raise problem(f"{path.name} has more than {MAX_ROWS} rows.", "Split or thin the table.")
    separator = max(";\t,", key=lines[0].count)
    if lines[0].count(separator) == 0:
        separator = ";" if ";" in text else ","
    numbers: list[int] = []
    rows: list[tuple[str, ...]] = []
    try:
        reader = csv.reader(io.StringIO(text), delimiter=separator)
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append(tuple(cell.strip() for cell in cells))
                numbers.append(reader.line_num)
    except csv.Error:
        raise problem(
            f"{path.name} cannot be read as a table.",
            "Save it again as CSV from the table program.",
        ) from None
    header = tuple(cell.strip().lstrip("\ufeff") for cell in rows[0])
    width = len(header)
    for number, row in zip(numbers[1:], rows[1:], strict=True):
        if len(row) > width and any(cells[width:]):
            raise problem(
                f"Row {number} of {path.name} has {len(row)} cells, but the header has {width}.",
                "If the numbers use a decimal comma, separate the cells with semicolons.",
            )
    body = tuple((*cells, *[""] * (width - len(cells)))[:width] for cells in rows[1:])
    return Sheet(path.name, header, body, tuple(numbers[1:]), separator != ",")


def _text_of(path: Path, problem: type[Problem]) -> str:
    try:
        if path.is_dir():
            raise problem(f"{path.name} is a folder, not a table.", "Name the CSV file in it.")
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise problem(f"{path.name} is larger than 50 MB.", "Thin the table.")
        data = path.read_bytes()
    except FileNotFoundError:
        raise problem(
            f"{path} does not exist.", "Check the name; paths count from the record's folder."
        ) from None
    except OSError as error:
        raise problem(
            f"{path} cannot be read ({error.strerror}).", "Check the permissions of the file."
        ) from None
    if b"\x00" in data[:4096] and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise problem(f"{path.name} is no text file.", "Export the table as CSV.")
    for encoding in ("utf-8-sig", "utf-16", "cp1252"):
        if encoding == "utf-16" and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
            continue
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise problem(f"{path.name} is no text file.", "Export the table as CSV.")


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
            f'{where} has "{cell[:40]}" for {title}, which is no number.',
            "Write a plain number there.",
        ) from None
    if not math.isfinite(value):
        raise problem(
            f'{where} has "{cell[:40]}" for {title}, which is no finite number.',
            "Write a plain number there, or delete the row.",
        )
    return value


def _column(sheet: Sheet, names: tuple[str, ...]) -> int | None:
    plain = [title.lower().replace(" ", "_").strip("_") for title in sheet.header]
    for name in names:
        if name in plain:
            return plain.index(name)
    return None


def _cumulative(sheet: Sheet, column: int, refill: int | None) -> FloatArray:
    """Cumulative volumes from readings, refills counted in; refuses falling volumes."""
    out = np.zeros(len(sheet.rows))
    base, last_reading = 0.0, None
    for k in range(len(sheet.rows)):
        reading = number_in(sheet, k, column, DeliveryProblem)
        where = f"Row {sheet.numbers[k]} of {sheet.name}"
        if reading < 0:
            raise DeliveryProblem(
                f"{where} has a negative volume ({reading:g} mL).", "Volumes count from 0 mL up."
            )
        if reading > _LARGEST_ML:
            raise DeliveryProblem(
                f"{where} has a volume of {reading:g} mL, more than any burette delivers.",
                "Give volume_ml in millilitres.",
            )
        marked = refill is not None and sheet.rows[k][refill].lower() not in ("", "0", "no")
        if last_reading is not None and marked:
            base += last_reading - reading
        elif last_reading is not None and reading < last_reading - 1e-9:
            raise DeliveryProblem(
                f"{where} has {reading:g} mL after {last_reading:g} mL: the volume runs backwards.",
                "Correct the row; if the burette was refilled, add a column `refill` and write "
                "`yes` on the row with the new reading.",
            )
        last_reading = reading
        out[k] = base + reading
    return out


def read_log(path: Path) -> VolumeLog:
    """Read a log of times or stills and volumes.

    Parameters
    ----------
    path:
        CSV file, see the top of this module.

    Raises
    ------
    DeliveryProblem
        A column is missing, a cell is no number, a time or volume runs backwards (with the row
        number), or there are fewer than two rows.
    """
    sheet = read_sheet(path)
    volume = _column(sheet, ("volume_ml", "volume", "v_ml", "ml"))
    if volume is None:
        raise DeliveryProblem(
            f"{sheet.name} has no column volume_ml (it has {', '.join(sheet.header)[:120]}).",
            "Name the columns time_s,volume_ml or file,volume_ml.",
        )
    if len(sheet.rows) < 2:
        raise DeliveryProblem(
            f"{sheet.name} has only one row.", "A titration needs at least two volumes."
        )
    volumes = _cumulative(sheet, volume, _column(sheet, ("refill",)))
    file_column = _column(sheet, ("file", "still", "name"))
    if file_column is not None:
        names = tuple(row[file_column] for row in sheet.rows)
        for k, name in enumerate(names):
            if not name:
                raise DeliveryProblem(
                    f"Row {sheet.numbers[k]} of {sheet.name} names no file.",
                    "Write the name of the still there.",
                )
        return VolumeLog(None, names, volumes)
    time = _column(sheet, ("time_s", "time", "t_s", "seconds"))
    if time is None:
        raise DeliveryProblem(
            f"{sheet.name} has neither a column time_s nor file.",
            "Name the columns time_s,volume_ml or file,volume_ml.",
        )
    times = np.array([number_in(sheet, k, time, DeliveryProblem) for k in range(len(sheet.rows))])
    backwards = np.flatnonzero(np.diff(times) < 0)
    if backwards.size:
        k = int(backwards[0]) + 1
        raise DeliveryProblem(
            f"Row {sheet.numbers[k]} of {sheet.name} has {times[k]:g} s after {times[k - 1]:g} s: "
            "the time runs backwards.",
            "Sort or correct the rows.",
        )
    # Two rows of one moment: the later one counts.
    last = np.r_[np.diff(times) > 0, True]
    return VolumeLog(times[last], None, volumes[last])


def check_clock(log: VolumeLog, duration_s: float, name: str, tolerance_s: float = 2.0) -> None:
    """Refuse a log whose clock runs beyond the recording.

    Raises
    ------
    DeliveryProblem
        Volumes are delivered after the end of the recording, or all before its start.
    """
    if log.time_s is None:
        return
    late = np.flatnonzero(log.time_s > duration_s + tolerance_s)
    added = np.r_[log.volume_ml[0] > 0, np.diff(log.volume_ml) > 0]
    late = late[added[late]]
    if late.size:
        k = int(late[0])
        raise DeliveryProblem(
            f"{name} adds titrant at {log.time_s[k]:g} s, but the recording ends at "
            f"{duration_s:.0f} s.",
            "Let the clock of the log start with the recording (time_s = 0 at the first frame).",
        )
    if log.time_s[-1] < 0:
        raise DeliveryProblem(
            f"{name} ends before the recording begins.",
            "Let the clock of the log start with the recording (time_s = 0 at the first frame).",
        )
