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
from endpoint.bench.guidance.words import (
    ADVICE,
    FINISHING,
    PUMP_ON,
    PUMP_START,
    TYPE_IT,
    Tone,
    amount_words,
    left_sentence,
)
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.curve.points import Curve
from endpoint.equivalence.fit import Estimate
from endpoint.equivalence.model import Priors, priors_for

_MOST_RISE = 0.2
"""Largest rise of the free fraction in one addition. A fit needs points within the change, and from
0.72 on one addition hides its shape (`endpoint.equivalence.verdict`). Lower, and additions get
many; higher, and the few that leap further than expected leave an interval."""
_FIRST_ML, _POUR_ML, _NEAR_POUR_ML = 2.0, 5.0, 1.0
_DROPS_ML, _DROP_ML = 0.15, 0.05
"""First addition, which no common titration ends in; largest ones under the eyes of the camera,
before and after a first tinge; what is counted in drops below; and a drop. Common practice, no
source."""
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
_BEYOND_ML = 0.2
"""Portion in the final colour, mL."""
_LEAST_BEYOND, _MOST_BEYOND_ML, _LEAPT_BEYOND_ML = 3, 1.2, 0.4
"""Points past the end that show the final colour: a fit needs three for a level and its drift. And
volumes past the end, mL, from which more portions are of no use, the second where an addition has
leapt over the change."""
_SURE_ML, _FAR_BEYOND_ML = 0.05, 0.75
"""Half width of a 95 % interval, mL, with which nobody needs more: a drop; and volume past the end
from which more no longer makes it narrower."""
_RATES_ML_MIN = (10.0, 5.0, 3.0, 2.0, 1.0, 0.5)
_AHEAD_S, _FASTER = 8.0, 3.0
"""Rates to set at a pump, mL/min; how far ahead one looks, s: the liquid mixes, the page sees it, a
hand turns the knob; and how many times faster it may run before somebody is asked to turn it up."""


@dataclass(frozen=True)
class Pace:
    """How titrant is added."""

    pump: bool = False
    """A pump delivers; else a burette by hand."""
    rate_ml_min: float = 0.0
    """Rate of the pump now; 0 while it stands still."""
    typed: bool = True
    """Somebody types the readings."""


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
    """When the last reading was typed; None where nobody types any."""
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
    """Position on the scale of `endpoint.bench.guidance.words.PLACES`."""
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
    amount_ml: float | None = None
    """To add next; None where nothing is to be added now."""
    rate_ml_min: float | None = None
    """To set at the pump."""
    until_s: float | None = None
    """Until when to wait, on the clock of the frames."""
    finishing: str = ""
    """What there is to say against finishing now; empty once it is enough."""


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
    )
    said = guide(result.curve, inputs, now_s=moment.now_s, result=ended or result)
    enough = said.code in ("enough", "over")
    return replace(said, finishing="" if enough else FINISHING[result.status])


def unseen(delivered_ml: float, pace: Pace | None = None) -> Guidance:
    """What is said while the liquid is out of view."""
    return _said("unseen", pace or Pace(), delivered_ml)


def begun(delivered_ml: float, pace: Pace | None = None) -> Guidance:
    """What is said before anything is concluded from a curve."""
    pace = pace or Pace()
    first = delivered_ml <= 0.0
    if pace.pump:
        said = _said("pour", pace, delivered_ml)
        return said if pace.rate_ml_min > 0.0 else replace(said, title=PUMP_START)
    code, amount_ml = ("portion", _FIRST_ML) if first else ("too-early", _LEAST_POUR_ML)
    said = _said(code, pace, delivered_ml, amount_ml=amount_ml, place=0)
    return replace(said, finishing=FINISHING["none"])


def waiting(code: str, delivered_ml: float, before: Guidance, until_s: float | None) -> Guidance:
    """What is said as soon as a reading is entered or titrant is seen to run in.

    Parameters
    ----------
    code:
        "mixing", "type" or "close".
    delivered_ml:
        Volume delivered now.
    before:
        Guidance from before; the end that it saw stays where it was.
    until_s:
        Until when to wait, on the clock of the frames.
    """
    moved = shifted(before, delivered_ml)
    said = _said(code, Pace(), delivered_ml, place=before.place, until_s=until_s)
    ends = ("left_text", "left_ml", "left_low_ml", "left_high_ml", "at_least_ml", "finishing")
    return replace(said, **{name: getattr(moved, name) for name in ends})


def shifted(said: Guidance, delivered_ml: float) -> Guidance:
    """Guidance of before for another delivered volume: what is left goes on, the end stays."""
    added_ml = delivered_ml - said.delivered_ml
    if added_ml == 0.0:
        return said
    ends = (said.left_ml, said.left_low_ml, said.left_high_ml)
    value, low, high = (None if end is None else end - added_ml for end in ends)
    least = None if said.at_least_ml is None else max(said.at_least_ml - added_ml, 0.0)
    text = left_sentence(value, low, high, least or 0.0) if said.left_text else ""
    return replace(
        said,
        left_text=text,
        spoken=f"{said.title}. {text}".strip(),
        delivered_ml=delivered_ml,
        left_ml=value,
        left_low_ml=low,
        left_high_ml=high,
        at_least_ml=least,
    )


def counted_down(said: Guidance, now_s: float) -> Guidance:
    """The same with the seconds that are still to wait."""
    if said.until_s is None:
        return said
    seconds = max(int(np.ceil(said.until_s - now_s)), 1)
    title = said.title.split(" ")[0] + f" {seconds} s"
    return replace(said, title=title, spoken=f"{title}. {said.left_text}".strip())


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
        return begun(0.0 if len(curve) == 0 else float(curve.volume_ml[-1]), pace)
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
    located = result is not None and result.status == "located"
    if located and result is not None and result.equivalence is not None and _is_over(left):
        left = _as_located(left, result.equivalence, delivered_ml)
    code, amount_ml = _next(left, delivered_ml, curve, result, inputs.stream)
    place = ADVICE[code].place
    if code == "drops" and left.low_ml is not None and left.low_ml <= amount_ml:
        place = 3
    if pace.pump:
        return _pumping(code, amount_ml, pace, delivered_ml, left, place)
    if code not in ("enough", "over"):
        until_s = _until_s(left, amount_ml, curve, priors, now_s)
        if until_s is not None:
            return _said("mixing", pace, delivered_ml, left, place=place, until_s=until_s)
    return _said(code, pace, delivered_ml, left, amount_ml=amount_ml, place=place)


def _is_over(left: Left) -> bool:
    """Whether the change is over, by what is predicted."""
    return left.middle_ml < 0.0 and left.free_fraction > _CHANGED


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
        if high_ml < _DROP_ML:
            return "beyond", _BEYOND_ML
        return "drops", min(safe_ml, 2.0 * _DROP_ML)
    if delivered_ml <= 0.0:
        return "portion", _FIRST_ML
    if safe_ml >= _LEAST_POUR_ML:
        if left.value_ml is not None:
            return "pour", safe_ml
        near = stream.tinge_ml is not None and delivered_ml < stream.tinge_ml + _NEAR_POUR_ML
        return "pour", _NEAR_POUR_ML if near else _POUR_ML
    return ("portion" if safe_ml > _DROPS_ML else "drops"), safe_ml


def _safe_ml(left: Left) -> float:
    """Largest amount that does not leap over too much of the change."""
    safe = [ml for ml, rise in zip(AMOUNTS_ML, left.rise, strict=True) if rise <= _MOST_RISE]
    return min(max(safe, default=AMOUNTS_ML[0]), 2.0)


def _has_enough(result: Result | None, delivered_ml: float, curve: Curve, left: Left) -> str:
    """Code "enough" or "over" where more titrant is of no use; else empty."""
    if result is None:
        return ""
    end = result.equivalence
    if result.status == "located" and end is not None:
        past = curve.volume_ml[(curve.flags == 0) & (curve.volume_ml > end.value_ml)]
        steps = np.unique(np.round(past / 0.03)).size
        sure = 0.5 * (end.high_ml - end.low_ml) < _SURE_ML
        if steps >= _LEAST_BEYOND and (sure or delivered_ml - end.value_ml > _FAR_BEYOND_ML):
            return "enough"
    leapt = any(one.code == "one-addition" for one in result.reasons)
    most_ml = _LEAPT_BEYOND_ML if leapt else _MOST_BEYOND_ML
    return "over" if -left.middle_ml > most_ml else ""


def _until_s(
    left: Left, amount_ml: float, curve: Curve, priors: Priors, now_s: float | None
) -> float | None:
    """Until when to wait for mixing; None if that is long enough ago."""
    delivery = curve.delivery
    most_ml = _MOST_UNMIXED * amount_ml
    if delivery is None or left.unmixed_ml <= most_ml or now_s is None:
        return None
    lag_s = priors.lag_s[0] + priors.lag_s[1]
    until_s = now_s + lag_s * float(np.log(left.unmixed_ml / most_ml))
    until_s = min(until_s, float(delivery.time_s[-1]) + _LONGEST_WAIT_S)
    return until_s if until_s > now_s else None


def _pumping(
    code: str, amount_ml: float, pace: Pace, delivered_ml: float, left: Left, place: int | None
) -> Guidance:
    """The same where a pump delivers: a rate in place of an amount."""
    if code in ("enough", "over"):
        return _said(code, pace, delivered_ml, left, place=place)
    wanted = 60.0 * amount_ml / _AHEAD_S
    rate = next((r for r in _RATES_ML_MIN if r <= wanted), _RATES_ML_MIN[-1])
    now = pace.rate_ml_min
    if code == "pour":
        said = _said(code, pace, delivered_ml, left, place=place)
        return said if now > 0.0 else replace(said, title=PUMP_START)
    said = _said(code, pace, delivered_ml, left, amount_ml=amount_ml, rate_ml_min=rate, place=place)
    if now <= 0.0:
        return replace(said, title=f"{PUMP_START} at {rate:g} mL/min")
    if rate >= now and rate < _FASTER * now:
        return replace(said, title=PUMP_ON, rate_ml_min=None)
    return said


def _said(
    code: str,
    pace: Pace,
    delivered_ml: float,
    left: Left | None = None,
    *,
    amount_ml: float | None = None,
    rate_ml_min: float | None = None,
    until_s: float | None = None,
    place: int | None = None,
) -> Guidance:
    advice = ADVICE[code]
    title, words = (
        (advice.pump_title, advice.pump_words) if pace.pump else (advice.title, advice.words)
    )
    filled = {
        "amount": f"{amount_ml or 0.0:g} mL" if pace.pump else amount_words(amount_ml or 0.0),
        "rate": f"{rate_ml_min or 0.0:g} mL/min",
        "wait": "a moment",
        "then": TYPE_IT if pace.typed else "",
    }
    title, words = title.format(**filled), words.format(**filled)
    text = (
        ""
        if left is None
        else left_sentence(left.value_ml, left.low_ml, left.high_ml, left.at_least_ml)
    )
    known = left is not None and left.value_ml is not None
    return Guidance(
        code=code,
        title=title,
        words=words,
        shape=advice.shape,
        place=advice.place if place is None else place,
        tone=advice.tone,
        spoken=f"{title}. {text}".strip(),
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
        amount_ml=amount_ml or None,
        rate_ml_min=rate_ml_min,
        until_s=until_s,
    )
