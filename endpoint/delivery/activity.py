"""When titrant runs in, as the colour of the liquid tells it.

An addition colours the liquid twice: titrant that has not mixed yet tints it (a plume), and near
the end point it stays bluer. So while titrant runs in the liquid gets more uneven, and from then on
it only gets more even; and in a pause the colour only settles, along an exponential, to its level.
What a span of the recording costs if it is taken for one pause, or for one addition, is worked out
here for all spans. No source: own method, judged on rendered films and on simulated colours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace

FloatArray = NDArray[np.float64]
Table = NDArray[np.float32]

INDEPENDENT = 0.25
"""Part of the bins that say something of their own: neighbouring ones err alike. Larger, and a
difference of clocks is believed by chance."""
# Where a comment below names no other source, the value was chosen on rendered films: seeds 5, 6
# and 1301 (93 films) and 12 films with pauses of 12 to 14 s (seed 7).
_LEAST_QUIET = 20
"""Frames, or bins, from which a usual level or scatter is worked out."""
_BIN_S, _MOST_BINS = 0.5, 1200
"""Width of a bin, s, and most bins; the table of costs holds their square. Ten minutes of film fit
without wider bins."""
_SETTLES_S = (0.7, 1.6, 3.6)
"""Time constants of the colour after an addition that are tried, s: stirrers and hands."""
_PER_BIN = 0.75
"""What one bin of an addition costs for each thing seen: about what a quiet one costs, or
additions would be moved out of a film that shows none."""
_UNEVEN_SD = 0.05
"""Least scatter of the logarithm of the unevenness from bin to bin that is reckoned with."""
_RISE_CAP, _FALL_CAP, _FALL_SDS = 8.0, 1.0, 3.0
"""Most that one bin costs in which the liquid gets more uneven in a pause, or more even in an
addition, and how many times the scatter the latter is measured in: several drops with pauses
between them may be one addition."""
_DISTURBED = 2.5
"""Most that a restless pause costs beyond what an addition as long would, natural logarithm: a
hand, a knock or a lamp may disturb any pause."""
_LEAST_SIGNAL = 0.02
"""Least scatter of the colour, as a part of its change, that is reckoned with: films without noise
would be believed too much."""
_STEP_S, _LEAST_STEP, _STEP_SDS = 1.5, 0.01, 5.0
"""Length of the three spans that are compared for a step within a pause, s; the least step, as a
part of the change; and how many times its scatter it must be. A smaller step moves no result."""
_MIXING_S = 2.0
"""How long a colour still sets out for its new level after the addition, s: the first swirl.
Shorter, and an addition is taken for the next; longer, and the next is not seen."""
_LEAST_CHANGE = 0.04
"""Change of the density, over all channels, below which no change is seen."""


@dataclass(frozen=True, eq=False)
class Activity:
    """Colour of a recording in n bins.

    Costs are negative logarithms, too large by the factor 1 / `INDEPENDENT`.
    """

    first_s: float
    bin_s: float
    pause: Table
    """Cost of one pause from bin i up to bin j, shape (n + 1, n + 1)."""
    held: NDArray[np.int64]
    """How many bins before each hold frames, shape (n + 1,)."""
    addition: FloatArray
    """Cost of all bins before each as parts of additions, shape (n + 1,)."""
    rising: FloatArray
    """What each bin would cost in a pause as the liquid gets more uneven, shape (n,)."""
    bluer: FloatArray | None
    """How far the colour is on its way from start to end, shape (n,), nan without frames; None if
    it stays."""

    @property
    def bins(self) -> int:
        """Number of bins."""
        return self.held.size - 1

    @property
    def last_s(self) -> float:
        """End of the last bin, s."""
        return self.first_s + self.bins * self.bin_s

    def bin_of(self, time_s: FloatArray) -> NDArray[np.int64]:
        """Bins of some times; those far outside come just outside."""
        number = np.round((time_s - self.first_s) / self.bin_s)
        return np.clip(number, -self.bins, 2 * self.bins).astype(np.int64)

    def steps_up_after(self, reached: int, written: int, end: int) -> int:
        """Bin of a pause where the colour steps on, after its row was written, to the end colour.

        What settles only slows down; a colour that speeds up again got more titrant.

        Parameters
        ----------
        reached, end:
            First bin of the pause, and the first after it.
        written:
            Bin in which the row was written.

        Returns
        -------
        `end` where there is no such step.
        """
        wide = max(round(_STEP_S / self.bin_s), 1)
        first = reached + round(_MIXING_S / self.bin_s)
        if self.bluer is None or end - first < 3 * wide:
            return end
        levels = self.bluer[first:end]
        if not np.isfinite(levels).all():
            return end
        mean = np.convolve(levels, np.full(wide, 1.0 / wide), "valid")
        rise = mean[2 * wide :] - mean[wide:-wide]
        bend = np.minimum(rise, rise - mean[wide:-wide] + mean[: -2 * wide])
        scatter = 1.4826 * float(np.median(np.abs(np.diff(levels, n=2)))) / np.sqrt(6.0)
        limit = max(_LEAST_STEP, _STEP_SDS * scatter * np.sqrt(6.0 / wide))
        found = np.flatnonzero(bend > limit)
        found = found[first + found + 2 * wide >= written]
        if found.size == 0:
            return end
        # The span after the step begins at the sharpest bend that follows.
        near = bend[found[0] : found[0] + wide]
        return int(first + found[0] + np.argmax(near) + 2 * wide)


def activity_of(trace: ColourTrace) -> Activity | None:
    """Colours of a recording in bins, with the cost of every span as a pause.

    Parameters
    ----------
    trace:
        Colour against time, of all frames or of some spans.

    Returns
    -------
    None where there are too few frames to know what is quiet.
    """
    usable = trace.usable & np.isfinite(trace.density).all(axis=1) & np.isfinite(trace.spread)
    time_s = trace.time_s[usable]
    if time_s.size < 2 * _LEAST_QUIET:
        return None
    first_s, last_s = float(trace.time_s[0]), float(trace.time_s[-1])
    bin_s = max(_BIN_S, (last_s - first_s) / _MOST_BINS, float(np.median(np.diff(time_s))))
    bins = int((last_s - first_s) / bin_s) + 1
    number = np.minimum(((time_s - first_s) / bin_s).astype(np.int64), bins - 1)
    columns = np.column_stack([trace.density[usable], trace.spread[usable]])
    binned = np.full((bins, 4), np.nan)
    cuts = np.flatnonzero(np.diff(number)) + 1
    for part, which in zip(np.split(columns, cuts), number[np.r_[0, cuts]], strict=True):
        binned[which] = np.median(part, axis=0)
    held = np.isfinite(binned[:, 0])
    if held.sum() < 2 * _LEAST_QUIET:
        return None
    before = np.r_[0, np.cumsum(held)]
    rising, falling = _unevenness(binned[:, 3])
    addition = np.r_[0.0, np.cumsum(_PER_BIN * held + falling)]
    quiet = np.r_[0.0, np.cumsum(rising)].astype(np.float32)
    pause = np.maximum(quiet[None, :] - quiet[np.minimum(np.arange(bins + 1) + 1, bins), None], 0)
    bluer = _bluer(binned[:, :3])
    if bluer is not None:
        rest = _restlessness(bluer, bin_s)
        scatter = _quiet_variance(rest, before)
        if scatter is None:
            return None
        pause += rest / np.float32(2.0 * (scatter + _LEAST_SIGNAL**2))
        addition += _PER_BIN * before
    length = np.maximum(before[None, :] - before[:, None], 0).astype(np.float32)
    worst = 2.0 * _PER_BIN * length + np.float32(_DISTURBED / INDEPENDENT)
    return Activity(first_s, bin_s, np.minimum(pause, worst), before, addition, rising, bluer)


def _bluer(density: FloatArray) -> FloatArray | None:
    """How far the colour is on its way from start to end, nan without frames; None if it stays.

    Where it stays, light that drifts would be taken for additions.
    """
    kept = density[np.isfinite(density[:, 0])]
    few = max(len(kept) // 10, 4)
    start, end = np.median(kept[:few], axis=0), np.median(kept[-few:], axis=0)
    if np.linalg.norm(end - start) < _LEAST_CHANGE:
        return None
    scatter = np.median(np.abs(np.diff(kept, n=2, axis=0)), axis=0) + 1e-4
    weights = (end - start) / scatter**2
    return np.asarray((density - start) @ weights / ((end - start) @ weights))


def _unevenness(spread: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cost of every bin in a pause and in an addition for the way from the bin before, shape (n,).

    Bins without frames cost nothing; the way leads over them.
    """
    rising, falling = np.zeros(spread.size), np.zeros(spread.size)
    held = np.flatnonzero(np.isfinite(spread))
    base = float(np.percentile(spread[held], 20))
    way = np.diff(np.log(spread[held] + 0.3 * base + 1e-4))
    scatter = 1.4826 * float(np.median(np.abs(np.diff(way)))) / np.sqrt(6.0) * np.sqrt(2.0)
    sd = max(scatter, _UNEVEN_SD)
    up, down = np.maximum(way, 0.0) / sd, np.maximum(-way, 0.0) / (_FALL_SDS * sd)
    rising[held[1:]] = np.minimum(0.5 * up * up, _RISE_CAP)
    falling[held[1:]] = np.minimum(0.5 * down * down, _FALL_CAP)
    return rising, falling


def _restlessness(values: FloatArray, bin_s: float) -> Table:
    """Sum of squares about a level that an exponential leads to, for bins i up to j."""
    bins = values.size
    held = np.isfinite(values)
    settling = np.exp(-np.arange(bins) * bin_s / np.array(_SETTLES_S)[:, None])
    rest = np.zeros((bins + 1, bins + 1), dtype=np.float32)
    known = np.where(held, values, 0.0)
    for i in range(bins):
        weight = held[i:].astype(np.float64)
        y = (known[i:] - known[i]) * weight
        g = settling[:, : bins - i] * weight
        number = np.maximum(np.cumsum(weight), 1.0)
        sum_y, sum_g = np.cumsum(y), np.cumsum(g, axis=1)
        about = np.cumsum(y * y) - sum_y * sum_y / number
        shape = np.cumsum(g * g, axis=1) - sum_g * sum_g / number
        both = np.cumsum(y * g, axis=1) - sum_g * sum_y / number
        best = (both**2 / np.maximum(shape, 1e-3)).max(axis=0)
        rest[i, i + 1 :] = np.maximum(about - best, 0.0)
    return rest


def _quiet_variance(rest: Table, held: NDArray[np.int64]) -> float | None:
    """Variance within a few bins of the quieter third of the recording."""
    for long in (8, 6, 5, 4):
        first = np.arange(max(held.size - long, 0))
        whole = first[held[first + long] - held[first] == long]
        if whole.size > _LEAST_QUIET:
            return float(np.percentile(rest[whole, whole + long], 30)) / (long - 2)
    return None
