"""Steps of exposure or of the lamp, which move all channels of a camera by one amount.

A change from red to blue hardly moves all channels evenly, so such a step shows across the line
between the two colours, also between large additions, and is undone. Within the change it cannot be
told from a mixture that bows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.off_colour import bow_of, depth_of
from endpoint.curve.unmix import ends_of

FloatArray = NDArray[np.float64]

_FEWEST = 12
"""Points of a curve of which steps are looked for: fewer do not tell their usual scatter."""
_SCATTERS = 6.0
"""Step in usual steps from point to point from which it is one: of normal errors less than one in
ten thousand points. Lower, and noise is levelled, which costs little; higher, and steps bend the
fit."""
_LEAST = 0.004
"""Density: 1 % of light. A smaller step bends no fit; a curve without noise has such by bows."""
_STRAIGHT_BOW = 0.22
"""Bow of the mixtures of a liquid that is not dark, in whole changes (`endpoint.colour.off_colour`)
."""
_MOST_STEPS = 8
"""Lamps that go on and off; more is a flicker, which is scatter of the points. Assumed."""
_AROUND = 3
"""Points on either side from which the size of a step is taken."""
_AT_ONCE = 0.5
"""Part of a step that the colour may move in the points next to those. Light changes at once; a
dark liquid of which the camera loses one channel moves evenly as well, but with every addition."""
_UNEVEN = 0.4
"""Scatter of a step over the channels, as a part of it, up to which it is light, for noise of a
third of it. More indicator has 0.5, another balance more than 1. Higher, and these are undone where
they ought to be set aside; lower, and small steps are missed."""


@dataclass(frozen=True, eq=False)
class EvenLight:
    """What exposure and lamp add to all channels of each point."""

    density: FloatArray
    """Dilution undone, 0 where the curve ends, shape (n,)."""
    scatter: float
    """Root sum of squares of the steps, density: how far the even direction is to be believed."""


def even_light(volume_ml: FloatArray, undiluted: FloatArray) -> EvenLight:
    """Find the steps of light of a camera.

    Parameters
    ----------
    volume_ml:
        Rising, shape (n,).
    undiluted:
        Density of the three channels with the dilution undone, shape (n, 3).
    """
    light = np.zeros(len(volume_ml))
    total = 0.0
    if len(volume_ml) < _FEWEST:
        return EvenLight(light, total)
    for _ in range(_MOST_STEPS):
        level = undiluted - light[:, None]
        start, end = ends_of(volume_ml, level)
        change = end - start
        size = float(np.linalg.norm(change))
        if size <= 0.0:
            break
        even = 1.0 - change * float(change.sum()) / size**2
        jumps = _jumps(level)
        steps = jumps @ even / float(even @ even)
        # A parabola that bows by b between its ends begins and ends with a slope of 4 b.
        bow = _STRAIGHT_BOW + float(bow_of(np.array(depth_of(undiluted))))
        mixture = 4.0 * bow / float(np.linalg.norm(even)) * np.abs(jumps @ change) / size
        limit = max(_SCATTERS * 1.4826 * float(np.median(np.abs(steps))), _LEAST)
        beside = np.maximum(np.abs(steps[2 * _AROUND :]), np.abs(steps[: -2 * _AROUND]))
        beside = np.pad(beside, _AROUND, mode="edge")
        # What is not even is another balance, more indicator, or the change itself.
        uneven = np.linalg.norm(jumps - steps[:, None], axis=1) / np.sqrt(3.0)
        least = np.maximum(mixture, np.maximum(beside / _AT_ONCE, uneven / _UNEVEN))
        seen = np.where(np.abs(steps) < least, 0.0, np.abs(steps))
        k = int(np.argmax(seen))
        if seen[k] <= limit:
            break
        # Medians of three are as large one point too early or too late.
        single = np.abs(np.diff(level[max(k - 1, 0) : k + 3], axis=0) @ even)
        at = max(k - 1, 0) + int(np.argmax(single))
        light[: at + 1] -= steps[k]
        total = float(np.hypot(total, steps[k]))
    return EvenLight(light, total)


def _jumps(values: FloatArray) -> FloatArray:
    """Median of the points after each gap minus that of the points before it, shape (n - 1, 3).

    Medians leave out what comes and goes; at the ends one point alone tells no step.
    """
    out = np.zeros((len(values) - 1, 3))
    for k in range(1, len(values) - 2):
        before, after = values[max(k + 1 - _AROUND, 0) : k + 1], values[k + 1 : k + 1 + _AROUND]
        out[k] = np.median(after, axis=0) - np.median(before, axis=0)
    return out
