"""`endpoint` is killed while it writes: what stands there afterwards? To run on request.

    python -m tests.studies.kill_study [--kills 20] [--seed 1]

`locate --out` and `runs export --replace` write over an older result of another label and are
killed (SIGKILL) at random moments, most of them while files are exchanged. Where a result.json
stands, every file that the folder's crate names must have the checksum that is written there and
the label must be the same all over; without one, `report` must refuse. What was left over must be
gone after the next run. The bench itself is killed by `tests/bench/journal/test_kill.py`, a batch
by `tests/batch/test_batch.py`.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from endpoint.bench.journal.journal import RunJournal
from tests.bench.journal.test_export import keep, typed
from tests.live_titration import head, stepwise
from tests.places import SAMPLES

Words = Sequence[object]


def started(words: Words) -> subprocess.Popen[bytes]:
    """The command, with nothing on the terminal."""
    program = [sys.executable, "-c", "from endpoint.cli import main; main()"]
    quiet = subprocess.DEVNULL
    return subprocess.Popen([*program, *map(str, words)], stdout=quiet, stderr=quiet)


def exit_code(words: Words) -> int:
    """What it ends with."""
    return started(words).wait()


def mixed(folder: Path) -> str | None:
    """What is wrong with a folder after a kill; None if nothing is."""
    result = folder / "result.json"
    if not result.exists():
        return None if exit_code(["report", folder]) else "a report without a result"
    crate = json.loads((folder / "ro-crate-metadata.json").read_text("utf-8"))
    for entity in crate["@graph"]:
        if "sha256" in entity and not str(entity["@id"]).startswith(("http", "#", "urn")):
            file = folder / entity["@id"]
            if not file.exists():
                return f"{entity['@id']} is missing"
            if hashlib.sha256(file.read_bytes()).hexdigest() != entity["sha256"]:
                return f"{entity['@id']} is of another result"
    return None


def killed(
    words: Callable[[str], Words], folder: Path, kills: int, rng: random.Random
) -> tuple[list[str], int]:
    """Faults, and how many were killed before they had ended."""
    began_s = time.monotonic()
    assert exit_code(words("first")) == 0
    whole_s = time.monotonic() - began_s
    faults, in_time = [], 0
    for kill in range(kills):
        program = started(words(f"label {kill}"))
        # Half of them as soon as the new files begin to take the places of the old ones.
        staged = rng.random() < 0.5
        until_s = time.monotonic() + (3.0 * whole_s if staged else rng.uniform(0.0, 1.1) * whole_s)
        before = sorted((p.name, p.stat().st_mtime_ns) for p in folder.iterdir())
        while time.monotonic() < until_s and program.poll() is None:
            with contextlib.suppress(OSError):
                now = sorted((p.name, p.stat().st_mtime_ns) for p in folder.iterdir())
                if staged and now != before:
                    time.sleep(rng.choice([0.0, 0.0005, 0.002, 0.1, 1.0]))
                    break
            time.sleep(0.0002)
        in_time += program.poll() is None
        program.send_signal(signal.SIGKILL)
        program.wait()
        wrong = mixed(folder)
        if wrong:
            faults.append(f"kill {kill}: {wrong}")
    assert exit_code(words("last")) == 0
    left = [p.name for p in folder.iterdir() if p.name.startswith(".")]
    if left:
        faults.append(f"left over: {left}")
    return faults, in_time


def main() -> None:
    """Kill, and print what was found; exit code 1 for any fault."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng, bad = random.Random(asked.seed), 0
    with tempfile.TemporaryDirectory() as place:
        there = Path(place)
        source = (SAMPLES / "chapel-fountain.toml").read_text("utf-8")
        record = there / "record.toml"

        def locate(label: str) -> Words:
            text = source.replace("chapel-fountain", str(SAMPLES / "chapel-fountain"))
            record.write_text(text.replace('label = "', f'label = "{label}, '), "utf-8")
            return ["locate", record, "--out", there / "out"]

        steps = stepwise()
        with RunJournal.open(there / "journal.sqlite") as journal:
            runs = {"first": keep(journal, steps, typed(steps), head(label="first"))}
            for label in [*(f"label {k}" for k in range(asked.kills)), "last"]:
                runs[label] = keep(journal, steps, typed(steps), head(label=label))

        def export(label: str) -> Words:
            run = ["export", runs[label], there / "export", "--replace"]
            return ["runs", "--journal", there / "journal.sqlite", *run]

        for name, words, folder in (
            ("locate --out", locate, there / "out"),
            ("runs export --replace", export, there / "export"),
        ):
            faults, in_time = killed(words, folder, asked.kills, rng)
            print(f"{name}: {asked.kills} kills, {in_time} before its end, {len(faults)} faults")
            print("\n".join(f"  {fault}" for fault in faults))
            bad += len(faults)
    sys.exit(bad > 0)


if __name__ == "__main__":
    main()
