"""Photometer tables: absorbance at one or more wavelengths against volume or time.

A CSV with a column volume_ml or time_s and absorbance columns such as A620, "Abs 620 nm" or 620;
a row of units may follow the header. Readings above `SATURATION` are kept and marked.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from endpoint.files.csv_table import Sheet, number_in, plain_title, read_sheet
from endpoint.problems import SourceProblem

FloatArray = NDArray[np.float64]

SATURATION = 3.0
"""Absorbance above which stray light decides what most photometers show (common practice)."""
_LOWEST, _HIGHEST = -0.5, 10.0
_VOLUME_NAMES = ("volume_ml", "volume", "v_ml", "ml", "v")
_TIME_NAMES = ("time_s", "time", "t_s", "seconds", "t")
_TRANSMITTANCE = re.compile(r"t(_nm)?$|trans|t_pct|percent|pct")
_ABSORBANCE_WORDS = ("a", "abs", "absorbance", "absorption", "extinction", "ext", "e", "od", "nm")
_WAVELENGTH = re.compile(r"(?<![\d.])([1-9]\d{2,3}(?:[.,]\d+)?)(?![\d.])")


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

    def __post_init__(self) -> None:
        for part in (self.time_s, self.volume_ml, self.absorbance, self.beyond):
            if part is not None:
                part.setflags(write=False)

    @property
    def saturated(self) -> NDArray[np.bool_]:
        """Rows with an absorbance above `SATURATION` or beyond its calibration, shape (n,)."""
        high = (self.absorbance > SATURATION).any(axis=1)
        return np.asarray(high if self.beyond is None else high | self.beyond)


def _wavelength(title: str) -> float | None:
    match = _WAVELENGTH.search(title.replace("_", " "))
    if match is None:
        return None
    nm = float(match.group(1).replace(",", "."))
    return nm if 190.0 <= nm <= 1100.0 else None


def _columns(sheet: Sheet) -> tuple[int | None, int | None, dict[int, float]]:
    """Columns of volume, time and wavelengths; a spectrum of something else is refused."""
    volume = time = None
    waves: dict[int, float] = {}
    for k, title in enumerate(sheet.header):
        plain = plain_title(title)
        nm = _wavelength(title)
        if nm is None and plain in _VOLUME_NAMES and volume is None:
            volume = k
        elif nm is None and plain in _TIME_NAMES and time is None:
            time = k
        elif "%" in title or _TRANSMITTANCE.match(plain):
            raise SourceProblem(
                f"{sheet.name} has transmittance in the column {title[:40]}.",
                "Export absorbance, A = -log10(T).",
            )
        elif nm is not None:
            if plain and plain.split("_")[0] not in _ABSORBANCE_WORDS:
                raise SourceProblem(
                    f"{sheet.name} does not say that the column {title[:40]} is absorbance.",
                    f"If it is, call it A{nm:g}; otherwise remove it.",
                )
            if nm in waves.values():
                raise SourceProblem(
                    f"{sheet.name} has two columns for {nm:g} nm.", "Keep one of them."
                )
            waves[k] = nm
    return volume, time, waves


def read_table(path: Path) -> PhotometerTable:
    """Read a photometer table.

    Raises
    ------
    SourceProblem
        A column is missing or holds no absorbance, a cell is not a number or not -0.5 to 10, the
        volume or the time runs backwards (with the row number), or there are fewer than two rows.
    """
    sheet = read_sheet(path, SourceProblem)
    volume, time, waves = _columns(sheet)
    found = ", ".join(sheet.header)[:120]
    if volume is None and time is None:
        raise SourceProblem(
            f"{sheet.name} has neither a column volume_ml nor time_s (it has {found}).",
            "Name the column of the added volume volume_ml.",
        )
    if not waves:
        raise SourceProblem(
            f"{sheet.name} has no absorbance column (it has {found}).",
            "Name it after its wavelength, such as A620.",
        )
    if len(sheet.rows) < 2:
        raise SourceProblem(f"{sheet.name} has fewer than two rows.", "Measure more volumes.")
    numbers = range(len(sheet.rows))
    absorbance = np.array([[number_in(sheet, r, c, SourceProblem) for c in waves] for r in numbers])
    bad = np.argwhere((absorbance < _LOWEST) | (absorbance > _HIGHEST))
    if bad.size:
        r, c = (int(v) for v in bad[0])
        raise SourceProblem(
            f"Row {sheet.numbers[r]} of {sheet.name} has an absorbance of {absorbance[r, c]:g}.",
            "Give absorbance, not transmittance, counts or milli-absorbance.",
        )
    return PhotometerTable(
        name=sheet.name,
        time_s=None if time is None else _rising(sheet, time, "time", "s"),
        volume_ml=None if volume is None else _rising(sheet, volume, "volume", "mL"),
        absorbance=absorbance,
        wavelengths_nm=tuple(waves.values()),
        rows=sheet.numbers,
    )


def _rising(sheet: Sheet, column: int, what: str, unit: str) -> FloatArray:
    values = np.array([number_in(sheet, r, column, SourceProblem) for r in range(len(sheet.rows))])
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
