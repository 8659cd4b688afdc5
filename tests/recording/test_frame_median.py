"""What is worked out by a quicker way is to the last bit what the library says."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import binary_fill_holes

from endpoint.recording.frame_median import median_over_frames
from endpoint.scene.camera_shift import _strong
from endpoint.scene.liquid_body import connected_parts


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("count", [*range(1, 26), 39, 40, 41])
def test_the_median_over_frames_is_that_of_numpy(count: int, kind: type) -> None:
    rng = np.random.default_rng(count)
    # Many values are equal, as those of 8 bits are.
    values: NDArray[Any] = np.round(rng.normal(size=(count, 31, 3)), 1).astype(kind)
    found = median_over_frames(values)
    assert found.dtype == kind
    assert np.array_equal(found, np.median(values, axis=0))
    values[count // 2, 4, 1] = np.nan
    assert np.array_equal(median_over_frames(values), np.median(values, axis=0), equal_nan=True)


def test_a_large_stack_is_worked_through_in_blocks() -> None:
    values = np.random.default_rng(1).normal(size=(9, 150, 200)).astype(np.float32)
    before = values.copy()
    assert np.array_equal(median_over_frames(values), np.median(values, axis=0))
    assert np.array_equal(values, before)


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (90, 160), (120, 160), (7, 51)])
def test_the_strength_of_strong_edges_is_a_percentile(shape: tuple[int, int]) -> None:
    for seed in range(20):
        values = np.random.default_rng(seed).random(shape).astype(np.float32)
        assert _strong(values) == float(np.percentile(values, 98))


def test_holes_of_a_part_are_filled() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        mask = rng.random((30, 40)) < rng.uniform(0.4, 0.9)
        (largest, *_) = connected_parts(mask, 6)
        assert (largest == binary_fill_holes(largest)).all()
        assert (mask & largest).any()
    ring = np.zeros((9, 9), dtype=np.bool_)
    ring[1:8, 1:8] = True
    ring[3:6, 3:6] = False
    (whole,) = connected_parts(ring, 6)
    assert whole.sum() == 49
