"""May a number be given, and if not, why not.

`located`: the recording holds the change and the chemistry explains it. `bracketed`: it holds the
change, but only an interval is honest. `none`: no endpoint in this recording. Every refusal and
every remark is a sentence with advice, kept in `endpoint.messages`.

`judge` is the only function that makes the verdict on a curve, from the fit to the clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.colour.off_colour import largest_off
from endpoint.curve.indicator_form import (
    State,
    begins_coloured,
    end_states,
    state_of,
    states_of,
    turns_to_free,
)
from endpoint.curve.points import RGB, Curve
from endpoint.curve.red_and_blue import BLUE_EARLY_ML, red_and_blue
from endpoint.delivery.clock import ClockDoubt
from endpoint.equivalence.fit import Estimate, Transition, profile_interval
from endpoint.equivalence.model import BEND, KINK, colour_scale
from endpoint.messages import Sentence, reason, remark
from endpoint.problems import UnseenVolume
from endpoint.verdict.evidence import (
    Evidence,
    goes_back,
    is_too_small,
    lost_reason,
    seen_width_ml,
    strain,
    width_ml,
)
from endpoint.verdict.remarks import remarks_for

FloatArray = NDArray[np.float64]

# Where a comment below names no study, the value was chosen on simulated curves and rendered films
# and no study of it was kept. All together are checked by tests/studies/recordings_study.py: what a
# careful analyst would call good has to be located, what has no end has to be refused.
_LEAST_POINTS = 5
"""Points of a curve. Fewer leave the plateaus and the volume of the change undetermined."""
_DARK_CHANGE, _NOISE_SDS = 0.03, 6.0
"""Least change of colour: density, and standard deviations of a point. Lower, and drift of the
light is fitted as a change; higher, and pale but usable liquids are refused."""
_NO_LIQUID, _NO_DYE = 0.02, 0.04
"""Density of the dye below which what stands in the picture, and absorbance below which what is in
the cell, holds no indicator: 2.5 umol/L in 1 cm."""
_BLUE, _RED = 0.15, -0.25
"""`State.blueness` from which a liquid counts as the free form, and up to which as the bound form.
Eriochrome Black T has about +0.45 and -0.8; between the two limits neither is said."""
_LEAST_BETWEEN, _LEAVES_S = 4, 2.5
"""Points within the change, and time from the first of them to the last, s, from which it is a
fade. A hand that is taken away is within one or two, and within two seconds. Assumed."""
_FADED, _ASIDE = 0.7, 0.15
"""Part of its first depth below which a colour fades (dilution by a quarter leaves 0.8), and part
of that depth by which it may move aside and still be the same colour. Assumed."""
_PURPLE = 0.0
"""The same below which a last colour is not yet that of the free form, however well a fit knows
what it takes for its level. Half of the change is about -0.1; good ones of the population (seeds
300 to 599) and films of other makers end at 0.3 to 0.65. Lower, and a recording that stops in the
middle of the change gets a number; higher, and yellow water or warm light costs one."""
_CLEAR_BLUE = 0.3
"""The same for a last colour whose change is not led by the free form's band, as before a camera
of broad bands: a sleeve before a red liquid reaches 0.17."""
_PURE_BLUE = 0.45
"""`State.blueness` of the free form at the end of rendered films."""
_WAY_TO_BLUE = 0.2
"""Part of the way from the first colour to `_PURE_BLUE` below which the end was never reached.
Lower, and drift of a red liquid gets a fit; higher, and a bracket becomes a refusal."""
_STRAIN, _STRAIN_SLOW = 30.0, 12.0
"""Sum of squared departures of the constants (about five of them) above which the chemistry does
not explain the curve (simulated titrations have 1 to 2.5, 24 seeds), and the same where the change
is slow as well, as at a wrong pH. Lower, and good titrations with an odd amount of indicator are
refused; higher, and other metals or a wrong pH (tests/verdict/test_verdict.py: pH 8.3 and 8.7)
get a number."""
_SLOW_FADE_ML = 1.2
"""Width from 15 to 90 % free, mL, above which the change is slow. Simulated titrations with 2 to 40
% magnesium at pH 10 have 0.4 to 0.6 mL (24 seeds). Lower, and waters without magnesium are refused;
higher, and a wrong pH is judged by `_STRAIN` alone."""
_SHARP = 0.5
"""Part of that width within which a change that is seen to go from 40 to 90 % is not slow."""
_MISFIT_RMS = 0.08
"""Residuals around the end, as a part of the change. Simulated titrations have 0.003 (24 seeds),
films some times more. Lower, and films that flicker are refused; higher, and a curve of another
shape is accepted."""
_ASTRAY = 0.03
"""How far the fitted colour goes beyond red or blue within the change, as a part of it: so dark a
liquid hides its change from a camera. Lower, and dark liquids that are read well (0.002) get only a
bracket; higher, and one with a density of 2 gets a number that is wrong (0.09). Two recordings."""
WIDEST_HALF_ML = 0.4
"""Half width of the widest 95 % interval that is still given as a located number, mL: eight drops.
Wider, and reading by eye would do as well; simulated titrations have 0.01 to 0.02 mL."""
_JUMP, _JUMP_GAP_ML = 0.72, 0.12
"""Rise of the free fraction in one addition of at least this volume that leaves nothing of the
change to fit. Lower, and fits that still know the end become brackets."""
_COARSE_JUMP, _COARSE_GAP_ML = 0.5, 0.4
"""The same for large additions, where less of a rise already hides the shape."""
_NEVER_TURNED, _TURNED = 0.25, 0.9
"""Largest fitted free fraction of the last points where the end was never reached, and least one
where the recording goes on into the blue."""
_BLUE_KNOWN_SD = 0.06
"""Standard deviation of the fitted blue plateau, as a part of the change, up to which blue was
seen. Higher, and a recording that stops within the change is located by its priors alone."""
_INSIDE = (0.08, 0.92)
"""Fitted free fractions of points that lie within the change."""

_EXCUSED = ("too-few-points", "no-change", "never-reached", "other-colour")
"""Findings that a recording cut short explains: then what cut it short is the reason."""


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


def judge(evidence: Evidence) -> Verdict:
    """Verdict on a curve.

    Parameters
    ----------
    evidence:
        The curve, its fit and all that is known besides.
    """
    fit = evidence.fit
    verdict = _without_fit(evidence) if fit is None else _on_fit(evidence, fit)
    few = fit is not None and verdict.status == "located" and _inside(evidence, fit).sum() <= 2
    sparse = (remark("volume-sparse", evidence.indicator.words),) if few else ()
    verdict = replace(verdict, remarks=(*remarks_for(evidence), *sparse))
    verdict = _on_volume_axis(verdict, evidence)
    return verdict if evidence.doubt is None else with_doubt(verdict, evidence.doubt)


def refuse(code: str, indicator: Indicator, above_ml: float | None = None) -> Verdict:
    """Verdict `none` for one reason."""
    return Verdict("none", (reason(code, indicator.words),), (), None, None, above_ml)


def volume_unseen(problem: UnseenVolume) -> Verdict:
    """Verdict where the picture does not show reliably what was delivered."""
    why = Sentence(problem.reason, problem.sentence, problem.remedy)
    return Verdict("none", (why,), (), None)


def hindrance(curve: Curve, indicator: Indicator = ERIOCHROME_BLACK_T) -> str | None:
    """Code of what the colours alone say against an endpoint; None where a fit is worth it."""
    if len(curve) < _LEAST_POINTS:
        return "too-few-points"
    start, end = end_states(curve, indicator)
    noise = float(np.median(curve.density_sigma)) + 0.003
    if curve.change < max(_DARK_CHANGE, _NOISE_SDS * noise):
        if start is None:
            return "no-change"
        if start.strength < (_NO_LIQUID if curve.channels == RGB else _NO_DYE):
            return "no-flask" if curve.channels == RGB else "no-change"
        if start.blueness > _BLUE:
            return "already-blue"
        return "never-reached" if start.blueness < _RED else "no-change"
    if goes_back(curve):
        return "goes-back"
    turns = turns_to_free(curve, indicator)
    if start is not None and end is not None:
        bluer = end.blueness - start.blueness > _CLEAR_BLUE - _RED
        turns = turns or (bluer and end.blueness > _CLEAR_BLUE)
    begins = begins_coloured(curve, indicator) or _fades(curve, start, end)
    if not turns or not begins:
        return "never-reached" if _stays_bound(curve, indicator) else "other-colour"
    if start is not None and end is not None:
        if start.blueness > _BLUE and end.blueness > _BLUE:
            return "already-blue"
        last = state_of(curve.density[-1], curve.channels, indicator) or end
        reached = max(end.blueness, last.blueness)
        way = (reached - start.blueness) / max(_PURE_BLUE - start.blueness, 0.1)
        if way < _WAY_TO_BLUE:
            return "never-reached" if start.blueness < _RED else "no-change"
    return None


def _fades(curve: Curve, start: State | None, end: State | None) -> bool:
    """Whether points in between lead from red to blue, whatever a lamp lends to the first colour.

    What is only in the way of a blue liquid gives way at once.
    """
    if start is None or end is None or start.blueness > _RED or end.blueness < _CLEAR_BLUE:
        return False
    low, high = _INSIDE
    between = (curve.flags == 0) & (curve.signal > low) & (curve.signal < high)
    lasts_s = np.ptp(curve.time_s[between]) if between.any() else 0.0
    return int(between.sum()) >= _LEAST_BETWEEN and bool(lasts_s > _LEAVES_S)


def _stays_bound(curve: Curve, indicator: Indicator) -> bool:
    """Whether a liquid of the bound form's colour keeps it, and its depth, to the last point.

    A dark one goes darker or paler with its surface and the light, which is no change of colour.
    """
    density = curve.density[curve.flags == 0]
    if not len(density) or not begins_coloured(curve, indicator):
        return False
    states = states_of(density, curve.channels, indicator)
    if states is None:
        return False
    first = np.median(density[:3], axis=0)
    depth = density @ first / (first @ first)
    aside = np.linalg.norm(density - depth[:, None] * first, axis=1) / np.linalg.norm(first)
    return bool(states[0].max() < _RED and depth.min() > _FADED and aside.max() < _ASIDE)


def _without_fit(evidence: Evidence) -> Verdict:
    curve, indicator = evidence.curve, evidence.indicator
    found = hindrance(curve, indicator)
    if found is None:
        raise ValueError("a curve with a change needs a fit")
    if found == "too-few-points" and len(curve) > 1:
        start, _ = end_states(curve, indicator)
        red_ml, blue_ml = red_and_blue(curve, indicator)
        turned = start is not None and start.blueness < _RED
        if turned and red_ml is not None and blue_ml is not None:
            return _bracket([found], (red_ml, blue_ml + BLUE_EARLY_ML), indicator)
    # A red mug keeps its colour too: no bound where what drifts is not the way to blue.
    bounds = found == "never-reached" and turns_to_free(curve, indicator)
    reached_ml = float(curve.volume_ml[-1]) if bounds else None
    lost = lost_reason(curve) if found in _EXCUSED else None
    return refuse(lost or found, indicator, reached_ml)


def _on_fit(evidence: Evidence, fit: Transition) -> Verdict:
    curve, indicator = evidence.curve, evidence.indicator
    if _is_off_colour(evidence, fit):
        return refuse("other-colour", indicator)
    lost = lost_reason(curve)
    start, end = end_states(curve, indicator)
    last_f = float(np.max(fit.fitted_fraction[-3:]))
    red_ml, blue_ml = red_and_blue(curve, indicator, fit.outlier)
    if end is not None and start is not None and last_f < _NEVER_TURNED and blue_ml is None:
        return refuse(lost or "never-reached", indicator, float(curve.volume_ml[-1]))
    high_ml = None if blue_ml is None else blue_ml + BLUE_EARLY_ML
    if red_ml is not None:
        red_ml = _mixed_in(curve, fit, red_ml)
    jump = _jump(curve, fit)
    if jump is not None:
        if evidence.leaps and is_too_small(curve, fit, jump):
            return refuse("exchanged", indicator)
        # Without magnesium the first blue pause may still lie a little before the end.
        top = blue_ml and max(blue_ml, min(fit.equivalence.high_ml, blue_ml + BLUE_EARLY_ML))
        low = _mixed_in(curve, fit, jump)
        return _bracket(["one-addition", lost], (low, top), indicator)
    slow_ml = _slow_ml(fit, indicator)
    slow = width_ml(fit) > slow_ml and seen_width_ml(curve, fit.outlier) > _SHARP * slow_ml
    bent = strain(evidence, fit) > (_STRAIN_SLOW if slow else _STRAIN) or _goes_astray(fit)
    if slow and (bent or fit.residual_rms > _MISFIT_RMS):
        return refuse("slow-fade", indicator)
    if bent or fit.residual_rms > _MISFIT_RMS:
        if red_ml is None or high_ml is None:
            return refuse("model-misfit", indicator)
        return _bracket(["model-misfit"], (red_ml, high_ml), indicator)
    if blue_ml is None and not _blue_seen(evidence, fit, last_f):
        return _bracket([lost or "still-purple"], _up_to(fit, None, None), indicator)
    if 0.5 * (fit.equivalence.high_ml - fit.equivalence.low_ml) > WIDEST_HALF_ML:
        return _bracket(["too-uncertain"], _up_to(fit, red_ml, high_ml), indicator)
    return Verdict("located", (), (), fit.equivalence)


def _goes_astray(fit: Transition) -> bool:
    """Whether the fitted colour first goes the wrong way or comes back: so it tells no fraction."""
    scale = colour_scale(np.linspace(0.0, 1.0, 101), fit.theta[BEND], fit.theta[KINK])
    return bool(scale.min() < -_ASTRAY or scale.max() > 1.0 + _ASTRAY)


def _up_to(
    fit: Transition, red_ml: float | None, high_ml: float | None
) -> tuple[float, float | None]:
    """Interval of the fit, which only a pause that is wholly blue bounds from above.

    Where blue is seen, it begins no lower than the last pause that is not yet blue, whatever few
    points leave open.
    """
    low_ml, upper_ml = profile_interval(fit)
    if high_ml is None:
        return low_ml, None
    if low_ml >= high_ml:
        # Blue is seen before the fit has its end: what is seen counts.
        return (0.0 if red_ml is None else min(red_ml, high_ml)), high_ml
    if red_ml is not None:
        low_ml = max(low_ml, min(red_ml, fit.equivalence.value_ml))
    if upper_ml is None:
        return low_ml, high_ml
    return low_ml, min(upper_ml, high_ml)


def _inside(evidence: Evidence, fit: Transition) -> NDArray[np.bool_]:
    """Points within the change, shape (n,), bool."""
    kept = (evidence.curve.flags == 0) & ~fit.outlier
    low, high = _INSIDE
    return np.asarray(kept & (fit.fitted_fraction > low) & (fit.fitted_fraction < high))


def _is_off_colour(evidence: Evidence, fit: Transition) -> bool:
    """Whether the colours within the change are not a mixture of the colours at its ends."""
    curve, inside = evidence.curve, _inside(evidence, fit)
    off = float(np.median(curve.off_colour[inside])) if inside.sum() >= 3 else 0.0
    return off > largest_off(curve.darkness if curve.channels == RGB else 0.0)


def _slow_ml(fit: Transition, indicator: Indicator) -> float:
    """Width above which a fade is slow: for a single metal twice what its constants give."""
    if len(indicator.metals) > 1:
        return _SLOW_FADE_ML
    setting = fit.model.setting
    # Free metal at which 15 and 90 % of the indicator are free.
    metal_mol_l = (1.0 / 0.15 - 1.0 / 0.9) * 10.0 ** -indicator.constants.log_k_indicator[0]
    total_ml = setting.flask_ml + fit.equivalence.value_ml
    return float(max(_SLOW_FADE_ML, 2.0 * metal_mol_l * total_ml / setting.titrant_mol_l))


def _jump(curve: Curve, fit: Transition) -> float | None:
    """Volume before an addition that jumps the change, mL; None where no addition does."""
    kept = (curve.flags == 0) & ~fit.outlier
    f, v = np.clip(curve.signal[kept], 0.0, 1.0), curve.volume_ml[kept]
    rise, gap = np.diff(f), np.diff(v)
    k = int(np.argmax(rise))
    jumps = (rise[k] > _JUMP and gap[k] > _JUMP_GAP_ML) or (
        rise[k] > _COARSE_JUMP and gap[k] > _COARSE_GAP_ML
    )
    return float(v[k]) if jumps else None


def _mixed_in(curve: Curve, fit: Transition, volume_ml: float) -> float:
    """What of a volume has surely mixed in, mL: a pause that is short shows the colour of less."""
    # Where no lag was fitted, all had mixed in.
    lag_s, sd_s = fit.parameters.get("lag_s", (0.0, 0.0))
    mixed = curve.mixed_volume_ml(lag_s + 2.0 * sd_s)
    return float(min(volume_ml, mixed[curve.volume_ml <= volume_ml].max()))


def _blue_seen(evidence: Evidence, fit: Transition, last_f: float) -> bool:
    """Whether the recording goes on to where the colour no longer changes, and that is blue."""
    curve = evidence.curve
    _, end = end_states(curve, evidence.indicator)
    known = fit.parameters["blue_level"][1] < _BLUE_KNOWN_SD
    purple = end is not None and end.blueness < _PURPLE
    reached = float(curve.volume_ml[-1]) > fit.equivalence.low_ml
    return last_f > _TURNED and known and reached and not purple


def _bracket(
    codes: list[str | None], interval: tuple[float, float | None], indicator: Indicator
) -> Verdict:
    reasons = tuple(reason(code, indicator.words) for code in codes if code is not None)
    return Verdict("bracketed", reasons, (), None, interval)


def _on_volume_axis(verdict: Verdict, evidence: Evidence) -> Verdict:
    """Verdict with the uncertainty of the volumes themselves, which the fit does not know."""
    seen = evidence.seen
    if seen is None:
        return verdict
    found = verdict.equivalence
    return replace(
        verdict,
        remarks=(*verdict.remarks, *seen.remarks),
        equivalence=None if found is None else found.widened(seen.sigma_at(found.value_ml)),
    )


def with_doubt(verdict: Verdict, doubt: ClockDoubt) -> Verdict:
    """Verdict with this sentence added, and without numbers that a wrong clock would spoil."""
    if doubt.sentence is None:
        return verdict
    if doubt.refuses == "" or (doubt.refuses == "bracket" and verdict.status == "located"):
        return replace(verdict, remarks=(*verdict.remarks, doubt.sentence))
    reasons = verdict.reasons if verdict.status == "none" else ()
    if doubt.refuses == "result":
        return Verdict("none", (doubt.sentence, *reasons), verdict.remarks, None)
    return Verdict("none", (*reasons, doubt.sentence), verdict.remarks, None)
