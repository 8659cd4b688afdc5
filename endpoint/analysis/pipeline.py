"""The whole chain: `follow` yields a growing result, `analyse` is its last item.

Film and live camera go through the same function, so they cannot differ.
"""

from __future__ import annotations

import bisect
import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calibration.quantity import Contribution, FrozenTable, Quantity, Source
from calibration.ware.tolerance import titre_remarks
from endpoint.analysis.frames import Look, samples_of
from endpoint.analysis.inputs import Job
from endpoint.analysis.volume_axis import contribution_of, widened
from endpoint.colour.density import ColourSample, ColourTrace, trace
from endpoint.colour.follow import follow as follow_colour
from endpoint.colour.kept_pictures import KeptPicture, PictureKeeper
from endpoint.colour.table import samples_of as samples_of_table
from endpoint.curve.points import Curve, from_absorbance, from_colour
from endpoint.delivery.clock import ClockDoubt, doubt_of_clock, needs_every_frame
from endpoint.delivery.picture_reader import VolumeWatch, watch_for
from endpoint.delivery.picture_volume import SeenVolume
from endpoint.equivalence.fit import Estimate, Transition, fit_transition
from endpoint.equivalence.verdict import (
    Verdict,
    judge,
    judge_without_fit,
    refuse,
    remarks_for,
    with_doubt,
)
from endpoint.hardness.formula import Hardness, Split, calcium_and_magnesium, hardness
from endpoint.messages import Sentence
from endpoint.problems import DeliveryProblem, NoEndpoint, UnseenVolume
from endpoint.recording.colours import ColourTable
from endpoint.recording.frame import Box, Frame, PictureSource, small
from endpoint.recording.photometer import PhotometerTable
from endpoint.scene.camera_shift import before_a_move
from endpoint.scene.region import Region, locate
from endpoint.scene.tracking import HOME, Pose

_REGION_FRAMES = 20


@dataclass(frozen=True, eq=False)
class Result:
    """Everything that is known of one titration; a report only draws it."""

    label: str
    verdict: Verdict
    equivalence: Estimate | None
    midpoint: Estimate | None
    last_red: Estimate | None
    hardness: Hardness | None
    curve: Curve | None
    fit: Transition | None
    region: Region | None
    job: Job
    split: Split | None = None
    """Calcium and magnesium apart, where a second titration was given."""
    equivalence_quantity: Quantity | None = None
    """Equivalence volume in mL with every named contribution, the burette's too."""
    amount_mmol_l: Quantity | None = None
    """Titrated metal in the sample, mmol/L: the hardness where the metals make one."""
    film_frames: int | None = None
    """Frames that the recording holds, where that is known; not all of them need be looked at."""
    source_notes: tuple[str, ...] = ()
    source_details: dict[str, str] = field(default_factory=dict)
    first_frame: Any = None
    """Whole first frame as uint8 RGB for the report, or None."""
    pictures: tuple[KeptPicture, ...] = ()
    """Small pictures over the whole recording, for the report."""
    poses: tuple[Pose, ...] = ()
    """How the flask stood in each of them beside where it was found."""
    seen_volume: SeenVolume | None = None
    """Delivered volume as the picture showed it, where it was read there."""
    seen_box: Box | None = None
    """Where in the picture it was read."""

    @property
    def status(self) -> str:
        """located, bracketed or none."""
        return self.verdict.status

    @property
    def reasons(self) -> tuple[Sentence, ...]:
        """Why not located, empty if located."""
        return self.verdict.reasons

    @property
    def remarks(self) -> tuple[Sentence, ...]:
        """Diagnosis."""
        return self.verdict.remarks


def conclude(
    job: Job,
    curve: Curve,
    region: Region | None = None,
    notes: tuple[str, ...] = (),
    details: dict[str, str] | None = None,
    first_frame: Any = None,
    seen: SeenVolume | None = None,
    doubt: ClockDoubt | None = None,
) -> Result:
    """Result of a curve: fit, verdict, hardness.

    Parameters
    ----------
    job:
        What the record says.
    curve:
        Colour against volume.
    region, notes, details, first_frame:
        Carried through for the report.
    seen:
        Delivered volume as the picture showed it; its uncertainty is added.
    doubt:
        What there is to say of the clock of the log.
    """
    fit: Transition | None = None
    verdict = judge_without_fit(curve, job.indicator)
    if verdict is None:
        fit = fit_transition(curve, job.titrant_mol_l.value, job.priors, indicator=job.indicator)
        verdict = judge(curve, fit, job.priors, job.lag_s is not None, job.indicator)
    else:
        extra = remarks_for(curve, None, job.priors, job.lag_s is not None, job.indicator)
        verdict = Verdict(
            verdict.status,
            verdict.reasons,
            (*verdict.remarks, *extra),
            verdict.equivalence,
            verdict.bracket_ml,
            verdict.above_ml,
        )
    if seen is not None:
        verdict = replace(
            verdict,
            remarks=(*verdict.remarks, *seen.remarks),
            equivalence=widened(verdict.equivalence, seen),
        )
    if doubt is not None:
        verdict = with_doubt(verdict, doubt)
    hidden = any(reason.code == "one-addition" for reason in verdict.reasons)
    told = fit is not None and verdict.status != "none" and not hidden
    total: Hardness | None = None
    volume: Quantity | None = None
    amount: Quantity | None = None
    if fit is not None and verdict.equivalence is not None:
        volume = equivalence_quantity(job, fit, verdict.equivalence.value_ml, seen)
        found = hardness(volume, job.titrant_mol_l, job.deliveries_ml, job.blank_ml)
        amount = found.mmol_l
        total = found if job.indicator.is_hardness else None
    if volume is not None and job.burette_nominal_ml is not None:
        notes = (*notes, *titre_remarks(job.burette_nominal_ml, volume.value))
    split: Split | None = None
    if total is not None and job.calcium_mmol_l is not None:
        split = calcium_and_magnesium(total.mmol_l, job.calcium_mmol_l)
    return Result(
        label=job.label,
        verdict=verdict,
        equivalence=verdict.equivalence,
        midpoint=_on_axis(fit.midpoint, seen) if fit is not None and told else None,
        last_red=_on_axis(fit.last_red, seen) if fit is not None and told else None,
        hardness=total,
        curve=curve,
        fit=fit,
        region=region,
        job=job,
        split=split,
        equivalence_quantity=volume,
        amount_mmol_l=amount,
        source_notes=notes,
        source_details=dict(details or {}),
        first_frame=first_frame,
        seen_volume=seen,
    )


def _on_axis(estimate: Estimate | None, seen: SeenVolume | None) -> Estimate | None:
    return estimate if seen is None else widened(estimate, seen)


def equivalence_quantity(
    job: Job, fit: Transition, value_ml: float, seen: SeenVolume | None = None
) -> Quantity:
    """Equivalence volume in mL with every named contribution: the fit's own and the ware's."""
    freedom = fit.degrees_of_freedom
    parts = {}
    for name, size in fit.contributions_ml.items():
        from_scatter = name == "scatter of the colour"
        parts[f"endpoint: {name}"] = Contribution(
            size,
            kind="A" if from_scatter else "B",
            degrees_of_freedom=freedom if from_scatter else math.inf,
            source=Source(0.0, "mL", size),
        )
    if seen is not None:
        kind = "log" if job.seen is None else job.seen.readings.kind
        name, size = contribution_of(kind, seen, value_ml)
        parts[f"{job.label}: {name}"] = Contribution(size, source=Source(0.0, "mL", size))
    volume = Quantity(value_ml, "mL", FrozenTable(parts))
    return volume if job.burette is None else job.burette(volume)


def without_curve(
    job: Job,
    verdict: Verdict,
    notes: tuple[str, ...] = (),
    details: dict[str, str] | None = None,
    first_frame: Any = None,
) -> Result:
    """Result where nothing can be worked out; the verdict says why."""
    return Result(
        label=job.label,
        verdict=verdict,
        equivalence=None,
        midpoint=None,
        last_red=None,
        hardness=None,
        curve=None,
        fit=None,
        region=None,
        job=job,
        source_notes=notes,
        source_details=dict(details or {}),
        first_frame=first_frame,
    )


def _without_picture(job: Job, verdict: Verdict, source: PictureSource, first: Any) -> Result:
    return without_curve(job, verdict, tuple(source.info.notes), source.info.details, first)


def volume_unseen(problem: UnseenVolume) -> Verdict:
    """Verdict where the picture does not show surely what was delivered."""
    why = Sentence(problem.reason, problem.sentence, problem.remedy)
    return Verdict("none", (why,), (), None)


def find_region(source: PictureSource, job: Job) -> tuple[Region, Any]:
    """Region of a recording that can be looked at in advance, and its first picture.

    Raises
    ------
    NoEndpoint
        No liquid or no reference was found.
    """
    sampled = before_a_move(_lit(source.sample(_REGION_FRAMES)))
    transfer = job.transfer or source.info.transfer
    known = transfer if isinstance(transfer, str) else "srgb"
    region = locate(sampled, job.liquid_box, job.reference_box, known, job.indicator.clear_channel)
    return region, sampled[0].rgb8()


def _end_s(source: PictureSource) -> float:
    return math.inf if source.info.duration_s is None else source.info.duration_s


def _lit(frames: list[Frame]) -> list[Frame]:
    """Without the frames that are dark beside the others: the light was off."""
    levels = [float(small(frame, 240).mean()) for frame in frames]
    limit = 0.4 * max(levels, default=0.0)
    return [frame for frame, level in zip(frames, levels, strict=True) if level >= limit]


def _pauses_s(source: PictureSource, job: Job) -> list[tuple[float, float]]:
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


def follow(
    source: PictureSource,
    job: Job,
    *,
    region: Region | None = None,
    update_s: float | None = None,
    on_sample: Callable[[ColourSample], None] | None = None,
    every_frame: bool = True,
) -> Iterator[Result]:
    """Yield a growing result while frames come in; the last item is the whole analysis.

    Parameters
    ----------
    source:
        Film, stills, camera or simulation.
    job:
        What the record says.
    region:
        Where to look; found from the recording if not given.
    update_s:
        Seconds of recording between results; None gives only the last.
    on_sample:
        Called for the colour of every frame, for progress.
    every_frame:
        False looks only at the times of a film that matter, where that is safe.
    """
    if job.delivery is None and job.seen is None:
        raise ValueError("pictures need a delivery")
    first: Any = None
    if region is None:
        try:
            region, first = find_region(source, job)
        except NoEndpoint as absent:
            sampled = source.sample(1)
            shown = sampled[0].rgb8() if sampled else None
            yield _without_picture(job, refuse(absent.code, indicator=job.indicator), source, shown)
            return
    watch: VolumeWatch | None = None
    if job.seen is not None:
        try:
            watch = watch_for(source, job.seen)
        except UnseenVolume as problem:
            yield _without_picture(job, volume_unseen(problem), source, first)
            return
    transfer = job.transfer or source.info.transfer
    samples: list[ColourSample] = []
    due = update_s
    keeper = PictureKeeper(liquid=region.liquid_box, pauses_s=_pauses_s(source, job))

    def result(whole: bool = False) -> Result:
        told, seen = job, job.logged
        if watch is not None:
            seen = watch.volume()
            told = replace(job, delivery=seen.delivery)
        colour: ColourTrace = trace(samples)
        assert told.delivery is not None
        seen_whole = colour if whole else None
        doubt = doubt_of_clock(told.delivery, told.clock, seen_whole, _end_s(source))
        curve = from_colour(colour, told.delivery, job.flask_ml, job.priors.lag_s[0])
        info = source.info
        found = conclude(told, curve, region, tuple(info.notes), info.details, first, seen, doubt)
        pictures = keeper.pictures
        poses = tuple(_pose_at(samples, picture.time_s) for picture in pictures)
        return replace(
            found,
            film_frames=info.frame_count,
            pictures=pictures,
            poses=poses,
            seen_box=None if watch is None else watch.box,
        )

    chosen: Iterable[ColourSample] | None = None
    if not every_frame and job.delivery is not None:
        look = Look(region, job.delivery, job.flask_ml, job.priors.lag_s[0], transfer, keeper.see)
        part = samples_of(source, look)
        if part is not None:
            doubtful = needs_every_frame(job.delivery, job.clock, trace(part), _end_s(source))
            chosen = None if doubtful else part
    if chosen is None:
        keeper.forget()
        frames = keeper.through(source.frames())
        chosen = follow_colour(frames if watch is None else watch.through(frames), region, transfer)
    try:
        for sample in chosen:
            samples.append(sample)
            if on_sample is not None:
                on_sample(sample)
            if due is not None and update_s is not None and sample.time_s >= due:
                due = sample.time_s + update_s
                with suppress(DeliveryProblem):  # not enough was seen yet
                    yield result()
        yield result(whole=True)
    except UnseenVolume as problem:
        yield _without_picture(job, volume_unseen(problem), source, first)


def analyse(
    source: PictureSource | PhotometerTable | ColourTable,
    job: Job,
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
        As in `follow`.
    """
    if isinstance(source, PhotometerTable):
        return conclude(job, photometer_curve(source, job), seen=job.logged)
    if isinstance(source, ColourTable):
        return of_colours(samples_of_table(source), job)
    return deque(
        follow(source, job, region=region, on_sample=on_sample, every_frame=every_frame), maxlen=1
    )[0]


def of_colours(samples: Iterable[ColourSample], job: Job) -> Result:
    """Result of the colours of frames that were measured before."""
    if job.delivery is None:
        raise ValueError("colours need a delivery")
    seen = trace(samples)
    curve = from_colour(seen, job.delivery, job.flask_ml, job.priors.lag_s[0])
    return replace(conclude(job, curve, seen=job.logged), film_frames=seen.time_s.size)


def photometer_curve(table: PhotometerTable, job: Job) -> Curve:
    """Curve of photometer rows, with their own volumes or through the delivery log."""
    channels = tuple(f"{nm:g} nm" for nm in table.wavelengths_nm)
    saturated = np.asarray(table.saturated, dtype=bool)
    if table.volume_ml is not None:
        return from_absorbance(
            table.volume_ml, table.absorbance, channels, job.flask_ml, saturated=saturated
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
    )
