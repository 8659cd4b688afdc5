"""Colour against added volume: frames gathered to points, dilution undone, red and blue unmixed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace, lab_and_rgb, mean_hue_deg
from endpoint.colour.off_colour import darkness_of, largest_off, off_colour_runs
from endpoint.curve.noise import frame_noise, row_noise
from endpoint.curve.segments import one_light
from endpoint.curve.strays import strays
from endpoint.curve.unmix import ends_of, undilute, unmix
from endpoint.delivery.delivery import Delivery, look_s
from endpoint.problems import Flag

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

RGB = ("red", "green", "blue")

FLOOR_DENSITY = 0.0005
"""Scatter between points that no frame-to-frame scatter shows; the fit finds the true one."""
_FINE_BIN_ML = 0.02
_COARSE_BIN_ML = 0.1
_MOST_POINTS = 900
_PAUSE_PARTS_S = (0.7, 1.5, 2.5, 4.0, 6.0, 10.0, 20.0)


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
        """Volume that has mixed in at every point, for a first-order mixing lag."""
        if self.delivery is None or not self.lag_matters:
            return self.volume_ml
        return np.asarray(self.delivery.mixed_volume_at(self.time_s, max(lag_s, 0.0)))

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
    alike = np.array(apart)
    alike[~apart] = one_light(points.volume_ml[~apart], undiluted[~apart])
    signal, spread, off, weights, start, change = unmix(
        points.volume_ml, points.density, points.sigma, flask_ml, alike & ~apart
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
    )


def _hold_groups(
    time_s: FloatArray, usable: NDArray[np.bool_], spans: list[tuple[float, float, float]]
) -> tuple[list[IntArray], NDArray[np.bool_]]:
    """Frames of the end of every pause; and which lie outside: the liquid mixes or is poured."""
    longest_s = look_s(time_s)
    groups: list[IntArray] = []
    settled = np.zeros(time_s.size, dtype=bool)
    for _, start, stop in spans:
        inside = (time_s >= start) & (time_s <= stop)
        settled |= inside
        kept = np.flatnonzero(inside & usable & (time_s >= stop - longest_s))
        if kept.size:
            groups.append(kept)
    return groups, ~settled


def _as_mixing(flags: IntArray, unsettled: NDArray[np.bool_]) -> IntArray:
    """Flags with the frames of pouring and mixing told as what they are.

    A plume in the flask looks like a flask that has moved; one that has is still elsewhere when
    the liquid has settled.
    """
    out = flags.copy()
    moved = (flags & int(Flag.CAMERA_MOVED)) != 0
    edges = np.flatnonzero(np.diff(np.r_[False, moved, False].astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if unsettled[start:stop].all():
            out[start:stop] &= ~int(Flag.CAMERA_MOVED)
    out[unsettled & (out == 0)] |= int(Flag.MIXING)
    return out


def _pause_parts(time_s: FloatArray, volume_ml: FloatArray) -> IntArray:
    """Parts of a pause of a continuous delivery, longer and longer, shape (n,); 0 while it runs.

    While the liquid mixes, the mean of its colours is not that of the mean time.
    """
    held = np.r_[False, np.diff(volume_ml) <= 0.0]
    begin = np.flatnonzero(held & ~np.r_[False, held[:-1]])
    if begin.size == 0:
        return np.zeros(time_s.size, dtype=np.int64)
    pause = np.maximum(np.searchsorted(begin, np.arange(time_s.size), side="right") - 1, 0)
    since = np.maximum(time_s - time_s[np.maximum(begin[pause] - 1, 0)], 0.0)
    part = np.digitize(since, _PAUSE_PARTS_S) + 1
    return np.where(held, part, 0).astype(np.int64)


def _sweep_groups(
    volume_ml: FloatArray, usable: NDArray[np.bool_], density: FloatArray, time_s: FloatArray
) -> list[IntArray]:
    """Frames of a continuous delivery in volume bins, fine where the colour changes."""
    index = np.flatnonzero(usable)
    if index.size == 0:
        return []
    v, d = volume_ml[index], density[index]
    coarse = max(_COARSE_BIN_ML, float(np.ptp(v)) / 300.0)
    number = np.floor(v / coarse)
    start, end = ends_of(v, d)
    change = end - start
    scale = float(change @ change)
    if scale > 0:
        s = (d - start) @ change / scale
        busy = v[(s > 0.1) & (s < 0.9)]
        if busy.size:
            # Whole bins, so that a frame more or less does not shift all of them.
            low, high = np.percentile(busy, [5, 95])
            low = np.floor((low - 0.6) / coarse) * coarse
            high = np.ceil((high + 0.6) / coarse) * coarse
            near = (v > low) & (v < high)
            parts = np.ceil(coarse / max(_FINE_BIN_ML, (high - low) / 400.0))
            number[near] = np.floor(v[near] / coarse * parts) / parts
    parts_of_pause = _pause_parts(time_s[index], v)
    new = (np.diff(number) != 0) | (np.diff(parts_of_pause) != 0)
    return [index[part] for part in np.split(np.arange(v.size), np.flatnonzero(new) + 1)]


def _gather(
    groups: list[IntArray],
    trace: ColourTrace,
    volume_ml: FloatArray,
    noise: FloatArray,
    moving: bool,
) -> _Points:
    rows = len(groups)
    density, sigma = np.zeros((rows, 3)), np.zeros((rows, 3))
    hue = np.zeros(rows)
    for k, group in enumerate(groups):
        part = trace.density[group]
        density[k] = np.median(part, axis=0)
        scatter = 1.4826 * np.median(np.abs(part - density[k]), axis=0)
        # Neighbouring frames of a film are correlated (compression): a quarter of them counts.
        independent = max(group.size / 4.0, 1.0)
        sigma[k] = 1.2533 * np.maximum(scatter, noise) / np.sqrt(independent)
        if group.size >= 6 and moving:
            # A colour that still moves from the first to the second half is not mixed yet.
            half = group.size // 2
            drift = np.median(part[half:], axis=0) - np.median(part[:half], axis=0)
            sigma[k] = np.hypot(sigma[k], np.maximum(np.abs(drift) - 2.0 * sigma[k], 0.0))
        hue[k] = mean_hue_deg(trace.hue_deg[group])
    return _Points(
        volume_ml=np.array([float(volume_ml[g].mean()) for g in groups]),
        time_s=np.array([float(trace.time_s[g].mean()) for g in groups]),
        density=density,
        sigma=sigma,
        hue_deg=hue,
        frames_used=np.array([g.size for g in groups], dtype=np.int64),
        flags=np.zeros(rows, dtype=np.int64),
    )


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
        groups = _sweep_groups(volume_ml, usable, trace.density, trace.time_s)
    elif delivery.mode == "per-still":
        groups = [np.array([k]) for k in np.flatnonzero(usable)]
    else:
        ends = trace.time_s[[0, -1]] if trace.time_s.size else np.zeros(2)
        spans = delivery.settled_spans(float(ends[0]), float(ends[1]), lag_s)
        groups, unsettled = _hold_groups(trace.time_s, usable, spans)
        flags = _as_mixing(flags, unsettled)
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
    times = np.arange(len(volume_ml), dtype=np.float64) if time_s is None else time_s
    kept = np.flatnonzero(~saturated)
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
