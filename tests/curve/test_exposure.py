"""Steps of light are undone before and beyond the change, and nothing else is taken for one."""

from __future__ import annotations

import numpy as np
import pytest

from endpoint.curve.exposure import even_light
from endpoint.curve.gathering import repeats
from endpoint.curve.unmix import unmix

RED, BLUE = np.array([0.15, 0.70, 0.40]), np.array([0.80, 0.45, 0.15])


def titration(noise: float = 0.002, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Volume, free part and density, dilution undone."""
    volume = np.r_[np.arange(0.0, 8.0, 0.5), np.arange(8.0, 10.0, 0.05)]
    free = 1.0 / (1.0 + np.exp(-(volume - 9.0) / 0.14))
    scatter = noise * np.random.default_rng(seed).standard_normal((volume.size, 3))
    return volume, free, RED + free[:, None] * (BLUE - RED) + scatter


@pytest.mark.parametrize(
    ("at_ml", "size"),
    [(5.2, 0.013), (5.2, -0.03), (9.72, 0.013), (9.62, -0.04)],
)
def test_a_step_is_undone_before_and_beyond_the_change(at_ml: float, size: float) -> None:
    volume, free, density = titration()
    density = density + size * (volume > at_ml)[:, None]
    light = even_light(volume, density)
    assert light.scatter == pytest.approx(abs(size), abs=0.006)
    after, before = light.density[volume > at_ml], light.density[volume < at_ml]
    np.testing.assert_allclose(after.mean() - before.mean(), size, atol=0.006)
    flask_ml = 1e9  # nothing is diluted
    sigma = np.full_like(density, 0.002)
    signal, *_ = unmix(volume, density, sigma, flask_ml, light=light.density)
    np.testing.assert_allclose(signal, free, atol=0.03)


def test_light_is_that_of_the_last_point() -> None:
    volume, _, density = titration()
    density = density + 0.03 * (volume > 5.2)[:, None] - 0.02 * (volume > 9.62)[:, None]
    assert even_light(volume, density).density[-1] == 0.0


@pytest.mark.parametrize("seed", range(20))
def test_noise_is_no_light(seed: int) -> None:
    volume, _, density = titration(0.003, seed)
    assert even_light(volume, density).scatter == 0.0


@pytest.mark.parametrize("every", [1, 5, 12])
def test_a_bow_of_the_mixture_is_no_light_however_large_the_additions(every: int) -> None:
    """Cameras bow by up to 0.22 of the change in liquids that are not dark."""
    volume, free, density = titration(0.001)
    even = np.ones(3) - (BLUE - RED) * (BLUE - RED).sum() / ((BLUE - RED) @ (BLUE - RED))
    bow = 4.0 * 0.2 * float(np.linalg.norm(BLUE - RED)) * free * (1.0 - free)
    density = density + bow[:, None] * even / np.linalg.norm(even)
    kept = np.r_[0:20, 20 : volume.size : every]
    assert even_light(volume[kept], density[kept]).scatter == 0.0


def test_a_frame_that_repeats_another_is_told_to_the_last_digit() -> None:
    density = np.random.default_rng(3).standard_normal((6, 3))
    density[2] = density[1]
    density[5, :2] = density[4, :2]
    np.testing.assert_array_equal(np.flatnonzero(repeats(density)), [2])
    assert repeats(np.zeros((0, 3))).size == 0


def test_another_balance_and_more_indicator_are_no_even_light() -> None:
    volume, _, density = titration()
    later = (volume > 5.2)[:, None]
    for other in (
        density + 0.03 * later * np.array([1.0, 0.0, -1.0]),
        density * (1.0 + 0.6 * later),
    ):
        assert even_light(volume, other).scatter == 0.0


def test_a_channel_that_swings_back_hardly_counts() -> None:
    volume, free, density = titration(0.001)
    swing = np.where(volume > 9.4, np.exp(-(volume - 9.4).clip(0.0) / 0.2), 0.0)
    density[:, 2] -= 0.05 * swing
    signal, *_ = unmix(volume, density, np.full_like(density, 0.001), 1e9)
    np.testing.assert_allclose(signal, free, atol=0.02)
