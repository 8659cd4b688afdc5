"""Colour of the liquid in a film: Beer-Lambert's law through water that may be yellow or turbid."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sample_media import light
from sample_media.home_films import Film
from sample_media.picture import PATHS_CM
from sample_media.studio import Studio

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]


def colours_through(film: Film, free: float, dilution: float) -> tuple[Float32, Float32]:
    """Linear sRGB that comes through the grid of paths, and that the water scatters to the camera.

    Returns
    -------
    Two arrays of shape (paths, 3).
    """
    recipe = film.recipe
    amount = recipe.indicator_umol_l * 1e-6 * dilution
    bound, unbound = light.OTHER_FORMS.get(recipe.indicator, (light.RED_FORM, light.BLUE_FORM))
    through = light.transmittance(amount * (1.0 - free), amount * free, PATHS_CM, unbound, bound)
    if film.yellow_per_cm:
        humic = film.yellow_per_cm * np.exp(-0.014 * (light.WAVELENGTHS_NM - 440.0))
        through = through * 10.0 ** -(PATHS_CM[:, None] * humic)
    camera = light.camera(recipe.camera, recipe.lamp)
    seen = camera.see(through)
    if not film.turbid_per_cm:
        return seen.astype(np.float32), np.zeros((PATHS_CM.size, 3), dtype=np.float32)
    kept = np.exp(-film.turbid_per_cm * PATHS_CM)[:, None]
    # Scattered light went through about a third of the way.
    short = camera.see(through ** (1.0 / 3.0))
    return (seen * kept).astype(np.float32), (0.4 * (1.0 - kept) * short).astype(np.float32)


def _look_up(table: Float32, path: Float32) -> Float32:
    x = np.clip(path * np.float32(1 / PATHS_CM[1]), 0.0, len(PATHS_CM) - 1.01)
    low = x.astype(np.int32)
    part = (x - low)[..., None]
    return np.asarray(table.take(low, axis=0) * (1 - part) + table.take(low + 1, axis=0) * part)


class Liquid:
    """Colour of the flask for each frame; kept while nothing changes."""

    def __init__(self, studio: Studio) -> None:
        self.studio = studio
        layers = studio.layers
        none = np.zeros_like(layers.cover)
        self._behind = np.dstack([layers.behind, layers.cover]).reshape(-1, 4)
        self._mirrored = np.dstack([layers.reflected, none])
        self._clear = np.dstack([layers.behind + layers.reflected, layers.cover])
        self._shade = np.repeat(layers.shade[..., None], 3, axis=2)
        self._dim = np.flatnonzero(layers.shadow_cm.ravel() > 0.02)
        self._shadow_path = 0.45 * layers.shadow_cm.ravel()[self._dim]
        self._key: tuple[float, ...] | None = None
        self._kept: tuple[Float32, Float32] | None = None

    def layers_at(self, k: int, slosh: float) -> tuple[Float32, Float32]:
        """Flask times its cover, and the cover, (h, w, 4); tint of the bench, (h, w, 3)."""
        s, film = self.studio, self.studio.film
        lag = float(s.given[k] - s.mixed[k])
        lively = lag > 0.004 or slosh != 0.0 or s.stirred or film.vortex > 0
        key = (round(float(s.mixed[k]), 4), round(lag, 4))
        if not lively and key == self._key and self._kept is not None:
            return self._kept
        out = self._drawn(k, lag, slosh)
        self._key, self._kept = (None if lively else key), out
        return out

    def _drawn(self, k: int, lag: float, slosh: float) -> tuple[Float32, Float32]:
        s, film, layers = self.studio, self.studio.film, self.studio.layers
        flask_ml = film.recipe.flask.volume_ml
        dilution = flask_ml / (flask_ml + float(s.mixed[k]))
        table, veil = colours_through(film, float(s.free[k]), dilution)
        path_map, place = layers.path_cm, layers.position
        if slosh:
            path_map, place = _tilted(s, path_map, slosh), _tilted(s, place, slosh)
        wet = np.flatnonzero(path_map.ravel() > 0.02)
        path = path_map.ravel()[wet]
        z, x = place.reshape(-1, 2)[wet].T
        t = float(s.times[k])
        path, shine = self._stirred(path, z, x, t)
        colour = _look_up(table, path)
        if lag > 0.004:
            plume = _plume(z, x, lag, t, s.phase)[:, None]
            ahead, _ = colours_through(film, 1.0, dilution)
            colour = colour * (1 - plume) + plume * _look_up(ahead, path)
        glitter = np.float32(0.03 * math.sin(7.1 * t + s.phase[1]))
        light_now = self._behind[wet, :3] * colour
        if film.turbid_per_cm:
            light_now += _look_up(veil, path) * self._behind[wet, 3:]
        light_now += shine[:, None]
        flask = self._clear + glitter * self._mirrored
        flask.reshape(-1, 4)[wet, :3] += light_now - self._behind[wet, :3]
        tint = self._shade.copy()
        shadow = _look_up(table, self._shadow_path)
        tint.reshape(-1, 3)[self._dim] *= 0.25 + 0.75 * shadow
        return flask, tint

    def _stirred(self, path: Float32, z: Float32, x: Float32, t: float) -> tuple[Float32, Float32]:
        """Paths with the stirrer bar and the vortex, and what the vortex mirrors."""
        s, film = self.studio, self.studio.film
        shine = np.zeros_like(path)
        if s.stirred:
            half = 0.10 + 0.20 * abs(math.sin(0.9 * 10.0 * t + s.phase[0]))
            bar = np.exp(-((z / 0.13) ** 4)) * (np.abs(x) < half)
            path = path * (1.0 - 0.45 * bar).astype(np.float32)
        if film.vortex:
            foot = 1.0 - film.vortex * (1.0 + 0.08 * math.sin(5.3 * t + s.phase[5]))
            axis = 0.05 * math.sin(9.7 * t + s.phase[6])
            width = 0.03 + 0.22 * np.clip(z - foot, 0.0, 1.0) ** 1.5
            funnel = np.exp(-(((x - axis) / width) ** 4)) / (1.0 + np.exp(-(z - foot) / 0.03))
            path = path * (1.0 - 0.75 * funnel).astype(np.float32)
            edge = np.exp(-(((np.abs(x - axis) - 0.9 * width) / 0.02) ** 2)) * (z > foot)
            streak = 0.07 * edge * (1.0 + 0.7 * math.sin(17.0 * t + s.phase[7]))
            shine = streak.astype(np.float32)
        return path, shine


def _tilted(s: Studio, values: Float32, slosh: float) -> Float32:
    """Liquid layer with its surface tilted; the foot stays."""
    import cv2

    h, w = values.shape[:2]
    x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    rise = np.exp(-(((y - s.surface[1]) / (1.6 * s.scale)) ** 2))
    shift = np.clip((x - s.foot[0]) * slosh, -1.2 * s.scale, 1.2 * s.scale) * rise
    return np.asarray(cv2.remap(values, x, (y + shift).astype(np.float32), cv2.INTER_LINEAR))


def _plume(z: Float32, x: Float32, lag_ml: float, t: float, phase: FloatArray) -> Float32:
    """Part of the way that leads through not yet mixed titrant."""
    total = np.zeros_like(z)
    for k in range(4):
        swing = 0.55 * math.sin(2.3 * t + phase[k + 1])
        depth = 0.75 - 0.5 * ((0.6 * t + 0.25 * k) % 1.0)
        total += np.exp(-(((x - swing) / 0.22) ** 2) - ((z - depth) / 0.25) ** 2)
    return np.asarray(np.clip(total * min(lag_ml / 0.25, 1.0) * 0.7, 0.0, 0.9), dtype=np.float32)
