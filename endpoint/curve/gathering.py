"""From frames or rows to a curve: gathered to points, dilution undone, red and blue unmixed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace, lab_and_rgb, mean_hue_deg
from endpoint.colour.off_colour import darkness_of, largest_off, off_colour_runs
from endpoint.curve.exposure import even_light
from endpoint.curve.groups import as_mixing, hold_groups, sweep_groups
from endpoint.curve.points import RGB, Curve, nothing_left
from endpoint.curve.segments import one_light
from endpoint.curve.strays import strays
from endpoint.curve.unmix import ROW_NOISE, undilute, unmix
from endpoint.delivery.delivery import Delivery
from endpoint.problems import Flag

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_LEAST_NOISE = 5e-4
"""Absorbance: the last digit of a good photometer. Common practice, no source."""
_HIGH = 1.5
"""Absorbance of the cell above which the scatter of rows is looked at by itself. Assumed: a scatter
of 3e-4 in the light is 0.004 in absorbance there, several times that of a pale cell."""
_TRANSMITTANCE_NOISE = 3e-4
"""Usual scatter of the transmittance of a photometer (data sheets: 0.01 to 0.1 %)."""
_FEW = 6
"""Rows above `_HIGH` below which the usual scatter is taken. Assumed."""


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
    clipped = nothing_left(colour[1])
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
    if not groups:
        return _empty(flask_ml, (flags, trace.time_s), delivery, RGB)
    noise = frame_noise(trace.density[usable])
    points = _gather(groups, trace, volume_ml, noise, delivery.is_held)
    order = np.argsort(points.volume_ml, kind="stable")
    points = _Points(*(getattr(points, name)[order] for name in points.__dataclass_fields__))
    shown = np.array([np.median(trace.display_density[g], axis=0) for g in groups])
    _, chroma, rgb = lab_and_rgb(shown[order])
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


def frame_noise(density: FloatArray) -> FloatArray:
    """Scatter between neighbouring frames without their common trend, shape (channels,)."""
    if len(density) < 4:
        return np.full(density.shape[1], ROW_NOISE)
    return np.asarray(1.4826 * np.median(_bends(density), axis=0))


def repeats(density: FloatArray) -> NDArray[np.bool_]:
    """Frames that show the colour of the frame before to the last digit, shape (n,).

    No camera sees one colour twice: the coding kept an old picture. While titrant runs in, such a
    colour is too old for its volume.

    Parameters
    ----------
    density:
        Of all three channels of a camera, shape (n, 3).
    """
    same = np.r_[False, np.all(np.diff(density, axis=0) == 0.0, axis=1)]
    return np.asarray(same[: len(density)], dtype=np.bool_)


def row_noise(absorbance: FloatArray, path_cm: float) -> FloatArray:
    """Standard deviation of the rows of a photometer, shape of `absorbance`.

    A detector scatters by the same light whatever the cell absorbs, so that dark cells scatter the
    more in absorbance: by the factor 10^A.

    Parameters
    ----------
    absorbance:
        Of 1 cm, in order of volume, shape (n, channels).
    path_cm:
        Of the cell.
    """
    noise = np.maximum(frame_noise(absorbance), _LEAST_NOISE)
    out = np.tile(noise, (len(absorbance), 1))
    dark = 10.0 ** np.clip(path_cm * absorbance, 0.0, 6.0)
    for channel in range(absorbance.shape[1]):
        high = path_cm * absorbance[:, channel] > _HIGH
        if not high.any():
            continue
        light = _TRANSMITTANCE_NOISE / np.log(10.0)
        rows = high[1:-1] & high[:-2] & high[2:]
        if rows.sum() >= _FEW:
            bends = path_cm * _bends(absorbance[:, channel]) / dark[1:-1, channel]
            light = 1.4826 * float(np.median(bends[rows]))
        out[:, channel] = np.hypot(out[:, channel], light * dark[:, channel] / path_cm)
    return out


def _bends(values: FloatArray) -> FloatArray:
    """Second differences, scaled to the scatter of one value."""
    return np.asarray(np.abs(np.diff(values, n=2, axis=0)) / np.sqrt(6.0))
