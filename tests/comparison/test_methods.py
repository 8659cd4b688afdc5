"""Methods of a comparison: published values, other libraries, invariances, coverage."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np
import pytest
import scipy.stats

from endpoint.comparison.agreement import (
    agreement,
    approximate_factors,
    crossed_agreement,
    exact_factors,
    grouped_agreement,
)
from endpoint.comparison.estimates import ComparisonProblem, Ranged, deviation_interval
from endpoint.comparison.paired import normality, paired_t, trend, wilcoxon_test
from endpoint.comparison.passing_bablok import passing_bablok
from endpoint.comparison.precision import (
    cochran_critical,
    components,
    precision,
    reproducibility_interval,
)
from endpoint.comparison.regression import deming, york
from endpoint.comparison.sample_size import (
    advice,
    bias_found,
    t_power,
    titrations_for_bias,
    titrations_for_limits,
)
from tests.places import reference

REFERENCE = reference("comparison")
PEFR = np.array(REFERENCE["bland-altman-pefr-data"]["values"], dtype=float)
PEARSON = np.array(REFERENCE["york-pearson"]["values"], dtype=float)


def covered(hits: int, runs: int, level: float = 0.95) -> None:
    """A count of intervals that hold the truth lies within 4 standard deviations of its mean."""
    spread = math.sqrt(runs * level * (1 - level))
    assert abs(hits - level * runs) < 4.0 * spread, f"{hits} of {runs}"


# --- limits of agreement ----------------------------------------------------------------------


def test_bland_altman_1986_as_printed() -> None:
    printed = REFERENCE["bland-altman-pefr-printed"]["expected"]
    found = agreement(PEFR[:, 0] - PEFR[:, 2], exact=False, multiple=2.0)
    assert found.bias_ml.value == pytest.approx(printed["mean_difference"], abs=0.05)
    assert found.s_ml == pytest.approx(printed["s"], abs=0.05)
    # The paper works on with rounded numbers: 2 x 38.8 and 2.12 x 16.3.
    assert found.lower_ml.value == pytest.approx(printed["lower"], abs=0.1)
    assert found.upper_ml.value == pytest.approx(printed["upper"], abs=0.1)
    ends = (found.bias_ml.low, found.bias_ml.high)
    assert ends == pytest.approx(printed["ci_mean"], abs=0.1)


def test_bland_altman_1986_without_rounding() -> None:
    wanted = REFERENCE["bland-altman-pefr-computed"]["expected"]
    found = agreement(PEFR[:, 0] - PEFR[:, 2])
    assert found.bias_ml.value == pytest.approx(wanted["mean_difference"], abs=1e-4)
    assert found.bias_ml.low == pytest.approx(wanted["ci_mean_lower"], abs=1e-4)
    assert found.bias_ml.high == pytest.approx(wanted["ci_mean_upper"], abs=1e-4)
    assert found.s_ml == pytest.approx(wanted["s"], abs=1e-4)
    # The entry takes 1.96 for 1.95996.
    assert found.lower_ml.value == pytest.approx(wanted["lower_196s"], abs=2e-3)
    assert found.upper_ml.value == pytest.approx(wanted["upper_196s"], abs=2e-3)


def test_first_intervals_of_limits_of_1986() -> None:
    """The paper of 1986 has s sqrt(3/n) for a limit of 2 s; that of 1999 a little less."""
    printed = REFERENCE["bland-altman-pefr-printed"]["expected"]
    found = agreement(PEFR[:, 0] - PEFR[:, 2], exact=False, multiple=2.0)
    n, s = found.n, found.s_ml
    old = s * math.sqrt(3.0 / n)
    assert old == pytest.approx(REFERENCE["bland-altman-pefr-computed"]["expected"]["se_limit"],
                                abs=1e-3)  # fmt: skip
    half = 0.5 * (found.upper_ml.high - found.upper_ml.low)
    assert half / scipy.stats.t.ppf(0.975, n - 1) == pytest.approx(old, rel=0.03)
    assert found.upper_ml.high == pytest.approx(printed["ci_upper"][1], abs=2.0)


@pytest.mark.parametrize("n", [3, 5, 17, 100, 1000])
def test_exact_factor_is_the_tolerance_factor(n: int) -> None:
    """P(mean + k s < mean_true + 1.96 sigma) by integrating over s, without noncentral t."""
    low, high = exact_factors(n)
    for factor, wanted in ((low, 0.025), (high, 0.975)):

        def inside(chi: float, factor: float = factor) -> float:
            s = chi / math.sqrt(n - 1)
            reach = scipy.stats.norm.cdf((factor * s - 1.959963984540054) * math.sqrt(n))
            return float(scipy.stats.chi.pdf(chi, n - 1) * reach)

        centre = math.sqrt(n - 1)
        got, _ = scipy.integrate.quad(inside, max(0.0, centre - 9), centre + 9, limit=400)
        assert got == pytest.approx(wanted, abs=2e-5)


@pytest.mark.parametrize(("n", "exact"), [(4, True), (12, True), (60, False)])
def test_coverage_of_bias_and_limits(n: int, exact: bool) -> None:
    runs, bias, sigma = 4000, 0.03, 0.05
    d = np.random.default_rng(n).normal(bias, sigma, (runs, n))
    mean, s = d.mean(axis=1), d.std(axis=1, ddof=1)
    near, far = exact_factors(n) if exact else approximate_factors(n)
    truth = bias + 1.959963984540054 * sigma
    covered(int(np.sum((mean + near * s <= truth) & (truth <= mean + far * s))), runs)
    # The function gives the same ends as these vectors.
    one = agreement(d[0], exact=exact)
    assert one.upper_ml.high == pytest.approx(mean[0] + far * s[0])
    assert one.lower_ml.low == pytest.approx(mean[0] - far * s[0])
    hits = sum(agreement(row, exact=exact).bias_ml.holds(bias) for row in d[:2000])
    covered(hits, 2000)


def test_approximate_limits_are_too_narrow_for_few_titrations() -> None:
    """Why the exact ones are the standard: with 5 titrations the others miss the outer side."""
    n, runs = 5, 4000
    d = np.random.default_rng(5).normal(0.0, 1.0, (runs, n))
    mean, s = d.mean(axis=1), d.std(axis=1, ddof=1)
    beyond = [
        np.mean(mean + f * s < 1.959963984540054)
        for f in (exact_factors(n)[1], approximate_factors(n)[1])
    ]
    assert beyond[0] == pytest.approx(0.025, abs=0.01)
    assert beyond[1] > 2 * beyond[0]


@pytest.mark.parametrize("sizes", [(6, 6, 6, 6, 6, 6), (3, 9, 4, 8, 5, 7)])
def test_coverage_of_limits_for_further_analysts(sizes: tuple[int, ...]) -> None:
    rng = np.random.default_rng(sum(sizes) + sizes[0])
    who = [f"A{k}" for k, n in enumerate(sizes) for _ in range(n)]
    between, within, bias, runs = 0.04, 0.05, 0.06, 1200
    truth = bias + 1.959963984540054 * math.hypot(between, within)
    hits = {"bias": 0, "limit": 0, "naive": 0}
    for _ in range(runs):
        shift = np.repeat(rng.normal(0.0, between, len(sizes)), sizes)
        d = bias + shift + rng.normal(0.0, within, len(who))
        found = grouped_agreement(d, who).agreement
        hits["bias"] += found.bias_ml.holds(bias)
        hits["limit"] += found.upper_ml.holds(truth)
        hits["naive"] += agreement(d).bias_ml.holds(bias)
    covered(hits["bias"], runs)
    # Zou's intervals are a little wide at few analysts: 95 to 99 %.
    assert 0.94 * runs < hits["limit"] < 0.995 * runs, hits
    # Taking all titrations as independent would claim far too much.
    assert hits["naive"] < 0.85 * runs


@pytest.mark.parametrize(
    ("of_analysts", "of_samples"), [(0.04, 0.04), (0.06, 0.02), (0.02, 0.06), (0.0, 0.05)]
)
def test_coverage_of_limits_for_further_analysts_and_samples(
    of_analysts: float, of_samples: float
) -> None:
    """Everyone titrates every sample twice; the next one is someone else, and another water."""
    rng = np.random.default_rng(round(1000 * of_analysts) + 7)
    people, waters, repeats, runs, bias, within = 5, 6, 2, 800, 0.03, 0.03
    who = [f"A{k}" for k in range(people) for _ in range(waters * repeats)]
    what = [f"W{k}" for k in range(waters) for _ in range(repeats)] * people
    truth = bias + 1.959963984540054 * math.hypot(of_analysts, of_samples, within)
    hits = {"bias": 0, "limit": 0, "naive": 0}
    for _ in range(runs):
        d = rng.normal(bias, within, len(who))
        d += np.repeat(rng.normal(0.0, of_analysts, people), waters * repeats)
        d += np.tile(np.repeat(rng.normal(0.0, of_samples, waters), repeats), people)
        found = crossed_agreement(
            grouped_agreement(d, who), grouped_agreement(d, what, "samples")
        ).agreement
        hits["bias"] += found.bias_ml.holds(bias)
        hits["limit"] += found.upper_ml.holds(truth)
        hits["naive"] += agreement(d).bias_ml.holds(bias)
    assert hits["bias"] > 0.94 * runs, hits
    assert hits["limit"] > 0.93 * runs, hits
    assert hits["naive"] < 0.85 * runs, hits


def test_agreement_refuses_what_it_cannot_say() -> None:
    for bad in ([0.1, 0.2], [0.1, 0.1, 0.1 + 1e-13], [0.1, math.nan, 0.3]):
        with pytest.raises(ComparisonProblem):
            agreement(bad)
    with pytest.raises(ComparisonProblem, match="3 or more analysts"):
        grouped_agreement([0.1, 0.2, 0.3, 0.4], ["A", "A", "B", "B"])
    with pytest.raises(ComparisonProblem, match="3 or more samples"):
        grouped_agreement([0.1, 0.2, 0.3, 0.4], ["A", "A", "B", "B"], "samples")


# --- lines ------------------------------------------------------------------------------------


def test_york_line_through_the_data_of_pearson() -> None:
    wanted = REFERENCE["york-pearson"]["expected"]
    x, y, wx, wy = PEARSON.T
    line = york(x, y, wx**-0.5, wy**-0.5)
    assert line.slope.value == pytest.approx(wanted["slope"], abs=1e-9)
    assert line.intercept_ml.value == pytest.approx(wanted["intercept"], abs=1e-9)
    assert line.u_slope == pytest.approx(wanted["u_slope"], abs=1e-6)
    assert line.u_intercept_ml == pytest.approx(wanted["u_intercept"], abs=1e-6)
    assert line.chi_square == pytest.approx(11.866, abs=1e-3)
    assert line.freedom == 8


def test_deming_with_equal_errors_is_the_orthogonal_line_and_that_of_york() -> None:
    wanted = REFERENCE["york-pearson"]["expected"]
    x, y = PEARSON[:, 0], PEARSON[:, 1]
    line = deming(x, y)
    # Pearson's own hand result; the exact orthogonal line is -0.545561, 5.784044.
    assert line.slope.value == pytest.approx(wanted["slope_unweighted_orthogonal"], abs=5e-4)
    assert line.intercept_ml.value == pytest.approx(
        wanted["intercept_unweighted_orthogonal"], abs=2e-3
    )
    assert (line.slope.value, line.intercept_ml.value) == pytest.approx(
        (-0.545561, 5.784044), abs=1e-6
    )
    same = york(x, y, np.full(10, 0.3), np.full(10, 0.3))
    assert same.slope.value == pytest.approx(line.slope.value, abs=1e-9)
    other = deming(x, y, 4.0)
    same = york(x, y, np.full(10, 0.3), np.full(10, 0.6))
    assert same.slope.value == pytest.approx(other.slope.value, abs=1e-9)


def test_york_tends_to_weighted_least_squares_without_errors_in_x() -> None:
    rng = np.random.default_rng(3)
    x = np.linspace(5, 20, 12)
    u = rng.uniform(0.02, 0.1, 12)
    y = 0.1 + 1.01 * x + u * rng.normal(size=12)
    line = york(x, y, np.full(12, 1e-7), u)
    fit, covariance = np.polyfit(x, y, 1, w=1 / u, cov="unscaled")
    assert (line.slope.value, line.intercept_ml.value) == pytest.approx(fit, abs=1e-8)
    assert line.u_slope == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-6)
    assert line.u_at(np.array([12.0]))[0] == pytest.approx(
        math.sqrt(covariance[1, 1] + 24.0 * covariance[0, 1] + 144.0 * covariance[0, 0]), rel=1e-5
    )


def test_york_with_correlated_errors_minimises_the_full_sum() -> None:
    """Against a direct search of the weighted sum of squares with correlation."""
    rng = np.random.default_rng(8)
    truth = np.linspace(5, 20, 9)
    ux, uy, r = np.full(9, 0.2), rng.uniform(0.1, 0.4, 9), 0.6
    noise = rng.normal(size=(2, 9))
    x = truth + ux * noise[0]
    y = 0.3 + 0.97 * truth + uy * (r * noise[0] + 0.8 * noise[1])
    line = york(x, y, ux, uy, r)

    def total(p: np.ndarray) -> float:
        square = uy**2 + (p[1] * ux) ** 2 - 2 * p[1] * r * ux * uy
        return float(np.sum((y - p[0] - p[1] * x) ** 2 / square))

    found = scipy.optimize.minimize(
        total, [0.0, 1.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}
    )
    assert (line.intercept_ml.value, line.slope.value) == pytest.approx(found.x, abs=1e-6)


def _simulated_lines(
    runs: int, n: int, seed: int, ux: float, uy: float
) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    truth = np.linspace(6.0, 20.0, n)
    x = truth + rng.normal(0, ux, (runs, n))
    return x, 0.05 + 1.01 * truth + rng.normal(0, uy, (runs, n))


@pytest.mark.parametrize(
    ("make", "n", "runs"),
    [
        (lambda x, y: york(x, y, np.full(len(x), 0.03), np.full(len(x), 0.06)), 12, 2000),
        (lambda x, y: deming(x, y, 4.0), 30, 1500),
    ],
    ids=["york", "deming"],
)
def test_coverage_of_lines(make: Callable[..., object], n: int, runs: int) -> None:
    x, y = _simulated_lines(runs, n, 41, 0.03, 0.06)
    lines = [make(*pair) for pair in zip(x, y, strict=True)]
    covered(sum(line.slope.holds(1.01) for line in lines), runs)  # type: ignore[attr-defined]
    covered(sum(line.intercept_ml.holds(0.05) for line in lines), runs)  # type: ignore[attr-defined]


def test_chi_square_of_york_tells_uncertainties_that_are_too_small() -> None:
    x, y = _simulated_lines(400, 12, 43, 0.03, 0.06)
    u = np.full(12, 1.0)
    honest = [york(a, b, 0.03 * u, 0.06 * u).p_value for a, b in zip(x, y, strict=True)]
    assert scipy.stats.kstest(np.array(honest, dtype=np.float64), "uniform").pvalue > 1e-3
    claimed = [york(a, b, 0.01 * u, 0.02 * u).p_value for a, b in zip(x, y, strict=True)]
    assert np.mean(np.array(claimed, dtype=np.float64) < 0.01) > 0.99


def _rank_line(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float]:
    """Slow and by another way: directions of all pairs turned into -45 to 135 degrees."""
    angles = []
    n = len(x)
    for i in range(n):
        for j in range(i):
            dx, dy = x[i] - x[j], y[i] - y[j]
            if (dx == 0 and dy == 0) or dx == -dy:
                continue
            angle = math.degrees(math.atan2(dy, dx))
            while angle <= -45.0:
                angle += 180.0
            while angle > 135.0:
                angle -= 180.0
            angles.append(angle)
    angles.sort()
    slopes = [math.tan(math.radians(a)) for a in angles]
    count = len(slopes)
    at = [(count - 1) // 2, count // 2]
    reach = 1.959963984540054 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((count - reach) / 2)
    middle = (slopes[at[0]] + slopes[at[1]]) / 2
    return middle, slopes[first - 1], slopes[count - first]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("digits", [6, 1])
def test_passing_bablok_against_a_slow_one(seed: int, digits: int) -> None:
    """With ties (volumes read to 0.1 mL) and without."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(12, 30))
    truth = rng.uniform(5, 20, n)
    # Eighths are exact in binary, so that slopes of exactly -1 are found by both.
    grid = 8.0 if digits == 1 else 1e6
    x = np.round((truth + rng.normal(0, 1.0, n)) * grid) / grid
    y = np.round((0.2 + truth * 0.9 + rng.normal(0, 1.0, n)) * grid) / grid
    slope, intercept = passing_bablok(x, y)
    assert (slope.value, slope.low, slope.high) == pytest.approx(_rank_line(x, y), rel=1e-9)
    assert intercept.value == pytest.approx(np.median(y - slope.value * x))
    assert intercept.low == pytest.approx(np.median(y - slope.high * x))


def test_passing_bablok_is_indifferent_to_order_shift_and_exchange() -> None:
    rng = np.random.default_rng(12)
    n = 22  # 231 slopes: an odd number, so that the median is one of them
    truth = rng.uniform(5, 20, n)
    x, y = truth + rng.normal(0, 0.1, n), truth * 1.05 + rng.normal(0, 0.1, n)
    slope, intercept = passing_bablok(x, y)
    order = rng.permutation(n)
    assert passing_bablok(x[order], y[order]) == (slope, intercept)
    moved, at = passing_bablok(x + 3.0, y + 1.0)
    assert moved.value == pytest.approx(slope.value)
    assert at.value == pytest.approx(intercept.value + 1.0 - 3.0 * slope.value)
    turned, _ = passing_bablok(y, x)
    assert turned.value == pytest.approx(1.0 / slope.value)
    assert (turned.low, turned.high) == pytest.approx((1.0 / slope.high, 1.0 / slope.low))
    larger, _ = passing_bablok(10.0 * x, 10.0 * y)
    assert larger.value == pytest.approx(slope.value)


def test_passing_bablok_stands_outliers_and_covers_the_truth() -> None:
    runs, n = 1500, 40
    rng = np.random.default_rng(77)
    truth = np.linspace(6.0, 20.0, n)
    x = truth + rng.normal(0, 0.05, (runs, n))
    y = 0.05 + truth + rng.normal(0, 0.05, (runs, n))
    found = [passing_bablok(a, b) for a, b in zip(x, y, strict=True)]
    covered(sum(slope.holds(1.0) for slope, _ in found), runs)
    # The authors read the intercept off the ends of the slope, which leaves out the scatter of
    # the median itself: 93.6 to 94.4 % over 3000 runs with 20 to 100 points.
    covered(sum(at.holds(0.05) for _, at in found), runs, 0.94)
    y[:, -1] += 6.0
    spoiled = [passing_bablok(a, b)[0].value for a, b in zip(x[:200], y[:200], strict=True)]
    assert abs(np.mean(spoiled) - 1.0) < 0.003
    leaning = [deming(a, b).slope.value for a, b in zip(x[:200], y[:200], strict=True)]
    assert abs(np.mean(leaning) - 1.0) > 0.015


def test_lines_refuse_what_has_none() -> None:
    x = np.linspace(5, 20, 12)
    flat = np.full(12, 12.4)
    scatter = np.random.default_rng(2).permutation(x)
    for method in (deming, passing_bablok):
        with pytest.raises(ComparisonProblem, match="all recorded volumes are equal"):
            method(flat, x)
        with pytest.raises(ComparisonProblem, match="all visual titres are equal"):
            method(x, flat)
        with pytest.raises(ComparisonProblem, match="or more titrations"):
            method(x[:7], x[:7] + 0.1)
    with pytest.raises(ComparisonProblem, match="do not clearly rise"):
        passing_bablok(x, scatter)
    with pytest.raises(ComparisonProblem, match="do not clearly rise"):
        passing_bablok(x, -x)
    with pytest.raises(ComparisonProblem, match="uncertainty above 0"):
        york(x, x, np.zeros(12), np.ones(12))
    with pytest.raises(ComparisonProblem, match="not a ratio"):
        deming(x, x + 0.01 * scatter, 0.0)


# --- tests of differences ---------------------------------------------------------------------


def test_paired_tests_are_those_of_scipy_and_hold_their_level() -> None:
    d = PEFR[:, 0] - PEFR[:, 2]
    found = paired_t(d)
    wanted = scipy.stats.ttest_rel(PEFR[:, 0], PEFR[:, 2])
    assert (found.statistic, found.p_value) == pytest.approx((wanted.statistic, wanted.pvalue))
    rng = np.random.default_rng(6)
    runs = 400
    alarms = sum(wilcoxon_test(rng.normal(size=9)).p_value < 0.05 for _ in range(runs))
    # Exact tests of discrete ranks stay at or below their level.
    assert alarms < 0.05 * runs + 4 * math.sqrt(runs * 0.05 * 0.95)
    assert wilcoxon_test([1, 2, 3, 4, 5, 6]).p_value == pytest.approx(2 / 64)


def test_wilcoxon_counts_ties_of_a_burette_exactly() -> None:
    d = np.array([0.05, 0.05, 0.10, -0.05, 0.05, 0.10, 0.15])
    ranks = scipy.stats.rankdata(np.abs(np.round(d, 9)))
    sums = [
        sum(r for k, r in enumerate(ranks) if signs >> k & 1) for signs in range(2 ** len(ranks))
    ]
    low = min(float(ranks[d > 0].sum()), float(ranks[d < 0].sum()))
    wanted = min(1.0, 2.0 * sum(s <= low + 1e-9 for s in sums) / len(sums))
    assert wilcoxon_test(d).p_value == pytest.approx(wanted)
    with pytest.raises(ComparisonProblem, match="6 or more"):
        wilcoxon_test([0.0, 0.0, 0.05, 0.05, 0.1, 0.1, 0.1])


def test_trend_and_normality() -> None:
    rng = np.random.default_rng(9)
    m = np.linspace(5, 20, 25)
    assert trend(m, 0.01 * m + rng.normal(0, 0.02, 25)) == pytest.approx(0.0, abs=1e-3)
    noise = rng.normal(0, 0.02, 25)
    assert trend(m, noise) == pytest.approx(scipy.stats.pearsonr(m, noise).pvalue)
    assert trend(m[:4], noise[:4]) is None
    assert normality(noise) == pytest.approx(scipy.stats.shapiro(noise).pvalue)


def test_no_verdict_on_normality_of_few_or_equal_differences() -> None:
    rng = np.random.default_rng(10)
    with pytest.raises(ComparisonProblem, match="8 or more"):
        normality(rng.exponential(0.02, 7))
    # Normal errors, read to 0.05 mL: the test would call them anything but normal.
    rounded = np.round(rng.normal(0.0, 0.04, 40) * 20) / 20
    assert scipy.stats.shapiro(rounded).pvalue < 0.05
    with pytest.raises(ComparisonProblem, match="equal to the last digit"):
        normality(rounded)
    with pytest.raises(ComparisonProblem):
        normality(np.zeros(12))


# --- precision --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("groups", "words"),
    [([[12.4]], "there is 1 with 1 titre."), ([[12.4], [12.5]], "there are 2 with 2 titres.")],
)
def test_too_few_titres_are_counted_in_words(groups: list[list[float]], words: str) -> None:
    with pytest.raises(ComparisonProblem, match=re.escape(words)):
        components(groups)


@pytest.mark.parametrize("sizes", [(3, 3, 3, 3), (2, 5, 3, 4, 1)])
def test_anova_is_that_of_scipy_and_statsmodels(sizes: tuple[int, ...]) -> None:
    rng = np.random.default_rng(sum(sizes))
    groups = [12.4 + rng.normal(0, 0.05) + rng.normal(0, 0.04, n) for n in sizes]
    found = components(groups)
    wanted = scipy.stats.f_oneway(*groups)
    assert (found.f, found.p_value) == pytest.approx((wanted.statistic, wanted.pvalue), rel=1e-9)
    values = np.concatenate(groups)
    who = np.repeat(np.arange(len(sizes)), sizes)
    from statsmodels.regression.linear_model import OLS

    table = OLS(values, np.eye(len(sizes))[who]).fit()
    assert found.mean_square_within == pytest.approx(table.mse_resid, rel=1e-9)
    assert found.f == pytest.approx(table.fvalue, rel=1e-6)
    # Mean squares by the definition of the sums, value by value.
    means = np.array([g.mean() for g in groups])
    within = np.sum((values - means[who]) ** 2) / (len(values) - len(sizes))
    between = np.sum((means[who] - values.mean()) ** 2) / (len(sizes) - 1)
    assert found.mean_square_within == pytest.approx(within)
    assert found.mean_square_between == pytest.approx(between)


def test_components_are_unbiased_with_unequal_numbers() -> None:
    rng = np.random.default_rng(21)
    sizes, runs = (2, 6, 3, 4, 2, 3), 4000
    between, within = 0.06, 0.04
    excess, inner = [], []
    for _ in range(runs):
        groups = [rng.normal(0, between) + rng.normal(0, within, n) for n in sizes]
        found = components(groups)
        # Without the cut at 0, which alone would be biased.
        excess.append((found.mean_square_between - found.mean_square_within) / found.mean_size)
        inner.append(found.mean_square_within)
    for values, truth in ((excess, between**2), (inner, within**2)):
        error = np.std(values) / math.sqrt(runs)
        assert abs(np.mean(values) - truth) < 4 * error


@pytest.mark.parametrize(("between", "within"), [(0.06, 0.03), (0.02, 0.05)])
def test_coverage_of_precision_intervals(between: float, within: float) -> None:
    rng = np.random.default_rng(31)
    runs, p, n = 2500, 8, 3
    truth = math.hypot(between, within)
    inner = outer = 0
    for _ in range(runs):
        groups = [rng.normal(0, between) + rng.normal(0, within, n) for _ in range(p)]
        found = components(groups)
        inner += deviation_interval(found.s_r, p * (n - 1)).holds(within)
        outer += reproducibility_interval(found).holds(truth)
    covered(inner, runs)
    # Graybill and Wang: 95 % or a little above.
    assert 0.935 * runs < outer < 0.985 * runs, outer


@pytest.mark.parametrize("row", REFERENCE["cochran-critical"]["values"], ids=str)
def test_cochran_table(row: list[float]) -> None:
    p, n = int(row[0]), int(row[1])
    found = [cochran_critical(p, n, 0.05), cochran_critical(p, n, 0.01)]
    assert found == pytest.approx(row[2:], abs=REFERENCE["cochran-critical"]["tolerance"])


def test_precision_words_of_iso_5725() -> None:
    titres = {"AB": [12.40, 12.45], "BC": [12.50, 12.50], "CD": [12.45, 12.95], "DE": [12.4, 12.5]}
    found = precision(titres, "River")
    assert found.r_ml == pytest.approx(2.8 * found.s_r_ml.value, rel=0.011)
    assert found.R_ml == pytest.approx(2.8 * found.s_reproducibility_ml.value, rel=0.011)
    assert found.cochran is not None
    assert found.cochran.analyst == "CD"
    assert found.cochran.verdict in ("straggler", "outlier")
    assert found.mean_ml == pytest.approx(np.mean(list(titres.values())))
    assert precision({**titres, "EF": [12.4]}, "River").cochran is None
    with pytest.raises(ComparisonProblem, match="several titres"):
        precision({"AB": [1.0], "BC": [2.0]}, "River")
    with pytest.raises(ComparisonProblem, match="equal to the last digit"):
        precision({"AB": [1.0, 1.0], "BC": [2.0, 2.0]}, "River")


# --- how many ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "effect"), [(3, 2.0), (10, 0.9), (44, 0.5), (200, 0.2), (2000, 0.7)])
def test_power_is_that_of_statsmodels(n: int, effect: float) -> None:
    from statsmodels.stats.power import TTestPower

    wanted = TTestPower().power(effect, n, 0.05)
    assert t_power(n, effect) == pytest.approx(wanted, abs=1e-6)


def test_number_for_a_bias_is_the_smallest_that_does() -> None:
    from statsmodels.stats.power import TTestPower

    n = titrations_for_bias(0.05, 0.1, 0.9)
    assert n == math.ceil(TTestPower().solve_power(0.5, None, 0.05, 0.9))
    assert n is not None
    assert t_power(n - 1, 0.5) < 0.9 <= t_power(n, 0.5)
    assert bias_found(n, 0.1) == pytest.approx(0.05, rel=0.02)
    assert titrations_for_bias(0.0001, 0.1) is None
    assert titrations_for_bias(0.05, 0.0711) == 24


def test_number_for_limits_agrees_with_the_rule_of_1999() -> None:
    """Large n: half width 1.96 s sqrt(1/n + 1.96^2/(2 n)) = 0.34 s for n = 100 (paper of 1999)."""
    n = titrations_for_limits(0.34, 1.0)
    assert n is not None
    assert 95 < n < 125
    told = advice(20, 0.06, 0.05, 0.05)
    assert told.n_for_limits is not None
    assert told.limits_now_ml > 0.03
    assert advice(told.n_for_limits, 0.06, 0.05, 0.05).limits_now_ml <= 0.05
    assert advice(told.n_for_limits - 1, 0.06, 0.05, 0.05).limits_now_ml > 0.05


def test_an_interval_knows_what_it_holds() -> None:
    assert Ranged(1.0, 0.9, 1.1).holds(1.1)
    assert not Ranged(1.0, 0.9, 1.1).holds(1.2)
