"""Before the first drop: the flask's liquid is taken, or the person is asked which one it is."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from endpoint.problems import NoEndpoint
from endpoint.recording.frame import ArrayFrame
from endpoint.scene import start
from endpoint.scene.region import Region
from tests.live_benches import HEIGHT, WIDTH, LiveBench, draw_live_bench, draw_plan

SEEDS = range(9000, 9012)


def purity(region: Region, bench: LiveBench) -> float:
    whole = np.zeros((region.height, region.width), dtype=np.bool_)
    b = region.liquid_box
    whole[b.top : b.bottom, b.left : b.right] = region.liquid_mask
    return float((whole & bench.liquid).sum() / whole.sum())


def middle_of(bench: LiveBench) -> tuple[float, float]:
    rows, columns = np.nonzero(bench.liquid)
    return float(columns.mean()), float(rows.mean())


@pytest.mark.parametrize("seed", SEEDS)
def test_right_or_asked_for_or_pointed_at(seed: int) -> None:
    bench = draw_live_bench(draw_plan(seed))
    found = start.look(bench.frames)
    pointed = found.pointed_at(*middle_of(bench))
    assert pointed.sure
    assert purity(pointed.region(), bench) >= 0.95
    if found.sure:
        assert purity(found.region(), bench) >= 0.95
        return
    assert any(purity(found.region(k), bench) >= 0.95 for k in range(len(found.bodies)))


def test_two_wine_red_flasks_are_asked_for() -> None:
    plan = replace(draw_plan(9001), second="red", second_size=0.3, size=0.3, things=(), x=0.7)
    bench = draw_live_bench(replace(plan, second_x=1.15))
    found = start.look(bench.frames)
    assert not found.sure
    assert len(found.outlines) == len(found.bodies) >= 2
    x, y = middle_of(bench)
    near = [cv2.pointPolygonTest(np.array(o, np.float32), (x, y), False) for o in found.outlines]
    assert max(near) > 0


def test_other_colours_than_red_are_never_sure() -> None:
    plan = replace(draw_plan(9003), things=(), second="none", plate="", glove="")
    blue = start.look(draw_live_bench(plan, own="blue").frames)
    assert not blue.sure
    assert blue.bodies
    assert not start.look(draw_live_bench(plan, own="clear").frames).sure


def test_nothing_there() -> None:
    grey = [ArrayFrame(k, 0.1 * k, np.full((120, 160, 3), 128, np.uint8)) for k in range(12)]
    found = start.look(grey)
    assert not found.bodies
    assert not found.sure
    for ask in (lambda: found.region(), lambda: found.pointed_at(80, 60)):
        with pytest.raises(NoEndpoint, match="no-flask"):
            ask()


def test_change_of_the_scene_is_seen_and_change_of_the_light_is_not() -> None:
    plan = draw_plan(9005)
    red, clear, none = (
        draw_live_bench(plan, count=2),
        draw_live_bench(plan, count=2, own="clear"),
        draw_live_bench(plan, count=2, empty=True),
    )
    now, again, water, bench = (
        start.thumbnail(b.frames[k]) for b, k in ((red, 0), (red, 1), (clear, 0), (none, 0))
    )
    assert not start.differs(now, again)
    assert start.differs(now, water)
    assert start.differs(now, bench)
    assert not start.differs(now, 0.8 * now)
    assert (HEIGHT, WIDTH) == (270, 480)
