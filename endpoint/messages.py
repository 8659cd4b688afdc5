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
        "Check that the volumes belong to this recording and have its clock, and that the flask "
        "was mixed well.",
    ),
    "clocks-apart": (
        "Additions in the log lie before the recording begins, or after it ends.",
        "If log and recording have two clocks, state clock_offset_s in [delivery]: the clock of "
        "the recording minus that of the log, in seconds. The first plume of colour shows it.",
    ),
    "clock-found": (
        "The log does not fit the recording as it stands; moved by {offset} s, and only so, it "
        "fits the plumes and steps of colour.",
        "If the first addition of the log is seen at {first} s of the recording, state "
        "clock_offset_s = {offset} in [delivery]; if log and recording have one clock, state 0, "
        "and see that the log has every addition.",
    ),
    "plume-elsewhere": (
        "The first plume of colour comes {seen} s after the first picture, but by the log titrant "
        "runs in from {told} s on.",
        "State clock_offset_s in [delivery], the clock of the recording minus that of the log: "
        "about {offset} if they have two clocks, 0 if they have one.",
    ),
    "goes-on": (
        "The colour goes on changing after the last volume in the log.",
        "Write down every addition up to the last picture; check that log and recording have one "
        "clock.",
    ),
    "goes-back": (
        "The colour turns {free} and goes back again.",
        "Wait longer between additions; an interfering metal or undissolved carbonate does this, "
        "and a log whose clock is not that of the recording.",
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
    "plume-elsewhere": (
        "The first plume of colour comes {seen} s after the first picture, but by the record "
        "titrant runs in from {told} s on.",
        "Compare both; start_s of a pump, or clock_offset_s of a log, moves the delivery.",
    ),
    "clocks-doubted": (
        "Some additions in the log do not seem to come when the recording shows them, or are not "
        "in the log.",
        "Compare the first plumes of colour with the log; clock_offset_s in [delivery] is the "
        "clock of the recording minus that of the log, in seconds.",
    ),
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

SEEN_REASONS: dict[str, tuple[str, str]] = {
    "meniscus-missing": (
        "No meniscus was found in the burette box.",
        "Give settings.burette_box around the tube; light it from behind and film it "
        "so large that the lines of the scale can be told apart.",
    ),
    "meniscus-seldom": (
        "The meniscus was seen in {seen} of {all} frames only.",
        "Film the tube before a plain light background, and keep hands away from it.",
    ),
    "meniscus-unsteady": (
        "The meniscus was not followed surely: in {share} of the frames it seems to "
        "stand elsewhere than before and after.",
        "Draw settings.burette_box closely around the tube, and film it larger and evenly lit.",
    ),
    "tube-missing": (
        "No straight glass tube was found in the burette box.",
        "Give settings.burette_box around the straight part of the burette, "
        "a little wider than the glass, in front of a plain light background.",
    ),
    "burette-not-found": (
        "The burette was not found surely in the pictures.",
        "Give settings.burette_box around the straight part of the tube, and film it before a "
        "plain light background, so large that its lines can be told apart.",
    ),
    "tip-not-found": (
        "No place with falling drops was found surely in the pictures.",
        "Give settings.tip_box from the tip of the burette down to just above the flask, and "
        "film with 25 frames/s or more.",
    ),
    "stream": (
        "The titrant ran as a stream from {begin} to {end} s: no count is possible.",
        "Follow the meniscus, give a volume log, or titrate drop by drop throughout.",
    ),
    "drops-restless": (
        "Far too much moves in the tip box to count drops.",
        "Draw settings.tip_box between tip and flask, with nothing else in it.",
    ),
    "frames-too-few": (
        "The recording has too few frames to count drops.",
        "Film with 25 frames/s or more.",
    ),
    "drops-few": (
        "{count} drops were counted for {poured} mL.",
        "Draw settings.tip_box from the tip down to just above the flask, and check start_ml "
        "and end_ml.",
    ),
    "drops-impossible": (
        "{count} drops for {poured} mL make {drop} mL a drop, and {missed} may have been missed.",
        "A drop has 0.03 to 0.06 mL: check both readings and the tip box; film with 30 "
        "frames/s or more.",
    ),
}
"""Why the delivered volume is not read out of the pictures."""

SEEN_REMARKS: dict[str, tuple[str, str]] = {
    "parallax": (
        "The camera sees the meniscus through the scale that is printed in front of it; "
        "with one reading only its distance is assumed.",
        "Type the reading at the end too, taken with the eye level with the meniscus.",
    ),
    "scale-missing": (
        "The lines of the burette are not resolved: the two readings alone make the scale, "
        "and a camera that looks up or down bends it.",
        "Film the burette larger, with the camera level and at half height.",
    ),
    "tube-leans": (
        "The burette leans in the picture.",
        "Set burette and camera upright; the volume is taken along the tube.",
    ),
    "meniscus-hidden": (
        "The meniscus was hidden in part of the recording; the volume there is interpolated.",
        "Keep hands and paper away from the tube.",
    ),
    "refilled": (
        "The burette was filled again during the recording.",
        "None needed; each filling adds the errors of two readings.",
    ),
    "readings-differ": (
        "The typed readings and the printed lines between them do not agree well.",
        "Check both readings, and that the recording covers all that was delivered.",
    ),
    "drop-size": (
        "The drops are unusual: two readings and the count give a volume outside 0.03-0.06 mL.",
        "Check both readings, and that every drop fell within the recording.",
    ),
    "drops-missed": (
        "Some drops may have fallen between two frames or in places that were not seen.",
        "Film with 30 frames/s or more, and with 3 cm of free fall in the picture.",
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


def seen_reason(code: str, **words: object) -> Sentence:
    """Why the volume is not read out of the pictures, by its code."""
    return _worded(code, SEEN_REASONS[code], {key: str(value) for key, value in words.items()})


def seen_remark(code: str) -> Sentence:
    """Remark on a volume that was read out of the pictures, by its code."""
    return Sentence(code, *SEEN_REMARKS[code])


def _worded(code: str, texts: tuple[str, str], words: Mapping[str, str]) -> Sentence:
    text, advice = (part.format_map(words) for part in texts)
    return Sentence(code, text, advice)
