"""Plain guidance from the fitted result alone, and plain checks of the set-up.

It says only what the last conclusion holds: no look at the rate of change, no prediction before
there is a fit.
"""

from __future__ import annotations

from dataclasses import replace

from endpoint.analysis.result import Result
from endpoint.bench.guidance.ports import Check, Guidance, Moment, SetUp
from endpoint.bench.guidance.words import Tone
from endpoint.curve.colour_names import blueness_of
from endpoint.equivalence.fit import Estimate

_SILENT = Tone((), 0.0, 0, 0.0)
_POUR_ML, _SLOW_ML, _DROPS_ML, _AT_ML = 2.0, 0.6, 0.06, 0.02
_FIRST_BLUE, _MOSTLY_BLUE = -0.45, 0.2
_Z90 = 1.645
_MIX_LAGS = 4.0


def mixing(delivered_ml: float, before: Guidance | None = None) -> Guidance:
    """What is said as soon as a reading is entered.

    Parameters
    ----------
    delivered_ml:
        Volume delivered now.
    before:
        Advice from before the addition, whose end stays where it was.
    """
    ends: tuple[float | None, ...] = (None, None, None)
    if before is not None:
        added = delivered_ml - before.delivered_ml
        told = (before.left_ml, before.left_low_ml, before.left_high_ml)
        ends = tuple(None if end is None else end - added for end in told)
    return Guidance(
        "mixing",
        "Wait for mixing",
        "Add nothing and swirl: the last addition is not mixed in yet.",
        "hourglass",
        None,
        Tone((220.0,), 1.0, 1, 1.0),
        "Wait for mixing.",
        "",
        delivered_ml,
        *ends,
    )


def unseen(delivered_ml: float) -> Guidance:
    """What is said while nothing is seen."""
    return Guidance(
        "unseen",
        "Cannot see the liquid",
        "Nothing is told until liquid and white reference are in view again.",
        "dash",
        None,
        _SILENT,
        "The liquid is not in view.",
        delivered_ml=delivered_ml,
    )


def advise(result: Result | None, moment: Moment) -> Guidance:
    """Guidance from the last conclusion; see `ports.Adviser`."""
    if moment.blueness is None:
        return unseen(moment.delivered_ml)
    if result is None or result.fit is None or result.status == "none":
        told = _without_fit(moment, _settled(result, moment.blueness))
    else:
        told = _with_fit(result.fit.equivalence, moment)
    if moment.plume:
        return replace(told, words="Titrant runs in: type the reading when the tap is closed.")
    if not moment.pump and moment.since_addition_s < min(_MIX_LAGS * moment.lag_s, 8.0):
        return mixing(moment.delivered_ml, told)
    return told


def _settled(result: Result | None, now: float) -> float:
    """Form at the last point of the curve, where a passing plume is not seen; else that of now."""
    if result is None or result.curve is None or not len(result.curve):
        return now
    last = blueness_of(result.curve.density[-1])
    return now if last is None else last


def _without_fit(moment: Moment, blueness: float) -> Guidance:
    unknown = "How much is left is not known yet."
    if blueness < _FIRST_BLUE:
        return Guidance(
            "pour",
            "Pour on",
            "Still the red form: go on at an even pace and keep swirling.",
            "long bar",
            0,
            Tone((262.0,), 1.0, 1, 3.0),
            "Still red. Pour on.",
            unknown,
            moment.delivered_ml,
        )
    if blueness < _MOSTLY_BLUE:
        return Guidance(
            "drops",
            "Drop by drop",
            "The colour turns: add one drop and swirl.",
            "single drop",
            2,
            Tone((440.0, 440.0, 440.0), 3.0, 3, 1.5),
            "The colour turns. Drop by drop.",
            unknown,
            moment.delivered_ml,
        )
    return Guidance(
        "not-told",
        "Three more drops",
        "The blue form is seen: a few small additions more make the result sure.",
        "question mark",
        None,
        _SILENT,
        "Blue. Three more drops.",
        unknown,
        moment.delivered_ml,
    )


_STAGES = (
    (_POUR_ML, "pour", "Pour on", "Go on at an even pace and keep swirling.", "long bar", 0,
     Tone((262.0,), 1.0, 1, 3.0)),
    (_SLOW_ML, "slow", "Slow down", "Add small portions and wait after each.", "three steps", 1,
     Tone((330.0, 330.0), 1.5, 2, 2.0)),
    (_DROPS_ML, "drops", "Drop by drop", "Add one drop and swirl.", "single drop", 2,
     Tone((440.0, 440.0, 440.0), 3.0, 3, 1.5)),
    (_AT_ML, "half-drops", "Half drops", "Touch half a drop to the wall and rinse it down.",
     "split drop", 3, Tone((554.0,) * 4, 5.0, 4, 1.0)),
    (-_AT_ML, "stop", "Stop", "Stop here and read the burette.", "square", 4,
     Tone((740.0,) * 8, 8.0, 8, 0.5)),
)  # fmt: skip


def _with_fit(end: Estimate, moment: Moment) -> Guidance:
    left = end.value_ml - moment.delivered_ml
    half = max(_Z90 * end.standard_uncertainty_ml, 0.005)
    for limit, code, title, words, shape, place, tone in _STAGES:
        if left > limit:
            text = f"About {max(left, 0.0):.2f} mL left, {half:.2f} either way."
            if code == "stop":
                text = f"The end is here, within {max(half, 0.02):.2f} mL."
            return Guidance(
                code, title, words, shape, place, tone, f"{title}. {text}", text,
                moment.delivered_ml, left, left - half, left + half,
            )  # fmt: skip
    text = f"Passed by {-left:.2f} mL, {half:.2f} either way."
    return Guidance(
        "passed",
        "Passed",
        "The end lies behind. A few points past it make the result sure.",
        "arrow back over a line",
        5,
        Tone((740.0, 392.0), 2.0, 2, 2.0),
        text,
        text,
        moment.delivered_ml,
        left,
        left - half,
        left + half,
    )


def check(set_up: SetUp) -> tuple[Check, ...]:
    """Lines of the set-up page; see `ports.Checker`."""
    if not set_up.camera_alive:
        return (
            Check("camera", "fault", "No pictures come from the camera.",
                  "Choose a camera, allow its use, or check its plug."),
        )  # fmt: skip
    lines = [Check("camera", "good", "The camera gives pictures.")]
    if not set_up.located:
        trouble = set_up.trouble
        mark = "wait" if trouble is None else "fault"
        lines += [
            Check("flask", "wait" if trouble == "no-reference" else mark, "Looking for the flask.",
                  "Put the flask with the red solution in the middle, on white ground."),
            Check("reference", mark, "Looking for a white or grey reference.",
                  "Leave white tile or paper in view beside the flask."),
        ]  # fmt: skip
        return tuple(lines)
    lines += [
        Check("flask", "good", "The flask is found."),
        Check("reference", "good", "The white reference is found."),
    ]
    lines.append(_brightness(set_up))
    scatter = set_up.light_scatter
    if scatter is None:
        lines.append(Check("light", "wait", "Watching the light.", "Wait two seconds."))
    elif scatter > 0.04:
        lines.append(
            Check("light", "doubt", f"The light changes by {100 * scatter:.0f} %.",
                  "Switch to steady light, and lock the exposure of the camera.")
        )  # fmt: skip
    else:
        lines.append(Check("light", "good", "The light is steady."))
    lines += _liquid(set_up)
    return tuple(lines)


def _brightness(set_up: SetUp) -> Check:
    if set_up.clipped:
        return Check(
            "exposure", "fault", "The picture is too bright.", "Lower the exposure, or move a lamp."
        )
    if set_up.dark:
        return Check("exposure", "fault", "The picture is too dark.", "Add light.")
    return Check("exposure", "good", "The brightness is right.")


def _liquid(set_up: SetUp) -> list[Check]:
    blueness, depth = set_up.blueness, set_up.depth
    if blueness is None or depth is None:
        return [Check("colour", "wait", "Looking at the liquid.", "Wait two seconds.")]
    lines = []
    if blueness > -0.25:
        lines.append(
            Check("colour", "doubt", "The liquid is not the red form.",
                  "Check buffer and indicator: at the start it must be wine red.")
        )  # fmt: skip
    else:
        lines.append(Check("colour", "good", "The liquid is the red form."))
    if depth > 1.35:
        lines.append(
            Check("depth", "doubt", "Too much indicator: the liquid is very dark.",
                  "Start again with less indicator.")
        )  # fmt: skip
    elif depth < 0.1:
        lines.append(
            Check("depth", "doubt", "Too little indicator: the liquid is very pale.",
                  "Add a little more indicator.")
        )  # fmt: skip
    else:
        lines.append(Check("depth", "good", "The darkness of the liquid is right."))
    return lines
