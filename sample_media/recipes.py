"""What a simulated recording is made from: chemistry, additions, picture; and families."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.equilibrium import Constants, Flask, speciate
from endpoint.chemistry.indicator_file import named_indicator
from sample_media import light
from sample_media.simulated import level_volume_ml

FloatArray = NDArray[np.float64]
_POUR_ML_S = 0.45
TUNING_VIEWS = ("tile", "stirrer", "beaker", "lightbox")
HELD_BACK_VIEWS = ("far", "close")


@dataclass(frozen=True)
class Recipe:
    """Everything that one recording is made from."""

    name: str
    seed: int = 0
    label: str = ""
    # Chemistry
    sample_ml: float = 100.0
    added_ml: float = 5.0
    hardness_mmol_l: float = 1.2
    magnesium: float = 0.2
    indicator_umol_l: float = 8.0
    mg_edta_mmol: float = 0.0
    ph: float = 10.0
    titrant_mol_l: float = 0.01
    wrong_colour: bool = False
    indicator: str = ""
    """Of `light.OTHER_FORMS`; empty for Eriochrome Black T."""
    # Delivery
    mode: str = "steps"
    stop_after_ml: float = 0.8
    """Past the equivalence volume; negative stops before it."""
    coarse_ml: float = 2.0
    fine_ml: tuple[float, ...] = (0.1, 0.05)
    jump_ml: float = 0.0
    """One addition of this size across the end; 0 for none."""
    wait_s: tuple[float, float] = (6.0, 8.0)
    """Pause after coarse and after fine additions."""
    rate_ml_min: float = 4.0
    start_ml: float = 0.0
    """Delivered before the recording starts."""
    mixing_s: float = 1.3
    tell_lag: bool = True
    # Picture
    view: str = "tile"
    lamp: str = "daylight"
    camera: str = light.CAMERAS[0]
    width: int = 640
    height: int = 480
    frames_s: float = 10.0
    exposure: float = 0.8
    exposure_drift: float = 0.04
    balance_drift: float = 0.02
    contrast: float = 0.1
    noise: float = 0.006
    haze: float = 0.01
    shake_px: float = 0.15
    crf: int = 23
    tagged: bool = True
    # Mishaps, as parts of the duration; 0 for none
    light_off_at: float = 0.0
    moved_at: float = 0.0
    no_flask: bool = False

    @property
    def flask(self) -> Flask:
        """Contents for the mass balances."""
        metal = self.hardness_mmol_l * self.sample_ml * 1e-3
        flask_ml = self.sample_ml + self.added_ml
        return Flask(
            volume_ml=flask_ml,
            calcium_mmol=metal * (1.0 - self.magnesium),
            magnesium_mmol=metal * self.magnesium,
            indicator_umol=self.indicator_umol_l * flask_ml * 1e-3,
            titrant_mol_l=self.titrant_mol_l,
            mg_edta_mmol=self.mg_edta_mmol,
            ph=self.ph,
        )


def free_fraction(recipe: Recipe, volume_ml: FloatArray) -> FloatArray:
    """Part of the indicator that is free, same shape as the delivered volume."""
    if not recipe.indicator:
        return speciate(recipe.flask, volume_ml).free_fraction
    pair = named_indicator(recipe.indicator).constants
    constants = Constants(*pair.log_k_edta, *pair.log_k_indicator)
    return speciate(recipe.flask, volume_ml, constants).free_fraction


@dataclass(frozen=True, eq=False)
class Plan:
    """Delivery over time: log rows and the true volume."""

    log_s: FloatArray
    log_ml: FloatArray
    true_s: FloatArray
    true_ml: FloatArray
    """Corner points of the true delivered volume."""
    drops_s: FloatArray
    duration_s: float


def plan_of(recipe: Recipe) -> Plan:
    """Additions as a person (or a pump) makes them."""
    rng = np.random.default_rng([recipe.seed, 1])
    end = recipe.flask.equivalence_ml
    stop = max(end + recipe.stop_after_ml, 0.5)
    if recipe.mode == "continuous":
        rate = recipe.rate_ml_min / 60.0
        begin = 4.0
        t = np.array([0.0, begin, begin + (stop - recipe.start_ml) / rate])
        v = np.array([recipe.start_ml, recipe.start_ml, stop])
        t, v = np.append(t, t[-1] + 4.0), np.append(v, stop)
        drops = np.arange(begin, t[2], 0.05 / rate)
        return Plan(t, v, t, v, drops, float(t[-1]))
    volume, time = recipe.start_ml, recipe.wait_s[0]
    log_s, log_ml = [0.0], [volume]
    true_s, true_ml = [0.0], [volume]
    moments: list[float] = []
    while volume < stop - 1e-9:
        step, wait = _next_step(recipe, rng, end, volume, stop)
        pour = step / _POUR_ML_S
        moments += list(np.arange(time, time + pour, 0.05 / _POUR_ML_S))
        true_s += [time, time + pour]
        true_ml += [volume, volume + step]
        volume = round(volume + step, 4)
        time += pour + 0.3
        log_s.append(round(time, 2))
        log_ml.append(round(volume, 2))
        time += wait * rng.uniform(0.9, 1.2)
    true_s.append(time)
    true_ml.append(volume)
    return Plan(
        np.array(log_s),
        np.array(log_ml),
        np.array(true_s),
        np.array(true_ml),
        np.array(moments),
        time,
    )


def _next_step(
    recipe: Recipe, rng: np.random.Generator, end: float, volume: float, stop: float
) -> tuple[float, float]:
    left = end - volume + rng.normal(0.0, 0.08)
    coarse, fine = recipe.wait_s
    if recipe.jump_ml:
        if left > recipe.jump_ml + 0.4:
            return max(round(min(recipe.coarse_ml, left - recipe.jump_ml * 0.6), 2), 0.1), coarse
        return recipe.jump_ml, fine
    if left > recipe.coarse_ml + 1.3:
        return recipe.coarse_ml, coarse
    if left > 1.2:
        return 0.5, coarse
    if left > 0.45:
        return 0.2, fine
    if left < -1.3:
        return 0.5, coarse
    return float(rng.choice(recipe.fine_ml)), fine


def truth_of(recipe: Recipe) -> dict[str, object]:
    """True values of a recipe."""
    flask = recipe.flask
    hardness = recipe.hardness_mmol_l
    half, most = level_volume_ml(flask, 0.5), level_volume_ml(flask, 0.95)
    return {
        "equivalence_ml": round(flask.equivalence_ml, 4),
        "midpoint_ml": None if math.isnan(half) else round(half, 4),
        "last_red_ml": None if math.isnan(most) else round(most, 4),
        "hardness_mmol_l": hardness,
        "hardness_caco3_mg_l": round(hardness * 100.086, 2),
        "recipe": {k: v for k, v in asdict(recipe).items() if (k, v) != ("indicator", "")},
    }


def mixed_volume(plan: Plan, recipe: Recipe, times: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Delivered and mixed volume at times; the mixing is integrated in small steps."""
    step = 0.01
    fine = np.arange(0.0, plan.duration_s + 1.0, step)
    given = np.interp(fine, plan.true_s, plan.true_ml)
    mixed = np.empty_like(given)
    mixed[0] = given[0]
    keep = math.exp(-step / recipe.mixing_s)
    for k in range(1, fine.size):
        mixed[k] = given[k - 1] + (mixed[k - 1] - given[k - 1]) * keep
    return np.interp(times, fine, given), np.interp(times, fine, mixed)


# Families ------------------------------------------------------------------------------------

GOOD = ("good-steps", "good-pump", "stills", "photometer", "mg-edta-buffer", "no-magnesium", "pale")
REFUSE = (
    "never-reached",
    "already-blue",
    "lights-off",
    "camera-moved",
    "no-flask",
    "wrong-colour",
    "wrong-ph",
)
BRACKET = ("coarse-jump", "last-purple")


def family(name: str, seed: int, *, quick: bool = True, held_back: bool | None = None) -> Recipe:
    """Random but physical recipe of a family; `held_back` chooses scenes kept for evaluation.

    Parameters
    ----------
    name:
        One of `GOOD`, `REFUSE`, `BRACKET`.
    seed:
        Seed of everything random.
    quick:
        Small and short, for tests and studies.
    held_back:
        True: only held-back scenes; False: only tuning scenes; None: any.
    """
    rng = np.random.default_rng([seed, sum(map(ord, name))])
    views = {True: HELD_BACK_VIEWS, False: TUNING_VIEWS, None: TUNING_VIEWS + HELD_BACK_VIEWS}
    base = Recipe(
        name=f"{name}-{seed}",
        seed=seed,
        hardness_mmol_l=float(rng.uniform(0.6, 1.6)),
        magnesium=float(10 ** rng.uniform(np.log10(0.03), np.log10(0.5))),
        indicator_umol_l=float(rng.uniform(4.0, 10.0)),
        ph=float(rng.uniform(9.9, 10.1)),
        stop_after_ml=float(rng.uniform(0.6, 1.2)),
        rate_ml_min=float(rng.uniform(3.0, 6.0)),
        mixing_s=float(rng.uniform(0.7, 2.0)),
        view=str(rng.choice(views[held_back])),
        lamp=str(rng.choice(list(light.LAMPS))),
        exposure=float(rng.uniform(0.65, 0.92)),
        exposure_drift=float(rng.uniform(0.0, 0.06)),
        balance_drift=float(rng.uniform(0.0, 0.03)),
        contrast=float(rng.uniform(0.0, 0.25)),
        noise=float(rng.uniform(0.003, 0.012)),
        haze=float(rng.uniform(0.0, 0.03)),
        crf=int(rng.integers(20, 29)),
    )
    if quick:
        base = replace(base, width=320, height=240, frames_s=5.0, wait_s=(4.0, 6.0))
    return _vary(base, name, rng)


def _vary(base: Recipe, name: str, rng: np.random.Generator) -> Recipe:
    changes: dict[str, dict[str, object]] = {
        "good-steps": {},
        "stills": {},
        "photometer": {"indicator_umol_l": float(rng.uniform(10.0, 50.0))},
        "good-pump": {"mode": "continuous", "stop_after_ml": 1.2},
        "mg-edta-buffer": {"magnesium": 0.0, "mg_edta_mmol": 0.01},
        "no-magnesium": {"magnesium": float(rng.choice([0.0, 0.004]))},
        "pale": {"indicator_umol_l": 2.0},
        "never-reached": {"stop_after_ml": -float(rng.uniform(0.8, 4.0))},
        "already-blue": {"hardness_mmol_l": 0.001, "stop_after_ml": 3.0, "coarse_ml": 0.5},
        "lights-off": {"light_off_at": float(rng.uniform(0.15, 0.35))},
        "camera-moved": {"moved_at": float(rng.uniform(0.15, 0.35))},
        "no-flask": {"no_flask": True},
        "wrong-colour": {"wrong_colour": True},
        "wrong-ph": {
            "ph": float(rng.uniform(8.0, 8.7)),
            "magnesium": float(rng.uniform(0.2, 0.4)),
            "stop_after_ml": 2.0,
        },
        "coarse-jump": {
            "jump_ml": 1.0,
            "stop_after_ml": 1.5,
            "magnesium": float(rng.uniform(0.1, 0.4)),
        },
        "last-purple": {"stop_after_ml": -0.08, "magnesium": 0.2},
    }
    return replace(base, **changes[name])  # type: ignore[arg-type]
