"""Names of colours: those that the standard observer sees, and the same from a camera."""

from __future__ import annotations

import numpy as np
import pytest

from endpoint.curve.colour_names import NAMES, blueness_of, name_of, name_of_part, place_of
from sample_media import light

HUES_DEG = {
    # CIELAB hue angle of the middle of each name, by common usage of the words
    "wine red": 345.0,
    "red violet": 330.0,
    "violet": 305.0,
    "blue violet": 282.0,
    "blue": 264.0,
}


def hue_by_eye(free_fraction: float) -> float:
    """CIELAB hue of 20 µmol/L of indicator in daylight through 4 cm, 2 degree observer."""
    import colour

    shape = colour.SpectralShape(400, 700, 5)
    eye = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    day = colour.SDS_ILLUMINANTS["D65"].copy().align(shape).values
    white = day @ eye
    dye = 20e-6 * np.array([1.0 - free_fraction, free_fraction])
    passed = day * light.transmittance(dye[0], dye[1], np.array([4.0]))[0]
    lab = colour.XYZ_to_Lab(passed @ eye / white[1], colour.XYZ_to_xy(white / white[1]))
    return float(np.degrees(np.arctan2(lab[2], lab[1])) % 360.0)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("free_fraction", [0.0, 0.05, 0.25, 0.5, 0.8, 0.97, 1.0])
def test_names_are_those_of_the_hue_that_the_eye_sees(free_fraction: float) -> None:
    hue = hue_by_eye(free_fraction)
    nearest = min(HUES_DEG, key=lambda name: abs(HUES_DEG[name] - hue))
    assert name_of_part(free_fraction) == nearest


def test_names_follow_each_other_from_red_to_blue() -> None:
    names = [name for name, *_ in NAMES]
    assert list(dict.fromkeys(map(name_of_part, np.linspace(0.0, 1.0, 101)))) == names
    assert list(dict.fromkeys(map(name_of, np.linspace(-1.0, 1.0, 201)))) == names
    assert [place_of(b) for b in (-2.0, 2.0)] == [0.0, 1.0]


def test_half_free_is_violet_and_blue_begins_with_the_last_red() -> None:
    assert name_of_part(0.5) == "violet"
    assert (name_of_part(0.949), name_of_part(0.95)) == ("blue violet", "blue")


def test_water_has_no_colour_name() -> None:
    assert blueness_of(np.array([0.01, 0.012, 0.01])) is None
    assert name_of(None) == "without colour"
