"""Calcium carbonate that fell and dissolves again: simulated flasks with a solid in them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.quantity import Quantity
from endpoint.analysis.of_curve import result_of_curve
from endpoint.analysis.result import Result
from endpoint.chemistry.equilibrium import constants_at, solve
from endpoint.curve.creep import creep_of
from endpoint.curve.gathering import from_colour
from endpoint.delivery.delivery import Delivery
from endpoint.result.document import document
from endpoint.verdict.carbonate import CONTRIBUTION
from sample_media.simulated import BLUE_FORM, RED_FORM, careful_additions, simulate
from tests.simulated import curve as simulated_curve
from tests.simulated import flask, job, seen_colours, steps

FloatArray = NDArray[np.float64]
PAUSE_S = 20.0


def titration(
    fallen: float,
    *,
    dissolves_s: float = 200.0,
    drift_per_s: float = 0.0,
    fading_per_s: float = 0.0,
    seed: int = 1,
) -> tuple[float, Result]:
    """Equivalence volume and result of a film in which a part of the calcium is solid.

    It stays until the last 2 mL, where it begins to dissolve.
    """
    content = flask(hardness_mmol_l=2.0)
    rng = np.random.default_rng([61, seed])
    volumes = np.array(careful_additions(content.equivalence_ml, rng, 1.0))
    begins = np.asarray(PAUSE_S * np.arange(volumes.size), dtype=np.float64)
    time = np.arange(0.0, begins[-1] + PAUSE_S, 0.2)
    row = np.searchsorted(begins, time, side="right") - 1
    start_s = begins[int(np.argmax(volumes > content.equivalence_ml - 2.0))]
    solid = fallen * np.exp(-np.maximum(time - start_s, 0.0) / dissolves_s)
    added, total_ml = volumes[row], content.volume_ml + volumes[row]
    k = constants_at(10.0)
    f = solve(
        np.stack(
            [content.calcium_mmol * (1.0 - solid), np.full(time.size, content.magnesium_mmol)], 1
        )
        / total_ml[:, None],
        content.titrant_mol_l * added / total_ml,
        1e-3 * content.indicator_umol / total_ml,
        (k.log_ca_edta, k.log_mg_edta),
        (k.log_ca_indicator, k.log_mg_indicator),
    ).free_fraction
    red, blue = np.array(RED_FORM), np.array(BLUE_FORM)
    shown = f + drift_per_s * (time - time.mean())
    density = red + shown[:, None] * (blue - red)
    density *= (content.volume_ml / total_ml)[:, None]
    density *= np.exp(-fading_per_s * time)[:, None]
    density += 0.002 * rng.standard_normal(density.shape)
    trace = seen_colours(time, density, np.full(time.size, 0.01))
    delivery = Delivery("steps", begins + 1e-3, volumes)
    inputs = job(delivery=delivery, deliveries_ml=(Quantity(100.0, "mL"),))
    curve = from_colour(trace, delivery, inputs.flask_ml, 1.5)
    creep = creep_of(trace, delivery, curve, 1.5)
    return content.equivalence_ml, result_of_curve(inputs, curve, creep=creep)


def codes(result: Result) -> set[str]:
    return {sentence.code for sentence in result.remarks}


@pytest.mark.parametrize("fallen", [0.01, 0.02])
@pytest.mark.parametrize("dissolves_s", [300.0, 600.0])
def test_creep_is_remarked_and_the_interval_reaches_up_to_the_truth(
    fallen: float, dissolves_s: float
) -> None:
    truth, result = titration(fallen, dissolves_s=dissolves_s)
    assert "carbonate-dissolves" in codes(result)
    assert result.equivalence is not None
    assert result.fit is not None
    assert CONTRIBUTION in result.fit.contributions_ml
    assert result.equivalence.value_ml < truth - 0.05
    assert result.equivalence.low_ml <= truth <= result.equivalence.high_ml
    named = {line["name"] for line in document(result, {})["budget"]}
    assert any(CONTRIBUTION in name for name in named)


@pytest.mark.parametrize("seed", range(4))
def test_clear_water_gets_neither_remark_nor_width(seed: int) -> None:
    truth, result = titration(0.0, seed=seed)
    assert not codes(result) & {"carbonate-dissolves", "carbonate-possible"}
    assert result.equivalence is not None
    assert result.fit is not None
    assert CONTRIBUTION not in result.fit.contributions_ml
    assert result.equivalence.low_ml <= truth <= result.equivalence.high_ml


@pytest.mark.parametrize(("drift_per_s", "fading_per_s"), [(-2e-5, 0.0), (0.0, 3e-4)])
def test_a_lamp_that_drifts_and_a_dye_that_fades_are_not_carbonate(
    drift_per_s: float, fading_per_s: float
) -> None:
    _, result = titration(0.0, drift_per_s=drift_per_s, fading_per_s=fading_per_s)
    assert "carbonate-dissolves" not in codes(result)


def test_both_limits_of_the_method_widen_only_together() -> None:
    def result(hardness_mmol_l: float, minutes: float) -> Result:
        table = simulate(steps(flask(hardness_mmol_l=hardness_mmol_l)))
        return result_of_curve(job(minutes_since_buffer=minutes), simulated_curve(table))

    plain, slow = result(3.2, 4.0), result(3.2, 9.0)  # 32 mg CaCO3
    assert "carbonate-possible" not in codes(plain)
    assert "carbonate-possible" in codes(slow)
    assert "carbonate-possible" not in codes(result(2.0, 9.0))
    assert slow.equivalence is not None
    assert plain.equivalence is not None
    assert slow.equivalence.value_ml == pytest.approx(plain.equivalence.value_ml, abs=1e-9)
    assert slow.equivalence.low_ml == pytest.approx(plain.equivalence.low_ml, abs=1e-9)
    # Up to 1 % of the titre may be missing.
    reach = slow.equivalence.high_ml - slow.equivalence.value_ml
    assert 0.0095 < reach / slow.equivalence.value_ml < 0.011
