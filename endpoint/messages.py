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
        "Film the flask large and in the middle of the picture, or mark the liquid with "
        "--liquid-box.",
    ),
    "no-reference": (
        "No white or grey reference was found next to the flask.",
        "Stand the flask on a white tile that shows next to it in the picture, or mark the "
        "reference with --reference-box.",
    ),
    "too-few-points": (
        "Fewer than 5 volumes have a usable colour.",
        "Record more additions, and keep the flask in view after each of them.",
    ),
    "never-reached": (
        "The liquid was still {bound} at the last volume, so the endpoint was not reached.",
        "Titrate until the {free} colour stays, or take less sample.",
    ),
    "already-blue": (
        "The liquid was {free} from the start, so there is no change to find.",
        "Check that the sample and the buffer went in before the indicator, that the water is "
        "not softened or distilled, and that the recording began before the titration.",
    ),
    "no-change": (
        "The colour does not change in this recording.",
        "Check the indicator, and that the recording shows the flask during the titration.",
    ),
    "light-lost": (
        "The light went off before the change was complete.",
        "Keep the same light on until the {free} has stayed for half a minute.",
    ),
    "camera-moved": (
        "The camera or the flask was moved before the change was complete.",
        "Fix the camera, mark where the flask stands, and titrate again.",
    ),
    "view-lost": (
        "The liquid or the white reference was hidden before the change was complete.",
        "Keep hands, clamps and paper out of the line of sight.",
    ),
    "slow-fade": (
        "The colour fades slowly, without the sharp change that pH {ph} gives.",
        "{ph_check}.",
    ),
    "other-colour": (
        "The colour changes, but not from the {bound} to the {free} form of the indicator.",
        "Check the indicator and the reagents, and look for turbidity or an interfering metal.",
    ),
    "model-misfit": (
        "The shape of the change does not fit the chemistry of the titration.",
        "Check that the volumes belong to this recording and use its clock, and that the flask "
        "was well mixed.",
    ),
    "clocks-apart": (
        "Some additions in the log come before the recording begins or after it ends.",
        "If the log and the recording have different clocks, state clock_offset_s in "
        "[delivery]: the clock of the recording minus that of the log, in seconds. The first "
        "plume of colour shows it.",
    ),
    "goes-on": (
        "The colour still changes after the last volume in the log.",
        "Write down every addition up to the last picture, and check that the log and the "
        "recording share one clock.",
    ),
    "goes-back": (
        "The colour turns {free} and then goes back.",
        "Wait longer between additions; an interfering metal or undissolved carbonate can cause"
        " this, and so can a log with a clock of its own.",
    ),
    "one-addition": (
        "Most of the colour change lies between two volumes that were written down, so the "
        "endpoint is only known to lie between them.",
        "Add drop by drop near the end, and write down each reading.",
    ),
    "still-purple": (
        "The recording stops within the change, before a pure {free} was reached.",
        "Go on half a millilitre past the end, until the {free} no longer changes.",
    ),
    "exchanged": (
        "The colour turns at once, without a shade between {bound} and {free}, and far too little "
        "titrant was added for that: another flask or thing stands in its place.",
        "Keep the flask in view until the end, and leave it where it stands.",
    ),
    "rows-uncertain": (
        "The rows of the log go with the additions in the recording in more than one way, so the "
        "endpoint is only known to lie between two volumes.",
        "Write each reading before the next addition, and leave some seconds between them.",
    ),
    "log-unproven": (
        "By its own clock the log does not go with this recording, and by another one its "
        "additions would go with it as well in another order. The interval holds only if the log "
        "belongs to this recording.",
        "Check that it does, and state clock_offset_s in [delivery]: the clock of the recording "
        "minus that of the log, in seconds.",
    ),
    "too-uncertain": (
        "The recording cannot place the endpoint more closely than this interval.",
        "Make more and smaller additions near the end, keep the light steadier, or use more "
        "indicator.",
    ),
}

REMARKS: dict[str, tuple[str, str]] = {
    "clock-found": (
        "The log fits the plumes and steps of colour when it is moved by {offset} s, so it was.",
        "State clock_offset_s in [delivery], the clock of the recording minus that of the log, in "
        "seconds: {offset} if that is right, 0 if both share one clock and a row is missing.",
    ),
    "clocks-doubted": (
        "Some additions seem to come at other times than the log says, or are missing from it.",
        "Compare the first plumes of colour with the log; clock_offset_s in [delivery] is the "
        "clock of the recording minus that of the log, in seconds.",
    ),
    "plume-elsewhere": (
        "The first plume of colour comes {seen} s after the first picture, but the record says "
        "that titrant runs in from {told} s.",
        "Compare the two; start_s of a pump, or clock_offset_s of a log, moves the delivery.",
    ),
    "first-reading": (
        "The log begins at {first} mL, which is taken as titrant that is in the flask by then.",
        "If that is the reading of the burette at the start, subtract it from every volume.",
    ),
    "little-indicator": (
        "The liquid is very pale.",
        "A little more indicator makes the result more certain.",
    ),
    "much-indicator": (
        "The liquid looks very dark: there is much indicator in the way of the light.",
        "Use less indicator; in a wide flask less is enough. Too much stretches the change and "
        "hides it.",
    ),
    "ph-suspected": (
        "The change is more gradual than it should be; the pH may not be {ph}.",
        "{ph_drift}.",
    ),
    "colour-unlike": (
        "The colours do not change the way those of {name} do.",
        "Check that the record names the indicator that was used.",
    ),
    "no-magnesium": (
        "The fade begins early, as in water with hardly any magnesium; by eye one would stop "
        "too soon.",
        "Magnesium EDTA in the buffer sharpens the change and does not alter the result.",
    ),
    "photometer-saturated": (
        "Some photometer readings were above the usable range and were set aside.",
        "Use less indicator, a shorter cell or another wavelength.",
    ),
    "lag-unknown": (
        "No mixing time was given; an assumed one is used, which widens the interval.",
        "Give mixing_lag_s in the record, or wait a few seconds after each addition near the end; "
        "stop a pump for 20 s as the colour turns, or run it at a fifth from 1 mL before, and log "
        "it.",
    ),
    "reference-bright": (
        "The white reference is overexposed in part of the recording.",
        "Lower the exposure until the reference is just below white.",
    ),
    "light-changed": (
        "The light, the exposure or the amount of indicator changed during the recording. Even "
        "steps of light were undone; volumes that were seen in another light were set aside.",
        "Leave lamp and camera alone while you titrate, fix the exposure, and add no more "
        "indicator.",
    ),
    "frames-lost": (
        "Part of the recording was set aside, but the change itself was recorded.",
        "The result states how many frames were set aside and why.",
    ),
    "begins-late": (
        "The recording begins after the colour change has started.",
        "Start recording before the first addition.",
    ),
    "eye-differs": (
        "The middle of the colour change does not lie at the equivalence volume. The chemistry "
        "predicts this, and the result uses the equivalence volume.",
        "None needed.",
    ),
    "carbonate-dissolves": (
        "The {free} creeps back towards {bound} within the pauses after the end, as where calcium "
        "carbonate has fallen and dissolves again; the interval reaches further up for it.",
        "Dilute the sample to less than 25 mg CaCO3 in the flask, titrate within 5 minutes of "
        "adding the buffer, or add most of the titrant before the buffer.",
    ),
    "carbonate-possible": (
        "The titration of a hard water took more than 5 minutes after the buffer, so calcium "
        "carbonate may have fallen; the interval reaches further up for it.",
        "Dilute the sample to less than 25 mg CaCO3 in the flask, titrate within 5 minutes of "
        "adding the buffer, or add most of the titrant before the buffer.",
    ),
    "indicator-blocked": (
        "The sample holds {metals}, which can block the indicator: the change is then slow, or "
        "the {free} does not come or stay.",
        "Mask the metal before the indicator goes in, dilute the sample, or titrate back.",
    ),
    "volume-sparse": (
        "Few volumes lie within the change, so the result relies on the chemistry.",
        "Add in smaller portions near the end.",
    ),
}

SEEN_REASONS: dict[str, tuple[str, str]] = {
    "meniscus-missing": (
        "No meniscus was found in the burette box.",
        "Set settings.burette_box around the tube, light it from behind, and film it large "
        "enough to tell the lines of the scale apart.",
    ),
    "meniscus-seldom": (
        "The meniscus was found in only {seen} of {all} frames.",
        "Film the tube in front of a plain light background, and keep hands away from it.",
    ),
    "meniscus-unsteady": (
        "The meniscus could not be followed reliably: in {share} of the frames it seems to jump.",
        "Draw settings.burette_box closely around the tube, film it larger, and light it evenly.",
    ),
    "tube-missing": (
        "No straight glass tube was found in the burette box.",
        "Set settings.burette_box around the straight part of the burette, a little wider than "
        "the glass, with a plain light background behind it.",
    ),
    "burette-not-found": (
        "The burette could not be found reliably in the pictures.",
        "Set settings.burette_box around the straight part of the tube, and film it in front of"
        " a plain light background, large enough to tell its lines apart.",
    ),
    "tip-not-found": (
        "No place with falling drops could be found reliably in the pictures.",
        "Set settings.tip_box from the tip of the burette to just above the flask, and film at "
        "25 frames/s or more.",
    ),
    "stream": (
        "The titrant ran as a stream from {begin} to {end} s, so drops cannot be counted.",
        "Follow the meniscus, give a volume log, or titrate drop by drop throughout.",
    ),
    "drops-restless": (
        "Too much moves in the tip box for drops to be counted.",
        "Draw settings.tip_box between the tip and the flask, with nothing else in it.",
    ),
    "frames-too-few": (
        "The recording has too few frames to count drops.",
        "Film at 25 frames/s or more.",
    ),
    "drops-few": (
        "Only {count} drops were counted for {poured} mL.",
        "Draw settings.tip_box from the tip to just above the flask, and check start_ml and "
        "end_ml.",
    ),
    "drops-impossible": (
        "{count} drops for {poured} mL would make {drop} mL a drop, and {missed} may have been "
        "missed.",
        "A drop has 0.03 to 0.06 mL: check both readings and the tip box, and film at 30 "
        "frames/s or more.",
    ),
}
"""Why the delivered volume is not read out of the pictures."""

SEEN_REMARKS: dict[str, tuple[str, str]] = {
    "parallax": (
        "The camera sees the meniscus through the scale printed in front of it; with only one "
        "reading, its distance has to be assumed.",
        "Type the reading at the end as well, taken with the eye level with the meniscus.",
    ),
    "scale-missing": (
        "The lines of the burette are not resolved, so the scale rests on the two readings "
        "alone, and a camera that looks up or down bends it.",
        "Film the burette larger, with the camera level and at half height.",
    ),
    "tube-leans": (
        "The burette leans in the picture.",
        "Set the burette and the camera upright; the volume is taken along the tube.",
    ),
    "meniscus-hidden": (
        "The meniscus was hidden in part of the recording; the volume there is interpolated.",
        "Keep hands and paper away from the tube.",
    ),
    "refilled": (
        "The burette was refilled during the recording.",
        "No action is needed; each filling adds the errors of two readings.",
    ),
    "readings-differ": (
        "The typed readings do not agree well with the printed lines between them.",
        "Check both readings, and that the recording covers all that was delivered.",
    ),
    "drop-size": (
        "The drops are unusual: the two readings and the count give a drop outside 0.03 to 0.06"
        " mL.",
        "Check both readings, and that every drop fell within the recording.",
    ),
    "drops-missed": (
        "Some drops may have fallen between two frames or where the picture does not show them.",
        "Film at 30 frames/s or more, with 3 cm of free fall in the picture.",
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
