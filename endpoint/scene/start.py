"""Which body is the liquid before the first drop, and which others could be.

At a live start nothing has changed colour yet. What is expected is a wine-red liquid; but a
laboratory is full of coloured things: so the bodies are ranked, and where the best is not clearly
the best the person is asked. A person may also point at the flask.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from endpoint.problems import NoEndpoint
from endpoint.recording import channels
from endpoint.recording.frame import Box, Frame
from endpoint.scene import liquid_search, stack
from endpoint.scene.liquid_body import Candidate, blurred, connected_parts, refine
from endpoint.scene.masks import outline_of
from endpoint.scene.reference_patch import ground_white
from endpoint.scene.region import Region, locate
from endpoint.scene.stack import Array, Mask, Stack

_FROM_DEG, _TO_DEG, _SOFT_DEG = 135.0, 222.0, 20.0
"""Directions of colour, degrees as in `liquid_search.angle_of`, in which wine red may lie, and the
soft part of either end. The complex absorbs from 480 to 570 nm (maximum at 520 to 545 nm): green
loses most, red least, and blue between a fifth and all of what green loses (long ways, warm light,
yellow water). That is 150 to 213. Skin lies at 225, orange at 244, violet paint at 120 to 130."""
_MOST_CHROMA = 1.7
"""Difference between the channels that a dye can show: 40 umol/L over 8 cm take 5 decades of the
light at 530 nm, but glass, glare and the neighbouring colours leave a fiftieth. Paint that is more
strongly coloured counts no more than this."""
_NOT_RED = 0.4
"""Worth of a body of another colour of the indicator: a water without hardness is blue from the
start, but much more often it is a beaker."""
_CLEARLY_BEST = 0.6
"""Part of the best body's score that the second best may have for the first to be sure. Higher, and
a red thing of the same shape is taken without a word; lower, and the person is asked for nothing.
Chosen on drawn benches, seeds below 1000 of `tests.live_benches`."""
_LEAST_SURE = 0.5
"""Score from which a body can be sure: a vessel of wine red in the middle of the picture has 0.6 to
0.8, boxes and bottles stay below 0.5. Chosen on the same benches."""
_MOST_OFFERED = 5
_LEAST_CHROMA = 0.06
_MOST_SHARE = 0.25
"""Difference between the channels, log10 units, and part of the picture of a body that only a
person's finger tells: paler, it is the ground; larger, a wall."""
_REACH = 0.02
"""How far from a body a person may point, as a part of the longer side: a finger is 1 cm wide, on
the picture of a telephone a fiftieth."""


_THUMB = 80
"""Longer side of the pictures in which a change of the scene is seen, pixels."""
_OTHER = 0.08
"""Change of an encoded channel that is no noise and no shimmer, 0 to 1: 20 of 255 levels. Indicator
that is dropped into clear water changes green by 70. Assumed."""
_AS_LARGE = liquid_search.LEAST_SHARE
"""Part of the picture that has to change: the smallest flask that is looked for."""


def thumbnail(frame: Frame) -> Array:
    """Very small encoded picture, shape (h, w, 3), 0 to 1, to see by whether the scene changed."""
    import cv2

    small = stack.reduced(frame)
    factor = _THUMB / max(small.shape[:2])
    size = (max(round(small.shape[1] * factor), 1), max(round(small.shape[0] * factor), 1))
    thumb = cv2.resize(small, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255.0
    return np.asarray(thumb, dtype=np.float32)


def differs(one: Array, other: Array) -> bool:
    """Whether something as large as a flask differs between two thumbnails of one size.

    Light that grows or fades for the whole picture does not count.
    """
    if one.shape != other.shape:
        return True
    gain = np.median(other, axis=(0, 1)) / np.maximum(np.median(one, axis=(0, 1)), 0.02)
    away = np.abs(one * gain - other).max(axis=2)
    return bool((away > _OTHER).mean() > _AS_LARGE)


@dataclass(frozen=True, eq=False)
class Start:
    """Bodies that may be the liquid, best first, in a second of pictures."""

    frames: tuple[Frame, ...] = field(repr=False)
    bodies: tuple[Candidate, ...]
    sure: bool
    """Whether the first is clearly the best."""
    seen: Stack = field(repr=False)
    transfer: str = "srgb"

    @cached_property
    def outlines(self) -> tuple[tuple[tuple[int, int], ...], ...]:
        """Polygon around every body, (x, y) in pixels of the pictures."""
        factor = self.frames[0].width / self.seen.shape[1]
        whole = Box(0, 0, self.seen.shape[1], self.seen.shape[0])
        return tuple(
            tuple((round(x * factor), round(y * factor)) for x, y in outline_of(b.mask, whole))
            for b in self.bodies
        )

    def region(self, which: int = 0, reference_box: Box | None = None) -> Region:
        """Region with one of the bodies.

        Raises
        ------
        NoEndpoint
            There is no such body, nothing of it is pure liquid, or there is no reference.
        """
        if not 0 <= which < len(self.bodies):
            raise NoEndpoint("no-flask")
        return locate(self.frames, None, reference_box, self.transfer, body=self.bodies[which])

    def pointed_at(self, x: float, y: float) -> Start:
        """The same with the body at a place, in pixels of the pictures, as the first and sure one.

        Raises
        ------
        NoEndpoint
            Nothing at this place has a colour.
        """
        factor = self.seen.shape[1] / self.frames[0].width
        body = _body_at(self.seen, int(x * factor), int(y * factor))
        others = [other for other in self.bodies if not _same(other, body)]
        return replace(self, bodies=(body, *others)[:_MOST_OFFERED], sure=True)


def look(frames: Sequence[Frame], transfer: str = "srgb") -> Start:
    """Rank what may be the liquid.

    Parameters
    ----------
    frames:
        About a second of pictures, at least one, all of one size.
    transfer:
        Tone curve of the encoded values, as in `locate`.
    """
    seen = stack.build([stack.reduced(frame) for frame in frames], transfer)
    colour = seen.middle - ground_white(seen)
    red = _ranked(_wine_red(colour), seen, 1.0)
    others = _ranked(liquid_search.colourfulness(colour), seen, _NOT_RED)
    bodies = _distinct([*red, *others])
    usable = [body for body in bodies if refine(seen, body).sum() >= liquid_search.LEAST_PIXELS]
    sure = _is_sure(usable) and _is_red(seen, refine(seen, usable[0]))
    return Start(tuple(frames), tuple(usable), sure, seen, transfer)


def _is_red(seen: Stack, pure: Mask) -> bool:
    """Whether the pure part of a body, which is what would be measured, is wine red."""
    colour = np.median(seen.middle[pure], axis=0) - ground_white(seen)
    return bool(_wine_red(colour) > 0.5 * min(float(np.ptp(colour)), _MOST_CHROMA))


def _is_sure(bodies: list[Candidate]) -> bool:
    if not bodies or bodies[0].score < _LEAST_SURE:
        return False
    return len(bodies) == 1 or bodies[1].score < _CLEARLY_BEST * bodies[0].score


def _wine_red(density: Array) -> Array:
    """How much a density, relative to the ground, is that of the red form; shape (..., 3)."""
    angle = liquid_search.angle_of(density)
    low = np.clip((angle - _FROM_DEG) / _SOFT_DEG, 0.0, 1.0)
    high = np.clip((_TO_DEG - angle) / (0.5 * _SOFT_DEG), 0.0, 1.0)
    chroma = np.minimum(channels.largest(density) - channels.least(density), _MOST_CHROMA)
    lit = channels.least(density) < liquid_search.DARKEST
    return np.asarray(chroma * low * high * lit, dtype=np.float32)


def _ranked(colour: Array, seen: Stack, worth: float) -> list[Candidate]:
    found = liquid_search.bodies_in(blurred(colour, 1.0), seen)
    return [
        replace(liquid_search.widest(body, found), score=worth * body.score)
        for body in _distinct(found)
    ]


def _same(one: Candidate, other: Candidate) -> bool:
    both = float((one.mask & other.mask).sum())
    return both > 0.5 * min(float(one.mask.sum()), float(other.mask.sum()))


def _distinct(bodies: list[Candidate]) -> list[Candidate]:
    """The best of every body, best first, at most five."""
    kept: list[Candidate] = []
    for body in sorted(bodies, key=lambda b: -b.score):
        if len(kept) < _MOST_OFFERED and not any(_same(body, other) for other in kept):
            kept.append(body)
    return kept


def _body_at(seen: Stack, x: int, y: int) -> Candidate:
    """The body at a place of the reduced picture: one with a shape, else what is of one colour."""
    height, width = seen.shape
    x, y = min(max(x, 0), width - 1), min(max(y, 0), height - 1)
    near = _disc(seen, x, y, max(2.0, _REACH * max(seen.shape)))
    white = ground_white(seen)
    for colour in (
        _wine_red(seen.middle - white),
        liquid_search.colourfulness(seen.middle - white),
    ):
        found = liquid_search.bodies_in(blurred(colour, 1.0), seen)
        here = [body for body in found if (body.mask & near).any()]
        for body in _distinct(here):
            if refine(seen, body).sum() >= liquid_search.LEAST_PIXELS:
                return replace(liquid_search.widest(body, here), score=1.0)
    values = blurred(seen.middle, 1.0) - white
    typical = np.median(values[near], axis=0)
    if np.ptp(typical) < _LEAST_CHROMA:
        raise NoEndpoint("no-flask")
    apart = np.linalg.norm(values - typical, axis=2)
    reach = 0.1 + 0.3 * float(typical.max() - typical.min())
    for part in connected_parts(apart < reach, liquid_search.LEAST_PIXELS):
        if (part & near).any() and part.mean() < _MOST_SHARE:
            return Candidate(part, 1.0, 0.0, None)
    raise NoEndpoint("no-flask")


def _disc(seen: Stack, x: int, y: int, radius: float) -> Mask:
    rows, columns = np.ogrid[: seen.shape[0], : seen.shape[1]]
    return np.asarray(np.hypot(rows - y, columns - x) <= radius)
