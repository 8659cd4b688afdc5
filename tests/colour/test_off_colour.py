"""Colours that no mixture has: a sleeve, skin, plain water."""

from __future__ import annotations

import numpy as np
import pytest

from endpoint.colour.density import UNSHARE, ColourSample, trace
from endpoint.colour.off_colour import (
    bow_of,
    darkness_of,
    largest_off,
    leaps,
    off_colour_frames,
    off_colour_runs,
    swapped_frames,
)
from endpoint.curve.gathering import from_colour
from endpoint.curve.points import Curve
from endpoint.delivery.delivery import Delivery
from endpoint.problems import Flag
from endpoint.verdict.verdict import hindrance
from sample_media import light

RED, BLUE = np.array([0.24, 0.66, 0.50]), np.array([0.78, 0.36, 0.11])
DENIM = np.array([1.01, 0.83, 0.61])


def curve(colours: list[np.ndarray]) -> Curve:
    """Curve of a film in steps of 0.2 mL with one colour after each addition, 10 s apart."""
    rng = np.random.default_rng(3)
    samples: list[ColourSample] = []
    for k, colour in enumerate(colours):
        for frame in range(20):
            red, green, blue = (float(v) for v in colour + rng.normal(0.0, 0.002, 3))
            density = (red, green, blue)
            time_s, sigma, white = 10.0 * k + 5.0 + 0.2 * frame, (0.004,) * 3, (0.7,) * 3
            samples.append(
                ColourSample(len(samples), time_s, density, density, sigma, white, 0.02, Flag.NONE)
            )
    number = np.arange(len(colours), dtype=np.float64)
    delivery = Delivery("steps", 10.0 * number, 0.2 * number)
    return from_colour(trace(samples), delivery, 1e6, 1.0)


def mixture(f: float) -> np.ndarray:
    return RED + f * (BLUE - RED)


def test_a_sleeve_between_two_points_is_set_aside() -> None:
    colours = [mixture(0.0)] * 6 + [DENIM] * 5 + [mixture(1.0)] * 6
    found = curve(colours)
    hidden = (found.frame_flags & int(Flag.OFF_COLOUR)) != 0
    assert hidden.tolist() == [False] * 120 + [True] * 100 + [False] * 120
    kept = found.flags == 0
    assert np.all((found.signal[kept] < 0.1) | (found.signal[kept] > 0.9))


@pytest.mark.parametrize("bow", [0.0, 0.3, 0.6])
def test_a_colour_that_bends_away_slowly_is_kept(bow: float) -> None:
    across = np.array([0.0, 0.0, 1.0]) * np.linalg.norm(BLUE - RED)
    parts = np.linspace(0.0, 1.0, 21)
    found = curve([mixture(f) + 4.0 * bow * f * (1.0 - f) * across for f in parts])
    assert not np.any(found.flags & int(Flag.OFF_COLOUR))
    assert not np.any(found.frame_flags & int(Flag.OFF_COLOUR))


def test_runs_at_an_end_are_no_visit() -> None:
    off = np.array([0.9, 0.9, 0.0, 0.0, 0.9, 0.0, 0.0, 0.9])
    assert off_colour_runs(off, 0.45).tolist() == [False] * 4 + [True] + [False] * 3


def test_darkness_allows_more() -> None:
    assert darkness_of(np.full((5, 3), 0.5)) == 0.0
    assert darkness_of(np.full((5, 3), 1.35)) == pytest.approx(0.70)
    assert largest_off(0.70) == pytest.approx(0.73)
    assert darkness_of(np.zeros((0, 3))) == 0.0


def test_a_sleeve_that_stays_is_no_blue() -> None:
    found = hindrance(curve([mixture(0.0)] * 8 + [np.array([1.15, 0.95, 0.70])] * 6))
    assert found == "other-colour"


@pytest.mark.parametrize(
    ("start", "refused"),
    [
        (RED, False),
        (np.array([0.07, 0.13, 0.11]), False),  # very pale
        (np.array([0.24, 0.64, 0.59]), False),  # in yellow water
        (np.array([0.46, 1.23, 1.18]), False),  # very dark
        (np.array([0.29, 0.47, 0.61]), True),  # skin
        (np.array([0.41, 0.41, 0.41]), True),  # grey
        (np.array([0.60, 0.20, 0.70]), True),  # green
    ],
)
def test_only_what_can_be_the_indicator_is_a_start(start: np.ndarray, refused: bool) -> None:
    end = BLUE if refused else start + 0.6 * (BLUE - RED)
    colours = [start + f * (end - start) for f in np.r_[np.zeros(6), 0.3, 0.7, np.ones(6)]]
    assert (hindrance(curve(colours)) == "other-colour") == refused


@pytest.mark.parametrize("ground", [(0.05, 0.2, 0.45), (0.3, 0.1, 0.3), (0.0, 0.25, 0.25)])
def test_a_coloured_ground_behind_the_liquid_hides_nothing(ground: tuple[float, ...]) -> None:
    parts = np.r_[np.zeros(6), 0.3, 0.7, np.ones(6)]
    assert hindrance(curve([mixture(f) + np.array(ground) for f in parts])) is None


def test_frames_and_points_bow_by_one_law() -> None:
    # Worked by hand: 0.4 of a change for each unit of density beyond 0.65.
    assert bow_of(np.array([0.2, 0.65, 1.15])) == pytest.approx([0.0, 0.0, 0.2])
    assert largest_off(darkness_of(np.full((5, 3), 1.15))) - largest_off(0.0) == pytest.approx(0.2)


@pytest.mark.parametrize("amount_umol_l", [10.0, 40.0, 60.0])
def test_a_measured_camera_bows_less_than_the_law_lets_it(amount_umol_l: float) -> None:
    """Slow change through a liquid of uneven depth, seen by a measured camera.

    Without a bow the two darker ones lose 12 and 46 frames of their change.
    """
    camera = light.camera(light.CAMERAS[0], "tungsten")
    paths = 3.0 * np.array([0.8, 1.0, 1.15])
    time_s = np.arange(0.0, 120.0, 0.2)
    f = np.clip((time_s - 80.0) / 15.0, 0.0, 1.0)
    steps = np.linspace(0.0, 1.0, 51)
    seen = np.array(
        [camera.see(light.transmittance(amount_umol_l * 1e-6 * (1 - x),
                                        amount_umol_l * 1e-6 * x, paths)).mean(0) for x in steps]
    )  # fmt: skip
    density = -np.log10(np.maximum(seen @ UNSHARE.T, 1e-3))
    frames = np.stack([np.interp(f, steps, density[:, k]) for k in range(3)], axis=1)
    assert not off_colour_frames(time_s, frames, np.ones(time_s.size, bool)).any()


SKIN = np.array([0.26, 0.49, 0.62])
TIME_S = (0.1 * np.arange(300)).astype(np.float64)
EVERY = np.ones(300, dtype=np.bool_)


def filmed(free: np.ndarray, seed: int = 5) -> np.ndarray:
    scatter = 0.004 * np.random.default_rng(seed).standard_normal((free.size, 3))
    return RED + free[:, None] * (BLUE - RED) + scatter


def test_shade_of_a_hand_is_no_shade_of_a_liquid() -> None:
    """A hand lies between red and blue, but not on the way from one to the other."""
    density = filmed((TIME_S > 15.0).astype(np.float64))
    density[150:175] = SKIN
    even = np.full(300, 0.03)
    assert swapped_frames(TIME_S, density, even, EVERY)[175:].all()
    assert leaps(TIME_S, density, EVERY)


@pytest.mark.parametrize("lag_s", [0.6, 1.5])
def test_liquid_shows_shades_however_fast_it_is_stirred(lag_s: float) -> None:
    free = np.where(TIME_S > 15.0, 1.0 - np.exp(-(TIME_S - 15.0).clip(0.0) / lag_s), 0.0)
    assert not leaps(TIME_S, filmed(free), EVERY)


def test_plumes_before_an_exchange_are_no_shades_of_it() -> None:
    free = (TIME_S > 20.0).astype(np.float64)
    plumes = (TIME_S < 18.0) & (TIME_S % 6.0 < 2.0)
    assert leaps(TIME_S, filmed(np.where(plumes, 0.5, free)), EVERY)


def test_what_does_not_turn_does_not_leap() -> None:
    assert not leaps(TIME_S, filmed(np.zeros(300)), EVERY)


def test_plume_as_blue_as_the_end_is_no_exchange() -> None:
    """In a pale liquid one burst of titrant colours the view like the end, and is gone at once."""
    free = np.where(TIME_S > 22.0, 1.0 - np.exp(-(TIME_S - 22.0).clip(0.0) / 1.5), 0.0)
    free[50:54] = 1.0
    assert not swapped_frames(TIME_S, filmed(free), np.full(300, 0.03), EVERY).any()
    assert not leaps(TIME_S, filmed(free), EVERY)
