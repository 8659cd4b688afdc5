"""Plain guidance from the fitted result alone, and plain checks of the set-up.

It says only what the last conclusion holds: no look at the rate of change, no prediction before
there is a fit.
"""

from __future__ import annotations

from endpoint.bench.ports import Check, Guidance, Left, Moment, SetUp, Tone
from endpoint.pipeline import Result
from endpoint.transition import Estimate

_SILENT = Tone(0.0, 0, 1.0)
_POUR_ML, _SLOW_ML, _DROPS_ML, _HALF_ML, _AT_ML = 2.0, 0.6, 0.15, 0.04, 0.02
_FIRST_BLUE, _MOSTLY_BLUE = -0.45, 0.2
_Z90 = 1.645
_MIX_LAGS = 4.0


def advise(result: Result | None, moment: Moment) -> Guidance:
    """Guidance from the last conclusion; see `ports.Adviser`."""
    if not moment.pump and moment.since_addition_s < min(_MIX_LAGS * moment.lag_s, 8.0):
        return Guidance(
            "mixing",
            "Wait, it mixes",
            "The last addition is not mixed in yet.",
            "hourglass",
            None,
            Tone(330.0, 1, 2.0),
            "Wait for mixing.",
        )
    fit = None if result is None else result.fit
    believed = result is not None and (
        result.status == "located" or (result.status == "bracketed" and fit is not None)
    )
    if fit is None or not believed:
        return _without_fit(moment)
    return _with_fit(fit.equivalence, moment)


def _without_fit(moment: Moment) -> Guidance:
    blueness = moment.blueness
    if blueness is None:
        return Guidance(
            "unseen",
            "Cannot see the liquid",
            "Nothing is told until the liquid and the reference are in view again.",
            "dash",
            None,
            _SILENT,
            "The liquid is not in view.",
        )
    if blueness < _FIRST_BLUE:
        return Guidance(
            "pour",
            "Add on",
            "Still the red form, no blue tinge. How much is left is not known yet.",
            "chevrons",
            0.0,
            Tone(262.0, 1, 3.0),
            "Still red. Add on.",
        )
    if blueness < _MOSTLY_BLUE:
        return Guidance(
            "tinge",
            "Drop by drop",
            "The colour turns. How much is left is not known yet: go on in drops.",
            "drop",
            None,
            Tone(440.0, 2, 1.2),
            "The colour turns. Drop by drop.",
        )
    return Guidance(
        "blue",
        "Blue: three more small additions",
        "The blue form is seen. Some points after the end make the result sure.",
        "square",
        None,
        Tone(660.0, 3, 1.2),
        "Blue. Three more small additions.",
    )


def _with_fit(end: Estimate, moment: Moment) -> Guidance:
    left = end.value_ml - moment.delivered_ml
    half = max(_Z90 * end.standard_uncertainty_ml, 0.005)
    span = Left(left, left - half, left + half)
    about = f"about {max(left, 0.0):.2f} mL left, {half:.2f} either way"
    place = min(max(moment.delivered_ml / max(end.value_ml, 1e-6), 0.0), 1.1)
    table = (
        (_POUR_ML, "pour", "Add on", "chevrons", Tone(262.0, 1, 3.0)),
        (_SLOW_ML, "slow", "Slow down", "chevron", Tone(330.0, 1, 1.5)),
        (_DROPS_ML, "drops", "Drop by drop", "drop", Tone(440.0, 2, 1.2)),
        (_HALF_ML, "half-drops", "Half drops", "half-drop", Tone(554.0, 3, 1.0)),
    )
    for limit, code, words, shape, tone in table:
        if left > limit:
            return Guidance(
                code, words, f"{about[0].upper()}{about[1:]}.", shape, place, tone,
                f"{words}. {about}.", span,
            )  # fmt: skip
    if left >= -_AT_ML:
        return Guidance(
            "stop",
            "Stop here",
            f"The end is at {end.value_ml:.2f} mL, {half:.2f} either way.",
            "square",
            1.0,
            Tone(784.0, -1, 1.0),
            "Stop. The end is reached.",
            span,
        )
    over = -left
    return Guidance(
        "passed",
        f"Passed by {over:.2f} mL",
        f"The end was at {end.value_ml:.2f} mL, {half:.2f} either way. "
        "A few points past it make the result sure.",
        "bar",
        place,
        Tone(196.0, 2, 2.0),
        f"Passed by {over:.2f} millilitres.",
        span,
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
