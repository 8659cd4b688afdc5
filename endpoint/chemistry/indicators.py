"""Metal indicators: what they bind, how strongly, and what they look like.

`endpoint.chemistry.indicator_file` reads them from small data files.

Side reactions are folded into conditional constants as in `endpoint.chemistry.equilibrium`:
log K' = log K + log alpha(ligand) + log alpha(metal), the latter for the first hydroxo complex.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

from endpoint.chemistry.conditions import (
    Binding,
    Column,
    Conditions,
    columns_of,
    shift_by_ph,
    shift_in,
)
from endpoint.chemistry.equilibrium import (
    EBT_PKA,
    EDTA_PKA,
    LOG_K_CA_EBT,
    LOG_K_CA_EDTA,
    LOG_K_MG_EBT,
    LOG_K_MG_EDTA,
)
from endpoint.chemistry.two_metals import PairConstants
from endpoint.messages import USUAL_WORDS

CHANNELS = ("red", "green", "blue")
_LOG_KW = -14.0
_USUAL_UMOL_L = 20.0
USUAL_ABSORPTIVITY = 15_000.0
_SYMBOLS = {
    "aluminium": "Al",
    "barium": "Ba",
    "bismuth": "Bi",
    "cadmium": "Cd",
    "calcium": "Ca",
    "cobalt": "Co",
    "copper": "Cu",
    "iron": "Fe",
    "lead": "Pb",
    "magnesium": "Mg",
    "manganese": "Mn",
    "mercury": "Hg",
    "nickel": "Ni",
    "strontium": "Sr",
    "zinc": "Zn",
}
"""Metals that EDTA is used for; an indicator file may name others."""


@dataclass(frozen=True)
class Form:
    """One of the two coloured forms of an indicator."""

    colour: str
    """For sentences: "red", "yellow"."""
    camera_channel: str
    """Camera channel that tells this form from the other: red, green or blue."""
    camera_density: tuple[float, float, float]
    """Rough densities of the form in the red, green and blue channel, any common scale."""
    window_nm: tuple[float, float]
    """Wavelengths, from and below, at which a photometer tells this form from the other."""
    band_nm: float
    """The best of them."""


@dataclass(frozen=True)
class Metal:
    """A titrated metal with its constants (log10, L/mol)."""

    name: str
    log_k_edta: float
    log_k_indicator: float
    log_k_hydroxide: float | None = None
    """First hydroxo complex; None if it does not matter."""
    log_beta_ammonia: tuple[float, ...] = ()
    """Overall constants of the ammonia complexes; empty if they do not matter."""
    edta_kj_mol: float = 0.0
    """Enthalpy of the complex with EDTA, kJ/mol."""

    @property
    def edta_complex(self) -> str:
        """Short name of the complex with EDTA (Y): "CaY"; "gallium-Y" for an unlisted metal."""
        symbol = _SYMBOLS.get(self.name.casefold())
        return f"{self.name}-Y" if symbol is None else f"{symbol}Y"


@dataclass(frozen=True)
class Spread:
    """Standard deviations of what is published and of the pH (log10), and the usual amount."""

    log_k_edta: float = 0.15
    log_k_indicator: float = 0.2
    between_metals_edta: float = 0.05
    between_metals_indicator: float = 0.1
    indicator_umol_l: float = _USUAL_UMOL_L
    indicator_log_sd: float = 0.9
    """Natural logarithm: 0.9 is a factor of 2.5."""


@dataclass(frozen=True)
class Indicator:
    """A metal indicator and the titration it is made for."""

    name: str
    metals: tuple[Metal, ...]
    """One or two; with two, calcium and magnesium together."""
    bound: Form
    """The form that holds the metal, before the end."""
    free: Form
    """The form without metal, after the end."""
    ph: float = 10.0
    ph_range: tuple[float, float] = (9.8, 10.2)
    indicator_pka: tuple[float, ...] = EBT_PKA
    """Empty where the constants of the indicator are conditional at `ph` already."""
    edta_set: str = "fifield-kealey"
    spread: Spread = field(default_factory=Spread)
    absorptivity: float = USUAL_ABSORPTIVITY
    """Rough molar absorptivity of the stronger band, L/mol/cm."""
    charge: int = 0
    """Of the indicator without protons, such as -3; 0 where it is not known."""
    conditions: Conditions | None = None
    """What is in the flask; None: nothing moves the published constants but the pH."""
    ph_check: str | None = None
    ph_drift: str | None = None
    """Advice where the change is drawn out, and where it is suspected to be."""

    @cached_property
    def constants(self) -> PairConstants:
        """Conditional constants in the flask; a single metal stands twice."""
        if self.conditions is None:
            ph, shift = self.ph, shift_by_ph(self._binding, self.ph)
        else:
            ph, shift = self.conditions.ph[0], shift_in(self._binding, self.conditions)
        edta, indicator = [], []
        for metal, by_edta, by_dye in zip(self._pair, shift[:2], shift[2:], strict=True):
            bare = 0.0
            if metal.log_k_hydroxide is not None:
                bare = -math.log10(1.0 + 10.0 ** (metal.log_k_hydroxide + ph + _LOG_KW))
            edta.append(metal.log_k_edta + by_edta + bare)
            indicator.append(metal.log_k_indicator + by_dye + bare)
        return PairConstants((edta[0], edta[1]), (indicator[0], indicator[1]))

    @cached_property
    def unknown_in_flask(self) -> tuple[Column, ...]:
        """What is not known of the flask, each as a move of all constants together."""
        if self.conditions is None:
            return ()
        return columns_of(self._binding, self.conditions)

    @property
    def _pair(self) -> tuple[Metal, Metal]:
        return self.metals[0], self.metals[-1]

    @property
    def _binding(self) -> Binding:
        pair = self._pair
        return Binding(
            edta_kj=tuple(metal.edta_kj_mol for metal in pair),
            log_beta_ammonia=tuple(metal.log_beta_ammonia for metal in pair),
            edta_pka=EDTA_PKA[self.edta_set],
            indicator_pka=self.indicator_pka,
            indicator_charge=self.charge,
        )

    @property
    def clear_channel(self) -> int | None:
        """Camera channel (0, 1, 2) that both forms let through best; None where they differ."""
        best = {
            min(range(3), key=form.camera_density.__getitem__) for form in (self.bound, self.free)
        }
        return best.pop() if len(best) == 1 else None

    @property
    def words(self) -> dict[str, str]:
        """What sentences say of this indicator, see `endpoint.messages.USUAL_WORDS`."""
        low, high = self.ph_range
        check = f"Check that {self.name} was used, and the pH: it needs pH {low:g} to {high:g}"
        return {
            "name": self.name,
            "bound": self.bound.colour,
            "free": self.free.colour,
            "ph": f"{self.ph:g}",
            "ph_check": (self.ph_check or check).rstrip("."),
            "ph_drift": (self.ph_drift or check).rstrip("."),
        }

    @property
    def is_hardness(self) -> bool:
        """Whether the titre is a hardness: of calcium and magnesium, or of calcium alone."""
        return {metal.name for metal in self.metals} <= {"calcium", "magnesium"}

    @property
    def titrated(self) -> str:
        """What the titre counts, such as "calcium and magnesium"."""
        return " and ".join(metal.name for metal in self.metals)


ERIOCHROME_BLACK_T = Indicator(
    name="Eriochrome Black T",
    metals=(
        Metal("calcium", LOG_K_CA_EDTA, LOG_K_CA_EBT, None, (-0.1, -0.7, -1.5), -27.4),
        Metal("magnesium", LOG_K_MG_EDTA, LOG_K_MG_EBT, None, (0.1, 0.0, -0.3), 14.6),
    ),
    bound=Form("red", "green", (0.10, 0.55, 0.30), (480.0, 560.0), 530.0),
    free=Form("blue", "red", (0.60, 0.38, 0.12), (580.0, 701.0), 615.0),
    charge=-3,
    conditions=Conditions(),
    ph_check=USUAL_WORDS["ph_check"] + ".",
    ph_drift=USUAL_WORDS["ph_drift"] + ".",
)
"""The usual indicator; `indicator_files/eriochrome-black-t.toml` says the same for people."""
