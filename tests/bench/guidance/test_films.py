"""Guidance along rendered films with known truth: what it says is left, pause by pause.

The simulated flasks of `test_guidance` have colours; films have a camera, plumes after large
portions, and scatter from pause to pause that no scatter of frames shows.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import endpoint
from endpoint.bench.guidance.guide import GuidanceInputs, guide
from endpoint.bench.guidance.said import Guidance
from endpoint.curve.points import Curve
from endpoint.delivery.delivery import Delivery
from tests.kept_films import record_of
from tests.places import SAMPLES

_FAR_ML, _PAST_ML, _APART_ML = 2.5, 0.15, 0.09
_PER_POINT = (
    *("volume_ml", "time_s", "density", "density_sigma", "signal", "sigma", "off_colour"),
    *("hue_deg", "chroma", "rgb", "frames_used", "flags"),
)


def until(curve: Curve, time_s: float) -> Curve:
    """What of a curve was known at a time."""
    known, seen = curve.time_s <= time_s, curve.frame_times_s <= time_s
    delivery = curve.delivery
    assert delivery is not None
    if delivery.mode == "steps":
        read = delivery.time_s <= time_s
        delivery = Delivery("steps", delivery.time_s[read], delivery.volume_ml[read])
    return replace(
        curve,
        **{name: getattr(curve, name)[known] for name in _PER_POINT},
        frame_times_s=curve.frame_times_s[seen],
        frame_flags=curve.frame_flags[seen],
        delivery=delivery,
    )


def looks(name: str, record: Path) -> Iterator[tuple[float, Guidance]]:
    """What was left in truth, and what was said, at the pauses of the last millilitres."""
    truth_ml = json.loads((SAMPLES / f"{name}.truth.json").read_text("utf-8"))["equivalence_ml"]
    result = endpoint.analyse(record)
    curve, job = result.curve, result.job
    assert curve is not None
    inputs = GuidanceInputs(job.titrant_mol_l.value, job.indicator, priors=job.priors)
    last_ml = 0.0
    for point in np.flatnonzero(curve.flags == 0):
        left_ml = truth_ml - float(curve.volume_ml[point])
        if -_PAST_ML < left_ml < _FAR_ML and curve.volume_ml[point] > last_ml + _APART_ML:
            last_ml = float(curve.volume_ml[point])
            now_s = float(curve.time_s[point]) + 1e-6
            yield left_ml, guide(until(curve, now_s), inputs, now_s=now_s)


@pytest.mark.parametrize("name", ["mill-spring", "chalk-spring", "school-well"])
def test_what_is_said_to_be_left_is_true_in_films(name: str) -> None:
    told = list(looks(name, record_of(f"small-{name}")))
    assert len(told) >= 8
    bounds = [left >= said.at_least_ml for left, said in told if said.at_least_ml is not None]
    ranges = [
        said.left_low_ml <= left <= said.left_high_ml
        for left, said in told
        if said.left_low_ml is not None and said.left_high_ml is not None
    ]
    # Ranges of 90 %, and looks of one film err together.
    assert sum(not held for held in ranges) <= max(1, round(0.15 * len(ranges)))
    assert sum(not held for held in bounds) <= max(1, round(0.05 * len(bounds)))
    # An amount leaps over the change once in ten times at most; a stream is stopped by its tinge.
    amounts = [(left, said.amount_ml) for left, said in told if said.code in ("portion", "drops")]
    leaps = [left for left, amount in amounts if amount is None or amount > left + 0.15 > 0.15]
    assert len(leaps) <= max(1, round(0.1 * len(amounts)))
