"""What has gone wrong at the bench, said at once and kept until it is over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

_SILENT_S = 2.0
_JUMP_S = 2.0
_KEPT_S = 60.0

TEXTS: dict[str, tuple[str, str]] = {
    "camera-silent": (
        "No picture for {seconds:.0f} s: nothing is seen now.",
        "Check the plug of the camera and this page; readings are still kept.",
    ),
    "clock-jumped": (
        "The computer slept, or its clock was changed, by {seconds:.0f} s.",
        "Times of the run go on without that gap. With a pump, begin again; with a burette, go on.",
    ),
    "page-away": (
        "The page at the bench was closed for {seconds:.0f} s.",
        "Nothing was lost but the pictures of that time.",
    ),
    "journal-full": (
        "The journal cannot be written: {why}",
        "Free some space; what was not written is kept in memory and tried again.",
    ),
    "view": (
        "{why}",
        "Put the flask back on its mark and clear the view; or look for it again.",
    ),
    "break-unknown": (
        "How long the run was broken off is not known, so neither is the volume of the pump.",
        "Begin this run again.",
    ),
    "too-seldom": (
        "Only {rate:.0f} pictures a second come; counting drops needs {least:.0f}.",
        "Drops may be missed. Let other programs rest; or finish, and type the readings next time.",
    ),
    "volume-unseen": ("{why}", "{remedy}"),
    "drops-unseen": (
        "Drops that fell while the run was broken off were not counted.",
        "If some did, begin this run again.",
    ),
    "source-ended": ("The recording has ended.", "Finish the run to see its result."),
    "analysis": (
        "The curve could not be worked out just now.",
        "Readings and colours are kept; it is tried again with the next ones.",
    ),
}


@dataclass(frozen=True)
class Notice:
    """One thing to know, with a remedy."""

    code: str
    text: str
    advice: str
    since_s: float
    over: bool = False
    """Whether it is past; past ones are shown for a minute."""

    def to_json(self) -> dict[str, Any]:
        """For the page."""
        return {
            "code": self.code,
            "text": self.text,
            "advice": self.advice,
            "mark": "over" if self.over else "fault",
        }


class NoticeBoard:
    """Notices in force, by code."""

    def __init__(self) -> None:
        self._held: dict[str, Notice] = {}

    def raise_(self, code: str, now_s: float, *, over: bool = False, **values: Any) -> None:
        """Put up a notice; one of the same code is replaced, its first time stays."""
        text, advice = TEXTS[code]
        before = self._held.get(code)
        since = now_s if before is None or before.over else before.since_s
        self._held[code] = Notice(code, text.format(**values), advice.format(**values), since, over)

    def clear(self, code: str) -> None:
        """Take a notice down."""
        self._held.pop(code, None)

    def current(self, now_s: float) -> list[Notice]:
        """Notices to show, those in force first; past ones go after a minute."""
        gone = [n.code for n in self._held.values() if n.over and now_s - n.since_s > _KEPT_S]
        for code in gone:
            del self._held[code]
        return sorted(self._held.values(), key=lambda n: (n.over, n.since_s))


@dataclass
class ClockWatch:
    """Compares the steady clock with the clock on the wall; they part when a computer sleeps."""

    _apart_s: float | None = None

    def jump_s(self, steady_s: float, wall_s: float) -> float:
        """Seconds by which the two have parted since the last call; 0 for less than two."""
        apart = wall_s - steady_s
        before, self._apart_s = self._apart_s, apart
        moved = 0.0 if before is None else apart - before
        return moved if abs(moved) > _JUMP_S else 0.0


def silent_for(last_frame_s: float | None, now_s: float) -> float:
    """Seconds without a picture, 0 while they come."""
    if last_frame_s is None:
        return 0.0
    gap = now_s - last_frame_s
    return gap if gap > _SILENT_S else 0.0
