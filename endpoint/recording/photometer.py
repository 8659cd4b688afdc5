"""Photometer tables: absorbance at one or more wavelengths against volume or time.

A table with a column of volume or time (`volume_ml`, `Vol (mL)`, `t / min`, see
`endpoint.files.column_heads`) and absorbance columns such as A620, "Abs. at 620 nm" or 620; lines
about the instrument may stand above the header and a row of units below it. Where the heads do not
say what they hold, the record names them:

    columns = { volume = "Dose", absorbance = ["Ch 1"], wavelengths_nm = [620] }

Readings above `SATURATION` are kept and marked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from endpoint.files.column_heads import (
    UNITS,
    Axis,
    NamedColumns,
    axis_of,
    choice,
    column_named,
    plain,
    same_title,
    says,
    uncertainties_ml,
    unit_of,
    values_of,
    wavelength_nm,
)
from endpoint.files.csv_table import Sheet, number_in, plain_title, read_sheet
from endpoint.problems import SourceProblem

FloatArray = NDArray[np.float64]

SATURATION = 3.0
"""Absorbance above which stray light decides what most photometers show (common practice)."""
_LOWEST, _HIGHEST = -0.5, 10.0
_TRANSMITTANCE = re.compile(r"t(_nm)?$|trans|t_pct|percent|pct")
_ABSORBANCE_WORDS = ("a", "abs", "absorbance", "absorption", "extinction", "ext", "e", "od", "nm")


@dataclass(frozen=True, eq=False)
class PhotometerTable:
    """Rows of a photometer; arrays cannot be written to."""

    name: str
    time_s: FloatArray | None
    volume_ml: FloatArray | None
    absorbance: FloatArray
    """Shape (n, wavelengths)."""
    wavelengths_nm: tuple[float, ...]
    rows: tuple[int, ...]
    """Row number in the file."""
    beyond: NDArray[np.bool_] | None = None
    """Rows above what a calibration of the photometer lets believe, shape (n,)."""
    reading_sd_ml: float | None = None
    """Standard uncertainty of each volume, mL, root mean square, where the table states it."""
    path_cm: float = 1.0
    """Of the cell, where the absorbances were converted to 1 cm."""

    def __post_init__(self) -> None:
        for part in (self.time_s, self.volume_ml, self.absorbance, self.beyond):
            if part is not None:
                part.setflags(write=False)

    @property
    def saturated(self) -> NDArray[np.bool_]:
        """Rows whose cell absorbs more than `SATURATION` or a calibration covers, shape (n,)."""
        high = (self.path_cm * self.absorbance > SATURATION).any(axis=1)
        return np.asarray(high if self.beyond is None else high | self.beyond)


def _is_head(named: NamedColumns) -> Callable[[tuple[str, ...]], bool]:
    """Whether cells are the header of a photometer table."""

    def check(cells: tuple[str, ...]) -> bool:
        titles = named.titles()
        if titles and all(any(same_title(t, cell) for cell in cells) for t in titles):
            return True
        waves = [cell for cell in cells if wavelength_nm(cell) is not None]
        axes = [cell for cell in cells if says("volume", cell) or says("time", cell)]
        return bool(waves and axes)

    return check


def _named_waves(sheet: Sheet, named: NamedColumns) -> dict[int, float]:
    """Columns of absorbance that the record names, and their wavelengths."""
    columns = [column_named(sheet, title, SourceProblem) for title in named.absorbance]
    shown = tuple(wavelength_nm(title) for title in named.absorbance)
    given: tuple[float | None, ...] = named.wavelengths_nm or shown
    unknown = [t for t, nm in zip(named.absorbance, given, strict=True) if nm is None]
    if unknown:
        raise SourceProblem(
            f"{sheet.name} does not say at which wavelength {unknown[0][:40]} was measured.",
            "Add wavelengths_nm = [...] to `columns`, one for each absorbance.",
        )
    return {k: nm for k, nm in zip(columns, given, strict=True) if nm is not None}


def _waves(sheet: Sheet, axes: dict[str, int]) -> dict[int, float]:
    """Columns of absorbance and their wavelengths; a spectrum of something else is refused."""
    waves: dict[int, float] = {}
    for k, title in enumerate(sheet.header):
        name, nm = plain_title(title), wavelength_nm(title)
        if k in axes.values() or (nm is None and (says("time", title) or says("volume", title))):
            continue
        if "%" in title or _TRANSMITTANCE.match(name):
            raise SourceProblem(
                f"{sheet.name} has transmittance in the column {title[:40]}.",
                "Export absorbance, A = -log10(T).",
            )
        if nm is None:
            continue
        if name and name.split("_")[0] not in _ABSORBANCE_WORDS:
            raise SourceProblem(
                f"{sheet.name} does not say that the column {title[:40]} is absorbance.",
                f"If it is, call it A{nm:g}; otherwise remove it. {choice(sheet, axes, (k,))}",
            )
        if nm in waves.values():
            raise SourceProblem(
                f"{sheet.name} has two columns for {nm:g} nm.",
                f"Keep one of them. {choice(sheet, axes, (k,))}",
            )
        waves[k] = nm
    return waves


def _absorbances(sheet: Sheet, columns: Iterable[int]) -> FloatArray:
    """Absorbance of every row, shape (rows, columns); milli-absorbance is converted."""
    numbers = range(len(sheet.rows))
    factors = UNITS["absorbance"]
    parts = [
        factors.get(unit_of(sheet, c) or plain(sheet.units[c]), 1.0)
        * np.array([number_in(sheet, r, c, SourceProblem) for r in numbers])
        for c in columns
    ]
    values = np.column_stack(parts)
    bad = np.argwhere((values < _LOWEST) | (values > _HIGHEST))
    if bad.size:
        r, c = (int(v) for v in bad[0])
        raise SourceProblem(
            f"Row {sheet.numbers[r]} of {sheet.name} has an absorbance of {values[r, c]:g}.",
            "Give absorbance, not transmittance or counts, and milli-absorbance with its unit mAU.",
        )
    return np.asarray(values, dtype=np.float64)


def read_table(path: Path, named: NamedColumns = NamedColumns()) -> PhotometerTable:  # noqa: B008
    """Read a photometer table.

    Parameters
    ----------
    path:
        The table.
    named:
        Columns that the record names.

    Raises
    ------
    SourceProblem
        A column is missing, may be two or holds no absorbance, a cell is not a number or not -0.5
        to 10, the volume or the time runs backwards (with the row number), there are fewer than
        two rows, or uncertainties of volumes that stand elsewhere.
    """
    sheet = read_sheet(path, SourceProblem, _is_head(named))
    volume = axis_of(sheet, "volume", named.volume, SourceProblem)
    # With volumes the time is not needed, so two columns of it are no doubt.
    time = None
    if volume is None or named.time is not None:
        time = axis_of(sheet, "time", named.time, SourceProblem)
    found = ", ".join(sheet.header)[:120]
    axes = {k: a.column for k, a in (("volume", volume), ("time", time)) if a is not None}
    waves = _named_waves(sheet, named) if named.absorbance else _waves(sheet, axes)
    if not axes:
        raise SourceProblem(
            f"{sheet.name} has neither a column volume_ml nor time_s (it has {found}).",
            choice(sheet, axes, tuple(waves)),
        )
    if not waves:
        raise SourceProblem(
            f"{sheet.name} has no absorbance column with a wavelength (it has {found}).",
            f"Name it after its wavelength, such as A620. {choice(sheet, axes, ())}",
        )
    if len(sheet.rows) < 2:
        raise SourceProblem(f"{sheet.name} has fewer than two rows.", "Measure more volumes.")
    stated = uncertainties_ml(sheet, SourceProblem)
    if stated is not None and volume is None:
        raise SourceProblem(
            f"{sheet.name} has a column standard_uncertainty_ml but no volumes.",
            "It belongs to the log that holds them; move it there.",
        )
    return PhotometerTable(
        name=sheet.name,
        time_s=None if time is None else _rising(sheet, time, "time", "s"),
        volume_ml=None if volume is None else _rising(sheet, volume, "volume", "mL"),
        absorbance=_absorbances(sheet, waves),
        wavelengths_nm=tuple(waves.values()),
        rows=sheet.numbers,
        reading_sd_ml=None if stated is None else float(np.sqrt(np.mean(np.square(stated)))),
    )


def _rising(sheet: Sheet, axis: Axis, what: str, unit: str) -> FloatArray:
    values = np.array(values_of(sheet, axis, SourceProblem))
    negative = np.flatnonzero(values < 0)
    if negative.size:
        r = int(negative[0])
        raise SourceProblem(
            f"Row {sheet.numbers[r]} of {sheet.name} has a negative {what} ({values[r]:g} {unit}).",
            f"Count the {what} from 0 up.",
        )
    falling = np.flatnonzero(np.diff(values) < 0)
    if falling.size:
        r = int(falling[0]) + 1
        raise SourceProblem(
            f"Row {sheet.numbers[r]} of {sheet.name} has {values[r]:g} {unit} after "
            f"{values[r - 1]:g} {unit}: the {what} runs backwards.",
            "Sort or correct the rows.",
        )
    return values
