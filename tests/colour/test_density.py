"""From pictures to densities and from densities to points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import solve_ivp
from skimage.color import rgb2lab

from endpoint.colour.density import (
    UNSHARE,
    PixelReading,
    PixelSet,
    colours_of,
    lab_and_rgb,
    mean_hue_deg,
    measure,
    trace,
)
from endpoint.colour.linear_light import to_encoded_srgb, to_linear
from endpoint.curve.gathering import from_colour
from endpoint.curve.unmix import unmix
from endpoint.delivery.delivery import Delivery
from endpoint.problems import Flag
from endpoint.recording.frame import ArrayFrame, Box
from endpoint.scene.region import locate

# IEC 61966-2-1 as computed by colour-science 0.4.7 (eotf_sRGB): code / 255 -> linear.
SRGB_CODES = [(0, 0.0), (10, 0.0030352698), (64, 0.0512694584), (128, 0.2158605001), (255, 1.0)]
# CIELAB (D65, 2 degree observer) of 8-bit sRGB, colour-science 0.4.7: name, RGB, L, a, b.
LAB = [
    ((128, 0, 64), 26.621, 50.9653, 0.5082),
    ((96, 48, 112), 28.8267, 33.0214, -28.2008),
    ((0, 64, 128), 27.3663, 9.1216, -41.0126),
]


@pytest.mark.parametrize(("code", "linear"), SRGB_CODES)
def test_srgb_curve(code: int, linear: float) -> None:
    assert to_linear(np.array(code / 255.0)) == pytest.approx(linear, abs=1e-9)
    assert to_encoded_srgb(np.array(linear)) == pytest.approx(code / 255.0, abs=1e-6)


def test_bt709_and_linear_curves() -> None:
    # ITU-R BT.709: V = 1.099 L^0.45 - 0.099, 4.5 L below 0.018.
    light = np.array([0.005, 0.018, 0.18, 0.9])
    coded = np.where(light < 0.018, 4.5 * light, 1.099 * light**0.45 - 0.099)
    assert to_linear(coded, "bt709") == pytest.approx(light, rel=2e-3)
    assert to_linear(light, "linear") == pytest.approx(light)
    with pytest.raises(ValueError, match="unknown"):
        to_linear(light, "film")


@pytest.mark.parametrize(("rgb", "lightness", "a", "b"), LAB)
def test_hue_is_that_of_cielab(
    rgb: tuple[int, int, int], lightness: float, a: float, b: float
) -> None:
    density = -np.log10(to_linear(np.array([rgb]) / 255.0) + 1e-9)
    hue, chroma, shown = lab_and_rgb(density)
    assert hue[0] == pytest.approx(np.degrees(np.arctan2(b, a)) % 360.0, abs=0.3)
    assert chroma[0] == pytest.approx(np.hypot(a, b), abs=0.3)
    assert np.abs(shown[0].astype(int) - rgb).max() <= 1
    assert rgb2lab(np.array([[rgb]]) / 255.0)[0, 0, 0] == pytest.approx(lightness, abs=0.05)


def test_circular_mean_passes_north() -> None:
    assert mean_hue_deg(np.array([350.0, 10.0])) % 360.0 == pytest.approx(0.0, abs=1e-9)
    assert mean_hue_deg(np.array([350.0, 352.0])) == pytest.approx(351.0)


def bench(
    red: float, green: float, blue: float, gain: float = 1.0, tint: float = 0.0
) -> np.ndarray:
    """Flat drawing: liquid of given linear light in a vessel before a grey wall, white card."""
    picture = np.full((240, 320, 3), 0.35)
    picture[170:, :] = 0.22
    for y in range(90, 200):
        half = int(18 + (y - 90) * 0.42)
        picture[y, 160 - half : 160 + half] = 0.38
        picture[y, [160 - half, 160 + half - 1]] = 0.1
        if y >= 150:
            picture[y, 162 - half : 158 + half] = (red, green, blue)
    picture[150:205, 240:300] = 0.8
    light = picture * gain * np.array([1 + tint, 1.0, 1 - tint])
    return to_encoded_srgb(light).astype(np.float32)


def frames_of(forms: list[tuple[float, float, float]], **light: float) -> list[ArrayFrame]:
    rng = np.random.default_rng(1)
    out = []
    for k, form in enumerate(forms):
        noise = 0.003 * rng.standard_normal((240, 320, 3))
        out.append(ArrayFrame(k, float(k), (bench(*form, **light) + noise).clip(0, 1)))
    return out


RED = (0.42, 0.12, 0.22)
BLUE = (0.12, 0.26, 0.48)


def test_density_does_not_feel_exposure_and_white_balance() -> None:
    frames = frames_of([RED] * 4 + [BLUE] * 4)
    region = locate(frames)
    plain = measure(frames[0], region)
    for light in ({"gain": 0.6}, {"gain": 1.15}, {"tint": 0.05}):
        changed = measure(frames_of([RED], **light)[0], region)
        # The mixing back of channels makes a tint of 5 % cancel to second order only.
        assert changed.density == pytest.approx(plain.density, abs=0.012)


def test_density_is_that_of_the_light() -> None:
    frames = frames_of([RED] * 4 + [BLUE] * 4)
    region = locate(frames)
    wanted = -np.log10(UNSHARE @ np.array(RED) / 0.8)
    assert measure(frames[0], region).density == pytest.approx(wanted, abs=0.01)


def test_grey_stays_grey_when_channels_are_mixed_back() -> None:
    assert UNSHARE.sum(axis=1) == pytest.approx(np.ones(3))


def test_clipped_reference_and_dark_picture_are_flagged() -> None:
    frames = frames_of([RED] * 4 + [BLUE] * 4)
    region = locate(frames)
    assert measure(frames_of([RED], gain=1.6)[0], region).flags & Flag.CLIPPED
    assert measure(frames_of([RED], gain=0.004)[0], region).flags & Flag.DARK


def test_reference_and_liquid_given_by_hand() -> None:
    frames = frames_of([RED] * 3)
    region = locate(frames, Box(150, 165, 175, 190), Box(250, 160, 290, 195))
    wanted = -np.log10(UNSHARE @ np.array(RED) / 0.8)
    assert measure(frames[0], region).density == pytest.approx(wanted, abs=0.01)


@pytest.mark.parametrize("depth", ["uint8", "float32"])
def test_frames_measured_together_are_those_measured_one_by_one(depth: str) -> None:
    frames = frames_of([RED] * 4 + [BLUE] * 4)
    if depth == "uint8":
        # One frame is stored otherwise than its neighbours.
        frames[3:4] = [ArrayFrame(f.index, f.time_s, f.rgb8()) for f in frames[3:4]]
    region = locate(frames)
    sight = PixelSet.of(region)
    together = colours_of([PixelReading.of(frame, sight) for frame in frames], sight)
    for sample, frame in zip(together, frames, strict=True):
        alone = measure(frame, region)
        assert (sample.index, sample.time_s, sample.flags) == (frame.index, frame.time_s, 0)
        assert sample.density == pytest.approx(alone.density, abs=1e-9)
        assert sample.reference == pytest.approx(alone.reference, abs=1e-9)
        liquid, white = (
            to_linear(frame.encoded(box)[mask])
            for box, mask in (
                (region.liquid_box, region.liquid_mask),
                (region.reference_box, region.reference_mask),
            )
        )
        levels = [stats.trim_mean(light @ UNSHARE.T, 0.1) for light in (liquid, white)]
        assert sample.density == pytest.approx(-np.log10(levels[0] / levels[1]), abs=0.002)


def test_trace_cannot_be_written() -> None:
    frames = frames_of([RED] * 4 + [BLUE] * 4)
    region = locate(frames)
    whole = trace(measure(frame, region) for frame in frames)
    assert whole.density.shape == (8, 3)
    with pytest.raises(ValueError, match="read-only"):
        whole.density[0, 0] = 1.0


def test_unmixing_undoes_dilution_and_ignores_common_light() -> None:
    volume = np.linspace(0.0, 20.0, 41)
    f = np.clip((volume - 12.0) / 4.0, 0.0, 1.0)
    red, blue = np.array([0.1, 0.5, 0.3]), np.array([0.6, 0.3, 0.1])
    density = ((1 - f)[:, None] * red + f[:, None] * blue) / (1 + volume / 100.0)[:, None]
    sigma = np.full_like(density, 0.001)
    signal, *_ = unmix(volume, density, sigma, 100.0)
    assert signal == pytest.approx(f, abs=1e-9)
    passing = (volume > 5.0) & (volume < 15.0)
    shaken, *_ = unmix(volume, density + 0.02 * passing[:, None], sigma, 100.0)
    # The red channel alone would move by 0.02 times the dilution over 0.5.
    assert np.max(np.abs(shaken - f)) < 0.02 * 1.15 / 0.5


def test_frames_while_mixing_and_while_pouring_are_set_aside() -> None:
    # 0.5 mL steps every 12 s, each poured in the 1.2 s before its row; mixing 1 s.
    rows = np.arange(0.0, 10.5, 0.5)
    times = 12.0 * np.arange(rows.size, dtype=float)
    true = Delivery(
        "continuous", np.sort(np.r_[times, times[1:] - 1.2]), np.sort(np.r_[rows, rows[:-1]])
    )
    moment = np.arange(0.0, 12.0 * rows.size, 0.2)
    solved = solve_ivp(
        lambda t, y: true.volume_at(t) - y, (0.0, moment[-1]), [0.0], t_eval=moment, max_step=0.05
    )
    f = np.clip(solved.y[0] / 10.0, 0.0, 1.0)
    density = (1 - f)[:, None] * np.array([0.1, 0.5, 0.3]) + f[:, None] * np.array([0.6, 0.3, 0.1])
    from endpoint.colour.density import ColourSample

    samples = [
        ColourSample(k, float(t), tuple(d), tuple(d), (1e-4,) * 3, (0.8,) * 3, 0.0, Flag.NONE)
        for k, (t, d) in enumerate(zip(moment, density, strict=True))
    ]
    curve = from_colour(trace(samples), Delivery("steps", times, rows), 100.0, 1.0)
    assert len(curve) == rows.size
    assert curve.volume_ml == pytest.approx(rows)
    wanted = rows / 10.0
    got = (curve.density[:, 0] - 0.1) / 0.5
    assert got == pytest.approx(wanted, abs=0.003)
    assert (curve.frame_flags & int(Flag.MIXING)).astype(bool).sum() > 0.3 * moment.size

    # A plume looks like a flask that moved: told as mixing; one that stays away is not.
    for first_s, last_s, told in ((24.2, 26.0, Flag.MIXING), (24.2, 31.0, Flag.CAMERA_MOVED)):
        moved = [
            replace(s, flags=Flag.CAMERA_MOVED) if first_s <= s.time_s <= last_s else s
            for s in samples
        ]
        seen = from_colour(trace(moved), Delivery("steps", times, rows), 100.0, 1.0)
        within = (moment >= first_s) & (moment <= last_s)
        assert (seen.frame_flags[within] == int(told)).all()
