"""Where in the picture the liquid and the white or grey reference are.

They are looked for in a small copy of a few frames (see `region_search` and `region_patch`) and
kept as masks for the full picture. Both can be given by hand as boxes instead.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.problems import NoEndpoint
from endpoint.recording.frame import Box, Frame
from endpoint.recording.frame_median import median_over_frames
from endpoint.scene import (
    alignment,
    liquid_body,
    liquid_search,
    masks,
    reference_patch,
    stack,
    tracking,
)
from endpoint.scene.camera_shift import (
    HERE,
    Scene,
    View,
    scene,
    small_factor,
    small_picture,
    still_part,
)
from endpoint.scene.stack import Stack
from endpoint.scene.tracking import Guide, Pose

Mask = NDArray[np.bool_]

_MOST_FRAMES = 24
_LEAST_INSIDE = 0.7
"""Part of the liquid that must lie in the picture."""


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
    guide: Guide | None = field(default=None, repr=False)
    """What the flask looks like, to find it where it is moved to; None if it shows too little."""
    scene: Scene | None = field(default=None, repr=False)
    """What the camera saw apart from the flask; None without edges."""
    level: float = 0.0
    """Usual brightness of the whole picture, encoded, 0 to 1."""

    def __post_init__(self) -> None:
        self.liquid_mask.setflags(write=False)
        self.reference_mask.setflags(write=False)

    @property
    def reference_outline(self) -> tuple[tuple[int, int], ...]:
        """Corners of the reference box, (x, y)."""
        b = self.reference_box
        return ((b.left, b.top), (b.right, b.top), (b.right, b.bottom), (b.left, b.bottom))

    def pose_in(self, view: View) -> Pose:
        """How a flask that stays on the bench stands in a view of it."""
        if self.guide is None:
            return tracking.HOME
        x, y = self.guide.middle
        now_x, now_y = view.place(x, y)
        factor, turn_deg = self.guide.factor, -math.degrees(cmath.phase(view.turn))
        return Pose(factor * (now_x - x), factor * (now_y - y), turn_deg, abs(view.turn))

    def view_of(self, pose: Pose) -> View:
        """View of the bench in which a flask that stays on it has a pose; see `pose_in`."""
        if self.guide is None:
            return HERE
        middle = complex(*self.guide.middle)
        turn = cmath.rect(pose.scale, -math.radians(pose.turn_deg))
        return View(turn, middle + complex(pose.dx, pose.dy) / self.guide.factor - turn * middle)

    def reference_in(self, view: View) -> Region | None:
        """Region with the reference where a view of the bench has it; None out of the picture."""
        if view is HERE or self.guide is None:
            return self
        factor, b = self.guide.factor, self.reference_box
        x, y = 0.5 * (b.left + b.right) / factor, 0.5 * (b.top + b.bottom) / factor
        now_x, now_y = view.place(x, y)
        dx, dy = round(factor * (now_x - x)), round(factor * (now_y - y))
        moved = Box(b.left + dx, b.top + dy, b.right + dx, b.bottom + dy)
        if min(moved.left, moved.top) < 0 or moved.right > self.width or moved.bottom > self.height:
            return None
        return replace(self, reference_box=moved)

    def at(self, pose: Pose) -> Region | None:
        """Region with the liquid where the flask now is; None if that is out of the picture."""
        if pose is tracking.HOME or self.guide is None:
            return self
        x, y = (self.guide.factor * v for v in self.guide.middle)
        box, mask = masks.carried(self.liquid_mask, self.liquid_box, pose, (x, y))
        left, top = max(box.left, 0), max(box.top, 0)
        right, bottom = min(box.right, self.width), min(box.bottom, self.height)
        if right <= left or bottom <= top:
            return None
        kept = mask[top - box.top : bottom - box.top, left - box.left : right - box.left].copy()
        if kept.sum() < max(_LEAST_INSIDE * mask.sum(), 1.0):
            return None
        inside = Box(left, top, right, bottom)
        return replace(
            self, liquid_box=inside, liquid_mask=kept, liquid_outline=masks.outline_of(kept, inside)
        )


def locate(
    frames: Sequence[Frame],
    liquid_box: Box | None = None,
    reference_box: Box | None = None,
    transfer: str = "srgb",
    clear: int | None = 2,
    body: liquid_body.Candidate | None = None,
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
    clear:
        Channel that the indicator lets through in both forms, see `Indicator.clear_channel`.
    body:
        Of `endpoint.scene.start`, to be taken as the liquid.

    Raises
    ------
    NoEndpoint
        "no-flask": nothing in the pictures looks or behaves like a vessel with indicator;
        "no-reference": there is no usable neutral ground.
    """
    chosen = _choose(frames)
    pictures = [small_picture(frame) for frame in chosen]
    given = _Given(liquid_box, reference_box, transfer, clear, body)
    reduced = [stack.reduced(frame) for frame in chosen]
    still = still_part(pictures)
    if len(still) < len(chosen):
        # A camera that is held sees the flask throughout, one that was knocked does not.
        held = _followed(_Material(chosen, pictures, reduced), given)
        if held is not None:
            return held
        chosen, pictures, reduced = (
            [chosen[i] for i in still],
            [pictures[i] for i in still],
            [reduced[i] for i in still],
        )
    plain: Region | None = None
    trouble: NoEndpoint | None = None
    try:
        plain = _located(_Material(chosen, pictures, reduced), given)
    except NoEndpoint as absent:
        trouble = absent
    if plain is None or _moves(plain, pictures):
        followed = _followed(_Material(chosen, pictures, reduced), given)
        if followed is not None:
            return followed
    if plain is None:
        raise trouble or NoEndpoint("no-flask")
    return plain


@dataclass(frozen=True)
class _Given:
    """What the user has given by hand, the tone curve, and the indicator's clear channel."""

    liquid_box: Box | None
    reference_box: Box | None
    transfer: str
    clear: int | None
    body: liquid_body.Candidate | None = None


@dataclass(frozen=True)
class _Material:
    """Frames, their small pictures, and their reduced pictures as they are."""

    frames: list[Frame]
    small: list[NDArray[np.float32]]
    reduced: list[NDArray[np.uint8]]
    poses: alignment.Poses | None = None
    """Where the flask stands in them, if it moves."""
    home: int = 0
    """Picture to whose pose the others are turned back."""


def _located(material: _Material, given: _Given) -> Region:
    """Region of frames in which the flask stands still, or whose poses are known."""
    chosen, poses = material.frames, material.poses
    plain = stack.build(material.reduced, given.transfer)
    width, height = chosen[0].width, chosen[0].height
    still = plain
    if poses is not None:
        turned = alignment.turned_back(material.reduced, poses.poses, poses.guide, width)
        still = stack.build(turned, given.transfer)
    notes: tuple[str, ...] = ()
    if given.liquid_box is None:
        small_mask, confidence, candidate = liquid_search.found(still, given.body)
        box, mask = masks.enlarged(small_mask, width, height)
        body = masks.enlarged(candidate.mask | small_mask, width, height)
        course = candidate.hint if candidate.course is None else candidate.course
    else:
        box = masks.part_inside(given.liquid_box, width, height, "no-flask")
        small_mask = masks.shrunk(box, still, width)
        mask, confidence, course = masks.without_glare(chosen, box), 1.0, None
        body = box, mask
    if given.reference_box is None:
        covered = small_mask
        if poses is not None:
            covered = alignment.everywhere(small_mask, poses.poses, poses.guide, width)
        if course is not None and plain.kept != still.kept:
            course = None
        (r_box, r_mask), notes = _reference(plain, covered, course, (width, height))
    else:
        r_box = masks.part_inside(given.reference_box, width, height, "no-reference")
        r_mask = np.ones((r_box.height, r_box.width), dtype=np.bool_)
    alike, liquid = _typical(material, *body, given.clear)
    own = masks.own_part(liquid)
    picture = median_over_frames(np.stack(alike))
    guide = tracking.guide(alike, liquid, small_factor(chosen[0]), given.clear)
    return Region(
        width=width,
        height=height,
        liquid_box=box,
        liquid_mask=mask,
        reference_box=r_box,
        reference_mask=r_mask,
        liquid_by_hand=given.liquid_box is not None,
        reference_by_hand=given.reference_box is not None,
        confidence=confidence,
        change=_change(still, small_mask),
        liquid_outline=masks.outline_of(mask, box),
        notes=notes,
        guide=None if guide is None else _kept_guide(guide, alike, picture),
        scene=scene(picture if poses is None else material.small[material.home], own),
        level=float(picture.mean()),
    )


def _kept_guide(
    guide: Guide, alike: list[NDArray[np.float32]], picture: NDArray[np.float32]
) -> Guide:
    return tracking.with_others(tracking.with_usual(guide, alike), picture)


def _typical(
    material: _Material, box: Box, mask: Mask, clear: int | None
) -> tuple[list[NDArray[np.float32]], Mask]:
    """Small pictures to recognise flask and scene by, and the liquid in them."""
    first, factor = material.frames[0], small_factor(material.frames[0])
    whole = np.zeros((first.height, first.width), dtype=np.bool_)
    whole[box.top : box.bottom, box.left : box.right] = mask
    middles = ((np.arange(n) + 0.5) * factor for n in material.small[0].shape[:2])
    rows, columns = (
        np.minimum(m.astype(int), n - 1) for m, n in zip(middles, whole.shape, strict=True)
    )
    liquid = whole[rows[:, None], columns[None]]
    poses = material.poses
    if poses is not None:
        return alignment.turned_back(material.small, poses.poses, poses.guide, first.width), liquid
    return [material.small[i] for i in alignment.typical(material.small, liquid, clear)], liquid


def _moves(region: Region, pictures: list[NDArray[np.float32]]) -> bool:
    """Whether the flask stands elsewhere in some of the pictures."""
    if region.guide is None or len(pictures) < 3:
        return False
    return alignment.poses_of(region.guide, pictures).moves(region.width)


def _followed(material: _Material, given: _Given) -> Region | None:
    """Region of a flask that moves, where it stands in one of the frames; None if it gets lost.

    The first frame is tried first, so that the region fits the picture that is shown.
    """
    count = len(material.frames)
    for home in dict.fromkeys((0, count // 2, count // 4)):
        region = _followed_from(material, given, home)
        if region is not None:
            return region
    return None


def _followed_from(material: _Material, given: _Given, home: int) -> Region | None:
    one = slice(home, home + 1)
    alone = _Material(material.frames[one], material.small[one], material.reduced[one])
    try:
        start = _located(alone, given)
    except NoEndpoint:
        return None
    if start.guide is None:
        return None
    _, liquid = _typical(alone, start.liquid_box, start.liquid_mask, given.clear)
    poses = alignment.followed(start.guide, material.small, liquid, start.width, home)
    if not alignment.recognised(poses, len(material.frames)):
        return None
    seen = _Material(
        [material.frames[i] for i in poses.kept],
        [material.small[i] for i in poses.kept],
        [material.reduced[i] for i in poses.kept],
        poses,
        poses.kept.index(home) if home in poses.kept else 0,
    )
    try:
        return _located(seen, given)
    except NoEndpoint:
        return None


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


def _change(stack: Stack, liquid: Mask) -> float:
    """Rise of the liquid's (red minus green) density from the first three frames to the last."""
    pixels = stack.density[:, liquid]
    course = np.median(pixels[..., 0] - pixels[..., 1], axis=1)
    few = max(min(3, len(course) // 2), 1)
    return float(np.median(course[-few:]) - np.median(course[:few]))


def _reference(
    plain: Stack, covered: Mask, course: NDArray[np.float32] | None, size: tuple[int, int]
) -> tuple[tuple[Box, Mask], tuple[str, ...]]:
    """Box and mask of the neutral patch in pictures of this width and height, and notes on it.

    Raises
    ------
    NoEndpoint
        "no-reference": nothing neutral was found.
    """
    patch = reference_patch.find(plain, covered, course)
    if patch is None:
        raise NoEndpoint("no-reference")
    bright = "The white reference is brighter than the camera can record; lower the exposure."
    return masks.box_of_patch(patch, plain, *size), (bright,) if patch.clipped else ()
