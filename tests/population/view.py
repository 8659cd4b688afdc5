"""What the camera sees of a draw at every moment: mixing, plumes, light; before any measuring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.population.draws import Draw
from tests.population.optics import colours_of

FloatArray = NDArray[np.float64]

_STEP_S = 0.05
_LARGEST_PLUME = 0.6
_SKIN = np.array([0.55, 0.32, 0.24])


@dataclass(frozen=True, eq=False)
class View:
    """The liquid over white, linear sRGB, at n moments."""

    time_s: FloatArray
    """From the first frame on."""
    mixed_ml: FloatArray
    """In the bulk, shape (n,)."""
    plume: FloatArray
    """Part of the view that is tinted by titrant not yet mixed in, 0 to 1, shape (n,)."""
    bulk: FloatArray
    """Colour of the bulk over several paths, shape (n, paths, 3)."""
    tinted: FloatArray
    """Colour of the plume, the same."""
    ahead: FloatArray
    """Colour of streaks that are ahead of the bulk, shape (n, 3)."""

    @property
    def mean(self) -> FloatArray:
        """Mean over the liquid, shape (n, 3)."""
        part = self.plume[:, None]
        return (1.0 - part) * self.bulk.mean(axis=1) + part * self.tinted.mean(axis=1)


def frame_times(drawn: Draw) -> FloatArray:
    """Times of frames from the first on; a telephone drops and shifts some."""
    rng = np.random.default_rng([drawn.seed, 7])
    count = int((drawn.last_s - drawn.first_s) * drawn.film.fps)
    time = np.arange(max(count, 2)) / drawn.film.fps
    time[1:] += np.clip(rng.normal(0.0, 0.05, time.size - 1), -0.2, 0.2) / drawn.film.fps
    return time[(rng.random(time.size) > 0.005) | (time == 0.0)]


def _lagged(series: FloatArray, lag_s: float) -> FloatArray:
    """First-order lag of a series on the fine clock."""
    from scipy.signal import lfilter

    if lag_s < 1e-3:
        return series
    keep = np.exp(-_STEP_S / lag_s)
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], series))


@dataclass(frozen=True, eq=False)
class Mixed:
    """Titrant at n moments, mL."""

    added: FloatArray
    bulk: FloatArray
    near: FloatArray
    """Not yet spread from where it fell."""


def mixed_at(drawn: Draw, clock_s: FloatArray) -> Mixed:
    """Where the titrant is at times on the clock of the acts."""
    fine = np.arange(0.0, drawn.last_s + _STEP_S, _STEP_S)
    added = drawn.acts.volume_at(fine)
    bulk = added
    for _ in range(drawn.mixing.stages):
        bulk = _lagged(bulk, drawn.mixing.lag_s / drawn.mixing.stages)
    near = added - _lagged(added, drawn.mixing.plume_s)
    added, bulk, near = (np.interp(clock_s, fine, part) for part in (added, bulk, near))
    return Mixed(added, bulk, near)


def view_of(drawn: Draw, time_s: FloatArray | None = None) -> View:
    """The liquid at times after the first frame; by default those of the frames."""
    time = frame_times(drawn) if time_s is None else time_s
    clock = time + drawn.first_s
    titrant = mixed_at(drawn, clock)
    mixed, near, water = titrant.bulk, titrant.near, drawn.water
    # What is near the tip turns as much liquid blue as it holds metal for.
    metal = np.maximum(drawn.curve.metal_mol_l(mixed), 2e-6 + 1e-6 * water.indicator_umol_l)
    turned_ml = near * np.minimum(water.titrant_mol_l / metal, drawn.mixing.plume_thins)
    total_ml = water.flask_ml + mixed
    plume = np.clip(drawn.mixing.plume_gain * turned_ml / total_ml, 0.0, _LARGEST_PLUME)
    colours = colours_of(drawn.optics, water, drawn.curve)
    bulk, tinted = colours.at(mixed), colours.at(mixed, blue=True)
    # Streaks hold about twice what the bulk still lacks.
    ahead = colours.at(mixed + 2.0 * np.maximum(titrant.added - mixed, 0.0)).mean(axis=1)
    if drawn.swap_s is not None:
        _swapped(drawn, clock, bulk, plume)
        ahead = bulk.mean(axis=1)
    return View(time, mixed, plume, bulk, tinted, ahead)


def _swapped(drawn: Draw, clock: FloatArray, bulk: FloatArray, plume: FloatArray) -> None:
    """A blue plate in place of the flask, after a hand."""
    rng = np.random.default_rng([drawn.seed, 8])
    plate = np.array([rng.uniform(0.02, 0.15), rng.uniform(0.1, 0.35), rng.uniform(0.4, 0.8)])
    assert drawn.swap_s is not None
    after = clock > drawn.swap_s
    bulk[after] = plate
    bulk[after & (clock < drawn.swap_s + 2.5)] = _SKIN
    plume[after] = 0.0
