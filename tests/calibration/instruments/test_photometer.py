"""Photometer certificates: known stray light is found again, its interval covers, bad sheets."""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pytest

from calibration.certificate import Certificate, read_certificate, write_certificate
from calibration.instruments.photometer import (
    calibrated_wavelength,
    certificate_from_sheet,
    corrected,
    highest_absorbance,
)
from calibration.instruments.stray_light import (
    Level,
    Noise,
    believed,
    bent,
    fit_scale,
    linear_limit,
    noise_of,
    straightened,
)
from calibration.problem import CalibrationProblem
from calibration.sheet import read_sheet
from tests.places import BENCH

TODAY = datetime.date(2026, 11, 25)
HEAD = """# format = 1
# [certificate]
# id = "P-1"
# what = "Photometer 1"
# date = 2026-10-05
# operator = "KT"
"""
DILUTIONS = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


def made(tmp_path: Path, rows: str, head: str = HEAD) -> Certificate:
    path = tmp_path / "photometer.csv"
    path.write_text(head + rows, encoding="utf-8")
    return certificate_from_sheet(read_sheet(path, TODAY))


def shown(true: float, stray: float, rng: np.random.Generator) -> float:
    """Photometer with noise of the light and of the electronics, and three decimals."""
    light = (10.0**-true + stray) / (1.0 + stray) + rng.normal(0.0, 5e-5)
    return float(np.round(-np.log10(max(light, 1e-5)) + rng.normal(0.0, 5e-4), 3))


def series(stray: float, rng: np.random.Generator, top: float = 2.6) -> list[Level]:
    """Dilutions that were pipetted to 0.2 %."""
    levels = []
    for c in DILUTIONS:
        true = top * c * (1.0 + rng.normal(0.0, 0.002))
        levels.append(Level(c, 0.002 * c, tuple(shown(true, stray, rng) for _ in range(3))))
    return levels


def test_model_and_inverse() -> None:
    true = np.linspace(0.0, 3.0, 50)
    assert np.allclose(straightened(bent(true, 2e-3), 2e-3), true)
    # By hand: T = 0.01, s = 0.001: -log10(0.011 / 1.001).
    assert float(bent(2.0, 1e-3)) == pytest.approx(1.959041, abs=1e-6)
    assert np.isinf(straightened(4.0, 1e-3))


@pytest.mark.parametrize("stray", [0.0, 5e-4, 2e-3, 1e-2])
def test_stray_light_is_found_and_its_interval_covers(stray: float) -> None:
    from calibration.quantity import Quantity

    hits, slopes, values = 0, 0, []
    for seed in range(7000, 7100):
        rng = np.random.default_rng(seed)
        levels = series(stray, rng)
        noise = noise_of([level.readings for level in levels], 0.001)
        fit = fit_scale(levels, noise)
        dof = fit.degrees_of_freedom
        for value, u, true, is_slope in (
            (fit.stray, fit.stray_uncertainty, stray, 0),
            (fit.slope, fit.slope_uncertainty, 2.6, 1),
        ):
            low, high = Quantity.measured(
                value, "1", u, "x", kind="A", degrees_of_freedom=dof
            ).interval()
            hits += (low <= true <= high) and not is_slope
            slopes += (low <= true <= high) and is_slope
        values.append(fit.stray)
    # 95 of 100 expected, standard deviation 2.2.
    assert hits >= 88
    assert slopes >= 88
    assert np.mean(values) == pytest.approx(stray, rel=0.03, abs=2e-5)


def test_filters_with_uncertain_nominal_values() -> None:
    hits = 0
    for seed in range(7000, 7100):
        rng = np.random.default_rng(seed)
        levels = []
        for nominal in (0.3, 0.5, 1.0, 1.5, 2.0, 2.5):
            true = nominal + rng.normal(0.0, 0.004)
            reads = tuple(shown(true, 3e-3, rng) for _ in range(3))
            levels.append(Level(nominal, 0.004, reads))
        fit = fit_scale(levels, noise_of([level.readings for level in levels], 0.001))
        hits += abs(fit.stray - 3e-3) < 2.0 * fit.stray_uncertainty
    assert 88 <= hits <= 100


def test_noise_of_both_kinds_is_told_apart() -> None:
    rng = np.random.default_rng(5)
    true = Noise(5e-4, 2e-4, 0)
    groups = [a + rng.normal(0.0, float(true.at(a)), 40) for a in (0.0, 0.5, 1.0, 1.5, 2.0)]
    found = noise_of([tuple(g) for g in groups], 0.0)
    assert found.absorbance == pytest.approx(5e-4, rel=0.25)
    assert found.transmittance == pytest.approx(2e-4, rel=0.25)


def test_linear_limit_by_its_definition() -> None:
    for stray in (5e-4, 2e-3, 1e-2):
        limit = linear_limit(stray, 0.01, 6.0)
        true = float(straightened(limit, stray))
        assert 1.0 - limit * (1.0 + stray) / true == pytest.approx(0.01, abs=1e-6)
    assert linear_limit(1e-6, 0.01, 1.5) == 1.5
    assert linear_limit(1e-3, 0.01, 6.0) > linear_limit(2e-3, 0.01, 6.0)


def test_nothing_is_believed_near_the_plateau() -> None:
    quiet = Noise(5e-4, 5e-5, 20)
    assert believed(1e-3, 1e-5, quiet, 0.01, 2.0) == 2.0
    far = believed(1e-3, 1e-4, quiet, 0.01, 2.9)
    assert 1.8 < far < 2.7
    assert believed(1e-3, 4e-4, quiet, 0.01, 2.9) < far
    # Readings beyond what the stray light lets through are not believed, and divide nothing by 0.
    assert believed(6e-3, 3e-4, quiet, 0.01, 2.9) < 2.2


def rows_of(stray: float, seed: int, top: float = 2.6) -> str:
    rng = np.random.default_rng(seed)
    lines = ["kind,wavelength_nm,absorbance,concentration"]
    lines += [f"blank,620,{shown(0.0, stray, rng)}," for _ in range(5)]
    for level in series(stray, rng, top):
        lines += [f"dilution,620,{value},{level.expected}" for value in level.readings]
    return "\n".join(lines) + "\n"


def test_certificate_corrects_readings(tmp_path: Path) -> None:
    certificate = made(tmp_path, rows_of(3e-3, 71))
    path = tmp_path / "p.json"
    write_certificate(certificate, path)
    certificate = read_certificate(path)
    low, high = certificate.quantity("stray light at 620 nm", "1").interval()
    assert low < 3e-3 < high
    true = np.array([0.1, 1.0, 1.8, 2.1])
    straight, saturated = corrected(bent(true, 3e-3), certificate, 620.0)
    assert np.allclose(straight, true, rtol=0.01)
    assert not saturated.any()
    # By hand: the line ends where 1 % is lost.
    limit = certificate.quantity("linear limit at 620 nm", "1")
    assert limit.value == pytest.approx(linear_limit(3e-3, 0.01, 3.0), abs=0.05)
    assert limit.standard_uncertainty > 0.0
    top = highest_absorbance(certificate, 625.0)
    capped, saturated = corrected([top + 0.2, 9.0], certificate, 620.0)
    assert saturated.all()
    assert np.isfinite(capped).all()
    with pytest.raises(CalibrationProblem, match="not for 530 nm"):
        calibrated_wavelength(certificate, 530.0)


def test_nothing_is_claimed_beyond_the_readings(tmp_path: Path) -> None:
    certificate = made(tmp_path, rows_of(1e-4, 72, top=1.2))
    assert certificate.quantity("linear limit at 620 nm", "1").value < 1.21
    assert highest_absorbance(certificate, 620.0) < 1.21
    assert any("nothing higher was read" in text for text in certificate.remarks)


def test_another_curvature_is_said(tmp_path: Path) -> None:
    rows = ["kind,wavelength_nm,absorbance,concentration", *["blank,620,0.000,"] * 3]
    for c in DILUTIONS:
        rows += [f"dilution,620,{1.5 * c + 0.1 * np.sin(9 * c) + d:.4f},{c}" for d in (0, 0.001)]
    assert any("does not describe" in t for t in made(tmp_path, "\n".join(rows)).remarks)


def test_wavelength_scale(tmp_path: Path) -> None:
    peaks = "".join(
        f'# [[peak]]\n# filter = "holmium"\n# nominal_nm = {n}\n# read_nm = {n + d}\n'
        for n, d in ((453.4, 0.5), (536.4, 0.7), (637.5, 0.6))
    )
    certificate = made(tmp_path, rows_of(1e-3, 73), HEAD + peaks)
    assert certificate.quantity("wavelength offset", "nm").value == pytest.approx(0.6)
    bare = made(tmp_path, rows_of(1e-3, 73))
    assert any("not checked" in text for text in bare.remarks)


def test_bench_sheet() -> None:
    certificate = certificate_from_sheet(read_sheet(BENCH / "photometer.csv", TODAY))
    for nm, stray in ((530, 8e-4), (620, 1.5e-3)):
        low, high = certificate.quantity(f"stray light at {nm} nm", "1").interval()
        assert low < stray < high


BLANKS = "kind,wavelength_nm,absorbance,concentration\n" + "blank,620,0.001,\n" * 3


def diluted(pairs: list[tuple[float, float]]) -> str:
    return BLANKS + "".join(f"dilution,620,{a},{c}\n" for a, c in pairs)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("kind,wavelength_nm,absorbance\nblank,620,0.001\n", "holds 1 reading"),
        (
            BLANKS.replace("blank,620,0.001,\n" * 3, "blank,620,0.001,\n")
            + "".join(f"dilution,620,{v},{v}\n" for v in (0.1, 0.2, 0.3, 0.4, 0.5)),
            "1 blank reading.s.",
        ),
        (BLANKS + "dilution,620,0.5,0.5\n" * 3, "1 dilution.s. above zero"),
        (BLANKS.replace("0.001", "99.8") * 1 + BLANKS[-17:] * 4, "row 8.*per cent of transm"),
        (BLANKS.replace("0.001", "0.998") + "blank,620,1,\n" * 4, "0.998, which looks like transm"),
        (diluted([(50.1, 0.3)] * 4), "row 11, absorbance is 50.1.*here 0.300"),
        (diluted([(0.9, 0.1), (0.5, 0.4), (0.4, 0.6), (0.3, 0.8), (0.2, 1.0)]), "do not rise"),
        (diluted([(0.2, 10), (0.4, 20), (0.6, 30), (0.8, 40), (1.0, 50)]), "per cent.*0.1"),
        (
            diluted([(0.2, 0.41), (0.4, 0.82), (0.6, 1.23), (0.8, 1.61), (1.0, 2.01)]),
            "concentration is 1.23.*swapped",
        ),
        (
            diluted([(0.201, 0.181), (0.401, 0.362), (0.601, 0.543), (0.801, 0.724), (1.001, 0.9)]),
            "look like dilutions.*swapped",
        ),
        (
            BLANKS.replace("concentration", "nominal_absorbance")
            + "".join(f"filter,620,0.5,{v}\n" for v in (0.1, 0.2, 0.3, 0.4, 0.5)),
            "nominal_uncertainty is missing",
        ),
        (diluted([(0.2, 0.1)] * 4).replace("620", "6.2"), "wavelength_nm is 6.2"),
    ],
)
def test_bad_sheets(tmp_path: Path, rows: str, words: str) -> None:
    import re

    with pytest.raises(CalibrationProblem) as caught:
        made(tmp_path, rows)
    assert re.search(words, str(caught.value)), str(caught.value)


def test_swapped_nominal_and_read_values(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    lines = ["kind,wavelength_nm,absorbance,nominal_absorbance,nominal_uncertainty"]
    lines += ["blank,620,0.000,,", "blank,620,0.001,,", "blank,620,0.000,,"]
    for nominal in (0.3, 0.5, 1.0, 1.5, 2.0, 2.5):
        lines += [f"filter,620,{nominal},{shown(nominal, 3e-3, rng)},0.004"] * 2
    with pytest.raises(CalibrationProblem, match="swapped"):
        made(tmp_path, "\n".join(lines))


def test_date_in_the_future(tmp_path: Path) -> None:
    with pytest.raises(CalibrationProblem, match="certificate, date is 2027-10-05"):
        made(tmp_path, rows_of(1e-3, 74), HEAD.replace("2026-10", "2027-10"))
