"""The descent to a minimum ends where the minimum lies at the limit of a parameter."""

from __future__ import annotations

import numpy as np
import pytest

from endpoint.analysis.of_curve import result_of_curve
from endpoint.equivalence.descent import solve_from
from endpoint.equivalence.model import LAG, PLUME
from tests.equivalence.disturbed import drawn
from tests.simulated import job


@pytest.mark.parametrize("seed", [202, 204])
def test_a_minimum_at_a_limit_is_a_minimum(seed: int) -> None:
    """Karush-Kuhn-Tucker: no slope along what is free, none but outward at a limit."""
    fit = result_of_curve(job(lag_s=(0.5, 0.75)), drawn("sticking", seed).curve()).fit
    assert fit is not None
    start = fit.theta.copy()
    start[PLUME] = 0.05
    found = solve_from(fit.model, start)
    rest, slopes = fit.model.evaluate(found.theta)
    slope = slopes.T @ rest / np.linalg.norm(slopes, axis=0)
    free = np.flatnonzero(fit.model.free)
    limits = np.isin(free, [LAG, PLUME]) & (found.theta[free] <= 0.0)
    assert limits.any()
    assert np.all(slope[limits] > 0.0)
    assert np.abs(slope[~limits]).max() < 0.01
