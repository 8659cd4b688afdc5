"""Colours that no mixture of the two forms has: something else was in the way."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_LARGEST = 0.45
"""Distance from the line between start and end colour that no mixture has, in whole changes."""
_BOW_PER_DARKNESS = 0.4
_STRAIGHT_TO = 0.65
_ABRUPT = 0.25


def depth_of(density: FloatArray) -> float:
    """Density of a liquid in its darkest channel: the upper quartile over its colours.

    Parameters
    ----------
    density:
        Shape (n, channels), n > 0.
    """
    return float(np.percentile(density.max(axis=1), 75))


def darkness_of(density: FloatArray) -> float:
    """Density of the liquid beyond what a camera follows in a straight line, >= 0.

    Parameters
    ----------
    density:
        Shape (n, channels).
    """
    return max((depth_of(density) if len(density) else 0.0) - _STRAIGHT_TO, 0.0)


def largest_off(darkness: float) -> float:
    """Distance from the line of mixtures that can still be one.

    In a dark liquid a camera's broad channels let the mixtures bow off the line.
    """
    return _LARGEST + _BOW_PER_DARKNESS * darkness


def foreign_runs(off: FloatArray, limit: float) -> NDArray[np.bool_]:
    """Points whose colour is no mixture, in runs that begin and end abruptly.

    A sleeve comes and goes between two points; a colour that bends away, as in a dark liquid or
    with another indicator, does not.

    Parameters
    ----------
    off:
        Distance from the line between start and end colour, in whole changes, shape (n,).
    limit:
        From `largest_off`.
    """
    strange = off > limit
    out = np.zeros(off.size, dtype=bool)
    edges = np.flatnonzero(np.diff(np.r_[False, strange, False].astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        enters = start > 0 and off[start] - off[start - 1] > _ABRUPT
        leaves = stop < off.size and off[stop - 1] - off[stop] > _ABRUPT
        out[start:stop] = enters and leaves
    return out
