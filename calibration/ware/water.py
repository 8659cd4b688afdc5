"""Density of water and air, expansion of glass: from a balance reading to a volume at 20 °C."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from calibration.problem import CalibrationProblem

LOWEST_C = 0.0
HIGHEST_C = 40.0
"""Temperatures for which the formulas of density hold, °C."""
REFERENCE_C = 20.0
"""Temperature to which volumes of ware refer, °C (ISO 384)."""
WEIGHTS_KG_M3 = 8000.0
"""Density of the weights that a balance is adjusted with (ISO 4787, OIML R 111)."""

WATER_DENSITY_U_KG_M3 = 0.01
"""Standard uncertainty for clean water, with isotopes and dissolved air: 1e-5 of the density,
usual and on the safe side (L. M. Centeno et al., Simposio de Metrología 2004, CENAM)."""

# Tanaka et al., Metrologia 38 (2001) 301-309, page 305; constants as in public codes that cite it.
_A1, _A2, _A3, _A4, _A5 = -3.983035, 301.797, 522528.9, 69.34881, 999.97495


class WaterProblem(CalibrationProblem):
    """A temperature, a pressure or a kind of glass is outside what the formulas hold for."""


@dataclass(frozen=True)
class Glass:
    """Cubic expansion of one kind of glass."""

    expansion_per_c: float
    half_width_per_c: float
    """A tenth of the coefficient, as pieces of one kind differ (from memory)."""
    source: str
    status: str


# From memory of ISO 4787:2021, annex; soda-lime glass runs from 2.5e-5 to 3.0e-5.
GLASSES: Mapping[str, Glass] = {
    name: Glass(gamma, 0.1 * gamma, "ISO 4787:2021, annex", "memory")
    for name, gamma in (
        ("borosilicate 3.3", 9.9e-6),
        ("borosilicate 5.0", 1.5e-5),
        ("soda-lime", 2.75e-5),
        ("fused silica", 1.6e-6),
    )
}


def find_glass(name: str) -> Glass:
    """Return the expansion of a kind of glass.

    Raises
    ------
    WaterProblem
        The kind is not in `GLASSES`.
    """
    if name not in GLASSES:
        raise WaterProblem(
            f'The expansion of the glass "{name[:40]}" is not known.',
            f"Use one of: {', '.join(GLASSES)}.",
        )
    return GLASSES[name]


def _check_temperature(what: str, temperature_c: float) -> None:
    if not LOWEST_C <= temperature_c <= HIGHEST_C:
        raise WaterProblem(
            f"The temperature of the {what} is {temperature_c:g} °C; the formulas hold from "
            f"{LOWEST_C:g} to {HIGHEST_C:g} °C.",
            "Check the temperature and its unit, °C.",
        )


def water_density(temperature_c: float) -> float:
    """Density of air-free water at 101.325 kPa, kg/m3.

    Parameters
    ----------
    temperature_c:
        0 to 40 °C.

    Returns
    -------
    Density; what clean water may differ from it is `WATER_DENSITY_U_KG_M3`.

    Raises
    ------
    WaterProblem
        The temperature is outside 0 to 40 °C.

    Source: M. Tanaka et al., Metrologia 38 (2001) 301-309.
    """
    _check_temperature("water", temperature_c)
    t = temperature_c
    return _A5 * (1.0 - (t + _A1) ** 2 * (t + _A2) / (_A3 * (t + _A4)))


def water_expansion(temperature_c: float) -> float:
    """Cubic expansion coefficient of water, 1/°C: derivative of `water_density`; 0 to 40 °C."""
    density = water_density(temperature_c)
    t = temperature_c
    numerator, denominator = (t + _A1) ** 2 * (t + _A2), _A3 * (t + _A4)
    slope = 2.0 * (t + _A1) * (t + _A2) + (t + _A1) ** 2
    return _A5 * (slope / denominator - numerator * _A3 / denominator**2) / density


def air_density(temperature_c: float, pressure_hpa: float, humidity_percent: float) -> float:
    """Density of moist air, kg/m3, within 0.001 of the full formula.

    Parameters
    ----------
    temperature_c:
        Of the air, 0 to 40 °C.
    pressure_hpa:
        At the balance, not brought to sea level; 500 to 1100 hPa.
    humidity_percent:
        Relative humidity, 0 to 100 %.

    Raises
    ------
    WaterProblem
        A value is out of range.

    Source: ISO 8655-6:2022, as coded in a public calibration sheet that cites it.
    """
    _check_temperature("air", temperature_c)
    if not 500.0 <= pressure_hpa <= 1100.0:
        raise WaterProblem(
            f"The air pressure is {pressure_hpa:g} hPa; it must lie from 500 to 1100 hPa.",
            "Check the pressure and its unit, hPa.",
        )
    if not 0.0 <= humidity_percent <= 100.0:
        raise WaterProblem(
            f"The humidity is {humidity_percent:g} %.", "Give a relative humidity of 0 to 100 %."
        )
    vapour = 0.009 * humidity_percent * math.exp(0.061 * temperature_c)
    return (0.34848 * pressure_hpa - vapour) / (temperature_c + 273.15)


def z_factor(water_kg_m3: float, air_kg_m3: float, weights_kg_m3: float = WEIGHTS_KG_M3) -> float:
    """Volume per balance reading, mL/g, with the buoyancy of air.

    Parameters
    ----------
    water_kg_m3, air_kg_m3, weights_kg_m3:
        Densities of the water, of the air and of the weights that the balance is adjusted with.

    Source: ISO 8655-6:2022 and ISO 4787:2021, as coded in a public sheet that cites them.
    """
    return 1000.0 / (water_kg_m3 - air_kg_m3) * (1.0 - air_kg_m3 / weights_kg_m3)


def capacity_at_20(volume_ml: float, temperature_c: float, glass_expansion_per_c: float) -> float:
    """Volume, mL, that a vessel of this volume at `temperature_c` has at 20 °C (ISO 4787)."""
    return volume_ml * (1.0 - glass_expansion_per_c * (temperature_c - REFERENCE_C))


def liquid_at_20(volume_ml: float, temperature_c: float, glass_expansion_per_c: float) -> float:
    """Volume at 20 °C of a dilute aqueous liquid that was measured at another temperature.

    Parameters
    ----------
    volume_ml:
        Volume read on ware that is right at 20 °C, mL.
    temperature_c:
        Of liquid and ware, 0 to 40 °C.
    glass_expansion_per_c:
        Cubic expansion of the ware.

    Returns
    -------
    Volume in mL: the ware holds more at `temperature_c`, the liquid is less dense there.
    """
    held = volume_ml * (1.0 + glass_expansion_per_c * (temperature_c - REFERENCE_C))
    return held * water_density(temperature_c) / water_density(REFERENCE_C)


def weighed_volume(
    mass_g: float,
    temperature_c: float,
    air_kg_m3: float,
    glass_expansion_per_c: float,
    water_excess_kg_m3: float = 0.0,
) -> float:
    """Volume at 20 °C, mL, of a vessel that held or delivered this mass of water (ISO 4787).

    Parameters
    ----------
    mass_g:
        Difference of two balance readings, g.
    temperature_c:
        Of water and vessel, 0 to 40 °C.
    air_kg_m3:
        Density of the air.
    glass_expansion_per_c:
        Cubic expansion of the vessel, 1/°C.
    water_excess_kg_m3:
        By how much the water is denser than the formula says.
    """
    z = z_factor(water_density(temperature_c) + water_excess_kg_m3, air_kg_m3)
    return capacity_at_20(mass_g * z, temperature_c, glass_expansion_per_c)
