"""Films of a burette with known truth: liquid that sinks behind the printed scale.

The scale is printed on the front of the tube, nearer to the camera than the axis: that is the
parallax. Everything is simulated; nothing was filmed.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_media.burette_optics import (
    PATCH_MM,
    PATCH_STEP_MM,
    FloatArray,
    Picture,
    Plates,
    optics_only,
    patch_at,
    plates_of,
    rows_at,
)
from sample_media.burette_recipe import BuretteRecipe

_INK = np.array([0.035, 0.035, 0.045])


@functools.lru_cache(maxsize=4)
def _digits(step_ml: int, low: int, high: int) -> tuple[Picture, float]:
    """Printed numbers on the unrolled tube, 10 samples/mm, one strip of 60 x 40 for each number."""
    import cv2

    strips = np.zeros((high - low + 1, 40, 60), np.float32)
    for n in range(max(low, 0), high + 1, step_ml):
        canvas = np.zeros((40, 60), np.uint8)
        text = str(n)
        size = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 1.0, 3)[0]
        at = (30 - size[0] // 2, 20 + size[1] // 2)
        cv2.putText(canvas, text, at, cv2.FONT_HERSHEY_SIMPLEX, 1.0, 255, 3, cv2.LINE_AA)
        strips[n - low] = canvas / 255.0
    return strips, 10.0


@dataclass(frozen=True, eq=False)
class _Stage:
    """What does not change in a film: rows, elevation of every row, ink, empty and full tube."""

    over: int
    axis_mm: FloatArray
    """Height above the lens on the axis of the tube for every fine row."""
    elevation: FloatArray
    empty: Picture
    full: Picture
    ink: Picture
    """Part of each fine pixel covered with ink, shape (rows, places)."""
    plates: Plates
    x_mm: FloatArray


@functools.lru_cache(maxsize=4)
def _stage(recipe: BuretteRecipe, over: int = 3) -> _Stage:
    """Rows of the upright tube before tilt; the lens looks level but for its pitch."""
    r = recipe
    focal = r.px_per_mm * r.distance_mm
    rows: FloatArray = (np.arange(r.height * over, dtype=np.float64) + 0.5) / over
    pitch = math.radians(r.pitch_deg)
    top_mm = (r.camera_ml - r.top_ml) * r.mm_per_ml
    top_angle = math.atan2(top_mm, r.distance_mm)
    first = focal * math.tan(top_angle - pitch)
    elevation = pitch + np.arctan((first - rows) / focal)
    x = (np.arange(r.width, dtype=np.float64) + 0.5 - r.width / 2) / r.px_per_mm
    plates = plates_of(optics_only(r), float(elevation.min()), float(elevation.max()))
    ends = np.stack([rows_at(plates, x, e) for e in np.linspace(elevation[0], elevation[-1], 9)])
    share = np.linspace(0, 1, 9)
    along = np.linspace(0, 1, len(rows))
    low = np.clip(np.searchsorted(share, along) - 1, 0, 7)
    part = ((along - share[low]) * 8)[:, None, None].astype(np.float32)
    blend = ends[low] * (1 - part)[..., None] + ends[low + 1] * part[..., None]
    axis = r.distance_mm * np.tan(elevation)
    return _Stage(over, axis, elevation, blend[:, 1], blend[:, 0], _ink(r, elevation, x), plates, x)


def _ink(r: BuretteRecipe, elevation: FloatArray, x: FloatArray) -> Picture:
    """Printed lines and numbers on the front surface, seen from the lens."""
    ro = r.outer_mm
    on = np.abs(x) < ro * 0.995
    depth = np.sqrt(np.maximum(ro**2 - x**2, 0.0))
    z = (r.distance_mm - depth)[None] * np.tan(elevation)[:, None]
    reading = r.camera_ml - z / r.mm_per_ml
    arc = np.arcsin(np.clip(x / ro, -1, 1)) * ro
    u = (x / ro)[None]
    number = np.rint(reading / r.division_ml).astype(int)
    off_mm = np.abs(reading - number * r.division_ml) * r.mm_per_ml
    per_ml = round(1.0 / r.division_ml)
    whole, half = number % per_ml == 0, number % per_ml == per_ml // 2
    left = np.where(whole, -1.0 if r.ring_lines else -0.3, np.where(half, -0.1, 0.05))
    right = np.where(whole, 1.0 if r.ring_lines else 0.75, np.where(half, 0.6, 0.45))
    thick = 0.5 * 0.25
    lines = (off_mm < thick) & (u > left) & (u < right) & (number >= 0) & (reading < 50.05) & on
    ink = lines.astype(np.float32)
    low, high = math.floor(reading.min()) - 1, math.ceil(reading.max()) + 1
    strips, scale = _digits(1, low, high)
    whole_ml = np.rint(reading).astype(int)
    row = ((whole_ml - reading) * -1.0 * r.mm_per_ml) * scale * 1.0 + 20.0
    column = np.broadcast_to((arc + 0.55 * ro)[None] * scale + 30.0, row.shape)
    good = (row >= 0) & (row < 39) & (column >= 0) & (column < 59)
    good &= (whole_ml >= 0) & (whole_ml <= 50)
    i, j = np.clip(row.astype(int), 0, 39), np.clip(column.astype(int), 0, 59)
    ink = np.maximum(
        ink, np.where(good, strips[np.clip(whole_ml - low, 0, len(strips) - 1), i, j], 0)
    )
    return ink.astype(np.float32)


def _inked(recipe: BuretteRecipe, fine: Picture, rows: NDArray[np.intp]) -> Picture:
    """Rows of the picture from their fine rows, with the print on them."""
    r, stage = recipe, _stage(recipe)
    cover = stage.ink[_fine_rows(rows, stage.over)][..., None]
    light = fine * (1 - 0.93 * cover) + (0.93 * cover * _INK.astype(np.float32)) * r.board
    return light.reshape(rows.size, stage.over, r.width, 3).mean(axis=1).astype(np.float32)


def _fine_rows(rows: NDArray[np.intp], over: int) -> NDArray[np.intp]:
    return (rows[:, None] * over + np.arange(over)).ravel()


@functools.lru_cache(maxsize=4)
def _ends(recipe: BuretteRecipe) -> tuple[Picture, Picture]:
    """Picture of the empty and of the full tube."""
    stage, rows = _stage(recipe), np.arange(recipe.height)
    return _inked(recipe, stage.empty, rows), _inked(recipe, stage.full, rows)


@functools.lru_cache(maxsize=4)
def burette_light(recipe: BuretteRecipe, reading_ml: float) -> Picture:
    """Linear light of the upright tube at one reading, shape (height, width, 3), read-only."""
    r, stage = recipe, _stage(recipe)
    low_mm = (r.camera_ml - reading_ml) * r.mm_per_ml
    s = stage.axis_mm - low_mm
    empty, full = _ends(recipe)
    picture = np.where((s[:: stage.over] > 0)[:, None, None], empty, full)
    # Only about the meniscus does the picture depend on more than on which side a row lies.
    near = (s > PATCH_MM[0] + 0.5) & (s < PATCH_MM[1] - 0.5)
    rows = np.flatnonzero(near.reshape(r.height, stage.over).any(axis=1))
    if rows.size:
        patch = patch_at(stage.plates, stage.x_mm, math.atan2(low_mm, r.distance_mm))
        fine = _fine_rows(rows, stage.over)
        light = np.where((s[fine] > 0)[:, None, None], stage.empty[fine], stage.full[fine])
        at = (s[fine][near[fine]] - stage.plates.s_mm[0]) / PATCH_STEP_MM
        i = at.astype(int)
        f = (at - i)[:, None, None].astype(np.float32)
        light[near[fine]] = patch[i] * (1 - f) + patch[i + 1] * f
        picture[rows] = _inked(recipe, light, rows)
    picture.flags.writeable = False
    return picture


def expose(
    recipe: BuretteRecipe,
    linear: Picture,
    gain: float,
    rng: np.random.Generator,
    shift: tuple[float, float],
) -> NDArray[np.uint8]:
    """Tilt, shake, blur, noise, tone curve, 8 bits and compression."""
    import cv2

    r = recipe
    turn = cv2.getRotationMatrix2D((r.width / 2, r.height / 2), r.tilt_deg, 1.0)
    turn[:, 2] += np.array(shift)
    size = (r.width, r.height)
    seen: Any = cv2.warpAffine(
        linear, turn, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    if r.blur_px > 0:
        seen = cv2.GaussianBlur(seen, (0, 0), r.blur_px)
    linear = np.maximum(seen * np.float32(gain), 0)
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    linear = np.asarray(linear + r.noise * np.sqrt(linear + 0.02) * noise, dtype=np.float32)
    linear = np.clip(linear, 0, 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    pixels = np.clip(np.rint(encoded * 255), 0, 255).astype(np.uint8)
    if r.jpeg:
        ok, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, r.jpeg])
        assert ok
        stored: Any = cv2.imdecode(data, cv2.IMREAD_COLOR)
        pixels = np.asarray(stored[..., ::-1].copy(), dtype=np.uint8)
    return pixels


def render_burette(recipe: BuretteRecipe) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Yield time and picture (height, width, 3), encoded R'G'B'."""
    import cv2

    rng = np.random.default_rng([recipe.seed, 7])
    phase = rng.uniform(0, 6.28, 3)
    for n in range(round(recipe.duration_s * recipe.frames_s)):
        t = n / recipe.frames_s
        linear = burette_light(recipe, recipe.reading_ml(t))
        if any(a <= t < b for a, b in recipe.hidden):
            centre = (recipe.width // 2 + int(10 * math.sin(t)), int(recipe.height * 0.45))
            axes = (int(recipe.width * 0.8), int(recipe.height * 0.2))
            hand: Any = np.zeros(linear.shape[:2], np.float32)
            cv2.ellipse(hand, centre, axes, 20.0, 0.0, 360.0, 1.0, -1)
            hand = cv2.GaussianBlur(hand, (0, 0), 2.0)[..., None]
            linear = linear * (1 - hand) + np.array([0.42, 0.22, 0.15], np.float32) * hand
        gain = recipe.exposure * (1 + recipe.exposure_drift * math.sin(0.25 * t + phase[0]))
        shift = recipe.shake_px * np.sin(np.array([1.7, 2.3]) * t + phase[1:])
        yield t, expose(recipe, linear, gain, rng, (float(shift[0]), float(shift[1])))
