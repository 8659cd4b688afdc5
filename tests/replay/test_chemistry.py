"""Tables of the replay: the solver's own numbers, sums that close, published behaviour."""

from __future__ import annotations

import base64
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from endpoint.chemistry.equilibrium import Flask, speciate
from endpoint.replay.chemistry import (
    LEVELS,
    NAMES,
    Tables,
    Water,
    holders,
    plain_tables,
    tabulate,
    volumes_of_levels,
    water_of,
)
from endpoint.replay.control_pair import control_pair

# 100 mL of water with 2.5 mmol/L, 0.010 mol/L EDTA, 20 umol/L of indicator.
WATER = Water(100.0, 25.0, 0.010, 0.20, 20.0)


@pytest.fixture(scope="module")
def tables() -> Tables:
    return tabulate(replace(WATER, magnesium_share=0.10, indicator_umol_l=20.0, ph=9.9))


def flask_of(water: Water) -> Flask:
    total = water.equivalence_ml * water.titrant_mol_l
    return Flask(
        volume_ml=water.flask_ml,
        calcium_mmol=(1.0 - water.magnesium_share) * total,
        magnesium_mmol=water.magnesium_share * total,
        indicator_umol=water.indicator_umol_l * water.flask_ml / 1e3,
        titrant_mol_l=water.titrant_mol_l,
        ph=water.ph,
    )


def test_every_step_is_what_the_solver_says(tables: Tables) -> None:
    rng = np.random.default_rng(11)
    for _ in range(40):
        p, m, d, v = (int(rng.integers(n)) for n in tables.holders.indicator_free.shape)
        water = replace(
            tables.water,
            ph=tables.ph[p],
            magnesium_share=tables.magnesium[m],
            indicator_umol_l=tables.indicator_umol_l[d],
        )
        flask, added = flask_of(water), tables.volume_ml[v]
        found = speciate(flask, [added])
        volume_l = 1e-3 * (flask.volume_ml + added)
        total = np.array([flask.calcium_mmol, flask.magnesium_mmol]) * 1e-3 / volume_l
        dye = flask.indicator_umol * 1e-6 / volume_l
        for j, name in enumerate(("calcium", "magnesium")):
            if total[j] == 0:
                continue
            for part, amount in (
                ("free", found.free_metal_mol_l),
                ("edta", found.metal_edta_mol_l),
                ("indicator", found.metal_indicator_mol_l),
            ):
                shown = getattr(tables.holders, f"{name}_{part}")[p, m, d, v]
                assert shown == pytest.approx(amount[0, j] / total[j], rel=1e-8, abs=1e-12)
            on_dye = getattr(tables.holders, f"indicator_{name}")[p, m, d, v]
            assert on_dye == pytest.approx(found.metal_indicator_mol_l[0, j] / dye, rel=1e-8)
        free = tables.holders.indicator_free[p, m, d, v]
        assert free == pytest.approx(found.free_fraction[0], rel=1e-8)


def test_sums_close(tables: Tables) -> None:
    h = tables.holders
    # Newton's method stops at 1e-12 of the totals.
    assert h.calcium_free + h.calcium_edta + h.calcium_indicator == pytest.approx(1.0, abs=1e-10)
    dye = h.indicator_free + h.indicator_calcium + h.indicator_magnesium
    assert dye == pytest.approx(1.0, abs=1e-9)
    there = [k for k, share in enumerate(tables.magnesium) if share > 0]
    sums = (h.magnesium_free + h.magnesium_edta + h.magnesium_indicator)[:, there]
    assert sums == pytest.approx(1.0, abs=1e-9)
    assert not h.magnesium_edta[:, tables.magnesium.index(0.0)].any()


@pytest.mark.parametrize(("share", "middle", "last"), [(0.20, -0.14, 0.13), (0.0, -1.9, -0.11)])
def test_middle_and_last_red_of_known_waters(share: float, middle: float, last: float) -> None:
    # As in test_equilibrium: worked before there was a program, with the pKa of Harris.
    water = replace(WATER, magnesium_share=share, edta_set="harris")
    found = volumes_of_levels([water], (0.5, 0.95))[0] - 25.0
    assert found[0] == pytest.approx(middle, abs=0.051 if middle == -1.9 else 0.0051)
    assert found[1] == pytest.approx(last, abs=0.0051)


def test_volumes_of_levels_against_a_root_finder(tables: Tables) -> None:
    water = replace(tables.water, ph=9.5, magnesium_share=0.05, indicator_umol_l=40.0)
    found = volumes_of_levels([water])[0]
    for level, volume in zip(LEVELS, found, strict=True):

        def away(v: float, level: float = level) -> float:
            return float(speciate(flask_of(water), [v]).free_fraction[0]) - level

        assert volume == pytest.approx(brentq(away, 0.0, 37.0, xtol=1e-9), abs=1e-6)


def test_a_level_that_is_passed_from_the_start_has_no_volume() -> None:
    # 0.01 mmol/L of calcium alone cannot bind half of the indicator at pH 8.
    thin = Water(100.0, 0.1, 0.010, 0.0, 20.0, ph=8.0)
    assert np.isnan(volumes_of_levels([thin])[0]).all()


def document(magnesium: float, indicator: float) -> dict[str, Any]:
    """As much of a result as the model looks at."""
    return {
        "equivalence_ml": {"value": 25.0},
        "chemistry": {
            "magnesium_share": {
                "value": magnesium,
                "interval68": [0.5 * magnesium, 1.5 * magnesium],
            },
            "indicator_umol_l": {"value": indicator, "factor68": 1.4},
        },
        "inputs": {
            "indicator": "Eriochrome Black T",
            "flask_ml": 105.0,
            "titrant_mol_l": {"value": 0.010},
            "ph": 10.05,
        },
    }


@pytest.mark.parametrize(
    ("found", "step"),
    [
        # What the fit found for a true 18 % and 8 umol/L, and for others.
        ((0.076, 13.0), (0.10, 10.0)),
        ((0.08, 12.0), (0.10, 10.0)),
        ((0.001, 3.0), (0.0, 5.0)),
        ((0.9, 500.0), (0.60, 80.0)),
    ],
)
def test_what_the_fit_hardly_knows_is_a_step_of_a_slider(
    found: tuple[float, float], step: tuple[float, float]
) -> None:
    water = water_of(document(*found))
    assert water is not None
    assert (water.magnesium_share, water.indicator_umol_l) == step
    # What was measured or stated stays as it is.
    assert (water.equivalence_ml, water.ph, water.flask_ml) == (25.0, 10.05, 105.0)


def test_what_the_page_gets_is_the_table(tables: Tables) -> None:
    plain = plain_tables(tables)
    shape = tables.holders.indicator_free.shape
    assert shape == (
        len(plain["ph"]),
        len(plain["magnesium"]),
        len(plain["indicator"]),
        len(plain["volume_ml"]),
    )
    p, m, d = plain["own"]
    assert (plain["ph"][p], plain["magnesium"][m], plain["indicator"][d]) == (9.9, 0.10, 20.0)
    for name in NAMES:
        sent = np.frombuffer(base64.b64decode(plain["parts"][name]), dtype="<u2") / 65535
        assert np.abs(sent.reshape(shape) - getattr(tables.holders, name)).max() < 8e-6


def test_what_draws_the_change_out() -> None:
    def second_half_ml(water: Water) -> float:
        _, middle, end, _ = volumes_of_levels([water])[0]
        return float(end - middle)

    usual = second_half_ml(WATER)
    assert second_half_ml(replace(WATER, magnesium_share=0.0)) > 2.0 * usual
    assert second_half_ml(replace(WATER, indicator_umol_l=80.0)) > 1.5 * usual
    assert second_half_ml(replace(WATER, ph=9.0)) > 1.5 * usual
    # Too low a pH: some of the indicator is free from the first drop on.
    assert np.isnan(volumes_of_levels([replace(WATER, ph=8.5)])[0][0])


def test_control_pair() -> None:
    flasks = {flask.key: flask.free_fraction for flask in control_pair(2.5, 20.0)}
    assert flasks["sodium"] > 0.99
    assert flasks["calcium-edta"] > 0.95
    # f = 1/(1 + K'[M]) with nearly all of the metal free: Ca 10^3.84, Mg 10^5.44 L/mol.
    assert flasks["calcium"] == pytest.approx(1.0 / (1.0 + 10**3.838 * 2.5e-3), rel=0.02)
    assert flasks["magnesium"] == pytest.approx(1.0 / (1.0 + 10**5.438 * 2.5e-3), rel=0.02)
    assert holders([WATER], np.array([0.0])).indicator_free[0, 0] < 0.02
