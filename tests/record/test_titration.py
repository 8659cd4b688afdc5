"""The titration record: what the format promises, and refusals that name the key."""

from __future__ import annotations

import copy
import dataclasses
import os
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from endpoint.problems import RecordProblem
from endpoint.record.settings import OPTIONS, Settings, settings_from
from endpoint.record.titration import (
    _KEYS,
    DeliveryOptions,
    parse_record,
    read_record,
    record_from_options,
)

GOOD = """\
format = 1
[sample]
label = "Well 3, north field"
deliveries_ml = [50.0, 50.0]
added_ml = 5.0
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
pipette = "AS"
[settings]
liquid_box = [200, 150, 420, 330]
colour_matrix = "bt709"
"""

TABLE: dict[str, Any] = {
    "format": 1,
    "sample": {"volume_ml": 100.0},
    "titrant": {"concentration_mol_l": 0.01},
    "recording": {"video": "film.mp4"},
    "delivery": {"log": "v.csv", "mode": "steps"},
}


def changed(section: str, **keys: Any) -> dict[str, Any]:
    """Good table with keys of one section put in, or taken out where the value is None."""
    table = copy.deepcopy(TABLE)
    part = table.setdefault(section, {})
    for key, value in keys.items():
        if value is None:
            part.pop(key, None)
        else:
            part[key] = value
    return table


def parsed(table: dict[str, Any]) -> Any:
    return parse_record(table, "well.toml", Path("folder"))


def test_every_key_arrives(tmp_path: Path) -> None:
    path = tmp_path / "well-3.toml"
    path.write_text(GOOD, encoding="utf-8")
    record = read_record(path)
    assert record.label == "Well 3, north field"
    assert record.deliveries_ml == (50.0, 50.0)
    assert record.added_ml == 5.0
    assert record.concentration_mol_l == 0.01
    assert record.standard_uncertainty_mol_l == 0.00002
    assert (record.kind, record.medium) == ("video", tmp_path / "well-3.mp4")
    assert (record.log, record.mode) == (tmp_path / "volumes.csv", "steps")
    assert (record.mixing_lag_s, record.mixing_lag_uncertainty_s) == (1.5, 0.5)
    assert (record.blank_ml, record.blank_uncertainty_ml) == (0.05, 0.01)
    assert record.ware["pipette"] == "AS"
    assert record.ware["burette"] == {"nominal_ml": 50, "class": "A", "division_ml": 0.1}
    assert record.settings == Settings(liquid_box=(200, 150, 420, 330), colour_matrix="bt709")
    with pytest.raises(dataclasses.FrozenInstanceError):
        record.added_ml = 0.0  # type: ignore[misc]


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "well.toml"
    path.write_text(GOOD, encoding="utf-8-sig")
    assert read_record(path).added_ml == 5.0


def test_the_shortest_record() -> None:
    record = parsed(TABLE)
    assert record.deliveries_ml == (100.0,)
    assert (record.added_ml, record.blank_ml, record.path_cm) == (0.0, None, 1.0)
    assert record.label == "well.toml"
    assert record.settings == Settings()


def test_the_other_ways_to_deliver_and_record() -> None:
    pump = changed("delivery", log=None, mode=None, rate_ml_min=6.0, start_s=5.0)
    assert (parsed(pump).rate_ml_min, parsed(pump).start_s, parsed(pump).mode) == (
        6.0,
        5.0,
        "continuous",
    )
    stills = changed("delivery", log=None, mode=None, per_still="v.csv")
    stills["recording"] = {"stills": "frames"}
    assert (parsed(stills).kind, parsed(stills).mode) == ("stills", "per-still")
    rows = changed("delivery", log=None, mode=None)
    rows["recording"] = {"photometer": "a.csv", "path_cm": 2.0}
    assert (parsed(rows).kind, parsed(rows).path_cm) == ("photometer", 2.0)
    certified = changed("titrant", concentration_mol_l=None, certificate="edta.json")
    assert parsed(certified).certificate == Path("folder/edta.json")
    ware = changed("ware", burette="b.json", pipette={"certificate": "p.json"})
    assert parsed(ware).ware == {"burette": Path("folder/b.json"), "pipette": Path("folder/p.json")}


@pytest.mark.parametrize(
    ("table", "key", "remedy"),
    [
        ({**TABLE, "smaple": {}}, "smaple", "sample"),
        (changed("sample", volum_ml=1.0), "sample.volum_ml", "volume_ml"),
        (changed("titrant", concentration_mol=1.0), "titrant.concentration_mol", "_mol_l"),
        (changed("recording", vidoe="x"), "recording.vidoe", "video"),
        (changed("delivery", mixing_lag=1.0), "delivery.mixing_lag", "mixing_lag_s"),
        (changed("blank", volume_l=0.1), "blank.volume_l", "volume_ml"),
        (changed("ware", buret="A"), "ware.buret", "burette"),
        (changed("settings", liquidbox=[0, 0, 1, 1]), "liquidbox", "liquid_box"),
        (changed("sample", zzz=1), "sample.zzz", "label, date, volume_ml"),
    ],
)
def test_an_unknown_key_is_named_with_the_nearest(
    table: dict[str, Any], key: str, remedy: str
) -> None:
    with pytest.raises(RecordProblem) as caught:
        parsed(table)
    assert key in caught.value.sentence
    assert "well.toml" in caught.value.sentence
    assert remedy in caught.value.remedy


@pytest.mark.parametrize(
    ("section", "key", "value"),
    [
        ("sample", "volume_ml", 0.01),
        ("sample", "volume_ml", -100.0),
        ("sample", "volume_ml", float("nan")),
        ("sample", "volume_ml", float("inf")),
        ("sample", "volume_ml", "100"),
        ("sample", "volume_ml", True),
        ("sample", "volume_ml", 10**400),
        pytest.param("sample", "volume_ml", 16**5000, id="too many digits to print"),
        ("sample", "added_ml", -1.0),
        ("sample", "label", 5),
        ("titrant", "concentration_mol_l", 10.0),
        ("titrant", "concentration_mol_l", 0),
        ("titrant", "standard_uncertainty_mol_l", 0.009),
        ("titrant", "standard_uncertainty_mol_l", -0.001),
        ("recording", "video", 7),
        ("recording", "video", ""),
        ("recording", "video", "a\x00b"),
        ("recording", "path_cm", 1.0),
        ("delivery", "mode", "pour"),
        ("delivery", "mixing_lag_s", -1.0),
        ("delivery", "start_s", 3.0),
        ("blank", "volume_ml", 80.0),
        ("blank", "volume_ml", float("nan")),
        ("ware", "burette", "C"),
        ("ware", "pipette", 50),
        ("settings", "liquid_box", [5, 5, 1, 1]),
        ("settings", "liquid_box", [1, 2, 3]),
        ("settings", "liquid_box", "1,2,3,x"),
        ("settings", "colour_range", "wide"),
    ],
)
def test_an_impossible_value_is_named_by_its_key(section: str, key: str, value: Any) -> None:
    with pytest.raises(RecordProblem) as caught:
        parsed(changed(section, **{key: value}))
    assert key in caught.value.sentence
    assert section in caught.value.sentence
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({k: v for k, v in TABLE.items() if k != "format"}, "format"),
        ({**TABLE, "format": 2}, "format"),
        ({**TABLE, "sample": 3}, "sample"),
        ({**TABLE, "sample": {}}, "volume_ml or deliveries_ml"),
        (changed("sample", deliveries_ml=[50.0, 50.0]), "volume_ml or deliveries_ml"),
        (changed("sample", volume_ml=None, deliveries_ml=[]), "deliveries_ml"),
        (changed("sample", volume_ml=None, deliveries_ml=[50.0, -1.0]), "deliveries_ml"),
        (changed("titrant", certificate="e.json"), "concentration_mol_l or certificate"),
        ({**TABLE, "recording": {}}, "exactly one of video"),
        (changed("recording", stills="frames"), "has video, stills"),
        ({**TABLE, "delivery": {}}, "exactly one of log"),
        (changed("delivery", rate_ml_min=6.0), "has log, rate_ml_min"),
        (changed("delivery", mode=None), "delivery.mode is missing"),
        (changed("delivery", mixing_lag_uncertainty_s=0.5), "without mixing_lag_s"),
        (changed("delivery", log=None, mode=None, per_still="v.csv"), "stills only"),
        (changed("blank", standard_uncertainty_ml=0.1), "blank.volume_ml is missing"),
    ],
)
def test_what_does_not_belong_together_is_refused(table: dict[str, Any], words: str) -> None:
    with pytest.raises(RecordProblem) as caught:
        parsed(table)
    assert words in caught.value.sentence
    assert caught.value.remedy


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"format = 1",
        b"this is no toml",
        b"format = 1\n[sample\n",
        b"\xff\xfe\x00\x01",
        b"format = 1\nformat = 1\n",
        b"format = " + b"1" * 5000,
        b"x = " + b"[" * 20000,
        b"format = 1\nx = 2020-13-45\n",
        b"#" * 1_100_000,
    ],
    ids=range(10),
)
def test_what_is_no_record_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "well.toml"
    path.write_bytes(content)
    with pytest.raises(RecordProblem) as caught:
        read_record(path)
    assert "well.toml" in caught.value.sentence
    assert caught.value.remedy


def test_a_missing_record_a_folder_and_a_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    for name, word in (
        ("none.toml", "not exist"),
        ("", "folder"),
        ("pipe.toml", "not an ordinary"),
    ):
        with pytest.raises(RecordProblem, match=word):
            read_record(tmp_path / name)


def test_a_key_cannot_break_the_sentence() -> None:
    with pytest.raises(RecordProblem) as caught:
        parsed({**TABLE, "a\nb\x1b[31m": 1})
    assert caught.value.sentence.isprintable()


KEYS = [key for names in _KEYS.values() for key in names] + ["liquid_box", "colour_matrix"]
SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.dates(),
    st.lists(st.one_of(st.floats(), st.integers(), st.text(max_size=3)), max_size=4),
    st.dictionaries(st.text(max_size=4), st.floats(), max_size=2),
)


@settings(max_examples=300)
@given(
    st.sampled_from(["sample", "titrant", "recording", "delivery", "blank", "ware", "settings"]),
    st.dictionaries(
        st.sampled_from(KEYS),
        SCALARS,
        max_size=3,
    ),
)
def test_any_table_is_read_or_refused_in_words(section: str, keys: dict[str, Any]) -> None:
    try:
        record = parsed(changed(section, **keys))
    except RecordProblem as problem:
        assert problem.sentence
        assert problem.remedy
        assert problem.sentence.isprintable()
    else:
        assert 0.5 <= sum(record.deliveries_ml) <= 250_000
        assert 0 <= record.added_ml <= 5000


def from_options(medium: Path, **changes: Any) -> Any:
    options: dict[str, Any] = {
        "sample_ml": 100.0,
        "added_ml": 0.0,
        "titrant_mol_l": 0.01,
        "settings": Settings(),
    }
    names = {field.name for field in fields(DeliveryOptions)}
    ways = {"volumes": Path("v.csv"), **{k: v for k, v in changes.items() if k in names}}
    others = {k: v for k, v in changes.items() if k not in names}
    return record_from_options(medium, delivery=DeliveryOptions(**ways), **{**options, **others})


def test_a_record_from_the_command_line(tmp_path: Path) -> None:
    record = from_options(tmp_path / "film.mp4")
    assert (record.kind, record.mode, record.label) == ("video", "steps", "film")
    assert record.log == Path("v.csv").absolute()
    assert from_options(tmp_path / "film.mp4", mode="continuous").mode == "continuous"
    stills = from_options(tmp_path)
    assert (stills.kind, stills.per_still) == ("stills", Path("v.csv").absolute())
    rows = from_options(tmp_path / "a.csv", volumes=None)
    assert (rows.kind, rows.log) == ("photometer", None)
    pump = from_options(tmp_path / "film.mp4", volumes=None, rate_ml_min=6.0, start_s=4.0)
    assert (pump.rate_ml_min, pump.start_s) == (6.0, 4.0)
    boxed = from_options(tmp_path / "film.mp4", settings=Settings(liquid_box=(0, 0, 5, 5)))
    assert boxed.settings.liquid_box == (0, 0, 5, 5)


@pytest.mark.parametrize(
    "changes",
    [
        {"volumes": None},
        {"rate_ml_min": 6.0},
        {"sample_ml": 0.1},
        {"titrant_mol_l": 10.0},
        {"added_ml": float("nan")},
        {"volumes": None, "rate_ml_min": -1.0},
    ],
)
def test_options_are_checked_like_a_record(tmp_path: Path, changes: dict[str, Any]) -> None:
    with pytest.raises(RecordProblem) as caught:
        from_options(tmp_path / "film.mp4", **changes)
    assert "command line" in caught.value.sentence


def test_every_option_is_declared_once_and_is_a_setting() -> None:
    names = [option.name for option in OPTIONS]
    assert names == [field.name for field in dataclasses.fields(Settings)]
    assert all(option.help.endswith(".") for option in OPTIONS)
    read = settings_from(
        {
            option.name: option.choices[0] if option.kind == "choice" else "1,2,30,40"
            for option in OPTIONS
        },
        "here",
    )
    assert read.liquid_box == (1, 2, 30, 40)
    assert None not in dataclasses.astuple(read)
