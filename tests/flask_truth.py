"""Titrations whose chemistry PHREEQC works out: nothing here comes from the program's constants.

The constants of EDTA, its protons and sodium, and hydroxides are those of minteq.v4 (NIST 46), at
any temperature, and the pH moves as the buffer lets it. In that file the complexes of EDTA carry
`-gamma 0 0`, which PHREEQC takes for the limiting law and the free ion for Davies, so that from
0.05 mol/L on EDTA would bind protons the more the saltier it is; here all of them follow Davies.
Added are ammonia as an element of its own (so that it is not oxidised), its complexes (calcium NIST
46.4, magnesium sit.dat) and Eriochrome Black T. Its published constants are taken as those of 0.1
mol/L and brought to infinite dilution; how far published values differ is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.curve.gathering import from_absorbance
from endpoint.curve.points import Curve
from sample_media.simulated import PHOTOMETER, careful_additions
from tests.places import MINTEQ

FloatArray = NDArray[np.float64]

_DAVIES = 0.107
"""-log10 of the activity coefficient of a single charge at 0.1 mol/L (Davies)."""
_NOISE = 0.01
_TITRANT_MOL_L = 0.01
_FLASK_ML = 105.0
_EDTA_SPECIES = (
    ("H+ + Edta-4", "H(Edta)-3", 10.948, -23.4304),
    ("2 H+ + Edta-4", "H2(Edta)-2", 17.221, -41.0032),
    ("3 H+ + Edta-4", "H3(Edta)-", 20.34, -35.564),
    ("Na+ + Edta-4", "Na(Edta)-3", 2.7, -5.8576),
    ("Ca+2 + Edta-4", "Ca(Edta)-2", 12.42, -25.5224),
    ("Ca+2 + Edta-4 + H+", "CaH(Edta)-", 15.9, 0.0),
    ("Mg+2 + Edta-4", "Mg(Edta)-2", 10.57, 13.8072),
    ("Mg+2 + Edta-4 + H+", "MgH(Edta)-", 14.97, 0.0),
)
"""log K at infinite dilution and enthalpy, kJ/mol, as in minteq.v4."""


@dataclass(frozen=True)
class Flask:
    """A flask before titration. Concentrations are those in the flask."""

    calcium_mol_l: float
    magnesium_mol_l: float
    indicator_umol_l: float
    ph: float
    ammonia_mol_l: float
    """Free and as ammonium."""
    sodium_mol_l: float
    temperature_c: float
    log_k_dye: tuple[float, float, float, float]
    """pKa 2 and 3 of the indicator, log K of its calcium and magnesium complex, at 0.1 mol/L."""

    @property
    def equivalence_ml(self) -> float:
        """Volume at which EDTA equals calcium and magnesium, mL."""
        return _FLASK_ML * (self.calcium_mol_l + self.magnesium_mol_l) / _TITRANT_MOL_L


@dataclass(frozen=True, eq=False)
class Titration:
    """A flask with the curve that a photometer of 1 cm shows."""

    flask: Flask
    curve: Curve
    free_fraction: FloatArray


@cache
def _engine() -> Any:
    import phreeqpython

    return phreeqpython.PhreeqPython(database=MINTEQ.name, database_directory=MINTEQ.parent).ip


def _species(flask: Flask) -> str:
    pka2, pka3, calcium, magnesium = flask.log_k_dye
    # Charges squared, free ions less complex, times the activity exponent of one charge. The pH is
    # an activity already, so protons do not count.
    first, second = pka3 + 5 * _DAVIES, pka2 + 3 * _DAVIES
    complexes = "\n".join(
        f"{left} = {right}\n log_k {log_k}\n delta_h {heat} kJ"
        for left, right, log_k, heat in _EDTA_SPECIES
    )
    return f"""
SOLUTION_MASTER_SPECIES
Amm AmmH+ 0 17 17
Ebt Ebt-3 0 1 1
SOLUTION_SPECIES
{complexes}
AmmH+ = AmmH+
 log_k 0
AmmH+ = Amm + H+
 log_k -9.244
 delta_h 52 kJ
Ca+2 + AmmH+ = CaAmm+2 + H+
 log_k -9.144
 delta_h 52 kJ
Mg+2 + AmmH+ = MgAmm+2 + H+
 log_k -9.144
 delta_h 52 kJ
Mg+2 + 2 AmmH+ = MgAmm2+2 + 2 H+
 log_k -18.488
 delta_h 104 kJ
Ca+2 + 2 AmmH+ = CaAmm2+2 + 2 H+
 log_k -18.788
 delta_h 104 kJ
Ebt-3 = Ebt-3
 log_k 0
H+ + Ebt-3 = HEbt-2
 log_k {first}
2 H+ + Ebt-3 = H2Ebt-
 log_k {first + second}
Ca+2 + Ebt-3 = CaEbt-
 log_k {calcium + 12 * _DAVIES}
Mg+2 + Ebt-3 = MgEbt-
 log_k {magnesium + 12 * _DAVIES}
KNOBS
 -convergence_tolerance 1e-12
"""


_DYE = (("HEbt-2", "Ebt-3", "H2Ebt-"), ("CaEbt-",), ("MgEbt-",))
_EDTA = (
    ("Edta-4", "H(Edta)-3", "H2(Edta)-2", "H3(Edta)-", "Na(Edta)-3"),
    ("Ca(Edta)-2", "CaH(Edta)-"),
    ("Mg(Edta)-2", "MgH(Edta)-"),
)
_FREE = tuple(
    (f"{metal}+2", f"{metal}OH+", f"{metal}Amm+2", f"{metal}Amm2+2") for metal in ("Ca", "Mg")
)


def _run(
    flask: Flask, volume_ml: FloatArray, sums: tuple[tuple[str, ...], ...]
) -> tuple[FloatArray, FloatArray]:
    """Sums of molalities after each volume of titrant, shape (n, sums), and the pH, shape (n,)."""
    punch = ", ".join(" + ".join(f'MOL("{name}")' for name in names) for names in sums)
    edta_mol = 1e-3 * _TITRANT_MOL_L * volume_ml
    lines = [
        _species(flask),
        "SELECTED_OUTPUT",
        "-reset false",
        "USER_PUNCH",
        "-headings " + " ".join(f"c{k}" for k in range(len(sums) + 1)),
        "-start",
        f'10 PUNCH {punch}, -LA("H+")',
        "-end",
        "SOLUTION 1",
        "units mol/kgw",
        f"-water {1e-3 * _FLASK_ML}",
        f"pH {flask.ph}",
        f"temp {flask.temperature_c}",
        f"Ca {flask.calcium_mol_l!r}",
        f"Mg {flask.magnesium_mol_l!r}",
        f"Na {flask.sodium_mol_l + 1e-9!r}",
        f"Amm {flask.ammonia_mol_l!r}",
        f"Ebt {1e-6 * flask.indicator_umol_l!r}",
        "Cl 1 charge",
        "REACTION 1",
        "Na2H2Edta 1",
        f"H2O {55.5084 / _TITRANT_MOL_L}",
        " ".join(f"{max(float(mol), 1e-12):.9e}" for mol in edta_mol),
        "END",
    ]
    engine = _engine()
    engine.run_string("\n".join(lines))
    table = np.array(engine.get_selected_output_array()[1:], dtype=np.float64)[-volume_ml.size :]
    return table[:, :-1], table[:, -1]


def free_fractions(flask: Flask, volume_ml: FloatArray) -> FloatArray:
    """Part of the indicator that holds no metal after each volume of titrant, shape (n,)."""
    parts, _ = _run(flask, volume_ml, _DYE)
    return np.asarray(parts[:, 0] / parts.sum(axis=1))


def conditional_constants(flask: Flask) -> tuple[FloatArray, float]:
    """Constants (log10) of calcium and magnesium with EDTA, then with the indicator; and the pH.

    In the flask at the end of the titration.
    """
    parts, ph = _run(flask, np.array([flask.equivalence_ml]), (*_EDTA, *_DYE, *_FREE))
    edta, calcium_y, magnesium_y, dye, calcium_i, magnesium_i, calcium, magnesium = parts[0]
    ratios = [
        calcium_y / (calcium * edta),
        magnesium_y / (magnesium * edta),
        calcium_i / (calcium * dye),
        magnesium_i / (magnesium * dye),
    ]
    return np.log10(ratios), float(ph[0])


def draw_flask(seed: int) -> Flask:
    """A flask as they are met: any magnesium, any pinch of indicator, any bottle of buffer."""
    rng = np.random.default_rng([29, seed])
    metal = 1e-3 * rng.uniform(0.8, 3.5)
    magnesium = rng.uniform(0.0, 0.6)
    published = rng.normal(0.0, 0.1)
    dye = (6.25 + rng.normal(0.0, 0.05), 11.55 + rng.normal(0.0, 0.03))
    return Flask(
        calcium_mol_l=metal * (1.0 - magnesium),
        magnesium_mol_l=metal * magnesium,
        indicator_umol_l=float(np.exp(rng.uniform(np.log(3.0), np.log(60.0)))),
        ph=rng.uniform(9.7, 10.3),
        ammonia_mol_l=rng.uniform(0.1, 0.5),
        sodium_mol_l=rng.uniform(0.0, 0.5) * float(rng.uniform() < 0.5),
        temperature_c=rng.uniform(15.0, 30.0),
        log_k_dye=(
            *dye,
            5.4 + published + rng.normal(0.0, 0.05),
            7.0 + published + rng.normal(0.0, 0.05),
        ),
    )


def titrate(flask: Flask, seed: int) -> Titration:
    """Careful additions, read with 1 % of noise in a cell of 1 cm."""
    rng = np.random.default_rng([31, seed])
    volume = np.array(careful_additions(flask.equivalence_ml, rng, rng.uniform(0.8, 1.5)))
    f = free_fractions(flask, volume)
    # Bands of 15 L/(mmol cm) in the free form, a factor of 1.4 either way for the dye's purity.
    strength = 15e-3 * flask.indicator_umol_l * float(np.exp(rng.normal(0.0, 0.35)))
    bound, free = strength * np.array([0.15, 0.9, 0.5]), strength * np.array([1.0, 0.6, 0.2])
    size = float(np.linalg.norm(free - bound))
    dilution = _FLASK_ML / (_FLASK_ML + volume)
    density = dilution[:, None] * (bound + f[:, None] * (free - bound))
    density = density + _NOISE * size * rng.standard_normal(density.shape)
    curve = from_absorbance(
        volume, density, PHOTOMETER, _FLASK_ML, saturated=np.zeros(volume.size, dtype=bool)
    )
    return Titration(flask, curve, f)
