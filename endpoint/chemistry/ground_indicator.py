"""Eriochrome Black T as laboratories use it: ground with sodium chloride.

The salt takes no part: it only makes half a milligram of dye an amount that can be weighed or
taken with a spatula, and keeps it dry (solutions of the dye spoil).
"""

from __future__ import annotations

M_DYE = 461.38
"""Sodium salt of Eriochrome Black T, C20H12N3O7SNa, g/mol (standard atomic weights)."""
M_SODIUM_CHLORIDE = 58.44
"""g/mol (standard atomic weights)."""
SALT_TO_DYE = 100.0
"""By mass: 1 g of dye with 100 g of salt (common practice; 1:200 is met as well)."""
SPATULA_TIP_MG = (30.0, 100.0)
"""Mixture for one flask, mg (common practice). Less is too pale for the eye, more hides the end."""


def mixture_mg(dye_umol_l: float, flask_ml: float) -> float:
    """Mixture that brings a concentration of dye into a flask, mg.

    Parameters
    ----------
    dye_umol_l:
        Eriochrome Black T in the flask; the dye counted as pure.
    flask_ml:
        Everything in the flask.
    """
    return dye_umol_l * flask_ml * 1e-6 * M_DYE * (1.0 + SALT_TO_DYE)


def dye_umol_l(mixture: float, flask_ml: float) -> float:
    """Eriochrome Black T that an amount of mixture (mg) brings into a flask, umol/L."""
    return mixture / mixture_mg(1.0, flask_ml)


def sodium_mmol_l(mixture: float, flask_ml: float) -> float:
    """Sodium that the salt of an amount of mixture (mg) brings into a flask, mmol/L."""
    salt_mg = mixture * SALT_TO_DYE / (1.0 + SALT_TO_DYE)
    return 1e3 * salt_mg / M_SODIUM_CHLORIDE / flask_ml
