"""Other metals that EDTA takes up with calcium and magnesium, subtracted from the hardness.

Stated contents of the sample are turned into mg/L CaCO3 with the factors of AOAC 973.52 A, and each
keeps its uncertainty under its own name. The factors are ratios of molar masses, one mole of CaCO3
for one mole of metal. Only aluminium counts 3/2 there, by its charge; a mole of it takes one mole
of EDTA, slowly in the cold: what lies between carries an uncertainty of its own. Metals that are
masked before the titration take no EDTA and are not to be stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.quantity import Quantity


@dataclass(frozen=True)
class OtherMetal:
    """A metal besides calcium and magnesium."""

    molar_mass: float
    """g/mol (standard atomic weights)."""
    caco3: float = 1.0
    """Moles of CaCO3 that AOAC 973.52 A counts for one mole."""
    blocks: bool = False
    """Whether it holds Eriochrome Black T so fast that EDTA frees it slowly or not at all: Cu, Fe,
    Al, Co, Ni (common practice, no source)."""


OTHER_METALS: dict[str, OtherMetal] = {
    "iron": OtherMetal(55.845, blocks=True),
    "zinc": OtherMetal(65.38),
    "manganese": OtherMetal(54.938),
    "copper": OtherMetal(63.546, blocks=True),
    "aluminium": OtherMetal(26.982, 1.5, blocks=True),
    "strontium": OtherMetal(87.62),
    "nickel": OtherMetal(58.693, blocks=True),
    "cobalt": OtherMetal(58.933, blocks=True),
}
"""By the word that a record uses. Copper, nickel and cobalt are not in the table of the AOAC; they
count one for one like the others."""
BLOCKING_UMOL_L = 1.0
"""umol/L in the flask from which a metal is said to block the indicator: a twentieth of the usual
20 umol/L of it. Lower, and traces in every tap are remarked; higher, and a tenth of the colour that
stays red goes unexplained."""


@dataclass(frozen=True)
class StatedMetal:
    """Content of one metal in the sample."""

    name: str
    mg_l: float
    standard_uncertainty_mg_l: float | None = None

    @property
    def umol_l(self) -> float:
        """In the sample, umol/L."""
        return 1e3 * self.mg_l / OTHER_METALS[self.name].molar_mass

    def as_hardness(self, label: str) -> Quantity:
        """What it adds to the titrated hardness, mmol/L; `label` says whose sample it is."""
        metal = OTHER_METALS[self.name]
        named = f"{label}: {self.name}"
        content = Quantity.measured(
            self.mg_l, "mg/L", self.standard_uncertainty_mg_l or 0.0, f"{named} in the sample"
        )
        counted = content.scaled(metal.caco3 / metal.molar_mass, "mmol/L")
        if metal.caco3 == 1.0:
            return counted
        mol = self.mg_l / metal.molar_mass
        spread = abs(metal.caco3 - 1.0) * mol / math.sqrt(3.0)
        return counted + Quantity.measured(0.0, "mmol/L", spread, f"{named}, EDTA per mole")


def subtracted(metals: Sequence[StatedMetal], label: str) -> list[tuple[str, Quantity]]:
    """Name and hardness in mmol/L of each metal, for `endpoint.hardness.formula.hardness`."""
    return [(metal.name, metal.as_hardness(label)) for metal in metals if metal.mg_l > 0.0]


def blocking(metals: Sequence[StatedMetal], dilution: float) -> tuple[str, ...]:
    """Names of the metals that may block the indicator.

    Parameters
    ----------
    metals:
        Contents of the sample.
    dilution:
        Volume of the sample as a part of that in the flask.
    """
    return tuple(
        metal.name
        for metal in metals
        if OTHER_METALS[metal.name].blocks and dilution * metal.umol_l >= BLOCKING_UMOL_L
    )
