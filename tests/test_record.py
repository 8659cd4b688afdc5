"""The titration record: every key is checked, and what is refused is called by its full name."""

from __future__ import annotations

import datetime
import math
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from endpoint.assembly import delivery_of, prepare
from endpoint.problems import Problem, RecordProblem
from endpoint.record import TitrationRecord, parse_record, read_record, record_from_options
from endpoint.settings import OPTIONS, Settings, parse_box, settings_from

FULL = """
format = 1
[sample]
label = "Well 3, north field"
volume_ml = 100.0              # or deliveries_ml = [50.0, 50.0]
added_ml = 5.0                 # buffer and rinse water
[titrant]
concentration_mol_l = 0.0100
standard_uncertainty_mol_l = 0.00002
[recording]
video = "well-3.mp4"
[delivery]
log = "volumes.csv"
mode = "steps"
mixing_lag_s = 1.5
mixing_lag_uncertainty_s = 0.5
[blank]
volume_ml = 0.05
standard_uncertainty_ml = 0.01
[ware]
burette = { nominal_ml = 50, class = "A", division_ml = 0.1 }
pipette = "A"
[settings]
liquid_box = [10, 20, 30, 40]
"""

# Every number of a record with the tables that must surround it.
NUMBERS: dict[tuple[str, str], str] = {
    ("sample", "volume_ml"): FULL,
    ("sample", "added_ml"): FULL,
    ("titrant", "concentration_mol_l"): FULL,
    ("titrant", "standard_uncertainty_mol_l"): FULL,
    ("delivery", "mixing_lag_s"): FULL,
    ("delivery", "mixing_lag_uncertainty_s"): FULL,
    ("blank", "volume_ml"): FULL,
    ("blank", "standard_uncertainty_ml"): FULL,
}
PUMP = FULL.replace('log = "volumes.csv"\nmode = "steps"', "rate_ml_min = 6.0\nstart_s = 5.0")
PHOTOMETER = FULL.replace('video = "well-3.mp4"', 'photometer = "a.csv"\npath_cm = 2.0')
NUMBERS |= {
    ("delivery", "rate_ml_min"): PUMP,
    ("delivery", "start_s"): PUMP,
    ("recording", "path_cm"): PHOTOMETER,
}


def parsed(text: str) -> dict[str, Any]:
    return tomllib.loads(text)


def read(table: dict[str, Any]) -> TitrationRecord:
    return parse_record(table, "r.toml", Path("folder"))


def refused(table: dict[str, Any]) -> RecordProblem:
    with pytest.raises(RecordProblem) as caught:
        read(table)
    problem = caught.value
    assert problem.sentence.startswith("r.toml")
    assert problem.sentence.endswith((".", ")."))
    assert re.search(r"[.?]$", problem.remedy)
    return problem


def changed(text: str, section: str, key: str, value: object) -> dict[str, Any]:
    table = parsed(text)
    table.setdefault(section, {})[key] = value
    return table


def test_the_whole_example_is_read() -> None:
    record = read(parsed(FULL))
    assert record.label == "Well 3, north field"
    assert record.deliveries_ml == (100.0,)
    assert record.added_ml == 5.0
    assert record.concentration_mol_l == 0.01
    assert record.standard_uncertainty_mol_l == 0.00002
    assert (record.kind, record.medium) == ("video", Path("folder/well-3.mp4"))
    assert (record.log, record.mode) == (Path("folder/volumes.csv"), "steps")
    assert (record.mixing_lag_s, record.mixing_lag_uncertainty_s) == (1.5, 0.5)
    assert (record.blank_ml, record.blank_uncertainty_ml) == (0.05, 0.01)
    assert record.ware["burette"] == {"nominal_ml": 50, "class": "A", "division_ml": 0.1}
    assert record.settings.liquid_box == (10, 20, 30, 40)


def test_the_shortest_record_has_defaults() -> None:
    record = read(
        parsed(
            "format = 1\n[sample]\nvolume_ml = 50\n[titrant]\nconcentration_mol_l = 0.01\n"
            '[recording]\nphotometer = "a.csv"\n'
        )
    )
    assert (record.label, record.added_ml, record.path_cm) == ("r.toml", 0.0, 1.0)
    assert (record.log, record.rate_ml_min, record.blank_ml) == (None, None, None)
    assert record.settings == Settings()
    assert delivery_of(record, None) is None


def test_two_fillings_a_certificate_and_a_pump() -> None:
    table = parsed(PUMP)
    del table["sample"]["volume_ml"]
    table["sample"]["deliveries_ml"] = [50.0, 50]
    table["titrant"] = {"certificate": "edta.json"}
    table["ware"] = {"burette": "b.json", "pipette": {"certificate": "p.json"}}
    record = read(table)
    assert record.deliveries_ml == (50.0, 50.0)
    assert record.certificate == Path("folder/edta.json")
    assert record.ware == {"burette": Path("folder/b.json"), "pipette": Path("folder/p.json")}
    assert (record.rate_ml_min, record.start_s, record.mode) == (6.0, 5.0, "continuous")
    delivery = delivery_of(record, None)
    assert delivery is not None
    assert delivery.volume_at(65.0) == pytest.approx(6.0)


def test_paths_count_from_the_record(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    path = tmp_path / "sub" / "r.toml"
    path.write_text(FULL.replace("volumes.csv", "../volumes.csv"), encoding="utf-8-sig")
    record = read_record(path)
    assert record.medium == tmp_path / "sub" / "well-3.mp4"
    assert record.log is not None
    assert record.log.resolve() == (tmp_path / "volumes.csv").resolve()
    path.write_text(FULL.replace("well-3.mp4", f"{tmp_path.as_posix()}/x.mp4"), encoding="utf-8")
    assert read_record(path).medium == tmp_path / "x.mp4"


KNOWN = [
    (section, key)
    for text in (FULL, PUMP, PHOTOMETER)
    for section, part in parsed(text).items()
    if isinstance(part, dict)
    for key in part
]


@pytest.mark.parametrize(("section", "key"), sorted(set(KNOWN)))
def test_a_misspelt_key_is_named_with_the_right_one(section: str, key: str) -> None:
    wrong = key.replace("_", "__", 1) if "_" in key else key + "s"
    problem = refused(changed(FULL, section, wrong, 1.0))
    assert wrong in problem.sentence
    assert section in problem.sentence
    assert key in problem.remedy


def test_unknown_tables_and_keys_without_a_neighbour() -> None:
    problem = refused({**parsed(FULL), "titrants": {}})
    assert "titrants" in problem.sentence
    assert "titrant" in problem.remedy
    problem = refused(changed(FULL, "sample", "zzzz", 1))
    assert "sample.zzzz" in problem.sentence
    assert "volume_ml" in problem.remedy


@pytest.mark.parametrize("where", NUMBERS, ids=".".join)
@pytest.mark.parametrize(
    "value",
    [
        math.nan,
        math.inf,
        -math.inf,
        -1e9,
        1e9,
        10**400,
        True,
        "1.0",
        [1.0],
        {"ml": 1.0},
        datetime.date(2024, 1, 2),
    ],
    ids=lambda value: repr(value)[:12],
)
def test_no_number_can_be_something_else(where: tuple[str, str], value: object) -> None:
    problem = refused(changed(NUMBERS[where], *where, value))
    assert ".".join(where) in problem.sentence
    assert "nan" not in problem.remedy.lower()


@pytest.mark.parametrize(
    ("section", "key", "value"),
    [
        ("sample", "volume_ml", 0.0),
        ("sample", "volume_ml", 0.1),  # litres
        ("sample", "volume_ml", 100_000.0),  # microlitres
        ("titrant", "concentration_mol_l", 0.0),
        ("titrant", "concentration_mol_l", 10.0),  # mmol/L
        ("titrant", "concentration_mol_l", 1e-8),
        ("titrant", "standard_uncertainty_mol_l", 0.005),  # half of the value
        ("blank", "volume_ml", 51.0),
        ("delivery", "mixing_lag_s", 1500.0),  # milliseconds
    ],
)
def test_values_in_another_unit_are_refused(section: str, key: str, value: float) -> None:
    problem = refused(changed(FULL, section, key, value))
    assert f"{section}.{key}" in problem.sentence


@pytest.mark.parametrize(
    ("section", "key"),
    [
        ("recording", "video"),
        ("delivery", "log"),
        ("delivery", "mode"),
        ("ware", "burette"),
        ("ware", "pipette"),
    ],
)
@pytest.mark.parametrize("value", [3, 1.5, True, [], ["a"], "", "a\0b"], ids=repr)
def test_no_text_can_be_something_else(section: str, key: str, value: object) -> None:
    assert f"{section}.{key}" in refused(changed(FULL, section, key, value)).sentence


@pytest.mark.parametrize("value", [3, True, ["a"], {"a": 1}], ids=repr)
def test_a_label_is_text(value: object) -> None:
    assert "sample.label" in refused(changed(FULL, "sample", "label", value)).sentence


@pytest.mark.parametrize("section", ["sample", "titrant", "recording", "delivery", "blank", "ware"])
@pytest.mark.parametrize("value", [3, "text", [1, 2], True], ids=repr)
def test_a_table_must_be_a_table(section: str, value: object) -> None:
    problem = refused({**parsed(FULL), section: value})
    assert section in problem.sentence
    assert f"[{section}]" in problem.remedy


@pytest.mark.parametrize(
    ("value", "why"),
    [
        ([], "no parts"),
        ([50.0] * 51, "too many parts"),
        (50.0, "no list"),
        ([50.0, "50"], "text"),
        ([50.0, math.nan], "not finite"),
        ([50.0, -50.0], "negative"),
        ([50.0, [1.0]], "nested"),
    ],
)
def test_deliveries_are_a_list_of_volumes(value: object, why: str) -> None:
    table = parsed(FULL)
    del table["sample"]["volume_ml"]
    table["sample"]["deliveries_ml"] = value
    assert "sample.deliveries_ml" in refused(table).sentence, why


CONTRADICTIONS = [
    ("sample", {"deliveries_ml": [50.0]}, "deliveries_ml"),
    ("titrant", {"certificate": "edta.json"}, "certificate"),
    ("recording", {"stills": "frames"}, "exactly one"),
    ("recording", {"path_cm": 1.0}, "path_cm"),
    ("delivery", {"rate_ml_min": 6.0}, "exactly one"),
    ("delivery", {"per_still": "v.csv"}, "exactly one"),
    ("delivery", {"start_s": 5.0}, "start_s"),
]


@pytest.mark.parametrize(("section", "extra", "named"), CONTRADICTIONS)
def test_contradictions_are_refused(section: str, extra: dict[str, Any], named: str) -> None:
    table = parsed(FULL)
    table[section] |= extra
    assert named in str(refused(table))


@pytest.mark.parametrize(
    ("medium", "delivery", "named"),
    [
        ("stills", {"log": "v.csv", "mode": "steps"}, "per_still"),
        ("stills", {"rate_ml_min": 6.0}, "per_still"),
        ("video", {"per_still": "v.csv"}, "per_still"),
        ("photometer", {"per_still": "v.csv"}, "per_still"),
        ("video", {}, "exactly one"),
        ("video", {"mixing_lag_uncertainty_s": 1.0, "rate_ml_min": 6.0}, "mixing_lag_s"),
        ("video", {"rate_ml_min": 6.0, "mode": "continuous"}, "delivery.mode"),
        ("video", {"log": "v.csv", "mode": "STEPS"}, "delivery.mode"),
    ],
)
def test_a_delivery_must_suit_the_recording(
    medium: str, delivery: dict[str, Any], named: str
) -> None:
    table = {**parsed(FULL), "recording": {medium: "x"}, "delivery": delivery}
    assert named in str(refused(table))


@pytest.mark.parametrize("value", [None, 0, 2, "1", [1]], ids=repr)
def test_the_format_must_be_1(value: object) -> None:
    table = {**parsed(FULL), "format": value}
    if value is None:
        del table["format"]
    assert "format = 1" in str(refused(table))


@pytest.mark.parametrize(
    ("content", "named"),
    [
        (b"", "format = 1"),
        (b"\xff\xfe\x00\x01", "r.toml"),
        (b"format = \n", "TOML"),
        (b"format = 1\nformat = 1\n", "TOML"),
        (b"[" * 5000, "TOML"),
        (b"format = 1\nx = " + b"[" * 5000, "TOML"),
        (b"format = 1\nx = " + b"9" * 5000, "TOML"),
        (b"#" * 1_000_001, "too large"),
        ("label = 'Süd'".encode("latin-1"), "r.toml"),
    ],
    ids=lambda part: repr(part)[:20],
)
def test_what_is_no_record_is_refused(tmp_path: Path, content: bytes, named: str) -> None:
    path = tmp_path / "r.toml"
    path.write_bytes(content)
    with pytest.raises(RecordProblem) as caught:
        read_record(path)
    assert named in caught.value.sentence
    assert len(caught.value.sentence) < 250


def test_a_folder_and_a_missing_record(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "no.toml", tmp_path / "no" / "no.toml"):
        with pytest.raises(RecordProblem, match=r"folder|does not exist"):
            read_record(path)


def test_ware_is_checked_by_key(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("volume_ml,A620\n0,0.1\n1,0.2\n", encoding="utf-8")
    table = parsed(PHOTOMETER)
    del table["delivery"]
    for ware, named in (
        ({"nominal_ml": 50, "klass": "A"}, "klass"),
        ({"nominal_ml": math.nan, "class": "A"}, "nominal_ml"),
        ({"nominal_ml": 50, "class": "Z"}, "class"),
        ({}, "burette"),
    ):
        table["ware"] = {"burette": ware}
        with pytest.raises(Problem) as caught:
            prepare(parse_record(table, "r.toml", tmp_path))
        assert named in str(caught.value)


@pytest.mark.parametrize(
    "value",
    [
        [1, 2, 3],
        [1, 2, 3, 4, 5],
        "1,2,3",
        "a,b,c,d",
        [5, 5, 5, 9],
        [9, 1, 5, 9],
        [-1, 0, 5, 9],
        [0, 0, 10**9, 9],
        [True, 0, 5, 9],
        [math.nan, 0, 5, 9],
        [math.inf, 0, 5, 9],
        [None, 0, 5, 9],
        [0.5, 0, 5, 9],
        "9" * 5000 + ",0,5,9",
        7,
        {},
    ],
    ids=lambda value: repr(value)[:20],
)
def test_a_box_is_four_whole_numbers(value: object) -> None:
    with pytest.raises(RecordProblem, match="liquid_box"):
        settings_from({"liquid_box": value}, "r.toml: settings")


def test_boxes_from_lists_and_texts() -> None:
    assert parse_box([1, 2, 30, 40], "x") == (1, 2, 30, 40)
    assert parse_box(" 1, 2,30 ,40", "x") == (1, 2, 30, 40)


def test_every_choice_is_known_and_no_other() -> None:
    for option in OPTIONS:
        for choice in option.choices:
            assert getattr(settings_from({option.name: choice}, "x"), option.name) == choice
        if option.kind == "choice":
            for value in ("BT.709", 709, [], {}, True):
                with pytest.raises(RecordProblem, match=option.name):
                    settings_from({option.name: value}, "x")
    with pytest.raises(RecordProblem, match="liquid_bx") as caught:
        settings_from({"liquid_bx": [1, 2, 3, 4]}, "x")
    assert "liquid_box" in caught.value.remedy


def from_options(medium: Path, **changes: Any) -> TitrationRecord:
    given: dict[str, Any] = {
        "volumes": Path("v.csv"),
        "mode": None,
        "rate_ml_min": None,
        "start_s": 0.0,
        "sample_ml": 100.0,
        "added_ml": 5.0,
        "titrant_mol_l": 0.01,
        "settings": Settings(),
    }
    return record_from_options(medium, **{**given, **changes})


def test_options_make_the_same_record(tmp_path: Path) -> None:
    film = from_options(tmp_path / "well.mp4")
    assert (film.kind, film.mode, film.label) == ("video", "steps", "well")
    assert film.log == Path("v.csv").absolute()
    assert from_options(tmp_path / "a.CSV", volumes=None).kind == "photometer"
    stills = from_options(tmp_path)
    assert (stills.kind, stills.per_still) == ("stills", Path("v.csv").absolute())
    pump = from_options(tmp_path / "w.mp4", volumes=None, rate_ml_min=6.0, start_s=3.0)
    assert (pump.rate_ml_min, pump.start_s, pump.mode) == (6.0, 3.0, "continuous")


@pytest.mark.parametrize(
    "changes",
    [
        {"sample_ml": math.nan},
        {"sample_ml": -100.0},
        {"titrant_mol_l": math.inf},
        {"titrant_mol_l": 10.0},
        {"added_ml": -5.0},
        {"volumes": None},
        {"rate_ml_min": 6.0},
        {"volumes": None, "rate_ml_min": math.nan},
        {"volumes": None, "rate_ml_min": 6.0, "start_s": math.inf},
    ],
    ids=repr,
)
def test_impossible_options_are_refused(tmp_path: Path, changes: dict[str, Any]) -> None:
    with pytest.raises(RecordProblem) as caught:
        from_options(tmp_path / "well.mp4", **changes)
    assert caught.value.remedy


ANY_VALUE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda part: st.lists(part, max_size=3) | st.dictionaries(st.text(max_size=6), part),
    max_leaves=4,
)
PLACES = [("", key) for key in parsed(FULL)] + sorted(set(KNOWN))


@given(place=st.sampled_from(PLACES), value=ANY_VALUE, base=st.sampled_from([FULL, PUMP]))
def test_any_value_at_any_key_is_read_or_refused(
    place: tuple[str, str], value: object, base: str
) -> None:
    table = parsed(base)
    (table[place[0]] if place[0] else table)[place[1]] = value
    try:
        record = read(table)
    except RecordProblem as problem:
        assert problem.sentence
        assert problem.remedy
        return
    numbers = [*record.deliveries_ml, record.added_ml, record.path_cm, record.start_s]
    numbers += [v for v in (record.concentration_mol_l, record.blank_ml) if v is not None]
    assert all(math.isfinite(number) for number in numbers)
