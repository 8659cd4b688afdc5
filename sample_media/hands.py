"""Hands, arms and people that come between the camera and the flask, drawn as shaded shapes.

Shapes are chains of rounded, tapered limbs. Their height above the picture gives their shading.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float32 = NDArray[np.float32]
Limb = tuple[float, float, float, float, float, float]
"""x, y, radius at one end and at the other, in cm."""

SKINS = ((0.55, 0.31, 0.22), (0.42, 0.22, 0.14), (0.24, 0.12, 0.07), (0.10, 0.05, 0.035))
GLOVES = ((0.06, 0.17, 0.52), (0.20, 0.12, 0.42), (0.62, 0.60, 0.54))
CLOTHS = {
    "coat": (0.68, 0.69, 0.70),
    "denim": (0.06, 0.10, 0.24),
    "wine": (0.24, 0.03, 0.06),
    "grey": (0.16, 0.16, 0.17),
    "checked": (0.30, 0.32, 0.20),
}

# Fingertips near x = 0, the arm leads to +x; centimetres.
_REACHING: tuple[Limb, ...] = (
    (8.0, -2.5, 0.95, 4.0, -3.1, 0.85),
    (4.0, -3.1, 0.85, 0.9, -2.8, 0.70),
    (7.8, -0.8, 0.98, 3.6, -1.0, 0.88),
    (3.6, -1.0, 0.88, 0.0, -0.7, 0.72),
    (8.2, 0.9, 0.95, 4.2, 1.0, 0.85),
    (4.2, 1.0, 0.85, 0.9, 1.2, 0.68),
    (9.2, 2.5, 0.85, 6.0, 2.9, 0.72),
    (6.0, 2.9, 0.72, 3.5, 3.1, 0.58),
    (12.8, -3.0, 1.6, 9.4, -5.0, 1.1),
    (9.4, -5.0, 1.1, 6.6, -5.4, 0.85),
    (9.0, -1.6, 1.5, 15.5, -0.9, 2.5),
    (9.2, 1.2, 1.5, 15.5, 0.9, 2.4),
    (14.0, 0.0, 2.9, 20.0, 0.0, 2.8),
)
# Around the neck of a flask whose axis is x = 0; the arm leads to +x.
_HOLDING: tuple[Limb, ...] = (
    (2.6, -2.1, 0.85, -1.2, -2.0, 0.70),
    (2.8, -0.7, 0.90, -1.5, -0.6, 0.75),
    (2.8, 0.8, 0.90, -1.4, 0.9, 0.72),
    (2.6, 2.1, 0.80, -1.0, 2.2, 0.62),
    (3.2, -1.6, 1.7, 3.4, 1.8, 1.7),
    (4.0, -0.4, 2.5, 7.5, 0.4, 2.7),
    (7.5, 0.4, 2.7, 13.0, 1.2, 2.8),
)


@dataclass(frozen=True, eq=False)
class Sprite:
    """A shape to lay over a picture."""

    sheet: Float32
    """Linear light, already times the cover, and the cover (0 to 1), shape (h, w, 4)."""
    origin: tuple[float, float]
    """Pixel (x, y) of the shape's own x = y = 0 cm."""


def _height_of(limbs: tuple[Limb, ...], x: Float32, y: Float32) -> Float32:
    height = np.zeros_like(x)
    for ax, ay, ar, bx, by, br in limbs:
        dx, dy = bx - ax, by - ay
        along = np.clip(((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy), 0.0, 1.0)
        radius = ar + (br - ar) * along
        apart = (x - ax - along * dx) ** 2 + (y - ay - along * dy) ** 2
        height = np.maximum(height, np.sqrt(np.maximum(radius**2 - apart, 0.0)))
    return np.asarray(height, dtype=np.float32)


def arm(
    kind: str,
    scale: float,
    skin: tuple[float, float, float],
    cloth: str,
    lit_from: tuple[float, float],
    rng: np.random.Generator,
) -> Sprite:
    """Hand with its sleeve.

    Parameters
    ----------
    kind:
        "reaching" (across the picture) or "holding" (around a neck).
    scale:
        Pixels per cm.
    skin, cloth:
        Linear reflectance of skin or glove; name of a cloth.
    lit_from:
        Sideways and upward direction to the light.
    rng:
        Source of everything random.
    """
    import cv2

    hand, wrist = (_REACHING, 19.0) if kind == "reaching" else (_HOLDING, 11.0)
    left, right, top, bottom = -3.0, 52.0, -8.5, 8.5
    width, height = int((right - left) * scale), int((bottom - top) * scale)
    gx, gy = np.meshgrid(np.arange(width), np.arange(height))
    x = (gx / scale + left).astype(np.float32)
    y = (gy / scale + top).astype(np.float32)
    folds = 0.16 * np.sin(1.9 * x + 0.6 * np.sin(0.9 * y + rng.uniform(0, 6)) + rng.uniform(0, 6))
    bent = np.asarray(y * (1 + 0.02 * folds), dtype=np.float32)
    sleeve = _height_of(((wrist, 0.4, 3.9, wrist + 40.0, 2.0, 5.2),), x, bent)
    sleeve = np.where(x > wrist - 0.4, sleeve, 0.0).astype(np.float32)
    skin_height = _height_of(hand, x, y)
    on_cloth = sleeve > skin_height
    surface = np.where(on_cloth, sleeve + folds, skin_height).astype(np.float32)
    surface = np.asarray(
        cv2.GaussianBlur(surface, (0, 0), max(0.12 * scale, 0.5)), dtype=np.float32
    )
    slope_y, slope_x = np.gradient(surface * scale)
    normal = 1.0 / np.sqrt(1.0 + slope_x**2 + slope_y**2)
    facing = (0.75 - 0.45 * slope_x * lit_from[0] + 0.55 * slope_y * lit_from[1]) * normal
    bright = np.clip(0.22 + 0.85 * facing, 0.08, 1.15)
    colour = np.where(on_cloth[..., None], np.array(CLOTHS[cloth]), np.array(skin))
    if cloth == "checked":
        squares = (np.sin(2.1 * x) > 0.3) ^ (np.sin(2.1 * y) > 0.3)
        colour = colour * np.where(on_cloth & squares, 0.45, 1.0)[..., None]
    grain = cv2.GaussianBlur(rng.standard_normal(x.shape).astype(np.float32), (0, 0), 0.25 * scale)
    colour = colour * (1.0 + 0.06 * grain / max(float(grain.std()), 1e-6))[..., None]
    cover = ((sleeve > 0) | (skin_height > 0)).astype(np.float32)
    cover = np.asarray(cv2.GaussianBlur(cover, (0, 0), 0.7), dtype=np.float32)
    light = colour * bright[..., None] * cover[..., None]
    sheet = np.dstack([light, cover]).astype(np.float32)
    return Sprite(sheet, (-left * scale, -top * scale))


def lay(
    picture: Float32,
    sprite: Sprite,
    at: tuple[float, float],
    *,
    turn_rad: float = 0.0,
    moved: tuple[float, float] = (0.0, 0.0),
    shadow: tuple[float, float, float] = (0.0, 0.0, 0.0),
    level: float = 1.0,
) -> None:
    """Lay a sprite over a picture of linear light, in place.

    Parameters
    ----------
    picture:
        Linear light, shape (h, w, 3).
    sprite, at, turn_rad:
        What, where its origin lies in pixels, and its turn.
    moved:
        Pixels that it moves while the shutter is open; blurs it.
    shadow:
        Shift right and down in pixels of its soft shadow, and the part of light it takes.
    level:
        Light that falls on it.
    """
    import cv2

    h, w = picture.shape[:2]
    c, n = float(np.cos(turn_rad)), float(np.sin(turn_rad))
    ox, oy = sprite.origin
    turned = np.array([[c, -n, at[0] - c * ox + n * oy], [n, c, at[1] - n * ox - c * oy]])
    ends = np.array(
        [[x, y, 1.0] for x in (0, sprite.sheet.shape[1]) for y in (0, sprite.sheet.shape[0])]
    )
    reach = np.abs(moved) + np.abs(shadow[:2]) + 18.0
    low = np.clip(np.floor((ends @ turned.T).min(axis=0) - reach), 0, (w, h)).astype(int)
    high = np.clip(np.ceil((ends @ turned.T).max(axis=0) + reach), 0, (w, h)).astype(int)
    if np.any(high - low < 2):
        return
    part = picture[low[1] : high[1], low[0] : high[0]]
    size = (part.shape[1], part.shape[0])
    turned[:, 2] -= low
    steps = 1 + min(int(np.hypot(*moved) / 2.5), 12)
    layer = np.zeros((*part.shape[:2], 4), dtype=np.float32)
    for k in range(steps):
        there = turned.copy()
        there[:, 2] += (0.0 if steps == 1 else k / (steps - 1) - 0.5) * np.array(moved)
        layer += cv2.warpAffine(sprite.sheet, there, size)
    layer /= np.float32(steps)
    cover = layer[..., 3:]
    if not cover.any():
        return
    if shadow[2] > 0:
        small = cv2.resize(layer[..., 3], (max(size[0] // 4, 1), max(size[1] // 4, 1)))
        small = cv2.GaussianBlur(small, (0, 0), 4.0)
        shift = np.array([[1.0, 0.0, shadow[0] / 4], [0.0, 1.0, shadow[1] / 4]])
        small = cv2.warpAffine(small, shift, (small.shape[1], small.shape[0]))
        part *= np.float32(1.0) - np.float32(shadow[2]) * cv2.resize(small, size)[..., None]
    part *= np.float32(1.0) - cover
    part += np.float32(level) * layer[..., :3]


def silhouette(height: int, width: int, colour: tuple[float, float, float]) -> Sprite:
    """A person out of focus, seen from the hips up; the origin lies at the middle of the foot."""
    import cv2

    scale = height / 60.0
    across, down = np.meshgrid(np.arange(width) / scale, np.arange(height) / scale)
    x, y = (across - width / scale / 2).astype(np.float32), down.astype(np.float32)
    body = _height_of(
        ((0.0, 30.0, 14.0, 0.0, 70.0, 12.0), (-13.0, 30.0, 5.0, -15.0, 62.0, 4.0)), x, y
    )
    head = _height_of(((0.0, 6.0, 5.5, 0.0, 9.0, 5.0), (0.0, 12.0, 3.0, 0.0, 18.0, 3.5)), x, y)
    cover = cv2.GaussianBlur(((body > 0) | (head > 0)).astype(np.float32), (0, 0), 1.2 * scale)
    colours = np.where((head > body)[..., None], np.array((0.35, 0.2, 0.14)), np.array(colour))
    colours = cv2.GaussianBlur(colours.astype(np.float32), (0, 0), 1.5 * scale)
    sheet = np.dstack([colours * cover[..., None], cover]).astype(np.float32)
    return Sprite(sheet, (width / 2.0, float(height)))
