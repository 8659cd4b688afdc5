"""What to look at before the first drop: flask, reference, exposure, light, colour, darkness.

Pure functions on the region and the first colour samples. A check that fails says why and what to
do. "Too much indicator" is worth more before a titration than after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.colour.density import ColourSample
from endpoint.curve.indicator_form import state_of
from endpoint.curve.points import RGB
from endpoint.problems import FLAG_TEXT, Flag
from endpoint.scene.region import Region

_LEAST_CONFIDENCE = 0.3
_LOOK_BACK_S = 5.0
_LEAST_SAMPLES = 4
_FLAGGED_PART = 0.2
_STEADY = 0.02
"""Largest scatter of the reference, natural logarithm: about 2 %."""
_DRIFTS = 0.05
"""Largest change of the reference from the first to the second half of the look back."""
_BOUND_TO = 0.0
"""Blueness below which the bound form is seen, see `endpoint.curve.indicator_form.State`."""
_FREE_FROM = 0.3
_COLOURLESS = 0.04
_PALE, _DARK = 0.15, 1.2
"""Density of the darkest channel: too little, too much indicator."""


@dataclass(frozen=True)
class Check:
    """One check of the set-up."""

    code: str
    passed: bool
    sentence: str
    """What was found."""
    remedy: str
    """What to do; empty if nothing."""


def setup_checks(
    region: Region | None,
    samples: Sequence[ColourSample],
    indicator: Indicator = ERIOCHROME_BLACK_T,
) -> tuple[Check, ...]:
    """All checks in the order in which a person would set them right.

    Parameters
    ----------
    region:
        Where flask and reference were found; None if they were not.
    samples:
        Colours of the frames so far, in order of time; the last five seconds count.
    indicator:
        Which colours to expect.

    Returns
    -------
    Seven checks with the codes flask-found, reference-found, nothing-clipped, light-steady,
    liquid-bound, enough-indicator, not-too-much-indicator. What cannot be told yet has not
    passed.
    """
    recent = [s for s in samples if s.time_s >= samples[-1].time_s - _LOOK_BACK_S]
    enough = len(recent) >= _LEAST_SAMPLES
    density = np.median([s.density for s in recent], axis=0) if enough else None
    return (
        _flask(region, recent),
        _reference(region, recent),
        _clipped(recent) if enough else _unknown("nothing-clipped"),
        _steady(recent) if enough else _unknown("light-steady"),
        _unknown("liquid-bound") if density is None else _bound(density, indicator),
        _unknown("enough-indicator") if density is None else _enough(density),
        _unknown("not-too-much-indicator") if density is None else _too_much(density),
    )


def ready(checks: Sequence[Check]) -> bool:
    """Whether the titration may begin."""
    return all(check.passed for check in checks)


def _unknown(code: str) -> Check:
    return Check(code, False, "Not to be told yet.", "Leave flask and camera still for a moment.")


def _part(samples: Sequence[ColourSample], flag: Flag) -> float:
    return sum(bool(s.flags & flag) for s in samples) / max(len(samples), 1)


def _flask(region: Region | None, recent: Sequence[ColourSample]) -> Check:
    code, remedy = "flask-found", "Stand the flask large and in the middle of the picture."
    if region is None or region.confidence < _LEAST_CONFIDENCE:
        return Check(code, False, "No flask with coloured liquid is to be seen.", remedy)
    if _part(recent, Flag.LIQUID_LOST) > _FLAGGED_PART:
        return Check(code, False, *FLAG_TEXT[Flag.LIQUID_LOST])
    return Check(code, True, "The flask is found.", "")


def _reference(region: Region | None, recent: Sequence[ColourSample]) -> Check:
    code = "reference-found"
    if region is None:
        return Check(
            code,
            False,
            "No white or grey reference is to be seen.",
            "Stand the flask on a white tile that the picture shows beside it.",
        )
    if _part(recent, Flag.REFERENCE_LOST) > _FLAGGED_PART:
        return Check(code, False, *FLAG_TEXT[Flag.REFERENCE_LOST])
    return Check(code, True, "The white reference is found.", "")


def _clipped(recent: Sequence[ColourSample]) -> Check:
    code = "nothing-clipped"
    for flag in (Flag.CLIPPED, Flag.DARK):
        if _part(recent, flag) > _FLAGGED_PART:
            return Check(code, False, *FLAG_TEXT[flag])
    return Check(code, True, "The exposure is right.", "")


def _steady(recent: Sequence[ColourSample]) -> Check:
    code = "light-steady"
    level = np.log(np.maximum([np.mean(s.reference) for s in recent], 1e-6))
    half = level.size // 2
    drift = abs(float(np.median(level[half:]) - np.median(level[:half])))
    scatter = 1.4826 * float(np.median(np.abs(level - np.median(level))))
    if scatter > _STEADY or drift > _DRIFTS:
        worst = 100.0 * max(scatter, drift)
        return Check(
            code,
            False,
            f"The light changes by {worst:.0f} % within a few seconds.",
            "Lock exposure and white balance of the camera, and keep shadows away.",
        )
    return Check(code, True, "The light is steady.", "")


def _bound(density: np.ndarray, indicator: Indicator) -> Check:
    code = "liquid-bound"
    words = indicator.words
    state = state_of(density, RGB, indicator)
    if state is None or state.strength < _COLOURLESS:
        return Check(
            code,
            False,
            "The liquid has hardly any colour.",
            f"Add buffer, then a little {indicator.name}.",
        )
    if state.blueness >= _FREE_FROM:
        return Check(
            code,
            False,
            f"The liquid is {words['free']} already: there is nothing to titrate.",
            "Check that the sample is in the flask, and that it is neither softened nor distilled.",
        )
    if state.blueness >= _BOUND_TO:
        return Check(
            code,
            False,
            f"The liquid is between {words['bound']} and {words['free']}.",
            f"{words['ph_check']}; a titration begins with a {words['bound']} liquid.",
        )
    return Check(code, True, f"The liquid is {words['bound']}, as it should be.", "")


def _enough(density: np.ndarray) -> Check:
    code = "enough-indicator"
    if float(density.max()) < _PALE:
        return Check(
            code, False, "The liquid is too pale to follow.", "Add a little more indicator."
        )
    return Check(code, True, "There is enough indicator.", "")


def _too_much(density: np.ndarray) -> Check:
    code = "not-too-much-indicator"
    if float(density.max()) > _DARK:
        return Check(
            code,
            False,
            "The liquid is very dark: there is too much indicator in it.",
            "Start again with a fresh sample and less indicator.",
        )
    return Check(code, True, "There is not too much indicator.", "")
