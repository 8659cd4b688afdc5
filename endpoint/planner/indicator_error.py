"""Where the colour changes against the equivalence volume, and how surely that is predicted.

Calculated from the mass balances (`endpoint.equilibrium`): midpoint (half of the indicator free)
and last red (95 % free) lie beside the equivalence volume by an amount that depends on magnesium,
titrant, indicator and pH. An error of a titre has the sign titre minus equivalence volume.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.equilibrium import Constants, Flask, constants_at, solve
from endpoint.titration_model import Priors

FloatArray = NDArray[np.float64]

MIDPOINT, LAST_RED = 0.5, 0.95
EYE_LEVELS = (0.92, 0.97)
"""Free fraction at which different careful eyes say that no red is left (assumption, no source)."""
SHARES = (0.0, 0.05, 0.20, 0.50)
"""Magnesium shares that stand for water of unknown composition."""
EDTA_SET = "harris"
"""Acid constants of EDTA; the sets differ by 0.09 in log K', which the uncertainty covers."""
MG_EDTA_MMOL_L = 0.1
"""Magnesium EDTA that the buffer brings into the flask, mmol/L (common practice, no source)."""


def in_flask(
    hardness_mmol_l: float,
    magnesium: float,
    sample_ml: float,
    flask_ml: float,
    titrant_mol_l: float,
    indicator_umol_l: float = 20.0,
    *,
    mg_edta: bool = False,
    ph: float = 10.0,
) -> Flask:
    """Contents of the flask before the first drop.

    Parameters
    ----------
    hardness_mmol_l, magnesium:
        Calcium and magnesium of the sample, mmol/L; share of magnesium in it, 0 to 1.
    sample_ml, flask_ml:
        Sample; sample and everything added, mL.
    titrant_mol_l, indicator_umol_l:
        EDTA in the burette; indicator in the flask.
    mg_edta:
        Whether the buffer brings `MG_EDTA_MMOL_L` into the flask.
    ph:
        pH of the buffered sample.
    """
    metal = 1e-3 * hardness_mmol_l * sample_ml
    return Flask(
        volume_ml=flask_ml,
        calcium_mmol=metal * (1.0 - magnesium),
        magnesium_mmol=metal * magnesium,
        indicator_umol=1e-3 * indicator_umol_l * flask_ml,
        titrant_mol_l=titrant_mol_l,
        mg_edta_mmol=1e-3 * MG_EDTA_MMOL_L * flask_ml if mg_edta else 0.0,
        ph=ph,
        edta_set=EDTA_SET,
    )


def _grid(equivalence_ml: float) -> FloatArray:
    """Volumes that stand close around the equivalence volume and wide elsewhere, mL."""
    near = 0.02 * np.sinh(np.linspace(-7.0, 7.0, 321))
    volume = equivalence_ml + near
    far = np.linspace(0.0, equivalence_ml, 40)
    return np.unique(np.concatenate([far, volume[volume >= 0.0]]))


def level_volumes_ml(
    flask: Flask,
    levels: tuple[float, ...],
    constants: tuple[Constants, ...] | None = None,
    indicator_factors: tuple[float, ...] | None = None,
) -> FloatArray:
    """Volumes at which given fractions of the indicator are free.

    Parameters
    ----------
    flask:
        Contents.
    levels:
        Free fractions between 0 and 1.
    constants, indicator_factors:
        One row of the answer for each; default the constants at the flask's pH and a factor of 1.

    Returns
    -------
    Volumes in mL, shape (rows, levels); NaN where the liquid is bluer from the start.
    """
    rows = constants or (constants_at(flask.ph, flask.edta_set),)
    factors = np.asarray(indicator_factors or (1.0,) * len(rows))[:, None]
    added = _grid(flask.equivalence_ml)
    total = flask.volume_ml + added
    metal = np.stack(
        [flask.calcium_mmol / total, (flask.magnesium_mmol + flask.mg_edta_mmol) / total]
    )
    edta = (flask.titrant_mol_l * added + flask.mg_edta_mmol) / total
    free = solve(
        np.broadcast_to(metal.T, (len(rows), added.size, 2)),
        edta,
        factors * 1e-3 * flask.indicator_umol / total,
        np.array([[[k.log_ca_edta, k.log_mg_edta]] for k in rows]),
        np.array([[[k.log_ca_indicator, k.log_mg_indicator]] for k in rows]),
    ).free_fraction
    found = np.full((len(rows), len(levels)), np.nan)
    for row, f in enumerate(np.maximum.accumulate(free, axis=1)):
        odds = np.log(f / (1.0 - f))
        for column, level in enumerate(levels):
            if f[0] < level < f[-1]:
                found[row, column] = np.interp(np.log(level / (1.0 - level)), odds, added)
    return found


@dataclass(frozen=True)
class IndicatorError:
    """Predicted errors of the visible changes for one water, mL: change minus equivalence."""

    magnesium: float
    mg_edta: bool
    equivalence_ml: float
    midpoint_ml: float
    """NaN where half of the indicator is free from the start."""
    last_red_ml: float

    def percent(self, error_ml: float) -> float:
        """Error as a part of the equivalence volume, %."""
        return 100.0 * error_ml / self.equivalence_ml


def indicator_error(flask: Flask) -> IndicatorError:
    """Errors of midpoint and last red of one flask."""
    metal = flask.calcium_mmol + flask.magnesium_mmol
    midpoint, last_red = level_volumes_ml(flask, (MIDPOINT, LAST_RED))[0] - flask.equivalence_ml
    return IndicatorError(
        magnesium=flask.magnesium_mmol / metal,
        mg_edta=flask.mg_edta_mmol > 0,
        equivalence_ml=flask.equivalence_ml,
        midpoint_ml=float(midpoint),
        last_red_ml=float(last_red),
    )


@dataclass(frozen=True)
class EyeError:
    """What a careful eye reads late (or early), and how far the prediction may be off, mL."""

    correction_ml: float
    """Last red minus equivalence: to be taken off the titre."""
    magnesium_half_width_ml: float
    """Half of the range over the possible magnesium shares."""
    shade_half_width_ml: float
    """Half of the range over `EYE_LEVELS`."""
    constants_ml: float
    """Standard uncertainty from published constants and pH."""
    indicator_ml: float
    """Standard uncertainty from the amount of indicator."""


def _shifted(base: Constants, priors: Priors) -> tuple[Constants, ...]:
    """Plus and minus one standard deviation of each shift and split of `titration_model`."""

    def moved(edta: tuple[float, float], indicator: tuple[float, float]) -> Constants:
        return replace(
            base,
            log_ca_edta=base.log_ca_edta + edta[0],
            log_mg_edta=base.log_mg_edta + edta[1],
            log_ca_indicator=base.log_ca_indicator + indicator[0],
            log_mg_indicator=base.log_mg_indicator + indicator[1],
        )

    found = []
    for size, split in ((priors.shift_edta, False), (priors.split_edta, True)):
        pair = (-0.5 * size, 0.5 * size) if split else (size, size)
        found += [moved(pair, (0.0, 0.0)), moved((-pair[0], -pair[1]), (0.0, 0.0))]
    for size, split in ((priors.shift_indicator, False), (priors.split_indicator, True)):
        pair = (-0.5 * size, 0.5 * size) if split else (size, size)
        found += [moved((0.0, 0.0), pair), moved((0.0, 0.0), (-pair[0], -pair[1]))]
    return tuple(found)


def eye_error(flasks: tuple[Flask, ...], priors: Priors | None = None) -> EyeError:
    """Error of a titre by eye for waters that may stand in the flask.

    Parameters
    ----------
    flasks:
        The same flask for each possible magnesium share, at least one.
    priors:
        Standard deviations of constants and amount of indicator.

    Returns
    -------
    The middle of the possible errors and the parts of its uncertainty; NaN where the liquid of a
    flask is blue from the start.
    """
    priors = priors or Priors()
    low, high = EYE_LEVELS
    spread = float(np.exp(priors.log_indicator_umol_l[1]))
    errors, shades, shifts, amounts = [], [], [], []
    for flask in flasks:
        base = constants_at(flask.ph, flask.edta_set)
        shifted = _shifted(base, priors)
        rows = (base, *shifted, base, base)
        factors = (1.0,) * (1 + len(shifted)) + (spread, 1.0 / spread)
        volume = level_volumes_ml(flask, (LAST_RED, low, high), rows, factors)
        errors.append(volume[0, 0] - flask.equivalence_ml)
        shades.append(0.5 * (volume[0, 2] - volume[0, 1]))
        pairs = 0.5 * (volume[1:-2:2, 0] - volume[2:-2:2, 0])
        shifts.append(float(np.linalg.norm(pairs)))
        amounts.append(0.5 * abs(volume[-2, 0] - volume[-1, 0]))
    return EyeError(
        correction_ml=0.5 * float(np.max(errors) + np.min(errors)),
        magnesium_half_width_ml=0.5 * float(np.max(errors) - np.min(errors)),
        shade_half_width_ml=float(np.max(shades)),
        constants_ml=float(np.max(shifts)),
        indicator_ml=float(np.max(amounts)),
    )
