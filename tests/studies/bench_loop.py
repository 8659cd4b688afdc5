"""Does whoever does what the page says get a good result? A closed loop, to run on request.

    python -m tests.studies.bench_loop --count 40 --first 1
    python -m tests.studies.bench_loop --count 20 --first 1 --pump
    python -m tests.studies.bench_loop --count 12 --first 1 --careless
    python -m tests.studies.bench_loop --count 12 --first 1 --second

An operator who obeys (`tests.loop_operator`) and a flask that answers (`tests.loop_flask`), whose
chemistry and camera are not the program's. Seeds below 1000 are for tuning, from 5000 up they are
held back.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tests.loop_flask import draw_recipe
from tests.loop_operator import Manner, Record, titrated, titrated_again

CARELESS = ("pours", "overshoots", "hand", "lamp")
_MOST_ADDITIONS, _MOST_S = 18, 300.0


def ranges_held(records: Sequence[Record]) -> tuple[int, int]:
    """How many of the stated ranges of what is left hold, and how many were stated.

    A range is counted once where it is new, not for every look at it.
    """
    held = stated = 0
    for record in records:
        last = None
        for word in record.words:
            said = word.said
            if said.left_low_ml is None or said.left_high_ml is None or said.code == "mixing":
                continue
            ends = (round(said.left_low_ml, 3), round(said.left_high_ml, 3))
            if ends == last:
                continue
            last = ends
            stated += 1
            held += ends[0] <= word.left_ml <= ends[1]
    return held, stated


def line_of(record: Record) -> str:
    """One titration in one line."""
    r, w = record.recipe, record.recipe.water
    interval = "" if record.low_ml is None else f"{record.low_ml:.3f}-{record.high_ml}"
    return (
        f"{r.seed:>6} {r.end_ml:6.2f} Mg{100 * w.magnesium_share:3.0f} In{w.indicator_umol_l:4.0f}"
        f" lag{r.lag_s:4.1f} gain{r.plume_gain:4.1f} {record.status:<9} {record.error_ml:+7.3f}"
        f" {'holds' if record.holds else 'MISSES'} {interval:<16} n{record.additions:>3}"
        f" {record.duration_s:5.0f} s past{record.past_ml:+6.2f} wait{record.longest_wait_s:5.1f}"
        f" {'told' if record.told_to_stop else '-'} {','.join(record.reasons)}"
    )


def summary(records: Sequence[Record]) -> list[str]:
    """What the lines come to."""
    located = [r for r in records if r.status == "located"]
    error = np.abs([r.error_ml for r in located]) if located else np.array([np.nan])
    brief = [r.additions <= _MOST_ADDITIONS and r.duration_s <= _MOST_S for r in records]
    held, stated = ranges_held(records)
    misled = [r for r in records if r.told_to_stop and r.status != "located"]
    return [
        f"located {len(located)} of {len(records)}; |error| median {np.median(error):.3f}, "
        f"worst {error.max():.3f} mL; intervals hold {sum(r.holds for r in records)}",
        f"additions median {np.median([r.additions for r in records]):.0f}, most "
        f"{max(r.additions for r in records)}; time median "
        f"{np.median([r.duration_s for r in records]):.0f} s; both within bounds: {sum(brief)}",
        f"longest wait on mixed liquid {max(r.longest_wait_s for r in records):.1f} s; "
        f"ranges hold {held} of {stated} ({100 * held / max(stated, 1):.0f} %); "
        f"told to stop with an interval: {len(misled)}",
    ]


def main() -> None:
    """Print a line for each titration and what they come to."""
    parser = argparse.ArgumentParser(description="Closed loop at the bench")
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--first", type=int, default=1, help="first seed; below 1000: tuning")
    parser.add_argument("--pump", action="store_true")
    parser.add_argument("--second", action="store_true", help="second flasks of the same water")
    parser.add_argument("--careless", action="store_true", help="four manners in turn")
    parser.add_argument("--steps", action="store_true", help="by hand, the default")
    parser.add_argument("--every", type=float, default=1.0, help="s between two conclusions")
    parser.add_argument("--words", action="store_true", help="print what was said")
    options = parser.parse_args()
    records: list[Record] = []
    begun = time.process_time()
    for k, seed in enumerate(range(options.first, options.first + options.count)):
        manner = Manner(pump=options.pump)
        if options.careless:
            manner = replace(manner, careless=CARELESS[k % len(CARELESS)])
        run = titrated_again if options.second else titrated
        records.append(run(draw_recipe(seed), manner, options.every))
        print(line_of(records[-1]), manner.careless, flush=True)
        if options.words:
            print("\n".join(_said(records[-1])))
    print("\n".join(summary(records)))
    print(f"{(time.process_time() - begun) / len(records):.0f} s of process time for each")


def _said(record: Record) -> list[str]:
    lines: list[str] = []
    last = ""
    for word in record.words:
        text = f"{word.said.title} | {word.said.left_text}"
        if text != last:
            mixed = "mixed" if word.mixed else "     "
            lines.append(f"{word.time_s:7.1f} left{word.left_ml:+7.3f} {mixed} {text}")
        last = text
    return lines


if __name__ == "__main__":
    main()
