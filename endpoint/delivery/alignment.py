"""Rows of a log put in order with the additions that a recording shows.

A row of a log says "read by now". People write it some seconds after the drop, often when the
next one is already in, round it to the second, put several drops in one row, or use another clock.
So the log is believed in its order and its volumes, and only roughly in its times: the recording
shows when titrant ran in (streaks, steps of colour), and each pause between gets the volume of the
row that was reached by then.

For one mean lateness of all rows `endpoint.delivery.row_path` finds the cheapest way to cut the
recording into pauses and additions, row by row. The mean lateness is not known: every value of it
that explains the recording gives an alignment with a probability of its own, and whoever uses them
has to go through them all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace
from endpoint.delivery.activity import INDEPENDENT, Activity, activity_of
from endpoint.delivery.delivery import Delivery, reading_sd_ml
from endpoint.delivery.first_plume import first_plume
from endpoint.delivery.other_start import BEND_SD_S, OtherStart, other_start
from endpoint.delivery.pump_start import LOGGED_SD_S, STATED_SD_S, PumpStart, pump_start
from endpoint.delivery.row_path import LEAST_INSIDE, Costs, Path, Rows, cheapest_path, costs_of
from endpoint.messages import Sentence, remark

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_EARLY_S, _EARLY_SDS_S = -1.2, (1.5, 1.3)
_LOOKS_FIRST, _LOOKS_S, _LOOKS_SD_S = 0.2, -4.5, 1.5
"""When an addition ends compared with its row, s: mean over people, and standard deviations to
either side (nobody can read a volume before it has run in, so that earlier rows need clocks that
differ); part of the people who swirl and look first, and write before they open the tap again, and
the same for them. Assumed from how people work, no source. Where additions follow each other every
few seconds the rows alone do not tell one from the other."""
_OTHER_CLOCK = 0.07
"""Part of the logs whose clock is another than that of the recording, by anything. Assumed."""
_DIFFERENCES_S = np.arange(-8.0, 4.51, 0.5)
"""Times of additions minus times of rows that are tried around one clock, s."""
_RUNNING_S = (-3.0, -1.5, 0.0)
"""The same for a tap that is left open, s."""
_OTHER_CLOCKS, _ALL_CLOCKS, _AROUND_S = 5, 15, np.arange(-1.5, 1.51, 0.5)
"""How many other clocks are looked at, how many where the usual ones explain no curve, and the
differences around each, s."""
_COARSE_S, _MOST_CLOCKS = 2.0, 200
"""Steps between the clocks of a first, coarse look, s, and how many are tried at most."""
_FOLLOWS_S = 3.0
"""Time by which a row follows the moment in which its addition is first seen, s."""
_FILMED_LATE = 2.3
"""Cost of a recording that begins after the first addition, natural logarithm: people start the
camera before they open the tap, nine times in ten. Assumed."""
SURE = 6.0
"""How much likelier, natural logarithm, another clock must be than that of the log (400 to 1)
before it is told against a stated one, or a number comes of it that the log by its own clock
contradicts. Among dozens of clocks one fits by chance: less, and such a one gives a false number;
more, and a log that is really apart gives an interval only."""
_LEAST_WEIGHT = 0.001
"""Probability, compared with the best, below which an alignment is left out."""
_SAME_S, _ALIKE = 1.5, 0.1
"""Two alignments are one if no more than this part of their rows is farther apart than this, s."""
_OUTLASTS_S = 0.2
"""How much longer than the addition its plume is seen, s."""
_SHORTEST_S = 0.1
_LEAST_ADDITIONS, _MOST_ADDITIONS = 4, 600
"""Additions of a log that is aligned: fewer fit by chance, more take too long."""
_AS_SEEN = 1.6
"""How much likelier at most, natural logarithm, the start that a plume shows is than that of the
log: 5 to 1, so that no number comes of the plume alone. Assumed."""
_AROUND = (-1.8, -1.2, -0.6, 0.0, 0.6, 1.2, 1.8)
"""Places of a normal distribution that stand for all of it, in standard deviations."""
_UNEVEN = 0.35
"""Spread of the rates between rows, as a part of their mean, from which a log in straight lines was
written by hand, not by a pump; a pump that is slowed down once has few rows."""


@dataclass(frozen=True, eq=False)
class Alignment:
    """One way in which the rows of a log go with the additions of a recording."""

    delivery: Delivery
    """Volume against the time of the recording, its pauses as they were seen."""
    cost: float
    """Negative logarithm of its probability, up to a constant, without what the colours say."""
    difference_s: float
    """Times of the additions minus those of their rows, s: the mean."""
    ends_s: FloatArray
    """When each row was reached, shape (rows,); nan for rows outside the recording."""
    goes_on: bool = False
    """Whether titrant runs in after the last row, which nobody wrote down."""
    remark: Sentence | None = None
    """What has to be said of it."""
    sd_s: float | None = None
    """Standard uncertainty of the time of all additions together, s; None where the recording was
    not asked for it."""

    @property
    def keeps_clock(self) -> bool:
        """Whether the log is taken by its own clock."""
        return self.remark is None or self.remark.code != "clock-found"


def can_be_aligned(delivery: Delivery) -> bool:
    """Whether a log holds rows that a person wrote, and enough of them."""
    added_ml = np.diff(delivery.volume_ml)
    if delivery.mode == "per-still" or delivery.pauses_s.size:
        return False
    if not _LEAST_ADDITIONS <= int(np.sum(added_ml > 0.0)) <= _MOST_ADDITIONS:
        return False
    if delivery.mode == "steps":
        return True
    # A pump that stands still between two stretches has run at one rate.
    runs = added_ml > 0.0
    rates = added_ml[runs] / np.diff(delivery.time_s)[runs]
    return bool(rates.size > _LEAST_ADDITIONS and np.std(rates) > _UNEVEN * np.mean(rates))


def align(
    trace: ColourTrace,
    delivery: Delivery,
    *,
    stated: bool = False,
    flask_ml: float | None = None,
    clock_sd_s: float = 0.0,
    thorough: bool = False,
) -> tuple[Alignment, ...]:
    """Alignments of a log with a recording, the most probable one first.

    Parameters
    ----------
    trace:
        Colour against time, of all frames or of some spans.
    delivery:
        The log, on the clock of the recording as far as that was stated.
    stated:
        Whether it was: then other clocks are not thought of.
    flask_ml:
        Volume in the flask before the first addition: by it the dilution tells when a pump began.
    clock_sd_s:
        Standard uncertainty of the clock of the log that was stated, s.
    thorough:
        Whether other clocks are looked for also where a usual one seems to do.

    Returns
    -------
    Empty where there is too little to align.
    """
    if not can_be_aligned(delivery):
        if delivery.mode != "continuous":
            return ()
        said_sd_s = float(np.hypot(clock_sd_s, STATED_SD_S if stated else LOGGED_SD_S))
        near = pump_start(trace, delivery, said_sd_s)
        other = _other_start(trace, delivery, near, stated, flask_ml)
        return other or _near_start(delivery, near)
    activity = activity_of(trace)
    if activity is None:
        return ()
    rows = Rows.of(delivery)
    costs = costs_of(activity)
    far = _other_clocks(costs, rows, thorough)
    tried = np.unique(np.concatenate([_DIFFERENCES_S, *(one + _AROUND_S for one in far)]))
    found: dict[tuple[tuple[int, int], ...], Alignment] = {}
    for difference_s in tried.tolist():
        path = cheapest_path(costs, rows, difference_s)
        if path is None:
            continue
        prior = _cost_of(difference_s, activity.last_s - activity.first_s)
        cost = path.cost * INDEPENDENT + prior
        if path.cuts[0][1] == 0:
            cost += _FILMED_LATE
        if path.cuts not in found or cost < found[path.cuts].cost:
            found[path.cuts] = _aligned(activity, rows, path, cost, difference_s)
    running = _running(activity, delivery) if delivery.mode == "continuous" else []
    ranked = sorted([*found.values(), *running], key=lambda one: one.cost)
    return _distinct(_as_stated(ranked) if stated else ranked)


def _as_stated(ranked: list[Alignment]) -> list[Alignment]:
    """Without other clocks, whatever the colours say; a remark where they say it clearly."""
    near = [one for one in ranked if one.keeps_clock]
    if not near or near[0].cost - ranked[0].cost < SURE:
        return near
    return [replace(one, remark=remark("clocks-doubted")) for one in near]


def _running(activity: Activity, delivery: Delivery) -> list[Alignment]:
    """A tap that was left open: rows on straight lines, more or less late."""
    found = []
    for late_s in _RUNNING_S:
        moved = replace(delivery, time_s=delivery.time_s + late_s)
        rises = np.flatnonzero(np.diff(moved.volume_ml) > 0.0)
        ends_s = moved.time_s[[rises[0], rises[-1] + 1]]
        first, last = np.clip(activity.bin_of(ends_s), 0, activity.bins)
        cost = activity.pause[0, first] + activity.addition[last] - activity.addition[first]
        cost += activity.pause[last, activity.bins]
        prior = _cost_of(late_s, activity.last_s - activity.first_s)
        ends_s = moved.time_s[np.diff(moved.volume_ml, prepend=0.0) > 0.0]
        found.append(Alignment(moved, float(cost) * INDEPENDENT + prior, late_s, ends_s))
    return found


def _near_start(delivery: Delivery, start: PumpStart) -> tuple[Alignment, ...]:
    """A pump whose log is right but for a second or so."""
    # At an even rate later is only elsewhere, and a fit takes that up with the lag. Where the rate
    # changes each start makes another curve.
    places = (0.0,) if delivery.is_even else sorted(_AROUND, key=abs)
    ways = []
    for z in places:
        later_s = start.later_s + z * start.sd_s
        moved = replace(delivery, time_s=delivery.time_s + later_s)
        sd_s = start.sd_s if len(places) == 1 else 0.0
        ways.append(Alignment(moved, 0.5 * z * z, later_s, moved.time_s, sd_s=sd_s))
    return tuple(ways)


def _other_start(
    trace: ColourTrace,
    delivery: Delivery,
    near: PumpStart,
    stated: bool,
    flask_ml: float | None,
) -> tuple[Alignment, ...]:
    """A pump as first plume or dilution have it, where that is quite another time than the log's.

    What is read off beside the film (a stopwatch, the clock of the pump) is written down as the
    start too, so a stated one is asked as well.
    """
    plume = first_plume(trace, delivery)
    elsewhere = None
    if plume is not None and not plume.fits:
        words = {"seen": f"{plume.seen_s:.0f}", "told": f"{plume.told_s:.0f}"}
        elsewhere = remark("plume-elsewhere", words)
    other = None if flask_ml is None else other_start(trace, delivery, flask_ml)
    if other is not None:
        return _moved(trace, delivery, near, other, elsewhere)
    if plume is None or elsewhere is None:
        return ()
    told = Alignment(delivery, 0.0, 0.0, delivery.time_s, remark=elsewhere)
    if stated:
        return (told,)
    by_s = plume.seen_s - plume.told_s
    moved = replace(delivery, time_s=delivery.time_s + by_s)
    seen = replace(told, delivery=moved, difference_s=by_s, ends_s=moved.time_s)
    return (seen, replace(told, cost=_AS_SEEN))


def _moved(
    trace: ColourTrace,
    delivery: Delivery,
    near: PumpStart,
    found: OtherStart,
    elsewhere: Sentence | None,
) -> tuple[Alignment, ...]:
    """Starts around the one that dilution and plumes tell, and that of the log."""
    moved = replace(delivery, time_s=delivery.time_s + found.later_s)
    start = pump_start(trace, moved, float(np.hypot(found.sd_s, BEND_SD_S)))
    words = {"offset": f"{found.later_s + start.later_s:+.0f}"}
    said = elsewhere or remark("clock-found", words)
    ways = []
    for z in sorted(_AROUND, key=abs):
        later_s = found.later_s + start.later_s + z * start.sd_s
        moved = replace(delivery, time_s=delivery.time_s + later_s)
        ways.append(Alignment(moved, 0.5 * z * z, later_s, moved.time_s, remark=said))
    # A balance or an exposure that drifts looks like dilution (a rendered film of another maker: a
    # gain of 9 for a start that was right), so by it the log is never less likely than the
    # likeliest; only a plume that begins there, and none near the log, makes it so.
    moved = replace(delivery, time_s=delivery.time_s + near.later_s)
    cost = min(start.gain - near.gain, _AS_SEEN)
    ways.append(Alignment(moved, cost, near.later_s, moved.time_s, remark=elsewhere))
    return tuple(ways)


def _distinct(ranked: list[Alignment]) -> tuple[Alignment, ...]:
    """One alignment, the best, for all that put nearly every row to the same addition."""
    kept: list[Alignment] = []
    for one in ranked:
        if one.cost - ranked[0].cost > -np.log(_LEAST_WEIGHT):
            break
        for k, other in enumerate(kept):
            if np.mean(np.abs(one.ends_s - other.ends_s) > _SAME_S) <= _ALIKE:
                cost = -float(np.logaddexp(-one.cost, -other.cost))
                kept[k] = replace(other, cost=cost)
                break
        else:
            kept.append(one)
    return tuple(sorted(kept, key=lambda one: one.cost))


def _other_clocks(costs: Costs, rows: Rows, thorough: bool) -> list[float]:
    """Differences of the clocks, s, that may explain the recording better than usual lateness."""
    activity = costs.activity
    bin_s, bins = activity.bin_s, activity.bins
    first, last = rows.time_s[0], rows.time_s[-1]
    steps = np.arange(-int(last / bin_s), bins - int(first / bin_s) + 1)
    at = np.round((rows.time_s - activity.first_s) / bin_s).astype(np.int64) + steps[:, None]
    inside = (at >= 0) & (at < bins)
    # A row follows the moment in which its addition is first seen.
    before, after = round(_FOLLOWS_S / bin_s), round(1.0 / bin_s)
    near = sliding_window_view(np.pad(activity.rising, (before, after)), before + after + 1)
    seen = near.max(axis=1) - near.max(axis=1).mean()
    score = np.where(inside, seen[np.clip(at, 0, bins - 1)], 0.0).sum(axis=1)
    usual = (steps * bin_s >= _DIFFERENCES_S[0]) & (steps * bin_s <= _DIFFERENCES_S[-1])
    if not thorough and usual[int(np.argmax(score))] and inside[usual].all(axis=1).any():
        return []
    tried = steps[inside.mean(axis=1) >= LEAST_INSIDE] * bin_s
    tried = tried[:: max(1, round(_COARSE_S / bin_s), tried.size // _MOST_CLOCKS)]
    paths = [cheapest_path(costs, rows, one, coarse=True) for one in tried.tolist()]
    cost = np.array([np.inf if path is None else path.cost for path in paths])
    found: list[float] = []
    for k in np.argsort(cost):
        if len(found) == (_ALL_CLOCKS if thorough else _OTHER_CLOCKS) or not np.isfinite(cost[k]):
            break
        if all(abs(tried[k] - other) > 2.0 for other in found):
            found.append(float(tried[k]))
    return found


def _cost_of(difference_s: float, film_s: float) -> float:
    """Negative logarithm of the probability of a mean lateness, per s."""
    z = (difference_s - _EARLY_S) / _EARLY_SDS_S[int(difference_s > _EARLY_S)]
    at_once = float(np.exp(-0.5 * z * z)) / (0.5 * sum(_EARLY_SDS_S))
    z = (difference_s - _LOOKS_S) / _LOOKS_SD_S
    looked = float(np.exp(-0.5 * z * z)) / _LOOKS_SD_S
    near = ((1.0 - _LOOKS_FIRST) * at_once + _LOOKS_FIRST * looked) / np.sqrt(2.0 * np.pi)
    other = _OTHER_CLOCK / max(film_s, 1.0)
    return -float(np.log((1.0 - _OTHER_CLOCK) * near + other))


def _aligned(
    activity: Activity, rows: Rows, path: Path, cost: float, difference_s: float
) -> Alignment:
    """Volume against time with the pauses that were seen."""

    def at_s(number: int) -> float:
        return activity.first_s + number * activity.bin_s

    usual = _DIFFERENCES_S[0] - 2.0 <= difference_s <= _DIFFERENCES_S[-1] + 2.0
    clock_s = 0.0 if usual else difference_s - _EARLY_S
    written = activity.bin_of(rows.time_s + clock_s)
    time_s: list[float] = []
    volume_ml: list[float] = []
    pauses: list[tuple[float, float]] = []
    ends_s = np.full(rows.time_s.size, np.nan)
    reached_ml, quiet_from = 0.0, 0
    for k, (seen, end) in enumerate(path.cuts):
        begin = seen
        if end > 0 and begin < activity.bins:
            if k > 0:
                # What runs in after a row was written is not in it.
                begin = activity.steps_up_after(quiet_from, int(written[k - 1]), seen)
            if begin > quiet_from:
                pauses.append((at_s(quiet_from), at_s(begin)))
            first_s = max(at_s(begin), time_s[-1] + 1e-3) if time_s else at_s(begin)
            ends_s[k] = max(at_s(end) - _OUTLASTS_S, first_s + _SHORTEST_S)
            time_s += [first_s, float(ends_s[k])]
            volume_ml += [reached_ml, float(rows.volume_ml[k])]
            quiet_from = end
        if begin < activity.bins:
            reached_ml = float(rows.volume_ml[k])
    last = path.last
    if path.cuts:
        last = activity.steps_up_after(quiet_from, int(written[-1]), last)
    if last > quiet_from:
        pauses.append((at_s(quiet_from), at_s(last)))
    if not time_s:
        time_s, volume_ml = [activity.first_s], [reached_ml]
    delivery = Delivery(
        "continuous",
        np.array(time_s),
        np.array(volume_ml),
        np.array(pauses).reshape(-1, 2),
        reading_sd_ml(rows.volume_ml),
    )
    words = {"offset": f"{difference_s:+.0f}"}
    said = None if usual else remark("clock-found", words)
    return Alignment(delivery, cost, difference_s, ends_s, last < activity.bins, said)
