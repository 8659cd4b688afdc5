"""Delivered volume out of the picture: readings that were typed, and what was seen in between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.burette.drops import DropCount
from endpoint.burette.full_tube import MeniscusTrace
from endpoint.burette.meniscus import HIDDEN
from endpoint.burette.tube import Scale, unseen
from endpoint.delivery.delivery import Delivery
from endpoint.messages import Sentence, seen_remark
from endpoint.problems import DeliveryProblem

FloatArray = NDArray[np.float64]

READING_U_ML = 0.02 / 6**0.5
"""Standard uncertainty of one reading: a fifth of a division of 0.1 mL, triangular (common
practice, no source)."""
_DEPTH_RATIO = 1.0085
_DEPTH_RATIO_U = 0.0032
"""True volume per printed volume behind the meniscus: 1 + 3 to 4 mm (the crescent behind the
print, made shorter by refraction; rays traced through tubes of 25 and 50 mL) over the distance
of the camera, 250 mm to 1.2 m: anything from 1.003 to 1.014 (rectangular)."""
_EDGE_ML = 0.004
_BOW_ML = 0.008
"""Place of the crescent against the lowest point: scatter, and bow over half of a view of 30
degrees (rays traced; 0.013 mL over 40 degrees)."""
_UNSTEADY_ML = 0.04
_MOST_UNSTEADY = 0.03
_REFILL_ML = 0.3
_BOWED = 0.012
"""Largest departure from a straight scale, as a part of the volume: 5 degrees of pitch, a third
of the distance of the camera (computed)."""
DROP_ML = (0.03, 0.06)
"""Usual volume of a drop from a burette (from memory of general teaching)."""
_DROP_LIMIT_ML = (0.015, 0.10)
_MOST_MISS = 0.10
_LEAST_FRAMES = 0.3
_PAUSE_S, _LEVEL_ML, _LEAST_PAUSES, _LONGEST_POUR_S = 3.0, 0.012, 6, 15.0


@dataclass(frozen=True, eq=False)
class PictureVolume:
    """Delivered volume over time with its uncertainty; arrays cannot be written to."""

    delivery: Delivery
    """Continuous, 0 at the start of the recording."""
    time_s: FloatArray
    """Frames (meniscus) or drops, shape (n,)."""
    volume_ml: FloatArray
    """Shape (n,)."""
    sigma_ml: FloatArray
    """Standard uncertainty of `volume_ml`, shape (n,); largely common to all."""
    flags: NDArray[np.int64]
    """0 where the volume was seen, `meniscus.HIDDEN` where it lies between others."""
    parallax_ml: float
    """What the printed lines alone would have put wrong over the whole volume."""
    drop_ml: float | None
    remarks: tuple[Sentence, ...]

    def __post_init__(self) -> None:
        for name in ("time_s", "volume_ml", "sigma_ml", "flags"):
            getattr(self, name).setflags(write=False)

    def sigma_at(self, volume_ml: float) -> float:
        """Standard uncertainty of a delivered volume, mL."""
        return float(np.interp(volume_ml, self.volume_ml, self.sigma_ml))


def _remarks(codes: list[str]) -> tuple[Sentence, ...]:
    return tuple(seen_remark(code) for code in dict.fromkeys(codes))


def delivery_from_meniscus(
    trace: MeniscusTrace,
    *,
    start_ml: float | None = None,
    end_ml: float | None = None,
    division_ml: float = 0.1,
    reading_u_ml: float = READING_U_ML,
) -> PictureVolume:
    """Delivered volume from the followed meniscus.

    Parameters
    ----------
    trace:
        From `meniscus.MeniscusFollower`.
    start_ml, end_ml:
        Readings at eye level before the first and after the last frame, mL; both or none.
    division_ml:
        Volume between two printed lines, mL.
    reading_u_ml:
        Standard uncertainty of one reading.

    Raises
    ------
    DeliveryProblem
        The meniscus was seen too seldom, nothing gives a scale, or readings and lines contradict
        each other.
    """
    good = trace.flags == 0
    codes: list[str] = []
    if good.sum() < 5 or good.mean() < _LEAST_FRAMES:
        raise unseen("meniscus-seldom", seen=int(good.sum()), all=good.size)
    time, place = trace.time_s[good], _steadied(trace.place_px[good])
    ends = (float(np.median(place[:5])), float(np.median(place[-5:])))
    typed = None if start_ml is None or end_ml is None else end_ml - start_ml
    rough = None
    if typed is not None and abs(ends[1] - ends[0]) > 10 and typed / (ends[1] - ends[0]) > 0:
        rough = typed / (ends[1] - ends[0])
    scale = trace.scale(division_ml, rough) or (trace.scale(division_ml, None) if rough else None)
    reading, ratio, ratio_u = _readings(scale, place, ends, typed, reading_u_ml, codes)
    volume, fills, unsteady = _poured(time, reading)
    if unsteady > _MOST_UNSTEADY:
        raise unseen("meniscus-unsteady", share=f"{unsteady:.0%}")
    total = float(volume[-1])
    sigma = _sigma(volume, total, scale, ratio_u, reading_u_ml, typed is not None, fills)
    if fills > 1:
        codes.append("refilled")
    if abs(trace.tube.tilt_deg) > 3.0:
        codes.append("tube-leans")
    if good.mean() < 0.98:
        codes.append("meniscus-hidden")
    between = _unseen(trace.time_s, time, volume)
    all_sigma = np.hypot(np.interp(trace.time_s, time, sigma), between)
    return PictureVolume(
        _line(time, volume),
        trace.time_s.copy(),
        np.interp(trace.time_s, time, volume),
        all_sigma,
        np.where(good, 0, HIDDEN).astype(np.int64),
        abs(ratio - 1.0) * total,
        None,
        _remarks(codes),
    )


def _steadied(place: FloatArray) -> FloatArray:
    """Median of three: a single frame unlike its neighbours is not a reading; steps stay."""
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(place, 3, mode="nearest"), dtype=np.float64)


def _readings(
    scale: Scale | None,
    place: FloatArray,
    ends: tuple[float, float],
    typed: float | None,
    reading_u_ml: float,
    codes: list[str],
) -> tuple[FloatArray, float, float]:
    """Reading from the start, mL; true per printed reading; its standard uncertainty."""
    if scale is None:
        if typed is None or typed < 1.0 or ends[1] - ends[0] < 20:
            raise DeliveryProblem(
                "The picture has no scale: the lines of the burette are not resolved"
                + (", and no readings were given." if typed is None else "."),
                "Film the burette larger, or give start_ml and end_ml at least 1 mL apart, "
                "without filling it in between.",
            )
        codes.append("scale-missing")
        per_px = typed / (ends[1] - ends[0])
        return (place - ends[0]) * per_px, 1.0, 2**0.5 * reading_u_ml / typed
    printed = scale.reading_ml(place) - float(scale.reading_ml(ends[0]))
    span = float(scale.reading_ml(ends[1]) - scale.reading_ml(ends[0]))
    if typed is None:
        codes.append("parallax")
        return printed * _DEPTH_RATIO, _DEPTH_RATIO, _DEPTH_RATIO_U
    away = abs(typed - span * _DEPTH_RATIO)
    allowed = 3.0 * (2 * reading_u_ml**2 + (span * _DEPTH_RATIO_U) ** 2) ** 0.5
    if away > 0.15 + 2 * allowed:
        raise DeliveryProblem(
            f"The readings say {typed:.2f} mL and the printed lines {span * _DEPTH_RATIO:.2f} mL.",
            "Check start_ml, end_ml and division_ml, and that the film covers all that was "
            "delivered.",
        )
    if away > allowed:
        codes.append("readings-differ")
    # Prior of the optics and the two readings, weighted by what each is worth.
    prior_w = _DEPTH_RATIO_U**-2
    typed_w = span**2 / (2 * reading_u_ml**2)
    ratio = (prior_w * _DEPTH_RATIO + (typed_w * typed / span if span else 0.0)) / (
        prior_w + typed_w
    )
    return printed * ratio, ratio, (prior_w + typed_w) ** -0.5


def _poured(time: FloatArray, reading: FloatArray) -> tuple[FloatArray, int, float]:
    """Never falling delivered volume, number of fillings, part of the frames far from it.

    Filling again adds nothing.
    """
    from scipy.optimize import isotonic_regression

    out, off = np.zeros(reading.size), np.zeros(reading.size)
    total, begin, fills = 0.0, 0, 0
    while begin < reading.size:
        part = reading[begin:]
        above = np.maximum.accumulate(part) - part
        fall = np.flatnonzero(above > _REFILL_ML)
        if fall.size == 0:
            stop = reading.size
        else:
            stop = begin + int(np.argmax(part[: int(fall[0]) + 1])) + 1
        level = np.asarray(isotonic_regression(reading[begin:stop]).x)
        out[begin:stop] = total + np.maximum(level - level[0], 0.0)
        off[begin:stop] = np.abs(level - reading[begin:stop])
        total, fills = float(out[stop - 1]), fills + 1
        begin = stop
        if stop < reading.size:
            begin = _filled(time, reading, stop)
            out[stop:begin] = total
    return out, fills, float(np.mean(off > _UNSTEADY_ML))


def _filled(time: FloatArray, reading: FloatArray, start: int) -> int:
    """First frame after filling: the level no longer rises for two seconds, or sinks again."""
    low = start
    for k in range(start, reading.size):
        if reading[k] < reading[low] - 0.01:
            low = k
        elif reading[k] > reading[low] + 0.05 or time[k] - time[low] > 2.0:
            break
    return low


def _sigma(
    volume: FloatArray,
    total: float,
    scale: Scale | None,
    ratio_u: float,
    reading_u_ml: float,
    typed: bool,
    fills: int,
) -> FloatArray:
    """Standard uncertainty of the delivered volume from ratio, lines, edge and readings."""
    part = np.clip(volume / max(total, 1e-9), 0, 1)
    middle = 4 * part * (1 - part)
    parts = (volume * ratio_u) ** 2 + 2 * _EDGE_ML**2 * fills + (_BOW_ML * middle) ** 2
    if scale is not None:
        parts = parts + 2 * scale.sigma_ml**2
    else:
        parts = parts + (_BOWED * total * middle) ** 2 / 3
    if typed:
        parts = parts + 2 * (fills - 1) * reading_u_ml**2
    return np.asarray(np.sqrt(parts))


def _unseen(every_s: FloatArray, seen_s: FloatArray, volume: FloatArray) -> FloatArray:
    """Standard uncertainty within a gap: anywhere between the volumes at its ends."""
    k = np.clip(np.searchsorted(seen_s, every_s, side="left"), 1, seen_s.size - 1)
    rise = volume[k] - volume[k - 1]
    inside = (every_s > seen_s[k - 1]) & (every_s < seen_s[k])
    return np.asarray(np.where(inside, rise / 12**0.5, 0.0))


def _nodes(time: FloatArray, volume: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Corners of the volume: the middle of a level stretch needs no node."""
    level = np.diff(volume) < 1e-9
    keep = np.r_[True, ~(level[:-1] & level[1:]), True] if volume.size > 2 else np.ones(2, bool)
    return time[keep].copy(), volume[keep].copy()


def _line(time_s: FloatArray, volume_ml: FloatArray) -> Delivery:
    """Straight lines between the volumes, with the pauses that they show."""
    nodes_s, nodes_ml = _nodes(time_s, volume_ml)
    return Delivery("continuous", nodes_s, nodes_ml, pauses_of(nodes_s, nodes_ml))


def of_log(
    time_s: FloatArray, volume_ml: FloatArray, sigma_ml: FloatArray, mode: str = "continuous"
) -> PictureVolume:
    """Delivered volume of a log that states how well each volume is known.

    Parameters
    ----------
    time_s, volume_ml, sigma_ml:
        Times (rising), cumulative volumes and their standard uncertainties, shape (n,).
    mode:
        "continuous" or "steps".
    """
    held = Delivery("steps", time_s.copy(), volume_ml.copy()) if mode == "steps" else None
    return PictureVolume(
        held or _line(time_s, volume_ml),
        time_s.copy(),
        volume_ml.copy(),
        sigma_ml.copy(),
        np.zeros(time_s.size, dtype=np.int64),
        0.0,
        None,
        (),
    )


def pauses_of(time_s: FloatArray, volume_ml: FloatArray) -> FloatArray:
    """Spans of at least 3 s in which nothing is poured; none where most is poured without pause.

    Parameters
    ----------
    time_s, volume_ml:
        Corners of the delivered volume, rising, shape (n,).

    Returns
    -------
    Begin and end of each, s, shape (k, 2). Empty unless at least 6 pauses take half of the time
    and no pouring between two of them takes longer than 15 s: then the pauses say all.
    """
    found = level_spans(time_s, volume_ml)
    whole_s = float(time_s[-1] - time_s[0])
    if len(found) < _LEAST_PAUSES or np.sum(found[:, 1] - found[:, 0]) < 0.5 * whole_s:
        return np.zeros((0, 2))
    if np.max(found[1:, 0] - found[:-1, 1]) > _LONGEST_POUR_S:
        return np.zeros((0, 2))
    return found


def level_spans(time_s: FloatArray, volume_ml: FloatArray) -> FloatArray:
    """All spans of at least 3 s in which nothing is poured, s, shape (k, 2); see `pauses_of`."""
    pauses: list[tuple[float, float]] = []
    i = 0
    while i < time_s.size - 1:
        j = int(np.searchsorted(volume_ml, volume_ml[i] + _LEVEL_ML, side="right")) - 1
        if time_s[j] - time_s[i] < _PAUSE_S:
            i += 1
            continue
        level = float(np.interp(0.5 * (time_s[i] + time_s[j]), time_s, volume_ml))
        calm = np.flatnonzero(np.abs(volume_ml[i : j + 1] - level) <= 0.5 * _LEVEL_ML) + i
        if calm.size and time_s[calm[-1]] - time_s[calm[0]] >= _PAUSE_S:
            pauses.append((float(time_s[calm[0]]), float(time_s[calm[-1]])))
        i = j + 1
    return np.array(pauses, dtype=np.float64).reshape(-1, 2)


def delivery_from_drops(
    drops: DropCount,
    *,
    start_ml: float,
    end_ml: float,
    reading_u_ml: float = READING_U_ML,
) -> PictureVolume:
    """Delivered volume from counted drops, scaled to two readings.

    Parameters
    ----------
    drops:
        From `drops.DropCounter`.
    start_ml, end_ml:
        Readings before the first and after the last frame, mL.
    reading_u_ml:
        Standard uncertainty of one reading.

    Raises
    ------
    DeliveryProblem
        The titrant ran as a stream, no drops were seen, or their volume is impossible.
    """
    if drops.stream_s:
        begin, end = drops.stream_s[0]
        raise unseen("stream", begin=f"{begin:.1f}", end=f"{end:.1f}")
    poured = end_ml - start_ml
    if drops.count < 3 or poured <= 0:
        raise unseen("drops-few", count=drops.count, poured=f"{poured:.2f}")
    missed = drops.count * drops.miss_chance + drops.suspected_missed
    drop_ml = poured / drops.count
    if not _DROP_LIMIT_ML[0] <= drop_ml <= _DROP_LIMIT_ML[1] or missed > _MOST_MISS * drops.count:
        raise unseen(
            "drops-impossible",
            count=drops.count,
            poured=f"{poured:.2f}",
            drop=f"{drop_ml:.3f}",
            missed=f"{missed:.0f}",
        )
    codes = [] if DROP_ML[0] <= drop_ml <= DROP_ML[1] else ["drop-size"]
    if missed >= 0.5:
        codes.append("drops-missed")
    count = np.arange(1, drops.count + 1, dtype=np.float64)
    volume = count * drop_ml
    part = count / drops.count
    bridge = part * (1.0 - part)
    sigma = np.sqrt(
        2 * reading_u_ml**2 * part**2
        + (0.3 * drop_ml) ** 2
        + (drop_ml**2) * bridge * (missed + 0.03**2 * drops.count)
    )
    nodes_s, nodes_ml = drop_ramps(drops.time_s, drop_ml)
    every_s, every_ml = np.r_[drops.first_s, nodes_s, drops.last_s], np.r_[0.0, nodes_ml, poured]
    return PictureVolume(
        Delivery("continuous", nodes_s, nodes_ml, pauses_of(every_s, every_ml)),
        drops.time_s.copy(),
        volume,
        sigma,
        np.zeros(drops.count, dtype=np.int64),
        0.0,
        drop_ml,
        _remarks(codes),
    )


def drop_ramps(time_s: FloatArray, drop_ml: float) -> tuple[FloatArray, FloatArray]:
    """Corners of the volume of drops; each is a short ramp, as a continuous line has no jumps.

    Parameters
    ----------
    time_s:
        When each let go, rising, shape (n,).
    drop_ml:
        Volume of one.

    Returns
    -------
    Times and volumes, shape (2 n,) each.
    """
    ramp_s = np.minimum(0.03, 0.5 * np.diff(time_s, append=time_s[-1] + 1.0))
    nodes_s = np.column_stack([time_s, time_s + ramp_s]).ravel()
    return nodes_s, np.repeat(np.arange(time_s.size + 1) * drop_ml, 2)[1:-1]
