"""Words for the hardness of water: soft, hard and what lies between, scheme by scheme.

The schemes disagree, so a word is never given without the name of its scheme. A word says how
much soap or scale to expect; it says nothing on drinking.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibration.quantity import Quantity
from endpoint.hardness.formula import HardnessProblem
from endpoint.hardness.units import M_CACO3, M_CAO, US_GRAIN_PER_GALLON_MG_L


@dataclass(frozen=True)
class ClassScheme:
    """Words for ranges of hardness, as one body gives them."""

    key: str
    label: str
    per_mmol_l: float
    unit: str
    words: tuple[str, ...]
    upper: tuple[float, ...]
    """Upper end of every class but the last, in `unit`."""
    upper_belongs: tuple[bool, ...]
    """Whether the end itself is still in the class."""
    source: str


_FOUR = (60.0, 120.0, 180.0)
SCHEMES: dict[str, ClassScheme] = {
    scheme.key: scheme
    for scheme in (
        ClassScheme(
            "usgs",
            "US Geological Survey",
            M_CACO3,
            "mg/L CaCO3",
            ("soft", "moderately hard", "hard", "very hard"),
            _FOUR,
            # Printed as 0-60, 61-120, 121-180: the gaps go to the lower class.
            (True, True, True),
            "US Geological Survey, water hardness guide",
        ),
        ClassScheme(
            "who",
            "World Health Organization 2011",
            M_CACO3,
            "mg/L CaCO3",
            ("soft", "medium hard", "hard", "very hard"),
            _FOUR,
            (False, False, False),
            "WHO 2011, as given in Progress in Earth and Planetary Science 4 (2017), Table 3",
        ),
        ClassScheme(
            "wqa",
            "US Water Quality Association",
            M_CACO3 / US_GRAIN_PER_GALLON_MG_L,
            "grain per US gallon",
            ("soft", "slightly hard", "moderately hard", "hard", "very hard"),
            (1.0, 3.5, 7.0, 10.5),
            (False, False, False, False),
            "Water Quality Association, Water Treatment Fundamentals, as tabulated by a supplier",
        ),
        ClassScheme(
            "german",
            "German detergent act 2007",
            1.0,
            "mmol/L",
            ("weich", "mittel", "hart"),
            (1.5, 2.5),
            (False, True),
            "Wasch- und Reinigungsmittelgesetz, 29 April 2007, section 9",
        ),
        ClassScheme(
            "german-former",
            "former German ranges",
            M_CAO / 10.0,
            "°dH",
            ("1 weich", "2 mittel", "3 hart", "4 sehr hart"),
            (7.0, 14.0, 21.0),
            (True, True, True),
            "former German detergent act, as quoted by water suppliers",
        ),
    )
}


@dataclass(frozen=True)
class HardnessClass:
    """The word of one scheme for one water."""

    scheme: ClassScheme
    word: str
    also_possible: tuple[str, ...]
    """Other classes that the 95 % interval reaches into."""


def classify(mmol_l: Quantity, scheme_key: str) -> HardnessClass:
    """Word for a hardness in mmol/L by one of `SCHEMES`; the schemes disagree, so name it."""
    scheme = SCHEMES.get(scheme_key)
    if scheme is None:
        raise HardnessProblem(
            f'The scheme of classes "{scheme_key}" is unknown.',
            f"Use one of: {', '.join(SCHEMES)}.",
        )
    stated = mmol_l.scaled(scheme.per_mmol_l, scheme.unit)
    low, high = (_class_index(scheme, end) for end in stated.interval(0.95))
    own = _class_index(scheme, stated.value)
    others = tuple(scheme.words[n] for n in range(low, high + 1) if n != own)
    return HardnessClass(scheme, scheme.words[own], others)


def _class_index(scheme: ClassScheme, value: float) -> int:
    for n, (end, belongs) in enumerate(zip(scheme.upper, scheme.upper_belongs, strict=True)):
        # A conversion may miss a round limit by its last digit.
        if math.isclose(value, end, rel_tol=1e-9):
            return n if belongs else n + 1
        if value < end:
            return n
    return len(scheme.words) - 1
