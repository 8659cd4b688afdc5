"""Colour chart: reference values, finding it, and the matrix of a camera that is known."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.instruments.chart import (
    SRGB_TO_XYZ,
    VERSIONS,
    find_patches,
    fit_matrix,
    lab_of_xyz,
    measure_patches,
    patch_names,
    patches_from_middles,
    reference_lab,
    reference_srgb,
    xyz_of_lab,
)
from calibration.instruments.pictures import Picture
from sample_media.camera_target import CORNERS, MIX, MadeCamera, bench, chart_scene
from tests.places import reference

REFERENCE = {name: entry["values"] for name, entry in reference("chart").items()}
ALL = np.ones(24, dtype=bool)
LIGHT = np.linspace(0.0, 1.0, 20_001)


def taken(camera: MadeCamera, seed: int, **scene: Any) -> Picture:
    rng = np.random.default_rng(seed)
    return Picture("made", camera.picture(chart_scene(rng, **scene), rng), 1)


def test_reference_colours_as_srgb_codes() -> None:
    linear = np.clip(reference_srgb("average"), 0.0, 1.0)
    codes = 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    for row, code in zip(REFERENCE["colorchecker-srgb-computed"], codes, strict=True):
        assert patch_names()[row[0] - 1] == row[1]
        assert np.abs(code - row[2:5]).max() <= 1.0, row[1]


def test_average_chart_from_its_chromaticities() -> None:
    white = np.array([0.34570 / 0.35854, 1.0, (1 - 0.34570 - 0.35854) / 0.35854])
    for row, lab in zip(REFERENCE["colorchecker-babel-xyY"], reference_lab("average"), strict=True):
        x, y, luminance = row[2:5]
        xyz = np.array([[x / y, 1.0, (1 - x - y) / y]]) * luminance
        assert np.allclose(lab_of_xyz(xyz, white)[0], lab, atol=0.01), row[1]


@pytest.mark.parametrize("version", VERSIONS)
def test_lab_there_and_back(version: str) -> None:
    white = SRGB_TO_XYZ.sum(axis=1)
    assert np.allclose(lab_of_xyz(xyz_of_lab(reference_lab(version), white), white),
                       reference_lab(version))  # fmt: skip


def test_library_gives_published_ciede2000() -> None:
    from skimage import color

    difference: Any = color.deltaE_ciede2000
    rows = np.array(REFERENCE["ciede2000-sharma"])
    assert np.allclose(difference(rows[:, :3], rows[:, 3:6]), rows[:, 6], atol=1e-4)


TURNED = (CORNERS[2], CORNERS[3], CORNERS[0], CORNERS[1])
SMALL = ((350.0, 200.0), (550.0, 205.0), (548.0, 340.0), (352.0, 335.0))


@pytest.mark.parametrize(
    ("corners", "uneven"), [(CORNERS, 0.25), (CORNERS, 0.6), (TURNED, 0.25), (SMALL, 0.25)]
)
def test_chart_is_found(corners: tuple[tuple[float, float], ...], uneven: float) -> None:
    picture = taken(MadeCamera(), 801, corners=corners, uneven=uneven)
    found = find_patches(picture)
    assert found is not None
    # Back to the drawing, where patches are 80 wide and 96 apart, the first from 36 to 116.
    outline = np.array([[0, 0], [632, 0], [632, 440], [0, 440]], dtype=np.float32)
    turn = cv2.getPerspectiveTransform(np.array(corners, dtype=np.float32), outline)
    middles = found.mean(axis=1, keepdims=True)
    measured = (middles + 0.6 * (found - middles)).astype(np.float32)
    back = cv2.perspectiveTransform(measured.reshape(-1, 1, 2), turn).reshape(24, 4, 2)
    drawn = np.array([[76 + 96 * c, 76 + 96 * r] for r in range(4) for c in range(6)])
    assert np.abs(back - drawn[:, None]).max() < 36.0


def test_no_chart_on_an_empty_bench() -> None:
    pixels = (255 * bench(400, 600, np.random.default_rng(802))).clip(0, 255).astype(np.uint8)
    assert find_patches(Picture("bench", pixels, 1)) is None


def linear_patches(picture: Picture, camera: MadeCamera) -> tuple[NDArray[Any], NDArray[Any]]:
    """Linear values by the true tone curve, and the middles."""
    corners = find_patches(picture)
    assert corners is not None
    means = np.array([patch.mean for patch in measure_patches(picture, corners)])
    return np.interp(means, camera.encoded(LIGHT), LIGHT), corners.mean(axis=1)


@pytest.mark.parametrize("uneven", [0.0, 0.4])
@pytest.mark.parametrize("seed", [811, 812, 813])
def test_matrix_of_a_known_camera(seed: int, uneven: float) -> None:
    camera = MadeCamera()
    linear, middles = linear_patches(taken(camera, seed, uneven=uneven), camera)
    found = fit_matrix(linear, middles, ALL, "after 2014")
    assert np.abs(found.ratio_matrix - np.linalg.inv(MIX)).max() < 0.01
    assert np.allclose(found.ratio_matrix.sum(axis=1), 1.0)
    assert np.median(found.difference) < 0.2
    assert found.difference.max() < 0.6


def test_matrix_with_another_white_balance() -> None:
    camera = MadeCamera(gains=(0.9, 1.0, 0.7))
    linear, middles = linear_patches(taken(camera, 814), camera)
    found = fit_matrix(linear, middles, ALL, "after 2014")
    assert np.abs(found.ratio_matrix - np.linalg.inv(MIX)).max() < 0.01


@pytest.mark.parametrize("seed", range(820, 830))
def test_random_matrices_without_noise(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mix = np.eye(3) + rng.uniform(0.0, 0.3, (3, 3))
    middles = np.array([[c, r] for r in range(4) for c in range(6)], dtype=np.float64)
    light = 10.0 ** (0.1 * (middles - middles.mean(axis=0)) @ rng.uniform(-0.5, 0.5, 2))
    linear = reference_srgb("before 2014") @ mix.T * light[:, None]
    found = fit_matrix(linear, middles, ALL, "before 2014")
    true = np.linalg.inv(mix)
    assert np.allclose(found.matrix, true / true.sum(axis=1).mean(), atol=1e-4)
    assert found.difference.max() < 1e-2


def test_the_wrong_chart_leaves_more_behind() -> None:
    camera = MadeCamera()
    linear, middles = linear_patches(taken(camera, 815), camera)
    right = fit_matrix(linear, middles, ALL, "after 2014")
    wrong = fit_matrix(linear, middles, ALL, "before 2014")
    assert np.median(wrong.difference) > 3.0 * np.median(right.difference)


def test_middles_of_the_corner_patches_are_enough() -> None:
    camera = MadeCamera()
    picture = taken(camera, 816)
    found = find_patches(picture)
    assert found is not None
    made = patches_from_middles(found.mean(axis=1)[[0, 5, 23, 18]])
    assert np.abs(made.mean(axis=1) - found.mean(axis=1)).max() < 2.0
    with pytest.raises(ValueError, match="outside"):
        measure_patches(picture, made + 500.0)
    with pytest.raises(ValueError, match="smaller"):
        measure_patches(picture, made / 20.0)
