"""Camera certificates: known tone curves, drift and matrix are found again; bad sheets."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from calibration.certificate import Certificate, read_certificate, write_certificate
from calibration.instruments.camera import certificate_from_sheet, linear_from_encoded
from calibration.instruments.tone import Step, Tone, bt709, fit_tone, interpolate, srgb
from calibration.problem import CalibrationProblem
from calibration.sheet import read_sheet
from sample_media.camera_target import (
    MIX,
    WEDGE_DENSITIES,
    MadeCamera,
    chart_scene,
    grey_scene,
    wedge_scene,
)
from tests.places import BENCH

FloatArray = NDArray[np.float64]
TODAY = datetime.date(2026, 11, 25)
HEAD = """format = 1
[certificate]
id = "C-1"
what = "Camera 1"
date = 2026-10-05
operator = "KT"
"""
LIGHT = np.linspace(0.0, 1.0, 200_001)
WEDGE = f"""[wedge]
picture = "wedge.png"
densities = {list(WEDGE_DENSITIES)}
first_box = [35, 45, 30, 70]
last_box = [635, 45, 30, 70]
"""


def made(tmp_path: Path, body: str) -> Certificate:
    path = tmp_path / "camera.toml"
    path.write_text(HEAD + body, encoding="utf-8")
    return certificate_from_sheet(read_sheet(path, TODAY))


def save(tmp_path: Path, name: str, scene: FloatArray, camera: MadeCamera, seed: int) -> None:
    rng = np.random.default_rng(seed)
    Image.fromarray(camera.picture(scene, rng)).save(tmp_path / name)


# --- tone curve -----------------------------------------------------------------------------------


def srgb_encode(light: FloatArray) -> FloatArray:
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def bt709_encode(light: FloatArray) -> FloatArray:
    return np.where(light < 0.018, 4.5 * light, 1.099 * light**0.45 - 0.099)


def s_curve(light: FloatArray) -> FloatArray:
    x = srgb_encode(light)
    return x + 0.25 * x * (1 - x) * (2 * x - 1)


CURVES: dict[str, Callable[[FloatArray], FloatArray]] = {
    "sRGB": srgb_encode,
    "BT.709": bt709_encode,
    "gamma 2.2": lambda light: light ** (1 / 2.2),
    "shoulder": MadeCamera().encoded,
    "s-curve": s_curve,
}


def wedge_steps(encode: Callable[[FloatArray], FloatArray], seed: int) -> list[Step]:
    """Three channels of a wedge whose densities are known to 0.005."""
    rng = np.random.default_rng(seed)
    wrong = rng.normal(0.0, 0.005, len(WEDGE_DENSITIES))
    steps = []
    for channel, light in (("red", 0.95), ("green", 0.90), ("blue", 0.80)):
        for density, off in zip(WEDGE_DENSITIES, wrong, strict=True):
            e = float(encode(np.array(light * 10.0 ** -(density + off)))) + rng.normal(0.0, 5e-4)
            steps.append(Step(channel, -density, 0.005, e, 5e-4))
    return steps


def density_error(tone: Tone, encode: Callable[[FloatArray], FloatArray]) -> float:
    """Largest error of a density between two levels in the range that was read."""
    e = np.linspace(tone.lowest, tone.highest, 300)
    true = np.log10(np.interp(e, encode(LIGHT), LIGHT))
    return float(np.ptp(np.log10(tone.to_linear(e)) - true))


@pytest.mark.parametrize("seed", [901, 902, 903])
@pytest.mark.parametrize("name", CURVES)
def test_known_tone_curves_are_found(name: str, seed: int) -> None:
    encode = CURVES[name]
    tone = fit_tone(wedge_steps(encode, seed))
    # Densities of the wedge are wrong by 0.005 (standard); over 1.8 density that may add up.
    assert density_error(tone, encode) < 0.025
    e = np.linspace(tone.lowest, tone.highest, 300)
    true = np.log10(np.interp(e, encode(LIGHT), LIGHT))
    for curve, linear in (("sRGB", srgb), ("BT.709", bt709)):
        assert tone.deviation[curve] == pytest.approx(
            float(np.ptp(np.log10(linear(e)) - true)), abs=0.025
        )
    x = np.linspace(0.0, 1.0, 4001)
    assert np.all(np.diff(tone.to_linear(x)) > 0.0)
    assert tone.to_linear([0.0, 1.0, -0.1, 1.1]).tolist() == [0.0, 1.0, 0.0, 1.0]


def test_standard_curves_at_published_values() -> None:
    # IEC 61966-2-1: code 188 is about 0.5028 of the light; ITU-R BT.709: E' = 0.5 is 0.2597.
    assert float(srgb(188 / 255)) == pytest.approx(0.50289, abs=1e-4)
    assert float(bt709(0.5)) == pytest.approx((0.599 / 1.099) ** (1 / 0.45))
    assert float(srgb(0.04)) == pytest.approx(0.04 / 12.92)


def test_table_keeps_dark_densities() -> None:
    """65 rows are enough: sRGB through its own table, down to 2.5 density."""
    x = np.linspace(0.0, 1.0, 65)
    e = np.linspace(0.04, 1.0, 2000)
    assert np.abs(np.log10(interpolate(x, srgb(x), e) / srgb(e))).max() < 0.002


def test_contradicting_steps_give_no_curve() -> None:
    steps = wedge_steps(srgb_encode, 904)
    worse = [Step(s.group, -2.0 * s.log_light, 0.005, s.encoded, 5e-4) for s in steps]
    with pytest.raises(ValueError, match="does not rise"):
        fit_tone(worse)


# --- certificates from pictures -------------------------------------------------------------------


def wedge_error(certificate: Certificate, camera: MadeCamera) -> float:
    response = certificate.details["response"]
    e = np.linspace(response["lowest"], response["highest"], 300)
    true = np.log10(np.interp(e, camera.encoded(LIGHT), LIGHT))
    return float(np.ptp(np.log10(linear_from_encoded(e, certificate)) - true))


@pytest.mark.parametrize("shoulder", [0.0, 0.8])
@pytest.mark.parametrize("seed", [911, 912])
def test_wedge_in_one_picture(tmp_path: Path, shoulder: float, seed: int) -> None:
    camera = MadeCamera(shoulder=shoulder)
    save(tmp_path, "wedge.png", wedge_scene(), camera, seed)
    certificate = made(tmp_path, WEDGE)
    assert wedge_error(certificate, camera) < 0.02
    follows = any("follows sRGB within" in text for text in certificate.remarks)
    assert follows == (shoulder == 0.0)
    path = tmp_path / "c.json"
    write_certificate(certificate, path)
    again = read_certificate(path)
    assert np.array_equal(
        linear_from_encoded(np.linspace(0, 1, 50).reshape(5, 10), again),
        linear_from_encoded(np.linspace(0, 1, 50).reshape(5, 10), certificate),
    )


def test_overexposed_steps_are_left_out(tmp_path: Path) -> None:
    camera = MadeCamera()
    save(tmp_path, "wedge.png", wedge_scene(light=2.2), camera, 913)
    certificate = made(tmp_path, WEDGE)
    # 2.2 times 10 ** -density reaches 1 at 0.34: three steps, with those near to it.
    assert any(re.match(r"[34] step\(s\) are clipped", t) for t in certificate.remarks)
    assert wedge_error(certificate, camera) < 0.02


def exposures(tmp_path: Path, camera: MadeCamera, times: list[str]) -> str:
    body = "[series]\nbox = [60, 45, 40, 30]\n"
    for k in range(8):
        save(tmp_path, f"e{k}.png", grey_scene(min(0.01 * 1.8**k, 1.0)), camera, 920 + k)
        body += f'[[exposure]]\npicture = "e{k}.png"\nexposure_s = {times[k]}\n'
    return body


def test_exposure_series(tmp_path: Path) -> None:
    camera = MadeCamera(shoulder=0.6)
    times = [f"{1.8**k / 1000:.6f}" for k in range(8)]
    certificate = made(tmp_path, exposures(tmp_path, camera, times))
    assert certificate.details["response"]["from"] == "exposure series"
    assert wedge_error(certificate, camera) < 0.03


def test_drift_of_the_white_balance(tmp_path: Path) -> None:
    body = ""
    for k, gains in enumerate(((1.0, 1.0, 1.0), (1.02, 1.0, 0.97), (1.06, 1.0, 0.91))):
        save(tmp_path, f"g{k}.png", grey_scene(), MadeCamera(0.0, gains=gains), 930 + k)
        body += f'[[grey]]\npicture = "g{k}.png"\nbox = [50, 35, 60, 50]\n'
    certificate = made(tmp_path, body)
    change = np.log10([1.06, 1.0, 0.91])
    change -= change.mean()
    drift = certificate.quantity("white balance drift", "1")
    assert drift.value == pytest.approx(np.abs(change).max(), abs=0.002)
    assert np.allclose(certificate.details["grey"]["tint"][-1], -change, atol=0.002)
    assert any("divided by its own reference patch" in text for text in certificate.remarks)


def test_steady_white_balance_is_said_to_hold(tmp_path: Path) -> None:
    body = ""
    for k, level in enumerate((0.45, 0.30)):
        save(tmp_path, f"g{k}.png", grey_scene(level), MadeCamera(0.0), 940 + k)
        body += f'[[grey]]\npicture = "g{k}.png"\nbox = [50, 35, 60, 50]\n'
    assert any("balance holds" in text for text in made(tmp_path, body).remarks)


def test_clipped_and_uneven_patch(tmp_path: Path) -> None:
    y, x = np.mgrid[0:120, 0:160]
    scene = (0.9 * 10.0 ** (-0.2 * x / 160))[..., None] * np.ones(3)
    scene[:40] = 1.5
    save(tmp_path, "p.png", scene, MadeCamera(0.0), 950)
    clipped = made(tmp_path, '[patch]\npicture = "p.png"\nbox = [0, 0, 160, 60]\n')
    assert any(re.match("6[5-9] % of the patch", text) for text in clipped.remarks)
    slanted = made(tmp_path, '[patch]\npicture = "p.png"\nbox = [0, 60, 160, 60]\n')
    assert slanted.quantity("patch unevenness", "1").value == pytest.approx(0.2, abs=0.02)
    assert any("turn the lamp" in text for text in slanted.remarks)
    assert y.shape == (120, 160)


def test_chart_without_tone_curve_says_so(tmp_path: Path) -> None:
    save(tmp_path, "chart.png", chart_scene(np.random.default_rng(9)), MadeCamera(0.0), 960)
    certificate = made(tmp_path, '[chart]\npicture = "chart.png"\nversion = "after 2014"\n')
    assert any("taken as sRGB" in text for text in certificate.remarks)
    found = np.array(certificate.details["chart"]["ratio_matrix"])
    assert np.abs(found - np.linalg.inv(MIX)).max() < 0.01
    with pytest.raises(CalibrationProblem, match="no tone curve"):
        linear_from_encoded([0.5], certificate)


def test_clipped_patches_of_a_chart_are_left_out(tmp_path: Path) -> None:
    scene = chart_scene(np.random.default_rng(9), exposure=1.3)
    save(tmp_path, "chart.png", scene, MadeCamera(0.0), 961)
    certificate = made(tmp_path, '[chart]\npicture = "chart.png"\nversion = "after 2014"\n')
    assert "white 9.5" in certificate.details["chart"]["left_out"]
    found = np.array(certificate.details["chart"]["ratio_matrix"])
    assert np.abs(found - np.linalg.inv(MIX)).max() < 0.01


def test_bench_sheet() -> None:
    certificate = certificate_from_sheet(read_sheet(BENCH / "camera.toml", TODAY))
    assert wedge_error(certificate, MadeCamera()) < 0.02
    found = np.array(certificate.details["chart"]["ratio_matrix"])
    assert np.abs(found - np.linalg.inv(MIX)).max() < 0.02
    assert certificate.quantity("colour residual", "1").value < 1.0


# --- bad sheets -----------------------------------------------------------------------------------


@pytest.fixture
def wedge(tmp_path: Path) -> Path:
    save(tmp_path, "wedge.png", wedge_scene(), MadeCamera(), 970)
    (tmp_path / "text.png").write_text("no picture", encoding="utf-8")
    return tmp_path


def test_text_and_nothing(wedge: Path) -> None:
    with pytest.raises(CalibrationProblem, match="does not name a picture"):
        made(wedge, "")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("wedge.png", "none.png", 'wedge, picture names "none.png", which does not exist'),
        ("wedge.png", "text.png", "is not a picture that can be read"),
        ("last_box = [635", "last_box = [690", "reaches beyond wedge.png, which is 700 x 160"),
        ("[35, 45, 30, 70]", "[35, 45, 3, 7]", "only 3 x 7 pixels|only 30 x 7"),
        ("[35, 45, 30, 70]", "[35, 45, 30]", "first_box holds 3 value"),
        ("0.05, 0.2,", "0.05, 60,", "number 2 of densities is 60"),
        ("densities", "reflectances", "holds 1.85, above 1"),
        ("first_box", "frist_box", "There is frist_box: write first_box instead"),
        ("[35, 45, 30, 70]\nlast_box = [635, 45, 30, 70]",
         "[635, 45, 30, 70]\nlast_box = [35, 45, 30, 70]", "first box belongs to the first"),
        ("[635, 45, 30, 70]", "[37, 45, 25, 70]", "all steps look alike"),
    ],
)  # fmt: skip
def test_bad_wedges(wedge: Path, old: str, new: str, words: str) -> None:
    assert old in WEDGE
    with pytest.raises(CalibrationProblem) as caught:
        made(wedge, WEDGE.replace(old, new))
    assert re.search(words, str(caught.value)), str(caught.value)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ('[chart]\npicture = "wedge.png"\nversion = "after 2014"\n', "no chart.*corner_middles ="),
        ('[chart]\npicture = "wedge.png"\nversion = "2014"\n', 'version is "2014"'),
        ('[chart]\npicture = "wedge.png"\nversion = "average"\ncorner_middles = [60, 50, 640, 50, '
         "640, 120, 60, 120]\n", "do not fit the chart"),
        ('[chart]\npicture = "wedge.png"\nversion = "average"\ncorner_middles = [1, 1, 1, 1, 1, 1, '
         "1, 1]\n", "do not enclose a chart"),
        ('[[grey]]\npicture = "wedge.png"\nbox = [35, 45, 30, 70]\n', "holds 1 reading"),
        ('[[exposure]]\npicture = "wedge.png"\nexposure_s = 1\n', "the table .series. is missing"),
        (WEDGE + "[series]\n", "Give one of the two"),
    ],
)  # fmt: skip
def test_bad_sheets(wedge: Path, body: str, words: str) -> None:
    with pytest.raises(CalibrationProblem) as caught:
        made(wedge, body)
    assert re.search(words, str(caught.value)), str(caught.value)


@pytest.mark.parametrize(
    ("times", "words"),
    [
        ([f"{1.8**k:.3f}" for k in range(8)], "row 4, exposure_s is 5.832 s.*looks like ms"),
        ([f"{3.9 / 1.8**k:.3f}" for k in range(8)], "0.0167 for 1/60"),
    ],
)
def test_exposures_in_another_unit(tmp_path: Path, times: list[str], words: str) -> None:
    with pytest.raises(CalibrationProblem) as caught:
        made(tmp_path, exposures(tmp_path, MadeCamera(), times))
    assert re.search(words, str(caught.value)), str(caught.value)
