"""24-patch colour chart: finding it in a picture, and the colour matrix that follows.

The matrix takes the camera's linear RGB to linear sRGB. It is fitted together with a plane of light
over the chart (two numbers), because light from a window is never even; the fit makes the
differences in CIELAB small, and CIEDE2000 (G. Sharma, W. Wu, E. N. Dalal, Color Res. Appl. 30
(2005) 21-30) tells what is left. The reference colours stand in chart.toml with their source.
"""

from __future__ import annotations

import functools
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.instruments.pictures import Patch, Picture, patch_of

FloatArray = NDArray[np.float64]

VERSIONS = ("after 2014", "before 2014", "average")
ROWS, COLUMNS = 4, 6
"""Patches of the 24-patch chart, down and across."""
_KEPT = 0.6
"""Part of each patch's side that is measured, so that no edge is."""
_LEAST_SIDE = 8.0
"""Side of a patch in pixels below which the chart is refused: with `_KEPT` less than 5 x 5 pixels
would be left to measure. Assumed."""

SRGB_TO_XYZ: FloatArray = np.array(
    [
        [0.412390799266, 0.357584339384, 0.180480788402],
        [0.212639005872, 0.715168678768, 0.072192315361],
        [0.019330818716, 0.119194779795, 0.95053215225],
    ]
)
"""From the primaries and the white of IEC 61966-2-1."""
_D50: FloatArray = np.array([0.964212, 1.0, 0.825188])
_D65: FloatArray = SRGB_TO_XYZ.sum(axis=1)
"""White points of the printed Lab values (ICC.1) and of sRGB, XYZ with Y = 1."""
_BRADFORD: FloatArray = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
"""ICC.1:2010, annex E."""
SRGB_TO_XYZ.setflags(write=False)


@dataclass(frozen=True, eq=False)
class ColourMatrix:
    """What a chart tells of a camera."""

    matrix: FloatArray
    """Camera's linear RGB to linear sRGB, shape (3, 3); scaled so that its rows sum to 1 on the
    mean."""
    ratio_matrix: FloatArray
    """The same for colours divided by those of a white patch; each row sums to 1."""
    difference: FloatArray
    """CIEDE2000 of each patch that was used, shape (n,)."""
    used: NDArray[np.bool_]
    """Patches that were used, shape (24,)."""
    light_range: float
    """Highest less lowest density of the light over the chart."""


@functools.cache
def _table() -> dict[str, list[list[float | str]]]:
    text = (Path(__file__).parent / "chart.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    return {version: data[version]["values"] for version in VERSIONS}


def patch_names() -> tuple[str, ...]:
    """Names of the 24 patches, row by row."""
    return tuple(str(row[0]) for row in _table()["average"])


def reference_lab(version: str) -> FloatArray:
    """CIELAB of the patches under D50, shape (24, 3); `version` is one of `VERSIONS`."""
    return np.array([row[1:] for row in _table()[version]], dtype=np.float64)


def xyz_of_lab(lab: ArrayLike, white: FloatArray) -> FloatArray:
    """CIE XYZ of CIELAB (ISO/CIE 11664-4), shape (n, 3); the white has Y = 1."""
    data = np.asarray(lab, dtype=np.float64)
    fy = (data[:, 0] + 16.0) / 116.0
    f = np.column_stack([fy + data[:, 1] / 500.0, fy, fy - data[:, 2] / 200.0])
    return np.asarray(white * np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)))


def lab_of_xyz(xyz: ArrayLike, white: FloatArray) -> FloatArray:
    """CIELAB of CIE XYZ (ISO/CIE 11664-4), shape (n, 3)."""
    t = np.asarray(xyz, dtype=np.float64) / white
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.column_stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])]
    )


def reference_srgb(version: str) -> FloatArray:
    """Linear sRGB of the patches, Bradford from D50 to D65, shape (24, 3).

    Cyan lies outside sRGB: its red is a little below 0.
    """
    gain = (_BRADFORD @ _D65) / (_BRADFORD @ _D50)
    adapt = np.linalg.inv(_BRADFORD) @ np.diag(gain) @ _BRADFORD
    xyz = xyz_of_lab(reference_lab(version), _D50) @ adapt.T
    return np.asarray(xyz @ np.linalg.inv(SRGB_TO_XYZ).T)


def find_patches(picture: Picture) -> FloatArray | None:
    """Corners of the 24 patches, shape (24, 4, 2), x and y in the reduced picture; or None.

    The chart is sought with OpenCV's detector of colour charts, which is in OpenCV 5 (and in the
    contributed modules of OpenCV 4); without it the answer is None.
    """
    import cv2

    mcc: Any = getattr(cv2, "mcc", None)
    if mcc is None:
        return None
    detector = mcc.CCheckerDetector_create()
    image = np.ascontiguousarray(picture.pixels[:, :, ::-1])
    if hasattr(detector, "setColorChartType"):
        detector.setColorChartType(mcc.MCC24)
        found = detector.process(image, 1)
    else:
        found = detector.process(image, mcc.MCC24, 1)
    if not found:
        return None
    corners = np.array(detector.getBestColorChecker().getColorCharts(), dtype=np.float64)
    return corners.reshape(24, 4, 2) if corners.size == 192 else None


def patches_from_middles(middles: ArrayLike) -> FloatArray:
    """Corners of the 24 patches from the middles of the four outermost ones, shape (24, 4, 2).

    Parameters
    ----------
    middles:
        Shape (4, 2): dark skin, bluish green, black, white, which is clockwise from the top left
        of an upright chart. A patch is taken as 0.8 of the distance to the next one.
    """
    import cv2

    here = np.array([[0, 0], [COLUMNS - 1, 0], [COLUMNS - 1, ROWS - 1], [0, ROWS - 1]], np.float32)
    turn = cv2.getPerspectiveTransform(here, np.asarray(middles, dtype=np.float32))
    half = 0.4
    corners = [
        [c + dx * half, r + dy * half]
        for r in range(ROWS)
        for c in range(COLUMNS)
        for dx, dy in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    points = np.array(corners, dtype=np.float32)[:, None, :]
    return np.asarray(cv2.perspectiveTransform(points, turn), dtype=np.float64).reshape(24, 4, 2)


def measure_patches(picture: Picture, corners: FloatArray) -> list[Patch]:
    """Measure the inner part of each patch.

    Parameters
    ----------
    picture:
        Picture of the chart.
    corners:
        x and y of the four corners of each patch, pixels, shape (patches, 4, 2).

    Raises
    ------
    ValueError
        A patch lies outside the picture or is smaller than 8 pixels.
    """
    from skimage import draw

    outline: Any = draw.polygon
    height, width = picture.pixels.shape[:2]
    found = []
    for quad in corners:
        sides = np.linalg.norm(quad - np.roll(quad, 1, axis=0), axis=1)
        inner = quad.mean(axis=0) + _KEPT * (quad - quad.mean(axis=0))
        if not np.all((inner >= 0) & (inner < [width, height])):
            raise ValueError("a patch lies outside the picture")
        if sides.min() < _LEAST_SIDE:
            raise ValueError("a patch is smaller than 8 pixels")
        y, x = outline(inner[:, 1], inner[:, 0], (height, width))
        found.append(patch_of(picture.pixels[y, x], x, y))
    return found


def fit_matrix(
    linear: ArrayLike, middles: ArrayLike, used: NDArray[np.bool_], version: str
) -> ColourMatrix:
    """Fit the colour matrix.

    Parameters
    ----------
    linear:
        Camera's linear RGB of the patches, 0 to 1, shape (24, 3).
    middles:
        Places of the patches in the picture, shape (24, 2).
    used:
        Patches that are not clipped, shape (24,); 12 or more.
    version:
        One of `VERSIONS`.
    """
    from scipy.optimize import least_squares
    from skimage import color

    difference: Any = color.deltaE_ciede2000
    camera = np.asarray(linear, dtype=np.float64)[used]
    place = np.asarray(middles, dtype=np.float64)
    place = ((place - place.mean(axis=0)) / np.ptp(place, axis=0))[used]
    target_rgb = reference_srgb(version)[used]
    target = lab_of_xyz(target_rgb @ SRGB_TO_XYZ.T, _D65)

    def lab(p: FloatArray) -> FloatArray:
        light = 10.0 ** (place @ p[9:])[:, None]
        return lab_of_xyz(camera * light @ p[:9].reshape(3, 3).T @ SRGB_TO_XYZ.T, _D65)

    start = np.linalg.lstsq(camera, target_rgb, rcond=None)[0].T
    first = np.append(start.ravel(), [0.0, 0.0])

    def left_over(p: FloatArray) -> FloatArray:
        return np.asarray((lab(p) - target).ravel())

    found = least_squares(left_over, first, x_scale="jac")
    best = np.asarray(found.x, dtype=np.float64)
    matrix = best[:9].reshape(3, 3)
    # A camera's own white is what the matrix turns into equal red, green and blue.
    white = np.linalg.solve(matrix, np.ones(3))
    ratio = matrix * white
    tilt = place @ best[9:]
    arrays = (
        matrix / matrix.sum(axis=1).mean(), ratio / ratio.sum(axis=1, keepdims=True),
        np.asarray(difference(lab(best), target), dtype=np.float64), used.copy(),
    )  # fmt: skip
    for array in arrays:
        array.setflags(write=False)
    return ColourMatrix(*arrays, float(np.ptp(tilt)))
