"""Volume logs: which titrant volume was delivered by when, or stands behind which still.

A log is a CSV with a header: `time_s,volume_ml` or `file,volume_ml`; comma, semicolon or tab;
decimal point or, unless the comma separates the cells, decimal comma. A row of units may follow
the header. Volumes are cumulative; the first need not be 0.

A burette that was refilled starts again at a small reading. Mark that row in an additional
column `refill` with any word (`yes`, `x`, `1`): its volume_ml is the new burette reading and
later rows count from there, as in

    time_s,volume_ml,refill
    310,24.60,
    345,0.00,yes
    360,1.20,

which is 25.80 mL in all. Leave the cell empty (or `no`, `0`) on the other rows. A volume that
falls on a row without the mark is refused.

A column `standard_uncertainty_ml` says how well each delivered volume is known, where it was not
read by eye: it is added to the result. Leave it out for readings of a burette.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from endpoint.problems import DeliveryProblem, Problem

FloatArray = NDArray[np.float64]

MAX_BYTES = 40_000_000
MAX_ROWS = 1_000_000
_MAX_CELLS = 4_000_000
_MAX_COLUMNS = 500
_LARGEST_ML = 1000.0
_NO_REFILL = ("", "0", "no", "n", "false", "-")
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


@dataclass(frozen=True, eq=False)
class VolumeLog:
    """Times or still names with cumulative volumes."""

    time_s: FloatArray | None
    files: tuple[str, ...] | None
    volume_ml: FloatArray
    """Cumulative; never falling."""
    rows: tuple[int, ...] = ()
    """Row number in the file of each entry."""
    sigma_ml: FloatArray | None = None
    """Standard uncertainty of each volume, mL, where the log states it."""


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
            f"{path.name} holds no rows.", "Give a header line and one row for each volume."
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
            raise problem(f"{path.name} is no ordinary file.", "Name a CSV file.")
        if size > MAX_BYTES:
            raise problem(f"{path.name} is larger than 40 MB.", "Thin the table.")
        data = path.read_bytes()
    except FileNotFoundError:
        raise problem(
            f"{path} does not exist.",
            "Check the name; names in a record count from its folder, those of a command from the "
            "folder where it runs.",
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


def plain_title(title: str) -> str:
    """Column title without case, units' brackets and signs: "Volume (mL)" is volume_ml."""
    return re.sub(r"[^a-z]+", "_", title.lower()).strip("_")


def _column(sheet: Sheet, names: tuple[str, ...]) -> int | None:
    plain = [plain_title(title) for title in sheet.header]
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
        marked = refill is not None and sheet.rows[k][refill].lower() not in _NO_REFILL
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
    # Sums of readings may fall by a rounding error where they stand still.
    out = np.maximum.accumulate(out)
    if out[-1] <= 0:
        raise DeliveryProblem(
            f"{sheet.name} adds no titrant: every volume is 0.",
            "Give volume_ml as what was delivered so far, in mL.",
        )
    return out


def read_log(path: Path, *, per_still: bool | None = None) -> VolumeLog:
    """Read a log of times or stills and volumes.

    Parameters
    ----------
    path:
        CSV file, see the top of this module.
    per_still:
        Whether a column of file names (True) or of times (False) is wanted; None takes what is
        there, file names first.

    Raises
    ------
    DeliveryProblem
        A column is missing, a cell is no number, a time or volume runs backwards, a still is
        named twice (with the row number), or there are fewer than two rows.
    """
    sheet = read_sheet(path)
    found = f"it has {', '.join(sheet.header)[:120]}"
    by_time, by_file = "time_s,volume_ml", "file,volume_ml"
    wanted = {None: f"{by_time} or {by_file}", True: by_file, False: by_time}[per_still]
    volume = _column(sheet, ("volume_ml", "volume", "v_ml", "ml", "v"))
    if volume is None:
        raise DeliveryProblem(
            f"{sheet.name} has no column volume_ml ({found}).", f"Name the columns {wanted}."
        )
    if len(sheet.rows) < 2:
        raise DeliveryProblem(
            f"{sheet.name} has only one row.", "A titration needs at least two volumes."
        )
    files = None if per_still is False else _column(sheet, ("file", "still", "name"))
    time = None if per_still else _column(sheet, ("time_s", "time", "t_s", "seconds", "t"))
    if files is None and time is None:
        missing = {None: "time_s or file", True: "file", False: "time_s"}[per_still]
        raise DeliveryProblem(
            f"{sheet.name} has no column {missing} ({found}).", f"Name the columns {wanted}."
        )
    volumes = _cumulative(sheet, volume, _column(sheet, ("refill",)))
    if files is not None:
        if _column(sheet, ("standard_uncertainty_ml",)) is not None:
            raise DeliveryProblem(
                f"{sheet.name} has a column standard_uncertainty_ml beside stills.",
                "It belongs to a log of times; remove it.",
            )
        return VolumeLog(None, _file_names(sheet, files), volumes, sheet.numbers)
    assert time is not None
    times = _times(sheet, time)
    # Two rows of one moment: the later one counts.
    last = np.r_[np.diff(times) > 0, True]
    numbers = tuple(np.array(sheet.numbers)[last].tolist())
    sigma = _sigma(sheet)
    return VolumeLog(
        times[last], None, volumes[last], numbers, None if sigma is None else sigma[last]
    )


def _sigma(sheet: Sheet) -> FloatArray | None:
    """Standard uncertainties of the volumes, mL; None without that column."""
    column = _column(sheet, ("standard_uncertainty_ml",))
    if column is None:
        return None
    out = np.array([number_in(sheet, k, column, DeliveryProblem) for k in range(len(sheet.rows))])
    wrong = np.flatnonzero((out < 0) | (out > _LARGEST_ML))
    if wrong.size:
        k = int(wrong[0])
        raise DeliveryProblem(
            f"Row {sheet.numbers[k]} of {sheet.name} has a standard uncertainty of {out[k]:g} mL.",
            "Give it in millilitres, 0 or more.",
        )
    return out


def _file_names(sheet: Sheet, column: int) -> tuple[str, ...]:
    first_row: dict[str, int] = {}
    for k, row in enumerate(sheet.rows):
        name, where = row[column], f"Row {sheet.numbers[k]} of {sheet.name}"
        if not name:
            raise DeliveryProblem(f"{where} names no file.", "Write the name of the still there.")
        if name in first_row:
            raise DeliveryProblem(
                f"{where} names {name[:60]} again (first on row {first_row[name]}).",
                "Give each still one row.",
            )
        first_row[name] = sheet.numbers[k]
    return tuple(first_row)


def _times(sheet: Sheet, column: int) -> FloatArray:
    times = np.array([number_in(sheet, k, column, DeliveryProblem) for k in range(len(sheet.rows))])
    backwards = np.flatnonzero(np.diff(times) < 0)
    if backwards.size:
        k = int(backwards[0]) + 1
        raise DeliveryProblem(
            f"Row {sheet.numbers[k]} of {sheet.name} has {times[k]:g} s after {times[k - 1]:g} s: "
            "the time runs backwards.",
            "Sort or correct the rows.",
        )
    return times


_ONE_CLOCK = (
    "Let the clock of the log start with the recording (time_s = 0 at the first frame), or give "
    "clock_offset_s in [delivery]."
)


def check_clock(
    log: VolumeLog, time_s: FloatArray, duration_s: float, name: str, tolerance_s: float = 2.0
) -> None:
    """Refuse a log whose stated clock runs beyond the recording.

    Parameters
    ----------
    log:
        In time, not beside stills.
    time_s:
        Its times on the clock of the recording, shape (n,).
    duration_s, tolerance_s:
        Length of the recording, and how much later an addition may come.
    name:
        Of its file.

    Raises
    ------
    DeliveryProblem
        Volumes are delivered after the end of the recording, or all before its start.
    """
    late = np.flatnonzero(time_s > duration_s + tolerance_s)
    added = np.r_[log.volume_ml[0] > 0, np.diff(log.volume_ml) > 0]
    late = late[added[late]]
    if late.size:
        k = int(late[0])
        raise DeliveryProblem(
            f"{_row(log, k)}{name} adds titrant at {time_s[k]:g} s, but the recording ends at "
            f"{duration_s:.0f} s.",
            _ONE_CLOCK,
        )
    if time_s[-1] < 0:
        raise DeliveryProblem(
            f"{_row(log, -1)}{name}, the last, lies before the recording begins.", _ONE_CLOCK
        )


def _row(log: VolumeLog, k: int) -> str:
    return f"Row {log.rows[k]} of " if log.rows else ""
