"""A dozen small pictures of a recording that show where the colour was measured, and when not.

They are read once more from the source after the analysis, so nothing has to be kept meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint import tracking
from endpoint.pipeline import Result
from endpoint.problems import Flag
from endpoint.region import Region
from endpoint.sources.frame import Frame, PictureSource, SeekingSource, Spans, small, small_step
from endpoint.steadiness import camera_shift, has_moved, small_picture

_LONG_SIDE = 400
_NOT_SHOWN = Flag.MIXING | Flag.BEFORE_START
_AROUND_ML = (-0.4, -0.05, 0.25)
_MOST_ASIDE = 4

Polygon = tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class Glimpse:
    """One small picture; the array cannot be written to."""

    time_s: float
    volume_ml: float
    """Delivered volume."""
    flags: Flag
    """Why the frame was set aside; none if it was used."""
    picture: NDArray[np.uint8]
    """Shape (h, w, 3), encoded R'G'B'."""
    liquid: Polygon | None
    """Outline where the flask was seen, in pixels of `picture`; None where it was not."""
    reference: Polygon

    def __post_init__(self) -> None:
        self.picture.setflags(write=False)


def moments(result: Result, count: int = 12) -> list[int]:
    """Frames of the curve that are worth showing, rising.

    First and last, some around the end, one of every reason for which frames were set aside, and
    others evenly between.

    Parameters
    ----------
    result:
        Of a recording made of pictures.
    count:
        At most so many, 6 or more.
    """
    curve = result.curve
    if curve is None or curve.delivery is None or curve.frame_times_s.size == 0:
        return []
    flags = curve.frame_flags
    volume_ml = curve.delivery.volume_at(curve.frame_times_s)
    used = np.flatnonzero(flags == 0)
    chosen = {0, int(flags.size) - 1} if used.size < 2 else {int(used[0]), int(used[-1])}
    chosen |= set(_set_aside(flags))
    end_ml = _end_ml(result)
    if used.size and end_ml is not None:
        for away in _AROUND_ML:
            chosen.add(int(used[np.argmin(np.abs(volume_ml[used] - end_ml - away))]))
    for part in np.linspace(0.0, 1.0, count + 2)[1:-1]:
        if len(chosen) >= count:
            break
        wanted_s = curve.frame_times_s[0] + part * np.ptp(curve.frame_times_s)
        among = used if used.size else np.arange(flags.size)
        chosen.add(int(among[np.argmin(np.abs(curve.frame_times_s[among] - wanted_s))]))
    return sorted(chosen)[:count]


def _end_ml(result: Result) -> float | None:
    if result.equivalence is not None:
        return result.equivalence.value_ml
    bracket = result.verdict.bracket_ml
    return None if bracket is None else bracket[0]


def _set_aside(flags: NDArray[np.int64]) -> list[int]:
    """Middle of the longest run of every reason; the most frequent reasons first."""
    reasons = flags & ~int(_NOT_SHOWN)
    found = []
    for reason in Flag:
        hit = (reasons & int(reason)) != 0
        if not hit.any():
            continue
        edges = np.flatnonzero(np.diff(np.r_[False, hit, False].astype(np.int8)))
        starts, stops = edges[::2], edges[1::2]
        longest = int(np.argmax(stops - starts))
        found.append((int(hit.sum()), int(starts[longest] + stops[longest] - 1) // 2))
    return [middle for _, middle in sorted(found, reverse=True)[:_MOST_ASIDE]]


def glimpses_of(result: Result, source: PictureSource, count: int = 12) -> tuple[Glimpse, ...]:
    """Read the frames worth showing once more and look where the flask is in each.

    Parameters
    ----------
    result, count:
        As in `moments`.
    source:
        The recording that was analysed; a camera that cannot be read again gives none.
    """
    curve, region = result.curve, result.region
    chosen = moments(result, count)
    if not chosen or curve is None or curve.delivery is None or region is None:
        return ()
    if source.info.kind == "live":
        return ()
    times_s = curve.frame_times_s[chosen]
    volume_ml = curve.delivery.volume_at(times_s)
    made = []
    for frame in _read(source, times_s):
        k = int(np.argmin(np.abs(times_s - frame.time_s)))
        flags = Flag(int(curve.frame_flags[chosen[k]]))
        made.append(_glimpse(frame, region, float(volume_ml[k]), flags))
    return tuple(made)


def _read(source: PictureSource, times_s: NDArray[np.float64]) -> Iterator[Frame]:
    """Frames at times, in time order."""
    if isinstance(source, SeekingSource):
        yield from source.frames_within(Spans.of((t, t) for t in times_s.tolist()))
        return
    wanted = sorted(times_s.tolist())
    for frame in source.frames():
        if wanted and abs(frame.time_s - wanted[0]) < 1e-6:
            wanted.pop(0)
            yield frame
        if not wanted:
            return


def _glimpse(frame: Frame, region: Region, volume_ml: float, flags: Flag) -> Glimpse:
    step = small_step(frame, _LONG_SIDE)
    picture = np.clip(np.rint(255.0 * small(frame, _LONG_SIDE)), 0, 255).astype(np.uint8)
    here = _seen(frame, region)
    return Glimpse(
        frame.time_s,
        volume_ml,
        flags,
        picture,
        None if here is None else _shrunk(here.liquid_outline, step),
        _shrunk(region.reference_outline, step),
    )


def _seen(frame: Frame, region: Region) -> Region | None:
    """Region where the flask is seen in this frame alone."""
    if (frame.width, frame.height) != (region.width, region.height):
        return None
    looked = small_picture(frame)
    if region.scene is not None and has_moved(camera_shift(region.scene, looked)):
        return None
    if region.guide is None:
        return region
    pose = tracking.look(region.guide, looked)
    if pose.likeness < region.guide.least:
        return None
    return region.at(tracking.HOME if pose.is_home(region.width) else pose)


def _shrunk(outline: tuple[tuple[int, int], ...], step: int) -> Polygon:
    return tuple((x / step, y / step) for x, y in outline)
