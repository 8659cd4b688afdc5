"""Which liquid the bench takes before the first drop, on drawn benches; run on request.

    python -m tests.studies.start_study --count 100 --first 10000

Right: what is measured lies in the flask's liquid (95 % of the pixels at least). Asked: the page
says that it is not sure, and the flask's liquid is among those that it offers. Tap: pointing at
the middle of the liquid takes it. Every bench is drawn from its seed (`tests.live_benches`).
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass

import cv2
import numpy as np

from endpoint.problems import NoEndpoint
from endpoint.scene import start
from endpoint.scene.liquid_body import refine
from tests.live_benches import HEIGHT, WIDTH, LiveBench, draw_live_bench, draw_plan

_RED = ("red jug", "pink cap", "magenta box", "wine-red book")
LEAST = 0.95


@dataclass(frozen=True)
class Outcome:
    """What came of one bench."""

    seed: int
    group: str
    what: str
    """"right", "asked", "asked, not offered" or "wrong"."""
    first: bool
    """Whether the first candidate is the right one."""
    tap: bool


def purity(bench: LiveBench, mask: np.ndarray) -> float:
    """Part of a mask of the reduced picture that is the flask's liquid."""
    full = cv2.resize(mask.astype(np.float32), (WIDTH, HEIGHT)) > 0.5
    inside, whole = (int(np.count_nonzero(part)) for part in (full & bench.liquid, full))
    return inside / max(whole, 1)


def group_of(bench: LiveBench) -> str:
    """What makes a bench hard."""
    plan = bench.plan
    if plan.second == "red":
        return "another wine-red flask"
    if any(name in _RED for name, *_ in plan.things):
        return "red or pink things"
    if plan.glove in ("pink", "violet", "blue"):
        return "a coloured glove at the neck"
    return "plates, jugs, beakers of other colours"


def outcome(seed: int) -> Outcome:
    """Look at one bench."""
    bench = draw_live_bench(draw_plan(seed))
    found = start.look(bench.frames)
    good = [purity(bench, refine(found.seen, body)) >= LEAST for body in found.bodies]
    if found.sure:
        what = "right" if good[0] else "wrong"
    else:
        what = "asked" if any(good) else "asked, not offered"
    rows, columns = np.nonzero(bench.liquid)
    try:
        tapped = found.pointed_at(float(columns.mean()), float(rows.mean()))
        tap = purity(bench, refine(tapped.seen, tapped.bodies[0])) >= LEAST
    except NoEndpoint:
        tap = False
    return Outcome(seed, group_of(bench), what, bool(good and good[0]), tap)


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    every = [outcome(seed) for seed in range(given.first, given.first + given.count)]
    names = ("right", "asked", "asked, not offered", "wrong")
    print(f"{'group':40s}{'n':>5s}{'right':>7s}{'asked':>7s}{'none':>6s}{'wrong':>7s}"
          f"{'first':>7s}{'tap':>6s}")  # fmt: skip
    for group in ("all", *sorted({o.group for o in every})):
        chosen = [o for o in every if group in ("all", o.group)]
        count = Counter(o.what for o in chosen)
        cells = "".join(f"{count[name]:{w}d}" for name, w in zip(names, (7, 7, 6, 7), strict=True))
        first, tap = sum(o.first for o in chosen), sum(o.tap for o in chosen)
        print(f"{group:40s}{len(chosen):5d}{cells}{first:7d}{tap:6d}")
    for o in every:
        if o.what in names[2:] or not o.tap:
            print(f"seed {o.seed}: {o.what}{'' if o.tap else ', not by tapping'}; {o.group}")


if __name__ == "__main__":
    main()
