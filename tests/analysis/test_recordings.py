"""Rendered recordings through the whole chain, small enough for every run.

The large table is tests/studies/recordings_study.py. Seeds and, for half of the cases, scenes were
not used while thresholds and priors were chosen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from endpoint.analysis.pipeline import analyse, of_pictures
from endpoint.analysis.prepare import prepare
from endpoint.analysis.result import Result
from endpoint.record.titration import read_record
from endpoint.result.document import document
from sample_media.encode import write
from sample_media.recipes import family, truth_of
from tests.shared import made_once

Render = Callable[[str, int, bool], tuple[Path, float]]


@pytest.fixture(scope="session")
def render(tmp_path_factory: pytest.TempPathFactory) -> Render:
    """Small recording of a family, made once: record and true equivalence volume."""

    def made(name: str, seed: int, held_back: bool) -> tuple[Path, float]:
        base = family(name, seed, held_back=held_back)
        recipe = replace(base, width=240, height=180, frames_s=3.0)
        folder = made_once(
            tmp_path_factory, f"rendered-{recipe.name}", lambda folder: write(recipe, folder)
        )
        return folder / f"{recipe.name}.toml", float(str(truth_of(recipe)["equivalence_ml"]))

    return made


def result_of(record: Path) -> Result:
    job, source = prepare(read_record(record))
    return analyse(source, job)


@pytest.mark.parametrize(
    ("name", "seed", "held_back"),
    [("good-steps", 2001, True), ("good-pump", 2002, False), ("stills", 2003, True)],
)
def test_good_recordings(render: Render, name: str, seed: int, held_back: bool) -> None:
    record, truth = render(name, seed, held_back)
    result = result_of(record)
    assert result.status == "located", result.reasons
    assert result.equivalence is not None
    # 0.06 mL is the worst error allowed for a good recording.
    assert result.equivalence.value_ml == pytest.approx(truth, abs=0.06)
    assert result.equivalence.low_ml - 0.02 < truth < result.equivalence.high_ml + 0.02


@pytest.mark.parametrize(
    ("name", "codes"),
    [
        ("never-reached", {"never-reached"}),
        ("lights-off", {"light-lost"}),
        ("camera-moved", {"camera-moved"}),
        ("no-flask", {"no-flask"}),
        ("wrong-colour", {"other-colour", "no-flask", "never-reached"}),
    ],
)
def test_no_number_where_none_is_honest(render: Render, name: str, codes: set[str]) -> None:
    record, _ = render(name, 2004, False)
    result = result_of(record)
    assert result.status == "none"
    assert {reason.code for reason in result.reasons} <= codes
    assert result.equivalence is None
    assert result.hardness is None


def test_one_addition_across_the_end_is_bracketed(render: Render) -> None:
    record, truth = render("coarse-jump", 2005, False)
    result = result_of(record)
    assert result.status == "bracketed"
    assert result.verdict.bracket_ml is not None
    low, high = result.verdict.bracket_ml
    assert high is not None
    assert low <= truth <= high


def test_reading_every_frame_ends_where_reading_those_that_matter_does(render: Render) -> None:
    record, _ = render("good-steps", 2001, True)
    job, source = prepare(read_record(record))
    seen: list[float] = []
    every = of_pictures(source, job, on_sample=lambda sample: seen.append(sample.time_s))  # type: ignore[arg-type]
    assert every.status == "located"
    assert len(seen) == every.film_frames
    assert document(every, {}) == document(analyse(source, job), {})
