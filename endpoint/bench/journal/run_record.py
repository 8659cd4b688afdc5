"""The record of a run of the bench, and its result, worked out from what the journal holds.

A result is worked out in one way, `result_of`: at the end of a run, after a correction, and when
the run is exported. So the page, the export and `endpoint locate` on it give the same numbers.
"""

from __future__ import annotations

import contextlib
import datetime
import math
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePath
from typing import Any

from calibration.reading import Unreadable, read_text
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.pipeline import of_colours
from endpoint.analysis.prepare import inputs_of, job_before_run
from endpoint.analysis.quantities import day_of_use
from endpoint.analysis.result import Result
from endpoint.bench.journal.events import Kept, RunHead
from endpoint.bench.journal.reconstruct import (
    Delivered,
    as_pauses,
    as_streams,
    colours_of,
    delivered,
)
from endpoint.colour.density import ColourSample
from endpoint.files.folder import write_text
from endpoint.problems import JournalProblem, OutputProblem, RecordProblem
from endpoint.record.certificates import CertificateBook
from endpoint.record.titration import TitrationRecord, parse_record

_NAMED = (
    ("titrant", "certificate"),
    ("titrant", "certificates"),
    ("indicator", "file"),
    ("blank", "result"),
    ("calcium", "result"),
    ("calcium", "certificate"),
    ("method", "certificate"),
    ("recording", "certificate"),
    ("delivery", "certificate"),
    ("ware", "burette"),
    ("ware", "pipette"),
)
_NOT_OF_THE_BENCH = ("log", "per_still", "rate_ml_min", "start_s")
_SHIFTS = ("clock offset", "delay")
_MOST_FILE = 1_000_000
"""Bytes of a certificate or result that may be copied next to the record. Assumed."""
_READ_ML = 0.02
"""Standard uncertainty of a volume, mL, beyond which it was not read: a limit of 0.02 mL is that of
a reading by eye."""
_CERTAIN_ML = 0.05
"""Half width of an interval, mL, from which on nobody asks what streams show: a drop."""
COLOURS, VOLUMES, RECORD = "colours.csv", "volumes.csv", "record.toml"
"""Files of an export that the record names, and the record."""


def run_head(
    table: Mapping[str, Any],
    folder: Path,
    *,
    today: datetime.date,
    replicate: int = 1,
    source: str = "",
    program: str = "",
    form: Mapping[str, Any] | None = None,
) -> RunHead:
    """Head of a run from the tables of a record, with the files that they name.

    Parameters
    ----------
    table:
        As `record.titration.read_tables` gives it. The keys that name the recording and its
        volumes are left out, as the bench makes both.
    folder:
        Where relative paths begin.
    today:
        Day of the titration, if the record has none.
    replicate, source, program, form:
        As in `RunHead`.

    Raises
    ------
    RecordProblem
        The record cannot be used, names a file that cannot be read, or states a clock offset.
    """
    kept = {
        key: dict(part)
        for key, part in table.items()
        if isinstance(part, Mapping) and key != "recording"
    }
    recording = table.get("recording")
    if isinstance(recording, Mapping) and "certificate" in recording:
        kept["recording"] = {"certificate": recording["certificate"]}
    if "rate_ml_min" in kept.get("delivery", {}):
        kept["delivery"]["mode"] = "continuous"
    for key in _NOT_OF_THE_BENCH:
        kept.get("delivery", {}).pop(key, None)
    kept.setdefault("delivery", {}).setdefault("mode", "steps")
    kept.setdefault("sample", {}).setdefault("date", today.isoformat())
    _refuse_shift(bool(kept["delivery"].get("clock_offset_s")), "delivery.clock_offset_s")
    files: dict[str, str] = {}
    for section, key in _NAMED:
        if key in kept.get(section, {}):
            kept[section][key] = _with_file(kept[section][key], f"{section}.{key}", folder, files)
    record: dict[str, Any] = _plain_days(kept)
    head = RunHead("", record, files, replicate, source, program, dict(form or {}))
    with tempfile.TemporaryDirectory() as place:
        checked = parse_record(record_tables(head, None), "The record of the bench", Path(place))
    return replace(head, label=checked.label)


def _refuse_shift(found: bool, what: str) -> None:
    if found:
        raise RecordProblem(
            f"The record of the bench: {what} shifts the volumes, but at the bench the colours and "
            "the volumes share one clock.",
            "Leave it out of the record for the bench.",
        )


def _with_file(value: Any, where: str, folder: Path, files: dict[str, str]) -> Any:
    """Value of a record with its file read and named anew; other values as they are."""
    if isinstance(value, Mapping):
        if "certificate" not in value:
            return dict(value)
        name = _with_file(value["certificate"], where, folder, files)
        return {**value, "certificate": name}
    if isinstance(value, list):
        return [_with_file(v, f"{where}.{k}", folder, files) for k, v in enumerate(value, 1)]
    if not isinstance(value, str) or (
        where.startswith("ware.") and not value.lower().endswith(".json")
    ):
        return value
    path = folder / value
    try:
        path = path / "result.json" if path.is_dir() else path
        text = read_text(path, _MOST_FILE)
    except Unreadable as why:
        raise RecordProblem(
            f"The record of the bench: {where}: {path} cannot be read ({why.reason}).",
            "Check the name: paths start from the folder of the record.",
        ) from None
    if where == "delivery.certificate":
        _refuse_shift(any(f'"{name}"' in text for name in _SHIFTS), where)
    name = f"{where.replace('.', '-')}{PurePath(path).suffix.lower() or '.json'}"
    files[name] = text
    return name


def _plain_days(value: Any) -> Any:
    if isinstance(value, datetime.date | datetime.datetime):
        return value.isoformat()[:10]
    if isinstance(value, Mapping):
        return {str(key): _plain_days(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain_days(part) for part in value]
    return value


def record_tables(head: RunHead, done: Delivered | None) -> dict[str, Any]:
    """Tables of the record of a run, its colours and volumes named; None before any is known."""
    stated = {key: dict(part) for key, part in head.record.items() if isinstance(part, Mapping)}
    delivery = {"mode": stated.get("delivery", {}).get("mode", "steps"), "log": VOLUMES}
    if done is not None:
        delivery = dict(done.table) | ({} if done.log is None else {"log": VOLUMES})
    kept = {k: v for k, v in stated.get("delivery", {}).items() if k != "mode"}
    if done is not None and "clock_offset_uncertainty_s" in kept:
        kept["clock_offset_uncertainty_s"] *= done.starts
    tables = {
        "format": 1,
        **stated,
        "recording": {"colours": COLOURS, **stated.get("recording", {})},
        "delivery": delivery | kept,
    }
    start = None if done is None else done.first_reading_ml
    if start is not None and 0.0 <= start <= 100.0 and (start > 0.0 or "ware" in stated):
        tables["ware"] = {**stated.get("ware", {}), "first_reading_ml": start}
    return tables


def write_files(head: RunHead, folder: Path) -> None:
    """Write the certificates and results that a record names.

    Raises
    ------
    OutputProblem
        The run names one that is not a plain file name, or the folder cannot be written.
    """
    for name, text in head.files.items():
        if PurePath(name).name != name or name in ("", ".", ".."):
            raise OutputProblem(
                f"The run names the file {name}, which is not a plain file name.",
                "Export another run.",
            )
        write_text(folder / name, text)


def done_in(head: RunHead, events: Sequence[Kept]) -> Delivered:
    """What was delivered in a run.

    Raises
    ------
    DeliveryProblem
        Nothing yet, or the readings contradict each other.
    """
    stated = head.record.get("delivery", {})
    return delivered(events, stated.get("mode", "steps"))


def head_of(events: Sequence[Kept]) -> RunHead:
    """Head of a run from its events.

    Raises
    ------
    JournalProblem
        It is lost.
    """
    head = events[0].event if events else None
    if not isinstance(head, RunHead):
        raise JournalProblem(
            "The beginning of the run is damaged.", "See what can be read: endpoint runs check."
        )
    return head


def inputs_before(head: RunHead, today: datetime.date) -> AnalysisInputs:
    """Inputs of a run whose delivery is still to come.

    Raises
    ------
    Problem
        A certificate or result that the record names cannot be used.
    """
    with _record_of(head, None) as record:
        return job_before_run(record, today)


def result_of(events: Sequence[Kept]) -> Result:
    """Result of a run from its events.

    Parameters
    ----------
    events:
        All events of the run, in order.

    Raises
    ------
    DeliveryProblem
        Nothing was delivered, or what was read contradicts itself.
    Problem
        The record cannot be used.
    """
    return counted(events).result


@dataclass(frozen=True)
class Counted:
    """What counts of a run, and what comes of it."""

    samples: tuple[ColourSample, ...]
    """Colours, those of no certain volume marked."""
    done: Delivered
    result: Result


def counted(events: Sequence[Kept]) -> Counted:
    """What counts of a run: its pauses, or its streams where those alone show the end well.

    Streams are read at times when nobody knows the volume as well as in a pause: they count where
    the pauses show no end, or with twice their uncertainty.

    Parameters, Raises
    ------------------
    As of `result_of`.
    """
    head = head_of(events)
    colours, done = colours_of(events), done_in(head, events)
    samples, pauses = as_pauses(colours, done)
    result = _result(head, samples, pauses)
    if _half_ml(result) > _CERTAIN_ML and (streams := as_streams(colours, done)) is not None:
        found = _result(head, *streams)
        half_ml = _half_ml(result)
        if _half_ml(found) < 0.5 * half_ml and (half_ml == math.inf or _leans(found)):
            return Counted(*streams, found)
    return Counted(samples, pauses, result)


def _leans(found: Result) -> bool:
    """Whether an end lies where its volume is known from a stream, less well than from a reading.

    Beyond, the drops show it, whose readings err one by one: that is counted in the pauses only.
    """
    end, seen = found.equivalence, found.seen_volume
    return end is not None and seen is not None and seen.sigma_at(end.value_ml) > _READ_ML


def _half_ml(result: Result) -> float:
    """Half width of the interval of an end, mL; infinite without one."""
    end = result.equivalence if result.status == "located" else None
    return math.inf if end is None else 0.5 * (end.high_ml - end.low_ml)


def _result(head: RunHead, samples: Sequence[ColourSample], done: Delivered) -> Result:
    with _record_of(head, done) as record:
        day = day_of_use(record, datetime.date.today())
        job = inputs_of(record, done.log, None, CertificateBook(day, record.accepted))
    return of_colours(samples, job)


@contextlib.contextmanager
def _record_of(head: RunHead, done: Delivered | None) -> Iterator[TitrationRecord]:
    """The checked record of a run, its certificates in a folder for as long as they are read."""
    with tempfile.TemporaryDirectory(prefix="endpoint-run-") as place:
        folder = Path(place)
        write_files(head, folder)
        yield parse_record(record_tables(head, done), RECORD, folder)
