"""Simulated titrations with any indicator file: chemistry, colours and truth, for tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.equilibrium import Constants, Flask, speciate
from endpoint.chemistry.indicators import Indicator
from endpoint.curve.gathering import from_absorbance
from endpoint.curve.points import RGB, Curve
from sample_media.simulated import careful_additions

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Simulated:
    """A curve and the volume at which EDTA equals the metal."""

    curve: Curve
    equivalence_ml: float
    free_fraction: FloatArray


def drawn_constants(indicator: Indicator, rng: np.random.Generator) -> Constants:
    """True constants scattered about those of the file as the file says."""
    spread, pair = indicator.spread, indicator.constants
    edta = rng.normal(0.0, spread.log_k_edta)
    dye = rng.normal(0.0, spread.log_k_indicator)
    apart = 0.5 * rng.normal(0.0, spread.between_metals_edta)
    dye_apart = 0.5 * rng.normal(0.0, spread.between_metals_indicator)
    return Constants(
        log_ca_edta=pair.log_k_edta[0] + edta - apart,
        log_mg_edta=pair.log_k_edta[1] + edta + apart,
        log_ca_indicator=pair.log_k_indicator[0] + dye - dye_apart,
        log_mg_indicator=pair.log_k_indicator[1] + dye + dye_apart,
    )


def titrate(
    indicator: Indicator,
    seed: int,
    *,
    stop_ml: float | None = None,
    magnesium: float = 0.0,
    forms: tuple[FloatArray, FloatArray] | None = None,
) -> Simulated:
    """Careful additions to 100 mL with 0.6 to 3 mmol/L of metal.

    Parameters
    ----------
    indicator:
        Whose chemistry and colours are simulated.
    seed:
        Of everything drawn.
    stop_ml:
        Last volume as a distance from the equivalence volume; by default 1 to 2 mL past it.
    magnesium:
        Part of the metal that is the second one.
    forms:
        Densities of the bound and the free form, shape (3,); by default those of the file, each
        channel off by a tenth.
    """
    rng = np.random.default_rng([91, seed])
    metal = 0.1 * rng.uniform(0.6, 3.0)
    spread = indicator.spread
    umol_l = spread.indicator_umol_l * np.exp(0.5 * rng.uniform(-1, 1) * spread.indicator_log_sd)
    flask = Flask(
        volume_ml=105.0,
        calcium_mmol=metal * (1.0 - magnesium),
        magnesium_mmol=metal * magnesium,
        indicator_umol=0.105 * umol_l,
        titrant_mol_l=0.01,
    )
    beyond = rng.uniform(1.0, 2.0)
    volume = np.array(careful_additions(flask.equivalence_ml, rng, beyond))
    if stop_ml is not None:
        volume = volume[volume <= flask.equivalence_ml + stop_ml]
    f = speciate(flask, volume, drawn_constants(indicator, rng)).free_fraction
    if forms is None:
        off = rng.normal(1.0, 0.1, (2, 3))
        strength = rng.uniform(0.5, 1.0)
        bound = strength * off[0] * np.array(indicator.bound.camera_density)
        free = strength * off[1] * np.array(indicator.free.camera_density)
    else:
        bound, free = forms
    bend = rng.normal(0.0, 0.05)
    mixed = f + bend * f * (1.0 - f)
    density = bound + mixed[:, None] * (free - bound)
    density *= (105.0 / (105.0 + volume))[:, None]
    density += rng.uniform(0.001, 0.003) * rng.standard_normal(density.shape)
    curve = from_absorbance(
        volume, density, RGB, 105.0, saturated=np.zeros(volume.size, dtype=bool)
    )
    return Simulated(curve, flask.equivalence_ml, f)
