"""Which of several wavelengths tell the forms of Eriochrome Black T apart."""

from __future__ import annotations

import numpy as np
import pytest

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.curve.indicator_form import states_of


@pytest.mark.parametrize(
    ("channels", "red", "blue"),
    [
        # At 580 nm both forms absorb nearly alike; at 660 nm only the free one does.
        (("660 nm", "580 nm", "500 nm"), (0.02, 0.51, 0.60), (0.37, 0.59, 0.11)),
        (("560 nm", "520 nm", "620 nm"), (0.55, 0.58, 0.05), (0.40, 0.15, 0.60)),
    ],
)
def test_the_wavelength_at_which_the_forms_differ_most_is_asked(
    channels: tuple[str, ...], red: tuple[float, ...], blue: tuple[float, ...]
) -> None:
    found = states_of(np.array([red, blue]), channels, ERIOCHROME_BLACK_T)
    assert found is not None
    assert found[0][0] < -0.8
    assert found[0][1] > 0.6
