"""What stands in the flask besides metal, EDTA and indicator, and how it moves the constants.

Published constants hold at 25 degrees and an ionic strength of 0.1 mol/L, without ammonia and
sodium. Here they are brought to the flask:

- the pH takes protons off EDTA and off the indicator,
- ions weaken the complexes (Davies equation) and acids alike,
- ammonia binds a little magnesium and calcium, sodium binds EDTA,
- warmth moves EDTA's constants (van 't Hoff) and ammonium's.

What a record does not say is as wide as flasks are, and moves all constants together: a column of
`Column`s for each such unknown, which `endpoint.equivalence.model` takes as knowledge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

REFERENCE_IONIC_STRENGTH = 0.1
"""mol/L, that of the published constants (Harris, 8th edition, Table 12-2)."""
_REFERENCE_K = 298.15
_DEBYE = 0.509
"""Davies equation at 25 degrees; from 15 to 30 degrees it is 0.500 to 0.514 (from memory)."""
LOG_K_SODIUM_EDTA = 2.75
"""NaY3- at infinite dilution: between 2.8 (sit.dat) and 2.7 (minteq.v4), both come with PHREEQC."""
_SODIUM_EDTA_KJ = -5.9
"""Enthalpy, kJ/mol: minteq.v4."""
ACID_ENTHALPY_KJ = 23.6
"""Last proton of EDTA, kJ/mol: G. Anderegg, Helv. Chim. Acta 47 (1964) 1801 (from memory);
minteq.v4 has 23.4."""
AMMONIUM_PKA = 9.244
"""NH4+ at 25 degrees: phreeqc.dat; likewise its enthalpy below (52.2 kJ/mol)."""
_AMMONIUM_KJ = 52.2
_OTHER_IONS_MOL_L = 0.01
"""Ionic strength that hard water and titrant bring: 2 to 3 mmol/L of salts of two charges."""
_TITRANT_SODIUM_MOL_L = 0.004
"""Sodium of disodium EDTA at the end of a titration of 2 mmol/L."""
_GAS_KJ = 8.314e-3 * math.log(10.0)

Shift = tuple[float, float, float, float]
"""log K' of the first and the second metal with EDTA, then with the indicator (log10)."""
Column = tuple[float, float, float, float]
"""One standard deviation of something unknown, as `shift_edta`, `shift_indicator`, `split_edta`,
`split_indicator` of `endpoint.equivalence.model` (log10)."""


@dataclass(frozen=True)
class Conditions:
    """What is known of a flask: each a value with its standard uncertainty.

    The uncertainties of ammonia and sodium are those of natural logarithms.
    """

    ph: tuple[float, float] = (10.0, 0.15)
    """Standard methods ask for 10.0 +- 0.1; an old bottle or a warm day gives 0.1 to 0.2 more or
    less (ammonia-pka-temperature: 0.15 for 5 degrees)."""
    temperature_c: tuple[float, float] = (22.0, 4.0)
    """Rooms (common practice, no source)."""
    ammonia_mol_l: tuple[float, float] = (0.25, 0.6)
    """Free and as ammonium. The buffer of ISO 6059 holds 8.9 mol/L: 1 to 2 mL for 50 to 100 mL of
    sample (common practice) make 0.09 to 0.35, and 5 mL make 0.4 mol/L."""
    sodium_mol_l: tuple[float, float] = (0.005, 1.3)
    """Of the sample in the flask: 1 mmol/L in fresh water, 30 in softened or brackish water (common
    knowledge, no source)."""

    def __post_init__(self) -> None:
        for field in fields(self):
            value, spread = getattr(self, field.name)
            if not (math.isfinite(value) and value >= 0.0 and spread >= 0.0):
                raise ValueError(f"{field.name} needs a value and a spread of 0 or more")


@dataclass(frozen=True)
class Binding:
    """Constants of one metal, and of both ligands, that the conditions move."""

    edta_kj: tuple[float, ...]
    """Enthalpy of the complex with EDTA of each metal, kJ/mol."""
    log_beta_ammonia: tuple[tuple[float, ...], ...]
    """Overall constants of the ammonia complexes of each metal, log10."""
    edta_pka: tuple[float, ...]
    indicator_pka: tuple[float, ...]
    indicator_charge: int
    """Of the indicator without protons, such as -3; 0 where it is not known."""


def shift_at(
    binding: Binding, ph: float, temperature_c: float, ammonia_mol_l: float, sodium_mol_l: float
) -> Shift:
    """How far log K' lies from log K in a flask.

    Parameters
    ----------
    binding:
        Constants of the two metals.
    ph, temperature_c, ammonia_mol_l, sodium_mol_l:
        In the flask; ammonia free and as ammonium.
    """
    warmth = (1.0 / _REFERENCE_K - 1.0 / (temperature_c + 273.15)) / _GAS_KJ
    ammonium_part, strength = 0.0, 0.0
    for _ in range(2):  # the pKa of ammonium depends on the strength, a little
        pka = AMMONIUM_PKA - _AMMONIUM_KJ * warmth + _davies(strength)
        ammonium_part = 1.0 / (1.0 + 10.0 ** (ph - pka))
        strength = ammonia_mol_l * ammonium_part + sodium_mol_l + _OTHER_IONS_MOL_L
    ammonia = ammonia_mol_l * (1.0 - ammonium_part)
    log_k_sodium = LOG_K_SODIUM_EDTA + _SODIUM_EDTA_KJ * warmth - 8.0 * _davies(strength)
    sodium = (sodium_mol_l + _TITRANT_SODIUM_MOL_L) * 10.0**log_k_sodium
    salt = _davies(strength) - _davies(REFERENCE_IONIC_STRENGTH)
    return _folded(binding, ph, warmth, salt, ammonia, sodium)


def shift_by_ph(binding: Binding, ph: float) -> Shift:
    """How far log K' lies from log K where nothing but the pH matters."""
    return _folded(binding, ph, 0.0, 0.0, 0.0, 0.0)


def _folded(
    binding: Binding, ph: float, warmth: float, salt: float, ammonia_mol_l: float, sodium: float
) -> Shift:
    """All side reactions; `sodium` is NaY over fully deprotonated EDTA."""
    heat = ACID_ENTHALPY_KJ * warmth
    charge = abs(binding.indicator_charge)
    edta = -math.log10(_protonated(binding.edta_pka, 4, ph, salt, heat) + sodium)
    dye = -math.log10(_protonated(binding.indicator_pka, charge, ph, salt, 0.0))
    bare = [-_ammines(beta, ammonia_mol_l) for beta in binding.log_beta_ammonia]
    # Squares of the charges of metal and ligand less that of the complex: 4 for each charge.
    with_edta = [
        edta + free - 16.0 * salt + kj * warmth
        for free, kj in zip(bare, binding.edta_kj, strict=True)
    ]
    with_dye = [dye + free - 4.0 * charge * salt for free in bare]
    return with_edta[0], with_edta[-1], with_dye[0], with_dye[-1]


def _davies(strength_mol_l: float) -> float:
    """-log10 of the activity coefficient of a single charge."""
    root = math.sqrt(max(strength_mol_l, 0.0))
    return _DEBYE * (root / (1.0 + root) - 0.3 * strength_mol_l)


def _protonated(
    pka: tuple[float, ...], charge: int, ph: float, salt: float, last_proton: float
) -> float:
    """All that has no metal over the fully deprotonated ligand.

    A pH is an activity, so that only the ligand's charge counts in `salt`. Warmth loosens the last
    proton by `last_proton`; the others do not matter where the last one does.
    """
    total, exponent, left = 1.0, -last_proton, charge
    for step in reversed(pka):
        away = (2 * left - 1) * salt if left > 0 else 0.0
        exponent += step - away - ph
        total += 10.0**exponent
        left -= 1
    return total


def _ammines(log_beta: tuple[float, ...], ammonia_mol_l: float) -> float:
    """log10 of all metal without ligand over that without ammonia."""
    return math.log10(1.0 + sum(10.0**b * ammonia_mol_l**n for n, b in enumerate(log_beta, 1)))


_LOGARITHMIC = ("ammonia_mol_l", "sodium_mol_l")


def shift_in(binding: Binding, conditions: Conditions) -> Shift:
    """`shift_at` for the values of the conditions."""
    return _at(binding, conditions)


def columns_of(binding: Binding, conditions: Conditions) -> tuple[Column, ...]:
    """How each unknown of the conditions moves the constants, for one standard deviation.

    Half of what two of them do, on the side on which they do more: salt works the stronger the more
    there is of it.
    """
    here = _at(binding, conditions)
    found = []
    for field in fields(conditions):
        value, spread = getattr(conditions, field.name)
        sides = []
        for z in (-2.0, 2.0):
            there = value + z * spread
            if field.name in _LOGARITHMIC:
                there = value * math.exp(z * spread)
            moved = _at(binding, replace(conditions, **{field.name: (there, spread)}))
            sides.append([(b - a) / z for a, b in zip(here, moved, strict=True)])
        first, second, third, fourth = max(sides, key=lambda side: sum(map(abs, side)))
        if first or second or third or fourth:
            found.append(
                (0.5 * (first + second), 0.5 * (third + fourth), second - first, fourth - third)
            )
    return tuple(found)


def _at(binding: Binding, conditions: Conditions) -> Shift:
    return shift_at(
        binding,
        conditions.ph[0],
        conditions.temperature_c[0],
        conditions.ammonia_mol_l[0],
        conditions.sodium_mol_l[0],
    )
