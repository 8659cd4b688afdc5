"""A run of the bench as a folder: what was stated, seen and delivered, its result and its report.

An export holds `record.toml`, `colours.csv`, `volumes.csv`, the certificates and results that the
record names, `events.json` (all that was typed, corrected and noted), the kept pictures with their
volumes in `stills.csv`, and all that `endpoint locate --out` writes. It needs nothing else:
`endpoint locate FOLDER/record.toml` gives the numbers of `result.json` again. Where the page asked
for drops, `volumes.csv` holds what readings and drops tell together
(`endpoint.bench.guidance.drops`), and `events.json` what was typed.
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import io
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from platformdirs import user_data_path

from calibration.problem import Problem
from endpoint.analysis.result import Result
from endpoint.bench.journal.events import Kept, RegionSeen, RunHead, Still, VolumeSeen, kind_of
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.reconstruct import Delivered, as_pauses, colours_of
from endpoint.bench.journal.run_record import (
    COLOURS,
    RECORD,
    VOLUMES,
    counted,
    done_in,
    head_of,
    record_tables,
    write_files,
)
from endpoint.bench.journal.seen_events import region_of
from endpoint.colour.density import ColourSample
from endpoint.colour.kept_pictures import KeptPicture
from endpoint.colour.table import colours_csv
from endpoint.files.folder import check_folder, held_folder, staged, write_bytes, write_text
from endpoint.files.toml_text import toml_text
from endpoint.problems import JournalProblem, OutputProblem
from endpoint.record.titration import read_record
from endpoint.report.crate import write_crate
from endpoint.report.folder import older_in, write_into
from endpoint.result.document import plain, programs, provenance_of
from endpoint.scene.tracking import HOME

_MOST_PICTURES, _SIDE = 60, 320
"""Kept pictures of which the report may choose, and their longer side in pixels: what a strip of
eight needs."""


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
        older = [VOLUMES, "stills.csv", *(f"stills/{p.name}" for p in folder.glob("stills/*.jpg"))]
        older += older_in(folder)
        with staged(folder, (RECORD, "result.json"), older) as stage:
            result, why_not, pictures = _write((events, run, analysed), stage, folder.name)
    return Export(folder, result, why_not, pictures)


def _write(
    what: tuple[Sequence[Kept], int, str | None], folder: Path, name: str
) -> tuple[Result | None, Problem | None, int]:
    """Write a run to an empty folder; its result or why it has none, and how many pictures."""
    events, run, analysed = what
    head = head_of(events)
    samples, done, found = colours_of(events), None, None
    why_not: Problem | None = None
    try:
        samples, done = as_pauses(samples, done_in(head, events))
        found = counted(events)
        samples, done = found.samples, found.done
    except Problem as problem:
        why_not = problem
    write_files(head, folder)
    write_text(folder / RECORD, _heading(head, run) + toml_text(record_tables(head, done)))
    write_text(folder / COLOURS, colours_csv(samples))
    if done is None:
        write_text(folder / VOLUMES, "time_s,volume_ml\n")
    elif done.log is not None:
        write_text(folder / VOLUMES, _volumes_csv(done))
    write_text(folder / "events.json", _events_json(events))
    pictures = _write_pictures(events, done, folder)
    if found is None:
        write_crate(folder, head.label, programs())
        return None, why_not, pictures
    try:
        record = read_record(folder / RECORD)
        result = _as_seen(found.result, events, found.done)
    except Problem as problem:
        write_crate(folder, head.label, programs())
        return None, problem, pictures
    write_into(result, folder, name, provenance_of(record, result, analysed))
    return result, None, pictures


def _as_seen(result: Result, events: Sequence[Kept], done: Delivered) -> Result:
    """Result with what the camera saw: where the liquid was, and the kept pictures."""
    seen = [kept.event for kept in events if isinstance(kept.event, RegionSeen)]
    stills = [kept.event for kept in events if isinstance(kept.event, Still)]
    region = None
    if seen:
        with contextlib.suppress(JournalProblem):
            region = region_of(seen[-1])
    first = _decoded(stills[0].jpeg) if stills else None
    if (
        region is not None
        and first is not None
        and first.shape[:2]
        != (
            region.height,
            region.width,
        )
    ):
        first = None
    pictures = _small_pictures(stills, done)
    return replace(
        result,
        region=region,
        first_frame=first,
        pictures=pictures,
        poses=(HOME,) * len(pictures),
        source_details={"camera at the bench": head_of(events).source or "not named"},
    )


def _small_pictures(stills: Sequence[Still], done: Delivered) -> tuple[KeptPicture, ...]:
    """The last picture before each addition, as it is mixed best, but no more than sixty."""
    times = np.array([still.time_s for still in stills])
    if not times.size:
        return ()
    volumes = np.asarray(done.delivery.volume_at(times))
    last = np.flatnonzero(np.r_[np.diff(volumes) > 0.0, True])
    chosen = last[np.unique(np.linspace(0, last.size - 1, _MOST_PICTURES).round().astype(int))]
    found = []
    for k in chosen.tolist():
        rgb = _decoded(stills[k].jpeg)
        if rgb is not None:
            step = max(1, -(-max(rgb.shape[:2]) // _SIDE))
            rgb = np.ascontiguousarray(rgb[::step, ::step])
            rgb.setflags(write=False)
            found.append(KeptPicture(k, stills[k].time_s, rgb))
    return tuple(found)


def _decoded(jpeg: bytes) -> NDArray[np.uint8] | None:
    """Picture as RGB; None where it is damaged."""
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(io.BytesIO(jpeg), formats=["JPEG"]) as picture:
            return np.array(picture.convert("RGB"), dtype=np.uint8)
    except (OSError, UnidentifiedImageError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None


def _heading(head: RunHead, run: int) -> str:
    source = f", seen by {head.source}" if head.source else ""
    line = f"Run {run} of the bench, replicate {head.replicate}{source}"
    return f"# {' '.join(line.split())}.\n"


def _check_empty(folder: Path, replace_old: bool) -> None:
    held = sorted(path.name for path in folder.iterdir())
    if not held:
        return
    if not replace_old or RECORD not in held:
        raise OutputProblem(
            f"{folder} is not empty (it holds {held[0]}).",
            "Name a new folder"
            + (", or add --replace to overwrite this export." if RECORD in held else "."),
        )


def _volumes_csv(done: Delivered) -> str:
    log = done.log
    assert log is not None
    assert log.time_s is not None
    if done.rows:
        return "time_s,volume_ml,refill\n" + "".join(
            f"{t!r},{ml!r},{'yes' if refill else ''}\n" for t, ml, refill in done.rows
        )
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
