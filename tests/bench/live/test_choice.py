"""What the bench takes for the liquid before the first drop, and how a person puts it right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from endpoint.bench.live.session import LiveSession
from endpoint.problems import RecordProblem
from endpoint.recording.frame import ArrayFrame, Box
from tests.bench_scene import FORM_VALUES
from tests.bench_server import new_session
from tests.live_benches import LiveBench, Plan, draw_live_bench, draw_plan

TWO_RED: Plan = replace(
    draw_plan(9001), second="red", second_size=0.3, size=0.3, things=(), x=0.7, second_x=1.15
)
ALONE: Plan = replace(draw_plan(9007), second="none", things=(), plate="teal", glove="")
JUG: Plan = replace(ALONE, things=(("red jug", 1.35, 0.8, 0.25, 0.35),))


def show(session: LiveSession, bench: LiveBench, seconds: float) -> None:
    """Pictures of a bench in turn, ten a second, after those that were shown before."""
    began = 0.0 if session.view.last_s is None else session.view.last_s
    for k in range(1, round(10 * seconds) + 1):
        frame = bench.frames[k % len(bench.frames)]
        session.see(ArrayFrame(k, began + 0.1 * k, frame.pixels))


def holds(session: LiveSession, bench: LiveBench) -> float:
    """Part of what is measured that is the liquid to be titrated."""
    region = session.view.region
    assert region is not None
    box = region.liquid_box
    true = bench.liquid[box.top : box.bottom, box.left : box.right]
    return float((true & region.liquid_mask).sum() / region.liquid_mask.sum())


def flask_check(session: LiveSession) -> str:
    checks = {check.code: check.mark for check in session.checks(session.view.last_s or 0.0)}
    return checks["flask-found"]


def test_teal_plate_is_no_liquid() -> None:
    session, bench = new_session(), draw_live_bench(ALONE)
    show(session, bench, 3.0)
    assert holds(session, bench) >= 0.95
    assert flask_check(session) == "good"


def test_of_two_red_flasks_the_person_chooses() -> None:
    session, bench = new_session(), draw_live_bench(TWO_RED)
    show(session, bench, 3.0)
    assert flask_check(session) == "doubt"
    tried = [holds(session, bench)]
    for _ in range(4):
        session.next_body()
        tried.append(holds(session, bench))
    assert max(tried) >= 0.95 > 0.1 > min(tried)
    rows, columns = np.nonzero(bench.liquid)
    session.point_at(float(columns.mean()), float(rows.mean()))
    show(session, bench, 1.0)
    assert holds(session, bench) >= 0.95
    assert flask_check(session) == "good"
    session.begin(FORM_VALUES, session.view.last_s or 0.0)
    for act in (session.next_body, session.keep_body, lambda: session.point_at(10, 10)):
        with pytest.raises(RecordProblem, match="in progress"):
            act()


def test_what_is_right_is_kept() -> None:
    session, bench = new_session(), draw_live_bench(TWO_RED)
    show(session, bench, 3.0)
    session.keep_body()
    assert flask_check(session) == "good"
    taken = session.view.region
    show(session, draw_live_bench(replace(TWO_RED, second="none")), 4.0)
    assert session.view.kept
    assert session.view.region is taken


@pytest.mark.parametrize("before", ["clear", "nothing"])
def test_it_looks_again_when_the_liquid_comes(before: str) -> None:
    """A jug is taken while there is nothing better; then the indicator goes in."""
    session, bench = new_session(), draw_live_bench(JUG)
    empty = draw_live_bench(
        JUG, own="clear" if before == "clear" else "red", empty=before != "clear"
    )
    show(session, empty, 4.0)
    show(session, bench, 8.0)
    assert holds(session, bench) >= 0.95


def test_box_by_hand_is_left_alone() -> None:
    session, bench = new_session(), draw_live_bench(ALONE)
    show(session, bench, 1.0)
    rows, columns = np.nonzero(bench.liquid)
    y, x = int(rows.mean()), int(columns.mean())
    session.put_box("liquid", Box(x - 12, y - 8, x + 12, y + 8))
    show(session, bench, 3.0)
    show(session, draw_live_bench(ALONE, own="blue"), 4.0)
    region = session.view.region
    assert region is not None
    assert region.liquid_by_hand
    with pytest.raises(RecordProblem, match="nothing else"):
        session.next_body()


def test_nothing_to_point_at() -> None:
    session = new_session()
    with pytest.raises(RecordProblem, match="cannot look there"):
        session.point_at(5, 5)
    show(session, draw_live_bench(ALONE), 3.0)
    region = session.view.region
    assert region is not None
    white = region.reference_box
    with pytest.raises(RecordProblem, match="no coloured liquid there"):
        session.point_at(0.5 * (white.left + white.right), 0.5 * (white.top + white.bottom))
    assert session.view.region is region
