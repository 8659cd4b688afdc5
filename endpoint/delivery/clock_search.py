"""Whether the additions of a log come when the recording shows them, and if not, by how much.

An addition colours the liquid twice: titrant that has not mixed yet tints it (a plume), and near
the end point it stays bluer. So additions are seen as bursts of streaky colour and as steps, and
between them the colour only settles. For any difference between the two clocks the log says which
seconds are bursts; the difference under which all others are quiet is the one to believe.

Every pause is a level that an exponential leads to, every addition a looser one. Where between
them the log puts the limits may be wrong by seconds each (somebody wrote it down), so the cheapest
limits are found by dynamic programming. No source: own method, judged on rendered films.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace
from endpoint.delivery.delivery import Delivery

FloatArray = NDArray[np.float64]
Table = NDArray[np.float32]

NO_MATTER_S = (-2.6, 4.1)
"""Differences that are left to the mixing lag: what is added may well be seen some seconds later,
but hardly earlier than it was written down."""
SURE = 6.0
"""How much likelier (natural logarithm) one difference must be than others.

With logs written down with a scatter of 1 s, no wrong difference had more than 4.3 over the true
one in 102 films that this was chosen on.
"""
# Where a comment below names no other source, the value was chosen on rendered films: seeds 5, 6
# and 1301 (93 films) and 12 films with pauses of 12 to 14 s (seed 7). tests/studies/clock_study.py
# checks all together on held-back seeds; no study of the single value was kept.
_SHARP_S, _FAR_S = 1.6, 6.5
"""Difference from the best one, s, from which another counts as another: the width of a maximum,
and for "the log fits as it stands" about one pause. Smaller, and nothing is ever sure; larger, and
a rival within one pause is overlooked."""
_OUTLASTS_S = 0.5
"""How much longer than the addition the plume is seen, s."""
_LEAST_INSIDE = 0.6
"""Part of the additions that a recording must hold under a difference that is thought of. Lower,
and a film that shows few additions fits anywhere."""
_LEAST_ADDITIONS, _MOST_ADDITIONS = 6, 600
"""Additions of a log that is searched: fewer fit by chance, more take too long."""
_LEAST_QUIET = 20
"""Frames, or bins, from which a usual level or scatter is worked out."""
_BIN_S, _MOST_BINS, _FEW_BINS = 0.5, 1200, 600
"""Width of a bin, s, and most bins of a thorough and of a quick search; the table of costs holds
their square. Ten minutes of film fit a thorough search without wider bins."""
_MOST_DIFFERENCES = 2000
"""Differences that are tried; with more the step grows. It bounds the time."""
_SETTLE_S = 1.5
"""Time constant of the colour after an addition, s: the mixing lag that is assumed elsewhere."""
_LATE_S, _LATEST_S = 1.0, 2.0
"""Scatter of the rows of a log about the ends of the additions, s, and the most that is tried. The
study scatters rows by 0.7 s. Smaller, and sloppy logs fit nowhere; larger, and they fit
anywhere."""
_RATES_ML_S = (0.15, 0.25, 0.4, 0.6, 1.0)
"""Rates of pouring that are tried, mL/s: a drop a third of a second up to an open tap."""
_LENGTHS, _LENGTH_SPREAD = (0.7, 1.0, 1.4), 0.4
"""Lengths of one addition as a part of what the rate gives, and their usual spread (natural
logarithm)."""
_CLOSING_S = 0.3
"""Time that opening and closing a tap adds to an addition, s."""
_LOOSE, _PER_BIN = 0.06, 0.75
"""How much less a burst has to be smooth, and what one bin of it costs for each thing seen: about
what a quiet one costs, or additions would be moved out of a film that shows none."""
_INDEPENDENT = 0.25
"""Part of the bins that say something of their own: neighbouring ones err alike. Larger, and
`SURE` is reached by chance."""
_LEAST_SIGNAL, _LEAST_STREAK = 0.02, 0.03
"""Least scatter, as a part of the change of colour and of a full streak, that is taken for the
colour and for the streaks: films without noise would be believed too much."""
_LEAST_CHANGE = 0.04
"""Change of the density, over all channels, below which no change is seen."""
_FULL_STREAK = 1.0
"""Natural logarithm of the streaks over their usual size above which more says nothing more."""


@dataclass(frozen=True)
class ClockSearch:
    """What a recording says of the clock of its log. All logarithms are natural."""

    offset_s: float
    """Clock of the recording minus that of the log under which both agree best."""
    gain: float
    """How much likelier that is than every difference within `NO_MATTER_S`; 0 if it lies there."""
    lead: float
    """How much likelier it is than every other difference."""
    lead_far: float
    """How much likelier it is than those farther away than `_FAR_S`."""

    @property
    def confirms(self) -> bool:
        """Whether the log as it stands fits, and no other difference does."""
        return _is_small(self.offset_s) and self.lead_far >= SURE

    @property
    def is_found(self) -> bool:
        """Whether one difference alone fits."""
        return not _is_small(self.offset_s) and min(self.lead, self.gain) >= SURE


def _is_small(difference_s: float) -> bool:
    return NO_MATTER_S[0] <= difference_s <= NO_MATTER_S[1]


@dataclass(frozen=True, eq=False)
class _Film:
    """Colour of a recording in bins."""

    first_s: float
    bin_s: float
    cost: Table
    """Cost of one pause from bin i up to bin j, shape (n + 1, n + 1)."""
    held: NDArray[np.int64]
    """How many bins before each hold frames, shape (n + 1,)."""
    burst: float
    """Cost of one bin of a burst, in addition to that of its shape."""

    @property
    def bins(self) -> int:
        return self.held.size - 1

    @property
    def last_s(self) -> float:
        return self.first_s + self.bins * self.bin_s

    def bin_of(self, time_s: FloatArray) -> NDArray[np.int64]:
        """Bins of some times; those far outside come just outside."""
        number = np.round((time_s - self.first_s) / self.bin_s)
        return np.clip(number, -self.bins, 2 * self.bins).astype(np.int64)


def can_be_searched(delivery: Delivery) -> bool:
    """Whether a log holds enough additions, in steps and from the first on."""
    if delivery.mode != "steps" or delivery.volume_ml[0] > 0.0:
        return False
    return _LEAST_ADDITIONS <= int(np.sum(np.diff(delivery.volume_ml) > 0.0)) <= _MOST_ADDITIONS


def search_clock(trace: ColourTrace, delivery: Delivery, *, thorough: bool) -> ClockSearch | None:
    """Compare a log with the colours of a recording under every difference of their clocks.

    Parameters
    ----------
    trace:
        Colour against time, of all frames or of some spans.
    delivery:
        In steps, on the clock of the log.
    thorough:
        False looks at the colour alone, without streaks, in coarser steps: several times quicker,
        and enough to see whether there is a doubt.

    Returns
    -------
    None where there is too little to compare (few additions, few quiet seconds) or too much, and
    where the log does not begin with nothing delivered.
    """
    if not can_be_searched(delivery):
        return None
    added_ml = np.diff(delivery.volume_ml, prepend=0.0)
    rows_s, added_ml = delivery.time_s[added_ml > 0], added_ml[added_ml > 0]
    film = _film(trace, thorough=thorough)
    if film is None:
        return None
    step_s = film.bin_s if thorough else 2.0 * film.bin_s
    differences_s = _differences(film, rows_s + _OUTLASTS_S, step_s)
    lengths = _LENGTHS if thorough else (1.0,)
    cost = np.min(
        [
            _cost(film, rows_s + _OUTLASTS_S, added_ml / rate, differences_s, lengths)
            for rate in _RATES_ML_S
        ],
        axis=0,
    )
    best = int(np.argmin(cost))
    apart_s = np.abs(differences_s - differences_s[best])
    near = (differences_s >= NO_MATTER_S[0]) & (differences_s <= NO_MATTER_S[1])

    def lead(others: NDArray[np.bool_]) -> float:
        return float(np.min(cost[others], initial=np.inf) - cost[best])

    return ClockSearch(
        float(differences_s[best]), lead(near), lead(apart_s > _SHARP_S), lead(apart_s > _FAR_S)
    )


def far_differences_s(trace: ColourTrace, delivery: Delivery) -> tuple[float, ...]:
    """Differences of the clocks, s, beyond usual lateness that the colours speak for."""
    found = search_clock(trace, delivery, thorough=True)
    if found is None or _is_small(found.offset_s):
        return ()
    return (found.offset_s,)


def _differences(film: _Film, rows_s: FloatArray, step_s: float) -> FloatArray:
    """Differences of the clocks that are tried: small ones, and those that keep most rows."""
    widest_s = film.last_s - film.first_s + float(np.ptp(rows_s))
    step_s = max(step_s, widest_s / _MOST_DIFFERENCES)
    low = np.floor((film.first_s - rows_s[-1]) / step_s)
    high = np.ceil((film.last_s - rows_s[0]) / step_s)
    tried = step_s * np.arange(low, high + 1.0)
    at_s = rows_s[None, :] + tried[:, None]
    inside = np.mean((at_s > film.first_s) & (at_s < film.last_s), axis=1)
    small = step_s * np.arange(np.ceil(NO_MATTER_S[0] / step_s), NO_MATTER_S[1] / step_s)
    return np.union1d(tried[inside >= _LEAST_INSIDE], small)


def _film(trace: ColourTrace, *, thorough: bool) -> _Film | None:
    usable = trace.usable & np.isfinite(trace.density).all(axis=1) & np.isfinite(trace.spread)
    time_s = trace.time_s[usable]
    if time_s.size < 2 * _LEAST_QUIET:
        return None
    first_s, last_s = float(trace.time_s[0]), float(trace.time_s[-1])
    most = _MOST_BINS if thorough else _FEW_BINS
    bin_s = max(_BIN_S, (last_s - first_s) / most, float(np.median(np.diff(time_s))))
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
    cost = np.zeros((bins + 1, bins + 1), dtype=np.float32)
    seen = [(_bluer(binned[:, :3]), _LEAST_SIGNAL)]
    if thorough:
        seen.append((_streaky(binned[:, 3], bin_s), _LEAST_STREAK))
    known = [(values, least) for values, least in seen if values is not None]
    for values, least in known:
        rest = _restlessness(values, bin_s)
        scatter = _quiet_variance(rest, np.r_[0, np.cumsum(held)])
        if scatter is None:
            return None
        cost += rest / np.float32(2.0 * (scatter + least**2))
    if not known:
        return None
    return _Film(first_s, bin_s, cost, np.r_[0, np.cumsum(held)], _PER_BIN * len(known))


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


def _streaky(spread: FloatArray, bin_s: float) -> FloatArray | None:
    """Logarithm of the unevenness of the liquid over what is usual at that time, at most 1."""
    base = float(np.nanpercentile(spread, 20))
    level = np.log(spread + 0.3 * base + 1e-4)
    half = int(15.0 / bin_s)
    usual = np.zeros(level.size)
    for k in range(level.size):
        around = level[max(0, k - half) : k + half + 1]
        around = around[np.isfinite(around)]
        usual[k] = np.percentile(around, 25) if around.size else 0.0
    return np.minimum(level - usual, _FULL_STREAK)


def _restlessness(values: FloatArray, bin_s: float) -> Table:
    """Sum of squares about a level that an exponential leads to, for bins i up to j."""
    bins = values.size
    held = np.isfinite(values)
    settling = np.exp(-np.arange(bins) * bin_s / _SETTLE_S)
    rest = np.zeros((bins + 1, bins + 1), dtype=np.float32)
    known = np.where(held, values, 0.0)
    for i in range(bins):
        weight = held[i:].astype(np.float64)
        y = (known[i:] - known[i]) * weight
        g = settling[: bins - i] * weight
        number = np.maximum(np.cumsum(weight), 1.0)
        sum_y, sum_g = np.cumsum(y), np.cumsum(g)
        about = np.cumsum(y * y) - sum_y * sum_y / number
        shape = np.cumsum(g * g) - sum_g * sum_g / number
        both = np.cumsum(y * g) - sum_g * sum_y / number
        rest[i, i + 1 :] = np.maximum(about - both**2 / np.maximum(shape, 1e-3), 0.0)
    return rest


def _quiet_variance(rest: Table, held: NDArray[np.int64]) -> float | None:
    """Variance within a few bins of the quieter third of the recording."""
    for long in (8, 6, 5, 4):
        first = np.arange(max(held.size - long, 0))
        whole = first[held[first + long] - held[first] == long]
        if whole.size > _LEAST_QUIET:
            return float(np.percentile(rest[whole, whole + long], 30)) / (long - 2)
    return None


def _cost(
    film: _Film,
    rows_s: FloatArray,
    pours_s: FloatArray,
    differences_s: FloatArray,
    lengths: tuple[float, ...],
) -> FloatArray:
    """Negative logarithm of the likelihood for every difference, shape (differences,)."""
    reach = max(1, round(_LATEST_S / film.bin_s))
    late = np.arange(-reach, reach + 1)
    late_cost = (late * film.bin_s / _LATE_S) ** 2 / 2.0 / _INDEPENDENT
    total, before = np.zeros((differences_s.size, 1)), np.zeros((differences_s.size, 1), np.int64)
    for row_s, pour_s in zip(rows_s, pours_s, strict=True):
        end = np.clip(film.bin_of(row_s + differences_s)[:, None] + late, 0, film.bins)
        best = np.full(end.shape, np.inf)
        for length in lengths:
            bins = max(1, round((length * pour_s + _CLOSING_S) / film.bin_s))
            begin = np.clip(end - bins, 0, film.bins)
            pour = film.burst * (film.held[end] - film.held[begin])
            pour = pour + _LOOSE * film.cost[begin, end] + late_cost
            pour += (np.log(length) / _LENGTH_SPREAD) ** 2 / 2.0 / _INDEPENDENT
            pause = film.cost[np.minimum(before[:, :, None], begin[:, None, :]), begin[:, None, :]]
            best = np.minimum(best, np.min(total[:, :, None] + pause, axis=1) + pour)
        total, before = best, end
    return np.asarray(np.min(total + film.cost[before, film.bins], axis=1) * _INDEPENDENT)
