"""Is what the live guidance says to be left true? A study to run on request.

    python -m tests.studies.guidance_study --count 100 --first 1000

Simulated flasks with known truth (see `tests.live_runs`), half of them with a pump, are looked at
once in each third of the change, from 10 % free on: how often the 90 % range holds the truth, how
wide it is, how often there is one at all. With `--second` a first replicate has taught its colours
and its titre as the bench hands them on. Whether somebody who does what is said gets a good result
is measured by `tests.studies.bench_loop`.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from endpoint.bench.guidance.guide import guide
from endpoint.bench.guidance.said import Guidance
from tests.live_runs import Recipe, draw_recipe, flow_to, inputs_of, left_at

_LEVELS = ((0.1, 0.4), (0.4, 0.8), (0.8, 0.98))
_MOST_LEFT_ML = 6.0


@dataclass(frozen=True)
class Glance:
    """One prediction beside the truth."""

    pump: bool
    magnesium: float
    free_fraction: float
    left_ml: float
    said: Guidance
    cpu_ms: float

    @property
    def told(self) -> bool:
        return self.said.left_ml is not None

    @property
    def holds(self) -> bool:
        low, high = self.said.left_low_ml, self.said.left_high_ml
        assert low is not None
        assert high is not None
        return low <= self.left_ml <= high


def magnesium_share(recipe: Recipe) -> float:
    """Part of the hardness."""
    flask = recipe.flask
    return flask.magnesium_mmol / (flask.magnesium_mmol + flask.calcium_mmol)


def glances(seed: int, *, second: bool = False, thirds: Sequence[int] = (0, 1, 2)) -> list[Glance]:
    """Predictions for one flask, one in every chosen third of the change."""
    recipe = draw_recipe(seed)
    rng = np.random.default_rng([559, seed])
    levels = [rng.uniform(*ends) for ends in _LEVELS]
    inputs = inputs_of(recipe, second=second)
    found = []
    for third in thirds:
        left = left_at(recipe, levels[third])
        if not np.isfinite(left):
            continue
        flow = flow_to(recipe, min(left, _MOST_LEFT_ML))
        curve = flow.curve()
        begin = time.process_time()
        said = guide(curve, inputs, now_s=flow.time_s)
        cpu_ms = 1e3 * (time.process_time() - begin)
        share = magnesium_share(recipe)
        found.append(Glance(recipe.pump, share, flow.free_fraction, flow.left_ml, said, cpu_ms))
    return found


_Groups = tuple[tuple[str, Callable[[bool, float], bool]], ...]
_GROUPS: _Groups = (
    ("all", lambda pump, share: True),
    ("steps", lambda pump, share: not pump),
    ("pump", lambda pump, share: pump),
    ("Mg 0-2 %", lambda pump, share: share < 0.02),
    ("Mg 2-6 %", lambda pump, share: 0.02 <= share < 0.06),
    ("Mg 6-20 %", lambda pump, share: 0.06 <= share < 0.2),
    ("Mg 20-50 %", lambda pump, share: share >= 0.2),
)


def _glance_line(name: str, part: list[Glance]) -> str:
    told = [g for g in part if g.told]
    if not told:
        return f"{name:<12}{len(part):>5}"
    wide = [(g.said.left_high_ml or 0.0) - (g.said.left_low_ml or 0.0) for g in told]
    error = [(g.said.left_ml or 0.0) - g.left_ml for g in told]
    times = [g.cpu_ms for g in part]
    return (
        f"{name:<12}{len(part):>5}{100 * len(told) / len(part):>7.0f}%"
        f"{100 * np.mean([g.holds for g in told]):>8.1f}%{np.median(wide):>10.2f}"
        f"{np.median(np.abs(error)):>10.3f}{np.median(times):>8.0f}{np.max(times):>7.0f}"
    )


def glance_table(rows: list[Glance]) -> list[str]:
    """Coverage of the 90 % range by group and by how far the change has gone."""
    lines = [
        f"{'left to add':<12}{'n':>5}{'told':>8}{'holds':>9}{'width/mL':>10}{'error/mL':>10}"
        f"{'ms':>8}{'most':>7}"
    ]
    for name, chosen in _GROUPS:
        part = [g for g in rows if chosen(g.pump, g.magnesium)]
        if part:
            lines.append(_glance_line(name, part))
    for low, high in ((0.0, 0.3), (0.3, 0.6), (0.6, 0.9), (0.9, 1.0)):
        part = [g for g in rows if low <= g.free_fraction < high]
        if part:
            lines.append(_glance_line(f"f {low:g}-{high:g}", part))
    return lines


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Honesty of the live guidance")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--first", type=int, default=1000, help="first seed; below 1000: tuning")
    parser.add_argument("--second", action="store_true", help="a second replicate")
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.count)
    rows = [g for seed in seeds for g in glances(seed, second=options.second)]
    print("\n".join(glance_table(rows)), flush=True)


if __name__ == "__main__":
    main()
