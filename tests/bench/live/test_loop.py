"""Whoever does what the bench says gets a good result: whole titrations with a flask that answers.

Few of them, as each takes some seconds; `tests.studies.bench_loop` counts over many.
"""

from __future__ import annotations

import itertools

import pytest

from endpoint.bench.live.volumes import Readings
from tests.loop_flask import draw_recipe
from tests.loop_operator import Loop, Manner, titrated

_MOST_ML, _MOST_ADDITIONS, _MOST_S, _LONGEST_WAIT_S = 0.06, 18, 300.0, 12.0


@pytest.mark.parametrize("seed", [12])
def test_done_as_told_the_result_is_a_number(seed: int) -> None:
    loop = Loop(draw_recipe(seed), Manner())
    done = loop.by_hand()
    # Of every addition it is kept when it was asked for.
    volumes = loop.session.shown().volumes
    assert isinstance(volumes, Readings)
    rows = volumes.rows
    for before, row in itertools.pairwise(rows):
        asked_s = row.asked.asked_s
        assert asked_s is not None
        assert before.time_s <= asked_s < row.time_s
    # And of drops how many.
    assert {row.asked.drops for row in rows} == {None, 1, 2}
    assert done.words[-1].said.code == "enough"
    assert done.status == "located", done.reasons
    # Whether intervals hold is counted over many, by the study.
    assert abs(done.error_ml) < _MOST_ML
    assert done.additions <= _MOST_ADDITIONS
    assert done.duration_s <= _MOST_S
    assert done.longest_wait_s <= _LONGEST_WAIT_S
    # From the beginning on there is something to do, and it has an amount or a wait.
    assert all(word.said.title for word in done.words)
    assert done.words[0].said.amount_ml == 2.0
    # The scale is never empty, not even during a wait.
    assert all(word.said.place is not None for word in done.words)


def test_six_seconds_without_a_lamp_keep_nobody_waiting() -> None:
    done = titrated(draw_recipe(12), Manner(careless="lamp"))
    assert any(word.said.code == "unseen" for word in done.words)
    assert done.longest_wait_s <= _LONGEST_WAIT_S
    assert done.status != "none"
    assert done.holds
