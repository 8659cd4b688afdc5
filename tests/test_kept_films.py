"""The films that are kept are those that their recipes describe today."""

from __future__ import annotations

import json

import pytest

from tests.kept_films import FILMS, KEPT, record_of, truth_in

MOST_BYTES = 3_000_000
"""All kept films together: what may be added to every clone."""


def test_the_kept_films_are_those_of_the_list_and_small() -> None:
    assert {path.name for path in FILMS.iterdir()} == set(KEPT)
    assert sum(path.stat().st_size for path in FILMS.rglob("*") if path.is_file()) < MOST_BYTES


@pytest.mark.parametrize("name", KEPT)
def test_what_is_true_of_a_kept_film_is_what_its_recipe_says(name: str) -> None:
    """Where this fails, `python -m tests.kept_films NAME` draws the film anew."""
    kept, today = truth_in(name), json.loads(json.dumps(KEPT[name].truth()))
    assert {key: kept.get(key) for key in today} == today
    assert record_of(name).is_file()
