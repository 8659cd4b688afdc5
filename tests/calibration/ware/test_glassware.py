"""Class tolerances of glassware: every table entry, and how they enter a volume."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable

import pytest

from calibration.certificate import quantity_from_json
from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity, correlation
from calibration.ware.glassware import (
    Ware,
    burette_volume,
    pipette_deliveries,
    ware_from_table,
)
from calibration.ware.tolerance import find_tolerance, kinds, titre_remarks, waiting_remarks
from tests.places import ROOT, reference

REFERENCE = reference("glassware", "volumetry")


# --- every table row --------------------------------------------------------------------------


@pytest.mark.parametrize("row", REFERENCE["burette-iso385"]["values"], ids=str)
def test_burettes_iso_385(row: list[float]) -> None:
    nominal, division, a, b = row
    for ware_class, limit in (("A", a), ("AS", a), ("B", b)):
        found = find_tolerance("burette", nominal, ware_class, division)
        assert (found.limit_ml, found.class_a_limit_ml, found.division_ml) == (limit, a, division)
        assert found.status == REFERENCE["burette-iso385"]["status"] == "memory"
        assert found.source.startswith("ISO 385")


def test_burette_of_50_ml_as_read() -> None:
    values = REFERENCE["burette-50-read"]["values"]
    assert find_tolerance("burette", 50, "A").limit_ml == values["class_A"]
    assert find_tolerance("burette", 50, "B").limit_ml == values["class_B"]


@pytest.mark.parametrize("row", REFERENCE["burette-astm-e287"]["values"], ids=str)
def test_burettes_astm_e287(row: list[float]) -> None:
    nominal, division, a = row
    factor = REFERENCE["class-b-astm"]["values"]["factor_max"]
    for ware_class, limit in (("A", a), ("AS", a), ("B", factor * a)):
        found = find_tolerance("burette", nominal, ware_class, division, standard="ASTM")
        assert found.limit_ml == pytest.approx(limit)
        assert found.standard == "ASTM"


@pytest.mark.parametrize(
    ("kind", "row"),
    [("pipette", row) for row in REFERENCE["pipette-iso648"]["values"]]
    + [("flask", row) for row in REFERENCE["flask-iso1042"]["values"]],
    ids=str,
)
def test_one_mark_ware(kind: str, row: list[float]) -> None:
    nominal, a, b = row
    for ware_class, limit in (("A", a), ("AS", a), ("B", b)):
        assert find_tolerance(kind, nominal, ware_class).limit_ml == limit
    assert find_tolerance(kind, nominal, "A").status == "memory"


@pytest.mark.parametrize("row", REFERENCE["graduated-pipette-usp"]["values"], ids=str)
def test_graduated_pipettes_usp(row: list[float]) -> None:
    found = find_tolerance("graduated pipette", row[0], "A")
    assert found.limit_ml == pytest.approx(row[1] / 1000.0)
    assert (found.status, found.standard) == ("read", "USP")


def test_tables_hold_no_row_beyond_those_checked() -> None:
    text = (ROOT / "calibration" / "ware" / "glassware.toml").read_text("utf-8")
    tables = tomllib.loads(text)["table"]
    assert {table["kind"] for table in tables} == set(kinds())
    checked = ("burette-iso385", "burette-astm-e287", "pipette-iso648", "flask-iso1042")
    total = sum(len(REFERENCE[name]["values"]) for name in (*checked, "graduated-pipette-usp"))
    assert sum(len(table["rows"]) for table in tables) == total


# --- volumes ----------------------------------------------------------------------------------


def burette() -> Ware:
    return Ware("burette 17", find_tolerance("burette", 50, "A", 0.1))


def pipette() -> Ware:
    return Ware("pipette P1", find_tolerance("pipette", 50, "A"))


def test_burette_volume_has_calibration_temperature_and_two_readings() -> None:
    volume = burette_volume(burette(), 12.4, "sample")
    parts = {name: c.value for name, c in volume.contributions.items()}
    assert parts["burette 17: calibration"] == pytest.approx(0.05 / math.sqrt(6))
    # QUAM A2: V x 2.1e-4 x 3 C, here rectangular as in A3.
    beta = REFERENCE["water-expansion-quam"]["values"]["beta"]
    expected = 12.4 * beta * 3.0 / math.sqrt(3)
    assert parts["burette 17: temperature"] == pytest.approx(expected)
    reading = REFERENCE["reading"]["values"]["usual_reading_uncertainty"]
    # The volume is end minus start.
    for end, sign in (("start", -1.0), ("end", 1.0)):
        part = parts[f"burette 17: reading, sample, {end}"]
        assert part == pytest.approx(sign * reading / math.sqrt(6))
    assert len(parts) == 4
    assert volume.value == 12.4
    assert volume.contributions["burette 17: calibration"].distribution == "triangular"


def test_quam_a3_volume_uncertainty() -> None:
    # QUAM 2012, A3 unrounded: u(V1) 0.015327 mL from a limit of 0.03 mL and 19 mL +/- 4 C.
    ware = Ware("piston burette", find_tolerance("burette", 25, "A", 0.05))
    assert ware.tolerance.limit_ml == 0.03
    volume = burette_volume(ware, 19.0, reading_limit_ml=0.0, temperature_half_width_c=4.0)
    assert volume.standard_uncertainty == pytest.approx(0.015327, abs=1e-6)


def test_burette_keeps_the_contributions_of_the_end_point() -> None:
    end_point = Quantity.measured(12.4, "mL", 0.008, "end point: fit")
    volume = burette_volume(burette(), end_point, reading_limit_ml=0.0)
    assert volume.contributions["end point: fit"].value == 0.008
    assert len(volume.contributions) == 3


def test_a_refilled_burette_counts_its_error_for_each_fill() -> None:
    twice = burette_volume(burette(), 61.0, fills=2)
    once = burette_volume(burette(), 41.0)
    name = "burette 17: calibration"
    assert twice.contributions[name].value == pytest.approx(2 * once.contributions[name].value)
    assert sum("reading" in n for n in twice.contributions) == 4


def test_one_burette_cancels_in_part_also_through_a_file() -> None:
    standard = burette_volume(burette(), 20.0, "standard", reading_limit_ml=0.0)
    sample = burette_volume(burette(), 10.0, "sample", reading_limit_ml=0.0)
    u = 0.05 / math.sqrt(6)
    # The calibration leaves u/20 - 10 u/400; the shared temperature leaves nothing.
    expected = u / 20.0 - 10.0 * u / 400.0
    stored = [
        quantity_from_json(json.loads(json.dumps(q.to_json())), "x") for q in (sample, standard)
    ]
    for ratio in (sample / standard, stored[0] / stored[1]):
        assert ratio.standard_uncertainty == pytest.approx(expected, rel=1e-9)
    other = Ware("burette 18", burette().tolerance)
    apart = burette_volume(other, 20.0, "standard", reading_limit_ml=0.0)
    assert (sample / apart).standard_uncertainty > 2.0 * expected


def test_pipette_filled_twice() -> None:
    first, second = pipette_deliveries(pipette(), 2, filling_ml=0.01)
    total = first + second
    calibration = 2 * 0.05 / math.sqrt(6)
    temperature = 2 * 50.0 * 2.1e-4 * 3.0 / math.sqrt(3)
    filling = 0.01 * math.sqrt(2)
    assert total.value == 100.0
    expected = math.hypot(calibration, temperature, filling)
    assert total.standard_uncertainty == pytest.approx(expected, rel=1e-12)
    shared = math.hypot(calibration, temperature) / 2
    assert correlation(first, second) == pytest.approx(shared**2 / (shared**2 + 0.01**2))
    default = pipette_deliveries(pipette())[0].contributions["pipette P1: filling, 1"].value
    assert default == pytest.approx(0.05 / 3.0, rel=0.02)
    labelled = pipette_deliveries(pipette(), 1, label="well 3")[0]
    assert "pipette P1: filling, well 3, 1" in labelled.contributions


def test_temperature_can_be_shared_between_pieces() -> None:
    day = "laboratory temperature"
    titre = burette_volume(burette(), 50.0, temperature_name=day)
    sample = pipette_deliveries(pipette(), temperature_name=day)[0]
    assert (titre / sample).contributions["laboratory temperature"].value == pytest.approx(0.0)


def test_flask() -> None:
    ware = Ware("flask", find_tolerance("flask", 250, "A"))
    (volume,) = pipette_deliveries(ware, filling_ml=0.0, temperature_half_width_c=0.0)
    assert volume.standard_uncertainty == pytest.approx(0.15 / math.sqrt(6))


# --- rules of use -----------------------------------------------------------------------------


def test_size_of_the_burette_after_usp() -> None:
    rule = REFERENCE["burette-use-usp"]["values"]
    share = rule["titre_at_least_percent_of_nominal"] / 100.0
    assert titre_remarks(50, share * 50) == ()
    assert titre_remarks(10, share * 10) == ()
    (text,) = titre_remarks(50, share * 50 - 0.01)
    assert f"less than {rule['titre_at_least_percent_of_nominal']} % of the 50 mL" in text
    assert text.endswith("or a smaller burette.")
    small = rule["below_mL_use_10mL_burette"]
    assert f"a burette of {small} mL" in titre_remarks(50, small - 0.1)[0]
    assert "burette of" not in titre_remarks(10, 2.0)[0]


def test_waiting_time_of_class_as() -> None:
    seconds = REFERENCE["waiting-time"]["values"]
    for kind in ("burette", "pipette"):
        (text,) = waiting_remarks(kind, "AS")
        assert f"usually {seconds[f'{kind}_AS']} s (from memory)" in text
        assert waiting_remarks(kind, "A") == ()
    assert waiting_remarks("flask", "AS") == ()


@pytest.mark.parametrize("t", [-1.0, 41.0, 293.0])
def test_impossible_temperatures_are_refused(t: float) -> None:
    for act in (
        lambda: burette_volume(burette(), 5.0, temperature_c=t),
        lambda: pipette_deliveries(pipette(), temperature_c=t),
        lambda: burette_volume(burette(), 5.0, temperature_c=20.0, glass="jam jar"),
    ):
        with pytest.raises(CalibrationProblem):
            act()


def test_default_half_width_of_a_stated_temperature() -> None:
    wide = burette_volume(burette(), 20.0, "a").contributions["burette 17: temperature"]
    tight = burette_volume(burette(), 20.0, "a", temperature_c=20.0)
    part = tight.contributions["burette 17: temperature, a"]
    # 1 °C instead of 3, and water less glass instead of 2.1e-4.
    assert part.value / wide.value == pytest.approx((2.07e-4 - 9.9e-6) / 2.1e-4 / 3.0, rel=0.002)
    assert tight.value == 20.0


# --- from a record, and refusals --------------------------------------------------------------


def test_ware_from_a_table() -> None:
    ware = ware_from_table(
        {"nominal_ml": 25, "class": "B", "division_ml": 0.1, "name": "17"}, "burette", "x.toml"
    )
    assert ware.name == "burette 17"
    assert ware.tolerance.limit_ml == 0.1
    assert ware_from_table({"nominal_ml": 50, "class": "A"}, "pipette", "x.toml").name == "pipette"


@pytest.mark.parametrize("nominal", [10, 25])
def test_the_division_is_asked_for_where_it_decides(nominal: float) -> None:
    with pytest.raises(CalibrationProblem) as caught:
        find_tolerance("burette", nominal, "A")
    assert "depends on it" in caught.value.sentence
    assert "division_ml" in caught.value.remedy


BAD_TABLES: list[tuple[str, str, dict[str, object]]] = [
    ("burette", '"nominal_ml" is missing', {"class": "A"}),
    ("burette", '"clas" is unknown', {"nominal_ml": 50, "clas": "A"}),
    ("burette", "not a number", {"nominal_ml": "50", "class": "A"}),
    ("burette", "not a text", {"nominal_ml": 50, "class": 1}),
    ("burette", 'class "C"', {"nominal_ml": 50, "class": "C"}),
    ("burette", "30 mL", {"nominal_ml": 30, "class": "A"}),
    ("burette", "divisions of 0.3 mL", {"nominal_ml": 25, "class": "A", "division_ml": 0.3}),
    ("pipette", "one mark", {"nominal_ml": 25, "class": "A", "division_ml": 0.1}),
    ("burette", 'standard "DIN"', {"nominal_ml": 50, "class": "A", "standard": "DIN"}),
    ("beaker", '"beaker" is unknown', {"nominal_ml": 50, "class": "A"}),
    ("burette", "not a text", {"nominal_ml": 50, "class": "A", "name": 17}),
]


@pytest.mark.parametrize(("kind", "words", "table"), BAD_TABLES, ids=lambda v: str(v)[:40])
def test_bad_tables_are_refused(kind: str, words: str, table: dict[str, object]) -> None:
    with pytest.raises(CalibrationProblem) as caught:
        ware_from_table(table, kind, "x.toml: ware")
    assert words in caught.value.sentence
    assert caught.value.sentence.startswith("x.toml: ware")
    assert caught.value.remedy.endswith((".", "?"))


@pytest.mark.parametrize(
    "act",
    [
        lambda: burette_volume(burette(), -1.0),
        lambda: burette_volume(burette(), 51.0),
        lambda: burette_volume(burette(), 5.0, fills=0),
        lambda: burette_volume(burette(), math.nan),
        lambda: pipette_deliveries(pipette(), 0),
        lambda: pipette_deliveries(pipette(), filling_ml=-0.1),
        lambda: burette_volume(burette(), 5.0, reading_limit_ml=math.inf),
    ],
)
def test_impossible_deliveries_are_refused(act: Callable[[], object]) -> None:
    with pytest.raises(CalibrationProblem):
        act()


@pytest.mark.parametrize("data", [True, [], "A", [["nominal_ml", 50]], 3])
def test_ware_that_is_no_table_is_refused_in_words(data: object) -> None:
    with pytest.raises(CalibrationProblem) as caught:
        ware_from_table(data, "burette", "well.toml: ware.burette")  # type: ignore[arg-type]
    assert "well.toml: ware.burette is not a table" in caught.value.sentence
