"""Calcium carbonate that may have fallen at pH 10 and missed the titrant.

Hard alkaline water is far beyond the solubility of calcium carbonate once the buffer is in. What
falls binds no EDTA, so that the end comes too early, by 1 to 3 % of the calcium where it falls at
all. Two signs are known: the colour creeps back in the pauses after the end while it dissolves
again; and the titration went beyond both limits of AOAC 973.52, 25 mg CaCO3 in the flask and 5
minutes from the buffer. Neither tells how much is missing, so that the number stays and the
interval reaches further up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from endpoint.curve.creep import Creep
from endpoint.equivalence.fit import Estimate, Transition

CONTRIBUTION = "calcium carbonate that may have fallen"
LIMIT_MG, LIMIT_MIN = 25.0, 5.0
"""AOAC 973.52: mg CaCO3 in the flask, and minutes from the buffer to the end."""
_M_CACO3 = 100.086
_SURE = 4.0
"""Rate over its standard error from which creep is believed: one in some ten thousand clear waters.
Lower, and lamps that waver in the pauses of the change widen intervals."""
_LEAST_PART_OF_TITRE = 0.0015
"""What dissolves in `_DISSOLVES_MIN`, as a part of the titre, that is worth a sentence: less hides
in any interval."""
_LEAST_PAUSES = 4
_LEAST_STEEP = 1.2
"""Pauses that are needed, and how many of them have to lie where the colour tells a volume
(effective number): one alone may be a drop that was mixing."""
_DISSOLVES_MIN = 3.0
"""Minutes that freshly fallen carbonate takes to dissolve once EDTA is in excess, within a factor
of three (no source)."""
_FALLEN_PART = (0.01, 0.015)
"""Standard uncertainty of what is missing where the colour creeps, part of the titre, least and
most: 1 to 3 % fall where it falls (PHREEQC, hard alkaline waters at pH 10)."""
_POSSIBLE_PART = 0.005
"""The same beyond the limits of the method: most waters hold their carbonate for some minutes."""
_K_95 = 1.96


@dataclass(frozen=True)
class Carbonate:
    """What speaks for fallen carbonate."""

    creep: Creep | None = None
    minutes: float | None = None
    """From adding the buffer to the end of the titration; None where no time is known."""

    def dissolving_ml(self, fit: Transition) -> float:
        """Titrant for what is still solid at the end; 0 where the colour does not surely creep."""
        if self.creep is None or self.creep.volume_ml.size < _LEAST_PAUSES:
            return 0.0
        rate, error = _rate_ml_min(fit, self.creep)
        missing_ml = rate * _DISSOLVES_MIN
        sure = rate > _SURE * error
        worth = missing_ml > _LEAST_PART_OF_TITRE * fit.equivalence.value_ml
        return missing_ml if sure and worth else 0.0

    def is_beyond_limits(self, fit: Transition) -> bool:
        """Whether the titration went beyond both limits of the method."""
        metal_mmol = fit.equivalence.value_ml * fit.model.setting.titrant_mol_l
        late = self.minutes is not None and self.minutes > LIMIT_MIN
        return late and metal_mmol * _M_CACO3 > LIMIT_MG


def with_carbonate(fit: Transition, signs: Carbonate) -> Transition:
    """Fit whose interval reaches up to where the end may lie, as a named contribution.

    Parameters
    ----------
    fit:
        Fit of the colours, which knows nothing of solids.
    signs:
        What speaks for them.
    """
    found = fit.equivalence
    missing_ml = signs.dissolving_ml(fit)
    if missing_ml <= 0.0 and not signs.is_beyond_limits(fit):
        return fit
    part = missing_ml / found.value_ml
    u = found.value_ml * (
        float(np.clip(part, *_FALLEN_PART)) if missing_ml > 0.0 else _POSSIBLE_PART
    )
    above = found.high_ml - found.value_ml
    wider = Estimate(
        found.value_ml,
        float(np.hypot(found.standard_uncertainty_ml, u)),
        found.low_ml,
        found.value_ml + float(np.hypot(above, _K_95 * u)),
    )
    parts = {**fit.contributions_ml, CONTRIBUTION: u}
    return replace(fit, equivalence=wider, contributions_ml=parts)


def _rate_ml_min(fit: Transition, creep: Creep) -> tuple[float, float]:
    """Titrant that what dissolves takes in a minute, and its standard error.

    The colour tells a volume as steeply as the curve is there, so that the falls are a straight
    line in that slope; where it is flat, they show how lamp and camera drift.
    """
    step_ml = 0.02
    low, high = (
        fit.fraction_at(np.maximum(creep.volume_ml + away, 0.0)) for away in (-step_ml, step_ml)
    )
    steep = (high - low) / (2.0 * step_ml)
    away = steep - steep.mean()
    weight = float(away @ away)
    effective = float(np.sum(steep**2)) ** 2 / max(float(np.sum(steep**4)), 1e-300)
    if weight <= 0.0 or effective < _LEAST_STEEP:
        return 0.0, 0.0
    rate = float(away @ creep.fall_per_s) / weight
    rest = creep.fall_per_s - creep.fall_per_s.mean() - rate * away
    error = float(np.sqrt(rest @ rest / (rest.size - 2) / weight))
    return 60.0 * rate, 60.0 * error
