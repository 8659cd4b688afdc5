"""What the bench takes from its parts: advice, checks of the set-up, a journal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from endpoint.analysis.result import Result
from endpoint.bench.guidance.words import Tone
from endpoint.colour.density import ColourSample
from endpoint.problems import OutputProblem
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


class Journal(Protocol):
    """Append-only store of what happens at the bench.

    Every method may raise `problems.OutputProblem` when nothing can be written; the bench then
    goes on and says so.
    """

    def begin(self, record: Mapping[str, Any]) -> str:
        """Open a run; returns its name."""
        ...

    def append(self, kind: str, data: Mapping[str, Any]) -> None:
        """Keep one event of the open run: "reading", "correction", "colour", "verdict"..."""
        ...

    def keep_region(self, region: Region) -> None:
        """Keep where liquid and reference are, for a run that goes on."""
        ...

    def kept_region(self) -> Region | None:
        """The region of the open run, if it was kept."""
        ...

    def wants_still(self, time_s: float) -> bool:
        """Whether a picture of this time would be kept."""
        ...

    def keep_still(self, time_s: float, jpeg: bytes) -> None:
        """Keep a picture, if there is room for it."""
        ...

    def flush(self) -> None:
        """Write what waits; called at least once a second."""
        ...

    def unfinished(self) -> Sequence[Mapping[str, Any]]:
        """Runs that were begun and not ended: {"run", "label", "record", "form", "events"}."""
        ...

    def resume(self, run: str) -> Sequence[Mapping[str, Any]]:
        """Open an unfinished run again and return what counts of it, times on its own clock.

        {"kind": "reading", "time_s", "reading_ml"} for every reading that stands, the start
        first; {"kind": "pump", "time_s", "run"}; {"kind": "tube" or
        "volume-seen", "event"} of `journal_events`; {"kind": "colour", "sample": ColourSample}; and
        at the end {"kind": "resumed", "time_s", "sure"}, where its clock is now.
        """
        ...

    def end(self, result: Mapping[str, Any] | None) -> None:
        """Close the run with its result, or without one."""
        ...


_NOT_HELD = ("colour", "verdict", "tube", "volume-seen")


@dataclass
class MemoryJournal:
    """Journal that forgets everything when the program ends."""

    runs: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    open_run: str | None = None

    def begin(self, record: Mapping[str, Any]) -> str:
        """Open a run."""
        self.open_run = f"run-{len(self.runs) + 1}"
        self.runs[self.open_run] = [{"kind": "record", **record}]
        return self.open_run

    def append(self, kind: str, data: Mapping[str, Any]) -> None:
        """Keep an event, but for colours and verdicts, which would fill the memory."""
        if self.open_run is not None and kind not in _NOT_HELD:
            self.runs[self.open_run].append({"kind": kind, **data})

    def keep_region(self, region: Region) -> None:
        """Not kept."""

    def kept_region(self) -> Region | None:
        """None: nothing outlives the program."""
        return None

    def wants_still(self, time_s: float) -> bool:
        """Never: pictures would fill the memory."""
        return False

    def keep_still(self, time_s: float, jpeg: bytes) -> None:
        """Not kept."""

    def flush(self) -> None:
        """Nothing to do."""

    def unfinished(self) -> Sequence[Mapping[str, Any]]:
        """None: memory does not outlive the program."""
        return ()

    def resume(self, run: str) -> Sequence[Mapping[str, Any]]:
        """Never possible."""
        raise OutputProblem(f"Run {run[:20]} is not kept.", "Begin a new run.")

    def end(self, result: Mapping[str, Any] | None) -> None:
        """Close the run."""
        self.append("end", {"result": result})
        self.open_run = None
