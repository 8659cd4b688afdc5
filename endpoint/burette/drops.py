"""Falling drops counted below the tip of a burette.

A falling drop is at one place for one moment only: what differs there from the pictures a
thirtieth of a second before and after, in the same sense, is a drop; a hanging drop that grows
and a flask that sways are not. Free fall ties the sightings of one drop together:
release time = t - sqrt(2 (y - y0) / g), where y0 and g (in pixels) are found from the film itself.
Only a few small pictures are kept, and a few numbers for every sighting.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.burette.tube import clipped_box, grey, luma, unseen
from endpoint.recording.frame import Box, Frame

FloatArray = NDArray[np.float64]

_LAG_S = 1.0 / 30.0
_LEAST_RATIO = 4.0
_LEAST_STEP = 0.008
"""A sighting stands out of what is usual at its place by this ratio and this much (log)."""
_USUAL_S = 2.0
_APART_S = 0.045
"""Drops closer than this cannot be told apart: 20 a second and more are a stream."""
_STREAM_S = 0.25
_FAINT = 0.15
_DOUBTFUL = 0.2
_MAYBE = 0.09
_AGREE_S = 0.025
"""A group weaker than this part of the usual one is not a drop; the second for groups that were not
seen in every frame in which a drop would have been in view (in rendered films, also through H.264,
what is not a drop stays below 0.15). Weaker ones above the third may have been drops that the
coding took away: they count as suspected. Sightings whose release times differ by more than the
last are not of one fall."""
_LEAST_DROP = 1.2
"""Contrast (log) times area (px) of the usual drop over its sightings; twinkling edges and noise
stay below 1, drops of 6 px across have 4 and more (rendered films)."""
_ROW_PX = 8
_BESIDE = 0.5
_MOST_SIGHTINGS = 400_000
_MOST_PAIRS = 3000


@dataclass(frozen=True, eq=False)
class DropCount:
    """Moments of the drops; arrays cannot be written to."""

    time_s: FloatArray
    """Moment at which each drop let go of the tip, shape (drops,)."""
    sightings: NDArray[np.int64]
    """Number of frames in which each was seen, shape (drops,)."""
    first_s: float
    last_s: float
    """Times of the first and the last frame."""
    miss_chance: float
    """Chance that a drop falls between two frames unseen; they need not come regularly."""
    suspected_missed: int
    """Gaps of twice the usual time between drops that fall regularly, and very faint falls."""
    stream_s: tuple[tuple[float, float], ...]
    """Times at which the titrant ran as a stream, from and to."""

    def __post_init__(self) -> None:
        self.time_s.setflags(write=False)
        self.sightings.setflags(write=False)

    @property
    def count(self) -> int:
        """Number of drops seen."""
        return int(self.time_s.size)


@dataclass(eq=False)
class DropCounter:
    """Takes frames one by one, in the same pass that measures the colour."""

    box: tuple[int, int, int, int] | Box
    _inside: Box | None = None
    _held: deque[tuple[float, FloatArray]] = field(default_factory=deque)
    _seen: list[tuple[int, float, float, float, float]] = field(default_factory=list)
    """Frame, time, x, y, strength."""
    _times: list[float] = field(default_factory=list)
    _quiet: FloatArray | None = None
    _thread: list[tuple[float, bool]] = field(default_factory=list)
    _usual: NDArray[np.float32] | None = None
    _step_s: float = 0.0

    def add(self, frame: Frame, part: NDArray[np.float32] | None = None) -> None:
        """Look at one frame; sightings lag behind by about a thirtieth of a second.

        Parameters
        ----------
        frame:
            The next one.
        part:
            What it shows in the box, encoded, where somebody has looked already; the box then lies
            within the picture.

        Raises
        ------
        DeliveryProblem
            The box is outside the picture, or far too much moves in it.
        """
        if self._inside is None:
            self._inside = clipped_box(self.box, frame, "tip_box")
        light = grey(frame, self._inside) if part is None else luma(part)
        picture = np.log(np.maximum(light, 0.02))
        picture -= np.median(picture)
        if self._times:
            step = frame.time_s - self._times[-1]
            self._step_s = step if not self._step_s else 0.95 * self._step_s + 0.05 * step
        self._times.append(frame.time_s)
        self._watch_stream(frame.time_s, picture)
        self._held.append((frame.time_s, picture))
        lag = max(round(_LAG_S / self._step_s), 1) if self._step_s > 0 else 1
        while len(self._held) > 2 * lag + 1:
            self._held.popleft()
        if len(self._held) == 2 * lag + 1:
            self._sight(lag)

    def _sight(self, lag: int) -> None:
        """Impulse of the frame in the middle of the held ones against earlier and later."""
        (_, before), (time, here), (_, after) = (self._held[-1 - k] for k in (2 * lag, lag, 0))
        rise, fall = here - before, here - after
        same = np.sign(rise) == np.sign(fall)
        impulse = np.where(same, np.minimum(np.abs(rise), np.abs(fall)), 0.0)
        self._blobs(len(self._times) - 1 - lag, time, impulse)

    def _blobs(self, index: int, time: float, impulse: FloatArray) -> None:
        import cv2

        soft = cv2.GaussianBlur(impulse.astype(np.float32), (0, 0), 1.2, sigmaY=2.0)
        noise = float(np.median(soft))
        if self._usual is None:
            self._usual = np.maximum(soft, noise)
            return
        # Edges of tip and flask tremble: what is usual is kept for every pixel.
        level = np.maximum(_LEAST_RATIO * self._usual, self._usual + _LEAST_STEP)
        speed = min(self._step_s / _USUAL_S, 0.1)
        self._usual += speed * (np.minimum(soft, 4.0 * self._usual + noise) - self._usual)
        count, _, stats, centres = cv2.connectedComponentsWithStats((soft > level).astype(np.uint8))
        for k in range(1, count):
            left, top, wide, high, area = (int(v) for v in stats[k])
            if area < 5:
                continue
            part = soft[top : top + high, left : left + wide]
            strength = float(np.maximum(part - noise, 0.0).sum())
            if len(self._seen) >= _MOST_SIGHTINGS:
                raise unseen("drops-restless")
            x, y = (float(v) for v in centres[k])
            self._seen.append((index, time, x, y, strength))

    def _watch_stream(self, time: float, picture: FloatArray) -> None:
        """A thread of liquid darkens one column over most of its height, frame after frame."""
        if self._quiet is None:
            self._quiet = picture.copy()
        away = np.abs(picture - self._quiet)
        height = away.shape[0]
        limit = max(6.0 * float(np.median(away)), 0.06)
        share = (away[height // 4 : 3 * height // 4] > limit).mean(axis=0)
        narrow = 0 < int((share > 0.7).sum()) <= max(0.4 * share.size, 3)
        self._thread.append((time, bool(narrow)))
        if not narrow:
            part = min(self._step_s / 2.0, 0.2)
            self._quiet += part * (picture - self._quiet)

    def snapshot(self) -> DropCounter:
        """What was seen so far, to be gathered while pictures still come."""
        return replace(
            self, _seen=self._seen[:], _times=self._times[:], _thread=self._thread[:], _held=deque()
        )

    def result(self) -> DropCount:
        """Gather the sightings to drops.

        Raises
        ------
        DeliveryProblem
            There are fewer than three frames.
        """
        if len(self._times) < 3 or self._inside is None:
            raise unseen("frames-too-few")
        streams = _runs(self._thread, _STREAM_S)
        seen = _on_the_line(np.array(self._seen).reshape(-1, 5), self._inside.width)
        for a, b in streams:
            seen = seen[(seen[:, 1] < a) | (seen[:, 1] > b)]
        frames = np.array(self._times)
        time, sightings, in_view_s, maybe = _gather(seen, frames)
        blind_s = float(np.maximum(np.diff(frames) - in_view_s, 0.0).sum())
        return DropCount(
            time,
            sightings,
            self._times[0],
            self._times[-1],
            float(np.clip(blind_s / max(frames[-1] - frames[0], 1e-9), 0.0, 1.0)),
            _suspected(time) + maybe,
            streams,
        )


def _runs(marks: list[tuple[float, bool]], least_s: float) -> tuple[tuple[float, float], ...]:
    out: list[tuple[float, float]] = []
    begin: float | None = None
    for time, on in [*marks, (marks[-1][0], False)]:
        if on and begin is None:
            begin = time
        if not on and begin is not None:
            if time - begin >= least_s:
                out.append((begin, time))
            begin = None
    return tuple(out)


def _on_the_line(seen: FloatArray, width: int) -> FloatArray:
    """Sightings on the vertical line of fall, but for rows where things move next to it too."""
    if len(seen) == 0:
        return seen
    bins = (seen[:, 3] // _ROW_PX).astype(int)
    total = np.bincount(bins, weights=seen[:, 4])
    grid = np.arange(0.0, width + 1.0)
    share = seen[:, 4] / total[bins]
    weight = (share[:, None] * np.exp(-0.5 * ((seen[:, 2][:, None] - grid) / 3.0) ** 2)).sum(axis=0)
    line = float(grid[np.argmax(weight)])
    reach = max(0.07 * width, 5.0)
    near = np.abs(seen[:, 2] - line) < reach
    on = np.bincount(bins[near], weights=seen[near, 4], minlength=total.size)
    beside = (total - on) * 2 * reach / max(width - 2 * reach, reach)
    good = beside < _BESIDE * on
    kept = np.asarray(seen[near & good[bins]], dtype=np.float64)
    if len(kept):
        kept = kept[kept[:, 4] > 0.1 * _heavy_middle(kept[:, 4])]
    return np.asarray(kept[np.argsort(kept[:, 1], kind="stable")])


def _gather(
    seen: FloatArray, times: FloatArray
) -> tuple[FloatArray, NDArray[np.int64], float, int]:
    """Release time and sightings of every drop; how long one is in view, s; how many are unsure."""
    none = np.zeros(0)
    if len(seen) == 0:
        return none, none.astype(np.int64), 1.0, 0
    start_px, pull = _free_fall(seen)
    below = seen[:, 3] > start_px + 2.0
    seen = seen[below]
    if len(seen) == 0:
        return none, none.astype(np.int64), 1.0, 0
    release = seen[:, 1] - np.sqrt(2.0 * (seen[:, 3] - start_px) / pull)
    order = np.argsort(release)
    release, seen = release[order], seen[order]
    cuts = np.flatnonzero(np.diff(release) > _APART_S) + 1
    groups = [g for g in np.split(np.arange(len(release)), cuts) if g.size]
    strength = np.array([seen[g, 4].sum() for g in groups])
    usual = _heavy_middle(strength)
    if usual < _LEAST_DROP:
        return none, none.astype(np.int64), 1.0, 0
    low, high = (_heavy_quantile(seen[:, 3], seen[:, 4], q) for q in (0.03, 0.97))
    way_s = np.sqrt(2.0 * np.maximum(np.array([low, high]) - start_px, 0.0) / pull)
    moments, numbers, unsure = [], [], []
    for g in groups:
        # Free fall must hold: what twinkles at one height does not come down from the tip.
        moment = _heavy_quantile(release[g], seen[g, 4], 0.5)
        falls = g[np.abs(release[g] - moment) < _AGREE_S]
        number = np.unique(seen[falls, 0]).size
        could = int(
            np.searchsorted(times, moment + way_s[1], side="left")
            - np.searchsorted(times, moment + way_s[0], side="right")
        )
        part = float(seen[falls, 4].sum()) / usual
        if part > (_FAINT if number >= could else _DOUBTFUL):
            moments.append(moment)
            numbers.append(number)
        elif part > _MAYBE:
            unsure.append(moment)
    time = np.array(moments)
    maybe = sum(bool(np.all(np.abs(time - moment) > 2 * _APART_S)) for moment in unsure)
    return time, np.array(numbers, dtype=np.int64), float(way_s[1] - way_s[0]), maybe


def _heavy_middle(strength: FloatArray) -> float:
    """Median weighted with the strength itself: that of true drops among many faint false ones."""
    return _heavy_quantile(strength, strength, 0.5)


def _heavy_quantile(value: FloatArray, weight: FloatArray, q: float) -> float:
    order = np.argsort(value)
    total = np.cumsum(weight[order])
    return float(value[order][min(int(np.searchsorted(total, q * total[-1])), value.size - 1)])


def _free_fall(seen: FloatArray) -> tuple[float, float]:
    """Place of release, px, and acceleration, px/s^2, that make release times of pairs agree.

    A pair: two sightings in frames that follow each other, the later one lower.
    """
    later = np.searchsorted(seen[:, 0], seen[:, 0] + 1, side="left")
    upto = np.searchsorted(seen[:, 0], seen[:, 0] + 1, side="right")
    i = np.repeat(np.arange(len(seen)), upto - later)
    j = np.arange(i.size) + np.repeat(upto - np.cumsum(upto - later), upto - later)
    falls = np.flatnonzero(seen[j, 3] > seen[i, 3] + 3.0)[:_MOST_PAIRS]
    i, j = i[falls], j[falls]
    top, low = (_heavy_quantile(seen[:, 3], seen[:, 4], q) for q in (0.03, 0.97))
    height = max(low - top, 8.0)
    if i.size < 4:
        # Each drop is seen in one frame only: frames tell drops apart, whatever the fall.
        return top - 0.2 * height, 2.0 * 1.2 * height / _APART_S**2
    weight, step = seen[i, 4] * seen[j, 4], seen[j, 1] - seen[i, 1]
    best, found = np.inf, (top, height / 0.005)
    pulls = np.geomspace(height * 20.0, height * 2000.0, 48)
    for start in np.linspace(top - 0.6 * height, top + 0.1 * height, 24):
        fall = np.sqrt(2.0 * np.maximum(seen[:, 3] - start, 0.0))
        gap = np.abs(step - (fall[j] - fall[i]) / np.sqrt(pulls)[:, None])
        cost = np.sum(weight * np.minimum(gap, 0.02), axis=1)
        k = int(np.argmin(cost))
        if cost[k] < best:
            best, found = float(cost[k]), (float(start), float(pulls[k]))
    return found


def _suspected(time: FloatArray) -> int:
    """Gaps of two or three usual intervals between drops that fall regularly before and after."""
    gaps = np.diff(time)
    missed = 0
    for k in range(3, gaps.size - 3):
        around = np.r_[gaps[k - 3 : k], gaps[k + 1 : k + 4]]
        usual = float(np.median(around))
        times = gaps[k] / usual
        if np.ptp(around) < 0.35 * usual and 1.7 < times < 3.3 and abs(times - round(times)) < 0.15:
            missed += round(times) - 1
    return missed
