"""What to look at before the first drop: flask, reference, exposure, light, colour, darkness.

Pure functions of the region and the latest colour samples. A check that fails says why and what to
do: too much indicator is better known before a titration than after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.colour.density import ColourSample
from endpoint.curve.indicator_form import TOO_MUCH_INDICATOR, TOO_PALE, state_of
from endpoint.curve.points import RGB
from endpoint.problems import FLAG_TEXT, Flag
from endpoint.scene.region import Region

_LEAST_CONFIDENCE = 0.3
_LOOK_BACK_S = 5.0
_LEAST_SAMPLES = 4
_FLAGGED_PART = 0.2
"""Confidence of the search below which no flask is found; the last seconds that are judged, s, the
pictures they must hold, and the part of them that may be flagged: one in five, so that a hand
passing by does no harm. Assumed."""
_STEADY = 0.02
"""Largest scatter of the reference, natural logarithm: about 2 %. Assumed: a steady lamp scatters
less, a shadow that moves more."""
_DRIFTS = 0.05
"""Largest change of the reference from the first to the second half of the look back."""
_BOUND_TO = 0.0
"""Blueness below which the bound form is seen, see `endpoint.curve.indicator_form.State`."""
_FREE_FROM = 0.3
_COLOURLESS = 0.04
"""Blueness from which the free form is seen before the titration has begun, and strength of the
colour (density) below which there is no indicator. Assumed: lower, and drift of the light is taken
for colour; higher, and a pale water is refused."""
_FLASK = "Put the flask in the middle of the picture, large enough to see well."
_REFERENCE = "Stand the flask on a white tile that shows next to it in the picture."


@dataclass(frozen=True)
class Check:
    """One line of the set-up page."""

    code: str
    mark: str
    """"good", "wait", "doubt" or "fault"; the page draws a shape and writes the word."""
    text: str
    """What was found."""
    advice: str = ""
    """What to do; empty if nothing."""


@dataclass(frozen=True)
class SetUp:
    """What is known of the scene before the first addition."""

    camera_alive: bool
    trouble: str | None = None
    """Code of `problems.NoEndpoint` if flask or reference were not found."""
    region: Region | None = field(default=None, repr=False)
    """Where flask and reference were found."""
    samples: tuple[ColourSample, ...] = field(default=(), repr=False)
    """Colours of the frames so far, in order of time; the last five seconds count."""
    sure: bool = True
    """Whether nothing else in the picture could be the liquid, or a person has chosen it."""


def setup_checks(set_up: SetUp, indicator: Indicator = ERIOCHROME_BLACK_T) -> tuple[Check, ...]:
    """All checks in the order in which a person would put them right.

    Parameters
    ----------
    set_up:
        What is known of the scene.
    indicator:
        Which colours to expect.

    Returns
    -------
    Eight checks with the codes camera, flask-found, reference-found, nothing-clipped,
    light-steady, liquid-bound, enough-indicator, not-too-much-indicator; the first alone where no
    pictures come.
    """
    if not set_up.camera_alive:
        return (
            _fault(
                "camera",
                "The camera gives no pictures.",
                "Choose a camera, allow its use, or check its plug.",
            ),
        )
    region, samples = set_up.region, set_up.samples
    looking = region is None and set_up.trouble is None
    recent = [s for s in samples if s.time_s >= samples[-1].time_s - _LOOK_BACK_S]
    enough = len(recent) >= _LEAST_SAMPLES
    density = np.median([s.density for s in recent], axis=0) if enough else None
    return (
        _good("camera", "The camera gives pictures."),
        _wait("flask-found", _FLASK) if looking else _flask(region, recent, set_up.sure),
        _wait("reference-found", _REFERENCE) if looking else _reference(region, recent),
        _clipped(recent) if enough else _wait("nothing-clipped"),
        _steady(recent) if enough else _wait("light-steady"),
        _wait("liquid-bound") if density is None else _bound(density, indicator),
        _wait("enough-indicator") if density is None else _enough(density),
        _wait("not-too-much-indicator") if density is None else _too_much(density),
    )


def _good(code: str, text: str) -> Check:
    return Check(code, "good", text)


def _fault(code: str, text: str, advice: str) -> Check:
    return Check(code, "fault", text, advice)


def _wait(code: str, advice: str = "Keep the flask and the camera still for a moment.") -> Check:
    return Check(code, "wait", "Looking at the picture.", advice)


def _part(samples: Sequence[ColourSample], flag: Flag) -> float:
    return sum(bool(s.flags & flag) for s in samples) / max(len(samples), 1)


def _flask(region: Region | None, recent: Sequence[ColourSample], sure: bool) -> Check:
    code = "flask-found"
    if region is None or region.confidence < _LEAST_CONFIDENCE:
        return _fault(code, "The picture shows no flask with coloured liquid.", _FLASK)
    if _part(recent, Flag.LIQUID_LOST) > _FLAGGED_PART:
        return _fault(code, *FLAG_TEXT[Flag.LIQUID_LOST])
    if not sure:
        return Check(
            code,
            "doubt",
            "The bench is not sure which is the liquid; it took the one with the solid outline.",
            "If it is the wrong one, point at the liquid in the picture, or press Next candidate.",
        )
    return _good(code, "The flask is in view: its liquid is outlined.")


def _reference(region: Region | None, recent: Sequence[ColourSample]) -> Check:
    code = "reference-found"
    if region is None:
        return _fault(code, "The picture shows no white or grey reference.", _REFERENCE)
    if _part(recent, Flag.REFERENCE_LOST) > _FLAGGED_PART:
        return _fault(code, *FLAG_TEXT[Flag.REFERENCE_LOST])
    return _good(code, "The white reference is in view.")


def _clipped(recent: Sequence[ColourSample]) -> Check:
    code = "nothing-clipped"
    for flag in (Flag.CLIPPED, Flag.DARK):
        if _part(recent, flag) > _FLAGGED_PART:
            return _fault(code, *FLAG_TEXT[flag])
    return _good(code, "The exposure is right.")


def _steady(recent: Sequence[ColourSample]) -> Check:
    code = "light-steady"
    level = np.log(np.maximum([np.mean(s.reference) for s in recent], 1e-6))
    half = level.size // 2
    drift = abs(float(np.median(level[half:]) - np.median(level[:half])))
    scatter = 1.4826 * float(np.median(np.abs(level - np.median(level))))
    if scatter > _STEADY or drift > _DRIFTS:
        worst = 100.0 * max(scatter, drift)
        return _fault(
            code,
            f"The light changes by {worst:.0f} % within a few seconds.",
            "Lock the exposure and white balance of the camera, and keep shadows away.",
        )
    return _good(code, "The light is steady.")


def _bound(density: np.ndarray, indicator: Indicator) -> Check:
    code = "liquid-bound"
    words = indicator.words
    state = state_of(density, RGB, indicator)
    if state is None or state.strength < _COLOURLESS:
        return _fault(
            code,
            "The liquid is almost colourless.",
            f"Add buffer, then a little {indicator.name}.",
        )
    if state.blueness >= _FREE_FROM:
        return _fault(
            code,
            f"The liquid is {words['free']} already: there is nothing to titrate.",
            "Check that the sample is in the flask and is not softened or distilled water.",
        )
    if state.blueness >= _BOUND_TO:
        return _fault(
            code,
            f"The liquid is between {words['bound']} and {words['free']}.",
            f"{words['ph_check']}; a titration begins with a {words['bound']} liquid.",
        )
    return _good(code, f"The liquid is {words['bound']}, as it should be.")


def _enough(density: np.ndarray) -> Check:
    code = "enough-indicator"
    if float(density.max()) < TOO_PALE:
        return _fault(code, "The liquid is too pale to follow.", "Add a little more indicator.")
    return _good(code, "There is enough indicator.")


def _too_much(density: np.ndarray) -> Check:
    code = "not-too-much-indicator"
    if float(density.max()) > TOO_MUCH_INDICATOR:
        return _fault(
            code,
            "The liquid is very dark: it holds too much indicator.",
            "Start again with a fresh sample and less indicator.",
        )
    return _good(code, "There is not too much indicator.")
