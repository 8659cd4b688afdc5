"""Pictures of a recording: Beer-Lambert's law through a traced scene, as a camera stores it.

Dye spectra x lamp x camera give the colour for every path through the liquid, the traced scene
gives path, reflections and background of every pixel, and mixing, drops, stirrer, exposure, white
balance and noise vary over time.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.equilibrium import speciate
from sample_media import light
from sample_media.recipes import Plan, Recipe, mixed_volume, plan_of
from sample_media.scene import NO_VESSEL, VIEWS, Plate, View, project, trace_view

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]
PATHS_CM: FloatArray = np.linspace(0.0, 24.0, 97)


@functools.lru_cache(maxsize=12)
def plate_of(view: str, width: int, height: int, volume_ml: float, empty: bool) -> Plate:
    """Traced scene, kept for the next call."""
    scene: View = VIEWS[view]
    if empty:
        scene = replace(scene, vessel=NO_VESSEL, burette=False, stirrer=False)
    plate = trace_view(scene, width, height, volume_ml)
    return replace(
        plate,
        **{
            name: getattr(plate, name).astype(np.float32)
            for name in ("reflected", "behind", "path_cm", "shadow_cm", "position")
        },
    )


def colours_of(recipe: Recipe, free: float, dilution: float) -> Float32:
    """Linear sRGB transmittance for the grid of paths, shape (paths, 3)."""
    amount = recipe.indicator_umol_l * 1e-6 * dilution
    blue = light.YELLOW_FORM if recipe.wrong_colour else light.BLUE_FORM
    passed = light.transmittance(amount * (1.0 - free), amount * free, PATHS_CM, blue)
    return light.camera(recipe.camera, recipe.lamp).see(passed).astype(np.float32)


def through(table: Float32, path: Float32) -> Float32:
    """Colour of every pixel from the table of paths (linear interpolation)."""
    x = np.clip(path * np.float32(1 / PATHS_CM[1]), 0.0, len(PATHS_CM) - 1.01)
    low = x.astype(np.int32)
    part = (x - low)[..., None]
    return np.asarray(table.take(low, axis=0) * (1 - part) + table.take(low + 1, axis=0) * part)


def _box_of(path: Float32) -> tuple[slice, slice]:
    """Rows and columns in which light goes through the liquid; elsewhere no path is worked out."""
    sides = []
    for axis in (1, 0):
        used = np.flatnonzero(path.any(axis=axis))
        sides.append(slice(int(used[0]), int(used[-1]) + 1) if used.size else slice(0, 0))
    return sides[0], sides[1]


def render_frames(recipe: Recipe) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Yield (time_s, picture of uint8 RGB) for a recipe."""
    import cv2

    plan = plan_of(recipe)
    rng = np.random.default_rng([recipe.seed, 2])
    phase = rng.uniform(0, 2 * np.pi, 6)
    for t, linear in linear_frames(recipe, plan, phase):
        blurred = np.asarray(cv2.GaussianBlur(linear, (0, 0), 0.55), dtype=np.float32)
        yield t, expose(recipe, blurred, t / plan.duration_s, t, rng, phase)


def linear_frames(recipe: Recipe, plan: Plan, phase: FloatArray) -> Iterator[tuple[float, Float32]]:
    """Yield (time_s, linear light of the scene before the lens) for additions of a plan.

    Parameters
    ----------
    recipe:
        Chemistry and scene.
    plan:
        What is delivered when.
    phase:
        Six angles of what sways, shape (6,).
    """
    times = np.arange(0.0, plan.duration_s, 1.0 / recipe.frames_s)
    given, mixed = mixed_volume(plan, recipe, times)
    free = speciate(recipe.flask, mixed).free_fraction
    flask_ml = recipe.flask.volume_ml
    plate = plate_of(
        recipe.view,
        recipe.width,
        recipe.height,
        round(flask_ml + float(np.median(given)), 0),
        recipe.no_flask,
    )
    tip, surface = drop_way(recipe, flask_ml + float(np.median(given)))
    wet = plate.shadow_cm > 0
    shaded_cm = 0.45 * plate.shadow_cm[wet]
    box = _box_of(plate.path_cm)
    path_cm, position = plate.path_cm[box], plate.position[box]
    for k, t in enumerate(times):
        lag = float(given[k] - mixed[k])
        dilution = flask_ml / (flask_ml + mixed[k])
        table = colours_of(recipe, float(free[k]), dilution)
        liquid = through(table, _with_bar(path_cm, position, recipe, t, phase[0]))
        if lag > 0.004 and not recipe.no_flask:
            plume = plume_part(position, lag, t, phase)
            ahead = through(colours_of(recipe, 1.0, dilution), path_cm)
            liquid = liquid * (1 - plume) + plume * ahead
        linear = plate.behind.copy()
        linear[wet] *= 0.25 + 0.75 * through(table, shaded_cm)
        within = linear[box] * liquid
        linear *= table[0]
        linear[box] = within
        linear += plate.reflected * np.float32(1.0 + 0.03 * math.sin(7.1 * t + phase[1]))
        veil = recipe.haze * float(linear.mean())
        linear *= 1 - recipe.haze
        linear += veil
        draw_drop(linear, plan, t, tip, surface)
        yield float(t), linear


def _with_bar(
    path_cm: Float32, position: Float32, recipe: Recipe, t: float, phase: float
) -> Float32:
    """Path with the white stirrer bar turning on the bottom of the vessel."""
    if not VIEWS[recipe.view].stirrer:
        return path_cm
    half = 0.10 + 0.20 * abs(math.sin(0.9 * recipe.frames_s * t + phase))
    z, x = position[..., 0], position[..., 1]
    bar = np.exp(-((z / 0.13) ** 4)) * (np.abs(x) < half)
    return np.asarray(path_cm * (1.0 - 0.45 * bar))


def plume_part(position: Float32, lag_ml: float, t: float, phase: FloatArray) -> Float32:
    """Part of the way that leads through not yet mixed titrant, shape (h, w, 1)."""
    z, x = position[..., 0], position[..., 1]
    total = np.zeros_like(z)
    for k in range(4):
        swing = 0.55 * math.sin(2.3 * t + phase[k + 1])
        depth = 0.75 - 0.5 * ((0.6 * t + 0.25 * k) % 1.0)
        total += np.exp(-(((x - swing) / 0.22) ** 2) - ((z - depth) / 0.25) ** 2)
    return np.asarray(np.clip(total * min(lag_ml / 0.25, 1.0) * 0.7, 0.0, 0.9))[..., None]


def drop_way(recipe: Recipe, volume_ml: float) -> tuple[FloatArray, FloatArray]:
    """Pixels of the tip of the burette and of the surface below it."""
    view = VIEWS[recipe.view]
    size = (recipe.width, recipe.height)
    top = project(view, *size, (0.15, 0.0, view.vessel.total_height_cm - 1.0))
    low = project(view, *size, (0.15, 0.0, view.vessel.level_cm(volume_ml)))
    return top, low


def draw_drop(linear: Float32, plan: Plan, t: float, tip: FloatArray, surface: FloatArray) -> None:
    """Draw the drop that falls now into linear light."""
    since = t - plan.drops_s
    falling = since[(since >= 0) & (since < 0.15)]
    if falling.size == 0:
        return
    at = tip + (surface - tip) * (falling[-1] / 0.15) ** 2
    radius = max(linear.shape[1] / 300.0, 1.0)
    y0, x0 = int(at[1]), int(at[0])
    for dy in range(-4, 5):
        for dx in range(-3, 4):
            y, x = y0 + dy, x0 + dx
            if 0 <= y < linear.shape[0] and 0 <= x < linear.shape[1]:
                r = math.hypot(dx, dy * 0.7) / radius
                if r < 1.0:
                    linear[y, x] *= 0.55 + 0.6 * (r < 0.4)


@functools.cache
def codes_of(contrast: float) -> NDArray[np.uint8]:
    """8-bit codes of 8192 steps of linear light."""
    coded = 255.0 * light.tone(np.linspace(0.0, 1.0, 8192), contrast)
    return np.asarray(np.rint(coded), dtype=np.uint8)


def coded(linear: Float32, contrast: float) -> NDArray[np.uint8]:
    """8-bit codes of linear light, which is overwritten."""
    np.clip(linear, 0, 1, out=linear)
    linear *= 8191
    return codes_of(contrast).take(linear.astype(np.int32))


def expose(
    recipe: Recipe,
    linear: Float32,
    part: float,
    t: float,
    rng: np.random.Generator,
    phase: FloatArray,
) -> NDArray[np.uint8]:
    """Exposure, balance, shake, noise, tone curve, 8 bits."""
    import cv2

    gain = recipe.exposure * (
        1 + recipe.exposure_drift * math.sin(2 * np.pi * (1.3 * part) + phase[2])
    )
    tint = recipe.balance_drift * math.sin(2 * np.pi * (0.9 * part) + phase[3])
    if recipe.light_off_at and part > recipe.light_off_at:
        gain *= 0.012
    picture = linear * np.array([1 + tint, 1.0, 1 - 0.8 * tint], dtype=np.float32)
    picture *= gain
    shift = recipe.shake_px * rng.standard_normal(2)
    if recipe.moved_at and part > recipe.moved_at:
        shift = shift + np.array([0.09, -0.05]) * recipe.width
    if np.any(np.abs(shift) > 0.02):
        matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
        size = (picture.shape[1], picture.shape[0])
        moved = cv2.warpAffine(picture, matrix, size, borderMode=cv2.BORDER_REPLICATE)
        picture = np.asarray(moved, dtype=np.float32)
    spread = np.clip(picture, 0, 1)
    spread += 0.15
    np.sqrt(spread, out=spread)
    spread *= np.float32(recipe.noise)
    spread *= rng.standard_normal(picture.shape, dtype=np.float32)
    spread += picture
    return coded(spread, recipe.contrast)
