"""From a recording to its result: `analyse`, by way of the colours and their curve.

`of_pictures` reads a film or stills, `of_colours` takes colours that were measured before,
`of_photometer` the rows of a photometer. Each makes a curve, and `result_of_curve` a result of it.
The live session measures its pictures itself and calls `result_of_curve` as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.of_curve import judged, photometer_curve, result_of_curve, with_hardness
from endpoint.analysis.result import Result
from endpoint.analysis.several import MOST, RAGGED, result_of_several
from endpoint.analysis.viewing import Viewing, find_region, ways_of
from endpoint.burette.picture_reader import watch_for
from endpoint.burette.picture_volume import PictureVolume
from endpoint.colour.density import ColourSample, ColourTrace, trace
from endpoint.colour.table import samples_of as samples_of_table
from endpoint.curve.creep import creep_of
from endpoint.curve.gathering import from_colour
from endpoint.delivery.alignment import Alignment
from endpoint.delivery.clock import ClockDoubt, doubt_of_clock
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.log_end import changes_after_the_end
from endpoint.delivery.pump_start import STATED_SD_S
from endpoint.delivery.row_path import matches
from endpoint.equivalence.fit import Transition
from endpoint.messages import reason, remark
from endpoint.problems import Flag, NoEndpoint, UnseenVolume
from endpoint.recording.colours import ColourTable
from endpoint.recording.frame import PictureSource
from endpoint.recording.photometer import PhotometerTable
from endpoint.scene.region import Region
from endpoint.verdict.verdict import Verdict, refuse, volume_unseen


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
        viewing = Viewing(source, job, region, watch)
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
    held = list(samples)
    mixing = np.array([int(sample.flags & Flag.MIXING) for sample in held], dtype=np.int64)
    # Frames between two volumes still show that a change of colour was no other flask.
    colour = trace(replace(sample, flags=sample.flags & ~Flag.MIXING) for sample in held)
    colour = replace(colour, flags=colour.flags | mixing)
    if job.delivery is None:
        raise ValueError("colours need a delivery")
    result = _of_trace(colour, job, math.inf, job.logged)
    return replace(result, film_frames=colour.time_s.size)


def of_photometer(table: PhotometerTable, job: AnalysisInputs) -> Result:
    """Result of photometer rows, with their own volumes or through the delivery log."""
    return result_of_curve(job, photometer_curve(table, job), seen=job.logged)


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
    logged = seen is None or seen is job.logged
    alignments = ways_of(colour, job) if logged else ()
    if not alignments:
        doubt = _doubt_of_end(colour, job.delivery)
        doubt = doubt or doubt_of_clock(job.delivery, job.clock, end_s)
        return _with_first_reading(
            with_hardness(
                _of_delivery(colour, _with_times(job, job.delivery), job.delivery, seen, doubt)
            ),
            job.delivery,
        )

    def result_of(alignment: Alignment, near: Transition | None) -> Result:
        delivery = alignment.delivery
        doubt = _doubt_of_end(colour, delivery)
        known = _with_times(job, delivery, alignment.sd_s)
        return _of_delivery(colour, known, delivery, seen, doubt, near)

    result = result_of_several(alignments, result_of)
    open_clock = job.clock is not None and job.clock.basis != "stated" and job.delivery.is_held
    if open_clock and result.fit is not None and _is_unexplained(result):
        delivery = job.delivery
        ways = ways_of(colour, job, thorough=True)
        result = result_of_several(
            ways, result_of, 3 * MOST, is_its_log=lambda: matches(colour, delivery)
        )
    return _with_first_reading(with_hardness(result), job.delivery)


def _is_unexplained(result: Result) -> bool:
    """Whether a change is not where the log has it by its own clock, or ragged there."""
    assert result.fit is not None
    elsewhere = any(each.code == "clock-found" for each in result.verdict.remarks)
    return result.status == "none" or elsewhere or result.fit.residual_rms > RAGGED


def _with_first_reading(result: Result, delivery: Delivery) -> Result:
    """Result with a remark where the log seems to begin with the start reading of the burette."""
    if result.status == "none" or not delivery.may_begin_with_reading:
        return result
    words = {"first": f"{np.min(delivery.volume_ml):.2f}"}
    remarks = (*result.verdict.remarks, remark("first-reading", words))
    return replace(result, verdict=replace(result.verdict, remarks=remarks))


def _with_times(
    job: AnalysisInputs, delivery: Delivery, sd_s: float | None = None
) -> AnalysisInputs:
    """Job with the standard uncertainty of the time of all additions, s, where it is known."""
    if sd_s is None:
        if delivery.mode != "continuous" or delivery.is_held or job.clock is None:
            return job
        # The film was not asked when the pump was started.
        sd_s = math.hypot(job.clock_uncertainty_s, STATED_SD_S)
    return replace(job, clock_uncertainty_s=sd_s)


def _of_delivery(
    colour: ColourTrace,
    job: AnalysisInputs,
    delivery: Delivery,
    seen: PictureVolume | None,
    doubt: ClockDoubt | None,
    near: Transition | None = None,
) -> Result:
    """Result of colours, without its hardness, if this was delivered."""
    curve = from_colour(colour, delivery, job.flask_ml, job.priors.lag_s[0])
    creep = creep_of(colour, delivery, curve, job.priors.lag_s[0])
    return judged(job, curve, seen, doubt, creep, near, colour.leaps)


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


def _end_s(source: PictureSource) -> float:
    return math.inf if source.info.duration_s is None else source.info.duration_s
