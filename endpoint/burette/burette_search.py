"""Where the burette and the falling drops are in the picture, where no box is given.

A burette: a long upright field of short dark lines, in a tube with straight walls, with the
pattern of a scale that such a bore can hold. Falling drops: places on one upright line that are
unlike the pictures just before and after, as if they fell freely. One of them must be found, and
only one; else nothing is guessed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from endpoint.burette.drops import DropCounter
from endpoint.burette.tube import (
    Tube,
    bore_fits,
    find_tube,
    log_strip,
    read_scale,
    strip_maps,
    unseen,
)
from endpoint.burette.tube import grey as grey_of
from endpoint.problems import DeliveryProblem
from endpoint.recording.frame import Box, Frame, PictureSource, SeekingSource, Spans, grey

FloatArray = NDArray[np.float64]
Pixels = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

# Where a comment below names no other source, the value was chosen on rendered close-ups of tube
# and tip (tests/studies/burette_study.py, seeds up to 1011) and no study of the single value was
# kept. A wrong value ends in asking for a box or in a box that the reading of the scale refuses.
_LOOKS = 20
"""Pictures over the recording from which the first that can be read is taken."""
_LINE_CONTRAST = 4.0
"""Brightness between neighbouring rows, in medians over the picture, that counts as a printed edge.
Lower, and wood or cloth is lined; higher, and faint print is missed."""
_LINED = 0.25
"""Part of the rows around a place that are such edges, within 31 rows. Lower, and single edges
count; higher, and lines that stand far apart are missed."""
_LEAST_TALL = 3.0
"""Height of a field of lines over its width. Lower, and printed pages are looked at as well."""
_LEAST_PX = 90
"""Height of a field of lines, px: fewer lines are too few for the phase of a scale."""
_MOST_CANDIDATES = 12
"""Fields that are looked at, the tallest first; it bounds the time."""
_BAND_PX = 12
"""Height of the bands in which walls are looked for, px: a few lines of a scale."""
_WALL_PART, _INSIDE = 0.35, 0.35
"""Least edge of a wall, as a part of the usual one, and most difference of the light inside
(natural logarithm). Stricter, and the tube ends at a reflection; looser, and it runs on into tap or
clamp."""
_MM_PER_ML = (9.5, 11.5, 14.0, 17.0, 20.5, 24.5)
"""Lengths of 1 mL that are tried: bores of 7 to 12 mm, those of usual burettes. Steps
of 20 % are within what the reading of the scale corrects."""
_WALL_MM = 1.2
"""Wall of the glass, mm, as in `tube.bore_fits` (usual ware, no source)."""
_CLEAR_SCALE = 0.7
"""Strength of the pattern of lines, 0 to 1. Lower, and folds and blinds pass for scales."""
_EVEN_ML = 0.02
"""Standard uncertainty of the scale within the field, mL: lines of a scale are even."""
_BURSTS, _BURST_S = 20, 2.0
"""Parts of a film in which drops are looked for, and their length, s. Fewer, and slow dropping is
missed; more, and the film is read twice."""
_LONG_SIDE = 640
"""Longer side of the picture, px, to which it is thinned for the search; drops are then some px."""
_EVENT = 0.05
"""Least sudden change of brightness, natural logarithm: above the coding noise of H.264."""
_EVENT_RATIO = 6.0
"""The same as a multiple of what is usual at the place: flicker and stirring have less."""
_LEAST_DROPS = 3
"""Drops that must be counted in a box: one or two may be splashes."""


# Burette ---------------------------------------------------------------------------------------


def find_burette(source: PictureSource, division_ml: float = 0.1) -> Box:
    """Box around the straight graduated part of the one burette in a recording.

    Parameters
    ----------
    source:
        A recording that can be looked at in advance.
    division_ml:
        Volume between two lines.

    Raises
    ------
    UnseenVolume
        None was found, or several.
    """
    frames = source.sample(_LOOKS)
    if not frames:
        raise unseen("burette-not-found")
    tube = burette_in(frames[0], division_ml)
    if tube is None:
        raise unseen("burette-not-found")
    return tube


def burette_in(frame: Frame, division_ml: float) -> Box | None:
    """Box around the burette in one picture; None unless exactly one is found."""
    whole = Box(0, 0, frame.width, frame.height)
    picture = grey_of(frame, whole)
    found: list[tuple[float, Box]] = []
    for field in _lined_fields(picture):
        tube = _tube_around(picture, field)
        if tube is None:
            continue
        strength = _scale_strength(picture, tube, division_ml)
        if strength > 0:
            found.append((strength, _box_of(tube, frame)))
    best = max(found, default=None, key=lambda one: one[0] * one[1].height)
    if best is None:
        return None
    apart = [b for _, b in found if b.right < best[1].left or b.left > best[1].right]
    return None if apart else best[1]


def _lined_fields(picture: FloatArray) -> list[Box]:
    """Tall narrow fields in which brightness goes up and down along nearly every column."""
    import cv2

    edge = np.abs(np.diff(picture, axis=0, prepend=picture[:1]))
    usual = max(float(np.median(edge)), 0.002)
    marked = (edge > _LINE_CONTRAST * usual).astype(np.float32)
    lined = cv2.boxFilter(marked, -1, (5, 31)) > _LINED
    closed = cv2.morphologyEx(
        lined.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((31, 3), dtype=np.uint8)
    )
    # Edges of cards and tables run across: only what is tall stays.
    tall = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((_LEAST_PX, 1), dtype=np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(tall)
    fields = []
    for k in range(1, count):
        left, top, wide, high, _ = (int(v) for v in stats[k])
        if high >= _LEAST_PX and high >= _LEAST_TALL * wide:
            fields.append(Box(left, top, left + wide, top + high))
    return sorted(fields, key=lambda box: -box.height)[:_MOST_CANDIDATES]


def _tube_around(picture: FloatArray, field: Box) -> Tube | None:
    """Tube whose walls stand around a field of lines, the same one however wide one looks."""
    for reach in (0.6, 1.0, 1.8):
        tube = _tube_in(picture, _wider(picture, field, max(round(reach * field.width), 8)))
        if tube is None or tube.half_px > 1.5 * field.width:
            continue
        if not tube.x_px - 1.3 * tube.half_px < field.left < field.right:
            continue
        if field.right > tube.x_px + 1.3 * tube.half_px:
            continue
        part = _straight_part(picture, tube)
        tube = None if part is None else _tube_in(picture, part)
        if tube is None or part is None:
            continue
        # A wall that was missed shows when one looks a little further.
        again = _tube_in(picture, _wider(picture, part, round(0.8 * tube.half_px) + 2))
        if again is not None and abs(again.half_px - tube.half_px) <= max(1.0, 0.1 * tube.half_px):
            return again
    return None


def _wider(picture: FloatArray, box: Box, out: int) -> Box:
    left, right = max(box.left - out, 0), min(box.right + out, picture.shape[1])
    return Box(left, box.top, right, box.bottom)


def _tube_in(picture: FloatArray, box: Box) -> Tube | None:
    try:
        tube = find_tube(picture[box.top : box.bottom, box.left : box.right], box)
    except DeliveryProblem:
        return None
    return tube if tube.half_px >= 3.0 else None


def _scale_strength(picture: FloatArray, tube: Tube, division_ml: float) -> float:
    """How clearly the lines in a tube are a scale that its bore can hold; 0 if they are not.

    A tube of a width holds so much per length, so only some spacings of lines are possible.
    """
    box = tube.box
    strip = log_strip(picture[box.top : box.bottom, box.left : box.right], strip_maps(tube))
    best = 0.0
    for mm_per_ml in _MM_PER_ML:
        half_mm = math.sqrt(1000.0 / (math.pi * mm_per_ml)) + _WALL_MM
        rough = half_mm / (mm_per_ml * tube.half_px)
        scale = read_scale(strip, np.ones(len(strip), dtype=bool), division_ml, rough)
        if scale is None or scale.strength < _CLEAR_SCALE:
            continue
        usual = scale.ml_per_px * 0.1 / division_ml
        if scale.sigma_ml < _EVEN_ML and bore_fits(tube.half_px, usual):
            best = max(best, scale.strength)
    return best


def _straight_part(picture: FloatArray, tube: Tube) -> Box | None:
    """Rows in which a tube has both walls and is as light inside as elsewhere: no tap, no stand.

    They may reach beyond the field of lines that was found.
    """
    box, high = tube.box, picture.shape[0]
    tops = np.arange(0, high - _BAND_PX + 1, _BAND_PX)
    walls, inside = np.zeros(tops.size), np.zeros(tops.size)
    for k, top in enumerate(tops.tolist()):
        row = np.median(picture[top : top + _BAND_PX], axis=0)
        edge = np.abs(np.gradient(row))
        axis = tube.x_px + tube.lean * (top + 0.5 * _BAND_PX - tube.y_px)
        walls[k] = min(
            float(edge[max(round(at) - 3, 0) : max(round(at) + 3, 1)].max(initial=0.0))
            for at in (axis - tube.half_px, axis + tube.half_px)
        )
        left = max(round(axis - 0.5 * tube.half_px), 0)
        part = row[left : max(round(axis + 0.5 * tube.half_px), left + 1)]
        inside[k] = float(np.median(part)) if part.size else 0.0
    known = (tops >= box.top) & (tops + _BAND_PX <= box.bottom)
    if not known.any():
        return None
    usual = max(float(np.median(inside[known])), 1e-3)
    good = walls > _WALL_PART * float(np.median(walls[known]))
    good &= np.abs(np.log(np.maximum(inside, 1e-3) / usual)) < _INSIDE
    runs = np.flatnonzero(np.diff(np.r_[False, good, False])).reshape(-1, 2)
    if not len(runs):
        return None
    first, end = (int(v) for v in runs[np.argmax([known[a:b].sum() for a, b in runs])])
    # What ends the tube may reach into the last good band; at the edge of the picture nothing does.
    top = first * _BAND_PX + (_BAND_PX // 2 if first else 0)
    bottom = high if end == tops.size else end * _BAND_PX - _BAND_PX // 2
    out = abs(tube.lean) * (bottom - top)
    part_box = Box(math.floor(box.left - out), top, math.ceil(box.right + out), bottom)
    return _wider(picture, part_box, 0) if bottom - top >= _LEAST_PX else None


def _box_of(tube: Tube, frame: Frame) -> Box:
    """Box a little wider than the tube."""
    lean = abs(tube.lean) * 0.5 * tube.box.height
    out = 1.5 * tube.half_px + lean + 3.0
    return Box(
        max(math.floor(tube.x_px - out), 0),
        tube.box.top,
        min(math.ceil(tube.x_px + out), frame.width),
        tube.box.bottom,
    )


# Drops -----------------------------------------------------------------------------------------


def find_tip(source: PictureSource) -> Box:
    """Box in which drops fall, from the tip of the burette to the flask.

    Parameters
    ----------
    source:
        A film of which parts can be read.

    Raises
    ------
    UnseenVolume
        No place was found, or several.
    """
    if not isinstance(source, SeekingSource):
        raise unseen("tip-not-found")
    times = source.stamps().time_s
    if times.size < 10:
        raise unseen("tip-not-found")
    begins = np.linspace(float(times[0]), max(float(times[-1]) - _BURST_S, 0.0), _BURSTS)
    spans = Spans.of((begin, begin + _BURST_S) for begin in begins.tolist())
    events, step, size = _events(source.frames_within(spans), spans)
    boxes = [_widened(box, step, size) for box in _falls(events)]
    sure = [box for box in boxes if _drops_in(source, spans, box) >= _LEAST_DROPS]
    if not sure:
        raise unseen("tip-not-found")
    best = max(sure, key=lambda box: box.height)
    if any(box.right < best.left or box.left > best.right for box in sure):
        raise unseen("tip-not-found")
    return best


def _events(frames: Iterator[Frame], spans: Spans) -> tuple[NDArray[np.int64], int, Box]:
    """How often each place was unlike the pictures before and after, in the same sense."""
    import cv2

    held: list[Pixels] = []
    events: NDArray[np.int64] = np.zeros((1, 1), dtype=np.int64)
    usual: Pixels | None = None
    step, span, whole = 1, -1, Box(0, 0, 1, 1)
    for frame in frames:
        if usual is None:
            whole = Box(0, 0, frame.width, frame.height)
            step = max(1, -(-max(frame.width, frame.height) // _LONG_SIDE))
        if spans.which(frame.time_s) != span:
            span, held = spans.which(frame.time_s), []
        light = np.asarray(grey(frame, whole, step), dtype=np.float32)
        held = [*held[-2:], np.log(np.maximum(light, np.float32(0.03)))]
        if len(held) < 3:
            continue
        before, here, after = held
        rise, fall = here - before, here - after
        # The smaller of two of the same sense, 0 of two that are not.
        impulse = np.maximum(np.minimum(rise, fall), 0.0) - np.minimum(np.maximum(rise, fall), 0.0)
        soft = np.asarray(cv2.GaussianBlur(impulse, (0, 0), 1.0), dtype=np.float32)
        if usual is None:
            usual, events = soft.copy(), np.zeros(soft.shape, dtype=np.int64)
        events += soft > np.maximum(_EVENT_RATIO * usual, _EVENT)
        usual += 0.05 * (np.minimum(soft, 4.0 * usual + 0.002) - usual)
    return events, step, whole


def _falls(events: NDArray[np.int64]) -> list[Box]:
    """Tall narrow fields of places with events, the tallest first."""
    import cv2

    high, wide = events.shape
    hit = (events >= 1).astype(np.uint8)
    # Falls leave gaps between the places of two pictures; many falls fill most of them.
    tall = np.ones((max(high // 24, 7), 3), dtype=np.uint8)
    closed = cv2.morphologyEx(hit, cv2.MORPH_CLOSE, tall)
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((3, 2), dtype=np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(opened)
    fields = []
    for k in range(1, count):
        left, top, across, down = (int(v) for v in stats[k][:4])
        if down >= max(0.04 * high, 10) and down >= 2.0 * across and across < 0.08 * wide:
            fields.append((down, Box(left, top, left + across, top + down)))
    return [box for _, box in sorted(fields, key=lambda one: -one[0])[:_MOST_CANDIDATES]]


def _widened(box: Box, step: int, size: Box) -> Box:
    """Box in pixels of the picture, with room at both sides, that ends above the flask.

    Drops are seen down to its mouth, where light on the glass flickers.
    """
    out = max(2.5 * box.width, 0.25 * box.height, 10.0)
    return Box(
        max(math.floor(step * (box.left - out)), 0),
        max(step * (box.top - 2), 0),
        min(math.ceil(step * (box.right + out)), size.right),
        min(step * (box.bottom - max(round(0.1 * box.height), 1)), size.bottom),
    )


def _drops_in(source: SeekingSource, spans: Spans, box: Box) -> int:
    """Drops that are counted in a box during the looks, 0 where too much moves."""
    if box.width < 8 or box.height < 16:
        return 0
    counter = DropCounter(box)
    try:
        for frame in source.frames_within(spans):
            counter.add(frame)
        count = counter.result()
    except DeliveryProblem:
        return 0
    return int(np.sum(count.sightings >= 2))
