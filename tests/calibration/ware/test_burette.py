"""Calibrated ware in use: interpolation, correlation through files, temperature, coverage."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from calibration.certificate import Certificate, read_certificate, write_certificate
from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity, correlation, covariance
from calibration.sheet import read_sheet
from calibration.ware.burette import (
    CalibratedBurette,
    burette_from_certificate,
    calibrated_burette_volume,
    certified_kind,
    deliveries_from_certificate,
)
from calibration.ware.glassware import Ware, burette_volume, pipette_deliveries
from calibration.ware.tolerance import find_tolerance
from calibration.ware.water import liquid_at_20
from calibration.ware.weighing import certificate_from_sheet
from tests.calibration.ware.test_water import REFERENCE
from tests.places import BENCH
from tests.weighed_ware import TODAY, certificate_of, mass_of, simulated_rows, tables

NO_TEMPERATURE: dict[str, Any] = {"temperature_half_width_c": 0.0}


def exact_burette(*pairs: tuple[float, float], scatter_ml: float = 0.004) -> CalibratedBurette:
    """A burette whose corrections are those of the pairs (mark, correction)."""
    corrections = tuple(
        Quantity.measured(c, "mL", scatter_ml, f"burette X: calibration k, scatter at {m:g} mL")
        + Quantity.measured(0.0, "1", 1e-4, "balance W: scale").scaled(m, "mL")
        for m, c in pairs
    )
    marks = tuple(m for m, _ in pairs)
    return CalibratedBurette("burette X", "k", 50.0, 0.1, "borosilicate 3.3", marks, corrections)


def pair() -> CalibratedBurette:
    return exact_burette((10.0, 0.02), (30.0, -0.02), (50.0, 0.03))


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Certificate]:
    """Certificates of the bench, each after a way through a file."""
    folder = tmp_path_factory.mktemp("certificates")
    found = {}
    for kind, name in (("burette", "burette-b2.toml"), ("pipette", "pipette-p1.csv")):
        path = folder / f"{kind}.json"
        write_certificate(certificate_from_sheet(read_sheet(BENCH / name, TODAY)), path)
        found[kind] = read_certificate(path)
    return found


# --- correction ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reading", "expected"),
    [
        (0.0, 0.0),
        (5.0, 0.01),
        (10.0, 0.02),
        (20.0, 0.0),
        (30.0, -0.02),
        (45.0, 0.0175),
        (50.0, 0.03),
    ],
)
def test_correction_is_the_straight_line_between_marks(reading: float, expected: float) -> None:
    assert pair().correction_at(reading).value == pytest.approx(expected, abs=1e-12)


def test_correction_is_a_linear_combination_of_the_marks() -> None:
    at = pair().correction_at(15.0)
    parts = {name: c.value for name, c in at.contributions.items()}
    assert parts.pop("balance W: scale") == pytest.approx(1e-4 * 15.0)
    assert parts.pop("burette X: calibration k, scatter at 10 mL") == pytest.approx(0.75 * 0.004)
    assert parts.pop("burette X: calibration k, scatter at 30 mL") == pytest.approx(0.25 * 0.004)
    # Random walk with steps of 0.02 in 10 mL, 0.04 in 20, 0.05 in 20: pinned at both ends.
    per_ml = (0.02**2 / 10 + 0.04**2 / 20 + 0.05**2 / 20) / 3
    stray = math.sqrt(per_ml * 5.0 * 15.0 / 20.0)
    assert parts.pop("burette X: calibration k, between 10 and 30 mL") == pytest.approx(stray)
    assert not parts


def test_nothing_strays_at_a_mark_or_at_the_zero_line() -> None:
    assert pair().correction_at(0.0).standard_uncertainty == 0.0
    assert pair().correction_at(30.0) == pair().corrections[1]


@pytest.mark.parametrize("reading", [-0.01, 50.01, math.nan])
def test_readings_off_the_scale_are_refused(reading: float) -> None:
    with pytest.raises(CalibrationProblem, match="0 to 50 mL"):
        pair().correction_at(reading)


# --- volume -------------------------------------------------------------------------------------


def test_volume_is_the_difference_of_readings_and_corrections() -> None:
    volume = calibrated_burette_volume(pair(), 25.0, "a", start_ml=5.0, **NO_TEMPERATURE)
    assert volume.value == pytest.approx(25.0 - 0.02 - 0.01)
    parts = {name: c.value for name, c in volume.contributions.items()}
    assert parts["balance W: scale"] == pytest.approx(1e-4 * 25.0)
    assert parts["burette X: calibration k, scatter at 10 mL"] == pytest.approx(-0.5 * 0.004)
    reading = REFERENCE["reading"]["values"]["usual_reading_uncertainty"]
    for end, sign in (("start", -1.0), ("end", 1.0)):
        part = parts[f"burette X: reading, a, {end}"]
        assert part == pytest.approx(sign * reading / math.sqrt(6))


def test_the_end_point_keeps_its_contribution_and_feels_the_slope() -> None:
    end_point = Quantity.measured(20.0, "mL", 0.01, "end point: fit")
    volume = calibrated_burette_volume(pair(), end_point, reading_limit_ml=0.0)
    slope = -0.04 / 20.0
    assert volume.contributions["end point: fit"].value == pytest.approx(0.01 * (1 + slope))
    assert not any("reading" in name for name in volume.contributions)


def test_two_fillings_use_the_last_mark_twice_over() -> None:
    volume = calibrated_burette_volume(pair(), 60.0, "a", fills=2, **NO_TEMPERATURE)
    assert volume.value == pytest.approx(60.0 + 0.03 + 0.02)
    assert sum("reading" in name for name in volume.contributions) == 4
    assert volume.contributions["balance W: scale"].value == pytest.approx(1e-4 * 60.0)


@pytest.mark.parametrize(
    "act",
    [
        lambda: calibrated_burette_volume(pair(), -1.0),
        lambda: calibrated_burette_volume(pair(), 50.1),
        lambda: calibrated_burette_volume(pair(), 20.0, start_ml=31.0),
        lambda: calibrated_burette_volume(pair(), 20.0, start_ml=-0.5),
        lambda: calibrated_burette_volume(pair(), 20.0, fills=2),
        lambda: calibrated_burette_volume(pair(), 20.0, fills=0),
        lambda: calibrated_burette_volume(pair(), math.nan),
        lambda: calibrated_burette_volume(pair(), 20.0, temperature_c=293.0),
    ],
)
def test_impossible_deliveries_are_refused(act: Callable[[], object]) -> None:
    with pytest.raises(CalibrationProblem):
        act()


def test_intervals_of_delivered_volumes_cover_the_truth() -> None:
    """The whole way: bore as a random walk, weighings, certificate, readings, warm titrant."""
    setup = tables()
    marks, inside, errors, predicted = (10.0, 20.0, 30.0, 40.0, 50.0), [], [], []
    for seed in range(90_000, 90_500):
        rng = np.random.default_rng(seed)
        fine = np.linspace(0.0, 50.0, 501)
        walk = np.concatenate([[0.0], np.cumsum(rng.normal(0.0, 0.004 * math.sqrt(0.1), 500))])

        def bore(v: float, walk: np.ndarray = walk, fine: np.ndarray = fine) -> float:
            return float(np.interp(v, fine, walk))

        rows = simulated_rows(rng, bore, marks, 3, setup, 0.006)
        burette = burette_from_certificate(certificate_of(setup, rows))
        start, end = rng.uniform(0.0, 2.0), rng.uniform(12.0, 49.0)
        read = end - start + rng.triangular(-0.02, 0, 0.02) - rng.triangular(-0.02, 0, 0.02)
        true_c, shown_c = 25.0 + rng.uniform(-1, 1), 25.0
        truth = liquid_at_20(end - start + bore(end) - bore(start), true_c, 9.9e-6)
        found = calibrated_burette_volume(burette, read, "x", start_ml=start, temperature_c=shown_c)
        low, high = found.interval()
        inside.append(low <= truth <= high)
        errors.append(found.value - truth)
        predicted.append(found.standard_uncertainty**2)
    # 500 draws: 3 standard errors of 95 % are 3 %, of a variance 19 %.
    assert 0.92 <= np.mean(inside) <= 0.98
    assert np.var(errors) == pytest.approx(np.mean(predicted), rel=0.19)
    assert abs(np.mean(errors)) < 3.5 * math.sqrt(np.mean(predicted) / 500)


# --- correlation through files -----------------------------------------------------------------


def test_two_volumes_of_one_burette_stay_correlated_through_a_file(
    certificates: dict[str, Certificate],
) -> None:
    burette = burette_from_certificate(certificates["burette"])
    options: dict[str, Any] = {"reading_limit_ml": 0.0, **NO_TEMPERATURE}
    standard = calibrated_burette_volume(burette, 21.6, "standard", **options)
    fresh = certificate_from_sheet(read_sheet(BENCH / "burette-b2.toml", TODAY))
    sample = calibrated_burette_volume(burette_from_certificate(fresh), 21.9, "sample", **options)
    # 21.6 and 21.9 mL lie between the same marks: nearly one and the same correction.
    assert correlation(standard, sample) > 0.99
    ratio = sample / standard
    apart = math.hypot(sample.standard_uncertainty, standard.standard_uncertainty) / 21.6
    assert ratio.standard_uncertainty < 0.1 * apart
    far = calibrated_burette_volume(burette, 43.0, "far", **options)
    shared = standard.contributions.keys() & far.contributions.keys()
    assert {"balance W1: scale", "thermometer T3: error", "water: density"} <= shared
    assert covariance(standard, far) > 0.0
    assert not any("scatter" in name for name in shared)


def test_readings_of_two_titrations_stay_independent(certificates: dict[str, Certificate]) -> None:
    burette = burette_from_certificate(certificates["burette"])
    one, two = (calibrated_burette_volume(burette, 14.0, label) for label in ("a", "b"))
    own = {name for name in one.contributions if name not in two.contributions}
    assert own == {"burette B2: reading, a, start", "burette B2: reading, a, end"}


def test_one_pipette_filled_twice(certificates: dict[str, Certificate]) -> None:
    certificate = certificates["pipette"]
    first, second = deliveries_from_certificate(certificate, 2, "well 3", **NO_TEMPERATURE)
    volume, filling = (certificate.quantity(n, "mL") for n in ("volume", "filling"))
    total = first + second
    assert total.value == pytest.approx(2 * volume.value)
    expected = math.hypot(
        2 * volume.standard_uncertainty, math.sqrt(2) * filling.standard_uncertainty
    )
    assert total.standard_uncertainty == pytest.approx(expected, rel=1e-12)
    assert covariance(first, second) == pytest.approx(volume.standard_uncertainty**2)
    part = first.contributions["pipette P1: filling, well 3, 1"]
    assert (part.kind, part.degrees_of_freedom) == ("A", 9)
    third = deliveries_from_certificate(certificate, 1, "well 4", **NO_TEMPERATURE)[0]
    assert covariance(first, third) == pytest.approx(volume.standard_uncertainty**2)


# --- temperature --------------------------------------------------------------------------------


def test_stated_temperature_brings_the_volume_to_20_degrees() -> None:
    entry = REFERENCE["volume-correction-example"]
    i, expected = entry["inputs"], entry["expected"]["V_20_density"]
    ideal = exact_burette((25.0, 0.0), (50.0, 0.0))
    ware = Ware("burette 17", find_tolerance("burette", 50, "A"))
    bulb = Ware("pipette P", find_tolerance("pipette", 25, "A"))
    options = {"temperature_c": i["t_C"], "temperature_half_width_c": 0.5}
    for volume in (
        calibrated_burette_volume(ideal, i["V_read_mL"], "a", **options),
        burette_volume(ware, i["V_read_mL"], "a", **options),
        pipette_deliveries(bulb, 1, label="a", **options)[0],
    ):
        assert volume.value == pytest.approx(expected, abs=5e-5)
        name = next(n for n in volume.contributions if "temperature" in n)
        assert name.endswith(": temperature, a")
        step = liquid_at_20(25.0, 26.9, i["gamma_glass"]) - liquid_at_20(
            25.0, 27.1, i["gamma_glass"]
        )
        u = step / 0.2 * 0.5 / math.sqrt(3)
        assert volume.contributions[name].value == pytest.approx(u, rel=1e-3)


def test_temperature_that_is_not_stated_corrects_nothing() -> None:
    volume = calibrated_burette_volume(pair(), 30.0, "a")
    assert volume.value == pytest.approx(29.98)
    beta = REFERENCE["water-expansion-quam"]["values"]["beta"]
    expected = 29.98 * beta * 3.0 / math.sqrt(3)
    assert volume.contributions["burette X: temperature"].value == pytest.approx(expected, rel=1e-3)


def test_a_shared_temperature_cancels_between_pieces(certificates: dict[str, Certificate]) -> None:
    day: dict[str, Any] = {"temperature_name": "laboratory temperature", "temperature_c": 24.0}
    burette = burette_from_certificate(certificates["burette"])
    titre = calibrated_burette_volume(burette, 40.0, "a", **day)
    sample = deliveries_from_certificate(certificates["pipette"], 1, "a", **day)[0]
    left = (titre / sample).contributions["laboratory temperature"].value
    assert abs(left) < 0.1 * titre.contributions["laboratory temperature"].value / 50.0


# --- certificates that do not fit ---------------------------------------------------------------


def test_certificates_of_other_things_are_refused(certificates: dict[str, Certificate]) -> None:
    assert certified_kind(certificates["burette"]) == "burette"
    assert certified_kind(certificates["pipette"]) == "pipette"
    with pytest.raises(CalibrationProblem, match="about a pipette"):
        burette_from_certificate(certificates["pipette"])
    with pytest.raises(CalibrationProblem, match="about a burette"):
        deliveries_from_certificate(certificates["burette"])
    with pytest.raises(CalibrationProblem, match="filled 0 times"):
        deliveries_from_certificate(certificates["pipette"], 0)


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("ware", None, "details: ware"),
        ("name", 17, "details: name"),
        ("glass", "jam jar", "not known"),
        ("marks_ml", None, "no ascending list"),
        ("marks_ml", (20.0, 10.0), "no ascending list"),
        ("marks_ml", (10.0, 12.5), 'no quantity "correction at 12.5 mL"'),
        ("marks_ml", ("10",), "not a number"),
        ("nominal_ml", "50", "not a number"),
    ],
)
def test_damaged_details_are_refused(
    certificates: dict[str, Certificate], key: str, value: object, words: str
) -> None:
    good = certificates["burette"]
    details = {**good.details, key: value}
    bad = dataclasses.replace(good, details=details)
    with pytest.raises(CalibrationProblem) as caught:
        burette_from_certificate(bad)
    assert words in caught.value.sentence
    assert good.identifier in caught.value.sentence
    del details[key]
    with pytest.raises(CalibrationProblem):
        burette_from_certificate(dataclasses.replace(good, details=details))


def test_a_weighed_flask_holds_its_volume() -> None:
    setup = tables("flask", ware__nominal_ml=250)
    rows = [
        {"mass_before_g": 140.0, "mass_after_g": round(140.0 + mass_of(v), 3)}
        for v in (250.08, 250.11, 250.09)
    ]
    flask = deliveries_from_certificate(certificate_of(setup, rows), 1, "stock", **NO_TEMPERATURE)[
        0
    ]
    assert flask.value == pytest.approx(250.0933, abs=2e-3)
    assert "flask X: filling, stock, 1" in flask.contributions
