"""A stream under the eyes of the camera: its own colour is no tinge, the first tinge closes it."""

from __future__ import annotations

import numpy as np
import pytest

from endpoint.bench.guidance.plume import sight_of
from endpoint.bench.guidance.words import drops_a_second
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T

_FRAME_S = 0.125
_READ_S = 5.0


def _colours(time_s: np.ndarray, free: np.ndarray, noise: float) -> np.ndarray:
    red, blue = (
        np.array(form.camera_density)
        for form in (ERIOCHROME_BLACK_T.bound, ERIOCHROME_BLACK_T.free)
    )
    scatter = np.random.default_rng(5).normal(0.0, noise, (time_s.size, 3))
    return np.asarray(red + free[:, None] * (blue - red) + scatter)


def turns(rises: tuple[tuple[float, float, float], ...], noise: float = 0.001) -> bool:
    """Whether a tinge is seen within 30 s after a reading.

    `rises` are begin, s after the reading, duration, s, and free part of the indicator gained.
    """
    time_s = np.arange(0.0, _READ_S + 30.0, _FRAME_S)
    free = np.zeros(time_s.size)
    for begin_s, lasts_s, gain in rises:
        free += gain * np.clip((time_s - _READ_S - begin_s) / lasts_s, 0.0, 1.0)
    density = _colours(time_s, free, noise)
    usable = np.ones(time_s.size, dtype=bool)
    spread = np.full(time_s.size, 0.02)
    return sight_of(time_s, spread, usable, (0.0, _READ_S), density).turns


def test_what_a_stream_lends_to_the_picture_as_it_begins_is_no_tinge() -> None:
    assert not turns(((4.0, 2.0, 0.06),))


@pytest.mark.parametrize("lent", [0.0, 0.06])
def test_a_tinge_of_a_twentieth_closes_the_tap(lent: float) -> None:
    """Whether or not the stream lends a colour of its own, and before the change is passed."""
    assert turns(((4.0, 2.0, lent), (20.0, 3.0, 0.06)))


def test_a_plume_that_grows_a_little_as_less_is_left_closes_no_tap() -> None:
    """What is a tinge beside a weak plume is the growth of a strong one."""
    rise = (20.0, 3.0, 0.034)
    assert turns(((4.0, 2.0, 0.0), rise), noise=0.0003)
    assert not turns(((4.0, 2.0, 0.145), rise), noise=0.0003)


def test_light_that_drifts_closes_no_tap() -> None:
    assert not turns(((0.0, 30.0, 0.04),))
    assert not turns((), noise=0.02)


def test_no_fast_stream_once_a_tinge_was_seen() -> None:
    assert drops_a_second(20.0, tinged=False) == "three drops"
    assert drops_a_second(20.0, tinged=True) == "one drop"
    assert drops_a_second(5.0, tinged=False) == "two drops"
