"""From a curve of colour against volume to a result: fit, verdict and hardness."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.ware.tolerance import titre_remarks
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.result import Result
from endpoint.analysis.volume_axis import equivalence_quantity
from endpoint.burette.picture_volume import PictureVolume
from endpoint.curve.creep import Creep
from endpoint.curve.gathering import from_absorbance
from endpoint.curve.points import Curve
from endpoint.delivery.clock import ClockDoubt
from endpoint.delivery.delivery import read_one_by_one, sd_by_steps_ml
from endpoint.equivalence.fit import Estimate, Transition, fit_transition
from endpoint.hardness.formula import hardness
from endpoint.hardness.method import with_method
from endpoint.hardness.other_metals import blocking, subtracted, treated_at, treated_words
from endpoint.hardness.split import calcium_and_magnesium, carbonate_and_other
from endpoint.recording.photometer import PhotometerTable
from endpoint.verdict.carbonate import Carbonate, with_carbonate
from endpoint.verdict.evidence import Evidence
from endpoint.verdict.verdict import hindrance, judge


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
    return with_hardness(judged(job, curve, seen, doubt, creep))


def judged(
    job: AnalysisInputs,
    curve: Curve,
    seen: PictureVolume | None = None,
    doubt: ClockDoubt | None = None,
    creep: Creep | None = None,
    near: Transition | None = None,
    leap: bool = False,
) -> Result:
    """Result of a curve without its hardness.

    `near` is a fit of nearly the same curve, `leap` whether no picture shows a shade between.
    """
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
        leaps=leap,
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


def with_hardness(result: Result) -> Result:
    """Result with amount and hardness, where there is an equivalence volume."""
    job, fit, found = result.job, result.fit, result.equivalence
    if fit is None or found is None:
        return result
    volume = equivalence_quantity(job, fit, found.value_ml, result.seen_volume)
    metals = job.other_metals if job.indicator.is_hardness else ()
    treated = treated_at(job.indicator.ph)
    others = subtracted(metals, job.label, treated)
    total = hardness(volume, job.titrant_mol_l, job.deliveries_ml, job.blank_ml, others)
    if treated is not None:
        total = replace(total, warnings=(*total.warnings, *treated_words(metals, treated)))
    if job.method is not None and job.indicator.is_hardness:
        total = with_method(total, job.method, job.titrant_mol_l, "recording")
    splits = []
    if len(job.indicator.metals) > 1 and job.indicator.is_hardness:
        if job.calcium_mmol_l is not None:
            calcium = job.calcium_mmol_l
            splits.append(
                calcium_and_magnesium(total.mmol_l, calcium, job.calcium_by, job.other_metals)
            )
        if job.alkalinity_mmol_l is not None:
            splits.append(carbonate_and_other(total.mmol_l, job.alkalinity_mmol_l))
    nominal_ml = job.burette_nominal_ml
    return replace(
        result,
        equivalence_quantity=volume,
        amount_mmol_l=total.mmol_l,
        hardness=total if job.indicator.is_hardness else None,
        splits=tuple(splits),
        source_notes=() if nominal_ml is None else titre_remarks(nominal_ml, volume.value),
    )


def photometer_curve(table: PhotometerTable, job: AnalysisInputs) -> Curve:
    """Curve of photometer rows, with their own volumes or through the delivery log."""
    channels = tuple(f"{nm:g} nm" for nm in table.wavelengths_nm)
    saturated = np.asarray(table.saturated, dtype=bool)
    if table.volume_ml is not None:
        sd_ml = table.reading_sd_ml
        if sd_ml is None:
            sd_ml = sd_by_steps_ml(table.volume_ml)
        return from_absorbance(
            table.volume_ml,
            table.absorbance,
            channels,
            job.flask_ml,
            saturated=saturated,
            delivery=read_one_by_one(table.volume_ml, sd_ml),
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
