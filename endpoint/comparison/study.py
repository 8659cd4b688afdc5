"""A whole comparison: every method, or why it was not used, against both recorded volumes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from endpoint.comparison.agreement import (
    Agreement,
    GroupedAgreement,
    agreement,
    crossed_agreement,
    grouped_agreement,
)
from endpoint.comparison.estimates import ComparisonProblem, FloatArray, Ranged, Refused
from endpoint.comparison.paired import PairedTest, normality, paired_t, trend, wilcoxon_test
from endpoint.comparison.passing_bablok import passing_bablok
from endpoint.comparison.precision import Precision, precision
from endpoint.comparison.regression import Line, deming, york
from endpoint.comparison.sample_size import Advice, advice
from endpoint.comparison.titre_pairs import CompareTable, LeftOut, Pair, named_row
from endpoint.replicates.outliers import OutlierTest, grubbs

LEAST = 3
"""Titrations without which there is nothing to compare."""
BIAS_ML = 0.05
"""Half a division of a 50 mL burette: the bias that a comparison should find (our choice)."""
LIMITS_ML = 0.05
"""How closely the limits of agreement should be known, mL: half a division (our choice)."""
T = TypeVar("T")


@dataclass(frozen=True)
class AnalystBias:
    """Bias of one analyst: mean of visual minus recorded, mL."""

    analyst: str
    n: int
    bias_ml: float
    interval: Ranged | None
    """95 % by Student's t, for this analyst alone; None for a single titration."""
    s_ml: float | None
    adjusted_p: float | None
    """Probability without a bias, by the paired t test, adjusted for all analysts (Holm)."""


@dataclass(frozen=True)
class Against:
    """Visual titres against one of the recorded volumes."""

    volume: str
    """"equivalence_ml" or "last_red_ml"."""
    pairs: tuple[Pair, ...]
    recorded_ml: FloatArray
    visual_ml: FloatArray
    analysts: tuple[str, ...]
    """Who made each titration."""
    agreement: Agreement | None
    approximate: Agreement | None
    further_analysts: GroupedAgreement | None
    further_samples: GroupedAgreement | None
    """The sample as a random effect: titrations of one sample share what is its own."""
    further_both: GroupedAgreement | None
    lines: tuple[Line, ...]
    ratio_source: str
    """Where the variance ratio of the Deming line is from: "given", "stated" or "assumed"."""
    rank_line: tuple[Ranged, Ranged] | None
    tests: tuple[PairedTest, ...]
    by_analyst: tuple[AnalystBias, ...]
    scatter: Precision | None
    """Precision of the differences of all samples, by analyst."""
    outlier: OutlierTest
    normal_p: float | None
    trend_p: float | None
    proportional: Ranged | None
    """Slope of visual against recorded, minus 1; None where no line can be fitted."""
    advice: Advice | None
    refused: tuple[Refused, ...]

    @property
    def differences_ml(self) -> FloatArray:
        """Visual minus recorded."""
        return self.visual_ml - self.recorded_ml


@dataclass(frozen=True)
class Comparison:
    """Everything that a table says."""

    table: CompareTable
    against: tuple[Against, ...]
    """The equivalence volume first, then the last red where it is known."""
    with_all: tuple[Against, ...]
    """The same with the titrations that were set aside; empty where none was."""
    precision: tuple[Precision, ...]
    """Of visual titres, one for each sample that several analysts titrated."""
    refused: tuple[Refused, ...]
    remarks: tuple[str, ...]


class _Tries:
    """Runs methods and keeps what they refuse."""

    def __init__(self) -> None:
        self.refused: list[Refused] = []

    def __call__(self, method: str, run: Callable[[], T]) -> T | None:
        try:
            return run()
        except ComparisonProblem as problem:
            self.refused.append(Refused(method, problem.sentence, problem.remedy))
            return None


def compare(
    table: CompareTable,
    *,
    variance_ratio: float | None = None,
    bias_ml: float = BIAS_ML,
    limits_ml: float = LIMITS_ML,
    set_aside: Mapping[int, str] | None = None,
) -> Comparison:
    """Compare the visual titres of a table with its recorded volumes.

    Parameters
    ----------
    table:
        Rows that were read.
    variance_ratio:
        Error variance of a visual titre over that of a recorded volume, for the Deming line. By
        default that of the stated uncertainties where every row has both, else 1.
    bias_ml, limits_ml:
        What the advice on numbers reckons with, see `sample_size.advice`.
    set_aside:
        Rows that are left out, each with the reason; `with_all` has the results with them.

    Raises
    ------
    ComparisonProblem
        Fewer than 3 titrations have both volumes, or a row that is set aside is not there.
    """
    whole, table = table, _without(table, set_aside or {})
    if len(table.pairs) < LEAST:
        left_out = f" ({len(table.left_out)} left out)" if table.left_out else ""
        raise ComparisonProblem(
            f"{table.name} has {len(table.pairs)} titration(s) with both volumes{left_out}; a "
            f"comparison needs {LEAST} or more.",
            "Titrate more samples, by eye and recorded.",
        )
    wanted = (variance_ratio, bias_ml, limits_ml)
    found = _both(table, wanted)
    with_all = _both(whole, wanted) if set_aside else ()
    red = [pair for pair in table.pairs if pair.last_red_ml is not None]
    tries = _Tries()
    if 0 < len(red) < LEAST:
        tries.refused.append(
            Refused(
                "Against the last red",
                f"Only {len(red)} row(s) have last_red_ml.",
                "Fill the column in every row.",
            )
        )
    levels = [] if len({pair.analyst for pair in table.pairs}) < 2 else _levels(table, tries)
    return Comparison(table, found, with_all, tuple(levels), tuple(tries.refused), _remarks(table))


def _both(table: CompareTable, wanted: tuple[float | None, float, float]) -> tuple[Against, ...]:
    """Against the equivalence volume, and against the last red where enough rows have it."""
    red = tuple(pair for pair in table.pairs if pair.last_red_ml is not None)
    found = [_against(table, "equivalence_ml", table.pairs, *wanted)]
    if len(red) >= LEAST:
        found.append(_against(table, "last_red_ml", red, *wanted))
    return tuple(found)


def _without(table: CompareTable, set_aside: Mapping[int, str]) -> CompareTable:
    """Return the table with rows moved to those that are left out."""
    rows = {pair.row: pair for pair in table.pairs}
    for row in set_aside:
        if row not in rows:
            known = ", ".join(map(str, list(rows)[:12])) + (", ..." if len(rows) > 12 else "")
            raise ComparisonProblem(
                f"{table.name} has no titration in row {row} to set aside.",
                f"Give the row as a table program counts it: {known}.",
            )
    aside = tuple(
        LeftOut(row, rows[row].analyst, rows[row].sample, f"set aside: {why}")
        for row, why in sorted(set_aside.items())
    )
    kept = tuple(pair for pair in table.pairs if pair.row not in set_aside)
    return replace(table, pairs=kept, left_out=(*table.left_out, *aside))


def _against(
    table: CompareTable,
    volume: str,
    pairs: tuple[Pair, ...],
    variance_ratio: float | None,
    bias_ml: float,
    limits_ml: float,
) -> Against:
    x = np.array([getattr(pair, volume) for pair in pairs], dtype=np.float64)
    y = np.array([pair.visual_ml for pair in pairs])
    d, who = y - x, tuple(pair.analyst for pair in pairs)
    x.setflags(write=False)
    y.setflags(write=False)
    tries = _Tries()
    agreed = tries("limits of agreement", lambda: agreement(d))
    ux, uy = _stated(pairs, volume)
    ratio, source = _ratio(ux, uy, variance_ratio)
    lines = [tries("York's line", lambda: york(x, y, ux, uy))]
    lines.append(tries("Deming line", lambda: deming(x, y, ratio)))
    tests = [tries("paired t test", lambda: paired_t(d))]
    tests.append(tries("Wilcoxon's test", lambda: wilcoxon_test(d)))
    rank_line = tries("Passing-Bablok line", lambda: passing_bablok(x, y))
    further = scatter = samples = both = None
    # A table that titrates every sample once says nothing about samples, and need not.
    of = [pair.sample for pair in pairs]
    if table.has_samples and 1 < len(set(of)) < len(of):
        samples = tries("limits for further samples", lambda: grouped_agreement(d, of, "samples"))
    if table.has_analysts:
        further = tries("limits for further analysts", lambda: grouped_agreement(d, who))
        scatter = tries("precision of the differences", lambda: precision(_by(who, d), "all"))
    if further is not None and samples is not None:
        both = crossed_agreement(further, samples)
    return Against(
        volume=volume,
        pairs=pairs,
        recorded_ml=x,
        visual_ml=y,
        analysts=who,
        agreement=agreed,
        approximate=None if agreed is None else agreement(d, exact=False),
        further_analysts=further,
        further_samples=samples,
        further_both=both,
        lines=tuple(line for line in lines if line is not None),
        ratio_source=source,
        rank_line=rank_line,
        tests=tuple(test for test in tests if test is not None),
        by_analyst=analyst_biases(_by(who, d)),
        scatter=scatter,
        outlier=grubbs(list(d)),
        normal_p=tries("normality", lambda: normality(d)),
        trend_p=trend(0.5 * (x + y), d),
        proportional=None if lines[1] is None else _less_one(lines[1].slope),
        advice=None if agreed is None else advice(len(d), agreed.s_ml, bias_ml, limits_ml),
        refused=tuple(tries.refused),
    )


def _less_one(slope: Ranged) -> Ranged:
    return Ranged(slope.value - 1.0, slope.low - 1.0, slope.high - 1.0)


def _stated(pairs: tuple[Pair, ...], volume: str) -> tuple[FloatArray, FloatArray]:
    """Stated standard uncertainties of recorded volume and visual titre, mL; 0 where none is."""
    ux = [getattr(pair, volume.replace("_ml", "_u_ml")) or 0.0 for pair in pairs]
    return np.array(ux), np.array([pair.visual_u_ml or 0.0 for pair in pairs])


def _ratio(ux: FloatArray, uy: FloatArray, given: float | None) -> tuple[float, str]:
    """Variance ratio for the Deming line, and where it is from."""
    if given is not None:
        return given, "given"
    if np.all(ux > 0) and np.all(uy > 0):
        return float(np.mean(uy**2) / np.mean(ux**2)), "stated"
    return 1.0, "assumed"


def _by(who: tuple[str, ...], values: FloatArray) -> dict[str, FloatArray]:
    names = sorted(set(who))
    return {name: values[[each == name for each in who]] for name in names}


def analyst_biases(differences_ml: dict[str, FloatArray]) -> tuple[AnalystBias, ...]:
    """Bias of each analyst with its own interval, and probabilities adjusted by Holm's method.

    Source: S. Holm, Scand. J. Statist. 6 (1979) 65-70.
    """
    from scipy.special import stdtrit

    found: dict[str, AnalystBias] = {}
    raw: dict[str, float] = {}
    for name, d in differences_ml.items():
        n, bias = len(d), float(d.mean())
        s = float(d.std(ddof=1)) if n > 1 else None
        interval = None
        if s is not None and s > 1e-12:
            half = float(stdtrit(n - 1, 0.975)) * s / math.sqrt(n)
            interval = Ranged(bias, bias - half, bias + half)
            if n >= 3:
                raw[name] = paired_t(d).p_value
        found[name] = AnalystBias(name, n, bias, interval, s, None)
    largest = 0.0
    for rank, name in enumerate(sorted(raw, key=lambda each: raw[each])):
        largest = max(largest, min(1.0, raw[name] * (len(raw) - rank)))
        kept = found[name]
        found[name] = AnalystBias(
            name, kept.n, kept.bias_ml, kept.interval, kept.s_ml, adjusted_p=largest
        )
    return tuple(found.values())


def _levels(table: CompareTable, tries: _Tries) -> list[Precision]:
    """Precision of visual titres for every sample that allows it; one refusal if none does."""
    if not table.has_samples:
        tries.refused.append(
            Refused(
                "repeatability and reproducibility",
                "The table has no column sample.",
                "Name the sample in every row.",
            )
        )
        return []
    found, refused = [], _Tries()
    ordered = sorted(table.pairs, key=lambda pair: pair.sample)
    for sample, group in itertools.groupby(ordered, key=lambda pair: pair.sample):
        own = list(group)
        who = tuple(pair.analyst for pair in own)
        values = np.array([pair.visual_ml for pair in own])
        level = refused(sample, lambda w=who, v=values, s=sample: precision(_by(w, v), s))  # type: ignore[misc]
        if level is not None:
            found.append(level)
    if not found and refused.refused:
        first = refused.refused[0]
        tries.refused.append(
            Refused("repeatability and reproducibility", first.sentence, first.remedy)
        )
    return found


def _remarks(table: CompareTable) -> tuple[str, ...]:
    out = [f"{named_row(left)} is left out: {left.because}." for left in table.left_out]
    files = [pair.recording for pair in table.pairs if pair.recording is not None]
    if len(set(files)) < len(files):
        out.append(
            "Some rows share one recording, so they share its error; the intervals treat them as "
            "independent."
        )
    named = {pair.visual_ml * 20.0 % 1.0 for pair in table.pairs}
    if len(table.pairs) >= 5 and all(min(v, 1.0 - v) < 1e-6 for v in named):
        out.append(
            "All visual titres are multiples of 0.05 mL: part of their scatter is rounding. Read "
            "the burette to a fifth of a division where you can."
        )
    return tuple(out)
