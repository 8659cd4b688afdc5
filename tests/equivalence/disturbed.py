"""Small simulated titrations with what happens at a bench, each with its truth.

Every constant differs from the published one by 0.1 in log K, up or down, so that the fit does
not meet its own chemistry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from endpoint.analysis.of_curve import judged
from endpoint.analysis.result import Result
from endpoint.chemistry.equilibrium import Constants, Flask
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.curve.gathering import from_absorbance
from endpoint.curve.points import Curve
from endpoint.delivery.delivery import Delivery
from sample_media.simulated import (
    BLUE_FORM,
    CAMERA,
    Plan,
    SyntheticTable,
    careful_additions,
    simulate,
)
from tests.simulated import job

FloatArray = NDArray[np.float64]
Rng = np.random.Generator


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of one titration before and after a disturbance."""

    table: SyntheticTable
    density: FloatArray
    flask_ml: float
    pump_ml_min: float = 0.0
    camera: bool = True

    @property
    def volume_ml(self) -> FloatArray:
        return self.table.volume_ml

    @property
    def before_end_ml(self) -> FloatArray:
        """How far each row lies before the equivalence volume, mL."""
        return self.table.equivalence_ml - self.table.volume_ml

    def with_density(self, density: FloatArray) -> Rows:
        return replace(self, density=density)

    def curve(self, path_cm: float = 1.0) -> Curve:
        """Curve of all three channels of a camera, or of the first one of a photometer."""
        delivery = Delivery.at_constant_rate(self.pump_ml_min, 0.0) if self.pump_ml_min else None
        return from_absorbance(
            self.volume_ml,
            self.density if self.camera else self.density[:, :1],
            CAMERA if self.camera else ("620 nm",),
            self.flask_ml,
            saturated=np.zeros(self.volume_ml.size, dtype=bool),
            time_s=self.table.time_s,
            delivery=delivery,
            **({} if path_cm == 1.0 else {"path_cm": path_cm}),
        )


def titration(
    rng: Rng, *, pump: bool = False, camera: bool = True, rate_ml_min: float = 6.0
) -> Rows:
    """Water of 1 to 3 mmol/L with 5 to 40 % magnesium, additions by hand or a pump."""
    metal = 0.1 * rng.uniform(1.0, 3.0)
    magnesium = rng.uniform(0.05, 0.4)
    indicator_umol = rng.uniform(*((0.6, 1.8) if camera else (0.8, 3.0)))
    flask = Flask(
        volume_ml=105.0,
        calcium_mmol=metal * (1.0 - magnesium),
        magnesium_mmol=metal * magnesium,
        indicator_umol=indicator_umol,
        titrant_mol_l=0.01,
    )
    # Those of a flask with its buffer, each wrong by a tenth.
    usual = ERIOCHROME_BLACK_T.constants
    log_k = np.array([*usual.log_k_edta, *usual.log_k_indicator])
    constants = Constants(*(log_k + 0.1 * rng.choice([-1.0, 1.0], 4)).tolist())
    noise, vary = rng.uniform(0.003, 0.008), rng.uniform(-0.6, 0.6)
    # 17 umol/L give a density of 1 in a usual flask; depth of flask and dye vary.
    deepest = float(np.clip(indicator_umol / 1.785 * np.exp(vary), 0.25, 1.2))
    shown = deepest / max(BLUE_FORM)
    plan = Plan(
        flask,
        constants,
        noise=noise,
        strength=shown if camera else 0.7 + 0.5 * vary,
        seed=int(rng.integers(1 << 30)),
    )
    if pump:
        plan = replace(
            plan, rate_ml_min=rate_ml_min, stop_ml=flask.equivalence_ml + 2.0, row_interval_s=1.0
        )
    else:
        plan = replace(plan, additions_ml=_additions(flask.equivalence_ml, rng))
    table = simulate(plan)
    # Channels err each by themselves too.
    own = 0.002 * rng.standard_normal(table.density.shape)
    return Rows(table, table.density + own, 105.0, plan.rate_ml_min, camera)


def _additions(equivalence_ml: float, rng: Rng) -> tuple[float, ...]:
    """0.5 mL at a time, then as a careful person adds."""
    fine = [v for v in careful_additions(equivalence_ml, rng, 1.0) if v > equivalence_ml - 2.0]
    return (*np.arange(0.0, fine[0] - 0.25, 0.5).tolist(), *fine)


def _from(rows: Rows, rng: Rng, least_ml: float = 0.8) -> NDArray[np.bool_]:
    """Rows from a moment on that lies 0.8 to 4 mL before the end."""
    return rows.before_end_ml < rng.uniform(least_ml, 4.0)


def nothing(rows: Rows, rng: Rng) -> Rows:
    """Undisturbed."""
    return rows


def bubbles(rows: Rows, rng: Rng) -> Rows:
    """Spikes of one to three rows, 2 to 12 % of all."""
    density = rows.density.copy()
    for start in rng.choice(len(density), max(1, int(rng.uniform(0.02, 0.07) * len(density)))):
        density[start : start + int(rng.integers(1, 4))] += rng.uniform(0.1, 0.5)
    return rows.with_density(density)


def exposure(rows: Rows, rng: Rng) -> Rows:
    """One or two steps of 3 to 10 % in all channels together."""
    density = rows.density.copy()
    for _ in range(int(rng.integers(1, 3))):
        density[_from(rows, rng)] += np.log10(1.0 + rng.choice([-1, 1]) * rng.uniform(0.03, 0.1))
    return rows.with_density(density)


def white_balance(rows: Rows, rng: Rng) -> Rows:
    """A step of 3 to 10 % in red and blue against each other."""
    density = rows.density.copy()
    size = np.log10(1.0 + rng.uniform(0.03, 0.1)) * rng.choice([-1, 1])
    density[_from(rows, rng)] += size * np.array([1.0, 0.0, -1.0])
    return rows.with_density(density)


def late_step(rows: Rows, rng: Rng) -> Rows:
    """The same well after the end."""
    density = rows.density.copy()
    size = np.log10(1.0 + rng.uniform(0.03, 0.1)) * rng.choice([-1, 1])
    density[rows.before_end_ml < -rng.uniform(0.55, 0.8)] += size
    return rows.with_density(density)


def more_indicator(rows: Rows, rng: Rng) -> Rows:
    """Indicator added a second time: 1.3 to 2 times as deep from then on."""
    density = rows.density.copy()
    density[_from(rows, rng, 1.6)] *= rng.uniform(1.3, 2.0)
    return rows.with_density(density)


def lamp(rows: Rows, rng: Rng) -> Rows:
    """A lamp that drifts by up to 8 % and wanders by 1 %."""
    x = rows.volume_ml / rows.volume_ml[-1]
    phase = rng.uniform(0.0, 2.0 * np.pi)
    path = rng.uniform(-0.035, 0.035) * x + 0.003 * np.sin(2.0 * np.pi * 1.5 * x + phase)
    return rows.with_density(rows.density + path[:, None])


def sticking(rows: Rows, rng: Rng) -> Rows:
    """Colours that stand still for two to four rows, as between key frames."""
    density = rows.density.copy()
    k = 0
    while k < len(density):
        stays = int(rng.integers(1, 5))
        density[k : k + stays] = density[k]
        k += stays
    return rows.with_density(density)


def overshoot(rows: Rows, rng: Rng) -> Rows:
    """A blue channel that swings beyond its end by 10 to 25 % and comes back over 0.3 mL."""
    density = rows.density.copy()
    fall = density[0, 2] - density[-1, 2]
    after = np.clip(-rows.before_end_ml, 0.0, None)
    swing = np.where(rows.before_end_ml < 0.05, np.exp(-after / 0.3), 0.0)
    density[:, 2] -= fall * rng.uniform(0.1, 0.25) * swing
    return rows.with_density(density)


def hand(rows: Rows, rng: Rng) -> Rows:
    """A hand before the flask in a tenth of the rows, far from the end."""
    density = rows.density.copy()
    far = np.flatnonzero(np.abs(rows.before_end_ml) > 0.5)
    start = int(rng.choice(far))
    stop = start + max(2, len(density) // 12)
    part = [k for k in range(start, min(stop, len(density))) if abs(rows.before_end_ml[k]) > 0.5]
    density[part] = np.array([0.3, 0.45, 0.6]) + 0.03 * rng.standard_normal((len(part), 3))
    return rows.with_density(density)


CASES: dict[str, tuple[Callable[[Rows, Rng], Rows], bool, bool]] = {
    # name: what happens, with a pump, with a camera
    "nothing": (nothing, False, True),
    "pump": (nothing, True, False),
    "bubbles": (bubbles, True, False),
    "bubbles by hand": (bubbles, False, False),
    "exposure": (exposure, False, True),
    "white balance": (white_balance, False, True),
    "late step": (late_step, False, True),
    "indicator twice": (more_indicator, False, True),
    "lamp": (lamp, False, True),
    "sticking": (sticking, True, True),
    "overshoot": (overshoot, False, True),
    "hand": (hand, False, True),
}


def stray_light(seed: int) -> tuple[Rows, Curve]:
    """A cell of 5 cm that absorbs 1.8 to 3.5 in the end, with 0.03 to 0.5 % of stray light.

    Noise as of a detector: 0.03 % of the light without a cell.
    """
    rng = np.random.default_rng([43, seed])
    rows = titration(rng, camera=False)
    strength = rng.uniform(1.8, 3.5) / (5.0 * rows.density[-1, 0])
    passed = 10.0 ** (-5.0 * strength * rows.density[:, 0])
    part = 10.0 ** rng.uniform(-3.5, -2.3)
    seen = (passed + part) / (1.0 + part) + 3e-4 * rng.standard_normal(passed.size)
    density = rows.density.copy()
    density[:, 0] = -np.log10(np.maximum(seen, 1e-4)) / 5.0
    rows = rows.with_density(density)
    return rows, rows.curve(5.0)


def drawn(name: str, seed: int) -> Rows:
    """One disturbed titration."""
    happens, pump, camera = CASES[name]
    rng = np.random.default_rng([41, seed, *name.encode()])
    rate_ml_min = 2.0 if name == "sticking" else 6.0
    return happens(titration(rng, pump=pump, camera=camera, rate_ml_min=rate_ml_min), rng)


NAMES = (*CASES, "stray light")
_LAGS_S = {"sticking": (0.5, 0.75)}
"""Colours that stick come late: nobody knows the lag of such a film."""


@cache
def result_for(name: str, seed: int) -> tuple[float, Result]:
    """Equivalence volume of one disturbed titration, mL, and what the program says of it."""
    if name == "stray light":
        rows, curve = stray_light(seed)
        return rows.table.equivalence_ml, judged(job(), curve)
    rows = drawn(name, seed)
    known = job(lag_s=_LAGS_S.get(name, (0.02, 0.02))) if CASES[name][1] else job()
    return rows.table.equivalence_ml, judged(known, rows.curve())


def answered_and_held(name: str, seeds: Iterable[int]) -> tuple[int, int]:
    """How many results say something, and how many intervals or brackets hold the truth."""
    held = answered = 0
    for seed in seeds:
        truth, result = result_for(name, seed)
        answered += result.status != "none"
        if result.equivalence is not None:
            held += result.equivalence.low_ml <= truth <= result.equivalence.high_ml
        elif result.verdict.bracket_ml is not None:
            low, high = result.verdict.bracket_ml
            held += low <= truth and (high is None or truth <= high)
    return answered, held
