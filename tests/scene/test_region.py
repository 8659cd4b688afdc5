"""The liquid and the reference are found where they truly are, and nothing where there is none."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from endpoint.colour.follow import SceneWatch, follow
from endpoint.problems import Flag, NoEndpoint
from endpoint.recording.frame import ArrayFrame, Box
from endpoint.scene.region import Region, locate
from endpoint.scene.tracking import HOME
from tests.drawn_bench import Bench, Drawn, Mask, draw

SMALL = Bench(width=320, height=240)
BY_HAND = Bench(width=400, height=300)
"""For boxes and shapes that are given in pixels."""

FOUND = {
    "plain wall": replace(SMALL, ground="plain"),
    "tile on wood": SMALL,
    "flask in the left third": replace(SMALL, centre_x=0.25, size=0.3),
    "small flask": replace(SMALL, size=0.18, centre_x=0.62, base_y=0.75, ground="plain"),
    "flask fills the picture": replace(SMALL, size=0.95, base_y=0.97, ground="plain"),
    "light box in the dark": replace(SMALL, ground="lightbox"),
    "grey card": replace(SMALL, ground="card"),
    "clutter": replace(SMALL, ground="cluttered"),
    "beaker": replace(SMALL, vessel="beaker"),
    "pale": replace(SMALL, depth=0.07),
    "dark": replace(SMALL, depth=2.0),
    "hands pass": replace(SMALL, ground="cluttered", hands=(0.05, 0.5, 0.9)),
    "light off at the end": replace(SMALL, dark=(0.98,)),
    "light off for most of it": replace(
        SMALL, change="red", dark=tuple(np.linspace(0.42, 1.0, 30))
    ),
    "late change": replace(SMALL, change_at=0.92),
    "early change": replace(SMALL, change_at=0.08),
    "slow fade": replace(SMALL, change_width=0.8),
    "strong coloured shadow": replace(SMALL, shadow=0.7, ground="plain"),
    "warm light": replace(SMALL, tint=(1.15, 0.95, 0.7)),
    "noise": replace(SMALL, noise=0.05),
    "no glass drawn": replace(SMALL, glass=False, glare=False, stirrer=False, ground="plain"),
    "never reached": replace(SMALL, change="red", ground="cluttered"),
    "already blue": replace(SMALL, change="blue", ground="cluttered"),
    "pale and already blue": replace(SMALL, change="blue", depth=0.12, ground="plain"),
    "tiny picture": replace(SMALL, width=160, height=120),
    "wide picture": replace(SMALL, width=960, height=540, jpeg=60),
}

NOT_FOUND = {
    "yellow water": replace(SMALL, change="yellow"),
    "clear water": replace(SMALL, change="clear"),
    "yellow water in clutter": replace(SMALL, change="yellow", ground="cluttered", seed=7),
    "bench without a flask": replace(SMALL, vessel="none", ground="cluttered"),
    "red things at the border": replace(SMALL, vessel="none", ground="cluttered", seed=4),
    "hands over an empty bench": replace(
        SMALL, vessel="none", ground="cluttered", hands=(0.3, 0.6), seed=5
    ),
    "grey wall": replace(SMALL, vessel="none", ground="plain", noise=0.04),
}


def whole(region: Region) -> Mask:
    mask = np.zeros((region.height, region.width), dtype=np.bool_)
    b = region.liquid_box
    mask[b.top : b.bottom, b.left : b.right] = region.liquid_mask
    return mask


def pure_share(region: Region, drawn: Drawn) -> float:
    found = whole(region)
    return float((found & drawn.liquid).sum() / found.sum())


def neutral_share(region: Region, drawn: Drawn) -> float:
    b = region.reference_box
    return float(drawn.neutral[b.top : b.bottom, b.left : b.right].mean())


def moved_by(frame: ArrayFrame, dx: float, dy: float) -> ArrayFrame:
    matrix = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
    size = (frame.width, frame.height)
    pixels = cv2.warpAffine(
        np.asarray(frame.pixels, np.uint8), matrix, size, borderMode=cv2.BORDER_REPLICATE
    )
    return ArrayFrame(frame.index, frame.time_s, pixels)


def told(region: Region, frame: ArrayFrame) -> Flag:
    """What one look at a frame tells of camera and flask."""
    return SceneWatch(region).look(frame).flags


@pytest.mark.parametrize("name", FOUND)
def test_liquid_is_pure_and_reference_is_neutral(name: str) -> None:
    drawn = draw(FOUND[name], count=16)
    region = locate(drawn.frames)
    assert pure_share(region, drawn) >= 0.98
    assert region.liquid_mask.sum() >= 0.12 * drawn.liquid.sum()
    # The soft end of a faint coloured shadow may reach into the patch.
    assert neutral_share(region, drawn) >= 0.9
    assert 0.3 <= region.confidence <= 1.0
    flags = [told(region, frame) for frame in drawn.frames]
    assert not any(flag & Flag.CAMERA_MOVED for flag in flags)
    assert sum(bool(flag & Flag.LIQUID_LOST) for flag in flags) <= len(FOUND[name].hands)


@pytest.mark.parametrize("name", NOT_FOUND)
def test_no_flask_is_said(name: str) -> None:
    with pytest.raises(NoEndpoint) as caught:
        locate(draw(NOT_FOUND[name], count=16).frames)
    assert caught.value.code == "no-flask"


def test_random_noise_holds_no_flask() -> None:
    rng = np.random.default_rng(3)
    frames = [
        ArrayFrame(i, float(i), rng.integers(0, 255, (120, 160, 3), dtype=np.uint8))
        for i in range(8)
    ]
    with pytest.raises(NoEndpoint, match="no-flask"):
        locate(frames)
    with pytest.raises(NoEndpoint, match="no-flask"):
        locate([])


def test_wooden_bench_alone_gives_no_reference() -> None:
    drawn = draw(replace(SMALL, ground="plain", shadow=0.0), count=12)
    wood = np.array([0.75, 0.58, 0.36])
    frames = [
        ArrayFrame(f.index, f.time_s, np.rint(np.asarray(f.pixels) * wood).astype(np.uint8))
        for f in drawn.frames
    ]
    with pytest.raises(NoEndpoint, match="no-reference"):
        locate(frames)


def test_clipped_white_is_used_only_when_nothing_else_is_there_and_said() -> None:
    bright = draw(replace(SMALL, ground="plain", ground_level=1.15, depth=1.0), count=12)
    region = locate(bright.frames)
    assert any("brighter than the camera" in note for note in region.notes)
    card = draw(replace(SMALL, ground="card", tint=(1.3, 1.3, 1.3)), count=12)
    assert not locate(card.frames).notes


@pytest.mark.parametrize("count", [1, 3])
def test_few_first_frames_are_enough(count: int) -> None:
    drawn = draw(replace(SMALL, ground="cluttered"), count=16)
    region = locate(drawn.frames[:count])
    assert pure_share(region, drawn) >= 0.98


def test_boxes_by_hand_are_kept_without_glare() -> None:
    drawn = draw(BY_HAND, count=12)
    auto = locate(drawn.frames)
    body = Box(160, 195, 245, 240)
    by_hand = locate(drawn.frames, liquid_box=body, reference_box=auto.reference_box)
    assert by_hand.liquid_box == body
    assert by_hand.liquid_by_hand
    assert by_hand.reference_by_hand
    part = np.asarray(drawn.frames[0].pixels)[195:240, 160:245].min(axis=2)
    assert part[by_hand.liquid_mask].max() < 200 < part.max()
    half = locate(drawn.frames, liquid_box=body)
    assert not half.reference_by_hand
    assert neutral_share(half, drawn) >= 0.9
    with pytest.raises(NoEndpoint, match="no-flask"):
        locate(drawn.frames, liquid_box=Box(900, 0, 950, 50))


def test_masks_cannot_be_written_to() -> None:
    region = locate(draw(SMALL, count=8).frames)
    with pytest.raises(ValueError, match="read-only"):
        region.liquid_mask[0, 0] = True
    with pytest.raises(ValueError, match="read-only"):
        region.reference_mask[0, 0] = True


@pytest.mark.parametrize("ground", ["tile", "cluttered", "lightbox"])
def test_pushed_camera_is_followed_and_small_trembling_is_left_alone(ground: str) -> None:
    drawn = draw(replace(SMALL, ground=ground, hands=(0.5,)), count=12)
    region = locate(drawn.frames)
    width = region.width
    for angle in np.linspace(0.3, 6.0, 6):
        across, down = np.cos(angle) * width, np.sin(angle) * width
        for frame in (drawn.frames[0], drawn.frames[-1]):
            trembled = SceneWatch(region).look(moved_by(frame, 0.004 * across, 0.004 * down))
            assert (trembled.flags, trembled.pose) == (Flag.NONE, HOME)
            for far in (0.025, 0.15):
                dx, dy = far * across, far * down
                pushed = SceneWatch(region).look(moved_by(frame, dx, dy))
                pose = pushed.pose
                rightly = (pose.dx, pose.dy) == pytest.approx((dx, dy), abs=0.008 * width)
                assert rightly if far < 0.1 else rightly or pushed.flags


def test_flask_alone_moved_is_followed() -> None:
    scene = replace(SMALL, ground="cluttered")
    drawn = draw(scene, count=12)
    region = locate(drawn.frames)
    moved = draw(replace(scene, centre_x=scene.centre_x + 0.04), count=12)
    frames = [*drawn.frames[:3], *moved.frames[3:]]
    samples = list(follow(frames, region))
    still = list(follow(drawn.frames, region))
    assert not [s.index for s in samples if s.flags & Flag.LIQUID_LOST]
    for k in (0, 1, 2, 4, 5, 8, 11):
        assert samples[k].density == pytest.approx(still[k].density, abs=0.03)


def test_flask_that_is_moved_all_the_time_is_found_and_followed() -> None:
    scene = replace(SMALL, ground="plain")
    drawn = draw(scene, count=12)
    places = [(0.0, 0.0), (0.05, -0.02), (-0.04, 0.03), (-0.07, -0.03)]
    elsewhere = [
        draw(replace(scene, centre_x=0.5 + dx, base_y=scene.base_y + dy), count=12)
        for dx, dy in places
    ]
    turned = [elsewhere[k % len(places)].frames[k] for k in range(12)]
    region = locate(turned)
    assert pure_share(region, drawn) >= 0.97
    samples = list(follow(turned, region))
    still = list(follow(drawn.frames, region))
    usable = [k for k, s in enumerate(samples) if not s.flags]
    assert len(usable) >= 11
    for k in usable:
        assert samples[k].density == pytest.approx(still[k].density, abs=0.03)


def test_frames_after_a_move_do_not_spoil_the_region_and_are_used() -> None:
    drawn = draw(SMALL, count=16)
    frames = drawn.frames[:7] + [moved_by(f, 24.0, -14.4) for f in drawn.frames[7:]]
    region = locate(frames)
    assert pure_share(region, drawn) >= 0.98
    samples, still = list(follow(frames, region)), list(follow(drawn.frames, region))
    used = [k for k, s in enumerate(samples) if not s.flags]
    assert len(used) >= 15
    for k in used:
        assert samples[k].density == pytest.approx(still[k].density, abs=0.03)


def test_hand_before_the_flask_is_noticed() -> None:
    drawn = draw(replace(BY_HAND, ground="plain"), count=12)
    region = locate(drawn.frames)
    hand = np.asarray(drawn.frames[2].pixels).copy()
    cv2.ellipse(hand, (200, 190), (110, 100), 0, 0, 360, (170, 125, 105), -1)
    assert told(region, ArrayFrame(2, 2.0, hand)) == Flag.LIQUID_LOST
    assert not any(told(region, frame) for frame in drawn.frames)


@pytest.mark.parametrize(
    ("family", "view", "seed"),
    [("good-steps", "far", 31), ("never-reached", "close", 32), ("already-blue", "far", 33)],
)
def test_rendered_scenes_that_were_not_tuned_on(family: str, view: str, seed: int) -> None:
    from sample_media import render

    recipe = replace(render.family(family, seed), view=view, width=320, height=240)
    plan = render.plan_of(recipe)
    recipe = replace(recipe, frames_s=14.0 / plan.duration_s)
    frames = [ArrayFrame(i, t, p) for i, (t, p) in enumerate(render.render_frames(recipe))]
    times = np.array([frame.time_s for frame in frames])
    given = float(np.median(render.mixed_volume(plan, recipe, times)[0]))
    volume_ml = round(recipe.flask.volume_ml + given, 0)
    plate = render._plate(view, recipe.width, recipe.height, volume_ml, False)
    region = locate(frames)
    found = whole(region)
    assert (plate.path_cm[found] > 0.5).mean() >= 0.99
    assert found.sum() >= 60
    b = region.reference_box
    patch = frames[0].encoded(b).mean(axis=(0, 1))
    assert np.ptp(patch) < 0.12
    assert (plate.shadow_cm[b.top : b.bottom, b.left : b.right] < 0.1).mean() > 0.97
    assert not any(told(region, frame) for frame in frames)
