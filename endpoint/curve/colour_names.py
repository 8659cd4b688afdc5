"""Names of the colours of Eriochrome Black T between wine red and blue.

One table serves mixtures whose free part is known and colours that a camera measured, so that the
bench and the page for a class use the same names.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.curve.indicator_form import states_of
from endpoint.curve.points import RGB

_RED, _BLUE = -0.8, 0.45
"""Blueness of the red and of the blue form, the ends of a scale from 0 to 1, see
`endpoint.curve.indicator_form.State`."""
NAMES = (
    # name, and where it ends: free part of the indicator, blueness of the measured density
    ("wine red", 0.15, -0.55),
    ("red violet", 0.35, -0.20),
    ("violet", 0.65, 0.27),
    ("blue violet", 0.95, 0.48),
    ("blue", math.inf, math.inf),
)
"""For the dye spectra of the sample recordings in daylight the standard observer sees the hue
angles 338, 320, 296 and 268 degrees (CIELAB) at these free parts; the last is also where a careful
eye finds no red any more, the "last red". The blueness is what the rendered sample films have
there (-0.49 to -0.62, -0.03 to -0.28, 0.26 to 0.34, 0.50 to 0.57). Films differ in their blue by
more than the last tenth of free indicator changes it, so the last limit lies a little early: the
palest pure blue among them has 0.51 and must still be called blue."""
_COLOURLESS = 0.02
"""Density above the least coloured channel below which a liquid has no colour to name. Assumed."""


def blueness_of(density: NDArray[np.float64]) -> float | None:
    """Blueness of one density, shape (3,); None for a liquid without colour."""
    return bluenesses_of(density[None, :])[0]


def bluenesses_of(density: NDArray[np.float64]) -> list[float | None]:
    """Blueness of each density, shape (n, 3); None for a liquid without colour."""
    found = states_of(density, RGB, ERIOCHROME_BLACK_T)
    if found is None:
        return [None] * len(density)
    pairs = zip(found[0].tolist(), found[1].tolist(), strict=True)
    return [None if strength < _COLOURLESS else blueness for blueness, strength in pairs]


def place_of(blueness: float) -> float:
    """Place between the red form (0) and the blue form (1)."""
    return float(np.clip((blueness - _RED) / (_BLUE - _RED), 0.0, 1.0))


def name_of(blueness: float | None) -> str:
    """Name of a measured colour by its blueness, see `blueness_of`."""
    if blueness is None:
        return "without colour"
    return next(name for name, _, limit in NAMES if blueness < limit)


def name_of_part(free_fraction: float) -> str:
    """Name of a mixture of the two forms by its free part, 0 to 1."""
    return next(name for name, limit, _ in NAMES if free_fraction < limit)
