"""Films of the tip of a burette with known truth: drops that hang, let go and fall freely.

A drop of 0.05 mL has a radius of 2.3 mm. It falls with g, swings in shape, and is smeared by the
exposure. Below it a flask sways. Everything is simulated; nothing was filmed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_media.burette_optics import Picture
from sample_media.burette_recipe import BuretteRecipe
from sample_media.burette_view import expose

FloatArray = NDArray[np.float64]

_G_MM_S2 = 9810.0


@dataclass(frozen=True)
class TipRecipe:
    """Film of the tip and what falls from it."""

    seed: int = 0
    drop_ml: float = 0.05
    drop_scatter: float = 0.02
    """Relative standard deviation of the volume of a drop."""
    drops_s: float = 1.5
    """Drops per second while the tap is open."""
    open_s: tuple[tuple[float, float], ...] = ((0.5, 9.5),)
    stream_s: tuple[float, float] | None = None
    duration_s: float = 10.0
    width: int = 96
    height: int = 128
    px_per_mm: float = 2.6
    tip_y_mm: float = 9.0
    """Tip below the upper edge."""
    flask_y_mm: float = 45.0
    """Mouth of the flask below the upper edge."""
    frames_s: float = 30.0
    shutter_s: float = 0.008
    blur_px: float = 0.7
    exposure: float = 0.8
    noise: float = 0.01
    shake_px: float = 0.1
    tilt_deg: float = 0.5
    jpeg: int = 80
    background: float = 0.7
    swirl: bool = True
    """The flask below is swirled: something moves at the lower edge."""
    flask: bool = True
    """The mouth of the flask is drawn."""
    drops_at_s: tuple[float, ...] | None = None
    """Moments of the drops, instead of those that the rate gives."""


def drop_times(recipe: TipRecipe) -> FloatArray:
    """Moments at which drops let go of the tip, s."""
    if recipe.drops_at_s is not None:
        return np.array(recipe.drops_at_s)
    rng = np.random.default_rng([recipe.seed, 3])
    times: list[float] = []
    for a, b in recipe.open_s:
        t = a + rng.uniform(0.2, 1.0) / recipe.drops_s
        while t < b:
            times.append(t)
            t += rng.normal(1.0, 0.06) / recipe.drops_s
    return np.array(times)


def drop_radii_mm(recipe: TipRecipe) -> FloatArray:
    """Radius of every drop; the first random numbers of the film, after three phases."""
    rng = np.random.default_rng([recipe.seed, 4])
    rng.uniform(0, 6.28, 3)
    return _radii(recipe, rng)


def _radii(recipe: TipRecipe, rng: np.random.Generator) -> FloatArray:
    radius = (recipe.drop_ml * 1000 * 0.75 / math.pi) ** (1 / 3)
    scatter = rng.standard_normal(drop_times(recipe).size)
    return np.asarray(radius * (1 + recipe.drop_scatter / 3 * scatter))


def _background(recipe: TipRecipe, x: FloatArray, y: FloatArray) -> FloatArray:
    return np.asarray(recipe.background * (1 - 0.1 * (x / x.max()) - 0.08 * (y / y.max())))


def _tip_ground(recipe: TipRecipe, x: FloatArray, y: FloatArray) -> Picture:
    r = recipe
    light = _background(r, x, y)
    picture = np.repeat(light[..., None], 3, axis=2)
    outer = np.where(y < r.tip_y_mm, np.minimum(0.9 + 0.22 * (r.tip_y_mm - y), 3.8), 0.0)
    wall = np.clip((outer - np.abs(x)) * 4, 0, 1)
    core = np.clip((0.45 * outer - np.abs(x)) * 4, 0, 1)
    dark = 0.65 * wall - 0.45 * core
    picture *= (1 - dark)[..., None]
    glint = np.exp(-(((x + 0.4 * outer) / 0.15) ** 2)) * (outer > 0.8) * 0.25
    picture += glint[..., None]
    lip = r.flask * np.exp(-(((y - r.flask_y_mm) / 0.8) ** 2)) * (np.abs(x) < 15)
    picture *= (1 - 0.4 * lip)[..., None]
    return picture.astype(np.float32)


def _ball(
    picture: Picture,
    x: FloatArray,
    y: FloatArray,
    cx: float,
    cy: float,
    radius: float,
    share: float,
    stretch: float = 1.0,
) -> None:
    """A drop before a light ground: dark rim, bright middle with the picture behind it reversed."""
    top, low = cy - radius * stretch - 0.5, cy + radius * stretch + 0.5
    rows = np.flatnonzero((y[:, 0] > top) & (y[:, 0] < low))
    if rows.size == 0:
        return
    part = slice(int(rows[0]), int(rows[-1]) + 1)
    away = np.hypot(x[part] - cx, (y[part] - cy) / stretch) / radius
    inside = np.clip((1.0 - away) * radius * 4, 0, 1)
    dark = 0.75 * np.clip((away - 0.55) / 0.4, 0, 1) + 0.06
    glint = 0.5 * np.exp(
        -(((x[part] - cx + 0.35 * radius) / 0.3) ** 2 + ((y[part] - cy + 0.3 * radius) / 0.4) ** 2)
    )
    new = picture[part] * (1 - dark)[..., None] + glint[..., None]
    weight = (share * inside)[..., None]
    picture[part] = picture[part] * (1 - weight) + new * weight


def render_tip(recipe: TipRecipe) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Yield time and picture of the tip; drops let go at `drop_times`."""
    r = recipe
    rng = np.random.default_rng([r.seed, 4])
    phase = rng.uniform(0, 6.28, 3)
    sizes = _radii(r, rng)
    camera = BuretteRecipe(
        width=r.width,
        height=r.height,
        tilt_deg=r.tilt_deg,
        blur_px=r.blur_px,
        noise=r.noise,
        jpeg=r.jpeg,
    )
    for t, small, _ in tip_light(r, sizes, float(phase[2])):
        gain = r.exposure * (1 + 0.03 * math.sin(0.3 * t + phase[0]))
        shift = r.shake_px * np.sin(np.array([1.7, 2.3]) * t + phase[1:])
        yield t, expose(camera, small, gain, rng, (float(shift[0]), float(shift[1])))


def tip_light(
    recipe: TipRecipe, sizes: FloatArray, phase: float
) -> Iterator[tuple[float, Picture, Picture]]:
    """Yield time, linear light of tip and drops, and the part of the ground that it leaves.

    Parameters
    ----------
    recipe:
        The film.
    sizes:
        Radius of every drop, mm.
    phase:
        Angle of the swirl.
    """
    r = recipe
    times = drop_times(r)
    over = 2
    x, y = np.meshgrid(
        ((np.arange(r.width * over) + 0.5) / over - r.width / 2) / r.px_per_mm,
        ((np.arange(r.height * over) + 0.5) / over) / r.px_per_mm,
    )
    ground = _tip_ground(r, x, y)
    light = _coarse(_background(r, x, y)[..., None].astype(np.float32), over)
    for n in range(round(r.duration_s * r.frames_s)):
        t = n / r.frames_s
        picture = ground.copy()
        _hanging(picture, r, x, y, times, sizes, t)
        for k in np.flatnonzero((times < t + r.shutter_s) & (times > t - 0.35)):
            _falling(picture, r, x, y, t - times[k], float(sizes[k]), k)
        if r.stream_s and r.stream_s[0] <= t < r.stream_s[1]:
            wave = 0.9 + 0.1 * np.sin(0.8 * y + 40 * t)
            thread = np.clip((wave - np.abs(x)) * 3, 0, 1) * (y > r.tip_y_mm)
            picture *= (1 - 0.45 * thread)[..., None]
        if r.swirl:
            sway = 2.0 * math.sin(5.0 * t + phase)
            patch = (np.abs(x - sway) < 9) & (y > r.flask_y_mm + 1.0)
            picture[patch] *= np.array([0.75, 0.25, 0.4], np.float32)
        small = _coarse(picture, over)
        yield t, small, small / light


def _coarse(fine: Picture, over: int) -> Picture:
    height, width, channels = fine.shape
    cells = fine.reshape(height // over, over, width // over, over, channels)
    return np.asarray(cells.mean(axis=(1, 3)))


def _hanging(picture, r, x, y, times, sizes, t) -> None:  # type: ignore[no-untyped-def]
    """The drop that grows at the tip until it lets go; it stays when the tap is shut."""
    later = np.flatnonzero(times > t)
    earlier = times[times <= t]
    size = float(sizes[later[0]]) if later.size else float(sizes[-1] if sizes.size else 2.0)
    begin = float(earlier[-1]) if earlier.size else 0.0
    run = sum(max(min(t, b) - max(begin, a), 0.0) for a, b in r.open_s) * r.drops_s
    grown = 0.25 + 0.75 * min(run, 0.97) if earlier.size or later.size else 0.25
    radius = size * grown ** (1 / 3) * 0.95
    _ball(picture, x, y, 0.0, r.tip_y_mm + 0.75 * radius, radius, 1.0)


def _falling(picture, r, x, y, since, size, k) -> None:  # type: ignore[no-untyped-def]
    """A free drop, drawn at several moments of the exposure: the streak of a moving drop."""
    moments = since + r.shutter_s * (np.arange(12) + 0.5) / 12
    for moment in moments:
        if moment < 0:
            continue
        fall = 0.5 * _G_MM_S2 * moment**2
        wobble = 1 + 0.15 * math.exp(-moment / 0.05) * math.cos(2 * math.pi * 60 * moment)
        cy = r.tip_y_mm + 1.3 * size + fall
        if cy > r.flask_y_mm + 4:
            continue
        _ball(picture, x, y, 0.1 * math.sin(k), cy, size, 1 / 12, wobble)


def tip_family(seed: int, drops: int = 40) -> TipRecipe:
    """Tips, cameras and rates as people have them; seeds from 1000 up are held back."""
    rng = np.random.default_rng([29, seed])
    rate = float(rng.choice([0.8, 1.5, 3.0, 5.0]))
    scale = float(rng.uniform(1.3, 3.0))
    tip = float(rng.uniform(5.0, 12.0))
    free = float(rng.uniform(22.0, 45.0))
    length = drops / rate
    pause = 1.0 + 0.4 * length
    frames = float(rng.choice([25.0, 30.0, 30.0, 60.0]))
    return TipRecipe(
        seed=seed,
        drop_ml=float(rng.uniform(0.032, 0.058)),
        drops_s=rate,
        open_s=((0.5, pause), (pause + 1.5, length + 1.5)),
        duration_s=length + 2.2,
        width=round(36 * scale),
        height=round((tip + free + 6) * scale),
        px_per_mm=scale,
        tip_y_mm=tip,
        flask_y_mm=tip + free,
        frames_s=frames,
        shutter_s=min(float(rng.choice([0.004, 0.01, 0.02, 0.033])), 1 / frames),
        exposure=float(rng.uniform(0.5, 1.0)),
        noise=float(rng.uniform(0.005, 0.015)),
        shake_px=float(rng.uniform(0.0, 0.3)),
        tilt_deg=float(rng.uniform(-2, 2)),
        jpeg=int(rng.integers(60, 92)),
    )
