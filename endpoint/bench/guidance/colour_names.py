"""The form of the indicator in words, and where between red and blue a colour lies."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.curve.indicator_form import state_of
from endpoint.curve.points import RGB

_RED, _BLUE = -0.8, 0.45
_NAMES = (
    (0.22, "wine red"),
    (0.42, "red violet"),
    (0.62, "violet"),
    (0.82, "blue violet"),
    (np.inf, "blue"),
)
_COLOURLESS = 0.02


def blueness_of(density: NDArray[np.float64]) -> float | None:
    """Blueness of one density, shape (3,); None for a liquid without colour."""
    state = state_of(density, RGB, ERIOCHROME_BLACK_T)
    if state is None or state.strength < _COLOURLESS:
        return None
    return state.blueness


def place_of(blueness: float) -> float:
    """Place between the red form (0) and the blue form (1)."""
    return float(np.clip((blueness - _RED) / (_BLUE - _RED), 0.0, 1.0))


def name_of(blueness: float | None) -> str:
    """Colour in words."""
    if blueness is None:
        return "without colour"
    place = place_of(blueness)
    return next(name for limit, name in _NAMES if place < limit)
