"""Do intervals hold the truth where another program works out the chemistry? To run on request.

    python -m tests.studies.chemistry_study --count 300 --first 1000

PHREEQC titrates flasks of any magnesium, indicator, pH, buffer, salt and temperature (see
`tests.flask_truth`); the program fits the curves without being told any of them, and then once more
with a record that states pH, temperature, ammonia and sodium.
"""

from __future__ import annotations

import argparse
import itertools
from dataclasses import dataclass, replace

import numpy as np

from endpoint.chemistry.conditions import Conditions
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.equivalence.fit import fit_transition
from tests.flask_truth import Flask, draw_flask, titrate


@dataclass(frozen=True)
class Row:
    """One titration: what was in the flask, and how far off the answer is."""

    magnesium: float
    indicator_umol_l: float
    ph: float
    ammonia_mol_l: float
    sodium_mol_l: float
    temperature_c: float
    error_ml: float
    half_width_ml: float
    covered: bool


def run_one(seed: int, stated: bool = False) -> Row:
    """Titrate, fit and compare; `stated` tells the program the conditions in the flask."""
    run = titrate(draw_flask(seed), seed)
    flask = run.flask
    indicator = ERIOCHROME_BLACK_T
    if stated:
        indicator = replace(indicator, conditions=_as_stated(flask, seed))
    fit = fit_transition(run.curve, 0.01, indicator=indicator)
    found, truth = fit.equivalence, flask.equivalence_ml
    metal = flask.calcium_mol_l + flask.magnesium_mol_l
    return Row(
        magnesium=flask.magnesium_mol_l / metal,
        indicator_umol_l=flask.indicator_umol_l,
        ph=flask.ph,
        ammonia_mol_l=flask.ammonia_mol_l,
        sodium_mol_l=flask.sodium_mol_l,
        temperature_c=flask.temperature_c,
        error_ml=found.value_ml - truth,
        half_width_ml=0.5 * (found.high_ml - found.low_ml),
        covered=found.low_ml <= truth <= found.high_ml,
    )


def _as_stated(flask: Flask, seed: int) -> Conditions:
    """The conditions as somebody measures them: pH to 0.05, 1 degree, recipes to a tenth."""
    rng = np.random.default_rng([37, seed])
    tenth = np.exp(0.1 * rng.standard_normal(2))
    return Conditions(
        ph=(flask.ph + 0.05 * float(rng.standard_normal()), 0.05),
        temperature_c=(flask.temperature_c + float(rng.standard_normal()), 1.0),
        ammonia_mol_l=(flask.ammonia_mol_l * float(tenth[0]), 0.1),
        sodium_mol_l=(flask.sodium_mol_l * float(tenth[1]), 0.1),
    )


_GROUPS: tuple[tuple[str, str, tuple[float, ...]], ...] = (
    ("Mg share", "magnesium", (0.0, 0.1, 0.3, 0.6)),
    ("indicator umol/L", "indicator_umol_l", (3.0, 8.0, 22.0, 60.0)),
    ("pH", "ph", (9.7, 9.9, 10.1, 10.3)),
    ("ammonia mol/L", "ammonia_mol_l", (0.1, 0.3, 0.5)),
    ("sodium mol/L", "sodium_mol_l", (-1e-9, 1e-9, 0.2, 0.5)),
    ("temperature", "temperature_c", (15.0, 20.0, 25.0, 30.0)),
)


def groups_of(rows: list[Row]) -> dict[str, list[Row]]:
    """All rows, and those of each part of what was drawn."""
    parts = {"all": rows}
    for name, field, edges in _GROUPS:
        for low, high in itertools.pairwise(edges):
            parts[f"{name} {max(low, 0):g}-{max(high, 0):g}"] = [
                row for row in rows if low <= getattr(row, field) < high
            ]
    return {name: part for name, part in parts.items() if part}


def lines_of(rows: list[Row]) -> list[str]:
    """Table of coverage, bias with its standard error, and widths, one line for each group."""
    lines = [
        f"{'group':<26}{'n':>5}{'coverage':>10}{'bias/mL':>10}{'+-':>8}{'median':>9}"
        f"{'worst':>8}{'half width':>12}"
    ]
    for name, part in groups_of(rows).items():
        error = np.array([row.error_ml for row in part])
        held = 100.0 * float(np.mean([row.covered for row in part]))
        width = float(np.median([row.half_width_ml for row in part]))
        spread = float(error.std()) / np.sqrt(error.size)
        lines.append(
            f"{name:<26}{error.size:>5}{held:>9.1f}%{error.mean():>+10.4f}{spread:>8.4f}"
            f"{np.median(np.abs(error)):>9.4f}{np.abs(error).max():>8.3f}{width:>12.4f}"
        )
    return lines


def main() -> None:
    """Print the table twice: the program knows nothing of the flask, and what a record states."""
    parser = argparse.ArgumentParser(description="Coverage with the chemistry of PHREEQC")
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--first", type=int, default=1000, help="first seed")
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.count)
    for stated in (False, True):
        print("conditions stated" if stated else "nothing stated", flush=True)
        print("\n".join(lines_of([run_one(seed, stated) for seed in seeds])), flush=True)


if __name__ == "__main__":
    main()
