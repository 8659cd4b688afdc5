"""What has gone wrong at the bench: shown at once, and kept until it is over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from endpoint.bench.live.burette import LEAST_RATE, LiveBurette
from endpoint.bench.live.volumes import PictureDelivery, Volumes
from endpoint.problems import UnseenVolume

_SILENT_S = 2.0
"""Without a picture for so long, s, the camera is said to be silent; pauses of a busy computer are
shorter. Assumed."""
_JUMP_S = 2.0
"""Step between two clocks, s, from which one of them was set; by itself a clock drifts by less
during a run. Assumed."""
_KEPT_S = 60.0
"""How long a notice that is over stays in view, s."""
_BY_HAND = (
    "Pictures are still stored. If the burette stays unreadable, finish this run; for the next run "
    "draw the box by hand, or choose to type the readings."
)

TEXTS: dict[str, tuple[str, str]] = {
    "camera-silent": (
        "The camera has given no picture for {seconds:.0f} s.",
        "Check the plug of the camera and this page. Readings are still stored.",
    ),
    "clock-jumped": (
        "The computer slept, or somebody set its clock: {seconds:.0f} s are missing.",
        "The run goes on without that gap. With a pump, begin again; with a burette, go on.",
    ),
    "page-away": (
        "The page at the bench was closed for {seconds:.0f} s.",
        "Only the pictures of that time are lost.",
    ),
    "journal-full": (
        "The bench cannot write its journal. {why}",
        "Free some space. The bench holds in memory what is not written yet, and tries again.",
    ),
    "view": (
        "{why}",
        "Put the flask back on its mark and clear the view; before a run, look for it again.",
    ),
    "break-unknown": (
        "Nobody knows how long the run was interrupted, so the pumped volume is unknown too.",
        "Begin this run again.",
    ),
    "too-seldom": (
        "The camera gives only {rate:.0f} pictures a second; counting drops needs {least:.0f}.",
        "Drops may be missed. Close other programs; or finish, and type the readings next time.",
    ),
    "volume-unseen": ("{why}", "{remedy}"),
    "drops-unseen": (
        "Drops that fell while the run was interrupted are not counted.",
        "If any fell, begin this run again.",
    ),
    "source-ended": ("The recording has ended.", "Finish the run to see its result."),
    "analysis": (
        "The bench could not work out the curve just now.",
        "Readings and colours are stored; it tries again with the next ones.",
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
        self.clock = ClockWatch()
        self.away_s: float | None = None
        """Since when the page at the bench is gone; None while it is open."""
        self._held: dict[str, Notice] = {}

    def raise_(self, code: str, now_s: float, *, over: bool = False, **values: Any) -> None:
        """Put up a notice; one of the same code is replaced, its first time stays."""
        text, advice = TEXTS[code]
        before = self._held.get(code)
        since = now_s if before is None or before.over else before.since_s
        self._held[code] = Notice(code, text.format(**values), advice.format(**values), since, over)

    def hold(self, code: str, now_s: float, raised: bool, **values: Any) -> None:
        """Put a notice up while it is raised, else take it down."""
        if raised:
            self.raise_(code, now_s, **values)
        else:
            self.clear(code)

    def clear(self, code: str) -> None:
        """Take a notice down."""
        self._held.pop(code, None)

    def current(self, now_s: float) -> list[Notice]:
        """Notices to show, those in force first; past ones go after a minute."""
        gone = [n.code for n in self._held.values() if n.over and now_s - n.since_s > _KEPT_S]
        for code in gone:
            del self._held[code]
        return sorted(self._held.values(), key=lambda n: (n.over, n.since_s))

    def tell_of_silence(self, last_frame_s: float | None, now_s: float) -> None:
        """Raise a notice if no picture has come for seconds; the next picture clears it."""
        silent_s = 0.0 if last_frame_s is None else now_s - last_frame_s
        if silent_s > _SILENT_S:
            self.raise_("camera-silent", now_s, seconds=silent_s)

    def tell_of_burette(self, burette: LiveBurette, volumes: Volumes | None, now_s: float) -> None:
        """Notices of a volume that is read from the picture; `volumes` of the run in progress."""
        seen = volumes if isinstance(volumes, PictureDelivery) else None
        rate = None if seen is None else burette.too_seldom()
        self.hold("too-seldom", now_s, rate is not None, rate=rate, least=LEAST_RATE)
        why = None if seen is None else burette.trouble or seen.trouble
        if seen is not None and seen.logged is None and burette.young(now_s):
            why = None
        if why is None:
            self.clear("volume-unseen")
            return
        remedy = _BY_HAND if isinstance(why, UnseenVolume) else why.remedy
        self.raise_("volume-unseen", now_s, why=why.sentence, remedy=remedy)

    def back_after(self, now_s: float, *, running: bool) -> bool:
        """The page at the bench is back; a notice says how long it was gone from a run."""
        away_s, self.away_s = self.away_s, None
        if away_s is None or not running:
            return False
        self.raise_("page-away", now_s, over=True, seconds=now_s - away_s)
        return True


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
