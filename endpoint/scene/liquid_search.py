"""Where the liquid is: by its change from red to blue, and by its look.

Two witnesses. Over time: the red-channel density of the liquid rises against its green-channel
density, everywhere in the vessel by the same course; nothing else on a bench does that, except the
coloured shadow of the liquid, which does it less. By look: a compact body, wine red to blue, with
a neutral ground around it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from endpoint.problems import NoEndpoint
from endpoint.recording import channels
from endpoint.recording.frame_median import median_over_frames
from endpoint.scene.liquid_body import (
    Candidate,
    blurred,
    connected_parts,
    follows,
    refine,
    span_of,
)
from endpoint.scene.reference_patch import ground_white
from endpoint.scene.stack import Array, Mask, Stack

_LEAST_CHANGE = 0.035
"""Rise of (red minus green) density that counts as a change of colour."""
DARKEST = 1.4
"""A pixel darker than the ground by more than this in all channels is not looked at."""
LEAST_SHARE = 0.0035
_MOST_SHARE = 0.7
LEAST_LOOK = 0.3
"""Score below which a body is not taken for a vessel when nothing changes colour."""
_FROM_CYAN, _FROM_PURPLE = (5.0, 15.0), (100.0, 20.0)
"""Angle, degrees as in `colourfulness`, from which a colour counts, and over which it begins to."""
_RED_WORTH = 1.5
"""Worth of a wine-red body against a blue one of the same shape. A liquid that is blue from the
start is still found where nothing red is as compact."""
LEAST_PIXELS = 12
_LEVELS = (0.03, 0.05, 0.08, 0.13, 0.2, 0.3, 0.45, 0.65, 0.9)


def found(stack: Stack, body: Candidate | None = None) -> tuple[Mask, float, Candidate]:
    """Pure part of the best body, or of the one that is given, with its confidence.

    Raises
    ------
    NoEndpoint
        "no-flask": nothing is left of any body that looks or behaves like the liquid.
    """
    if body is not None:
        mask = refine(stack, body)
        if mask.sum() < LEAST_PIXELS:
            raise NoEndpoint("no-flask")
        return mask, body.score, body
    white = ground_white(stack)
    changing = by_change(stack, white)
    bodies = by_look(stack, white)
    if changing is not None:
        # A faint, late or partial change tells where the liquid is; its look outlines it better.
        size = changing.mask.sum()
        same = [b for b in bodies if (b.mask & changing.mask).sum() > 0.7 * size]
        partial = any(b.score > 0.3 and b.mask.sum() > 6.0 * size for b in same)
        if changing.clear and not partial:
            bodies = [changing, *bodies]
        else:
            likely = [replace(b, score=b.score + 0.25, hint=changing.course) for b in same]
            others = [b for b in bodies if all(b is not s for s in same)]
            bodies = sorted([*likely, *others, changing], key=lambda b: -b.score)
    for body in bodies[:5]:
        if body.score < LEAST_LOOK:
            break
        mask = refine(stack, body)
        if mask.sum() >= LEAST_PIXELS:
            return mask, float(np.clip(body.score, 0.0, 1.0)), body
    raise NoEndpoint("no-flask")


def _best_split(chroma: Array, red: Array) -> int:
    """The cut in time that parts red from blue best; 0 if there is none."""
    count = len(chroma)
    best, best_gain = 0, 0.0
    # One or two frames may show a hand, or a plume of titrant that is not yet mixed in.
    for cut in range(3, count - 2):
        rise = median_over_frames(chroma[cut:]) - median_over_frames(chroma[:cut])
        up = median_over_frames(red[cut:]) - median_over_frames(red[:cut])
        over = up - rise
        good = (rise > _LEAST_CHANGE) & (up > 0.3 * rise) & (over < 0.35 * rise)
        gain = float(np.minimum(rise, 0.6)[good].sum()) * np.sqrt(cut * (count - cut)) / count
        if gain > best_gain:
            best, best_gain = cut, gain
    return best


def by_change(stack: Stack, white: Array) -> Candidate | None:
    """Find the liquid by its change of colour; None when nothing changes from red to blue."""
    count = len(stack.density)
    if count < 6:
        return None
    coarse = np.stack([blurred(d, 1.2)[::2, ::2] for d in stack.density])
    chroma = coarse[..., 0] - coarse[..., 1]
    cut = _best_split(chroma, coarse[..., 0])
    if cut == 0:
        return None
    rise = median_over_frames(chroma[cut:]) - median_over_frames(chroma[:cut])
    up = median_over_frames(coarse[cut:, ..., 0]) - median_over_frames(coarse[:cut, ..., 0])
    noise = 1.48 * float(np.median(np.abs(rise - np.median(rise))))
    least = max(_LEAST_CHANGE, 5.0 * noise)
    lit = channels.least(coarse).min(axis=0) < white.min() + DARKEST
    changed = (rise > least) & (up > 0.25 * rise) & lit
    parts = connected_parts(changed, LEAST_SHARE * changed.size)
    if not parts:
        return None
    weights = [float(np.minimum(rise[p], 0.8).sum()) * _compact(p) for p in parts]
    part = parts[int(np.argmax(weights))]
    strong = part & (rise > 0.6 * np.quantile(rise[part], 0.8))
    full = np.median(coarse[:, strong], axis=1)
    course = _uncovered((full[:, 0] - full[:, 1]).astype(np.float32), cut)
    if not np.isfinite(course).any():
        return None
    slope, rest = follows(stack, course)
    span = span_of(course)
    if span < _LEAST_CHANGE:
        return None
    same = (slope > 0.5) & (rest < 0.35 * span + 0.02)
    bodies = connected_parts(np.asarray(same), LEAST_SHARE * same.size)
    if not bodies:
        return None
    best = max(bodies, key=lambda p: float(np.minimum(slope[p], 1.2).sum()) * _compact(p))
    core = best & same & (slope > 0.6 * float(np.quantile(slope[best], 0.7)))
    change = float(rise[strong].mean())
    if not _lasts(course, cut):
        return None
    clear = change > 0.2
    score = 0.6 + min(change, 0.4) if clear else 0.5
    return Candidate(np.asarray(core), score, change, course, clear)


def _uncovered(course: Array, cut: int) -> Array:
    """The course with NaN where a hand or a shadow stood before the body."""
    low, high = float(np.median(course[:cut])), float(np.median(course[cut:]))
    slack = 0.5 * (high - low) + 0.02
    return np.where((course < low - slack) | (course > high + slack), np.nan, course).astype(
        np.float32
    )


def _lasts(course: Array, cut: int) -> bool:
    """Whether the body is of one colour first and of another later, both for some frames.

    Plumes of titrant that is not yet mixed in come and go.
    """
    if not (np.isfinite(course[:cut]).any() and np.isfinite(course[cut:]).any()):
        return False
    half = 0.5 * float(np.nanmedian(course[:cut]) + np.nanmedian(course[cut:]))
    late = course[np.isfinite(course)] > half
    count = len(late)
    fits = [int((~late[:i]).sum() + late[i:].sum()) for i in range(count)]
    return 3 <= int(late.sum()) <= count - 3 and max(fits) >= 0.88 * count


def _compact(mask: Mask) -> float:
    """Share of the body's convex hull that it fills, 0 to 1."""
    import cv2

    contours, _ = cv2.findContours(
        mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    contour = max(contours, key=cv2.contourArea)
    hull = cv2.contourArea(cv2.convexHull(contour))
    return float(np.clip(cv2.contourArea(contour) / max(hull, 1.0), 0.0, 1.0))


def angle_of(density: Array) -> Array:
    """Direction of densities, shape (..., 3), in the plane of colours, degrees, -90 to 270.

    0 is cyan, 50 blue, 120 purple, 180 wine red, 207 pure red, 244 orange.
    """
    red, green, blue = density[..., 0], density[..., 1], density[..., 2]
    angle = np.degrees(np.arctan2(0.5 * (red + green) - blue, red - green))
    return np.asarray(np.where(angle < -90, angle + 360, angle), dtype=np.float32)


def colourfulness(density: Array, red_only: bool = False) -> Array:
    """How much a density is that of the indicator: 0 for neutral, yellow, orange and green.

    Parameters
    ----------
    density:
        Relative to the neutral ground, shape (..., 3), log10 units.
    red_only:
        Whether blue counts as nothing, too.
    """
    angle = angle_of(density)
    chroma = channels.largest(density) - channels.least(density)
    low, over = _FROM_PURPLE if red_only else _FROM_CYAN
    fade = np.clip((angle - low) / over, 0, 1) * np.clip((208.0 - angle) / 10.0, 0, 1)
    lit = channels.least(density) < DARKEST
    return np.asarray(chroma * fade * lit, dtype=np.float32)


def by_look(stack: Stack, white: Array) -> list[Candidate]:
    """Bodies with the colour of the indicator, best first."""
    parts = _thirds(stack)
    bodies: list[Candidate] = []
    # A titration begins red: what is blue already may be a plate, a bottle, a glove, a coat.
    for red_only, worth in ((False, 1.0), (True, _RED_WORTH)):
        begins = parts[:2] if red_only else parts
        colour = np.stack([colourfulness(part - white, red_only) for part in begins])
        found = bodies_in(np.stack([blurred(each, 1.0) for each in colour]).max(axis=0), stack)
        bodies += [
            replace(widest(c, found), score=(worth if c.score >= LEAST_LOOK else 1.0) * c.score)
            for c in found[:6]
        ]
    return sorted(bodies, key=lambda c: -c.score)[:6]


def bodies_in(colour: Array, stack: Stack) -> list[Candidate]:
    """Compact bodies in a map of colour, best first."""
    found: list[Candidate] = []
    for level in _LEVELS:
        for part in connected_parts(colour > level, LEAST_SHARE * colour.size):
            score = _look_score(part, colour, stack)
            if score > 0.0:
                found.append(Candidate(part, score, 0.0, None))
    return sorted(found, key=lambda c: -c.score)


def widest(body: Candidate, others: list[Candidate]) -> Candidate:
    """The largest outline of the same body that scores nearly as well."""
    size = float(body.mask.sum())
    same = [
        c
        for c in others
        if c.score > 0.8 * body.score
        and c.mask.sum() < 4.0 * size
        and (c.mask & body.mask).sum() > 0.95 * size
    ]
    return replace(max(same, key=lambda c: int(c.mask.sum())), score=body.score)


def _thirds(stack: Stack) -> list[Array]:
    """Median densities of all frames and of the first and last third: the colour may leave."""
    third = len(stack.density) // 3
    if third < 5:
        return [stack.middle]
    ends = (stack.density[:third], stack.density[-third:])
    return [stack.middle, *(median_over_frames(part).astype(np.float32) for part in ends)]


def _look_score(part: Mask, colour: Array, stack: Stack) -> float:
    """How well a body fits a vessel with coloured liquid, 0 to 1."""
    import cv2

    height, width = part.shape
    area = float(part.sum())
    share = area / part.size
    if not LEAST_SHARE <= share <= _MOST_SHARE:
        return 0.0
    rows, columns = np.nonzero(part)
    wide, tall = np.ptp(columns) + 1.0, np.ptp(rows) + 1.0
    if not 0.3 <= wide / tall <= 6.0:
        return 0.0
    sides = float(part[:, 0].mean() + part[:, -1].mean() + part[0].mean() * width / height)
    kernel = np.ones((3, 3), np.uint8)
    inner = cv2.erode(part.astype(np.uint8), kernel, iterations=2).astype(bool)
    outer = cv2.dilate(part.astype(np.uint8), kernel, iterations=4).astype(bool)
    ring = outer & ~cv2.dilate(part.astype(np.uint8), kernel, iterations=2).astype(bool)
    if inner.sum() < 8 or ring.sum() < 8:
        return 0.0
    inside = float(np.median(colour[inner]))
    contrast = 1.0 - float(np.quantile(colour[ring], 0.6)) / max(inside, 1e-3)
    if contrast < 0.35:
        return 0.0
    even = float(np.std(stack.middle[inner].mean(axis=1))) / (inside + 0.1)
    aside = abs(float(columns.mean()) / width - 0.5)
    middle = (1.0 - 0.9 * aside) * (0.35 if aside > 0.38 else 1.0)
    score = _compact(part) ** 2 * contrast * middle * np.clip(_base_share(part), 0.3, 1.0)
    score *= np.clip(1.6 * share**0.25, 0.0, 1.0) * np.exp(-4.0 * sides) * np.exp(-0.7 * even)
    score *= 0.75 + 0.5 * _glass_above(part, stack)
    return float(score * np.clip(inside / 0.08, 0.3, 1.0))


def _glass_above(part: Mask, stack: Stack) -> float:
    """Whether the walls of a vessel go on above the body on both sides, 0 to 1."""
    rows, columns = np.nonzero(part)
    tall, wide = int(np.ptp(rows)) + 1, int(np.ptp(columns)) + 1
    top = int(rows.min())
    upper, lower = max(top - tall, 0), max(top - 3, 0)
    if lower - upper < 4:
        return 0.0
    middle = round(float(columns.mean()))
    strip = blurred(np.ascontiguousarray(channels.mean(stack.middle[upper:lower])), 0.7)
    change = np.abs(np.diff(strip, axis=1))
    quiet = float(np.median(change)) + 0.004
    left = change[:, max(middle - int(0.62 * wide), 0) : max(middle - wide // 10, 1)]
    right = change[:, middle + wide // 10 : middle + int(0.62 * wide)]
    if left.size == 0 or right.size == 0:
        return 0.0
    found = min(float((side.max(axis=1) > 3.0 * quiet).mean()) for side in (left, right))
    return float(np.clip((found - 0.3) / 0.5, 0.0, 1.0))


def _base_share(part: Mask) -> float:
    """Width of the lowest third over that of the highest third, at most 1."""
    rows = np.flatnonzero(part.any(axis=1))
    widths = part[rows[0] : rows[-1] + 1].sum(axis=1)
    third = max(len(widths) // 3, 1)
    return min(float(widths[-third:].max()) / max(float(widths[:third].max()), 1.0), 1.0)
