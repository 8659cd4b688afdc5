"""From a recording to its result: `analyse`, by way of the colours and their curve.

`of_pictures` reads a film or stills, `of_colours` takes colours that were measured before,
`of_photometer` the rows of a photometer. Each makes a curve, and `result_of_curve` a result of it.
The live session measures its pictures itself and calls `result_of_curve` as well.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calibration.ware.tolerance import titre_remarks
from endpoint.analysis.frames import Look, samples_of
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.result import Result
from endpoint.analysis.several import result_of_several
from endpoint.analysis.volume_axis import equivalence_quantity
from endpoint.burette.picture_reader import VolumeWatch, watch_for
from endpoint.burette.picture_volume import PictureVolume
from endpoint.colour.density import ColourSample, ColourTrace, trace
from endpoint.colour.follow import follow
from endpoint.colour.kept_pictures import PictureKeeper
from endpoint.colour.linear_light import Transfer
from endpoint.colour.table import samples_of as samples_of_table
from endpoint.curve.creep import Creep, creep_of
from endpoint.curve.points import Curve, from_absorbance, from_colour
from endpoint.delivery.alignment import Alignment, align
from endpoint.delivery.clock import ClockDoubt, doubt_of_clock
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.log_end import changes_after_the_end
from endpoint.equivalence.carbonate import Carbonate, with_carbonate
from endpoint.equivalence.evidence import Evidence
from endpoint.equivalence.fit import Estimate, Transition, fit_transition
from endpoint.equivalence.verdict import Verdict, hindrance, judge, refuse, volume_unseen
from endpoint.hardness.formula import calcium_and_magnesium, hardness
from endpoint.hardness.other_metals import blocking, subtracted
from endpoint.messages import reason
from endpoint.problems import NoEndpoint, UnseenVolume
from endpoint.recording.colours import ColourTable
from endpoint.recording.frame import Frame, PictureSource, small
from endpoint.recording.photometer import PhotometerTable
from endpoint.scene.region import Region, locate
from endpoint.scene.tracking import HOME, Pose

_REGION_FRAMES = 20
"""Frames over the whole film in which liquid and reference are looked for."""
_AS_WRITTEN_S = 1.5
"""Lateness of the rows, s, up to which the parts of a film that the log points to are enough."""
_START_SD_S = 0.35
"""Standard uncertainty of the start of a pump against its recording, s: somebody writes down the
second, which is an even distribution over 1 s (0.29 s), and is late or early by 0.2 s, as people
are with a stopwatch. Assumed. Lower, and a start that was read off carelessly is believed too much;
higher, and the interval says little."""
_LIT = 0.4
"""Brightness of a frame, as a part of the brightest one's, below which the light was off."""


def analyse(
    source: PictureSource | PhotometerTable | ColourTable,
    job: AnalysisInputs,
    *,
    region: Region | None = None,
    on_sample: Callable[[ColourSample], None] | None = None,
    every_frame: bool = False,
) -> Result:
    """Analyse a whole recording.

    Parameters
    ----------
    source:
        Pictures, the rows of a photometer, or the colours of frames.
    job:
        What the record says.
    region, on_sample, every_frame:
        As in `of_pictures`; without meaning for rows and colours.
    """
    if isinstance(source, PhotometerTable):
        return of_photometer(source, job)
    if isinstance(source, ColourTable):
        return of_colours(samples_of_table(source), job)
    return of_pictures(source, job, region=region, on_sample=on_sample, every_frame=every_frame)


def of_pictures(
    source: PictureSource,
    job: AnalysisInputs,
    *,
    region: Region | None = None,
    on_sample: Callable[[ColourSample], None] | None = None,
    every_frame: bool = True,
) -> Result:
    """Result of a film or of stills.

    Parameters
    ----------
    source:
        Film, stills or simulation.
    job:
        What the record says.
    region:
        Where to look; found from the recording if not given.
    on_sample:
        Called for the colour of every frame that is read, for progress.
    every_frame:
        False looks only at the times of a film that matter, where that is safe.

    Raises
    ------
    Problem
        The film cannot be read, or the typed readings contradict it.
    ValueError
        The job has neither a delivery nor a burette in the picture.
    """
    if job.delivery is None and job.seen is None:
        raise ValueError("pictures need a delivery")
    first: Any = None
    try:
        if region is None:
            region, first = find_region(source, job)
    except NoEndpoint as absent:
        sampled = source.sample(1)
        shown = sampled[0].rgb8() if sampled else None
        return _unread(source, job, refuse(absent.code, job.indicator), shown)
    samples: list[ColourSample] = []
    try:
        watch = None if job.seen is None else watch_for(source, job.seen)
        viewing = _Viewing(source, job, region, watch)
        for sample in viewing.samples(every_frame):
            samples.append(sample)
            if on_sample is not None:
                on_sample(sample)
        seen = job.logged if watch is None else watch.volume()
    except UnseenVolume as problem:
        return _unread(source, job, volume_unseen(problem), first)
    if watch is not None and seen is not None:
        job = replace(job, delivery=seen.delivery)
    return viewing.shown_in(_of_whole_film(source, job, samples, seen), samples, first)


def of_colours(samples: Iterable[ColourSample], job: AnalysisInputs) -> Result:
    """Result of the colours of frames that were measured before.

    Raises
    ------
    ValueError
        The job has no delivery.
    """
    colour = trace(samples)
    if job.delivery is None:
        raise ValueError("colours need a delivery")
    result = _of_trace(colour, job, math.inf, job.logged)
    return replace(result, film_frames=colour.time_s.size)


def of_photometer(table: PhotometerTable, job: AnalysisInputs) -> Result:
    """Result of photometer rows, with their own volumes or through the delivery log."""
    return result_of_curve(job, photometer_curve(table, job), seen=job.logged)


def result_of_curve(
    job: AnalysisInputs,
    curve: Curve,
    *,
    seen: PictureVolume | None = None,
    doubt: ClockDoubt | None = None,
    creep: Creep | None = None,
) -> Result:
    """Result of a curve: fit, verdict, the volumes that an eye would find, hardness.

    Parameters
    ----------
    job:
        What the record says.
    curve:
        Colour against volume.
    seen:
        Delivered volume with an uncertainty of its own, which is added.
    doubt:
        What there is to say about the clock of the log.
    creep:
        How the colour moves within the pauses after the end.
    """
    return _with_hardness(_judged(job, curve, seen, doubt, creep))


def _judged(
    job: AnalysisInputs,
    curve: Curve,
    seen: PictureVolume | None = None,
    doubt: ClockDoubt | None = None,
    creep: Creep | None = None,
    near: Transition | None = None,
) -> Result:
    """Result of a curve without its hardness; `near` is a fit of nearly the same curve."""
    fit, signs = None, Carbonate(creep)
    if hindrance(curve, job.indicator) is None:
        titrant_mol_l = job.titrant_mol_l.value
        fit = fit_transition(curve, titrant_mol_l, job.priors, job.indicator, near)
        signs = replace(signs, minutes=_minutes_to_end(job, curve, fit.equivalence.value_ml))
        fit = with_carbonate(fit, signs)
    evidence = Evidence(
        curve,
        fit,
        job.priors,
        job.indicator,
        lag_is_stated=job.lag_s is not None,
        seen=seen,
        doubt=doubt,
        carbonate=signs,
        blocking=blocking(job.other_metals, 1.0 - job.added_ml / job.flask_ml),
    )
    return _with_volumes_by_eye(Result(job, judge(evidence), curve, fit, seen_volume=seen))


def _minutes_to_end(job: AnalysisInputs, curve: Curve, equivalence_ml: float) -> float:
    """Minutes from the buffer to the end, as far as record and recording tell them."""
    if job.delivery is None or job.delivery.mode == "per-still":
        return job.minutes_since_buffer
    first_s = float(curve.frame_times_s[0])
    end_s = float(np.interp(equivalence_ml, curve.volume_ml, curve.time_s))
    return job.minutes_since_buffer + (end_s - first_s) / 60.0


def _with_volumes_by_eye(result: Result) -> Result:
    """Result with midpoint and last red, unless one addition went through them all."""
    fit, seen = result.fit, result.seen_volume
    hidden = any(reason.code == "one-addition" for reason in result.reasons)
    if fit is None or hidden or result.status == "none":
        return result

    def on_axis(found: Estimate | None) -> Estimate | None:
        if found is None or seen is None:
            return found
        return found.widened(seen.sigma_at(found.value_ml))

    return replace(result, midpoint=on_axis(fit.midpoint), last_red=on_axis(fit.last_red))


def _with_hardness(result: Result) -> Result:
    """Result with amount and hardness, where there is an equivalence volume."""
    job, fit, found = result.job, result.fit, result.equivalence
    if fit is None or found is None:
        return result
    volume = equivalence_quantity(job, fit, found.value_ml, result.seen_volume)
    others = subtracted(job.other_metals, job.label) if job.indicator.is_hardness else ()
    total = hardness(volume, job.titrant_mol_l, job.deliveries_ml, job.blank_ml, others)
    split = None
    if job.indicator.is_hardness and job.calcium_mmol_l is not None:
        split = calcium_and_magnesium(total.mmol_l, job.calcium_mmol_l)
    nominal_ml = job.burette_nominal_ml
    return replace(
        result,
        equivalence_quantity=volume,
        amount_mmol_l=total.mmol_l,
        hardness=total if job.indicator.is_hardness else None,
        split=split,
        source_notes=() if nominal_ml is None else titre_remarks(nominal_ml, volume.value),
    )


@dataclass(eq=False)
class _Viewing:
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
        return self.job.transfer or self.source.info.transfer

    def samples(self, every_frame: bool) -> Iterable[ColourSample]:
        """Colours of the frames that matter where that is safe, else of every frame."""
        chosen = None if every_frame else self._of_chosen_frames()
        if chosen is not None:
            return chosen
        self.keeper.forget()
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
        stated = job.clock.basis == "stated"
        ways = align(trace(part), job.delivery, stated=stated, flask_ml=job.flask_ml)
        as_written = not ways or (len(ways) == 1 and abs(ways[0].difference_s) <= _AS_WRITTEN_S)
        return part if as_written else None

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


def _of_whole_film(
    source: PictureSource,
    job: AnalysisInputs,
    samples: list[ColourSample],
    seen: PictureVolume | None,
) -> Result:
    """Result of the colours of a film, whose clock may not be that of the log."""
    return _of_trace(trace(samples), job, _end_s(source), seen)


def _of_trace(
    colour: ColourTrace, job: AnalysisInputs, end_s: float, seen: PictureVolume | None
) -> Result:
    """Result of the colours of a film or of a table of them."""
    assert job.delivery is not None
    alignments: tuple[Alignment, ...] = ()
    if job.clock is not None and (seen is None or seen is job.logged):
        stated = job.clock.basis == "stated"
        alignments = align(colour, job.delivery, stated=stated, flask_ml=job.flask_ml)
    if not alignments:
        doubt = _doubt_of_end(colour, job.delivery)
        doubt = doubt or doubt_of_clock(job.delivery, job.clock, end_s)
        return _with_hardness(_of_delivery(colour, job, job.delivery, seen, doubt))

    def result_of(alignment: Alignment, near: Transition | None) -> Result:
        delivery = alignment.delivery
        return _of_delivery(colour, job, delivery, seen, _doubt_of_end(colour, delivery), near)

    return _with_hardness(result_of_several(alignments, result_of))


def _of_delivery(
    colour: ColourTrace,
    job: AnalysisInputs,
    delivery: Delivery,
    seen: PictureVolume | None,
    doubt: ClockDoubt | None,
    near: Transition | None = None,
) -> Result:
    """Result of colours, without its hardness, if this was delivered."""
    if delivery.mode == "continuous" and not delivery.is_held and job.clock is not None:
        # Nothing in the picture tells when a pump that runs on was started.
        apart_s = math.hypot(job.clock_uncertainty_s, _START_SD_S)
        job = replace(job, clock_uncertainty_s=apart_s)
    curve = from_colour(colour, delivery, job.flask_ml, job.priors.lag_s[0])
    creep = creep_of(colour, delivery, curve, job.priors.lag_s[0])
    return _judged(job, curve, seen, doubt, creep, near)


def _doubt_of_end(colour: ColourTrace, delivery: Delivery) -> ClockDoubt | None:
    """Refusal where the colour goes on changing after the last volume that is known."""
    if delivery.is_held and delivery.mode == "continuous":
        return None
    if not changes_after_the_end(colour, delivery):
        return None
    return ClockDoubt(reason("goes-on"), "result")


def _unread(source: PictureSource, job: AnalysisInputs, verdict: Verdict, first: Any) -> Result:
    """Result of pictures that were not measured; the verdict says why."""
    info = source.info
    return Result(
        job,
        verdict,
        source_notes=tuple(info.notes),
        source_details=dict(info.details),
        first_frame=first,
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


def _end_s(source: PictureSource) -> float:
    return math.inf if source.info.duration_s is None else source.info.duration_s


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


def photometer_curve(table: PhotometerTable, job: AnalysisInputs) -> Curve:
    """Curve of photometer rows, with their own volumes or through the delivery log."""
    channels = tuple(f"{nm:g} nm" for nm in table.wavelengths_nm)
    saturated = np.asarray(table.saturated, dtype=bool)
    if table.volume_ml is not None:
        return from_absorbance(
            table.volume_ml,
            table.absorbance,
            channels,
            job.flask_ml,
            saturated=saturated,
            path_cm=table.path_cm,
        )
    if job.delivery is None or table.time_s is None:
        raise ValueError("rows without volumes need times and a delivery")
    return from_absorbance(
        job.delivery.volume_at(table.time_s),
        table.absorbance,
        channels,
        job.flask_ml,
        saturated=saturated,
        time_s=table.time_s,
        delivery=job.delivery,
        path_cm=table.path_cm,
    )
