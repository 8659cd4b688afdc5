"""One result from several ways in which a log may go with its recording.

Each alignment (`endpoint.delivery.alignment`) gives a curve of its own, and the chemistry explains
one better than another: additions at wrong volumes make a ragged curve. So every alignment has a
probability, and the equivalence volume is a mixture: where the alignments agree it stays as certain
as one, where they do not it gets wider, and beyond a limit only an interval is honest.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from endpoint.analysis.result import Result
from endpoint.delivery.alignment import SURE, Alignment
from endpoint.equivalence.fit import Estimate, Transition
from endpoint.equivalence.model import NEAR_ML
from endpoint.messages import Sentence, reason
from endpoint.verdict.verdict import WIDEST_HALF_ML, Verdict

FloatArray = NDArray[np.float64]

ROWS = "which addition a row of the log means"
"""Name of the contribution to the uncertainty."""
MOST, _OWN = 10, 3
"""Alignments that are fitted, the most probable ones, and how many at least of those by the log's
own clock: where a tap ran without a pause, many clocks go with the plumes as well as the right one.
"""
RAGGED = 0.02
"""Scatter of the best curve, as a part of the change, from which no usual clock explains the
recording: 19 of 20 good and hard ones of the population that were written by hand on one clock
(seeds 300 to 599) have less than 0.022. Lower, and many films are looked through twice; higher, and
a log of another clock stands at volumes that are wrong. A way in which the colour turns after the
last row has no curve to judge it by, and is taken for as ragged."""
_UNWRITTEN = 3.0
"""How much less likely, natural logarithm, a way is in which the colour turns after the last row:
people who write write to the end, nineteen times in twenty. Assumed."""
_LIKE = 0.5
"""Part of the points that say something of their own: neighbours err alike."""
_LEAST_RMS = 0.008
"""Scatter, as a part of the change, below which no curve is smoother than another."""
_VOLUMES_OPEN = ("rows-uncertain", "log-unproven")
"""Reasons by which the volumes of the curve are not those of one way."""
_WORTH = 0.2
"""Probability from which a way that has an answer stands before a likelier one that has none."""
_LEFT_OUT = 0.05
"""Probability of the alignments, the least probable ones, that a bracket need not hold."""
_TAIL = 0.025


@dataclass(frozen=True, eq=False)
class _Way:
    result: Result
    weight: float
    keeps_clock: bool
    """Whether the log is taken by its own clock."""


def result_of_several(
    alignments: Sequence[Alignment],
    result_of: Callable[[Alignment, Transition | None], Result],
    most: int = MOST,
    is_its_log: Callable[[], bool] | None = None,
) -> Result:
    """Result of a log that may go with its recording in several ways.

    Parameters
    ----------
    alignments:
        At least one, the most probable one first.
    result_of:
        Makes the result of one of them; quicker with a fit of nearly the same curve.
    most:
        How many are fitted.
    is_its_log:
        Asked before a number comes of another clock than that of the log.
    """
    own = [one for one in alignments if one.keeps_clock][:_OWN]
    alignments = [*alignments[:most], *(one for one in own if one not in alignments[:most])]
    results = [result_of(alignments[0], None)]
    first = results[0].fit
    # An even pump that began at another time makes no other curve, only the same one elsewhere.
    differ = not all(alignment.delivery.is_even for alignment in alignments)
    near = first if differ else None
    results += [result_of(alignment, near) for alignment in alignments[1:]]
    costs = np.array([alignment.cost for alignment in alignments])
    if differ:
        unwritten = np.array([_turns_unwritten(result) for result in results])
        costs = costs + _raggedness(results) + _UNWRITTEN * unwritten
    weights = np.exp(np.min(costs) - costs)
    weights /= weights.sum()
    order = np.argsort(-weights)
    answers = [k for k in order if results[k].status != "none" and weights[k] > _WORTH]
    if answers:
        # A way in which there is no end is not believed while another one has it.
        order = np.array([answers[0], *(k for k in order if k != answers[0])])
    if order[0] > 0 and first is not None:
        results[order[0]] = result_of(alignments[int(order[0])], None)
    ways = [_Way(results[k], float(weights[k]), alignments[int(k)].keeps_clock) for k in order]
    best = _with_words(ways[0].result, alignments[int(order[0])])
    if best.status == "none" or best.fit is None:
        return best
    answering = [way for way in ways if way.result.status != "none"]
    kept = [way for way in answering if way.weight > 1e-3]
    if best.status == "located" and not ways[0].keeps_clock and is_its_log and not is_its_log():
        return _with_bracket(best, (reason("log-unproven"),), _any_of(ways))
    if best.status == "bracketed":
        return _with_bracket(best, best.verdict.reasons, kept)
    low, middle, high, sd_ml = _mixture(kept)
    half = 0.5 * (high - low)
    # A way of one part in a hundred, millilitres away, says nothing of the width of the others.
    sd_ml = min(sd_ml, half)
    own_ml = 0.0 if best.equivalence is None else best.equivalence.standard_uncertainty_ml
    apart = np.sqrt(max(sd_ml**2 - own_ml**2, 0.0))
    if half > WIDEST_HALF_ML and apart > 0.5 * sd_ml:
        return _with_bracket(best, (reason("rows-uncertain"),), kept)
    contradicting = _contradicting(answering, low, high)
    if alignments[0].delivery.is_held and contradicting:
        return _with_bracket(best, (reason("rows-uncertain"),), [*contradicting, *kept])
    estimate = Estimate(middle, sd_ml, low, high)
    parts = {**best.fit.contributions_ml, ROWS: float(apart)} if apart > 1e-4 else None
    fit = best.fit if parts is None else replace(best.fit, contributions_ml=parts)
    return replace(
        best,
        verdict=replace(best.verdict, equivalence=estimate),
        fit=fit,
        midpoint=best.midpoint and best.midpoint.widened(float(apart)),
        last_red=best.last_red and best.last_red.widened(float(apart)),
    )


def _turns_unwritten(result: Result) -> bool:
    """Whether the colour is still red at the last row."""
    return any(each.code == "never-reached" for each in result.reasons)


def _any_of(ways: Sequence[_Way]) -> list[_Way]:
    """All ways, whatever their weights, where none of the clocks can be believed."""
    unwritten = any(way.keeps_clock and _turns_unwritten(way.result) for way in ways)
    found = [way for way in ways if way.result.status != "none"]
    if unwritten:
        # By its own clock the log ends before the change: nothing bounds the end from above.
        low = min(_bracket_of(way.result)[0] for way in found)
        verdict = Verdict("bracketed", (), (), None, (low, None))
        found = [replace(found[0], result=replace(found[0].result, verdict=verdict))]
    return [replace(way, weight=1.0) for way in found]


def _contradicting(ways: Sequence[_Way], low_ml: float, high_ml: float) -> list[_Way]:
    """Ways with the clock of the log that are not ruled out and have the end outside an interval.

    None where the best way keeps that clock.
    """
    if ways[0].keeps_clock:
        return []
    least = ways[0].weight * np.exp(-SURE)
    near = [way for way in ways if way.keeps_clock and way.weight > least]
    return [way for way in near if not low_ml <= _normal_of(way.result)[0] <= high_ml]


def _with_words(result: Result, alignment: Alignment) -> Result:
    """Result with what has to be said of its alignment."""
    verdict = result.verdict
    if alignment.remark is not None:
        verdict = replace(verdict, remarks=(*verdict.remarks, alignment.remark))
    if alignment.goes_on and verdict.status != "located":
        verdict = replace(verdict, reasons=(*verdict.reasons, reason("goes-on")))
    return replace(result, verdict=verdict)


def _raggedness(results: Sequence[Result]) -> FloatArray:
    """Negative logarithm of the likelihood of each curve, its scatter fitted, shape (results,)."""
    fits = [result.fit for result in results]
    known = [fit for fit in fits if fit is not None]
    if not known:
        return np.zeros(len(results))
    points = _LIKE * float(np.median([_spare_near(fit) for fit in known]))
    scatter = np.array([np.nan if fit is None else _scatter(fit) for fit in fits])
    least = np.where([_turns_unwritten(result) for result in results], RAGGED, _LEAST_RMS)
    scatter = np.where(np.isnan(scatter), np.nanmax(scatter), scatter)
    return np.asarray(points * np.log(np.maximum(scatter, least)))


def _scatter(fit: Transition) -> float:
    """Scatter of a fit as it would be about the truth: few points are met."""
    return float(fit.residual_rms * np.sqrt(_points_near(fit) / _spare_near(fit)))


def _spare_near(fit: Transition) -> float:
    """How many of those points a fit had to spare, at least one."""
    return max(min(float(_points_near(fit)), fit.degrees_of_freedom), 1.0)


def _points_near(fit: Transition) -> int:
    """How many points the scatter of a fit is that of (`rms_near`)."""
    away_ml = np.abs(fit.model.volume_ml - fit.equivalence.value_ml)
    near = int(np.sum(away_ml < NEAR_ML))
    return near if near >= 5 else away_ml.size


def _mixture(ways: Sequence[_Way]) -> tuple[float, float, float, float]:
    """Lower end, mean, upper end and standard deviation of the equivalence volume, mL."""
    parts = [_normal_of(way.result) for way in ways]
    weight = np.array([way.weight for way in ways])
    weight /= weight.sum()
    middle = np.array([part[0] for part in parts])
    sd = np.array([part[1] for part in parts])
    mean = float(weight @ middle)
    spread = float(np.sqrt(weight @ (sd**2 + (middle - mean) ** 2)))
    grid = np.linspace(float((middle - 5 * sd).min()), float((middle + 5 * sd).max()), 4001)
    below = ndtr((grid[:, None] - middle) / sd) @ weight
    low, high = np.interp([_TAIL, 1.0 - _TAIL], below, grid)
    return float(low), mean, float(high), spread


def _normal_of(result: Result) -> tuple[float, float]:
    """Middle and standard deviation of the equivalence volume of one way, mL."""
    found = result.equivalence
    if found is not None:
        return found.value_ml, max(0.5 * (found.high_ml - found.low_ml) / 1.96, 1e-4)
    low, high = _bracket_of(result)
    assert result.fit is not None
    top = high if high is not None else low + 2.0 * result.fit.equivalence.standard_uncertainty_ml
    return 0.5 * (low + top), max((top - low) / np.sqrt(12.0), 1e-4)


def _bracket_of(result: Result) -> tuple[float, float | None]:
    if result.equivalence is not None:
        return result.equivalence.low_ml, result.equivalence.high_ml
    assert result.verdict.bracket_ml is not None
    return result.verdict.bracket_ml


def _with_bracket(best: Result, reasons: tuple[Sentence, ...], ways: Sequence[_Way]) -> Result:
    """Result that only bounds the end, as wide as all ways that may be true."""
    # The ways stand in the order of their weights: the last ones may be left out.
    behind = np.cumsum([way.weight for way in ways][::-1])[::-1]
    brackets = [
        _bracket_of(way.result)
        for way, rest in zip(ways, behind, strict=True)
        if rest > _LEFT_OUT * behind[0]
    ]
    highs = [high for _, high in brackets]
    bounded = [high for high in highs if high is not None]
    high = max(bounded) if len(bounded) == len(highs) else None
    verdict = Verdict(
        "bracketed",
        reasons,
        best.verdict.remarks,
        None,
        (min(low for low, _ in brackets), high),
    )
    if any(each.code in _VOLUMES_OPEN for each in reasons):
        # The volumes that an eye would find are as open.
        best = replace(best, midpoint=None, last_red=None)
    return replace(best, verdict=verdict)
