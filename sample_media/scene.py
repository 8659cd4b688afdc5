"""A flask or beaker on a bench, traced once: what each pixel sees, and through how much liquid.

Every pixel's ray is followed through the thin glass, refracted into the liquid (Snell), followed
inside it (total reflection included, up to four times) and out again to the tile, the bench or
the back wall. What is kept of it is the light reflected on the way (`reflected`), the light of
what lies behind (`behind`) and the length of the way in the liquid (`path_cm`), so that a film
frame is reflected + behind * transmittance(path) for any colour of the liquid. Lengths are in cm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

N_WATER = 1.333
N_GLASS = 1.47


@dataclass(frozen=True)
class Vessel:
    """Straight-walled body of revolution: radius `foot_cm` at the foot, `shoulder_cm` on top."""

    kind: str
    foot_cm: float
    shoulder_cm: float
    wall_height_cm: float
    neck_cm: float
    """Radius of the neck; 0 for a beaker."""
    total_height_cm: float

    def radius_at(self, z: FloatArray) -> FloatArray:
        """Radius at a height above the foot."""
        t = np.clip(z / self.wall_height_cm, 0.0, 1.0)
        body = self.foot_cm + (self.shoulder_cm - self.foot_cm) * t
        if self.neck_cm <= 0:
            return body
        return np.where(z > self.wall_height_cm, self.neck_cm, body)

    def level_cm(self, volume_ml: float) -> float:
        """Height of the liquid of a volume."""
        z = np.linspace(0.0, self.total_height_cm, 4000)
        filled = np.cumsum(np.pi * (self.radius_at(z) - 0.12) ** 2) * (z[1] - z[0])
        return float(np.interp(volume_ml, filled, z))


CONICAL = Vessel("conical", 4.1, 1.7, 9.6, 1.7, 13.0)
CONICAL_WIDE = Vessel("conical", 4.4, 2.3, 9.0, 2.3, 12.6)
BEAKER = Vessel("beaker", 3.4, 3.5, 9.4, 0.0, 9.4)


@dataclass(frozen=True)
class View:
    """A scene: vessel, camera, ground and light."""

    name: str
    vessel: Vessel
    distance_cm: float
    height_cm: float
    """Height of the camera above the bench."""
    aim_cm: tuple[float, float]
    """Sideways and upward point that the middle of the picture shows."""
    field_cm: float
    """Width of what the picture shows at the flask."""
    ground: str
    """Bench: "wood", "grey", "tiles" or "dark"."""
    tile_cm: tuple[float, float, float, float] | None
    """White tile on the bench: left, right, front, back."""
    tile_level: float
    back: str
    """Behind: "wall", "card" (white card), "shelf" (clutter) or "lightbox"."""
    patch_cm: tuple[float, float, float, float, float] | None
    """Standing card beside the flask: left, right, bottom, top, distance behind the flask."""
    patch_level: float
    light: tuple[float, float, float]
    """Direction to the main light."""
    seed: int = 0
    stirrer: bool = True
    burette: bool = True


@dataclass(frozen=True, eq=False)
class Plate:
    """What the pixels see; shape (height, width) or (height, width, 3)."""

    reflected: FloatArray
    behind: FloatArray
    path_cm: FloatArray
    shadow_cm: FloatArray
    """Path in the liquid of the light that falls on the tile around the flask."""
    liquid: NDArray[np.bool_]
    """Pixels seen through the liquid, without its rim."""
    patch: NDArray[np.bool_]
    """Pixels of the tile or card away from flask and shadow."""
    position: FloatArray
    """Height (0 bottom to 1 level) and side (-1 to 1) inside the liquid, shape (h, w, 2)."""


def _unit(v: FloatArray) -> FloatArray:
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))


def _noise(x: FloatArray, y: FloatArray, seed: int, octaves: int = 4) -> FloatArray:
    """Smooth random texture, about 0 to 1."""
    rng = np.random.default_rng(seed)
    out = np.zeros_like(x)
    for k in range(octaves):
        for _ in range(6):
            a, p = rng.uniform(0, 2 * np.pi, 2)
            w = 0.25 * 2.1**k * rng.uniform(0.7, 1.3)
            out += 0.55**k * np.sin(w * (x * np.cos(a) + y * np.sin(a)) + p) / 6
    return 0.5 + 0.5 * out


def _ground(view: View, x: FloatArray, y: FloatArray) -> FloatArray:
    """Reflectance of the bench and of what lies on it, shape (..., 3)."""
    if view.ground == "wood":
        grain = _noise(0.25 * x, 3.0 * y, view.seed + 1)
        rings = _noise(0.4 * x, 1.1 * y + 1.5 * grain, view.seed + 2)
        tone = (0.55 + 0.35 * grain + 0.2 * rings)[..., None]
        base = tone * np.array([0.42, 0.28, 0.17])
    elif view.ground == "grey":
        base = (0.30 + 0.05 * _noise(2 * x, 2 * y, view.seed))[..., None] * np.array(
            [1.0, 1.0, 1.03]
        )
    elif view.ground == "tiles":
        joint = (np.abs((x / 10.0) % 1.0 - 0.5) > 0.485) | (np.abs((y / 10.0) % 1.0 - 0.5) > 0.485)
        shade = np.where(joint, 0.35, 0.62 + 0.03 * _noise(x, y, view.seed))
        base = shade[..., None] * np.array([0.92, 1.0, 0.98])
    else:
        base = (0.07 + 0.02 * _noise(2 * x, 2 * y, view.seed))[..., None] * np.ones(3)
    if view.tile_cm is not None:
        left, right, front, back = view.tile_cm
        edge = np.minimum.reduce([x - left, right - x, y - front, back - y])
        on = np.clip(edge / 0.08, 0.0, 1.0)[..., None]
        rim = np.clip(1.0 - np.abs(edge - 0.25) / 0.15, 0.0, 1.0)[..., None]
        glaze = view.tile_level * (1.0 - 0.03 * _noise(x, y, view.seed + 5))[..., None]
        base = base * (1 - on) + on * glaze * np.array([1.0, 1.0, 0.985]) * (1 - 0.08 * rim)
    return base


def _back(view: View, x: FloatArray, z: FloatArray) -> FloatArray:
    """Radiance of the back wall at distance, shape (..., 3)."""
    if view.back == "lightbox":
        inside = np.clip((11.0 - np.abs(x)) / 0.4, 0, 1) * np.clip((17.0 - z) / 0.4, 0, 1)
        glow = 0.86 * (1 - 0.04 * (x / 12) ** 2)
        return (0.03 + inside * glow)[..., None] * np.ones(3)
    if view.back == "card":
        inside = np.clip((16.0 - np.abs(x + 1.0)) / 0.2, 0, 1) * np.clip((20.0 - z) / 0.2, 0, 1)
        card = 0.72 - 0.006 * np.abs(x + 6)
        room = (
            np.array([0.30, 0.32, 0.30])
            * (0.8 + 0.2 * _noise(0.2 * x, 0.2 * z, view.seed))[..., None]
        )
        return room * (1 - inside[..., None]) + (inside * card)[..., None] * np.ones(3)
    tone = 0.42 + 0.10 * _noise(0.08 * x, 0.08 * z, view.seed + 3)
    wall = tone[..., None] * np.array([0.96, 0.97, 0.90])
    if view.back == "shelf":
        rng = np.random.default_rng(view.seed + 9)
        for _ in range(16):
            cx, w = rng.uniform(-32, 32), rng.uniform(1.6, 4.0)
            low, high = 6.0, rng.uniform(11, 22)
            colour = np.array(
                [
                    (0.5, 0.12, 0.08),
                    (0.10, 0.18, 0.42),
                    (0.45, 0.36, 0.1),
                    (0.2, 0.35, 0.2),
                    (0.62, 0.6, 0.56),
                    (0.3, 0.17, 0.08),
                ][rng.integers(6)]
            )
            on = 1 / (1 + np.exp(np.clip((np.abs(x - cx) - w) / 0.5, -50, 50)))
            on = on / (1 + np.exp(np.clip(-(z - low) / 0.5, -50, 50)))
            on = on / (1 + np.exp(np.clip((z - high) / 0.5, -50, 50)))
            round_ = 0.65 + 0.35 * np.sqrt(np.clip(1 - ((x - cx) / (w + 0.8)) ** 2, 0, 1))
            wall = wall * (1 - on[..., None]) + on[..., None] * colour * round_[..., None]
        board = 1 / (1 + np.exp(np.clip((np.abs(z - 5.2) - 0.7) / 0.3, -50, 50)))
        wall = wall * (1 - board[..., None]) + board[..., None] * np.array([0.4, 0.3, 0.2])
    return wall


def _environment(view: View, o: FloatArray, d: FloatArray, shade: FloatArray | None) -> FloatArray:
    """Radiance that a ray from `o` along `d` meets, shape (..., 3)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        down = np.where(d[..., 2] < -1e-6, -o[..., 2] / d[..., 2], np.inf)
        wall_y = 26.0 if view.back != "card" else 13.0
        if view.back == "lightbox":
            wall_y = 8.0
        away = np.where(d[..., 1] > 1e-6, (wall_y - o[..., 1]) / d[..., 1], np.inf)
    floor = down < away
    t = np.where(floor, down, np.where(np.isfinite(away), away, 0.0))
    p = o + np.clip(t, 0.0, 400.0)[..., None] * d
    out = np.empty(p.shape)
    x, y = p[floor][:, 0], p[floor][:, 1]
    lit = _ground(view, x, y)
    # Light falls off to the sides and the back.
    fall = 1.0 - 0.0035 * np.abs(x - 6 * view.light[0]) - 0.004 * np.clip(y, 0, 60)
    lit = lit * np.clip(fall, 0.15, 1.0)[..., None]
    if view.back == "lightbox":
        lit = lit * 0.5 * (1 + np.exp(-np.clip(8.0 - y, 0, 30) / 6.0))[..., None]
    out[floor] = lit if shade is None else lit * shade[floor][:, None]
    out[~floor] = _back(view, p[~floor][:, 0], p[~floor][:, 2])
    # The room that the glass mirrors: a window on the light's side, a lamp above, dark in front.
    up, side = d[..., 2], d[..., 0] * np.sign(view.light[0] or 1.0)
    window = (side > 0.55) & (side < 0.8) & (up > 0.1) & (up < 0.55)
    lamp = (up > 0.86) & (np.abs(d[..., 0]) < 0.3)
    room = np.where(window, 3.0, np.where(lamp, 4.0, 0.16 + 0.2 * np.clip(up, 0, 1)))
    behind_camera = ~floor & ~np.isfinite(away)
    return np.where(behind_camera[..., None], room[..., None] * np.ones(3), out)


def _cone_hits(
    vessel: Vessel, inset: float, o: FloatArray, d: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Both crossings of rays with the (inset) straight wall, unsorted by validity; inf if none."""
    slope = (vessel.shoulder_cm - vessel.foot_cm) / vessel.wall_height_cm
    r0 = vessel.foot_cm - inset
    a = d[..., 0] ** 2 + d[..., 1] ** 2 - (slope * d[..., 2]) ** 2
    r_at = r0 + slope * o[..., 2]
    b = o[..., 0] * d[..., 0] + o[..., 1] * d[..., 1] - slope * d[..., 2] * r_at
    c = o[..., 0] ** 2 + o[..., 1] ** 2 - r_at**2
    disc = b * b - a * c
    with np.errstate(invalid="ignore", divide="ignore"):
        root = np.sqrt(np.maximum(disc, 0.0))
        a = np.where(np.abs(a) < 1e-9, 1e-9, a)
        t1, t2 = (-b - root) / a, (-b + root) / a
    none = disc <= 0
    return np.where(none, np.inf, np.minimum(t1, t2)), np.where(none, np.inf, np.maximum(t1, t2))


def _wall_normal(vessel: Vessel, p: FloatArray) -> FloatArray:
    slope = (vessel.shoulder_cm - vessel.foot_cm) / vessel.wall_height_cm
    r = np.maximum(np.hypot(p[..., 0], p[..., 1]), 1e-6)
    return _unit(np.stack([p[..., 0] / r, p[..., 1] / r, np.full_like(r, -slope)], axis=-1))


def _fresnel(cos_in: FloatArray, n1: float, n2: float) -> FloatArray:
    sin_t = n1 / n2 * np.sqrt(np.clip(1 - cos_in**2, 0, 1))
    cos_t = np.sqrt(np.clip(1 - sin_t**2, 0, 1))
    rs = ((n1 * cos_in - n2 * cos_t) / (n1 * cos_in + n2 * cos_t + 1e-12)) ** 2
    rp = ((n1 * cos_t - n2 * cos_in) / (n1 * cos_t + n2 * cos_in + 1e-12)) ** 2
    return np.where(sin_t >= 1, 1.0, 0.5 * (rs + rp))


def _refract(d: FloatArray, n: FloatArray, ratio: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Refracted direction (normal against the ray) and where it is totally reflected instead."""
    cos_i = -(d * n).sum(-1)
    k = 1 - ratio**2 * (1 - cos_i**2)
    total = k < 0
    through = ratio * d + (ratio * cos_i - np.sqrt(np.maximum(k, 0)))[..., None] * n
    mirrored = d + 2 * cos_i[..., None] * n
    return _unit(np.where(total[..., None], mirrored, through)), total


def _liquid_exit(
    vessel: Vessel, level: float, o: FloatArray, d: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Distance to the next boundary from inside the liquid, and its outward normal."""
    near, far = _cone_hits(vessel, 0.12, o, d)
    wall = np.where(near > 1e-4, near, np.where(far > 1e-4, far, np.inf))
    with np.errstate(divide="ignore", invalid="ignore"):
        top = np.where(d[..., 2] > 1e-9, (level - o[..., 2]) / d[..., 2], np.inf)
        foot = np.where(d[..., 2] < -1e-9, (0.15 - o[..., 2]) / d[..., 2], np.inf)
    top, foot = np.where(top > 1e-4, top, np.inf), np.where(foot > 1e-4, foot, np.inf)
    t = np.minimum(np.minimum(wall, top), foot)
    t = np.where(np.isfinite(t), t, 0.0)
    p = o + t[..., None] * d
    normal = _wall_normal(vessel, p)
    normal = np.where((top <= t)[..., None], np.array([0.0, 0.0, 1.0]), normal)
    normal = np.where((foot <= t)[..., None], np.array([0.0, 0.0, -1.0]), normal)
    return t, normal


def trace_view(view: View, width: int, height: int, volume_ml: float) -> Plate:
    """Trace a scene with a volume of liquid in the vessel, 2 x 2 rays a pixel.

    Parameters
    ----------
    view:
        The scene.
    width, height:
        Size of the picture in pixels.
    volume_ml:
        Liquid in the vessel.
    """
    fine = _trace(view, 2 * width, 2 * height, volume_ml)

    def down(a: FloatArray) -> FloatArray:
        return a.reshape(height, 2, width, 2, *a.shape[2:]).mean(axis=(1, 3))

    inside = down(fine.liquid.astype(float)) > 0.99
    patch = down(fine.patch.astype(float)) > 0.99
    return Plate(
        reflected=down(fine.reflected),
        behind=down(fine.behind),
        path_cm=down(fine.path_cm),
        shadow_cm=down(fine.shadow_cm),
        liquid=inside,
        patch=patch,
        position=down(fine.position),
    )


def _camera(view: View, width: int, height: int) -> tuple[FloatArray, FloatArray]:
    eye = np.array([view.aim_cm[0] * 0.3, -view.distance_cm, view.height_cm])
    target = np.array([view.aim_cm[0], 0.0, view.aim_cm[1]])
    forward = _unit(target - eye)
    right = _unit(np.cross(forward, np.array([0.0, 0.0, 1.0])))
    up = np.cross(right, forward)
    span = view.field_cm / np.linalg.norm(target - eye)
    x = (np.arange(width) + 0.5) / width - 0.5
    y = (np.arange(height) + 0.5) / height - 0.5
    gx, gy = np.meshgrid(x * span, -y * span * height / width)
    d = forward + gx[..., None] * right + gy[..., None] * up
    return np.broadcast_to(eye, d.shape), _unit(d)


def project(view: View, width: int, height: int, point: tuple[float, float, float]) -> FloatArray:
    """Pixel (x, y) at which a point in space is seen."""
    eye = np.array([view.aim_cm[0] * 0.3, -view.distance_cm, view.height_cm])
    target = np.array([view.aim_cm[0], 0.0, view.aim_cm[1]])
    forward = _unit(target - eye)
    right = _unit(np.cross(forward, np.array([0.0, 0.0, 1.0])))
    up = np.cross(right, forward)
    span = view.field_cm / np.linalg.norm(target - eye)
    v = np.asarray(point, dtype=float) - eye
    depth = float(v @ forward)
    x = (float(v @ right) / depth / span + 0.5) * width
    y = (-float(v @ up) / depth / (span * height / width) + 0.5) * height
    return np.array([x, y])


def _shadow_path(view: View, level: float, x: FloatArray, y: FloatArray) -> FloatArray:
    """Path through the liquid of light from the main lamp to a point of the bench, softened."""
    light = _unit(np.asarray(view.light, dtype=float))
    out = np.zeros_like(x)
    rng = np.random.default_rng(4)
    for _ in range(24):
        d = _unit(light + 0.16 * rng.standard_normal(3))
        d = np.broadcast_to(d if d[2] > 0.15 else light, (*x.shape, 3))
        o = np.stack([x, y, np.full_like(x, 0.16)], axis=-1)
        near, far = _cone_hits(view.vessel, 0.12, o, d)
        lift = (level - o[..., 2]) / d[..., 2]
        begin, end = np.maximum(near, 0.0), np.minimum(far, lift)
        out += np.where(np.isfinite(near), np.maximum(end - begin, 0.0), 0.0) / 24
    return out


def _trace(view: View, width: int, height: int, volume_ml: float) -> Plate:
    vessel = view.vessel
    eye, d = _camera(view, width, height)
    shape = d.shape[:2]
    if vessel.kind == "none":
        nothing = np.zeros(shape, dtype=bool)
        return Plate(
            np.zeros((*shape, 3)),
            _environment(view, eye, d, None),
            np.zeros(shape),
            np.zeros(shape),
            nothing,
            nothing,
            np.zeros((*shape, 2)),
        )
    level = vessel.level_cm(volume_ml) + 0.15
    with np.errstate(divide="ignore", invalid="ignore"):
        ground_t = np.where(d[..., 2] < -1e-6, -eye[..., 2] / d[..., 2], np.inf)
    gp = eye + np.where(np.isfinite(ground_t), ground_t, 0.0)[..., None] * d
    shadow = np.zeros(shape)
    close = np.isfinite(ground_t) & (np.hypot(gp[..., 0], gp[..., 1]) < 16)
    shadow[close] = _shadow_path(view, level, gp[close][:, 0], gp[close][:, 1])
    contact = np.hypot(gp[..., 0], gp[..., 1]) - vessel.foot_cm
    dark = 1.0 - 0.35 * np.exp(-np.clip(contact, 0, None) / 0.5)
    ring = 1.0 + 0.20 * np.exp(-(((contact - 1.2) / 0.5) ** 2)) * (shadow > 0.2)
    plain = _environment(view, eye, d, np.where(np.isfinite(ground_t), dark * ring, 1.0))
    behind, reflected = plain.copy(), np.zeros((*shape, 3))
    path = np.zeros(shape)
    liquid = np.zeros(shape, dtype=bool)
    position = np.zeros((*shape, 2))

    near, far = _cone_hits(vessel, 0.0, eye, d)
    front = eye + np.where(np.isfinite(near), near, 0.0)[..., None] * d
    on_wall = np.isfinite(near) & (front[..., 2] > 0.0) & (front[..., 2] < vessel.wall_height_cm)
    _glass(view, eye, d, on_wall, near, far, behind, reflected)
    if vessel.neck_cm > 0:
        _neck(view, eye, d, behind, reflected)

    # Into the liquid through the wall, or from above through its surface.
    inner, _ = _cone_hits(vessel, 0.12, eye, d)
    entry = eye + np.where(np.isfinite(inner), inner, 0.0)[..., None] * d
    by_wall = np.isfinite(inner) & (entry[..., 2] > 0.15) & (entry[..., 2] < level)
    with np.errstate(divide="ignore", invalid="ignore"):
        t_top = np.where(d[..., 2] < -1e-6, (level - eye[..., 2]) / d[..., 2], np.inf)
    top = eye + np.where(np.isfinite(t_top), t_top, 0.0)[..., None] * d
    r_level = float(vessel.radius_at(np.array(level))) - 0.12
    by_top = np.isfinite(t_top) & (np.hypot(top[..., 0], top[..., 1]) < r_level) & ~by_wall
    wet = by_wall | by_top
    start = np.where(by_top[..., None], top, entry)[wet]
    normal = np.where(by_top[..., None], np.array([0.0, 0.0, 1.0]), _wall_normal(vessel, entry))[
        wet
    ]
    ray = np.broadcast_to(d, (*shape, 3))[wet]
    cos_in = np.clip(-(ray * normal).sum(-1), 0.0, 1.0)
    bounce = _fresnel(cos_in, 1.0, np.where(by_top[wet], N_WATER, N_GLASS).mean())
    mirror = ray + 2 * cos_in[:, None] * normal
    reflected[wet] += bounce[:, None] * _environment(view, start, mirror, None)
    inside, _ = _refract(ray, normal, 1.0 / N_WATER)
    length, keep = np.zeros(len(start)), (1.0 - bounce)
    here, along = start + 1e-4 * inside, inside
    done = np.zeros(len(start), dtype=bool)
    for _ in range(4):
        t, outward = _liquid_exit(vessel, level, here, along)
        length = np.where(done, length, length + t)
        there = here + t[:, None] * along
        out, total = _refract(along, -outward, N_WATER)
        leaves = ~total & ~done
        done_now = leaves
        here = np.where(done[:, None], here, there + 1e-4 * np.where(leaves[:, None], out, out))
        along = np.where(done[:, None], along, out)
        done = done | done_now
    under = here[:, 2] < 0.2
    seen = _environment(view, here, along, np.where(under, 0.80, 1.0))
    behind[wet] = seen * (keep * 0.97)[:, None]
    path[wet] = length
    edge = np.clip((1 - cos_in) / 1.0, 0, 1) ** 3
    behind[wet] *= (1 - 0.75 * edge)[:, None]
    # Meniscus: the liquid creeps up the wall and bends the light away.
    rim = np.exp(-(((entry[..., 2] - level) / 0.10) ** 2)) * on_wall
    behind *= (1 - 0.5 * rim)[..., None]
    liquid[wet] = (start[:, 2] < level - 0.12) & (cos_in > 0.25) & by_wall[wet]
    z = np.clip((entry[..., 2] - 0.15) / max(level - 0.15, 0.1), 0, 1)
    position[..., 0], position[..., 1] = z, np.clip(entry[..., 0] / vessel.foot_cm, -1, 1)
    shadow = np.where(wet | on_wall, 0.0, shadow)
    patch = _patch(view, eye, d, behind, on_wall)
    if view.stirrer:
        _plate_of_stirrer(view, gp, ground_t, on_wall | wet, behind)
    if view.burette:
        _burette(view, eye, d, behind, reflected)
    quiet = shadow < 0.02
    if view.tile_cm is not None and not patch.any():
        left, right, f, b = view.tile_cm
        on = (gp[..., 0] > left + 0.6) & (gp[..., 0] < right - 0.6)
        on &= (gp[..., 1] > f + 0.6) & (gp[..., 1] < b - 0.6) & np.isfinite(ground_t)
        patch = on & quiet & ~on_wall & ~wet & (contact > 1.5)
    return Plate(reflected, behind, path, shadow, liquid, patch, position)


def _thin_wall(view, d, p, normal, strength, reflected) -> FloatArray:  # type: ignore[no-untyped-def]
    """Add what a thin wall mirrors; return the part of the light behind it that comes through."""
    facing = -(d * normal).sum(-1)
    normal = normal * np.sign(facing)[..., None]
    cos_in = np.abs(facing)
    bounce = np.clip(1.8 * _fresnel(cos_in, 1.0, N_GLASS), 0, 1) * strength
    mirror = d + 2 * cos_in[..., None] * normal
    hit = bounce > 0
    reflected[hit] += bounce[hit][:, None] * _environment(view, p[hit], mirror[hit], None)
    return np.asarray((1 - bounce) * np.exp(-0.035 / np.maximum(cos_in, 0.03)))


def _glass(view, eye, d, on_wall, near, far, behind, reflected) -> None:  # type: ignore[no-untyped-def]
    """Thin empty glass: mirrors at the front and the back wall, darker towards its edges."""
    for t, strength in ((near, 1.0), (far, 0.6)):
        p = eye + np.where(np.isfinite(t), t, 0.0)[..., None] * d
        hit = np.isfinite(t) & (p[..., 2] > 0.0) & (p[..., 2] < view.vessel.wall_height_cm)
        normal = _wall_normal(view.vessel, p)
        kept = _thin_wall(view, d, p, normal, strength * hit, reflected)
        behind *= np.where(hit, kept, 1.0)[..., None]


def _neck(view, eye, d, behind, reflected) -> None:  # type: ignore[no-untyped-def]
    """Cylinder of the neck with its lip."""
    r = view.vessel.neck_cm
    a = d[..., 0] ** 2 + d[..., 1] ** 2
    b = eye[..., 0] * d[..., 0] + eye[..., 1] * d[..., 1]
    disc = b * b - a * (eye[..., 0] ** 2 + eye[..., 1] ** 2 - r * r)
    root = np.sqrt(np.maximum(disc, 0))
    for t, strength in (((-b - root) / a, 1.0), ((-b + root) / a, 0.6)):
        p = eye + t[..., None] * d
        hit = (disc > 0) & (p[..., 2] > view.vessel.wall_height_cm)
        hit &= p[..., 2] < view.vessel.total_height_cm
        normal = np.stack([p[..., 0] / r, p[..., 1] / r, np.zeros_like(t)], axis=-1)
        kept = _thin_wall(view, d, p, normal, strength * hit, reflected)
        lip = np.exp(-(((p[..., 2] - view.vessel.total_height_cm + 0.15) / 0.15) ** 2))
        behind *= np.where(hit, kept * (1 - 0.45 * lip), 1.0)[..., None]
        reflected += (0.12 * lip * hit)[..., None]


def _patch(view, eye, d, behind, on_wall) -> NDArray[np.bool_]:  # type: ignore[no-untyped-def]
    """Standing grey or white card beside the flask."""
    if view.patch_cm is None:
        return np.zeros(d.shape[:2], dtype=bool)
    left, right, bottom, top, y = view.patch_cm
    t = (y - eye[..., 1]) / d[..., 1]
    p = eye + t[..., None] * d
    edge = np.minimum.reduce(
        [p[..., 0] - left, right - p[..., 0], p[..., 2] - bottom, top - p[..., 2]]
    )
    on = (edge > 0) & ~on_wall
    level = view.patch_level * (1 - 0.01 * np.abs(p[..., 0] - left))
    behind[on] = level[on][:, None] * np.ones(3)
    line = on & (edge < 0.08)
    behind[line] *= 0.6
    return on & (edge > 0.3)


def _plate_of_stirrer(view, gp, ground_t, covered, behind) -> None:  # type: ignore[no-untyped-def]
    """Round dark rim of the stirrer's plate on the bench in front of the flask, if no tile."""
    if view.tile_cm is not None:
        return
    r = np.hypot(gp[..., 0], gp[..., 1])
    rim = np.isfinite(ground_t) & ~covered & (np.abs(r - 6.5) < 0.35)
    plate = np.isfinite(ground_t) & ~covered & (r < 6.2)
    behind[plate] = behind[plate] * 0.0 + 0.80
    behind[rim] = 0.25


def _burette(view, eye, d, behind, reflected) -> None:  # type: ignore[no-untyped-def]
    """Tip of the burette above the flask: a glass tube that narrows, lit from one side."""
    low = view.vessel.total_height_cm - 1.0
    t = -eye[..., 1] / d[..., 1]
    p = eye + t[..., None] * d
    x, z = p[..., 0] - 0.15, p[..., 2]
    r = np.interp(z, [low, low + 2.5, low + 4.0, low + 30], [0.10, 0.22, 0.42, 0.42])
    on = (z > low) & (np.abs(x) < r)
    u = np.clip(x / np.maximum(r, 1e-6), -1, 1)
    shade = 0.55 + 0.45 * np.sqrt(1 - u**2)
    behind[on] *= shade[on][:, None]
    glint = np.exp(-(((u - 0.45 * np.sign(view.light[0] or 1)) / 0.13) ** 2))
    reflected[on] += (0.5 * glint)[on][:, None]


NO_VESSEL = Vessel("none", 1.0, 1.0, 1.0, 0.0, 1.0)

VIEWS: dict[str, View] = {
    view.name: view
    for view in (
        View(
            "tile",
            CONICAL,
            60,
            24,
            (0.6, 5.2),
            24,
            "wood",
            (-8.5, 9.5, -6.5, 10),
            0.80,
            "wall",
            None,
            0.7,
            (0.5, -0.3, 0.9),
            3,
        ),
        View(
            "stirrer",
            CONICAL,
            48,
            16,
            (1.6, 5.0),
            22,
            "grey",
            None,
            0.8,
            "card",
            (5.6, 9.2, 0.2, 4.6, 2.0),
            0.62,
            (-0.6, -0.4, 0.8),
            5,
        ),
        View(
            "beaker",
            BEAKER,
            55,
            22,
            (-1.0, 4.2),
            21,
            "tiles",
            (-10, 8.5, -6, 9),
            0.76,
            "shelf",
            None,
            0.7,
            (0.6, -0.2, 0.8),
            8,
        ),
        View(
            "lightbox",
            CONICAL_WIDE,
            58,
            8,
            (0.0, 6.0),
            26,
            "dark",
            None,
            0.8,
            "lightbox",
            None,
            0.7,
            (0.2, 0.6, 0.7),
            11,
            stirrer=False,
        ),
        View(
            "far",
            CONICAL,
            90,
            40,
            (3.0, 7.0),
            42,
            "tiles",
            (-12, 12, -9, 13),
            0.74,
            "shelf",
            (6.0, 10.0, 0.2, 5.0, 1.0),
            0.55,
            (-0.5, -0.5, 0.8),
            21,
        ),
        View(
            "close",
            CONICAL_WIDE,
            40,
            17,
            (0.9, 3.6),
            17,
            "wood",
            (-9, 9, -7, 9),
            0.72,
            "card",
            None,
            0.7,
            (0.4, -0.5, 0.9),
            30,
        ),
    )
}
"""Scenes; "far" and "close" are kept for evaluation only."""
VIEWS["tile-open"] = replace(VIEWS["tile"], name="tile-open", burette=False)
"""Nothing above the flask, so that a burette can be set there."""
