"""What the bench takes from its parts: advice and checks of the set-up."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from endpoint.analysis.result import Result
from endpoint.bench.guidance.words import Tone
from endpoint.colour.density import ColourSample
from endpoint.scene.region import Region

SHAPES = (
    "open ring",
    "long bar",
    "three steps",
    "single drop",
    "split drop",
    "hourglass",
    "square",
    "arrow back over a line",
    "question mark",
    "dash",
)
"""Shapes that the page can draw, one for each state of the guidance."""
PLACES = ("far", "slow", "drops", "half drops", "stop", "passed")
"""Scale of six on which the state is shown by its position."""


@dataclass(frozen=True)
class Guidance:
    """What the person at the burette should do now, in every form the page can give it."""

    code: str
    title: str
    """A few words, shown large."""
    words: str
    """What to do, one sentence."""
    shape: str
    """One of `SHAPES`."""
    place: int | None
    """Position on `PLACES`; None beside it."""
    tone: Tone
    spoken: str
    left_text: str = ""
    """What is left, one sentence."""
    delivered_ml: float = 0.0
    left_ml: float | None = None
    """From the volume delivered to the equivalence volume; negative once passed."""
    left_low_ml: float | None = None
    left_high_ml: float | None = None
    """90 % interval."""


@dataclass(frozen=True)
class Moment:
    """Where a titration stands when guidance is asked for."""

    now_s: float
    """On the clock of the frames."""
    delivered_ml: float
    since_addition_s: float
    """Seconds since the last reading was entered."""
    lag_s: float
    blueness: float | None
    """Form seen in the last frames (`forms.State.blueness`); None if nothing is seen."""
    pump: bool = False
    watched: bool = False
    """The volume is read from the picture: a rise within its scatter is no addition."""
    plume: bool = False
    """Titrant is seen to run in, beyond what the last reading says."""
    expected_ml: tuple[float, float] | None = None
    """Equivalence volume of earlier replicates of this sample and its standard deviation."""


class Adviser(Protocol):
    """Guidance from the curve so far; pure. It may be slow: it is asked beside the frames."""

    def __call__(self, result: Result | None, moment: Moment) -> Guidance:
        """Guidance for a moment; `result` is the last conclusion, with its curve and job."""
        ...


@dataclass(frozen=True)
class Check:
    """One line of the set-up page."""

    code: str
    mark: str
    """"good", "wait", "doubt" or "fault"; the page draws a shape and writes the word."""
    text: str
    advice: str = ""


@dataclass(frozen=True)
class SetUp:
    """What is known of the scene before the first addition."""

    camera_alive: bool
    frames: int
    located: bool
    """Liquid and reference were found."""
    trouble: str | None
    """Code of `problems.NoEndpoint` if they were not found."""
    clipped: bool = False
    dark: bool = False
    light_scatter: float | None = None
    """Relative standard deviation of the reference over the last seconds."""
    blueness: float | None = None
    depth: float | None = None
    """Largest density of the liquid over the three channels."""
    region: Region | None = field(default=None, repr=False)
    samples: tuple[ColourSample, ...] = field(default=(), repr=False)
    """Colours of the last seconds, in order of time."""


class Checker(Protocol):
    """Checks of the set-up; pure."""

    def __call__(self, set_up: SetUp) -> tuple[Check, ...]:
        """One line for each thing that must be right before titrating."""
        ...
