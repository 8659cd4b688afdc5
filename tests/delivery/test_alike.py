"""How many values in a row err as one, against series of known autocorrelation."""

from __future__ import annotations

import numpy as np
import pytest

from endpoint.delivery.alike import together


def series(keep: float, size: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    out = np.zeros(size)
    for k in range(1, size):
        out[k] = keep * out[k - 1] + np.sqrt(1.0 - keep**2) * rng.normal()
    return out


@pytest.mark.parametrize("keep", [0.0, 0.5, 0.8, 0.9])
def test_a_first_order_series_counts_as_the_textbook_says(keep: float) -> None:
    found = np.mean([together(series(keep, 3000, seed)) for seed in range(20)])
    assert found == pytest.approx((1.0 + keep) / (1.0 - keep), rel=0.15)


def test_a_slow_wander_under_white_noise_is_seen() -> None:
    rng = np.random.default_rng(3)
    slow = np.mean([together(series(0.97, 3000, s) + rng.normal(size=3000)) for s in range(10)])
    neighbours = 0.97 / 2.0  # what the nearest neighbour alone would tell
    assert slow > 4.0 * (1.0 + neighbours) / (1.0 - neighbours)


def test_too_few_values_and_a_flat_series_count_by_themselves() -> None:
    assert together(np.array([1.0, -1.0, 1.0])) == 1.0
    assert together(np.zeros(100)) == 1.0
