"""The one door to a source: from a checked record to pictures or rows, and their delivery log."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from endpoint.files.column_heads import NamedColumns
from endpoint.problems import DeliveryProblem, RecordProblem, SourceProblem
from endpoint.record.titration import TitrationRecord
from endpoint.recording.colours import ColourTable, read_colours
from endpoint.recording.film import VideoSource
from endpoint.recording.frame import PictureSource
from endpoint.recording.photometer import PhotometerTable, read_table
from endpoint.recording.stills import StillsSource, find_stills
from endpoint.recording.volume_log import VolumeLog, read_log

_CHUNK = 1 << 20


def open_source(
    record: TitrationRecord, decode_threads: int | None = None
) -> tuple[PictureSource | PhotometerTable | ColourTable, VolumeLog | None]:
    """Open what a record names.

    Parameters
    ----------
    record:
        The checked record.
    decode_threads:
        Threads that decode a film; None for the usual number.

    Returns
    -------
    The pictures or rows, and the volume log if the record names one.

    Raises
    ------
    SourceProblem, DeliveryProblem, RecordProblem
        Something is missing, cannot be read or does not belong together.
    """
    _check_seen(record)
    log = None
    path = record.log or record.per_still
    if path is not None:
        of_log = NamedColumns() if record.kind == "photometer" else record.columns
        log = read_log(path, per_still=record.per_still is not None, named=of_log)
    if record.kind == "photometer":
        _need_file(record.medium)
        table = read_table(record.medium, record.columns)
        if table.volume_ml is None and log is None and record.rate_ml_min is None:
            raise SourceProblem(
                f"{table.name} has times but no volumes.",
                "Add a column volume_ml, or a [delivery] with a log or rate_ml_min.",
            )
        return table, log
    if record.kind == "colours":
        _need_file(record.medium)
        colours = read_colours(record.medium)
        _check_span(colours, log)
        return colours, log
    if record.kind == "stills":
        stills = StillsSource(record.medium, None if log is None else log.files)
        _check_boxes(record, *stills.stored_size)
        return stills, log
    _need_file(record.medium)
    settings = record.settings
    source = VideoSource(
        record.medium, settings.colour_matrix, settings.colour_range, decode_threads
    )
    _check_boxes(record, source.info.width, source.info.height)
    duration_s = source.info.duration_s
    if duration_s is not None and record.rate_ml_min is not None and record.start_s >= duration_s:
        raise DeliveryProblem(
            f"{record.name}: the pump starts at {record.start_s:g} s, but the recording ends at "
            f"{duration_s:.0f} s.",
            "Give delivery.start_s as seconds after the first picture.",
        )
    return source, log


def _check_boxes(record: TitrationRecord, width: int, height: int) -> None:
    """Refuse boxes given by hand that reach out of the picture."""
    settings = record.settings
    for name, box in (
        ("liquid_box", settings.liquid_box),
        ("reference_box", settings.reference_box),
        ("burette_box", settings.burette_box),
        ("tip_box", settings.tip_box),
    ):
        if box is not None and (box[2] > width or box[3] > height):
            raise RecordProblem(
                f"{record.name}: {name} reaches to {box[2]},{box[3]}, but the pictures have "
                f"{width} x {height} pixels.",
                "Give left,top,right,bottom in pixels of the upright picture.",
            )


def _check_seen(record: TitrationRecord) -> None:
    """Refuse boxes around a burette that nothing is read from."""
    for kind, name in (("meniscus", "burette_box"), ("drops", "tip_box")):
        if getattr(record.settings, name) is None:
            continue
        if record.seen is None or record.seen.kind != kind:
            raise RecordProblem(
                f"{record.name}: {name} is given, but delivery.{kind} is not.",
                f"Write {kind} in [delivery], or remove {name}.",
            )


def _check_span(colours: ColourTable, log: VolumeLog | None) -> None:
    """Refuse a log on another clock; the bench may keep readings after the last frame."""
    if log is None or log.time_s is None:
        return
    if log.time_s[-1] < colours.time_s[0] or log.time_s[0] > colours.time_s[-1]:
        raise DeliveryProblem(
            f"The volumes run from {log.time_s[0]:g} to {log.time_s[-1]:g} s, but {colours.name} "
            f"from {colours.time_s[0]:g} to {colours.time_s[-1]:g} s.",
            "Give both on one clock.",
        )


def _need_file(path: Path) -> None:
    try:
        if path.is_dir():
            raise SourceProblem(
                f"{path} is a folder.", "For stills write stills = ..., for a film name the file."
            )
        size = path.stat().st_size
        if not path.is_file():
            raise SourceProblem(
                f"{path} is not an ordinary file.", "Name the file of the recording."
            )
        if size == 0:
            raise SourceProblem(f"{path.name} is empty (0 bytes).", "Copy the recording again.")
        with path.open("rb"):
            pass
    except FileNotFoundError:
        raise SourceProblem(
            f"{path} does not exist.", "Check the name; paths count from the record's folder."
        ) from None
    except OSError as error:
        raise SourceProblem(
            f"{path} cannot be read ({error.strerror}).", "Check its permissions."
        ) from None


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, or of the names and contents of the pictures of a folder, as hex."""
    digest = hashlib.sha256()
    if path.is_dir():
        for still in find_stills(path):
            digest.update(os.fsencode(still.name))
            digest.update(bytes.fromhex(sha256_of(still)))
        return digest.hexdigest()
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
