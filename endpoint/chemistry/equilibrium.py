"""Who holds the metal: mass balances of metals, EDTA and a metal indicator at a fixed pH.

Everything is in conditional constants: at fixed pH and ammonia concentration the side reactions
of EDTA, of the indicator and of the metals are folded into one constant per complex,
K' = K alpha(ligand) alpha(metal) (A. Ringbom, Complexation in Analytical Chemistry, 1963; from
memory). With M metals the unknowns are the free ligands only, because every free metal follows
from them, and the two mass balances are the gradient of a convex function (see `solve`).

Volumes are in mL, concentrations in mol/L, amounts in mmol or umol as the names say.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# Published values; the fit treats all of them as uncertain, see `endpoint.equivalence.fit`.
EDTA_PKA: dict[str, tuple[float, ...]] = {
    # Fifield and Kealey, Principles and Practice of Analytical Chemistry, Table 3.3
    "fifield-kealey": (2.0, 2.67, 6.16, 10.27),
    # D. C. Harris, Quantitative Chemical Analysis, 8th edition, EDTA chapter
    "harris": (0.0, 1.5, 2.0, 2.69, 6.13, 10.37),
    # D. Harvey, Analytical Chemistry 2.0 and 2.1, section 9.3 (from memory)
    "harvey": (0.0, 1.5, 2.0, 2.66, 6.16, 10.24),
}
LOG_K_CA_EDTA = 10.65
"""CaY2-. Harris, 8th edition, Table 12-2; older tables print 10.69 or 10.7."""
LOG_K_MG_EDTA = 8.79
"""MgY2-. Harris, 8th edition, Table 12-2 (from memory); older tables print 8.69 or 8.7."""
EBT_PKA = (6.3, 11.55)
"""H2In-/HIn2- and HIn2-/In3- of Eriochrome Black T. Harris, cited in a laboratory report."""
LOG_K_CA_EBT = 5.4
"""CaIn-. Schwarzenbach and Biedermann, Helv. Chim. Acta 31 (1948) 678 (from memory)."""
LOG_K_MG_EBT = 7.0
"""MgIn-. Schwarzenbach and Biedermann, Helv. Chim. Acta 31 (1948) 678 (from memory)."""

_FLOOR_MOL_L = 1e-30
_MAX_STEP = 3.0


def fully_deprotonated_fraction(ph: ArrayLike, pka: tuple[float, ...]) -> FloatArray:
    """Fraction of a ligand that carries no proton any more.

    Parameters
    ----------
    ph:
        pH, any shape.
    pka:
        Stepwise acid dissociation constants from the most acid to the least.

    Returns
    -------
    Array of the shape of `ph`, 0 to 1: alpha(Y4-) for EDTA, alpha(In3-) for the indicator.
    """
    ph = np.asarray(ph, dtype=np.float64)
    denominator = np.ones_like(ph)
    exponent = np.zeros_like(ph)
    for step in reversed(pka):
        exponent = exponent + (step - ph)
        denominator = denominator + 10.0**exponent
    return np.asarray(1.0 / denominator)


@dataclass(frozen=True)
class Constants:
    """Conditional constants of calcium and magnesium at one pH (log10, L/mol)."""

    log_ca_edta: float
    log_mg_edta: float
    log_ca_indicator: float
    log_mg_indicator: float


@lru_cache(maxsize=64)
def constants_at(ph: float = 10.0, edta_set: str = "fifield-kealey") -> Constants:
    """Conditional constants of EDTA and Eriochrome Black T at a pH.

    At an ionic strength of 0.1 mol/L and without ammonia; `endpoint.chemistry.conditions` has what
    ammonia, salt and warmth add in a flask.
    """
    y = float(np.log10(fully_deprotonated_fraction(ph, EDTA_PKA[edta_set])))
    indicator = float(np.log10(fully_deprotonated_fraction(ph, EBT_PKA)))
    return Constants(
        log_ca_edta=LOG_K_CA_EDTA + y,
        log_mg_edta=LOG_K_MG_EDTA + y,
        log_ca_indicator=LOG_K_CA_EBT + indicator,
        log_mg_indicator=LOG_K_MG_EBT + indicator,
    )


@dataclass(frozen=True)
class Speciation:
    """Concentrations at equilibrium; arrays share the shape of the input, metals on the last axis.

    The sum over the protonation states is meant where a ligand is called free.
    """

    free_metal_mol_l: FloatArray
    """Shape (..., metals)."""
    free_edta_mol_l: FloatArray
    free_indicator_mol_l: FloatArray
    metal_edta_mol_l: FloatArray
    """Shape (..., metals)."""
    metal_indicator_mol_l: FloatArray
    """Shape (..., metals)."""
    free_fraction: FloatArray
    """Fraction f of the indicator that holds no metal, 0 to 1: the blue part."""


def _of_all(values: FloatArray) -> FloatArray:
    """Sum over the metals, shape (..., metals) to (...): numpy's takes twice as long on a few."""
    total = values[..., 0]
    for k in range(1, values.shape[-1]):
        total = total + values[..., k]
    return total


def _balance(
    log_y: FloatArray, log_i: FloatArray, metal: FloatArray, ky: FloatArray, ki: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return y, i, free metal, bound EDTA, bound indicator and their mixed second derivative."""
    y, i = np.exp(log_y), np.exp(log_i)
    py, pi = ky * y[..., None], ki * i[..., None]
    free = metal / (1.0 + py + pi)
    return y, i, free, free * py, free * pi, np.asarray(pi / (1.0 + py + pi))


def _newton_step(
    log_y: FloatArray,
    log_i: FloatArray,
    totals: tuple[FloatArray, FloatArray, FloatArray],
    ky: FloatArray,
    ki: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    metal, edta, indicator = totals
    y, i, _, my, mi, share_i = _balance(log_y, log_i, metal, ky, ki)
    with np.errstate(divide="ignore", invalid="ignore"):
        share_y = np.where(metal > 0, my / metal, 0.0)
    sum_y, sum_i = _of_all(my), _of_all(mi)
    gy, gi = y + sum_y - edta, i + sum_i - indicator
    hyy = y + _of_all(my * (1.0 - share_y))
    hii = i + _of_all(mi * (1.0 - share_i))
    hyi = -_of_all(my * share_i)
    det = np.maximum(hyy * hii - hyi * hyi, 1e-300)
    dy = -(hii * gy - hyi * gi) / det
    di = -(hyy * gi - hyi * gy) / det
    error = np.maximum(np.abs(gy) / edta, np.abs(gi) / indicator)
    return dy, di, error


def _potential(
    log_y: FloatArray,
    log_i: FloatArray,
    totals: tuple[FloatArray, FloatArray, FloatArray],
    ky: FloatArray,
    ki: FloatArray,
) -> FloatArray:
    metal, edta, indicator = totals
    y, i = np.exp(log_y), np.exp(log_i)
    inner = np.log1p(ky * y[..., None] + ki * i[..., None])
    return np.asarray(y + i + _of_all(metal * inner) - edta * log_y - indicator * log_i)


def _damped(
    log_y: FloatArray,
    log_i: FloatArray,
    totals: tuple[FloatArray, FloatArray, FloatArray],
    ky: FloatArray,
    ki: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Newton with step halving for the few points where the plain steps do not settle."""
    here = _potential(log_y, log_i, totals, ky, ki)
    for _ in range(400):
        dy, di, error = _newton_step(log_y, log_i, totals, ky, ki)
        if np.all(error < 1e-12):
            break
        length = np.ones_like(dy) / np.maximum(np.maximum(abs(dy), abs(di)) / _MAX_STEP, 1.0)
        for _ in range(30):
            there = _potential(log_y + length * dy, log_i + length * di, totals, ky, ki)
            worse = there > here + 1e-14 * np.abs(here)
            if not worse.any():
                break
            length = np.where(worse, 0.5 * length, length)
        log_y, log_i, here = log_y + length * dy, log_i + length * di, there
    return log_y, log_i


def _start(
    metal: FloatArray, edta: FloatArray, indicator: FloatArray, ky: FloatArray, ki: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Exact 1:1 quadratic for one lumped metal without indicator: close everywhere."""
    total = _of_all(metal)
    with np.errstate(divide="ignore", invalid="ignore"):
        k = np.where(total > 0, _of_all(metal * ky) / np.maximum(total, 1e-300), 1.0)
    b = 1.0 + k * (total - edta)
    root = np.sqrt(b * b + 4.0 * k * edta)
    with np.errstate(divide="ignore", over="ignore"):
        y = np.where(b > 0, 2.0 * edta / (b + root), (root - b) / (2.0 * np.maximum(k, 1e-300)))
    y = np.maximum(y, _FLOOR_MOL_L**2)
    free = metal / (1.0 + ky * y[..., None])
    i = indicator / (1.0 + _of_all(ki * free))
    return np.log(y), np.log(i)


def solve(
    metal_mol_l: ArrayLike,
    edta_mol_l: ArrayLike,
    indicator_mol_l: ArrayLike,
    log_k_edta: ArrayLike,
    log_k_indicator: ArrayLike,
) -> Speciation:
    """Solve the mass balances for any number of points at once.

    Parameters
    ----------
    metal_mol_l:
        Total concentration of each metal, shape (..., metals), >= 0.
    edta_mol_l, indicator_mol_l:
        Total concentrations, shape (...), >= 0.
    log_k_edta, log_k_indicator:
        Conditional constants, log10, shape (metals,) or (..., metals).

    Raises
    ------
    ValueError
        A total is negative or not finite, or a constant is not finite.

    Notes
    -----
    With u = ln y and v = ln i the balances are the gradient of
    exp(u) + exp(v) + sum_j T_j ln(1 + K_j exp(u) + L_j exp(v)) - T_Y u - T_I v, which is convex:
    the solution is unique and Newton's method with step control reaches it from anywhere.
    """
    metal = np.asarray(metal_mol_l, dtype=np.float64)
    shape = metal.shape[:-1]
    edta = np.broadcast_to(np.asarray(edta_mol_l, dtype=np.float64), shape)
    indicator = np.broadcast_to(np.asarray(indicator_mol_l, dtype=np.float64), shape)
    log_ky = np.broadcast_to(np.asarray(log_k_edta, dtype=np.float64), metal.shape)
    log_ki = np.broadcast_to(np.asarray(log_k_indicator, dtype=np.float64), metal.shape)
    for name, total in (("metal", metal), ("EDTA", edta), ("indicator", indicator)):
        if not np.all(np.isfinite(total)) or np.any(total < 0):
            raise ValueError(f"the total {name} concentration must be finite and not negative")
    if not (np.all(np.isfinite(log_ky)) and np.all(np.isfinite(log_ki))):
        raise ValueError("the conditional constants must be finite")
    ky, ki = 10.0**log_ky, 10.0**log_ki
    totals = (metal, np.maximum(edta, _FLOOR_MOL_L), np.maximum(indicator, _FLOOR_MOL_L))
    log_y, log_i = _start(totals[0], totals[1], totals[2], ky, ki)
    first = (log_y, log_i)
    error = np.full(shape, np.inf)
    for _ in range(25):
        dy, di, error = _newton_step(log_y, log_i, totals, ky, ki)
        if np.all(error < 1e-12):
            break
        scale = 1.0 / np.maximum(np.maximum(np.abs(dy), np.abs(di)) / _MAX_STEP, 1.0)
        log_y, log_i = log_y + scale * dy, log_i + scale * di
    stuck = ~(error < 1e-12)
    if np.any(stuck):
        part = (totals[0][stuck], totals[1][stuck], totals[2][stuck])
        ys, is_ = _damped(first[0][stuck], first[1][stuck], part, ky[stuck], ki[stuck])
        log_y, log_i = np.array(log_y), np.array(log_i)
        log_y[stuck], log_i[stuck] = ys, is_
    y, i, free, my, mi, _ = _balance(log_y, log_i, metal, ky, ki)
    return Speciation(free, y, i, my, mi, np.asarray(i / (i + _of_all(mi))))


@dataclass(frozen=True)
class Flask:
    """What stands in the flask before the first drop, and what is in the burette."""

    volume_ml: float
    """Sample and everything added before the titration, mL."""
    calcium_mmol: float
    magnesium_mmol: float
    indicator_umol: float
    titrant_mol_l: float
    mg_edta_mmol: float = 0.0
    """Magnesium EDTA that came with the buffer; it sharpens the change, not moves the end."""
    ph: float = 10.0
    edta_set: str = "fifield-kealey"

    @property
    def equivalence_ml(self) -> float:
        """Volume at which the EDTA added equals the calcium and magnesium of the sample, mL."""
        return (self.calcium_mmol + self.magnesium_mmol) / self.titrant_mol_l


def speciate(flask: Flask, volume_ml: ArrayLike, constants: Constants | None = None) -> Speciation:
    """Equilibrium in a flask after each added volume of titrant.

    Parameters
    ----------
    flask:
        Contents; `flask.ph` chooses the constants unless they are given.
    volume_ml:
        Added titrant, shape (n,), >= 0.
    constants:
        Conditional constants to use instead of those of `constants_at`.

    Returns
    -------
    Speciation with metals in the order calcium, magnesium.
    """
    added = np.atleast_1d(np.asarray(volume_ml, dtype=np.float64))
    k = constants or constants_at(flask.ph, flask.edta_set)
    total_ml = flask.volume_ml + added
    metal = np.stack(
        [
            flask.calcium_mmol / total_ml,
            (flask.magnesium_mmol + flask.mg_edta_mmol) / total_ml,
        ],
        axis=-1,
    )
    return solve(
        metal,
        (flask.titrant_mol_l * added + flask.mg_edta_mmol) / total_ml,
        1e-3 * flask.indicator_umol / total_ml,
        (k.log_ca_edta, k.log_mg_edta),
        (k.log_ca_indicator, k.log_mg_indicator),
    )
