"""What the guide says, in every form the page can give it, and how it changes until the next look.

Pure. What to do next is decided in `endpoint.bench.guidance.guide`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from endpoint.bench.guidance.prediction import Left
from endpoint.bench.guidance.words import (
    ADVICE,
    TYPE_IT,
    Tone,
    amount_words,
    drops_a_second,
    left_sentence,
)


@dataclass(frozen=True)
class Pace:
    """How titrant is added."""

    pump: bool = False
    """A pump delivers; else a burette by hand."""
    rate_ml_min: float = 0.0
    """Rate of the pump now; 0 while it stands still."""
    typed: bool = True
    """Somebody types the readings."""
    tinged: bool = False
    """A stream has brought what may be a first tinge, not long ago."""


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


def said_of(
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
    """A state of the guide in every form.

    Parameters
    ----------
    code:
        Key of `endpoint.bench.guidance.words.ADVICE`.
    pace, delivered_ml, left:
        How titrant is added, how much was, and what is left if that is known.
    amount_ml, rate_ml_min, until_s, place:
        As in `Guidance`.
    """
    advice = ADVICE[code]
    title, words = (
        (advice.pump_title, advice.pump_words) if pace.pump else (advice.title, advice.words)
    )
    filled = {
        "amount": f"{amount_ml or 0.0:g} mL" if pace.pump else amount_words(amount_ml or 0.0),
        "rate": f"{rate_ml_min or 0.0:g} mL/min",
        "drops": drops_a_second(delivered_ml, tinged=pace.tinged),
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


def unseen(delivered_ml: float, pace: Pace | None = None) -> Guidance:
    """What is said while the liquid is out of view."""
    return said_of("unseen", pace or Pace(), delivered_ml)


def waiting(
    code: str,
    delivered_ml: float,
    before: Guidance,
    until_s: float | None,
    pace: Pace | None = None,
) -> Guidance:
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
    pace:
        How titrant is added; by default by hand.
    """
    moved = shifted(before, delivered_ml)
    said = said_of(code, pace or Pace(), delivered_ml, place=before.place, until_s=until_s)
    ends = ("left_text", "left_ml", "left_low_ml", "left_high_ml", "at_least_ml", "finishing")
    return retitled(replace(said, **{name: getattr(moved, name) for name in ends}), said.title)


def retitled(said: Guidance, title: str) -> Guidance:
    """The same under another title, which the voice says too."""
    return replace(said, title=title, spoken=f"{title}. {said.left_text}".strip())


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
    return retitled(said, said.title.split(" ")[0] + f" {seconds} s")
