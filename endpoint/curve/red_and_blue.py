"""Up to which volume the liquid is not yet blue, and from which on it is wholly blue.

What a careful eye would say without any model; the two ends of a bracket. Whatever the chemistry,
at the equivalence volume more than 80 % of the indicator is free: a pause that shows less lies
before it. With next to no magnesium the liquid looks blue a little before it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.indicators import Indicator
from endpoint.curve.indicator_form import state_of
from endpoint.curve.points import Curve

BLUE_EARLY_ML = 0.15
"""How long before the equivalence volume a liquid without magnesium may look wholly blue, mL:
worked out with the published constants for 2 mmol/L calcium alone."""
_NOT_YET = 0.7
"""Part of the way from the first to the last colour up to which a pause lies before the end."""
_SAME, _SAME_SDS = 0.04, 3.0
"""Departure from the last colour, as a part of the change and in standard deviations of a point,
within which a pause shows the same colour. Two drops before the end the colour still moves by a
tenth with each."""
_PLATEAU_ML, _PLATEAU_POINTS = 0.08, 3
"""Volume, mL, and points over which the last colour must have stayed."""
_BLUE, _PURE_BLUE = 0.15, 0.3
"""`State.blueness` of a last colour that stayed, and of one that was seen once, that is blue. Films
of other makers end at 0.32 to 0.55; half of the change is about -0.1."""


def red_and_blue(
    curve: Curve, indicator: Indicator, outlier: NDArray[np.bool_] | None = None
) -> tuple[float | None, float | None]:
    """Last volume that is surely not yet blue, and first one from which on all is blue, mL.

    Parameters
    ----------
    curve:
        Points in order of volume.
    indicator:
        Whose two forms are looked for.
    outlier:
        Points that are left out, shape (n,).

    Returns
    -------
    Each is None where the recording does not show it.
    """
    kept = curve.flags == 0 if outlier is None else (curve.flags == 0) & ~outlier
    signal, volume_ml = curve.signal[kept], curve.volume_ml[kept]
    if signal.size < 2 or curve.change <= 0.0:
        return None, None
    density = np.median(curve.density[kept][-min(3, signal.size) :], axis=0)
    last = state_of(density, curve.channels, indicator)
    near = max(_SAME, _SAME_SDS * float(np.median(curve.sigma[kept])))
    away = np.abs(signal - np.median(signal[-min(3, signal.size) :])) > near
    first = int(np.flatnonzero(away)[-1]) + 1 if away.any() else 0
    stayed = (
        signal.size - first >= _PLATEAU_POINTS and volume_ml[-1] - volume_ml[first] >= _PLATEAU_ML
        if first < signal.size
        else False
    )
    blueness = 1.0 if last is None else last.blueness
    is_blue = first < signal.size and blueness >= (_BLUE if stayed else _PURE_BLUE)
    early = np.flatnonzero(signal[:first] < _NOT_YET) if is_blue else np.arange(0)
    if not is_blue:
        return float(volume_ml[-1]), None
    return (float(volume_ml[early[-1]]) if early.size else None), float(volume_ml[first])
