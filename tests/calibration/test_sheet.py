"""Sheets that would flood or crash the reader, and what an error may hold."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest

from calibration.certificate import Certificate
from calibration.instruments.photometer import calibrated_wavelength
from calibration.problem import CalibrationProblem, Problem
from calibration.quantity import Quantity
from calibration.sheet import read_sheet
from endpoint.problems import RecordProblem
from endpoint.record.titration import read_record

HEAD = '# format = 1\n# [certificate]\n# id = "a"\n'
DEEP = "format = 1\n" + ".".join(["a"] * 60_000) + " = 1\n"


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("a.csv", HEAD + "a,b\n" + "x" * 140_000 + ",1\n", "cannot be read as a table"),
        ("a.toml", DEEP, "more than 30 parts"),
    ],
)
def test_sheets_that_crashed_or_flooded(tmp_path: Path, name: str, text: str, words: str) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(CalibrationProblem, match=words):
        read_sheet(tmp_path / name, datetime.date(2026, 11, 25))


def test_a_record_that_flooded(tmp_path: Path) -> None:
    (tmp_path / "r.toml").write_text(DEEP, encoding="utf-8")
    with pytest.raises(RecordProblem, match="more than 30 parts"):
        read_record(tmp_path / "r.toml")


@pytest.mark.parametrize("kind", [CalibrationProblem, Problem])
def test_sentences_are_one_plain_line(kind: type[CalibrationProblem] | type[Problem]) -> None:
    problem = kind('"a\n\x1b[31m\t' + "y" * 5000 + " end", "x\x07")
    assert problem.sentence.isprintable()
    assert problem.remedy.isprintable()
    assert len(problem.sentence) < 600
    assert problem.sentence.endswith("end")


def test_a_photometer_certificate_without_wavelengths_is_refused() -> None:
    certificate = Certificate(
        "p", "photometer", "x", datetime.date(2026, 1, 1), None, "KT", {"blank": Quantity(0, "1")}
    )
    with pytest.raises(CalibrationProblem, match="which wavelengths"):
        calibrated_wavelength(certificate, 620.0)
