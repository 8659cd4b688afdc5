"""A flask that answers: what is poured now changes what the camera sees next; truth known.

Chemistry, camera and plumes are those of `tests.population`, whose constants are other ones than
those that the program starts from. Here they go on moment by moment, because what is poured next is
decided by whoever reads the page.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import UNSHARE, ColourSample
from endpoint.problems import Flag
from tests.population.balances import Constants, Curve, Water, draw_constants
from tests.population.optics import Colours, Optics, colours_of, draw_optics

FloatArray = NDArray[np.float64]

STEP_S = 0.125
"""Time between two pictures, s."""
_MOST_PAST_ML = 4.0
_TITRANT_MOL_L = 0.01
_LARGEST_PLUME = 0.6
_MIXED_ML = 0.004
"""Titrant on its way, mL, below which a flask counts as mixed: a tenth of a drop."""
_MIXED_PLUME = 0.01
_HAND = np.array([0.25, 0.48, 0.62])
_TINT_FLOOR = 2e-6


@dataclass(frozen=True, eq=False)
class Recipe:
    """One flask before one camera."""

    seed: int
    sample_ml: float
    added_ml: float
    water: Water
    constants: Constants
    optics: Optics
    lag_s: float
    stages: int
    plume_s: float
    plume_gain: float
    plume_thins: float
    noise: float
    wander: float
    wander_s: float
    spread: float
    drift: FloatArray
    """Density that the lamp gains in a minute beyond the reference, shape (3,)."""

    @property
    def end_ml(self) -> float:
        """Equivalence volume."""
        return self.water.equivalence_ml


def draw_recipe(seed: int) -> Recipe:
    """5 to 25 mL, magnesium 0 to 45 %, indicator 6 to 40 umol/L, pH 9.7 to 10.3."""
    rng = np.random.default_rng([20261130, seed])
    end_ml = float(np.exp(rng.uniform(np.log(5.0), np.log(25.0))))
    sample_ml, added_ml = float(rng.choice([50.0, 100.0])), float(rng.uniform(2.0, 12.0))
    flask_ml = sample_ml + added_ml
    share = float(rng.uniform(0.0, 0.45))
    dye_umol_l = float(np.exp(rng.uniform(np.log(6.0), np.log(40.0))))
    metal_umol = 1000.0 * end_ml * _TITRANT_MOL_L
    water = Water(
        flask_ml=flask_ml,
        calcium_umol=metal_umol * (1.0 - share),
        magnesium_umol=metal_umol * share,
        indicator_umol=1e-3 * dye_umol_l * flask_ml,
        titrant_mol_l=_TITRANT_MOL_L,
    )
    ph, ammonia = float(rng.uniform(9.7, 10.3)), float(rng.uniform(0.03, 0.2))
    constants = draw_constants(rng, ph, ammonia, float(np.exp(rng.normal(-3.5, 0.8))))
    return Recipe(
        seed=seed,
        sample_ml=sample_ml,
        added_ml=round(added_ml, 1),
        water=water,
        constants=constants,
        optics=draw_optics(rng),
        lag_s=float(np.clip(np.exp(rng.normal(np.log(1.5), 0.4)), 0.6, 3.5)),
        stages=int(rng.choice([1, 1, 2, 3])),
        plume_s=float(rng.uniform(0.3, 1.5)),
        plume_gain=float(np.clip(np.exp(rng.normal(0.4, 0.6)), 0.3, 4.0)),
        plume_thins=float(rng.uniform(10.0, 40.0)),
        noise=float(np.exp(rng.normal(np.log(0.0025), 0.5))),
        wander=float(np.exp(rng.normal(np.log(0.0025), 0.5))),
        wander_s=float(rng.uniform(0.3, 8.0)),
        spread=float(rng.uniform(0.01, 0.1)),
        drift=rng.normal(0.0, 0.002) + rng.normal(0.0, 0.0007, 3),
    )


def more_seed(number: int) -> tuple[int, ...]:
    """What makes the chances of a later flask other ones than those of the first."""
    return (number,) if number else ()


@dataclass
class LiveFlask:
    """The flask in time; `step` goes on by one picture."""

    recipe: Recipe
    number: int = 0
    """Of the flasks of the same water, from 0."""
    time_s: float = 0.0
    added_ml: float = 0.0
    """Delivered by now."""
    hand_to_s: float = -1.0
    """Until when a hand is before the flask."""
    dark_to_s: float = -1.0
    """Until when the lamp is off."""
    latest: ColourSample = field(init=False)
    """What the camera measured last."""
    _bulk: FloatArray = field(init=False)
    _fallen_ml: float = 0.0
    _wander: FloatArray = field(init=False)
    _index: int = 0

    def __post_init__(self) -> None:
        r = self.recipe
        self._rng = np.random.default_rng([20261130, r.seed, 1, *more_seed(self.number)])
        self._bulk = np.zeros(r.stages)
        self._wander = np.zeros(3)
        self._curve = Curve.of(r.water, r.constants, r.end_ml + _MOST_PAST_ML)
        self._colours: Colours = colours_of(r.optics, r.water, self._curve)

    @property
    def left_ml(self) -> float:
        """From the volume delivered to the equivalence volume."""
        return self.recipe.end_ml - self.added_ml

    @property
    def mixed_ml(self) -> float:
        """In the bulk."""
        return float(self._bulk[-1])

    @property
    def free_fraction(self) -> float:
        """Of the indicator in the bulk."""
        return float(self._curve.free(self._bulk[-1:])[0])

    @property
    def is_mixed(self) -> bool:
        """Whether nothing is on its way any more."""
        behind = self.added_ml - self.mixed_ml
        return behind < _MIXED_ML and self.plume < _MIXED_PLUME

    @property
    def plume(self) -> float:
        """Part of the view that is tinted by titrant that has not spread yet."""
        r, water = self.recipe, self.recipe.water
        near_ml = max(self.added_ml - self._fallen_ml, 0.0)
        metal = float(self._curve.metal_mol_l(self._bulk[-1:])[0])
        metal = max(metal, _TINT_FLOOR + 1e-6 * water.indicator_umol_l)
        turned_ml = near_ml * min(water.titrant_mol_l / metal, r.plume_thins)
        return min(r.plume_gain * turned_ml / (water.flask_ml + self.mixed_ml), _LARGEST_PLUME)

    def step(self, poured_ml: float) -> ColourSample:
        """Pour a little, go on by one picture, and give what the camera measures of it."""
        r = self.recipe
        self.time_s += STEP_S
        self.added_ml += poured_ml
        keep = np.exp(-STEP_S * r.stages / r.lag_s)
        before = self.added_ml
        for k in range(r.stages):
            before = self._bulk[k] = keep * self._bulk[k] + (1.0 - keep) * before
        part = np.exp(-STEP_S / r.plume_s)
        self._fallen_ml = part * self._fallen_ml + (1.0 - part) * self.added_ml
        self._index += 1
        self.latest = self._seen()
        return self.latest

    def _seen(self) -> ColourSample:
        r, plume = self.recipe, self.plume
        mixed = self._bulk[-1:]
        bulk, tinted = self._colours.at(mixed)[0], self._colours.at(mixed, blue=True)[0]
        ahead = self._colours.at(mixed + 2.0 * max(self.added_ml - float(mixed[0]), 0.0))[0]
        light = (1.0 - plume) * bulk.mean(axis=0) + plume * tinted.mean(axis=0)
        noise = self._noise()
        density, shown = _density(UNSHARE @ light), _density(light)
        density = density + noise * 10.0 ** (0.4 * np.clip(density, 0.0, 1.8))
        red = _density(bulk[:, 0])
        over = np.clip(plume / 0.16, 0.0, 1.0) * np.clip((1.0 - plume) / 0.16, 0.0, 1.0)
        blot = 0.5 * over * abs(float(_density(tinted[:, 0]).mean() - red.mean()))
        streaks = 0.35 * abs(float(_density(ahead[:, 0]).mean() - red.mean()))
        spread = float(np.sqrt(r.spread**2 + blot**2 + (0.35 * np.ptp(red)) ** 2 + streaks**2))
        spread *= float(np.exp(0.06 * self._rng.normal()))
        flags = Flag.NONE
        if self.time_s < self.dark_to_s:
            # Every pixel lies at the floor: nothing scatters.
            density, spread, flags = np.full(3, 2.7), 0.0, Flag.DARK
        elif self.time_s < self.hand_to_s:
            density, spread = 0.3 * density + 0.7 * _HAND, 0.02 + 0.2 * self._rng.random()
            if self.time_s < self.hand_to_s - 0.5:
                flags = Flag.LIQUID_LOST
        level = r.optics.level
        sigma = tuple(0.25 * r.noise * (1.0 + np.clip(density, 0.0, 2.0)))
        return ColourSample(
            self._index, self.time_s, _triple(density), _triple(shown), _triple(np.array(sigma)),
            (level, level, level), spread, flags,
        )  # fmt: skip

    def _noise(self) -> FloatArray:
        r = self.recipe
        keep = np.exp(-STEP_S / r.wander_s)
        own = 0.7 * self._rng.normal() + 0.7 * self._rng.normal(size=3)
        self._wander = keep * self._wander + np.sqrt(1.0 - keep**2) * r.wander * own
        return r.noise * self._rng.normal(size=3) + self._wander + r.drift * self.time_s / 60.0


def _density(light: FloatArray) -> FloatArray:
    return np.asarray(-np.log10(np.maximum(light, 1e-4)))


def _triple(row: FloatArray) -> tuple[float, float, float]:
    return float(row[0]), float(row[1]), float(row[2])
