"""Hardness from titres read by eye: arithmetic, what cancels, parts, back titration, refusals."""

from __future__ import annotations

import datetime
import json
import math
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from calibration.problem import Problem
from endpoint.analysis.by_eye import EyeResult, work_out
from endpoint.cli import main
from endpoint.hardness.units import M_CACO3
from endpoint.problems import RecordProblem
from endpoint.record.by_eye import parse_eye_record
from endpoint.result.by_eye import eye_document, eye_text
from tests.places import BENCH

TODAY = datetime.date(2026, 11, 20)
TABLE: dict[str, Any] = {
    "format": 1,
    "sample": {"label": "Well", "volume_ml": 100.0},
    "titrant": {"concentration_mol_l": 0.01, "standard_uncertainty_mol_l": 0.00002},
    "eye": {
        "titres_ml": [12.40, 12.45, 12.35],
        "analyst": "KT",
        "error_ml": 0.05,
        "error_standard_uncertainty_ml": 0.03,
    },
}
WARE = {
    "burette": {"nominal_ml": 50, "class": "A", "division_ml": 0.1, "name": "B2"},
    "pipette": {"nominal_ml": 50, "class": "A", "name": "P1"},
}


def worked(folder: Path = Path(), **tables: Any) -> EyeResult:
    table = {**TABLE, **tables}
    kept = {key: value for key, value in table.items() if value is not None}
    return work_out(parse_eye_record(kept, "well.toml", folder), TODAY)


def test_direct_titration() -> None:
    result = worked(blank={"volume_ml": 0.05, "standard_uncertainty_ml": 0.02})
    assert result.hardness.mmol_l.value == pytest.approx(0.01 * (12.40 - 0.05 - 0.05) * 10.0)
    relative = {
        "titrant: concentration": 0.002,
        "end read by eye: KT, Eriochrome Black T": 0.03 / 12.30,
        "Well: scatter of the titres": 0.05 / math.sqrt(3.0) / 12.30,
        "blank": 0.02 / 12.30,
    }
    value = result.hardness.mmol_l.value
    parts = result.hardness.mmol_l.contributions
    assert {n: abs(c.value) / value for n, c in parts.items()} == pytest.approx(relative)
    assert parts["Well: scatter of the titres"].degrees_of_freedom == 2.0


def test_ware_is_shared_by_all_titres_and_fillings_are_not_counted_twice() -> None:
    result = worked(ware=WARE)
    value = result.hardness.mmol_l.value
    parts = result.hardness.mmol_l.contributions
    u_ml = 0.05 / math.sqrt(6.0)
    # Shared by all titres: no division by the square root of their number.
    burette = abs(parts["burette B2: calibration"].value)
    assert burette / value == pytest.approx(u_ml / 12.35, rel=1e-6)
    # Two deliveries of one pipette: its calibration counts twice.
    assert abs(parts["pipette P1: calibration"].value) / value == pytest.approx(2 * u_ml / 100.0)
    assert not any("filling" in name or "reading" in name for name in parts)


def by_eye(folder: Path, analyst: str, error: bool = True) -> EyeResult:
    eye: dict[str, object] = {"titres_ml": [24.90, 24.95, 24.92], "analyst": analyst}
    if error:
        eye |= {"error_ml": 0.02, "error_standard_uncertainty_ml": 0.03}
    return worked(folder, titrant={"certificate": "edta-caco3.json"}, eye=eye, ware=WARE)


def test_the_end_error_cancels_for_one_person_and_not_for_two(tmp_path: Path) -> None:
    shutil.copy(BENCH / "edta-caco3.toml", tmp_path)
    made = CliRunner().invoke(main, ["calibrate", "titrant", str(tmp_path / "edta-caco3.toml")])
    assert made.exit_code == 0, made.stderr
    same, other = by_eye(tmp_path, "MR"), by_eye(tmp_path, "KT")
    value = same.hardness.mmol_l.value
    name = "end read by eye: {}, Eriochrome Black T"
    titre = same.net_titre_ml.value
    standard = (24.97 + 25.01 + 24.98) / 3 - 0.02 - 0.04
    left = same.hardness.mmol_l.contributions[name.format("MR")].value / value
    assert left == pytest.approx(0.03 * (1.0 / standard - 1.0 / titre), rel=0.02)
    assert abs(left) < 1e-5
    parts = other.hardness.mmol_l.contributions
    both = [abs(parts[name.format(who)].value) / value for who in ("MR", "KT")]
    assert both == pytest.approx([0.03 / standard, 0.03 / titre], rel=1e-3)
    assert (
        other.hardness.mmol_l.standard_uncertainty > 1.2 * same.hardness.mmol_l.standard_uncertainty
    )


def test_one_person_with_two_errors_is_refused(tmp_path: Path) -> None:
    shutil.copy(BENCH / "edta-caco3.toml", tmp_path)
    CliRunner().invoke(main, ["calibrate", "titrant", str(tmp_path / "edta-caco3.toml")])
    with pytest.raises(Problem, match="Two different sources") as caught:
        by_eye(tmp_path, "MR", error=False)
    assert "MR" in caught.value.sentence


def test_calcium_and_magnesium_of_the_textbook() -> None:
    # Skoog, West, Holler, Crouch, Fundamentals of Analytical Chemistry: 570.5, 350.5, 185.3.
    result = worked(
        sample={"label": "Water", "volume_ml": 50.0},
        titrant={"concentration_mol_l": 0.01205},
        eye={"titres_ml": [23.65, 23.65], "error_ml": 0.0, "error_standard_uncertainty_ml": 0.0},
        calcium={"titre_ml": 14.53},
    )
    (split,) = result.splits
    assert split.total.value * M_CACO3 == pytest.approx(570.5, abs=0.1)
    assert split.part.value * M_CACO3 == pytest.approx(350.5, abs=0.1)
    assert split.rest is not None
    assert split.rest.value * 84.313 == pytest.approx(185.3, abs=0.1)


def test_impossible_readings_warn_and_give_no_negative_number() -> None:
    # Worked answer that calls these readings an error: total 10, permanent 80, temporary -70.
    result = worked(
        eye={"titres_ml": [1.0, 1.0], "error_ml": 0.0, "error_standard_uncertainty_ml": 0.01},
        boiled={"titre_ml": 8.0},
    )
    (split,) = result.splits
    assert split.rest is None
    assert "are impossible" in split.warnings[0]
    shown = " ".join(eye_text(result).split())
    assert "are impossible" in shown
    assert "-70" not in shown
    assert eye_document(result)["parts"][0]["temporary"] is None


def test_back_titration() -> None:
    back = {"edta_ml": 25.0, "metal_mol_l": 0.0100, "metal_standard_uncertainty_mol_l": 1e-5}
    result = worked(
        eye={"titres_ml": [10.00, 10.02, 9.98], "error_ml": 0.0,
             "error_standard_uncertainty_ml": 0.02},
        back_titration=back,
    )  # fmt: skip
    assert result.hardness.mmol_l.value == pytest.approx((0.25 - 0.10) / 100.0 * 1000.0)
    parts = result.hardness.mmol_l.contributions
    # dH/dc = V/Vs with the sign of each side; 1000 for mmol.
    assert parts["titrant: concentration"].value == pytest.approx(25.0 * 2e-5 * 10.0)
    assert parts["metal solution: concentration"].value == pytest.approx(-10.0 * 1e-5 * 10.0)
    with pytest.raises(RecordProblem, match="more metal"):
        worked(eye={"titres_ml": [26.0, 26.0]}, back_titration=back)
    with pytest.raises(RecordProblem, match="blank"):
        worked(back_titration=back, blank={"volume_ml": 0.05})


def test_an_error_that_is_not_stated_is_said() -> None:
    result = worked(eye={"titres_ml": [12.4, 12.4], "analyst": "KT"})
    assert any("not stated" in remark for remark in result.remarks)
    parts = result.hardness.mmol_l.contributions
    relative = parts["end read by eye: KT, Eriochrome Black T"].value / result.hardness.mmol_l.value
    assert abs(relative) == pytest.approx(0.05 / 12.4)


def test_one_titre_needs_earlier_ones() -> None:
    with pytest.raises(RecordProblem, match="one titre"):
        worked(eye={"titres_ml": [12.4]})
    earlier = {"standard_deviation_ml": 0.04, "titrations": 12}
    result = worked(eye={**TABLE["eye"], "titres_ml": [12.4]}, repeatability=earlier)
    scatter = result.net_titre_ml.contributions["Well: scatter of the titres"]
    assert (scatter.value, scatter.degrees_of_freedom) == pytest.approx((0.04, 11.0))


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({"eye": {"titres_ml": []}}, "eye.titres_ml"),
        ({"eye": {"titres_ml": [0.0124]}}, "0.0124"),
        ({"eye": {"titres_ml": [12.4, "12.5"]}}, "eye.titres_ml"),
        ({"eye": {"titres_ml": [12.4, 12.5], "error_ml": 0.1}}, "error_standard_uncertainty_ml"),
        ({"eye": {"titre_ml": [12.4, 12.5]}}, "eye.titre_ml"),
        ({"recording": {"video": "x.mp4"}}, "record of a recording"),
        ({"calcium": {"volume_ml": 50.0}}, "titre_ml or result"),
        ({"boiled": {"volume_ml": 50.0}}, "boiled.titre_ml"),
        ({"back_titration": {"edta_ml": 25.0}}, "metal_mol_l"),
        ({"repeatability": {"titrations": 3}}, "repeatability"),
        ({"sample": {"volume_ml": 100.0, "date": "20 Nov"}}, "sample.date"),
        ({"certificates": {"accept": "EDTA-7"}}, "certificates.accept"),
    ],
)
def test_bad_records_are_refused_by_key(tables: dict[str, Any], words: str) -> None:
    with pytest.raises(RecordProblem) as caught:
        worked(**tables)
    assert words in caught.value.sentence


def test_the_command_and_the_record_of_the_other_kind(tmp_path: Path) -> None:
    sheet = BENCH / "well-by-eye.toml"
    shown = CliRunner().invoke(main, ["hardness", str(sheet)])
    assert shown.exit_code == 0, shown.stderr
    assert shown.stdout.startswith("School well, by eye: Hardness 2.135")
    assert max(map(len, shown.stdout.splitlines())) <= 80
    data = json.loads(CliRunner().invoke(main, ["hardness", str(sheet), "--json", "-"]).stdout)
    assert math.fsum(line["share"] for line in data["budget"]) == pytest.approx(1.0)
    assert [set(part) - {"warnings"} for part in data["parts"]] == [
        {"calcium", "magnesium"},
        {"permanent", "temporary"},
    ]
    other = CliRunner().invoke(main, ["locate", str(sheet)])
    assert other.exit_code == 2
    assert "endpoint hardness" in other.stderr
