"""What the pH does to EDTA, to the indicator, to magnesium and to the buffer itself."""

from __future__ import annotations

import math

from endpoint.chemistry.conditions import AMMONIUM_PKA

KSP_MAGNESIUM_HYDROXIDE = (5.6e-12, 1.8e-11)
"""Lowest and highest in common handbooks, (mol/L)^3 at 25 degrees (from memory); minteq.v4.dat has
7.0e-12 for brucite. Below the lower no solid forms, above the upper it does in time."""
_KW = 1e-14
BUFFER_AMMONIA_MOL_L = 8.9
"""Free and as ammonium, in the buffer of ISO 6059:1984, clause 4.1: 67.5 g NH4Cl and 570 mL of
ammonia solution (25 %) in 1 L."""


def protonated_parts(ph: float, pka: tuple[float, ...]) -> tuple[float, ...]:
    """Parts of a ligand by the hydrogen ions that it carries: with none, with one, and so on.

    Parameters
    ----------
    ph:
        pH.
    pka:
        Stepwise acid dissociation constants from the most acid to the least.

    Returns
    -------
    Parts that add up to 1, one more than `pka` has steps.
    """
    weights, exponent = [1.0], 0.0
    for step in reversed(pka):
        exponent += step - ph
        weights.append(10.0**exponent)
    total = sum(weights)
    return tuple(weight / total for weight in weights)


def magnesium_hydroxide_ph(magnesium_mol_l: float) -> tuple[float, float]:
    """Between which pH magnesium hydroxide begins to form, for the two solubility products.

    Parameters
    ----------
    magnesium_mol_l:
        Free magnesium, mol/L, > 0.
    """
    low, high = (
        math.log10(math.sqrt(ksp / magnesium_mol_l) / _KW) for ksp in KSP_MAGNESIUM_HYDROXIDE
    )
    return low, high


def buffer_ph(ammonia_mmol: float, ph: float, acid_mmol: float) -> float:
    """The pH of an ammonia buffer after acid went in, at 25 degrees.

    Parameters
    ----------
    ammonia_mmol:
        Free and as ammonium, in the flask.
    ph:
        Before.
    acid_mmol:
        Hydrogen ions that the buffer takes up, less than it has of free ammonia.
    """
    free = ammonia_mmol / (1.0 + 10.0 ** (AMMONIUM_PKA - ph))
    left = free - acid_mmol
    if left <= 0.0:
        raise ValueError("the buffer has less free ammonia than that")
    return AMMONIUM_PKA + math.log10(left / (ammonia_mmol - left))
