"""What the pictures show, as events of the journal and back: the region and the burette; pure.

A region is kept as bytes, so that a resumed run measures the same pixels as before: an archive of
arrays without code in it (`numpy.savez`, read with `allow_pickle=False`).
"""

from __future__ import annotations

import io
import json
import math
import zipfile
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.bench.journal.events import Event, RegionSeen, TubeSeen, VolumeSeen
from endpoint.burette.burette_rows import COLUMNS, BuretteRows, DropTally
from endpoint.burette.full_tube import FullTube
from endpoint.burette.tube import Tube
from endpoint.problems import JournalProblem
from endpoint.recording.frame import Box
from endpoint.scene.camera_shift import Scene
from endpoint.scene.region import Region
from endpoint.scene.tracking import Guide

FloatArray = NDArray[np.float64]
_MOST_NUMBERS = 40_000_000
"""Numbers of a kept tube at most, more than pixels in a picture of 8K: beyond, the event is
damaged."""
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
    except Exception:  # what a damaged archive raises is not written down anywhere
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


def news(known: BuretteRows | None, now: BuretteRows, written: FullTube | None) -> list[Event]:
    """Events that add to the journal what is new; none if nothing is.

    Parameters
    ----------
    known:
        What the journal holds already.
    now:
        What is known now, on the clock of the journal.
    written:
        Tube that the journal holds.
    """
    out: list[Event] = []
    tube = now.tube
    if tube is not None and (written is None or tube.learnt != written.learnt):
        out.append(tube_event(tube, now.division_ml))
    old = np.zeros((0, now.rows.shape[1])) if known is None else known.rows
    least = min(len(old), len(now.rows))
    was, is_now = old[:least], now.rows[:least]
    alike = ((was == is_now) | (np.isnan(was) & np.isnan(is_now))).all(axis=1)
    first = least if alike.all() else int(np.argmin(alike))
    later = known is None or known.tally is None or known.tally != now.tally
    if first == len(old) == len(now.rows) and not (now.way == "drops" and later):
        return out
    rows = now.rows[first:]
    since = float(rows[0, 0]) if len(rows) else math.nextafter(_last_s(now.rows[:first]), math.inf)
    if first < len(old):
        since = min(since, float(old[first, 0]))
    out.append(VolumeSeen(now.way, since, _tally_told(now.tally), _bytes(rows)))
    return out


def _last_s(rows: FloatArray) -> float:
    return float(rows[-1, 0]) if len(rows) else -1e9


def seen_in(events: Iterable[Event]) -> BuretteRows | None:
    """What the events of a run say of its burette; None if they say nothing.

    Raises
    ------
    JournalProblem
        They are damaged.
    """
    found: BuretteRows | None = None
    tube: tuple[FullTube, float] | None = None
    try:
        for event in events:
            if isinstance(event, TubeSeen):
                tube = tube_of(event)
            elif isinstance(event, VolumeSeen):
                found = _with(found, event)
    except (KeyError, TypeError, ValueError, IndexError):
        raise JournalProblem(
            "The readings of the burette in the picture are damaged in this run.",
            "Export another run.",
        ) from None
    if found is None or tube is None:
        return found
    return replace(found, tube=tube[0], division_ml=tube[1])


def _with(found: BuretteRows | None, event: VolumeSeen) -> BuretteRows:
    new = np.frombuffer(event.data, dtype="<f8").reshape(-1, COLUMNS[event.way])
    if found is not None:
        new = np.vstack([found.rows[found.rows[:, 0] < event.since_s], new])
    return BuretteRows(event.way, new.astype(np.float64), tally=_tally_of(event.about))


def tube_event(tube: FullTube, division_ml: float) -> TubeSeen:
    """The full tube as an event."""
    t = tube.tube
    about = {
        "box": [t.box.left, t.box.top, t.box.right, t.box.bottom],
        **{name: float(getattr(t, name)) for name in ("x_px", "y_px", "lean", "half_px")},
        "start_px": float(tube.start_px),
        "gap": [int(v) for v in tube.gap],
        "learnt": bool(tube.learnt),
        "stepped": bool(tube.stepped),
        "shape": [int(v) for v in tube.start.shape],
        "division_ml": float(division_ml),
    }
    return TubeSeen(about, _bytes(np.stack([tube.start, tube.full])))


def tube_of(event: TubeSeen) -> tuple[FullTube, float]:
    """Full tube of an event, and the volume between two lines, mL.

    Raises
    ------
    KeyError, TypeError, ValueError
        It is damaged.
    """
    about = event.about
    length, columns = (int(v) for v in about["shape"])
    if not 0 < length * columns <= _MOST_NUMBERS or len(event.data) != 16 * length * columns:
        raise ValueError("shape")
    start, full = np.frombuffer(event.data, dtype="<f8").reshape(2, length, columns)
    places = (float(about[name]) for name in ("x_px", "y_px", "lean", "half_px"))
    low, high = (int(v) for v in about["gap"])
    known = FullTube(
        Tube(Box(*(int(v) for v in about["box"])), *places),
        start.astype(np.float64),
        float(about["start_px"]),
        full.astype(np.float64),
        (low, high),
        bool(about["learnt"]),
        bool(about["stepped"]),
    )
    return known, float(about["division_ml"])


def _tally_told(tally: DropTally | None) -> dict[str, Any]:
    if tally is None:
        return {}
    return {
        "first_s": float(tally.first_s),
        "last_s": float(tally.last_s),
        "blind_s": float(tally.blind_s),
        "suspected": int(tally.suspected),
        "streams": [[float(a), float(b)] for a, b in tally.streams],
    }


def _tally_of(about: Mapping[str, Any]) -> DropTally | None:
    if not about:
        return None
    return DropTally(
        float(about["first_s"]),
        float(about["last_s"]),
        float(about["blind_s"]),
        int(about["suspected"]),
        tuple((float(a), float(b)) for a, b in about["streams"]),
    )


def _bytes(values: FloatArray) -> bytes:
    return np.ascontiguousarray(values, dtype="<f8").tobytes()
