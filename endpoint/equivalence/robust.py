"""A fit that strays do not bend: what stands too far from the model is left out, round by round.

The scale is the median of the residuals, which half of the points cannot move (Hampel, J. Amer.
Statist. Assoc. 69 (1974) 383, from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from endpoint.curve.points import Curve
from endpoint.equivalence.least_squares import Fitted, fit_with_noise
from endpoint.equivalence.model import LAG, Model
from endpoint.problems import Flag

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_OUTLIER_SIGMAS = 5.0
_OUTLIER_ROUNDS = 6
_MOST_LEFT_OUT = 0.2
"""Part of the points beyond which the curve has another shape and no strays."""
_IN_CHANGE = (0.15, 0.95)
"""Fitted free fractions between which a lost point is missed."""
_ENOUGH = 4
"""Points in the change that outvote a stray among them."""


def fit_without_strays(
    curve: Curve, model_for: Callable[[BoolArray], Model], minima: FloatArray | None = None
) -> tuple[Fitted, BoolArray]:
    """Fit, and which points it stands on, shape (n,).

    Parameters
    ----------
    curve:
        The points; those with a flag are left out from the start.
    model_for:
        Model of the points that are kept.
    minima:
        `Fitted.minima` of nearly the same curve, to begin from.
    """
    kept = np.asarray(curve.flags == 0)
    most = max(1, int(_MOST_LEFT_OUT * kept.sum()))
    usable = int(kept.sum())
    known = minima is not None
    for left in reversed(range(_OUTLIER_ROUNDS)):
        fitted = fit_with_noise(model_for(kept), minima)
        minima = fitted.minima
        bad = _far(fitted, curve.sigma[kept])
        lost = usable - int(kept.sum()) + int(bad.sum())
        if not left or not bad.any() or lost > most or bad.size < 12:
            break
        kept = kept.copy()
        kept[np.flatnonzero(kept)[bad]] = False
    if int(kept.sum()) < usable and not known:
        # Strays may have hidden the right minimum from all rounds.
        again = fit_with_noise(model_for(kept))
        if again.extra < fitted.extra:
            fitted = again
    return fitted, kept


def _far(fitted: Fitted, sigma: FloatArray) -> BoolArray:
    """Points that the model does not explain; only the worst, which pull their neighbours up."""
    residual = np.abs(fitted.model.signal - fitted.model.predict(fitted.fit.theta))
    robust = 1.4826 * float(np.median(residual)) * np.sqrt(residual.size / fitted.freedom)
    # Readings err independently: in the steep part that moves a point by far more than its noise.
    own = np.hypot(sigma, fitted.model.reading_scatter(fitted.fit.theta))
    limit = _OUTLIER_SIGMAS * np.hypot(robust, own)
    return np.asarray(residual > np.maximum(limit, 0.5 * float(residual.max())))


def missed_ml(curve: Curve, fitted: Fitted, kept: BoolArray) -> float:
    """Standard uncertainty, mL, of an end among strays; 0 if none was left out of the change.

    Where few points are left in the change, another of them may be a stray and one of those left
    out none: the end lies anywhere in the gap (uniform).

    Parameters
    ----------
    curve:
        All points.
    fitted, kept:
        From `fit_without_strays`.
    """
    strays = (curve.flags & ~int(Flag.OUTLIER) == 0) & ~kept
    if not strays.any():
        return 0.0
    volume_ml = curve.mixed_volume_ml(float(fitted.fit.theta[LAG]))
    f = fitted.model.fraction(fitted.fit.theta[None, :])[0]
    first, last = (int(np.searchsorted(f, x)) for x in _IN_CHANGE)
    # A stray next to the change may have hidden a part of it.
    low, high = volume_ml[kept][max(first - 1, 0)], volume_ml[kept][min(last + 1, f.size - 1)]
    inside = (volume_ml >= low) & (volume_ml <= high)
    index = np.flatnonzero(strays & inside)
    if index.size == 0 or last - first >= _ENOUGH:
        return 0.0
    good = np.flatnonzero(kept)
    widths = []
    for k in index:
        place = int(np.searchsorted(good, k))
        before, after = good[max(place - 2, 0)], good[min(place + 1, good.size - 1)]
        widths.append(float(volume_ml[after] - volume_ml[before]))
    return max(widths) / float(np.sqrt(12.0))
