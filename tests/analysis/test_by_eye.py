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

from calibration.certificate import Certificate, write_certificate
from calibration.problem import Problem
from calibration.quantity import Quantity
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
    # The eye that read the blank is that of the titres: its error is in both.
    assert result.hardness.mmol_l.value == pytest.approx(0.01 * (12.40 - 0.05) * 10.0)
    relative = {
        "titrant: concentration": 0.002,
        "Well: scatter of the titres": 0.05 / math.sqrt(3.0) / 12.35,
        "blank": 0.02 / 12.35,
    }
    value = result.hardness.mmol_l.value
    parts = result.hardness.mmol_l.contributions
    assert {n: abs(c.value) / value for n, c in parts.items()} == pytest.approx(relative)
    assert parts["Well: scatter of the titres"].degrees_of_freedom == 2.0


def test_a_blank_by_the_same_eye_cancels_and_is_printed() -> None:
    shown = CliRunner().invoke(main, ["hardness", str(BENCH / "well-by-eye.toml")]).stdout
    text = " ".join(shown.split())
    assert "213.9 " in text
    assert "Blank subtracted: 0.040 ± 0.039 mL (95 %). It was read by the same eye" in text
    data = json.loads(
        CliRunner()
        .invoke(main, ["hardness", str(BENCH / "well-by-eye.toml"), "--json", "-"])
        .stdout
    )
    # 0.01003 mol/L (21.35 - 0.04) mL / 100 mL, with the ware at 20 °C.
    assert data["hardness"]["caco3_mg_l"]["value"] == pytest.approx(213.92, abs=0.01)
    assert data["blank_ml"]["value"] == 0.04
    without = worked()
    assert without.net_titre_ml.value == pytest.approx(12.35)
    assert "Blank" not in eye_text(without)


@pytest.mark.parametrize(
    "name",
    ["Calconcarboxylic acid", "murexide", "Xylenol orange", "calcon", "Calcein", "hydroxy-naphthol"
     " blue", "Patton & Reeder", "Eriochrome blue-black R", "Zincon", "HSN"],
)  # fmt: skip
def test_an_indicator_of_another_metal_is_refused(name: str) -> None:
    with pytest.raises(RecordProblem, match="not of calcium and magnesium together"):
        worked(eye={"titres_ml": [12.4, 12.5], "indicator": name})
    assert worked(eye={"titres_ml": [12.4, 12.5], "indicator": "Calmagite"}).splits == ()


@pytest.mark.parametrize("name", ["methyl orange", "Phenolphthalein", "Bromothymol-blue"])
def test_an_indicator_of_another_kind_of_titration_is_refused(name: str) -> None:
    with pytest.raises(RecordProblem, match="does not show metals"):
        worked(eye={"titres_ml": [12.4, 12.5], "indicator": name})


def test_an_indicator_that_the_program_does_not_know_is_remarked() -> None:
    def said(name: str) -> bool:
        result = worked(eye={**TABLE["eye"], "indicator": name})
        return f"does not know the indicator {name}" in " ".join(result.remarks)

    assert said("Wool dye 7")
    assert not said("EBT")
    assert not said("Calmagite")
    by_calmagite = " ".join(worked(eye={**TABLE["eye"], "indicator": "Calmagite"}).remarks)
    assert "Calmagite shows the end of calcium and magnesium together at pH 10" in by_calmagite
    assert "is not accounted for" in by_calmagite


def test_the_interval_of_three_titres_says_which_it_is_and_why() -> None:
    result = worked(blank={"volume_ml": 0.05, "standard_uncertainty_ml": 0.005})
    (said,) = (text for text in result.hardness.warnings if "Monte Carlo" in text)
    assert "The interval given is that of 200000 Monte Carlo draws" in said
    check = result.hardness.evaluation.monte_carlo
    assert check is not None
    first = result.hardness.mmol_l.expanded_uncertainty(0.95)
    percent = 100.0 * (1.0 - 2.0 * first / (check.high - check.low))
    assert f"First order makes it {percent:.0f} % narrower" in said
    assert "a scatter that 3 values show" in said


def test_carbonate_hardness_from_the_alkalinity() -> None:
    # The acid capacity is in mmol/L of acid: 1.60 mmol/L balances 0.80 mmol/L of calcium.
    sample = {"label": "Well", "volume_ml": 100.0, "alkalinity_mmol_l": 1.60,
              "alkalinity_standard_uncertainty_mmol_l": 0.02}  # fmt: skip
    (split,) = worked(sample=sample).splits
    assert split.rest is not None
    assert split.part.value == pytest.approx(0.80)
    assert split.rest.value == pytest.approx(1.235 - 0.80)
    assert split.part.standard_uncertainty == pytest.approx(0.01)
    text = eye_text(worked(sample=sample))
    assert "Carbonate: 0.80" in text
    assert "Non-carbonate: 0.43" in text
    (soda,) = worked(sample={**sample, "alkalinity_mmol_l": 4.0}).splits
    assert soda.part.value == pytest.approx(1.235)
    assert soda.rest is None
    assert "all of the hardness is carbonate" in soda.warnings[0]
    with pytest.raises(RecordProblem, match="alkalinity_mmol_l"):
        worked(sample={"volume_ml": 100.0, "alkalinity_standard_uncertainty_mmol_l": 0.02})


def test_carbonate_hardness_without_an_uncertainty_has_no_interval() -> None:
    result = worked(sample={"volume_ml": 100.0, "alkalinity_mmol_l": 1.60})
    text = " ".join(eye_text(result).replace("\u00a0", " ").split())
    assert "Carbonate: 0.800 mmol/L = 80.1 mg/L as CaCO3 (uncertainty not known)." in text
    assert "Non-carbonate: 0.435 mmol/L = 43.5 mg/L as CaCO3 (uncertainty not known)." in text
    assert "alkalinity (no uncertainty stated)" in result.missing
    (part,) = eye_document(result)["parts"]
    for name in ("carbonate", "non_carbonate"):
        assert part[name]["mmol_l"]["interval95"] is None
        assert part[name]["mmol_l"]["standard_uncertainty"] is None


def test_an_alkalinity_in_mg_l_is_noticed() -> None:
    with pytest.raises(RecordProblem, match="130") as caught:
        worked(sample={"volume_ml": 100.0, "alkalinity_mmol_l": 150})
    assert caught.value.remedy.endswith("divide by 50.04: alkalinity_mmol_l = 3.00")
    (split,) = worked(sample={"volume_ml": 100.0, "alkalinity_mmol_l": 60.0}).splits
    assert "50.04" in " ".join(split.warnings)
    (split,) = worked(sample={"volume_ml": 100.0, "alkalinity_mmol_l": 12.0}).splits
    assert "50.04" not in " ".join(split.warnings)


@pytest.mark.parametrize(
    ("key", "value", "line"),
    [
        ("pH", 9.2, "[conditions]: ph = 9.2"),
        ("temperature_c", 21.0, "[conditions]: temperature_c = 21.0"),
        ("minutes_since_buffer", 20, "[conditions]: minutes_since_buffer = 20"),
        ("iron_mg_l", 0.4, "[other_metals]: iron_mg_l = 0.4"),
        ("Cu", "0.05 mg/L", "[other_metals]: copper_mg_l = 0.05"),
        ("alkalinity_mg_l", 205, "[sample]: alkalinity_mmol_l = 4.10"),
    ],
)
def test_what_stands_in_the_wrong_table_gets_its_line(key: str, value: Any, line: str) -> None:
    with pytest.raises(RecordProblem, match="not known") as caught:
        worked(sample={"volume_ml": 100.0, key: value})
    assert line in caught.value.remedy


def test_a_solid_gives_its_content() -> None:
    # Eggshell: 0.5000 g dissolved, made up to 250 mL, of which 10 mL; all of it CaCO3 would need
    # 0.5 / 100.086 * 10 / 250 mol = 19.98 mL of 0.01 mol/L EDTA.
    titre = 0.5 / M_CACO3 * 10.0 / 250.0 / 0.01 * 1000.0
    solid = {"mass_g": 0.5, "mass_standard_uncertainty_g": 0.0002, "digest_ml": 250.0,
             "digest_standard_uncertainty_ml": 0.06}  # fmt: skip
    eye = {"titres_ml": [titre, titre], "error_ml": 0.0, "error_standard_uncertainty_ml": 0.0}
    result = worked(sample={"label": "Shell", "volume_ml": 10.0}, eye=eye, solid=solid)
    data = eye_document(result)["content"]
    assert data["mg/g as CaCO3"]["value"] == pytest.approx(1000.0)
    assert data["mg/g as calcium"]["value"] == pytest.approx(400.44, abs=0.01)
    assert "The solid holds" in eye_text(result)
    parts = result.content.evaluation.quantity.contributions if result.content else {}
    assert abs(parts["solid: mass"].value) == pytest.approx(9.9914 * 0.0004, rel=1e-3)
    ten = worked(
        sample={"label": "Shell", "volume_ml": 10.0}, eye=eye, solid={**solid, "dilution": 10.0}
    )
    assert eye_document(ten)["content"]["mg/g as CaCO3"]["value"] == pytest.approx(10_000.0)
    with pytest.raises(RecordProblem, match="mass_g and digest_ml"):
        worked(solid={"mass_g": 1.0})


def test_content_and_hardness_have_intervals_of_one_kind() -> None:
    # Two titres: Student's t with 1 degree of freedom, where first order and draws differ.
    eye = {"titres_ml": [12.40, 12.48], "error_ml": 0.0, "error_standard_uncertainty_ml": 0.0}
    exact = {"mass_standard_uncertainty_g": 0.0, "digest_standard_uncertainty_ml": 0.0}
    result = worked(eye=eye, solid={"mass_g": 2.0, "digest_ml": 250.0, "dilution": 10.0, **exact})
    data = eye_document(result)
    content, total = data["content"]["mmol/g"], data["hardness"]["mmol_l"]
    assert total["interval_from"] == content["interval_from"] == "Monte Carlo"
    # mmol/L times 0.250 L times 10 over 2 g; the ends of two runs of draws scatter by 2 %.
    half = 1.25 * total["expanded_uncertainty"]
    scaled = [1.25 * end for end in total["interval95"]]
    assert content["interval95"] == pytest.approx(scaled, abs=0.03 * half)
    assert abs(1.25 * total["first_order"]["expanded_uncertainty"] - half) > 0.05 * half


def test_a_badly_known_mass_makes_the_interval_of_the_content_lopsided() -> None:
    eye = {"titres_ml": [12.4, 12.4, 12.4], "error_ml": 0.0, "error_standard_uncertainty_ml": 0.0}
    solid = {"mass_g": 2.0, "mass_standard_uncertainty_g": 0.2, "digest_ml": 250.0,
             "digest_standard_uncertainty_ml": 0.06}  # fmt: skip
    found = eye_document(worked(eye=eye, solid=solid))["content"]["mmol/g"]
    # 1.24 mmol/L x 0.25 L over a normal mass of 2.0 g with 10 %: the ends are those of 1 / m.
    ends = [1.24 * 0.25 / (2.0 * (1.0 + sign * 0.196)) for sign in (1, -1)]
    assert found["interval95"] == pytest.approx(ends, rel=5e-3)


def test_more_than_the_whole_mass_of_a_solid_is_remarked() -> None:
    def said(titre: float) -> bool:
        solid = {"mass_g": 0.5, "digest_ml": 250.0}
        eye = {**TABLE["eye"], "titres_ml": [titre, titre]}
        result = worked(sample={"label": "Shell", "volume_ml": 10.0}, eye=eye, solid=solid)
        return "more than its whole mass" in " ".join(result.remarks)

    # 19.98 mL would be calcium carbonate alone.
    assert not said(19.98)
    assert said(20.98)


def test_what_is_said_of_the_flask_is_remarked() -> None:
    said = " ".join(
        worked(
            conditions={"ph": 9.2, "minutes_since_buffer": 20}, other_metals={"iron_mg_l": 0.4}
        ).remarks
    )
    assert "pH of 9.2 lies outside the 9.8 to 10.2" in said
    assert "error_ml" in said
    assert "20 minutes after the buffer" in said
    assert "iron, which can block the indicator" in said
    usual = worked(conditions={"minutes_since_buffer": 3}, other_metals={"iron_mg_l": 0.02})
    assert usual.remarks == worked().remarks


def test_a_large_blank_is_remarked() -> None:
    def said(blank_ml: float) -> bool:
        result = worked(blank={"volume_ml": blank_ml})
        return "of the titre, where a drop or two is usual" in eye_text(result, width=10_000)

    assert said(2.4)
    assert not said(0.1)


def test_calcium_alone_says_what_magnesium_hydroxide_does() -> None:
    by_alkali = worked(calcium={"titre_ml": 5.0})
    (said,) = by_alkali.splits[0].warnings
    assert "magnesium hydroxide" in said
    assert "EGTA" in said
    assert said in " ".join(eye_text(by_alkali, width=10_000).split())
    by_egta = worked(calcium={"titre_ml": 5.0, "by": "EGTA", "concentration_mol_l": 0.01})
    assert by_egta.splits[0].warnings == ()
    with pytest.raises(RecordProblem, match=r"calcium\.by"):
        worked(calcium={"titre_ml": 5.0, "by": "magic"})


def test_egta_has_a_concentration_of_its_own() -> None:
    with pytest.raises(RecordProblem, match="EGTA") as caught:
        worked(calcium={"titre_ml": 5.0, "by": "EGTA"})
    assert "concentration_mol_l = 0.0100" in caught.value.remedy
    egta = {"titre_ml": 5.0, "by": "EGTA", "concentration_mol_l": 0.012}
    result = worked(calcium=egta)
    assert result.splits[0].part.value == pytest.approx(0.012 * 5.0 * 10.0)
    assert "concentration of the EGTA (no uncertainty stated)" in result.missing
    text = " ".join(eye_text(result).split())
    assert "Calcium, titrated with EGTA: 0.600" in text
    assert "sodium or potassium hydroxide" not in text
    known = worked(calcium={**egta, "standard_uncertainty_mol_l": 2e-5})
    assert "EGTA: concentration" in known.splits[0].part.contributions
    assert "concentration of the EGTA" not in " ".join(known.missing)


def test_a_blank_of_other_reagents_is_not_taken_off_calcium_without_a_word() -> None:
    def said(**calcium: float) -> bool:
        result = worked(blank={"volume_ml": 0.05}, calcium={"titre_ml": 5.0, **calcium})
        part_ml = 5.0 - calcium.get("blank_ml", 0.0)
        assert result.splits[0].part.value == pytest.approx(0.1 * part_ml)
        return "[blank] is not subtracted" in " ".join(result.remarks)

    assert said()
    assert not said(blank_ml=0.04)
    assert not said(blank_ml=0.0)


def factor_certificate(folder: Path, day: str, value: float) -> str:
    name = f"edta-{day}.json"
    certificate = Certificate(
        identifier=f"EDTA {day}",
        kind="titrant",
        what="EDTA",
        date=datetime.date.fromisoformat(day),
        expiry=None,
        operator="MR",
        quantities={
            "concentration": Quantity.measured(value, "mol/L", 1e-5, f"standardisation {day}")
        },
    )
    write_certificate(certificate, folder / name)
    return name


def test_the_factor_of_the_titrant_is_that_of_the_day(tmp_path: Path) -> None:
    days = {"2026-10-01": 0.01010, "2026-11-10": 0.01000, "2026-11-30": 0.00996}
    names = [factor_certificate(tmp_path, day, value) for day, value in days.items()]

    def on(day: str, count: int = 3) -> Quantity:
        sample = {"label": "Well", "volume_ml": 100.0, "date": datetime.date.fromisoformat(day)}
        table = {**TABLE, "sample": sample, "titrant": {"certificates": names[:count]}}
        record = parse_eye_record(table, "well.toml", tmp_path)
        return work_out(record, datetime.date(2026, 12, 31)).hardness.mmol_l

    unit = 12.35 * 10.0
    drift = "titrant: drift, EDTA 2026-11-10 to EDTA 2026-11-30"
    sample = {"volume_ml": 100.0, "date": datetime.date(2026, 11, 20)}
    table = {**TABLE, "sample": sample, "titrant": {"certificates": names}}
    shown = work_out(parse_eye_record(table, "well.toml", tmp_path), TODAY)
    text = eye_text(shown, width=10_000).replace("\u00a0", " ")
    assert "Titrant on 2026-11-20: 0.009980 ± " in text
    assert "between EDTA 2026-11-10 (2026-11-10) and EDTA 2026-11-30 (2026-11-30)." in text
    # Half of the time between two has passed; the whole change is the width of the rectangle.
    middle = on("2026-11-20")
    assert middle.value == pytest.approx(0.00998 * unit)
    assert abs(middle.contributions[drift].value) == pytest.approx(2e-5 / math.sqrt(3.0) * unit)
    # After the last: as fast as before, in either direction.
    later = on("2026-12-10")
    assert later.value == pytest.approx(0.00996 * unit)
    assert abs(later.contributions[drift].value) == pytest.approx(2e-5 / math.sqrt(3.0) * unit)
    assert on("2026-11-10").value == pytest.approx(0.01000 * unit)
    assert drift not in on("2026-11-10").contributions
    with pytest.raises(Problem, match="dated"):
        on("2026-09-01")
    names.append(factor_certificate(tmp_path, "2026-12-01", 0.012))
    with pytest.raises(Problem, match="changes by"):
        on("2026-12-10", 4)


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


def without_blank(folder: Path) -> None:
    """Copy the sample sheet of the titrant, but for its blank, with which the end error cancels."""
    text = (BENCH / "edta-caco3.toml").read_text("utf-8")
    blank = "[blank]\nvolume_ml = 0.04\nstandard_uncertainty_ml = 0.02\n"
    assert blank in text
    (folder / "edta-caco3.toml").write_text(text.replace(blank, ""), encoding="utf-8")


def test_the_end_error_cancels_for_one_person_and_not_for_two(tmp_path: Path) -> None:
    without_blank(tmp_path)
    made = CliRunner().invoke(main, ["calibrate", "titrant", str(tmp_path / "edta-caco3.toml")])
    assert made.exit_code == 0, made.stderr
    same, other = by_eye(tmp_path, "MR"), by_eye(tmp_path, "KT")
    value = same.hardness.mmol_l.value
    name = "end read by eye: {}, Eriochrome Black T"
    titre = same.net_titre_ml.value
    standard = (24.97 + 25.01 + 24.98) / 3 - 0.02
    left = same.hardness.mmol_l.contributions[name.format("MR")].value / value
    assert left == pytest.approx(0.03 * (1.0 / standard - 1.0 / titre), rel=0.02)
    assert abs(left) < 1e-5
    parts = other.hardness.mmol_l.contributions
    both = [abs(parts[name.format(who)].value) / value for who in ("MR", "KT")]
    assert both == pytest.approx([0.03 / standard, 0.03 / titre], rel=1e-3)
    assert (
        other.hardness.mmol_l.standard_uncertainty > 1.2 * same.hardness.mmol_l.standard_uncertainty
    )


def test_a_titrant_with_a_blank_by_the_same_eye_holds_no_end_error(tmp_path: Path) -> None:
    shutil.copy(BENCH / "edta-caco3.toml", tmp_path)
    CliRunner().invoke(main, ["calibrate", "titrant", str(tmp_path / "edta-caco3.toml")])
    same = by_eye(tmp_path, "MR")
    value, titre = same.hardness.mmol_l.value, same.net_titre_ml.value
    own = same.hardness.mmol_l.contributions["end read by eye: MR, Eriochrome Black T"].value
    # The end of the sample alone, once; neither doubled nor cancelled by a standard without it.
    assert abs(own) / value == pytest.approx(0.03 / titre, rel=1e-3)


def test_one_person_with_two_errors_is_refused(tmp_path: Path) -> None:
    without_blank(tmp_path)
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
    assert shown.stdout.startswith("School well, by eye: Hardness 2.137")
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
