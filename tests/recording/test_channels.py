"""Reductions over the channels give what numpy's give, bit by bit."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import DTypeLike

from endpoint.recording import channels


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("shape", [(7, 5, 3), (2, 9, 4, 3), (6, 3)])
def test_they_equal_those_of_numpy(kind: DTypeLike, shape: tuple[int, ...]) -> None:
    picture = np.random.default_rng(2).normal(0.5, 0.4, shape).astype(kind)
    before = picture.copy()
    assert np.array_equal(channels.largest(picture), picture.max(axis=-1))
    assert np.array_equal(channels.least(picture), picture.min(axis=-1))
    mean = channels.mean(picture)
    assert mean.dtype == kind
    assert np.array_equal(mean, picture.mean(axis=-1))
    assert np.array_equal(picture, before)
