"""Many films, on request: python -m tests.benchmarks.batch --folder .out/batch.

Draws a few short films, gives 200 records their names (the films are shared by hard links under
names of their own), and times `endpoint batch` with one process and with two, in turn. Memory is
that of the command and its children together, looked at ten times a second.
"""

from __future__ import annotations

import argparse
import datetime
import os
import platform
import shutil
import statistics
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

from tests.benchmarks.film import FilmRecipe, write
from tests.places import ROOT

_COMMAND = [sys.executable, "-c", "from endpoint.cli import main; main()", "batch"]
_WANTED = 1.7
_DRAWN = 5


@dataclass(frozen=True)
class Run:
    """One batch: seconds, and memory over the films."""

    jobs: int
    seconds: float
    first_mb: float
    """Median of the memory between a tenth and a half of the time."""
    last_mb: float
    """Median over the second half."""
    peak_mb: float
    cpu_s: float
    """CPU seconds of the command and its children."""


def films(folder: Path, count: int, minutes: float) -> Path:
    """Folder with `count` records of short films; made once."""
    records = folder / f"records-{count}"
    if records.exists():
        return records
    part = folder / "records.part"
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True)
    recipe = FilmRecipe(minutes=minutes, width=240, height=180, frames_s=6, key_every=6)
    for k in range(count):
        drawn = write(replace(recipe, seed=k % _DRAWN), folder / f"film-{k % _DRAWN}")
        for ending in (".mp4", ".csv"):
            os.link(drawn.with_suffix(ending), part / f"film-{k:03}{ending}")
        text = drawn.read_text("utf-8").replace(drawn.stem, f"film-{k:03}")
        (part / f"film-{k:03}.toml").write_text(text, encoding="utf-8")
    part.rename(records)
    return records


def memory_mb(pid: int) -> float:
    """Resident memory of a process and its children (Linux), MB; 0 when it has ended."""
    total = 0.0
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            fields = (entry / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(entry.name) == pid or int(fields[1]) == pid:
            total += int(fields[21]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    return total


def timed(records: Path, jobs: int, out: Path) -> Run:
    """Run one batch from nothing."""
    shutil.rmtree(out, ignore_errors=True)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    begin = time.perf_counter()
    running = subprocess.Popen(
        [*_COMMAND, str(records), "--out", str(out), "--jobs", str(jobs), "--quiet"],
        env=environment,
        stdout=subprocess.DEVNULL,
    )
    seen: list[float] = []
    ended, status, used = os.wait4(running.pid, os.WNOHANG)
    while not ended:
        seen.append(memory_mb(running.pid))
        time.sleep(0.1)
        ended, status, used = os.wait4(running.pid, os.WNOHANG)
    seconds = time.perf_counter() - begin
    running.returncode = os.waitstatus_to_exitcode(status)
    if running.returncode:
        raise SystemExit(f"the batch ended with {running.returncode}")
    tenth, half = len(seen) // 10, len(seen) // 2
    return Run(
        jobs,
        seconds,
        statistics.median(seen[tenth:half]),
        statistics.median(seen[half : -max(tenth // 2, 1)]),
        max(seen),
        used.ru_utime + used.ru_stime,
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(".out/batch"))
    parser.add_argument("--films", type=int, default=200)
    parser.add_argument("--minutes", type=float, default=0.4)
    parser.add_argument("--rounds", type=int, default=1)
    chosen = parser.parse_args()
    folder = chosen.folder.resolve()
    records = films(folder, chosen.films, chosen.minutes)
    print(
        f"{datetime.date.today()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"load {os.getloadavg()[0]:.1f} at the start, {chosen.films} films"
    )
    ratios = []
    for _ in range(chosen.rounds):
        one, two = (timed(records, jobs, folder / f"out-{jobs}") for jobs in (1, 2))
        same = (folder / "out-1/results.csv").read_bytes() == (
            folder / "out-2/results.csv"
        ).read_bytes()
        ratios.append(one.seconds / two.seconds)
        for run in (one, two):
            print(
                f"{run.jobs} process(es): {run.seconds:.1f} s, CPU {run.cpu_s:.1f} s, load "
                f"{os.getloadavg()[1]:.1f}; memory {run.first_mb:.0f} MB in the "
                f"first half, {run.last_mb:.0f} MB in the second, peak {run.peak_mb:.0f} MB"
            )
        print(f"ratio {ratios[-1]:.2f} (wanted {_WANTED}), tables equal: {same}")
    print(f"median ratio {statistics.median(ratios):.2f}")


if __name__ == "__main__":
    main()
