"""The cheapest way to cut a recording into pauses and additions along the rows of a log.

Found by dynamic programming (Viterbi; Rabiner, Proc. IEEE 77 (1989) 257, from memory): the states
are the bins in which a row is reached, row after row. Costs are negative logarithms, too large by
the factor 1 / `endpoint.delivery.activity.INDEPENDENT`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace
from endpoint.delivery.activity import INDEPENDENT, Activity, activity_of
from endpoint.delivery.delivery import Delivery

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_ROW_SD_S, _ROW_REACH_S = 1.2, 4.0
"""Scatter of single rows about the mean, s, with the tails of Student's t for 3 degrees of freedom
(somebody was called away), and the most that is tried."""
_RATE_ML_S, _RATE_LOG_SD, _CLOSING_S = 0.4, 0.9, 0.5
"""Usual rate from a burette, mL/s, its spread (natural logarithm), and what opening and closing a
tap adds to the time in which titrant is seen, s."""
_LENGTH_CAP = 1.5
"""Most that a strange length of an addition costs, natural logarithm, if it is too long (taps that
drip, several drops) or begins before the recording. One that is too short costs without bound: no
burette lets 13 mL run out in half a second."""
_LONGEST_S = 90.0
"""Longest time for which one row stands, s: several additions with pauses between them."""
_SUMMED = 1.5
"""Cost of one more addition in a row, natural logarithm: one row in five holds several."""
_UNLOGGED = 4.0
"""Cost of an addition after the last row, which nobody wrote down, natural logarithm."""
_ORDERS, _CLEARLY = 4, 1.0
"""Other orders that are tried, and by how much the log must be better than each, natural logarithm.
Of 60 films of the population (seeds 2000 to 2116) that got the log of another one 77 % are doubted
so, and with their own log 50 %, where few plumes are seen. Lower, and a log of another film gets a
number by its own clock's difference; higher, and clocks that are apart get intervals only."""
_CLOCKS_S, LEAST_INSIDE = 4.0, 0.6
"""Steps between the clocks that are tried, s: rows reach as far; and the part of the rows that a
recording must hold under another clock. Lower, and a film that shows few additions fits anywhere.
"""


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of a log that deliver something, shape (rows,) each."""

    time_s: FloatArray
    volume_ml: FloatArray
    """Delivered by each row."""
    added_ml: FloatArray
    """Since the row before."""

    @classmethod
    def of(cls, delivery: Delivery) -> Rows:
        """Rows of a log."""
        steps_ml = np.diff(delivery.volume_ml, prepend=0.0)
        adds = steps_ml > 0
        return cls(delivery.time_s[adds], delivery.volume_ml[adds], steps_ml[adds])


@dataclass(frozen=True, eq=False)
class Costs:
    """What the paths through one recording are made of."""

    activity: Activity
    sums: FloatArray
    """Of what stands in one row, for each bin in which it ends and each length in bins; infinite
    before the recording; shape (n + 1, longest + 1). See `_sums`."""
    not_written: FloatArray
    """Of what comes after the last row, see `_not_written`."""


@dataclass(frozen=True)
class Path:
    """One way through a recording."""

    cost: float
    cuts: tuple[tuple[int, int], ...]
    """Bin in which each addition begins, and that in which it is over."""
    last: int
    """Bin up to which the last pause is quiet."""


def costs_of(activity: Activity) -> Costs:
    """What any path through a recording is made of."""
    sums = _sums(activity)
    end, length = np.arange(len(sums))[:, None], np.arange(sums.shape[1])
    by_end = np.where(length <= end, sums[np.maximum(end - length, 0), length], np.inf)
    return Costs(activity, by_end, _not_written(activity))


def cheapest_path(
    costs: Costs, rows: Rows, difference_s: float, *, coarse: bool = False
) -> Path | None:
    """Cheapest pauses and additions for one mean lateness; None where the rows cannot lie so.

    A coarse look goes in double steps and only up to half of the lengths.
    """
    activity, sums = costs.activity, costs.sums
    bin_s, bins, step = activity.bin_s, activity.bins, 2 if coarse else 1
    reach = round(_ROW_REACH_S / bin_s / step) * step
    late = np.arange(-reach, reach + 1, step)
    # Student's t with 3 degrees of freedom.
    late_cost = 2.0 * np.log1p((late * bin_s / _ROW_SD_S) ** 2 / 3.0) / INDEPENDENT
    total, before = np.zeros(1), np.zeros(1, dtype=np.int64)
    steps: list[tuple[IntArray, IntArray, IntArray, IntArray]] = []
    for row_bin, added_ml in zip(
        activity.bin_of(rows.time_s + difference_s), rows.added_ml, strict=True
    ):
        end = np.clip(row_bin + late, 0, bins)
        lengths, length_cost, hurry_cost = _lengths(float(added_ml), bin_s, sums.shape[1])
        if coarse and lengths.size > 1:  # a film of hours has bins longer than any addition
            lengths, length_cost, hurry_cost = lengths[1::2], length_cost[1::2], hurry_cost[1::2]
        shortest, longest = int(lengths[0]), int(lengths[-1])
        own = sums[end][:, shortest :: 2 if shortest else 1]
        own = own + length_cost + late_cost[:, None]
        if not shortest:
            own[(end > 0) & (end < bins), 0] = np.inf
        # Where an addition begins, the cheapest way there does not depend on how long it lasts.
        first, last = max(int(end.min()) - longest, 0), max(int(end.max()) - shortest, 0)
        way, came_from = _ways_to(activity, total, before, first, last)
        place = np.maximum(end[:, None] - lengths, 0) - first
        cost = way[place] + own + np.where(end[:, None] > lengths, hurry_cost, 0.0)
        chosen = np.argmin(cost, axis=1)
        at = np.arange(end.size), chosen
        total = cost[at]
        if not np.isfinite(total).any():
            return None
        steps.append((came_from[place[at]], place[at] + first, end, before))
        before = end
    return _traced(costs, total, before, steps)


def matches(trace: ColourTrace, delivery: Delivery) -> bool:
    """Whether a log fits its recording better than its additions do in another order.

    Among dozens of clocks one fits every log by chance: the log has to fit better by its best clock
    than the same additions in any other order by theirs. A permutation test (Good, Permutation,
    Parametric and Bootstrap Tests of Hypotheses, 2005; from memory).

    Parameters
    ----------
    trace:
        Colour against time, of all frames.
    delivery:
        The log, in steps, on any clock.
    """
    activity = activity_of(trace)
    if activity is None:
        return False
    costs = costs_of(activity)
    rows = Rows.of(delivery)
    own = _least(costs, rows)
    waits_s = np.diff(rows.time_s, prepend=0.0)
    rng = np.random.default_rng(1)
    others = []
    for _ in range(_ORDERS):
        order = rng.permutation(waits_s.size)
        added_ml = rows.added_ml[order]
        other = Rows(np.cumsum(waits_s[order]), np.cumsum(added_ml), added_ml)
        others.append(_least(costs, other))
    # That no other order can be put in at all speaks for this one.
    return bool(np.isfinite(own) and own + _CLEARLY <= min(others))


def _least(costs: Costs, rows: Rows) -> float:
    """Least cost by any clock, natural logarithm; infinite where the rows fit nowhere."""
    activity = costs.activity
    first_s, last_s = activity.first_s, activity.last_s
    least = np.inf
    for later_s in np.arange(first_s - rows.time_s[-1], last_s - rows.time_s[0], _CLOCKS_S):
        at_s = rows.time_s + later_s
        if np.mean((at_s >= first_s) & (at_s <= last_s)) < LEAST_INSIDE:
            continue
        path = cheapest_path(costs, rows, float(later_s), coarse=True)
        if path is not None:
            least = min(least, path.cost * INDEPENDENT)
    return float(least)


def _ways_to(
    activity: Activity, total: FloatArray, before: IntArray, first: int, last: int
) -> tuple[FloatArray, IntArray]:
    """Least cost of a pause up to each bin from `first` to `last`, and which end it began at.

    Parameters
    ----------
    activity:
        What a pause costs.
    total, before:
        Cost and bin of the ends of the addition before, shape (ends,) each.
    first, last:
        Bins.
    """
    until = np.arange(first, last + 1)
    cost = total[:, None] + activity.pause[before, first : last + 1]
    cost[before[:, None] > until] = np.inf
    came_from = np.argmin(cost, axis=0)
    return cost[came_from, np.arange(until.size)], came_from


def _sums(activity: Activity) -> FloatArray:
    """Cost of what stands in one row: one addition, or up to eight with pauses between them.

    Returns
    -------
    Shape (n + 1, longest + 1): from each bin on, for each length in bins.
    """
    bins = activity.bins
    long = min(round(_LONGEST_S / activity.bin_s), bins)
    at = np.arange(bins + 1)[:, None] + np.arange(long + 1)
    total = np.where(at <= bins, activity.addition[np.minimum(at, bins)], np.inf)
    sums = total - activity.addition[:, None]
    # From bin to bin, so that what follows on each other is a part of the same table.
    later = np.triu(np.ones((bins + 1, bins + 1), dtype=np.bool_), 1)
    pause = np.where(later, activity.pause, np.inf)
    second = np.full(pause.shape, np.inf)
    begin, length = np.nonzero((at <= bins) & (np.arange(long + 1) > 0))
    for _ in range(3):
        second[begin, begin + length] = sums[begin, length]
        twice = sums.copy()
        for start in range(bins):
            width = min(long, bins - start) + 1
            part = slice(start, start + width)
            first = (sums[start, :width, None] + pause[part, part]).min(axis=0)
            first += _SUMMED / INDEPENDENT
            both = (first[:, None] + second[part, part]).min(axis=0)
            twice[start, :width] = np.minimum(twice[start, :width], both)
        sums = twice
    return sums


@lru_cache(maxsize=512)
def _lengths(added_ml: float, bin_s: float, most: int) -> tuple[IntArray, FloatArray, FloatArray]:
    """Lengths of an addition that are tried, in bins, their costs, and what haste costs besides."""
    usual_s = added_ml / _RATE_ML_S + _CLOSING_S
    lengths = np.arange(most)
    z = np.log((lengths * bin_s + 0.2) / (usual_s + 0.2)) / _RATE_LOG_SD
    cost = 0.25 * z * z
    strange = np.minimum(cost, _LENGTH_CAP)
    hurry = np.where(z < 0.0, cost - strange, 0.0)
    return lengths, strange / INDEPENDENT, hurry / INDEPENDENT


def _traced(
    costs: Costs,
    total: FloatArray,
    before: IntArray,
    steps: list[tuple[IntArray, IntArray, IntArray, IntArray]],
) -> Path:
    """Path back from the cheapest end; after the last row an addition may have been left out."""
    activity, bins = costs.activity, costs.activity.bins
    last = np.arange(bins + 1)
    rest = costs.not_written + _UNLOGGED / INDEPENDENT
    rest[bins] = 0.0
    pause = activity.pause[np.minimum(before[:, None], last), last]
    cost = total[:, None] + pause + rest
    cost[last[None, :] < before[:, None]] = np.inf
    k, quiet = np.unravel_index(int(np.argmin(cost)), cost.shape)
    least, row = float(cost[k, quiet]), int(k)
    cuts: list[tuple[int, int]] = []
    for came_from, start, end, _ in reversed(steps):
        cuts.append((int(start[row]), int(end[row])))
        row = int(came_from[row])
    return Path(least, tuple(reversed(cuts)), int(quiet))


def _not_written(activity: Activity) -> FloatArray:
    """Least cost from each bin to the end if an addition begins there and nobody writes, (n + 1,).

    It begins with an addition, then pauses and additions follow as they come.
    """
    bins, added = activity.bins, activity.addition
    from_pause, from_addition = np.zeros(bins + 1), np.zeros(bins + 1)
    more = _SUMMED / INDEPENDENT
    for start in range(bins - 1, -1, -1):
        later = slice(start + 1, bins + 1)
        pause = activity.pause[start, later] + np.r_[from_addition[start + 1 : bins] + more, 0.0]
        from_pause[start] = pause.min()
        from_addition[start] = (added[later] - added[start] + from_pause[later]).min()
    return from_addition
