"""A traced scene taken apart: bench, vessel and burette, so that the vessel can be moved.

Tracing takes seconds and is kept on disk; putting the layers together takes milliseconds.
"""

from __future__ import annotations

import functools
import hashlib
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sample_media import scene
from sample_media.scene import View, project

Float32 = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Layers:
    """Layers of a scene; arrays of shape (height, width) or (height, width, n), linear light."""

    plain: Float32
    """Bench and back without vessel and burette, (h, w, 3)."""
    wall: Float32
    """Part of the pixel that shows the back, not the bench."""
    cover: Float32
    """Part of the pixel that the vessel covers."""
    behind: Float32
    """Light that comes through the vessel where the liquid is clear, (h, w, 3)."""
    reflected: Float32
    """Light that the glass mirrors, (h, w, 3)."""
    path_cm: Float32
    position: Float32
    """Height (0 bottom to 1 level) and side (-1 to 1) in the liquid, (h, w, 2)."""
    shade: Float32
    """What the vessel leaves of the light on the bench around it."""
    shadow_cm: Float32
    """Path in the liquid of light that falls on the bench."""
    tube: Float32
    """What the burette lets through."""
    glint: Float32
    """What the burette mirrors."""


def trace_layers(view: View, width: int, height: int, volume_ml: float) -> Layers:
    """Trace a scene into layers.

    Parameters
    ----------
    view:
        The scene; its vessel must not be `NO_VESSEL`.
    width, height:
        Size of the picture in pixels.
    volume_ml:
        Liquid in the vessel.
    """
    eye, d = scene._camera(view, 2 * width, 2 * height)
    full = scene._trace(replace(view, burette=False), 2 * width, 2 * height, volume_ml)
    plain = scene._environment(view, eye, d, None)
    none = np.zeros(d.shape[:2], dtype=bool)
    scene._patch(view, eye, d, plain, none)
    with np.errstate(divide="ignore", invalid="ignore"):
        ground_t = np.where(d[..., 2] < -1e-6, -eye[..., 2] / d[..., 2], np.inf)
    gp = eye + np.where(np.isfinite(ground_t), ground_t, 0.0)[..., None] * d
    if view.stirrer:
        scene._plate_of_stirrer(view, gp, ground_t, none, plain)
    wall_y = {"card": 13.0, "lightbox": 8.0}.get(view.back, 26.0)
    tube, glint = np.ones_like(plain), np.zeros_like(plain)
    if view.burette:
        scene._burette(view, eye, d, tube, glint)
    cover = (full.reflected.max(axis=-1) > 0) | (full.path_cm > 0)
    shade = np.clip(full.behind.mean(-1) / np.maximum(plain.mean(-1), 1e-3), 0.3, 1.4)

    def down(a: NDArray[np.float64]) -> Float32:
        small = a.reshape(height, 2, width, 2, *a.shape[2:]).mean(axis=(1, 3))
        return np.asarray(small, dtype=np.float32)

    return Layers(
        plain=down(plain),
        wall=down(((gp[..., 1] > wall_y) | ~np.isfinite(ground_t)).astype(np.float64)),
        cover=down(cover.astype(np.float64)),
        # Taken times the cover, so that edges blend.
        behind=down(full.behind * cover[..., None]),
        reflected=down(full.reflected),
        path_cm=down(full.path_cm),
        position=down(full.position),
        shade=down(np.where(cover, 1.0, shade)),
        shadow_cm=down(full.shadow_cm),
        tube=down(tube[..., 0]),
        glint=down(glint[..., 0]),
    )


@functools.cache
def _source_hash() -> str:
    text = Path(scene.__file__).read_bytes() + Path(__file__).read_bytes()
    return hashlib.sha256(text).hexdigest()[:12]


@functools.lru_cache(maxsize=4)
def layers_of(
    view: View, width: int, height: int, volume_ml: float, cache: Path | None = None
) -> Layers:
    """Layers of a scene, read from the folder `cache` if they were traced before."""
    if cache is None:
        return trace_layers(view, width, height, volume_ml)
    key = hashlib.sha256(repr((view, width, height, volume_ml)).encode()).hexdigest()[:12]
    path = cache / f"layers-{_source_hash()}-{key}.npz"
    if path.exists():
        with np.load(path) as held:
            return Layers(**{f.name: held[f.name].astype(np.float32) for f in fields(Layers)})
    layers = trace_layers(view, width, height, volume_ml)
    cache.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{np.random.default_rng().integers(1 << 40)}.npz")
    np.savez(part, **{f.name: getattr(layers, f.name).astype(np.float16) for f in fields(Layers)})
    part.replace(path)
    return layers_of.__wrapped__(view, width, height, volume_ml, cache)


def pixels_per_cm(view: View, width: int, height: int) -> float:
    """Scale of the picture at the axis of the vessel."""
    a = project(view, width, height, (-1.0, 0.0, 4.0))
    b = project(view, width, height, (1.0, 0.0, 4.0))
    return float(np.hypot(*(b - a))) / 2
