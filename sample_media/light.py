"""Dye spectra, lamps and a measured camera: from concentrations to what the camera stores.

The two dye spectra are plausible sums of Gaussian bands, not measured ones: no published molar
absorptivities of the two forms of Eriochrome Black T in water at pH 10 could be verified. Lamps
and camera sensitivities are the measured ones that colour-science ships.
"""

from __future__ import annotations

import functools
import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WAVELENGTHS_NM: FloatArray = np.arange(400.0, 701.0, 5.0)
LAMPS = {"daylight": "D65", "tungsten": "A", "fluorescent": "FL2", "led": "LED-B3"}
CAMERAS = ("Nikon 5100 (NPL)", "Sigma SDMerill (NPL)")


def _bands(*bands: tuple[float, float, float]) -> FloatArray:
    """Sum of Gaussian bands (height L/mol/cm, centre nm, width nm), wider on the blue side."""
    total = np.zeros_like(WAVELENGTHS_NM)
    for height, centre, width in bands:
        wide = np.where(centre > WAVELENGTHS_NM, 1.15 * width, width)
        total += height * np.exp(-0.5 * ((WAVELENGTHS_NM - centre) / wide) ** 2)
    return total


RED_FORM: FloatArray = _bands((1.45e4, 530.0, 38.0), (4.5e3, 480.0, 45.0), (2.2e3, 572.0, 22.0))
"""Metal complex, wine red, L/mol/cm."""
BLUE_FORM: FloatArray = _bands((1.65e4, 618.0, 40.0), (5.5e3, 570.0, 35.0), (1.6e3, 420.0, 40.0))
"""Free dye at pH 10, blue, L/mol/cm."""
YELLOW_FORM: FloatArray = _bands((1.5e4, 430.0, 40.0))
"""A colour that no form of the indicator has, for recordings that must be refused."""


OTHER_FORMS: dict[str, tuple[FloatArray, FloatArray]] = {
    "Calconcarboxylic acid": (
        _bands((1.3e4, 538.0, 42.0), (3.5e3, 490.0, 40.0)),
        _bands((1.6e4, 634.0, 44.0), (5.0e3, 585.0, 35.0), (1.8e3, 400.0, 45.0)),
    ),
    "Xylenol orange": (
        _bands((2.6e4, 574.0, 36.0), (7.0e3, 530.0, 32.0)),
        _bands((2.2e4, 434.0, 42.0)),
    ),
}
"""Bound and free form of other indicators: bands as in their files, sizes and widths made up."""


@dataclass(frozen=True, eq=False)
class Camera:
    """Sensitivities under a lamp and the matrix to linear sRGB."""

    weights: FloatArray
    """Sensitivity times lamp, each channel summing to 1, shape (3, wavelengths)."""
    matrix: FloatArray
    """White-preserving, shape (3, 3)."""

    def see(self, transmittance: FloatArray) -> FloatArray:
        """Linear sRGB of white light after a spectral transmittance, shape (..., 3)."""
        raw = transmittance @ self.weights.T
        return np.asarray(np.clip(raw @ self.matrix.T, 0.0015, None))


@functools.cache
def camera(name: str, lamp: str) -> Camera:
    """Camera balanced to white under a lamp, its colour matrix fitted on a chart of 24 patches."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        shape = colour.SpectralShape(400, 700, 5)
        curves = colour.MSDS_CAMERA_SENSITIVITIES[name].copy().align(shape).values
        power = colour.SDS_ILLUMINANTS[LAMPS[lamp]].copy().align(shape).values
        day = colour.SDS_ILLUMINANTS["D65"].copy().align(shape).values
        eye = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
        chart = colour.SDS_COLOURCHECKERS["ISO 17321-1"]
        patches = np.stack([chart[k].copy().align(shape).values for k in chart])
        to_srgb = colour.RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB
    weights = np.maximum(curves.T, 0.0) * power
    weights = weights / weights.sum(axis=1, keepdims=True)
    raw = patches @ weights.T
    wanted = patches @ (eye * day[:, None]) / (eye[:, 1] * day).sum() @ np.asarray(to_srgb).T
    wanted = wanted / (
        (eye * day[:, None]).sum(0) / (eye[:, 1] * day).sum() @ np.asarray(to_srgb).T
    )
    # Rows that sum to 1 keep white white: fit the two free entries of each row.
    matrix = np.zeros((3, 3))
    for k in range(3):
        others = [j for j in range(3) if j != k]
        design = raw[:, others] - raw[:, [k]]
        part, *_ = np.linalg.lstsq(design, wanted[:, k] - raw[:, k], rcond=None)
        matrix[k, others] = part
        matrix[k, k] = 1.0 - part.sum()
    # Cameras do less than the full correction, for the sake of noise.
    return Camera(weights, 0.7 * matrix + 0.3 * np.eye(3))


def transmittance(
    red_mol_l: float,
    blue_mol_l: float,
    path_cm: FloatArray,
    blue_form: FloatArray = BLUE_FORM,
    red_form: FloatArray = RED_FORM,
) -> FloatArray:
    """Beer-Lambert transmittance, shape (paths, wavelengths)."""
    absorbance = red_mol_l * red_form + blue_mol_l * blue_form
    return np.asarray(10.0 ** -(np.asarray(path_cm)[:, None] * absorbance))


def tone(linear: FloatArray, contrast: float) -> FloatArray:
    """Tone curve of a camera: sRGB with a gentle S on top (contrast 0 to 0.3)."""
    # Here, in burette_view and in camera_target the curve is written out on purpose: a simulator
    # that took it from the program would share the program's mistakes.
    x = np.clip(linear, 0.0, 1.0)
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return np.asarray(np.clip(y - contrast / (2 * np.pi) * np.sin(2 * np.pi * y), 0.0, 1.0))
