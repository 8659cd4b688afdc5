"""What the head of a column says: volume, time or absorbance, and in which unit.

Instruments and people write `volume_ml`, `Vol (mL)`, `V / mL`, `Volume [L]`, `time min`, `t / s`,
`A620`, `Abs. at 620 nm`. A head counts only if each of its words is known, so that the volume of
the sample or the temperature is not taken for what was delivered or when.
"""

from __future__ import annotations

import itertools
import json
import re
import unicodedata
from dataclasses import dataclass

from calibration.problem import Problem
from endpoint.files.csv_table import Sheet, is_number, number_in, plain_title

_ML = {"ml": 1.0, "milliliter": 1.0, "millilitre": 1.0, "cm3": 1.0, "cm^3": 1.0, "ccm": 1.0}
_ML |= {"cc": 1.0, "milliliters": 1.0, "millilitres": 1.0, "l": 1e3, "liter": 1e3, "litre": 1e3}
_ML |= {"liters": 1e3, "litres": 1e3, "dm3": 1e3, "cl": 10.0, "dl": 100.0}
_ML |= {"\u03bcl": 1e-3, "ul": 1e-3, "microliter": 1e-3, "microlitre": 1e-3}
_ML |= {"microliters": 1e-3, "microlitres": 1e-3}
_S = {"s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3}
_S |= {"min": 60.0, "mins": 60.0, "minute": 60.0, "minutes": 60.0}
_S |= {"h": 3600.0, "hr": 3600.0, "hrs": 3600.0, "hour": 3600.0, "hours": 3600.0}
_CLOCK = {"h:m:s", "hh:mm:ss", "h:mm:ss", "m:s", "mm:ss", "m:ss", "min:s", "min:sec"}
"""Times with colons; the last number is seconds."""
_A = {"au": 1.0, "a.u.": 1.0, "abs": 1.0, "a": 1.0, "mau": 1e-3, "mabs": 1e-3}
UNITS = {"volume": _ML, "time": _S | dict.fromkeys(_CLOCK, 1.0), "absorbance": _A}
"""Kind -> unit -> factor to mL, s and absorbance."""
_UNCERTAINTY, _LARGEST_ML = "standard_uncertainty_ml", 1000.0
_OWN = {"volume": "volume_ml", "time": "time_s"}
_PLAIN = {
    "volume": {"v", "vol", "volume", "volumen", "burette", "buret", "reading"},
    "time": {"t", "time", "zeit"},
}
"""Words that say the kind without a unit: then it is mL or s."""
_FURTHER = {
    "volume": {"titrant", "edta", "titre", "titer", "added", "dispensed", "dosed", "delivered"}
    | {"cumulative", "cum", "corrected", "corr", "of", "the", "so", "far", "solution"},
    "time": {"elapsed", "film", "video", "clock", "of", "the", "since", "start", "in"},
}
_WAVELENGTH = re.compile(r"(?<![\d.])([1-9]\d{2,3}(?:[.,]\d+)?)(?![\d.])")


@dataclass(frozen=True)
class NamedColumns:
    """Columns that a record names, because their heads do not say what they hold."""

    volume: str | None = None
    time: str | None = None
    absorbance: tuple[str, ...] = ()
    wavelengths_nm: tuple[float, ...] = ()
    """Of `absorbance`, where the heads do not hold them; empty if they do."""

    def titles(self) -> tuple[str, ...]:
        """Every head that is named."""
        return tuple(t for t in (self.volume, self.time, *self.absorbance) if t is not None)


@dataclass(frozen=True)
class Axis:
    """A column of volume or time and the factor to mL or s."""

    column: int
    factor: float
    kind: str
    """"volume" or "time"; only times may have colons."""


def wavelength_nm(title: str) -> float | None:
    """Wavelength in a head, 190 to 1100 nm."""
    match = _WAVELENGTH.search(title.replace("_", " "))
    if match is None:
        return None
    nm = float(match.group(1).replace(",", "."))
    return nm if 190.0 <= nm <= 1100.0 else None


def plain(title: str) -> str:
    """Head without case, signs of other alphabets made one and spaces at its ends."""
    return unicodedata.normalize("NFKC", title).strip().lower()


def same_title(one: str, other: str) -> bool:
    """Whether two heads differ by no more than case and spaces."""
    return re.sub(r"\s+", "", plain(one)) == re.sub(r"\s+", "", plain(other))


def _words_and_unit(title: str) -> tuple[set[str], str]:
    """Words of the name, and the unit as it is written; "" without one."""
    text = plain(title)
    match = (
        re.fullmatch(r"(.*?)\s*[\[(]([^\[\]()]*)[\])]", text)
        or re.fullmatch(r"(.*?)\s+in\s+(\S+)", text)
        or re.fullmatch(r"(.*?)\s*/\s*([^/]+)", text)
        or re.fullmatch(r"(.*?)(?:^|[\s_,:]+)([^\s_,:]+)", text)
    )
    name, unit = (text, "") if match is None else (match.group(1), match.group(2).strip())
    known = any(unit in units for units in UNITS.values())
    # "V(EDTA)" and "volume" end with a word of the name, "Volume (drops)" with a strange unit.
    if known and not (unit in ("a", "abs", "h", "s", "l") and text == unit):
        return set(re.findall(r"[^\W\d_]+", name)), unit
    return set(re.findall(r"[^\W\d_]+", text)), ""


def unit_of(sheet: Sheet, column: int) -> str:
    """Unit of a column: in its head, else in the row of units; "" without one."""
    unit = _words_and_unit(sheet.header[column])[1]
    return unit or plain(sheet.units[column]).strip("[]() ")


def says(kind: str, title: str, unit_below: str = "") -> bool:
    """Whether a head says that its column is the volume or the time.

    Parameters
    ----------
    kind:
        "volume" or "time".
    title:
        The head.
    unit_below:
        Cell of the row of units.
    """
    words, unit = _words_and_unit(title)
    unit = unit or plain(unit_below).strip("[]() ")
    if words - _PLAIN[kind] - _FURTHER[kind]:
        return False
    if unit:
        return unit in UNITS[kind]
    # A capital T alone may be the temperature or the transmittance.
    return bool(words & _PLAIN[kind]) and title.strip() != "T"


def axis_of(sheet: Sheet, kind: str, named: str | None, problem: type[Problem]) -> Axis | None:
    """The column of volume or time; None if no head says so.

    Parameters
    ----------
    sheet:
        The table.
    kind:
        "volume" or "time".
    named:
        Its head, where the record names it.
    problem:
        Class of error to raise.

    Raises
    ------
    Problem
        Two columns may be it, the named one is missing, or its unit is another one.
    """
    if named is not None:
        return _axis(sheet, column_named(sheet, named, problem), kind, problem)
    titles = [plain(title) for title in sheet.header]
    if titles.count(_OWN[kind]) == 1:
        return _axis(sheet, titles.index(_OWN[kind]), kind, problem)
    pairs = enumerate(zip(sheet.header, sheet.units, strict=True))
    found = [k for k, (title, unit) in pairs if says(kind, title, unit)]
    if len(found) > 1:
        both = " and ".join(sheet.header[k][:40] for k in found[:2])
        raise problem(
            f"{sheet.name} has two columns of {kind}: {both}.", choice(sheet, {kind: found[0]})
        )
    return _axis(sheet, found[0], kind, problem) if found else None


def _axis(sheet: Sheet, column: int, kind: str, problem: type[Problem]) -> Axis:
    unit, below = unit_of(sheet, column), plain(sheet.units[column]).strip("[]() ")
    if (unit and unit not in UNITS[kind]) or below not in ("", "-", "none", unit):
        usual = {"volume": "mL, L or \u00b5L", "time": "s, min or h"}[kind]
        raise problem(
            f"{sheet.name} has the {kind} in {below or unit} (column {sheet.header[column][:40]}).",
            f"Give it in {usual}.",
        )
    return Axis(column, UNITS[kind][unit] if unit else 1.0, kind)


def values_of(sheet: Sheet, axis: Axis, problem: type[Problem]) -> list[float]:
    """Numbers of a column in mL or s; times may be 0:01:30, or 1:30 where the head says m:s.

    Raises
    ------
    Problem
        A cell is not a number, or a time with one colon could be minutes or hours.
    """
    stated = unit_of(sheet, axis.column)
    return [
        axis.factor * number_in(sheet, r, axis.column, problem)
        if ":" not in row[axis.column]
        else _clock_s(sheet, r, axis, stated, problem)
        for r, row in enumerate(sheet.rows)
    ]


def _clock_s(sheet: Sheet, row: int, axis: Axis, stated: str, problem: type[Problem]) -> float:
    cell, title = sheet.rows[row][axis.column], sheet.header[axis.column][:40]
    where = f'Row {sheet.numbers[row]} of {sheet.name} has "{cell[:40]}" for {title}'
    match = re.fullmatch(r"(?:(\d+):)?(\d+):(\d\d(?:[.,]\d+)?)", cell)
    if match is None or axis.kind != "time":
        raise problem(f"{where}, which is not a number.", "Write a plain number there.")
    hours, minutes, seconds = match.groups()
    if hours is None and stated not in _CLOCK:
        raise problem(
            f"{where}, which may be minutes or hours.",
            "Write seconds, or h:mm:ss, or call the column time (m:s).",
        )
    return 3600.0 * float(hours or 0) + 60.0 * float(minutes) + float(seconds.replace(",", "."))


def uncertainties_ml(sheet: Sheet, problem: type[Problem]) -> list[float] | None:
    """Standard uncertainties of the volumes, mL; None without a column of them.

    Raises
    ------
    Problem
        Of the given kind: a cell is no number, or not 0 to 1000 mL.
    """
    heads = [plain_title(title) for title in sheet.header]
    if _UNCERTAINTY not in heads:
        return None
    column = heads.index(_UNCERTAINTY)
    out = [number_in(sheet, k, column, problem) for k in range(len(sheet.rows))]
    for number, value in zip(sheet.numbers, out, strict=True):
        if not 0.0 <= value <= _LARGEST_ML:
            raise problem(
                f"Row {number} of {sheet.name} has a standard uncertainty of {value:g} mL.",
                "Give it in millilitres, 0 or more.",
            )
    return out


def column_named(sheet: Sheet, title: str, problem: type[Problem]) -> int:
    """Column with a head that the record names.

    Raises
    ------
    Problem
        No column or two columns have it.
    """
    found = [k for k, other in enumerate(sheet.header) if same_title(title, other)]
    if len(found) != 1:
        has = f"it has {', '.join(sheet.header)[:120]}"
        count = "no column" if not found else f"{len(found)} columns"
        raise problem(
            f"{sheet.name} has {count} {title[:40]} ({has}).",
            "Correct `columns` under [recording], or the head of the table.",
        )
    return found[0]


def choice(sheet: Sheet, known: dict[str, int], waves: tuple[int, ...] | None = None) -> str:
    """Remedy: the key `columns` of a record, filled in with the heads of a table.

    Parameters
    ----------
    sheet:
        The table.
    known:
        "volume", "time" -> column, where that is known.
    waves:
        Columns of absorbance; None if the table has none, as the log of a film.
    """
    if all(is_number(title) for title in sheet.header):
        return "Write a head above the rows, such as volume_ml;A620."
    numeric = [k for k in range(len(sheet.header)) if all(is_number(row[k]) for row in sheet.rows)]
    left = [k for k in numeric if k not in known.values() and k not in (waves or ())]
    values = {k: [_value(row[k]) for row in sheet.rows] for k in left}
    steps = {k: [b - a for a, b in itertools.pairwise(v)] for k, v in values.items()}
    left = [k for k in left if set(steps[k]) != {1.0}]  # those are row numbers
    if not known:
        # What never falls can be the volume.
        rising = [k for k in left if min(steps[k], default=0.0) >= 0.0 < max(steps[k], default=0.0)]
        known = {"volume": rising[0]} if rising else {}
        left = [k for k in left if k not in known.values()]
    parts = [f"{kind} = {_toml(sheet.header[k])}" for kind, k in known.items()]
    if not known:
        parts.append('volume = "..."')
    if waves is not None:
        chosen = waves or tuple(left[:3])
        titles = ", ".join(_toml(sheet.header[k]) for k in chosen) or '"..."'
        parts.append(f"absorbance = [{titles}]")
        if any(wavelength_nm(sheet.header[k]) is None for k in chosen):
            parts.append(f"wavelengths_nm = [{', '.join('620' for _ in chosen)}]")
    return (
        f"Write columns = {{ {', '.join(parts)} }} under [recording] in the record, with the right "
        "heads."
    )


def _value(cell: str) -> float:
    """Number in a cell of which `is_number` holds."""
    return float(cell.strip().replace(",", ".").replace("\u2212", "-"))


def _toml(title: str) -> str:
    """A head as a text of a record."""
    return json.dumps(title, ensure_ascii=not title.isprintable())
