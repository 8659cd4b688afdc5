"""Gravimetric calibration: simulated truth, a worked example, and sheets with mistakes."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration.certificate import Certificate, read_certificate, write_certificate
from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity, covariance
from calibration.sheet import read_sheet
from calibration.ware.water import GLASSES, water_expansion
from calibration.ware.weighing import certificate_from_sheet
from tests.calibration.ware.test_water import REFERENCE
from tests.places import BENCH
from tests.weighed_ware import (
    TODAY,
    certificate_of,
    mass_of,
    sheet_of,
    simulated_rows,
    tables,
)

MARKS = (10.0, 20.0, 30.0, 40.0, 50.0)


def wave(mark_ml: float) -> float:
    """Error of a simulated burette: 0 at the zero line, up to 0.04 mL."""
    return 0.03 * math.sin(mark_ml / 9.0) + 0.0002 * mark_ml


def correction(certificate: Certificate, mark: float) -> Quantity:
    return certificate.quantity(f"correction at {mark:g} mL", "mL")


# --- truth ------------------------------------------------------------------------------------


def test_worked_example_of_a_pipette() -> None:
    entry = REFERENCE["gravimetric-example"]
    i = entry["inputs"]
    row = {"mass_g": i["balance_reading_g"], "water_c": i["t_C"]}
    setup = tables(
        "pipette",
        ware__nominal_ml=25,
        balance__division_mg=0.1,
        balance__linearity_mg=0.2,
        conditions__pressure_hpa=i["pressure_hPa"],
        conditions__air_c=i["t_C"],
        conditions__humidity_percent=i["humidity_percent"],
    )
    volume = certificate_of(setup, [row, row, row]).quantity("volume", "mL")
    assert volume.value == pytest.approx(entry["expected"]["V_20"], abs=entry["tolerance"])


def test_contributions_of_a_pipette_by_hand() -> None:
    masses = [round(mass_of(v), 3) for v in (49.981, 49.968, 49.975, 49.990)]
    certificate = certificate_of(tables("pipette"), [{"mass_g": m} for m in masses])
    volume, filling = (certificate.quantity(n, "mL") for n in ("volume", "filling"))
    s = float(np.std(certificate.readings["volume_at_20_ml"], ddof=1))
    base = "pipette X: calibration ware-1"
    parts = volume.contributions
    scatter = parts[f"{base}, scatter"]
    assert scatter.value == pytest.approx(s / 2.0, rel=1e-3)
    assert (scatter.kind, scatter.degrees_of_freedom) == ("A", 3)
    assert filling.value == 0.0
    assert filling.standard_uncertainty == pytest.approx(s, rel=1e-3)
    assert filling.effective_degrees_of_freedom == pytest.approx(3)
    # Two readings of the balance within 2 mg each, 10 ppm of 50 mL, 0.2 °C of water, by hand.
    assert parts[f"{base}, balance linearity"].value == pytest.approx(
        0.002 * math.sqrt(2.0 / 3.0), rel=0.01
    )
    assert parts["balance W: scale"].value == pytest.approx(50.0 * 1e-5 / math.sqrt(3), rel=0.01)
    per_c = 50.0 * (water_expansion(22.0) - 9.9e-6)
    assert parts["thermometer T: error"].value == pytest.approx(
        per_c * 0.2 / math.sqrt(3), rel=0.01
    )
    gamma = GLASSES["borosilicate 3.3"].half_width_per_c / math.sqrt(3)
    assert abs(parts["pipette X: glass expansion"].value) == pytest.approx(100 * gamma, rel=0.01)
    # d ln V / d air = 1/water - 1/weights: 10 hPa are 0.0118 kg/m3 of air.
    air = parts[f"{base}, air density"]
    assert air.source is not None
    assert air.value == pytest.approx(
        50.0 * air.source.standard_uncertainty * (1e-3 - 1.25e-4), rel=0.01
    )
    assert 0.0118 / math.sqrt(3) < air.source.standard_uncertainty < 2.0 * 0.0118 / math.sqrt(3)
    assert parts["water: density"].value == pytest.approx(-50.0 * 1e-5, rel=0.01)
    assert len(parts) == 7


def simulated(seed: int, truth: Callable[[float], float], setup: dict[str, Any]) -> Certificate:
    rng = np.random.default_rng(seed)
    return certificate_of(setup, simulated_rows(rng, truth, MARKS, 3, setup, 0.008))


@pytest.fixture(scope="module")
def runs() -> list[Certificate]:
    return [simulated(seed, wave, tables()) for seed in range(70_000, 70_600)]


def test_intervals_of_the_corrections_cover_the_truth(runs: list[Certificate]) -> None:
    inside = [
        low <= wave(mark) <= high
        for run in runs
        for mark in MARKS
        for low, high in [correction(run, mark).interval()]
    ]
    # 3000 intervals, nearly independent: 3 standard errors of 95 % are 1.2 %.
    assert 0.938 <= np.mean(inside) <= 0.97


def test_corrections_are_free_of_bias(runs: list[Certificate]) -> None:
    for mark in MARKS:
        found = [correction(run, mark) for run in runs]
        error = np.mean([q.value for q in found]) - wave(mark)
        assert abs(error) < 3.5 * found[0].standard_uncertainty / math.sqrt(len(found))


def test_differences_of_corrections_have_the_covariance_predicted() -> None:
    # A poor thermometer and a bent scale, so that what is shared rules.
    setup = tables(conditions__water_half_width_c=2.0, balance__scale_ppm=300)
    several = [simulated(seed, wave, setup) for seed in range(71_000, 71_600)]
    low, high = (
        np.array([correction(run, mark).value - wave(mark) for run in several])
        for mark in (20.0, 50.0)
    )
    first, last = correction(several[0], 20.0), correction(several[0], 50.0)
    assert np.cov(low, high)[0, 1] == pytest.approx(covariance(first, last), rel=0.2)
    predicted = float(
        np.mean(
            [
                (correction(run, 50.0) - correction(run, 20.0)).standard_uncertainty ** 2
                for run in several
            ]
        )
    )
    # 3 standard errors of a variance from 600 draws are 17 %.
    assert np.var(high - low) == pytest.approx(predicted, rel=0.17)
    apart = first.standard_uncertainty**2 + last.standard_uncertainty**2
    assert predicted < 0.6 * apart


def test_certificates_that_share_balance_and_thermometer_are_correlated() -> None:
    burette = simulated(72_000, wave, tables())
    pipette = certificate_of(
        tables("pipette", certificate__id="ware-2"),
        [{"mass_g": round(mass_of(v), 3)} for v in (49.98, 49.97)],
    )
    a, b = correction(burette, 50.0), pipette.quantity("volume", "mL")
    names = a.contributions.keys() & b.contributions.keys()
    assert names == {"balance W: scale", "thermometer T: error", "water: density"}
    assert covariance(a, b) > 0.0


def test_scatter_is_pooled_where_each_mark_has_few_weighings() -> None:
    few = simulated(72_001, wave, tables())
    scatter = correction(few, 10.0).contributions["burette X: calibration ware-1, scatter at 10 mL"]
    assert scatter.degrees_of_freedom == 5 * 2
    assert scatter.value == pytest.approx(few.details["scatter_ml"] / math.sqrt(3))
    rng = np.random.default_rng(72_002)
    rows = simulated_rows(rng, wave, (25.0, 50.0), 6, tables(), 0.008)
    many = certificate_of(tables(), rows)
    scatter = correction(many, 25.0).contributions[
        "burette X: calibration ware-1, scatter at 25 mL"
    ]
    assert scatter.degrees_of_freedom == 5


def test_identical_readings_fall_back_on_the_division_of_the_balance() -> None:
    row = {"mass_g": round(mass_of(49.98), 2)}
    setup = tables("pipette", balance__division_mg=10)
    certificate = certificate_of(setup, [row] * 4)
    u = 0.01 / math.sqrt(6)
    filling = certificate.quantity("filling", "mL")
    assert filling.standard_uncertainty == pytest.approx(u)
    assert math.isinf(filling.effective_degrees_of_freedom)
    name = "pipette X: calibration ware-1, balance division"
    parts = certificate.quantity("volume", "mL").contributions
    assert parts[name].value == pytest.approx(u)
    assert parts["pipette X: calibration ware-1, scatter"].value == 0.0


# --- drops --------------------------------------------------------------------------------------


def drops(*rows: dict[str, float], **changes: Any) -> Certificate:
    return certificate_from_sheet(sheet_of({**tables(**changes), "drop": list(rows)}))


def test_weighed_drops() -> None:
    masses = [round(mass_of(20 * v), 3) for v in (0.0458, 0.0465, 0.0461)]
    certificate = drops(*({"count": 20, "mass_g": m} for m in masses))
    drop = certificate.quantity("drop", "mL")
    assert drop.value == pytest.approx((0.0458 + 0.0465 + 0.0461) / 3, abs=2e-5)
    scatter = np.std([0.0458, 0.0465, 0.0461], ddof=1) / math.sqrt(3)
    linearity = 0.002 * math.sqrt(2 / 3) / 20
    assert drop.standard_uncertainty == pytest.approx(math.hypot(scatter, linearity), rel=0.08)
    assert not any("drop" in remark for remark in certificate.remarks)
    assert set(certificate.quantities) == {"drop"}


def test_drops_read_on_the_burette_need_no_balance() -> None:
    setup = tables()
    del setup["balance"], setup["conditions"]
    setup["drop"] = [{"count": 20, "volume_ml": v} for v in (1.34, 1.36)]
    certificate = certificate_from_sheet(sheet_of(setup))
    drop = certificate.quantity("drop", "mL")
    assert drop.value == pytest.approx(0.0675)
    assert any("0.0675 mL is outside the usual" in remark for remark in certificate.remarks)
    # Two readings within 0.02 mL each are not seen in a scatter of 0.014 mL.
    parts = {name.split(", ")[-1]: c.value for name, c in drop.contributions.items()}
    assert parts["reading"] == pytest.approx(0.04 / math.sqrt(6) / 20)
    assert parts["scale of the burette"] == pytest.approx(0.05 / math.sqrt(6) / 20)
    assert parts["scatter"] == pytest.approx(0.0005)
    assert len(parts) == 3
    usual = REFERENCE["drop"]["values"]["usual"]
    assert drop.value == pytest.approx(usual, abs=REFERENCE["drop"]["tolerance"])


def pairs(*marks: float) -> list[dict[str, float]]:
    return [
        {"mark_ml": mark, "mass_g": round(mass_of(mark + d), 3)}
        for mark in marks
        for d in (0.0, 0.01)
    ]


# --- remarks ------------------------------------------------------------------------------------


def test_a_correction_outside_the_class_is_remarked() -> None:
    rows = [
        {"mark_ml": mark, "mass_g": round(mass_of(mark + error + d), 3)}
        for mark, error in ((25.0, 0.02), (50.0, 0.071))
        for d in (-0.003, 0.003)
    ]
    remarks = certificate_of(tables(), rows).remarks
    assert any(
        "correction at 50 mL is +0.071 mL, outside the limit of class A" in r for r in remarks
    )
    assert not any("25 mL is" in r for r in remarks)
    assert any("Fewer than 5 marks" in r for r in remarks)


def test_other_remarks() -> None:
    rows = [
        {"mark_ml": m, "mass_g": round(mass_of(m + d), 3)}
        for m in (10.0, 20.0)
        for d in (0.0, 0.01)
    ]
    setup = tables(ware__class="AS", balance__scale_ppm=None)
    text = " ".join(certificate_of(setup, rows).remarks)
    seconds = REFERENCE["waiting-time"]["values"]["burette_AS"]
    assert f"usually {seconds} s (from memory)" in text
    assert "10 ppm (common practice" in text
    assert "The lowest line weighed is 20 mL" in text
    wild = certificate_of(
        tables("pipette"), [{"mass_g": round(mass_of(v), 3)} for v in (49.9, 50.1, 50.1)]
    )
    assert any("scatter by more than the limit" in r for r in wild.remarks)
    off = certificate_of(tables("pipette"), [{"mass_g": round(mass_of(49.9), 3)}] * 2)
    assert any("-0.100 mL off the nominal" in r for r in off.remarks)
    assert any("Only 2 weighings" in r for r in off.remarks)


# --- sheets with mistakes -----------------------------------------------------------------------


def good_rows() -> list[dict[str, Any]]:
    return [
        {"mark_ml": m, "mass_g": round(mass_of(m + d), 3), "water_c": 22.0}
        for m in (10.0, 30.0, 50.0)
        for d in (0.004, 0.011)
    ]


def swap(one: str, other: str) -> Callable[[list[dict[str, Any]]], None]:
    def act(rows: list[dict[str, Any]]) -> None:
        for row in rows:
            row[one], row[other] = row[other], row[one]

    return act


def scale(key: str, factor: float, shift: float = 0.0) -> Callable[[list[dict[str, Any]]], None]:
    def act(rows: list[dict[str, Any]]) -> None:
        for row in rows:
            row[key] = row[key] * factor + shift

    return act


def put(row: int, **cells: Any) -> Callable[[list[dict[str, Any]]], None]:
    def act(rows: list[dict[str, Any]]) -> None:
        rows[row].update(cells)

    return act


def by_difference(before: float, sign: float) -> Callable[[list[dict[str, Any]]], None]:
    def act(rows: list[dict[str, Any]]) -> None:
        for row in rows:
            row["mass_before_g"] = before
            row["mass_after_g"] = round(before + sign * row.pop("mass_g"), 3)

    return act


BAD_ROWS: list[tuple[str, str, Callable[[list[dict[str, Any]]], None]]] = [
    ("row 1, mark_ml", "seem to be swapped", swap("mark_ml", "mass_g")),
    ("row 1, water_c", "seem to be swapped", swap("water_c", "mass_g")),
    ("row 1, mass_g", "looks like mg", scale("mass_g", 1000.0)),
    ("row 1, mass_g", "looks like kg", scale("mass_g", 0.001)),
    ("row 1, mark_ml", "looks like L", scale("mark_ml", 0.001)),
    ("row 1, water_c", "looks like kelvin", scale("water_c", 1.0, 273.15)),
    ("row 1, water_c", "looks like degrees Fahrenheit", scale("water_c", 1.8, 32.0)),
    ("row 3, mass_g", "Check the mark and the mass", put(2, mass_g=28.55)),
    ("row 3, mark_ml", "Give the line", put(2, mark_ml=30.05)),
    ("row 3, mass_g", "finer than the balance shows: 1 mg", put(2, mass_g=29.9123)),
    ("row 1, mass_g", "round number", scale("mark_ml", 1.0)),
    ("row 1, mass_after_g", "seem to be swapped", by_difference(80.0, -1.0)),
    ("row 3, mass_g", "Keep one of the two", put(2, mass_before_g=80.0, mass_after_g=109.9)),
    ("row 3, mark_ml", "weighed only once", put(2, mark_ml=29.9)),
    ("row 3, mass_g", "without quotes", put(2, mass_g="29.9")),
    ("row 3", "Is mass_g meant?", put(2, mass_gg=29.9)),
    ("row 3, water_c", "outside 5 to 35", put(2, water_c=10**400)),
    ("row 3, mass_g", "outside 15 to 45", put(2, mass_g=math.nan)),
]


@pytest.mark.parametrize(("place", "words", "act"), BAD_ROWS, ids=lambda v: str(v)[:30])
def test_bad_weighings(place: str, words: str, act: Callable[[list[dict[str, Any]]], None]) -> None:
    rows = good_rows()
    if words == "round number":
        rows = [{**row, "mass_g": round(row["mark_ml"])} for row in rows]
    act(rows)
    with pytest.raises(CalibrationProblem) as caught:
        certificate_of(tables(), rows)
    assert f"ware.toml: weighing, {place}" in caught.value.sentence
    assert words in str(caught.value)
    assert caught.value.remedy.endswith((".", "?"))


BAD_TABLES: list[tuple[str, str, dict[str, Any]]] = [
    ("certificate, date", "in the future", {"certificate__date": "2026-11-26"}),
    ("certificate, expiry", "before the date", {"certificate__expiry": "2026-11-01"}),
    ("ware, nominal_ml", "looks like L", {"ware__nominal_ml": 0.05}),
    ("ware", "for another state limit_ml here", {"ware__nominal_ml": 30}),
    ("ware, kind", 'Is "burette" meant?', {"ware__kind": "buret"}),
    ("ware, glass", "borosilicate 3.3", {"ware__glass": "borosilicate"}),
    ("balance, linearity_mg", "looks like g", {"balance__linearity_mg": 0.0002}),
    ("balance", "linearity_mg is missing", {"balance__linearity_mg": None}),
    ("balance", "[balance] is missing", {"balance": None}),
    ("conditions, pressure_hpa", "looks like kPa", {"conditions__pressure_hpa": 99.0}),
    ("conditions, water_c", "looks like kelvin", {"conditions__water_c": 295.0}),
    ("conditions", "pressure_hpa is missing", {"conditions__pressure_hpa": None}),
    ("conditions", "pressure is not known", {"conditions__pressure": 990}),
    ("unknown", "is not known", {"unknown": {}}),
]


@pytest.mark.parametrize(("place", "words", "changes"), BAD_TABLES, ids=lambda v: str(v)[:30])
def test_bad_tables(place: str, words: str, changes: dict[str, Any]) -> None:
    with pytest.raises(CalibrationProblem) as caught:
        certificate_of(tables(**changes), good_rows())
    assert "ware.toml" in caught.value.sentence
    assert place in caught.value.sentence
    assert words in str(caught.value)


@pytest.mark.parametrize("count", [0, 1])
def test_no_weighing_or_one_is_refused(count: int) -> None:
    for kind in ("pipette", "burette"):
        with pytest.raises(CalibrationProblem, match="2 or more are needed"):
            certificate_of(tables(kind), good_rows()[:count])


def test_one_mark_is_no_calibration_of_a_burette() -> None:
    with pytest.raises(CalibrationProblem, match="as in every row"):
        certificate_of(tables(), good_rows()[:2])


def test_swapped_columns_of_a_pipette() -> None:
    rows = [{"mass_g": 22.1, "water_c": round(mass_of(49.98), 3)} for _ in range(3)]
    with pytest.raises(CalibrationProblem, match="mass_g and water_c seem to be swapped"):
        certificate_of(tables("pipette"), rows)


@pytest.mark.parametrize(
    ("words", "row"),
    [
        ("count", {"count": 2, "mass_g": 0.1}),
        ("looks like mg", {"count": 20, "mass_g": 930.0}),
        ("whole number", {"count": 20.5, "mass_g": 0.93}),
        ("outside 0.1 to 4", {"count": 20, "mass_g": 5.0}),
    ],
)
def test_bad_drops(words: str, row: dict[str, float]) -> None:
    with pytest.raises(CalibrationProblem, match=words):
        drops(row, row)
    with pytest.raises(CalibrationProblem):
        drops(row, row, ware__kind="pipette", ware__division_ml=None)


# --- files --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["burette-b2.toml", "pipette-p1.csv"])
def test_sheets_of_the_bench(name: str, tmp_path: Path) -> None:
    certificate = certificate_from_sheet(read_sheet(BENCH / name, TODAY))
    assert certificate.kind == "glassware"
    assert certificate.expiry is not None
    assert certificate.date < TODAY < certificate.expiry
    assert "The readings are invented." in certificate.remarks
    path = tmp_path / "x.json"
    write_certificate(certificate, path)
    assert read_certificate(path) == certificate
    for quantity in certificate.quantities.values():
        assert 0.0 < quantity.expanded_uncertainty() < certificate.details["limit_ml"]


def test_a_limit_may_be_stated_for_other_ware() -> None:
    rows = [
        {"mark_ml": m, "mass_g": round(mass_of(m + d), 3)} for m in (15.0, 30.0) for d in (0, 0.01)
    ]
    setup = tables(ware__nominal_ml=30, ware__limit_ml=0.04)
    certificate = certificate_of(setup, rows)
    assert certificate.details["limit_ml"] == 0.04
    assert certificate.date == datetime.date(2026, 11, 2)
