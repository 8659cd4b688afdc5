"""Titrant that runs in without pauses, against simulated truth: lag, plume and wandering light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from endpoint.curve.gathering import from_absorbance
from endpoint.curve.points import Curve
from endpoint.delivery.delivery import Delivery
from endpoint.equivalence.descent import solve_from
from endpoint.equivalence.fit import Transition, fit_transition
from endpoint.equivalence.model import PLUME, Priors
from sample_media.simulated import Plan, draw_plan, simulate

RATE_ML_S, TRUE_LAG_S = 0.1, 1.1


def plan() -> Plan:
    """A slow table without lag or noise: colour against mixed volume."""
    drawn = draw_plan(1)
    still = replace(drawn, additions_ml=(), rate_ml_min=6.0, lag_s=1e-3, noise=1e-6, drift=0.0)
    return replace(still, stop_ml=still.flask.equivalence_ml + 2.5)


def curve_of(
    delivery: Delivery, last_s: float, *, wander: float = 0.0, sag: float = 0.0, seed: int = 1
) -> Curve:
    """What a pump with a lag of 1.1 s makes of it, the light wandering over about 5 s.

    The colour scale of the camera may sag by a part of the change 1 mL before the end.
    """
    rng = np.random.default_rng(seed)
    source = plan()
    table = simulate(source)
    time_s = np.arange(0.0, last_s, 0.2)
    mixed_ml = delivery.mixed_volume_at(time_s, TRUE_LAG_S)
    columns = np.asarray(table.density).T
    density = np.stack([np.interp(mixed_ml, table.volume_ml, one) for one in columns], axis=1)
    away_ml = mixed_ml - source.flask.equivalence_ml
    bent = sag * np.exp(-(((away_ml + 1.0) / 0.6) ** 2))
    density -= np.outer(bent, density[-1] - density[0])
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


def running(*, wander: float = 0.0, sag: float = 0.0, seed: int = 1) -> tuple[Transition, float]:
    truth_ml = plan().flask.equivalence_ml
    curve = curve_of(
        Delivery.at_constant_rate(60.0 * RATE_ML_S, 5.0),
        5.0 + (truth_ml + 2.0) / RATE_ML_S,
        wander=wander,
        sag=sag,
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


@pytest.mark.parametrize("seed", range(1, 4))
def test_a_search_that_meets_the_bound_of_the_plume_goes_on_along_it(seed: int) -> None:
    fit, _ = running(wander=0.002, sag=0.03, seed=seed)
    # All points alone, so that the sag asks for less than no plume.
    model = replace(fit.model, sigma=np.full(fit.model.signal.size, 0.003))
    start = fit.theta.copy()
    start[PLUME] = 0.05
    found = solve_from(model, start)
    without = model.free.copy()
    without[PLUME] = False
    start[PLUME] = 0.0
    held = solve_from(replace(model, free=without), start)
    known = (model.prior_mean()[PLUME] / model.prior_sd()[PLUME]) ** 2
    assert found.theta[PLUME] == 0.0
    assert found.cost < held.cost + known + 0.01


@pytest.mark.parametrize("seed", [1, 2])
def test_what_is_wrong_in_all_neighbours_does_not_outvote_what_is_known(seed: int) -> None:
    """A colour scale that sags by 3 % makes the misfit smaller with another lag, by no cause."""
    fit, truth_ml = running(wander=0.002, sag=0.03, seed=seed)
    assert fit.parameters["lag_s"][0] == pytest.approx(1.5, abs=0.12)
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


def test_the_plume_of_a_pump_that_is_slowed_is_smaller() -> None:
    """Paused and slowed to a sixth before the end: the step of colour is that of the plume."""
    source, truth_ml = plan(), plan().flask.equivalence_ml
    stop_s = (truth_ml - 0.6) / RATE_ML_S
    time_s = np.array([0.0, stop_s, stop_s + 8.0, stop_s + 88.0])
    volume_ml = np.array([0.0, truth_ml - 0.6, truth_ml - 0.6, truth_ml + 0.6])
    delivery = Delivery("continuous", time_s, volume_ml)
    bare = curve_of(delivery, stop_s + 85.0)
    near_ml = bare.volume_ml - delivery.mixed_volume_at(bare.time_s, 1.0)
    left_ml = np.maximum(truth_ml - bare.mixed_volume_ml(TRUE_LAG_S), 0.0) + 0.05
    tinted = 0.4 * near_ml / (near_ml + left_ml)
    density = bare.density + tinted[:, None] * (bare.density[-1] - bare.density)
    curve = from_absorbance(
        bare.volume_ml,
        density,
        source.channels,
        source.flask.volume_ml,
        saturated=np.zeros(len(bare), dtype=bool),
        time_s=bare.time_s,
        delivery=delivery,
    )
    fit = fit_transition(curve, 0.01, Priors(lag_s=(1.5, 0.75)))
    assert fit.equivalence.value_ml == pytest.approx(truth_ml, abs=0.03)
    assert fit.equivalence.low_ml < truth_ml < fit.equivalence.high_ml
