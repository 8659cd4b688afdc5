"""Readings and the drops between them, with known volumes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from endpoint.bench.guidance.drops import by_drops

FloatArray = NDArray[np.float64]

_ASKED = (None, None, None, 2, 1, 1, 1, 2, 1, 1, 2, None)


def burette(seed: int, fell: tuple[int | None, ...] = _ASKED) -> tuple[FloatArray, FloatArray]:
    """True volumes and readings, mL: drops of one burette, and an eye that errs by 0.02 mL."""
    rng = np.random.default_rng([7, seed])
    drop_ml = rng.uniform(0.035, 0.06)
    added_ml = [0.0, *rng.uniform(2.0, 5.0, len(fell) - 1)]
    for k, count in enumerate(fell):
        if count is not None:
            added_ml[k] = float(np.sum(drop_ml * rng.uniform(0.85, 1.15, count)))
    true_ml = np.cumsum(added_ml)
    read_ml = np.round(true_ml + rng.uniform(-0.02, 0.02, true_ml.size), 2)
    read_ml[0] = 0.0
    return true_ml, np.maximum.accumulate(read_ml)


def test_drops_make_the_volumes_between_them_better() -> None:
    before, after = [], []
    for seed in range(60):
        true_ml, read_ml = burette(seed)
        made_ml = by_drops(read_ml, _ASKED)
        assert np.all(np.diff(made_ml) >= 0.0)
        before.append(read_ml[3:11] - true_ml[3:11])
        after.append(made_ml[3:11] - true_ml[3:11])
    assert np.sqrt(np.mean(np.square(after))) < 0.7 * np.sqrt(np.mean(np.square(before)))
    assert np.max(np.abs(after)) < 0.03
    assert abs(float(np.mean(after))) < 0.002


def test_other_drops_than_were_asked_for_do_no_harm() -> None:
    """Half a millilitre in place of a drop is seen; a drop too many at least errs by less."""
    for fell, most_ml in (((*_ASKED[:6], None, *_ASKED[7:]), 0.03), ((*_ASKED[:6], 2, 2), 0.045)):
        for seed in range(60):
            true_ml, read_ml = burette(seed, fell)
            made_ml = by_drops(read_ml, _ASKED[: len(fell)])
            assert np.max(np.abs(made_ml - true_ml)) < most_ml


@pytest.mark.parametrize("grain_ml", [0.05, 0.1])
def test_readings_that_are_rounded_more_stay_as_they_are(grain_ml: float) -> None:
    _, read_ml = burette(3)
    coarse_ml = np.round(read_ml / grain_ml) * grain_ml
    assert np.array_equal(by_drops(coarse_ml, _ASKED), coarse_ml)


def test_without_drops_and_with_impossible_ones_nothing_changes() -> None:
    _, read_ml = burette(4)
    for drops in ([None] * read_ml.size, [-3] * read_ml.size, [0] * read_ml.size):
        assert np.array_equal(by_drops(read_ml, drops), read_ml)
