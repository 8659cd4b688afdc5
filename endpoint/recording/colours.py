"""Tables of colours: what a camera made of every frame, as the bench keeps it.

A CSV with one row for each frame. Columns, all needed unless said:

* `time_s`: on the clock of the delivery log, never falling;
* `density_red`, `density_green`, `density_blue`: optical density against the white reference;
* `display_red` ...: the same as a screen shows it (without them, as the density);
* `sigma_red` ...: standard error of the density;
* `reference_red` ...: linear light of the reference, 0 to 1 is the range of the camera;
* `spread`: scatter of the density over the liquid;
* `flags`: why a frame is set aside, words such as `clipped` or `dark camera-moved`; empty if used;
* `index` (may be left out): number of the frame;
* `pose_dx`, `pose_dy`, `pose_turn_deg`, `pose_scale`, `pose_likeness` (may be left out): how the
  flask stood.

Numbers are written with all their digits, so that a result is the same when it is worked out again.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from endpoint.files.csv_table import Sheet, number_in, read_sheet
from endpoint.problems import Flag, SourceProblem, nearest

FloatArray = NDArray[np.float64]

CHANNELS = ("red", "green", "blue")
_POSE = ("pose_dx", "pose_dy", "pose_turn_deg", "pose_scale", "pose_likeness")
_HOME = (0.0, 0.0, 0.0, 1.0, 1.0)
_RANGES = {
    "time_s": (-1e6, 1e7),
    "index": (0.0, 1e12),
    "density": (-3.0, 6.0),
    "display": (-3.0, 6.0),
    "sigma": (0.0, 10.0),
    "reference": (0.0, 100.0),
    "spread": (-10.0, 10.0),
    "pose": (-1e6, 1e6),
}
_WORDS = {str(flag.name).lower().replace("_", "-"): flag for flag in Flag}
_LEAST_ROWS = 2


@dataclass(frozen=True, eq=False)
class ColourTable:
    """Rows of a table of colours; arrays share the length n and cannot be written to."""

    name: str
    index: NDArray[np.int64]
    time_s: FloatArray
    density: FloatArray
    """Shape (n, 3), as the following three."""
    display_density: FloatArray
    density_sigma: FloatArray
    reference: FloatArray
    spread: FloatArray
    flags: NDArray[np.int64]
    pose: FloatArray
    """dx, dy, turn_deg, scale and likeness, shape (n, 5)."""

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)


def words_of(flags: Flag) -> str:
    """Flags as words with spaces between; empty for none."""
    return " ".join(str(flag.name).lower().replace("_", "-") for flag in flags)


def column_names(with_pose: bool) -> tuple[str, ...]:
    """Header of a table of colours."""
    triples = [f"{part}_{c}" for part in ("density", "display") for c in CHANNELS]
    triples += [f"{part}_{c}" for part in ("sigma", "reference") for c in CHANNELS]
    return ("index", "time_s", *triples, "spread", "flags", *(_POSE if with_pose else ()))


def read_colours(path: Path) -> ColourTable:
    """Read a table of colours.

    Raises
    ------
    SourceProblem
        A column is missing or not known, a cell is not a number or out of its range, a flag is not
        known, the time runs backwards, or there are fewer than two rows.
    """
    sheet = read_sheet(path, SourceProblem)
    columns = _columns(sheet)
    if len(sheet.rows) < _LEAST_ROWS:
        raise SourceProblem(f"{sheet.name} has fewer than two rows.", "Export the run again.")

    def triple(part: str) -> FloatArray:
        return np.column_stack([_numbers(sheet, columns[f"{part}_{c}"], part) for c in CHANNELS])

    time_s = _numbers(sheet, columns["time_s"], "time_s")
    _check_rising(sheet, time_s)
    rows = len(sheet.rows)
    density = triple("density")
    pose = np.tile(_HOME, (rows, 1))
    if _POSE[0] in columns:
        pose = np.column_stack([_numbers(sheet, columns[name], "pose") for name in _POSE])
    index = np.arange(rows, dtype=np.int64)
    if "index" in columns:
        index = np.rint(_numbers(sheet, columns["index"], "index")).astype(np.int64)
    return ColourTable(
        name=sheet.name,
        index=index,
        time_s=time_s,
        density=density,
        display_density=triple("display") if "display_red" in columns else density.copy(),
        density_sigma=triple("sigma"),
        reference=triple("reference"),
        spread=_numbers(sheet, columns["spread"], "spread"),
        flags=np.array([_flags(sheet, r, columns["flags"]) for r in range(rows)], dtype=np.int64),
        pose=pose,
    )


def _columns(sheet: Sheet) -> dict[str, int]:
    known = column_names(with_pose=True)
    columns: dict[str, int] = {}
    for k, title in enumerate(sheet.header):
        name = title.strip().lower()
        if name not in known:
            raise SourceProblem(
                f"{sheet.name} has a column {title[:40]}, which is not known.", nearest(name, known)
            )
        if name in columns:
            raise SourceProblem(f"{sheet.name} has two columns {name}.", "Keep one of them.")
        columns[name] = k
    together = (tuple(f"display_{c}" for c in CHANNELS), _POSE)
    given = {name for group in together for name in group if columns.keys() & set(group)}
    optional = {"index", *together[0], *together[1]} - given
    for name in known:
        if name not in columns and name not in optional:
            raise SourceProblem(
                f"{sheet.name} has no column {name}.",
                "Export the run again, or give the column this name.",
            )
    return columns


def _numbers(sheet: Sheet, column: int, kind: str) -> FloatArray:
    low, high = _RANGES[kind]
    try:
        # Fast where every cell is a plain number; else each is looked at for its own error.
        values = np.array([row[column] for row in sheet.rows]).astype(np.float64)
        if not np.isfinite(values).all():
            raise ValueError
    except ValueError:
        count = range(len(sheet.rows))
        values = np.array([number_in(sheet, r, column, SourceProblem) for r in count])
    bad = np.flatnonzero((values < low) | (values > high))
    if bad.size:
        r = int(bad[0])
        raise SourceProblem(
            f"Row {sheet.numbers[r]} of {sheet.name} has {values[r]:g} for "
            f"{sheet.header[column]}, outside {low:g} to {high:g}.",
            "Export the run again, or delete the row.",
        )
    return values


def _check_rising(sheet: Sheet, time_s: FloatArray) -> None:
    falling = np.flatnonzero(np.diff(time_s) < 0)
    if falling.size:
        r = int(falling[0]) + 1
        raise SourceProblem(
            f"Row {sheet.numbers[r]} of {sheet.name} has {time_s[r]:g} s after "
            f"{time_s[r - 1]:g} s: the time runs backwards.",
            "Sort the rows by time_s, or export the run again.",
        )


def _flags(sheet: Sheet, row: int, column: int) -> int:
    flags = Flag.NONE
    for word in sheet.rows[row][column].lower().split():
        if word not in _WORDS:
            raise SourceProblem(
                f"Row {sheet.numbers[row]} of {sheet.name} has the flag {word[:40]}, which is not "
                "known.",
                nearest(word, tuple(_WORDS)),
            )
        flags |= _WORDS[word]
    return int(flags)
