"""The chemistry that the page tells: who binds whom, and why buffer, magnesium and pH 10.

Species are written as "MgIn^-" and "HY^3-": In is the indicator and Y is EDTA, both without the
hydrogen ions that can come off. Every number is worked out here, from the water of the page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from endpoint.chemistry.acid_base import (
    BUFFER_AMMONIA_MOL_L,
    buffer_ph,
    magnesium_hydroxide_ph,
    protonated_parts,
)
from endpoint.chemistry.equilibrium import EBT_PKA, EDTA_PKA, constants_at
from endpoint.replay.chemistry import Water, holders
from endpoint.replay.numbers import percent
from endpoint.rounding import FIXED_SPACE, rounded

BUFFER_ML = 2.0
"""Buffer of ISO 6059 for 100 mL of sample (common practice: 1 to 2 mL for 50 to 100 mL)."""
_HIGHER_PH = 11.0
_LITTLE, _MUCH = 0.1, 0.6
"""A pH above that of the method, and shares of magnesium, for comparison. Our choice."""


@dataclass(frozen=True)
class Step:
    """One of the three steps of the titration: what happens, its equation, what it looks like."""

    when: str
    what: str
    equations: tuple[str, ...]
    seen: str


@dataclass(frozen=True)
class Reason:
    """A heading and what there is to say under it."""

    title: str
    text: str
    equations: tuple[str, ...] = ()


STEPS = (
    Step(
        "Before the first drop",
        "Some of the magnesium and calcium sits on the indicator. Indicator that holds metal is "
        "red; indicator that holds none is blue.",
        (
            "Mg^2+ + HIn^2- → MgIn^- + H^+",
            "Ca^2+ + HIn^2- → CaIn^- + H^+",
        ),
        "blue indicator turns wine red",
    ),
    Step(
        "While titrant runs in",
        "EDTA takes the free metal, one for one. The indicator keeps its metal as long as enough "
        "of it is free.",
        (
            "Ca^2+ + HY^3- → CaY^2- + H^+",
            "Mg^2+ + HY^3- → MgY^2- + H^+",
        ),
        "the flask stays red",
    ),
    Step(
        "At the end",
        "Hardly any metal is free now. EDTA holds metal far more firmly than the indicator does, "
        "so it takes the last of it away from the indicator.",
        ("MgIn^- + HY^3- → MgY^2- + HIn^2-",),
        "wine red turns blue",
    ),
)


def forms_in_words(ph: float) -> str:
    """Which hydrogen ions EDTA and indicator carry at a pH, and who binds more firmly."""
    y, dye = protonated_parts(ph, EDTA_PKA["fifield-kealey"]), protonated_parts(ph, EBT_PKA)
    k = constants_at(ph)
    firm = (k.log_ca_indicator, k.log_mg_indicator, k.log_mg_edta, k.log_ca_edta)
    names = ("CaIn^-", "MgIn^-", "MgY^2-", "CaY^2-")
    order = ", ".join(f"{n} {rounded(v, 2)}" for n, v in zip(names, firm, strict=True))
    return (
        f"In is the indicator and Y is EDTA, both without the hydrogen ions that can come off. At "
        f"pH{FIXED_SPACE}{ph:g}, {percent(y[1])} of the free EDTA is HY^3- (nearly all the rest is "
        f"Y^4-) and {percent(dye[1])} of the free indicator is HIn^2-. From the weakest hold to "
        f"the firmest, as log K' at this pH: {order}."
    )


def reasons_of(water: Water) -> tuple[Reason, ...]:
    """Why there is a buffer, why not a lower or a higher pH, why magnesium matters."""
    return (_buffer(water), _lower(), _higher(water), _magnesium(water))


def _buffer(water: Water) -> Reason:
    acid_mmol = 2.0 * water.metal_mmol
    alone = -math.log10(acid_mmol / (water.flask_ml + water.equivalence_ml))
    return Reason(
        "What the buffer does",
        "Titrant is made from the disodium salt of EDTA, whose ion H_2Y^2- gives off two hydrogen "
        f"ions for each metal that it takes: {rounded(acid_mmol, 2)}{FIXED_SPACE}mmol up to the "
        "equivalence volume. With nothing to take them up they alone would bring the flask to "
        f"pH{FIXED_SPACE}{rounded(alone, 1)}, where EDTA holds neither calcium nor magnesium. "
        f"Ammonia takes them up: {_held(water, acid_mmol)}.",
        ("Ca^2+ + H_2Y^2- → CaY^2- + 2 H^+", "H^+ + NH_3 → NH_4^+"),
    )


def _held(water: Water, acid_mmol: float) -> str:
    ammonia_mmol = BUFFER_ML * BUFFER_AMMONIA_MOL_L
    said = f"{BUFFER_ML:g}{FIXED_SPACE}mL of buffer (ISO 6059)"
    try:
        change = water.ph - buffer_ph(ammonia_mmol, water.ph, acid_mmol)
    except ValueError:
        return f"{said} would not do here, so more is taken"
    moved = "less than 0.01" if change < 0.01 else f"only {rounded(change, 2)}"
    return f"with {said} the pH moves by {moved if change < 0.1 else rounded(change, 1)}"


def _at(ph: float, decimals: int = 1) -> str:
    return f"pH{FIXED_SPACE}{rounded(ph, decimals)}"


def _lower() -> Reason:
    half, low = EBT_PKA[0], EBT_PKA[0] - 1.0
    red = protonated_parts(low, EBT_PKA)[2]
    return Reason(
        "Why the pH must not be low",
        f"Below about {_at(half)} the indicator picks up a hydrogen ion and is red without any "
        f"metal: half of it at {_at(half)}, {percent(red)} at {_at(low)}. Then no end can be seen. "
        "Long before that the change is drawn out, because hydrogen ions keep both EDTA and the "
        "indicator from the metal.",
        ("H^+ + HIn^2- → H_2In^-",),
    )


def _higher(water: Water) -> Reason:
    at = [
        magnesium_hydroxide_ph(replace(water, magnesium_share=share).magnesium_mol_l)[0]
        for share in (_LITTLE, _MUCH)
    ]
    metal_mmol_l = 1e3 * replace(water, magnesium_share=1.0).magnesium_mol_l
    here, above = (protonated_parts(ph, EBT_PKA)[0] for ph in (water.ph, _HIGHER_PH))
    return Reason(
        "Why the pH is not higher",
        "A higher pH would sharpen the change, but solid magnesium hydroxide can form, and then "
        f"EDTA gets that magnesium slowly or not at all: with {metal_mmol_l:.2g} mmol/L of calcium "
        f"and magnesium in the flask from {_at(at[0])} if {percent(_LITTLE)} of it is magnesium, "
        f"from {_at(at[1])} if {percent(_MUCH)} is. Free indicator also loses its last hydrogen "
        f"ion and turns orange: {percent(here)} of it at {_at(water.ph)}, {percent(above)} at "
        f"{_at(_HIGHER_PH)}. The methods settle on {_at(10.0)} ± 0.1 as a compromise.",
        ("Mg^2+ + 2 OH^- → Mg(OH)_2", "HIn^2- → In^3- + H^+"),
    )


def _magnesium(water: Water) -> Reason:
    k = constants_at(water.ph)
    times = 10.0 ** (k.log_mg_indicator - k.log_ca_indicator)
    swap = 10.0 ** (k.log_ca_edta - k.log_mg_edta)
    none = replace(water, magnesium_share=0.0)
    early = float(holders([none], np.array([0.9 * water.equivalence_ml])).indicator_free[0, 0])
    return Reason(
        "Why magnesium matters",
        f"Magnesium holds the indicator about {rounded(times, -1)} times as firmly as calcium "
        f"does. With calcium alone {percent(early)} of the indicator is blue already after "
        f"90{FIXED_SPACE}% of the titrant, and the change drags on. So a buffer often brings "
        f"magnesium EDTA: calcium, which EDTA prefers about {rounded(swap, -1)} times over, sets "
        "the magnesium free, and at the end EDTA takes it back. That magnesium came with its own "
        "EDTA, so the titre does not change.",
        ("Ca^2+ + MgY^2- → CaY^2- + Mg^2+",),
    )
