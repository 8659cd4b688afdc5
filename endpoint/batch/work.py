"""The work on one record, from path to row; every way to run a batch ends here."""

from __future__ import annotations

import datetime
import hashlib
import os
from pathlib import Path

from calibration.problem import Problem
from calibration.reading import Unreadable, read_bytes
from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.batch.row import Row, failed_row, located_row, refused_row, versions
from endpoint.files.fault_report import fault_told
from endpoint.record.titration import MAX_BYTES, read_record
from endpoint.result.document import document, programs, provenance_of


def row_of_record(name: str, path: Path, today: datetime.date | None = None) -> Row:
    """Analyse what a record names: its result, or the reason why there is none; never raises.

    Parameters
    ----------
    name:
        Place of the record in the batch.
    path:
        The record.
    today:
        Day of use for certificates where the record has no date; by default the day it is.
    """
    try:
        checksum = hashlib.sha256(read_bytes(path, MAX_BYTES)).hexdigest()
    except Unreadable:
        checksum = ""
    try:
        record = read_record(path)
        job, source = prepare(record, today, decode_threads=1)
        result = analyse(source, job)
        data = document(result, provenance_of(record, result))
        return located_row(name, data, checksum)
    except Problem as problem:
        # Where the batch lies is not part of its table.
        text = problem.sentence.replace(f"{path.parent}{os.sep}", "")
        row = refused_row(name, problem.code, text, problem.remedy)
    except MemoryError:
        row = failed_row(
            name,
            "memory",
            "The recording needs more memory than there is.",
            "Reduce the recording, or give --jobs 1.",
        )
    except Exception as error:  # one bad film never stops the rest
        row = failed_row(name, "program-error", *fault_told(error, ["locate", str(path)]))
    return {**row, "record_sha256": checksum, **versions(programs())}
