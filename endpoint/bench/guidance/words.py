"""What the guide can say: for every state words, a shape and a tone pattern; none needs colour.

A state shows in four ways: its sentence, a shape, its place on a scale of six, and a tone. Tones
differ by the number of their pulses and by their rhythm alone, for people who cannot tell pitches
apart; the pitch rises as the endpoint comes nearer.
"""

from __future__ import annotations

from dataclasses import dataclass


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
    """A state of the guide."""

    code: str
    title: str
    """Two or three words."""
    words: str
    """What to do, one sentence."""
    shape: str
    """Name of the shape that the page draws."""
    place: int | None
    """Position from 0 (far from the endpoint) to 5 (past it); None for other states."""
    tone: Tone
    pump_words: str
    """What to do where a pump delivers."""


_SILENT = Tone((), 0.0, 0, 0.0)

ADVICE: dict[str, Advice] = {
    one.code: one
    for one in (
        Advice(
            "not-begun",
            "Not begun",
            "Check the flask, the white reference and the light, then begin.",
            "open ring",
            None,
            _SILENT,
            "Check the flask, the white reference and the light, then start the pump.",
        ),
        Advice(
            "pour",
            "Keep adding",
            "Add titrant at an even pace and keep swirling.",
            "long bar",
            0,
            Tone((262.0,), 1.0, 1, 3.0),
            "Let the pump run.",
        ),
        Advice(
            "slow",
            "Slow down",
            "Add small portions of half a millilitre, and wait after each.",
            "three steps",
            1,
            Tone((330.0, 330.0), 1.5, 2, 2.0),
            "Slow the pump to a third of its rate.",
        ),
        Advice(
            "drops",
            "Drop by drop",
            "Add one drop and swirl.",
            "single drop",
            2,
            Tone((440.0, 440.0, 440.0), 3.0, 3, 1.5),
            "Stop the pump, then add one drop at a time.",
        ),
        Advice(
            "half-drops",
            "Half drops",
            "Touch half a drop to the wall of the flask and rinse it down.",
            "split drop",
            3,
            Tone((554.0, 554.0, 554.0, 554.0), 5.0, 4, 1.0),
            "Add half a drop at a time.",
        ),
        Advice(
            "mixing",
            "Wait for mixing",
            "Add nothing and swirl: the last addition has not mixed in yet.",
            "hourglass",
            None,
            Tone((220.0,), 1.0, 1, 1.0),
            "Pause the pump and let the liquid mix.",
        ),
        Advice(
            "stop",
            "Stop",
            "Stop here, read the burette and write down the reading.",
            "square",
            4,
            Tone((740.0,) * 8, 8.0, 8, 0.5),
            "Stop the pump and write down the volume.",
        ),
        Advice(
            "passed",
            "Passed",
            "Stop: the endpoint is passed. Read the burette; the result can still be worked out.",
            "arrow back over a line",
            5,
            Tone((740.0, 392.0), 2.0, 2, 2.0),
            "Stop the pump: the endpoint is passed. The result can still be worked out.",
        ),
        Advice(
            "too-early",
            "Too early to say",
            "Add small portions, wait after each, and watch.",
            "question mark",
            None,
            _SILENT,
            "Keep the pump slow and watch.",
        ),
        Advice(
            "unseen",
            "Cannot see the liquid",
            "Bring the flask and the white reference back into view.",
            "dash",
            None,
            _SILENT,
            "Pause the pump, and bring the flask and the white reference back into view.",
        ),
    )
}
"""Every state by its code."""


def millilitres(volume_ml: float) -> str:
    """Volume for a sentence: two decimals below 2 mL, one above."""
    return f"{volume_ml:.2f}" if abs(volume_ml) < 2.0 else f"{volume_ml:.1f}"


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
