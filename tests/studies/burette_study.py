"""Volume out of rendered films: table of errors of the followed meniscus and of the counted drops.

    python -m tests.studies.burette_study --seeds 10 --first 1000

Readings are typed with an error of 0.008 mL (standard deviation) and rounded to 0.01 mL, so the
error with typed readings holds that of the person: their difference alone errs by 0.012 mL. The
error with exact readings is that of the picture. Films go through H.264 unless --uncoded is given.
Seeds below 1000 were used to choose thresholds.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from endpoint.burette.drops import DropCounter
from endpoint.burette.meniscus import MeniscusFollower
from endpoint.burette.picture_volume import delivery_from_drops, delivery_from_meniscus
from endpoint.problems import DeliveryProblem
from endpoint.recording.film import VideoSource
from endpoint.recording.frame import ArrayFrame, Frame
from sample_media.burette_recipe import burette_family
from sample_media.burette_view import render_burette
from sample_media.h264 import write_h264
from sample_media.tip_view import drop_times, render_tip, tip_family


def plain(recipe: Any, coded: bool) -> Any:
    """Recipe without JPEG where the film is coded as H.264."""
    return replace(recipe, jpeg=0) if coded else recipe


def filmed(
    pictures: Iterator[tuple[float, Any]], frames_s: float, seed: int, coded: bool
) -> Iterator[Frame]:
    """Yield frames: straight from the renderer, or read back from an H.264 film."""
    if not coded:
        yield from (ArrayFrame(i, t, pixels) for i, (t, pixels) in enumerate(pictures))
        return
    crf = int(np.random.default_rng([37, seed]).integers(18, 27))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "film.mp4"
        even = ((t, p[: p.shape[0] // 2 * 2, : p.shape[1] // 2 * 2]) for t, p in pictures)
        write_h264(even, path, frames_s, crf)
        source = VideoSource(path)
        yield from source.frames()
        source.close()


def meniscus_row(seed: int, coded: bool) -> tuple[float, float, float, float, str]:
    """Worst error with typed, with exact, with no readings; worst over sigma; and words."""
    recipe = burette_family(seed)
    rng = np.random.default_rng([31, seed])
    middle = recipe.width // 2
    follower = MeniscusFollower((middle - 50, 0, middle + 50, recipe.height))
    for frame in filmed(render_burette(plain(recipe, coded)), recipe.frames_s, seed, coded):
        follower.add(frame)
    trace = follower.trace()
    times = trace.time_s
    true = np.array([recipe.delivered_ml(float(t)) for t in times])
    read = [round(recipe.reading_ml(float(t)) + rng.normal(0.0, 0.008), 2) for t in times[[0, -1]]]
    two = delivery_from_meniscus(trace, start_ml=read[0], end_ml=read[1])
    exact = [recipe.reading_ml(float(t)) for t in times[[0, -1]]]
    best = delivery_from_meniscus(trace, start_ml=exact[0], end_ml=exact[1])
    try:
        one = delivery_from_meniscus(trace).volume_ml
    except DeliveryProblem:
        one = None
    seen = two.flags == 0
    off = two.volume_ml - true
    kind = ("25 mL " if recipe.mm_per_ml > 15 else "50 mL ") + f"{recipe.px_per_mm:.1f} px/mm "
    kind += "stripe " * recipe.blue_stripe + "refill " * (recipe.refill is not None)
    kind += f"true {true[-1]:.2f} hidden {int((~seen).sum())} of {seen.size} "
    kind += ",".join(r.code for r in two.remarks)
    alone = float("nan") if one is None else float(np.abs(one - true)[seen].max())
    at = int(np.argmax(np.abs(off) * seen))
    tracked = float(np.abs(best.volume_ml - true)[seen].max())
    return float(abs(off[at])), tracked, alone, float(abs(off[at]) / two.sigma_ml[at]), kind


def drops_row(seed: int, drops: int, coded: bool) -> tuple[int, int, str]:
    """True number, counted number, words."""
    recipe = tip_family(seed, drops)
    counter = DropCounter((0, 0, recipe.width, recipe.height))
    for frame in filmed(render_tip(plain(recipe, coded)), recipe.frames_s, seed, coded):
        counter.add(frame)
    count = counter.result()
    times = drop_times(recipe)
    true = times[times < recipe.duration_s - 0.1].size
    poured = true * recipe.drop_ml
    volume = delivery_from_drops(count, start_ml=1.0, end_ml=1.0 + poured)
    words = f"{recipe.drops_s:g}/s {recipe.frames_s:g} fps {recipe.shutter_s * 1e3:.0f} ms "
    words += f"{recipe.px_per_mm:.1f} px/mm free {recipe.flask_y_mm - recipe.tip_y_mm:.0f} mm "
    words += f"drop {volume.drop_ml:.4f} mL (true {recipe.drop_ml:.4f}) "
    return true, count.count, words + ",".join(r.code for r in volume.remarks)


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--drops", type=int, default=40)
    parser.add_argument("--uncoded", action="store_true", help="pictures without H.264")
    parser.add_argument("--only", choices=("meniscus", "drops"))
    args = parser.parse_args()
    seeds = range(args.first, args.first + args.seeds)
    if args.only != "drops":
        worst, exact, alone, sigmas = [], [], [], []
        for seed in seeds:
            try:
                row = meniscus_row(seed, not args.uncoded)
            except DeliveryProblem as problem:
                print(f"meniscus {seed}: refused: {problem}", flush=True)
                continue
            worst.append(row[0])
            exact.append(row[1])
            alone.append(row[2])
            sigmas.append(row[3])
            words = f"{row[0]:.4f} mL, exact readings {row[1]:.4f}, none {row[2]:.4f} mL, "
            words += f"{row[3]:.1f} sigma; {row[4]}"
            print(f"meniscus {seed}: {words}", flush=True)
        if worst:
            print(f"meniscus: {len(worst)} films, worst error in a film, median and largest, mL:")
            print(f"  typed readings {np.median(worst):.4f} {max(worst):.4f}")
            print(f"  exact readings {np.median(exact):.4f} {max(exact):.4f}")
            print(
                f"  no readings    {np.nanmedian(alone):.4f} {np.nanmax(alone):.4f} "
                f"({int(np.isnan(alone).sum())} refused)"
            )
            print(f"  worst error over its sigma: median {np.median(sigmas):.1f}")
    if args.only != "meniscus":
        total, wrong = 0, 0
        for seed in seeds:
            try:
                true, found, words = drops_row(seed, args.drops, not args.uncoded)
            except DeliveryProblem as problem:
                print(f"drops {seed}: refused: {problem}", flush=True)
                continue
            total, wrong = total + true, wrong + abs(found - true)
            print(f"drops {seed}: true {true}, counted {found}; {words}", flush=True)
        print(f"drops: {wrong} wrong of {total}")


if __name__ == "__main__":
    main()
