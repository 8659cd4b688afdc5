"""Which frames of a recording make one point of the curve: a pause, or a small volume."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from endpoint.curve.unmix import ends_of
from endpoint.delivery.delivery import look_s
from endpoint.problems import Flag

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_FINE_BIN_ML, _COARSE_BIN_ML = 0.02, 0.1
"""Width of the volumes of a continuous delivery that make one point, mL: where the colour changes,
and elsewhere. Assumed: wider, and the change (0.3 mL and more) has too few points; narrower, and a
point holds no more than a frame or two."""
_PAUSE_PARTS_S = (0.7, 1.5, 2.5, 4.0, 6.0, 10.0, 20.0)
"""Seconds since a pump stopped at which a new point begins: close together while the liquid mixes
(time constants of 0.3 to 3 s), far apart once it has settled. Assumed."""


def hold_groups(
    time_s: FloatArray, usable: NDArray[np.bool_], spans: list[tuple[float, float, float]]
) -> tuple[list[IntArray], NDArray[np.bool_]]:
    """Frames of the end of every pause, and those in which titrant runs in or mixes.

    Parameters
    ----------
    time_s:
        Times of the frames, rising, shape (n,).
    usable:
        Frames without a flag, shape (n,).
    spans:
        Volume, mL, begin and end, s, of every settled span (`Delivery.settled_spans`).

    Returns
    -------
    One array of frame numbers for each pause that has usable frames; whether each frame lies
    outside all pauses, shape (n,).
    """
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


def as_mixing(flags: IntArray, unsettled: NDArray[np.bool_]) -> IntArray:
    """Flags, shape (n,), in which frames of pouring and mixing say so.

    A plume in the flask looks like a flask that has moved; a flask that has moved is still
    elsewhere when the liquid has settled.
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


def sweep_groups(
    volume_ml: FloatArray, usable: NDArray[np.bool_], density: FloatArray, time_s: FloatArray
) -> list[IntArray]:
    """Frames of a continuous delivery in volume bins, fine where the colour changes.

    Parameters
    ----------
    volume_ml, time_s:
        Delivered volume and time of the frames, rising, shape (n,).
    usable:
        Frames without a flag, shape (n,).
    density:
        Shape (n, 3).

    Returns
    -------
    One array of frame numbers for each bin.
    """
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
