"""A live run beyond its finish, and values that are questioned, refused or remembered."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from calibration.problem import Problem
from endpoint.bench.journal.export import export
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.journal.readings import readings_of
from endpoint.bench.live.form import setting_from
from endpoint.bench.live.run import LiveRun
from endpoint.bench.live.session import LiveSession
from endpoint.bench.live.volumes import Readings
from endpoint.bench.web.page_state import curve_of_session, state_of_session
from endpoint.bench.web.protocol import ProtocolProblem, parse_command
from endpoint.problems import DeliveryProblem, RecordProblem, Unsure
from endpoint.recording.frame import ArrayFrame
from tests.bench_scene import ADDITIONS, FORM_VALUES, PAUSE_S, TRUE_ML, frames, ready, titrate

UPTO = ADDITIONS.index(8.2)
"""Additions of a run that stops early."""


@pytest.fixture(scope="module")
def film() -> list[ArrayFrame]:
    return frames()


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[RunJournal]:
    with RunJournal.open(tmp_path / "journal.sqlite") as opened:
        yield opened


def kept_in(journal: RunJournal) -> OpenRun:
    return OpenRun(journal, datetime.date(2026, 11, 25), program="test", source="drawn")


def run_of(session: LiveSession) -> LiveRun:
    assert session.run is not None
    return session.run


def found(document: dict[str, object] | None) -> object:
    assert document is not None
    return {name: document[name] for name in ("status", "equivalence_ml", "hardness", "budget")}


def exported(journal: RunJournal, run: int, folder: Path) -> object:
    export(journal, run, folder, replace_old=True)
    return found(json.loads((folder / "result.json").read_text("utf-8")))


def run_on(session: LiveSession, film: list[ArrayFrame], from_s: float, shift_s: float) -> float:
    """Show the rest of the film, its clock moved, with its readings."""
    entered = UPTO
    for frame in film:
        if frame.time_s < from_s:
            continue
        while entered < len(ADDITIONS) and frame.time_s >= 4.0 + PAUSE_S * entered - 1e-9:
            at_s = 4.0 + PAUSE_S * entered - 0.001 + shift_s
            session.running().reading(ADDITIONS[entered], at_s)
            entered += 1
        session.see(ArrayFrame(frame.index, frame.time_s + shift_s, frame.pixels))
    return film[-1].time_s + shift_s


@pytest.mark.usefixtures("undrawn")
def test_page_and_export_give_the_same_numbers_after_everything(
    film: list[ArrayFrame], journal: RunJournal, tmp_path: Path
) -> None:
    """Finished early, looked at, gone on with, corrected wrongly, undone: always one result."""
    session = ready(film, journal=kept_in(journal))
    stopped_s = titrate(session, film, upto=UPTO)
    session.finish(stopped_s)
    early = found(session.document)
    # Pictures that come while the result is shown: here a flask that is emptied.
    for k in range(40):
        session.see(ArrayFrame(1000 + k, stopped_s + 0.2 * (k + 1), film[0].pixels))
    assert exported(journal, 1, tmp_path / "out") == early
    run = run_of(session)
    run.go_on(stopped_s + 10.0)
    assert session.phase == "titrating"
    assert journal.runs()[0].status == "unfinished"
    from_s = 4.0 + PAUSE_S * UPTO
    last_s = run_on(session, film, from_s, stopped_s + 10.2 - from_s)
    session.finish(last_s)
    late = found(session.document)
    assert exported(journal, 1, tmp_path / "out") == late
    assert session.document is not None
    low, high = session.document["equivalence_ml"]["interval95"]
    assert low - 0.01 < TRUE_ML < high + 0.01
    run.correct(8, ADDITIONS[8] + 0.04)
    wrong = found(session.document)
    assert wrong != late
    assert exported(journal, 1, tmp_path / "out") == wrong
    run.undo()
    assert found(session.document) == late
    assert [r.burette_ml for r in readings_of(journal.events(1))] == list(ADDITIONS)
    assert [entry.status for entry in journal.runs()] == ["located"]


def test_a_run_that_is_discarded_teaches_and_counts_nothing(
    film: list[ArrayFrame], journal: RunJournal
) -> None:
    session = ready(film, journal=kept_in(journal))
    region = session.view.region
    assert region is not None
    now_s = 0.0
    for _ in range(2):
        moved = [ArrayFrame(f.index, f.time_s + now_s, f.pixels) for f in film]
        session.view.look_at(region)
        begun, entered = False, 1
        for frame in moved:
            at_s = frame.time_s - now_s
            if not begun and at_s >= 3.0:
                session.begin(FORM_VALUES, frame.time_s)
                begun = True
            while begun and entered < len(ADDITIONS) and at_s >= 4.0 + PAUSE_S * entered:
                session.running().reading(ADDITIONS[entered], frame.time_s - 0.001)
                entered += 1
            session.see(frame)
        now_s = frame.time_s + 1.0
        session.finish(now_s)
        if len(journal.runs()) == 1:
            session.again()
    curve = curve_of_session(session)
    assert [(r["run"], r["replicate"]) for r in curve["replicates"]] == [(1, 1), (2, 2)]
    assert "mean of 2 titrations" in curve["mean"]
    assert "agree within" in curve["mean"]
    assert [entry.head.replicate for entry in journal.runs()] == [1, 2]
    run_of(session).discard("a drop fell beside the flask")
    curve = curve_of_session(session)
    assert [r["status"] for r in curve["replicates"]] == ["located", "discarded"]
    assert (curve["mean"], curve["discarded"]) == ("", "a drop fell beside the flask")
    assert [r.run for r in session.classroom.replicates] == [1]
    with pytest.raises(RecordProblem, match="discarded"):
        run_of(session).go_on(now_s + 1.0)
    run_of(session).take_back()
    assert "mean of 2 titrations" in curve_of_session(session)["mean"]
    assert [r.run for r in session.classroom.replicates] == [1, 2]
    session.again()
    assert "first_reading_ml" not in session.form
    assert curve_of_session(session)["last_reading_ml"] == ADDITIONS[-1]


def begun(film: list[ArrayFrame], **form: object) -> LiveSession:
    session = ready(film)
    for frame in film[:20]:
        session.see(frame)
    session.begin({**FORM_VALUES, **form}, 4.0)
    return session


def volumes_of(session: LiveSession) -> Readings:
    volumes = run_of(session).volumes
    assert isinstance(volumes, Readings)
    return volumes


def test_a_reading_that_the_burette_cannot_show_is_refused(film: list[ArrayFrame]) -> None:
    session = begun(film, burette_nominal_ml=25.0, first_reading_ml=1.0)
    acts: tuple[Callable[[], None], ...] = (
        lambda: session.running().reading(30.0, 5.0),
        lambda: session.running().refill(1.0, 30.0, 5.0),
        lambda: session.running().correct(0, 25.5),
    )
    for act in acts:
        with pytest.raises(DeliveryProblem, match="not between 0 and 25 mL"):
            act()
    with pytest.raises(RecordProblem, match="not on a burette of 25 mL") as caught:
        setting_from({**FORM_VALUES, "burette_nominal_ml": 25.0, "first_reading_ml": 30.0})
    assert caught.value.field == "first_reading_ml"


def test_a_jump_is_questioned_once(film: list[ArrayFrame]) -> None:
    session = begun(film)
    with pytest.raises(Unsure, match=r"20\.00 mL more than the last"):
        session.running().reading(20.0, 5.0, sure=False)
    assert session.delivered_ml(6.0) == 0.0
    session.running().reading(20.0, 6.0, sure=True)
    session.running().reading(25.0, 7.0, sure=False)
    assert session.delivered_ml(8.0) == 25.0
    command = parse_command('{"do": "reading", "ml": 20, "sure": true}')
    assert command.values == {"ml": 20.0, "sure": True}
    with pytest.raises(ProtocolProblem):
        parse_command('{"do": "undo", "sure": true}')


def test_a_start_with_a_fault_is_questioned_once(film: list[ArrayFrame]) -> None:
    session = ready(film)
    blue = film[-1].pixels
    for k in range(30):
        session.see(ArrayFrame(k, 0.2 * k, blue))
    with pytest.raises(Unsure, match="blue already"):
        session.begin(FORM_VALUES, 6.0, sure=False)
    assert session.phase == "set-up"
    session.begin(FORM_VALUES, 6.0, sure=True)
    assert session.phase == "titrating"


def test_a_refill_goes_on_and_can_be_taken_back(film: list[ArrayFrame]) -> None:
    session = begun(film, burette_nominal_ml=25.0, first_reading_ml=10.0)
    session.running().reading(14.0, 5.0)
    session.running().refill(14.5, 0.2, 6.0)
    session.running().reading(1.2, 8.0)
    assert session.delivered_ml(9.0) == pytest.approx(5.5)
    rows = volumes_of(session).to_json()
    assert [row["volume_ml"] for row in rows] == [0.0, 4.0, 4.5, 4.5, 5.5]
    assert [row["refill"] for row in rows] == [False, False, False, True, False]
    # A reading is corrected between the neighbours of its own filling.
    session.running().correct(3, 0.3)
    assert session.delivered_ml(9.0) == pytest.approx(5.4)
    with pytest.raises(DeliveryProblem, match="neighbours"):
        session.running().correct(3, 1.3)
    assert volumes_of(session).undo_words == "the correction of reading 3"
    for _ in range(2):
        session.running().undo()
    assert volumes_of(session).undo_words == "the refill, 0.20 mL"
    session.running().undo()
    assert session.delivered_ml(9.0) == pytest.approx(4.5)
    with pytest.raises(DeliveryProblem, match="full burette shows a small reading"):
        session.running().refill(14.5, 20.0, 9.0)
    assert session.delivered_ml(9.0) == pytest.approx(4.5)


def test_a_pump_is_held_started_again_and_slowed(film: list[ArrayFrame]) -> None:
    session = ready(film)
    for frame in film[:20]:
        session.see(frame)
    session.begin({**FORM_VALUES, "mode": "pump", "rate_ml_min": 6.0}, 4.0)
    run = session.running()
    run.pump(True, 10.0)
    run.pump(False, 40.0)
    run.pump_rate(2.0, 45.0)
    run.pump(True, 50.0)
    run.pump_rate(1.0, 80.0)
    assert session.delivered_ml(140.0) == pytest.approx(3.0 + 1.0 + 1.0)
    told = state_of_session(session, 140.0, operator=True)["volumes"]
    assert told == {
        "kind": "pump",
        "rate_ml_min": 1.0,
        "start_s": 10.0,
        "running": True,
        "undo": "the rate of 1 mL/min",
    }
    with pytest.raises(RecordProblem, match="running already"):
        run.pump(True, 141.0)
    run.undo()
    assert session.delivered_ml(140.0) == pytest.approx(3.0 + 3.0)


def test_the_form_is_remembered_but_for_the_start_reading(
    film: list[ArrayFrame], journal: RunJournal
) -> None:
    first = ready(film, journal=kept_in(journal))
    form = {**FORM_VALUES, "first_reading_ml": 3.4, "analyst": "A. Berg", "temperature_c": 22.0}
    first.begin(form, 4.0)
    second = ready(film, journal=kept_in(journal))
    assert second.form == {k: v for k, v in form.items() if k != "first_reading_ml"}


def test_what_the_form_states_is_in_the_record(film: list[ArrayFrame]) -> None:
    session = begun(
        film,
        analyst="A. Berg",
        temperature_c=22.0,
        blank_ml=0.05,
        blank_uncertainty_ml=0.01,
        indicator="Hydroxynaphthol blue",
    )
    assert session.keeper.head is not None
    record = session.keeper.head.record
    assert record["sample"]["analyst"] == "A. Berg"
    assert record["blank"] == {"volume_ml": 0.05, "standard_uncertainty_ml": 0.01}
    assert record["ware"]["temperature_c"] == 22.0
    assert record["indicator"] == {"name": "Hydroxynaphthol blue"}


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"lag_s": None}, "lag_s"),
        ({"sample_ml": None}, "sample_ml"),
        ({"titrant_mol_l": None}, "titrant_mol_l"),
        ({"mode": "pump"}, "rate_ml_min"),
        ({"mode": "meniscus"}, "first_reading_ml"),
        ({"blank_uncertainty_ml": 0.01}, "blank_ml"),
        ({"titrant_uncertainty_mol_l": 0.009}, "titrant_uncertainty_mol_l"),
        ({"burette_nominal_ml": 12.0}, "burette"),
        ({"indicator": "Beetroot"}, "indicator"),
        ({"pipette_certificate": "not-there.json"}, "pipette_certificate"),
        ({"titrant_certificate": "not-there.json"}, "titrant_certificate"),
    ],
)
def test_what_is_wrong_is_said_in_words_with_its_field(
    film: list[ArrayFrame], change: dict[str, object], field: str
) -> None:
    form = {k: v for k, v in {**FORM_VALUES, **change}.items() if v is not None}
    session = ready(film)
    with pytest.raises(Problem) as caught:
        session.begin(form, 4.0)
    assert caught.value.field == field
    # No key of a record: two words with a dot, or with an underscore.
    assert not re.search(r"\b[a-z]+\.[a-z]+_|[a-z]_[a-z]", str(caught.value)), caught.value
    assert session.phase == "set-up"


def test_certificates_of_a_folder_can_be_chosen(film: list[ArrayFrame], tmp_path: Path) -> None:
    from tests.command import run as run_command
    from tests.places import BENCH

    for kind, sheet in (("glassware", "burette-b2.toml"), ("titrant", "edta-caco3.toml")):
        out = tmp_path / sheet.replace(".toml", ".json")
        got = run_command("calibrate", kind, BENCH / sheet, "--out", out)
        assert got.exit_code == 0, got.output
    (tmp_path / "other.json").write_text("{}", encoding="utf-8")
    session = ready(film, certificates=tmp_path)
    offered = {(c.file, c.purpose) for c in session.offered}
    assert offered == {("burette-b2.json", "burette"), ("edta-caco3.json", "titrant")}
    form = {k: v for k, v in FORM_VALUES.items() if k != "titrant_mol_l"}
    form |= {"titrant_certificate": "edta-caco3.json", "burette_certificate": "burette-b2.json"}
    session.begin(form, 4.0)
    assert session.keeper.head is not None
    assert set(session.keeper.head.files) == {"titrant-certificate.json", "ware-burette.json"}
