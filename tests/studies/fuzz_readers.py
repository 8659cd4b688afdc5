"""Damaged files for every reader alone, without the command around it: thousands in a minute.

    python -m tests.studies.fuzz_readers [--minutes 20] [--seed 1] [READER...]

Each reader gets sound files that were damaged (`mutations`), for so many minutes. It may return
something or raise a `Problem`, within 20 s of processor time and 1 GB. Everything else is a
finding: its file and its traceback are kept in `.out/fuzz-readers`, and the exit code is 1. A file
on which the process died is the one named `now-...` there.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import itertools
import json
import random
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import FrameType

from calibration.certificate import read_certificate, write_certificate
from calibration.problem import Problem
from calibration.sheet import read_sheet
from calibration.standardisation.titrant import certificate_from_sheet
from endpoint.bench.journal.events import Reading
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.web.protocol import parse_command, parse_picture
from endpoint.chemistry.indicator_file import read_indicator
from endpoint.record.titration import read_record
from endpoint.recording.film import VideoSource
from endpoint.recording.photometer import read_table
from endpoint.recording.stills import load_still
from endpoint.recording.volume_log import read_log
from endpoint.result.kept import read_kept
from tests.command import run
from tests.places import ROOT
from tests.studies.mutations import mutate

SAMPLES = ROOT / "sample_media"
OUT = ROOT / ".out" / "fuzz-readers"
MOST_S = 20
MOST_BYTES = 1 << 30
DAY = datetime.date(2026, 11, 25)
READERS = (
    *("record", "indicator", "certificate", "sheet", "log", "photometer", "result", "journal"),
    *("command", "picture", "still", "film"),
)
_SEVERAL = 40
"""Pictures of a film that are decoded."""


@dataclass(frozen=True)
class Target:
    """A reader and sound files that it reads."""

    read: Callable[[Path], object]
    sound: tuple[tuple[str, bytes], ...]


def _of(*paths: Path) -> tuple[tuple[str, bytes], ...]:
    return tuple((path.name, path.read_bytes()) for path in sorted(paths))


def _film(path: Path) -> None:
    source = VideoSource(path, decode_threads=1)
    source.sample(5)
    for _ in itertools.islice(source.frames(), _SEVERAL):
        pass


def _journal(path: Path) -> None:
    with RunJournal.open(path, writing=False) as journal:
        for entry in journal.runs():
            with contextlib.suppress(Problem):
                journal.events(entry.run)


def _made(folder: Path) -> dict[str, Path]:
    """Files that the program writes itself: certificate, result, journal."""
    certificate = certificate_from_sheet(read_sheet(SAMPLES / "bench/edta-caco3.toml", DAY))
    write_certificate(certificate, folder / "edta.json")
    answer = run("locate", SAMPLES / "quarry-pond.toml", "--json", folder / "result.json")
    assert answer.exit_code == 0, answer.output
    tables = {
        "format": 1,
        "sample": {"label": "Well", "volume_ml": 100.0},
        "titrant": {"concentration_mol_l": 0.01},
        "delivery": {"mode": "steps"},
    }
    with RunJournal.open(folder / "runs.sqlite") as journal:
        bench = OpenRun(journal, DAY)
        for _ in range(2):
            bench.begin(bench.head_for(tables, {}))
            for k in range(5):
                bench.append(Reading(float(k), 0.5 * k))
            bench.end({"status": "none"})
    return {path.name: path for path in folder.iterdir()}


_COMMANDS = (
    {"do": "begin", "form": {"label": "Well", "sample_ml": 100, "titrant_mol_l": 0.01}},
    {"do": "reading", "ml": 1.5},
    {"do": "box", "what": "liquid", "left": 1, "top": 2, "right": 90, "bottom": 80},
    {"do": "correct", "row": 1, "ml": 2.5},
)


@cache
def targets() -> dict[str, Target]:
    """Every reader by its name."""
    with tempfile.TemporaryDirectory() as place:
        made = {name: _of(path) for name, path in _made(Path(place)).items()}
    still = SAMPLES / "chapel-fountain"
    films = [ROOT / "tests/films/good-steps", ROOT / "tests/films/small-mill-spring"]
    jpeg = next(still.glob("*.jpg")).read_bytes()
    messages = tuple((f"{k}.json", json.dumps(c).encode()) for k, c in enumerate(_COMMANDS))
    frame = b"EPF1" + bytes(8) + jpeg
    return {
        "record": Target(read_record, _of(*SAMPLES.glob("*.toml"))),
        "indicator": Target(
            read_indicator, _of(*(ROOT / "endpoint/chemistry/indicator_files").glob("*.toml"))
        ),
        "certificate": Target(read_certificate, made["edta.json"]),
        "sheet": Target(
            lambda path: certificate_from_sheet(read_sheet(path, DAY)),
            _of(*(SAMPLES / "bench").glob("edta*.toml")),
        ),
        "log": Target(read_log, _of(*SAMPLES.glob("*-volumes.csv"))),
        "photometer": Target(read_table, _of(SAMPLES / "quarry-pond.csv")),
        "result": Target(read_kept, made["result.json"]),
        "journal": Target(_journal, made["runs.sqlite"]),
        "command": Target(lambda path: parse_command(path.read_text("utf-8", "replace")), messages),
        "picture": Target(lambda path: parse_picture(path.read_bytes()), (("frame.jpg", frame),)),
        "still": Target(load_still, _of(*list(still.glob("*.jpg"))[:2])),
        "film": Target(_film, _of(*(p for folder in films for p in folder.glob("*.mp4")))),
    }


@contextlib.contextmanager
def _bounded() -> Iterator[None]:
    """Raise where a reader takes too much time."""

    def late(_: int, __: FrameType | None) -> None:
        raise TimeoutError(f"more than {MOST_S} s of processor time")

    before = signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, MOST_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def finding(target: Target, name: str, data: bytes, folder: Path) -> str:
    """Traceback of what a reader must not raise over a file; empty if all is well."""
    path = folder / f"now-{name}"
    path.write_bytes(data)
    before = _peak_bytes()
    try:
        with _bounded():
            target.read(path)
    except Problem:
        pass
    except Exception:
        return traceback.format_exc()
    finally:
        for left in folder.glob(f"{path.name}*"):  # SQLite puts files of its own next to it
            left.unlink()
    peak = _peak_bytes()
    return f"{peak / 1e6:.0f} MB of memory" if peak > max(before, MOST_BYTES) else ""


def _peak_bytes() -> int:
    """Most memory that this process ever had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def cases(target: Target, seed: int) -> Iterator[tuple[str, bytes]]:
    """Damaged files without end, the same for the same seed."""
    for number in itertools.count():
        rng = random.Random(f"{seed}-{number}")
        name, data = rng.choice(target.sound)
        yield name, mutate(name, data, rng)[0]


def main() -> None:
    """Run as a command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("readers", nargs="*", choices=[[], *READERS])
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    OUT.mkdir(parents=True, exist_ok=True)
    found = 0
    for reader in options.readers or READERS:
        target, until, count = targets()[reader], time.monotonic() + 60.0 * options.minutes, 0
        seen: set[str] = set()
        for name, data in cases(target, options.seed):
            count += 1
            fault = finding(target, name, data, OUT)
            kind = "\n".join(fault.splitlines()[-3:])
            if fault and kind not in seen:
                seen.add(kind)
                kept = OUT / f"{reader}-{len(seen)}-{name}"
                kept.write_bytes(data)
                kept.with_name(kept.name + ".txt").write_text(fault)
            if time.monotonic() > until:
                break
        found += len(seen)
        print(f"{reader}: {count} files, {len(seen)} findings", flush=True)
    sys.exit(1 if found else 0)


if __name__ == "__main__":
    main()
