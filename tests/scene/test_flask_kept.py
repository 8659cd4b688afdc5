"""The flask is kept: swirled, lifted, seen by a held camera, next to other coloured things."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.colour.density import ColourSample, trace
from endpoint.colour.follow import follow
from endpoint.colour.off_colour import swapped_frames
from endpoint.curve.gathering import from_absorbance
from endpoint.curve.indicator_form import begins_coloured
from endpoint.curve.points import RGB
from endpoint.problems import Flag
from endpoint.recording.frame import ArrayFrame
from endpoint.scene.region import locate

Picture = NDArray[np.float32]
WIDTH, HEIGHT = 320, 240
RED, BLUE = np.array([0.12, 0.62, 0.42]), np.array([0.75, 0.38, 0.14])
"""Densities of the liquid, log10 units, channels R, G, B."""
WOOD = (0.62, 0.42, 0.24)
GREY_WALL = (0.42, 0.42, 0.41)


@dataclass(frozen=True)
class Place:
    """Where the foot of a flask stands, its tilt, and the width of its foot, pixels and degrees."""

    x: float = 160.0
    y: float = 200.0
    tilt_deg: float = 0.0
    foot: float = 90.0


def polygon(place: Place, corners: Sequence[tuple[float, float]]) -> NDArray[np.int32]:
    """Corners in widths of the foot, x from the middle and y up from the bench, in pixels."""
    turn = np.exp(1j * np.radians(place.tilt_deg))
    points = [complex(x, -y) * place.foot * turn + complex(place.x, place.y) for x, y in corners]
    return np.array([(16 * p.real, 16 * p.imag) for p in points]).round().astype(np.int32)


LIQUID = [(-0.5, 0.04), (0.5, 0.04), (0.4, 0.42), (-0.4, 0.42)]
GLASS = [(-0.53, 0.0), (0.53, 0.0), (0.14, 1.35), (0.14, 1.9), (-0.14, 1.9), (-0.14, 1.35)]


def filled(light: Picture, corners: NDArray[np.int32], colour: Sequence[float]) -> None:
    cv2.fillPoly(light, [corners], [float(c) for c in colour], cv2.LINE_AA, 4)


def bench(ground: tuple[float, ...] = GREY_WALL, table: tuple[float, ...] = WOOD) -> Picture:
    """Wall, wooden table with grain, white tile; linear light."""
    return _bench(ground, table).copy()


@cache
def _bench(ground: tuple[float, ...], table: tuple[float, ...]) -> Picture:
    rng = np.random.default_rng(3)
    light = np.empty((HEIGHT, WIDTH, 3), np.float32)
    light[:110] = ground
    grain = cv2.resize(rng.normal(1.0, 0.1, (26, 10)).astype(np.float32), (WIDTH, 130))
    light[110:] = np.array(table, np.float32) * grain[..., None]
    light[20:60, 250:300] = (0.25, 0.3, 0.22)
    light[96:110, 30:60] = (0.2, 0.2, 0.25)
    tile = np.array([(60, 150), (270, 150), (310, 232), (20, 232)], np.int32) * 16
    filled(light, tile, (0.78, 0.78, 0.76))
    return light


def with_flask(light: Picture, density: NDArray[np.float64], place: Place = Place()) -> Picture:
    """A flask before a picture: its liquid takes light away, its walls reflect."""
    out = light.copy()
    depth: Picture = np.zeros((HEIGHT, WIDTH), np.float32)
    cv2.fillPoly(depth, [polygon(place, LIQUID)], 1.0, cv2.LINE_AA, 4)
    depth = np.asarray(cv2.GaussianBlur(depth, (0, 0), 0.8), np.float32)
    out *= 10.0 ** (-depth[..., None] * density.astype(np.float32))
    cv2.polylines(out, [polygon(place, GLASS)], True, (0.9, 0.9, 0.9), 1, cv2.LINE_AA, 4)
    foot = polygon(place, [(-0.52, 0.02), (0.52, 0.02)])
    cv2.polylines(out, [foot], False, (0.15, 0.15, 0.15), 2, cv2.LINE_AA, 4)
    shine = polygon(place, [(-0.4, 0.12), (-0.36, 0.12), (-0.3, 0.36), (-0.34, 0.36)])
    filled(out, shine, (0.9, 0.9, 0.9))
    return out


def with_glove(light: Picture, x: float, y: float, colour: Sequence[float]) -> Picture:
    """A fist with a sleeve that comes in from the right."""
    out = light.copy()
    arm = np.array([(x, y - 18), (WIDTH, y - 30), (WIDTH, y + 20), (x, y + 18)])
    filled(out, (16 * arm).astype(np.int32), [0.8 * c for c in colour])
    for k in range(4):
        centre = (round(x - 10), round(y - 27 + 18 * k))
        cv2.ellipse(out, centre, (34, 10), 0, 0, 360, [float(c) for c in colour], -1, cv2.LINE_AA)
        cv2.ellipse(out, centre, (34, 10), 0, 0, 360, [0.5 * c for c in colour], 1, cv2.LINE_AA)
    return out


def seen(light: Picture, k: int, every_s: float = 0.5) -> ArrayFrame:
    """A picture as a camera writes it, with noise."""
    rng = np.random.default_rng(100 + k)
    clipped = np.clip(light, 0.0, 1.0, dtype=np.float32)
    encoded = 255.0 * np.asarray(cv2.pow(clipped, 1.0 / 2.2)) + rng.normal(0.0, 1.5, light.shape)
    return ArrayFrame(k, every_s * k, np.clip(encoded, 0, 255).round().astype(np.uint8))


def shift(light: Picture, dx: float, dy: float, turn_deg: float) -> Picture:
    """The whole picture as a camera sees it that is held in the hand."""
    matrix = cv2.getRotationMatrix2D((WIDTH / 2, HEIGHT / 2), turn_deg, 1.0)
    matrix[:, 2] += np.array([dx, dy])
    size = (WIDTH, HEIGHT)
    return np.asarray(cv2.warpAffine(light, matrix, size, borderMode=cv2.BORDER_REFLECT))


def course(count: int, turns_at: float = 0.6, width: float = 0.25) -> list[NDArray[np.float64]]:
    """Densities of a liquid that turns from red to blue."""
    f = np.clip((np.arange(count) / count - turns_at) / width + 0.5, 0.0, 1.0)
    return [(1.0 - part) * RED + part * BLUE for part in f]


def usable(samples: Sequence[ColourSample]) -> NDArray[np.bool_]:
    return trace(samples).usable


def turn_is_seen(samples: Sequence[ColourSample], share: float) -> None:
    """Most frames are used, and the red channel shows the whole change."""
    good = usable(samples)
    assert good.mean() >= share
    red = np.array([s.density[0] for s in samples])
    tenth = len(samples) // 10
    assert good[: 2 * tenth].any()
    assert good[-2 * tenth :].any()
    rise = np.median(red[-3 * tenth :][good[-3 * tenth :]]) - np.median(
        red[: 3 * tenth][good[: 3 * tenth]]
    )
    assert rise == pytest.approx(still_rise(), abs=0.12)


@cache
def still_rise() -> float:
    """The same of a flask that stands still."""
    frames = [seen(with_flask(bench(), d), k) for k, d in enumerate((RED,) * 3 + (BLUE,) * 3)]
    samples = list(follow(frames, locate(frames)))
    return float(samples[-1].density[0] - samples[0].density[0])


def test_swirled_flask_is_kept_when_it_turns_blue() -> None:
    frames = []
    for k, density in enumerate(course(36)):
        angle = 0.9 * k
        place = Place(160 + 14 * np.cos(angle), 200 + 5 * np.sin(angle), 5.0 * np.sin(1.3 * k))
        frames.append(seen(with_flask(bench(), density, place), k, 0.2))
    turn_is_seen(list(follow(frames, locate(frames[::3]))), 0.85)


def test_flask_that_is_lifted_and_put_back_elsewhere_is_taken_back() -> None:
    frames = []
    for k, density in enumerate(course(39)):
        if k % 13 in (9, 10, 11):
            frames.append(seen(bench(), k))
            continue
        place = Place(160 + (0, 34, -26)[k // 13], 200 + (0, -6, 4)[k // 13], (0, 4, -5)[k // 13])
        frames.append(seen(with_flask(bench(), density, place), k))
    samples = list(follow(frames, locate(frames[::3])))
    assert all(samples[k].flags for k in (9, 10, 11, 22, 23, 24))
    turn_is_seen(samples, 0.7)


def test_held_camera_that_drifts_and_turns_is_followed() -> None:
    frames = []
    for k, density in enumerate(course(50)):
        scene = with_flask(bench(), density)
        drift = 9.0 * np.sin(0.31 * k), 7.0 * np.cos(0.23 * k) - 7.0
        frames.append(seen(shift(scene, *drift, 2.5 * np.sin(0.17 * k)), k, 0.2))
    samples = list(follow(frames, locate(frames[::3])))
    assert not any(s.flags & Flag.CAMERA_MOVED for s in samples[3:])
    turn_is_seen(samples, 0.9)


def from_elsewhere(light: Picture, k: int) -> Picture:
    """The picture from where a photographer stands next, the first one straight on."""
    if k == 0:
        return light
    rng = np.random.default_rng(20 + k)
    corners = np.array([[0, 0], [WIDTH, 0], [WIDTH, HEIGHT], [0, HEIGHT]])
    moved = corners + rng.uniform(-30, 30, (4, 2)) + rng.uniform(-12, 12, 2)
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), moved.astype(np.float32))
    warped = cv2.warpPerspective(light, matrix, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT)
    return np.asarray(warped)


def test_photographs_from_another_side_each_show_flask_and_reference() -> None:
    views = (from_elsewhere(with_flask(bench(), d), k) for k, d in enumerate(course(12)))
    frames = [seen(view, k, 1.0) for k, view in enumerate(views)]
    turn_is_seen(list(follow(frames, locate(frames))), 0.9)


@pytest.mark.parametrize("colour", [(0.02, 0.05, 0.35), (0.06, 0.16, 0.5), (0.5, 0.3, 0.2)])
def test_glove_across_the_flask_hides_it_and_is_not_the_liquid(colour: tuple[float, ...]) -> None:
    frames = []
    for k, density in enumerate(course(50, 0.8, 0.1)):
        light = with_flask(bench(), density)
        if 20 <= k < 27:
            light = with_glove(light, 165 + 4 * (k % 3), 175, colour)
        frames.append(seen(light, k))
    samples = list(follow(frames, locate(frames[::3])))
    assert not usable(samples)[20:27].any()
    turn_is_seen(samples, 0.8)


def test_blue_reference_flask_does_not_take_the_place_of_a_hidden_one() -> None:
    frames = []
    for k, density in enumerate(course(40)):
        light = with_flask(bench(), BLUE, Place(265, 205, 0.0, 80.0))
        light = with_flask(light, density, Place(120))
        if 12 <= k < 22:
            light = with_glove(light, 125, 175, (0.5, 0.3, 0.2))
        frames.append(seen(light, k))
    region = locate(frames[::3])
    assert region.liquid_box.right < 190
    samples = list(follow(frames, region))
    assert not usable(samples)[12:22].any()
    turn_is_seen(samples, 0.7)
    alone = locate(frames[:3])
    assert alone.liquid_box.right < 190


def bottle(light: Picture, x: int, colour: Sequence[float], top: int = 60) -> Picture:
    out = light.copy()
    out[top:175, x - 20 : x + 20] = colour
    out[top - 18 : top, x - 9 : x + 9] = (0.1, 0.1, 0.1)
    return out


@pytest.mark.parametrize(
    ("x", "colour"),
    [
        (60, (0.45, 0.04, 0.06)),
        (255, (0.45, 0.04, 0.06)),
        (60, (0.5, 0.06, 0.14)),
        (255, (0.03, 0.06, 0.4)),
    ],
)
def test_bottle_of_a_strong_colour_is_not_the_liquid(x: int, colour: tuple[float, ...]) -> None:
    start = [seen(with_flask(bottle(bench(), x, colour), RED), k) for k in range(3)]
    b = locate(start).liquid_box
    assert b.left > 110
    assert b.right < 210
    frames = [seen(with_flask(bottle(bench(), x, colour), d), k) for k, d in enumerate(course(20))]
    turn_is_seen(list(follow(frames, locate(frames))), 0.9)


@pytest.mark.parametrize("colour", [(0.03, 0.08, 0.4), (0.4, 0.03, 0.05)])
def test_coloured_plate_of_a_stirrer_is_not_the_liquid(colour: tuple[float, ...]) -> None:
    light = bench()
    plate = np.array([(90, 190), (230, 190), (250, 232), (70, 232)], np.int32) * 16
    filled(light, plate, colour)
    frames = [seen(with_flask(light, d, Place(160, 196)), k) for k, d in enumerate(course(20))]
    # Of a red plate the first pictures alone tell nothing: it looks as a lot of dye does.
    parts = (frames, frames[:3]) if colour[2] > colour[0] else (frames,)
    regions = [locate(part) for part in parts]
    for region in regions:
        assert region.liquid_box.bottom <= 196
        assert region.liquid_box.top >= 150
    turn_is_seen(list(follow(frames, regions[0])), 0.9)


def test_white_paper_that_is_clipped_is_not_the_reference_while_a_grey_card_is_in_view() -> None:
    light = bench() * 1.6
    light[60:100, 60:100] = (0.4, 0.4, 0.4)
    frames = [seen(with_flask(light, d), k) for k, d in enumerate(course(20))]
    region = locate(frames)
    b = region.reference_box
    level = np.asarray(frames[0].pixels)[b.top : b.bottom, b.left : b.right]
    assert level.max() < 250
    assert not region.notes
    turn_is_seen(list(follow(frames, region)), 0.9)
    # Without the card there is only the paper.
    bare = [seen(np.maximum(with_flask(bench() * 1.6, d), 0.0), k) for k, d in enumerate(course(6))]
    assert locate(bare)


def test_red_without_any_green_is_a_lot_of_dye_and_not_the_dark() -> None:
    deep = [3.2 * d for d in course(40)]
    frames = [seen(with_flask(bench(), d), k) for k, d in enumerate(deep)]
    region = locate(frames)
    samples = list(follow(frames, region))
    assert not any(s.flags & Flag.DARK for s in samples)
    assert usable(samples).mean() > 0.8
    assert max(s.density[1] for s in samples) > 1.2
    # The dark is still the dark.
    off = [seen(with_flask(bench(), d) * 0.004, 40 + k) for k, d in enumerate(deep[:6])]
    late = list(follow([*frames, *off], region))[-6:]
    assert all(s.flags & Flag.DARK for s in late)


def test_white_balance_that_drifts_does_not_lose_the_reference() -> None:
    frames = []
    for k, density in enumerate(course(50)):
        gain = np.array([1.0, 1.0 - 0.25 * np.sin(k / 12.0), 1.0 + 0.2 * np.sin(k / 15.0)])
        frames.append(seen(with_flask(bench(), density) * gain.astype(np.float32), k, 2.0))
    region = locate(frames[::3])
    samples = list(follow(frames, region))
    assert not any(s.flags & Flag.REFERENCE_LOST for s in samples)
    # A hand comes at once.
    b = region.reference_box
    covered = np.asarray(frames[30].pixels).copy()
    covered[b.top - 4 : b.bottom + 4, b.left - 4 : b.right + 4] = (150, 110, 90)
    frames[30] = ArrayFrame(30, frames[30].time_s, covered)
    assert list(follow(frames, region))[30].flags & Flag.REFERENCE_LOST


def test_camera_that_is_knocked_away_shows_no_flask() -> None:
    still = [seen(with_flask(bench(), RED), k) for k in range(20)]
    away = [seen(np.ascontiguousarray(bench()[::-1, ::-1]), 20 + k) for k in range(20)]
    region = locate([*still, *away][::2])
    samples = list(follow([*still, *away], region))
    assert usable(samples)[:19].all()
    assert not usable(samples)[21:].any()


def box(light: Picture, colour: Sequence[float], x: int = 160) -> Picture:
    """A plain coloured thing on the tile: a plate, a folded cloth."""
    out = light.copy()
    cv2.rectangle(out, (x - 40, 158), (x + 40, 206), [float(c) for c in colour], -1, cv2.LINE_AA)
    return out


PAINT_RED, PAINT_BLUE = (0.5, 0.1, 0.2), (0.1, 0.2, 0.5)


@pytest.mark.parametrize("hand", [False, True])
def test_coloured_thing_that_is_swapped_is_no_change_of_a_liquid(hand: bool) -> None:
    frames = []
    for k in range(60):
        light = box(bench(), PAINT_RED if k < 33 else PAINT_BLUE)
        if hand and 28 <= k < 38:
            light = with_glove(light, 150, 175, (0.5, 0.3, 0.2))
        frames.append(seen(light, k, 0.2))
    colour = trace(follow(frames, locate(frames[::3])))
    good = colour.usable
    assert good[:25].mean() > 0.8
    assert not (good & (np.arange(60) >= 39)).any()


def test_liquid_that_turns_quickly_or_behind_a_hand_is_not_a_swap() -> None:
    time_s = (0.1 * np.arange(300)).astype(np.float64)
    even = np.full(300, 0.02)
    every = np.ones(300, dtype=np.bool_)
    mixed = np.clip(1.0 - np.exp(-(time_s - 15.0) / 1.0), 0.0, 1.0)[:, None]
    density = RED + mixed * (BLUE - RED)
    assert not swapped_frames(time_s, density, even, every).any()
    at_once = np.where(time_s[:, None] < 15.0, RED, BLUE)
    assert swapped_frames(time_s, at_once, even, every)[150:].all()
    # Streaks were seen before, so it is a liquid, whatever a hand has hidden.
    streaky = even + 0.2 * (np.arange(300) % 60 < 5)
    assert not swapped_frames(time_s, at_once, streaky, every).any()
    # Pictures that were not taken may have shown every shade.
    sparse = slice(0, 300, 8)
    assert not swapped_frames(time_s[sparse], at_once[sparse], even[sparse], every[sparse]).any()
    shorter = np.r_[0:140, 160:300]
    assert not swapped_frames(
        time_s[shorter], at_once[shorter], even[shorter], every[shorter]
    ).any()


@pytest.mark.parametrize(
    ("first", "rise", "begins"),
    [
        ((0.35, 1.4, 1.5), (1.1, -0.4, -0.4), True),  # dark red before wood, hue about 33
        ((0.25, 0.8, 1.15), (0.6, 0.1, -0.2), True),  # red before darker wood, hue about 48
        ((0.12, 0.32, 0.45), (0.4, 0.15, 0.0), False),  # skin
        ((0.15, 0.4, 0.75), (0.5, 0.2, 0.0), False),  # the wood itself
        ((0.2, 0.25, 0.7), (0.5, 0.2, 0.0), False),  # yellow
    ],
)
def test_dark_liquid_before_wood_begins_as_the_indicator(
    first: tuple[float, ...], rise: tuple[float, ...], begins: bool
) -> None:
    f = np.r_[np.zeros(8), np.linspace(0.0, 1.0, 8), np.ones(8)]
    density = np.array(first) + f[:, None] * np.array(rise)
    aside = np.zeros(f.size, dtype=np.bool_)
    curve = from_absorbance(0.1 * np.arange(f.size), density, RGB, 100.0, saturated=aside)
    assert begins_coloured(curve, ERIOCHROME_BLACK_T) == begins
