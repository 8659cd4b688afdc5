"""Light of masked pixels: thinned reading tells what reading all of them tells."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from endpoint.colour.linear_light import (
    MOST_PIXELS,
    level_of,
    linear_light,
    quick_linear,
    spots_of,
    to_linear,
)
from endpoint.recording.frame import ArrayFrame, Box, codes_at


@pytest.mark.parametrize("transfer", ["srgb", "bt709", "linear"])
def test_the_table_is_the_tone_curve(transfer: str) -> None:
    x = np.random.default_rng(1).uniform(-0.1, 1.24, (5000, 3)).astype(np.float32)
    if transfer == "bt709":
        # The printed curve has a small step at 0.081, which the table cuts off.
        x = x[np.abs(x - 0.081) > 1.25 / 4096]
    assert quick_linear(x, transfer) == pytest.approx(to_linear(x, transfer), abs=1e-6)


def test_overshoots_are_cut_at_the_ends() -> None:
    ends = quick_linear(np.array([[-5.0, 0.0, 9.0]], dtype=np.float32), "linear")
    assert ends[0] == pytest.approx([0.0, 0.0, 1.25], abs=1e-3)


def test_the_trimmed_mean_is_that_of_scipy() -> None:
    pixels = np.random.default_rng(2).gamma(2.0, 0.05, (2000, 3))
    level = level_of(pixels.T)
    assert level.mean == pytest.approx(stats.trim_mean(pixels, 0.1), rel=1e-5)
    assert level.low == pytest.approx(np.percentile(pixels, 16, axis=0), rel=0.01)
    assert level.high == pytest.approx(np.percentile(pixels, 84, axis=0), rel=0.01)


def test_thinned_pixels_tell_the_same_with_the_same_error() -> None:
    random = np.random.default_rng(3)
    picture = random.normal((0.5, 0.3, 0.4), 0.03, (400, 500, 3)).astype(np.float32)
    frame = ArrayFrame(0, 0.0, picture)
    y, x = np.mgrid[:300, :400]
    mask = (x - 200) ** 2 + (y - 150) ** 2 < 140**2
    box = Box(50, 40, 450, 340)
    spots, step = spots_of(box, mask)
    assert step > 4
    pixels = linear_light([codes_at(frame, spots)], "linear")[:, 0]
    assert pixels.shape[1] <= 1.1 * MOST_PIXELS
    thin, whole = level_of(pixels, step), level_of(picture[40:340, 50:450][mask].T)
    assert np.abs(thin.mean - whole.mean).max() < 4 * 0.03 / np.sqrt(pixels.shape[1])
    # Pixels far apart are witnesses of their own, neighbours are not: 16 of them count as one.
    expected = 0.03 * 0.66 / np.sqrt(0.8 * pixels.shape[1])
    assert thin.error == pytest.approx(np.full(3, expected), rel=0.1)


def test_a_mask_that_the_thinning_misses_is_read_whole() -> None:
    picture = np.full((400, 400, 3), 0.25, dtype=np.float32)
    mask = np.ones((400, 400), dtype=bool)
    mask[::9] = False
    mask[:, ::9] = False
    spots, step = spots_of(Box(0, 0, 400, 400), mask)
    assert spots.rows.size > 0
    assert step >= 1
    assert mask[spots.rows, spots.columns].all()
    pixels = linear_light([codes_at(ArrayFrame(0, 0.0, picture), spots)], "linear")
    assert pixels == pytest.approx(0.25, abs=1e-6)
