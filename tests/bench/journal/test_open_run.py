"""The journal as the live session speaks to it."""

from __future__ import annotations

import datetime
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from endpoint.bench.journal.events import RunHead
from endpoint.bench.journal.export import export, rebuilt
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import SessionJournal
from endpoint.bench.journal.reconstruct import delivered, readings_of
from endpoint.problems import JournalProblem
from endpoint.recording.frame import Box
from endpoint.scene.region import Region
from tests.bench.journal.test_journal import full_disk
from tests.live_titration import RECORD, Titration, pumped, stepwise

TODAY = datetime.date(2026, 11, 20)
BY_HAND = {**RECORD, "recording": {"video": "recording.mp4"}}
PUMP = {**BY_HAND, "delivery": {"rate_ml_min": 4.0, "mixing_lag_s": 1.5}}


def colours(port: SessionJournal, titration: Titration, start_s: float, stop_s: float) -> None:
    for sample in titration.samples(start_s, stop_s, 0.5):
        port.append("colour", {**asdict(sample), "flags": int(sample.flags)})


def test_a_run_by_hand_is_kept_broken_off_and_gone_on_with(tmp_path: Path) -> None:
    titration = stepwise()
    rows = list(zip(titration.delivery.time_s.tolist(), titration.delivery.volume_ml, strict=True))
    half = len(rows) // 2
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        port = SessionJournal(journal, TODAY, source="camera")
        name = port.begin({"record": BY_HAND, "form": {"first_reading_ml": 1.3}})
        port.append("begin", {"time_s": 0.0})
        for time_s, ml in rows[1:half]:
            port.append("reading", {"time_s": time_s, "reading_ml": ml + 1.3})
        port.append("reading", {"time_s": rows[half][0] - 5.0, "reading_ml": 48.0})
        port.append("undo", {"time_s": rows[half][0] - 4.0})
        port.append("correction", {"time_s": rows[half][0], "row": 2, "reading_ml": 6.0})
        port.append(
            "correction", {"time_s": rows[half][0], "row": 2, "reading_ml": rows[2][1] + 1.3}
        )
        colours(port, titration, 0.0, rows[half][0])
        port.append("clock", {"time_s": 3.0, "jump_s": 3600.0})
        port.append("verdict", {"time_s": 3.0, "status": "none"})
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        port = SessionJournal(journal, TODAY)
        (told,) = port.unfinished()
        assert told["run"] == name
        assert told["form"] == {"first_reading_ml": 1.3}
        assert told["record"]["sample"]["label"] == RECORD["sample"]["label"]
        back = port.resume(name)
        kinds = [event["kind"] for event in back]
        assert 100 < kinds.count("colour") < told["events"]
        readings = [e["reading_ml"] for e in back if e["kind"] == "reading"]
        assert readings == pytest.approx([ml + 1.3 for _, ml in rows[:half]])
        assert {"clock", "verdict"} < set(kinds)
        assert kinds[-1] == "resumed"
        # Rows go on where they were.
        port.append("correction", {"row": 1, "reading_ml": rows[1][1] + 1.3})
        for time_s, ml in rows[half:]:
            port.append("reading", {"time_s": time_s, "reading_ml": ml + 1.3})
        colours(port, titration, rows[half][0], titration.end_s)
        run = journal.unfinished()[0].run
        assert len(readings_of(journal.events(run))) == len(rows)
        result = rebuilt(journal, run)
        assert result.equivalence is not None
        assert result.equivalence.value_ml == pytest.approx(25.0, abs=0.02)
        port.end({"status": "located", "equivalence_ml": {"value": 25.0}})
        assert port.unfinished() == []
        assert [entry.status for entry in journal.runs()] == ["located"]


def test_a_pump_that_is_stopped_is_exported(tmp_path: Path) -> None:
    titration = pumped()
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        port = SessionJournal(journal, TODAY)
        port.begin({"record": PUMP})
        port.append("begin", {"time_s": 0.0})
        port.append("pump", {"time_s": 5.0, "run": True})
        colours(port, titration, 0.0, titration.end_s)
        port.append("pump", {"time_s": titration.end_s, "run": False})
        done = delivered(journal.events(1))
        assert done.delivery.volume_at([titration.end_s])[0] == pytest.approx(26.2)
        made = export(journal, 1, tmp_path / "out")
        assert made.result is not None
        assert made.result.equivalence is not None
        assert made.result.equivalence.value_ml == pytest.approx(25.0, abs=0.1)


def test_replicates_of_one_sample_are_numbered(tmp_path: Path) -> None:
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        port = SessionJournal(journal, TODAY)
        ends: list[dict[str, Any] | None] = [{"status": "located"}, None, {"status": "none"}]
        for end in ends:
            port.begin({"record": BY_HAND})
            port.end(end)
        port.begin({"record": BY_HAND})
        heads: list[RunHead] = [entry.head for entry in journal.runs()]
    assert [head.replicate for head in heads] == [1, 2, 2, 3]


def test_region_and_pictures_go_with_the_run(tmp_path: Path) -> None:
    region = Region(
        width=8,
        height=6,
        liquid_box=Box(1, 1, 4, 3),
        liquid_mask=np.ones((2, 3), dtype=bool),
        reference_box=Box(5, 0, 7, 2),
        reference_mask=np.ones((2, 2), dtype=bool),
        liquid_by_hand=True,
        reference_by_hand=False,
        confidence=0.5,
        change=0.25,
        liquid_outline=((1, 1), (4, 3)),
        level=0.5,
    )
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        port = SessionJournal(journal, TODAY)
        assert not port.wants_still(0.0)
        name = port.begin({"record": BY_HAND})
        assert port.kept_region() is None
        port.keep_region(region)
        assert port.wants_still(0.0)
        port.keep_still(0.0, b"\xff\xd8")
        assert not port.wants_still(0.5)
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        port = SessionJournal(journal, TODAY)
        port.resume(name)
        back = port.kept_region()
        assert back is not None
        assert (back.liquid_box, back.reference_box) == (region.liquid_box, region.reference_box)
        assert np.array_equal(back.liquid_mask, region.liquid_mask)
        assert (back.guide, back.scene, back.level) == (None, None, 0.5)
        assert not port.wants_still(0.5)


def test_a_run_begins_on_a_full_disk_and_is_written_later(tmp_path: Path) -> None:
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        port = SessionJournal(journal, TODAY)
        full_disk(journal, True)
        port.begin({"record": BY_HAND, "form": {"label": "x" * 9000}})
        port.append("begin", {"time_s": 0.0})
        port.append("reading", {"time_s": 5.0, "reading_ml": 2.0})
        with pytest.raises(JournalProblem, match="disk is full"):
            port.flush()
        assert len(journal.events(1)) == 3
        full_disk(journal, False)
        port.flush()
        port.append("verdict", {"status": "none", "left_ml": float("nan")})
        port.end({"status": "none", "equivalence_ml": np.float64("inf")})
    with RunJournal.open(tmp_path / "j.sqlite", writing=False) as journal:
        assert [entry.status for entry in journal.runs()] == ["none"]
        assert journal.runs()[0].result == {"status": "none", "equivalence_ml": None}
        assert len(journal.events(1)) == 5


def test_what_cannot_be_done_is_said(tmp_path: Path) -> None:
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        port = SessionJournal(journal, TODAY)
        with pytest.raises(JournalProblem, match="No run is open"):
            port.end(None)
        port.append("page", {"time_s": 0.0, "open": False})
        assert journal.runs() == []
        with pytest.raises(JournalProblem, match="not open"):
            port.resume("7")
        name = port.begin({"record": BY_HAND})
        with pytest.raises(JournalProblem, match="no reading in row"):
            port.append("undo", {"time_s": 0.0})
        port.append("begin", {"time_s": 0.0})
        for row in (1, -1, 99):
            with pytest.raises(JournalProblem, match="no reading in row"):
                port.append("correction", {"row": row, "reading_ml": 1.0})
        port.end(None)
        with pytest.raises(JournalProblem, match="not open"):
            port.resume(name)
        assert [entry.status for entry in journal.runs()] == ["given-up"]
