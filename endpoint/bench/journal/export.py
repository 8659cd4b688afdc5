"""Runs of the bench: opened from a record, read back from the journal, exported to a folder.

An export holds `record.toml`, `colours.csv`, `volumes.csv`, the certificates and results that the
record names, `events.json` (all that was typed, corrected and noted), the kept pictures with their
volumes in `stills.csv`, and `result.json`. It needs nothing else: `endpoint locate
FOLDER/record.toml` gives the numbers of `result.json` again.
"""

from __future__ import annotations

import csv
import datetime
import io
import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path, PurePath
from typing import Any

from platformdirs import user_data_path

from calibration.problem import Problem
from calibration.reading import Unreadable, read_text
from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.analysis.result import Result
from endpoint.bench.journal.events import Kept, RunHead, Still, VolumeSeen, kind_of
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.reconstruct import Delivered, colours_of, delivered
from endpoint.colour.density import ColourSample
from endpoint.colour.table import colours_csv
from endpoint.files.folder import check_folder, held_folder, staged, write_bytes, write_text
from endpoint.files.toml_text import toml_text
from endpoint.problems import DeliveryProblem, JournalProblem, OutputProblem, RecordProblem
from endpoint.record.titration import parse_record, read_record
from endpoint.recording.volume_log import VolumeLog
from endpoint.result.document import document, plain, provenance_of, to_json

_NAMED = (
    ("titrant", "certificate"),
    ("blank", "result"),
    ("calcium", "result"),
    ("recording", "certificate"),
    ("delivery", "certificate"),
    ("ware", "burette"),
    ("ware", "pipette"),
)
_NOT_OF_THE_BENCH = ("log", "per_still", "rate_ml_min", "start_s")
_SHIFTS = ("clock offset", "delay")
_MOST_FILE = 1_000_000
"""Bytes of a certificate or result that may be copied next to the record. Assumed."""
_COLOURS, _VOLUMES = "colours.csv", "volumes.csv"
_RECORD = "record.toml"


def default_journal() -> Path:
    """Where the journal is kept if nobody says otherwise: the user's folder for data.

    `$XDG_DATA_HOME/endpoint/journal.sqlite`, by default `~/.local/share/endpoint/journal.sqlite`
    (XDG Base Directory Specification 0.8: a path that is not absolute is ignored). On macOS
    `~/Library/Application Support/endpoint` by default, on Windows `%LOCALAPPDATA%\\endpoint`.

    Raises
    ------
    JournalProblem
        The user has no home.
    """
    try:
        return user_data_path("endpoint", appauthor=False) / "journal.sqlite"
    except RuntimeError:  # a user whom the system does not know, as in a container
        raise JournalProblem(
            "There is no home folder in which the journal could be.",
            "Name one with --journal FILE.",
        ) from None


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
        checked = parse_record(_tables(head, None), "The record of the bench", Path(place))
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


def _tables(head: RunHead, done: Delivered | None) -> dict[str, Any]:
    """Tables of the record of a run, its colours and volumes named."""
    stated = {key: dict(part) for key, part in head.record.items() if isinstance(part, Mapping)}
    delivery = {"mode": stated.get("delivery", {}).get("mode", "steps"), "log": _VOLUMES}
    if done is not None:
        delivery = dict(done.table) | ({} if done.log is None else {"log": _VOLUMES})
    kept = {k: v for k, v in stated.get("delivery", {}).items() if k != "mode"}
    tables = {
        "format": 1,
        **stated,
        "recording": {"colours": _COLOURS, **stated.get("recording", {})},
        "delivery": delivery | kept,
    }
    start = None if done is None else done.first_reading_ml
    if start is not None and 0.0 <= start <= 100.0 and (start > 0.0 or "ware" in stated):
        tables["ware"] = {**stated.get("ware", {}), "first_reading_ml": start}
    return tables


def _write_files(head: RunHead, folder: Path) -> None:
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


@dataclass(frozen=True)
class Export:
    """What was exported."""

    folder: Path
    result: Result | None
    """None where the run has no result; `why_not` says why."""
    why_not: Problem | None
    pictures: int


def export(
    journal: RunJournal,
    run: int,
    folder: Path,
    *,
    replace_old: bool = False,
    analysed: str | None = None,
) -> Export:
    """Write a run to its own folder and analyse it from there.

    Parameters
    ----------
    journal, run:
        Where the run is.
    folder:
        New or empty.
    replace_old:
        Overwrite an earlier export.
    analysed:
        Date and time of the analysis (ISO 8601) for the result.

    Raises
    ------
    JournalProblem
        There is no such run, or the journal cannot be read.
    OutputProblem
        The folder holds something, or cannot be written.
    """
    events = journal.events(run)
    with held_folder(folder):
        _check_empty(folder, replace_old)
        older = [_VOLUMES, "stills.csv", *(f"stills/{p.name}" for p in folder.glob("stills/*.jpg"))]
        with staged(folder, (_RECORD, "result.json"), older) as stage:
            result, why_not, pictures = _write(events, run, stage, analysed)
    return Export(folder, result, why_not, pictures)


def _write(
    events: Sequence[Kept], run: int, folder: Path, analysed: str | None
) -> tuple[Result | None, Problem | None, int]:
    """Write a run to an empty folder; its result or why it has none, and how many pictures."""
    head = head_of(events)
    done, why_not = None, None
    try:
        done = done_in(head, events)
    except DeliveryProblem as problem:
        why_not = problem
    _write_files(head, folder)
    write_text(folder / _RECORD, _heading(head, run) + toml_text(_tables(head, done)))
    write_text(folder / _COLOURS, colours_csv(colours_of(events)))
    if done is None:
        write_text(folder / _VOLUMES, "time_s,volume_ml\n")
    elif done.log is not None:
        write_text(folder / _VOLUMES, _volumes_csv(done.log))
    write_text(folder / "events.json", _events_json(events))
    pictures = _write_pictures(events, done, folder)
    if why_not is not None:
        return None, why_not, pictures
    try:
        record = read_record(folder / _RECORD)
        job, opened = prepare(record)
        result = analyse(opened, job)
    except Problem as problem:
        return None, problem, pictures
    text = to_json(document(result, provenance_of(record, result, analysed)))
    write_text(folder / "result.json", text + "\n")
    return result, None, pictures


def _heading(head: RunHead, run: int) -> str:
    source = f", seen by {head.source}" if head.source else ""
    line = f"Run {run} of the bench, replicate {head.replicate}{source}"
    return f"# {' '.join(line.split())}.\n"


def _check_empty(folder: Path, replace_old: bool) -> None:
    held = sorted(path.name for path in folder.iterdir())
    if not held:
        return
    if not replace_old or _RECORD not in held:
        raise OutputProblem(
            f"{folder} is not empty (it holds {held[0]}).",
            "Name a new folder"
            + (", or add --replace to overwrite this export." if _RECORD in held else "."),
        )


def _volumes_csv(log: VolumeLog) -> str:
    assert log.time_s is not None
    if log.sigma_ml is not None:
        columns = (log.time_s.tolist(), log.volume_ml.tolist(), log.sigma_ml.tolist())
        return "time_s,volume_ml,standard_uncertainty_ml\n" + "".join(
            f"{t!r},{v!r},{u!r}\n" for t, v, u in zip(*columns, strict=True)
        )
    rows = zip(log.time_s.tolist(), log.volume_ml.tolist(), strict=True)
    return "time_s,volume_ml\n" + "".join(f"{t!r},{v!r}\n" for t, v in rows)


def _events_json(events: Sequence[Kept]) -> str:
    """Everything as it was kept, without colours, pictures and rows of the burette."""
    rows = []
    for kept in events:
        event = kept.event
        if isinstance(event, ColourSample | Still | VolumeSeen):
            continue
        body = asdict(event)
        for name in ("mask", "data"):
            body.pop(name, None)
        wall = datetime.datetime.fromtimestamp(kept.stamp.wall_s, datetime.UTC)
        rows.append(
            {
                "number": kept.number,
                "kind": kind_of(event),
                "at": wall.isoformat(timespec="milliseconds"),
                "monotonic_s": kept.stamp.mono_s,
                **body,
            }
        )
    return json.dumps(plain(rows), indent=1, ensure_ascii=False) + "\n"


def _write_pictures(events: Sequence[Kept], done: Delivered | None, folder: Path) -> int:
    """Write the kept pictures, and the volume delivered by the time of each."""
    stills = [kept.event for kept in events if isinstance(kept.event, Still)]
    if not stills:
        return 0
    place = folder / "stills"
    check_folder(place)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("file", "time_s", "volume_ml"))
    for k, still in enumerate(stills):
        name = f"still-{k:05d}.jpg"
        volume = "" if done is None else repr(float(done.delivery.volume_at(still.time_s)))
        write_bytes(place / name, still.jpeg)
        writer.writerow((name, repr(float(still.time_s)), volume))
    write_text(folder / "stills.csv", out.getvalue())
    return len(stills)
