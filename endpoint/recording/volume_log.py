"""Volume logs: which titrant volume was delivered by when, or stands behind which still.

A log is a table with a header: `time_s,volume_ml` or `file,volume_ml`; comma, semicolon or tab;
decimal point or comma. The heads may also be `t / s`, `Time (min)`, `Vol (mL)`, `Burette reading
(mL)` (see `endpoint.files.column_heads`), or the record names them; a row of units may follow.
Volumes are cumulative; the first need not be 0.

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

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from endpoint.files.column_heads import (
    Axis,
    NamedColumns,
    axis_of,
    choice,
    same_title,
    says,
    uncertainties_ml,
    values_of,
)
from endpoint.files.csv_table import Sheet, plain_title, read_sheet
from endpoint.problems import DeliveryProblem

FloatArray = NDArray[np.float64]

_LARGEST_ML = 1000.0
_MOMENT_S = 1e-6
"""Rows that are no further apart are of one moment; less, and a rate between them overflows, s."""
_NO_REFILL = ("", "0", "no", "n", "false", "-")


@dataclass(frozen=True)
class Refill:
    """The burette was filled again."""

    delivered_ml: float
    """Volume delivered by then."""
    reading_ml: float
    """Reading afterwards."""


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
    refills: tuple[Refill, ...] = ()
    """In order."""


def _column(sheet: Sheet, names: tuple[str, ...]) -> int | None:
    plain = [plain_title(title) for title in sheet.header]
    for name in names:
        if name in plain:
            return plain.index(name)
    return None


def _cumulative(
    sheet: Sheet, axis: Axis, refill: int | None
) -> tuple[FloatArray, tuple[Refill, ...]]:
    """Cumulative volumes from readings, refills counted in; refuses falling volumes."""
    readings = values_of(sheet, axis, DeliveryProblem)
    out = np.zeros(len(sheet.rows))
    base, last_reading = 0.0, None
    refills: list[Refill] = []
    for k in range(len(sheet.rows)):
        reading = readings[k]
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
            refills.append(Refill(float(out[k - 1]), float(reading)))
            base += last_reading - reading
        elif last_reading is not None and reading < last_reading - 1e-9:
            raise DeliveryProblem(
                f"{where} has {reading:g} mL after {last_reading:g} mL: the volume runs backwards.",
                "Correct the row; if the burette was refilled, add a column `refill` and write "
                "`yes` on the row with the new reading.",
            )
        last_reading = reading
        # Twelve decimals, so that 24.6 - 0.4 is what people make of it.
        out[k] = round(base + reading, 12) if refills else reading
    # Sums of readings may fall by a rounding error where they stand still.
    out = np.maximum.accumulate(out)
    if out[-1] <= 0:
        raise DeliveryProblem(
            f"{sheet.name} adds no titrant: every volume is 0.",
            "Give volume_ml as what was delivered so far, in mL.",
        )
    return out, tuple(refills)


_FILES = ("file", "still", "name")


def _is_head(named: NamedColumns) -> Callable[[tuple[str, ...]], bool]:
    """Whether cells are the header of a log."""

    def check(cells: tuple[str, ...]) -> bool:
        titles = [t for t in (named.volume, named.time) if t is not None]
        if titles:
            return all(any(same_title(t, cell) for cell in cells) for t in titles)
        second = any(says("time", c) or plain_title(c) in _FILES for c in cells)
        return second and any(says("volume", c) for c in cells)

    return check


def read_log(
    path: Path,
    *,
    per_still: bool | None = None,
    named: NamedColumns = NamedColumns(),  # noqa: B008
) -> VolumeLog:
    """Read a log of times or stills and volumes.

    Parameters
    ----------
    path:
        CSV file, see the top of this module.
    per_still:
        Whether a column of file names (True) or of times (False) is wanted; None takes what is
        there, file names first.
    named:
        Columns of volume and time that the record names.

    Raises
    ------
    DeliveryProblem
        A column is missing or may be two, a cell is not a number, a time or volume runs backwards,
        a still is named twice (with the row number), or there are fewer than two rows.
    """
    sheet = read_sheet(path, DeliveryProblem, _is_head(named))
    found = f"it has {', '.join(sheet.header)[:120]}"
    by_time, by_file = "time_s,volume_ml", "file,volume_ml"
    wanted = {None: f"{by_time} or {by_file}", True: by_file, False: by_time}[per_still]
    volume = axis_of(sheet, "volume", named.volume, DeliveryProblem)
    files = None if per_still is False else _column(sheet, _FILES)
    time = None
    if not per_still and files is None:
        time = axis_of(sheet, "time", named.time, DeliveryProblem)
    known = {k: a.column for k, a in (("volume", volume), ("time", time)) if a is not None}
    if volume is None:
        raise DeliveryProblem(
            f"{sheet.name} has no column volume_ml ({found}).",
            f"Name the columns {wanted}. {choice(sheet, known)}",
        )
    if len(sheet.rows) < 2:
        raise DeliveryProblem(
            f"{sheet.name} has only one row.", "A titration needs at least two volumes."
        )
    if files is None and time is None:
        missing = {None: "time_s or file", True: "file", False: "time_s"}[per_still]
        raise DeliveryProblem(
            f"{sheet.name} has no column {missing} ({found}).",
            f"Name the columns {wanted}. {choice(sheet, known)}",
        )
    volumes, refills = _cumulative(sheet, volume, _column(sheet, ("refill",)))
    if files is not None:
        if uncertainties_ml(sheet, DeliveryProblem) is not None:
            raise DeliveryProblem(
                f"{sheet.name} has a column standard_uncertainty_ml but lists stills.",
                "It belongs to a log of times; remove it.",
            )
        return VolumeLog(None, _file_names(sheet, files), volumes, sheet.numbers, refills=refills)
    assert time is not None
    times = _times(sheet, time)
    # Two rows of one moment: the later one counts.
    last = np.r_[np.diff(times) > _MOMENT_S, True]
    numbers = tuple(np.array(sheet.numbers)[last].tolist())
    stated = uncertainties_ml(sheet, DeliveryProblem)
    sigma = None if stated is None else np.array(stated)[last]
    return VolumeLog(times[last], None, volumes[last], numbers, sigma, refills)


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


def _times(sheet: Sheet, axis: Axis) -> FloatArray:
    times = np.array(values_of(sheet, axis, DeliveryProblem))
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
    "Start the clock of the log with the recording (time_s = 0 at the first frame), or give "
    "clock_offset_s in [delivery]."
)


def check_clock(
    log: VolumeLog, time_s: FloatArray, duration_s: float, name: str, tolerance_s: float = 2.0
) -> None:
    """Refuse a log whose stated clock runs beyond the recording.

    Parameters
    ----------
    log:
        In time, not one for stills.
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
