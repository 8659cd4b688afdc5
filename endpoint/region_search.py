"""Where the liquid is: by its change from red to blue, and by its look.

Two witnesses. Over time: the red-channel density of the liquid rises against its green-channel
density, everywhere in the vessel by the same course; nothing else on a bench does that, except the
coloured shadow of the liquid, which does it less. By look: a compact body, wine red to blue, with
a neutral ground around it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from endpoint.region_stack import Array, Mask, Stack

_LEAST_CHANGE = 0.035
"""Rise of (red minus green) density that counts as a change of colour."""
_LEAST_SHARE = 0.0035
_MOST_SHARE = 0.7
_LEVELS = (0.03, 0.05, 0.08, 0.13, 0.2, 0.3, 0.45, 0.65, 0.9)


@dataclass(frozen=True, eq=False)
class Candidate:
    """A body that may be the liquid."""

    mask: Mask
    score: float
    change: float
    """Rise of (red minus green) density over the recording, log10 units."""
    course: Array | None
    """Red minus green density in every frame, or None when it does not change."""
    clear: bool = False
    """The change is strong and lasts: it alone outlines the liquid."""


def _blur(values: Array, sigma: float) -> Array:
    import cv2

    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma), dtype=np.float32)


def _components(mask: Mask, least: float) -> list[Mask]:
    """Connected parts of at least `least` pixels, largest first, holes filled."""
    import cv2
    from scipy.ndimage import binary_fill_holes

    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    order = np.argsort(-stats[1:, cv2.CC_STAT_AREA]) + 1
    parts = [labels == i for i in order[:12] if stats[i, cv2.CC_STAT_AREA] >= least]
    return [np.asarray(binary_fill_holes(part), dtype=np.bool_) for part in parts]


def _best_split(chroma: Array, red: Array, green: Array) -> tuple[int, float]:
    """The cut in time that parts red from blue best, and what it gathers."""
    count = len(chroma)
    best, best_gain = 0, 0.0
    # A single frame may show a plume of titrant that is not yet mixed in.
    for cut in range(2, count - 1):
        rise = np.median(chroma[cut:], axis=0) - np.median(chroma[:cut], axis=0)
        up = red[cut:].mean(axis=0) - red[:cut].mean(axis=0)
        over = green[cut:].mean(axis=0) - green[:cut].mean(axis=0)
        good = (rise > _LEAST_CHANGE) & (up > 0.3 * rise) & (over < 0.35 * rise)
        gain = float(np.minimum(rise, 0.6)[good].sum()) * np.sqrt(cut * (count - cut)) / count
        if gain > best_gain:
            best, best_gain = cut, gain
    return best, best_gain


def _follows(stack: Stack, course: Array) -> tuple[Array, Array]:
    """How much of `course` every pixel shows (1 = all of it), and what it does besides."""
    chroma = np.stack([_blur(d[..., 0] - d[..., 1], 1.0) for d in stack.density])
    weight = np.ones_like(chroma)
    slope = np.zeros(stack.shape, np.float32)
    rest = np.zeros(stack.shape, np.float32)
    x = course[:, None, None]
    for _ in range(2):
        total = weight.sum(axis=0)
        x0 = (weight * x).sum(axis=0) / total
        y0 = (weight * chroma).sum(axis=0) / total
        spread = (weight * (x - x0) ** 2).sum(axis=0)
        slope = (weight * (x - x0) * (chroma - y0)).sum(axis=0) / np.maximum(spread, 1e-9)
        away = np.abs(chroma - y0 - slope * (x - x0))
        rest = 1.48 * np.median(away, axis=0)
        weight = np.where(away > 3.0 * rest + 0.01, 0.02, 1.0).astype(np.float32)
    return slope.astype(np.float32), rest.astype(np.float32)


def by_change(stack: Stack) -> Candidate | None:
    """Find the liquid by its change of colour; None when nothing changes from red to blue."""
    count = len(stack.density)
    if count < 4:
        return None
    coarse = np.stack([_blur(d, 1.2)[::2, ::2] for d in stack.density])
    chroma = coarse[..., 0] - coarse[..., 1]
    cut, _ = _best_split(chroma, coarse[..., 0], coarse[..., 1])
    if cut == 0:
        return None
    rise = np.median(chroma[cut:], axis=0) - np.median(chroma[:cut], axis=0)
    up = coarse[cut:, ..., 0].mean(axis=0) - coarse[:cut, ..., 0].mean(axis=0)
    noise = 1.48 * float(np.median(np.abs(rise - np.median(rise))))
    least = max(_LEAST_CHANGE, 5.0 * noise)
    changed = (rise > least) & (up > 0.25 * rise)
    parts = _components(changed, _LEAST_SHARE * changed.size)
    if not parts:
        return None
    weights = [float(np.minimum(rise[p], 0.8).sum()) * _compact(p) for p in parts]
    part = parts[int(np.argmax(weights))]
    strong = part & (rise > 0.6 * np.quantile(rise[part], 0.8))
    full = np.median(coarse[:, strong], axis=1)
    course = (full[:, 0] - full[:, 1]).astype(np.float32)
    slope, rest = _follows(stack, course)
    span = float(np.ptp(course))
    if span < _LEAST_CHANGE:
        return None
    same = (slope > 0.5) & (rest < 0.35 * span + 0.02)
    bodies = _components(np.asarray(same), _LEAST_SHARE * same.size)
    if not bodies:
        return None
    best = max(bodies, key=lambda p: float(np.minimum(slope[p], 1.2).sum()) * _compact(p))
    core = best & same & (slope > 0.6 * float(np.quantile(slope[best], 0.7)))
    change = float(rise[strong].mean())
    clear = change > 0.2 and _lasts(course)
    score = 0.6 + min(change, 0.4) if clear else 0.5
    return Candidate(np.asarray(core), score, change, course, clear)


def _lasts(course: Array) -> bool:
    """Whether the body is of one colour first and of another later, both for some frames.

    Plumes of titrant that is not yet mixed in come and go.
    """
    count = len(course)
    late = course > 0.5 * (float(np.quantile(course, 0.03)) + float(np.quantile(course, 0.97)))
    fits = [int((~late[:cut]).sum() + late[cut:].sum()) for cut in range(count)]
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


def colourfulness(density: Array) -> Array:
    """How much a density is that of the indicator: 0 for neutral, yellow, orange and green.

    Parameters
    ----------
    density:
        Relative to the neutral ground, shape (..., 3), log10 units.
    """
    red, green, blue = density[..., 0], density[..., 1], density[..., 2]
    across = red - green
    down = 0.5 * (red + green) - blue
    angle = np.degrees(np.arctan2(down, across))
    # 0 degrees is cyan, 50 blue, 120 purple, 180 wine red, 207 pure red, 244 orange.
    angle = np.where(angle < -90, angle + 360, angle)
    chroma = density.max(axis=-1) - density.min(axis=-1)
    fade = np.clip((angle + 5.0) / 20.0, 0, 1) * np.clip((208.0 - angle) / 10.0, 0, 1)
    return np.asarray(chroma * fade, dtype=np.float32)


def by_look(stack: Stack, white: Array) -> list[Candidate]:
    """Bodies with the colour of the indicator, best first."""
    colour = np.max([_blur(colourfulness(part - white), 1.0) for part in _thirds(stack)], axis=0)
    found: list[Candidate] = []
    for level in _LEVELS:
        for part in _components(colour > level, _LEAST_SHARE * colour.size):
            score = _look_score(part, colour, stack)
            if score > 0.0:
                found.append(Candidate(part, score, 0.0, None))
    return sorted(found, key=lambda c: -c.score)


def _thirds(stack: Stack) -> list[Array]:
    """Median densities of all frames and of the first and last third: the colour may leave."""
    third = len(stack.density) // 3
    if third < 3:
        return [stack.middle]
    ends = (stack.density[:third], stack.density[-third:])
    return [stack.middle, *(np.median(part, axis=0).astype(np.float32) for part in ends)]


def _look_score(part: Mask, colour: Array, stack: Stack) -> float:
    """How well a body fits a vessel with coloured liquid, 0 to 1."""
    import cv2

    height, width = part.shape
    area = float(part.sum())
    share = area / part.size
    if not _LEAST_SHARE <= share <= _MOST_SHARE:
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
    middle = int(round(float(columns.mean())))
    strip = _blur(np.ascontiguousarray(stack.middle.mean(axis=2)[upper:lower]), 0.7)
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


def refine(stack: Stack, candidate: Candidate) -> Mask:
    """Pure liquid: what has the body's colour at every stage, off the edges, without glare.

    Before two grounds, or seen through its surface and through the wall, the body has several
    colours: the one that is strong and fills much of it is taken.
    """
    stages = _stages(stack, candidate.course)
    steady = _steady_part(stack, candidate)
    left = candidate.mask & steady
    best, best_worth = np.zeros(stack.shape, np.bool_), 0.0
    for _ in range(3):
        if left.sum() < 8:
            break
        seed = _before_one_ground(stages, left)
        like = _like(stages, seed) & steady
        mask = _cleaned(candidate.mask, like)
        if mask.any():
            worth = _worth(mask, stages)
            if worth > best_worth:
                best, best_worth = mask, worth
        left = left & ~seed & ~like
    return best


def _worth(mask: Mask, stages: Array) -> float:
    """Preference among the parts of a body: large, strongly coloured, well lit."""
    values = stages[mask]
    bright = float(10.0 ** (-0.3 * values.mean()))
    return float(mask.sum()) ** 0.35 * _strength(values) ** 1.5 * bright


def _strength(values: Array) -> float:
    """How far the body is from neutral, over its stages; for a changing body the change itself."""
    typical = np.median(values, axis=0).reshape(-1, 3)
    if len(typical) == 2:
        return float(np.ptp(typical[:, 0] - typical[:, 1]))
    return float(typical.max() - typical.min())


def _steady_part(stack: Stack, candidate: Candidate) -> Mask:
    """Pixels that are not clipped, do not flicker and, if the body changes, go its course."""
    steady = ~stack.clipped
    if len(stack.density) > 3:
        bright = stack.density.mean(axis=3)
        flicker = _blur(np.median(np.abs(np.diff(bright, axis=0)), axis=0), 1.0)
        steady &= flicker < 2.0 * float(np.median(flicker[candidate.mask])) + 0.006
    if candidate.course is not None:
        slope, rest = _follows(stack, candidate.course)
        usual = float(np.median(slope[candidate.mask]))
        span = float(np.ptp(candidate.course))
        steady &= (slope > 0.6 * usual) & (rest < 0.25 * span + 0.03)
    return np.asarray(steady)


def _cleaned(seed: Mask, like: Mask) -> Mask:
    """The main part of the body without thin tails, rim and spots."""
    import cv2

    near = cv2.dilate(seed.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    body = np.zeros(seed.shape, np.bool_)
    for part in _components(like & near, 6):
        # Tails of coloured shadow are thin beside the body that they hang on.
        body |= _eroded(_eroded(part, 0.07, True), 0.05, False)
    spots = cv2.dilate((~like & body).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    return _lowest(np.asarray(body & ~spots, dtype=np.bool_))


def _lowest(body: Mask) -> Mask:
    """The lowest large part and what stands beside it.

    The surface of the liquid, seen from above, lies over the body that is seen through the wall.
    """
    from scipy.ndimage import label

    labels, count = label(body)
    sizes = np.bincount(labels.ravel())[1:]
    if count < 2:
        return body
    large = [i + 1 for i in range(count) if sizes[i] >= 0.3 * sizes.max()]
    rows = {i: np.flatnonzero((labels == i).any(axis=1)) for i in large}
    main = max(large, key=lambda i: float(np.nonzero(labels == i)[0].mean()))
    top, bottom = rows[main][0], rows[main][-1]
    kept = np.zeros_like(body)
    for i in large:
        shared = min(bottom, rows[i][-1]) - max(top, rows[i][0]) + 1
        if shared > 0.6 * min(len(rows[i]), bottom - top + 1):
            kept |= labels == i
    return kept


def _eroded(mask: Mask, share: float, regrow: bool) -> Mask:
    """Take off a rim of `share` of the body's size (at least one pixel); with `regrow`, open."""
    import cv2

    steps = max(1, round(share * float(np.sqrt(mask.sum()))))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * steps + 1, 2 * steps + 1))
    n = 2 * steps
    padded = cv2.copyMakeBorder(mask.astype(np.uint8), n, n, n, n, cv2.BORDER_CONSTANT, value=0)
    kept = cv2.erode(padded, disc)
    if regrow:
        kept = cv2.dilate(kept, disc)
    return np.asarray(kept[n:-n, n:-n] > 0)


def _like(stages: Array, seed: Mask) -> Mask:
    """Pixels with the colour of the seed at every stage."""
    typical = np.median(stages[seed], axis=0)
    # The path through a round vessel varies, which scales the colour and the brightness together.
    tint = stages - stages.reshape(*stages.shape[:2], -1, 3).mean(axis=3).repeat(3, axis=2)
    plain = typical - typical.reshape(-1, 3).mean(axis=1).repeat(3)
    scale = np.tensordot(tint, plain, axes=(2, 0)) / max(float(plain @ plain), 1e-6)
    rest = np.linalg.norm(tint - scale[..., None] * plain, axis=2)
    like = (rest < 0.3 * float(np.linalg.norm(plain)) + 0.02) & (scale > 0.65) & (scale < 1.5)
    level = stages.mean(axis=2)
    both = seed & like
    darker = level - _smooth_level(level, both)
    below = darker[both & (darker > 0)]
    spread = 1.48 * float(np.median(below)) if below.size else 0.0
    # Glare only adds light, so the bright side is held tighter.
    like &= darker < min(max(3.0 * spread, 0.035), 0.1)
    like &= -darker < min(max(2.0 * spread, 0.035), 0.06)
    return np.asarray(like)


def _before_one_ground(stages: Array, seed: Mask) -> Mask:
    """The part of the body that stands before the ground which fills most of it."""
    values = stages[seed]
    if len(values) < 20:
        return seed
    some = values[:: len(values) // 400 + 1]
    apart = np.linalg.norm(some[:, None] - some[None], axis=2)
    close = float(np.quantile(apart, 0.2)) + 0.05
    typical = np.median(some[apart[int((apart < close).sum(axis=1).argmax())] < close], axis=0)
    colour = typical.reshape(-1, 3)
    reach = 0.12 + 0.3 * float(np.linalg.norm(colour - colour.mean(axis=1, keepdims=True)))
    return np.asarray(seed & (np.linalg.norm(stages - typical, axis=2) < reach))


def _smooth_level(level: Array, seed: Mask) -> Array:
    """Brightness of the body as a smooth surface through most of its pixels, shape of `level`."""
    rows, columns = np.nonzero(seed)
    if len(rows) < 20:
        return np.full_like(level, float(np.median(level[seed])) if len(rows) else 0.0)
    values = level[seed]
    y0, x0, unit = rows.mean(), columns.mean(), max(float(np.sqrt(len(rows))), 1.0)

    def terms(y: Array, x: Array) -> Array:
        v, u = (y - y0) / unit, (x - x0) / unit
        return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)

    base = terms(rows.astype(np.float32), columns.astype(np.float32))
    near = np.ones(len(values), dtype=np.bool_)
    factors = np.zeros(6, np.float32)
    for _ in range(4):
        factors = np.linalg.lstsq(base[near], values[near], rcond=None)[0]
        away = np.abs(values - base @ factors)
        near = away < max(2.5 * 1.48 * float(np.median(away[near])), 0.02)
        if near.sum() < 20:
            break
    y, x = np.mgrid[: level.shape[0], : level.shape[1]].astype(np.float32)
    return np.asarray(terms(y, x) @ factors, dtype=np.float32)


def _stages(stack: Stack, course: Array | None) -> Array:
    """Median density before and after the change side by side, shape (h, w, 6) or (h, w, 3)."""
    if course is None:
        return _blur(stack.middle, 0.7)
    half = 0.5 * (float(course.min()) + float(course.max()))
    early, late = stack.density[course < half], stack.density[course >= half]
    pair = [_blur(np.median(part, axis=0), 0.7) for part in (early, late)]
    return np.asarray(np.concatenate(pair, axis=2), dtype=np.float32)
