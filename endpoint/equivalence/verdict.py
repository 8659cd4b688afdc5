"""May a number be given, and if not, why not.

`located`: the recording holds the change and the chemistry explains it. `bracketed`: it holds the
change, but only an interval is honest. `none`: no endpoint in this recording. Every refusal and
every remark is a sentence with advice, kept in `endpoint.messages`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.colour.off_colour import largest_off
from endpoint.curve.indicator_form import (
    TOO_MUCH_INDICATOR,
    TOO_PALE,
    begins_coloured,
    end_states,
    likeness,
    state_of,
    turns_to_free,
)
from endpoint.curve.points import RGB, Curve
from endpoint.delivery.clock import ClockDoubt
from endpoint.equivalence.fit import Estimate, Transition, magnesium_share, profile_interval
from endpoint.equivalence.model import LOG_IND, Priors
from endpoint.messages import Sentence, reason, remark
from endpoint.problems import Flag

FloatArray = NDArray[np.float64]

_DARK_CHANGE = 0.03
_LEAST_POINTS = 5
_PURE_BLUE = 0.45
_STRAIN = 30.0
_STRAIN_SLOW = 12.0
_INDICATOR_SHOWN_LOG_SD = 0.7
_STRAIN_SUSPECT = 8.0
_USUAL_ABSORPTIVITY = ERIOCHROME_BLACK_T.absorptivity
_SLOW_FADE_ML = 1.2
_MISFIT_RMS = 0.08
_WIDEST_HALF_ML = 0.25
_SURELY_BLUE = 0.95
_JUMP = 0.72
_JUMP_GAP_ML = 0.12
_COARSE_JUMP = 0.5
_COARSE_GAP_ML = 0.4
_EARLY_FADE_ML = 0.4
_UNLIKE = 0.8
_EXCUSED = ("too-few-points", "no-change", "never-reached", "other-colour")
"""Findings that a recording cut short explains: then what cut it short is the reason."""

_SURE_OF_THE_CLOCK = ("clock-found", "plume-elsewhere")
"""Sentences after which the colours, put at wrong volumes, say nothing."""


@dataclass(frozen=True)
class Verdict:
    """What may be said of a recording."""

    status: str
    """"located", "bracketed" or "none"."""
    reasons: tuple[Sentence, ...]
    remarks: tuple[Sentence, ...]
    equivalence: Estimate | None
    """Given only if located."""
    bracket_ml: tuple[float, float | None] | None = None
    """Given only if bracketed; the upper end is None if the recording does not bound it."""
    above_ml: float | None = None
    """A lower bound that the recording proves although the end was never reached."""


def refuse(
    code: str,
    above_ml: float | None = None,
    remarks: tuple[Sentence, ...] = (),
    indicator: Indicator = ERIOCHROME_BLACK_T,
) -> Verdict:
    """Verdict `none` for one reason."""
    return Verdict("none", (reason(code, indicator.words),), remarks, None, None, above_ml)


def _lost_reason(curve: Curve) -> str | None:
    """What ended the usable part of the recording, if something did."""
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


def judge_without_fit(curve: Curve, indicator: Indicator = ERIOCHROME_BLACK_T) -> Verdict | None:
    """Verdict from the colours alone, or None if there is a change worth fitting."""
    found = _hindrance(curve, indicator)
    if found is None:
        return None
    reached = float(curve.volume_ml[-1]) if found == "never-reached" else None
    lost = _lost_reason(curve) if found in _EXCUSED else None
    return refuse(lost or found, reached, indicator=indicator)


def _hindrance(curve: Curve, indicator: Indicator) -> str | None:
    """Code of what the colours alone say against an endpoint."""
    if len(curve) < _LEAST_POINTS:
        return "too-few-points"
    start, end = end_states(curve, indicator)
    noise = float(np.median(curve.density_sigma)) + 0.003
    if curve.change < max(_DARK_CHANGE, 6.0 * noise):
        if start is None:
            return "no-change"
        if start.strength < 0.02:
            return "no-flask"
        if start.blueness > 0.15:
            return "already-blue"
        return "never-reached" if start.blueness < -0.25 else "no-change"
    if _goes_back(curve):
        return "goes-back"
    if not turns_to_free(curve, indicator) or not begins_coloured(curve, indicator):
        return "other-colour"
    if start is not None and end is not None:
        if start.blueness > 0.15 and end.blueness > 0.15:
            return "already-blue"
        # How far along the way to a pure blue does the recording end?
        last = state_of(curve.density[-1], curve.channels, indicator) or end
        reached = max(end.blueness, last.blueness)
        if (reached - start.blueness) / max(_PURE_BLUE - start.blueness, 0.1) < 0.2:
            return "never-reached"
    return None


def _width_ml(fit: Transition) -> float:
    """Volume from 15 to 90 % free on the fitted curve."""
    f, v = fit.grid_fraction, fit.grid_volume_ml
    low, high = int(np.searchsorted(f, 0.15)), int(np.searchsorted(f, 0.90))
    return float(v[min(high, v.size - 1)] - v[min(low, v.size - 1)])


def _slow_ml(fit: Transition, indicator: Indicator) -> float:
    """Width above which a fade is slow: for a single metal twice what its constants give."""
    if len(indicator.metals) > 1:
        return _SLOW_FADE_ML
    setting = fit.model.setting
    # Free metal at which 15 and 90 % of the indicator are free.
    metal_mol_l = (1.0 / 0.15 - 1.0 / 0.9) * 10.0 ** -indicator.constants.log_k_indicator[0]
    total_ml = setting.flask_ml + fit.equivalence.value_ml
    return float(max(_SLOW_FADE_ML, 2.0 * metal_mol_l * total_ml / setting.titrant_mol_l))


_CHEMICAL_PRIORS = {
    "shift_log_k_edta": "shift_edta",
    "shift_log_k_indicator": "shift_indicator",
    "split_log_k_edta": "split_edta",
    "split_log_k_indicator": "split_indicator",
}


def _strain(curve: Curve, fit: Transition, priors: Priors, absorptivity: float) -> float:
    """How far the chemistry had to be bent to explain the curve: sum of squared departures.

    The indicator counts twice over: against the usual amount, or, if that is worse, against what
    the depth of the colour can be.
    """
    total = sum(
        (fit.parameters[name][0] / float(getattr(priors, field))) ** 2
        for name, field in _CHEMICAL_PRIORS.items()
        if name in fit.parameters
    )
    mean, sd = fit.model.prior_mean()[LOG_IND], fit.model.prior_sd()[LOG_IND]
    found, found_sd = fit.parameters["log_indicator_umol"]
    usual = ((found - mean) / sd) ** 2
    shown_umol_l = _indicator_shown_umol_l(curve) * _USUAL_ABSORPTIVITY / absorptivity
    shown = np.log(shown_umol_l * 1e-3 * curve.flask_ml)
    too_much = max(found - shown, 0.0) / np.hypot(_INDICATOR_SHOWN_LOG_SD, found_sd)
    return float(total + max(usual, too_much**2))


def _indicator_shown_umol_l(curve: Curve) -> float:
    """Rough amount of indicator from the depth of the colour.

    Taken are a molar absorptivity near 1.5e4 L/mol/cm, a path of 1 cm in a photometer and about
    6 cm in a flask of 100 mL, and that a camera's broad channel shows two thirds of the peak.
    """
    depth = float(np.percentile(curve.density.max(axis=1), 75))
    per_density = 17.0 if curve.channels == RGB else 67.0
    return max(per_density * depth, 1.0)


def _goes_back(curve: Curve) -> bool:
    """Whether the colour turns towards blue and comes back by more than scatter can."""
    signal = curve.signal[curve.flags == 0]
    if signal.size < 8:
        return False
    window = max(3, signal.size // 40)
    smooth = np.convolve(signal, np.ones(window) / window, mode="valid")
    fall = np.maximum.accumulate(smooth) - smooth
    scatter = 1.4826 * float(np.median(np.abs(np.diff(signal))))
    return bool(np.max(fall) > max(0.3 * float(np.ptp(smooth)), 5.0 * scatter))


def _jump(curve: Curve, fit: Transition) -> tuple[float, float] | None:
    """Volumes between which the end lies where one addition jumps the change.

    The end is near a free fraction of 0.85 with magnesium and later without: a point after the
    jump that is not yet blue does not bound it.
    """
    kept = (curve.flags == 0) & ~fit.outlier
    f, v = np.clip(curve.signal[kept], 0.0, 1.0), curve.volume_ml[kept]
    rise, gap = np.diff(f), np.diff(v)
    k = int(np.argmax(rise))
    jumps = (rise[k] > _JUMP and gap[k] > _JUMP_GAP_ML) or (
        rise[k] > _COARSE_JUMP and gap[k] > _COARSE_GAP_ML
    )
    if not jumps:
        return None
    low, high = float(v[k]), float(v[k + 1])
    if f[k + 1] < _SURELY_BLUE:
        blue = np.flatnonzero(f[k + 1 :] >= _SURELY_BLUE)
        high = float(v[k + 1 + blue[0]]) if blue.size else float(v[-1])
        high = max(high, min(fit.equivalence.high_ml, float(v[-1])))
    return low, high


def remarks_for(
    curve: Curve,
    fit: Transition | None,
    priors: Priors,
    lag_given: bool,
    indicator: Indicator = ERIOCHROME_BLACK_T,
) -> tuple[Sentence, ...]:
    """Diagnosis sentences that do not change the status."""
    codes: list[str] = []
    if np.any(curve.frame_flags & int(Flag.SATURATED)):
        codes.append("photometer-saturated")
    clipped = np.mean((curve.frame_flags & int(Flag.CLIPPED)) != 0) if curve.frame_flags.size else 0
    if clipped > 0.02:
        codes.append("reference-bright")
    if len(curve):
        depth = float(np.percentile(curve.density.max(axis=1), 75))
        if curve.channels == ("red", "green", "blue"):
            if depth > TOO_MUCH_INDICATOR:
                codes.append("much-indicator")
            if depth < TOO_PALE:
                codes.append("little-indicator")
    if fit is None:
        return tuple(remark(code, indicator.words) for code in codes)
    log_umol, sd = fit.parameters["log_indicator_umol"]
    umol_l = float(np.exp(log_umol)) * 1e3 / curve.flask_ml
    much = 45.0 * _USUAL_ABSORPTIVITY / indicator.absorptivity
    if sd < 0.5 and umol_l > much and "much-indicator" not in codes:
        codes.append("much-indicator")
    if _strain(curve, fit, priors, indicator.absorptivity) > _STRAIN_SUSPECT:
        codes.append("ph-suspected")
    share, _, upper = magnesium_share(fit)
    early = fit.midpoint is not None and (
        fit.equivalence.value_ml - fit.midpoint.value_ml > _EARLY_FADE_ML
    )
    if curve.channels == RGB and likeness(curve, indicator) < _UNLIKE:
        codes.append("colour-unlike")
    with_magnesium = "root_magnesium_ratio" in fit.parameters
    if with_magnesium and share < 0.025 and (upper < 0.05 or early):
        codes.append("no-magnesium")
    if not lag_given and "lag_s" in fit.parameters and curve.delivery is not None:
        lag_part = fit.contributions_ml.get("mixing lag", 0.0)
        if lag_part > 0.3 * fit.equivalence.standard_uncertainty_ml and lag_part > 0.01:
            codes.append("lag-unknown")
    if float(fit.free_fraction[0]) > 0.3:
        codes.append("begins-late")
    foreign = int(Flag.DARK | Flag.CAMERA_MOVED | Flag.LIQUID_LOST | Flag.REFERENCE_LOST)
    if curve.frame_flags.size and np.mean((curve.frame_flags & foreign) != 0) > 0.01:
        codes.append("frames-lost")
    if fit.midpoint is not None:
        apart = fit.equivalence.value_ml - fit.midpoint.value_ml
        joint = np.hypot(
            fit.equivalence.standard_uncertainty_ml, fit.midpoint.standard_uncertainty_ml
        )
        if abs(apart) > 2.0 * joint:
            codes.append("eye-differs")
    return tuple(remark(code, indicator.words) for code in codes)


def judge(
    curve: Curve,
    fit: Transition,
    priors: Priors,
    lag_given: bool = True,
    indicator: Indicator = ERIOCHROME_BLACK_T,
) -> Verdict:
    """Verdict on a curve with a fitted change.

    Parameters
    ----------
    curve, fit:
        The curve and what `fit_transition` made of it.
    priors:
        The knowledge the fit was given.
    lag_given:
        Whether the record states the mixing lag.
    indicator:
        The indicator of the fit.
    """
    notes = remarks_for(curve, fit, priors, lag_given, indicator)
    words = indicator.words
    lost = _lost_reason(curve)
    last_f = float(np.max(fit.fitted_fraction[-3:]))
    strain, width = _strain(curve, fit, priors, indicator.absorptivity), _width_ml(fit)
    kept = (curve.flags == 0) & ~fit.outlier
    inside = kept & (fit.fitted_fraction > 0.08) & (fit.fitted_fraction < 0.92)
    off = float(np.median(curve.off_colour[inside])) if inside.sum() >= 3 else 0.0
    last_ml = float(curve.volume_ml[-1])
    if off > largest_off(curve.darkness if curve.channels == RGB else 0.0):
        return refuse("other-colour", remarks=notes, indicator=indicator)
    start, end = end_states(curve, indicator)
    if end is not None and start is not None and last_f < 0.25:
        return refuse(lost or "never-reached", above_ml=last_ml, remarks=notes, indicator=indicator)
    jump = _jump(curve, fit)
    if jump is not None:
        return _bracket("one-addition", lost, jump, notes, words)
    slow = width > _slow_ml(fit, indicator)
    if strain > (_STRAIN_SLOW if slow else _STRAIN) or fit.residual_rms > _MISFIT_RMS:
        return refuse("slow-fade" if slow else "model-misfit", remarks=notes, indicator=indicator)
    if not _blue_seen(curve, fit, last_f):
        low, high_or_none = profile_interval(fit)
        code = lost or "still-purple"
        return _bracket(code, None, (low, high_or_none), notes, words)
    half = 0.5 * (fit.equivalence.high_ml - fit.equivalence.low_ml)
    if half > _WIDEST_HALF_ML:
        return _bracket("too-uncertain", None, profile_interval(fit), notes, words)
    if int(inside.sum()) <= 2:
        notes = (*notes, remark("volume-sparse", words))
    return Verdict("located", (), notes, fit.equivalence)


def _blue_seen(curve: Curve, fit: Transition, last_f: float) -> bool:
    """Whether the recording goes on to where the colour no longer changes."""
    blue_sd = fit.parameters["blue_level"][1]
    return last_f > 0.9 and blue_sd < 0.06 and float(curve.volume_ml[-1]) > fit.equivalence.low_ml


def _bracket(
    code: str,
    lost: str | None,
    interval: tuple[float, float | None],
    notes: tuple[Sentence, ...],
    words: Mapping[str, str],
) -> Verdict:
    codes = (code, lost) if lost and lost != code else (code,)
    reasons = tuple(reason(c, words) for c in codes)
    return Verdict("bracketed", reasons, notes, None, interval)


def with_doubt(verdict: Verdict, doubt: ClockDoubt) -> Verdict:
    """Verdict with what there is to say of the clock, without numbers that it would spoil."""
    if doubt.sentence is None:
        return verdict
    if doubt.refuses == "" or (doubt.refuses == "bracket" and verdict.status == "located"):
        return replace(verdict, remarks=(*verdict.remarks, doubt.sentence))
    reasons = verdict.reasons if verdict.status == "none" else ()
    if doubt.refuses == "result":
        # What was made of colours at wrong volumes may be wrong as well.
        reasons = () if doubt.sentence.code in _SURE_OF_THE_CLOCK else reasons
        return Verdict("none", (doubt.sentence, *reasons), verdict.remarks, None)
    return Verdict("none", (*reasons, doubt.sentence), verdict.remarks, None)
