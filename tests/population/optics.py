"""What a camera makes of the liquid: bands of the dye, lamp, path, sensor, colour matrix, tone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.population.balances import Curve, Water

FloatArray = NDArray[np.float64]

_NM = np.arange(400.0, 701.0, 10.0)
MIDDLE_PATHS = np.array([0.86, 0.95, 1.0, 1.03])
"""Ways of the light through the middle of a flask, as parts of the usual one."""
_XYZ_TO_SRGB = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)
"""IEC 61966-2-1."""


@dataclass(frozen=True, eq=False)
class Optics:
    """Lamp, flask and camera."""

    path_cm: float
    free_band: tuple[float, float, float]
    """Centre and width, nm, and absorptivity, L/mol/cm, of the blue form."""
    bound_band: tuple[float, float, float]
    """The same of the red form with magnesium."""
    blue_left: float
    """Absorption of the blue form near 420 nm, as a part of its band."""
    shoulder: float
    """Absorption of the red form 55 nm below its band, as a part."""
    calcium_shift_nm: float
    lamp: FloatArray
    """Light at each wavelength, shape (31,)."""
    sensor: FloatArray
    """Shape (3, 31)."""
    matrix: FloatArray
    """From sensor to linear sRGB, rows sum to 1, shape (3, 3)."""
    tone: float
    """Exponent by which the true tone curve differs from the assumed one."""
    veil: float
    """Part of the light that comes from before the liquid: glass, glare."""
    yellow: float
    """Density of the water at 400 nm per cm."""
    turbid: float
    """Part of the light that the water scatters."""
    level: float
    """Linear light of the reference, 0 to 1."""


def _bell(centre: float, width: float) -> FloatArray:
    return np.exp(-0.5 * ((_NM - centre) / width) ** 2)


def _lamp(rng: np.random.Generator) -> FloatArray:
    kind = rng.choice(["daylight", "tungsten", "led", "tube"], p=[0.35, 0.15, 0.4, 0.1])
    kelvin = {"daylight": rng.uniform(5000, 7000), "tungsten": rng.uniform(2700, 3200)}
    if kind in kelvin:
        light = (560.0 / _NM) ** 5 / np.expm1(1.4388e7 / (_NM * kelvin[str(kind)]))
        return light / light.max()
    if kind == "led":
        return rng.uniform(0.4, 1.1) * _bell(452.0, 11.0) + _bell(rng.uniform(555, 600), 58.0)
    lines = _bell(437.0, 7.0) * 0.7 + _bell(545.0, 8.0) * 1.3 + _bell(611.0, 8.0)
    return lines + 0.25 * _bell(560.0, 70.0)


def _lobe(centre: float, below: float, above: float) -> FloatArray:
    width = np.where(centre > _NM, below, above)
    return np.exp(-0.5 * ((_NM - centre) * width) ** 2)


def _eye() -> FloatArray:
    """CIE 1931 colour matching functions, shape (3, 31); Wyman, Sloan and Shirley 2013."""
    x = 1.056 * _lobe(599.8, 0.0264, 0.0323) + 0.362 * _lobe(442.0, 0.0624, 0.0374)
    x -= 0.065 * _lobe(501.1, 0.0490, 0.0382)
    y = 0.821 * _lobe(568.8, 0.0213, 0.0247) + 0.286 * _lobe(530.9, 0.0613, 0.0322)
    z = 1.217 * _lobe(437.0, 0.0845, 0.0278) + 0.681 * _lobe(459.0, 0.0385, 0.0725)
    return np.array([x, y, z])


def _matrix(rng: np.random.Generator, sensor: FloatArray, lamp: FloatArray) -> FloatArray:
    """The matrix that a maker finds: from sensor to sRGB over 60 smooth colours, white kept."""
    waves = rng.uniform(0.004, 0.02, (60, 1)) * _NM + rng.uniform(0.0, 6.3, (60, 1))
    colours = np.clip(rng.uniform(0.1, 0.7, (60, 1)) + 0.45 * np.sin(waves), 0.02, 0.98)
    seen = colours @ (sensor * lamp).T / (sensor @ lamp)
    eye = _XYZ_TO_SRGB @ _eye()
    wanted = colours @ (eye * lamp).T / (eye @ lamp)
    part = np.linalg.lstsq(seen - 1.0, wanted - 1.0, rcond=None)[0].T
    off = part * (1.0 - np.eye(3)) * np.exp(0.15 * rng.normal(size=(3, 3)))
    return off + np.diag(1.0 - off.sum(axis=1))


def draw_optics(rng: np.random.Generator) -> Optics:
    """Some camera before some flask under some lamp."""
    broad = rng.uniform(0.02, 0.06)
    lamp = _lamp(rng)
    centres = (rng.uniform(596, 618), rng.uniform(528, 542), rng.uniform(455, 470))
    widths = (rng.uniform(26, 38), rng.uniform(32, 44), rng.uniform(24, 34))
    sensor = np.array([_bell(c, w) + broad for c, w in zip(centres, widths, strict=True)])
    return Optics(
        path_cm=float(rng.uniform(2.0, 5.0)),
        free_band=(rng.uniform(612, 630), rng.uniform(42, 52), rng.uniform(1.5e4, 2.1e4)),
        bound_band=(rng.uniform(524, 542), rng.uniform(36, 46), rng.uniform(1.5e4, 2.0e4)),
        blue_left=float(rng.uniform(0.12, 0.3)),
        shoulder=float(rng.uniform(0.4, 0.65)),
        calcium_shift_nm=float(rng.uniform(-2.0, 8.0)),
        lamp=lamp,
        sensor=sensor,
        matrix=_matrix(rng, sensor, lamp),
        tone=float(np.exp(0.06 * rng.normal())),
        veil=float(rng.uniform(0.005, 0.05)),
        yellow=float(rng.exponential(0.08)) if rng.random() < 0.15 else 0.0,
        turbid=float(rng.uniform(0.05, 0.35)) if rng.random() < 0.1 else 0.0,
        level=float(rng.uniform(0.4, 0.8)),
    )


@dataclass(frozen=True, eq=False)
class Colours:
    """Linear sRGB of the liquid over white against the volume mixed in, shape (n, paths, 3)."""

    volume_ml: FloatArray
    liquid: FloatArray
    blue: FloatArray
    """The same liquid with all of its indicator free: where titrant is in excess for a moment."""

    def at(self, volume_ml: FloatArray, *, blue: bool = False) -> FloatArray:
        """Shape (m, paths, 3)."""
        table = self.blue if blue else self.liquid
        place = np.interp(volume_ml, self.volume_ml, np.arange(self.volume_ml.size))
        low = np.minimum(place.astype(int), max(self.volume_ml.size - 2, 0))
        part = (place - low)[:, None, None]
        high = np.minimum(low + 1, self.volume_ml.size - 1)
        return (1.0 - part) * table[low] + part * table[high]


def colours_of(
    optics: Optics, water: Water, curve: Curve, paths: FloatArray = MIDDLE_PATHS
) -> Colours:
    """Colours of a flask as a camera writes them, over those of white.

    Parameters
    ----------
    optics, water, curve:
        Camera, flask and its speciation.
    paths:
        Ways of the light, as parts of the usual one, shape (paths,).
    """
    centre, width, strength = optics.free_band
    band = _bell(centre, width) + 0.35 * _bell(centre - 55.0, 32.0)
    free = strength * (band / band.max() + optics.blue_left * _bell(420.0, 60.0))
    bound = []
    for shift in (0.0, optics.calcium_shift_nm):
        c, w, s = optics.bound_band
        band = _bell(c + shift, w) + optics.shoulder * _bell(c + shift - 55.0, 34.0)
        bound.append(s * (band / band.max() + 0.04 + 0.10 * _bell(400.0, 35.0)))
    at = curve.at
    thinner = water.flask_ml / (water.flask_ml + curve.volume_ml)
    dye = 1e-6 * water.indicator_umol_l * thinner
    absorbs = at.free[:, None] * free + at.magnesium[:, None] * bound[0]
    absorbs = absorbs + at.calcium[:, None] * bound[1]
    yellow = optics.yellow * np.exp(-(_NM - 400.0) / 60.0) * thinner[:, None]
    seen = _seen(optics, dye[:, None] * absorbs + yellow, paths)
    blue = _seen(optics, dye[:, None] * free + yellow, paths)
    return Colours(curve.volume_ml, seen, blue)


def _seen(optics: Optics, per_cm: FloatArray, paths: FloatArray) -> FloatArray:
    """Linear sRGB over white for absorbances per cm, shape (n, 31) to (n, paths, 3)."""
    ways = optics.path_cm * paths
    light = 10.0 ** -(per_cm[:, None, :] * ways[:, None])
    light = (1.0 - optics.turbid) * light + optics.turbid * (0.25 + 0.45 * light)
    weight = optics.sensor * optics.lamp
    ratio = light @ (weight / weight.sum(axis=1, keepdims=True)).T
    ratio = (1.0 - optics.veil) * ratio + optics.veil
    # Grain and rounding to 8 bits leave a little of a channel that is clipped to nothing.
    written = np.clip(ratio @ optics.matrix.T, 0.004, 1.5)
    return written**optics.tone
