"""Mass balances of two metals for the fit: many parameter rows at once, from a near start.

The equations are those of `endpoint.chemistry.equilibrium.solve`; here the two metals stand on the
first axis, so that sums are plain additions, and a solution of nearly the same flask can be the
start. A Newton step from a near start doubles the right digits, so two or three of them are enough.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.equilibrium import solve

FloatArray = NDArray[np.float64]

_MAX_STEP = 3.0
_CLOSED = 1e-12
_MOST_STEPS = 12
_FLOOR_MOL_L = 1e-30
_FARTHEST_LOG = 50.0
"""Natural logarithm of a concentration, mol/L, that no wild step of a fit goes beyond."""


@dataclass(frozen=True)
class PairConstants:
    """Conditional constants of the two metals at one pH (log10, L/mol); one metal stands twice."""

    log_k_edta: tuple[float, float]
    log_k_indicator: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Flasks:
    """Totals and constants of flasks; the metals are on the first axis where there is one."""

    metal_mol_l: FloatArray
    """Shape (2, rows, n), > 0."""
    edta_mol_l: FloatArray
    """Shape (rows, n), >= 0."""
    indicator_mol_l: FloatArray
    """Shape (rows, n), > 0."""
    log_k_edta: FloatArray
    """Conditional constants, log10, shape (2, rows)."""
    log_k_indicator: FloatArray
    """Shape (2, rows)."""


@dataclass(frozen=True, eq=False)
class Balance:
    """Equilibrium of `Flasks`, with the parts of which every derivative is made.

    EDTA and indicator, in this order, are on the first axis; where metals count, on the second.
    """

    log_free: FloatArray
    """Natural logarithm of free EDTA and free indicator, mol/L, shape (2, rows, n)."""
    free: FloatArray
    """The same in mol/L, shape (2, rows, n)."""
    share: FloatArray
    """Part of each metal that each of the two holds, shape (2, 2, rows, n)."""
    bound: FloatArray
    """The same in mol/L, shape (2, 2, rows, n)."""
    total: FloatArray
    """Free and bound together, mol/L, shape (2, rows, n)."""
    curvature: FloatArray
    """Second derivatives of the potential by ln(EDTA) and by ln(indicator), (2, rows, n)."""
    mixed_curvature: FloatArray
    """The same by both, with its sign turned, shape (rows, n)."""

    @property
    def free_fraction(self) -> FloatArray:
        """Fraction of the indicator that holds no metal, shape (rows, n)."""
        return np.asarray(self.free[1] / self.total[1])

    @property
    def determinant(self) -> FloatArray:
        """Determinant of the second derivatives, shape (rows, n)."""
        edta, indicator = self.curvature
        return np.asarray(edta * indicator - self.mixed_curvature * self.mixed_curvature)


def _balance(log_free: FloatArray, metal: FloatArray, constants: FloatArray) -> Balance:
    """State for free ligands, whether or not it closes the balances."""
    free = np.exp(np.minimum(log_free, _FARTHEST_LOG))
    share = constants * free[:, None]
    held = share[0] + share[1]
    held += 1.0
    share /= held
    bound = metal * share
    total = free + bound[:, 0]
    total += bound[:, 1]
    own = bound * share
    curvature = total - own[:, 0]
    curvature -= own[:, 1]
    both = bound[0] * share[1]
    return Balance(log_free, free, share, bound, total, curvature, both[0] + both[1])


def _first(flasks: Flasks, constants: FloatArray) -> FloatArray:
    """Exact quadratic for one lumped metal without indicator."""
    k, m = constants
    metal, edta = flasks.metal_mol_l, np.maximum(flasks.edta_mol_l, _FLOOR_MOL_L)
    total = metal[0] + metal[1]
    lumped = (metal[0] * k[0] + metal[1] * k[1]) / total
    b = 1.0 + lumped * (total - edta)
    root = np.sqrt(b * b + 4.0 * lumped * edta)
    y = np.where(b > 0, 2.0 * edta / (b + root), (root - b) / (2.0 * lumped))
    y = np.maximum(y, _FLOOR_MOL_L**2)
    free = metal / (1.0 + k * y)
    i = flasks.indicator_mol_l / (1.0 + m[0] * free[0] + m[1] * free[1])
    return np.asarray(np.log(np.stack([y, i])))


def balance(flasks: Flasks, near: FloatArray | None = None, closed: float = _CLOSED) -> Balance:
    """Solve the mass balances of two metals, EDTA and indicator.

    Parameters
    ----------
    flasks:
        Totals and constants.
    near:
        `Balance.log_free` of nearly the same flasks, shape (2, rows, n); without it the start is
        that of `endpoint.chemistry.equilibrium.solve`.
    closed:
        Largest error of a balance, as a part of the total.
    """
    constants = 10.0 ** np.stack([flasks.log_k_edta, flasks.log_k_indicator])[..., None]
    metal = flasks.metal_mol_l
    stated = np.stack([np.maximum(flasks.edta_mol_l, _FLOOR_MOL_L), flasks.indicator_mol_l])
    log_free = _first(flasks, constants) if near is None else near
    for _ in range(_MOST_STEPS):
        now = _balance(log_free, metal, constants)
        off = now.total - stated
        error = float(np.abs(off / stated).max())
        if error < closed:
            return now
        step = now.curvature[::-1] * off
        step += now.mixed_curvature * off[::-1]
        step /= np.maximum(now.determinant, 1e-300)
        if error > 0.1:
            step /= np.maximum(np.abs(step).max(axis=0) / _MAX_STEP, 1.0)
        log_free = log_free - step
    if near is not None:
        return balance(flasks, closed=closed)
    return _with_care(flasks, constants)


def _with_care(flasks: Flasks, constants: FloatArray) -> Balance:
    """The damped solver, for flasks in which plain steps do not settle."""
    found = solve(
        np.moveaxis(flasks.metal_mol_l, 0, -1),
        flasks.edta_mol_l,
        flasks.indicator_mol_l,
        np.moveaxis(flasks.log_k_edta, 0, -1)[:, None, :],
        np.moveaxis(flasks.log_k_indicator, 0, -1)[:, None, :],
    )
    log_free = np.log(np.stack([found.free_edta_mol_l, found.free_indicator_mol_l]))
    return _balance(log_free, flasks.metal_mol_l, constants)
