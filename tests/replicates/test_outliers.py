"""Outlier tests, concordance and repeatability against published tables and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from endpoint.replicates.outliers import (
    Side,
    concordance,
    dixon,
    grubbs,
    grubbs_critical,
    repeatability,
)
from endpoint.replicates.range_constants import deviation_bias, range_factor, range_moments
from tests.places import reference

REFERENCE = reference("statistics")


# --- tables -----------------------------------------------------------------------------------


@pytest.mark.parametrize("row", REFERENCE["grubbs-critical"]["values"], ids=lambda r: str(r[0]))
def test_grubbs_table(row: list[float]) -> None:
    n, tolerance = int(row[0]), 1.1 * REFERENCE["grubbs-critical"]["tolerance"]
    found = [
        grubbs_critical(n, 0.05, "high"),
        grubbs_critical(n, 0.01, "low"),
        grubbs_critical(n, 0.05),
        grubbs_critical(n, 0.01),
    ]
    assert found == pytest.approx(row[1:], abs=tolerance)


def test_grubbs_worked_example_of_nist() -> None:
    entry = REFERENCE["grubbs-nist"]
    found = grubbs(entry["inputs"]["data"], "high")
    assert found.statistic == pytest.approx(entry["expected"]["G"], abs=entry["tolerance"])
    assert found.critical_5 == pytest.approx(
        entry["expected"]["G_critical"], abs=entry["tolerance"]
    )
    assert found.suspect == 7
    assert found.verdict == "outlier"


@pytest.mark.parametrize("row", REFERENCE["dixon-q"]["values"], ids=lambda r: str(r[0]))
def test_dixon_table_is_two_sided_for_both_sides_and_90_percent_for_one(row: list[float]) -> None:
    n, at_90, at_95, at_99 = int(row[0]), *row[1:]
    values = [float(v * v) for v in range(n)]
    both, high = dixon(values), dixon(values, "high")
    assert (both.critical_5, both.critical_1) == (at_95, at_99)
    assert (high.critical_5, high.critical_1) == (at_90, at_99)


def test_the_two_sided_90_percent_table_is_never_taken_for_95() -> None:
    # 0.941, 0.765, 0.642 are often printed as "95 %"; that holds for one side only.
    assert [dixon([float(v * v) for v in range(n)]).critical_5 for n in (3, 4, 5)] == [
        0.970,
        0.829,
        0.710,
    ]


def test_between_the_one_and_the_two_sided_value_the_verdict_depends_on_the_side() -> None:
    values = [12.40, 12.44, 12.48, 12.46, 12.70]  # r10 = 0.22 / 0.30 = 0.733
    assert dixon(values).verdict == "straggler"
    values = [12.40, 12.44, 12.48, 12.46, 12.645]  # r10 = 0.165 / 0.245 = 0.673
    assert dixon(values).verdict == "nothing"
    assert dixon(values, "high").verdict == "straggler"
    assert dixon(values, "low").verdict == "nothing"


# --- false alarms on clean data, at the stated rate -------------------------------------------


@pytest.mark.parametrize("n", [3, 5, 8])
@pytest.mark.parametrize("side", ["both", "high", "low"])
def test_false_alarms_come_at_the_stated_rate(n: int, side: Side) -> None:
    rng = np.random.default_rng([n, len(side)])
    samples = rng.standard_normal((2500, n))
    for test in (grubbs, dixon):
        verdicts = [test(x, side).verdict for x in samples]
        alarms = sum(v in ("straggler", "outlier") for v in verdicts)
        # 4 standard errors of a share of 5 %.
        assert abs(alarms / 2500 - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 2500)


@given(st.lists(st.floats(5.0, 30.0), min_size=3, max_size=12))
@settings(max_examples=60)
def test_statistics_agree_with_their_definition(values: list[float]) -> None:
    for found in (grubbs(values), dixon(values)):
        if found.statistic is None:
            assert found.verdict == "not tested"
            assert found.remark
            continue
        x = np.array(values)
        if found.test == "Grubbs":
            expected = float(np.max(np.abs(x - x.mean())) / x.std(ddof=1))
        else:
            y = np.sort(x)
            expected = float(max(y[1] - y[0], y[-1] - y[-2]) / (y[-1] - y[0]))
        assert found.statistic == pytest.approx(expected, rel=1e-9)


# --- few values -------------------------------------------------------------------------------


def test_three_values_cannot_exceed_their_ceiling_and_it_is_said() -> None:
    found = grubbs([12.40, 12.41, 19.00])
    assert found.statistic is not None
    assert found.statistic <= 2 / math.sqrt(3)
    assert "1.1547" in found.remark


def test_a_pair_equal_to_the_last_digit_convicts_nobody() -> None:
    # One step of a burette scale would be an "outlier at 1 %": G = 1.1547, r10 = 1.
    for test in (grubbs, dixon):
        found = test([12.40, 12.40, 12.45])
        assert found.verdict == "not tested"
        assert "equal to the last digit" in found.remark
    assert grubbs([12.40] * 6 + [12.45]).verdict == "not tested"


@pytest.mark.parametrize("values", [[], [12.4], [12.4, 12.5], [12.4, 12.4, 12.4]])
def test_where_nothing_can_be_said_nothing_is(values: list[float]) -> None:
    for test in (grubbs, dixon):
        assert test(values).verdict == "not tested"


def test_dixon_is_not_used_beyond_ten() -> None:
    found = dixon([float(v) for v in range(11)])
    assert found.verdict == "not tested"
    assert "Grubbs" in found.remark


# --- concordance ------------------------------------------------------------------------------


def test_all_concordant() -> None:
    found = concordance([12.40, 12.50, 12.45])
    assert found.agrees(3)
    assert found.range_ml == pytest.approx(0.10)


def test_largest_group_is_found_and_the_odd_one_left() -> None:
    found = concordance([12.40, 12.45, 12.95, 12.48])
    assert found.members == (0, 1, 3)
    assert found.unique


def test_two_groups_of_one_size_are_not_played_out_against_each_other() -> None:
    found = concordance([12.40, 12.42, 12.80, 12.88])
    assert found.members == (0, 1)
    assert not found.unique


def test_a_chain_of_close_titres_is_no_group() -> None:
    # Each is within 0.1 of the next, but the ends are 0.24 apart.
    found = concordance([12.40, 12.48, 12.56, 12.64])
    assert len(found.members) == 2


@given(st.lists(st.floats(1.0, 40.0), min_size=1, max_size=9), st.floats(0.01, 1.0))
@settings(max_examples=80)
def test_group_is_the_largest_of_all_subsets(values: list[float], limit: float) -> None:
    found = concordance(values, limit)
    best = max(sum(low <= v <= low + limit + 1e-9 for v in values) for low in values)
    assert len(found.members) == (best if best >= 2 else 0)
    group = [values[k] for k in found.members]
    assert not group or max(group) - min(group) <= limit + 1e-8


# --- repeatability ----------------------------------------------------------------------------


@pytest.mark.parametrize("row", REFERENCE["critical-range-factors"]["values"])
def test_critical_range_factors(row: list[float]) -> None:
    n, printed = int(row[0]), row[1]
    assert range_factor(n) == pytest.approx(printed, abs=0.05)
    assert range_factor(n) == pytest.approx(
        float(scipy.stats.studentized_range.ppf(0.95, n, 1e8)), abs=1e-4
    )


def test_range_is_held_against_the_limit_for_its_number() -> None:
    # s_r = 0.28 / 2.77; three titres may differ by 3.31 s_r = 0.335, two by 0.28 only.
    three = repeatability([12.00, 12.10, 12.32], 0.28)
    two = repeatability([12.00, 12.32], 0.28)
    assert three is not None
    assert two is not None
    assert three.critical_range_ml == pytest.approx(0.3348, abs=0.0005)
    assert three.kept
    assert not two.kept
    assert two.critical_range_ml == pytest.approx(0.28)
    assert repeatability([12.0], 0.28) is None


def test_repeatability_limit_is_exceeded_in_5_percent() -> None:
    rng = np.random.default_rng(4)
    r = 2.7718 * 0.03
    hits = [repeatability(list(12.0 + 0.03 * rng.standard_normal(4)), r) for _ in range(3000)]
    share = sum(not h.kept for h in hits if h is not None) / 3000
    assert abs(share - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 3000)
    s_share = sum(h.s_ml > h.critical_s_ml for h in hits if h is not None) / 3000
    assert abs(s_share - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 3000)


@pytest.mark.parametrize("row", REFERENCE["range-constants"]["values"])
def test_constants_of_charts(row: list[float]) -> None:
    n = int(row[0])
    d2, d3 = range_moments(n)
    assert (d2, d3) == pytest.approx(tuple(row[1:3]), abs=0.0006)
    assert deviation_bias(n) == pytest.approx(row[3], abs=0.00006)
