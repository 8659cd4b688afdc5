"""Small pictures kept of the change and of the pauses, few whatever the length of the film."""

from __future__ import annotations

import numpy as np
import pytest

from endpoint.colour.kept_pictures import PauseKeeper, PictureKeeper, ShadeKeeper
from endpoint.recording.frame import ArrayFrame, Box

RED, BLUE = np.array([0.7, 0.2, 0.4]), np.array([0.2, 0.4, 0.7])
LIQUID = Box(20, 20, 60, 60)


def flask(index: int, time_s: float, blue_part: float) -> ArrayFrame:
    pixels = np.full((90, 160, 3), 0.8)
    pixels[20:60, 20:60] = (1.0 - blue_part) * RED + blue_part * BLUE
    return ArrayFrame(index, time_s, pixels)


def part_of(picture: np.ndarray) -> float:
    red = picture[40, 40].astype(float) / 255.0
    return float((RED - red)[0] / (RED - BLUE)[0])


@pytest.mark.parametrize("length_s", [60.0, 600.0])
def test_a_short_change_has_its_shades(length_s: float) -> None:
    # The change takes 12 s, a fiftieth of the longer film.
    keeper = ShadeKeeper()
    for k in range(int(length_s * 5)):
        time_s = 0.2 * k
        keeper.see(flask(k, time_s, float(np.clip((time_s - 30.0) / 12.0, 0.0, 1.0))), LIQUID)
    shades = np.sort([part_of(picture.rgb) for picture in keeper.pictures])
    assert 12 <= shades.size <= 32
    assert np.diff(shades).max() < 0.12
    assert (shades[0], shades[-1]) == pytest.approx((0.0, 1.0), abs=0.05)


def test_a_plume_is_replaced_by_the_shade_that_stayed() -> None:
    keeper = ShadeKeeper()
    for k in range(500):
        time_s = 0.2 * k
        # So slow that the shade of the plume comes again.
        part = 0.5 if 10.0 <= time_s < 11.0 else float(np.clip((time_s - 60.0) / 30.0, 0.0, 1.0))
        keeper.see(flask(k, time_s, part), LIQUID)
    half = [p.time_s for p in keeper.pictures if abs(part_of(p.rgb) - 0.5) < 0.04]
    assert half
    assert min(half) > 60.0


def test_the_dark_has_no_shade() -> None:
    keeper = ShadeKeeper()
    keeper.see(ArrayFrame(0, 0.0, np.zeros((90, 160, 3))), LIQUID)
    assert keeper.pictures == ()


def test_every_pause_has_its_last_picture() -> None:
    pauses = [(10.0 * k + 3.0, 10.0 * k + 9.0) for k in range(8)]
    keeper = PauseKeeper(pauses)
    for k in range(800):
        keeper.see(flask(k, 0.1 * k, 0.0))
    times = sorted(picture.time_s for picture in keeper.pictures)
    assert len(times) == 8
    for time_s, (start, stop) in zip(times, pauses, strict=True):
        assert start + 5.0 < time_s <= stop


@pytest.mark.parametrize("pauses", [0, 20, 500])
def test_their_number_is_bounded(pauses: int) -> None:
    rng = np.random.default_rng(4)
    spans = [(2.0 * k, 2.0 * k + 1.9) for k in range(pauses)]
    keeper = PictureKeeper(liquid=LIQUID, pauses_s=spans)
    for k in range(3000):
        keeper.see(flask(k, 0.4 * k, float(rng.random())))
    kept = keeper.pictures
    assert 40 <= len(kept) <= 112
    assert [p.time_s for p in kept] == sorted({p.time_s for p in kept})
    keeper.forget()
    assert keeper.pictures == ()
