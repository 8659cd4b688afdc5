"""What earlier replicates teach the guidance of the next one."""

from __future__ import annotations

from typing import Any

import pytest

from endpoint.bench.live.classroom import Replicate, expected_ml


def run(value_ml: float | None, label: str = "Well", flask_ml: float = 105.0) -> Replicate:
    document: dict[str, Any] = {
        "status": "none" if value_ml is None else "located",
        "equivalence_ml": None if value_ml is None else {"value": value_ml},
        "inputs": {"flask_ml": flask_ml, "titrant_mol_l": {"value": 0.01}},
    }
    return Replicate(label, document)


def test_replicates_of_the_same_sample_are_averaged() -> None:
    found = expected_ml([run(9.9), run(None), run(10.1)], "Well", 105.0, 0.01)
    assert found is not None
    assert found[0] == pytest.approx(10.0)
    # Standard deviation 0.1414 of the two, on top of 0.1 mL.
    assert found[1] == pytest.approx((0.02 + 0.01) ** 0.5)


@pytest.mark.parametrize(
    "earlier", [[], [run(None)], [run(10.0, label="Spring")], [run(10.0, flask_ml=55.0)]]
)
def test_other_samples_teach_nothing(earlier: list[Replicate]) -> None:
    assert expected_ml(earlier, "Well", 105.0, 0.01) is None
