"""Other metals that EDTA takes up with calcium and magnesium, subtracted from the hardness.

Stated contents of the sample are turned into mg/L CaCO3 with the factors of AOAC 973.52 A, and each
keeps its uncertainty under its own name. The factors are ratios of molar masses, one mole of CaCO3
for one mole of metal. Only aluminium counts 3/2 there, by its charge; a mole of it takes one mole
of EDTA, slowly in the cold: what lies between carries an uncertainty of its own. Metals that are
masked before the titration take no EDTA and are not to be stated.

All of them are titrated at pH 10, and with EGTA. At pH 12 to 13 most have fallen as hydroxides:
Standard Methods 3500-Ca B names the contents up to which they do not disturb the titration of
calcium, and strontium as titrated with it (summary of the National Environmental Methods Index,
read). When water is boiled, iron falls as its hydroxide; what stays of the others is not known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.quantity import Quantity
from calibration.wording import listed


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
    harmless_mg_l: float = 0.0
    """Content, mg/L, up to which it is not titrated with calcium at pH 12 to 13 (3500-Ca B)."""
    with_calcium: bool = False
    """Whether it is titrated with calcium at pH 12 to 13."""
    falls_on_boiling: bool = False
    """Whether boiling and filtering removes it: air oxidises iron, and its hydroxide falls."""


OTHER_METALS: dict[str, OtherMetal] = {
    "iron": OtherMetal(55.845, blocks=True, harmless_mg_l=20.0, falls_on_boiling=True),
    "zinc": OtherMetal(65.38, harmless_mg_l=5.0),
    "manganese": OtherMetal(54.938, harmless_mg_l=10.0),
    "copper": OtherMetal(63.546, blocks=True, harmless_mg_l=2.0),
    "aluminium": OtherMetal(26.982, 1.5, blocks=True, harmless_mg_l=5.0),
    "strontium": OtherMetal(87.62, with_calcium=True),
    "nickel": OtherMetal(58.693, blocks=True),
    "cobalt": OtherMetal(58.933, blocks=True),
}
"""By the word that a record uses. Copper, nickel and cobalt are not in the table of the AOAC; they
count one for one like the others."""
HIGH_PH, BOILED = "pH 12 to 13", "boiled"
"""What can be done to a sample so that less of the other metals is titrated."""
_LEAST_HIGH_PH = 11.5
"""From here on a titration counts as one at pH 12 to 13: murexide is used from pH 11.5 on. Lower,
and iron or copper would be left in a titre at pH 10 that holds them."""
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

    def shares(self, treated: str | None) -> tuple[float, float]:
        """Parts of the content that are surely titrated, and that may be; their sum is 1 or less.

        Parameters
        ----------
        treated:
            `HIGH_PH`, `BOILED`, or None at pH 10.
        """
        metal = OTHER_METALS[self.name]
        if treated is None or (treated == HIGH_PH and metal.with_calcium):
            return 1.0, 0.0
        if treated == BOILED:
            return 0.0, 0.0 if metal.falls_on_boiling else 1.0
        return 0.0, max(1.0 - metal.harmless_mg_l / self.mg_l, 0.0)


def subtracted(
    metals: Sequence[StatedMetal], label: str, treated: str | None = None
) -> list[tuple[str, Quantity]]:
    """Name and hardness in mmol/L of each metal, for `endpoint.hardness.formula.hardness`.

    Of what may be titrated half is taken, with a rectangular distribution from none to all.

    Parameters
    ----------
    metals:
        Contents of the sample.
    label:
        Whose sample it is.
    treated:
        As in `StatedMetal.shares`.
    """
    found = []
    for metal in (each for each in metals if each.mg_l > 0.0):
        sure, open_part = metal.shares(treated)
        if sure + open_part == 0.0:
            continue
        whole, half = metal.as_hardness(label), 0.5 * open_part
        counted = whole.scaled(sure + half, "mmol/L")
        if half > 0.0:
            name = f"{label}: {metal.name}, part that is titrated ({treated})"
            counted += Quantity.from_limits(0.0, "mmol/L", half * whole.value, "rectangular", name)
        found.append((metal.name, counted))
    return found


def treated_at(ph: float) -> str | None:
    """What the pH of a titration does to the other metals, as `StatedMetal.shares` takes it."""
    return HIGH_PH if ph >= _LEAST_HIGH_PH else None


def treated_words(metals: Sequence[StatedMetal], treated: str) -> tuple[str, ...]:
    """Say which metals are titrated in a treated sample, and what is done about them."""
    shares = {each.name: each.shares(treated) for each in metals if each.mg_l > 0.0}
    sure = listed(name for name, (all_of_it, _) in shares.items() if all_of_it)
    unsure = listed(name for name, (_, part) in shares.items() if part)
    not_at_all = listed(name for name, parts in shares.items() if not any(parts))
    sample, why_not, doubt = _TREATED_WORDS[treated]
    said = []
    if sure:
        said.append(f"Subtracted from {sample} as well: {sure}.")
    if not_at_all:
        said.append(f"Not subtracted from {sample}: {not_at_all}, {why_not}.")
    if unsure:
        said.append(
            f"How much of the {unsure} {doubt} is not known: half of what may be is subtracted "
            f"from {sample}, and the uncertainty reaches from none to all of it."
        )
    return tuple(said)


_TREATED_WORDS = {
    HIGH_PH: (
        "calcium",
        "not titrated at pH 12 to 13 in such amounts (Standard Methods 3500-Ca B)",
        "is titrated at pH 12 to 13",
    ),
    BOILED: (
        "the boiled sample",
        "which falls as its hydroxide when the water is boiled",
        "stays in the water when it is boiled",
    ),
}
"""What is titrated, why a metal is not, and what is not known of one."""


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
