"""Shewhart charts of results over days, and the run rules that call a process out of control.

Centre and limits come from the values themselves or from a baseline, the first N points, and are
then held fixed. Two kinds of scatter are kept apart:

* individuals: one value per point; sigma = mean moving range / 1.128 (d2 of two values);
* subgroups: several values per point (day); sigma within a day from ranges (mean of R / d2) or
  standard deviations (mean of s / c4), so the limits of a day of n values are
  centre +- 3 sigma / sqrt(n). Days that differ more than the titres within a day break such limits
  without a fault; then a chart of the daily means as individuals is right.

Sources: W. A. Shewhart, Economic Control of Quality of Manufactured Product (1931); Western
Electric, Statistical Quality Control Handbook (1956); L. S. Nelson, J. Quality Technology 16
(1984) 237-239; all three from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.replicates.range_constants import deviation_bias, range_moments

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

USUAL_BASELINE = 20
"""Points that centre and limits should rest on (common practice, no source)."""
LEAST_BASELINE = 3
"""Points without which no limits are worked out: two differences."""
_RANGE_MOST = 10
"""Largest subgroup whose scatter is taken from the range; beyond, s is better."""


def _beyond(z: FloatArray, limit: float) -> tuple[BoolArray, BoolArray]:
    return z > limit, z < -limit


def _of_last(hit: BoolArray, window: int, least: int) -> BoolArray:
    """Points that belong to the pattern themselves and complete `least` of the last `window`."""
    counts = np.convolve(hit.astype(np.int64), np.ones(window, dtype=np.int64))[: len(hit)]
    return np.asarray(hit & (counts >= least))


def _either(z: FloatArray, limit: float, window: int, least: int) -> BoolArray:
    above, below = _beyond(z, limit)
    return _of_last(above, window, least) | _of_last(below, window, least)


def _trend(z: FloatArray) -> BoolArray:
    """Sixth of six points that rise or fall all the way: five steps of one sign."""
    steps = np.diff(z, prepend=z[:1])
    return _of_last(steps > 0, 5, 5) | _of_last(steps < 0, 5, 5)


def _alternating(z: FloatArray) -> BoolArray:
    """Last of fourteen points in which each step turns back: twelve turns."""
    turn = np.zeros(len(z), dtype=bool)
    steps = np.diff(z)
    turn[2:] = steps[1:] * steps[:-1] < 0
    return _of_last(turn, 12, 12)


@dataclass(frozen=True)
class RunRule:
    """One rule: a short name, what it says, and where it fires (at the point that completes it)."""

    name: str
    words: str
    fires: Callable[[FloatArray], BoolArray]
    """From deviations from the centre in sigma, shape (n,), to a mark for every point."""


RULES: dict[str, tuple[RunRule, ...]] = {
    "western-electric": (
        RunRule("W1", "one point beyond 3 s", lambda z: _either(z, 3.0, 1, 1)),
        RunRule("W2", "2 of 3 points beyond 2 s on one side", lambda z: _either(z, 2.0, 3, 2)),
        RunRule("W3", "4 of 5 points beyond 1 s on one side", lambda z: _either(z, 1.0, 5, 4)),
        RunRule("W4", "8 points in a row on one side", lambda z: _either(z, 0.0, 8, 8)),
    ),
    "nelson": (
        RunRule("N1", "one point beyond 3 s", lambda z: _either(z, 3.0, 1, 1)),
        RunRule("N2", "9 points in a row on one side", lambda z: _either(z, 0.0, 9, 9)),
        RunRule("N3", "6 points in a row rising or falling", _trend),
        RunRule("N4", "14 points in a row up and down in turn", _alternating),
        RunRule("N5", "2 of 3 points beyond 2 s on one side", lambda z: _either(z, 2.0, 3, 2)),
        RunRule("N6", "4 of 5 points beyond 1 s on one side", lambda z: _either(z, 1.0, 5, 4)),
        RunRule("N7", "15 points in a row within 1 s", lambda z: _of_last(np.abs(z) < 1.0, 15, 15)),
        RunRule(
            "N8",
            "8 points in a row, none within 1 s, on both sides",
            lambda z: _of_last(np.abs(z) > 1.0, 8, 8) & ~_either(z, 1.0, 8, 8),
        ),
    ),
}


@dataclass(frozen=True)
class Subgroup:
    """One point of the chart: the values of one day."""

    label: str
    values: tuple[float, ...]

    @property
    def mean(self) -> float:
        """Mean of the values."""
        return math.fsum(self.values) / len(self.values)

    @property
    def spread(self) -> float:
        """Range of the values; 0 for one."""
        return max(self.values) - min(self.values)

    @property
    def deviation(self) -> float:
        """Standard deviation s of the values; 0 for one."""
        return float(np.std(self.values, ddof=1)) if len(self.values) > 1 else 0.0


@dataclass(frozen=True)
class Lines:
    """Centre and limits of one panel at one point."""

    centre: float
    lower: float
    upper: float


@dataclass(frozen=True)
class Signal:
    """A rule that fires at a point."""

    rule: str
    words: str
    point: int
    """Index of the point that completes the pattern."""


@dataclass(frozen=True)
class ControlChart:
    """Points, limits and signals of a chart of position and one of scatter."""

    kind: str
    """"individuals", "mean-range" or "mean-s"."""
    rules: str
    labels: tuple[str, ...]
    sizes: tuple[int, ...]
    points: tuple[float, ...]
    centre: float
    sigma: float
    """Of single values."""
    baseline: int
    """Number of first points that centre and sigma come from."""
    fixed: bool
    """Whether a baseline shorter than the series was asked for."""
    scatter: tuple[float | None, ...]
    """Moving range, range or s of every point; None where there is none."""
    scatter_lines: tuple[Lines | None, ...]
    signals: tuple[Signal, ...]
    scatter_signals: tuple[int, ...]
    """Points whose scatter is outside its limits."""
    remarks: tuple[str, ...]

    def limits(self, k: float) -> tuple[tuple[float, float], ...]:
        """Lower and upper limit of every point at k standard deviations."""
        return tuple(
            (
                self.centre - k * self.sigma / math.sqrt(n),
                self.centre + k * self.sigma / math.sqrt(n),
            )
            for n in self.sizes
        )

    @property
    def in_control(self) -> bool:
        """Whether no rule fires and no scatter is outside its limits."""
        return not self.signals and not self.scatter_signals


def control_chart(
    days: Sequence[Subgroup],
    kind: str = "auto",
    baseline: int | None = None,
    rules: str = "western-electric",
) -> ControlChart:
    """Chart of days in order.

    Parameters
    ----------
    days:
        At least `LEAST_BASELINE`, in order of time.
    kind:
        "individuals" (days with several values enter as their mean), "mean-range", "mean-s", or
        "auto": subgroups where most days have several values, by range up to 10 of them.
    baseline:
        Number of first points for centre and limits; None for all.
    rules:
        Key of `RULES`.

    Raises
    ------
    ValueError
        Too few points, or no scatter at all; the text says which.
    """
    used = len(days) if baseline is None else min(baseline, len(days))
    if used < LEAST_BASELINE:
        raise ValueError(f"a chart needs at least {LEAST_BASELINE} points for its limits")
    kind = _kind(days) if kind == "auto" else kind
    if kind == "individuals":
        days = [Subgroup(day.label, (day.mean,)) for day in days]
    x = np.array([day.mean for day in days])
    sizes = tuple(len(day.values) for day in days)
    centre = math.fsum(sum(day.values) for day in days[:used]) / sum(sizes[:used])
    sigma = _sigma(days[:used], kind)
    if not sigma > 1e-12 * max(abs(centre), 1.0):
        raise ValueError("the values do not scatter at all, so there are no limits")
    scatter, lines = _scatter(days, kind, sigma)
    z = (x - centre) / (sigma / np.sqrt(np.array(sizes)))
    signals = [
        Signal(rule.name, rule.words, int(k))
        for rule in RULES[rules]
        for k in np.flatnonzero(rule.fires(z))
    ]
    outside = tuple(
        k
        for k, (value, line) in enumerate(zip(scatter, lines, strict=True))
        if value is not None and line is not None and not line.lower <= value <= line.upper
    )
    return ControlChart(
        kind=kind,
        rules=rules,
        labels=tuple(day.label for day in days),
        sizes=sizes,
        points=tuple(float(value) for value in x),
        centre=float(centre),
        sigma=sigma,
        baseline=used,
        fixed=baseline is not None,
        scatter=scatter,
        scatter_lines=lines,
        signals=tuple(sorted(signals, key=lambda s: (s.point, s.rule))),
        scatter_signals=outside,
        remarks=_remarks(days[:used], kind, sigma, baseline),
    )


def _kind(days: Sequence[Subgroup]) -> str:
    several = [len(day.values) for day in days if len(day.values) > 1]
    if len(several) < LEAST_BASELINE or 2 * len(several) < len(days):
        return "individuals"
    return "mean-range" if max(several) <= _RANGE_MOST else "mean-s"


def _sigma(days: Sequence[Subgroup], kind: str) -> float:
    """Standard deviation of single values."""
    if kind == "individuals":
        means = np.array([day.mean for day in days])
        return float(np.mean(np.abs(np.diff(means)))) / range_moments(2)[0]
    several = [day for day in days if len(day.values) > 1]
    if not several:
        raise ValueError("no day has several values, so there is no scatter within a day")
    if kind == "mean-range":
        return float(np.mean([d.spread / range_moments(len(d.values))[0] for d in several]))
    return float(np.mean([d.deviation / deviation_bias(len(d.values)) for d in several]))


def _scatter(
    days: Sequence[Subgroup], kind: str, sigma: float
) -> tuple[tuple[float | None, ...], tuple[Lines | None, ...]]:
    """Values and limits (3 s, not below 0) of the lower panel."""
    values: list[float | None] = []
    lines: list[Lines | None] = []
    for k, day in enumerate(days):
        n = 2 if kind == "individuals" else len(day.values)
        if n < 2 or (kind == "individuals" and k == 0):
            values.append(None)
            lines.append(None)
            continue
        if kind == "mean-s":
            mean = deviation_bias(n)
            spread = math.sqrt(1.0 - mean**2)
            values.append(day.deviation)
        else:
            mean, spread = range_moments(n)
            moving = kind == "individuals"
            values.append(abs(day.mean - days[k - 1].mean) if moving else day.spread)
        lower, upper = max(mean - 3.0 * spread, 0.0), mean + 3.0 * spread
        lines.append(Lines(mean * sigma, lower * sigma, upper * sigma))
    return tuple(values), tuple(lines)


def _remarks(
    days: Sequence[Subgroup], kind: str, sigma: float, baseline: int | None
) -> tuple[str, ...]:
    found = []
    if len(days) < USUAL_BASELINE:
        found.append(
            f"Centre and limits rest on {len(days)} points only; {USUAL_BASELINE} or more are "
            "usual, so take the limits as provisional."
        )
    if baseline is None:
        found.append(
            "The limits come from the same points that they judge, so this is only a first look. "
            "Fix them from a period in control with --baseline."
        )
    if kind != "individuals":
        means = np.array([day.mean for day in days])
        within = sigma / math.sqrt(float(np.mean([len(day.values) for day in days])))
        if float(np.std(means, ddof=1)) > 2.0 * within:
            found.append(
                "The days differ more from each other than the values within a day explain. Look "
                "for what changes from day to day, or chart the daily means as individuals."
            )
    return tuple(found)
