"""The JSON contract, rounding, the text and the charts."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration.quantity import Quantity
from endpoint.pipeline import Result, conclude
from endpoint.problems import OutputProblem
from endpoint.report.charts import chart, describe
from endpoint.report.document import document, to_json
from endpoint.report.files import check_folder, curve_csv, write_folder
from endpoint.report.rounding import decimals_for, rounded, with_uncertainty
from endpoint.report.text import answer, summary
from endpoint.sources.synthetic import simulate
from tests.simulated import curve, flask, job, result_of, steps

EXTRA = {"program": "test"}


def located() -> Result:
    return result_of(steps(flask()))[1]


def bracketed() -> Result:
    plan = steps(flask())
    kept = simulate(plan).free_fraction < 0.6
    return result_of(plan, kept)[1]


def none() -> Result:
    plan = steps(flask())
    table = simulate(plan)
    return conclude(job(), curve(table, table.volume_ml < table.equivalence_ml - 3.0))


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
    ],
)
def test_rounding(value: float, uncertainty: float | None, shown: tuple[str, str]) -> None:
    assert with_uncertainty(value, uncertainty) == shown


def test_rounding_of_odd_uncertainties() -> None:
    assert decimals_for(float("nan")) is None
    assert decimals_for(-1.0) is None
    assert rounded(0.5, 0) == "0"
    assert rounded(1.5, 0) == "2"


@pytest.mark.parametrize("status", list(CASES))
def test_json_contract(status: str) -> None:
    result = CASES[status]()
    data = json.loads(to_json(document(result, EXTRA)))
    assert data["format"] == 1
    assert data["status"] == status
    assert {
        "format",
        "status",
        "reasons",
        "equivalence_ml",
        "midpoint_ml",
        "last_red_ml",
        "hardness",
        "budget",
        "diagnosis",
        "provenance",
    } <= set(data)
    for sentence in data["reasons"] + data["diagnosis"]:
        assert {"code", "text", "advice"} == set(sentence)
    equivalence = data["equivalence_ml"]
    if status == "located":
        low, high = equivalence["interval95"]
        assert low < equivalence["value"] < high
        assert equivalence["standard_uncertainty"] > 0
        assert {"mmol_l", "caco3_mg_l", "other_units"} <= set(data["hardness"])
        assert data["reasons"] == []
        assert sum(line["share"] for line in data["budget"]) == pytest.approx(1.0)
        assert all({"name", "contribution", "unit", "share"} <= set(x) for x in data["budget"])
    elif status == "bracketed":
        assert equivalence["value"] is None
        assert len(equivalence["interval95"]) == 2
        assert data["hardness"] is None
        assert data["reasons"]
    else:
        assert equivalence is None
        assert data["midpoint_ml"] is None
        assert data["last_red_ml"] is None
        assert data["hardness"] is None
        assert data["reasons"]
        assert data["above_ml"] > 0


def test_not_a_number_never_gets_out() -> None:
    with pytest.raises(ValueError, match="JSON"):
        to_json({"x": float("nan")})


@pytest.mark.parametrize("status", list(CASES))
def test_text_begins_with_the_answer_and_fits_the_terminal(status: str) -> None:
    result = CASES[status]()
    text = summary(result, width=80)
    assert text.startswith("simulated: ")
    assert max(map(len, text.splitlines())) <= 100
    assert "fit to\ndrink" in text or "fit to drink" in text or "fit to" in text
    if status == "located":
        assert result.equivalence is not None
        assert rounded(result.equivalence.value_ml, 3)[:6] in text
    else:
        assert result.reasons[0].text.split(":")[0][:20] in text.replace("\n", " ")


def test_text_and_json_say_the_same_numbers() -> None:
    result = located()
    data = document(result, EXTRA)
    assert result.hardness is not None
    mass = data["hardness"]["caco3_mg_l"]["value"]
    u = result.hardness.caco3_mg_l.expanded_uncertainty(0.95)
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
    with_blank = conclude(job(blank_ml=blank), curve(table))
    plain = conclude(job(), curve(table))
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
    rows = list(csv.DictReader(io.StringIO(curve_csv(result))))
    assert len(rows) == len(result.curve)
    volume = np.array([float(r["volume_ml"]) for r in rows])
    assert volume == pytest.approx(result.curve.volume_ml, abs=1e-4)
    assert {"free_fraction", "fitted_fraction", "hue_deg", "density_red", "flags"} <= set(rows[0])


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    path = tmp_path / "taken"
    path.write_text("x")
    with pytest.raises(OutputProblem) as caught:
        check_folder(path)
    assert caught.value.remedy
    assert path.read_text() == "x"


def _boxes(figure: Any) -> list[Any]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    zoom = figure.axes[2] if len(figure.axes) > 3 else figure.axes[-2]
    notes = [t for axes in figure.axes for t in axes.texts if t.get_bbox_patch() is not None]
    assert zoom is not None
    return [note.get_bbox_patch().get_window_extent(renderer) for note in notes]


@pytest.mark.parametrize("magnesium", [0.0, 0.2, 0.5])
def test_labels_of_the_three_volumes_never_overlap(magnesium: float) -> None:
    result = result_of(steps(flask(magnesium=magnesium)))[1]
    boxes = _boxes(chart(result))
    assert len(boxes) == 3
    for k, one in enumerate(boxes):
        for other in boxes[k + 1 :]:
            assert not one.overlaps(other)


def test_chart_without_a_curve() -> None:
    assert chart(dataclasses.replace(none(), curve=None, fit=None)) is not None
