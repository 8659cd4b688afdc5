"""Rays through a round tube with liquid: walls, bore and the curved surface of the meniscus.

The meniscus is the solution of Young and Laplace in a round tube. Rays go through glass, liquid
and the curved surface to a white board in a darker room, so that the dark crescent, the thick
walls of the empty part and the mirror image seen from below come out of the optics.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_media.burette_recipe import BuretteRecipe

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]

_CAPILLARY_MM = 2.72
"""Water against air at 20 °C: sqrt(0.0727 / (998 * 9.81)) m."""
_N_GLASS, _N_WATER = 1.517, 1.333
PATCH_MM = (-9.0, 9.0)
PATCH_STEP_MM = 0.06


@functools.lru_cache(maxsize=8)
def meniscus_profile(inner_mm: float, contact_deg: float) -> tuple[FloatArray, FloatArray]:
    """Radius and height of the meniscus above its lowest point, mm (Young and Laplace).

    The arc is followed from the axis; the curvature there is found by shooting.
    """
    from scipy.integrate import solve_ivp
    from scipy.optimize import brentq

    end = math.radians(90.0 - contact_deg)

    def arc(curvature: float) -> tuple[FloatArray, FloatArray]:
        def slope(_s: float, y: FloatArray) -> list[float]:
            r, z, phi = y
            pull = curvature if r < 1e-9 else math.sin(phi) / r
            return [math.cos(phi), math.sin(phi), 2 * curvature + z / _CAPILLARY_MM**2 - pull]

        def steep(_s: float, y: FloatArray) -> float:
            return float(y[2] - end)

        steep.terminal = True  # type: ignore[attr-defined]
        out = solve_ivp(
            slope, (0.0, 60.0), [1e-6, 0.0, 0.0], events=steep, max_step=0.05, rtol=1e-8
        )
        return out.y[0], out.y[1]

    curvature = brentq(lambda k: arc(k)[0][-1] - inner_mm, 1e-9, 2.0 / inner_mm)
    r, z = arc(float(curvature))
    r = r * inner_mm / r[-1]
    r.setflags(write=False)
    z.setflags(write=False)
    return r, z


def _refract(
    d: FloatArray, n: FloatArray, ratio: FloatArray | float
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Direction after a surface (reflected where it is totally reflected), what passes, total."""
    cos_in = -np.sum(d * n, axis=-1)
    n = np.where((cos_in < 0)[:, None], -n, n)
    cos_in = np.abs(cos_in)
    k = 1.0 - np.asarray(ratio) ** 2 * (1.0 - cos_in**2)
    total = k < 0
    cos_out = np.sqrt(np.maximum(k, 0.0))
    r = np.broadcast_to(np.asarray(ratio, dtype=np.float64), cos_in.shape)
    bent = r[:, None] * d + (r * cos_in - cos_out)[:, None] * n
    mirrored = d + 2 * cos_in[:, None] * n
    s = (r * cos_in - cos_out) / np.maximum(r * cos_in + cos_out, 1e-9)
    p = (cos_in - r * cos_out) / np.maximum(cos_in + r * cos_out, 1e-9)
    passes = np.where(total, 1.0, 1.0 - 0.5 * (s**2 + p**2))
    return np.where(total[:, None], mirrored, bent), passes, total


def _to_cylinder(p: FloatArray, d: FloatArray, radius: float, far: bool) -> FloatArray:
    """Way to a cylinder around the axis; NaN where it is missed."""
    a = d[:, 0] ** 2 + d[:, 1] ** 2
    b = p[:, 0] * d[:, 0] + p[:, 1] * d[:, 1]
    c = p[:, 0] ** 2 + p[:, 1] ** 2 - radius**2
    root = np.sqrt(np.where(b**2 - a * c >= 0, b**2 - a * c, np.nan))
    return np.asarray((-b + root) / a if far else (-b - root) / a)


def _radial(p: FloatArray) -> FloatArray:
    n = np.column_stack([p[:, 0], p[:, 1], np.zeros(len(p))])
    return np.asarray(n / np.maximum(np.linalg.norm(n, axis=1), 1e-9)[:, None])


def _surroundings(recipe: BuretteRecipe, p: FloatArray, d: FloatArray) -> FloatArray:
    """Light that comes along a ray which leaves the tube: board behind, room around."""
    back = d[:, 1] > 0.05
    way = np.where(back, (120.0 - p[:, 1]) / np.maximum(d[:, 1], 0.05), 0.0)
    x = p[:, 0] + way * d[:, 0]
    z = way * d[:, 2]
    edge = 0.5 - 0.5 * np.tanh((np.abs(x) - recipe.board_half_mm) / 4.0)
    edge = edge * (0.5 - 0.5 * np.tanh((np.abs(z) - 260.0) / 16.0))
    light = np.where(back, recipe.room + (recipe.board - recipe.room) * edge, recipe.room * 1.2)
    colour = np.repeat(light[:, None], 3, axis=1)
    if recipe.blue_stripe:
        enamel = back & (np.abs(p[:, 0]) < 4.0) & (p[:, 1] > 0)
        colour[enamel] = 0.8 * recipe.board
        blue = back & (np.abs(p[:, 0]) < 0.7) & (p[:, 1] > 0)
        colour[blue] = np.array([0.04, 0.08, 0.45])
    return np.asarray(colour)


def _trace(recipe: BuretteRecipe, x: FloatArray, s: FloatArray, elevation: float) -> FloatArray:
    """Colour seen at lateral place x and height s above the lowest point, mm; shape (n, 3)."""
    ri, ro = recipe.inner_mm, recipe.outer_mm
    radius, height = meniscus_profile(ri, recipe.contact_deg)
    steep = np.gradient(height, radius)
    n = len(x)
    d = np.tile([0.0, math.cos(elevation), math.sin(elevation)], (n, 1))
    p = np.column_stack([x, np.full(n, -30.0), s - 30.0 * math.tan(elevation)])
    colour = _surroundings(recipe, p, d)
    inside = np.flatnonzero(np.abs(x) < ro - 1e-6)
    p, d = p[inside], d[inside]
    p = p + _to_cylinder(p, d, ro, far=False)[:, None] * d
    d, light, _ = _refract(d, _radial(p), 1.0 / _N_GLASS)
    way = _to_cylinder(p, d, ri, far=False)
    core = np.isfinite(way)
    if core.any():
        q, e = p[core] + way[core][:, None] * d[core], d[core]
        q, e, passes = _through_core(q, e, ri, radius, height, steep)
        p[core], d[core] = q, e
        light[core] *= passes
    # Out through the outer wall; what is reflected there once more counts as room light.
    way = _to_cylinder(p, d, ro, far=True)
    p = p + np.where(np.isfinite(way), way, 0.0)[:, None] * d
    out, passes, total = _refract(d, -_radial(p), _N_GLASS)
    seen = _surroundings(recipe, p, out)
    seen[total] = recipe.room
    share = (light * passes)[:, None]
    colour[inside] = seen * share + recipe.room * (1.0 - share)
    return colour


def _through_core(
    p: FloatArray,
    d: FloatArray,
    ri: float,
    radius: FloatArray,
    height: FloatArray,
    steep: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rays through bore and meniscus, from the inner wall to where they stand in glass again."""

    def above(q: FloatArray) -> FloatArray:
        r = np.minimum(np.hypot(q[..., 0], q[..., 1]), ri)
        return np.asarray(q[..., 2] - np.interp(r, radius, height))

    wet = above(p) < 0
    index = np.where(wet, _N_WATER, 1.0)
    d, light, total = _refract(d, _radial(p), _N_GLASS / index)
    live = ~total
    p = p + 1e-4 * d
    for _ in range(4):
        way = np.nan_to_num(_to_cylinder(p, d, ri, far=True))
        ends = np.stack([p[:, 2], p[:, 2] + way * d[:, 2]])
        passed = np.where(wet, ends.max(axis=0) < height.min(), ends.min(axis=0) > height.max())
        near = np.flatnonzero(live & ~passed)
        t = np.linspace(0.0, 1.0, 120)[None] * way[near][:, None]
        side = above(p[near][:, None] + t[..., None] * d[near][:, None]) < 0
        crossed = side != wet[near][:, None]
        crossed[:, 0] = False
        k = np.argmax(crossed, axis=1)
        hit = np.flatnonzero(crossed[np.arange(near.size), k])
        if hit.size == 0:
            break
        j = near[hit]
        low, high = t[hit, k[hit] - 1], t[hit, k[hit]]
        for _ in range(16):
            middle = 0.5 * (low + high)
            same = (above(p[j] + middle[:, None] * d[j]) < 0) == wet[j]
            low, high = np.where(same, middle, low), np.where(same, high, middle)
        q = p[j] + high[:, None] * d[j]
        r = np.maximum(np.hypot(q[:, 0], q[:, 1]), 1e-6)
        tilt = np.interp(r, radius, steep)
        normal = np.column_stack([-tilt * q[:, 0] / r, -tilt * q[:, 1] / r, np.ones(len(j))])
        normal /= np.linalg.norm(normal, axis=1)[:, None]
        ratio = np.where(wet[j], _N_WATER, 1.0 / _N_WATER)
        bent, passes, mirrored = _refract(d[j], normal, ratio)
        wet[j] ^= ~mirrored
        p[j], d[j] = q + 2e-3 * bent, bent
        light[j] *= passes
    way = np.nan_to_num(_to_cylinder(p, d, ri, far=True))
    p = p + np.where(live, way, 0.0)[:, None] * d
    index = np.where(wet, _N_WATER, 1.0)
    bent, passes, _ = _refract(d, -_radial(p), index / _N_GLASS)
    return p, np.where(live[:, None], bent, d), np.where(live, light * passes, light)


@dataclass(frozen=True, eq=False)
class Plates:
    """Rays of the patch around the meniscus for some elevations of the line of sight."""

    elevation: FloatArray
    s_mm: FloatArray
    x_mm: FloatArray
    colour: Picture
    """Shape (elevations, heights, places, 3)."""


@functools.lru_cache(maxsize=12)
def plates_of(key: BuretteRecipe, low: float, high: float) -> Plates:
    """Rays for nine lines of sight between two elevations."""
    elevation = np.linspace(low, high, 9)
    s = np.arange(*PATCH_MM, PATCH_STEP_MM)
    reach = key.outer_mm * 1.02
    x = np.linspace(-reach, reach, 53)
    xx, ss = np.meshgrid(x, s)
    shape = (len(elevation), len(s), len(x), 3)
    colour = np.empty(shape, np.float32)
    for i, angle in enumerate(elevation):
        colour[i] = _trace(key, xx.ravel(), ss.ravel(), float(angle)).reshape(shape[1:])
    return Plates(elevation, s, x, colour)


def optics_only(r: BuretteRecipe) -> BuretteRecipe:
    """Recipe without what the rays do not depend on, so that they are traced once."""
    return BuretteRecipe(
        mm_per_ml=r.mm_per_ml,
        blue_stripe=r.blue_stripe,
        contact_deg=round(r.contact_deg),
        board=r.board,
        board_half_mm=r.board_half_mm,
        room=r.room,
    )


def rows_at(plates: Plates, x: FloatArray, elevation: float) -> Picture:
    """Full and empty tube (lowest and highest row of the patch) at one elevation: (2, x, 3)."""
    patch = patch_at(plates, x, elevation)
    return np.stack([patch[:6].mean(axis=0), patch[-6:].mean(axis=0)])


def patch_at(plates: Plates, x: FloatArray, elevation: float) -> Picture:
    """Colour around the meniscus at one line of sight, shape (heights, x, 3)."""
    k = int(np.clip(np.searchsorted(plates.elevation, elevation) - 1, 0, 7))
    low, high = plates.elevation[k : k + 2]
    part = np.float32(np.clip((elevation - low) / (high - low), 0, 1)) if high > low else 0.0
    both = plates.colour[k] * (1 - part) + plates.colour[k + 1] * part
    step = plates.x_mm[1] - plates.x_mm[0]
    at = np.clip((x - plates.x_mm[0]) / step, 0, len(plates.x_mm) - 1.001)
    i = at.astype(int)
    f = (at - i)[None, :, None].astype(np.float32)
    return np.asarray(both[:, i] * (1 - f) + both[:, i + 1] * f)
