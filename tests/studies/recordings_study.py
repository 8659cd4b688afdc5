"""Rendered recordings with known truth through the whole chain. A study to run on request.

    python -m tests.studies.recordings_study --seeds 4 --held-back

Families of recordings are rendered by `sample_media.render`, analysed from their record file, and
compared with their truth. Scenes named in HELD_BACK_VIEWS, and seeds from 1000 up, were never used
while the program was written.
"""

from __future__ import annotations

import argparse
import json
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from sample_media.render import BRACKET, REFUSE

FAMILIES_GOOD = ("good-steps", "good-pump", "stills", "photometer", "mg-edta-buffer", "pale")
FAMILIES_HARD = ("no-magnesium",)
ALL_FAMILIES = (*FAMILIES_GOOD, *FAMILIES_HARD, *REFUSE, *BRACKET)


@dataclass(frozen=True)
class Outcome:
    """What came of one recording."""

    family: str
    seed: int
    view: str
    status: str
    reasons: tuple[str, ...]
    remarks: tuple[str, ...]
    truth_ml: float
    error_ml: float | None
    uncertainty_ml: float | None
    covered: bool | None
    """Truth inside the 95 % interval or the bracket; None if nothing was given."""
    midpoint_error_ml: float | None
    last_red_error_ml: float | None


def run_one(task: tuple[str, int, bool, str]) -> Outcome:
    """Render (unless it is there already), analyse, compare."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    from endpoint.assembly import prepare
    from endpoint.pipeline import analyse
    from endpoint.record import read_record
    from sample_media.render import family, write

    name, seed, held_back, folder = task
    recipe = family(name, seed, held_back=held_back)
    record = Path(folder) / f"{recipe.name}.toml"
    if not record.exists():
        record = write(recipe, Path(folder))
    job, source = prepare(read_record(record))
    result = analyse(source, job)
    truth = json.loads(record.with_suffix(".truth.json").read_text(encoding="utf-8"))
    end = float(truth["equivalence_ml"])
    found, bracket = result.equivalence, result.verdict.bracket_ml
    covered: bool | None = None
    if found is not None:
        covered = found.low_ml <= end <= found.high_ml
    elif bracket is not None:
        covered = bracket[0] <= end and (bracket[1] is None or end <= bracket[1])
    return Outcome(
        family=name,
        seed=seed,
        view=recipe.view,
        status=result.status,
        reasons=tuple(s.code for s in result.reasons),
        remarks=tuple(s.code for s in result.remarks),
        truth_ml=end,
        error_ml=None if found is None else found.value_ml - end,
        uncertainty_ml=None if found is None else found.standard_uncertainty_ml,
        covered=covered,
        midpoint_error_ml=_gap(result.midpoint, truth["midpoint_ml"]),
        last_red_error_ml=_gap(result.last_red, truth["last_red_ml"]),
    )


def _gap(found: object, truth: float | None) -> float | None:
    if found is None or truth is None:
        return None
    return float(found.value_ml) - truth  # type: ignore[attr-defined]


def run(
    families: tuple[str, ...], seeds: range, held_back: bool, folder: Path, workers: int = 2
) -> list[Outcome]:
    """Run every family on every seed, in processes."""
    tasks = [(name, seed, held_back, str(folder)) for name in families for seed in seeds]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        out = []
        for outcome in pool.map(run_one, tasks):
            print(line(outcome), flush=True)
            out.append(outcome)
    return out


def line(o: Outcome) -> str:
    """One row for people."""
    error = "" if o.error_ml is None else f"{o.error_ml:+.4f} u {o.uncertainty_ml:.4f}"
    return (
        f"{o.family:<15}{o.seed:>5} {o.view:<9}{o.status:<10}{error:<18}"
        f"{'' if o.covered is None else 'in ' if o.covered else 'OUT'} "
        f"{' '.join(o.reasons)} ({' '.join(o.remarks)})"
    )


def table(outcomes: list[Outcome]) -> str:
    """Median and worst error, coverage, share refused and false numbers by family."""
    head = (
        f"{'family':<16}{'n':>3}{'located':>9}{'median':>9}{'worst':>8}{'coverage':>10}"
        f"{'refused':>9}{'false':>7}"
    )
    rows = [head]
    for name in dict.fromkeys(o.family for o in outcomes):
        part = [o for o in outcomes if o.family == name]
        errors = np.abs([o.error_ml for o in part if o.error_ml is not None])
        covered = [o.covered for o in part if o.covered is not None]
        refused = sum(o.status == "none" for o in part)
        must_refuse = name in REFUSE
        false = sum(o.error_ml is not None for o in part) if must_refuse else 0
        rows.append(
            f"{name:<16}{len(part):>3}{sum(o.status == 'located' for o in part):>9}"
            + (f"{np.median(errors):>9.4f}{errors.max():>8.3f}" if errors.size else " " * 17)
            + (f"{100 * np.mean(covered):>9.0f}%" if covered else " " * 10)
            + f"{refused:>9}{false:>7}"
        )
    return "\n".join(rows)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description="Rendered recordings with known truth")
    parser.add_argument("--families", nargs="*", default=list(ALL_FAMILIES))
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--held-back", action="store_true")
    parser.add_argument("--folder", type=Path, default=Path(".out/recordings"))
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.seeds)
    folder = options.folder / ("held-back" if options.held_back else "tuning")
    outcomes = run(tuple(options.families), seeds, options.held_back, folder)
    print(table(outcomes))


if __name__ == "__main__":
    main()
