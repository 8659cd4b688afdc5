"""Questions to a class with reasons; the numbers in the answers are the solver's."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from endpoint.chemistry.ground_indicator import mixture_mg
from endpoint.replay.chemistry import LEVELS, Water, holders, volumes_of_levels
from endpoint.replay.control_pair import ControlFlask, control_pair
from endpoint.replay.numbers import percent
from endpoint.replay.shades import Forms, Shade
from endpoint.replay.story import Story
from endpoint.rounding import FIXED_SPACE, rounded

_MIDDLE, _LAST = LEVELS.index(0.5), LEVELS.index(0.95)
_MUCH_UMOL_L = 80.0
_LOW_PH = 8.5
_SOME = 0.2
_LITTLE_ML = 0.02
"""Much indicator, umol/L in the flask (eight times a small spatula tip), the pH of an old buffer, a
usual share of magnesium, and the distance from the equivalence volume, mL, that counts as none:
half a drop. Our choice."""
CONTROL_MMOL_L, CONTROL_UMOL_L = 1.0, 10.0
"""Metal, mmol/L, and indicator, umol/L, in the control flasks."""
_BLUE, _RED = "already-blue", "never-reached"
_WENT_WRONG = {
    # what a class can see for itself; why it is not so, where it is not
    _RED: (
        "Too little titrant was added: it was stopped before the change.",
        "Then the flask would still be {bound} at the last volume.",
    ),
    _BLUE: (
        "There was nothing to titrate: the flask was {free} from the start.",
        "At 0 mL the flask is not {free}.",
    ),
    "slow-fade": (
        "The colour fades slowly instead of changing within a few drops: the pH is wrong, or "
        "magnesium is missing.",
        "Nothing fades here over many millilitres.",
    ),
    "one-addition": (
        "One addition was too large: {bound} before it, {free} after it, and nothing in between.",
        "There is no such jump from {bound} to {free}.",
    ),
    "still-purple": (
        "It was stopped in the middle of the change, before the {free} was pure.",
        "The last colour is not one between {bound} and {free} that still changes.",
    ),
    "no-change": (
        "The indicator is missing or does not work: the colour stays the same all the time.",
        "The colour does change.",
    ),
    "other-colour": (
        "Something else colours or clouds the flask: these are not the colours of the indicator.",
        "The colours are those of the indicator.",
    ),
    "goes-back": (
        "The {free} does not stay: the {bound} comes back.",
        "The colour never goes back.",
    ),
}
"""What may have gone wrong, by the code of the reason, and what speaks against it elsewhere."""
_OTHERS = {
    _RED: (_BLUE, "slow-fade", "one-addition"),
    _BLUE: (_RED, "one-addition", "goes-back"),
    "no-change": ("one-addition", "goes-back"),
    "slow-fade": (_BLUE, "one-addition"),
    "still-purple": (_BLUE, "one-addition", "goes-back"),
    "goes-back": (_BLUE, "no-change"),
    "one-addition": (_BLUE, "no-change", "goes-back"),
    "other-colour": ("no-change",),
}
"""Wrong answers that a class can rule out with the recording in view."""


@dataclass(frozen=True)
class Choice:
    """One answer that can be chosen."""

    text: str
    is_right: bool
    why: str


@dataclass(frozen=True)
class Question:
    """A question with answers to choose from; the explanation is shown afterwards."""

    key: str
    ask: str
    choices: tuple[Choice, ...]
    explained: str


@dataclass(frozen=True)
class Shown:
    """A flask of the control pair with its colour."""

    flask: ControlFlask
    colour: Shade
    is_red: bool
    name: str
    words: str


def away(offset_ml: float) -> str:
    """Distance from the equivalence volume in words."""
    side = "before" if offset_ml < 0 else "after"
    return f"{rounded(abs(offset_ml), 2)}{FIXED_SPACE}mL {side} the equivalence volume"


def questions_of(story: Story) -> tuple[Question, ...]:
    """Questions that this result can answer; none but for Eriochrome Black T."""
    water = story.water
    if water is None:
        return ()
    early = _early(story, water)
    rest = (_indicator(water), _magnesium(water), _ph(water))
    return rest if early is None else (early, *rest)


def what_went_wrong(story: Story) -> Question | None:
    """Question to a recording without an end that could be pointed at; None with one.

    Where the reason is none that a flask shows, such as a camera that moved, the answers are the
    reason itself and what the flask would show.
    """
    if story.can_be_asked:
        return None
    said, advice = story.reasons[0] if story.reasons else ("No end was found.", "")
    words = {"bound": story.facts.bound, "free": story.facts.free}
    known = story.reason in _WENT_WRONG
    right = _WENT_WRONG[story.reason][0].format_map(words) if known else said
    choices = [Choice(right, True, said if known else advice)]
    for code in _OTHERS.get(story.reason, ()):
        text, why_not = (part.format_map(words) for part in _WENT_WRONG[code])
        choices.append(Choice(text, False, why_not))
    choices.append(
        Choice(
            "Nothing: this is how every titration ends.",
            False,
            f"At the end the {words['bound']} turns {words['free']} within a few drops, and stays.",
        )
    )
    return Question(
        "wrong",
        "This titration has no end that could be read. What went wrong?",
        tuple(sorted(choices, key=lambda choice: choice.text)),
        advice,
    )


def _ends(water: Water) -> tuple[float, float]:
    """Middle and last red, mL from the equivalence volume; NaN where there is none."""
    found = volumes_of_levels([water])[0] - water.equivalence_ml
    return float(found[_MIDDLE]), float(found[_LAST])


def _early(story: Story, water: Water) -> Question | None:
    middle, _ = _ends(water)
    if story.own_middle_ml is not None:
        middle = story.own_middle_ml
    if not middle < -_LITTLE_ML:
        return None
    h = holders([water], np.array([water.equivalence_ml + middle]))
    m = water.magnesium_share
    loose = float((1.0 - m) * h.calcium_free[0, 0] + m * h.magnesium_free[0, 0])
    on_dye = float((1.0 - m) * h.calcium_indicator[0, 0] + m * h.magnesium_indicator[0, 0])
    where = "In the model water" if story.is_example else "Here"
    return Question(
        "early",
        "The middle of the colour change comes before the equivalence volume. Why?",
        (
            Choice(
                "The eye is slow, and the burette runs on.",
                False,
                "The middle is a place on the curve. Nobody had to react to it.",
            ),
            Choice(
                "Close to the end so little metal is free that the indicator has to let go of it.",
                True,
                "Indicator and EDTA compete for the metal, and EDTA holds it far more firmly.",
            ),
            Choice(
                "EDTA binds the indicator and makes it blue.",
                False,
                "EDTA takes metal. It does not bind the indicator.",
            ),
        ),
        f"{where} the middle lies {away(middle)}. By then, according to the model, only "
        f"{_tenths(loose)} of calcium and magnesium are still free and {_tenths(on_dye)} sit on "
        "the indicator; EDTA has the rest. So little free metal cannot keep the indicator red: "
        "half of it is blue already. The EDTA that is still missing takes what is left.",
    )


def _indicator(water: Water) -> Question:
    much = replace(water, indicator_umol_l=max(_MUCH_UMOL_L, 4.0 * water.indicator_umol_l))
    times = rounded(much.indicator_umol_l / water.indicator_umol_l, 0)
    own, other = (end[1] - end[0] for end in (_ends(water), _ends(much)))
    return Question(
        "indicator",
        f"Somebody takes {times} times as much indicator. What happens to the colour change?",
        (
            Choice(
                "It becomes sharper, because there is more colour to see.",
                False,
                "A darker flask hides the last red tinge.",
            ),
            Choice(
                "More EDTA is needed, because the indicator uses EDTA up.",
                False,
                "The metal on the indicator is metal of the water. It was always counted.",
            ),
            Choice(
                "It takes more volume from first to last, and the flask is darker.",
                True,
                "More indicator holds more metal, and gives it up over more EDTA.",
            ),
        ),
        f"From half free to 95{FIXED_SPACE}% free the model needs {_ml(own)} with "
        f"{_amount(water)} and {_ml(other)} with {_amount(much)}. The equivalence volume stays "
        "where it is, but it is harder to see.",
    )


def _magnesium(water: Water) -> Question:
    some, none = (replace(water, magnesium_share=share) for share in (_SOME, 0.0))
    own, other = _ends(some)[0], _ends(none)[0]
    share = percent(_SOME)
    return Question(
        "magnesium",
        f"Two waters have the same hardness. In one of them {share} of it is magnesium, in the "
        "other all is calcium. What do you see with calcium alone?",
        (
            Choice(
                "The change begins much earlier and drags on.",
                True,
                "Calcium holds the indicator only weakly.",
            ),
            Choice(
                "The same change: both are counted alike.",
                False,
                "EDTA counts both alike, but magnesium holds the indicator about forty times as "
                "firmly as calcium.",
            ),
            Choice(
                "No change: without magnesium the indicator stays blue.",
                False,
                "Calcium turns it red too, only less firmly.",
            ),
        ),
        f"According to the model the middle lies {_place(own)} with {share} magnesium, and "
        f"{_place(other)} with none. So a little magnesium EDTA is put into the buffer: its "
        "magnesium holds the indicator to the end, and it brings its own EDTA, so the titre does "
        "not grow.",
    )


def _ph(water: Water) -> Question:
    low = replace(water, ph=_LOW_PH)
    own = _ends(water)[0]
    start = holders([water, low], np.array([0.0])).indicator_free[:, 0]
    other = _ends(low)[0]
    return Question(
        "ph",
        f"The buffer is old and the pH is only {_LOW_PH:g}. What happens?",
        (
            Choice(
                "Nothing: EDTA binds calcium at any pH.",
                False,
                "Both EDTA and indicator carry more hydrogen ions then, and bind less firmly.",
            ),
            Choice(
                "The change comes earlier and is drawn out; some indicator is blue from the start.",
                True,
                "Hydrogen ions compete with the metal for the indicator.",
            ),
            Choice(
                "The flask stays red for ever.",
                False,
                "It is the red that becomes weaker, not the blue.",
            ),
        ),
        f"Before the first drop {percent(float(start[0]))} of the indicator is free at "
        f"pH{FIXED_SPACE}{water.ph:g} and {percent(float(start[1]))} at pH{FIXED_SPACE}"
        f"{_LOW_PH:g}, according to the model. The middle of the change lies {_place(own)} at "
        f"pH{FIXED_SPACE}{water.ph:g}, and {_place(other)} at pH{FIXED_SPACE}{_LOW_PH:g}.",
    )


def _tenths(part: float) -> str:
    if part < 0.0005:
        return f"less than 0.1{FIXED_SPACE}%"
    return f"{rounded(100.0 * part, 1)}{FIXED_SPACE}%"


def _ml(width: float) -> str:
    return "more than there is" if np.isnan(width) else f"{rounded(width, 2)}{FIXED_SPACE}mL"


def _place(offset: float) -> str:
    return "nowhere (half was free from the start)" if np.isnan(offset) else away(offset)


def _amount(water: Water) -> str:
    mixture = rounded(mixture_mg(water.indicator_umol_l, water.flask_ml), -1)
    dye = f"{rounded(water.indicator_umol_l, 0)}{FIXED_SPACE}µmol/L of indicator"
    return f"{dye} ({mixture}{FIXED_SPACE}mg of the mixture with salt)"


def control_flasks(forms: Forms) -> tuple[Shown, ...]:
    """Flasks of the control pair with their colours and what there is to say about them."""
    shown = []
    for flask in control_pair(CONTROL_MMOL_L, CONTROL_UMOL_L):
        colour = forms.at(flask.free_fraction)
        bound = percent(1.0 - flask.free_fraction)
        is_red = flask.free_fraction < 0.5
        plain = "Red" if is_red else "Blue"
        name = plain if colour.name == plain.lower() else f"{plain} ({colour.name})"
        words = f"{percent(flask.free_fraction)} of the indicator is free, {bound} holds metal"
        shown.append(Shown(flask, colour, is_red, f"{name}.", words.capitalize()))
    return tuple(shown)
