"""Clock offset and mixing lag: simulated truth, coverage, bad sheets."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.certificate import Certificate, read_certificate, write_certificate
from calibration.instruments.mixing import Pause, PauseFit, TimingProblem, fit_pause, mixing_lag
from calibration.instruments.timing import certificate_from_sheet, clock_offset
from calibration.quantity import CalibrationProblem
from calibration.sheet import read_sheet
from endpoint.delivery.delivery import Delivery
from tests.places import BENCH

FloatArray = NDArray[np.float64]
TODAY = datetime.date(2026, 11, 25)
HEAD = """format = 1
[certificate]
id = "T-1"
what = "Camera 2 and pump log"
date = 2026-10-05
operator = "MR"
"""


def made(tmp_path: Path, body: str) -> Certificate:
    path = tmp_path / "timing.toml"
    path.write_text(HEAD + body, encoding="utf-8")
    return certificate_from_sheet(read_sheet(path, TODAY))


def paused_run(
    lag_s: float,
    rng: np.random.Generator,
    *,
    delay_s: float = 0.0,
    noise: float = 0.01,
    before_s: float = 10.0,
    colour: Callable[[FloatArray], FloatArray] = lambda v: 0.2 + 1.5 * v,
) -> Pause:
    """Pump at 6 mL/min, stopped at 40 s, through the tool's own model of delivery."""
    pump = Delivery("continuous", np.array([0.0, 40.0, 90.0]), np.array([0.0, 4.0, 4.0]))
    time = np.arange(40.0 - before_s, 60.0, 0.2)
    mixed = pump.mixed_volume_at(time - delay_s, lag_s)
    signal = colour(mixed) + rng.normal(0.0, noise, len(time))
    return Pause("pause", time, signal, 40.0)


@pytest.mark.parametrize("lag_s", [0.6, 1.6, 4.0])
def test_lag_is_the_mixing_time_of_the_delivery_model(lag_s: float) -> None:
    fit = fit_pause(paused_run(lag_s, np.random.default_rng(1), noise=1e-5))
    assert fit.lag_s == pytest.approx(lag_s, rel=2e-3)
    assert fit.delay_s == pytest.approx(0.0, abs=2e-3)


def test_lag_without_readings_before_the_stop() -> None:
    fit = fit_pause(paused_run(1.6, np.random.default_rng(2), noise=1e-4, before_s=0.0))
    assert fit.lag_s == pytest.approx(1.6, rel=0.01)
    assert fit.delay_s is None


def test_dead_time_is_told_from_the_lag() -> None:
    fit = fit_pause(paused_run(1.6, np.random.default_rng(3), noise=1e-4, delay_s=0.7))
    assert fit.lag_s == pytest.approx(1.6, rel=0.01)
    assert fit.delay_s == pytest.approx(0.7, abs=0.01)


@pytest.mark.parametrize("before_s", [0.0, 10.0])
@pytest.mark.parametrize("lag_s", [0.8, 2.5])
def test_coverage_of_the_lag_of_one_pause(lag_s: float, before_s: float) -> None:
    hits = 0
    for seed in range(1000, 1120):
        rng = np.random.default_rng(seed)
        pause = paused_run(lag_s, rng, noise=0.006, before_s=before_s)
        quantity, _ = mixing_lag([fit_pause(pause)], "T-1")
        low, high = quantity.interval()
        hits += low <= lag_s <= high
    # 95 % of 120 is 114, standard deviation 2.4; the prior knowledge of the bend adds to it.
    assert hits >= 108


def test_coverage_with_neighbouring_readings_that_scatter_alike() -> None:
    hits = 0
    for seed in range(1000, 1100):
        rng = np.random.default_rng(seed)
        pause = paused_run(1.6, rng, noise=0.0)
        drifting = np.zeros(len(pause.time_s))
        for k in range(1, len(drifting)):
            drifting[k] = 0.6 * drifting[k - 1] + rng.normal(0.0, 0.005)
        quantity, _ = mixing_lag(
            [fit_pause(Pause("pause", pause.time_s, pause.signal + drifting, 40.0))], "T-1"
        )
        low, high = quantity.interval()
        hits += low <= 1.6 <= high
    assert hits >= 89


def test_coverage_of_the_next_run_when_lags_differ() -> None:
    hits = 0
    for seed in range(1000, 1200):
        rng = np.random.default_rng(seed)
        lags = rng.normal(2.0, 0.3, 5)
        fits = [PauseFit(float(rng.normal(v, 0.1)), 0.1, 50.0, None, 0.0, 1.0, 0.01) for v in lags]
        quantity, scatter = mixing_lag(fits, "T-1")
        low, high = quantity.interval()
        hits += low <= rng.normal(2.0, 0.3) <= high
        assert scatter is not None
    assert 182 <= hits <= 199


def test_bend_of_the_colour_curve_biases_little() -> None:
    """Near the endpoint the colour is a curve of the volume; the lag is then only about right."""
    fit = fit_pause(
        paused_run(
            1.6,
            np.random.default_rng(4),
            noise=1e-4,
            colour=lambda v: 0.5 + 0.5 * np.tanh((v - 4.1) / 0.4),
        )
    )
    assert fit.lag_s == pytest.approx(1.6, rel=0.25)


@pytest.mark.parametrize("n", [2, 5, 12])
def test_coverage_of_the_clock_offset(n: int) -> None:
    hits = 0
    for seed in range(2000, 2300):
        rng = np.random.default_rng(seed)
        true = rng.uniform(-30, 30)
        log = np.sort(rng.uniform(0, 50, n))
        camera = np.round((log + true) * 25.0) / 25.0
        found = clock_offset(camera, np.round(log), 0.04, 1.0, "T-1")
        low, high = found.offset.interval()
        hits += low <= true <= high
        assert found.drift is None
    # Rounding is not normal: intervals may be too wide, but not too narrow.
    assert hits >= 278


def test_drift_is_found_and_its_interval_covers() -> None:
    hits = 0
    for seed in range(3000, 3200):
        rng = np.random.default_rng(seed)
        log = np.sort(rng.uniform(0, 3600, 8))
        camera = 12.0 + log * (1.0 + 5e-4) + rng.normal(0.0, 0.2, 8)
        found = clock_offset(camera, log, 0.0, 0.0, "T-1")
        assert found.drift is not None
        low, high = found.drift.interval()
        hits += low <= 5e-4 <= high
        assert abs(found.offset.value - (12.0 + 5e-4 * found.middle_s)) < 0.5
    assert 180 <= hits <= 200


def test_events_rounded_alike_gain_nothing_from_a_mean() -> None:
    found = clock_offset([11.0, 21.0, 31.0], [1.0, 11.0, 21.0], 0.0, 1.0, "T-1")
    assert found.offset.value == 10.0
    assert found.offset.standard_uncertainty == pytest.approx(1.0 / np.sqrt(12.0))


def test_certificate_goes_through_a_file(tmp_path: Path) -> None:
    pause = paused_run(1.6, np.random.default_rng(5))
    body = f"""[clocks]
camera_resolution_s = 0.04
log_resolution_s = 1
log_rounding = "down"
[[event]]
camera_s = 12.0
log_s = 1
[[event]]
camera_s = 40.9
log_s = 30
[[pause]]
stop_s = 28.5
stop_clock = "log"
time_s = {pause.time_s.tolist()}
signal = {pause.signal.tolist()}
"""
    certificate = made(tmp_path, body)
    # Mean difference 10.95 s less half a step of a clock that cuts off.
    assert certificate.quantity("clock offset", "s").value == pytest.approx(10.45)
    assert certificate.quantity("mixing lag", "s").value == pytest.approx(1.6, abs=0.2)
    # The stop was 38.95 s on the camera's clock, the colour answered for 40 s.
    assert certificate.quantity("delay", "s").value == pytest.approx(1.05, abs=0.2)
    assert any("answered" in text for text in certificate.remarks)
    path = tmp_path / "t.json"
    write_certificate(certificate, path)
    assert read_certificate(path) == certificate


def test_pause_from_a_table_of_the_tool(tmp_path: Path) -> None:
    pause = paused_run(1.6, np.random.default_rng(7), before_s=30.0)
    rows = [f"1.0,{t:.3f},{s:.5f}," for t, s in zip(pause.time_s, pause.signal, strict=True)]
    text = "\n".join(["volume_ml,time_s,density_red,flags", *rows, "1.0,,,", "1.0,61,,lost"])
    (tmp_path / "curve.csv").write_text(text, encoding="utf-8")
    body = '[[pause]]\nstop_s = 40\ntable = "curve.csv"\nfrom_s = 30\n'
    certificate = made(tmp_path, body)
    low, high = certificate.quantity("mixing lag", "s").interval()
    assert low < 1.6 < high
    assert len(certificate.readings["pause 1 time_s"]) == 150
    for change, words in (
        ('column = "density_rad"\n', "Is density_red meant"),
        ('column = "flags"\n', "row 253 holds something other"),
        ("until_s = 30.5\n", "3 reading"),
    ):
        with pytest.raises(CalibrationProblem, match=words):
            made(tmp_path, body + change)
    with pytest.raises(CalibrationProblem, match="cannot be read"):
        made(tmp_path, body.replace("curve.csv", "none.csv"))


def test_bench_sheet() -> None:
    certificate = certificate_from_sheet(read_sheet(BENCH / "timing.csv", TODAY))
    assert certificate.kind == "timing"
    low, high = certificate.quantity("mixing lag", "s").interval()
    assert low < 1.8 < high
    low, high = certificate.quantity("clock offset", "s").interval()
    assert low < 7.3 < high


TIMES = "time_s = [0, 1, 2, 3, 4, 5, 6, 7]\n"


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("", "neither events nor a pause"),
        ("[[event]]\ncamera_s = 1\nlog_s = 2\n", "holds 1 reading(s)"),
        ("[[event]]\ncamera_s = 1\nlog = 2\n", "holds 1"),
        ("[[event]]\ncamera_s = 1\nlog = 2\n[[event]]\ncamera_s = 1\nlog = 2\n", "log_s is mis"),
        (
            "[[event]]\ncamera_s=1\nlog_s=2\n[[event]]\ncamera_s=11\nlog_s=12\n"
            "[[event]]\ncamera_s=51\nlog_s=2\n",
            "event, row 3, camera_s is 51 s",
        ),
        (f"[[pause]]\nstop_s = 2\n{TIMES}signal = [1]\n", "holds 1 value(s)"),
        (f"[[pause]]\nstop_s = 2\n{TIMES}signal = [1,2,3,4,5,6]\n", "holds 6 values"),
        (f"[[pause]]\nstop_s = 2000\n{TIMES}signal = [1,2,3,4,5,6,6,6]\n", "in seconds"),
        (f"[[pause]]\nstop_s = 0\n{TIMES}signal = [1,1,1,1,1,1,1,1]\n", "does not settle"),
        (f"[[pause]]\nstop_s = 0\n{TIMES}signal = [1,2,3,4,5,6,7,8]\n", "settle|still moves"),
        (
            "[[pause]]\nstop_s = 0.5\nsignal = [0, 1, 2, 3, 4, 5, 6, 7]\n"
            "time_s = [0.9,0.5,0.4,0.3,0.2,0.1,0.1,0.1]\n",
            "swapped",
        ),
        (f'[[pause]]\nstop_s = 0\nstop_clock = "log"\n{TIMES}signal = [1]\n', "Add ..event.."),
        ("[[event]]\ncamera_s=1\nlog_s=2\n[clock]\n", "holds 1"),
    ],
)
def test_bad_sheets(tmp_path: Path, body: str, words: str) -> None:
    import re

    with pytest.raises(CalibrationProblem) as caught:
        made(tmp_path, body)
    text = str(caught.value)
    assert re.search(words.replace("(s)", r"\(s\)"), text), text
    assert "nan" not in text.lower().split()


def test_unclear_pause_is_refused() -> None:
    with pytest.raises(TimingProblem, match="settle"):
        fit_pause(paused_run(1.6, np.random.default_rng(6), noise=3.0))
