"""Rendered recordings with known truth through the whole chain. A study to run on request.

    python -m tests.studies.recordings_study --seeds 2 --first 1001 --jobs 2
    python -m tests.studies.recordings_study --family hand-swirled very-pale --cache .out/films

Films as people make them (`sample_media.home_films`) and recordings on the bench
(`sample_media.recipes`) are rendered, analysed from their record file, and compared with their
truth. Seeds from 1000 up were never used while the program was written, and half of their scenes
neither. Films and results are kept in the cache; a run that was broken off goes on where it
stopped, and a result is worked out again when the program or the film has changed.
"""

from __future__ import annotations

import argparse
import functools
import hashlib
import json
import os
import time
import traceback
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from sample_media.home_films import FIRST_HELD_BACK_SEED, KINDS
from sample_media.recipes import BRACKET, REFUSE
from tests.places import ROOT

GRADES = ("good", "hard", "bracket", "refuse")
BENCH_GRADES: dict[str, str] = {
    "good-steps": "good",
    "good-pump": "good",
    "stills": "good",
    "photometer": "good",
    "mg-edta-buffer": "good",
    "pale": "good",
    # The colour fades over a millilitre before the end.
    "no-magnesium": "hard",
    **dict.fromkeys(REFUSE, "refuse"),
    **dict.fromkeys(BRACKET, "bracket"),
}
# Something goes on being wrong from some time on: what was seen before may bound the end.
_BRACKET_IS_HONEST = ("lights-off", "camera-moved")
_DRAWING = (
    *("encode", "film_files", "filming", "hands", "layers", "light", "liquid", "mishaps"),
    *("picture", "recipes", "scene", "studio"),
)
_FAR_OFF_ML = 0.02
TARGETS = {"good": (0.02, 0.05, 0.0), "hard": (0.05, 0.15, 0.9)}
"""Greatest median and worst error in mL and least coverage by grade."""


def grade_of(family: str) -> str:
    """Grade of a family of home films or of the bench."""
    return KINDS[family].grade if family in KINDS else BENCH_GRADES[family]


@dataclass(frozen=True)
class Outcome:
    """What came of one recording."""

    family: str
    seed: int
    grade: str
    view: str
    status: str
    """"located", "bracketed", "none", "asked" (one sentence instead of a result) or "crash"."""
    codes: tuple[str, ...]
    """Reasons, or the sentence of a problem."""
    remarks: tuple[str, ...]
    truth_ml: float
    error_ml: float | None
    uncertainty_ml: float | None
    interval_ml: tuple[float, float | None] | None
    covered: bool | None
    """Truth inside the 95 % interval or the bracket; None if nothing was given."""
    false: bool
    """A number where none may be, or an interval that lies far off."""
    midpoint_error_ml: float | None = None
    last_red_error_ml: float | None = None
    frames: int = 0
    flags: dict[str, float] | None = None
    """Part of the frames with each flag."""
    warned: bool | None = None
    """Whether a warning that is due was given."""
    cpu_s: float = 0.0


# One recording ----------------------------------------------------------------------------------


def _hash_of(paths: Iterable[Path], more: str = "") -> str:
    digest = hashlib.sha256(more.encode())
    for path in sorted(paths):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


@functools.cache
def _program_hash() -> str:
    return _hash_of(p for top in ("endpoint", "calibration") for p in (ROOT / top).rglob("*.py"))


@functools.cache
def _drawing_hash() -> str:
    return _hash_of(ROOT / "sample_media" / f"{name}.py" for name in _DRAWING)


def rendered(family: str, seed: int, cache: Path) -> Path:
    """Record of a recording in the cache, rendered unless it is there already."""
    from sample_media import encode, film_files, home_films, recipes

    folder = cache / f"{family}-{seed}"
    if family in KINDS:
        film = home_films.home_film(family, seed)
        made_from = hashlib.sha256((_drawing_hash() + repr(film)).encode()).hexdigest()
    else:
        recipe = recipes.family(family, seed, held_back=seed >= FIRST_HELD_BACK_SEED)
        made_from = hashlib.sha256((_drawing_hash() + repr(recipe)).encode()).hexdigest()
    mark = folder / "made-from"
    record = folder / ("record.toml" if family in KINDS else f"{family}-{seed}.toml")
    if record.exists() and mark.exists() and mark.read_text(encoding="utf-8") == made_from:
        return record
    mark.unlink(missing_ok=True)
    if family in KINDS:
        film_files.write_home_film(film, folder, cache / "layers")
    else:
        encode.write(recipe, folder)
    mark.write_text(made_from, encoding="utf-8")
    return record


def run_one(family: str, seed: int, cache: Path) -> Outcome:
    """Outcome of a recording, from the cache if program and film are the same."""
    import cv2

    # One core for each job: the pool already uses all that may be used.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    cv2.setNumThreads(1)
    record = rendered(family, seed, cache)
    key = _program_hash() + (record.parent / "made-from").read_text(encoding="utf-8")
    kept = record.parent / "outcome.json"
    if kept.exists():
        held = json.loads(kept.read_text(encoding="utf-8"))
        if held["key"] == key:
            return Outcome(**held["outcome"])
    outcome = analysed(family, seed, record)
    kept.write_text(json.dumps({"key": key, "outcome": asdict(outcome)}, indent=1), "utf-8")
    return outcome


def analysed(family: str, seed: int, record: Path) -> Outcome:
    """Analyse a record and compare the result with the truth beside it."""
    from calibration.problem import Problem
    from endpoint.analysis.pipeline import analyse
    from endpoint.analysis.prepare import prepare
    from endpoint.record.titration import read_record

    beside = "truth.json" if family in KINDS else f"{record.stem}.truth.json"
    truth = json.loads((record.parent / beside).read_text(encoding="utf-8"))
    common: dict[str, Any] = {
        "family": family,
        "seed": seed,
        "grade": grade_of(family),
        "view": truth["recipe"]["view"],
        "truth_ml": float(truth["equivalence_ml"]),
    }
    nothing: dict[str, Any] = dict.fromkeys(
        ("error_ml", "uncertainty_ml", "interval_ml", "covered"), None
    )
    begin = time.process_time()
    try:
        job, source = prepare(read_record(record))
        result = analyse(source, job)
    except Problem as problem:
        return Outcome(
            status="asked", codes=(str(problem),), remarks=(), false=False, **common, **nothing
        )
    except Exception:
        last = traceback.format_exc().strip().splitlines()
        told = (last[-1], *last[-4:-2])
        return Outcome(status="crash", codes=told, remarks=(), false=True, **common, **nothing)
    return _compared(result, truth, common, time.process_time() - begin)


def _compared(result: Any, truth: dict[str, Any], common: dict[str, Any], cpu_s: float) -> Outcome:
    end, found = common["truth_ml"], result.equivalence
    interval = result.verdict.bracket_ml
    if found is not None:
        interval = (found.low_ml, found.high_ml)
    warning = truth.get("warning")
    notes = " ".join(result.source_notes)
    flags, frames = _flag_shares(result)
    asks = {"clocks-apart", "clock-found"} & {sentence.code for sentence in result.reasons}
    return Outcome(
        status="asked" if asks else result.status,
        codes=tuple(s.code for s in result.reasons),
        remarks=tuple(s.code for s in result.remarks),
        error_ml=None if found is None else found.value_ml - end,
        uncertainty_ml=None if found is None else found.standard_uncertainty_ml,
        interval_ml=interval,
        covered=None if interval is None else bool(_gap_ml(interval, end) == 0.0),
        false=is_false(common["family"], found is not None, interval, end),
        midpoint_error_ml=_error(result.midpoint, truth["midpoint_ml"]),
        last_red_error_ml=_error(result.last_red, truth["last_red_ml"]),
        frames=frames,
        flags=flags,
        warned=None if warning is None else warning in notes,
        cpu_s=round(cpu_s, 2),
        **common,
    )


def _gap_ml(interval: tuple[float, float | None], end_ml: float) -> float:
    """Distance of the truth from an interval; 0 inside."""
    low, high = interval
    return max(low - end_ml, 0.0 if high is None else end_ml - high, 0.0)


def is_false(
    family: str, located: bool, interval: tuple[float, float | None] | None, end_ml: float
) -> bool:
    """Whether a number was given where none may be, or its interval lies far off.

    Far off: the truth lies outside by more than half of the interval's width and by more than
    0.02 mL.
    """
    if interval is None:
        return False
    gap = _gap_ml(interval, end_ml)
    if grade_of(family) == "refuse":
        return located or family not in _BRACKET_IS_HONEST or gap > 0.0
    half = np.inf if interval[1] is None else 0.5 * (interval[1] - interval[0])
    return bool(gap > max(half, _FAR_OFF_ML))


def _error(found: Any, truth: float | None) -> float | None:
    return None if found is None or truth is None else float(found.value_ml) - truth


def _flag_shares(result: Any) -> tuple[dict[str, float], int]:
    from endpoint.problems import Flag

    if result.curve is None:
        return {}, 0
    flags = np.asarray(result.curve.frame_flags)
    shares = {
        str(flag.name): round(float(np.mean((flags & int(flag)) != 0)), 3)
        for flag in Flag
        if int(flag) and flags.size and np.any(flags & int(flag))
    }
    return shares, int(flags.size)


# All of them ------------------------------------------------------------------------------------


def run(families: list[str], seeds: range, cache: Path, jobs: int, to: Path | None) -> str:
    """Run every family on every seed in processes, show progress, return the table."""
    outcomes: dict[tuple[str, int], Outcome] = {}
    text = ""
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        # Seed by seed, so that a run that is broken off has some of every family.
        waiting = [pool.submit(run_one, name, seed, cache) for seed in seeds for name in families]
        for count, done in enumerate(as_completed(waiting), 1):
            outcome = done.result()
            outcomes[(outcome.family, outcome.seed)] = outcome
            print(f"[{count}/{len(waiting)}] {line(outcome)}", flush=True)
            ordered = [
                outcomes[name, seed]
                for name in families
                for seed in seeds
                if (name, seed) in outcomes
            ]
            text = table(ordered)
            if to is not None:
                to.parent.mkdir(parents=True, exist_ok=True)
                lines = "\n".join(line(o) for o in ordered)
                to.write_text(f"{text}\n\n{lines}\n", encoding="utf-8")
    return text


def line(o: Outcome) -> str:
    """One row for people."""
    given = ""
    if o.error_ml is not None:
        given = f"{o.error_ml:+.4f} u {o.uncertainty_ml:.4f}"
    elif o.interval_ml is not None:
        low, high = o.interval_ml
        top = "open" if high is None else f"{high - o.truth_ml:+.3f}"
        given = f"{low - o.truth_ml:+.3f}..{top}"
    flags = " ".join(f"{k.lower()}:{v:.2f}" for k, v in (o.flags or {}).items())
    inside = "" if o.covered is None else "in " if o.covered else "OUT"
    warned = "" if o.warned is None else "warned " if o.warned else "NOT WARNED "
    return (
        f"{o.family:<19}{o.seed:>5} {o.grade:<8}{o.view:<9}{o.status:<10}{given:<19}{inside:<4}"
        f"{'FALSE ' if o.false else ''}{warned}{' '.join(o.codes)} ({' '.join(o.remarks)}) "
        f"[{flags}] {o.cpu_s:.1f} s"
    )


_HEAD = (
    f"{'':<20}{'n':>4}{'located':>9}{'median':>9}{'worst':>8}{'inside':>8}{'coverage':>10}"
    f"{'refused':>9}{'asked':>7}{'false':>7}"
)


def _row(name: str, part: list[Outcome]) -> str:
    errors = np.abs([o.error_ml for o in part if o.error_ml is not None])
    covered = [o.covered for o in part if o.covered is not None]
    status = Counter(o.status for o in part)
    return (
        f"{name:<20}{len(part):>4}{status['located']:>9}"
        + (f"{np.median(errors):>9.4f}{errors.max():>8.3f}" if errors.size else " " * 17)
        + f"{f'{sum(covered)}/{len(covered)}' if covered else '':>8}"
        + (f"{100 * np.mean(covered):>9.0f}%" if covered else " " * 10)
        + f"{100 * status['none'] / len(part):>8.0f}%{status['asked']:>7}"
        + f"{sum(o.false for o in part):>7}"
    )


def shortfalls(grade: str, part: list[Outcome]) -> list[str]:
    """What of a group misses the targets, in words; empty if nothing does."""
    missed = []
    false = sum(o.false for o in part)
    if false:
        missed.append(f"{false} false numbers")
    if any(o.status == "crash" for o in part):
        missed.append("crashes")
    if any(o.warned is False for o in part):
        missed.append("a warning is missing")
    covered = [o.covered for o in part if o.covered is not None]
    if grade == "bracket" and not all(covered):
        missed.append("an interval without the truth")
    if grade not in TARGETS:
        return missed
    median, worst, coverage = TARGETS[grade]
    errors = np.abs([o.error_ml for o in part if o.error_ml is not None])
    if not errors.size:
        return [*missed, "nothing located"]
    if np.median(errors) > median:
        missed.append(f"median above {median} mL")
    if errors.max() > worst:
        missed.append(f"worst above {worst} mL")
    if np.mean(covered) < coverage:
        missed.append(f"coverage below {100 * coverage:.0f} %")
    if grade == "good":
        lost = sum(o.status != "located" for o in part)
        if lost:
            missed.append(f"{lost} not located")
    return missed


def table(outcomes: list[Outcome]) -> str:
    """Errors in mL, coverage, share refused and false numbers by family and by grade."""
    rows = [_HEAD]
    for grade in GRADES:
        group = [o for o in outcomes if o.grade == grade]
        if not group:
            continue
        names = dict.fromkeys(o.family for o in group)
        rows += [_row(name, [o for o in group if o.family == name]) for name in names]
        missed = shortfalls(grade, group)
        rows.append(_row(f"ALL {grade}", group))
        rows.append(f"  targets of {grade}: {'; '.join(missed) if missed else 'met'}")
    return "\n".join(rows)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description="Rendered recordings with known truth")
    parser.add_argument("--family", nargs="*", help="names; by default all of --kinds")
    parser.add_argument("--kinds", choices=("home", "bench", "all"), default="home")
    parser.add_argument("--seeds", type=int, default=2, help="seeds of each family")
    parser.add_argument("--first", type=int, default=1, help="first seed; 1000 up: held back")
    parser.add_argument("--cache", type=Path, default=Path(".out/recordings"))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--table", type=Path, help="file that is written after every recording")
    options = parser.parse_args()
    known = {"home": [*KINDS], "bench": [*BENCH_GRADES], "all": [*KINDS, *BENCH_GRADES]}
    families = options.family or known[options.kinds]
    unknown = [name for name in families if name not in known["all"]]
    if unknown:
        parser.error(f"unknown family {unknown[0]}; known are {', '.join(known['all'])}")
    seeds = range(options.first, options.first + options.seeds)
    print(run(families, seeds, options.cache, options.jobs, options.table))


if __name__ == "__main__":
    main()
