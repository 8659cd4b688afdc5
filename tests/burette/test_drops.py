"""Falling drops counted in rendered films of the tip, and the volume from two readings."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from endpoint.burette.drops import DropCount, DropCounter
from endpoint.burette.picture_volume import delivery_from_drops
from endpoint.problems import DeliveryProblem
from endpoint.recording.frame import ArrayFrame
from sample_media.tip_view import TipRecipe, drop_times, render_tip

PLAIN = TipRecipe(
    seed=5, width=72, height=96, px_per_mm=2.0, duration_s=7.0, open_s=((0.4, 2.8), (4.0, 6.5))
)


def counted(recipe: TipRecipe) -> DropCount:
    counter = DropCounter((0, 0, recipe.width, recipe.height))
    for i, (time_s, pixels) in enumerate(render_tip(recipe)):
        counter.add(ArrayFrame(i, time_s, pixels))
    return counter.result()


def fallen(recipe: TipRecipe) -> np.ndarray:
    times = drop_times(recipe)
    return times[times < recipe.duration_s - 0.12]


def made(number: int, **changes: object) -> DropCount:
    values: dict[str, object] = {
        "time_s": np.arange(number) * 0.5 + 1.0,
        "sightings": np.full(number, 2),
        "first_s": 0.0,
        "last_s": number * 0.5 + 2.0,
        "miss_chance": 0.0,
        "suspected_missed": 0,
        "stream_s": (),
    }
    return DropCount(**(values | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "changes",
    [
        {"drops_s": 2.0},
        {"drops_s": 6.0, "shutter_s": 0.004},
        {"drops_s": 3.0, "shutter_s": 0.033, "noise": 0.015, "jpeg": 60},
        {"drops_s": 3.0, "frames_s": 60.0},
        {"drops_s": 2.0, "flask_y_mm": 26.0},
    ],
    ids=["slow", "fast", "streaks", "60-frames", "short-fall"],
)
def test_every_drop_is_counted_once_at_its_time(changes: dict[str, Any]) -> None:
    recipe = replace(PLAIN, **changes)
    count, true = counted(recipe), fallen(recipe)
    assert count.count == true.size
    assert np.abs(count.time_s - true).max() < 0.06
    assert count.stream_s == ()


def test_a_hanging_drop_and_a_swaying_flask_are_no_drops() -> None:
    recipe = replace(PLAIN, drops_s=1.0, open_s=((0.4, 0.6),), duration_s=4.0)
    assert drop_times(recipe).size == 0
    assert counted(recipe).count <= 0


def test_a_stream_is_said_and_refused() -> None:
    recipe = replace(PLAIN, drops_s=2.0, stream_s=(3.0, 4.0))
    count = counted(recipe)
    assert len(count.stream_s) == 1
    assert count.stream_s[0] == pytest.approx((3.0, 4.0), abs=0.15)
    with pytest.raises(DeliveryProblem, match="stream"):
        delivery_from_drops(count, start_ml=0.0, end_ml=2.0)


def test_too_few_frames_a_second_show_in_the_chance_to_miss() -> None:
    recipe = replace(PLAIN, drops_s=2.0, frames_s=10.0)
    assert counted(recipe).miss_chance > 0.05


def test_volume_follows_the_drops_and_ends_at_the_reading() -> None:
    count = made(400)
    volume = delivery_from_drops(count, start_ml=1.0, end_ml=21.0)
    assert volume.drop_ml == pytest.approx(0.05)
    at = count.time_s[199] + 0.1
    assert volume.delivery.volume_at([at, 1e6]) == pytest.approx([10.0, 20.0])
    assert np.all(volume.sigma_ml < 0.04)
    assert volume.remarks == ()


def test_one_missed_drop_in_400_stays_within_one_drop() -> None:
    times = np.delete(np.arange(400) * 0.5 + 1.0, 137)
    volume = delivery_from_drops(made(399, time_s=times), start_ml=0.0, end_ml=20.0)
    true = 0.05 * (np.searchsorted(np.arange(400) * 0.5 + 1.0, times, side="right"))
    assert np.abs(volume.volume_ml - true).max() < 0.05


@pytest.mark.parametrize(("end_ml", "code"), [(2.5, "drop-size"), (7.5, "drop-size"), (5.0, "")])
def test_unusual_drops_are_remarked(end_ml: float, code: str) -> None:
    # 0.03 to 0.06 mL: from memory of general teaching.
    volume = delivery_from_drops(made(100), start_ml=0.0, end_ml=end_ml)
    assert [remark.code for remark in volume.remarks] == ([code] if code else [])


@pytest.mark.parametrize("end_ml", [0.5, 15.0, -1.0])
def test_impossible_drops_are_refused(end_ml: float) -> None:
    with pytest.raises(DeliveryProblem):
        delivery_from_drops(made(100), start_ml=0.0, end_ml=end_ml)


def test_missed_drops_are_remarked_and_widen_or_refuse() -> None:
    sure = delivery_from_drops(made(100), start_ml=0.0, end_ml=5.0)
    some = delivery_from_drops(made(100, suspected_missed=5), start_ml=0.0, end_ml=5.0)
    assert [remark.code for remark in some.remarks] == ["drops-missed"]
    assert some.sigma_ml[50] > 1.5 * sure.sigma_ml[50]
    with pytest.raises(DeliveryProblem, match="missed"):
        delivery_from_drops(made(100, miss_chance=0.3), start_ml=0.0, end_ml=5.0)
