"""What the guide can say: for every state words, a shape and a tone pattern; none needs colour.

A state shows in four ways: its sentence with an amount, a shape, its place on a scale of six, and a
tone. Tones differ by the number of their pulses and by their rhythm alone, for people who cannot
tell pitches apart; the pitch rises as the endpoint comes nearer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

PLACES = ("far", "portions", "drops", "endpoint", "beyond", "enough")
"""The scale of six."""


@dataclass(frozen=True)
class Tone:
    """A pattern of equal pulses that is repeated; silence if there are no pulses."""

    pitch_hz: tuple[float, ...]
    """Pitch of every pulse; empty for silence."""
    beats_per_s: float
    """Pulses per second within the pattern."""
    pulses: int
    rest_s: float
    """Silence until the pattern comes again."""


@dataclass(frozen=True)
class Advice:
    """A state of the guide.

    In its texts `{amount}`, `{rate}`, `{drops}` and `{wait}` stand for what is advised, and
    `{then}` for `TYPE_IT`.
    """

    code: str
    title: str
    """What to do in a few words, shown large."""
    words: str
    """How to do it."""
    shape: str
    """Name of the shape that the page draws."""
    place: int | None
    """Position from 0 (far from the endpoint) to 5 (enough); None for a state that stands in
    between: the place stays where it was."""
    tone: Tone
    pump_title: str
    pump_words: str
    """The same where a pump delivers."""


_SILENT = Tone((), 0.0, 0, 0.0)

ADVICE: dict[str, Advice] = {
    one.code: one
    for one in (
        Advice(
            "pour",
            "Add up to {amount}",
            "Let it fall in at about {drops} a second and watch this page: it tells you when "
            "to close the tap.{then}",
            "long bar",
            0,
            Tone((262.0,), 1.0, 1, 3.0),
            "Let the pump run",
            "Watch this page: it tells you when to pause the pump.",
        ),
        Advice(
            "close",
            "Close the tap",
            "The colour begins to change. Close the tap now and type the burette reading.",
            "crossed circle",
            None,
            Tone((494.0,) * 6, 6.0, 6, 0.8),
            "Pause the pump",
            "The colour begins to change. Pause the pump and let the liquid mix.",
        ),
        Advice(
            "portion",
            "Add {amount}",
            "Close the tap after it.{then}",
            "three steps",
            1,
            Tone((330.0, 330.0), 1.5, 2, 2.0),
            "Set the pump to {rate}",
            "Let it run at this rate, and watch this page.",
        ),
        Advice(
            "drops",
            "Add {amount}",
            "Rinse the wall of the flask if a drop hangs there.{then}",
            "single drop",
            2,
            Tone((440.0, 440.0, 440.0), 3.0, 3, 1.5),
            "Set the pump to {rate}",
            "The endpoint is near. Let it run slowly through the change.",
        ),
        Advice(
            "mixing",
            "Wait {wait}",
            "Add nothing and swirl: the last addition is still mixing in.",
            "hourglass",
            None,
            Tone((220.0,), 1.0, 1, 1.0),
            "Wait {wait}",
            "Leave the pump off and let the liquid mix.",
        ),
        Advice(
            "type",
            "Type the reading",
            "Titrant has run in since the last reading. Close the tap, read the burette and type "
            "the reading.",
            "pen on a line",
            None,
            _SILENT,
            "Wait {wait}",
            "Let the liquid mix.",
        ),
        Advice(
            "beyond",
            "Add {amount} more",
            "The endpoint is passed, as it should be: a few portions beyond it show the final "
            "colour. What is added beyond it is not counted.{then}",
            "arrow over a line",
            4,
            Tone((587.0,) * 4, 5.0, 4, 1.0),
            "Let the pump run on",
            "The endpoint is passed, as it should be: up to {amount} more shows the final colour. "
            "It is not counted.",
        ),
        Advice(
            "enough",
            "Enough",
            "Add nothing more. Finish: the result is certain enough.",
            "square",
            5,
            Tone((740.0,) * 8, 8.0, 8, 0.5),
            "Enough: stop the pump",
            "Stop the pump and finish: the result is certain enough.",
        ),
        Advice(
            "over",
            "Stop: interval only",
            "One addition went through the change, and more titrant does not tell where.",
            "broken square",
            4,
            Tone((740.0, 392.0), 2.0, 2, 2.0),
            "Stop: interval only",
            "Stop the pump: it went through the change too fast to tell where.",
        ),
        Advice(
            "too-early",
            "Add {amount}, then look",
            "There is too little to go by yet. Close the tap after it.{then}",
            "question mark",
            None,
            _SILENT,
            "Set the pump to {rate}",
            "There is too little to go by yet. Keep the pump slow and watch.",
        ),
        Advice(
            "unseen",
            "Cannot see the liquid",
            "Add nothing. Bring the flask and the white reference back into view.",
            "dash",
            None,
            _SILENT,
            "Cannot see the liquid",
            "Pause the pump, and bring the flask and the white reference back into view.",
        ),
    )
}
"""Every state by its code."""
TYPE_IT = " Then type the burette reading."
"""What follows an addition, unless the picture shows the burette."""
PUMP_START, PUMP_ON = "Start the pump", "Let the pump run"
"""Titles where a pump stands still, and where its rate may stay."""

FINISHING = {
    "none": "Finishing now gives no result: the colour has not turned yet.",
    "bracketed": "Finishing now gives only an interval: the final colour has not been shown yet.",
    "located": "Finishing now gives a result, but a few portions more make it more certain.",
}
"""What to say to somebody who finishes before it is enough, by the status of the result so far."""


LATE_ML = 8.0
"""Volume, mL, from which titrant may run in at three drops a second instead of two. At two, more
than 19 mL take longer than the five minutes in which buffered water is to be titrated (Standard
Methods 2340 C, from memory: carbonate may precipitate); at three, more changes are passed before
the tap is closed. Of 40 flasks (`tests.studies.bench_loop`, seeds 46000 to 46039) 30 take at most
18 additions and five minutes either way, and the largest error is 0.05 mL, with 4 mL here 0.12."""


def millilitres(volume_ml: float) -> str:
    """Volume for a sentence: two decimals below 2 mL, one above."""
    return f"{volume_ml:.2f}" if abs(volume_ml) < 2.0 else f"{volume_ml:.1f}"


_DROPS = {1: "one drop, about 0.05 mL", 2: "two drops, about 0.1 mL"}


def amount_words(amount_ml: float) -> str:
    """An amount to add, "two drops, about 0.1 mL" or "2 mL", as a burette can give it."""
    drops = drops_in(amount_ml)
    return f"{amount_ml:g} mL" if drops is None else _DROPS[drops]


def drops_in(amount_ml: float) -> int | None:
    """How many drops an amount is given in; None where it is more than two."""
    return 1 if amount_ml < 0.075 else 2 if amount_ml < 0.15 else None


def drops_a_second(delivered_ml: float, *, tinged: bool) -> str:
    """How fast titrant may run in under the eyes of the camera, in words.

    After what may have been a first tinge it is slow: a flask may mix for three seconds.
    """
    if tinged:
        return "one drop"
    return "two drops" if delivered_ml < LATE_ML else "three drops"


def again_sentence(bracket_ml: tuple[float, float | None] | None) -> str:
    """How to titrate a fresh sample, as practice is after a rough titration.

    Parameters
    ----------
    bracket_ml:
        Between which volumes the endpoint lies, the upper one None if it is not known; None where
        neither is.
    """
    if bracket_ml is None:
        return "Finish, and titrate a fresh sample: slowly from the beginning."
    low_ml, high_ml = bracket_ml
    first_ml = math.floor(10.0 * low_ml) / 10.0
    lies = (
        f"above {low_ml:.2f} mL"
        if high_ml is None
        else f"between {low_ml:.2f} and {high_ml:.2f} mL"
    )
    return (
        f"The endpoint lies {lies}. Finish, and titrate a fresh sample: add {first_ml:g} mL in one "
        "portion, then go on drop by drop."
    )


def left_sentence(
    left_ml: float | None, low_ml: float | None, high_ml: float | None, at_least_ml: float
) -> str:
    """Say in one sentence what is left: "About 0.35 mL left, 0.1 either way" for example.

    Parameters
    ----------
    left_ml, low_ml, high_ml:
        Median and 90 % interval; None where only `at_least_ml` is known.
    at_least_ml:
        Lower bound.
    """
    if left_ml is None or low_ml is None or high_ml is None:
        if at_least_ml < 0.1:
            return "It is too early to say how much is left."
        return f"At least {millilitres(at_least_ml)} mL left."
    if left_ml < -0.005 and high_ml <= 0.0:
        ends = _either_way(-left_ml, -high_ml, -low_ml)
        return f"Past the endpoint by about {millilitres(-left_ml)} mL, {ends}."
    if high_ml < 0.1 and low_ml > -0.1:
        return "This is the endpoint, to within 0.1 mL."
    if low_ml < 0.0:
        most = f"{millilitres(high_ml)} mL"
        if left_ml < 0.02:
            return f"This is about the endpoint; up to {most} may still be left."
        return f"About {millilitres(left_ml)} mL left, at most {most}."
    return f"About {millilitres(left_ml)} mL left, {_either_way(left_ml, low_ml, high_ml)}."


def _either_way(middle: float, low: float, high: float) -> str:
    """The interval in words: one half-width where it is nearly symmetric, else both ends."""
    half = max(middle - low, high - middle)
    if min(middle - low, high - middle) < 0.6 * half:
        return f"between {millilitres(low)} and {millilitres(high)}"
    if half < 0.1:
        return f"{max(half, 0.01):.2f} either way"
    return f"{round(half / 0.05) * 0.05:.3g} either way"
