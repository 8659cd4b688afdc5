"""Simple drawn benches with a flask, for tests of the region finder, with truth masks.

They are drawings, not renderings: a trapezoid or rectangle of absorbing liquid in front of a lit
ground. What they are good for is that the true liquid, the coloured shadow and the neutral ground
are known to the pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from endpoint.recording.frame import ArrayFrame

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

RED_FORM = np.array([0.22, 0.95, 0.55])
BLUE_FORM = np.array([0.95, 0.42, 0.12])


@dataclass(frozen=True)
class Bench:
    """What stands on the bench and what happens during the recording; lengths are fractions."""

    width: int = 640
    height: int = 480
    vessel: str = "conical"  # conical, beaker, none
    centre_x: float = 0.5
    base_y: float = 0.82
    size: float = 0.45  # width of the base as a fraction of the picture height
    fill: float = 0.45
    depth: float = 0.5  # scale of the densities
    change: str = "red-blue"  # red-blue, red, blue, yellow, clear
    change_at: float = 0.6
    change_width: float = 0.08
    ground: str = "tile"  # tile, plain, lightbox, cluttered, card
    ground_level: float = 0.5
    shadow: float = 0.3
    glare: bool = True
    stirrer: bool = True
    glass: bool = True
    hands: tuple[float, ...] = ()
    dark: tuple[float, ...] = ()
    drift: float = 0.05
    noise: float = 0.01
    jpeg: int = 80
    seed: int = 1
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True, eq=False)
class Drawn:
    """Frames and what is true in them."""

    frames: list[ArrayFrame]
    liquid: Mask
    """Every pixel where light went through the liquid, glare and stirrer not counted."""
    shadow: Mask
    neutral: Mask
    """Ground that is neutral and unshadowed."""
    notes: dict[str, float] = field(default_factory=dict)


def _polygon(height: int, width: int, points: list[tuple[float, float]]) -> Picture:
    big = np.zeros((height * 2, width * 2), np.uint8)
    cv2.fillPoly(big, [np.rint(np.array(points) * 2).astype(np.int32)], 255)
    small = cv2.resize(big, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float32) / np.float32(255)


def _ellipse(shape: tuple[int, int], cx: float, cy: float, rx: float, ry: float) -> Picture:
    y, x = np.mgrid[: shape[0], : shape[1]]
    r = np.sqrt(((x - cx) / rx) ** 2 + ((y - cy) / ry) ** 2)
    return np.clip((1.0 - r) * min(rx, ry) + 0.5, 0, 1).astype(np.float32)


def _vessel_points(b: Bench, fraction: float) -> list[tuple[float, float]]:
    """Outline of the body up to `fraction` of its height."""
    half = 0.5 * b.size * b.height
    body = 1.25 * b.size * b.height
    top_half = half if b.vessel == "beaker" else half * (1 - 0.72 * fraction)
    cx, base = b.centre_x * b.width, b.base_y * b.height
    top = base - body * fraction
    r = 0.12 * half
    return [
        (cx - top_half, top),
        (cx + top_half, top),
        (cx + half, base - r),
        (cx + half - r, base),
        (cx - half + r, base),
        (cx - half, base - r),
    ]


def _ground(b: Bench, rng: np.random.Generator) -> tuple[Picture, Mask]:
    h, w = b.height, b.width
    y, x = np.mgrid[:h, :w].astype(np.float32)
    light = 1.0 - 0.25 * ((x / w - 0.4) ** 2 + (y / h - 0.3) ** 2)
    ground = np.full((h, w, 3), b.ground_level, np.float32)
    neutral = np.ones((h, w), bool)
    if b.ground in ("tile", "cluttered", "card"):
        wood = np.array([0.36, 0.22, 0.11], np.float32)
        grain = (
            1 + 0.12 * np.sin(y / h * 90 + 3 * np.sin(x / w * 7)) + 0.05 * rng.normal(size=(h, 1))
        )
        desk = wood * grain[..., None].astype(np.float32)
        line = b.base_y - 0.12
        ground[:] = np.where((y / h > line)[..., None], desk, b.ground_level * 0.45)
        neutral = y / h <= line
    if b.ground in ("tile", "cluttered"):
        top, low = (b.base_y - 0.07) * h, min(b.base_y + 0.15, 0.99) * h
        cx, half = b.centre_x * w, 0.75 * b.size * h
        tile = _polygon(
            h,
            w,
            [
                (cx - half * 0.85, top),
                (cx + half * 0.85, top),
                (cx + half * 1.1, low),
                (cx - half * 1.1, low),
            ],
        )
        ground = ground * (1 - tile[..., None]) + 0.72 * tile[..., None]
        neutral |= tile > 0.99
    if b.ground == "card":
        side = 1 if b.centre_x < 0.55 else -1
        cx = b.centre_x * w + side * (0.72 * b.size * h)
        card = _polygon(
            h,
            w,
            [
                (cx - 0.06 * w, 0.45 * h),
                (cx + 0.06 * w, 0.45 * h),
                (cx + 0.06 * w, 0.7 * h),
                (cx - 0.06 * w, 0.7 * h),
            ],
        )
        ground = ground * (1 - card[..., None]) + 0.45 * card[..., None]
        neutral |= card > 0.99
    if b.ground == "lightbox":
        cx, half = b.centre_x * w, 0.8 * b.size * h
        box = _polygon(
            h,
            w,
            [
                (cx - half, 0.08 * h),
                (cx + half, 0.08 * h),
                (cx + half, 0.95 * h),
                (cx - half, 0.95 * h),
            ],
        )
        ground = 0.01 * (1 - box[..., None]) + 0.8 * box[..., None] * np.ones(3, np.float32)
        neutral = box > 0.99
    if b.ground == "cluttered":
        for _ in range(7):
            colour = [
                (0.45, 0.03, 0.03),
                (0.03, 0.08, 0.4),
                (0.05, 0.25, 0.08),
                (0.5, 0.3, 0.02),
                (0.02, 0.02, 0.02),
            ][rng.integers(5)]
            cx = float(rng.choice([rng.uniform(0.0, 0.16), rng.uniform(0.84, 1.0)])) * w
            cy, ww, hh = (
                rng.uniform(0.2, 0.95) * h,
                rng.uniform(0.03, 0.07) * w,
                rng.uniform(0.05, 0.2) * h,
            )
            thing = _polygon(
                h,
                w,
                [(cx - ww, cy - hh), (cx + ww, cy - hh), (cx + ww, cy + hh), (cx - ww, cy + hh)],
            )
            ground = (
                ground * (1 - thing[..., None]) + np.array(colour, np.float32) * thing[..., None]
            )
            neutral &= thing < 0.01
    return ground * light[..., None], neutral


def _free_fraction(b: Bench, t: NDArray[np.float64]) -> NDArray[np.float64]:
    if b.change == "red-blue":
        return 1 / (1 + np.exp(-(t - b.change_at) / (0.25 * b.change_width)))
    return np.full(len(t), 1.0 if b.change == "blue" else 0.0)


def _forms(b: Bench) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if b.change == "yellow":
        return np.array([0.05, 0.12, 0.9]), np.array([0.05, 0.12, 0.9])
    if b.change == "clear":
        return np.zeros(3), np.zeros(3)
    return RED_FORM, BLUE_FORM


def _encode(linear: Picture) -> Picture:
    x = np.clip(linear, 0, 1, dtype=np.float32)
    curved = 1.055 * np.asarray(cv2.pow(x, 1 / 2.4), dtype=np.float32) - 0.055
    return np.where(x <= 0.0031308, 12.92 * x, curved)


def draw(b: Bench, count: int = 20) -> Drawn:
    """Draw `count` frames spread over the recording."""
    rng = np.random.default_rng(b.seed)
    h, w = b.height, b.width
    ground, neutral = _ground(b, rng)
    times = np.linspace(0, 1, count)
    free = _free_fraction(b, times)
    red, blue = _forms(b)
    liquid = np.zeros((h, w), np.float32)
    body = shadow = glare = bar = liquid
    path = liquid
    if b.vessel != "none":
        liquid = _polygon(h, w, _vessel_points(b, b.fill))
        body = _polygon(h, w, _vessel_points(b, 1.0))
        x = np.mgrid[:h, :w][1]
        half = 0.5 * b.size * h
        across = np.clip(1 - ((x - b.centre_x * w) / (half * 1.02)) ** 2, 0.02, 1)
        path = (liquid * np.sqrt(across)).astype(np.float32)
        cy = b.base_y * h + 0.05 * half
        shadow = _ellipse((h, w), b.centre_x * w + 0.5 * half, cy, 1.1 * half, 0.22 * half)
        shadow = cv2.GaussianBlur(shadow, (0, 0), 0.05 * half) * (1 - liquid)
        if b.glare:
            gx, gy = b.centre_x * w - 0.45 * half, b.base_y * h - 0.5 * half
            glare = _ellipse((h, w), gx, gy, 0.05 * half, 0.22 * half)
        if b.stirrer:
            bar = _ellipse(
                (h, w), b.centre_x * w, b.base_y * h - 0.1 * half, 0.3 * half, 0.07 * half
            )
    edge = np.abs(cv2.GaussianBlur(body, (0, 0), 1.0) - cv2.GaussianBlur(body, (0, 0), 2.5))
    glass = (1 - 0.1 * body * b.glass) * (1 - 0.8 * edge * b.glass)
    behind = (ground * glass[..., None]).astype(np.float32)
    depth = (path + b.shadow * shadow).astype(np.float32)[..., None]
    frames = []
    for i, t in enumerate(times):
        density = b.depth * (red * (1 - free[i]) + blue * free[i])
        light = behind * np.exp(depth * (-np.log(10) * density).astype(np.float32))
        if b.stirrer and b.vessel != "none":
            seen = bar[..., None] * np.float32(0.5 + 0.3 * np.sin(40 * t))
            light += seen * ((0.35 * 10**-density).astype(np.float32) - light)
        light += np.float32(0.7) * glare[..., None]
        if any(abs(t - moment) < 0.5 / count for moment in b.hands):
            hand = _ellipse((h, w), rng.uniform(0.3, 0.7) * w, 0.5 * h, 0.25 * w, 0.2 * h)
            light = light * (1 - hand[..., None]) + np.array([0.42, 0.22, 0.15]) * hand[..., None]
        gain = np.array(b.tint) * (1 + b.drift * np.sin(5 * t + np.array([0.0, 0.3, 0.6])))
        if any(abs(t - moment) < 0.5 / count for moment in b.dark):
            gain = gain * 0.02
        picture = _encode(light * gain.astype(np.float32))
        picture += np.float32(b.noise) * rng.standard_normal(light.shape, dtype=np.float32)
        pixels = np.clip(picture * 255, 0, 255).astype(np.uint8)
        if b.jpeg:
            ok, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, b.jpeg])
            assert ok
            stored: Any = cv2.imdecode(data, cv2.IMREAD_COLOR)
            pixels = np.asarray(stored[..., ::-1].copy(), dtype=np.uint8)
        frames.append(ArrayFrame(i, float(300 * t), pixels))
    true = (liquid > 0.99) & (glare < 0.01) & (bar < 0.01)
    dim = (shadow > 0.02) | (body > 0.01) | (edge > 0.01)
    return Drawn(frames, true, shadow > 0.02, neutral & ~dim)
