"""Where in the picture the liquid and the white or grey reference are.

They are looked for in a small copy of a few frames (see `region_search` and `region_patch`) and
kept as masks for the full picture. Both can be given by hand as boxes instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from endpoint import region_body, region_patch, region_search, region_stack
from endpoint.problems import NoEndpoint
from endpoint.region_stack import Stack
from endpoint.region_watch import Anchors, anchor, hidden, shifted
from endpoint.sources.frame import Box, Frame

Mask = NDArray[np.bool_]

_MOST_FRAMES = 24
_LEAST_LOOK = 0.3
"""Score below which a body is not taken for a vessel when nothing changes colour."""
_LEAST_PIXELS = 12
MOVED_SHARE = 0.015
"""Shift that counts as moved, as a share of the picture's width."""


@dataclass(frozen=True, eq=False)
class Region:
    """Masks of the liquid and of the reference patch; arrays cannot be written to."""

    width: int
    """Width of the pictures in pixels."""
    height: int
    liquid_box: Box
    liquid_mask: Mask
    """Pure liquid, shape (liquid_box.height, liquid_box.width)."""
    reference_box: Box
    reference_mask: Mask
    """Usable reference, shape (reference_box.height, reference_box.width)."""
    liquid_by_hand: bool
    reference_by_hand: bool
    confidence: float
    """0 to 1: how sure the finding of the liquid is; 1 when given by hand."""
    change: float
    """Rise of (red minus green) density of the liquid from the first frames to the last."""
    liquid_outline: tuple[tuple[int, int], ...]
    """Polygon around the liquid mask, (x, y) in pixels of the whole picture."""
    notes: tuple[str, ...] = ()
    """Sentences for the user."""
    anchors: Anchors | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        self.liquid_mask.setflags(write=False)
        self.reference_mask.setflags(write=False)

    @property
    def reference_outline(self) -> tuple[tuple[int, int], ...]:
        """Corners of the reference box, (x, y)."""
        b = self.reference_box
        return ((b.left, b.top), (b.right, b.top), (b.right, b.bottom), (b.left, b.bottom))

    def moved(self, frame: Frame) -> bool:
        """Whether camera or flask stand elsewhere than when the region was found."""
        if (frame.width, frame.height) != (self.width, self.height):
            return True
        if self.anchors is None:
            return False
        return shifted(self.anchors, frame, MOVED_SHARE)

    def covered(self, frame: Frame) -> bool:
        """Whether something (a hand, a sleeve) hides most of the flask's edges."""
        if self.anchors is None or (frame.width, frame.height) != (self.width, self.height):
            return False
        return hidden(self.anchors, frame, MOVED_SHARE)


def locate(
    frames: Sequence[Frame],
    liquid_box: Box | None = None,
    reference_box: Box | None = None,
    transfer: str = "srgb",
) -> Region:
    """Find the liquid and the reference patch in a few frames of a recording.

    Parameters
    ----------
    frames:
        One to about 24 frames spread over the recording, or its first ones; frames of another
        size than the first are left out.
    liquid_box, reference_box:
        Given by hand, in pixels of the whole picture; what is given is not looked for.
    transfer:
        Tone curve of the encoded values: "srgb", "bt709" or "linear".

    Raises
    ------
    NoEndpoint
        "no-flask": nothing in the pictures looks or behaves like a vessel with indicator;
        "no-reference": there is no usable neutral ground.
    """
    chosen = _choose(frames)
    pictures = [region_stack.reduce(f.rgb8()) for f in chosen]
    still = region_stack.still_part(pictures, MOVED_SHARE)
    chosen = [chosen[i] for i in still]
    stack = region_stack.build([pictures[i] for i in still], transfer)
    width, height = chosen[0].width, chosen[0].height
    notes: list[str] = []
    if liquid_box is None:
        small, confidence, candidate = _find_liquid(stack)
        box, mask = _enlarge(small, width, height)
        course = candidate.hint if candidate.course is None else candidate.course
    else:
        box = _inside(liquid_box, width, height, "no-flask")
        small = _shrink(box, stack, width)
        mask, confidence, course = _box_mask(chosen, box), 1.0, None
    if reference_box is None:
        patch = region_patch.find(stack, small, course)
        if patch is None:
            raise NoEndpoint("no-reference")
        if patch.clipped:
            notes.append(
                "The white reference is brighter than the camera can record; lower the exposure."
            )
        r_box, r_mask = _patch_box(patch, stack, width, height)
    else:
        r_box = _inside(reference_box, width, height, "no-reference")
        r_mask = np.ones((r_box.height, r_box.width), dtype=np.bool_)
    return Region(
        width=width,
        height=height,
        liquid_box=box,
        liquid_mask=mask,
        reference_box=r_box,
        reference_mask=r_mask,
        liquid_by_hand=liquid_box is not None,
        reference_by_hand=reference_box is not None,
        confidence=confidence,
        change=_change(stack, small),
        liquid_outline=_outline(mask, box),
        notes=tuple(notes),
        anchors=anchor(stack, small, width / stack.shape[1]),
    )


def _choose(frames: Sequence[Frame]) -> list[Frame]:
    """At most `_MOST_FRAMES` of one size, spread evenly."""
    if not frames:
        raise NoEndpoint("no-flask")
    size = (frames[0].width, frames[0].height)
    same = [f for f in frames if (f.width, f.height) == size]
    if len(same) <= _MOST_FRAMES:
        return same
    picks = np.linspace(0, len(same) - 1, _MOST_FRAMES).round().astype(int)
    return [same[i] for i in picks]


def _find_liquid(stack: Stack) -> tuple[Mask, float, region_body.Candidate]:
    """Best body that is left after refinement, with its confidence."""
    white = region_patch.ground_white(stack)
    changing = region_search.by_change(stack, white)
    bodies = region_search.by_look(stack, white)
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
        if body.score < _LEAST_LOOK:
            break
        mask = region_body.refine(stack, body)
        if mask.sum() >= _LEAST_PIXELS:
            return mask, float(np.clip(body.score, 0.0, 1.0)), body
    raise NoEndpoint("no-flask")


def _change(stack: Stack, liquid: Mask) -> float:
    """Rise of the liquid's (red minus green) density from the first three frames to the last."""
    pixels = stack.density[:, liquid]
    course = np.median(pixels[..., 0] - pixels[..., 1], axis=1)
    few = max(min(3, len(course) // 2), 1)
    return float(np.median(course[-few:]) - np.median(course[:few]))


def _inside(box: Box, width: int, height: int, code: str) -> Box:
    """The part of a box that lies in the picture."""
    cut = Box(max(box.left, 0), max(box.top, 0), min(box.right, width), min(box.bottom, height))
    if cut.width < 1 or cut.height < 1:
        raise NoEndpoint(code)
    return cut


def _enlarge(small: Mask, width: int, height: int) -> tuple[Box, Mask]:
    """Mask of the reduced picture as box and mask of the full picture."""
    import cv2

    big = cv2.resize(small.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    mask = big > 0.5
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    box = Box(int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1)
    return box, mask[box.top : box.bottom, box.left : box.right].copy()


def _shrink(box: Box, stack: Stack, width: int) -> Mask:
    """A box of the full picture as mask of the reduced picture."""
    factor = stack.shape[1] / width
    mask = np.zeros(stack.shape, dtype=np.bool_)
    top, left = int(box.top * factor), int(box.left * factor)
    bottom, right = int(np.ceil(box.bottom * factor)), int(np.ceil(box.right * factor))
    mask[top : max(bottom, top + 1), left : max(right, left + 1)] = True
    return mask


def _box_mask(frames: Sequence[Frame], box: Box) -> Mask:
    """The box without glare: pixels that are much brighter than most of the box in most frames."""
    few = [frames[i] for i in np.linspace(0, len(frames) - 1, min(len(frames), 7)).astype(int)]
    level = np.median([f.encoded(box).min(axis=2) for f in few], axis=0)
    usual = float(np.median(level))
    spread = 1.48 * float(np.median(np.abs(level - usual)))
    glare = level > usual + max(4.0 * spread, 0.12)
    return np.asarray(~glare if glare.mean() < 0.5 else np.ones_like(glare), dtype=np.bool_)


def _patch_box(
    patch: region_patch.Patch, stack: Stack, width: int, height: int
) -> tuple[Box, Mask]:
    """The square of the reduced picture in the full one, a little smaller."""
    factor = width / stack.shape[1]
    inset = 0.5 if patch.side > 4 else 0.0
    left, top = (
        int(np.ceil((patch.left + inset) * factor)),
        int(np.ceil((patch.top + inset) * factor)),
    )
    side = max(int((patch.side - 2 * inset) * factor), 2)
    box = Box(left, top, min(left + side, width), min(top + side, height))
    return box, np.ones((box.height, box.width), dtype=np.bool_)


def _outline(mask: Mask, box: Box) -> tuple[tuple[int, int], ...]:
    """Polygon around the largest part of the mask."""
    import cv2

    contours, _ = cv2.findContours(
        mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    largest = max(contours, key=cv2.contourArea)
    smooth = cv2.approxPolyDP(largest, 0.004 * cv2.arcLength(largest, True), True)
    return tuple((int(x) + box.left, int(y) + box.top) for x, y in smooth[:, 0])
