"""A log of another film fits by some clock, but no better than its additions in another order."""

from __future__ import annotations

from pathlib import Path

from endpoint.colour.density import trace
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.row_path import matches
from endpoint.recording.volume_log import read_log
from tests.population.colours import samples_of
from tests.population.draws import draw
from tests.population.judging import judged, rows_of, write_record

SEEDS = (2013, 2018, 2020, 2037, 2042, 2066)
"""Films that show most of their additions."""


def log_of(seed: int, folder: Path) -> Delivery:
    folder.mkdir(exist_ok=True)
    drawn = draw(seed)
    write_record(drawn, rows_of(drawn), folder)
    log = read_log(folder / "volumes.csv")
    assert log.time_s is not None
    return Delivery("steps", log.time_s, log.volume_ml)


def test_its_own_log_and_that_of_another_film(tmp_path: Path) -> None:
    """Of the logs of others one in four may pass by chance."""
    colours = [trace(samples_of(draw(seed))) for seed in SEEDS]
    logs = [log_of(seed, tmp_path / str(seed)) for seed in SEEDS]
    others = logs[1:] + logs[:1]
    assert all(matches(colour, log) for colour, log in zip(colours, logs, strict=True))
    assert sum(matches(colour, log) for colour, log in zip(colours, others, strict=True)) <= 2


def test_a_clock_that_any_log_would_fit_gives_no_number(tmp_path: Path) -> None:
    """Hardly a plume is seen: the right clock, 66 s apart, is no better than by chance."""
    found = judged(2035, tmp_path)
    assert found.status == "bracketed"
    assert "log-unproven" in found.codes
    assert found.holds
