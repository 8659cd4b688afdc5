"""Colour against added volume: frames gathered to points, dilution undone, red and blue unmixed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace, lab_and_rgb, mean_hue_deg
from endpoint.colour.off_colour import darkness_of, largest_off, off_colour_runs
from endpoint.curve.exposure import even_light
from endpoint.curve.groups import as_mixing, hold_groups, sweep_groups
from endpoint.curve.noise import frame_noise, repeats, row_noise
from endpoint.curve.segments import one_light
from endpoint.curve.strays import strays
from endpoint.curve.unmix import undilute, unmix
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.mixing import Mixing
from endpoint.problems import Flag

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
        return self.channels == RGB and bool(_nothing_left(self.rgb).any())

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


def _nothing_left(rgb: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Channels of the camera in which the liquid has nothing left, shape (3,).

    A colour so deep is clipped by the camera: mixed with the others, its density falls where it
    should rise. What is dark in all channels is no deep colour.
    """
    deep = (rgb <= _NOTHING_LEFT) & (rgb.max(axis=1, initial=0) > 4 * _NOTHING_LEFT)[:, None]
    return np.asarray(deep.sum(axis=0) > _CLIPPED_POINTS * len(rgb))


@dataclass(frozen=True, eq=False)
class _Points:
    volume_ml: FloatArray
    time_s: FloatArray
    density: FloatArray
    sigma: FloatArray
    hue_deg: FloatArray
    frames_used: IntArray
    flags: IntArray


def _build(
    points: _Points,
    channels: tuple[str, ...],
    flask_ml: float,
    frames: tuple[IntArray, FloatArray],
    delivery: Delivery | None,
    colour: tuple[FloatArray, NDArray[np.uint8]],
    path_cm: float = 1.0,
) -> Curve:
    undiluted = undilute(points.volume_ml, points.density, flask_ml)
    apart = strays(undiluted)
    light, stepped = np.zeros(len(apart)), 0.0
    clipped = _nothing_left(colour[1])
    if channels == RGB and not clipped.any():
        found = even_light(points.volume_ml[~apart], undiluted[~apart])
        light[~apart], stepped = found.density, found.scatter
    alike = np.array(apart)
    alike[~apart] = one_light(points.volume_ml[~apart], (undiluted - light[:, None])[~apart])
    signal, spread, off, weights, start, change = unmix(
        points.volume_ml, points.density, points.sigma, flask_ml, alike & ~apart, light, clipped
    )
    dark = darkness_of(points.density) if channels == RGB else 0.0
    strange = off_colour_runs(off, largest_off(dark))
    return Curve(
        volume_ml=points.volume_ml,
        time_s=points.time_s,
        density=points.density,
        density_sigma=points.sigma,
        channels=channels,
        signal=signal,
        sigma=spread,
        off_colour=off,
        hue_deg=points.hue_deg,
        chroma=colour[0],
        rgb=colour[1],
        frames_used=points.frames_used,
        flags=points.flags
        | np.where(strange, int(Flag.OFF_COLOUR), 0)
        | np.where(alike, 0, int(Flag.OTHER_LIGHT))
        | np.where(apart, int(Flag.OUTLIER), 0),
        change_density=change,
        start_density=start,
        weights=weights,
        frame_flags=frames[0],
        frame_times_s=frames[1],
        flask_ml=flask_ml,
        delivery=delivery,
        path_cm=path_cm,
        light_steps=stepped,
    )


def _gather(
    groups: list[IntArray],
    trace: ColourTrace,
    volume_ml: FloatArray,
    noise: FloatArray,
    moving: bool,
) -> _Points:
    rows = len(groups)
    density, sigma = np.zeros((rows, 3)), np.zeros((rows, 3))
    for k, group in enumerate(groups):
        part = trace.density[group]
        density[k] = np.median(part, axis=0)
        sigma[k] = _sigma_of(part, density[k], noise, moving)
    return _Points(
        volume_ml=np.array([float(volume_ml[g].mean()) for g in groups]),
        time_s=np.array([float(trace.time_s[g].mean()) for g in groups]),
        density=density,
        sigma=sigma,
        hue_deg=np.array([mean_hue_deg(trace.hue_deg[g]) for g in groups]),
        frames_used=np.array([g.size for g in groups], dtype=np.int64),
        flags=np.zeros(rows, dtype=np.int64),
    )


def _sigma_of(part: FloatArray, middle: FloatArray, noise: FloatArray, moving: bool) -> FloatArray:
    """Standard deviation of the median of n frames, shape (3,), from their densities (n, 3)."""
    scatter = 1.4826 * np.median(np.abs(part - middle), axis=0)
    # Neighbouring frames of a film are correlated (compression): a quarter of them counts.
    independent = max(len(part) / 4.0, 1.0)
    sigma = 1.2533 * np.maximum(scatter, noise) / np.sqrt(independent)
    if len(part) >= 6 and moving:
        # A colour that still moves from the first to the second half is not mixed yet.
        half = len(part) // 2
        drift = np.median(part[half:], axis=0) - np.median(part[:half], axis=0)
        sigma = np.hypot(sigma, np.maximum(np.abs(drift) - 2.0 * sigma, 0.0))
    return np.asarray(sigma)


def from_colour(
    trace: ColourTrace, delivery: Delivery, flask_ml: float, lag_s: float = 1.5
) -> Curve:
    """Curve of a film, of stills or of a camera.

    Parameters
    ----------
    trace:
        Colour against time.
    delivery:
        Delivered volume against time.
    flask_ml:
        Volume in the flask before the first addition, mL.
    lag_s:
        Mixing time, s: frames earlier than four times this after a step are set aside, but never
        more than 60 % of a pause.
    """
    volume_ml = delivery.volume_at(trace.time_s)
    usable = trace.usable
    flags = np.array(trace.flags)
    if delivery.mode == "continuous" and not delivery.is_held:
        old = usable & repeats(trace.density)
        usable = usable & ~old
        flags[old] |= int(Flag.REPEATED)
        groups = sweep_groups(volume_ml, usable, trace.density, trace.time_s)
    elif delivery.mode == "per-still":
        groups = [np.array([k]) for k in np.flatnonzero(usable)]
    else:
        ends = trace.time_s[[0, -1]] if trace.time_s.size else np.zeros(2)
        marked = (flags & int(Flag.MIXING)) != 0
        calm_s = trace.time_s[~marked] if marked.any() else None
        spans = delivery.settled_spans(float(ends[0]), float(ends[1]), lag_s, calm_s)
        groups, unsettled = hold_groups(trace.time_s, usable, spans)
        flags = as_mixing(flags, unsettled)
    noise = frame_noise(trace.density[usable])
    points = _gather(groups, trace, volume_ml, noise, delivery.is_held)
    order = np.argsort(points.volume_ml, kind="stable")
    points = _Points(*(getattr(points, name)[order] for name in points.__dataclass_fields__))
    if len(groups):
        shown = np.array([np.median(trace.display_density[g], axis=0) for g in groups])
        _, chroma, rgb = lab_and_rgb(shown[order])
    else:
        chroma, rgb = np.zeros(0), np.zeros((0, 3), dtype=np.uint8)
        return _empty(flask_ml, (flags, trace.time_s), delivery, RGB)
    return _build(
        points,
        RGB,
        flask_ml,
        (flags, np.array(trace.time_s)),
        delivery,
        (chroma, rgb),
    )


def _empty(
    flask_ml: float,
    frames: tuple[IntArray, FloatArray],
    delivery: Delivery | None,
    channels: tuple[str, ...],
) -> Curve:
    none, k = np.zeros(0), len(channels)
    whole = np.zeros(0, dtype=np.int64)
    return Curve(
        volume_ml=none,
        time_s=none,
        density=np.zeros((0, k)),
        density_sigma=np.zeros((0, k)),
        channels=channels,
        signal=none,
        sigma=none,
        off_colour=none,
        hue_deg=none,
        chroma=none,
        rgb=np.zeros((0, 3), dtype=np.uint8),
        frames_used=whole,
        flags=whole,
        change_density=np.zeros(k),
        start_density=np.zeros(k),
        weights=np.zeros(k),
        frame_flags=np.array(frames[0], dtype=np.int64),
        frame_times_s=np.array(frames[1]),
        flask_ml=flask_ml,
        delivery=delivery,
    )


def from_absorbance(
    volume_ml: FloatArray,
    absorbance: FloatArray,
    channels: tuple[str, ...],
    flask_ml: float,
    *,
    saturated: NDArray[np.bool_],
    time_s: FloatArray | None = None,
    delivery: Delivery | None = None,
    path_cm: float = 1.0,
) -> Curve:
    """Curve of a photometer table.

    Parameters
    ----------
    volume_ml:
        Added volume of every row, shape (n,).
    absorbance:
        Of 1 cm, shape (n, channels).
    channels:
        Names such as "620 nm".
    flask_ml:
        Volume in the flask before the first addition, mL.
    saturated:
        Rows above the usable absorbance, shape (n,): set aside.
    time_s, delivery:
        Given where the rows carry times and the volume comes from a log.
    path_cm:
        Of the cell: the more it absorbs, the less is a row worth.
    """
    flags = np.where(saturated, int(Flag.SATURATED), 0).astype(np.int64)
    if channels == RGB and delivery is not None and delivery.mode == "continuous":
        flags[repeats(absorbance)] |= int(Flag.REPEATED)
    times = np.arange(len(volume_ml), dtype=np.float64) if time_s is None else time_s
    kept = np.flatnonzero(flags == 0)
    if kept.size == 0:
        return _empty(flask_ml, (flags, times), delivery, channels)
    order = kept[np.argsort(volume_ml[kept], kind="stable")]
    sigma = row_noise(absorbance[order], path_cm)
    points = _Points(
        volume_ml=volume_ml[order],
        time_s=times[order],
        density=absorbance[order],
        sigma=sigma,
        hue_deg=np.zeros(order.size),
        frames_used=np.ones(order.size, dtype=np.int64),
        flags=np.zeros(order.size, dtype=np.int64),
    )
    blank = (np.zeros(order.size), np.zeros((order.size, 3), dtype=np.uint8))
    return _build(points, channels, flask_ml, (flags, times), delivery, blank, path_cm)
