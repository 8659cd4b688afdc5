"""Benchmarks, on request: python -m tests.benchmarks --folder .out/bench.

Ratios are taken within one run: each round reads the film with OpenCV from end to end, then
analyses it by the fast path and with every frame, each in a process of its own; medians of the
rounds are told. The film is drawn by `film.py` the first time, which takes some minutes.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
import statistics
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.benchmarks.film import FilmRecipe, write
from tests.places import ROOT, SAMPLES

_LEDGER = (
    ("fast path / OpenCV read-all, 10 min 1080p30", "fast", 0.20),
    ("every frame / OpenCV read-all, 10 min 1080p30", "every", 0.85),
)
_TIMES_READ, _START_S = 2.5, 1.5
"""What `locate` may cost on a sample film, in readings of it by OpenCV, and s for the start."""


def apart(task: str, *arguments: str) -> dict[str, Any]:
    """Run one task of `tasks.py` in a process of its own; its own words as JSON."""
    command = [sys.executable, "-m", "tests.benchmarks.tasks", task, *arguments]
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHONHASHSEED": "0"}
    done = subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(f"{task}: {done.stderr}")
    found: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return found


def rounds(record: Path, count: int) -> dict[str, list[dict[str, Any]]]:
    """OpenCV, fast path and every frame in turn, `count` times."""
    found: dict[str, list[dict[str, Any]]] = {"opencv": [], "fast": [], "every": []}
    for _ in range(count):
        for task, results in found.items():
            results.append(apart(task, str(record)))
    return found


def middle(results: list[dict[str, Any]], key: str) -> float:
    """Median over the rounds."""
    return statistics.median(float(result[key]) for result in results)


def ratios(found: dict[str, list[dict[str, Any]]], task: str, key: str) -> list[float]:
    """Ratio to OpenCV within every round."""
    return [a[key] / b[key] for a, b in zip(found[task], found["opencv"], strict=True)]


def line(name: str, value: float, limit: float, unit: str = "") -> str:
    """One line of the table."""
    return f"{name:<62}{value:>9.2f}{limit:>9.2f} {unit:<4} {'yes' if value <= limit else 'NO'}"


def ledger(record: Path, small: Path, count: int) -> list[str]:
    """Return the table of what is promised."""
    found = rounds(record, count)
    out = [f"{'':<62}{'median':>9}{'limit':>9}      kept"]
    for name, task, limit in _LEDGER:
        for key in ("wall_s", "cpu_s"):
            shares = ratios(found, task, key)
            out.append(line(f"{name}, {key}", statistics.median(shares), limit))
            out.append(f"  rounds: {' '.join(f'{share:.3f}' for share in shares)}")
    out.append(
        f"  seconds (CPU): OpenCV {middle(found['opencv'], 'cpu_s'):.1f}, "
        f"fast {middle(found['fast'], 'cpu_s'):.1f}, every {middle(found['every'], 'cpu_s'):.1f}"
    )
    out.append(agreement(found))
    out += [
        line(f"peak memory, {task}", middle(found[task], "peak_mb"), 350, "MB")
        for task in ("fast", "every")
    ]
    out += samples(count)
    live = [apart("live", str(small)) for _ in range(count)]
    out.append(line("720p, CPU a frame, one core", middle(live, "cpu_ms"), 15, "ms"))
    fits = [apart("fit", str(small)) for _ in range(count)]
    out.append(line("fit", middle(fits, "cpu_ms"), 50, "ms"))
    starts = [apart("start") for _ in range(count)]
    out.append(line("--help above a bare interpreter", middle(starts, "above_ms"), 150, "ms"))
    return out


def samples(count: int) -> list[str]:
    """Lines of the committed sample films: the whole command against OpenCV in the same rounds.

    A film may cost 2.5 times what OpenCV needs to read it, and 1.5 s for the start. Each round
    gives the part of this that was used, so that a machine that is busy for a while counts less.
    """
    out = []
    for film in sorted(SAMPLES.glob("*.mp4")):
        record = str(film.with_suffix(".toml"))
        pairs = [(apart("opencv", record), apart("located", record)) for _ in range(count)]
        seconds = [(read["cpu_s"], located["cpu_s"]) for read, located in pairs]
        used = [located / (_TIMES_READ * read + _START_S) for read, located in seconds]
        name = f"locate {film.stem} / ({_TIMES_READ} x OpenCV read-all + {_START_S} s), CPU"
        out.append(line(name, statistics.median(used), 1.0))
        out.append(
            "  seconds (OpenCV, locate): "
            + " ".join(f"{read:.2f} {located:.2f}," for read, located in seconds).rstrip(",")
        )
    return out


def agreement(found: dict[str, list[dict[str, Any]]]) -> str:
    """How far the two ways differ, in standard uncertainties."""
    fast, every = found["fast"][0], found["every"][0]
    if fast["value_ml"] is None or every["value_ml"] is None:
        return f"  no volume: fast {fast['status']}, every {every['status']}"
    shift = (fast["value_ml"] - every["value_ml"]) / every["uncertainty_ml"]
    return (
        f"  fast {fast['value_ml']:.4f} mL, every {every['value_ml']:.4f} mL, "
        f"u {every['uncertainty_ml']:.4f} mL: apart by {shift:+.2f} u"
    )


def growth(folder: Path) -> list[dict[str, Any]]:
    """Cost against length, resolution and number of films."""
    recipes = [FilmRecipe(minutes=m, width=640, height=360) for m in (1.0, 2.0, 4.0, 8.0)]
    sizes = [(640, 360), (1280, 720), (1920, 1080)]
    recipes += [FilmRecipe(minutes=1.0, width=w, height=h) for w, h in sizes[1:]]
    rows = []
    for recipe in recipes:
        record = write(recipe, folder)
        row: dict[str, Any] = {"minutes": recipe.minutes, "height": recipe.height, "films": 1}
        for task in ("opencv", "fast", "every"):
            done = apart(task, str(record))
            row[task] = done["cpu_s"]
            row[f"{task}_mb"] = done.get("peak_mb", 0.0)
        rows.append(row)
    record = write(recipes[0], folder)
    for films in (2, 4):
        done = apart("fast", *([str(record)] * films))
        rows.append({"minutes": 1.0, "height": 360, "films": films, "fast": done["cpu_s"],
                     "fast_mb": done["peak_mb"]})  # fmt: skip
    return rows


def growth_table(rows: list[dict[str, Any]]) -> list[str]:
    """CPU seconds and peak memory."""
    out = ["minutes  height  films   OpenCV/s   fast/s  every/s  fast/MB  every/MB"]
    for row in rows:
        cells = [f"{row[key]:9.2f}" if key in row else f"{'-':>9}" for key in
                 ("opencv", "fast", "every", "fast_mb", "every_mb")]  # fmt: skip
        out.append(f"{row['minutes']:7g}{row['height']:8d}{row['films']:7d}  {''.join(cells)}")
    return out


def draw_growth(rows: list[dict[str, Any]], path: Path) -> None:
    """Three small charts; lines differ by dash and mark, not by colour alone."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    one = [row for row in rows if row["films"] == 1]
    panels = (
        ("length / min (640 x 360)", "minutes", [r for r in one if r["height"] == 360]),
        ("height / pixels (1 min)", "height", [r for r in one if r["minutes"] == 1.0]),
        ("films of 1 min (640 x 360)", "films", [r for r in rows if r["minutes"] == 1.0
                                                 and r["height"] == 360]),
    )  # fmt: skip
    looks = {"opencv": ("OpenCV reads all", "k", ":", "s"), "every": ("every frame", "tab:blue",
             "--", "o"), "fast": ("fast path", "tab:orange", "-", "^")}  # fmt: skip
    figure, axes = plt.subplots(1, 3, figsize=(11, 3.6), layout="constrained")
    for axis, (label, key, chosen) in zip(axes, panels, strict=True):
        for task, (name, colour, dash, mark) in looks.items():
            there = sorted((r for r in chosen if task in r), key=lambda r: r[key])
            if len(there) > 1:
                axis.plot([r[key] for r in there], [r[task] for r in there], dash, color=colour,
                          marker=mark, label=name)  # fmt: skip
        axis.set(xlabel=label, ylabel="CPU time / s", ylim=(0, None))
        axis.grid(alpha=0.3)
    axes[0].legend()
    figure.savefig(path, dpi=120)


def main() -> None:
    """Run and print; the text and the plot go into the folder."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(".out/bench"))
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--only", choices=("ledger", "growth"))
    chosen = parser.parse_args()
    text = [
        f"{datetime.date.today()}, {os.cpu_count()} cores, {platform.machine()}, "
        f"Python {platform.python_version()}, load {os.getloadavg()[0]:.1f} at the start"
    ]
    if chosen.only != "growth":
        large = write(FilmRecipe(minutes=chosen.minutes), chosen.folder)
        small = write(FilmRecipe(minutes=1.0, width=1280, height=720), chosen.folder)
        text += ledger(large.resolve(), small.resolve(), chosen.rounds)
        print("\n".join(text), flush=True)
    if chosen.only != "ledger":
        rows = growth(chosen.folder.resolve())
        table = ["", *growth_table(rows)]
        print("\n".join(table))
        text += table
        draw_growth(rows, chosen.folder / "growth.png")
    (chosen.folder / "benchmarks.txt").write_text("\n".join(text) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
