"""Films of a burette with known truth: liquid that sinks behind the printed scale.

The meniscus is the solution of Young and Laplace in a round tube. Rays go through glass, liquid
and the curved surface to a white board in a darker room, so that the dark crescent, the thick
walls of the empty part and the mirror image seen from below come out of the optics. The scale is
printed on the front of the tube, nearer to the camera than the axis: that is the parallax.
Everything is simulated; nothing was filmed.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]

_CAPILLARY_MM = 2.72
"""Water against air at 20 °C: sqrt(0.0727 / (998 * 9.81)) m."""
_N_GLASS, _N_WATER = 1.517, 1.333
_WALL_MM = 1.2
_PATCH_MM = (-9.0, 9.0)
_PATCH_STEP_MM = 0.06
_INK = np.array([0.035, 0.035, 0.045])


@dataclass(frozen=True)
class BuretteRecipe:
    """Everything that a film of a burette is made from."""

    seed: int = 0
    # Burette
    mm_per_ml: float = 10.6
    division_ml: float = 0.1
    ring_lines: bool = False
    """Whole millilitres go all round the tube."""
    blue_stripe: bool = False
    contact_deg: float = 10.0
    # Readings
    start_ml: float = 1.0
    rate_ml_s: float = 0.3
    pours: tuple[tuple[float, float], ...] = ((1.0, 3.0),)
    """Start of pouring, s, and poured volume, mL."""
    refill: tuple[float, float, float] | None = None
    """Start, s; duration, s; reading after it, mL."""
    hidden: tuple[tuple[float, float], ...] = ()
    """A hand before the tube: from, to in s."""
    duration_s: float = 12.0
    # Camera
    width: int = 160
    height: int = 480
    px_per_mm: float = 2.6
    distance_mm: float = 600.0
    camera_ml: float = 10.0
    """Reading of the scale at the height of the lens."""
    top_ml: float = -0.5
    """Reading at the upper edge of the picture."""
    pitch_deg: float = 0.0
    tilt_deg: float = 0.6
    frames_s: float = 10.0
    blur_px: float = 0.7
    exposure: float = 0.8
    exposure_drift: float = 0.03
    noise: float = 0.008
    shake_px: float = 0.1
    jpeg: int = 80
    # Room
    board: float = 0.85
    board_half_mm: float = 55.0
    room: float = 0.16

    @property
    def inner_mm(self) -> float:
        """Inner radius."""
        return math.sqrt(1000.0 / (math.pi * self.mm_per_ml))

    @property
    def outer_mm(self) -> float:
        """Outer radius."""
        return self.inner_mm + _WALL_MM

    def reading_ml(self, time_s: float) -> float:
        """True reading of the lowest point of the meniscus, seen from its own height."""
        volume = self.start_ml
        begin = self.refill
        for start, amount in self.pours:
            if begin is not None and start >= begin[0]:
                continue
            volume += min(max((time_s - start) * self.rate_ml_s, 0.0), amount)
        if begin is None or time_s < begin[0]:
            return volume
        part = min((time_s - begin[0]) / begin[1], 1.0)
        volume += (begin[2] - volume) * part
        for start, amount in self.pours:
            if start >= begin[0] + begin[1]:
                volume += min(max((time_s - start) * self.rate_ml_s, 0.0), amount)
        return volume

    def delivered_ml(self, time_s: float) -> float:
        """True volume that has left the burette since the start of the film."""
        return sum(min(max((time_s - s) * self.rate_ml_s, 0.0), a) for s, a in self.pours)


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
    return r * inner_mm / r[-1], z


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
        t = np.linspace(0.0, 1.0, 120)[None] * way[:, None]
        side = above(p[:, None] + t[..., None] * d[:, None]) < 0
        crossed = live[:, None] & (side != wet[:, None])
        crossed[:, 0] = False
        k = np.argmax(crossed, axis=1)
        hit = crossed[np.arange(len(p)), k]
        if not hit.any():
            break
        j = np.flatnonzero(hit)
        low, high = t[j, k[j] - 1], t[j, k[j]]
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
class _Plates:
    """Rays of the patch around the meniscus for some elevations of the line of sight."""

    elevation: FloatArray
    s_mm: FloatArray
    x_mm: FloatArray
    colour: Picture
    """Shape (elevations, heights, places, 3)."""


@functools.lru_cache(maxsize=12)
def _plates(key: BuretteRecipe, low: float, high: float) -> _Plates:
    elevation = np.linspace(low, high, 9)
    s = np.arange(*_PATCH_MM, _PATCH_STEP_MM)
    reach = key.outer_mm * 1.02
    x = np.linspace(-reach, reach, 53)
    xx, ss = np.meshgrid(x, s)
    shape = (len(elevation), len(s), len(x), 3)
    colour = np.empty(shape, np.float32)
    for i, angle in enumerate(elevation):
        colour[i] = _trace(key, xx.ravel(), ss.ravel(), float(angle)).reshape(shape[1:])
    return _Plates(elevation, s, x, colour)


def _optics_only(r: BuretteRecipe) -> BuretteRecipe:
    return BuretteRecipe(
        mm_per_ml=r.mm_per_ml,
        blue_stripe=r.blue_stripe,
        contact_deg=round(r.contact_deg),
        board=r.board,
        board_half_mm=r.board_half_mm,
        room=r.room,
    )


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
    plates: _Plates
    x_mm: FloatArray


@functools.lru_cache(maxsize=4)
def _stage(recipe: BuretteRecipe, over: int = 3) -> _Stage:
    """Rows of the upright tube before tilt; the lens looks level but for its pitch."""
    r = recipe
    focal = r.px_per_mm * r.distance_mm
    rows = (np.arange(r.height * over) + 0.5) / over
    pitch = math.radians(r.pitch_deg)
    top_mm = (r.camera_ml - r.top_ml) * r.mm_per_ml
    top_angle = math.atan2(top_mm, r.distance_mm)
    first = focal * math.tan(top_angle - pitch)
    elevation = pitch + np.arctan((first - rows) / focal)
    x = (np.arange(r.width) + 0.5 - r.width / 2) / r.px_per_mm
    plates = _plates(_optics_only(r), float(elevation.min()), float(elevation.max()))
    ends = np.stack([_rows_at(plates, x, e) for e in np.linspace(*elevation[[0, -1]], 9)])
    share = np.linspace(0, 1, 9)
    along = np.linspace(0, 1, len(rows))
    low = np.clip(np.searchsorted(share, along) - 1, 0, 7)
    part = ((along - share[low]) * 8)[:, None, None].astype(np.float32)
    blend = ends[low] * (1 - part)[..., None] + ends[low + 1] * part[..., None]
    axis = r.distance_mm * np.tan(elevation)
    return _Stage(over, axis, elevation, blend[:, 1], blend[:, 0], _ink(r, elevation, x), plates, x)


def _rows_at(plates: _Plates, x: FloatArray, elevation: float) -> Picture:
    """Full and empty tube (lowest and highest row of the patch) at one elevation: (2, x, 3)."""
    patch = _patch_at(plates, x, elevation)
    return np.stack([patch[:6].mean(axis=0), patch[-6:].mean(axis=0)])


def _patch_at(plates: _Plates, x: FloatArray, elevation: float) -> Picture:
    k = int(np.clip(np.searchsorted(plates.elevation, elevation) - 1, 0, 7))
    low, high = plates.elevation[k : k + 2]
    part = np.float32(np.clip((elevation - low) / (high - low), 0, 1)) if high > low else 0.0
    both = plates.colour[k] * (1 - part) + plates.colour[k + 1] * part
    step = plates.x_mm[1] - plates.x_mm[0]
    at = np.clip((x - plates.x_mm[0]) / step, 0, len(plates.x_mm) - 1.001)
    i = at.astype(int)
    f = (at - i)[None, :, None].astype(np.float32)
    return np.asarray(both[:, i] * (1 - f) + both[:, i + 1] * f)


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


def _picture(recipe: BuretteRecipe, reading_ml: float) -> Picture:
    """Linear light of the upright tube at one reading, shape (height, width, 3)."""
    r, stage = recipe, _stage(recipe)
    low_mm = (r.camera_ml - reading_ml) * r.mm_per_ml
    s = stage.axis_mm - low_mm
    picture = np.where((s > 0)[:, None, None], stage.empty, stage.full)
    near = np.flatnonzero((s > _PATCH_MM[0] + 0.5) & (s < _PATCH_MM[1] - 0.5))
    if near.size:
        angle = math.atan2(low_mm, r.distance_mm)
        patch = _patch_at(stage.plates, stage.x_mm, angle)
        at = (s[near] - stage.plates.s_mm[0]) / _PATCH_STEP_MM
        i = at.astype(int)
        f = (at - i)[:, None, None].astype(np.float32)
        picture[near] = patch[i] * (1 - f) + patch[i + 1] * f
    cover = stage.ink[..., None]
    picture = picture * (1 - 0.93 * cover) + (0.93 * cover * _INK.astype(np.float32)) * r.board
    fine = picture.reshape(r.height, stage.over, r.width, 3)
    return np.asarray(fine.mean(axis=1), dtype=np.float32)


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
    turn[:, 2] += shift
    size = (r.width, r.height)
    linear = cv2.warpAffine(
        linear, turn, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    if r.blur_px > 0:
        linear = cv2.GaussianBlur(linear, (0, 0), r.blur_px)
    linear = np.maximum(linear * np.float32(gain), 0)
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    linear = linear + r.noise * np.sqrt(linear + 0.02) * noise
    linear = np.clip(linear, 0, 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    pixels = np.clip(np.rint(encoded * 255), 0, 255).astype(np.uint8)
    if r.jpeg:
        ok, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, r.jpeg])
        assert ok
        pixels = cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].copy()
    return pixels


def render_burette(recipe: BuretteRecipe) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Yield time and picture (height, width, 3), encoded R'G'B'."""
    import cv2

    rng = np.random.default_rng([recipe.seed, 7])
    phase = rng.uniform(0, 6.28, 3)
    for n in range(round(recipe.duration_s * recipe.frames_s)):
        t = n / recipe.frames_s
        linear = _picture(recipe, recipe.reading_ml(t))
        if any(a <= t < b for a, b in recipe.hidden):
            centre = (recipe.width // 2 + int(10 * math.sin(t)), int(recipe.height * 0.45))
            axes = (int(recipe.width * 0.8), int(recipe.height * 0.2))
            hand = np.zeros(linear.shape[:2], np.float32)
            cv2.ellipse(hand, centre, axes, 20.0, 0.0, 360.0, 1.0, -1)
            hand = cv2.GaussianBlur(hand, (0, 0), 2.0)[..., None]
            linear = linear * (1 - hand) + np.array([0.42, 0.22, 0.15], np.float32) * hand
        gain = recipe.exposure * (1 + recipe.exposure_drift * math.sin(0.25 * t + phase[0]))
        shift = recipe.shake_px * np.sin(np.array([1.7, 2.3]) * t + phase[1:])
        yield t, expose(recipe, linear, gain, rng, (float(shift[0]), float(shift[1])))


def burette_family(seed: int) -> BuretteRecipe:
    """Burettes, cameras and pourings as people have them; seeds from 1000 up are held back."""
    rng = np.random.default_rng([23, seed])
    small = rng.uniform() < 0.3
    mm_per_ml = 20.8 if small else 10.6
    px_per_mm = rng.uniform(1.3, 2.2) if small else rng.uniform(2.2, 3.6)
    height = 480
    view_ml = height / px_per_mm / mm_per_ml
    distance = float(rng.uniform(300, 1000))
    top = float(rng.uniform(-1.0, 15.0))
    start = top + float(rng.uniform(0.12, 0.3)) * view_ml
    room_ml = top + 0.9 * view_ml - start
    amounts, left = [], room_ml * rng.uniform(0.6, 1.0)
    while left > 0.15 and len(amounts) < 14:
        amounts.append(float(min(left, rng.choice([2.0, 1.0, 0.5, 0.2, 0.1, 0.05]))))
        left -= amounts[-1]
    rate, t = 0.5, 1.5
    pours = []
    for amount in amounts:
        pours.append((t, amount))
        t += amount / rate + 1.2
    refill, hidden = None, ()
    if rng.uniform() < 0.2:
        refill = (t + 1.0, 3.0, start + float(rng.uniform(-0.2, 0.5)))
        pours += [(t + 6.0, 1.0), (t + 9.5, 0.4)]
        t += 12.0
    if rng.uniform() < 0.3:
        a = rng.uniform(0.2, 0.7) * t
        hidden = ((a, a + 1.5),)
    return BuretteRecipe(
        seed=seed,
        mm_per_ml=mm_per_ml,
        ring_lines=bool(rng.uniform() < 0.4),
        blue_stripe=bool(rng.uniform() < 0.25),
        contact_deg=float(rng.choice([5.0, 15.0])),
        start_ml=start,
        rate_ml_s=rate,
        pours=tuple(pours),
        refill=refill,
        hidden=hidden,
        duration_s=t + 1.5,
        height=height,
        px_per_mm=px_per_mm,
        distance_mm=distance,
        camera_ml=top + float(rng.uniform(-0.15, 1.15)) * view_ml,
        top_ml=top,
        pitch_deg=float(rng.uniform(-5, 5)),
        tilt_deg=float(rng.uniform(-2, 2)),
        frames_s=4.0,
        blur_px=float(rng.uniform(0.6, 1.1)),
        exposure=float(rng.uniform(0.5, 1.0)),
        noise=float(rng.uniform(0.004, 0.015)),
        shake_px=float(rng.uniform(0.0, 0.4)),
        jpeg=int(rng.integers(60, 92)),
        board_half_mm=float(rng.choice([40.0, 80.0])),
    )


def write_frames(
    frames: Iterator[tuple[float, NDArray[np.uint8]]], path: Path, frames_s: float, crf: int = 23
) -> None:
    """Write pictures as an H.264 film with colour tags."""
    import av

    with av.open(str(path), "w") as out:
        stream = None
        for t, pixels in frames:
            if stream is None:
                stream = out.add_stream("libx264", rate=Fraction(frames_s).limit_denominator(1000))
                stream.width, stream.height = pixels.shape[1], pixels.shape[0]
                stream.pix_fmt = "yuv420p"
                stream.options = {"crf": str(crf), "preset": "veryfast"}
            frame = av.VideoFrame.from_ndarray(pixels, format="rgb24")
            frame.pts = round(t * frames_s)
            for packet in stream.encode(frame):
                out.mux(packet)
        if stream is not None:
            for packet in stream.encode():
                out.mux(packet)
