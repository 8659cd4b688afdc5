"""A log and a film whose clocks are a minute apart: refused, and asked for the difference."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

import endpoint
from endpoint.delivery import Delivery
from endpoint.problems import DeliveryProblem

SAMPLES = Path(__file__).parent.parent / "sample_media"


@pytest.mark.parametrize(("last_s", "outside"), [(100.0, 2), (25.0, 3), (float("inf"), 2)])
def test_additions_outside_a_recording(last_s: float, outside: int) -> None:
    at_s = np.array([-40.0, -30.0, -20.0, -10.0, 10.0, 20.0, 30.0])
    steps = Delivery("steps", at_s, np.array([0.0, 2.0, 2.0, 3.0, 4.0, 5.0, 6.0]))
    assert steps.additions_outside(last_s) == outside
    assert Delivery.at_constant_rate(4.0).additions_outside(last_s) == 0


def _films(folder: Path, log: str, more: str = "") -> Path:
    """The sample film with another log, or more in the table of the delivery."""
    shutil.copy(SAMPLES / "mill-spring.mp4", folder)
    (folder / "mill-spring-volumes.csv").write_text(log)
    text = (SAMPLES / "mill-spring.toml").read_text("utf-8")
    record = folder / "mill-spring.toml"
    record.write_text(text.replace('mode = "steps"', f'mode = "steps"\n{more}'))
    return record


LOG = (SAMPLES / "mill-spring-volumes.csv").read_text("utf-8")


def test_a_log_that_begins_before_the_film_is_asked_about(tmp_path: Path) -> None:
    result = endpoint.analyse(_films(tmp_path, LOG, "clock_offset_s = -62"))
    assert result.status == "none"
    assert result.equivalence is None
    (told,) = [sentence for sentence in result.reasons if sentence.code == "clocks-apart"]
    assert "clock_offset_s" in told.advice


@pytest.mark.parametrize("shift_s", [20, 75])
def test_a_log_that_runs_beyond_the_film_is_asked_about(tmp_path: Path, shift_s: int) -> None:
    with pytest.raises(DeliveryProblem, match="recording ends") as asked:
        endpoint.analyse(_films(tmp_path, LOG, f"clock_offset_s = {shift_s}"))
    assert "clock_offset_s" in asked.value.remedy


def test_a_number_is_kept_and_the_doubt_remarked(tmp_path: Path) -> None:
    """Two first drops were given before the camera ran: no fault, and the clock may be right."""
    head, *rows = LOG.split()
    later = [f"{row.split(',')[0]},{float(row.split(',')[1]) + 0.06:.3f}" for row in rows]
    early = ["-20,0.00", "-15,0.03", "-10,0.06"]
    result = endpoint.analyse(_films(tmp_path, "\n".join([head, *early, *later])))
    assert result.status == "located"
    assert "clocks-apart" in {remark.code for remark in result.remarks}


def test_a_stated_difference_brings_both_together(tmp_path: Path) -> None:
    head, *rows = LOG.split()
    moved = [f"{float(row.split(',')[0]) + 100.0:.2f},{row.split(',')[1]}" for row in rows]
    log = "\n".join([head, *moved])
    with pytest.raises(DeliveryProblem, match="recording ends"):
        endpoint.analyse(_films(tmp_path, log))
    here = endpoint.analyse(_films(tmp_path, log, "clock_offset_s = -100")).equivalence
    there = endpoint.analyse(SAMPLES / "mill-spring.toml")
    assert here is not None
    assert there.equivalence is not None
    assert not {remark.code for remark in there.remarks} & {"clocks-apart"}
    # A frame at the edge of a pause may fall to the other side of it by rounding.
    assert here.value_ml == pytest.approx(there.equivalence.value_ml, abs=0.001)
