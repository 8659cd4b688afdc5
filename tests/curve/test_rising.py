"""A rising curve is the one that scipy finds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import isotonic_regression

from endpoint.curve.rising import rising


@pytest.mark.parametrize("count", [1, 2, 7, 300])
@pytest.mark.parametrize("slope", [-0.1, 0.0, 0.02, 2.0])
@pytest.mark.parametrize("weighted", [False, True])
def test_levels_and_blocks_are_those_of_scipy(count: int, slope: float, weighted: bool) -> None:
    rng = np.random.default_rng(count)
    values = slope * np.arange(count) + rng.normal(size=count)
    weights = rng.uniform(0.1, 3.0, count) if weighted else None
    found, known = rising(values, weights), isotonic_regression(values, weights=weights)
    np.testing.assert_allclose(found.values, known.x, atol=1e-12)
    np.testing.assert_array_equal(found.ends, known.blocks)
    assert (np.diff(found.levels) > 0).all()


def test_points_of_one_level_are_one_block() -> None:
    assert rising(np.array([1.0, 1.0, 2.0, 2.0])).ends.tolist() == [0, 2, 4]
