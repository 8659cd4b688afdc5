"""What a verdict is made from, and how strange it looks.

Thresholds are in `endpoint.equivalence.verdict` and `endpoint.equivalence.remarks`; here are the
numbers that are compared with them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.colour.off_colour import depth_of
from endpoint.curve.points import RGB, Curve
from endpoint.delivery.clock import ClockDoubt
from endpoint.delivery.picture_volume import PictureVolume
from endpoint.equivalence.fit import Transition
from endpoint.equivalence.model import LOG_IND, Priors
from endpoint.problems import Flag

USUAL_ABSORPTIVITY = ERIOCHROME_BLACK_T.absorptivity
"""L/mol/cm; limits on the amount of indicator are written for it and scaled to other indicators."""
_INDICATOR_SHOWN_LOG_SD = 0.7
"""Standard deviation (natural logarithm, a factor of 2) of the amount of indicator that the depth
of the colour shows: path length and absorptivity are only roughly known. Assumed, no study kept.
Smaller, and deep or wide flasks strain the fit; larger, and a fit may invent indicator."""
_LEAST_TO_GO_BACK = 8
"""Points of a curve; of fewer a window of 5 is most of the recording."""
_FALLEN = 0.3
"""Part of the whole way that the colour must have come back. Fading of the indicator and drift of
a lamp take less; chosen on rendered films, no study kept."""
_CHEMICAL_PRIORS = {
    "shift_log_k_edta": "shift_edta",
    "shift_log_k_indicator": "shift_indicator",
    "split_log_k_edta": "split_edta",
    "split_log_k_indicator": "split_indicator",
}


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


def width_ml(fit: Transition) -> float:
    """Volume from 15 to 90 % free indicator on the fitted curve, mL."""
    f, v = fit.grid_fraction, fit.grid_volume_ml
    low, high = int(np.searchsorted(f, 0.15)), int(np.searchsorted(f, 0.90))
    return float(v[min(high, v.size - 1)] - v[min(low, v.size - 1)])


def strain(evidence: Evidence, fit: Transition) -> float:
    """How far the chemistry had to be bent to explain the curve: sum of squared departures.

    Each departure of a constant from its published value is in standard deviations. The amount of
    indicator is compared with the usual amount and with the depth of the colour; the worse counts.
    """
    total = sum(
        (fit.parameters[name][0] / float(getattr(evidence.priors, field))) ** 2
        for name, field in _CHEMICAL_PRIORS.items()
        if name in fit.parameters
    )
    mean, sd = fit.model.prior_mean()[LOG_IND], fit.model.prior_sd()[LOG_IND]
    found, found_sd = fit.parameters["log_indicator_umol"]
    usual = ((found - mean) / sd) ** 2
    curve, absorptivity = evidence.curve, evidence.indicator.absorptivity
    shown_umol_l = _indicator_shown_umol_l(curve) * USUAL_ABSORPTIVITY / absorptivity
    shown = np.log(shown_umol_l * 1e-3 * curve.flask_ml)
    too_much = max(found - shown, 0.0) / np.hypot(_INDICATOR_SHOWN_LOG_SD, found_sd)
    return float(total + max(usual, too_much**2))


def _indicator_shown_umol_l(curve: Curve) -> float:
    """Rough amount of indicator from the depth of the colour, umol/L.

    Assumes a molar absorptivity near 1.5e4 L/mol/cm, a path of 1 cm in a photometer and about
    6 cm in a flask of 100 mL, and that a camera's broad channel shows two thirds of the peak.
    """
    per_density = 17.0 if curve.channels == RGB else 67.0
    return max(per_density * depth_of(curve.density), 1.0)


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
    stays = np.median(np.lib.stride_tricks.sliding_window_view(signal, window), axis=1)
    scatter = 1.4826 * float(np.median(np.abs(np.diff(signal))))
    fall = float(stays.max() - stays[-1])
    return fall > max(_FALLEN * float(np.ptp(stays)), 5.0 * scatter)
