"""From a body that may be the liquid to its pure part: no rim, glare, bar, surface or shadow."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.recording import channels
from endpoint.recording.frame_median import median_over_frames
from endpoint.scene.stack import Array, Mask, Stack

_BLACK = 2.4
"""Density at which a channel is at its lower limit and tells nothing more: 1/250 of white."""
_FEW_BLACK = 0.1
"""Share of such pixels, as noise makes them, that a piece may have."""
_LARGER = 4.0
"""How many times larger a piece with such pixels must be than one without to be taken instead."""
_AROUND = 8
"""Pixels around a body that its blurred and cleaned maps depend on: 5 from one to the next."""


@dataclass(frozen=True, eq=False)
class Candidate:
    """A body that may be the liquid."""

    mask: Mask
    score: float
    change: float
    """Rise of (red minus green) density over the recording, log10 units."""
    course: Array | None
    """Red minus green density in every frame, NaN where it was covered; None if unchanging."""
    clear: bool = False
    """The change is strong and lasts: it alone outlines the liquid."""
    hint: Array | None = None
    """A course that is too faint to outline the body but tells its coloured shadow."""


def blurred(values: Array, sigma: float) -> Array:
    """Smooth a map of shape (h, w) or (h, w, 3) with a Gaussian of `sigma` pixels."""
    import cv2

    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma), dtype=np.float32)


def connected_parts(mask: Mask, least: float) -> list[Mask]:
    """Connected parts of at least `least` pixels, largest first, holes filled."""
    import cv2

    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    order = np.argsort(-stats[1:, cv2.CC_STAT_AREA]) + 1
    parts = [labels == i for i in order[:12] if stats[i, cv2.CC_STAT_AREA] >= least]
    return [_filled(part) for part in parts]


def _filled(part: Mask) -> Mask:
    """Part with its holes: what cannot be reached from outside without going through it."""
    import cv2

    padded = cv2.copyMakeBorder(part.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    cv2.floodFill(padded, None, (0, 0), (2,))
    return np.asarray(padded[1:-1, 1:-1] != 2)


def span_of(course: Array) -> float:
    """Range of a course whose covered frames are NaN."""
    return float(np.nanmax(course) - np.nanmin(course))


def follows(stack: Stack, course: Array) -> tuple[Array, Array]:
    """How much of `course` every pixel shows (1 = all of it), and what it does besides."""
    seen = np.isfinite(course)
    density = stack.density[seen]
    course = course[seen]
    chroma = np.stack([blurred(d[..., 0] - d[..., 1], 1.0) for d in density])
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
        rest = 1.48 * median_over_frames(away)
        weight = np.where(away > 3.0 * rest + 0.01, 0.02, 1.0).astype(np.float32)
    return slope.astype(np.float32), rest.astype(np.float32)


@dataclass(frozen=True, eq=False)
class _Part:
    """A piece of the body before one ground."""

    mask: Mask
    strength: float
    level: float
    worth: float
    black: float
    """Share of its pixels in which a channel is at its lower limit."""


def refine(stack: Stack, candidate: Candidate) -> Mask:
    """Pure liquid: what has the body's colour at every stage, off the edges, without glare.

    Before several grounds, or seen through its surface and through the wall, the body has several
    colours. The piece that is large, strongly coloured and well lit is taken, with its like next to
    it; what lies above or below it is the surface or the foot.
    """
    pure = np.zeros(stack.shape, np.bool_)
    rows, columns = (np.flatnonzero(candidate.mask.any(axis=k)) for k in (1, 0))
    if rows.size:
        there = (_around(rows), _around(columns))
        near = replace(candidate, mask=candidate.mask[there])
        pure[there] = _refined(stack.part(*there), near)
    return pure


def _around(places: NDArray[np.intp]) -> slice:
    return slice(max(int(places[0]) - _AROUND, 0), int(places[-1]) + _AROUND + 1)


def _refined(stack: Stack, candidate: Candidate) -> Mask:
    stages = _stages(stack, candidate.course)
    steady = _steady_part(stack, candidate)
    left = candidate.mask & steady
    parts: list[_Part] = []
    for _ in range(4):
        if left.sum() < max(8.0, 0.03 * float(candidate.mask.sum())):
            break
        seed = _before_one_ground(stages, left)
        if not seed.any():
            break
        like = _like(stages, seed) & steady
        parts += _pieces(_cleaned(candidate.mask, like), stages)
        left = left & ~seed & ~like
    if not parts:
        return np.zeros(stack.shape, np.bool_)
    return _together(parts)


def _pieces(mask: Mask, stages: Array) -> list[_Part]:
    from scipy.ndimage import label

    labels, count = label(mask)
    pieces = []
    for i in range(1, count + 1):
        piece = labels == i
        size = float(piece.sum())
        if size >= 6:
            values = stages[piece]
            strength, level = _strength(values), float(values.mean())
            worth = float(size**0.45 * strength**2 * 10.0 ** (-0.3 * level))
            black = float((values > _BLACK).any(axis=1).mean())
            pieces.append(_Part(piece, strength, level, worth, black))
    return pieces


def _together(parts: list[_Part]) -> Mask:
    """The best piece and its neighbours that are as strong; brighter ones may be glare."""
    lit = max((int(part.mask.sum()) for part in parts if part.black < _FEW_BLACK), default=0)
    # Strength without a channel only seems so; but in a dark liquid no large piece is better.
    fit = [p for p in parts if p.black < _FEW_BLACK or _LARGER * lit < p.mask.sum()]
    main = max(fit, key=lambda p: p.worth if lit else p.worth * (1.0 - p.black) ** 2)
    rows = np.flatnonzero(main.mask.any(axis=1))
    kept = main.mask.copy()
    for part in parts:
        if part.strength < 0.7 * main.strength or part.level < main.level - 0.06:
            continue
        own = np.flatnonzero(part.mask.any(axis=1))
        shared = min(rows[-1], own[-1]) - max(rows[0], own[0]) + 1
        if shared > 0.6 * min(len(own), len(rows)) and len(own) > 0.4 * len(rows):
            kept |= part.mask
    return kept


def _strength(values: Array) -> float:
    """How far the body is from neutral, over its stages; for a changing body the change itself."""
    typical = np.median(values, axis=0).reshape(-1, 3)
    if len(typical) == 2:
        return float(np.ptp(typical[:, 0] - typical[:, 1]))
    return float(typical.max() - typical.min())


def _steady_part(stack: Stack, candidate: Candidate) -> Mask:
    """Pixels that are not glare, do not flicker and change as the body does, if it changes."""
    steady = ~stack.glare
    if len(stack.density) > 3:
        bright = channels.mean(stack.density)
        flicker = blurred(median_over_frames(np.abs(np.diff(bright, axis=0))), 1.0)
        steady &= flicker < 2.5 * float(np.median(flicker[candidate.mask])) + 0.009
    if candidate.course is not None:
        slope, rest = follows(stack, candidate.course)
        usual = float(np.median(slope[candidate.mask]))
        span = span_of(candidate.course)
        steady &= (slope > 0.6 * usual) & (rest < 0.25 * span + 0.03)
    return np.asarray(steady)


def _cleaned(seed: Mask, like: Mask) -> Mask:
    """The main part of the body without thin tails, rim and spots."""
    import cv2

    near = cv2.dilate(seed.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    body = np.zeros(seed.shape, np.bool_)
    for part in connected_parts(like & near, 6):
        # Tails of coloured shadow are thin compared with the body that they hang on.
        body |= _eroded(_eroded(part, 0.07, True), 0.05, False)
    # The edge of the surface is wider than the walls, and it moves while the vessel fills.
    steps = max(1, round(0.035 * float(np.sqrt(seed.sum()))))
    body = cv2.erode(body.astype(np.uint8), np.ones((2 * steps + 1, 1), np.uint8)) > 0
    spots = cv2.dilate((~like & body).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    return np.asarray(body & ~spots, dtype=np.bool_)


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
    tint = stages - channels.mean(stages.reshape(*stages.shape[:2], -1, 3)).repeat(3, axis=2)
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
        return blurred(stack.middle, 0.7)
    half = 0.5 * float(np.nanmin(course) + np.nanmax(course))
    early, late = stack.density[course < half], stack.density[course >= half]
    pair = [blurred(median_over_frames(part), 0.7) for part in (early, late)]
    return np.asarray(np.concatenate(pair, axis=2), dtype=np.float32)
