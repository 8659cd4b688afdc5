"""A pump into a stirred vessel of known lag: what its interval holds, and what makes it narrow."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from endpoint.analysis.inputs import DEFAULT_LAG_S
from endpoint.analysis.result import Result
from endpoint.colour.density import ColourSample
from endpoint.problems import Flag
from tests.population.balances import Curve, Water, draw_constants
from tests.population.judging import result_of_colours

FloatArray = NDArray[np.float64]

RATE_ML_S, BEGIN_S, STEP_S = 0.1, 6.0, 0.1
WATER = Water(
    flask_ml=105.0, calcium_umol=60.0, magnesium_umol=25.0, indicator_umol=1.5, titrant_mol_l=0.01
)
END_ML = WATER.equivalence_ml


@dataclass(frozen=True, eq=False)
class Pumped:
    """Knots of what a pump delivers: s from its start, mL."""

    time_s: FloatArray
    volume_ml: FloatArray

    def log(self, late_s: float) -> str:
        """Its log, on a clock that is late."""
        at_s = self.time_s + BEGIN_S + late_s
        rows = zip(at_s.tolist(), self.volume_ml.tolist(), strict=True)
        return "time_s,volume_ml\n" + "".join(f"{t:.1f},{v:.2f}\n" for t, v in rows)


EVEN = Pumped(np.array([0.0, 105.0]), np.array([0.0, 10.5]))
STOPS = Pumped(np.array([0.0, 83.0, 103.0, 125.0]), np.array([0.0, 8.3, 8.3, 10.5]))
SLOWS = Pumped(np.array([0.0, 75.0, 225.0]), np.array([0.0, 7.5, 10.5]))


def vessel(pumped: Pumped, lag_s: float, seed: int) -> list[ColourSample]:
    """Colours of a vessel of first order; the light wanders over about 5 s, a plume is in view."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, BEGIN_S + pumped.time_s[-1] + 5.0, STEP_S)
    added_ml = np.interp(time_s - BEGIN_S, pumped.time_s, pumped.volume_ml)
    mixed_ml, slow = np.zeros(time_s.size), np.zeros((time_s.size, 3))
    for k in range(1, time_s.size):
        mixed_ml[k] = mixed_ml[k - 1] + (added_ml[k] - mixed_ml[k - 1]) * STEP_S / lag_s
        slow[k] = 0.98 * slow[k - 1] + 0.2 * 0.002 * rng.normal(size=3)
    constants = draw_constants(rng, 10.0, 0.1, 0.02)
    blue = Curve.of(WATER, constants, 14.0).free(mixed_ml)
    density = np.array([0.25, 0.8, 0.6]) + np.outer(blue, [0.5, -0.35, -0.3])
    density *= (WATER.flask_ml / (WATER.flask_ml + mixed_ml))[:, None]
    density += slow + rng.normal(0.0, 0.003, density.shape)
    rate = np.gradient(added_ml, STEP_S)
    spread = np.hypot(0.04, 0.4 * rate) * np.exp(0.05 * rng.normal(size=time_s.size))
    return [
        ColourSample(k, float(t), d, d, (1e-3,) * 3, (0.6,) * 3, float(s), Flag.NONE)
        for k, (t, d, s) in enumerate(
            zip(time_s, map(tuple, density.tolist()), spread, strict=True)
        )
    ]


def found(folder: Path, pumped: Pumped, lag_s: float, late_s: float, seed: int) -> Result:
    (folder / "volumes.csv").write_text(pumped.log(late_s), encoding="utf-8")
    record = folder / "record.toml"
    record.write_text(
        'format = 1\n[sample]\nlabel = "pump"\nvolume_ml = 100.0\nadded_ml = 5.0\n'
        '[titrant]\nconcentration_mol_l = 0.01\n[recording]\nvideo = "film.mp4"\n'
        '[delivery]\nlog = "volumes.csv"\nmode = "continuous"\n',
        encoding="utf-8",
    )
    return result_of_colours(record, vessel(pumped, lag_s, seed))


def distance_ml(result: Result) -> float:
    """Number minus truth; the interval must hold the truth."""
    number = result.equivalence
    assert number is not None
    assert number.low_ml < END_ML < number.high_ml
    return number.value_ml - END_ML


@pytest.mark.parametrize("late_s", [-1.2, 0.8])
@pytest.mark.parametrize("lag_s", [0.96, 2.35])
def test_of_an_even_pump_only_the_lag_stays_unknown(
    tmp_path: Path, lag_s: float, late_s: float
) -> None:
    """The start comes from the plume; a second of it would be 0.1 mL."""
    result = found(tmp_path, EVEN, lag_s, late_s, seed=101)
    by_lag_ml = RATE_ML_S * (lag_s - DEFAULT_LAG_S[0])
    assert distance_ml(result) == pytest.approx(by_lag_ml, abs=0.05)
    assert "lag-unknown" in [remark.code for remark in result.verdict.remarks]


@pytest.mark.parametrize("pumped", [STOPS, SLOWS], ids=["stops", "slows"])
@pytest.mark.parametrize(("lag_s", "late_s"), [(0.96, -0.8), (2.35, 0.8)])
def test_a_pump_that_stops_or_slows_down_near_the_end_needs_no_lag(
    tmp_path: Path, pumped: Pumped, lag_s: float, late_s: float
) -> None:
    """Lag and clock one standard deviation from what is usual, both to the same side."""
    result = found(tmp_path, pumped, lag_s, late_s, seed=101)
    assert abs(distance_ml(result)) < 0.05
    assert result.equivalence is not None
    assert result.equivalence.high_ml - result.equivalence.low_ml < 0.12
