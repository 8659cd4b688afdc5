"""One result from several ways in which a log may go with its recording."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from endpoint.analysis.result import Result
from endpoint.analysis.several import result_of_several
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.delivery.alignment import Alignment
from endpoint.delivery.delivery import Delivery
from endpoint.equivalence.fit import Estimate
from endpoint.messages import remark
from endpoint.verdict.verdict import Verdict, refuse
from tests.population.judging import judged

ROWS_S = np.array([0.0, 10.0, 20.0, 30.0])


def way(cost: float, moved_s: float | None = None) -> Alignment:
    """Rows with pauses between them; on another clock if it is moved."""
    pauses = np.column_stack([ROWS_S[:-1] + 2.0, ROWS_S[1:]])
    delivery = Delivery("continuous", ROWS_S, np.array([0.0, 4.0, 4.1, 4.2]), pauses)
    said = None if moved_s is None else remark("clock-found", {"offset": f"{moved_s:+.0f}"})
    return Alignment(delivery, cost, moved_s or 0.0, ROWS_S, remark=said)


@dataclass(frozen=True)
class Points:
    """Stands for the model: where the points lie."""

    volume_ml: NDArray[np.float64]


@dataclass(frozen=True)
class Fit:
    """Stands for a fit: what is asked of it."""

    equivalence: Estimate
    residual_rms: float
    degrees_of_freedom: float
    model: Points
    contributions_ml: dict[str, float] = field(default_factory=dict)


def found(value_ml: float, rms: float = 0.02, points: int = 30, freedom: float = 20.0) -> Result:
    """Result whose fit has so many points around the end and so many to spare."""
    estimate = Estimate(value_ml, 0.02, value_ml - 0.04, value_ml + 0.04)
    near = Points(np.linspace(value_ml - 1.0, value_ml + 1.0, points))
    fit: Any = Fit(estimate, rms, freedom, near)
    job: Any = None
    return Result(job, Verdict("located", (), (), estimate), fit=fit)


def one_of(pairs: list[tuple[Alignment, Result]]) -> Result:
    results = {id(alignment): result for alignment, result in pairs}
    return result_of_several([a for a, _ in pairs], lambda a, _: results[id(a)])


def test_another_clock_that_fits_by_chance_gives_no_number_against_the_log() -> None:
    got = one_of([(way(0.0, -17.0), found(19.1)), (way(4.0), found(18.6))])
    assert got.status == "bracketed"
    assert got.verdict.bracket_ml is not None
    low, high = got.verdict.bracket_ml
    assert low <= 18.6
    assert high is not None
    assert high >= 19.1


def test_another_clock_that_is_far_likelier_gives_its_number() -> None:
    got = one_of([(way(0.0, -17.0), found(19.1)), (way(9.0), found(18.6))])
    assert got.equivalence is not None
    assert abs(got.equivalence.value_ml - 19.1) < 0.01


def test_another_clock_that_makes_no_difference_gives_its_number() -> None:
    got = one_of([(way(0.0, -17.0), found(19.1)), (way(4.0), found(19.11))])
    assert got.status == "located"


def test_a_curve_without_points_to_spare_is_not_the_smoother_one() -> None:
    """Ten points are met by a curve of as many parameters, whatever their volumes."""
    met = found(10.9, rms=1e-5, points=10, freedom=1.0)
    fair = found(10.74, rms=0.03, points=10, freedom=4.0)
    got = one_of([(way(0.0), fair), (way(2.0), met)])
    assert got.equivalence is not None
    assert abs(got.equivalence.value_ml - 10.74) < 0.1


def test_other_clocks_count_where_no_usual_one_explains_the_curve(tmp_path: Path) -> None:
    """A drop every four seconds: additions alone fit the clock of the log too, colours do not."""
    found = judged(372, tmp_path)
    assert found.clock_s > 40.0
    assert "clock-found" in found.remarks
    assert found.holds


def test_blue_that_is_seen_before_the_fit_has_its_end_bounds_the_bracket(tmp_path: Path) -> None:
    """A buffer of pH 7.8: the fit has its end beyond what is seen to be blue."""
    interval_ml = judged(650, tmp_path).interval_ml
    assert interval_ml is not None
    low, high = interval_ml
    assert high is not None
    assert low < high


def test_clock_of_the_log_is_looked_at_behind_many_others() -> None:
    """Where a tap ran on, dozens of clocks go with the plumes; the curve tells the right one."""
    others = [(way(0.1 * k, 30.0 + 5.0 * k), found(18.0 + 0.1 * k, rms=0.08)) for k in range(12)]
    got = one_of([*others, (way(3.0), found(15.0, rms=0.01))])
    assert got.equivalence is not None
    assert abs(got.equivalence.value_ml - 15.0) < 0.01


def test_a_way_that_ends_before_the_change_does_not_win_by_being_smooth() -> None:
    """Points that are all red are smooth whatever the clock; people write to the end."""
    red = replace(found(15.0, rms=0.001), verdict=refuse("never-reached", ERIOCHROME_BLACK_T))
    got = one_of([(way(0.0, -60.0), red), (way(1.5), found(15.0, rms=0.01))])
    assert got.equivalence is not None


@pytest.mark.parametrize("is_its_log", [True, False])
def test_of_a_log_that_is_not_believed_no_volume_is_told_as_if_it_were(is_its_log: bool) -> None:
    seen = replace(found(19.1), midpoint=Estimate(19.0, 0.02, 18.96, 19.04))
    results = [seen, found(18.6)]
    ways = [way(0.0, -17.0), way(12.0)]
    got = result_of_several(
        ways, lambda one, _: results[ways.index(one)], is_its_log=lambda: is_its_log
    )
    assert got.status == ("located" if is_its_log else "bracketed")
    assert (got.midpoint is not None) == is_its_log
