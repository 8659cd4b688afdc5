"""Certificates: kept whole through a file, refused in words when they cannot be used."""

from __future__ import annotations

import copy
import datetime
import json
import math
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.certificate import (
    MAX_BYTES,
    Certificate,
    CertificateProblem,
    certificate_from_json,
    read_certificate,
    write_certificate,
)
from calibration.problem import CalibrationProblem
from calibration.quantity import Contribution, Quantity, covariance

DAY = datetime.date(2026, 3, 2)


def edta() -> Certificate:
    strength = Quantity(
        0.010021,
        "mol/L",
        {
            "burette 17: calibration": Contribution(-8e-6, distribution="triangular"),
            "EDTA bottle 3: titres": Contribution(5e-6, "A", 4),
        },
    )
    return Certificate(
        identifier="EDTA-3",
        kind="titrant",
        what="EDTA 0.01 mol/L, bottle 3",
        date=DAY,
        expiry=datetime.date(2026, 6, 1),
        operator="AB",
        quantities={"concentration": strength},
        readings={"titre_ml": (24.95, 24.93, 24.96)},
        remarks=("zinc standard",),
    )


def changed(**keys: Any) -> dict[str, Any]:
    data: dict[str, Any] = {**edta().to_json(), **keys}
    return {key: value for key, value in data.items() if value is not ...}


def test_round_trip_through_a_file(tmp_path: Path) -> None:
    path = tmp_path / "edta.json"
    write_certificate(edta(), path)
    again = read_certificate(path)
    assert again == edta()
    assert list(tmp_path.iterdir()) == [path]
    # What shares a name with the burette of today is still correlated with it.
    titre = Quantity.measured(12.0, "mL", 0.02, "burette 17: calibration")
    strength = again.quantity("concentration", "mol/L")
    assert covariance(strength, titre) == pytest.approx(-8e-6 * 0.02, rel=1e-12)


def test_it_travels_between_processes_and_cannot_be_changed() -> None:
    certificate = edta()
    assert pickle.loads(pickle.dumps(certificate)) == certificate == copy.deepcopy(certificate)
    with pytest.raises(TypeError):
        certificate.quantities["x"] = Quantity(1.0, "mL")  # type: ignore[index]


def test_a_person_may_write_the_short_form(tmp_path: Path) -> None:
    path = tmp_path / "edta.json"
    text = """{"format": 1, "id": "EDTA-3", "kind": "titrant", "what": "EDTA", "operator": "AB",
      "date": "2026-03-02", "quantities": {"concentration":
      {"value": 0.01, "unit": "mol/L", "standard_uncertainty": 0.00002}}}"""
    path.write_text(text, encoding="utf-8")
    strength = read_certificate(path).quantity("concentration", "mol/L")
    assert strength.contributions["EDTA-3: concentration"].value == 0.00002
    assert read_certificate(path).expiry is None


def test_expiry() -> None:
    certificate = edta()
    last = datetime.date(2026, 6, 1)
    assert certificate.check_use("titrant", last) == ()
    late = last + datetime.timedelta(days=1)
    with pytest.raises(CertificateProblem, match="expired on 2026-06-01"):
        certificate.check_use("titrant", late)
    (remark,) = certificate.check_use("titrant", late, accepted=True)
    assert "expired on 2026-06-01" in remark
    assert "asked for" in remark


def test_wrong_kind_wrong_day_wrong_unit() -> None:
    certificate = edta()
    for words, act in (
        ("not for glassware", lambda: certificate.check_use("glassware", DAY)),
        ("after the day of use", lambda: certificate.check_use("titrant", DAY.replace(year=2025))),
        ('no quantity "volume"', lambda: certificate.quantity("volume", "mL")),
        ("but mmol/L is needed", lambda: certificate.quantity("concentration", "mmol/L")),
    ):
        with pytest.raises(CertificateProblem) as caught:
            act()
        assert words in caught.value.sentence


def quantity(**keys: Any) -> dict[str, Any]:
    table = {"value": 0.01, "unit": "mol/L", "standard_uncertainty": 1e-5, **keys}
    return {"concentration": {k: v for k, v in table.items() if v is not ...}}


def contribution(**keys: Any) -> dict[str, Any]:
    table = {"value": 0.01, "unit": "mol/L", "contributions": {"a": {"value": 1e-5, **keys}}}
    return {"concentration": table}


BAD: list[tuple[str, Any]] = [
    ("not a table of keys", [1, 2]),
    ("not a table of keys", "text"),
    ('"id" is missing', changed(id=...)),
    ('"expires" is unknown', changed(expires="2026-01-01")),
    ("format is 2", changed(format=2)),
    ('kind "titrent"', changed(kind="titrent")),
    ("kind is", changed(kind=3)),
    ("operator is", changed(operator="")),
    ("not a day", changed(date="2.3.2026")),
    ("not a day", changed(date=20260302)),
    ("not a day", changed(expiry="soon")),
    ("before its date", changed(expiry="2026-03-01")),
    ("holds no quantity", changed(quantities={})),
    ("quantities is", changed(quantities=3)),
    ('"value" is missing', changed(quantities=quantity(value=...))),
    ("not a number", changed(quantities=quantity(value="0.01"))),
    ("not a number", changed(quantities=quantity(value=True))),
    ("not a number", changed(quantities=quantity(value=10**400))),
    ("not a number", changed(quantities=quantity(value=None))),
    ("not a text", changed(quantities=quantity(unit=""))),
    ('"standard_uncertainty" is missing', changed(quantities=quantity(standard_uncertainty=...))),
    ("negative", changed(quantities=quantity(standard_uncertainty=-1e-5))),
    ("is unknown", changed(quantities=quantity(standard_uncertainy=1e-5))),
    ("kind", changed(quantities=contribution(kind="C"))),
    ("distribution", changed(quantities=contribution(distribution="flat"))),
    ("degrees of freedom", changed(quantities=contribution(degrees_of_freedom=0))),
    ("degrees_of_freedom is", changed(quantities=contribution(degrees_of_freedom="many"))),
    ("not a list", changed(readings={"titre_ml": 3})),
    ("number 2", changed(readings={"titre_ml": [24.9, "24.8"]})),
    ("not a list", changed(remarks="none")),
]


@pytest.mark.parametrize(("words", "data"), BAD, ids=[words for words, _ in BAD])
def test_bad_content_is_refused_by_name(words: str, data: Any) -> None:
    with pytest.raises(CertificateProblem) as caught:
        certificate_from_json(data, "edta.json")
    assert words in caught.value.sentence
    assert caught.value.sentence.startswith("edta.json")
    assert len(caught.value.sentence) < 200
    assert caught.value.remedy.endswith((".", "?"))


def test_near_key_is_suggested() -> None:
    with pytest.raises(CertificateProblem) as caught:
        certificate_from_json(changed(expirry="2026-01-01"), "edta.json")
    assert caught.value.remedy == 'Did you mean "expiry"?'


WRITERS: list[tuple[str, Callable[[Path], object]]] = [
    ("it does not exist", lambda p: None),
    ("it is a folder", lambda p: p.mkdir()),
    ("not valid JSON", lambda p: p.write_text("")),
    ("not valid JSON", lambda p: p.write_text("{")),
    ("NaN", lambda p: p.write_text('{"format": NaN}')),
    ("is there twice", lambda p: p.write_text('{"id": 1, "id": 2}')),
    ("nested too deep", lambda p: p.write_text("[" * 200_000)),
    ("not valid JSON", lambda p: p.write_text('{"format": ' + "9" * 5000 + "}")),
    ("not a text file", lambda p: p.write_bytes(b"\xff\xd8\xff\xe0")),
    ("larger than", lambda p: p.write_bytes(b" " * (MAX_BYTES + 1))),
]


@pytest.mark.parametrize(("words", "make"), WRITERS, ids=[words for words, _ in WRITERS])
def test_bad_files_are_refused(words: str, make: Callable[[Path], object], tmp_path: Path) -> None:
    path = tmp_path / "edta.json"
    make(path)
    with pytest.raises(CertificateProblem) as caught:
        read_certificate(path)
    assert words in caught.value.sentence
    assert "edta.json" in caught.value.sentence
    assert len(caught.value.sentence) < 250


def test_a_name_with_a_zero_byte_is_refused() -> None:
    with pytest.raises(CertificateProblem):
        read_certificate(Path("edta\0.json"))


def test_a_folder_that_is_missing_is_said_when_writing(tmp_path: Path) -> None:
    with pytest.raises(CertificateProblem, match="cannot be written"):
        write_certificate(edta(), tmp_path / "none" / "edta.json")


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "edta.json"
    path.write_text(json.dumps(edta().to_json()), encoding="utf-8-sig")
    assert read_certificate(path) == edta()


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)


@settings(max_examples=200)
@given(st.sampled_from(list(edta().to_json())), json_values)
def test_anything_under_any_key_is_read_or_refused_in_words(key: str, value: Any) -> None:
    words: tuple[str, ...]
    try:
        certificate = certificate_from_json(changed(**{key: value}), "edta.json")
    except CalibrationProblem as caught:
        words = (caught.sentence, caught.remedy)
    else:
        words = tuple(certificate.quantities)
        assert all(math.isfinite(q.value) for q in certificate.quantities.values())
    assert all(words)


@pytest.mark.parametrize("value", [-1.0, -1e-9, 0.0, 1e-308, 5.0, 1e200, 1e308])
def test_a_value_that_cannot_be_true_is_refused_where_it_is_asked_for(value: float) -> None:
    certificate = certificate_from_json(changed(quantities=quantity(value=value)), "edta.json")
    with pytest.raises(CertificateProblem, match="EDTA-3"):
        certificate.quantity("concentration", "mol/L", 1e-5, 0.5)


@pytest.mark.parametrize("u", [1e200, 1.0])
def test_an_uncertainty_beyond_the_value_is_refused(u: float) -> None:
    part = {"value": 0.01, "unit": "mol/L", "standard_uncertainty": u}
    certificate = certificate_from_json(changed(quantities={"concentration": part}), "edta.json")
    with pytest.raises(CertificateProblem, match="uncertainty"):
        certificate.quantity("concentration", "mol/L", 1e-5, 0.5)


@pytest.mark.parametrize("key", ["id", "what", "operator"])
@pytest.mark.parametrize("text", ["E\x1b]0;t\x07", "a\u202eb", "safe\rEVIL", "W" * 20_000])
def test_texts_that_steer_a_terminal_or_fill_it_are_refused(key: str, text: str) -> None:
    with pytest.raises(CertificateProblem, match="control characters"):
        certificate_from_json(changed(**{key: text}), "edta.json")
