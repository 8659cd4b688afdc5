"""Reading of a burette from the picture: the bottom of the meniscus followed from frame to frame.

The part of the tube that will be emptied is seen full at the start. Every later frame is divided
by that picture: printed lines, numbers and the light on the glass cancel, and what is left is the
dark crescent of the meniscus and the other look of the empty part. The crescent lies a constant
way above the lowest point, which two readings or a difference of volumes take out. One strip of
the bore is kept, never a frame.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from endpoint.burette.full_tube import FullTube, MeniscusTrace
from endpoint.burette.tube import (
    Tube,
    clipped_box,
    find_tube,
    grey,
    log_strip,
    strip_maps,
    texture,
    unseen,
)
from endpoint.recording.frame import Box, Frame

FloatArray = NDArray[np.float64]

HIDDEN = 1
"""Flag of a frame: the meniscus was covered, out of the box or not clear."""
SHAKEN = 2
"""Flag of a frame: the tube stands elsewhere in the picture than at the start."""

_START_FRAMES = 5
_CLEAR_START = 1.25
_LEAST_DEPTH = 0.06
_MOVED_PX = 3.0
_ABOVE, _BELOW = 0.75, 0.5
"""Reach of the crescent above and below the found edge, in half widths of the tube."""
_FOREIGN = 0.16
_LEAST_CHANGE = 0.2


@dataclass(eq=False)
class MeniscusFollower:
    """Takes frames one by one, in the same pass that measures the colour."""

    box: tuple[int, int, int, int] | Box
    _tube: Tube | None = None
    _maps: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None
    _first: list[FloatArray] = field(default_factory=list)
    _full: FloatArray | None = None
    _start: FloatArray | None = None
    _start_px: float = 0.0
    _depth: float = 0.0
    _columns: NDArray[np.bool_] | None = None
    _gap: slice = field(default_factory=lambda: slice(0, 0))
    _gap_sum: FloatArray | None = None
    _gap_count: int = 0
    _last_px: float = 0.0
    _stepped: bool = False
    _rise: FloatArray | None = None
    """Light of the empty over the full part in `_columns`, where a stripe shows the level."""
    _look: FloatArray | None = None
    """Light of the empty over the full part in all columns, for tubes with a stripe."""
    _rows: list[tuple[float, float, float, int]] = field(default_factory=list)
    _known: FullTube | None = None
    """What `full_tube` gave last, as long as nothing has been learnt since."""

    def add(self, frame: Frame) -> float | None:
        """Measure one frame; return the place of the meniscus along the tube, px, or None."""
        if self._tube is None:
            inside = clipped_box(self.box, frame, "burette_box")
            self._tube = find_tube(grey(frame, inside), inside)
            self._maps = strip_maps(self._tube)
        assert self._maps is not None
        strip = log_strip(grey(frame, self._tube.box), self._maps)
        if self._full is None:
            self._first.append(strip)
            if len(self._first) == _START_FRAMES and not self._begin(
                np.median(self._first, axis=0)
            ):
                self._first.pop(0)
            place, sigma, flag = np.nan, np.nan, HIDDEN
            if self._full is not None:
                self._catch_up()
                place, sigma, flag = self._measure(strip)
        else:
            place, sigma, flag = self._measure(strip)
        self._rows.append((frame.time_s, place, sigma, flag))
        return None if flag else place

    def _catch_up(self) -> None:
        """Measure the frames that were held back for the picture of the start."""
        for k, strip in enumerate(self._first[:-1]):
            row = len(self._rows) - len(self._first) + 1 + k
            self._rows[row] = (self._rows[row][0], *self._measure(strip))
        self._first = []

    def _begin(self, strip: FloatArray) -> bool:
        """Find the meniscus without a picture of the full tube: dark right across, no line is."""
        from scipy.ndimage import uniform_filter1d

        assert self._tube is not None
        half = self._tube.half_px
        inner = strip[:, np.abs(np.linspace(-1, 1, strip.shape[1])) < 0.75]
        dark = -texture(inner, max(int(3 * half), 15))
        dark = uniform_filter1d(dark, max(int(0.18 * half), 2), axis=0)
        score = np.quantile(dark, 0.25, axis=1)
        edge = max(int(0.4 * half), 3)
        score[:edge] = score[-edge:] = -1.0
        found = _change(strip, dark, half)
        self._stepped = found is not None
        k = int(np.argmax(score)) if found is None else found
        away = np.abs(np.arange(score.size) - k) > 0.8 * half
        clear = score[k] > max(_LEAST_DEPTH, _CLEAR_START * float(score[away].max()))
        if found is None and not clear:
            return False
        self._prepare(strip, float(k))
        return True

    def _prepare(self, strip: FloatArray, place: float) -> None:
        """Picture of the full tube: below as seen, above with the light of the full part."""
        assert self._tube is not None
        half, n = self._tube.half_px, len(strip)
        top, low = max(int(place - _ABOVE * half), 0), min(int(place + (_BELOW + 0.2) * half), n)
        empty = np.median(strip[:top], axis=0) if top > 8 else np.median(strip[low:], axis=0)
        full = np.median(strip[low:], axis=0) if n - low > 8 else empty
        across = np.abs(np.linspace(-1, 1, strip.shape[1]))
        limit = 0.12 if self._stepped else 0.3
        alike = (np.abs(full - empty) < limit) & (full > np.max(full) - 0.4) & (across < 0.8)
        self._columns = alike if alike.sum() >= 4 else across < 0.6
        self._look = empty - full if self._stepped else None
        if self._stepped and alike.sum() < 4:
            self._columns = np.abs(empty - full) > 0.5 * np.max(np.abs(empty - full))
            self._rise = (empty - full)[self._columns]
        self._full = strip.copy()
        self._full[:top] += full - empty
        self._full[top:low] = full
        self._gap, self._start, self._start_px = slice(top, low), strip, place
        self._gap_sum, self._gap_count, self._last_px = np.zeros_like(strip[top:low]), 0, place
        self._depth = 0.0
        self._start_px, _, flag = self._measure(strip)
        if flag:
            self._start_px = place

    def _measure(self, strip: FloatArray) -> tuple[float, float, int]:
        """Place of the crescent, its standard deviation, flag."""
        assert self._full is not None
        assert self._columns is not None
        assert self._tube is not None
        half, n = self._tube.half_px, len(strip)
        ratio = strip - self._full
        still = np.arange(n) > self._last_px + _BELOW * half
        if still.sum() < 2 * half:
            still = np.abs(np.arange(n) - self._last_px) > _ABOVE * half
        still[self._gap] = False
        ratio = ratio - np.median(ratio[still][:, self._columns])
        shift = _shift(self._full, ratio, still)
        if self._rise is None:
            found = self._edge(ratio[:, self._columns].mean(axis=1), self._rough(ratio))
        else:
            found = self._step(ratio[:, self._columns] @ self._rise / (self._rise @ self._rise))
        if found is None:
            return np.nan, np.nan, HIDDEN
        place, sigma, depth = found
        if abs(shift) > _MOVED_PX:
            return np.nan, np.nan, SHAKEN
        if self._rise is None and self._foreign(ratio, place):
            return np.nan, np.nan, HIDDEN
        self._depth = depth if self._depth == 0 else self._depth + 0.05 * (depth - self._depth)
        self._last_px = place
        self._learn(strip, place)
        return place - shift, sigma, 0

    def _rough(self, ratio: FloatArray) -> int | None:
        """Row at which a tube with a stripe changes from empty to full; None without a stripe.

        A printed line in rows that were never seen full looks like a faint crescent; the change
        of the stripe tells them apart.
        """
        from scipy.ndimage import uniform_filter1d

        if self._look is None or self._tube is None:
            return None
        wide = max(int(0.7 * self._tube.half_px), 4)
        level = np.clip(ratio @ self._look / (self._look @ self._look), -0.5, 1.5)
        mean = uniform_filter1d(level, wide, mode="nearest")
        return int(np.argmax(mean[: -2 * wide] - mean[2 * wide :])) + wide

    def _edge(
        self, profile: FloatArray, rough: int | None = None
    ) -> tuple[float, float, float] | None:
        """Middle of the crescent's edges, px; its standard deviation; depth of the crescent.

        In rays traced through tubes of 25 and 50 mL the middle is bent less with the height of
        the camera than the lower edge, and it stands at a constant distance from it.
        """
        from scipy.ndimage import uniform_filter1d

        assert self._tube is not None
        half = self._tube.half_px
        smooth = uniform_filter1d(profile, max(int(0.15 * half), 2), mode="nearest")
        edge = max(int(0.3 * half), 2)
        if rough is not None:
            smooth[: max(rough - int(1.2 * half), 0)] = np.inf
            smooth[rough + int(1.2 * half) :] = np.inf
        k = edge + int(np.argmin(smooth[edge:-edge]))
        below = profile[k + int(0.35 * half) + 1 : k + int(0.8 * half) + 2]
        if below.size < 3:
            return None
        ground = float(np.median(below))
        reach = max(int(0.15 * half), 2)
        k = max(k - reach, 0) + int(np.argmin(profile[max(k - reach, 0) : k + reach + 1]))
        depth = ground - float(profile[k])
        if depth < max(_LEAST_DEPTH, 0.5 * self._depth):
            return None
        level = ground - 0.5 * depth
        j = k
        while j + 1 < profile.size and profile[j + 1] < level:
            j += 1
        if j + 1 >= profile.size or j - k > 0.5 * half:
            return None
        lower = j + (level - float(profile[j])) / float(profile[j + 1] - profile[j])
        above = profile[max(k - int(0.9 * half), 0) : max(k - int(0.4 * half), 0)]
        level = 0.5 * (float(np.median(above)) + float(profile[k])) if above.size > 2 else level
        i = k
        while i > 0 and profile[i - 1] < level:
            i -= 1
        if i == 0 or k - i > 0.5 * half:
            return None
        upper = i - (level - float(profile[i])) / float(profile[i - 1] - profile[i])
        noise = 1.4826 * float(np.median(np.abs(below - ground))) + 0.002
        slope = 2.0 * depth / max(lower - upper, 1.0)
        return 0.5 * (lower + upper), noise / slope, depth

    def _step(self, profile: FloatArray) -> tuple[float, float, float] | None:
        """As `_edge` for a burette with a coloured stripe at the back: full 0, empty 1.

        Behind the full part the liquid widens the stripe like a lens; at the meniscus it is
        pinched.
        """
        from scipy.ndimage import uniform_filter1d

        assert self._tube is not None
        wide = max(int(0.7 * self._tube.half_px), 4)
        mean = uniform_filter1d(profile, wide, mode="nearest")
        rise = mean[: -2 * wide] - mean[2 * wide :]
        k = int(np.argmax(rise)) + wide
        above, below = profile[max(k - 2 * wide, 0) : k - wide], profile[k + wide : k + 2 * wide]
        if above.size < 3 or below.size < 3:
            return None
        top, ground = float(np.median(above)), float(np.median(below))
        if abs(ground) > 0.3 or abs(top - 1.0) > 0.45:
            return None
        # The area under the step is its place; the pinch itself may go up and down.
        part = (profile[k - wide : k + wide + 1] - ground) / (top - ground)
        noise = 1.4826 * float(np.median(np.abs(below - ground))) + 0.005
        return k - wide + float(np.clip(part, 0.0, 1.0).sum()), 2.0 * noise, top - ground

    def _foreign(self, ratio: FloatArray, place: float) -> bool:
        """Whether something else than an empty and a full tube is seen around the meniscus."""
        assert self._tube is not None
        assert self._columns is not None
        half, rows = self._tube.half_px, np.arange(len(ratio))
        off = np.abs(ratio[:, self._columns])
        beside = (rows > place + _BELOW * half) & (rows < place + 4 * half)
        above = (rows < place - _ABOVE * half) & (rows > place - 4 * half)
        for part in (beside, above):
            if part.sum() > 4 and float(np.median(off[part])) > _FOREIGN:
                return True
        return False

    def _learn(self, strip: FloatArray, place: float) -> None:
        """Once the meniscus has left its first place, learn what it hid there; measure again."""
        assert self._full is not None
        assert self._gap_sum is not None
        assert self._tube is not None
        half, gap = self._tube.half_px, self._gap
        if self._gap_count >= _START_FRAMES or place - _ABOVE * half < gap.stop + 1:
            return
        self._gap_sum += strip[gap]
        self._gap_count += 1
        if self._gap_count < _START_FRAMES:
            return
        seen = self._gap_sum / self._gap_count
        self._full = self._full.copy()
        self._full[gap] += seen - np.median(seen, axis=0)
        depth, last, start = self._depth, self._last_px, self._start
        assert start is not None
        self._last_px = self._start_px
        again, _, flag = self._measure(start)
        self._depth, self._last_px = depth, last
        if not flag and abs(again - self._start_px) < 0.2 * half:
            change = again - self._start_px
            for k, row in enumerate(self._rows):
                if abs(row[1] - self._start_px) < 1.0:
                    self._rows[k] = (row[0], row[1] + change, row[2], row[3])

    def trace(self) -> MeniscusTrace:
        """All that was measured.

        Raises
        ------
        DeliveryProblem
            No meniscus was found in any frame.
        """
        known = self.full_tube()
        if known is None or not self._rows:
            raise unseen("meniscus-missing")
        return known.trace(self.rows())

    def rows(self) -> FloatArray:
        """Time, place, standard deviation and flag of every frame so far, shape (n, 4)."""
        return np.array(self._rows, dtype=np.float64).reshape(-1, 4)

    def full_tube(self) -> FullTube | None:
        """The tube as it was seen full; None until the meniscus has been found."""
        if self._full is None or self._tube is None or self._start is None:
            return None
        learnt = self._gap_count >= _START_FRAMES
        if self._known is None or self._known.learnt != learnt:
            gap = (self._gap.start, self._gap.stop)
            self._known = FullTube(
                self._tube, self._start, self._start_px, self._full, gap, learnt, self._stepped
            )
        return self._known

    @classmethod
    def going_on(cls, known: FullTube, rows: FloatArray) -> MeniscusFollower:
        """Follower that goes on where another one was broken off, the camera being as it was."""
        self = cls(known.tube.box)
        self._tube, self._maps, self._stepped = known.tube, strip_maps(known.tube), known.stepped
        self._prepare(known.start, known.start_px)
        self._full, self._gap, self._start_px = known.full.copy(), slice(*known.gap), known.start_px
        self._gap_sum = np.zeros_like(known.start[self._gap])
        self._gap_count, self._depth = _START_FRAMES if known.learnt else 0, 0.0
        self._rows = [(t, place, sd, int(flag)) for t, place, sd, flag in rows.tolist()]
        seen = rows[rows[:, 3] == 0, 1]
        self._last_px = float(seen[-1]) if seen.size else known.start_px
        return self


def _change(strip: FloatArray, dark: FloatArray, half: float) -> int | None:
    """Row where the look of the tube changes for good, and where both sides are dark.

    For tubes with a coloured stripe at the back: the liquid widens it like a lens.
    """
    wide, skip = max(int(1.5 * half), 8), max(int(0.7 * half), 4)
    n = len(strip)
    look = np.zeros(n)
    for k in range(skip + 4, n - skip - 4):
        above = np.median(strip[max(k - skip - wide, 0) : k - skip], axis=0)
        below = np.median(strip[k + skip : k + skip + wide], axis=0)
        look[k] = float(np.sort(np.abs(above - below))[-6:].mean())
    third = dark.shape[1] // 3
    sides = np.minimum(dark[:, :third].mean(axis=1), dark[:, -third:].mean(axis=1))
    score = np.maximum(sides, 0.0) * np.maximum(look - 0.5 * _LEAST_CHANGE, 0.0)
    k = int(np.argmax(score))
    away = np.abs(np.arange(n) - k) > 0.8 * half
    if look[k] < _LEAST_CHANGE or score[k] < 1.5 * float(score[away].max()):
        return None
    return k


def _shift(full: FloatArray, ratio: FloatArray, still: NDArray[np.bool_]) -> float:
    """Shift of the tube along itself against the start, px: from the printed lines at rest."""
    slope = np.gradient(full, axis=0)[still]
    power = float(np.sum(slope**2))
    return 0.0 if power < 1e-6 else -float(np.sum(slope * ratio[still])) / power
