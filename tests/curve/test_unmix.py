"""The signal in a colour, at the ends of what a curve can be."""

from __future__ import annotations

import numpy as np
import pytest

from endpoint.curve.unmix import unmix


@pytest.mark.parametrize("channels", [1, 2, 3])
def test_one_point_shows_no_change(channels: int) -> None:
    density = np.full((1, channels), 0.4)
    signal, _, off, weights, start, change = unmix(
        np.array([1.0]), density, np.full((1, channels), 0.001), 100.0
    )
    for nothing in (weights, change, signal, off):
        assert not nothing.any()
    np.testing.assert_allclose(start, 0.4 * 1.01)


def test_two_points_are_the_two_ends() -> None:
    density = np.array([[0.2, 0.6, 0.3], [0.6, 0.3, 0.1]])
    signal, _, off, *_ = unmix(np.array([0.0, 1e-9]), density, np.full((2, 3), 0.001), 100.0)
    np.testing.assert_allclose(signal, [0.0, 1.0], atol=1e-9)
    np.testing.assert_allclose(off, 0.0, atol=1e-9)
