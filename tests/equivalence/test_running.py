"""Titrant that runs in without pauses, against simulated truth: lag, plume and wandering light."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from endpoint.curve.points import Curve, from_absorbance
from endpoint.delivery.delivery import Delivery
from endpoint.equivalence.fit import Transition, fit_transition
from endpoint.equivalence.model import PLUME, Priors
from sample_media.simulated import Plan, draw_plan, simulate

RATE_ML_S, TRUE_LAG_S = 0.1, 1.1


def plan() -> Plan:
    """A slow table without lag or noise: colour against mixed volume."""
    drawn = draw_plan(1)
    still = dataclasses.replace(
        drawn, additions_ml=(), rate_ml_min=6.0, lag_s=1e-3, noise=1e-6, drift=0.0
    )
    return dataclasses.replace(still, stop_ml=still.flask.equivalence_ml + 2.5)


def curve_of(delivery: Delivery, last_s: float, *, wander: float = 0.0, seed: int = 1) -> Curve:
    """What a pump with a lag of 1.1 s makes of it, the light wandering over about 5 s."""
    rng = np.random.default_rng(seed)
    source = plan()
    table = simulate(source)
    time_s = np.arange(0.0, last_s, 0.2)
    mixed_ml = delivery.mixed_volume_at(time_s, TRUE_LAG_S)
    columns = np.asarray(table.density).T
    density = np.stack([np.interp(mixed_ml, table.volume_ml, one) for one in columns], axis=1)
    slow = np.zeros((time_s.size, 1))
    for k in range(1, time_s.size):
        slow[k] = 0.96 * slow[k - 1] + 0.28 * wander * rng.normal()
    return from_absorbance(
        delivery.volume_at(time_s),
        density + slow + rng.normal(0.0, 0.002, density.shape),
        source.channels,
        source.flask.volume_ml,
        saturated=np.zeros(time_s.size, dtype=bool),
        time_s=time_s,
        delivery=delivery,
    )


def running(*, wander: float = 0.0, seed: int = 1) -> tuple[Transition, float]:
    truth_ml = plan().flask.equivalence_ml
    curve = curve_of(
        Delivery.at_constant_rate(60.0 * RATE_ML_S, 5.0),
        5.0 + (truth_ml + 2.0) / RATE_ML_S,
        wander=wander,
        seed=seed,
    )
    return fit_transition(curve, 0.01, Priors(lag_s=(1.5, 0.75))), truth_ml


def test_nothing_in_an_even_flow_tells_the_lag_so_it_stays_what_is_known() -> None:
    fit, truth_ml = running()
    lag_s, sd_s = fit.parameters["lag_s"]
    assert lag_s == pytest.approx(1.5, abs=0.1)
    assert sd_s == pytest.approx(0.75, abs=0.05)
    assert fit.contributions_ml["mixing lag"] == pytest.approx(RATE_ML_S * 0.75, rel=0.1)
    assert fit.equivalence.low_ml < truth_ml < fit.equivalence.high_ml
    # The lag that is too long by 0.4 s moves the volume by rate times that, and nothing else does.
    away_ml = fit.equivalence.value_ml - truth_ml
    assert away_ml == pytest.approx(-RATE_ML_S * (1.5 - TRUE_LAG_S), abs=0.015)


def test_without_a_plume_the_search_ends_in_a_minimum_along_its_bound() -> None:
    fit, _ = running(wander=0.002)
    rest, slopes = fit.model.evaluate(fit.theta)
    fall = slopes.T @ rest / np.sqrt(np.sum(slopes**2, axis=0))
    names = np.flatnonzero(fit.model.free)
    others = names != PLUME if fit.theta[PLUME] == 0.0 else names >= 0
    assert np.abs(fall[others]).max() < 0.05


@pytest.mark.parametrize("seed", range(1, 6))
def test_light_that_wanders_does_not_outvote_the_chemistry(seed: int) -> None:
    fit, truth_ml = running(wander=0.006, seed=seed)
    prior_sd = dict(zip(fit.parameters, fit.model.prior_sd()[fit.model.free], strict=True))
    for name in ("shift_log_k_edta", "shift_log_k_indicator", "split_log_k_edta"):
        assert abs(fit.parameters[name][0]) < 2.5 * prior_sd[name], name
    assert fit.equivalence.low_ml < truth_ml < fit.equivalence.high_ml
    assert fit.equivalence.high_ml - fit.equivalence.low_ml < 2.0 * 2.2 * 0.75 * RATE_ML_S


def test_a_stop_within_the_change_shows_the_lag() -> None:
    truth_ml = plan().flask.equivalence_ml
    stop_s = (truth_ml - 0.12) / RATE_ML_S
    time_s = np.array([0.0, stop_s, stop_s + 10.0, stop_s + 40.0])
    volume_ml = np.array([0.0, truth_ml - 0.12, truth_ml - 0.12, truth_ml + 2.88])
    delivery = Delivery("continuous", time_s, volume_ml)
    fit = fit_transition(curve_of(delivery, stop_s + 35.0), 0.01, Priors(lag_s=(1.5, 0.75)))
    lag_s, sd_s = fit.parameters["lag_s"]
    assert sd_s < 0.3
    assert lag_s == pytest.approx(TRUE_LAG_S, abs=3.0 * sd_s)
    assert fit.equivalence.value_ml == pytest.approx(truth_ml, abs=0.03)
    assert fit.equivalence.low_ml < truth_ml < fit.equivalence.high_ml
