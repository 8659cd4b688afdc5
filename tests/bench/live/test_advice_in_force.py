"""What stands, and for how long: asked for is remembered, one look alone slows no pump."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from endpoint.bench.guidance.guide import Moment, begun
from endpoint.bench.guidance.said import Guidance, Pace
from endpoint.bench.live import advice_in_force
from endpoint.bench.live.advice_in_force import AdviceInForce

RESULT: Any = None


def say(monkeypatch: pytest.MonkeyPatch, said: Guidance) -> None:
    monkeypatch.setattr(advice_in_force, "advise", lambda result, moment, ended=None: said)


def at(now_s: float, delivered_ml: float, read_s: float, running: str = "") -> Moment:
    return Moment(now_s, delivered_ml, -0.8, read_s=read_s, running=running)


def test_the_first_asking_after_a_reading_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    advice = AdviceInForce()
    assert advice.now(at(10.0, 0.0, 9.0)).amount_ml == 2.0
    advice.now(at(12.0, 0.0, 9.0))
    assert advice.asked.asked_s == 10.0
    # Typed: for three seconds nothing is asked for, whatever was worked out.
    say(monkeypatch, begun(2.0))
    assert advice.now(at(20.0, 2.0, 20.0)).amount_ml is None
    advice.think(RESULT, at(20.5, 2.0, 20.0))
    assert advice.now(at(21.0, 2.0, 20.0)).code == "mixing"
    assert advice.asked.asked_s is None
    assert advice.now(at(23.1, 2.0, 20.0)).amount_ml == 0.5
    assert advice.asked.asked_s == 23.1
    # Undone: what was asked for before that reading is still known.
    advice.now(at(25.0, 0.0, 9.0))
    assert advice.asked[:2] == (10.0, None)


def test_an_unevenness_that_nobody_asked_for_is_not_waited_for_for_ever(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Near the end the colour itself makes the liquid uneven."""
    advice = AdviceInForce()
    advice.now(at(20.0, 2.0, 20.0))
    say(monkeypatch, begun(2.0))
    advice.think(RESULT, at(25.0, 2.0, 20.0, "adding"))
    assert advice.now(at(25.1, 2.0, 20.0, "adding")).amount_ml is None
    advice.think(RESULT, at(28.5, 2.0, 20.0, "adding"))
    assert advice.now(at(28.6, 2.0, 20.0)).amount_ml == 0.5


def test_a_pump_is_slowed_by_two_looks_that_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    def pumping(delivered_ml: float) -> Moment:
        return Moment(30.0 + delivered_ml, delivered_ml, -0.8, pump=True, rate_ml_min=8.0)

    far = begun(3.0, Pace(True, 8.0))
    slow = replace(far, code="drops", title="Set the pump to 0.5 mL/min", rate_ml_min=0.5)
    advice = AdviceInForce()
    for said, then in ((far, None), (slow, None), (far, None), (slow, None), (slow, 0.5)):
        say(monkeypatch, said)
        advice.think(RESULT, pumping(3.0))
        assert advice.now(pumping(3.0)).rate_ml_min == then


def test_enough_is_not_taken_back_by_what_runs_in_until_the_pump_stops(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    far = begun(3.0, Pace(True, 2.0))
    advice = AdviceInForce()
    for said, delivered_ml, code in (
        (replace(far, code="enough"), 3.0, "enough"),
        (replace(far, delivered_ml=3.1), 3.1, "enough"),
        (replace(far, delivered_ml=3.8), 3.8, "pour"),
    ):
        say(monkeypatch, said)
        moment = Moment(30.0, delivered_ml, -0.8, pump=True, rate_ml_min=2.0)
        advice.think(RESULT, moment)
        assert advice.now(moment).code == code


def test_a_pump_is_paused_at_the_first_tinge_until_the_liquid_was_looked_at(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def at(now_s: float, rate: float, paused_s: float | None, *, turns: bool = False) -> Moment:
        return Moment(now_s, 3.0, -0.8, pump=True, rate_ml_min=rate, read_s=paused_s, turns=turns)

    advice = AdviceInForce()
    start = advice.now(at(5.0, 0.0, None))
    assert (start.title, start.rate_ml_min) == ("Start the pump at 6 mL/min", 6.0)
    say(monkeypatch, begun(3.0, Pace(True, 6.0)))
    advice.think(RESULT, at(30.0, 6.0, None))
    assert advice.now(at(30.1, 6.0, None)).code == "pour"
    # A tinge holds until somebody acts, also if it is not seen any more.
    assert advice.now(at(31.0, 6.0, None, turns=True)).title == "Pause the pump"
    assert advice.now(at(32.0, 6.0, None)).title == "Pause the pump"
    waits = [advice.now(at(t, 0.0, 32.5)).title for t in (32.6, 34.0, 36.0)]
    assert waits == ["Wait 3 s", "Wait 2 s", "Wait 1 s"]
    slow = replace(begun(3.0, Pace(True, 0.0)), code="drops", title="Start the pump at 1 mL/min")
    say(monkeypatch, replace(slow, rate_ml_min=1.0))
    advice.think(RESULT, at(36.1, 0.0, 32.5))
    assert advice.now(at(36.2, 0.0, 32.5)).title == "Start the pump at 1 mL/min"
    # As soon as it runs, nobody is asked to start it.
    on = advice.now(at(38.0, 1.0, 32.5, turns=True))
    assert (on.title, on.rate_ml_min) == ("Let the pump run", None)
    assert on.spoken.startswith(on.title)
