"""The description of an output folder, read by a library that is not ours."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from endpoint.report.crate import CRATE, write_crate
from endpoint.result.document import programs
from tests.command import run
from tests.places import ROOT

SAMPLE = ROOT / "sample_media" / "quarry-pond.toml"


def crate_of(folder: Path) -> Any:
    """The folder as that library reads it; to import it takes half a second."""
    from rocrate.rocrate import ROCrate

    return ROCrate(str(folder))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Output of `locate` for a table of a photometer."""
    out = tmp_path_factory.mktemp("crate") / "Quarry pond, 2nd"
    assert run("locate", SAMPLE, "--out", out).exit_code == 0
    return out


def test_another_library_reads_it(folder: Path) -> None:
    crate = crate_of(folder)
    assert crate.metadata.id == CRATE
    assert crate.version == "1.1"
    assert str(crate.name).startswith("Titration: ")
    assert crate.datePublished is not None
    listed = {entity.id for entity in crate.data_entities}
    held = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert listed == held - {CRATE}
    for entity in crate.data_entities:
        content = (folder / entity.id).read_bytes()
        assert entity["sha256"] == hashlib.sha256(content).hexdigest()
        assert int(entity["contentSize"]) == len(content)


def test_it_tells_what_made_the_result_of_what(folder: Path) -> None:
    crate = crate_of(folder)
    (action,) = crate.get_by_type("CreateAction")
    assert action["instrument"]["name"] == "endpoint"
    assert [one.id for one in action["result"]] == ["result.json"]
    inputs = {one["description"]: one for one in action["object"]}
    assert inputs["Recording"]["name"] == "quarry-pond.csv"
    table = SAMPLE.with_suffix(".csv").read_bytes()
    assert inputs["Recording"]["sha256"] == hashlib.sha256(table).hexdigest()
    assert inputs["Record"]["sha256"] == hashlib.sha256(SAMPLE.read_bytes()).hexdigest()


def test_it_names_the_certificates_that_the_result_used(tmp_path: Path) -> None:
    for name in ("quarry-pond.toml", "quarry-pond.csv"):
        shutil.copy(SAMPLE.with_name(name), tmp_path)
    sheet = ROOT / "sample_media" / "bench" / "edta-caco3.toml"
    assert run("calibrate", "titrant", sheet, "--out", tmp_path / "edta.json").exit_code == 0
    record = tmp_path / "quarry-pond.toml"
    lines = record.read_text("utf-8").splitlines()
    kept = [line for line in lines if "_mol_l" not in line]
    kept.insert(kept.index("[titrant]") + 1, 'certificate = "edta.json"')
    record.write_text("\n".join(kept), encoding="utf-8")
    found = run("locate", record, "--out", tmp_path / "out")
    assert found.exit_code == 0, found.stderr
    (action,) = crate_of(tmp_path / "out").get_by_type("CreateAction")
    inputs = {one["description"]: one for one in action["object"]}
    certificate = inputs["Certificate: titrant"]
    assert certificate["name"] == "edta.json"
    written = (tmp_path / "edta.json").read_bytes()
    assert certificate["sha256"] == hashlib.sha256(written).hexdigest()


def test_an_export_without_a_result_names_the_program(tmp_path: Path) -> None:
    (tmp_path / "events.json").write_text("[]")
    write_crate(tmp_path, "Well", programs())
    (action,) = crate_of(tmp_path).get_by_type("CreateAction")
    assert action["instrument"]["name"] == "endpoint"
    assert [one.id for one in action["result"]] == ["./"]


def test_a_folder_without_a_result_and_with_odd_names(tmp_path: Path) -> None:
    (tmp_path / "stills").mkdir()
    (tmp_path / "stills" / "50 % (a) ü.jpg").write_bytes(b"picture")
    write_crate(tmp_path, 'Well "3"', None)
    (entity,) = crate_of(tmp_path).data_entities
    assert entity["name"] == "stills/50 % (a) ü.jpg"
    graph = json.loads((tmp_path / CRATE).read_text("utf-8"))["@graph"]
    assert not [one for one in graph if one["@type"] == "CreateAction"]


def test_writing_again_describes_the_new_files(folder: Path) -> None:
    before = json.loads((folder / CRATE).read_text("utf-8"))
    assert run("locate", SAMPLE, "--out", folder).exit_code == 0
    after = json.loads((folder / CRATE).read_text("utf-8"))
    names = [[one["@id"] for one in each["@graph"]] for each in (before, after)]
    assert names[0] == names[1]
