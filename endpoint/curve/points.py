"""Colour against added volume: points, with what a fit must know of how they came about."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.off_colour import darkness_of
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.mixing import Mixing

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

RGB = ("red", "green", "blue")

_NOTHING_LEFT, _CLIPPED_POINTS = 14, 0.05
"""Code of 255 of a channel before white up to which it tells nothing: 0.4 % of the light, little
more than stray light (`endpoint.curve.unmix.STRAY_LIGHT`); and part of the points that make it more
than chance. Higher, and the red of dark liquids that are sound is given up."""
_SPREAD_S = 1.0
"""Time in which a plume spreads, s: 0.3 to 1.5 in stirred flasks. Assumed, no source."""
FLOOR_DENSITY = 0.0005
"""Scatter between points that no frame-to-frame scatter shows; the fit finds the true one."""


@dataclass(frozen=True, eq=False)
class Curve:
    """Points of colour against volume; arrays of length n cannot be written to."""

    volume_ml: FloatArray
    """Delivered volume."""
    time_s: FloatArray
    """Mean time of the frames of a point; the row number where there is no time."""
    density: FloatArray
    """Optical density (photometer: absorbance) as measured, shape (n, channels)."""
    density_sigma: FloatArray
    """Shape (n, channels)."""
    channels: tuple[str, ...]
    signal: FloatArray
    """Dilution undone, unmixed: 0 is the colour at the start, 1 the colour at the end."""
    sigma: FloatArray
    off_colour: FloatArray
    """Part of the colour that is not a mixture of start and end, as a part of the whole change."""
    hue_deg: FloatArray
    chroma: FloatArray
    rgb: NDArray[np.uint8]
    frames_used: IntArray
    flags: IntArray
    change_density: FloatArray
    """Density at the end minus density at the start, shape (channels,)."""
    start_density: FloatArray
    weights: FloatArray
    """The signal is weights @ (undiluted density - start_density), shape (channels,)."""
    frame_flags: IntArray
    """One entry per frame or row of the recording: why it was set aside, 0 if used."""
    frame_times_s: FloatArray
    flask_ml: float
    """Volume in the flask before the first addition."""
    delivery: Delivery | None
    """None where the rows themselves state their volumes."""
    path_cm: float = 1.0
    """Of a photometer's cell; its absorbances are those of 1 cm."""
    light_steps: float = 0.0
    """Steps of light that were undone, density: root sum of squares."""

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    def __len__(self) -> int:
        return int(self.volume_ml.size)

    @property
    def lag_matters(self) -> bool:
        """Whether part of what was delivered may not have mixed in yet."""
        return self.delivery is not None and self.delivery.mode != "per-still"

    def mixed_volume_ml(self, lag_s: float) -> FloatArray:
        """Volume that has mixed in at every point, mL, for a first-order mixing lag; shape (n,)."""
        if self.delivery is None or not self.lag_matters:
            return self.volume_ml
        return self.delivery.mixed_volume_at(self.time_s, max(lag_s, 0.0))

    def mixing_of(self, kept: NDArray[np.bool_]) -> Mixing:
        """`mixed_volume_ml` of some of the points, for a fit that asks for many lags.

        Parameters
        ----------
        kept:
            Shape (n,).
        """
        if self.delivery is None or not self.lag_matters:
            return Mixing.at_once(self.volume_ml[kept])
        return self.delivery.mixing_at(self.time_s[kept])

    @property
    def running_ml_s(self) -> float:
        """Rate of a delivery that runs on without pauses, mL/s; 0 for any other."""
        if self.delivery is None or self.delivery.mode != "continuous" or self.delivery.is_held:
            return 0.0
        return float(np.median(self.delivery.rate_ml_s_at(self.time_s)))

    @property
    def unmixed_prior_ml(self) -> tuple[float, float]:
        """Titrant in plumes to expect in view while it runs, mL, and its standard deviation.

        What runs in within about a second: stirred flasks spread a plume in 0.3 to 1.5 s, and
        in view it may look twice as large. Assumed, no source.
        """
        return 0.7 * self.running_ml_s, 1.2 * self.running_ml_s + 1e-4

    def flow_of(self, kept: NDArray[np.bool_]) -> FloatArray | None:
        """Titrant in plumes at some of the points, as a part of that at the usual rate.

        A plume spreads in about a second: where a pump is slowed or paused, less stands in view.

        Parameters
        ----------
        kept:
            Shape (n,).

        Returns
        -------
        Shape of the points that are kept; None for what does not run on.
        """
        usual_ml = self.running_ml_s * _SPREAD_S
        if usual_ml <= 0.0 or self.delivery is None:
            return None
        near_ml = self.volume_ml - self.delivery.mixed_volume_at(self.time_s, _SPREAD_S)
        return np.asarray(np.maximum(near_ml[kept], 0.0) / usual_ml)

    @property
    def reading_sd_ml(self) -> float:
        """Standard uncertainty of the volume of each point by itself, mL."""
        return 0.0 if self.delivery is None else self.delivery.reading_sd_ml

    @property
    def bend_prior(self) -> tuple[float, float]:
        """Bend of the colour scale to expect and its standard deviation.

        A photometer is straight. For a camera it grows with the darkness of the liquid: computed
        for a measured camera (Nikon D5100) under daylight, tungsten, fluorescent and LED light
        with tone curves of several contrasts, for dyes of plausible spectra.
        """
        if self.channels != RGB:
            return 0.0, 0.02
        return -0.05 - 0.6 * self.darkness, 0.08 + 0.25 * self.darkness

    @property
    def kink_prior(self) -> tuple[float, float]:
        """Next order of the bend to expect, and its standard deviation.

        The darkest channel of a camera follows less and less the darker it gets, its tone curve
        adds to that. Computed as for `bend_prior`, through liquids of uneven depth, it is -0.28
        times the square of the depth; rendered films with known truth are best served by less.
        """
        if self.channels != RGB:
            return 0.0, 0.02
        square = min(self.depth, 1.0) ** 2
        return -0.07 * square, 0.03 + 0.16 * square

    @property
    def usual_likeness(self) -> float:
        """Correlation to expect between the errors of neighbouring points.

        Films rendered and coded as phones do gave 0.4 between pauses of 4 s.
        """
        return 0.4 if self.channels == RGB and self.lag_matters else 0.0

    @property
    def depth(self) -> float:
        """Density of the darkest channel at the darker one of the two ends, dilution undone."""
        ends = np.stack([self.start_density, self.start_density + self.change_density])
        return max(float(ends.max()), 0.0)

    @property
    def is_clipped(self) -> bool:
        """Whether a channel of the camera has nothing left of the liquid in some of the points."""
        return self.channels == RGB and bool(nothing_left(self.rgb).any())

    @property
    def darkness(self) -> float:
        """Density of the liquid beyond what a camera follows in a straight line, >= 0."""
        return darkness_of(self.density)

    @property
    def floor(self) -> float:
        """Scatter between points to expect beyond `sigma`, same scale as `signal`."""
        return FLOOR_DENSITY * float(np.linalg.norm(self.weights))

    @property
    def change(self) -> float:
        """Size of the whole colour change, density (Euclidean over the channels)."""
        return float(np.linalg.norm(self.change_density))


def nothing_left(rgb: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Channels of the camera in which the liquid has nothing left, shape (3,).

    A colour so deep is clipped by the camera: mixed with the others, its density falls where it
    should rise. What is dark in all channels is no deep colour.
    """
    deep = (rgb <= _NOTHING_LEFT) & (rgb.max(axis=1, initial=0) > 4 * _NOTHING_LEFT)[:, None]
    return np.asarray(deep.sum(axis=0) > _CLIPPED_POINTS * len(rgb))
