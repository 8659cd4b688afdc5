"""What the bench takes from its parts: advice, checks of the set-up, a journal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from endpoint.pipeline import Result

SHAPES = ("ring", "chevrons", "chevron", "drop", "half-drop", "hourglass", "square", "bar", "dash")
"""Shapes that the page can draw, one for each state of the guidance."""


@dataclass(frozen=True)
class Left:
    """Titrant that is left to the end, mL."""

    value_ml: float
    low_ml: float
    """Lower end of the 90 % range; negative if the end may be passed."""
    high_ml: float


@dataclass(frozen=True)
class Tone:
    """One beep pattern: pitch, and how often it sounds."""

    pitch_hz: float
    beeps: int
    """Beeps in a group; 0 is silence, -1 a steady tone."""
    every_s: float
    """Time from one group to the next."""


@dataclass(frozen=True)
class Guidance:
    """What the person at the burette should do now, in every form the page can give it."""

    code: str
    words: str
    """A few words, shown large."""
    detail: str
    """One sentence with numbers."""
    shape: str
    """One of `SHAPES`."""
    place: float | None
    """Position on the track: 0 start, 1 end reached; None if unknown."""
    tone: Tone
    spoken: str
    left: Left | None = None


@dataclass(frozen=True)
class Moment:
    """Where a titration stands when guidance is asked for."""

    delivered_ml: float
    since_addition_s: float
    """Seconds since the last reading was entered."""
    lag_s: float
    blueness: float | None
    """Form seen in the last frames (`forms.State.blueness`); None if nothing is seen."""
    pump: bool = False


class Adviser(Protocol):
    """Guidance from the curve so far; pure."""

    def __call__(self, result: Result | None, moment: Moment) -> Guidance:
        """Guidance for a moment; `result` is the last conclusion, if there is one."""
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

    def flush(self) -> None:
        """Write what waits; called at least once a second."""
        ...

    def unfinished(self) -> Sequence[Mapping[str, Any]]:
        """Runs that were begun and not ended: {"run", "label", "record", "events"}."""
        ...

    def resume(self, run: str) -> Sequence[Mapping[str, Any]]:
        """Open an unfinished run again; returns its events in order."""
        ...

    def end(self, result: Mapping[str, Any] | None) -> None:
        """Close the run with its result, or without one."""
        ...


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
        """Keep an event, but for colours, which would fill the memory."""
        if self.open_run is not None and kind != "colour":
            self.runs[self.open_run].append({"kind": kind, **data})

    def flush(self) -> None:
        """Nothing to do."""

    def unfinished(self) -> Sequence[Mapping[str, Any]]:
        """None: memory does not outlive the program."""
        return ()

    def resume(self, run: str) -> Sequence[Mapping[str, Any]]:
        """Events of a run."""
        self.open_run = run
        return self.runs[run]

    def end(self, result: Mapping[str, Any] | None) -> None:
        """Close the run."""
        self.append("end", {"result": result})
        self.open_run = None
