"""Records that name another indicator, through the command line."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from endpoint.chemistry.indicator_file import named_indicator
from endpoint.cli import main
from sample_media.film_files import write_home_film
from sample_media.home_films import home_film
from tests.command import located
from tests.indicator_plans import titrate

RECORD = """format = 1
[sample]
label = "Quarry seep"
volume_ml = 100.0
added_ml = 5.0
[titrant]
concentration_mol_l = 0.0100
standard_uncertainty_mol_l = 0.00002
[recording]
photometer = "rows.csv"
"""


def record(folder: Path, name: str, seed: int, table: str = "") -> tuple[Path, float]:
    """Photometer rows at the bands of an indicator, and the true equivalence volume."""
    indicator = named_indicator(name)
    bound, free = indicator.bound, indicator.free
    run = titrate(indicator, seed, forms=(np.array([0.7, 0.2, 0.1]), np.array([0.2, 0.9, 0.1])))
    rows = [f"volume_ml,A{bound.band_nm:g},A{free.band_nm:g}"]
    rows += [
        f"{v:.3f},{d[0]:.5f},{d[1]:.5f}"
        for v, d in zip(run.curve.volume_ml, run.curve.density, strict=True)
    ]
    (folder / "rows.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    path = folder / "record.toml"
    table = table or f'[indicator]\nname = "{name}"\n'
    path.write_text(RECORD + table, encoding="utf-8")
    return path, run.equivalence_ml


@pytest.mark.parametrize(
    ("name", "metals"),
    [("Xylenol orange", {"zinc": "ZnY"}), ("Murexide", {"calcium": "CaY"})],
)
def test_provenance_states_the_constants_of_the_indicator_used(
    tmp_path: Path, name: str, metals: dict[str, str]
) -> None:
    path, _ = record(tmp_path, name, 1501)
    stem = name.lower().replace(" ", "-")
    text = (files("endpoint.chemistry") / "indicator_files" / f"{stem}.toml").read_text()
    table = tomllib.loads(text)["metals"]
    assert set(table) == set(metals)
    (metal,) = metals
    expected = f"log K {metals[metal]} {table[metal]['log_k_edta']}; pKa set fifield-kealey;"
    said = located(path)["provenance"]["edta_constants"]
    assert said.startswith(expected)
    assert "MgY" not in said


def test_provenance_of_a_metal_from_a_file_of_its_own(tmp_path: Path) -> None:
    shipped = files("endpoint.chemistry") / "indicator_files" / "xylenol-orange.toml"
    own = shipped.read_text(encoding="utf-8").replace("[metals.zinc]", "[metals.lead]")
    own = own.replace("log_k_edta = 16.50", "log_k_edta = 18.04")
    (tmp_path / "lead.toml").write_text(own, encoding="utf-8")
    path, _ = record(tmp_path, "Xylenol orange", 1501, '[indicator]\nfile = "lead.toml"\n')
    said = located(path)["provenance"]["edta_constants"]
    assert said == "log K PbY 18.04; pKa set fifield-kealey; fitted shift stated"


@pytest.mark.parametrize("name", ["Murexide", "Calconcarboxylic acid", "Xylenol orange"])
def test_photometer_rows_with_another_indicator(tmp_path: Path, name: str) -> None:
    path, truth = record(tmp_path, name, 1501)
    found = located(path)
    volume = found["equivalence_ml"]
    # Four standard uncertainties: a true one is outside in 1 of 16,000 cases.
    assert abs(volume["value"] - truth) < 4.0 * volume["standard_uncertainty"] + 0.002
    assert found["titrated"] == named_indicator(name).titrated
    assert found["amount_mmol_l"]["value"] == pytest.approx(0.1 * volume["value"])
    assert (found["hardness"] is None) == (name == "Xylenol orange")
    assert found["inputs"]["indicator"] == name


def test_the_same_from_a_file_beside_the_record(tmp_path: Path) -> None:
    text = (files("endpoint.chemistry") / "indicator_files" / "murexide.toml").read_text("utf-8")
    (tmp_path / "own.toml").write_text(text.replace("Murexide", "Own dye"), encoding="utf-8")
    by_name = located(record(tmp_path, "Murexide", 1502)[0])
    by_file = located(record(tmp_path, "Murexide", 1502, '[indicator]\nfile = "own.toml"\n')[0])
    assert by_file["equivalence_ml"] == by_name["equivalence_ml"]
    assert by_file["inputs"]["indicator"] == "Own dye"


def test_calcium_alone_is_called_calcium_hardness(tmp_path: Path) -> None:
    path, _ = record(tmp_path, "Murexide", 1503)
    said = " ".join(CliRunner().invoke(main, ["locate", str(path)]).output.split())
    assert "Calcium hardness" in said
    assert "last pink" in said
    assert "hydroxide, which burns skin" in said
    assert "mmonia" not in said


@pytest.mark.parametrize(
    ("table", "word"),
    [
        ('[indicator]\nname = "Murexid"\n', "Murexide"),
        ('[indicator]\nfile = "gone.toml"\n', "gone.toml"),
        ('[indicator]\nname = "EBT"\nfile = "a.toml"\n', "exactly one"),
        ('[indicator]\nname = "Murexide"\n[calcium]\ntitre_ml = 5.0\n', "[calcium]"),
    ],
)
def test_wrong_tables_are_told(tmp_path: Path, table: str, word: str) -> None:
    path, _ = record(tmp_path, "Murexide", 1504, table)
    answer = CliRunner().invoke(main, ["locate", str(path)])
    assert answer.exit_code == 2
    assert word in answer.stderr
    assert len(answer.stderr.strip().splitlines()) == 2


@pytest.mark.parametrize("family", ["other-red-blue", "other-hue"])
def test_rendered_films_of_other_indicators(tmp_path: Path, family: str) -> None:
    film = home_film(family, 1501)
    film = replace(film, recipe=replace(film.recipe, width=240, height=136, frames_s=2.0))
    found = located(write_home_film(film, tmp_path / family))
    truth = json.loads((tmp_path / family / "truth.json").read_text("utf-8"))
    low, high = found["equivalence_ml"]["interval95"]
    assert low - 0.02 < truth["equivalence_ml"] < high + 0.02
    assert abs(found["equivalence_ml"]["value"] - truth["equivalence_ml"]) < 0.05
