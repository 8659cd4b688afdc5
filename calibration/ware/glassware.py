"""Burettes, pipettes and flasks: how well a volume is known from the class printed on the glass.

The limit of error of the class is taken as the half width of a triangular distribution (QUAM
2012, examples A1 to A3: values near the nominal are more likely). One piece of ware carries one
name, and its calibration error is the same each time it is used: two deliveries of one pipette
are fully correlated in the calibration and independent in the filling.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypedDict, Unpack

from calibration.plain import checked_number, checked_table, checked_text
from calibration.quantity import Quantity
from calibration.ware.tolerance import Tolerance, WareProblem, find_tolerance, glassware_data
from calibration.ware.water import find_glass, liquid_at_20, water_expansion

DEFAULT_GLASS = "borosilicate 3.3"


@dataclass(frozen=True)
class Ware:
    """One piece of glassware. Its name says which: two volumes with one name share its error."""

    name: str
    tolerance: Tolerance


def ware_from_table(data: Mapping[str, object], kind: str, where: str) -> Ware:
    """Read a piece of ware from a table such as {nominal_ml = 50, class = "A", name = "17"}.

    Parameters
    ----------
    data:
        Keys nominal_ml and class; optional division_ml, standard and name.
    kind:
        As for `find_tolerance`.
    where:
        Place named in an error, such as "well-3.toml: ware.burette".

    Raises
    ------
    CalibrationProblem
        A key is missing, unknown or of the wrong type, or `find_tolerance` finds nothing.
    """
    optional = ("division_ml", "standard", "name")
    plain = dict(data) if isinstance(data, Mapping) else data
    table = checked_table(plain, ("nominal_ml", "class"), optional, where)
    division = table.get("division_ml")
    name = table.get("name")
    standard = table.get("standard")
    try:
        tolerance = find_tolerance(
            kind,
            checked_number(table["nominal_ml"], f"{where}: nominal_ml"),
            checked_text(table["class"], f"{where}: class"),
            None if division is None else checked_number(division, f"{where}: division_ml"),
            None if standard is None else checked_text(standard, f"{where}: standard"),
        )
    except WareProblem as problem:
        raise WareProblem(f"{where}: {problem.sentence}", problem.remedy) from None
    label = kind if name is None else f"{kind} {checked_text(name, f'{where}: name')}"
    return Ware(label, tolerance)


class Temperature(TypedDict, total=False):
    """What is known of the temperature of a liquid, as `at_reference_temperature` takes it."""

    temperature_c: float | None
    temperature_half_width_c: float | None
    temperature_name: str | None


def burette_volume(
    ware: Ware,
    volume_ml: Quantity | float,
    label: str = "",
    *,
    fills: int = 1,
    reading_limit_ml: float | None = None,
    glass: str = DEFAULT_GLASS,
    **temperature: Unpack[Temperature],
) -> Quantity:
    """Volume delivered by a burette, with what the burette adds to its uncertainty.

    Parameters
    ----------
    ware:
        The burette.
    volume_ml:
        Delivered volume in mL; contributions that it already has are kept.
    label:
        Name of this titration, so that the readings of two titrations stay independent.
    fills:
        How often the burette was filled; its error counts once for each.
    reading_limit_ml:
        Half width of the error of one reading, triangular; default a fifth of a division; 0
        where nobody reads, as with a pump. Start and end of each fill are read.
    glass, **temperature:
        As for `at_reference_temperature`.

    Returns
    -------
    Quantity in mL at 20 °C. The calibration error does not grow with the volume: the limit of the
    class holds at every point of the scale.

    Raises
    ------
    CalibrationProblem
        The volume is negative or more than the burette holds, or the temperature cannot be true.
    """
    volume = volume_ml if isinstance(volume_ml, Quantity) else Quantity(volume_ml, "mL")
    nominal = ware.tolerance.nominal_ml
    if fills < 1 or not 0.0 <= volume.value <= nominal * fills:
        raise WareProblem(
            f"{volume.value:g} mL cannot come from a burette of {nominal:g} mL filled {fills} "
            "time(s).",
            "Check the volume, the size of the burette and how often it was filled.",
        )
    if reading_limit_ml is None:
        reading_limit_ml = reading_limit(ware.tolerance.division_ml)
    total = volume + _calibration(ware).scaled(float(fills))
    total += reading_errors(ware.name, label, fills, reading_limit_ml)
    return at_reference_temperature(total, ware.name, label, glass=glass, **temperature)


def pipette_deliveries(
    ware: Ware,
    times: int = 1,
    *,
    filling_ml: float | None = None,
    glass: str = DEFAULT_GLASS,
    label: str = "",
    **temperature: Unpack[Temperature],
) -> tuple[Quantity, ...]:
    """One or several deliveries of one pipette, mL at 20 °C.

    Parameters
    ----------
    ware:
        The pipette, or a flask emptied or filled to its mark.
    times:
        Number of deliveries, >= 1.
    filling_ml:
        Standard uncertainty of one filling, mL; default a third of the class A limit (common
        practice, no source).
    glass, **temperature:
        As for `at_reference_temperature`.
    label:
        Name of this sample, so that fillings for two samples stay independent.

    Returns
    -------
    One quantity per delivery. Calibration and temperature are shared, each filling is its own.
    """
    nominal = Quantity(ware.tolerance.nominal_ml, "mL")
    if filling_ml is None:
        share = float(glassware_data()["filling"]["share_of_class_a_limit"])
        filling_ml = share * ware.tolerance.class_a_limit_ml
    shared = at_reference_temperature(
        nominal + _calibration(ware), ware.name, label, glass=glass, **temperature
    )
    filling = Quantity.measured(0.0, "mL", filling_ml, "filling")
    return with_fillings(shared, filling, ware.name, times, label)


def with_fillings(
    shared: Quantity, filling: Quantity, ware_name: str, times: int, label: str
) -> tuple[Quantity, ...]:
    """Deliveries that share all of `shared`, each with a filling error of its own.

    Parameters
    ----------
    shared:
        Volume of any delivery, mL.
    filling:
        0 mL with one contribution: the scatter of one delivery.
    ware_name, label:
        For the names: "pipette P1: filling, well 3, 1".
    times:
        Number of deliveries, >= 1.

    Raises
    ------
    WareProblem
        There is no delivery.
    """
    if times < 1:
        raise WareProblem(f"The {ware_name} was filled {times} times.", "Give 1 or more.")
    where = f", {label}" if label else ""
    parts = tuple(filling.contributions.values())
    return tuple(
        shared
        + Quantity(0.0, "mL", {f"{ware_name}: filling{where}, {number}": part for part in parts})
        for number in range(1, times + 1)
    )


def _calibration(ware: Ware) -> Quantity:
    name = f"{ware.name}: calibration"
    return Quantity.from_limits(0.0, "mL", ware.tolerance.limit_ml, "triangular", name)


def reading_limit(division_ml: float | None) -> float:
    """Half width of the error of one meniscus reading, mL: a fifth of a division (from memory)."""
    return float(glassware_data()["reading"]["limit_per_division"]) * (division_ml or 0.0)


def reading_errors(ware_name: str, label: str, fills: int, limit_ml: float) -> Quantity:
    """0 mL with the errors of reading start and end of each fill, triangular within `limit_ml`.

    Parameters
    ----------
    ware_name, label:
        For the names: "burette B2: reading, well 3, start".
    fills:
        How often the burette was filled, >= 1.
    limit_ml:
        Half width of the error of one reading; 0 for none.
    """
    where = f", {label}" if label else ""
    total = Quantity(0.0, "mL")
    if limit_ml == 0:
        return total
    for number in range(1, fills + 1):
        for end in ("start", "end"):
            which = f"{end} {number}" if fills > 1 else end
            name = f"{ware_name}: reading{where}, {which}"
            reading = Quantity.from_limits(0.0, "mL", limit_ml, "triangular", name)
            total += -reading if end == "start" else reading
    return total


def at_reference_temperature(
    volume_ml: Quantity,
    ware_name: str,
    label: str = "",
    *,
    temperature_c: float | None = None,
    temperature_half_width_c: float | None = None,
    temperature_name: str | None = None,
    glass: str = DEFAULT_GLASS,
) -> Quantity:
    """Volume at 20 °C of what was measured out, with the uncertainty of its temperature.

    Parameters
    ----------
    volume_ml:
        As read, or as the ware is calibrated, mL.
    ware_name, label:
        For the name of the contribution where none is given.
    temperature_c:
        Of the liquid, 0 to 40 °C; None where it was not measured, then nothing is corrected.
    temperature_half_width_c:
        Half width, rectangular; default 3 °C about 20 °C, or 1 °C about a stated temperature.
    temperature_name:
        Name of the contribution, to share one temperature between pieces of ware. Default
        "<ware>: temperature"; where it was measured, "<ware>: temperature, <label>", as then each
        titration has its own.
    glass:
        Kind of glass, see `calibration.ware.water.GLASSES`.

    Returns
    -------
    Quantity in mL. The contribution is positive for a liquid that is colder than thought.

    Raises
    ------
    CalibrationProblem
        The temperature is outside 0 to 40 °C, or the kind of glass is not known.
    """
    data = glassware_data()["temperature"]
    if temperature_c is None:
        key, factor, slope = "half_width_c", 1.0, float(data["water_expansion_per_c"])
        name = f"{ware_name}: temperature"
    else:
        gamma = find_glass(glass).expansion_per_c
        key, factor = "stated_half_width_c", liquid_at_20(1.0, temperature_c, gamma)
        slope = factor * (water_expansion(temperature_c) - gamma)
        name = f"{ware_name}: temperature" + (f", {label}" if label else "")
    half = float(data[key]) if temperature_half_width_c is None else temperature_half_width_c
    error = Quantity.from_limits(0.0, "°C", half, "rectangular", temperature_name or name)
    return volume_ml.scaled(factor) + error.scaled(volume_ml.value * slope, "mL")
