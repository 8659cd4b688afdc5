"""Where the colour changes against the equivalence volume, and how surely that is predicted.

Calculated from the mass balances (`endpoint.chemistry.equilibrium`): midpoint (half of the
indicator free) and last red (95 % free) differ from the equivalence volume by an amount that
depends on magnesium, titrant, indicator and pH. An error of a titre has the sign titre minus
equivalence volume.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.equilibrium import Constants, Flask, constants_at, solve
from endpoint.equivalence.model import Priors

FloatArray = NDArray[np.float64]

MIDPOINT, LAST_RED = 0.5, 0.95
"""Free parts of the indicator at the midpoint and where a careful eye sees no red any more."""
EYE_LEVELS = (0.92, 0.97)
"""Free fraction at which different careful eyes say that no red is left (assumption, no source)."""
SHARES = (0.0, 0.05, 0.20, 0.50)
"""Magnesium shares that stand for water of unknown composition. Assumed."""
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


@lru_cache(maxsize=64)
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
    """End by eye minus equivalence, on the average: to be taken off the titre."""
    magnesium_half_width_ml: float
    """Half width of a flat distribution over the possible magnesium shares."""
    shade_half_width_ml: float
    """The same over `EYE_LEVELS`."""
    constants_ml: float
    """Standard uncertainty from published constants and pH."""
    indicator_ml: float
    """Standard uncertainty from the amount of indicator."""


_FAR = float(np.sqrt(3.0))
_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0
"""Three-point rule: for a normal source at 0 and +-`_FAR` standard deviations (Gauss-Hermite), for
a flat one at its middle and its ends (Simpson). The error grows as a power of ten of the
constants and their effects multiply, so slopes alone would not do."""


def _moved(
    base: Constants, edta: float = 0.0, dye: float = 0.0, edta_2: float = 0.0, dye_2: float = 0.0
) -> Constants:
    """Constants moved by shifts and splits (log10) as `titration_model` has them."""
    return Constants(
        base.log_ca_edta + edta - 0.5 * edta_2,
        base.log_mg_edta + edta + 0.5 * edta_2,
        base.log_ca_indicator + dye - 0.5 * dye_2,
        base.log_mg_indicator + dye + 0.5 * dye_2,
    )


@lru_cache(maxsize=64)
def _one_eye_error(flask: Flask, priors: Priors) -> tuple[float, float, float, float]:
    """Mean end minus equivalence; standard deviations by shade, constants and indicator, mL."""
    low, high = EYE_LEVELS
    base = constants_at(flask.ph, flask.edta_set)
    nodes = (-_FAR, 0.0, _FAR)
    rows = [
        _moved(base, a * priors.shift_edta, b * priors.shift_indicator)
        for a in nodes
        for b in nodes
    ]
    for sign in (-_FAR, _FAR):
        rows.append(_moved(base, edta_2=sign * priors.split_edta))
        rows.append(_moved(base, dye_2=sign * priors.split_indicator))
    dye = float(np.exp(_FAR * priors.log_indicator_umol_l[1]))
    factors = (1.0,) * len(rows) + (1.0 / dye, dye)
    levels = (low, 0.5 * (low + high), high)
    volume = level_volumes_ml(flask, levels, (*rows, base, base), factors)
    grid = volume[:9].reshape(3, 3, 3)
    weights = np.einsum("i,j,k->ijk", _WEIGHTS, _WEIGHTS, _WEIGHTS)
    mean = float(np.sum(weights * grid))
    variance = float(np.sum(weights * (grid - mean) ** 2))
    shades = np.einsum("i,j,ijk->k", _WEIGHTS, _WEIGHTS, grid)
    by_shade = float(np.sum(_WEIGHTS * (shades - mean) ** 2))
    centre = float(volume[4, 1])
    splits = _moments(centre, volume[9:11, 1], volume[11:13, 1])
    amount = _moments(centre, volume[13:14, 1], volume[14:15, 1])
    by_constants = variance - by_shade + splits[1]
    average = mean + splits[0] + amount[0] - flask.equivalence_ml
    return average, by_shade**0.5, by_constants**0.5, amount[1] ** 0.5


def _moments(centre: float, down: FloatArray, up: FloatArray) -> tuple[float, float]:
    """Change of the mean, and variance, summed over independent sources."""
    at = np.stack([down, np.full_like(down, centre), up])
    mean = _WEIGHTS @ at
    return float(np.sum(mean - centre)), float(np.sum(_WEIGHTS @ (at - mean) ** 2))


def _over_shares(shares: FloatArray, values: FloatArray) -> tuple[float, float]:
    """Mean and variance of values when every share between the least and the most is as likely.

    The values are joined by straight lines, which are integrated exactly.
    """
    if shares.size == 1:
        return float(values[0]), 0.0
    part = np.diff(shares) / (shares[-1] - shares[0])
    left, right = values[:-1], values[1:]
    mean = float(part @ (left + right)) / 2.0
    square = float(part @ (left**2 + left * right + right**2)) / 3.0
    return mean, max(square - mean**2, 0.0)


def eye_error(flasks: tuple[Flask, ...], priors: Priors | None = None) -> EyeError:
    """Error of a titre by eye for waters that may stand in the flask.

    Parameters
    ----------
    flasks:
        The same flask for each possible magnesium share, in rising order, at least one; every
        share between the first and the last counts as equally likely.
    priors:
        Standard deviations of constants and amount of indicator.

    Returns
    -------
    The mean of the possible errors and the parts of its uncertainty; NaN where the liquid of a
    flask is blue from the start.
    """
    shares = np.array([f.magnesium_mmol / (f.magnesium_mmol + f.calcium_mmol) for f in flasks])
    found = np.array([_one_eye_error(flask, priors or Priors()) for flask in flasks])
    mean, variance = _over_shares(shares, found[:, 0])
    shade, constants, amount = (_over_shares(shares, v)[0] ** 0.5 for v in found[:, 1:].T ** 2)
    return EyeError(
        correction_ml=mean,
        magnesium_half_width_ml=_FAR * variance**0.5,
        shade_half_width_ml=_FAR * shade,
        constants_ml=constants,
        indicator_ml=amount,
    )
