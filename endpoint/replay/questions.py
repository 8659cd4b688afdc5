"""Questions to a class with reasons; the numbers in the answers are the solver's."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from endpoint.replay.chemistry import LEVELS, Water, holders, volumes_of_levels
from endpoint.replay.control_pair import ControlFlask, control_pair
from endpoint.replay.numbers import percent
from endpoint.replay.shades import Forms, Shade
from endpoint.replay.story import Story
from endpoint.rounding import FIXED_SPACE, rounded

_MIDDLE, _LAST = LEVELS.index(0.5), LEVELS.index(0.95)
_MUCH_UMOL_L = 80.0
_LOW_PH = 8.5
_LITTLE_ML = 0.02
"""Much indicator, umol/L in the flask (four times the usual), the pH of an old buffer, and the
distance from the equivalence volume, mL, that counts as none: half a drop. Our choice."""
CONTROL_MMOL_L, CONTROL_UMOL_L = 1.0, 20.0
"""Metal, mmol/L, and indicator, umol/L, in the control flasks."""


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
    own = _ends(water)[0] if story.own_middle_ml is None else story.own_middle_ml
    rest = (_indicator(water), _magnesium(water, own), _ph(water, own))
    return rest if early is None else (early, *rest)


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


def _magnesium(water: Water, own: float) -> Question:
    none = replace(water, magnesium_share=0.0)
    some = water
    if water.magnesium_share <= 0.01:
        some = replace(water, magnesium_share=0.2)
        own = _ends(some)[0]
    other = _ends(none)[0]
    share = percent(some.magnesium_share)
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
        f"The middle lies {_place(own)} with {share} magnesium and, according to the model, "
        f"{_place(other)} with none. So a little magnesium EDTA is put into the buffer: its "
        "magnesium holds the indicator to the end, and it brings its own EDTA, so the titre does "
        "not grow.",
    )


def _ph(water: Water, own: float) -> Question:
    low = replace(water, ph=_LOW_PH)
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
    return f"{rounded(water.indicator_umol_l, 0)}{FIXED_SPACE}µmol/L of indicator"


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
