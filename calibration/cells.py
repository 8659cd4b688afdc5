"""Cells of a calibration sheet: each is checked as it is asked for, and named in its error."""

from __future__ import annotations

import datetime
import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from calibration.problem import CalibrationProblem, Problem

# Ending of a key -> its unit, and the slips people make: factor from the slip to the unit.
_UNITS: Mapping[str, tuple[str, Mapping[str, float]]] = {
    "_mol_l": ("mol/L", {"mmol/L": 1e-3}),
    "_mmol_l": ("mmol/L", {"mol/L": 1e3}),
    "_umol_l": ("µmol/L", {"mmol/L": 1e3, "mol/L": 1e6}),
    "_ml_min": ("mL/min", {"mL/s": 60.0, "µL/min": 1e-3}),
    "_g_mol": ("g/mol", {"kg/mol": 1e3}),
    "_ml": ("mL", {"L": 1e3, "µL": 1e-3}),
    "_mg": ("mg", {"g": 1e3}),
    "_g": ("g", {"mg": 1e-3, "kg": 1e3}),
    "_hpa": ("hPa", {"Pa": 1e-2, "kPa": 10.0, "bar": 1e3, "mmHg": 1.33322}),
    "_percent": ("%", {"a fraction of 1": 100.0}),
    "_nm": ("nm", {"µm": 1e3}),
    "_cm": ("cm", {"mm": 0.1}),
    "_s": ("s", {"min": 60.0, "ms": 1e-3}),
    "_c": ("°C", {}),
}


class SheetProblem(CalibrationProblem):
    """A cell of a calibration sheet is missing or cannot be used."""


def unit_of(key: str) -> str:
    """Unit that the name of a key ends with, or an empty text: mass_g -> g."""
    return next((unit for ending, (unit, _) in _UNITS.items() if key.endswith(ending)), "")


def slip_of(key: str, value: float, low: float, high: float) -> tuple[str, float] | None:
    """Unit that a value was probably given in, and the value in the right unit; None if unclear.

    Parameters
    ----------
    key:
        Name that ends with the unit it should be in: titre_ml.
    value, low, high:
        The value, and the range in which it would be believed.
    """
    factors: Mapping[str, float] = next(
        (slips for ending, (_, slips) in _UNITS.items() if key.endswith(ending)), {}
    )
    for unit, factor in factors.items():
        if low <= value * factor <= high:
            return unit, value * factor
    if key.endswith("_c") and low <= value - 273.15 <= high:
        return "kelvin", value - 273.15
    if key.endswith("_c") and low <= (value - 32.0) / 1.8 <= high:
        return "degrees Fahrenheit", (value - 32.0) / 1.8
    return None


def number_in_cell(
    where: str, key: str, value: object, low: float, high: float, problem: type[Problem]
) -> float:
    """Return a cell as a number from `low` to `high`, in the unit that its key ends with.

    Parameters
    ----------
    where:
        Place named in errors: "burette.toml: weighing, row 3, mass_g".
    key:
        Name of the cell.
    value:
        What stands in it.
    low, high:
        Smallest and largest value that can be true. A value outside that another unit would
        explain (grams for milligrams, L for mL) gets an error that says so.
    problem:
        Class of error to raise.
    """
    unit = unit_of(key)
    tail = f" {unit}" if unit else ""
    if isinstance(value, bool) or not isinstance(value, int | float):
        shown = f'"{value[:40]}", ' if isinstance(value, str) else ""
        in_unit = f" in {unit}" if unit else ""
        remedy = f"Write a number{in_unit}, without quotes or unit."
        raise problem(f"{where} is {shown}not a number.", remedy)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if math.isfinite(number) and low <= number <= high:
        return number
    slip = slip_of(key, number, low, high) if math.isfinite(number) else None
    remedy = f"Check the value{' and its unit, ' + unit if unit else ''}."
    if slip is not None:
        remedy = f"That looks like {slip[0]}: in {unit} it would be {slip[1]:.6g}."
    raise problem(f"{where} is {number:.10g}{tail}, outside {low:g} to {high:g}{tail}.", remedy)


def day_in_cell(where: str, value: object, problem: type[Problem]) -> datetime.date:
    """Return a cell as a date, written 2026-03-31 with or without quotes, or raise `problem`."""
    if isinstance(value, datetime.datetime):
        return value.date()
    if isinstance(value, datetime.date):
        return value
    try:
        return datetime.date.fromisoformat(value if isinstance(value, str) else "")
    except ValueError:
        raise problem(
            f"{where} is not a date.", "Write year-month-day, such as 2026-03-31."
        ) from None


@dataclass(frozen=True)
class Section:
    """One table, or one row of readings, of a sheet; it remembers which keys were asked for."""

    where: str
    """Place named in errors: "burette.toml: weighing, row 3"."""
    cells: Mapping[str, Any]
    _asked: set[str] = field(default_factory=set)

    def has(self, key: str) -> bool:
        """Tell whether the key is there."""
        self._asked.add(key)
        return key in self.cells

    def place(self, key: str) -> str:
        """Name of one cell as it stands in errors."""
        return f"{self.where}, {key}"

    def problem(self, key: str, says: str, remedy: str) -> SheetProblem:
        """Error about one cell: "<place> <says>", then the remedy."""
        return SheetProblem(f"{self.place(key)} {says}", remedy)

    def _value(self, key: str, default: object) -> Any:
        if self.has(key):
            return self.cells[key]
        if default is ...:
            near = difflib.get_close_matches(key, list(self.cells), n=1, cutoff=0.8)
            unit = f", in {unit_of(key)}" if unit_of(key) else ""
            remedy = f"Add {key}{unit}."
            if near:
                remedy = f"There is {near[0]}: write {key} instead{unit}."
            raise SheetProblem(f"{self.where}: {key} is missing.", remedy)
        return default

    def number(self, key: str, low: float, high: float, default: Any = ...) -> Any:
        """Return a number from `low` to `high`, in the unit that the key ends with.

        Parameters
        ----------
        key:
            Name of the cell.
        low, high:
            Smallest and largest value that can be true. A value outside that another unit would
            explain (grams for milligrams, L for mL) gets an error that says so.
        default:
            Returned, unchecked, where the key is missing; without it the key is needed.

        Raises
        ------
        SheetProblem
            The cell is missing, not a number, or out of range.
        """
        value = self._value(key, default)
        if not self.has(key):
            return value
        return self._checked(key, value, low, high)

    def _checked(self, key: str, value: object, low: float, high: float) -> float:
        return number_in_cell(self.place(key), key, value, low, high, SheetProblem)

    def whole(self, key: str, low: int, high: int, default: Any = ...) -> Any:
        """Return a whole number from `low` to `high`; errors as for `number`."""
        value = self.number(key, low, high, default)
        if self.has(key) and value != int(value):
            raise self.problem(key, f"is {value:g}, not a whole number.", "Give a whole number.")
        return int(value) if self.has(key) else value

    def numbers(
        self, key: str, low: float, high: float, least: int = 1, default: Any = ...
    ) -> tuple[float, ...]:
        """Return a list of numbers from `low` to `high`, `least` or more of them.

        Raises
        ------
        SheetProblem
            The cell is missing, not a list, too short, or holds something that does not fit.
        """
        values = self._value(key, default)
        if not self.has(key):
            return tuple(values)
        if not isinstance(values, list):
            raise self.problem(key, "is not a list.", "Write [1.23, 4.56].")
        if len(values) < least:
            raise self.problem(
                key,
                f"holds {len(values)} value(s); it needs {least} or more.",
                "Add the missing readings, or measure again.",
            )
        listed = Section(self.where, {f"number {n} of {key}": v for n, v in enumerate(values, 1)})
        return tuple(listed._checked(name, v, low, high) for name, v in listed.cells.items())

    def text(self, key: str, default: Any = ...) -> Any:
        """Return a text that is not empty; errors as for `number`."""
        value = self._value(key, default)
        if not self.has(key):
            return value
        if not isinstance(value, str) or not value.strip():
            raise self.problem(key, "is not a text.", f'Write {key} = "...".')
        if len(value) > 500 or not all(c.isprintable() for c in value):
            raise self.problem(
                key, "is too long or holds control characters.", "Write one short line."
            )
        return value.strip()

    def choice(self, key: str, options: Sequence[str], default: Any = ...) -> Any:
        """Return one of a few words; errors as for `number`."""
        value = self.text(key, default)
        if self.has(key) and value not in options:
            near = difflib.get_close_matches(value, options, n=1)
            remedy = f'Did you mean "{near[0]}"?' if near else f"Use one of: {', '.join(options)}."
            raise self.problem(key, f'is "{value[:40]}", which is not known.', remedy)
        return value

    def day(self, key: str, default: Any = ..., today: datetime.date | None = None) -> Any:
        """Return a date, written 2026-03-31 with or without quotes; errors as for `number`.

        Parameters
        ----------
        key, default:
            As for `number`.
        today:
            A date after this one is refused, where it is given.
        """
        value = self._value(key, default)
        if not self.has(key):
            return value
        found = day_in_cell(self.place(key), value, SheetProblem)
        if today is not None and found > today:
            raise self.problem(
                key,
                f"is {found}, which is in the future (today is {today}).",
                "Correct the date, or the clock of this computer.",
            )
        return found

    def section(self, key: str, needed: bool = True) -> Section:
        """Return a table inside this one; an empty one where it is missing and not `needed`.

        Errors as for `number`.
        """
        value = self._value(key, ... if needed else {})
        if not isinstance(value, dict):
            raise self.problem(key, "is not a table.", f"Write {key} = {{ ... }}.")
        return Section(f"{self.where}, {key}", value)

    def close(self) -> None:
        """Refuse keys that were never asked for.

        Raises
        ------
        SheetProblem
            A key is unknown, with the nearest known one.
        """
        for key in self.cells:
            if key not in self._asked:
                near = difflib.get_close_matches(key, sorted(self._asked), n=1, cutoff=0.75)
                known = f"Known are: {', '.join(sorted(self._asked))}."
                remedy = f"Did you mean {near[0]}?" if near else known
                raise SheetProblem(f"{self.where}: {str(key)[:60]} is not known.", remedy)
