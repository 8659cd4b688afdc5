"""From a titration record to a job and an open source: the desk work before the analysis."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from calibration.certificate import read_certificate
from calibration.glassware import Ware, burette_volume, pipette_deliveries, ware_from_table
from calibration.quantity import CalibrationProblem, Quantity
from endpoint.delivery import Delivery
from endpoint.pipeline import Job
from endpoint.problems import CertificateProblem, Problem, RecordProblem
from endpoint.record import TitrationRecord
from endpoint.sources.frame import Box, PictureSource
from endpoint.sources.opening import open_source
from endpoint.sources.photometer import PhotometerTable
from endpoint.sources.stills import StillsSource
from endpoint.sources.volumes import VolumeLog

_BLANK_DEFAULT_U_ML = 0.02


def prepare(record: TitrationRecord) -> tuple[Job, PictureSource | PhotometerTable]:
    """Open the recording of a record and put what the record says into quantities.

    Raises
    ------
    Problem
        Something named by the record is missing or cannot be used.
    """
    source, log = open_source(record)
    missing: list[str] = []
    try:
        deliveries = _sample(record, missing)
        burette = _burette(record, missing)
        titrant = _titrant(record, missing)
        blank = _blank(record)
    except CalibrationProblem as problem:
        kind: type[Problem] = CertificateProblem if record.certificate else RecordProblem
        raise kind(problem.sentence, problem.remedy) from None
    job = Job(
        label=record.label,
        deliveries_ml=deliveries,
        added_ml=record.added_ml,
        titrant_mol_l=titrant,
        delivery=delivery_of(record, log),
        blank_ml=blank,
        burette=burette,
        lag_s=_lag(record),
        liquid_box=_box(record.settings.liquid_box, source),
        reference_box=_box(record.settings.reference_box, source),
        transfer=record.settings.tone_curve,
        not_in_budget=tuple(missing),
    )
    return _with_path_length(job, source, record)


def _with_path_length(
    job: Job, source: PictureSource | PhotometerTable, record: TitrationRecord
) -> tuple[Job, PictureSource | PhotometerTable]:
    """Bring absorbances to a path of 1 cm, so that remarks on their size mean the same."""
    if isinstance(source, PhotometerTable) and record.path_cm != 1.0:
        return job, replace(source, absorbance=source.absorbance / record.path_cm)
    return job, source


def delivery_of(record: TitrationRecord, log: VolumeLog | None) -> Delivery | None:
    """Delivery of a record, or None where the rows carry their volumes."""
    if record.rate_ml_min is not None:
        return Delivery.at_constant_rate(record.rate_ml_min, record.start_s)
    if log is None:
        if record.kind == "photometer":
            return None
        raise RecordProblem(
            f"{record.name}: nothing says how much titrant was added.",
            "Give --volumes FILE.csv, or a [delivery] in the record.",
        )
    if log.files is not None:
        return Delivery("per-still", np.arange(len(log.files), dtype=np.float64), log.volume_ml)
    assert log.time_s is not None
    return Delivery(record.mode or "steps", log.time_s, log.volume_ml)


def _box(
    numbers: tuple[int, int, int, int] | None, source: PictureSource | PhotometerTable
) -> Box | None:
    """Box in the pictures as they are read: large stills come reduced."""
    if numbers is None:
        return None
    shrink = source.reduction if isinstance(source, StillsSource) else 1
    left, top, right, bottom = numbers
    return Box(left // shrink, top // shrink, -(-right // shrink), -(-bottom // shrink))


def _lag(record: TitrationRecord) -> tuple[float, float] | None:
    if record.mixing_lag_s is None:
        return None
    default = max(0.3, 0.3 * record.mixing_lag_s)
    stated = record.mixing_lag_uncertainty_s
    return record.mixing_lag_s, max(default if stated is None else stated, 1e-3)


def _titrant(record: TitrationRecord, missing: list[str]) -> Quantity:
    if record.certificate is not None:
        return read_certificate(record.certificate).quantity("concentration", "mol/L")
    value = record.concentration_mol_l or 0.0
    if record.standard_uncertainty_mol_l is None:
        missing.append("concentration of the titrant (no uncertainty stated)")
        return Quantity(value, "mol/L")
    return Quantity.measured(
        value, "mol/L", record.standard_uncertainty_mol_l, "titrant: concentration"
    )


def _ware(record: TitrationRecord, kind: str) -> Ware | None:
    """Ware of a class; a bare class such as "A" means the usual 50 mL piece."""
    stated = record.ware.get(kind)
    if stated is None or isinstance(stated, Path):
        return None
    if isinstance(stated, str):
        size = {"nominal_ml": 50, "division_ml": 0.1} if kind == "burette" else {"nominal_ml": 50}
        table: Mapping[str, Any] = {**size, "class": stated}
    else:
        table = stated
    return ware_from_table(table, kind, f"{record.name}: ware.{kind}")


def _sample(record: TitrationRecord, missing: list[str]) -> tuple[Quantity, ...]:
    stated = record.ware.get("pipette")
    if isinstance(stated, Path):
        volume = read_certificate(stated).quantity("volume", "mL")
        return (volume,) * _fillings(record, volume.value)
    pipette = _ware(record, "pipette")
    if pipette is None:
        missing.append("volume of the sample (no pipette stated)")
        return tuple(Quantity(v, "mL") for v in record.deliveries_ml)
    fillings = _fillings(record, pipette.tolerance.nominal_ml)
    return tuple(pipette_deliveries(pipette, fillings, label=record.label))


def _fillings(record: TitrationRecord, pipette_ml: float) -> int:
    total = math.fsum(record.deliveries_ml)
    fillings = round(total / pipette_ml)
    if fillings < 1 or abs(fillings * pipette_ml - total) > 0.01 * total:
        raise RecordProblem(
            f"{record.name}: {total:g} mL of sample are no whole number of fillings of a "
            f"{pipette_ml:g} mL pipette.",
            "Correct sample.volume_ml or ware.pipette.",
        )
    return fillings


def _burette(record: TitrationRecord, missing: list[str]) -> Callable[[Quantity], Quantity] | None:
    stated = record.ware.get("burette")
    if isinstance(stated, Path):
        correction = read_certificate(stated).quantity("correction", "mL")
        return lambda volume_ml: volume_ml + correction
    ware = _ware(record, "burette")
    if ware is None:
        missing.append("volume of the titrant (no burette stated)")
        return None
    read_by_eye = None if record.mode in ("steps", "per-still", None) else 0.0

    def add(volume_ml: Quantity) -> Quantity:
        fills = max(1, math.ceil(volume_ml.value / ware.tolerance.nominal_ml - 1e-9))
        return burette_volume(
            ware, volume_ml, record.label, fills=fills, reading_limit_ml=read_by_eye
        )

    return add


def _blank(record: TitrationRecord) -> Quantity | None:
    if record.blank_ml is None:
        return None
    stated = record.blank_uncertainty_ml
    uncertainty = _BLANK_DEFAULT_U_ML if stated is None else stated
    return Quantity.measured(record.blank_ml, "mL", uncertainty, "blank")
