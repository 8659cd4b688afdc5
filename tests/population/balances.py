"""Mass balances of calcium, magnesium, EDTA and Eriochrome Black T with side reactions.

Every flask has constants of its own: published tables differ, and so do buffers. The values here
are other ones than those that the program starts from.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

EDTA_PKA = (
    # Martell and Smith, Critical Stability Constants, vol. 1; ionic strength 0.1 (from memory)
    (1.5, 2.00, 2.68, 6.11, 10.17),
    # Ringbom, Complexation in Analytical Chemistry, table of EDTA (from memory)
    (2.07, 2.75, 6.24, 10.34),
    # Schwarzenbach and Flaschka, Complexometric Titrations (from memory)
    (1.99, 2.67, 6.16, 10.26),
)
LOG_K_CA_EDTA = (10.61, 10.65, 10.70)
LOG_K_MG_EDTA = (8.65, 8.79, 8.83)
LOG_K_CA_EBT = (5.3, 5.4)
LOG_K_MG_EBT = (6.95, 7.1)
EBT_PKA2 = (6.2, 6.3)
EBT_PKA3 = (11.5, 11.6)
"""Least and greatest of what tables print."""
LOG_BETA_AMMONIA = {"ca": (-0.2, 0.1), "mg": (0.1, 0.24)}
LOG_K_HYDROXIDE = {"ca": (1.1, 1.4), "mg": (2.2, 2.6)}
LOG_K_NA_EDTA = (1.66, 1.9)
"""At an ionic strength of 0.1 mol/L."""
AMMONIUM_PKA = 9.33
WATER_PK = 13.8
"""Both at an ionic strength of about 0.1 mol/L."""
_HALVINGS = 34
"""22 decades to within 2e-9 of one."""


@dataclass(frozen=True)
class Constants:
    """Conditional stability constants (log10, L/mol) of one flask."""

    ca_edta: float
    mg_edta: float
    ca_ebt: float
    mg_ebt: float


@dataclass(frozen=True)
class Water:
    """What is in the flask before the first drop."""

    flask_ml: float
    calcium_umol: float
    magnesium_umol: float
    indicator_umol: float
    titrant_mol_l: float
    mg_edta_umol: float = 0.0
    """Magnesium that comes with an equal amount of EDTA in the buffer."""

    @property
    def equivalence_ml(self) -> float:
        """Volume at which as much EDTA was added as there was calcium and magnesium."""
        return (self.calcium_umol + self.magnesium_umol) / (1000.0 * self.titrant_mol_l)

    @property
    def magnesium_share(self) -> float:
        """Magnesium in what binds the indicator, 0 to 1."""
        mg = self.magnesium_umol + self.mg_edta_umol
        return mg / max(mg + self.calcium_umol, 1e-12)

    @property
    def indicator_umol_l(self) -> float:
        """Indicator at the start, micromol/L."""
        return 1000.0 * self.indicator_umol / self.flask_ml


def _least_protonated(ph: float, pka: tuple[float, ...]) -> float:
    """Fraction without the protons of these constants."""
    part, total = 1.0, 1.0
    for k in reversed(pka):
        part *= 10.0 ** (k - ph)
        total += part
    return 1.0 / total


def draw_constants(
    rng: np.random.Generator, ph: float, ammonia_mol_l: float, sodium_mol_l: float
) -> Constants:
    """Conditional constants of a flask.

    Parameters
    ----------
    rng:
        Chooses among what was published.
    ph, ammonia_mol_l, sodium_mol_l:
        Of the flask; ammonia and ammonium together.
    """
    free_nh3 = ammonia_mol_l / (1.0 + 10.0 ** (AMMONIUM_PKA - ph))
    hydroxide = 10.0 ** (ph - WATER_PK)
    side = {}
    for metal in ("ca", "mg"):
        nh3 = 10.0 ** rng.uniform(*LOG_BETA_AMMONIA[metal]) * free_nh3
        oh = 10.0 ** rng.uniform(*LOG_K_HYDROXIDE[metal]) * hydroxide
        side[metal] = float(np.log10(1.0 + nh3 + oh))
    edta = _least_protonated(ph, EDTA_PKA[rng.integers(len(EDTA_PKA))])
    # Sodium takes its share of the same unbound EDTA as the protons.
    edta = 1.0 / (1.0 / edta + 10.0 ** rng.uniform(*LOG_K_NA_EDTA) * sodium_mol_l)
    dye = _least_protonated(ph, (rng.uniform(*EBT_PKA2), rng.uniform(*EBT_PKA3)))
    y, i = float(np.log10(edta)), float(np.log10(dye))
    return Constants(
        ca_edta=float(rng.choice(LOG_K_CA_EDTA)) + y - side["ca"],
        mg_edta=float(rng.choice(LOG_K_MG_EDTA)) + y - side["mg"],
        ca_ebt=rng.uniform(*LOG_K_CA_EBT) + i - side["ca"],
        mg_ebt=rng.uniform(*LOG_K_MG_EBT) + i - side["mg"],
    )


@dataclass(frozen=True, eq=False)
class Speciation:
    """Indicator without metal, with calcium and with magnesium; parts of 1, shape (n,)."""

    free: FloatArray
    calcium: FloatArray
    magnesium: FloatArray
    metal_mol_l: FloatArray
    """Metal that EDTA does not hold."""


def speciation(water: Water, k: Constants, volume_ml: FloatArray) -> Speciation:
    """Where the indicator is after each volume of titrant.

    Two nested bisections in log concentration: of the free indicator outside, of the free EDTA
    inside. Both balances rise with what is looked for.

    Parameters
    ----------
    water, k:
        The flask.
    volume_ml:
        Titrant mixed in, >= 0, shape (n,).
    """
    total_ml = water.flask_ml + volume_ml
    ca = 1e-3 * water.calcium_umol / total_ml
    mg = 1e-3 * (water.magnesium_umol + water.mg_edta_umol) / total_ml
    dye = 1e-3 * water.indicator_umol / total_ml
    edta = (water.titrant_mol_l * volume_ml + 1e-3 * water.mg_edta_umol) / total_ml
    ky = (10.0**k.ca_edta, 10.0**k.mg_edta)
    ki = (10.0**k.ca_ebt, 10.0**k.mg_ebt)

    def metals(y: FloatArray, i: FloatArray) -> tuple[FloatArray, FloatArray]:
        return ca / (1.0 + ky[0] * y + ki[0] * i), mg / (1.0 + ky[1] * y + ki[1] * i)

    def free_edta(i: FloatArray) -> FloatArray:
        low, high = np.full(i.shape, -22.0), np.full(i.shape, 0.0)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            y = 10.0**middle
            m_ca, m_mg = metals(y, i)
            over = y * (1.0 + ky[0] * m_ca + ky[1] * m_mg) > edta
            high, low = np.where(over, middle, high), np.where(over, low, middle)
        return 10.0 ** (0.5 * (low + high))

    low, high = np.full(dye.shape, -16.0), np.log10(np.maximum(dye, 1e-15))
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        i = 10.0**middle
        m_ca, m_mg = metals(free_edta(i), i)
        over = i * (1.0 + ki[0] * m_ca + ki[1] * m_mg) > dye
        high, low = np.where(over, middle, high), np.where(over, low, middle)
    i = 10.0 ** (0.5 * (low + high))
    m_ca, m_mg = metals(free_edta(i), i)
    with_ca, with_mg = ki[0] * m_ca, ki[1] * m_mg
    total = 1.0 + with_ca + with_mg
    return Speciation(1.0 / total, with_ca / total, with_mg / total, m_ca + m_mg)


@dataclass(frozen=True, eq=False)
class Curve:
    """Speciation on a grid of volumes, for any number of moments."""

    volume_ml: FloatArray
    at: Speciation

    @classmethod
    def of(cls, water: Water, k: Constants, last_ml: float) -> Curve:
        """Grid to `last_ml`, fine around the end."""
        end = water.equivalence_ml
        near = end + np.r_[np.arange(-0.6, 0.6, 0.01), np.arange(-3.0, 3.0, 0.08)]
        grid = np.unique(np.r_[0.0, np.linspace(0.0, last_ml, 50), near, last_ml])
        grid = grid[(grid >= 0.0) & (grid <= max(last_ml, 1e-3))]
        return cls(grid, speciation(water, k, grid))

    def free(self, volume_ml: FloatArray) -> FloatArray:
        """Part of the indicator without metal."""
        return np.interp(volume_ml, self.volume_ml, self.at.free)

    def calcium(self, volume_ml: FloatArray) -> FloatArray:
        """Part of the indicator with calcium."""
        return np.interp(volume_ml, self.volume_ml, self.at.calcium)

    def metal_mol_l(self, volume_ml: FloatArray) -> FloatArray:
        """Metal that EDTA does not hold, mol/L."""
        return np.interp(volume_ml, self.volume_ml, self.at.metal_mol_l)
