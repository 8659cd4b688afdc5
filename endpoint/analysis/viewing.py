"""One pass over the pictures: where to look, which frames are read, and what they showed."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.analysis.frames import Look, samples_of
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.result import Result
from endpoint.burette.picture_reader import VolumeWatch
from endpoint.colour.density import ColourSample, ColourTrace, trace
from endpoint.colour.follow import follow
from endpoint.colour.kept_pictures import PictureKeeper
from endpoint.colour.linear_light import Transfer
from endpoint.delivery.alignment import Alignment, align
from endpoint.delivery.clock import doubt_of_clock
from endpoint.recording.frame import Frame, PictureSource, small
from endpoint.scene.region import Region, locate
from endpoint.scene.tracking import HOME, Pose

_REGION_FRAMES = 20
"""Frames over the whole film in which liquid and reference are looked for."""
_AS_WRITTEN_S = 1.5
"""Lateness of the rows, s, up to which the parts of a film that the log points to are enough."""
_WORTH, _FEW, _SAME_ML = 4.6, 0.02, 1e-3
"""How much less likely another way of putting the rows is, natural logarithm (100 to 1), before it
no longer counts; the part of the frames to which it may give another volume; and what the same
volume is, mL. What happens between the parts that were read is not seen, so the times of additions
stay open while the volumes are plain. Assumed."""
_LIT = 0.4
"""Brightness of a frame, as a part of the brightest one's, below which the light was off."""


@dataclass(eq=False)
class Viewing:
    """One pass over the pictures: the frames that are read, and who sees each of them."""

    source: PictureSource
    job: AnalysisInputs
    region: Region
    watch: VolumeWatch | None
    """Reads the burette in the same frames."""
    keeper: PictureKeeper = field(init=False)

    def __post_init__(self) -> None:
        pauses_s = _pauses_s(self.source, self.job)
        self.keeper = PictureKeeper(liquid=self.region.liquid_box, pauses_s=pauses_s)

    @property
    def transfer(self) -> Transfer:
        """How stored numbers turn into light."""
        return self.job.transfer or self.source.info.transfer

    def samples(self, every_frame: bool) -> Iterable[ColourSample]:
        """Colours of the frames that matter where that is safe, else of every frame."""
        chosen = None if every_frame else self._of_chosen_frames()
        if chosen is not None:
            return chosen
        self.keeper.forget(self.source.info.frame_count or 0)
        frames = self.keeper.through(self.source.frames())
        if self.watch is not None:
            frames = self.watch.through(frames)
        return follow(frames, self.region, self.transfer)

    def _of_chosen_frames(self) -> list[ColourSample] | None:
        job = self.job
        if job.delivery is None:
            return None
        lag_s = job.priors.lag_s[0]
        look = Look(self.region, job.delivery, job.flask_ml, lag_s, self.transfer, self.keeper.see)
        part = samples_of(self.source, look)
        if part is None or job.clock is None:
            return part
        seen = trace(part)
        ways = ways_of(seen, job)
        if not ways:
            # The parts that a log of another clock points to are too little to align.
            outside = doubt_of_clock(
                job.delivery, job.clock, self.source.info.duration_s or math.inf
            )
            return part if outside.sentence is None else None
        pump = all(way.sd_s is not None for way in ways)
        as_written = abs(ways[0].difference_s) <= _AS_WRITTEN_S
        return part if pump or (as_written and _agree(ways, seen.time_s)) else None

    def shown_in(self, result: Result, samples: list[ColourSample], first: Any) -> Result:
        """Result with where it was seen and what it looked like; `first` is the first picture."""
        info, pictures = self.source.info, self.keeper.pictures
        return replace(
            result,
            region=self.region,
            film_frames=info.frame_count,
            source_notes=(*info.notes, *result.source_notes),
            source_details=dict(info.details),
            first_frame=first,
            pictures=pictures,
            poses=tuple(_pose_at(samples, picture.time_s) for picture in pictures),
            seen_box=None if self.watch is None else self.watch.box,
        )


def ways_of(
    colour: ColourTrace, job: AnalysisInputs, *, thorough: bool = False
) -> tuple[Alignment, ...]:
    """Ways in which the log of a job may go with colours; none where it does not have to.

    Parameters
    ----------
    colour, thorough:
        As for `endpoint.delivery.alignment.align`.
    job:
        With a delivery and, if its log may be aligned, a clock.
    """
    if job.delivery is None or job.clock is None:
        return ()
    return align(
        colour,
        job.delivery,
        stated=job.clock.basis == "stated",
        flask_ml=job.flask_ml,
        clock_sd_s=job.clock_uncertainty_s,
        thorough=thorough,
    )


def _agree(ways: Sequence[Alignment], time_s: NDArray[np.float64]) -> bool:
    """Whether all ways that are worth something put the frames to the same volumes."""
    volume_ml = ways[0].delivery.volume_at(time_s)
    return all(
        np.mean(np.abs(way.delivery.volume_at(time_s) - volume_ml) > _SAME_ML) <= _FEW
        for way in ways[1:]
        if way.cost - ways[0].cost < _WORTH
    )


def find_region(source: PictureSource, job: AnalysisInputs) -> tuple[Region, Any]:
    """Region of a recording that can be looked at in advance, and its first picture.

    Raises
    ------
    NoEndpoint
        No liquid or no reference was found.
    """
    sampled = _lit(source.sample(_REGION_FRAMES))
    transfer = job.transfer or source.info.transfer
    known = transfer if isinstance(transfer, str) else "srgb"
    region = locate(sampled, job.liquid_box, job.reference_box, known, job.indicator.clear_channel)
    return region, sampled[0].rgb8()


def _lit(frames: list[Frame]) -> list[Frame]:
    """Without the frames that are dark compared with the others: the light was off."""
    levels = [float(small(frame, 240).mean()) for frame in frames]
    limit = _LIT * max(levels, default=0.0)
    return [frame for frame, level in zip(frames, levels, strict=True) if level >= limit]


def _pauses_s(source: PictureSource, job: AnalysisInputs) -> list[tuple[float, float]]:
    """When the liquid stood mixed between two additions, s; empty where that is not known."""
    if job.delivery is None or job.delivery.mode != "steps":
        return []
    last_s = source.info.duration_s or math.inf
    spans = job.delivery.settled_spans(0.0, last_s, job.priors.lag_s[0])
    return [(start, stop) for _, start, stop in spans]


def _pose_at(samples: list[ColourSample], time_s: float) -> Pose:
    """How the flask stood in the frame of a time."""
    k = bisect.bisect_left(samples, time_s - 1e-6, key=lambda sample: sample.time_s)
    return samples[min(k, len(samples) - 1)].pose if samples else HOME
