"""Correlated quantities and the straight line, against JCGM 100:2008 H.2 and H.3."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from calibration.certificate import quantity_from_json
from calibration.line import correlated, fit_line, from_sets_of_readings
from calibration.propagation import monte_carlo, propagate
from calibration.quantity import Quantity, QuantityProblem, correlation
from tests.places import reference

REFERENCE = reference("gum")


def impedance(v: Quantity, i: Quantity, phi: Quantity) -> tuple[Quantity, Quantity, Quantity]:
    """R, X and Z of H.2."""
    r = propagate(lambda a, b, c: a / b * math.cos(c), v, i, phi, unit="ohm")
    x = propagate(lambda a, b, c: a / b * math.sin(c), v, i, phi, unit="ohm")
    return r, x, (v / i).scaled(1.0, "ohm")


def test_gum_h2_from_means_and_coefficients() -> None:
    entry = REFERENCE["gum-h2"]
    given, expected = entry["inputs"], entry["expected"]
    u = np.array([given["u_V"], given["u_I_A"], given["u_phi"]])
    r = np.eye(3)
    r[0, 1] = r[1, 0] = given["r_V_I"]
    r[0, 2] = r[2, 0] = given["r_V_phi"]
    r[1, 2] = r[2, 1] = given["r_I_phi"]
    means = [given["V_mean"], given["I_mean_A"], given["phi_mean_rad"]]
    v, i, phi = correlated(means, r * np.outer(u, u), ("V", "A", "rad"), "readings")
    assert [q.standard_uncertainty for q in (v, i, phi)] == pytest.approx(list(u), rel=1e-9)
    assert correlation(v, phi) == pytest.approx(given["r_V_phi"], rel=1e-9)
    rr, x, z = impedance(v, i, phi)
    # The documentation quoted as source gets 127.732(70), 219.85(30), 254.26(24) from these.
    assert rr.value == pytest.approx(expected["R"], abs=0.0005)
    assert x.value == pytest.approx(expected["X"], abs=0.0005)
    assert z.value == pytest.approx(expected["Z"], abs=0.0005)
    assert rr.standard_uncertainty == pytest.approx(0.070, abs=0.0005)
    assert x.standard_uncertainty == pytest.approx(0.30, abs=0.005)
    assert z.standard_uncertainty == pytest.approx(0.24, abs=0.005)
    assert correlation(rr, x) == pytest.approx(-0.59, abs=0.005)
    assert correlation(rr, z) == pytest.approx(-0.49, abs=0.005)
    assert correlation(x, z) == pytest.approx(0.99, abs=0.005)


def test_gum_h2_from_raw_readings_also_through_a_file() -> None:
    entry = REFERENCE["gum-h2-raw"]
    expected = entry["expected"]
    data = np.array(entry["values"]) * np.array([1.0, 1e-3, 1.0])
    direct = from_sets_of_readings(data, ("V", "A", "rad"), "five sets")
    read = [quantity_from_json(q.to_json(), "file") for q in direct]
    for v, i, phi in (direct, read):
        r, x, z = impedance(v, i, phi)
        found = {
            "R": r.value,
            "X": x.value,
            "Z": z.value,
            "u_R": r.standard_uncertainty,
            "u_X": x.standard_uncertainty,
            "u_Z": z.standard_uncertainty,
            "r_R_X": correlation(r, x),
            "r_R_Z": correlation(r, z),
            "r_X_Z": correlation(x, z),
        }
        assert found == pytest.approx(expected, abs=6e-6)


def test_gum_h2_draws_agree_with_first_order() -> None:
    data = np.array(REFERENCE["gum-h2-raw"]["values"]) * np.array([1.0, 1e-3, 1.0])
    v, i, phi = from_sets_of_readings(data, ("V", "A", "rad"), "five sets")
    # Known scatter: Student t of 4 degrees of freedom would double the variance.
    v, i, phi = correlated(
        [v.value, i.value, phi.value], np.cov(data, rowvar=False) / 5, ("V", "A", "rad"), "sets"
    )
    run = monte_carlo(lambda a, b, c: a / b * np.cos(c), [v, i, phi], 200_000, 4)
    assert run.standard_uncertainty == pytest.approx(0.07107, rel=0.01)


def test_gum_h3_thermometer() -> None:
    entry = REFERENCE["gum-h3"]
    expected = entry["expected"]
    t, b = np.array(entry["values"]).T
    line = fit_line(t, b, x0=entry["inputs"]["t0"], units=("°C", "°C"), name="comparison")
    assert line.intercept.value == pytest.approx(expected["intercept"], abs=5e-5)
    assert line.intercept.standard_uncertainty == pytest.approx(expected["u_intercept"], abs=5e-5)
    assert line.slope.value == pytest.approx(expected["slope"], abs=5e-6)
    assert line.slope.standard_uncertainty == pytest.approx(expected["u_slope"], abs=5e-6)
    assert line.correlation == pytest.approx(expected["r"], abs=0.005)
    assert correlation(line.intercept, line.slope) == pytest.approx(line.correlation, rel=1e-9)
    assert line.residual_sd == pytest.approx(expected["s"], abs=5e-5)
    at = line.at(30.0)
    assert at.value == pytest.approx(expected["b_at_30"], abs=5e-5)
    assert at.standard_uncertainty == pytest.approx(expected["u_b_at_30"], abs=5e-5)
    assert at.unit == "°C"
    oracle = stats.linregress(t - 20.0, b)
    assert line.slope.value == pytest.approx(oracle.slope, rel=1e-9)
    assert line.slope.standard_uncertainty == pytest.approx(oracle.stderr, rel=1e-9)
    assert line.intercept.standard_uncertainty == pytest.approx(oracle.intercept_stderr, rel=1e-9)


def test_refusals() -> None:
    with pytest.raises(QuantityProblem, match="variance comes out negative"):
        correlated([1.0, 2.0], [[1.0, 2.0], [2.0, 1.0]], ("1", "1"), "x")
    with pytest.raises(QuantityProblem, match="does not fit"):
        correlated([1.0], [[1.0, 0.0]], ("1",), "x")
    with pytest.raises(QuantityProblem, match="fewer than 2 sets"):
        from_sets_of_readings([[1.0, 2.0]], ("1", "1"), "x")
    with pytest.raises(QuantityProblem, match="2 point"):
        fit_line([1.0, 2.0], [1.0, 2.0], name="x")
    with pytest.raises(QuantityProblem, match="different x"):
        fit_line([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], name="x")
