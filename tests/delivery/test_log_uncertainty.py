"""A volume log that says how well it is known: read, refused, and added to the result."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from endpoint.analysis.pipeline import of_colours
from endpoint.analysis.result import Result
from endpoint.burette.picture_volume import of_log
from endpoint.problems import DeliveryProblem
from endpoint.record.titration import parse_record
from endpoint.recording.volume_log import read_log
from endpoint.result.document import document
from tests.bench_scene import ADDITIONS, FILM_START_S, PAUSE_S, TRUE_ML, colours_of_frames
from tests.jobs import job_without_source

SIGMA_ML = 0.03


def log_text(sigma: float | None) -> str:
    """Corners of pours of a second that end when the liquid has changed."""
    rows = [(0.0, 0.0)]
    for k, volume in enumerate(ADDITIONS[1:], start=1):
        at = FILM_START_S + PAUSE_S * k
        rows += [(at - 0.3, ADDITIONS[k - 1]), (at - 0.01, volume)]
    rows.append((FILM_START_S + PAUSE_S * len(ADDITIONS), ADDITIONS[-1]))
    head = "time_s,volume_ml" + ("" if sigma is None else ",standard_uncertainty_ml")
    tail = "" if sigma is None else f",{sigma}"
    return head + "\n" + "".join(f"{t!r},{v!r}{tail}\n" for t, v in rows)


def result(folder: Path, sigma: float | None) -> Result:
    path = folder / "volumes.csv"
    path.write_text(log_text(sigma), encoding="utf-8")
    table = {
        "format": 1,
        "sample": {"volume_ml": 100.0, "added_ml": 5.0},
        "titrant": {"concentration_mol_l": 0.01},
        "recording": {"colours": "colours.csv"},
        "delivery": {
            "log": "volumes.csv",
            "mode": "continuous",
            "mixing_lag_s": 0.2,
            "mixing_lag_uncertainty_s": 0.1,
        },
    }
    record = parse_record(table, "a.toml", folder)
    return of_colours(colours_of_frames(), job_without_source(record, read_log(path)))


@pytest.fixture(scope="module")
def stated(tmp_path_factory: pytest.TempPathFactory) -> Result:
    return result(tmp_path_factory.mktemp("log"), SIGMA_ML)


def test_uncertainty_of_the_log_is_added_and_the_truth_is_inside(stated: Result) -> None:
    assert stated.equivalence is not None
    assert stated.equivalence.low_ml < TRUE_ML < stated.equivalence.high_ml
    inner = [v for n, v in stated.fit.contributions_ml.items()] if stated.fit else []
    alone = math.sqrt(sum(v * v for v in inner))
    u = stated.equivalence.standard_uncertainty_ml
    assert u == pytest.approx(math.hypot(alone, SIGMA_ML), rel=0.02)
    told = document(stated, {})
    assert told["delivery"]["read_from"] == "log"
    assert told["delivery"]["delivered_ml"]["standard_uncertainty"] == SIGMA_ML
    assert any("volume of the log" in line["name"] for line in told["budget"])


def test_level_stretches_of_such_a_log_are_pauses(stated: Result) -> None:
    assert stated.job.delivery is not None
    assert len(stated.job.delivery.pauses_s) >= len(ADDITIONS) - 1


def test_steps_may_state_it_too() -> None:
    seen = of_log(np.array([0.0, 5.0]), np.array([0.0, 1.0]), np.array([0.0, 0.02]), "steps")
    assert seen.delivery.mode == "steps"
    assert float(seen.delivery.volume_at(4.9)) == 0.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time_s,volume_ml,standard_uncertainty_ml\n0,0,0\n5,1,-0.1\n", "uncertainty of -0.1"),
        ("time_s,volume_ml,standard_uncertainty_ml\n0,0,0\n5,1,\n", "has no standard_unc"),
        ("time_s,volume_ml,standard_uncertainty_ml\n0,0,0\n5,1,nan\n", "not a finite number"),
        ("file,volume_ml,standard_uncertainty_ml\na,0,0\nb,1,0\n", "but lists stills"),
    ],
)
def test_wrong_columns_are_refused(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "v.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DeliveryProblem, match=words):
        read_log(path)
