"""The descent to a minimum ends where the minimum lies at the limit of a parameter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from endpoint.analysis.of_curve import judged
from endpoint.equivalence.descent import descend, solve_from
from endpoint.equivalence.fit import fit_transition
from endpoint.equivalence.model import EQUIVALENCE, LAG, PLUME, ROOT_MG, SMALLEST_ROOT
from sample_media.simulated import simulate
from tests.equivalence.disturbed import drawn
from tests.simulated import curve, flask, job, steps


@pytest.mark.parametrize("seed", [202, 204])
def test_a_minimum_at_a_limit_is_a_minimum(seed: int) -> None:
    """Karush-Kuhn-Tucker: no slope along what is free, none but outward at a limit."""
    fit = judged(job(lag_s=(0.5, 0.75)), drawn("sticking", seed).curve()).fit
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


def test_a_recording_without_magnesium_ends_at_none_from_wherever_it_starts() -> None:
    """The share is a square: by slopes alone a descent stops near none, far above the minimum."""
    content = flask(2.5, 0.0)
    plain = fit_transition(curve(simulate(steps(content))), 0.01).model
    none, little = plain.prior_mean(), plain.prior_mean()
    none[EQUIVALENCE] = little[EQUIVALENCE] = content.equivalence_ml
    little[ROOT_MG] = 0.02
    # As much sharper than calcium alone as a little magnesium would blunt the turn to blue.
    signal = 2.0 * plain.predict(none) - plain.predict(little)
    model = replace(plain, signal=signal, sigma=np.full(signal.size, 0.002))
    starts = np.tile(none, (4, 1))
    starts[:, ROOT_MG] = (0.01, 0.05, -0.1, 0.0)
    first, *others = descend(model, starts)
    for one in others:
        assert abs(one.theta[ROOT_MG]) < SMALLEST_ROOT
        assert one.cost == pytest.approx(first.cost, rel=1e-4)
        sd, other = (np.sqrt(np.diag(fit.covariance)) for fit in (one, first))
        np.testing.assert_allclose(sd, other, rtol=1e-3)
