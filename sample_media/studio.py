"""Everything of a film that stays the same from frame to frame."""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sample_media.hands import Sprite, arm, silhouette
from sample_media.home_films import Film, plan_of_film
from sample_media.layers import Layers, layers_of, pixels_per_cm
from sample_media.mishaps import Movement, Pose, frame_times, hunting, pours_of
from sample_media.recipes import free_fraction, mixed_volume
from sample_media.scene import project

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]
_GRAIN_FIELDS = 5


class Studio:
    """Everything that stays the same during a film.

    Parameters
    ----------
    film:
        What is filmed.
    cache:
        Folder for traced scenes, None for no cache.
    """

    def __init__(self, film: Film, cache: Path | None) -> None:
        self.film = film
        recipe = film.recipe
        self.size = (recipe.width, recipe.height)
        self.plan = plan_of_film(film)
        self.rng = np.random.default_rng([film.seed, 12])
        self.times = frame_times(self.plan.duration_s, recipe.frames_s, film.vary_rate, self.rng)
        self.given, self.mixed = mixed_volume(self.plan, recipe, self.times)
        self.free = free_fraction(recipe, self.mixed)
        view = film.view
        # Ten millilitres more or less are not seen: fewer scenes to trace.
        volume_ml = float(round((recipe.flask.volume_ml + self.plan.true_ml[-1]) / 10.0) * 10)
        self.layers: Layers = layers_of(view, *self.size, volume_ml, cache)
        self.scale = pixels_per_cm(view, *self.size)
        level = view.vessel.level_cm(volume_ml)
        top_cm = view.vessel.total_height_cm
        self.tip = project(view, *self.size, (0.15, 0.0, top_cm - 1.0))
        self.surface = project(view, *self.size, (0.15, 0.0, level))
        self.neck = project(view, *self.size, (0.0, 0.0, top_cm - 2.3))
        self.middle = project(view, *self.size, (0.0, 0.0, 0.45 * level))
        self.foot = project(view, *self.size, (0.0, 0.0, 0.0))
        self.phase = self.rng.uniform(0, 2 * np.pi, 8)
        self.movement = Movement(film.held, self.plan, self.rng) if film.held else None
        self.stirred = view.stirrer
        duration = self.plan.duration_s
        self.seek = hunting(duration, film.exposure_hunting, 7.0, 0.35, self.rng)
        self.seek_red = hunting(duration, film.balance_hunting, 9.0, 0.12, self.rng)
        self.seek_blue = hunting(duration, film.balance_hunting, 9.0, 0.12, self.rng)
        self.pours = pours_of(self.plan)
        self.knock_px = self.rng.uniform((0.05, -0.06), (0.12, 0.06)) * recipe.width
        self.left_px = self.rng.normal(0.0, 0.0025, 2) * recipe.width
        self.bubbles = self._bubble_places(film.bubbles)
        self.still: tuple[tuple[Pose, int], Float32, Float32, Float32] | None = None
        self.labels: dict[float, tuple[slice, Float32]] = {}
        tube = np.flatnonzero(self.layers.tube.min(axis=0) < 1.0)
        self.tube_columns = (int(tube[0]), int(tube[-1]) + 1) if tube.size else (0, 0)
        self._grain = _grain(recipe.width, recipe.height)

    def _bubble_places(self, count: int) -> FloatArray:
        """Places of bubbles in the liquid, most of them at its surface: x, y, radius."""
        wet = self.layers.path_cm > 1.0
        if not count or not wet.any():
            return np.zeros((0, 3))
        y, x = np.nonzero(wet)
        z = self.layers.position[..., 0][wet]
        weight = np.exp(-np.abs(z - 0.97) / 0.06) + 0.05
        pick = self.rng.choice(x.size, count, p=weight / weight.sum())
        radius = self.rng.uniform(0.12, 0.32, count) * self.scale
        return np.stack([x[pick], y[pick], radius], axis=1)

    @functools.cached_property
    def reaching(self) -> Sprite:
        """Arm that reaches across; nearer to the camera than the flask."""
        return self._arm("reaching", 1.15)

    @functools.cached_property
    def holding(self) -> Sprite:
        """Hand on the neck of the flask."""
        return self._arm("holding", 1.0)

    def _arm(self, kind: str, nearer: float) -> Sprite:
        x, _, z = self.film.view.light
        rng = np.random.default_rng([self.film.seed, 13])
        return arm(kind, self.scale * nearer, self.film.skin, self.film.cloth, (x, z), rng)

    @functools.cached_property
    def passer(self) -> Sprite:
        """Person in the background."""
        height = int(1.1 * self.size[1])
        return silhouette(height, int(0.7 * height), (0.10, 0.12, 0.16))

    def grain(self) -> Float32:
        """Random numbers of unit variance, shape (height, width, 3)."""
        w, h = self.size
        field = self._grain[int(self.rng.integers(_GRAIN_FIELDS))]
        dy, dx = self.rng.integers(0, 64, 2)
        return field[dy : dy + h, dx : dx + w]


@functools.lru_cache(maxsize=2)
def _grain(width: int, height: int) -> tuple[Float32, ...]:
    rng = np.random.default_rng(5)
    shape = (height + 64, width + 64, 3)
    return tuple(rng.standard_normal(shape, dtype=np.float32) for _ in range(_GRAIN_FIELDS))
