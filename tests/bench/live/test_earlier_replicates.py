"""What earlier replicates teach the guidance of the next one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from endpoint.bench.guidance.guide import Moment
from endpoint.bench.guidance.progress import Habit
from endpoint.bench.live.classroom import Classroom, Replicate

NOW = Moment(now_s=1.0, delivered_ml=0.0, blueness=-0.8)


def run(
    value_ml: float | None,
    label: str = "Well",
    flask_ml: float = 105.0,
    habit: Habit | None = None,
) -> Replicate:
    document: dict[str, Any] = {
        "status": "none" if value_ml is None else "located",
        "equivalence_ml": None if value_ml is None else {"value": value_ml},
        "inputs": {"flask_ml": flask_ml, "titrant_mol_l": {"value": 0.01}},
    }
    return Replicate(label, document, habit=habit)


def taught(earlier: list[Replicate]) -> Moment:
    classroom = Classroom()
    for replicate in earlier:
        classroom.add(replicate)
    return classroom.taught(NOW, "Well", 105.0, 0.01)


def test_replicates_of_the_same_sample_are_averaged() -> None:
    found = taught([run(9.9), run(None), run(10.1)]).expected_ml
    assert found is not None
    assert found[0] == pytest.approx(10.0)
    # Standard deviation 0.1414 of the two, on top of 0.1 mL.
    assert found[1] == pytest.approx((0.02 + 0.01) ** 0.5)


def test_the_last_replicate_teaches_the_change_of_colour() -> None:
    old, new = (Habit(np.array([0.5, -0.3, -0.2]) * k) for k in (1.0, 1.1))
    assert taught([run(9.9, habit=old), run(10.1, habit=new), run(None)]).habit is new


@pytest.mark.parametrize(
    "earlier", [[], [run(None)], [run(10.0, label="Spring")], [run(10.0, flask_ml=55.0)]]
)
def test_other_samples_teach_nothing(earlier: list[Replicate]) -> None:
    assert taught(earlier) == NOW
