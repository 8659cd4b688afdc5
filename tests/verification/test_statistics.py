"""Published examples, other libraries, and coverage by simulation."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import scipy.stats

from endpoint.verification.statistics import (
    detection_limits,
    holm,
    level,
    mean_bias,
    precision,
    proportion,
    scatter_factor,
    straight_line,
)


def test_bias_of_the_published_zinc_example() -> None:
    """SRM 1849a, zinc in mg/100 g, certified 15.1: t = 2.437, p = 0.041, interval 15.1 to 15.6.

    Table 2 (bias against a reference material) of a method evaluation form of AOAC SPIFAN, read at
    https://cld.bz/bookdata/197nFh/basic-html/page-444-445.html; it takes the certified value as
    exact.
    """
    zinc = [15.4, 15.8, 15.4, 15.8, 15.6, 15.2, 15.2, 15.3, 14.7]
    found = level("SRM 1849a", zinc, 15.1, 0.0, "certified value")
    assert found.bias.value / found.bias.standard_uncertainty == pytest.approx(2.437, abs=5e-4)
    assert found.p_value == pytest.approx(0.041, abs=5e-4)
    low, high = found.bias.interval(0.95)
    assert (15.1 + low, 15.1 + high) == pytest.approx((15.1, 15.6), abs=0.05)
    assert found.recovery == pytest.approx(1.0184, abs=1e-4)
    # With the uncertainty of the certified value, 0.56 / 2, the difference is well within it.
    assert level("SRM 1849a", zinc, 15.1, 0.28, "certified value").p_value > 0.3


PONTIUS = """.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146 1.20001 1.30822
1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844 .11052 .22018 .32939 .43886 .54798
.65739 .76596 .87474 .98300 1.09150 1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445
2.06177 2.16829"""


def test_lack_of_fit_of_the_load_cell_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 4.6.1.5: B0 0.614969E-02, B1 0.722103E-06, F = 214.7464 (18, 20).

    Read at https://www.itl.nist.gov/div898/handbook/pmd/section6/pmd615.htm. The data (NIST StRD,
    Pontius) are from memory; that they give the printed numbers shows that they are right.
    """
    load = np.tile(150_000.0 * np.arange(1, 21), 2)
    found = straight_line(load, np.array(PONTIUS.split(), dtype=np.float64))
    assert found is not None
    assert found.intercept == pytest.approx(0.614969e-2, rel=1e-5)
    assert found.slope == pytest.approx(0.722103e-6, rel=1e-6)
    # Printed from a program of single precision; double gives 0.0021712726 and F = 214.7469.
    assert found.residual_s == pytest.approx(0.0021712694, rel=3e-6)
    assert found.freedom == (18, 20)
    assert found.f == pytest.approx(214.7464, rel=3e-6)
    assert found.p_value < 1e-10


def statsmodels_of_formulas() -> tuple[Any, Any]:
    """Imported here, because it takes a second, which every worker would pay for at the top."""
    import statsmodels.api
    from statsmodels.formula.api import ols

    return statsmodels.api.stats, ols


def test_lack_of_fit_is_that_of_the_analysis_of_variance() -> None:
    """The example of pureErrorAnova in the R package alr3 (S. Weisberg), by statsmodels."""
    import pandas

    x = np.array([1, 1, 1, 2, 3, 3, 4, 4, 4, 4], dtype=np.float64)
    y = np.array([2.55, 2.75, 2.57, 2.40, 4.19, 4.70, 3.81, 4.87, 2.93, 4.52])
    found = straight_line(x, y)
    assert found is not None
    data = pandas.DataFrame({"x": x, "y": y})
    stats, ols = statsmodels_of_formulas()
    table = stats.anova_lm(ols("y ~ x", data).fit(), ols("y ~ C(x)", data).fit())
    assert found.f == pytest.approx(table["F"].iloc[1])
    assert found.p_value == pytest.approx(table["Pr(>F)"].iloc[1])
    assert straight_line(x[:4], y[:4]) is None


def test_precision_is_that_of_the_analysis_of_variance() -> None:
    import pandas

    rng = np.random.default_rng(1)
    names = [f"L{k}" for k in range(3) for _ in range(8)]
    days = [f"D{k}" for k in range(4) for _ in range(2)] * 3
    d = rng.normal(0.0, 0.01, 24) + np.array([0.02 * int(day[1]) for day in days])
    found = precision(d, names, days)
    data = pandas.DataFrame({"d": d, "level": names, "day": days})
    stats, ols = statsmodels_of_formulas()
    table = stats.anova_lm(ols("d ~ level + day", data).fit())
    assert found.f == pytest.approx(table.loc["day", "F"])
    assert found.p_value == pytest.approx(table.loc["day", "PR(>F)"])
    assert found.s_r == pytest.approx(math.sqrt(table.loc["Residual", "mean_sq"]))
    assert found.s_intermediate > 2 * found.s_r
    one = precision(d, names, ["1"] * 24)
    assert (one.days, one.s_day, one.p_value) == (1, 0.0, 1.0)


def test_components_of_precision_are_unbiased() -> None:
    rng = np.random.default_rng(2)
    names = [f"L{k}" for k in range(4) for _ in range(10)]
    days = [f"D{k}" for k in range(5) for _ in range(2)] * 4
    within, between = [], []
    for _ in range(600):
        own = dict(zip(sorted(set(days)), rng.normal(0.0, 0.02, 5), strict=True))
        d = rng.normal(0.0, 0.01, 40) + np.array([own[day] for day in days])
        found = precision(d, names, days)
        within.append(found.s_r**2)
        between.append(found.s_day**2)
    assert np.mean(within) == pytest.approx(1e-4, rel=0.03)
    assert np.mean(between) == pytest.approx(4e-4, rel=0.1)


def test_factor_of_the_scatter_holds_the_truth() -> None:
    rng = np.random.default_rng(3)
    names = [f"L{k}" for k in range(4) for _ in range(6)]
    own = np.repeat([0.004, 0.005, 0.006, 0.008], 6)
    for truth in (0.5, 1.0, 2.0):
        hits = alarms = steadier = 0
        for _ in range(1000):
            errors = rng.normal(0.0, truth * own) + rng.normal(0.0, 0.02)
            found = scatter_factor(errors, names, own)
            hits += found.low <= truth <= found.high
            alarms += found.p_value < 0.05
            steadier += found.high < 1.0
        assert 0.93 < hits / 1000 < 0.97
        low, high = (float(scipy.stats.chi2.ppf(q, 20)) / truth**2 for q in (0.025, 0.95))
        assert alarms / 1000 == pytest.approx(scipy.stats.chi2.sf(high, 20), abs=0.02)
        assert steadier / 1000 == pytest.approx(scipy.stats.chi2.cdf(low, 20), abs=0.02)


@pytest.mark.parametrize("day_s", [0.0, 0.01])
def test_mean_bias_holds_the_truth(day_s: float) -> None:
    rng = np.random.default_rng(4)
    days = [f"{k}" for k in range(5) for _ in range(4)]
    hits = 0
    for _ in range(1500):
        d = 0.003 + rng.normal(0.0, 0.01, 20) + np.repeat(rng.normal(0.0, day_s, 5), 4)
        value, u, freedom = mean_bias(d, days)
        hits += abs(value - 0.003) <= scipy.stats.t.ppf(0.975, freedom) * u
    assert 0.93 < hits / 1500 < 0.97


def test_small_things() -> None:
    # Clopper and Pearson: no failure in 20 leaves up to 16.8 %; the rule of F quantiles.
    assert proportion(20, 20) == pytest.approx((0.025 ** (1 / 20), 1.0))
    assert proportion(9, 10)[0] == pytest.approx(scipy.stats.beta.ppf(0.025, 9, 2))
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])
    low = level("low", [0.9, 1.1], 1.0, 0.0, "known")
    assert detection_limits(low, 2.0) == pytest.approx((3.3 * low.s / 2.0, 5.0 * low.s))
