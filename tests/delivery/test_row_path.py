"""Additions along the rows of a log: how long they may last."""

from __future__ import annotations

import numpy as np

from endpoint.delivery.activity import INDEPENDENT, Activity
from endpoint.delivery.row_path import Path, Rows, cheapest_path, costs_of

BINS = 120


def quiet_film() -> Activity:
    """A minute in which nothing is seen, so that only times and lengths decide."""
    none = np.zeros((BINS + 1, BINS + 1), dtype=np.float32)
    held = np.arange(BINS + 1)
    return Activity(0.0, 0.5, none, held, np.zeros(BINS + 1), np.zeros(BINS), None)


def path_for(first_ml: float, then_ml: float, gap_s: float) -> Path:
    """Way of two rows, the second one `gap_s` after the first."""
    added_ml = np.array([first_ml, then_ml])
    rows = Rows(np.array([20.0, 20.0 + gap_s]), np.cumsum(added_ml), added_ml)
    path = cheapest_path(costs_of(quiet_film()), rows, 0.0)
    assert path is not None
    return path


def test_much_titrant_in_no_time_costs_more_than_any_other_strange_length() -> None:
    leisurely, hurried = path_for(0.1, 13.0, 35.0), path_for(0.1, 13.0, 0.5)
    # The rows are moved by seconds before 13 mL run out in half a second.
    begin, end = hurried.cuts[1]
    assert end - begin >= 4
    assert (hurried.cost - leisurely.cost) * INDEPENDENT > 1.5


def test_drops_that_take_long_cost_little() -> None:
    alone, drips = path_for(0.1, 0.1, 3.0), path_for(0.1, 0.1, 30.0)
    assert abs(drips.cost - alone.cost) * INDEPENDENT < 0.5
