"""The JSON contract, rounding, the text and the output folder."""

from __future__ import annotations

import csv
import dataclasses
import functools
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration.quantity import Quantity
from endpoint.analysis.of_curve import result_of_curve
from endpoint.analysis.result import Result
from endpoint.drawing.chart import describe
from endpoint.equivalence.fit import Estimate
from endpoint.files.folder import check_file, check_folder
from endpoint.hardness.units import MG_L_CACO3
from endpoint.problems import FLAG_TEXT, Flag, OutputProblem
from endpoint.report.folder import curve_csv, write_folder
from endpoint.result.document import document, to_json
from endpoint.result.text import answer, summary, volume_words
from endpoint.rounding import (
    FIXED_SPACE,
    decimals_for,
    format_quantity,
    outward,
    rounded,
    two_figures,
    with_uncertainty,
)
from sample_media.simulated import PHOTOMETER, simulate
from tests.simulated import curve, flask, job, labelled, result_of, steps, with_equivalence
from tests.studies.interval_study import curve_of

EXTRA = {"program": "test"}


@functools.cache
def located() -> Result:
    return result_of(steps(flask()))[1]


@functools.cache
def bracketed() -> Result:
    plan = steps(flask())
    kept = simulate(plan).free_fraction < 0.6
    return result_of(plan, kept)[1]


@functools.cache
def none() -> Result:
    plan = steps(flask())
    table = simulate(plan)
    return result_of_curve(job(), curve(table, table.volume_ml < table.equivalence_ml - 3.0))


def plain(text: str) -> str:
    return text.replace(FIXED_SPACE, " ")


CASES = {"located": located, "bracketed": bracketed, "none": none}


@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        (13.9012, 0.0234, ("13.901", "0.023")),
        (13.9012, 0.0996, ("13.90", "0.10")),
        (139.06, 0.60, ("139.06", "0.60")),
        (139.06, 12.4, ("139", "12")),
        (1390.6, 124.0, ("1390", "120")),
        (13.9, 0.0, ("13.900", "")),
        (13.9, None, ("13.900", "")),
        (0.00123456, 0.0000123, ("0.001235", "0.000012")),
        (2.5, 0.25, ("2.50", "0.25")),
        (13.9, 0.00995, ("13.900", "0.010")),
        (13.9, 9.96, ("14", "10")),
        (13.9, 1e-5, ("13.900000", "0.000010")),
        (13.9, float("nan"), ("13.900", "")),
        (123456.7, 98765.0, ("123000", "99000")),
        (-0.0004, 0.012, ("0.000", "0.012")),
    ],
)
def test_rounding(value: float, uncertainty: float | None, shown: tuple[str, str]) -> None:
    assert with_uncertainty(value, uncertainty) == shown


def test_rounding_of_odd_uncertainties() -> None:
    assert decimals_for(float("nan")) is None
    assert decimals_for(-1.0) is None
    assert rounded(0.5, 0) == "0"
    assert rounded(1.5, 0) == "2"
    assert two_figures(0.5) == "0.50"
    assert two_figures(0.0) == "0"
    assert outward(24.8585, 25.3312) == ("24.85", "25.34")
    assert outward(24.85, None, 1) == ("24.8", None)


def test_quantity_as_text_holds_together() -> None:
    text = format_quantity(13.9012, 0.0234, "mg/L as CaCO3")
    assert " " not in text
    assert plain(text) == "13.901 \u00b1 0.023 mg/L as CaCO3"
    assert plain(format_quantity(13.9, None, "mL")) == "13.900 mL"


# Written by hand from the contract of the JSON: keys may be added, never taken away.
CONTRACT: dict[str, type | tuple[type, ...]] = {
    "format": int,
    "status": str,
    "reasons": list,
    "equivalence_ml": (dict, type(None)),
    "midpoint_ml": (dict, type(None)),
    "last_red_ml": (dict, type(None)),
    "hardness": (dict, type(None)),
    "budget": list,
    "diagnosis": list,
    "provenance": dict,
}
VOLUME = {"value", "standard_uncertainty", "interval95"}


def _all_numbers(data: Any) -> list[float]:
    if isinstance(data, dict):
        return [n for item in data.values() for n in _all_numbers(item)]
    if isinstance(data, list):
        return [n for item in data for n in _all_numbers(item)]
    return [data] if isinstance(data, float) else []


@pytest.mark.parametrize("status", list(CASES))
def test_json_contract(status: str) -> None:
    data = json.loads(to_json(document(CASES[status](), EXTRA)))
    for key, kind in CONTRACT.items():
        assert isinstance(data[key], kind), key
    assert data["format"] == 1
    assert data["status"] == status
    assert data["provenance"] == EXTRA
    for sentence in data["reasons"] + data["diagnosis"]:
        assert set(sentence) == {"code", "text", "advice"}
        assert all(sentence.values())
    for key in ("equivalence_ml", "midpoint_ml", "last_red_ml"):
        assert data[key] is None or set(data[key]) == VOLUME
    assert (data["reasons"] == []) == (status == "located")
    assert all(np.isfinite(_all_numbers(data)))


def test_json_of_a_located_endpoint() -> None:
    data = json.loads(to_json(document(located(), EXTRA)))
    for key in ("equivalence_ml", "midpoint_ml", "last_red_ml"):
        low, high = data[key]["interval95"]
        assert low < data[key]["value"] < high
        assert data[key]["standard_uncertainty"] > 0
    hardness = data["hardness"]
    for part in (hardness["mmol_l"], hardness["caco3_mg_l"], *hardness["other_units"].values()):
        assert {"value", "standard_uncertainty", "interval95"} <= set(part)
    # 1 mmol/L is 100.086 mg/L CaCO3 and 5.6077 German degrees.
    mmol = hardness["mmol_l"]["value"]
    assert hardness["caco3_mg_l"]["value"] == pytest.approx(100.086 * mmol)
    assert hardness["other_units"]["german_degree"]["value"] == pytest.approx(5.6077 * mmol)
    assert sum(line["share"] for line in data["budget"]) == pytest.approx(1.0)
    assert all({"name", "contribution", "unit", "share"} <= set(x) for x in data["budget"])
    assert sum(x["contribution"] ** 2 for x in data["budget"]) == pytest.approx(
        hardness["caco3_mg_l"]["standard_uncertainty"] ** 2
    )


def test_json_of_a_bracket_has_an_interval_and_no_value() -> None:
    result = bracketed()
    data = json.loads(to_json(document(result, EXTRA)))
    assert data["equivalence_ml"]["value"] is None
    assert data["equivalence_ml"]["standard_uncertainty"] is None
    assert result.verdict.bracket_ml is not None
    assert data["equivalence_ml"]["interval95"] == pytest.approx(list(result.verdict.bracket_ml))
    assert data["hardness"] is None
    assert data["budget"] == []


def test_json_of_an_open_bracket() -> None:
    result = bracketed()
    verdict = dataclasses.replace(result.verdict, bracket_ml=(24.0, None))
    data = document(dataclasses.replace(result, verdict=verdict), EXTRA)
    assert data["equivalence_ml"]["interval95"] == [24.0, None]


def test_json_without_an_endpoint_gives_no_number_but_the_proved_bound() -> None:
    data = json.loads(to_json(document(none(), EXTRA)))
    for key in ("equivalence_ml", "midpoint_ml", "last_red_ml", "hardness", "chemistry"):
        assert data[key] is None
    assert data["budget"] == []
    assert data["above_ml"] == pytest.approx(20.0)


def test_json_says_what_the_record_said() -> None:
    blank = Quantity.measured(0.10, "mL", 0.02, "blank")
    table = simulate(steps(flask()))
    data = document(result_of_curve(job(blank_ml=blank, lag_s=(1.6, 0.2)), curve(table)), EXTRA)
    inputs = data["inputs"]
    assert inputs["titrant_mol_l"]["value"] == 0.01
    assert inputs["blank_ml"]["value"] == 0.10
    assert inputs["mixing_lag_s"] == {"value": 1.6, "standard_uncertainty": 0.2, "stated": True}
    assert [part["value"] for part in inputs["deliveries_ml"]] == [100.0]


def test_odd_results_still_make_valid_json() -> None:
    result = located()
    assert result.fit is not None
    odd = dataclasses.replace(
        result.fit,
        parameters={**result.fit.parameters, "bend": (float("nan"), float("inf"))},
        degrees_of_freedom=np.float64(3.0),
        residual_rms=np.float64(0.5),
    )
    # A file name that is no valid text reaches the label with such a sign.
    data = document(
        dataclasses.replace(labelled(result, "well \udcff"), fit=odd), {"n": np.int64(3)}
    )
    back = json.loads(to_json(data).encode("utf-8"))
    assert back["chemistry"]["parameters"]["bend"] == {"value": None, "standard_uncertainty": None}
    assert back["provenance"]["n"] == 3
    assert back["label"].startswith("well ")


def test_every_frame_counts_once() -> None:
    result = located()
    assert result.curve is not None
    flags = np.array(
        [0, 0, 0]
        + [int(Flag.MIXING)] * 4
        + [int(Flag.MIXING | Flag.DARK | Flag.CAMERA_MOVED)] * 2
        + [int(Flag.CLIPPED | Flag.MIXING)],
        dtype=np.int64,
    )
    seen = dataclasses.replace(result.curve, frame_flags=flags)
    frames = document(dataclasses.replace(result, curve=seen), EXTRA)["frames"]
    assert (frames["read"], frames["used"]) == (10, 3)
    assert [part["count"] for part in frames["set_aside"]] == [4, 2, 1]
    assert frames["set_aside"][1]["reason"] == FLAG_TEXT[Flag.DARK][0]
    # Every flag has its place, or frames would be lost from the count.
    each = np.array([int(flag) for flag in Flag if flag], dtype=np.int64)
    seen = dataclasses.replace(result.curve, frame_flags=each)
    frames = document(dataclasses.replace(result, curve=seen), EXTRA)["frames"]
    assert sum(part["count"] for part in frames["set_aside"]) == each.size


def test_not_a_number_never_gets_out() -> None:
    with pytest.raises(ValueError, match="JSON"):
        to_json({"x": float("nan")})


@pytest.mark.parametrize("status", list(CASES))
@pytest.mark.parametrize("width", [60, 80])
def test_text_begins_with_the_answer_and_fits_the_terminal(status: str, width: int) -> None:
    result = CASES[status]()
    text = summary(result, width=width)
    assert " ".join(text.split("\n\n")[0].split()) == answer(result)
    assert answer(result).startswith("simulated: ")
    assert max(map(len, text.splitlines())) <= width
    flat = " ".join(text.split())
    assert "does not say that the water is fit to drink" in flat
    for sentence in (*result.reasons, *result.remarks):
        assert sentence.text in flat
        assert sentence.advice in flat or sentence.advice == "None needed."


def test_no_line_break_between_number_and_unit() -> None:
    result = located()
    for width in range(40, 100):
        for line in summary(result, width=width).splitlines():
            assert not line.rstrip().endswith(("\u00b1", "(95"))
            assert not line.lstrip().startswith(("\u00b1", "mL ", "mmol/L"))


def test_text_tells_unequal_arms() -> None:
    even = Estimate(12.425, 0.006, 12.413, 12.437)
    assert plain(volume_words(even)) == "12.425 \u00b1 0.012 mL"
    uneven = Estimate(12.4251, 0.006, 12.4074, 12.4316)
    assert plain(volume_words(uneven)) == "12.425 mL (12.407 to 12.432)"
    result = with_equivalence(located(), uneven)
    assert "equivalence volume 12.425 mL (95 %: 12.407 to 12.432)." in answer(result)


def test_bracket_is_rounded_outward() -> None:
    result = bracketed()
    verdict = dataclasses.replace(result.verdict, bracket_ml=(24.8585, 25.3312))
    text = answer(dataclasses.replace(result, verdict=verdict))
    assert "between 24.85 and 25.34 mL" in text
    verdict = dataclasses.replace(result.verdict, bracket_ml=(24.8585, None))
    assert "above 24.85 mL" in answer(dataclasses.replace(result, verdict=verdict))


def test_label_cannot_steer_the_terminal() -> None:
    result = labelled(located(), "well\x1b[31m\n 3\udcff")
    text = answer(result)
    assert text.startswith("well?[31m 3?: ")
    assert all(line.isprintable() for line in summary(result).splitlines())


def test_budget_shows_two_figures_and_adds_up() -> None:
    lines = summary(located()).split("share\n")[1].split("\n\n")[0].splitlines()
    shares = [line[12:].split("%")[0].strip() for line in lines if "%" in line]
    assert len(shares) >= 2
    total = sum(float(share.strip("<")) for share in shares)
    assert total == pytest.approx(100.0, abs=3.0)
    assert lines[0].split()[0] == "0.50"


def test_text_and_json_say_the_same_numbers() -> None:
    result = located()
    data = document(result, EXTRA)
    assert result.hardness is not None
    mass = data["hardness"]["caco3_mg_l"]["value"]
    u = result.hardness.expanded_uncertainty(MG_L_CACO3)
    value, wide = with_uncertainty(mass, u)
    assert f"{value} \u00b1 {wide} mg/L" in answer(result)


def test_plain_ascii_for_a_terminal_without_signs() -> None:
    text = summary(located(), encoding="ascii")
    assert text.isascii()
    assert "+-" in text


def test_hardness_agrees_with_the_equivalence_volume() -> None:
    result = located()
    assert result.hardness is not None
    assert result.equivalence is not None
    # c V / V0, one to one.
    wanted = 1000.0 * 0.01 * result.equivalence.value_ml / 100.0
    assert result.hardness.mmol_l.value == pytest.approx(wanted)


def test_blank_is_subtracted() -> None:
    table = simulate(steps(flask()))
    blank = Quantity.measured(0.10, "mL", 0.02, "blank")
    with_blank = result_of_curve(job(blank_ml=blank), curve(table))
    plain = result_of_curve(job(), curve(table))
    assert with_blank.hardness is not None
    assert plain.hardness is not None
    gap = plain.hardness.mmol_l.value - with_blank.hardness.mmol_l.value
    assert gap == pytest.approx(0.01)


@pytest.mark.parametrize("status", list(CASES))
def test_folder(status: str, tmp_path: Path) -> None:
    result = CASES[status]()
    write_folder(result, tmp_path / "out", EXTRA)
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert {"result.json", "curve.csv", "chart.png", "chart.svg"} <= names
    assert not [n for n in names if n.endswith(".part")]
    write_folder(result, tmp_path / "out", EXTRA)
    assert describe(result)


def test_curve_csv_round_trip() -> None:
    result = located()
    assert result.curve is not None
    assert result.fit is not None
    marked = np.array(result.fit.outlier)
    marked[3] = True
    result = dataclasses.replace(result, fit=dataclasses.replace(result.fit, outlier=marked))
    assert result.fit is not None
    rows = list(csv.DictReader(io.StringIO(curve_csv(result))))
    assert result.curve is not None
    assert len(rows) == len(result.curve)
    columns = {
        "volume_ml": result.curve.volume_ml,
        "mixed_volume_ml": result.fit.mixed_volume_ml,
        "free_fraction": result.fit.free_fraction,
        "free_fraction_sigma": result.fit.free_fraction_sigma,
        "fitted_fraction": result.fit.fitted_fraction,
        "density_red": result.curve.density[:, 0],
        "density_blue_sigma": result.curve.density_sigma[:, 2],
        "frames_used": result.curve.frames_used,
    }
    for name, wanted in columns.items():
        assert np.array([float(row[name]) for row in rows]) == pytest.approx(wanted, abs=1e-4)
    assert [row["flags"] for row in rows[2:5]] == ["", "outlier", ""]
    # These rows came from no picture, so they have no hue.
    assert {row["hue_deg"] for row in rows} == {""}


def test_curve_csv_names_the_wavelengths() -> None:
    plan = dataclasses.replace(steps(flask()), channels=PHOTOMETER)
    result = result_of_curve(job(), curve_of(plan, simulate(plan)))
    header = curve_csv(result).splitlines()[0].split(",")
    assert {"density_620_nm", "density_620_nm_sigma", "density_430_nm"} <= set(header)


def test_curve_csv_gives_no_fit_that_is_not_believed() -> None:
    result = dataclasses.replace(none(), fit=located().fit)
    rows = list(csv.DictReader(io.StringIO(curve_csv(result))))
    assert {row["fitted_fraction"] for row in rows} == {""}
    assert curve_csv(dataclasses.replace(result, curve=None)).count("\n") == 1


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    path = tmp_path / "taken"
    path.write_text("x")
    for folder in (path, path / "below"):
        with pytest.raises(OutputProblem) as caught:
            check_folder(folder)
        assert caught.value.remedy
        assert caught.value.exit_code == 2
    assert path.read_text() == "x"


def test_a_name_that_the_disk_refuses(tmp_path: Path) -> None:
    with pytest.raises(OutputProblem, match="cannot be written"):
        check_folder(tmp_path / ("x" * 300))


def test_a_folder_in_place_of_a_file(tmp_path: Path) -> None:
    (tmp_path / "chart.png").mkdir()
    with pytest.raises(OutputProblem, match="is a folder"):
        write_folder(none(), tmp_path, EXTRA)
    # The result comes last, so a folder that holds one is complete.
    assert not (tmp_path / "result.json").exists()


def test_check_of_a_file_makes_nothing(tmp_path: Path) -> None:
    check_file(tmp_path / "r.json")
    with pytest.raises(OutputProblem, match="is not a folder"):
        check_file(tmp_path / "none" / "r.json")
    with pytest.raises(OutputProblem, match="is a folder"):
        check_file(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_older_results_are_replaced_and_other_files_stay(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "region.png").write_text("somebody's")
    write_folder(none(), tmp_path, EXTRA)
    assert (tmp_path / "region.png").read_text() == "somebody's"
    write_folder(located(), tmp_path, EXTRA)
    assert json.loads((tmp_path / "result.json").read_text("utf-8"))["status"] == "located"
    # An earlier result's region would be taken for this one's, which has no picture.
    assert not (tmp_path / "region.png").exists()
    assert (tmp_path / "notes.txt").read_text() == "mine"
