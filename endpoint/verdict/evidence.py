"""What a verdict is made from, and how strange it looks.

Thresholds are in `endpoint.verdict.verdict` and `endpoint.verdict.remarks`; here are the
numbers that are compared with them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from endpoint.burette.picture_volume import PictureVolume
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.curve.points import Curve
from endpoint.delivery.clock import ClockDoubt
from endpoint.equivalence.fit import Transition
from endpoint.equivalence.model import CONSTANTS, LOG_IND, Priors
from endpoint.problems import Flag
from endpoint.verdict.carbonate import Carbonate

USUAL_ABSORPTIVITY = ERIOCHROME_BLACK_T.absorptivity
"""L/mol/cm; limits on the amount of indicator are written for it and scaled to other indicators."""
_LEAST_TO_GO_BACK = 8
"""Points of a curve; of fewer a window of 5 is most of the recording."""
_FALLEN = 0.3
"""Part of the whole way that the colour must have come back. Fading of the indicator and drift of
a lamp take less; chosen on rendered films, no study kept."""

_FREE_SD = 0.02
"""Free part of the indicator that noise and the first colour may hide."""
_TIMES_TOO_SMALL = 2.0
"""How many times the volume of an addition the metal before it must ask for, by the published
constants. Those of a flask differ by a factor of two from pH and salt. Lower, and a large drop
behind a hand is refused; higher, and a flask that was exchanged gets a bracket."""


_TURNS_ON = 0.05
"""Part of the whole change by which a colour goes on turning after a leap where it is the same
liquid that turns: the last of the change takes some tenths of a millilitre, another flask is as
blue as it will be. Lower, and noise speaks for the liquid; higher, and sharp changes are refused
(one of 40 titrations of `tests.studies.bench_loop` at 0.15)."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """Everything that a verdict is made from."""

    curve: Curve
    fit: Transition | None
    """None where `verdict.hindrance` found that there is no change worth fitting."""
    priors: Priors
    """The knowledge that the fit was given."""
    indicator: Indicator = ERIOCHROME_BLACK_T
    lag_is_stated: bool = True
    """Whether the record states the mixing lag."""
    seen: PictureVolume | None = None
    """Delivered volume with an uncertainty of its own, from the picture or from the log."""
    doubt: ClockDoubt | None = None
    """What there is to say about the clock of the log."""
    carbonate: Carbonate = field(default_factory=Carbonate)
    """What speaks for calcium carbonate that has fallen."""
    blocking: tuple[str, ...] = ()
    """Metals in the sample that may block the indicator."""
    leaps: bool = False
    """Whether no picture shows a shade between the first colour and the last."""


def width_ml(fit: Transition) -> float:
    """Volume from 15 to 90 % free indicator on the fitted curve, mL."""
    f, v = fit.grid_fraction, fit.grid_volume_ml
    low, high = int(np.searchsorted(f, 0.15)), int(np.searchsorted(f, 0.90))
    return float(v[min(high, v.size - 1)] - v[min(low, v.size - 1)])


def seen_width_ml(curve: Curve, outlier: NDArray[np.bool_]) -> float:
    """Volume from the last point that is less than 40 % on its way to the first that stays at 90 %.

    A fit that bends to explain something far before the change, or a plume that grows, is wide;
    what is seen of the change itself is not.

    Parameters
    ----------
    curve:
        The points.
    outlier:
        Those that are left out, shape (n,).
    """
    kept = (curve.flags == 0) & ~outlier
    signal, volume_ml = curve.signal[kept], curve.volume_ml[kept]
    below = np.flatnonzero(signal < 0.9)
    if below.size == 0 or below[-1] + 1 >= signal.size:
        return float(np.ptp(volume_ml))
    early = np.flatnonzero(signal[: below[-1] + 1] < 0.4)
    return float(volume_ml[below[-1] + 1] - volume_ml[early[-1] if early.size else 0])


def strain(evidence: Evidence, fit: Transition) -> float:
    """How far the chemistry had to be bent to explain the curve: sum of squared departures.

    Each departure from what is known is in standard deviations. The constants count together, as
    what is unknown of the flask moves them together; the amount of indicator, which the depth of
    the colour shows, counts by itself.
    """
    model, theta = fit.model, fit.theta
    free = np.flatnonzero(model.free[CONSTANTS])
    moved = theta[CONSTANTS][free]
    covariance = model.priors.constants_covariance[np.ix_(free, free)]
    amount = (theta[LOG_IND] - model.prior_mean()[LOG_IND]) / model.prior_sd()[LOG_IND]
    return float(moved @ np.linalg.solve(covariance, moved) + amount**2)


def is_too_small(curve: Curve, fit: Transition, before_ml: float) -> bool:
    """Whether the metal that is left before an addition needs far more titrant than it brings.

    What is bound of the indicator tells the free metal: the least that can be there is that of the
    metal which is bound most strongly. A liquid that goes on turning afterwards is the same one,
    whatever its constants are.

    Parameters
    ----------
    curve, fit:
        With a jump in one addition.
    before_ml:
        Volume before the addition.
    """
    kept = (curve.flags == 0) & ~fit.outlier
    before, after = kept & (curve.volume_ml <= before_ml), kept & (curve.volume_ml > before_ml)
    free = max(float(np.max(curve.signal[before][-2:])), 0.0) + _FREE_SD
    strongest = max(fit.model.constants.log_k_indicator)
    metal_mol_l = (1.0 / free - 1.0) * 10.0**-strongest
    total_ml = curve.flask_ml + before_ml
    needed_ml = metal_mol_l * total_ml / fit.model.setting.titrant_mol_l
    added_ml = float(curve.volume_ml[after][0]) - before_ml
    shown = curve.signal[after]
    if shown.size > 1 and float(np.median(shown[1:]) - shown[0]) > _TURNS_ON:
        return False
    return bool(needed_ml > _TIMES_TOO_SMALL * added_ml)


def lost_reason(curve: Curve) -> str | None:
    """Code of what ended the usable part of the recording, if something did."""
    flags = curve.frame_flags
    if flags.size == 0:
        return None
    good = (flags == 0) | (flags == int(Flag.MIXING))
    tail = flags[int(np.flatnonzero(good)[-1]) + 1 :] if good.any() else flags
    lost = tail[tail != 0]
    if lost.size < max(3, 0.02 * flags.size):
        return None
    kinds = {
        "light-lost": Flag.DARK,
        "camera-moved": Flag.CAMERA_MOVED,
        "view-lost": Flag.LIQUID_LOST | Flag.REFERENCE_LOST,
    }
    counts = {name: int(np.sum((lost & int(bits)) != 0)) for name, bits in kinds.items()}
    best = max(counts, key=lambda name: counts[name])
    return best if counts[best] > 0 else None


def goes_back(curve: Curve) -> bool:
    """Whether the colour turned towards the free form, stayed there, and came back to stay.

    A median over a window forgets whatever lasts shorter than half of it: bubbles in a flow cell,
    a hand. What counts is where the recording ends.
    """
    signal = curve.signal[curve.flags == 0]
    if signal.size < _LEAST_TO_GO_BACK:
        return False
    window = max(5, 2 * (signal.size // 20) + 1)
    around = np.lib.stride_tricks.sliding_window_view(signal, window)
    # Of thousands of points not every window is looked at, the last one always: neighbours that
    # share all but half a hundredth of their points have nearly one median.
    stays = np.median(around[::-1][:: 1 + window // 200][::-1], axis=1)
    scatter = 1.4826 * float(np.median(np.abs(np.diff(signal))))
    fall = float(stays.max() - stays[-1])
    return fall > max(_FALLEN * float(np.ptp(stays)), 5.0 * scatter)
