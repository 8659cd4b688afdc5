"""The flask is found where it was put, not found where it is hidden, and shown as it was found."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.quantity import Quantity
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.pipeline import analyse
from endpoint.analysis.result import Result
from endpoint.colour.density import trace
from endpoint.colour.follow import follow
from endpoint.colour.off_colour import off_colour_frames
from endpoint.delivery.delivery import Delivery
from endpoint.drawing.thumbnails import choose, thumbnails_picture
from endpoint.problems import Flag
from endpoint.recording.frame import ArrayFrame, Frame, SourceInfo
from endpoint.scene import tracking
from endpoint.scene.camera_shift import (
    camera_moved,
    camera_shift,
    has_moved,
    scene,
    small_factor,
    small_picture,
)
from endpoint.scene.region import Region, locate
from tests.drawn_bench import Bench, Drawn, draw

SMALL = Bench(width=400, height=300, ground="plain")
RED, BLUE = np.array([0.1, 0.5, 0.3]), np.array([0.6, 0.3, 0.1])


@pytest.fixture(scope="module")
def drawn() -> Drawn:
    return draw(SMALL, count=12)


@pytest.fixture(scope="module")
def region(drawn: Drawn) -> Region:
    return locate(drawn.frames)


def turned(
    frame: ArrayFrame, dx: float, dy: float, angle: float = 0.0, scale: float = 1.0
) -> ArrayFrame:
    """The whole picture turned about the middle of the liquid and shifted."""
    matrix = cv2.getRotationMatrix2D((200.0, 210.0), angle, scale)
    matrix[:, 2] += np.array([dx, dy])
    pixels = cv2.warpAffine(
        np.asarray(frame.pixels, np.uint8), matrix, (400, 300), borderMode=cv2.BORDER_REPLICATE
    )
    return ArrayFrame(frame.index, frame.time_s, pixels)


def with_hand(frame: ArrayFrame, colour: tuple[int, int, int], reach: int = 120) -> ArrayFrame:
    pixels = np.asarray(frame.pixels).copy()
    cv2.ellipse(pixels, (205, 205), (reach, 80), 20, 0, 360, colour, -1)
    return ArrayFrame(frame.index, frame.time_s, pixels)


@pytest.mark.parametrize(
    ("dx", "dy", "angle", "scale"),
    [(25, -12, 0, 1), (-40, 8, 6, 1), (10, 10, -9, 1), (0, 0, 12, 1), (-15, -20, 4, 1.08)],
)
@pytest.mark.parametrize("which", [0, 7, 11])
def test_pose_is_the_one_it_was_put_to(
    drawn: Drawn, region: Region, dx: float, dy: float, angle: float, scale: float, which: int
) -> None:
    assert region.guide is not None
    frame = turned(drawn.frames[which], dx, dy, angle, scale)
    pose = tracking.look(region.guide, small_picture(frame))
    assert pose.likeness > 0.8
    there = region.at(pose)
    assert there is not None
    matrix = cv2.getRotationMatrix2D((200.0, 210.0), angle, scale)
    matrix[:, 2] += np.array([dx, dy])
    moved = cv2.warpAffine(drawn.liquid.astype(np.uint8), matrix, (400, 300)) > 0
    b = there.liquid_box
    pure = moved[b.top : b.bottom, b.left : b.right][there.liquid_mask].mean()
    assert pure > 0.97
    assert there.liquid_mask.sum() == pytest.approx(region.liquid_mask.sum() * scale**2, rel=0.2)


@pytest.mark.parametrize(
    "colour", [(170, 125, 105), (70, 80, 130), (40, 90, 170), (110, 30, 60), (230, 230, 228)]
)
def test_hidden_flask_is_not_believed_anywhere(
    drawn: Drawn, region: Region, colour: tuple[int, int, int]
) -> None:
    assert region.guide is not None
    for which in (0, 7, 11):
        hidden = with_hand(drawn.frames[which], colour)
        assert tracking.look(region.guide, small_picture(hidden)).likeness < region.guide.least


def test_empty_picture_confirms_nothing(region: Region) -> None:
    assert region.guide is not None
    for level in (0, 128, 255):
        flat = ArrayFrame(0, 0.0, np.full((300, 400, 3), level, np.uint8))
        assert tracking.look(region.guide, small_picture(flat)).likeness < region.guide.least


def test_flask_out_of_the_picture_has_no_region(region: Region) -> None:
    assert region.at(tracking.Pose(dx=900.0)) is None
    assert region.at(tracking.Pose(dx=-190.0)) is None
    assert region.at(tracking.HOME) is region


def test_frames_under_a_hand_are_flagged_and_the_others_keep_their_colour(
    drawn: Drawn, region: Region
) -> None:
    frames = [ArrayFrame(k, 0.25 * k, drawn.frames[3].pixels) for k in range(40)]
    plain = next(iter(follow(frames[:1], region)))
    for k in range(12, 24):
        frames[k] = with_hand(frames[k], (170, 125, 105))
    samples = list(follow(frames, region))
    assert all(s.flags & Flag.LIQUID_LOST for s in samples[12:24])
    used = [s for s in samples if not s.flags]
    assert len(used) >= 40 - 12 - 4
    for s in used:
        assert s.density == pytest.approx(plain.density, abs=1e-9)


def test_dark_frames_are_dark_and_not_hidden(drawn: Drawn, region: Region) -> None:
    frames = [ArrayFrame(k, 0.25 * k, drawn.frames[3].pixels) for k in range(24)]
    for k in range(8, 16):
        dark = (np.asarray(frames[k].pixels) * 0.05).astype(np.uint8)
        frames[k] = ArrayFrame(k, frames[k].time_s, dark)
    samples = list(follow(frames, region))
    assert all(s.flags & Flag.DARK for s in samples[8:16])
    assert not any(s.flags & (Flag.LIQUID_LOST | Flag.CAMERA_MOVED) for s in samples)
    assert sum(not s.flags for s in samples) >= 14


def test_camera_that_is_pushed_and_comes_back_sees_the_same_colour_throughout() -> None:
    seen = draw(replace(SMALL, ground="cluttered"), count=12)
    region = locate(seen.frames)
    frames = [ArrayFrame(k, 0.5 * k, seen.frames[2].pixels) for k in range(20)]
    for k in range(8, 13):
        frames[k] = turned(frames[k], 28.0, -15.0)
    samples = list(follow(frames, region))
    assert not any(s.flags for s in samples)
    for s in samples[8:13]:
        assert s.density == pytest.approx(samples[0].density, abs=0.02)
        assert (s.pose.dx, s.pose.dy) == pytest.approx((28.0, -15.0), abs=2.0)


def test_scene_tells_the_camera_from_the_flask() -> None:
    here = Bench(width=400, height=300, ground="cluttered", size=0.4)
    view = scene(small_picture(draw(here, count=2).frames[0]))
    assert view is not None
    moved = draw(replace(here, centre_x=0.6, base_y=0.86), count=2).frames[0]
    # The tile is drawn with the flask, so only the clutter stays.
    assert not has_moved(camera_shift(view, small_picture(moved)))
    frame = draw(here, count=2).frames[0]
    shifted = camera_shift(view, small_picture(turned(frame, 20.0, -10.0)))
    assert shifted is not None
    step = small_factor(frame) / frame.width
    assert shifted == pytest.approx((20.0 / 400, -10.0 / 400), abs=0.6 * step)


def test_a_camera_that_stands_is_told_sooner_but_not_otherwise() -> None:
    here = Bench(width=400, height=300, ground="cluttered", size=0.4)
    frame = draw(here, count=2).frames[0]
    view = scene(small_picture(frame))
    assert view is not None
    told = []
    for dx, dy in [(0.0, 0.0), (2.0, 1.0), (4.0, -3.0), (6.0, 4.0), (9.0, 0.0), (40.0, 25.0)]:
        for colour in (None, (170, 125, 105)):
            seen = turned(frame, dx, dy)
            picture = small_picture(seen if colour is None else with_hand(seen, colour))
            told.append(camera_moved(view, picture))
            assert told[-1] == has_moved(camera_shift(view, picture))
    assert any(told)
    assert not all(told)


def mixtures(count: int, noise: float = 0.002) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(4)
    time = np.arange(count) * 0.2
    f = np.clip((time - 0.6 * time[-1]) / 10.0, 0.0, 1.0)[:, None]
    density = (1 - f) * RED + f * BLUE + noise * rng.standard_normal((count, 3))
    return time, density + 0.02 * np.sin(time / 20.0)[:, None]


def test_mixtures_are_no_strangers_whatever_the_light_does() -> None:
    time, density = mixtures(600)
    assert not off_colour_frames(time, density, np.ones(600, bool)).any()
    # A plume that swings back and forth is a mixture, too.
    density[300:320] += 0.5 * (BLUE - RED)
    assert not off_colour_frames(time, density, np.ones(600, bool)).any()


@pytest.mark.parametrize("seconds", [1, 6, 30])
@pytest.mark.parametrize("added", [(0.3, 0.45, 0.6), (0.12, 0.12, 0.12), (-0.2, 0.1, 0.25)])
def test_skin_and_shadow_are_strangers(added: tuple[float, ...], seconds: int) -> None:
    time, density = mixtures(600)
    if seconds == 30:
        # What stays for long is told only by its distance from the line.
        added = tuple(2.5 * a for a in added)
    hidden = (time > 70.0) & (time < 70.0 + seconds)
    density[hidden] += np.array(added)
    found = off_colour_frames(time, density, np.ones(600, bool))
    assert found[hidden].all()
    assert not found[~hidden].any()


def test_flagged_frames_are_neither_judged_nor_compared_with() -> None:
    time, density = mixtures(200)
    usable = np.ones(200, bool)
    usable[50:150] = False
    density[50:150] += 0.5
    assert not off_colour_frames(time, density, usable).any()
    assert not off_colour_frames(time[:5], density[:5], usable[:5]).any()


def test_trace_flags_a_shadow_on_the_flask_alone(drawn: Drawn, region: Region) -> None:
    frames = [ArrayFrame(k, 0.3 * k, drawn.frames[3].pixels) for k in range(40)]
    for k in range(20, 26):
        pixels = np.asarray(frames[k].pixels).copy()
        pixels[:, :300] = (0.8 * pixels[:, :300]).astype(np.uint8)
        frames[k] = ArrayFrame(k, frames[k].time_s, pixels)
    left = region.reference_box.left >= 300
    flags = trace(follow(frames, region)).flags
    assert bool((flags[20:26] != 0).all()) == left
    assert not flags[:18].any()


class Recording:
    """Frames held in memory as a source."""

    def __init__(self, frames: list[ArrayFrame]) -> None:
        self._frames = frames
        last_s = frames[-1].time_s
        self.info = SourceInfo("synthetic", "", 400, 300, last_s, len(frames))

    def frames(self) -> Iterator[ArrayFrame]:
        yield from self._frames

    def sample(self, count: int) -> list[Frame]:
        picks = np.linspace(0, len(self._frames) - 1, count).round().astype(int)
        return [self._frames[k] for k in picks]

    def close(self) -> None:
        pass


@pytest.fixture(scope="module")
def result() -> Result:
    """A pump's film with a hand before the flask for a while."""
    still = draw(replace(SMALL, change_width=0.2), count=48).frames
    frames = [ArrayFrame(k, 2.0 * k, frame.pixels) for k, frame in enumerate(still)]
    for k in range(10, 18):
        frames[k] = with_hand(frames[k], (170, 125, 105))
    job = AnalysisInputs(
        label="drawn",
        deliveries_ml=(Quantity(100.0, "mL"),),
        added_ml=5.0,
        titrant_mol_l=Quantity(0.01, "mol/L"),
        delivery=Delivery("continuous", np.array([0.0, 94.0]), np.array([0.0, 9.4])),
    )
    return analyse(Recording(frames), job)


def test_strip_draws_the_flask_only_where_it_was_seen(result: Result) -> None:
    shown = choose(result)
    hidden = [t for t in shown if 20.0 <= t.picture.time_s <= 34.0]
    assert hidden
    assert all(t.hidden and t.aside for t in hidden)
    figure = thumbnails_picture(result)
    assert figure is not None
    for axes, thumbnail in zip(figure.axes, shown, strict=False):
        # Two lines for each outline, four for the cross of a frame that was set aside.
        outlines = 2 if thumbnail.hidden else 4
        assert len(axes.lines) == outlines + (4 if thumbnail.aside else 0)
