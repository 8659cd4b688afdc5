"""Simulated photometer-like recordings with known truth, from the mass balances.

For tests, for planning and for teaching. What differs from the fit's own assumptions on purpose:
constants and pH are drawn around the published ones, the lamp drifts, the colour scale is bent.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from endpoint.chemistry.equilibrium import Constants, Flask, constants_at, speciate

FloatArray = NDArray[np.float64]

CAMERA = ("red", "green", "blue")
PHOTOMETER = ("620 nm", "530 nm", "430 nm")
RED_FORM = (0.10, 0.55, 0.30)
"""Density of the red form in the red, green and blue channel (620, 530, 430 nm), made up."""
BLUE_FORM = (0.60, 0.38, 0.12)
"""The same of the blue form (made up)."""
SHOWN_UMOL_L = {CAMERA: 7.0, PHOTOMETER: 35.0}
"""Indicator that looks like these densities: through 6 cm of a flask, or 1 cm of a cell."""


@dataclass(frozen=True)
class Plan:
    """Recipe of one simulated titration."""

    flask: Flask
    constants: Constants
    additions_ml: tuple[float, ...] = ()
    """Cumulative volumes of the steps; empty for continuous delivery."""
    rate_ml_min: float = 0.0
    stop_ml: float = 0.0
    row_interval_s: float = 0.5
    lag_s: float = 0.0
    noise: float = 0.005
    """Standard deviation of a row as a part of the red-to-blue change."""
    drift: float = 0.0
    """Change of the signal from first to last row as a part of the change."""
    bend: float = 0.0
    """Departure of the colour scale from a straight one, as a part of the change."""
    kink: float = 0.0
    """The next order of it, as in `endpoint.equivalence.model`."""
    strength: float = 1.0
    """Path and amount of dye: density as a multiple of `RED_FORM` and `BLUE_FORM`."""
    channels: tuple[str, str, str] = CAMERA
    seed: int = 0


@dataclass(frozen=True, eq=False)
class SyntheticTable:
    """Rows of a simulated recording and their truth."""

    time_s: FloatArray
    volume_ml: FloatArray
    """Delivered volume."""
    density: FloatArray
    """Shape (n, 3)."""
    free_fraction: FloatArray
    plan: Plan

    @property
    def equivalence_ml(self) -> float:
        """Volume at which the EDTA equals calcium and magnesium."""
        return self.plan.flask.equivalence_ml

    @property
    def midpoint_ml(self) -> float:
        """Volume at which half of the indicator is free."""
        return level_volume_ml(self.plan.flask, 0.5, self.plan.constants)

    @property
    def last_red_ml(self) -> float:
        """Volume at which 95 % of it is free."""
        return level_volume_ml(self.plan.flask, 0.95, self.plan.constants)


def level_volume_ml(flask: Flask, level: float, constants: Constants | None = None) -> float:
    """Volume at which a fraction `level` of the indicator is free; NaN if it never is."""

    def gap(volume_ml: float) -> float:
        return float(speciate(flask, volume_ml, constants).free_fraction[0]) - level

    high = flask.equivalence_ml + 50.0
    if gap(0.0) > 0 or gap(high) < 0:
        return float("nan")
    return float(brentq(gap, 0.0, high, xtol=1e-7))


def simulate(plan: Plan) -> SyntheticTable:
    """Rows of colour density against delivered volume for a recipe."""
    rng = np.random.default_rng(plan.seed)
    if plan.additions_ml:
        volume = np.asarray(plan.additions_ml, dtype=np.float64)
        time = np.asarray(np.arange(volume.size) * 10.0, dtype=np.float64)
        mixed = volume
    else:
        rate = plan.rate_ml_min / 60.0
        time = np.arange(0.0, plan.stop_ml / rate, plan.row_interval_s, dtype=np.float64)
        volume = rate * time
        # Exact response of a first-order lag to a ramp that starts at zero.
        lag = max(plan.lag_s, 1e-9)
        mixed = volume - rate * lag * (1.0 - np.exp(-time / lag))
    f = speciate(plan.flask, mixed, plan.constants).free_fraction
    bump = f * (1.0 - f)
    bent = f + plan.bend * bump + plan.kink * bump * (1.0 - 2.0 * f)
    position = (volume - volume.mean()) / max(float(np.ptp(volume)), 1e-9)
    shape = bent + plan.drift * position + plan.noise * rng.standard_normal(f.size)
    red, blue = np.asarray(RED_FORM), np.asarray(BLUE_FORM)
    dilution = plan.flask.volume_ml / (plan.flask.volume_ml + volume)
    density = plan.strength * dilution[:, None] * (red + shape[:, None] * (blue - red))
    return SyntheticTable(
        time_s=time,
        volume_ml=volume,
        density=density,
        free_fraction=f,
        plan=plan,
    )


def careful_additions(
    equivalence_ml: float, rng: np.random.Generator, beyond_ml: float
) -> tuple[float, ...]:
    """Cumulative additions of a person who knows the rough titre: coarse, then fine at the end."""
    volume = [0.0]
    while volume[-1] < equivalence_ml + beyond_ml:
        left = equivalence_ml - volume[-1] + rng.normal(0.0, 0.1)
        if left > 4.0:
            step = 2.0
        elif left > 2.5:
            step = 1.0
        elif left > 1.2:
            step = 0.5
        elif left > 0.5:
            step = 0.2
        else:
            step = float(rng.choice([0.05, 0.1]))
        volume.append(volume[-1] + step)
    return tuple(volume)


def draw_plan(seed: int) -> Plan:
    """Random but physical recipe: the population on which intervals are judged.

    Hardness 0.8 to 3.5 mmol/L, magnesium 0.5 to 50 %, indicator 2 to 12 umol/L before a camera and
    10 to 55 in a photometer, pH 9.8 to 10.2, constants scattered as the published sets are, noise
    0.2 to 2 % of the change.
    """
    rng = np.random.default_rng([17, seed])
    flask_ml = 105.0
    metal_mmol = 0.1 * rng.uniform(0.8, 3.5)
    magnesium = 10.0 ** rng.uniform(np.log10(0.005), np.log10(0.5))
    ph = rng.uniform(9.8, 10.2)
    flask = Flask(
        volume_ml=flask_ml,
        calcium_mmol=metal_mmol * (1.0 - magnesium),
        magnesium_mmol=metal_mmol * magnesium,
        indicator_umol=rng.uniform(5.0, 60.0) * flask_ml * 1e-3,  # until the colour is drawn
        titrant_mol_l=0.01,
        ph=ph,
    )
    base = constants_at(ph)
    constants = Constants(
        log_ca_edta=base.log_ca_edta + rng.normal(0.0, 0.05),
        log_mg_edta=base.log_mg_edta + rng.normal(0.0, 0.05),
        log_ca_indicator=base.log_ca_indicator + rng.normal(0.0, 0.07),
        log_mg_indicator=base.log_mg_indicator + rng.normal(0.0, 0.07),
    )
    common: dict[str, Any] = {
        "noise": 10.0 ** rng.uniform(np.log10(0.002), np.log10(0.02)),
        "drift": rng.normal(0.0, 0.02),
        "strength": rng.uniform(0.3, 1.5),
    }
    if rng.uniform() < 0.5:
        # A camera's scale bends with the darkness of the liquid: means and scatter of a measured
        # camera behind four lamps and tone curves of several contrasts, see `Curve.bend_prior`.
        deepest = BLUE_FORM[0] * common["strength"]
        excess, square = max(deepest - 0.65, 0.0), min(deepest, 1.0) ** 2
        bend = rng.normal(-0.04 - 0.5 * excess, 0.05 + 0.35 * excess)
        own = np.random.default_rng([18, seed])
        kink = own.normal(-0.24 * square, 0.01 + 0.07 * square)
        common |= {"bend": bend, "kink": kink, "channels": CAMERA}
    else:
        common |= {"bend": rng.normal(0.0, 0.02), "channels": PHOTOMETER}
    # As dark as its indicator makes it, through 1 cm or a flask: within a factor of 1.4.
    shown = SHOWN_UMOL_L[common["channels"]] * common["strength"]
    amount = shown * np.exp(0.35 * np.random.default_rng([19, seed]).standard_normal())
    flask = replace(flask, indicator_umol=float(amount) * flask_ml * 1e-3)
    beyond = rng.uniform(0.5, 1.5)
    if rng.uniform() < 0.5:
        additions = careful_additions(flask.equivalence_ml, rng, beyond)
        return Plan(flask, constants, additions_ml=additions, seed=seed, **common)
    return Plan(
        flask,
        constants,
        rate_ml_min=rng.uniform(2.0, 6.0),
        stop_ml=flask.equivalence_ml + beyond + 0.3,
        lag_s=rng.uniform(0.8, 2.2),
        seed=seed,
        **common,
    )
