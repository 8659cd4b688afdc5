"""Soft and hard in words: the bands that are printed, and what lies between them."""

from __future__ import annotations

import pytest

from endpoint.hardness.classes import (
    BANDS,
    OTHER_SCHEME,
    SCHEME,
    band_of,
    hardness_in_words,
    scale_in_words,
)
from endpoint.hardness.units import M_CACO3
from tests.places import reference

REFERENCE = reference("classroom")


def test_bands_are_those_of_the_survey() -> None:
    printed = REFERENCE["class-usgs"]["values"]
    assert [word for word, _, _ in printed] == [word for word, _ in BANDS]
    for word, low, high in printed:
        assert band_of(low + 0.5 if low else 0.0) == word
        assert band_of(high if high > 0 else 5000.0) == word
    # Between two printed bands: the harder word.
    assert band_of(60.5) == "moderately hard"


def test_an_interval_across_a_line_has_two_words() -> None:
    assert hardness_in_words(138.6, 137.9, 139.4) == "hard"
    assert hardness_in_words(120.2, 119.4, 121.0).startswith("moderately hard or hard")
    assert hardness_in_words(0.3, -0.2, 0.8) == "soft"


def test_the_scale_is_named_and_printed() -> None:
    assert "Geological Survey" in SCHEME
    for number in ("60", "120", "180"):
        assert number in scale_in_words()
    _, medium, hard = REFERENCE["class-de-2007"]["values"]
    for row in (medium, hard):
        assert f"{row[1]:g}" in OTHER_SCHEME
        assert f"{row[1] * M_CACO3:.0f}" in OTHER_SCHEME


@pytest.mark.parametrize("value", [0.0, 60.0, 61.0, 500.0])
def test_every_hardness_has_a_word(value: float) -> None:
    assert band_of(value)
