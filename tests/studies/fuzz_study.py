"""Mutated films, stills, logs, tables, records and sheets through the whole program.

    python -m tests.studies.fuzz_study --count 10000 --jobs 2 --folder .out/fuzz

Every case is a small valid input with a few places changed. It passes when the exit code is 0, 2,
3 or 4, when bad input gets one sentence and one remedy, when the JSON holds no NaN, and when it
takes less than 20 s. A worker that dies is a crash; its memory must stay under 1 GB. What fails is
kept in the folder. The study goes on where it stopped.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import random
import resource
import shutil
import signal
import time
from collections import Counter
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent.parent
LONGEST_S = 20
MOST_BYTES = 1_000_000_000
_JUNK = [
    "nan",
    "inf",
    "-1",
    "0",
    "1e308",
    '""',
    "[]",
    "{}",
    "true",
    "9" * 40,
    "\\u0000",
    "1,5",
    "é",
]
_RECORD = """format = 1
[sample]
volume_ml = 100.0
[titrant]
concentration_mol_l = 0.0100
[recording]
{recording}
[delivery]
{delivery}
"""


class TooSlow(Exception):
    """A case ran longer than `LONGEST_S`."""


def make_seeds(folder: Path) -> dict[str, Path]:
    """Small valid inputs, each a folder with what its command needs.

    Parameters
    ----------
    folder:
        Where they are written, once.
    """
    import numpy as np
    from PIL import Image

    from tests.made_media import write_film

    rng = np.random.default_rng(5)
    red, blue = np.array([150, 40, 90]), np.array([60, 70, 160])
    pictures = []
    for k in range(80):
        # 20 s of film, an addition every 2 s; the colour changes over four of them.
        f = min(max((k // 8 - 3) / 4.0, 0.0), 1.0)
        picture = np.full((72, 96, 3), 205.0)
        picture[20:62, 30:66] = red + f * (blue - red)
        pictures.append(np.clip(picture + rng.normal(0, 2, picture.shape), 0, 255))
    log = "time_s,volume_ml\n" + "\n".join(f"{2 * k},{2.0 + 0.1 * k:.2f}" for k in range(10))
    seeds = {}
    for suffix in (".mp4", ".mkv", ".avi", ".ts"):
        place = folder / f"film{suffix[1:]}"
        place.mkdir(parents=True, exist_ok=True)
        write_film(place / f"film{suffix}", pictures, times_ms=[250 * k for k in range(80)])
        (place / "volumes.csv").write_text(log, encoding="utf-8")
        text = _RECORD.format(
            recording=f'video = "film{suffix}"', delivery='log = "volumes.csv"\nmode = "steps"'
        )
        (place / "record.toml").write_text(text, encoding="utf-8")
        seeds[place.name] = place
    place = folder / "stills"
    (place / "frames").mkdir(parents=True, exist_ok=True)
    rows = ["file,volume_ml"]
    for k, picture in enumerate(pictures[::8]):
        name = f"s{k}.{('png', 'jpg', 'webp', 'tif')[k % 4]}"
        Image.fromarray(picture.astype(np.uint8)).save(place / "frames" / name)
        rows.append(f"{name},{0.4 * k:.2f}")
    (place / "volumes.csv").write_text("\n".join(rows), encoding="utf-8")
    text = _RECORD.format(recording='stills = "frames"', delivery='per_still = "volumes.csv"')
    (place / "record.toml").write_text(text, encoding="utf-8")
    seeds["stills"] = place
    for name, files in (
        ("photometer", ["quarry-pond.toml", "quarry-pond.csv"]),
        ("glassware", ["bench/burette-b2.toml"]),
        ("pipette", ["bench/pipette-p1.csv"]),
        ("titrant", ["bench/edta-caco3.toml"]),
        ("timing", ["bench/timing.csv"]),
        ("absorbance", ["bench/photometer.csv"]),
        ("eye", ["bench/well-by-eye.toml"]),
        ("replicates", ["bench/class-titres.csv"]),
    ):
        place = folder / name
        place.mkdir(parents=True, exist_ok=True)
        for file in files:
            shutil.copy(ROOT / "sample_media" / file, place)
        seeds[name] = place
    return seeds


def command_of(name: str, place: Path) -> list[str]:
    """Command line for a seed in its folder."""
    kinds = {"pipette": "glassware", "absorbance": "photometer"}
    only = sorted(p for p in place.iterdir() if p.is_file())
    if name in ("glassware", "pipette", "titrant", "timing", "absorbance"):
        return ["calibrate", kinds.get(name, name), str(only[0]), "--json"]
    if name == "eye":
        return ["hardness", str(only[0]), "--json", "-"]
    if name == "replicates":
        return ["replicates", str(only[0]), "--json", "-"]
    record = next(p for p in only if p.suffix == ".toml")
    return ["locate", str(record), "--json", "-"]


def mutate(data: bytes, is_text: bool, rng: random.Random) -> bytes:
    """Bytes with one to four places changed."""
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(data) + 1)
        kind = rng.random()
        if is_text and kind < 0.6:
            data = _mutate_text(data, rng)
        elif kind < 0.7:
            size = rng.randint(1, 8)
            data = data[:at] + rng.randbytes(size) + data[at + size :]
        elif kind < 0.78:
            data = data[:at]
        elif kind < 0.86:
            stop = min(at + rng.randint(1, 400), len(data))
            data = data[:at] + bytes(stop - at) + data[stop:]
        elif kind < 0.93:
            data = data[:at] + data[max(at - rng.randint(1, 400), 0) :]
        else:
            other = rng.randrange(len(data) + 1)
            low, high = sorted((at, other))
            data = data[:low] + data[high:] + data[low:high]
        if not data:
            return data
    return data


def _mutate_text(data: bytes, rng: random.Random) -> bytes:
    lines = data.decode("utf-8", "replace").split("\n")
    k = rng.randrange(len(lines))
    kind = rng.randrange(5)
    if kind == 0 and "=" in lines[k]:
        lines[k] = lines[k].split("=", 1)[0] + "= " + rng.choice(_JUNK)
    elif kind == 1:
        separator = ";" if ";" in lines[k] else ","
        cells = lines[k].split(separator)
        cells[rng.randrange(len(cells))] = rng.choice(_JUNK)
        lines[k] = separator.join(cells)
    elif kind == 2:
        lines.insert(k, lines[k])
    elif kind == 3 and len(lines) > 1:
        lines.pop(k)
    else:
        rng.shuffle(lines)
    return "\n".join(lines).encode("utf-8", "replace")


def prepare_case(number: int, seeds: dict[str, Path], folder: Path) -> tuple[list[str], str]:
    """Write the mutated copy of one case; return its command and the name of its seed."""
    rng = random.Random(number)
    name = rng.choice(sorted(seeds))
    place = folder / f"case-{number}"
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(seeds[name], place)
    files = sorted(p for p in place.rglob("*") if p.is_file())
    for path in rng.sample(files, min(rng.choice((1, 1, 1, 2)), len(files))):
        is_text = path.suffix in (".toml", ".csv")
        path.write_bytes(mutate(path.read_bytes(), is_text, rng))
    return command_of(name, place), name


def run_case(command: list[str]) -> str:
    """Run a command in this process; return "" or what is wrong with how it ended."""
    from click.testing import CliRunner

    from endpoint.cli import main

    def stop(*_: Any) -> None:
        raise TooSlow

    signal.signal(signal.SIGALRM, stop)
    signal.alarm(LONGEST_S)
    try:
        ended = CliRunner().invoke(main, command)
    finally:
        signal.alarm(0)
    if ended.exception is not None and not isinstance(ended.exception, SystemExit):
        return f"{type(ended.exception).__name__}: {ended.exception}"
    if ended.exit_code not in (0, 2, 3, 4):
        return f"exit code {ended.exit_code}"
    if ended.exit_code == 2:
        said = [line for line in ended.stderr.strip().splitlines() if line.startswith("endpoint: ")]
        return "" if len(said) == 1 else f"said {ended.stderr[:200]!r}"
    try:
        json.loads(ended.stdout, parse_constant=_refuse)
    except ValueError as error:
        return f"JSON: {error}"
    peak = 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return "" if peak < MOST_BYTES else f"peak memory {peak / 1e6:.0f} MB"


def _refuse(constant: str) -> None:
    raise ValueError(constant)


def _work(numbers: list[int], folder: Path, seeds: dict[str, Path], log: Path) -> None:
    with log.open("a", encoding="utf-8") as out:
        for number in numbers:
            out.write(f"begin {number}\n")
            out.flush()
            command, name = prepare_case(number, seeds, folder)
            wrong = run_case(command)
            out.write(f"end {number} {name} {wrong or 'ok'}".replace("\n", " ")[:400] + "\n")
            out.flush()
            if not wrong:
                shutil.rmtree(folder / f"case-{number}", ignore_errors=True)


def done_in(log: Path) -> tuple[dict[int, str], int | None]:
    """Outcome of every case in a log, and the case that was begun and never ended."""
    ended: dict[int, str] = {}
    begun: int | None = None
    for line in log.read_text(encoding="utf-8").splitlines() if log.exists() else []:
        word, number, *rest = line.split(" ", 2)
        if word == "begin":
            begun = int(number)
        elif word == "end":
            ended[int(number)] = rest[0]
            begun = None
    return ended, begun


def run(count: int, jobs: int, folder: Path, first: int) -> dict[int, str]:
    """Run cases `first` to `first + count - 1`; outcome of each by number."""
    folder.mkdir(parents=True, exist_ok=True)
    seeds = make_seeds(folder / "seeds")
    outcome: dict[int, str] = {}
    workers: dict[int, multiprocessing.process.BaseProcess | None] = dict.fromkeys(range(jobs))
    context = multiprocessing.get_context("spawn")
    start = time.monotonic()
    while True:
        for k in range(jobs):
            worker, log = workers[k], folder / f"log-{k}.txt"
            if worker is not None and worker.is_alive():
                continue
            ended, begun = done_in(log)
            if begun is not None:
                with log.open("a", encoding="utf-8") as out:
                    out.write(f"end {begun} ? the worker died\n")
                ended[begun] = "? the worker died"
            left = [n for n in range(first + k, first + count, jobs) if n not in ended]
            workers[k] = None
            if left:
                workers[k] = context.Process(target=_work, args=(left, folder, seeds, log))
                workers[k].start()  # type: ignore[union-attr]
        outcome = {
            n: w for k in range(jobs) for n, w in done_in(folder / f"log-{k}.txt")[0].items()
        }
        spent = time.monotonic() - start
        print(f"\r{len(outcome)} of {count} cases, {spent:.0f} s", end="", flush=True)
        if all(worker is None for worker in workers.values()):
            print()
            return outcome
        time.sleep(1.0)


def main() -> None:
    """Run the study and print what failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=Path(".out/fuzz"))
    options = parser.parse_args()
    outcome = run(options.count, options.jobs, options.folder, options.first)
    bad = {n: words for n, words in outcome.items() if not words.endswith(" ok")}
    kinds = Counter(words.split(" ", 1)[0] for words in outcome.values())
    print(", ".join(f"{name} {n}" for name, n in sorted(kinds.items())))
    print(f"{len(outcome)} cases, {len(bad)} failed")
    for number, words in sorted(bad.items()):
        print(f"  case {number}: {words}")


if __name__ == "__main__":
    main()
