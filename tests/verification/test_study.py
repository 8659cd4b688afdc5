"""Simulated benches: with a hidden fault, and without; what a study says of them."""

from __future__ import annotations

import dataclasses
import datetime
from pathlib import Path

import numpy as np
import pytest

from calibration.sheet import Head
from endpoint.verification.document import answer, remarks
from endpoint.verification.study import Verification, certificate_of, verify
from endpoint.verification.table import (
    Limits,
    Titration,
    VerificationTable,
)

DAY = datetime.date(2026, 11, 20)
HEAD = Head("METHOD-1", "EDTA by film", DAY, datetime.date(2027, 11, 20), "KT", ())
PER_ML = 0.1
"""mmol/L for 1 mL of 0.01 mol/L EDTA and 100 mL of sample."""


def study(
    rng: np.random.Generator,
    *,
    bias_ml: float = 0.0,
    scatter: float = 1.0,
    days: int = 4,
    slope: float = 0.0,
    limits: Limits = Limits(),  # noqa: B008
) -> tuple[Verification, float]:
    """A study of 3 levels on so many days, 2 titrations each; and the true error of the bench.

    The titrant is off by a draw of its stated uncertainty, the standards by one of theirs.
    """
    levels = {"low": 0.8, "middle": 2.0, "high": 4.0}
    titrant, known_u = 0.001, 0.001
    off = rng.normal(0.0, titrant)
    stock = rng.normal(0.0, known_u)
    rows = []
    for name, known in levels.items():
        own = PER_ML * 0.02
        shared = titrant * 2.2
        for day in range(days):
            for _ in range(2):
                error = (
                    PER_ML * bias_ml + off * 2.2 + slope * known + rng.normal(0.0, scatter * own)
                )
                found = known + stock + error
                u = float(np.hypot(own, shared))
                rows.append(Titration(name, f"{day}", known, known_u, found, u, own))
    table = VerificationTable("t.csv", HEAD, "bench 2", "CaCO3", limits, None, tuple(rows), ())
    return verify(table), PER_ML * bias_ml + off * 2.2


def test_a_hidden_bias_and_half_the_scatter_are_found_with_true_intervals() -> None:
    """300 studies; the bench is 0.03 mL late and scatters half as much as the program states."""
    rng = np.random.default_rng(20261130)
    holds = {"bias": 0, "factor": 0, "level": 0}
    found_factor = found_bias = 0
    for _ in range(300):
        got, truth = study(rng, bias_ml=0.03, scatter=0.5)
        low, high = got.bias.interval(0.95)
        holds["bias"] += low <= truth <= high
        beyond = low > 0.0 or high < 0.0
        found_bias += beyond
        assert ("more than chance explains" in answer(got)) == beyond
        holds["factor"] += got.factor.low <= 0.5 <= got.factor.high
        found_factor += got.factor.high < 1.0
        # A careful analyst keeps a bench that is steadier than it says, and is told so.
        told = " ".join([answer(got), *remarks(got)])
        assert ("scatters less than the results state" in told) == (got.factor.high < 1.0)
        assert all(check.passed for check in got.checks if check.code == "scatter")
        low, high = got.levels[0].bias.interval(0.95)
        holds["level"] += low <= truth <= high
    assert all(0.93 <= hits / 300 <= 0.97 for hits in holds.values()), holds
    # The chi-square of 21 degrees of freedom finds it in 97 % of studies at 2.5 %.
    assert found_factor > 0.9 * 300
    assert found_bias > 150


def test_an_error_that_grows_with_the_hardness_is_found_and_not_subtracted() -> None:
    rng = np.random.default_rng(21)
    studies = [study(rng, slope=0.006)[0] for _ in range(100)]
    assert sum(not each.one_error for each in studies) > 95
    found = next(each for each in studies if not each.one_error)
    with pytest.raises(ValueError, match="no single bias"):
        certificate_of(found)


def test_a_bias_that_leans_a_little_is_wide_enough_at_both_ends() -> None:
    """An error of 0.1 % of the hardness passes; the bias of the certificate holds it everywhere."""
    rng = np.random.default_rng(22)
    holds = tries = 0
    for _ in range(200):
        got, mean_error = study(rng, slope=0.001)
        if not got.one_error:
            continue
        low, high = certificate_of(got).quantity("bias", "mmol/L").interval(0.95)
        for known in (0.8, 2.0, 4.0):
            tries += 1
            holds += low <= mean_error + 0.001 * known <= high
    assert tries > 500
    assert holds / tries > 0.93


def test_a_study_with_many_refused_recordings_decides_nothing() -> None:
    sound = next(
        got for k in range(20) if (got := study(np.random.default_rng(k))[0]).verdict == "passes"
    )
    table = dataclasses.replace(sound.table, without_result=("row 1",) * 3)
    assert verify(table).verdict == "undecided"
    assert "3 of 27 titrations gave no result" in answer(verify(table))
    few = verify(dataclasses.replace(sound.table, without_result=("row 1",)))
    assert few.passed
    assert "1 of 25 titrations gave no result" in answer(few)


def test_scatter_twice_the_stated_one_is_found() -> None:
    rng = np.random.default_rng(5)
    assert sum(not study(rng, scatter=2.0)[0].passed for _ in range(100)) > 90


def test_a_bias_beyond_the_stated_uncertainty_is_found() -> None:
    rng = np.random.default_rng(6)
    assert sum(not study(rng, bias_ml=0.12)[0].passed for _ in range(100)) > 95


def test_a_bench_without_faults_passes() -> None:
    rng = np.random.default_rng(7)
    passed = sum(study(rng)[0].passed for _ in range(1000))
    assert 930 <= passed <= 975


@pytest.mark.parametrize(
    ("share", "verdict"), [(1.01, "met"), (0.0, "not met"), (0.5, "undecided")]
)
def test_acceptance_limits_are_held_against_intervals(share: float, verdict: str) -> None:
    """A limit beyond both ends of the interval of the bias, below both, and between them."""
    plain, _ = study(np.random.default_rng(8), bias_ml=0.08)
    low, high = (abs(end) / plain.mean_known for end in plain.bias.interval(0.95))
    near, far = min(low, high), max(low, high)
    largest = 0.5 * near if share == 0.0 else near + share * (far - near)
    got, _ = study(np.random.default_rng(8), bias_ml=0.08, limits=Limits(bias=largest))
    assert got.accepted[0].verdict == verdict
    rng = np.random.default_rng(8)
    scatter, _ = study(rng, limits=Limits(scatter=0.05))
    assert scatter.accepted[0].verdict == "met"


def test_the_certificate_carries_bias_and_factor() -> None:
    rng = np.random.default_rng(9)
    got, _ = study(rng, bias_ml=0.03, scatter=2.0)
    certificate = certificate_of(got)
    assert certificate.kind == "method"
    bias = certificate.quantity("bias", "mmol/L")
    assert bias.value == got.bias.value
    assert bias.contributions.items() >= got.bias.contributions.items()
    assert certificate.quantity("scatter_factor", "1").value == got.factor.value > 1.5
    assert "bench 2" in certificate.what
    assert "CaCO3" in certificate.what
    plain, _ = study(np.random.default_rng(10))
    assert certificate_of(plain).quantity("scatter_factor", "1").value == 1.0


def test_intervals_that_hold_the_known_value_are_counted(tmp_path: Path) -> None:
    got, _ = study(np.random.default_rng(11))
    n = len(got.table.titrations)
    assert 0.7 * n <= got.held <= n
    low, high = got.held_interval
    assert low < got.held / n <= high
