"""What stands apart from the curve, and what is the curve itself."""

from __future__ import annotations

import numpy as np

from endpoint.curve.strays import strays


def test_red_points_before_a_leap_into_the_change_are_no_strays() -> None:
    """Three pauses in red, one addition that leaps over 40 % of the change, then drop by drop."""
    place = np.array([0.0, 0.01, 0.0, 0.42, 0.52, 0.6, 0.7, 0.87, 0.93, 0.98, 1.0, 1.0])
    red, blue = np.array([0.38, 1.07, 1.10]), np.array([1.16, 0.69, 0.51])
    density = red + place[:, None] * (blue - red)
    assert not strays(density).any()
    # Three that stand apart from a plateau are.
    plateau = np.r_[0.6, 0.6, 0.6, 0.0, 0.01, 0.0, 0.02, 0.2, 0.5, 0.8, 1.0, 1.0]
    assert strays(red + plateau[:, None] * (blue - red)).tolist() == [True] * 3 + [False] * 9


def test_three_drops_of_a_dark_liquid_are_its_change() -> None:
    """A camera's red channel goes beyond both ends half-way, in a change that is over at once."""
    place = np.r_[np.linspace(0.0, 0.06, 9), 0.1, 0.3, 0.45, 0.7, 0.98, np.linspace(0.99, 1.0, 4)]
    red, blue = np.array([1.06, 1.46, 1.18]), np.array([1.38, 0.83, 0.56])
    bow = np.array([0.35, 0.12, 0.08]) * (4.0 * place * (1.0 - place))[:, None]
    density = red + place[:, None] * (blue - red) + bow
    assert not strays(density).any()
    # Colours that come back to where they came from are not a change.
    back = np.array(density)
    back[13:] = density[0] + 0.01 * (density[13:] - density[0])
    assert strays(back)[10:13].all()
