"""Colours of the liquid for the replay, each with a name in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.colour.density import lab_and_rgb
from endpoint.colour.linear_light import to_linear
from endpoint.curve.colour_names import name_of_part
from endpoint.report.folder import SRGB
from endpoint.result.kept import KeptResult
from endpoint.result.wording import OF_EBT

FloatArray = NDArray[np.float64]

EBT = ERIOCHROME_BLACK_T.name
STEPS = 20
"""Steps between the colours of the two forms."""
_LEAST_SPAN = 0.5
"""Part of the change that a recording must show for the colours of both forms to be fitted.
Assumed."""
_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Of linear red, green and blue (ITU-R BT.709)."""
_DARK = ((0.014, "very dark "), (0.062, "dark "))
"""Parts of white under which a flask is called so: CIE lightness 12 and 30 of 100."""
_DENSITIES = ("density_red", "density_green", "density_blue")


@dataclass(frozen=True)
class Shade:
    """A colour and its name."""

    hex: str
    name: str


@dataclass(frozen=True, eq=False)
class Forms:
    """Densities of the liquid with all indicator bound and with all of it free, shape (3,)."""

    bound: FloatArray
    free: FloatArray
    shown: tuple[FloatArray, FloatArray]
    """The same for the screen, see `display_density`."""
    is_measured: bool
    """From this recording; else rough densities of the indicator, no measurement."""
    words: tuple[str, str]
    """Colours of the two forms."""
    usual: bool
    """Eriochrome Black T, whose shades between have names."""

    def at(self, free_fraction: float, strength: float = 1.0) -> Shade:
        """Colour of a mixture.

        Parameters
        ----------
        free_fraction:
            Part of the indicator that is free, 0 to 1.
        strength:
            Amount of indicator as a multiple of that of the recording.
        """
        f = min(max(free_fraction, 0.0), 1.0)
        name = name_of_part(f) if self.usual else self._between(f)
        shown = with_dye((1.0 - f) * self.shown[0] + f * self.shown[1], strength)
        return Shade(hex_of(shown), f"{_darkness(shown)}{name}" if strength > 1.0 else name)

    def _between(self, f: float) -> str:
        bound, free = self.words
        if f < 0.2 or f > 0.8:
            return bound if f < 0.2 else free
        return f"between {bound} and {free}"


def with_dye(density: FloatArray, strength: float) -> FloatArray:
    """Density in red, green, blue with another amount of dye.

    A channel of a camera, like a cone of the eye, sees a hundred nanometres: at the edges of a band
    light comes through long after its middle is black, so density grows less than dye. With
    absorptivities spread exponentially within the channel it is log10(1 + dye (10^density - 1));
    strictly proportional, as in a photometer, four times the dye would be drawn black.
    """
    return np.asarray(np.log10(1.0 + strength * (10.0**density - 1.0)))


def _darkness(density: FloatArray) -> str:
    luminance = float(_LUMINANCE @ 10.0**-density)
    return next((word for limit, word in _DARK if luminance < limit), "")


def display_density(kept: KeptResult) -> FloatArray | None:
    """Densities whose colours look like the liquid did, shape (n, 3); None without a camera."""
    curve = kept.curve
    if curve is None or any(name not in curve for name in SRGB):
        return None
    encoded = np.stack([curve[name] for name in SRGB], axis=-1) / 255.0
    if not np.isfinite(encoded).all():
        return None
    return np.asarray(-np.log10(np.maximum(to_linear(encoded), 1e-3)))


def density_at(kept: KeptResult) -> FloatArray | None:
    """Measured densities of the points in red, green, blue, shape (n, 3); None without a camera."""
    curve = kept.curve
    if curve is None or any(name not in curve for name in _DENSITIES):
        return None
    density = np.stack([curve[name] for name in _DENSITIES], axis=-1)
    return density if bool(np.isfinite(density).all()) else None


def forms_of(kept: KeptResult) -> Forms:
    """Colours of the two forms: out of the recording where it shows both, else computed."""
    about, inputs = kept.document.get("indicator", OF_EBT), kept.document["inputs"]
    words, usual = (str(about["bound"]), str(about["free"])), inputs.get("indicator", EBT) == EBT
    flask_ml = float(inputs.get("flask_ml", 0.0))
    density, curve = density_at(kept), kept.curve
    if density is not None and curve is not None:
        f = curve["free_fraction"]
        known = np.isfinite(f)
        if flask_ml > 0 and known.sum() > 2 and np.ptp(f[known]) > _LEAST_SPAN:
            diluted = 1.0 + curve["volume_ml"][known] / flask_ml
            design = np.stack([1.0 - f[known], f[known]], axis=-1)

            def ends_of(measured: FloatArray) -> tuple[FloatArray, FloatArray]:
                undiluted = measured[known] * diluted[:, None]
                ends = np.maximum(np.linalg.lstsq(design, undiluted, rcond=None)[0], 0.0)
                return ends[0], ends[1]

            shown = display_density(kept)
            bound, free = ends_of(density)
            look = (bound, free) if shown is None else ends_of(shown)
            return Forms(bound, free, look, True, words, usual)
    indicator = ERIOCHROME_BLACK_T
    bound, free = np.array(indicator.bound.camera_density), np.array(indicator.free.camera_density)
    return Forms(bound, free, (bound, free), False, words, usual)


def hex_of(density: FloatArray) -> str:
    """Colour of a density before white, "#rrggbb"."""
    red, green, blue = lab_and_rgb(np.asarray(density, dtype=np.float64)[None])[2][0].tolist()
    return f"#{red:02x}{green:02x}{blue:02x}"
