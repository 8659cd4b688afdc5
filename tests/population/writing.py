"""What a person writes down, and when: late, rounded, summed, by another clock, not to the last."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.population.acts import Additions

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Habits:
    """How somebody keeps a log."""

    late_s: float
    """Mean time between the end of an addition and its row, 0 to 5 s."""
    late_scatter_s: float
    reads_when_writing: bool
    """Reads the burette when the row is written, so the row holds the next drop too if it is in."""
    near_rows_every: int
    """Additions in one row near the end."""
    early_rows_every: int
    """Additions in one row before that."""
    grain_s: float
    """Times are rounded to this; 0.1, 1 or 5 s."""
    grain_ml: float
    """Readings are rounded to this: 0.01, 0.02, 0.05 or 0.1 mL."""
    clock_s: float
    """Clock of the recording minus that of the log."""
    first: str
    """"zero": a row of 0 first; "pour": the first row follows the first pour; "midway": film and
    log begin when some is in."""
    misses_last: bool


@dataclass(frozen=True, eq=False)
class Rows:
    """A log as it is written: times on its own clock, readings, and what is true of them."""

    time_s: FloatArray
    volume_ml: FloatArray
    lateness_s: FloatArray
    """Time from the end of the last addition that a row holds to the row; 0 for a first row."""


def draw_habits(rng: np.random.Generator, delivery: str) -> Habits:
    """Somebody's habits. Most write each drop at once; some do much later or sum up.

    The start of a pump is read off the film itself more often than rows are timed by it.
    """
    late = float(min(rng.gamma(1.6, 0.8), 5.0))
    apart = rng.random() < (0.05 if delivery == "pump" else 0.2)
    clock = rng.uniform(-120.0, 120.0) if apart else np.clip(0.8 * rng.normal(), -3.0, 3.0)
    return Habits(
        late_s=late,
        late_scatter_s=0.15 + 0.4 * late * float(rng.random()),
        reads_when_writing=bool(rng.random() < 0.3),
        near_rows_every=int(rng.choice([1, 2, 3, 4], p=[0.8, 0.12, 0.05, 0.03])),
        early_rows_every=int(rng.choice([1, 2, 4, 99], p=[0.5, 0.2, 0.15, 0.15])),
        grain_s=float(rng.choice([0.1, 1.0, 5.0], p=[0.45, 0.45, 0.1])),
        grain_ml=float(rng.choice([0.01, 0.02, 0.05, 0.1], p=[0.3, 0.4, 0.22, 0.08])),
        clock_s=float(clock),
        first=str(rng.choice(["zero", "pour"], p=[0.75, 0.25])),
        misses_last=bool(rng.random() < 0.06),
    )


def written(rng: np.random.Generator, habits: Habits, acts: Additions, near_ml: float) -> Rows:
    """Rows of a log; the person writes on when the film has ended.

    Parameters
    ----------
    rng, habits:
        The person.
    acts:
        On the clock of the recording.
    near_ml:
        Volume from which the person writes as near the end.
    """
    n, total = acts.volume_ml.size, acts.total_ml
    kept, since = [], 0
    for k in range(n):
        since += 1
        every = habits.near_rows_every if total[k] >= near_ml else habits.early_rows_every
        # Whoever sums up early still writes a row before the careful part begins.
        turns = k + 1 < n and total[k] < near_ml <= total[k + 1]
        if since >= every or turns or k == n - 1:
            kept.append(k)
            since = 0
    if habits.misses_last and len(kept) > 3:
        kept.pop()
    times, volumes, late = [], [], []
    if habits.first == "zero":
        times.append(max(float(acts.begin_s[0]) - rng.uniform(0.5, 6.0), habits.clock_s))
        volumes.append(0.0)
        late.append(0.0)
    for k in kept:
        delay = max(habits.late_s + habits.late_scatter_s * rng.normal(), 0.0)
        at = float(acts.end_s[k]) + delay
        held = k
        if habits.reads_when_writing:
            held = max(k, int(np.searchsorted(acts.end_s, at, side="right")) - 1)
        times.append(at)
        volumes.append(float(total[held]) + 0.003 * rng.normal())
        late.append(at - float(acts.end_s[held]))
    if habits.first == "midway":
        # The film and its log begin after the first pours: the first row says what is in by then.
        earlier = [k for k, at in enumerate(times) if at < habits.clock_s]
        before = volumes[earlier[-1]] if earlier else 0.0
        times = [habits.clock_s, *times[len(earlier) :]]
        volumes = [before, *volumes[len(earlier) :]]
        late = [0.0, *late[len(earlier) :]]
    on_log = np.maximum(np.array(times) - habits.clock_s, 0.0)
    rounded = np.round(on_log / habits.grain_s) * habits.grain_s
    reading = np.round(np.array(volumes) / habits.grain_ml) * habits.grain_ml
    return Rows(
        np.maximum.accumulate(rounded),
        np.maximum.accumulate(np.maximum(reading, 0.0)),
        np.array(late),
    )


def rows_of_tap(rng: np.random.Generator, habits: Habits, acts: Additions, every_s: float) -> Rows:
    """Readings of a burette that runs on: a straight line between two rows.

    Parameters
    ----------
    rng, habits, acts:
        As in `written`.
    every_s:
        Time between two rows.
    """
    at = np.arange(float(acts.begin_s[0]), float(acts.end_s[-1]), every_s)
    at = np.r_[at, acts.end_s[-1]]
    delay = np.maximum(habits.late_s + habits.late_scatter_s * rng.normal(size=at.size), 0.0)
    delay[0] = 0.0
    on_log = np.maximum(at + delay - habits.clock_s, 0.0)
    rounded = np.maximum.accumulate(np.round(on_log / habits.grain_s) * habits.grain_s)
    volume = acts.volume_at(at)
    reading = np.maximum.accumulate(np.round(volume / habits.grain_ml) * habits.grain_ml)
    return Rows(rounded, reading, delay)


def csv_of(rows: Rows) -> str:
    """The log as a file."""
    lines = ["time_s,volume_ml"]
    lines += [f"{t:.1f},{v:.2f}" for t, v in zip(rows.time_s, rows.volume_ml, strict=True)]
    return "\n".join(lines) + "\n"
