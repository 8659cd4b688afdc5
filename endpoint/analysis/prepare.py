"""From a titration record to a job and an open source: the desk work before the analysis."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.certificate import Certificate
from calibration.instruments.camera import linear_from_encoded
from calibration.instruments.photometer import corrected
from calibration.instruments.tone import srgb
from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity
from endpoint.analysis.calcium import calcium_missing, calcium_of
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.quantities import bench_quantities, day_of_use, stated_alkalinity
from endpoint.burette.picture_reader import BuretteInPicture
from endpoint.burette.picture_volume import PictureVolume, of_log
from endpoint.chemistry.indicator_file import named_indicator, read_indicator
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.colour.linear_light import CameraTone, Transfer
from endpoint.delivery.alignment import can_be_aligned
from endpoint.delivery.clock import LogClock
from endpoint.delivery.delivery import Delivery, read_one_by_one, reading_sd_ml, sd_by_steps_ml
from endpoint.problems import RecordProblem
from endpoint.record.certificates import CertificateBook
from endpoint.record.titration import TitrationRecord
from endpoint.recording.colours import ColourTable
from endpoint.recording.film import VideoSource
from endpoint.recording.frame import Box, PictureSource
from endpoint.recording.opening import open_source
from endpoint.recording.photometer import PhotometerTable
from endpoint.recording.stills import StillsSource
from endpoint.recording.volume_log import Refill, VolumeLog, check_clock

FloatArray = NDArray[np.float64]
_TONE_STEPS = 1025
_WARMTH_HALF_WIDTH_C = 3.0
"""Of the temperature of water and titrant where the record states none, as for the ware."""


def prepare(
    record: TitrationRecord,
    today: datetime.date | None = None,
    decode_threads: int | None = None,
) -> tuple[AnalysisInputs, PictureSource | PhotometerTable | ColourTable]:
    """Open the recording of a record and put what the record says into quantities.

    Parameters
    ----------
    record:
        The checked record.
    today:
        Day of use for certificates where the record has no date; by default the day it is.
    decode_threads:
        Threads that decode a film; None for the usual number.

    Raises
    ------
    Problem
        Something named by the record is missing or cannot be used.
    """
    source, log = open_source(record, decode_threads)
    if record.seen is not None and not record.first_reading_ml:
        record = replace(record, first_reading_ml=record.seen.start_ml or 0.0)
    book = _book(record, today)
    job = inputs_of(record, log, source, book)
    _check_clock(record, log, source, job)
    if not isinstance(source, PhotometerTable):
        return job, source
    if record.medium_certificate is not None:
        source = without_stray_light(source, record.medium_certificate, book)
        job = replace(job, certificates=book.used)
    return job, at_one_cm(source, record.path_cm)


def inputs_of(
    record: TitrationRecord,
    log: VolumeLog | None,
    source: PictureSource | PhotometerTable | ColourTable | None,
    book: CertificateBook,
) -> AnalysisInputs:
    """What a record and its log say, in quantities.

    Parameters
    ----------
    record:
        The checked record.
    log:
        Delivered volumes; None where the record has a rate, or the pictures show the volumes.
    source:
        The open recording; None where it is not opened.
    book:
        Reads the certificates that the record names.

    Raises
    ------
    Problem
        A certificate or result named by the record is missing or cannot be used, or nothing says
        how much titrant was added.
    """
    refills = () if log is None else log.refills
    job, clock = _stated(record, source, book, refills)
    logged = _logged(record, log, clock)
    watched = isinstance(source, VideoSource) and record.seen is None and logged is None
    return replace(
        job,
        delivery=_delivery_of(record, log, clock) if logged is None else logged.delivery,
        seen=_seen(record, source),
        logged=logged,
        clock=_of_delivery(record, clock) if watched else None,
    )


def job_before_run(record: TitrationRecord, today: datetime.date | None = None) -> AnalysisInputs:
    """Inputs of a titration whose recording is not opened: its delivery grows at the bench.

    Parameters
    ----------
    record, today:
        As in `prepare`; a record without a date is one of `today`.

    Raises
    ------
    Problem
        A certificate or result named by the record is missing or cannot be used.
    """
    job, _ = _stated(record, None, _book(record, today))
    return replace(job, day=job.day or today)


def _check_clock(
    record: TitrationRecord,
    log: VolumeLog | None,
    source: PictureSource | PhotometerTable | ColourTable,
    job: AnalysisInputs,
) -> None:
    """Refuse a log that runs beyond its film, where the analysis does not look for its clock."""
    if not isinstance(source, VideoSource) or log is None or job.delivery is None:
        return
    path, duration_s = record.log, source.info.duration_s
    looked_for = job.clock is not None and job.clock.basis == "assumed"
    looked_for &= can_be_aligned(job.delivery)
    if path is not None and duration_s is not None and not looked_for:
        times = job.delivery.time_s if job.logged is None else job.logged.time_s
        check_clock(log, times, duration_s, path.name)


def _book(record: TitrationRecord, today: datetime.date | None) -> CertificateBook:
    return CertificateBook(day_of_use(record, today or datetime.date.today()), record.accepted)


def _stated(
    record: TitrationRecord,
    source: PictureSource | PhotometerTable | ColourTable | None,
    book: CertificateBook,
    refills: tuple[Refill, ...] = (),
) -> tuple[AnalysisInputs, _Clock]:
    """What a record says, in quantities, but for what was delivered; and the clock of its log."""
    by_eye = record.mode in ("steps", "per-still", None)
    bench = bench_quantities(
        record, book, reading_limit_ml=None if by_eye else 0.0, refills=refills
    )
    clock = _timing(record, book)
    job = AnalysisInputs(
        label=record.label,
        deliveries_ml=bench.deliveries_ml,
        added_ml=record.added_ml,
        titrant_mol_l=bench.titrant_mol_l,
        delivery=None,
        blank_ml=bench.blank_ml,
        burette=bench.burette,
        burette_nominal_ml=bench.burette_nominal_ml,
        calcium_mmol_l=calcium_of(record, bench, book),
        alkalinity_mmol_l=stated_alkalinity(record),
        calcium_by=None if record.calcium is None else record.calcium.by,
        lag_s=clock.lag_s,
        clock_uncertainty_s=clock.uncertainty_s,
        liquid_box=_box(record.settings.liquid_box, source),
        reference_box=_box(record.settings.reference_box, source),
        transfer=_transfer(record, book),
        indicator=_indicator(record),
        other_metals=record.other_metals,
        method=bench.method,
        minutes_since_buffer=record.conditions.minutes_since_buffer or 0.0,
        not_in_budget=(*bench.missing, *calcium_missing(record)),
        certificates=book.used,
        day=record.day,
        analyst=record.analyst,
    )
    return job, clock


def _indicator(record: TitrationRecord) -> Indicator:
    """Indicator that the record names or describes.

    Raises
    ------
    RecordProblem
        It is not known, its file cannot be used, or calcium alone is titrated and given again.
    """
    if record.indicator_file is not None:
        found = read_indicator(record.indicator_file)
    elif record.indicator_name is not None:
        found = named_indicator(record.indicator_name)
    else:
        found = ERIOCHROME_BLACK_T
    if record.calcium is not None and len(found.metals) < 2:
        raise RecordProblem(
            f"{record.name}: [calcium] is in a record in which {found.name} shows "
            f"{found.titrated} alone.",
            "Put [calcium] in the record of the titration of calcium and magnesium together.",
        )
    return _in_flask(found, record)


def _in_flask(indicator: Indicator, record: TitrationRecord) -> Indicator:
    """Indicator with its constants moved to what the record says of the flask."""
    stated, usual = record.conditions, indicator.conditions
    if usual is None:
        if stated.is_chemical:
            raise RecordProblem(
                f"{record.name}: how [conditions] move the constants is known in ammonia buffers "
                f"only, and {indicator.name} is not described for one.",
                "Remove [conditions], or state ammonia_mol_l and charge in the indicator file.",
            )
        return indicator
    if record.temperature_c is not None:
        half = record.temperature_half_width_c
        warmth_u_c = _WARMTH_HALF_WIDTH_C if half is None else half
        usual = replace(usual, temperature_c=(record.temperature_c, warmth_u_c / math.sqrt(3.0)))
    return replace(indicator, conditions=stated.over(usual))


@dataclass(frozen=True)
class _Clock:
    """How times of the log become times of the recording, and the mixing lag."""

    offset_s: float = 0.0
    drift: float = 0.0
    middle_s: float = 0.0
    uncertainty_s: float = 0.0
    lag_s: tuple[float, float] | None = None
    is_stated: bool = False

    def in_recording(self, time_s: FloatArray) -> FloatArray:
        """Times of the log on the clock of the recording."""
        return time_s + self.offset_s + self.drift * (time_s - self.middle_s)


def _of_delivery(record: TitrationRecord, clock: _Clock) -> LogClock:
    """What is said of the clock; the start of a pump is stated on that of the recording."""
    stated = clock.is_stated or record.rate_ml_min is not None
    return LogClock(clock.offset_s, "stated" if stated else "assumed")


def _timing(record: TitrationRecord, book: CertificateBook) -> _Clock:
    """Clock and lag as typed, or from a certificate; a late clock and a long lag look alike."""
    if record.timing_certificate is None:
        return _Clock(
            offset_s=record.clock_offset_s or 0.0,
            uncertainty_s=record.clock_offset_uncertainty_s or 0.0,
            lag_s=_lag(record),
            is_stated=record.clock_offset_s is not None,
        )
    certificate = book.read(record.timing_certificate, "timing", "timing")
    held = certificate.quantities
    shift = Quantity(0.0, "s")
    for name in ("clock offset", "delay"):
        shift = shift + held[name] if name in held else shift
    lag = held.get("mixing lag")
    drift = held.get("clock drift")
    if lag is None:
        known, uncertainty_s = None, shift.standard_uncertainty
    else:
        # A late clock, a delay and a long lag shift the curve alike: one uncertainty for all.
        known = (lag.value, max((lag + shift).standard_uncertainty, 1e-3))
        uncertainty_s = 0.0
    return _Clock(
        offset_s=shift.value,
        drift=0.0 if drift is None else drift.value,
        middle_s=_middle(certificate),
        uncertainty_s=uncertainty_s,
        lag_s=known,
        is_stated="clock offset" in held,
    )


def _transfer(record: TitrationRecord, book: CertificateBook) -> Transfer | None:
    """Tone curve that the settings name, or that of the calibrated camera."""
    if record.settings.tone_curve is not None or record.kind == "photometer":
        return record.settings.tone_curve
    if record.medium_certificate is None:
        return None
    certificate = book.read(record.medium_certificate, "camera", "camera")
    encoded = np.linspace(0.0, 1.0, _TONE_STEPS)
    linear = (
        linear_from_encoded(encoded, certificate)
        if "response" in certificate.details
        else srgb(encoded)
    )
    chart = certificate.details.get("chart")
    matrix = chart.get("ratio_matrix") if isinstance(chart, Mapping) else None
    return CameraTone(
        encoded, linear, None if matrix is None else np.array(matrix, dtype=np.float64)
    )


def _middle(certificate: Certificate) -> float:
    clock = certificate.details.get("clock")
    middle = clock.get("middle_s", 0.0) if isinstance(clock, Mapping) else 0.0
    return float(middle) if isinstance(middle, int | float) else 0.0


def at_one_cm(table: PhotometerTable, path_cm: float) -> PhotometerTable:
    """Absorbances for a path of 1 cm, so that remarks on their size mean the same."""
    if path_cm == 1.0:
        return table
    return replace(table, absorbance=table.absorbance / path_cm, path_cm=path_cm)


def without_stray_light(
    table: PhotometerTable, path: Path, book: CertificateBook
) -> PhotometerTable:
    """Rows corrected with the certificate of the photometer, those beyond its range marked.

    Parameters
    ----------
    table:
        Rows as the photometer showed them.
    path, book:
        The certificate, and the book that reads it.

    Raises
    ------
    CertificateProblem
        The certificate cannot be used, or holds for other wavelengths and was not accepted.
    """
    certificate = book.read(path, "photometer", "photometer")
    columns, beyond = [], np.zeros(len(table.absorbance), dtype=bool)
    for column, nm in zip(table.absorbance.T, table.wavelengths_nm, strict=True):
        try:
            fixed, over = corrected(column, certificate, nm)
        except CalibrationProblem as problem:
            book.doubt(path, "photometer", problem.sentence, problem.remedy)
            fixed, over = column, np.zeros(len(column), dtype=bool)
        columns.append(fixed)
        beyond |= over
    return replace(table, absorbance=np.column_stack(columns), beyond=beyond)


def _delivery_of(
    record: TitrationRecord, log: VolumeLog | None, clock: _Clock = _Clock()
) -> Delivery | None:
    """Delivery of a record on the clock of the recording; None where rows carry their volumes."""
    if record.rate_ml_min is not None:
        start = float(clock.in_recording(np.array([record.start_s]))[0])
        return Delivery.at_constant_rate(record.rate_ml_min, start)
    if log is None:
        if record.kind == "photometer" or record.seen is not None:
            return None
        raise RecordProblem(
            f"{record.name}: nothing says how much titrant was added.",
            "Give --volumes FILE.csv, or a [delivery] in the record.",
        )
    if log.files is not None:
        return read_one_by_one(log.volume_ml, reading_sd_ml(log.volume_ml))
    assert log.time_s is not None
    mode = record.mode or "steps"
    by_eye = sd_by_steps_ml if record.kind == "photometer" else reading_sd_ml
    sd_ml = by_eye(log.volume_ml) if mode == "steps" else 0.0
    return Delivery(mode, clock.in_recording(log.time_s), log.volume_ml, reading_sd_ml=sd_ml)


def _logged(record: TitrationRecord, log: VolumeLog | None, clock: _Clock) -> PictureVolume | None:
    """Volumes of a log that states their uncertainty."""
    if log is None or log.sigma_ml is None or log.time_s is None:
        return None
    times = clock.in_recording(log.time_s)
    return of_log(times, log.volume_ml, log.sigma_ml, record.mode or "steps")


def _box(
    numbers: tuple[int, int, int, int] | None,
    source: PictureSource | PhotometerTable | ColourTable | None,
) -> Box | None:
    """Box in the pictures as they are read: large stills come reduced."""
    if numbers is None:
        return None
    shrink = source.reduction if isinstance(source, StillsSource) else 1
    left, top, right, bottom = numbers
    return Box(left // shrink, top // shrink, -(-right // shrink), -(-bottom // shrink))


def _seen(
    record: TitrationRecord, source: PictureSource | PhotometerTable | ColourTable | None
) -> BuretteInPicture | None:
    """Burette in the picture, if the record reads the volume there."""
    if record.seen is None:
        return None
    return BuretteInPicture(
        record.seen, _box(getattr(record.settings, record.seen.box_name), source)
    )


def _lag(record: TitrationRecord) -> tuple[float, float] | None:
    if record.mixing_lag_s is None:
        return None
    default = max(0.3, 0.3 * record.mixing_lag_s)
    stated = record.mixing_lag_uncertainty_s
    return record.mixing_lag_s, max(default if stated is None else stated, 1e-3)
