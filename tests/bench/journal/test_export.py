"""Runs of the bench: the same result live, from the journal, and from an export."""

from __future__ import annotations

import csv
import datetime
import json
import shutil
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from platformdirs.unix import Unix

from calibration.certificate import Certificate, write_certificate
from calibration.problem import Problem
from calibration.quantity import Quantity
from endpoint.analysis.pipeline import analyse, of_pictures
from endpoint.bench.journal.events import (
    Correction,
    Event,
    Finding,
    Note,
    PumpRate,
    Reading,
    RegionSeen,
    RunHead,
    Still,
    Undo,
)
from endpoint.bench.journal.export import default_journal, export
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.run_record import done_in, run_head
from endpoint.bench.journal.seen_events import region_of, region_seen
from endpoint.colour.density import ColourSample
from endpoint.colour.table import colours_csv, samples_of
from endpoint.files.toml_text import toml_text
from endpoint.problems import JournalProblem, OutputProblem, RecordProblem, SourceProblem
from endpoint.recording.colours import read_colours
from endpoint.recording.frame import ArrayFrame, Frame, SourceInfo
from endpoint.result.document import document
from endpoint.scene.camera_shift import scene
from endpoint.scene.region import Region, locate
from tests.bench.journal.test_journal import samples
from tests.command import located
from tests.command import run as run_command
from tests.drawn_bench import Bench, draw
from tests.kept_runs import inputs_in, result_in
from tests.live_titration import RECORD, Titration, head, pumped, stepwise
from tests.places import BENCH, ROOT
from tests.shared import made_once

FRAME_S = 0.5
FOUND = (
    "status",
    "equivalence_ml",
    "midpoint_ml",
    "last_red_ml",
    "hardness",
    "budget",
    "quantities",
)


def keep(journal: RunJournal, titration: Titration, events: list[Event], run_of: RunHead) -> int:
    """A run with the colours of a titration and what was typed."""
    run = journal.begin(run_of)
    for event in events:
        journal.append(run, event)
    for sample in titration.samples(0.0, titration.end_s, FRAME_S):
        journal.append(run, sample)
    journal.flush()
    return run


def typed(titration: Titration, start_ml: float = 0.0) -> list[Event]:
    log = titration.delivery
    pairs = zip(log.time_s.tolist(), log.volume_ml.tolist(), strict=True)
    return [Reading(time_s, round(start_ml + ml, 2)) for time_s, ml in pairs]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Runs by hand (1), by hand with slips (2), with a pump (3, 4), and an empty one (5)."""
    return made_once(tmp_path_factory, "kept-runs", _keep_runs) / "journal.sqlite"


def _keep_runs(folder: Path) -> None:
    steps, pump = stepwise(), pumped()
    slip = typed(steps, start_ml=1.30)
    with RunJournal.open(folder / "journal.sqlite") as journal:
        one = keep(journal, steps, [*typed(steps), Still(2.0, b"\xff\xd8"), Note("cloudy")], head())
        journal.append(one, Still(200.0, b"\xff\xd8\xff"))
        journal.append(one, Finding("located", document(result_in(journal, one), {})))
        run = keep(journal, steps, [], head(label="Slips"))
        numbers = [journal.append(run, event) for event in slip[:8]]
        late = slip[8]
        assert isinstance(late, Reading)
        wrong = journal.append(run, Reading(late.time_s - 4.0, 49.0))
        journal.append(run, Undo(wrong))
        journal.append(run, Correction(numbers[3], 2.34))
        taken = journal.append(run, Correction(numbers[3], slip[3].burette_ml))  # type: ignore[union-attr]
        journal.append(run, Undo(journal.append(run, Undo(taken))))
        for event in slip[8:]:
            journal.append(run, event)
        keep(journal, pump, [PumpRate(5.0, 4.0)], head(label="Pump"))
        pause: list[Event] = [PumpRate(5.0, 4.0), PumpRate(405.0, 0.0), PumpRate(410.0, 4.0)]
        keep(journal, pump, pause, head(label="Pump with a pause"))
        journal.begin(head(label="Nothing yet"))


@pytest.fixture(scope="module")
def exported(kept: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[[int], Path]:
    """Folder of a run as the command exports it; nobody may write into it."""

    def folder_of(run: int) -> Path:
        def make(folder: Path) -> None:
            got = run_command("runs", "--journal", kept, "export", run, folder / "out")
            assert got.exit_code == 0, got.output

        return made_once(tmp_path_factory, f"export-of-run-{run}", make) / "out"

    return folder_of


@pytest.mark.parametrize("run", [1, 2, 3, 4])
def test_locate_on_an_export_gives_the_same_numbers(
    kept: Path, exported: Callable[[int], Path], run: int
) -> None:
    with RunJournal.open(kept, writing=False) as journal:
        events = journal.events(run)
        live = result_in(journal, run)
    written = json.loads((exported(run) / "result.json").read_text("utf-8"))
    again, from_journal = located(exported(run) / "record.toml"), document(live, {})
    for name in FOUND:
        assert again[name] == written[name] == from_journal[name], name
    assert again["equivalence_ml"]["value"] == pytest.approx(25.0, abs=0.06)
    assert again["hardness"]["mmol_l"]["value"] == pytest.approx(2.5, abs=0.01)
    assert again["inputs"] == from_journal["inputs"]
    assert again["frames"]["in_recording"] == sum(isinstance(k.event, ColourSample) for k in events)


def test_slips_that_were_put_right_leave_nothing_but_their_trace(
    kept: Path, exported: Callable[[int], Path]
) -> None:
    with RunJournal.open(kept, writing=False) as journal:
        right, slips = result_in(journal, 1), result_in(journal, 2)
    folder = exported(2)
    assert right.equivalence is not None
    assert slips.equivalence == right.equivalence
    told = json.loads((folder / "events.json").read_text("utf-8"))
    assert [row["kind"] for row in told].count("undo") == 3
    assert [row["burette_ml"] for row in told if row["kind"] == "correction"] == [
        2.34,
        stepwise().delivery.volume_ml[3] + 1.30,
    ]
    record = tomllib.loads((folder / "record.toml").read_text("utf-8"))
    assert record["ware"]["first_reading_ml"] == 1.3


def test_each_undo_and_correction_of_the_slips_counts(kept: Path) -> None:
    with RunJournal.open(kept, writing=False) as journal:
        events = journal.events(2)
    undos = [k for k, kept_event in enumerate(events) if isinstance(kept_event.event, Undo)]
    corrections = [
        k for k, kept_event in enumerate(events) if isinstance(kept_event.event, Correction)
    ]
    done_in(head(), events)
    # Without the first undo a reading of 49 mL stands; without the last one, or without the second
    # correction, the first correction does.
    for left_out in (undos[0], undos[2], corrections[1]):
        with pytest.raises(Problem, match="less than the one before"):
            done_in(head(), [*events[:left_out], *events[left_out + 1 :]])


def test_pictures_come_with_their_volumes(exported: Callable[[int], Path]) -> None:
    folder = exported(1)
    rows = list(csv.DictReader((folder / "stills.csv").read_text("utf-8").splitlines()))
    volume = float(stepwise().delivery.volume_at(200.0))
    assert [(row["file"], float(row["volume_ml"])) for row in rows] == [
        ("still-00000.jpg", 0.0),
        ("still-00001.jpg", volume),
    ]
    assert (folder / "stills" / "still-00001.jpg").read_bytes() == b"\xff\xd8\xff"
    from rocrate.rocrate import ROCrate

    described = {entity.id for entity in ROCrate(str(folder)).data_entities}
    assert {"record.toml", "colours.csv", "events.json", "stills/still-00001.jpg"} <= described


def test_the_list_of_runs(kept: Path) -> None:
    got = run_command("runs", "--journal", kept)
    assert got.exit_code == 0
    lines = got.output.splitlines()
    assert lines[0] == str(kept)
    assert lines[1].split() == [
        "run",
        "day",
        "replicate",
        "status",
        "equivalence",
        "volume",
        "label",
    ]
    words = lines[2].split()
    assert [*words[3:5], words[6], words[8]] == ["1", "located", "±", "mL"]
    assert float(words[5]) == pytest.approx(25.0, abs=0.05)
    # Half of the 95 % interval of the result, as every other screen tells it.
    with RunJournal.open(kept, writing=False) as journal:
        result = journal.runs()[0].result
    assert result is not None
    low, high = result["equivalence_ml"]["interval95"]
    assert float(words[7]) == pytest.approx(0.5 * (high - low), rel=0.05)
    assert lines[-1] == "The equivalence volume is given with its 95 % interval."
    assert lines[2].endswith("Well 3, north field")
    assert ["unfinished" in line for line in lines[3:7]] == [True] * 4
    data = json.loads(run_command("runs", "--journal", kept, "--json", "-").stdout)
    assert [row["status"] for row in data["runs"]] == ["located", *["unfinished"] * 4]
    assert data["runs"][0]["equivalence_ml"]["value"] == pytest.approx(25.0, abs=0.05)
    assert data["runs"][1]["equivalence_ml"] is None


def test_a_run_without_additions_is_exported_and_says_why_there_is_no_result(
    kept: Path, tmp_path: Path
) -> None:
    got = run_command("runs", "export", 5, tmp_path, "--journal", kept)
    assert got.exit_code == 0
    assert "no result: No titrant has been delivered" in got.output
    assert not (tmp_path / "result.json").exists()
    again = run_command("locate", tmp_path / "record.toml")
    assert again.exit_code == 2
    assert "volumes.csv has no rows" in again.output


def test_what_cannot_be_listed_or_exported_is_said(kept: Path, tmp_path: Path) -> None:
    for arguments, said in (
        (("runs", "--journal", tmp_path / "no.sqlite"), "There is no journal"),
        (("runs", "--journal", kept, "export", "9", tmp_path / "a"), "has no run 9"),
        (("runs", "--journal", kept, "export", "x", tmp_path / "a"), "not a valid integer"),
        (("runs", "--journal", kept, "export", "1", kept), "is a file"),
        (("runs", "--journal", kept, "export", "1", kept.parent), "is not empty"),
    ):
        got = run_command(*arguments)
        assert got.exit_code == 2, got.output
        assert said in got.output
    assert not list(tmp_path.iterdir())


@pytest.mark.usefixtures("undrawn")
def test_an_export_is_written_over_only_if_wanted(kept: Path, tmp_path: Path) -> None:
    with RunJournal.open(kept, writing=False) as journal:
        assert export(journal, 1, tmp_path).pictures == 2
        with pytest.raises(OutputProblem, match=r"not empty.*--replace"):
            export(journal, 3, tmp_path)
        done = export(journal, 5, tmp_path, replace_old=True)
        assert done.result is None
        assert not (tmp_path / "result.json").exists()
        # Pictures of the run before would be taken for those of this one.
        assert not (tmp_path / "stills").exists()
        other = tmp_path / "other"
        other.mkdir()
        (other / "notes.txt").write_text("mine")
        with pytest.raises(OutputProblem, match="not empty"):
            export(journal, 1, other, replace_old=True)


@pytest.mark.parametrize(
    ("data_home", "folder"),
    [
        (None, "/home/ada/.local/share"),
        ("", "/home/ada/.local/share"),
        ("/data", "/data"),
        ("relative", "/home/ada/.local/share"),
    ],
)
def test_default_journal_is_in_the_data_folder_of_the_user(
    monkeypatch: pytest.MonkeyPatch, data_home: str | None, folder: str
) -> None:
    # On every system as on Linux.
    monkeypatch.setattr(platformdirs, "PlatformDirs", Unix)
    monkeypatch.setenv("HOME", "/home/ada")
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    if data_home is not None:
        monkeypatch.setenv("XDG_DATA_HOME", data_home)
    assert default_journal() == Path(folder) / "endpoint" / "journal.sqlite"


# The head of a run: a record with the files that it names.


@pytest.mark.usefixtures("undrawn")
def test_a_head_holds_the_certificates_so_that_an_export_needs_nothing_else(
    tmp_path: Path,
) -> None:
    samples_of_bench = BENCH
    place = tmp_path / "gone"
    place.mkdir()
    for kind, sheet, name in (
        ("glassware", "burette-b2.toml", "burette.json"),
        ("titrant", "edta-caco3.toml", "edta.json"),
    ):
        got = run_command("calibrate", kind, samples_of_bench / sheet, "--out", place / name)
        assert got.exit_code == 0, got.output
    table = {
        **RECORD,
        "titrant": {"certificate": "edta.json"},
        "ware": {"burette": "burette.json", "pipette": "A"},
        "recording": {"video": "not-there.mp4"},
        "certificates": {"accept": ["*"]},
    }
    table["certificates"] = {
        "accept": [json.loads((place / n).read_text())["id"] for n in ("edta.json", "burette.json")]
    }
    made = run_head(table, place, today=datetime.date(2026, 11, 25), replicate=2)
    assert (made.label, made.replicate) == ("Well 3, north field", 2)
    assert set(made.files) == {"titrant-certificate.json", "ware-burette.json"}
    for path in place.iterdir():
        path.unlink()
    titration = stepwise()
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = keep(journal, titration, typed(titration), made)
        done = export(journal, run, tmp_path / "out")
        live = document(result_in(journal, run), {})
    assert done.why_not is None
    data = located(tmp_path / "out" / "record.toml")
    for name in (*FOUND, "certificates"):
        assert data[name] == live[name], name
    assert {row["purpose"] for row in data["certificates"]} == {"titrant", "burette"}


@pytest.mark.usefixtures("undrawn")
def test_several_standardisations_and_an_indicator_travel_with_a_run(tmp_path: Path) -> None:
    place = tmp_path / "gone"
    place.mkdir()
    for day, factor in (("2026-11-20", 0.01), ("2026-11-30", 0.0102)):
        certificate = Certificate(
            identifier=f"EDTA {day}",
            kind="titrant",
            what="EDTA",
            date=datetime.date.fromisoformat(day),
            expiry=None,
            operator="KT",
            quantities={
                "concentration": Quantity.measured(factor, "mol/L", 1e-5, f"EDTA {day}: titres")
            },
        )
        write_certificate(certificate, place / f"edta-{day}.json")
    names = sorted(path.name for path in place.iterdir())
    own = ROOT / "endpoint" / "chemistry" / "indicator_files" / "eriochrome-black-t.toml"
    shutil.copy(own, place / "own.toml")
    table = {
        **RECORD,
        "sample": {**RECORD["sample"], "date": "2026-11-25"},
        "titrant": {"certificates": names},
        "indicator": {"file": "own.toml"},
    }
    made = run_head(table, place, today=datetime.date(2026, 11, 25))
    assert len(made.files) == 3
    for path in place.iterdir():
        path.unlink()
    titration = stepwise()
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = keep(journal, titration, typed(titration), made)
        done = export(journal, run, tmp_path / "out")
    assert done.why_not is None
    assert done.result is not None
    live = document(done.result, {})
    data = located(tmp_path / "out" / "record.toml")
    for name in (*FOUND, "certificates"):
        assert data[name] == live[name], name
    # Half way between the two days, and both are named.
    assert {row["id"] for row in data["certificates"]} == {"EDTA 2026-11-20", "EDTA 2026-11-30"}
    titrant = next(line for line in data["budget_inputs"] if line["name"] == "titrant")
    assert titrant["value"] == pytest.approx(0.0101, abs=1e-6)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"titrant": {"certificate": "nowhere.json"}}, "cannot be read"),
        ({"titrant": {"certificates": ["nowhere.json", "neither.json"]}}, "cannot be read"),
        ({"method": {"certificate": "nowhere.json"}}, "cannot be read"),
        (
            {"calcium": {"titre_ml": 9.2, "by": "EGTA", "certificate": "nowhere.json"}},
            "cannot be read",
        ),
        ({"delivery": {"mode": "steps", "clock_offset_s": 2.0}}, "one clock"),
        ({"sample": {"volume_ml": -1.0}}, "outside"),
        ({"extra": {"a": 1}}, "extra is not known"),
        ({"delivery": {"mode": "sideways"}}, "delivery.mode"),
    ],
)
def test_a_record_that_cannot_be_used_is_refused_before_the_run(
    tmp_path: Path, change: dict[str, Any], said: str
) -> None:
    with pytest.raises(RecordProblem, match=said):
        run_head({**RECORD, **change}, tmp_path, today=datetime.date(2026, 11, 25))


def test_days_and_numbers_of_a_toml_record_survive(tmp_path: Path) -> None:
    table = {**RECORD, "sample": {"volume_ml": 100.0, "date": datetime.date(2026, 11, 20)}}
    made = run_head(table, tmp_path, today=datetime.date(2026, 11, 25))
    assert made.record["sample"]["date"] == "2026-11-20"
    undated = run_head(
        {**table, "sample": {"volume_ml": 100}}, tmp_path, today=datetime.date(2026, 11, 25)
    )
    days = []
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        for opened in (made, undated):
            run = journal.begin(opened)
            for event in typed(stepwise()):
                journal.append(run, event)
            days.append(inputs_in(journal, run).day)
    assert days == [datetime.date(2026, 11, 20), datetime.date(2026, 11, 25)]


values = st.recursive(
    st.one_of(
        st.text(st.characters(exclude_categories=["Cs"])),
        st.integers(-(2**62), 2**62),
        st.floats(allow_nan=False, allow_infinity=False),
        st.booleans(),
        st.dates(),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text("aä .\"'"), inner)
    ),
    max_leaves=6,
)


@settings(max_examples=60)
@given(st.dictionaries(st.text(), values, max_size=4))
def test_a_table_comes_back_from_its_toml(table: dict[str, Any]) -> None:
    assert tomllib.loads(toml_text(table)) == {k: v for k, v in table.items() if v != {}}


# Tables of colours.


@given(st.lists(samples, min_size=2, max_size=5))
def test_colours_come_back_from_their_table_to_the_last_bit(
    tmp_path_factory: pytest.TempPathFactory, rows: list[ColourSample]
) -> None:
    def within(value: tuple[float, float, float], top: float) -> tuple[float, float, float]:
        a, b, c = (abs(v) % top for v in value)
        return a, b, c

    path = tmp_path_factory.getbasetemp() / "colours.csv"
    tamed = [
        replace(
            row,
            index=row.index % 10**9,
            time_s=float(k) / 3.0,
            density=within(row.density, 3.0),
            display_density=within(row.display_density, 3.0),
            density_sigma=within(row.density_sigma, 1.0),
            reference=within(row.reference, 1.0),
            spread=abs(row.spread) % 1.0,
            pose=replace(row.pose, **{n: abs(v) % 1e3 for n, v in row.pose.__dict__.items()}),
        )
        for k, row in enumerate(rows)
    ]
    path.write_text(colours_csv(tamed), encoding="utf-8")
    assert list(samples_of(read_colours(path))) == tamed


GOOD = colours_csv(list(stepwise().samples(0.0, 10.0, 1.0)))


def read(text: str, folder: Path) -> None:
    path = folder / "colours.csv"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    read_colours(path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("density_red", "density_rot", "column density_rot, which is not known"),
        ("display_blue", "display_green", "two columns display_green"),
        ("sigma_red,", "", "no column|has 16 cells"),
        ("\n2,2.0,", "\n2,0.5,", "Row 4 of colours.csv has 0.5 s after 1 s"),
        ("\n2,2.0,", "\n2,zwei,", 'Row 4 of colours.csv has "zwei" for time_s'),
        ("\n2,2.0,", "\n2,nan,", "not a finite number"),
        ("\n2,2.0,", "\n2,,", "Row 4 of colours.csv has no time_s"),
        (",0.6,0.6,0.6,0.01,", ",0.6,-1,0.6,0.01,", "has -1 for reference_green"),
        (
            ",0.01,\n",
            ",0.01,dark clippd\n",
            "flag clippd, which is not known. Did you mean clipped",
        ),
        (GOOD[GOOD.index("\n1,") :], "\n", "fewer than two rows"),
        (GOOD, "", "has no rows"),
    ],
)
def test_a_damaged_table_of_colours_is_said(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(SourceProblem, match=said):
        read(GOOD.replace(old, new, 1), tmp_path)


@settings(max_examples=150)
@given(st.integers(0, len(GOOD)), st.integers(0, 40), st.text(max_size=6))
def test_any_damage_ends_in_a_sentence_or_in_a_table(
    tmp_path_factory: pytest.TempPathFactory, where: int, length: int, text: str
) -> None:
    try:
        read(GOOD[:where] + text + GOOD[where + length :], tmp_path_factory.getbasetemp())
    except SourceProblem as problem:
        assert problem.sentence
        assert problem.remedy


def test_a_record_of_colours_needs_a_delivery_on_the_same_clock(tmp_path: Path) -> None:
    (tmp_path / "colours.csv").write_text(GOOD)
    (tmp_path / "volumes.csv").write_text("time_s,volume_ml\n5000,0\n5010,1\n")
    record = tmp_path / "record.toml"
    tables = {**RECORD, "recording": {"colours": "colours.csv"}}
    record.write_text(toml_text({**tables, "delivery": {"log": "volumes.csv", "mode": "steps"}}))
    for text, said in (
        (record.read_text(), "on one clock"),
        (toml_text({**tables, "delivery": {}}), "delivery needs exactly one of"),
        (record.read_text().replace("colours.csv", "gone.csv"), "does not exist"),
        (record.read_text().replace('colours = "', 'colour = "'), "Did you mean colours"),
    ):
        record.write_text(text)
        got = run_command("locate", record)
        assert got.exit_code == 2, got.output
        assert said in got.output
        record.write_text(
            toml_text({**tables, "delivery": {"log": "volumes.csv", "mode": "steps"}})
        )


# The same colours live and from the journal, through real pictures.


class Drawing:
    """Frames of a drawn bench as a source."""

    def __init__(self, frames: list[ArrayFrame]) -> None:
        self._frames = frames
        first = frames[0]
        self.info = SourceInfo("synthetic", "", first.width, first.height, 300.0, len(frames))

    def frames(self) -> Any:
        return iter(self._frames)

    def sample(self, count: int) -> list[Frame]:
        return list(self._frames[:: max(1, len(self._frames) // count)])

    def close(self) -> None:
        pass


@pytest.fixture(scope="module")
def drawn() -> tuple[Drawing, Region]:
    frames = draw(Bench(width=320, height=240), 50).frames
    return Drawing(frames), locate(frames[::3])


def test_what_follows_live_is_what_the_journal_gives_back(
    drawn: tuple[Drawing, Region], tmp_path: Path
) -> None:
    source, region = drawn
    readings: list[Event] = [Reading(6.0 * k, 0.5 * k) for k in range(50)]
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = journal.begin(head())
        for event in readings:
            journal.append(run, event)
        job = inputs_in(journal, run)
        live = of_pictures(
            source,
            job,
            region=region,
            on_sample=lambda sample: (journal.append(run, sample), None)[1],
        )
        again = result_in(journal, run)
    assert live.curve is not None
    assert again.curve is not None
    assert len(live.curve) > 10
    for name in ("volume_ml", "density", "density_sigma", "signal", "sigma", "frame_flags", "rgb"):
        assert np.array_equal(getattr(live.curve, name), getattr(again.curve, name)), name
    assert (again.status, again.equivalence) == (live.status, live.equivalence)
    assert again.reasons == live.reasons


def test_a_region_comes_back_whole(drawn: tuple[Drawing, Region], tmp_path: Path) -> None:
    source, region = drawn
    assert region.guide is not None
    # A drawn bench is too plain to be known again: edges of a rough wall stand in.
    wall = scene(np.random.default_rng(3).random((72, 96, 3)).astype(np.float32))
    assert wall is not None
    kept = region_of(region_seen(replace(region, scene=wall))).scene
    assert kept is not None
    assert all(np.array_equal(a, b) for a, b in zip(kept.tiles, wall.tiles, strict=True))
    assert (kept.shape, kept.corners) == (wall.shape, wall.corners)
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        run = journal.begin(head())
        journal.append(run, region_seen(region))
        for reading in typed(stepwise()):
            journal.append(run, reading)
    with RunJournal.open(tmp_path / "j.sqlite") as journal:
        (event,) = [k.event for k in journal.events(run, ["region"])]
        job = inputs_in(journal, run)
    assert isinstance(event, RegionSeen)
    back = region_of(event)
    assert back.liquid_outline == region.liquid_outline
    first = analyse(source, job, region=region, every_frame=True)
    second = analyse(source, job, region=back, every_frame=True)
    assert first.curve is not None
    assert second.curve is not None
    assert np.array_equal(first.curve.density, second.curve.density)
    assert np.array_equal(first.curve.frame_flags, second.curve.frame_flags)


@pytest.mark.parametrize("data", [b"", b"PK", b"\x93NUMPY\x01\x00" + bytes(40)])
def test_a_region_that_is_damaged_is_said(drawn: tuple[Drawing, Region], data: bytes) -> None:
    event = region_seen(drawn[1])
    for bad in (RegionSeen(event.about, data), RegionSeen({}, event.mask), RegionSeen({}, b"")):
        with pytest.raises(JournalProblem, match="region"):
            region_of(bad)
    moved = RegionSeen({**event.about, "liquid_box": [0, 0, 5, 5]}, event.mask)
    with pytest.raises(JournalProblem, match="region"):
        region_of(moved)


def test_a_flipped_bit_of_a_region_gives_a_region_or_a_sentence(
    drawn: tuple[Drawing, Region],
) -> None:
    event = region_seen(drawn[1])
    rng = np.random.default_rng(3)
    ends = np.r_[0:200, len(event.mask) - 600 : len(event.mask)]
    said = 0
    for place in (*ends, *rng.integers(len(event.mask), size=400)):
        damaged = bytearray(event.mask)
        damaged[place] ^= 1 << int(rng.integers(8))
        try:
            region_of(RegionSeen(event.about, bytes(damaged)))
        except JournalProblem:
            said += 1
    assert said > 200
