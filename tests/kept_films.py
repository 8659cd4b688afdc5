"""Rendered films that tests read, kept in `tests/films`: to draw them takes minutes.

`python -m tests.kept_films` draws all of them anew, and with names only those;
`tests/test_kept_films.py` notices when a recipe says something else than the film shows.
"""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from sample_media.bench_view import bench_recipe, plan_of_bench, write_bench_film
from sample_media.encode import write
from sample_media.recipes import Recipe, family, truth_of
from tests.places import ROOT, SAMPLES
from tests.small_films import SIZES, write_small_film

FILMS = ROOT / "tests" / "films"
BENCH_SEED = 1003
"""Held back: not looked at while anything was chosen."""
_CASES = (
    ("good-steps", 2001, True),
    ("good-pump", 2002, False),
    ("stills", 2003, True),
    ("never-reached", 2004, False),
    ("lights-off", 2004, False),
    ("camera-moved", 2004, False),
    ("no-flask", 2004, False),
    ("wrong-colour", 2004, False),
    ("coarse-jump", 2005, False),
)
"""Family, seed, and whether its scene is one that was held back."""
_COARSER = {"lights-off": 32, "camera-moved": 29}
"""Quality of films whose grain, kept as finely as the recipe says, takes megabytes."""


@dataclass(frozen=True)
class Kept:
    """A film that is kept: how it is written into a folder, and what is true of it."""

    write: Callable[[Path], Path]
    """Returns the record's path."""
    truth: Callable[[], dict[str, Any]]


def _case(name: str, seed: int, held_back: bool) -> Kept:
    def recipe() -> Recipe:
        base = family(name, seed, held_back=held_back)
        crf = _COARSER.get(name, base.crf)
        return replace(base, width=240, height=180, frames_s=3.0, crf=crf)

    return Kept(lambda folder: write(recipe(), folder), lambda: truth_of(recipe()))


def _bench(shows: str) -> Kept:
    def truth() -> dict[str, Any]:
        recipe = bench_recipe(shows, BENCH_SEED)
        whole = float(plan_of_bench(recipe).true_ml[-1])
        return truth_of(recipe.chemistry) | {"delivered_ml": whole}

    return Kept(lambda folder: write_bench_film(bench_recipe(shows, BENCH_SEED), folder), truth)


def _small(name: str) -> Kept:
    kept = (SAMPLES / f"{name}.truth.json").read_text("utf-8")
    return Kept(partial(write_small_film, name), partial(json.loads, kept))


KEPT: dict[str, Kept] = {
    **{name: _case(name, seed, held_back) for name, seed, held_back in _CASES},
    **{f"burette-{shows}": _bench(shows) for shows in ("meniscus", "drops")},
    **{f"small-{name}": _small(name) for name in SIZES},
}


def record_of(name: str) -> Path:
    """Record of a kept film; nobody may write into its folder."""
    (path,) = (FILMS / name).glob("*.toml")
    return path


def truth_in(name: str) -> dict[str, Any]:
    """What is true of a kept film, as it was when it was drawn."""
    (path,) = (FILMS / name).glob("*truth.json")
    truth: dict[str, Any] = json.loads(path.read_text("utf-8"))
    return truth


def copied(name: str, folder: Path) -> Path:
    """Record of a copy of a kept film that may be written to."""
    there = folder / name
    if not there.exists():
        shutil.copytree(FILMS / name, there)
    return there / record_of(name).name


def main() -> None:
    """Draw the named films, or all."""
    for name in sys.argv[1:] or KEPT:
        shutil.rmtree(FILMS / name, ignore_errors=True)
        (FILMS / name).mkdir(parents=True)
        print(KEPT[name].write(FILMS / name))


if __name__ == "__main__":
    main()
