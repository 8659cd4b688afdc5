"""The whole chain: `follow` yields a growing result, `analyse` is its last item.

Film and live camera go through the same function, so they cannot differ.
"""

from __future__ import annotations

import bisect
import datetime
import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calibration.quantity import Contribution, FrozenTable, Quantity, Source
from calibration.tolerance import titre_remarks
from endpoint.certificate_use import UsedCertificate
from endpoint.colour import ColourSample, ColourTrace, trace
from endpoint.colour import follow as follow_colour
from endpoint.colour_table import samples_of as samples_of_table
from endpoint.curve import Curve, from_absorbance, from_colour
from endpoint.delivery import Delivery
from endpoint.hardness import Hardness, Split, calcium_and_magnesium, hardness
from endpoint.kept_pictures import KeptPicture, PictureKeeper
from endpoint.pixels import Transfer
from endpoint.problems import NoEndpoint
from endpoint.region import Region, locate
from endpoint.sampling import Look, samples_of
from endpoint.sentences import Sentence
from endpoint.sources.colours import ColourTable
from endpoint.sources.frame import Box, Frame, PictureSource, small
from endpoint.sources.photometer import PhotometerTable
from endpoint.steadiness import before_a_move
from endpoint.titration_model import Priors
from endpoint.tracking import HOME, Pose
from endpoint.transition import Estimate, Transition, fit_transition
from endpoint.verdict import Verdict, judge, judge_without_fit, refuse, remarks_for

_REGION_FRAMES = 20
DEFAULT_LAG_S = (1.5, 0.75)
"""Assumed mixing time and its standard uncertainty where the record gives none."""


@dataclass(frozen=True)
class Job:
    """What the record says, in quantities."""

    label: str
    deliveries_ml: tuple[Quantity, ...]
    """Volume of the sample, one entry per filling of the pipette."""
    added_ml: float
    titrant_mol_l: Quantity
    delivery: Delivery | None
    """None where the volumes stand beside the rows of a photometer table."""
    blank_ml: Quantity | None = None
    burette: Callable[[Quantity], Quantity] | None = None
    """Adds what the burette does to a delivered volume in mL, if the ware is stated."""
    burette_nominal_ml: float | None = None
    lag_s: tuple[float, float] | None = None
    """Mixing time and standard uncertainty if stated."""
    clock_uncertainty_s: float = 0.0
    """Standard uncertainty of the clock of the log against that of the recording."""
    calcium_mmol_l: Quantity | None = None
    """Calcium from a second titration at pH 12 to 13."""
    day: datetime.date | None = None
    """Day of the titration if stated."""
    certificates: tuple[UsedCertificate, ...] = ()
    liquid_box: Box | None = None
    reference_box: Box | None = None
    transfer: Transfer | None = None
    """Tone curve by name, or of the calibrated camera; None for what the recording says."""
    not_in_budget: tuple[str, ...] = ()
    """What the record does not state, so that its uncertainty is not in the budget."""

    @property
    def flask_ml(self) -> float:
        """Volume in the flask before the first addition."""
        return sum(part.value for part in self.deliveries_ml) + self.added_ml

    @property
    def priors(self) -> Priors:
        """Knowledge from before the recording."""
        lag, spread = self.lag_s or DEFAULT_LAG_S
        # A clock that is late and a lag that is long shift the curve alike.
        return Priors(lag_s=(lag, math.hypot(spread, self.clock_uncertainty_s)))


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
    """
    fit: Transition | None = None
    verdict = judge_without_fit(curve)
    if verdict is None:
        fit = fit_transition(curve, job.titrant_mol_l.value, job.priors)
        verdict = judge(curve, fit, job.priors, job.lag_s is not None)
    else:
        extra = remarks_for(curve, None, job.priors, job.lag_s is not None)
        verdict = Verdict(
            verdict.status,
            verdict.reasons,
            (*verdict.remarks, *extra),
            verdict.equivalence,
            verdict.bracket_ml,
            verdict.above_ml,
        )
    hidden = any(reason.code == "one-addition" for reason in verdict.reasons)
    told = fit is not None and verdict.status != "none" and not hidden
    total: Hardness | None = None
    volume: Quantity | None = None
    if fit is not None and verdict.equivalence is not None:
        volume = equivalence_quantity(job, fit, verdict.equivalence.value_ml)
        total = hardness(volume, job.titrant_mol_l, job.deliveries_ml, job.blank_ml)
    if volume is not None and job.burette_nominal_ml is not None:
        notes = (*notes, *titre_remarks(job.burette_nominal_ml, volume.value))
    split: Split | None = None
    if total is not None and job.calcium_mmol_l is not None:
        split = calcium_and_magnesium(total.mmol_l, job.calcium_mmol_l)
    return Result(
        label=job.label,
        verdict=verdict,
        equivalence=verdict.equivalence,
        midpoint=fit.midpoint if fit is not None and told else None,
        last_red=fit.last_red if fit is not None and told else None,
        hardness=total,
        curve=curve,
        fit=fit,
        region=region,
        job=job,
        split=split,
        equivalence_quantity=volume,
        source_notes=notes,
        source_details=dict(details or {}),
        first_frame=first_frame,
    )


def equivalence_quantity(job: Job, fit: Transition, value_ml: float) -> Quantity:
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
    volume = Quantity(value_ml, "mL", FrozenTable(parts))
    return volume if job.burette is None else job.burette(volume)


def _without_picture(
    job: Job, code: str, source: PictureSource, first: Any, notes: tuple[str, ...] = ()
) -> Result:
    return Result(
        label=job.label,
        verdict=refuse(code),
        equivalence=None,
        midpoint=None,
        last_red=None,
        hardness=None,
        curve=None,
        fit=None,
        region=None,
        job=job,
        source_notes=(*source.info.notes, *notes),
        source_details=dict(source.info.details),
        first_frame=first,
    )


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
    region = locate(sampled, job.liquid_box, job.reference_box, known)
    return region, sampled[0].rgb8()


def _lit(frames: list[Frame]) -> list[Frame]:
    """Without the frames that are dark beside the others: the light was off."""
    levels = [float(small(frame, 240).mean()) for frame in frames]
    limit = 0.4 * max(levels, default=0.0)
    return [frame for frame, level in zip(frames, levels, strict=True) if level >= limit]


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
    if job.delivery is None:
        raise ValueError("pictures need a delivery")
    first: Any = None
    if region is None:
        try:
            region, first = find_region(source, job)
        except NoEndpoint as absent:
            sampled = source.sample(1)
            yield _without_picture(job, absent.code, source, sampled[0].rgb8() if sampled else None)
            return
    transfer = job.transfer or source.info.transfer
    samples: list[ColourSample] = []
    due = update_s
    keeper = PictureKeeper()

    def result() -> Result:
        colour: ColourTrace = trace(samples)
        lag = job.priors.lag_s[0]
        curve = from_colour(colour, job.delivery, job.flask_ml, lag)  # type: ignore[arg-type]
        info = source.info
        found = conclude(job, curve, region, tuple(info.notes), info.details, first)
        pictures = keeper.pictures
        poses = tuple(_pose_at(samples, picture.time_s) for picture in pictures)
        return replace(found, film_frames=info.frame_count, pictures=pictures, poses=poses)

    chosen: Iterable[ColourSample] | None = None
    if not every_frame:
        look = Look(region, job.delivery, job.flask_ml, job.priors.lag_s[0], transfer, keeper.see)
        chosen = samples_of(source, look)
    if chosen is None:
        keeper.forget()
        chosen = follow_colour(keeper.through(source.frames()), region, transfer)
    for sample in chosen:
        samples.append(sample)
        if on_sample is not None:
            on_sample(sample)
        if due is not None and update_s is not None and sample.time_s >= due:
            due = sample.time_s + update_s
            yield result()
    yield result()


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
        return conclude(job, photometer_curve(source, job))
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
    return replace(conclude(job, curve), film_frames=seen.time_s.size)


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
