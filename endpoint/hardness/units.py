"""Units in which hardness is stated, and the molar masses behind them."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.quantity import Quantity

M_CACO3 = 100.086
"""Molar mass of CaCO3 in g/mol (standard atomic weights, computed); no other value is used."""
M_CAO = 56.077
M_CALCIUM = 40.078
M_MAGNESIUM = 24.305
"""Molar masses, g/mol (standard atomic weights)."""
US_GRAIN_PER_GALLON_MG_L = 64.79891 / 3.785411784
CLARK_DEGREE_MG_L = 64.79891 / 4.54609
"""mg/L CaCO3 of one unit: a grain (64.79891 mg) in a gallon of the United States (3.785411784 L)
and in an imperial one (4.54609 L); exact by definition."""


@dataclass(frozen=True)
class HardnessUnit:
    """A way to state hardness."""

    key: str
    """Key in JSON."""
    label: str
    """Unit as printed after the number."""
    per_mmol_l: float
    """Number in this unit for 1 mmol/L of calcium and magnesium; exact by definition."""
    definition: str


MG_L_CACO3 = HardnessUnit(
    "caco3_mg_l", "mg/L CaCO3", M_CACO3, "all calcium and magnesium stated as CaCO3, 100.086 g/mol"
)
OTHER_UNITS = (
    HardnessUnit("meq_l", "meq/L", 2.0, "milliequivalents per litre, two per mmol/L"),
    HardnessUnit("cao_mg_l", "mg/L CaO", M_CAO, "stated as CaO, 56.077 g/mol"),
    HardnessUnit("german_degree", "°dH", M_CAO / 10.0, "German degree: 10 mg/L CaO"),
    HardnessUnit("french_degree", "°fH", M_CACO3 / 10.0, "French degree: 10 mg/L CaCO3"),
    HardnessUnit(
        "clark_degree",
        "Clark degree",
        M_CACO3 / CLARK_DEGREE_MG_L,
        "Clark (English) degree: one grain (64.79891 mg) of CaCO3 in one imperial gallon "
        "(4.54609 L), 14.2538 mg/L; older tables take 14.2857",
    ),
    HardnessUnit(
        "us_grain_per_gallon",
        "grain per US gallon",
        M_CACO3 / US_GRAIN_PER_GALLON_MG_L,
        "one grain (64.79891 mg) of CaCO3 in one US gallon (3.785411784 L), 17.1181 mg/L",
    ),
)


def in_unit(mmol_l: Quantity, unit: HardnessUnit) -> Quantity:
    """Hardness in another unit; the factor is exact, so nothing is added to the uncertainty."""
    return mmol_l.scaled(unit.per_mmol_l, unit.label)
