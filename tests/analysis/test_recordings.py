"""Rendered recordings through the whole chain, small enough for every run.

The large table is tests/studies/recordings_study.py. Seeds (tests/kept_films.py) and, for half of
the cases, scenes were not used while thresholds and priors were chosen.
"""

from __future__ import annotations

from functools import cache

import pytest

from endpoint.analysis.pipeline import analyse, of_pictures
from endpoint.analysis.prepare import prepare
from endpoint.analysis.result import Result
from endpoint.record.titration import read_record
from endpoint.result.document import document
from tests.kept_films import record_of, truth_in


@cache
def result_of(name: str) -> Result:
    """Result of a kept film."""
    job, source = prepare(read_record(record_of(name)))
    return analyse(source, job)


@pytest.mark.parametrize("name", ["good-steps", "good-pump", "stills"])
def test_good_recordings(name: str) -> None:
    truth = truth_in(name)["equivalence_ml"]
    result = result_of(name)
    assert result.status == "located", result.reasons
    assert result.equivalence is not None
    # 0.06 mL is the worst error allowed for a good recording.
    assert result.equivalence.value_ml == pytest.approx(truth, abs=0.06)
    assert result.equivalence.low_ml - 0.02 < truth < result.equivalence.high_ml + 0.02


def test_a_camera_that_is_pushed_is_followed() -> None:
    result = result_of("camera-moved")
    truth = truth_in("camera-moved")["equivalence_ml"]
    assert result.status == "located", result.reasons
    assert result.equivalence is not None
    assert result.equivalence.low_ml < truth < result.equivalence.high_ml


@pytest.mark.parametrize(
    ("name", "codes"),
    [
        ("never-reached", {"never-reached"}),
        ("lights-off", {"light-lost"}),
        ("no-flask", {"no-flask"}),
        ("wrong-colour", {"other-colour", "no-flask", "never-reached"}),
    ],
)
def test_no_number_where_none_is_honest(name: str, codes: set[str]) -> None:
    result = result_of(name)
    assert result.status == "none"
    assert {reason.code for reason in result.reasons} <= codes
    assert result.equivalence is None
    assert result.hardness is None


def test_one_addition_across_the_end_is_bracketed() -> None:
    truth = truth_in("coarse-jump")["equivalence_ml"]
    result = result_of("coarse-jump")
    assert result.status == "bracketed"
    assert result.verdict.bracket_ml is not None
    low, high = result.verdict.bracket_ml
    assert high is not None
    assert low <= truth <= high


def test_reading_every_frame_ends_where_reading_those_that_matter_does() -> None:
    job, source = prepare(read_record(record_of("good-steps")))
    seen: list[float] = []
    every = of_pictures(source, job, on_sample=lambda sample: seen.append(sample.time_s))  # type: ignore[arg-type]
    assert every.status == "located"
    assert len(seen) == every.film_frames
    assert document(every, {}) == document(result_of("good-steps"), {})
