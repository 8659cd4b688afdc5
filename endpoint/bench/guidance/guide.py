"""Live guidance at the burette: what to do next, and how much titrant is left.

Pure: a curve so far goes in, one frozen `Guidance` comes out, and the same curve gives the same
guidance. The prediction is that of `endpoint.bench.guidance.prediction`. The rule that turns it
into an amount is one: no addition may leap over more of the change than a fit can do without
(`_MOST_RISE`), with a probability of nine in ten. Far from the change even the next few millilitres
cannot be ruled out, so there titrant runs in slowly under the eyes of the camera, which tells when
to close the tap. Once the change is over, portions in the final colour follow until the result is a
number that no longer gains by them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from endpoint.analysis.result import Result
from endpoint.bench.guidance.prediction import AMOUNTS_ML, Left, Stream, predict
from endpoint.bench.guidance.progress import Habit, gather
from endpoint.bench.guidance.pumping import begun_pumping, pumping
from endpoint.bench.guidance.said import Guidance, Pace, said_of, unseen
from endpoint.bench.guidance.words import ADVICE, FINISHING, again_sentence
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.curve.points import Curve
from endpoint.equivalence.fit import Estimate
from endpoint.equivalence.model import Priors, priors_for

_MOST_RISE = 0.25
"""Largest rise of the free fraction in one addition. A fit needs points within the change, and from
0.72 on one addition hides its shape (`endpoint.equivalence.verdict`). Lower, and additions get
many (with 0.2 in the median 16, with 0.3 14, at the same error); higher, and the few that leap
further than expected leave an interval, and small quick titrations have too few points."""
_FIRST_ML, _POUR_ML, _NEAR_POUR_ML, _SURELY_LEFT_ML = 2.0, 5.0, 1.0, 1.0
TINGE_REACHES_ML = 1.5
_DROPS_ML, _DROP_ML = 0.15, 0.05
"""First addition, which no common titration ends in; largest ones under the eyes of the camera,
before and after a first tinge; what must be left at least that a tinge is no tinge; how far behind
it the end may be; what is counted in drops below; and a drop. Common practice, no source."""
_LEAST_POUR_ML = 0.5
"""What is safe to add, mL, from which on titrant runs in under the eyes of the camera: five
seconds, in which the page cannot tell a tinge from the colour that a stream lends."""
_MOST_UNMIXED = 0.2
"""Part of the next addition that may be unmixed before it is given. Assumed: more, and titrant goes
into a flask that is still changing; less, and the waits get long."""
_LONGEST_WAIT_S = 8.0
"""After a reading nobody waits longer, s: five usual mixing times (`Priors.lag_s`)."""
_CHANGED = 0.85
"""Free fraction from which the change is over."""
_BEYOND_ML, _PART_BEYOND = (0.1, 0.2, 0.5), 1.5
"""Portions in the final colour, mL, and how many times the volume past the end they are at most:
what is left of the change near it is to be shown, and what is further is the same everywhere."""
_LEAST_BEYOND, _LEAST_BEYOND_ML = 3, 0.3
"""Points past the end that show the final colour, and how far they reach at least, mL: a fit needs
three for a level and its drift, and 0.3 mL past the end some 97 % of the indicator are free."""
_MOST_BEYOND_ML, _LEAPT_BEYOND_ML = 1.2, 0.4
"""Volumes past the end, mL, from which more portions are of no use, the second where an addition
has leapt over the change."""
_APART_ML = 0.5
"""Between the intervals of forecast and fit, mL, from which one of them is wrong. Assumed."""
_UNBOUNDED = ("never-reached", "no-change", "too-few-points")
"""Reasons of a result that leave open whether the end is reached at all."""
_SURE_ML, _FAR_BEYOND_ML = 0.05, 0.75
"""Half width of a 95 % interval, mL, with which nobody needs more: a drop; and volume past the end
from which more no longer makes it narrower."""


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
    stream: Stream = field(default_factory=Stream)
    """As in `Moment`."""
    still_s: float | None = None
    """Since when a pump stands still; None while it runs, and before its first start."""


@dataclass(frozen=True)
class Moment:
    """Where a titration stands when guidance is asked for."""

    now_s: float
    """On the clock of the frames."""
    delivered_ml: float
    blueness: float | None
    """Form seen in the last frames (`indicator_form.State.blueness`); None if nothing is seen."""
    pump: bool = False
    rate_ml_min: float = 0.0
    """Of the pump now; 0 while it stands still."""
    read_s: float | None = None
    """When the last reading was typed, or the pump was paused last; None before."""
    watched: bool = False
    """The volume is read from the picture: a rise within its scatter is not an addition."""
    running: str = ""
    """What the picture shows of an addition that no reading tells of, see
    `endpoint.bench.guidance.plume.Sight.running`."""
    turns: bool = False
    """The addition under way has brought the first tinge, see `Sight.turns`."""
    stream: Stream = field(default_factory=Stream)
    """What titrant that ran in under the eyes of the camera has shown."""
    habit: Habit | None = None
    """As in `GuidanceInputs`."""
    expected_ml: tuple[float, float] | None = None
    """As in `GuidanceInputs`."""


def advise(result: Result | None, moment: Moment, ended: Result | None = None) -> Guidance:
    """Guidance from the curve of the last conclusion; may take a tenth of a second.

    Parameters
    ----------
    result:
        The last conclusion, with its curve and its job; None before the first one.
    moment:
        Where the titration stands.
    ended:
        The result if the run ended now, where that was worked out.
    """
    pace = Pace(moment.pump, moment.rate_ml_min, not moment.watched)
    if moment.blueness is None:
        return unseen(moment.delivered_ml, pace)
    if result is None or result.curve is None:
        return begun(moment.delivered_ml, pace)
    job = result.job
    inputs = GuidanceInputs(
        titrant_mol_l=job.titrant_mol_l.value,
        indicator=job.indicator,
        priors=job.priors,
        pace=pace,
        habit=moment.habit,
        expected_ml=moment.expected_ml,
        stream=moment.stream,
        still_s=moment.read_s if moment.pump and moment.rate_ml_min <= 0.0 else None,
    )
    said = guide(result.curve, inputs, now_s=moment.now_s, result=ended or result)
    enough = said.code in ("enough", "over")
    return replace(said, finishing="" if enough else FINISHING[result.status])


def begun(delivered_ml: float, pace: Pace | None = None) -> Guidance:
    """What is said before anything is concluded from a curve."""
    pace = pace or Pace()
    first = delivered_ml <= 0.0
    if pace.pump:
        return replace(begun_pumping(pace, delivered_ml), finishing=FINISHING["none"])
    code, amount_ml = ("portion", _FIRST_ML) if first else ("too-early", _LEAST_POUR_ML)
    said = said_of(code, pace, delivered_ml, amount_ml=amount_ml, place=0)
    return replace(said, finishing=FINISHING["none"])


def guide(
    curve: Curve,
    inputs: GuidanceInputs,
    *,
    now_s: float | None = None,
    result: Result | None = None,
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
    result:
        What would be concluded if the run ended here; without it nobody is led past the end.
    """
    pace = inputs.pace
    priors = inputs.priors or priors_for(inputs.indicator)
    history = gather(curve, inputs.indicator, now_s=now_s, habit=inputs.habit)
    if history is None:
        delivered_ml = 0.0 if len(curve) == 0 else float(curve.volume_ml[-1])
        if result is not None and _is_enough(result, delivered_ml, curve):
            return said_of("enough", pace, delivered_ml)
        return begun(delivered_ml, pace)
    left = predict(
        history,
        inputs.titrant_mol_l,
        curve.flask_ml,
        priors,
        inputs.indicator,
        inputs.expected_ml,
        inputs.stream,
    )
    delivered_ml = history.now_ml
    end = None if result is None or result.status != "located" else result.equivalence
    if end is not None and not _agrees(left, end, delivered_ml):
        # A fit may still take the middle of the change for all of it: more titrant tells.
        result = end = None
    if end is not None and _is_over(left):
        left = _as_located(left, end, delivered_ml)
    code, amount_ml = _next(left, delivered_ml, curve, result, inputs.stream)
    place = ADVICE[code].place
    if code == "drops" and left.low_ml is not None and left.low_ml <= amount_ml:
        place = 3
    if code == "over" and result is not None:
        said = said_of(code, pace, delivered_ml, left, place=place)
        return replace(said, words=f"{said.words} {again_sentence(result.verdict.bracket_ml)}")
    until_s = None
    if code != "enough":
        until_s = _until_s(left, amount_ml, curve, priors, now_s, inputs.still_s)
    if pace.pump:
        if code == "beyond":
            amount_ml = max(round(_FAR_BEYOND_ML + left.middle_ml, 1), _BEYOND_ML[1])
        return pumping(code, amount_ml, pace, delivered_ml, left, place, until_s)
    if until_s is not None:
        return said_of("mixing", pace, delivered_ml, left, place=place, until_s=until_s)
    if code == "pour" and amount_ml == _NEAR_POUR_ML:
        pace = replace(pace, tinged=_is_near_tinge(inputs.stream, delivered_ml))
    return said_of(code, pace, delivered_ml, left, amount_ml=amount_ml, place=place)


def _is_over(left: Left) -> bool:
    """Whether the change is over, by what is predicted."""
    return left.middle_ml < 0.0 and left.free_fraction > _CHANGED


def _agrees(left: Left, end: Estimate, delivered_ml: float) -> bool:
    """Whether the forecast, which sees the same pauses, does not rule out the end of a fit."""
    if left.low_ml is None or left.high_ml is None:
        return True
    low_ml, high_ml = end.low_ml - delivered_ml, end.high_ml - delivered_ml
    return low_ml < left.high_ml + _APART_ML and high_ml > left.low_ml - _APART_ML


def _as_located(left: Left, end: Estimate, delivered_ml: float) -> Left:
    """What is left, with the end that the curve shows too.

    Its 95 % interval stands for the 90 % range: readings that are still to come move it.
    """
    value = end.value_ml - delivered_ml
    low, high = end.low_ml - delivered_ml, end.high_ml - delivered_ml
    return replace(
        left, value_ml=value, low_ml=low, high_ml=high, middle_ml=value, at_least_ml=max(low, 0.0)
    )


def _next(
    left: Left,
    delivered_ml: float,
    curve: Curve,
    result: Result | None,
    stream: Stream,
) -> tuple[str, float]:
    """What to do next, and how much to add."""
    safe_ml = _safe_ml(left)
    if _is_over(left):
        ends = _has_enough(result, delivered_ml, curve, left)
        if ends:
            return ends, 0.0
        high_ml = left.middle_ml if left.high_ml is None else left.high_ml
        if high_ml <= 0.0:
            most_ml = -_PART_BEYOND * left.middle_ml
            return "beyond", max([ml for ml in _BEYOND_ML if ml <= most_ml] or _BEYOND_ML[:1])
        return "drops", min(safe_ml, 2.0 * _DROP_ML)
    if delivered_ml <= 0.0:
        return "portion", _FIRST_ML
    if safe_ml >= _LEAST_POUR_ML:
        if left.value_ml is not None:
            return "pour", safe_ml
        near = _is_near_tinge(stream, delivered_ml) and left.at_least_ml < _SURELY_LEFT_ML
        return "pour", _NEAR_POUR_ML if near else _POUR_ML
    return ("portion" if safe_ml > _DROPS_ML else "drops"), safe_ml


def _is_near_tinge(stream: Stream, delivered_ml: float) -> bool:
    """Whether the last tinge may still prove to be one; further on it was the lamp."""
    return stream.tinge_ml is not None and delivered_ml < stream.tinge_ml + TINGE_REACHES_ML


def _safe_ml(left: Left) -> float:
    """Largest amount that does not leap over too much of the change."""
    safe = [ml for ml, rise in zip(AMOUNTS_ML, left.rise, strict=True) if rise <= _MOST_RISE]
    safe_ml = min(max(safe, default=AMOUNTS_ML[0]), 2.0)
    if left.high_ml is None:
        return safe_ml
    # The end of the change is to be shown by drops, not left behind.
    most_ml = max(left.high_ml - 2.0 * _DROP_ML, 2.0 * _DROP_ML)
    return min(safe_ml, max(ml for ml in AMOUNTS_ML if ml <= most_ml))


def _has_enough(result: Result | None, delivered_ml: float, curve: Curve, left: Left) -> str:
    """Code "enough" or "over" where more titrant is of no use; else empty."""
    if result is None or any(one.code in _UNBOUNDED for one in result.reasons):
        # Nothing that was seen bounds the end from above: more titrant is of use, whatever the
        # forecast says.
        return ""
    if _is_enough(result, delivered_ml, curve):
        return "enough"
    leapt = any(one.code == "one-addition" for one in result.reasons)
    most_ml = _LEAPT_BEYOND_ML if leapt else _MOST_BEYOND_ML
    high_ml = left.middle_ml if left.high_ml is None else left.high_ml
    if -high_ml <= most_ml:
        return ""
    return "enough" if result.status == "located" else "over"


def _is_enough(result: Result, delivered_ml: float, curve: Curve) -> bool:
    """Whether a result no longer gains by more titrant."""
    end = result.equivalence
    if result.status != "located" or end is None:
        return False
    past = curve.volume_ml[(curve.flags == 0) & (curve.volume_ml > end.value_ml)]
    steps = np.unique(np.round(past / 0.03)).size
    beyond_ml = delivered_ml - end.value_ml
    sure = 0.5 * (end.high_ml - end.low_ml) < _SURE_ML and beyond_ml > _LEAST_BEYOND_ML
    return steps >= _LEAST_BEYOND and (sure or beyond_ml > _FAR_BEYOND_ML)


def _until_s(
    left: Left,
    amount_ml: float,
    curve: Curve,
    priors: Priors,
    now_s: float | None,
    still_s: float | None,
) -> float | None:
    """Until when to wait for mixing; None if that is long enough ago."""
    delivery = curve.delivery
    most_ml = _MOST_UNMIXED * amount_ml
    if delivery is None or left.unmixed_ml <= most_ml or now_s is None:
        return None
    lag_s = priors.lag_s[0] + priors.lag_s[1]
    until_s = now_s + lag_s * float(np.log(left.unmixed_ml / most_ml))
    since_s = float(delivery.time_s[-1]) if still_s is None else still_s
    until_s = min(until_s, since_s + _LONGEST_WAIT_S)
    return until_s if until_s > now_s else None
