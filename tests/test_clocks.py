"""A log and a film whose clocks are a minute apart: refused, and asked for the difference."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

import endpoint
from endpoint.delivery import Delivery

SAMPLES = Path(__file__).parent.parent / "sample_media"


@pytest.mark.parametrize(("last_s", "outside"), [(100.0, 2), (25.0, 3), (float("inf"), 2)])
def test_additions_outside_a_recording(last_s: float, outside: int) -> None:
    at_s = np.array([-40.0, -30.0, -20.0, -10.0, 10.0, 20.0, 30.0])
    steps = Delivery("steps", at_s, np.array([0.0, 2.0, 2.0, 3.0, 4.0, 5.0, 6.0]))
    assert steps.additions_outside(last_s) == outside
    assert Delivery.at_constant_rate(4.0).additions_outside(last_s) == 0


@pytest.mark.parametrize("shift_s", [-62.0, 0.0, 20.0, 75.0])
def test_clocks_apart_are_asked_for(tmp_path: Path, shift_s: float) -> None:
    """By a few seconds nothing shows it but a remark that some additions lie outside."""
    for name in ("mill-spring.mp4", "mill-spring-volumes.csv"):
        shutil.copy(SAMPLES / name, tmp_path / name)
    text = (SAMPLES / "mill-spring.toml").read_text("utf-8")
    record = tmp_path / "mill-spring.toml"
    record.write_text(text.replace('mode = "steps"', f'mode = "steps"\nclock_offset_s = {shift_s}'))
    result = endpoint.analyse(record)
    told = [sentence for sentence in result.reasons if sentence.code == "clocks-apart"]
    if shift_s == 0.0:
        assert result.status == "located"
        assert not told
    elif shift_s == 20.0:
        assert "clocks-apart" in {sentence.code for sentence in result.remarks}
    else:
        assert result.status == "none"
        assert result.equivalence is None
        assert "clock_offset_s" in told[0].advice
