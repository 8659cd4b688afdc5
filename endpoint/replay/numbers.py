"""Numbers in words that the page for a class says in more than one place."""

from __future__ import annotations

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.rounding import FIXED_SPACE, rounded


def percent(part: float) -> str:
    """Part as whole percent in words."""
    if 0 < part < 0.005:
        return f"less than 1{FIXED_SPACE}%"
    if 0.995 <= part < 1:
        return f"more than 99{FIXED_SPACE}%"
    return f"{rounded(100.0 * part, 0)}{FIXED_SPACE}%"


def strength(mol_l: float) -> str:
    """Concentration with as many of four to six decimals as it has."""
    exact = (d for d in (4, 5) if abs(round(mol_l, d) - mol_l) < 1e-9)
    return rounded(mol_l, next(exact, 6))


def constants_in_words() -> str:
    """Published constants that the model starts from, as the page names them."""
    calcium, magnesium = ERIOCHROME_BLACK_T.metals
    return (
        f"log K of CaEDTA {calcium.log_k_edta:g}, MgEDTA {magnesium.log_k_edta:g}, of calcium and "
        f"magnesium with the indicator {calcium.log_k_indicator:g} and "
        f"{magnesium.log_k_indicator:g} (the latter from memory of the literature)"
    )
