"""Live guidance at the burette: what to do next, and how much titrant is left.

Pure: a curve so far goes in, one frozen `Guidance` comes out, and the same curve gives the same
guidance. The prediction is that of `endpoint.bench.guidance.prediction`; the rules here turn it
into what good practice says.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from endpoint.analysis.result import Result
from endpoint.bench.guidance.prediction import Left, predict
from endpoint.bench.guidance.progress import Habit, gather
from endpoint.bench.guidance.words import ADVICE, Tone, left_sentence
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.curve.points import Curve
from endpoint.equivalence.fit import Estimate
from endpoint.equivalence.model import Priors, priors_for

_Z90 = 1.645
"""95 % point of the standard normal distribution: 5 % of the probability lie beyond it on either
side."""
_FIRST_BLUE, _MOSTLY_BLUE = -0.45, 0.2
"""Blueness (`indicator_form.State`) at which the colour turns, and at which it has turned. Assumed,
in the red violet and in the violet of `endpoint.curve.colour_names.NAMES`."""
_FLOWS_ON_S = 3.5
"""From the picture to the closed tap: the frame, the word, the hand."""
_MOST_UNMIXED = 0.2
"""Part of the next addition that may be unmixed before it is given. Assumed: more, and titrant goes
into a flask that is still changing; less, and the waits get long."""
_CLOSE_ML = 1.0
"""Volume left, mL, from which a plume of unmixed titrant stops the pouring: with more left a pour
stays before the change whatever the plume. Assumed."""
_HALF_FREE = 0.5
"""Once half of the indicator may be free, no water has more than about 2 mL left: no pouring."""
_MOSTLY_FREE = 0.75
"""From here on no water has more than about 0.7 mL left, and the last part of the change may come
within a tenth of a millilitre: drops only."""
_SAFE_ML = 0.1
_SURELY_PASSED_ML = 0.03
"""Room that a pour keeps before the end, mL, two drops; and volume past the end, mL, less than one
drop, from which "passed" is said rather than "stop". Assumed; `tests.studies.guidance_study`
measures where people then stop."""


@dataclass(frozen=True)
class Pace:
    """How titrant is added."""

    pump: bool = False
    """A pump delivers; else a burette by hand."""
    pour_ml_s: float = 0.2
    """Rate while pouring on, or of the pump (common practice, no source)."""
    portion_ml: float = 0.5
    """Portion when slowing down."""
    small_portion_ml: float = 0.2
    """Portion when less is left."""
    drop_ml: float = 0.05
    """One drop of the burette (common practice, no source)."""
    half_drop_ml: float = 0.025


@dataclass(frozen=True)
class GuidanceInputs:
    """What is known at the bench besides the curve."""

    titrant_mol_l: float
    indicator: Indicator = ERIOCHROME_BLACK_T
    priors: Priors | None = None
    """By default those of the indicator; `lag_s` in it is the mixing time."""
    pace: Pace = field(default_factory=Pace)
    habit: Habit | None = None
    """What an earlier replicate showed of the colours, see
    `endpoint.bench.guidance.progress.habit_of`."""
    expected_ml: tuple[float, float] | None = None
    """Equivalence volume of earlier replicates and its standard deviation, mL."""


@dataclass(frozen=True)
class Moment:
    """Where a titration stands when guidance is asked for."""

    now_s: float
    """On the clock of the frames."""
    delivered_ml: float
    blueness: float | None
    """Form seen in the last frames (`indicator_form.State.blueness`); None if nothing is seen."""
    pump: bool = False
    watched: bool = False
    """The volume is read from the picture: a rise within its scatter is not an addition."""
    plume: bool = False
    """Titrant is running in, beyond what the last reading says."""
    habit: Habit | None = None
    """As in `GuidanceInputs`."""
    expected_ml: tuple[float, float] | None = None
    """As in `GuidanceInputs`."""


@dataclass(frozen=True)
class Guidance:
    """What the person at the burette should do now, in every form the page can give it."""

    code: str
    """Key of `endpoint.bench.guidance.words.ADVICE`."""
    title: str
    """A few words, shown large."""
    words: str
    """What to do, one sentence."""
    shape: str
    place: int | None
    """Position on the scale from far (0) to passed (5); None for a state that is not on it."""
    tone: Tone
    spoken: str
    """What a voice says: what to do and what is left."""
    left_text: str = ""
    """What is left, one sentence."""
    delivered_ml: float = 0.0
    left_ml: float | None = None
    """From the volume delivered now to the equivalence volume; negative once passed. None while
    it is too early to say."""
    left_low_ml: float | None = None
    left_high_ml: float | None = None
    """90 % interval."""
    at_least_ml: float | None = None
    """Lower bound of what is left where there is no interval yet."""
    free_fraction: float | None = None
    """Part of the indicator that is free in the liquid now, 0 to 1."""
    free_low: float | None = None
    free_high: float | None = None
    """90 % interval."""
    unmixed_ml: float = 0.0
    """Delivered, but not yet mixed in."""
    portion_ml: float | None = None
    """Portion to add at once; None where none is advised."""


def advise(result: Result | None, moment: Moment) -> Guidance:
    """Guidance from the curve of the last conclusion; may take a tenth of a second.

    Parameters
    ----------
    result:
        The last conclusion, with its curve and its job; None before the first one, when the colour
        alone counts.
    moment:
        Where the titration stands.
    """
    if moment.blueness is None:
        return unseen(moment.delivered_ml)
    if result is None:
        return by_colour(moment.blueness, moment.delivered_ml, pump=moment.pump)
    if result.curve is None:
        return unseen(moment.delivered_ml)
    job, curve = result.job, result.curve
    pace = Pace(pump=moment.pump)
    if moment.pump and curve.delivery is not None:
        rate = float(curve.delivery.rate_ml_s_at(moment.now_s))
        pace = Pace(pump=True, pour_ml_s=rate) if rate > 0.0 else pace
    inputs = GuidanceInputs(
        titrant_mol_l=job.titrant_mol_l.value,
        indicator=job.indicator,
        priors=job.priors,
        pace=pace,
        habit=moment.habit,
        expected_ml=moment.expected_ml,
    )
    said = guide(curve, inputs, now_s=moment.now_s, plume=moment.plume)
    end = result.equivalence
    return said if end is None or result.status != "located" else passed(said, end)


def unseen(delivered_ml: float) -> Guidance:
    """What is said while the liquid is out of view."""
    return _said("unseen", Pace(), delivered_ml, None)


def by_colour(blueness: float, delivered_ml: float, *, pump: bool = False) -> Guidance:
    """What is said of a colour alone, before anything is concluded from a curve."""
    code = "too-early"
    if blueness < _FIRST_BLUE:
        code = "pour"
    elif blueness < _MOSTLY_BLUE:
        code = "drops"
    return _said(code, Pace(pump=pump), delivered_ml, None)


def mixing(delivered_ml: float, before: Guidance) -> Guidance:
    """What is said as soon as a reading is entered.

    Parameters
    ----------
    delivered_ml:
        Volume delivered now.
    before:
        Guidance from before the addition; the end that it saw stays where it was.
    """
    added_ml = delivered_ml - before.delivered_ml
    left = (before.left_ml, before.left_low_ml, before.left_high_ml)
    value, low, high = (None if end is None else end - added_ml for end in left)
    said = _said("mixing", Pace(), delivered_ml, None)
    return replace(said, left_ml=value, left_low_ml=low, left_high_ml=high)


def passed(said: Guidance, end: Estimate) -> Guidance:
    """Guidance that the end has passed, with the located end: the number that the curve shows too.

    Other guidance, and one that this end does not bear out, stays as it is.
    """
    spread = _Z90 * end.standard_uncertainty_ml
    left = end.value_ml - said.delivered_ml
    if said.code != "passed" or left + spread > 0.0:
        return said
    text = left_sentence(left, left - spread, left + spread, 0.0)
    return replace(
        said,
        spoken=f"{said.title}. {text}",
        left_text=text,
        left_ml=left,
        left_low_ml=left - spread,
        left_high_ml=left + spread,
    )


def guide(
    curve: Curve, inputs: GuidanceInputs, *, now_s: float | None = None, plume: bool = False
) -> Guidance:
    """Guidance for the curve so far.

    Parameters
    ----------
    curve:
        Of the frames so far; may be empty.
    inputs:
        What is known besides.
    now_s:
        Time now on the clock of the frames; by default that of the last frame.
    plume:
        Whether the picture shows a plume, so that the liquid is surely not mixed.
    """
    priors = inputs.priors or priors_for(inputs.indicator)
    history = gather(curve, inputs.indicator, now_s=now_s, habit=inputs.habit)
    if history is None:
        delivered = 0.0 if len(curve) == 0 else float(curve.volume_ml[-1])
        code = "not-begun" if delivered <= 0.0 else "too-early"
        return _said(code, inputs.pace, delivered, None)
    left = predict(
        history, inputs.titrant_mol_l, curve.flask_ml, priors, inputs.indicator, inputs.expected_ml
    )
    return _said(_state(left, inputs.pace, plume), inputs.pace, history.now_ml, left)


def _state(left: Left, pace: Pace, plume: bool) -> str:
    """What good practice says for a prediction."""
    near, bounded = left.at_least_ml, left.value_ml is not None
    flows_ml = pace.pour_ml_s * _FLOWS_ON_S
    early = left.free_high < _HALF_FREE
    if early and near > flows_ml + _SAFE_ML and not (plume and near < _CLOSE_ML):
        return "pour"
    portion_ml = _portion_ml(left, pace)
    addition_ml = pace.drop_ml
    if portion_ml:
        addition_ml = pace.portion_ml if pace.pump else portion_ml
    # What is still unmixed may have been seen before its volume was read.
    passed_ml = _SURELY_PASSED_ML + left.unmixed_ml
    if left.high_ml is not None and left.high_ml < -passed_ml:
        return "passed"
    if plume or left.unmixed_ml > _MOST_UNMIXED * addition_ml:
        return "mixing"
    if bounded and left.cautious_ml <= 0.0:
        return "stop"
    if portion_ml:
        return "slow"
    close = left.middle_ml <= 2.0 * pace.drop_ml or near < pace.half_drop_ml
    return "half-drops" if bounded and close else "drops"


def _portion_ml(left: Left, pace: Pace) -> float:
    """Largest addition above a drop that the lower bound allows, or what a slow pump gives."""
    if left.free_high > _MOSTLY_FREE:
        return 0.0
    if pace.pump:
        slow_ml = pace.pour_ml_s / 3.0 * _FLOWS_ON_S
        return slow_ml if left.at_least_ml > slow_ml + _SAFE_ML else 0.0
    for portion_ml in (pace.portion_ml, pace.small_portion_ml):
        if left.at_least_ml > portion_ml + pace.drop_ml:
            return portion_ml
    return 0.0


def _said(code: str, pace: Pace, delivered_ml: float, left: Left | None) -> Guidance:
    advice = ADVICE[code]
    words = advice.pump_words if pace.pump else advice.words
    text = (
        ""
        if left is None
        else left_sentence(left.value_ml, left.low_ml, left.high_ml, left.at_least_ml)
    )
    portion_ml = None
    if code == "slow" and left is not None and not pace.pump:
        portion_ml = _portion_ml(left, pace)
        if portion_ml < pace.portion_ml:
            words = f"Add small portions of {portion_ml:.1f} mL, and wait after each."
    known = left is not None and left.value_ml is not None
    return Guidance(
        code=code,
        title=advice.title,
        words=words,
        shape=advice.shape,
        place=advice.place,
        tone=advice.tone,
        spoken=f"{advice.title}. {text}".strip(),
        left_text=text,
        delivered_ml=delivered_ml,
        left_ml=left.value_ml if left else None,
        left_low_ml=left.low_ml if left else None,
        left_high_ml=left.high_ml if left else None,
        at_least_ml=left.at_least_ml if left and not known else None,
        free_fraction=left.free_fraction if left else None,
        free_low=left.free_low if left else None,
        free_high=left.free_high if left else None,
        unmixed_ml=left.unmixed_ml if left else 0.0,
        portion_ml=portion_ml,
    )
