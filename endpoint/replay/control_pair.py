"""Four flasks with indicator that show what turns it red: computed by the solver.

Sodium leaves the indicator blue, calcium and magnesium turn it red, EDTA turns it blue again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from endpoint.chemistry.equilibrium import (
    EDTA_PKA,
    constants_at,
    fully_deprotonated_fraction,
    solve,
)

LOG_K_NA_EDTA = 1.66
"""NaY3-, log10, L/mol. Harris, Quantitative Chemical Analysis, 8th edition, Table 12-2 (from
memory)."""
LOG_K_NA_INDICATOR = 0.0
"""Conditional, log10. No complex of sodium with the indicator is known to us: this is a bound that
makes the flask redder than it is, not a measured value."""


@dataclass(frozen=True)
class ControlFlask:
    """One flask and what the solver says of it."""

    key: str
    holds: str
    """In words, for people."""
    free_fraction: float
    """Part of the indicator that holds no metal, 0 to 1."""


def control_pair(
    metal_mmol_l: float, indicator_umol_l: float, ph: float = 10.0
) -> tuple[ControlFlask, ...]:
    """Flasks of equal concentration of one metal each, and one of calcium with EDTA.

    Parameters
    ----------
    metal_mmol_l:
        Sodium, calcium or magnesium in the flask, > 0.
    indicator_umol_l:
        Eriochrome Black T in the flask, > 0.
    ph:
        pH of the buffer.
    """
    k = constants_at(ph)
    alpha = float(np.log10(fully_deprotonated_fraction(ph, EDTA_PKA["fifield-kealey"])))
    sodium = (LOG_K_NA_EDTA + alpha, LOG_K_NA_INDICATOR)
    calcium = (k.log_ca_edta, k.log_ca_indicator)
    magnesium = (k.log_mg_edta, k.log_mg_indicator)
    rows = (
        ("sodium", "sodium chloride", sodium, 0.0),
        ("calcium", "calcium chloride", calcium, 0.0),
        ("magnesium", "magnesium sulfate", magnesium, 0.0),
        ("calcium-edta", "calcium chloride, and as much EDTA and a tenth more", calcium, 1.1),
    )
    c = 1e-3 * metal_mmol_l
    solved = solve(
        np.full((4, 1), c),
        np.array([c * times for *_, times in rows]),
        np.full(4, 1e-6 * indicator_umol_l),
        np.array([[log[0]] for _, _, log, _ in rows]),
        np.array([[log[1]] for _, _, log, _ in rows]),
    )
    return tuple(
        ControlFlask(key, holds, float(f))
        for (key, holds, _, _), f in zip(rows, solved.free_fraction, strict=True)
    )
