"""Logs put some seconds apart from rendered films. A study to run on request.

    python -m tests.studies.clock_study --seeds 2 --first 1401 --cache .out/films

Films as people make them (`sample_media.home_films`) with additions in steps are rendered and
their colours measured once; then their log is moved by every shift, its rows are scattered as a
person scatters them, and the result is compared with the truth. "False": an interval from which
the truth is farther than half its width and than 0.02 mL.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from endpoint.analysis.pipeline import find_region, result_of_curve
from endpoint.analysis.prepare import prepare
from endpoint.colour.density import trace
from endpoint.colour.follow import follow
from endpoint.curve.points import from_colour
from endpoint.delivery.clock import ClockDoubt, LogClock, doubt_of_clock
from endpoint.delivery.delivery import Delivery
from endpoint.problems import NoEndpoint
from endpoint.record.titration import read_record
from endpoint.recording.film import VideoSource
from sample_media.home_films import KINDS, home_film
from tests.studies.recordings_study import is_false, rendered

SHIFTS_S = (0.0, 5.0, -5.0, 10.0, -10.0, 20.0, -20.0, 62.0, -62.0, 180.0)


@dataclass(frozen=True)
class Told:
    """What came of one film under one shift."""

    shift_s: float
    status: str
    code: str
    """What was said of the clock."""
    error_ml: float | None
    covered: bool | None
    false: bool
    found_off_s: float | None


def told(family: str, seed: int, cache: Path, scatter_s: float) -> list[Told]:
    """Every shift of the log of one film; empty where it has no flask or no steps."""
    record = rendered(family, seed, cache)
    truth = json.loads((record.parent / "truth.json").read_text(encoding="utf-8"))
    end_ml, apart_s = float(truth["equivalence_ml"]), home_film(family, seed).clock_shift_s
    job, source = prepare(read_record(record))
    assert isinstance(source, VideoSource)
    assert job.delivery is not None
    try:
        region, _ = find_region(source, job)
    except NoEndpoint:
        return []
    colour = trace(list(follow(source.frames(), region, source.info.transfer)))
    last_s = float(colour.time_s[-1])
    rng = np.random.default_rng([seed, sum(map(ord, family))])
    scattered = (
        job.delivery.time_s - apart_s + scatter_s * rng.normal(size=job.delivery.time_s.size)
    )
    rows_s = np.maximum.accumulate(scattered) + 1e-3 * np.arange(scattered.size)
    out = []
    for shift_s in SHIFTS_S:
        log = Delivery("steps", rows_s + shift_s, job.delivery.volume_ml.copy())
        doubt = doubt_of_clock(log, LogClock(), colour, last_s)
        curve = from_colour(colour, log, job.flask_ml, job.priors.lag_s[0])
        result = result_of_curve(replace(job, delivery=log), curve, doubt=doubt)
        found, interval = result.equivalence, result.verdict.bracket_ml
        if found is not None:
            interval = (found.low_ml, found.high_ml)
        inside = None if interval is None else _holds(interval, end_ml)
        out.append(
            Told(
                shift_s,
                result.status,
                doubt.sentence.code if doubt.sentence else "",
                None if found is None else found.value_ml - end_ml,
                inside,
                is_false(family, found is not None, interval, end_ml),
                _off_s(doubt, shift_s),
            )
        )
    return out


def _off_s(doubt: ClockDoubt, shift_s: float) -> float | None:
    """Error of the difference that is asked about."""
    if doubt.sentence is None or doubt.sentence.code != "clock-found":
        return None
    return float(doubt.sentence.advice.split("clock_offset_s = ")[1].split(" ")[0]) + shift_s


def _holds(interval: tuple[float, float | None], end_ml: float) -> bool:
    low, high = interval
    return low <= end_ml and (high is None or end_ml <= high)


def table(outcomes: Iterable[Told]) -> str:
    """One row for each shift."""
    rows = [
        f"{'shift s':>8}{'films':>7}{'located':>9}{'median':>8}{'worst':>8}{'outside':>9}"
        f"{'false':>7}{'silent':>8}  off s  what was said"
    ]
    every = list(outcomes)
    for shift_s in SHIFTS_S:
        part = [one for one in every if one.shift_s == shift_s]
        errors = np.abs([one.error_ml for one in part if one.error_ml is not None])
        off_s = np.abs([one.found_off_s for one in part if one.found_off_s is not None])
        said = Counter(one.code or "nothing" for one in part)
        silent = sum(one.false and one.code == "" for one in part)
        rows.append(
            f"{shift_s:>8g}{len(part):>7}{errors.size:>9}"
            + (f"{np.median(errors):>8.3f}{errors.max():>8.3f}" if errors.size else " " * 16)
            + f"{sum(one.covered is False for one in part):>9}{sum(o.false for o in part):>7}"
            + f"{silent:>8}"
            + (f"{off_s.max():>7.1f}  " if off_s.size else " " * 9)
            + ", ".join(f"{code} {number}" for code, number in sorted(said.items()))
        )
    return "\n".join(rows)


def main() -> None:
    """Render, measure, move the logs, print a table after every film."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--first", type=int, default=1401)
    parser.add_argument(
        "--family", nargs="+", default=[n for n in KINDS if KINDS[n].grade != "refuse"]
    )
    parser.add_argument("--scatter-s", type=float, default=0.7)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, default=Path(".out/films"))
    chosen = parser.parse_args()
    outcomes: list[Told] = []
    with ProcessPoolExecutor(chosen.jobs, mp_context=get_context("spawn")) as pool:
        waiting = [
            pool.submit(told, name, seed, chosen.cache, chosen.scatter_s)
            for seed in range(chosen.first, chosen.first + chosen.seeds)
            for name in chosen.family
        ]
        for count, done in enumerate(waiting, 1):
            outcomes += done.result()
            print(f"[{count}/{len(waiting)}]", flush=True)
    print(table(outcomes))


if __name__ == "__main__":
    main()
