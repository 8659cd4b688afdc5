"""What the picture tells of an addition before its reading is typed.

A burette reading is typed seconds after the addition. Until then the frames of the addition, and
those after it, seem to belong to the volume before, and their colour would be taken for that of the
volume before. While titrant runs in its plume makes the liquid uneven: in rendered films the
scatter within the liquid rises from 0.01 to 0.2 within half a second of pouring, and from 0.013 to
0.03 with a drop; after the tap is closed it falls back within four seconds. So a plume that no
reading explains is the beginning of an addition, and what follows waits for its reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from endpoint.curve.colour_names import bluenesses_of

FloatArray = NDArray[np.float64]

_BLOCK_S = 0.25
"""Time over which unevenness and colour are smoothed, s. Assumed: a plume lasts longer."""
_TIMES, _MORE = 2.0, 0.008
"""How many times the unevenness of a calm liquid, and how much more (density), a plume has.
Assumed: lower, and noise is taken for a plume; higher, and a weak one for mixed liquid."""
_MIXED_S = 9.0
"""Six usual mixing times after a reading, s: what is uneven then has become so by its colour."""
_BEGUN, _OVER = 2, 4
"""Blocks in a row that are uneven where an addition begins, and calm where it has ended: half a
second, so that a glint is none, and a second."""
_LONGEST_S = 25.0
"""Longest addition, s: 5 mL at 0.2 mL/s. What stays uneven longer has become so by its colour."""
_FORGOTTEN_S = 10.0
"""After so long without a reading, s, nothing was added: people type within five seconds. Shorter,
and a slow hand is taken for no addition; longer, and a shaken flask keeps somebody waiting."""
_CALM_BLOCKS = 20
"""Last calm blocks that a plume is compared with: 5 s."""
_FIRST_TINGE, _TOO_MUCH = 0.02, 0.1
"""Rise of the blueness (`indicator_form.State`) within seconds that counts as the first tinge of a
stream: a sixtieth of the way from the bound to the free form; and in its first seconds, in which
it lends its own colour to the picture. Lower, and the lamp closes the tap millilitres before the
end; higher, and sharp changes are passed. Streams into 100 flasks of `tests.loop_flask` (seeds 600
to 699): with 0.03 and 3 blocks averaged 9 % ended beyond a free fraction of 0.72 and 21 % beyond
0.5, with 0.02 and 6 blocks 6 and 13 %; the tap was closed 0.38 and 0.51 times more than 1.5 mL
before the end, which cost no time, as the stream is interrupted after 5 mL anyway."""
_NOISY = 5.0
"""And how many times the usual departure from its middle: some three standard deviations of what is
averaged."""
_PLUME_GROWS = 0.3
"""And what part of the colour that the stream itself lends: its plume reaches as far as titrant
runs until it meets as much metal, so it grows as less is left, by this part in half a millilitre
from 2 mL before the end. Lower, and the tap is closed at every other millilitre where plumes are
strong; higher, and a change is passed there."""
_BACK, _SMOOTH = (14, 44), 6
"""Blocks, counted back, that the colour is compared with: 3.5 to 11 s ago, in which half a
millilitre ran in; and blocks that are averaged. Nearer, and a slow rise goes unseen; further, and
the drift of the lamp is taken for a tinge."""


_GROWS, _SETTLED = 10, 8
"""Blocks for which the colour grows that a stream lends to the picture, 2.5 s, and blocks after it
that give the colour of a steady stream, 2 s. A strong plume rises by more than a tinge; compared
with the liquid before it the tap would be closed at every stream."""
_BEGINS = 48
"""Blocks after a reading, 12 s, in which a rise may be the colour that a stream lends as it begins:
the wait, the asking and a slow hand. Shorter, and the tap is closed on whoever is slow; longer, and
the first tinge of a weak plume is taken for the plume."""
_ACTS_S = 0.5
"""Nobody acts sooner than this after the page asks for something, s: reaction and the way of a hand
to the tap."""
_APART_S = 1e-3
"""Least time between two rows of a log, s, which must rise."""


@dataclass(frozen=True, eq=False)
class Sight:
    """What the picture tells of additions, beyond the readings."""

    apart: NDArray[np.bool_]
    """Frames that belong to no reading yet, or are not mixed, shape (n,)."""
    running: str
    """Now: "mixing" after a reading, "adding", "added" and not typed yet, or empty."""
    additions_s: tuple[tuple[float, float] | None, ...] = ()
    """Begin and end of the addition of each reading, as far as they are known; shape (readings,).
    Where only the asking and the typing are known, it lies in the middle between them."""
    turns: bool = False
    """Whether the addition under way has brought the first tinge."""

    def times_of(self, readings_s: FloatArray) -> FloatArray:
        """Times at which the additions of the readings had ended, s, rising, shape (readings,)."""
        times = np.array(readings_s)
        for k, span in enumerate(self.additions_s):
            if span is not None and k:
                times[k] = min(max(span[1], times[k - 1] + _APART_S), times[k])
        return times


@dataclass
class _Watch:
    """Goes through the blocks of one run, and notes when additions begin and end."""

    calm: list[float] = field(default_factory=list)
    phase: str = ""
    since_s: float = 0.0
    raised: int = 0
    low: int = 0
    begun_s: float = 0.0
    ended_s: float | None = None

    def reading(self, time_s: float) -> None:
        """A reading explains what was added."""
        self.phase, self.since_s, self.raised, self.low = "mixing", time_s, 0, 0

    def take(self, time_s: float, spread: float) -> None:
        """The next block of frames."""
        level = _middle(self.calm[-_CALM_BLOCKS:]) if self.calm else spread
        uneven = spread > _TIMES * level + _MORE
        self.raised = self.raised + 1 if uneven else 0
        self.low = 0 if uneven else self.low + 1
        if self.phase == "mixing" and (self.low >= 2 or time_s > self.since_s + _MIXED_S):
            self._rest(spread, uneven)
        elif self.phase == "" and self.raised >= _BEGUN:
            self.phase, self.begun_s = "adding", time_s - (self.raised - 1) * _BLOCK_S
        elif self.phase == "adding":
            if time_s > self.begun_s + _LONGEST_S:
                self._rest(spread, uneven)
            elif self.low >= _OVER:
                self.phase, self.ended_s = "added", time_s - (self.low - 1) * _BLOCK_S
                self.since_s = time_s
        elif self.phase == "added":
            if self.raised >= _BEGUN:
                self.phase = "adding"
            elif time_s > self.since_s + _FORGOTTEN_S:
                self._rest(spread, uneven)
        if self.phase == "" and not uneven:
            self.calm.append(spread)

    def _rest(self, spread: float, uneven: bool) -> None:
        self.phase, self.raised = "", 0
        if uneven:
            self.calm = [spread]


def sight_of(
    time_s: FloatArray,
    spread: FloatArray,
    usable: NDArray[np.bool_],
    readings_s: tuple[float, ...],
    density: FloatArray | None = None,
    asked_s: tuple[float | None, ...] = (),
) -> Sight:
    """What the picture tells of additions beyond the readings.

    Parameters
    ----------
    time_s:
        Of the frames, rising, shape (n,).
    spread:
        Scatter of the density within the liquid (`ColourSample.spread`), shape (n,).
    usable:
        Frames without a flag, shape (n,): a hand and a dark picture tell nothing of unevenness.
    readings_s:
        Times of the readings, the first of which is the start.
    density:
        Shape (n, 3), where it is asked for the first tinge of the addition under way.
    asked_s:
        When the page had asked for the addition of each reading: from then until the reading is
        typed nobody knows which volume a frame belongs to. A drop makes hardly any plume.
    """
    apart, spans = _asked(time_s, readings_s, asked_s)
    watch, k, tinge = _Watch(), 0, _Tinge()
    blocks = _blocks(time_s, usable, spread, density)
    for first, last, uneven, blueness in blocks:
        now_s = float(time_s[last - 1])
        while k < len(readings_s) and readings_s[k] <= now_s:
            if watch.phase in ("adding", "added") and k:
                middle = spans[k]
                end_s = watch.ended_s or (readings_s[k] if middle is None else middle[1])
                end_s = min(end_s, readings_s[k])
                spans[k] = min(watch.begun_s, end_s), end_s
                apart[(time_s >= watch.begun_s) & (time_s <= readings_s[k])] = True
            watch.ended_s = None
            if k:
                watch.reading(readings_s[k])
            tinge = _Tinge()
            k += 1
        if uneven is not None:
            watch.take(now_s, uneven)
            if blueness is not None and k == len(readings_s):
                tinge.take(blueness)
        if watch.phase in ("adding", "added") or (watch.phase == "mixing" and watch.raised):
            apart[first:last] = True
    if watch.phase in ("adding", "added"):
        apart |= time_s >= watch.begun_s
    return Sight(apart, watch.phase, tuple(spans), tinge.turns)


def _asked(
    time_s: FloatArray, readings_s: tuple[float, ...], asked_s: tuple[float | None, ...]
) -> tuple[NDArray[np.bool_], list[tuple[float, float] | None]]:
    """Frames between asking and typing, and the middle between them for each reading."""
    apart = np.zeros(time_s.size, dtype=np.bool_)
    spans: list[tuple[float, float] | None] = [None] * len(readings_s)
    for k, asked in enumerate(asked_s):
        if asked is not None and k:
            read_s = readings_s[k]
            begin_s = min(max(asked + _ACTS_S, readings_s[k - 1]), read_s)
            apart |= (time_s > begin_s) & (time_s <= read_s)
            spans[k] = (0.5 * (begin_s + read_s),) * 2
    return apart, spans


@dataclass
class _Tinge:
    """Whether a stream brings the first tinge of the free form: its colour moves ever faster."""

    seen: list[float] = field(default_factory=list)
    """Blueness of each block since the reading."""
    begun: int | None = None
    """Block in which the stream began to lend its own colour."""
    before: float = 0.0
    """Colour before it did."""
    noise: float = 0.0
    """Usual departure from the middle before it did."""
    lent: float = 0.0
    """Colour that the stream has lent so far."""
    turns: bool = False

    def take(self, blueness: float) -> None:
        """The next block of frames."""
        self.seen.append(blueness)
        now = _middle(self.seen[-_SMOOTH:])
        level = self._level()
        if level is None:
            return
        if self.begun is None:
            past = self.seen[-_BACK[1] : -_BACK[0]]
            self.noise = _middle([abs(one - level) for one in past])
        # The liquid may be pale and its colour noisy.
        least = max(_FIRST_TINGE, _NOISY * self.noise)
        if self.begun is None and len(self.seen) < _BEGINS and now - level > 0.5 * least:
            self.begun, self.before = len(self.seen), level
        if self._young:
            self.lent = max(self.lent, now - level)
            least = max(_TOO_MUCH, least)
        else:
            least = max(least, _PLUME_GROWS * self.lent)
        self.turns |= now - level > least

    @property
    def _young(self) -> bool:
        """Whether the colour that the stream lends to the picture may still grow."""
        begun = self.begun
        return len(self.seen) < (_BEGINS if begun is None else begun + _GROWS + _SETTLED)

    def _level(self) -> float | None:
        """Colour that the present one is compared with; None as long as there is none."""
        if self.begun is not None:
            if self._young:
                return self.before
            steady = self.seen[self.begun + _GROWS :]
            past = steady[-_BACK[1] : -_BACK[0]]
            return _middle(past if len(past) >= _SETTLED else steady[:_SETTLED])
        past = self.seen[-_BACK[1] : -_BACK[0]]
        return _middle(past) if len(past) >= _SMOOTH else None


def _middle(values: list[float]) -> float:
    """Median of a few numbers, quicker than that of numpy."""
    return sorted(values)[len(values) // 2]


def _blocks(
    time_s: FloatArray,
    usable: NDArray[np.bool_],
    spread: FloatArray,
    density: FloatArray | None,
) -> list[tuple[int, int, float | None, float | None]]:
    """Begin and end of each block of frames, and spread and blueness of its usable ones."""
    if not time_s.size:
        return []
    number = np.floor((time_s - time_s[0]) / _BLOCK_S).astype(np.int64)
    begins = np.r_[0, np.flatnonzero(np.diff(number)) + 1]
    values = spread[:, None] if density is None else np.column_stack([spread, density])
    count = np.add.reduceat(usable.astype(float), begins)
    means = np.add.reduceat(values * usable[:, None], begins, axis=0)
    means = means / np.maximum(count, 1.0)[:, None]
    some = (count > 0).tolist()
    blue = [None] * len(some) if density is None else bluenesses_of(means[:, 1:])
    ends = [*begins[1:].tolist(), time_s.size]
    rows = zip(begins.tolist(), ends, means[:, 0].tolist(), blue, some, strict=True)
    return [
        (first, last, uneven if any_seen else None, shade if any_seen else None)
        for first, last, uneven, shade, any_seen in rows
    ]
