"""Diagnosis: remarks that go with a verdict and do not change it, one check for each."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.wording import listed
from endpoint.colour.off_colour import depth_of
from endpoint.curve.indicator_form import TOO_MUCH_INDICATOR, TOO_PALE, likeness
from endpoint.curve.points import RGB
from endpoint.equivalence.fit import Transition, magnesium_share
from endpoint.messages import Sentence, remark
from endpoint.problems import Flag
from endpoint.verdict.evidence import USUAL_ABSORPTIVITY, Evidence, strain

# Where a comment below names no study, the value was chosen on simulated curves and rendered films
# and no study of it was kept. A wrong value misleads the reader but changes no number.
_BRIGHT_FRAMES = 0.02
"""Part of the frames with an overexposed reference. Below it, reflections that pass."""
_OTHER_LIGHT, _LIGHT_STEP = 0.1, 0.02
"""Part of the points that was seen in another light, and steps of light that were undone, density
(5 % of light), that are worth a remark. Lower, and a person who walks by is remarked."""
_LOST_FRAMES = 0.01
"""Part of the frames in which light, camera or flask was lost; likewise."""
_MUCH_UMOL_L = 45.0
"""Fitted indicator, umol/L at the absorptivity of Eriochrome Black T; the usual amount is 20.
Lower, and a generous pinch is remarked; higher, and a titration error goes unexplained."""
_AMOUNT_KNOWN_LOG_SD = 0.5
"""Standard deviation (natural logarithm) up to which the fitted amount is taken at its word."""
_STRAIN_SUSPECT = 8.0
"""Sum of squared departures of the constants (about five of them; simulated titrations have 1 to
2.5) from which the pH is suspected. Lower, and good titrations are sent to check their buffer."""
_UNLIKE = 0.8
"""Cosine between the change of colour and that of the indicator. Rendered films of Eriochrome Black
T gave 0.94 to 0.99; another dye that turns from red to blue still passes unremarked above 0.8."""
_NO_MAGNESIUM, _NO_MAGNESIUM_UPPER = 0.025, 0.05
"""Share of magnesium and its upper limit below which water counts as free of magnesium: there the
colour begins to change well before the end (tests/verdict/test_verdict.py)."""
_EARLY_FADE_ML = 0.4
"""Equivalence volume minus midpoint from which the fade itself shows that magnesium is missing."""
_LAG_PART, _LAG_ML = 0.3, 0.01
"""Uncertainty from an assumed mixing lag, as a part of the whole and in mL, worth a remark."""
_BEGUN = 0.3
"""Free fraction of the first point from which a recording begins within the change."""
_APART_SDS = 2.0
"""Distance of midpoint and equivalence volume, in joint standard uncertainties: 95 %."""


def _frames_with(evidence: Evidence, flags: Flag) -> float:
    """Part of the frames that have one of the flags."""
    all_flags = evidence.curve.frame_flags
    return float(np.mean((all_flags & int(flags)) != 0)) if all_flags.size else 0.0


def _camera_depth(evidence: Evidence) -> float | None:
    curve = evidence.curve
    return depth_of(curve.density) if len(curve) and curve.channels == RGB else None


def _saturated(evidence: Evidence) -> bool:
    return _frames_with(evidence, Flag.SATURATED) > 0.0


def _reference_bright(evidence: Evidence) -> bool:
    return _frames_with(evidence, Flag.CLIPPED) > _BRIGHT_FRAMES


def _dark_liquid(evidence: Evidence) -> bool:
    depth = _camera_depth(evidence)
    return evidence.curve.is_clipped or (depth is not None and depth > TOO_MUCH_INDICATOR)


def _light_changed(evidence: Evidence) -> bool:
    curve = evidence.curve
    other = float(np.mean((curve.flags & int(Flag.OTHER_LIGHT)) != 0)) if len(curve) else 0.0
    return other > _OTHER_LIGHT or curve.light_steps > _LIGHT_STEP


def _pale_liquid(evidence: Evidence) -> bool:
    depth = _camera_depth(evidence)
    return depth is not None and depth < TOO_PALE


def _may_be_blocked(evidence: Evidence) -> bool:
    return bool(evidence.blocking)


def _much_indicator_fitted(evidence: Evidence, fit: Transition) -> bool:
    log_umol, sd = fit.parameters["log_indicator_umol"]
    umol_l = float(np.exp(log_umol)) * 1e3 / evidence.curve.flask_ml
    much = _MUCH_UMOL_L * USUAL_ABSORPTIVITY / evidence.indicator.absorptivity
    return sd < _AMOUNT_KNOWN_LOG_SD and umol_l > much


def _ph_suspected(evidence: Evidence, fit: Transition) -> bool:
    return strain(evidence, fit) > _STRAIN_SUSPECT


def _colour_unlike(evidence: Evidence, fit: Transition) -> bool:
    curve = evidence.curve
    return curve.channels == RGB and likeness(curve, evidence.indicator) < _UNLIKE


def _no_magnesium(evidence: Evidence, fit: Transition) -> bool:
    if "root_magnesium_ratio" not in fit.parameters:
        return False
    share, _, upper = magnesium_share(fit)
    early = (
        fit.midpoint is not None
        and fit.equivalence.value_ml - fit.midpoint.value_ml > _EARLY_FADE_ML
    )
    return share < _NO_MAGNESIUM and (upper < _NO_MAGNESIUM_UPPER or early)


def _lag_unknown(evidence: Evidence, fit: Transition) -> bool:
    if evidence.lag_is_stated or "lag_s" not in fit.parameters or evidence.curve.delivery is None:
        return False
    part = fit.contributions_ml.get("mixing lag", 0.0)
    return part > _LAG_PART * fit.equivalence.standard_uncertainty_ml and part > _LAG_ML


def _begins_late(evidence: Evidence, fit: Transition) -> bool:
    return float(fit.free_fraction[0]) > _BEGUN


def _frames_lost(evidence: Evidence, fit: Transition) -> bool:
    lost = Flag.DARK | Flag.CAMERA_MOVED | Flag.LIQUID_LOST | Flag.REFERENCE_LOST
    return _frames_with(evidence, lost) > _LOST_FRAMES


def _carbonate_dissolves(evidence: Evidence, fit: Transition) -> bool:
    return evidence.carbonate.dissolving_ml(fit) > 0.0


def _carbonate_possible(evidence: Evidence, fit: Transition) -> bool:
    return evidence.carbonate.is_beyond_limits(fit) and not _carbonate_dissolves(evidence, fit)


def _eye_differs(evidence: Evidence, fit: Transition) -> bool:
    if fit.midpoint is None:
        return False
    joint = np.hypot(fit.equivalence.standard_uncertainty_ml, fit.midpoint.standard_uncertainty_ml)
    return bool(abs(fit.equivalence.value_ml - fit.midpoint.value_ml) > _APART_SDS * joint)


_OF_COLOURS: tuple[tuple[str, Callable[[Evidence], bool]], ...] = (
    ("photometer-saturated", _saturated),
    ("reference-bright", _reference_bright),
    ("much-indicator", _dark_liquid),
    ("little-indicator", _pale_liquid),
    ("indicator-blocked", _may_be_blocked),
    ("light-changed", _light_changed),
)
_OF_THE_FIT: tuple[tuple[str, Callable[[Evidence, Transition], bool]], ...] = (
    ("much-indicator", _much_indicator_fitted),
    ("ph-suspected", _ph_suspected),
    ("colour-unlike", _colour_unlike),
    ("no-magnesium", _no_magnesium),
    ("lag-unknown", _lag_unknown),
    ("begins-late", _begins_late),
    ("frames-lost", _frames_lost),
    ("carbonate-dissolves", _carbonate_dissolves),
    ("carbonate-possible", _carbonate_possible),
    ("eye-differs", _eye_differs),
)


def remarks_for(evidence: Evidence) -> tuple[Sentence, ...]:
    """Remarks that the colours and, where there is one, the fit give rise to, each once."""
    fit = evidence.fit
    codes = [code for code, holds in _OF_COLOURS if holds(evidence)]
    if fit is not None:
        codes += [code for code, holds in _OF_THE_FIT if holds(evidence, fit)]
    words = {**evidence.indicator.words, "metals": listed(evidence.blocking)}
    return tuple(remark(code, words) for code in dict.fromkeys(codes))
