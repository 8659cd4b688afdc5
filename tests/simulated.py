"""Simulated titrations shared by tests: job, table and curve in one place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import Quantity
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.of_curve import result_of_curve
from endpoint.analysis.result import Result
from endpoint.chemistry.equilibrium import Flask, constants_at
from endpoint.colour.density import ColourTrace
from endpoint.curve.gathering import from_absorbance
from endpoint.curve.points import Curve
from endpoint.equivalence.fit import Estimate
from sample_media.simulated import Plan, SyntheticTable, careful_additions, simulate

RGB = ("red", "green", "blue")


def flask(
    hardness_mmol_l: float = 2.5,
    magnesium: float = 0.2,
    *,
    indicator_umol: float = 0.8,
    mg_edta_mmol: float = 0.0,
    ph: float = 10.0,
) -> Flask:
    """100 mL of water in a flask, titrated with 0.01 mol/L EDTA.

    8 umol/L of indicator show a camera about the density that `sample_media.simulated` gives.
    """
    metal = 0.1 * hardness_mmol_l
    return Flask(
        volume_ml=100.0,
        calcium_mmol=metal * (1.0 - magnesium),
        magnesium_mmol=metal * magnesium,
        indicator_umol=indicator_umol,
        titrant_mol_l=0.01,
        mg_edta_mmol=mg_edta_mmol,
        ph=ph,
    )


def steps(content: Flask, *, beyond_ml: float = 1.0, noise: float = 0.003, seed: int = 1) -> Plan:
    """Careful additions up to `beyond_ml` past the equivalence volume."""
    additions = careful_additions(content.equivalence_ml, np.random.default_rng(seed), beyond_ml)
    constants = constants_at(content.ph)
    return Plan(content, constants, additions_ml=additions, noise=noise, seed=seed)


def curve(
    table: SyntheticTable,
    kept: NDArray[np.bool_] | None = None,
    flask_ml: float = 100.0,
    channels: tuple[str, ...] = RGB,
) -> Curve:
    """Curve of the rows `kept` of a simulated table."""
    rows = np.ones(table.volume_ml.size, dtype=bool) if kept is None else kept
    return from_absorbance(
        table.volume_ml[rows],
        table.density[rows],
        channels,
        flask_ml,
        saturated=np.zeros(int(rows.sum()), dtype=bool),
    )


def seen_colours(
    time_s: NDArray[np.float64], density: NDArray[np.float64], spread: NDArray[np.float64]
) -> ColourTrace:
    """Colours of frames none of which is set aside, shapes (n,), (n, 3), (n,)."""
    size = time_s.size
    return ColourTrace(
        index=np.arange(size),
        time_s=time_s,
        density=density,
        display_density=density.copy(),
        density_sigma=np.full((size, 3), 0.001),
        reference=np.ones((size, 3)),
        spread=spread,
        flags=np.zeros(size, dtype=np.int64),
        hue_deg=np.zeros(size),
        chroma=np.zeros(size),
        rgb=np.zeros((size, 3), dtype=np.uint8),
    )


def job(**changes: object) -> AnalysisInputs:
    """100 mL of sample, nothing added, 0.01 mol/L titrant, no ware stated."""
    base = AnalysisInputs(
        label="simulated",
        deliveries_ml=(Quantity(100.0, "mL"),),
        added_ml=0.0,
        titrant_mol_l=Quantity.measured(0.01, "mol/L", 2e-5, "titrant concentration"),
        delivery=None,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def labelled(result: Result, label: str) -> Result:
    """The same result of a sample with another name."""
    return replace(result, job=replace(result.job, label=label))


def with_equivalence(result: Result, estimate: Estimate) -> Result:
    """The same result with another equivalence volume."""
    return replace(result, verdict=replace(result.verdict, equivalence=estimate))


def result_of(plan: Plan, kept: NDArray[np.bool_] | None = None) -> tuple[SyntheticTable, Result]:
    """Simulate a plan and result_of_curve."""
    table = simulate(plan)
    return table, result_of_curve(job(), curve(table, kept))
