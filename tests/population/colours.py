"""What the program measures of a film, without a film: colours of frames, noise and mishaps.

The step from linear light to densities is the program's own way of measuring, so its mixing of
channels is used here as a property of the instrument; light, noise and mishaps are not the
program's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import UNSHARE, ColourSample
from endpoint.problems import Flag
from tests.population.draws import Draw
from tests.population.view import View, view_of

FloatArray = NDArray[np.float64]

_FLOOR = 1e-4
_DARK = 0.002
_HAND = np.array([0.25, 0.48, 0.62])
"""Density of a hand in the three channels."""


def samples_of(drawn: Draw) -> list[ColourSample]:
    """Colours of every frame of a draw."""
    rng = np.random.default_rng([drawn.seed, 9])
    view = view_of(drawn)
    n = view.time_s.size
    light = view.mean
    density = _density(light @ UNSHARE.T)
    shown = _density(light)
    spread = _spread(drawn, view) * np.exp(0.06 * rng.normal(size=n))
    flags = np.zeros(n, dtype=np.int64)
    gain = _exposure(drawn, view.time_s)
    clock = view.time_s + drawn.first_s
    extra = _wrong_light(drawn, clock) + _noise(drawn, rng, view.time_s, density)
    density = density + extra
    shown = shown + extra
    for begin, end, flagged in drawn.mishaps.hands:
        inside = (clock >= begin) & (clock < end)
        if flagged:
            flags[inside] |= int(rng.choice([Flag.LIQUID_LOST, Flag.REFERENCE_LOST]))
        else:
            density[inside] = 0.5 * density[inside] + 0.5 * _HAND
            spread[inside] += 0.2
    if drawn.mishaps.sticks:
        _stick(drawn, view.time_s, density)
    reference = np.clip(drawn.optics.level * gain, 0.02, 1.0)
    flags[(light @ UNSHARE.T * reference < _DARK).any(axis=1)] |= int(Flag.DARK)
    flags[(reference > 0.97).any(axis=1)] |= int(Flag.CLIPPED)
    sigma = 0.25 * drawn.film.noise * (1.0 + density.clip(0.0, 2.0))
    return [
        ColourSample(
            k,
            float(view.time_s[k]),
            _triple(density[k]),
            _triple(shown[k]),
            _triple(sigma[k]),
            _triple(reference[k]),
            float(spread[k]),
            Flag(int(flags[k])),
        )
        for k in range(n)
    ]


def _triple(row: FloatArray) -> tuple[float, float, float]:
    return float(row[0]), float(row[1]), float(row[2])


def _density(light: FloatArray) -> FloatArray:
    return -np.log10(np.maximum(light, _FLOOR))


def _spread(drawn: Draw, view: View) -> FloatArray:
    """Half of the way from 16 to 84 % of the red density over paths and plume."""
    red = _density(view.bulk)[..., 0]
    blue = _density(view.tinted)[..., 0].mean(axis=1)
    part = view.plume
    over = np.clip(part / 0.16, 0.0, 1.0) * np.clip((1.0 - part) / 0.16, 0.0, 1.0)
    mixing = 0.5 * over * np.abs(blue - red.mean(axis=1))
    paths = 0.35 * np.ptp(red, axis=1)
    streaks = 0.35 * np.abs(_density(view.ahead)[:, 0] - red.mean(axis=1))
    return np.sqrt(drawn.film.spread**2 + mixing**2 + paths**2 + streaks**2)


def _exposure(drawn: Draw, time_s: FloatArray) -> FloatArray:
    """What exposure and balance do to the light of the reference, shape (n, 3)."""
    gain = np.ones((time_s.size, 3))
    for at, shift, _ in drawn.mishaps.steps:
        gain[time_s + drawn.first_s >= at] *= 10.0 ** np.array(shift)
    return gain


def _wrong_light(drawn: Draw, clock_s: FloatArray) -> FloatArray:
    """Density that the reference does not take out, shape (n, 3)."""
    out = np.zeros((clock_s.size, 3))
    for at, shift, left in drawn.mishaps.steps:
        out[clock_s >= at] -= left * np.array(shift)
    part = (clock_s - drawn.first_s) / max(drawn.last_s - drawn.first_s, 1.0)
    out += part[:, None] * np.array(drawn.mishaps.drift)
    turn = drawn.mishaps.balance_turn / (1.0 + np.exp(-(part - 0.6) * 40.0))
    return out + turn[:, None] * np.array([1.0, 0.35, -0.3])


def _noise(
    drawn: Draw, rng: np.random.Generator, time_s: FloatArray, density: FloatArray
) -> FloatArray:
    """White and correlated noise, larger where it is dark, and glints; shape (n, 3)."""
    from scipy.signal import lfilter

    film, n = drawn.film, time_s.size
    keep = np.exp(-1.0 / (film.fps * film.wander_s))
    own = rng.normal(size=(n, 3))
    both = 0.7 * rng.normal(size=(n, 1)) + 0.7 * own
    slow = lfilter([np.sqrt(1.0 - keep**2)], [1.0, -keep], both, axis=0)
    out = film.noise * rng.normal(size=(n, 3)) + film.wander * slow
    out *= 10.0 ** (0.4 * np.clip(density, 0.0, 1.8))
    glint = rng.random(n) < drawn.mishaps.spikes
    out[glint] -= rng.exponential(0.05, (int(glint.sum()), 1))
    return out


def _stick(drawn: Draw, time_s: FloatArray, density: FloatArray) -> None:
    """Keep an old colour until it differs enough or a key picture comes; in place."""
    held, key_s = density[0].copy(), 0.0
    for k in range(time_s.size):
        is_key = time_s[k] - key_s >= drawn.mishaps.key_every_s
        if is_key:
            key_s = float(time_s[k])
        far = np.abs(density[k] - held).max() > drawn.mishaps.sticks
        held = held + (1.0 if is_key else 0.5 if far else 0.0) * (density[k] - held)
        density[k] = held
