"""The bend of a camera's colour scale against what a measured camera does with dyes and lamps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from endpoint.colour.density import UNSHARE
from endpoint.curve.gathering import from_absorbance
from endpoint.curve.points import RGB
from endpoint.equivalence.descent import Fit
from endpoint.equivalence.least_squares import neighbour_likeness, scatter_factor
from endpoint.equivalence.model import colour_scale
from sample_media import light

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Seen:
    """Departure of one simulated camera from a straight scale, beside what is expected."""

    bend: float
    kink: float
    rest: float
    expected_kink: tuple[float, float]
    depth: float


def encoded_and_back(linear: FloatArray, contrast: float) -> FloatArray:
    """Light as it is after a camera's own tone curve was taken for sRGB."""
    y = light.tone(linear, contrast)
    return np.asarray(np.where(y <= 0.04045, y / 12.92, ((y + 0.055) / 1.055) ** 2.4))


def seen(dye: str, rng: np.random.Generator) -> Seen:
    """One camera, lamp, exposure and tone curve before a liquid of uneven depth."""
    bound, free = light.OTHER_FORMS.get(dye, (light.RED_FORM, light.BLUE_FORM))
    camera = light.camera(str(rng.choice(light.CAMERAS)), str(rng.choice(list(light.LAMPS))))
    contrast, exposure = rng.uniform(0.0, 0.25), rng.uniform(0.5, 0.9)
    paths = rng.uniform(2.0, 6.0) * np.array([0.8, 1.0, 1.15])
    amount = 1e-6 * rng.uniform(3.0, 12.0)
    f = np.linspace(0.0, 1.0, 21)
    light_in = np.array(
        [
            camera.see(light.transmittance(amount * (1 - x), amount * x, paths, free, bound)).mean(
                0
            )
            for x in f
        ]
    )
    white = encoded_and_back(np.full(3, exposure), contrast)
    ratio = encoded_and_back(light_in * exposure, contrast) / white @ UNSHARE.T
    density = -np.log10(np.maximum(ratio, 1e-3))
    curve = from_absorbance(
        np.linspace(0.0, 1e-3, f.size), density, RGB, 100.0, saturated=np.zeros(f.size, dtype=bool)
    )
    shape = (curve.signal - curve.signal[0]) / (curve.signal[-1] - curve.signal[0])
    bump = f * (1.0 - f)
    columns = np.stack([bump, bump * (1.0 - 2.0 * f)], axis=1)
    found, *_ = np.linalg.lstsq(columns, shape - f, rcond=None)
    bend, kink = (float(v) for v in found)
    rest = float(np.abs(shape - colour_scale(f, bend, kink)).max())
    return Seen(bend, kink, rest, curve.kink_prior, curve.depth)


@pytest.mark.parametrize("dye", ["Eriochrome Black T", "Calconcarboxylic acid", "Xylenol orange"])
def test_the_kink_of_a_measured_camera_is_the_expected_one(dye: str) -> None:
    rng = np.random.default_rng(4711)
    cases = [seen(dye, rng) for _ in range(150)]
    z = np.array([(c.kink - c.expected_kink[0]) / c.expected_kink[1] for c in cases])
    assert np.mean(np.abs(z) < 2.0) >= 0.95
    deep = [c.kink for c in cases if c.depth > 0.5]
    assert len(deep) >= 20
    # Never the other way: the expectation leans to that side.
    assert np.mean(np.array(deep) < 0.0) > 0.97
    assert max(c.rest for c in cases) < 0.02


def line_fit(x: FloatArray) -> Fit:
    """Unweighted straight line through points at `x`; the slope stands first."""
    design = np.stack([x, np.ones_like(x)], axis=1)
    return Fit(np.zeros(2), np.linalg.inv(design.T @ design), design, 0.0)


def wandering(rng: np.random.Generator, n: int, likeness: float) -> FloatArray:
    """First-order autocorrelated noise of unit variance, shape (n,)."""
    noise = np.empty(n)
    noise[0] = rng.standard_normal()
    for k in range(1, n):
        step = np.sqrt(1.0 - likeness**2) * rng.standard_normal()
        noise[k] = likeness * noise[k - 1] + step
    return noise


@pytest.mark.parametrize("likeness", [0.0, 0.4, 0.7])
def test_scatter_of_neighbours_that_err_alike(likeness: float) -> None:
    # Drawn scatter of a slope against the one that unlike neighbours would give.
    rng = np.random.default_rng(8)
    x = np.linspace(-1.0, 1.0, 40)
    fit = line_fit(x)
    slopes, variances = [], []
    for _ in range(4000):
        noise = wandering(rng, x.size, likeness)
        found = fit.covariance @ fit.jacobian.T @ noise
        rest = noise - fit.jacobian @ found
        slopes.append(float(found[0]))
        variances.append(float(rest @ rest) / (x.size - 2))
    plain = np.sqrt(np.mean(variances) * fit.covariance[0, 0])
    factor = scatter_factor(fit, x.size, likeness)
    assert factor == pytest.approx(float(np.std(slopes) / plain), rel=0.05)


def test_likeness_of_neighbours_is_found_and_few_points_lean_on_what_is_usual() -> None:
    rng = np.random.default_rng(9)
    fit = line_fit(np.linspace(-1.0, 1.0, 400))
    for true in (0.0, 0.5):
        noise = wandering(rng, 400, true)
        rest = noise - fit.jacobian @ (fit.covariance @ fit.jacobian.T @ noise)
        found = neighbour_likeness(rest, np.ones(400), 398.0, 0.0)
        # Three standard errors of an autocorrelation from 400 points.
        assert found == pytest.approx(true, abs=0.15)
    few = rng.standard_normal(5)
    assert neighbour_likeness(few, np.ones(5), 5.0, 0.4) > neighbour_likeness(
        few, np.ones(5), 5.0, 0.0
    )
