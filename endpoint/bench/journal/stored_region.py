"""A region as bytes for the journal, so that a resumed run measures the same pixels as before.

The bytes are an archive of arrays without code in it (`numpy.savez`, read with
`allow_pickle=False`).
"""

from __future__ import annotations

import io
import json
import zipfile
from typing import Any

import numpy as np

from endpoint.bench.journal.events import RegionSeen
from endpoint.problems import JournalProblem
from endpoint.recording.frame import Box
from endpoint.scene.camera_shift import Scene
from endpoint.scene.region import Region
from endpoint.scene.tracking import Guide

_PLAIN = ("width", "height", "liquid_by_hand", "reference_by_hand", "confidence", "change", "level")
_MOST_BYTES = 64_000_000
"""Bytes of unpacked masks at most; beyond, the event is damaged. Assumed."""


def region_seen(region: Region) -> RegionSeen:
    """Event that holds a region: readable for people, and whole in its bytes."""
    about: dict[str, Any] = {
        **{name: getattr(region, name) for name in _PLAIN},
        "liquid_box": _sides(region.liquid_box),
        "reference_box": _sides(region.reference_box),
        "liquid_outline": [list(point) for point in region.liquid_outline],
        "notes": list(region.notes),
    }
    arrays: dict[str, Any] = {
        "liquid_mask": region.liquid_mask,
        "reference_mask": region.reference_mask,
    }
    guide, scene = region.guide, region.scene
    if guide is not None:
        arrays |= {"guide_maps": guide.maps, "guide_weight": guide.weight}
        about["guide"] = {
            "factor": guide.factor,
            "shape": list(guide.shape),
            "middle": list(guide.middle),
            "corner": list(guide.corner),
            "scale": list(guide.scale),
            "least": guide.least,
        }
    if scene is not None:
        arrays |= {f"scene_tile_{k}": tile for k, tile in enumerate(scene.tiles)}
        arrays["scene_window"] = scene.window
        about["scene"] = {"shape": list(scene.shape), "corners": [list(c) for c in scene.corners]}
    # Python's own numbers, whatever the region holds.
    about = json.loads(json.dumps(about, default=lambda value: value.item()))
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)
    return RegionSeen(about, out.getvalue())


def _sides(box: Box) -> list[int]:
    return [box.left, box.top, box.right, box.bottom]


def region_of(event: RegionSeen) -> Region:
    """Region of an event.

    Raises
    ------
    JournalProblem
        The event does not hold a whole region.
    """
    try:
        return _region(event)
    except (KeyError, TypeError, ValueError, OSError, EOFError, zipfile.BadZipFile):
        raise JournalProblem(
            "The region that was measured in this run cannot be read from the journal.",
            "Let the program find the flask again.",
        ) from None


def _region(event: RegionSeen) -> Region:
    about = event.about
    with zipfile.ZipFile(io.BytesIO(event.mask)) as archive:
        if sum(part.file_size for part in archive.infolist()) > _MOST_BYTES:
            raise ValueError("too large")
    with np.load(io.BytesIO(event.mask), allow_pickle=False) as held:
        arrays = {name: held[name] for name in held.files}
    for array in arrays.values():
        array.setflags(write=False)
    liquid, reference = Box(*about["liquid_box"]), Box(*about["reference_box"])
    for box, name in ((liquid, "liquid_mask"), (reference, "reference_mask")):
        if arrays[name].shape != (box.height, box.width) or arrays[name].dtype != np.bool_:
            raise ValueError(name)
    return Region(
        **{name: about[name] for name in _PLAIN},
        liquid_box=liquid,
        liquid_mask=arrays["liquid_mask"],
        reference_box=reference,
        reference_mask=arrays["reference_mask"],
        liquid_outline=tuple((int(x), int(y)) for x, y in about["liquid_outline"]),
        notes=tuple(about["notes"]),
        guide=_guide(about["guide"], arrays) if "guide" in about else None,
        scene=_scene(about["scene"], arrays) if "scene" in about else None,
    )


def _pair(values: list[Any]) -> tuple[Any, Any]:
    first, second = values
    return first, second


def _guide(about: dict[str, Any], arrays: dict[str, Any]) -> Guide:
    return Guide(
        factor=about["factor"],
        shape=_pair(about["shape"]),
        middle=_pair(about["middle"]),
        maps=arrays["guide_maps"],
        weight=arrays["guide_weight"],
        corner=_pair(about["corner"]),
        scale=_pair(about["scale"]),
        least=about["least"],
    )


def _scene(about: dict[str, Any], arrays: dict[str, Any]) -> Scene:
    corners = tuple(_pair(corner) for corner in about["corners"])
    return Scene(
        shape=_pair(about["shape"]),
        corners=corners,
        tiles=tuple(arrays[f"scene_tile_{k}"] for k in range(len(corners))),
        window=arrays["scene_window"],
    )
