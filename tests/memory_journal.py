"""A journal of a session that is gone with the program."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from endpoint.problems import OutputProblem
from endpoint.scene.region import Region

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
