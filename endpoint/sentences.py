"""Every reason and remark about a recording: one sentence and one advice for each code.

Words in braces are those of the indicator: the colours of its two forms, the pH it wants.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

USUAL_WORDS = {
    "name": "Eriochrome Black T",
    "bound": "red",
    "free": "blue",
    "ph": "10",
    "ph_check": "Check the pH of the buffer (fresh ammonia buffer, pH 10), and add magnesium EDTA "
    "if the water has no magnesium",
    "ph_drift": "Check the buffer; a bottle that has lost ammonia no longer gives pH 10",
}
"""What stands for the words in braces with Eriochrome Black T at pH 10."""

REASONS: dict[str, tuple[str, str]] = {
    "no-flask": (
        "No flask with coloured liquid was found in the pictures.",
        "Film the flask large and in the middle, or give the liquid by hand with --liquid-box.",
    ),
    "no-reference": (
        "No white or grey reference was found beside the flask.",
        "Stand the flask on a white tile that the picture shows beside it, "
        "or give the reference by hand with --reference-box.",
    ),
    "too-few-points": (
        "Fewer than 5 volumes have a usable colour.",
        "Record more additions, and leave the flask in view after each of them.",
    ),
    "never-reached": (
        "The liquid was still {bound} at the last volume: the endpoint was not reached.",
        "Go on titrating until the {free} stays, or take less sample.",
    ),
    "already-blue": (
        "The liquid was {free} from the start: there is no change to find.",
        "Check that sample and buffer went in before the indicator, that the water is not "
        "softened or distilled, and that titrating had not begun before the recording.",
    ),
    "no-change": (
        "The colour does not change in this recording.",
        "Check the indicator, and that the recording shows the flask during the titration.",
    ),
    "light-lost": (
        "The light was lost before the change was complete.",
        "Keep the same light on until the {free} has stayed for half a minute.",
    ),
    "camera-moved": (
        "The camera or the flask was moved before the change was complete.",
        "Fix the camera, mark the place of the flask, and titrate again.",
    ),
    "view-lost": (
        "The liquid or the white reference was hidden before the change was complete.",
        "Keep hands, clamps and paper out of the line of sight.",
    ),
    "slow-fade": (
        "The colour fades slowly without the sharp change that pH {ph} gives.",
        "{ph_check}.",
    ),
    "other-colour": (
        "The colour changes, but not from the {bound} to the {free} form of the indicator.",
        "Check the indicator and the reagents, and look for turbidity or an interfering metal.",
    ),
    "model-misfit": (
        "The shape of the change does not fit the chemistry of the titration.",
        "Check that the volumes belong to this recording, and that the flask was mixed well.",
    ),
    "goes-back": (
        "The colour turns {free} and goes back again.",
        "Wait longer between additions; an interfering metal or undissolved carbonate does this.",
    ),
    "one-addition": (
        "One addition jumps the whole change: the endpoint lies between two volumes.",
        "Add drop by drop near the end.",
    ),
    "still-purple": (
        "The last volume is within the change: no pure {free} was recorded.",
        "Go on past the end until the {free} does not change any more, by half a millilitre.",
    ),
    "too-uncertain": (
        "The recording bounds the endpoint, but no closer than this interval.",
        "More and smaller additions near the end, steadier light or more indicator help.",
    ),
}

REMARKS: dict[str, tuple[str, str]] = {
    "little-indicator": (
        "The liquid is very pale.",
        "A little more indicator makes the result surer.",
    ),
    "much-indicator": (
        "The liquid is very dark: there is a lot of indicator in it.",
        "Use less indicator: it stretches the change and hides it.",
    ),
    "ph-suspected": (
        "The change is drawn out in a way that fits a pH beside {ph}.",
        "{ph_drift}.",
    ),
    "colour-unlike": (
        "The colours change in another way than those of {name}.",
        "Check that the record names the indicator that was used.",
    ),
    "no-magnesium": (
        "The fade begins early, as in water with hardly any magnesium: the eye would stop early.",
        "Magnesium EDTA in the buffer sharpens the change and does not move the result.",
    ),
    "photometer-saturated": (
        "Some photometer readings were above the usable range and were set aside.",
        "Use less indicator, a shorter cell or another wavelength.",
    ),
    "lag-unknown": (
        "No mixing time was given: it is assumed, and that widens the interval.",
        "Give mixing_lag_s in the record, or wait some seconds after each addition near the end.",
    ),
    "reference-bright": (
        "The white reference is at the upper limit of the camera in part of the recording.",
        "Lower the exposure until the reference is just below white.",
    ),
    "frames-lost": (
        "Part of the recording was set aside, but the change itself was seen.",
        "The result states how many frames were set aside and why.",
    ),
    "begins-late": (
        "The recording begins when the change has already begun.",
        "Start the recording with the first addition.",
    ),
    "eye-differs": (
        "The middle of the colour change does not lie at the equivalence volume. "
        "The chemistry predicts this, and the equivalence volume is used for the result.",
        "None needed.",
    ),
    "volume-sparse": (
        "Few volumes stand within the change, so the result leans on the chemistry.",
        "Add in smaller portions near the end.",
    ),
}


@dataclass(frozen=True)
class Sentence:
    """A reason or a remark for people: a stable code, one sentence, one advice."""

    code: str
    text: str
    advice: str


def reason(code: str, words: Mapping[str, str] = USUAL_WORDS) -> Sentence:
    """Sentence of a reason by its code, in the colours of the indicator."""
    return _worded(code, REASONS[code], words)


def remark(code: str, words: Mapping[str, str] = USUAL_WORDS) -> Sentence:
    """Sentence of a remark by its code, in the colours of the indicator."""
    return _worded(code, REMARKS[code], words)


def _worded(code: str, texts: tuple[str, str], words: Mapping[str, str]) -> Sentence:
    text, advice = (part.format_map(words) for part in texts)
    return Sentence(code, text, advice)
