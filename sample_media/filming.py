"""Frames of a film as people make it, from the layers of its scene.

Each frame is Beer-Lambert's law on the layers, moved and covered as the film says, in linear light;
then exposure, balance, noise and tone curve of the camera.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_media.hands import lay
from sample_media.home_films import Film
from sample_media.liquid import Liquid
from sample_media.mishaps import AT_REST, Cover, Pose, reach
from sample_media.picture import codes_of, draw_drop
from sample_media.scene import project
from sample_media.studio import Studio

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]
_PASSING_S = 1.8


# Putting a frame together ---------------------------------------------------------------------


def linear_frames(film: Film, cache: Path | None = None) -> Iterator[tuple[float, Float32]]:
    """Yield (time_s, linear light as the sensor has it, noise included), shape (h, w, 3)."""
    studio = Studio(film, cache)
    liquid = Liquid(studio)
    for k, t in enumerate(studio.times):
        yield float(t), _sensed(studio, _scene_at(studio, liquid, k, float(t)), float(t))


def _scene_at(s: Studio, liquid: Liquid, k: int, t: float) -> Float32:
    import cv2

    film, layers = s.film, s.layers
    pose = AT_REST if s.movement is None else s.movement.at(t)
    ground = layers.plain
    passing = [begin for begin in film.passing_s if -1.0 < t - begin < _PASSING_S + 1.0]
    if passing or film.empty:
        ground = ground.copy()
    for begin in passing:
        _person(s, ground, t - begin, begin)
    if film.empty:
        picture = ground
    else:
        sheet, tint = liquid.layers_at(k, pose.slosh if abs(pose.slosh) > 0.02 else 0.0)
        if len(s.bubbles):
            sheet = sheet.copy()
            _foam(s, sheet[..., :3], t)
        if film.held:
            sheet, tint = _moved(s, sheet, tint, pose, t)
        picture = np.asarray(cv2.multiply(ground, tint), dtype=np.float32)
        picture *= 1 - sheet[..., 3:]
        picture += sheet[..., :3]
        left, right = s.tube_columns
        picture[:, left:right] *= layers.tube[:, left:right, None]
        picture[:, left:right] += layers.glint[:, left:right, None]
        draw_drop(picture, s.plan, t, s.tip, s.surface)
    for begin in passing:
        picture *= _passing_shadow(s, t - begin, begin)
    if film.held and pose.hand > 0:
        _hold(s, picture, pose)
    for cover_ in film.covers:
        _reach_across(s, picture, cover_, t)
    return np.asarray(cv2.GaussianBlur(picture, (3, 3), 0.55))


def _pose_matrix(s: Studio, pose: Pose) -> FloatArray:
    c, n = math.cos(pose.tilt_rad) * pose.size, math.sin(pose.tilt_rad) * pose.size
    x, y = s.neck
    right, down = pose.right_cm * s.scale, -pose.up_cm * s.scale
    return np.array([[c, -n, x + right - c * x + n * y], [n, c, y + down - n * x - c * y]])


def _moved(
    s: Studio, sheet: Float32, tint: Float32, pose: Pose, t: float
) -> tuple[Float32, Float32]:
    """Layers of the vessel moved to a pose; blurred over the open shutter while it is swirled."""
    import cv2

    assert s.movement is not None
    if not pose.swirled and s.still is not None and s.still[0] == (pose, id(sheet)):
        return s.still[2], s.still[3]
    poses = [s.movement.at(t + d) for d in (-0.014, 0.0, 0.014)] if pose.swirled else [pose]
    printed = sheet.copy()
    _label(s, printed, pose)
    total: Any = cv2.warpAffine(printed, _pose_matrix(s, poses[0]), s.size)
    for one in poses[1:]:
        total += cv2.warpAffine(printed, _pose_matrix(s, one), s.size)
    total *= np.float32(1 / len(poses))
    rest: Any = cv2.warpAffine(tint, _pose_matrix(s, pose), s.size, borderValue=(1.0, 1.0, 1.0))
    # The first sheet is held, so that its id stays its own.
    s.still = ((pose, id(sheet)), sheet, total, rest)
    return total, rest


def _label(s: Studio, sheet: Float32, pose: Pose) -> None:
    """Printed field and marks of the flask, turned with it."""
    turned = round(pose.roll_rad / 0.03) * 0.03
    if turned not in s.labels:
        s.labels[turned] = _printed(s, turned)
    rows, mask = s.labels[turned]
    part = mask * sheet[rows, :, 3:]
    sheet[rows, :, :3] *= 1 - part
    sheet[rows, :, :3] += part * np.float32(0.55)


def _printed(s: Studio, turned: float) -> tuple[slice, Float32]:
    """Rows of the picture that the print reaches, and the print on them."""
    import cv2

    view = s.film.view
    mask = np.zeros(s.layers.cover.shape, dtype=np.uint8)
    lines = [(z, -0.22, 0.22) for z in (3.6, 4.4, 5.2)]
    lines += [(z, -0.3 + 0.1 * k, 0.35 - 0.1 * k) for k, z in enumerate((6.3, 6.9, 7.4))]
    thick = max(round(0.12 * s.scale), 1)
    for z, a, b in lines if math.cos(turned) > 0.15 else []:
        r = float(view.vessel.radius_at(np.array(z)))
        points = []
        for angle in np.linspace(a, b, 5) + turned:
            at = project(view, *s.size, (r * math.sin(angle), -r * math.cos(angle), z))
            points.append([round(16 * float(v)) for v in at])
        cv2.polylines(mask, [np.array(points)], False, 190, thick, cv2.LINE_AA, shift=4)
    used = np.flatnonzero(mask.any(axis=1))
    rows = slice(int(used[0]), int(used[-1]) + 1) if used.size else slice(0, 1)
    return rows, mask[rows, :, None].astype(np.float32) / np.float32(255.0)


def _hold(s: Studio, picture: Float32, pose: Pose) -> None:
    away = (1.0 - pose.hand) * 16.0 * s.scale
    x = s.neck[0] + pose.right_cm * s.scale + away
    y = s.neck[1] - pose.up_cm * s.scale - 0.25 * away
    lay(picture, s.holding, (x, y), turn_rad=pose.tilt_rad - 0.35, shadow=(8.0, 14.0, 0.3))


def _reach_across(s: Studio, picture: Float32, cover: Cover, t: float) -> None:
    part, speed = reach(cover, t)
    if part <= 0.0:
        return
    # The middle of the hand, or a place on the sleeve, lies before the liquid.
    on_arm_cm = 9.0 if cover.kind == "hand" else 26.0
    turn = math.radians(cover.side)
    along = np.array([math.cos(turn), math.sin(turn)])
    reachable = 1.15 * s.scale
    wobble = 0.25 * s.scale * np.array([math.sin(2.1 * t), math.cos(1.7 * t + s.phase[2])])
    far = 0.62 * float(np.hypot(*s.size)) + on_arm_cm * reachable
    at = s.middle - along * on_arm_cm * reachable + along * far * (1.0 - part) + wobble
    moved = -along * far * speed / 40.0
    x, _, z = s.film.view.light
    lay(
        picture,
        s.reaching,
        (float(at[0]), float(at[1])),
        turn_rad=turn,
        moved=(float(moved[0]), float(moved[1])),
        shadow=(-2.5 * s.scale * x, 2.0 * s.scale * z, 0.45),
        level=0.9,
    )


def _person(s: Studio, ground: Float32, since: float, begin: float) -> None:
    """Person walking through the background."""
    part = since / _PASSING_S
    if not -0.3 < part < 1.3:
        return
    way = 1.0 if math.sin(37.0 * begin) > 0 else -1.0
    x = s.size[0] * (0.5 + way * 1.6 * (part - 0.5))
    before = ground.copy()
    lay(ground, s.passer, (x, s.foot[1] + 2.0 * s.scale), level=0.8)
    wall = s.layers.wall[..., None]
    ground *= wall
    ground += before * (1 - wall)


def _passing_shadow(s: Studio, since: float, begin: float) -> Float32:
    """Part of the light that a person walking by leaves, shape (1, w, 1)."""
    part = since / _PASSING_S
    way = 1.0 if math.sin(37.0 * begin) > 0 else -1.0
    x = np.arange(s.size[0], dtype=np.float32) / s.size[0]
    middle = 0.5 + way * 1.8 * (part - 0.5)
    depth = 0.22 + 0.13 * math.sin(11.0 * begin)
    left = 1.0 - depth * np.exp(-(((x - middle) / 0.38) ** 2))
    return np.asarray(left, dtype=np.float32)[None, :, None]


def _foam(s: Studio, flask: Float32, t: float) -> None:
    """Bubbles: a dark ring, a bright spot; most of them shortly after an addition."""
    if not len(s.bubbles):
        return
    ended = t - s.pours[:, 1]
    since = float(ended[ended > -1.0].min(initial=99.0))
    alive = int(len(s.bubbles) * (0.15 + 0.85 * math.exp(-max(since, 0.0) / 4.0)))
    yy, xx = np.mgrid[-5:6, -5:6].astype(np.float32)
    for k in range(alive):
        x, y, radius = s.bubbles[k]
        x += 0.5 * s.scale * math.sin(0.9 * t + 2.4 * k)
        y += 0.06 * s.scale * math.sin(2.0 * t + k)
        x0, y0 = round(x), round(y)
        if not (6 <= x0 < s.size[0] - 6 and 6 <= y0 < s.size[1] - 6):
            continue
        if s.layers.path_cm[y0, x0] < 0.5:
            continue
        r = np.hypot(xx - (x - x0), yy - (y - y0))
        ring = np.exp(-(((r - radius) / 0.8) ** 2))[..., None]
        spot = np.exp(-((xx + 0.4 * radius) ** 2 + (yy + 0.4 * radius) ** 2) / 0.8)[..., None]
        here = flask[y0 - 5 : y0 + 6, x0 - 5 : x0 + 6]
        inside = (r < radius)[..., None]
        here *= 1 - 0.40 * ring - 0.15 * inside
        here += 0.07 * ring + 0.06 * inside + 0.40 * spot


# Camera ---------------------------------------------------------------------------------------


def _sensed(s: Studio, picture: Float32, t: float) -> Float32:
    """Exposure, balance, flicker, movement of the camera, noise."""
    import cv2

    film, recipe = s.film, s.film.recipe
    part = t / s.plan.duration_s
    gain = recipe.exposure * (
        1 + recipe.exposure_drift * math.sin(2 * np.pi * 1.3 * part + s.phase[2])
    )
    gain *= math.exp(float(np.interp(t, *s.seek)))
    if film.dark_s is not None and film.dark_s[0] < t < film.dark_s[1]:
        gain *= 0.012
    tint = recipe.balance_drift * math.sin(2 * np.pi * 0.9 * part + s.phase[3])
    red = 1 + film.warm + tint + float(np.interp(t, *s.seek_red))
    blue = 1 - 1.2 * film.warm - 0.8 * tint + float(np.interp(t, *s.seek_blue))
    if film.balance_goes_s:
        turned = min(max((t - film.balance_goes_s) / 4.0, 0.0), 1.0)
        red, blue = red * (1 - 0.35 * turned), blue * (1 + 0.30 * turned)
    gains = gain * np.array([red, 1.0, blue], dtype=np.float32)
    veil = (gains * recipe.haze * float(picture[::4, ::4].mean())).astype(np.float32)
    gains = (gains * (1 - recipe.haze)).astype(np.float32)
    if film.flicker:
        rows = np.arange(s.size[1], dtype=np.float32)[:, None, None] / s.size[1]
        wave = np.sin(2 * np.pi * (film.beat_hz * t + film.bands * rows) + s.phase[4])
        # The phosphors glow on for different times: red most.
        depth = film.flicker * np.array([0.7, 0.9, 1.15], dtype=np.float32)
        picture = (picture * gains + veil) * (1.0 + depth * wave).astype(np.float32)
    else:
        picture = picture * gains
        picture += veil
    shift = recipe.shake_px * s.rng.standard_normal(2)
    turn = 0.0
    if film.knocked_s is not None and t > film.knocked_s[0]:
        away = t < film.knocked_s[1]
        shift = shift + (s.knock_px if away else s.left_px)
        turn = 0.025 if away else 0.0
    if turn or np.any(np.abs(shift) > 0.02):
        matrix = np.array([[1.0, -turn, shift[0]], [turn, 1.0, shift[1]]])
        moved = cv2.warpAffine(picture, matrix, s.size, borderMode=cv2.BORDER_REPLICATE)
        picture = np.asarray(moved, dtype=np.float32)
    spread = np.sqrt(picture + np.float32(0.15))
    spread *= np.float32(recipe.noise)
    spread *= s.grain()
    picture += spread
    if film.blotch:
        picture += np.float32(film.blotch) * _blotches(s)
    return np.asarray(picture, dtype=np.float32)


def _blotches(s: Studio) -> Float32:
    """Coarse colour noise as denoising cameras leave it; no change of brightness."""
    import cv2

    w, h = s.size
    small = s.rng.standard_normal((h // 8 + 1, w // 8 + 1, 3)).astype(np.float32)
    small -= small.mean(axis=2, keepdims=True)
    return np.asarray(cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC))


def eight_bit(film: Film, linear: Float32) -> NDArray[np.uint8]:
    """Coded R'G'B' of a frame."""
    codes = codes_of(film.recipe.contrast)
    return codes[(np.clip(linear, 0, 1) * np.float32(8191)).astype(np.int32)]
