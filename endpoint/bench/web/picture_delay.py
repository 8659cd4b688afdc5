"""How long a picture was on its way, from clocks that need not agree."""

from __future__ import annotations

from collections import deque

_TURN_MS = 65_536
"""Where the clock of a picture, 16 bits of milliseconds, begins again."""
_LOOK_BACK_S = 20.0
"""Time within which some picture came without delay, s. Assumed."""
_LONGEST_MS = 2_000.0
"""Delay beyond which a clock was set, ms. Assumed."""
NOT_STATED = 0
"""What a page sends that does not know its time."""


class Transit:
    """Delay of pictures beyond the shortest that was seen lately.

    The page states its own clock at the sending, in ms modulo 65 536. A picture that came as fast
    as any gives the difference of the clocks; what others took longer is their delay. A busy
    computer delays some pictures by a tenth of a second, in which a drop falls.
    """

    def __init__(self) -> None:
        self._base_ms: float | None = None
        self._away: deque[tuple[float, float]] = deque(maxlen=1000)

    def delay_s(self, now_s: float, sent_ms: int) -> float:
        """Delay of a picture that came at `now_s` (steady clock), s; 0 where nothing is known."""
        if sent_ms == NOT_STATED:
            return 0.0
        apart = 1e3 * now_s - sent_ms
        if self._base_ms is None:
            self._base_ms = apart
        away = (apart - self._base_ms + 0.5 * _TURN_MS) % _TURN_MS - 0.5 * _TURN_MS
        while self._away and self._away[0][0] < now_s - _LOOK_BACK_S:
            self._away.popleft()
        self._away.append((now_s, away))
        delay = away - min(each for _, each in self._away)
        if delay > _LONGEST_MS:
            # A clock was set, or the computer slept: start again.
            self._base_ms = apart
            self._away.clear()
            return 0.0
        return 1e-3 * delay
