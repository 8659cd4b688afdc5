"""The one door to a source: from a checked record to pictures or rows, and their delivery log."""

from __future__ import annotations

import hashlib
from pathlib import Path

from endpoint.problems import DeliveryProblem, SourceProblem
from endpoint.record import TitrationRecord
from endpoint.sources.frame import PictureSource
from endpoint.sources.photometer import PhotometerTable, read_table
from endpoint.sources.stills import StillsSource, find_stills
from endpoint.sources.video import VideoSource
from endpoint.sources.volumes import VolumeLog, check_clock, read_log

_CHUNK = 1 << 20


def open_source(
    record: TitrationRecord,
) -> tuple[PictureSource | PhotometerTable, VolumeLog | None]:
    """Open what a record names.

    Returns
    -------
    The pictures or rows, and the volume log if the record names one.

    Raises
    ------
    SourceProblem, DeliveryProblem
        Something is missing, cannot be read or does not belong together.
    """
    log = None
    path = record.log or record.per_still
    if path is not None:
        log = read_log(path)
        if (log.files is None) == (record.per_still is not None):
            wanted = "file,volume_ml" if record.per_still is not None else "time_s,volume_ml"
            raise DeliveryProblem(
                f"{path.name} has not the columns that {record.kind} needs.",
                f"Name the columns {wanted}.",
            )
    if record.kind == "photometer":
        _need_file(record.medium)
        table = read_table(record.medium)
        if table.volume_ml is None and log is None and record.rate_ml_min is None:
            raise SourceProblem(
                f"{table.name} has times but no volumes.",
                "Add a column volume_ml, or a [delivery] with a log or rate_ml_min.",
            )
        return table, log
    if record.kind == "stills":
        return StillsSource(record.medium, None if log is None else log.files), log
    _need_file(record.medium)
    settings = record.settings
    source = VideoSource(record.medium, settings.colour_matrix, settings.colour_range)
    if log is not None and source.info.duration_s is not None and path is not None:
        check_clock(log, source.info.duration_s, path.name)
    return source, log


def _need_file(path: Path) -> None:
    try:
        if path.is_dir():
            raise SourceProblem(
                f"{path} is a folder.", "For stills write stills = ..., for a film name the file."
            )
        if path.stat().st_size == 0:
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
            digest.update(still.name.encode())
            digest.update(bytes.fromhex(sha256_of(still)))
        return digest.hexdigest()
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
