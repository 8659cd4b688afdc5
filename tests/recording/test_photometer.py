"""Photometer tables: dialects, what is absorbance and what is not, refusals by row."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from endpoint.problems import SourceProblem
from endpoint.recording.photometer import SATURATION, PhotometerTable, read_table
from tests.made_media import run_apart

VOLUMES = [0.0, 0.5, 1.0]
A620 = [0.051, 0.062, 0.4]
A530 = [0.5, 0.48, 0.31]


def table_of(folder: Path, text: str, encoding: str = "utf-8") -> PhotometerTable:
    path = folder / "rows.csv"
    path.write_bytes(text.encode(encoding))
    return read_table(path)


def lines(separator: str, comma: bool, header: list[str]) -> str:
    rows = [separator.join(header)]
    for row in zip(VOLUMES, A620, A530, strict=True):
        cells = separator.join(f"{value:.3f}" for value in row)
        rows.append(cells.replace(".", ",") if comma else cells)
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    ("separator", "comma"), [(",", False), (";", False), (";", True), ("\t", False), ("\t", True)]
)
@pytest.mark.parametrize(
    "header",
    [
        ["volume_ml", "A620", "A530"],
        ["Volume (mL)", "Abs 620 nm", "Abs 530 nm"],
        ["V / mL", "620", "530"],
        ["volume_ml", "absorbance_620_nm", "Absorbance [530 nm]"],
        ["Volume mL", "OD620", "Extinction 530.0"],
    ],
    ids=lambda header: header[1],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_one_table_in_many_dialects(
    tmp_path: Path, separator: str, comma: bool, header: list[str], encoding: str
) -> None:
    table = table_of(tmp_path, lines(separator, comma, header), encoding)
    assert table.volume_ml is not None
    np.testing.assert_array_equal(table.volume_ml, VOLUMES)
    np.testing.assert_array_equal(table.absorbance, np.transpose([A620, A530]))
    assert table.wavelengths_nm == (620.0, 530.0)
    assert table.rows == (2, 3, 4)
    assert table.time_s is None


def test_units_row_blank_lines_and_other_columns(tmp_path: Path) -> None:
    text = "No,time,A620,remark\n,s,AU,\n\n1,0,0.1,\n2,30,0.2,bubble\n\n3,60,0.3,\n"
    table = table_of(tmp_path, text)
    assert table.time_s is not None
    np.testing.assert_array_equal(table.time_s, [0, 30, 60])
    assert table.rows == (4, 5, 7)
    assert table.volume_ml is None


def test_over_range_readings_are_kept_and_marked(tmp_path: Path) -> None:
    table = table_of(tmp_path, "volume_ml,A620,A530\n0,3.0,0.1\n1,9.999,0.1\n2,0.1,3.5\n")
    assert SATURATION == 3.0
    np.testing.assert_array_equal(table.saturated, [False, True, True])
    assert table.absorbance[1, 0] == 9.999


def test_a_table_cannot_be_changed(tmp_path: Path) -> None:
    table = table_of(tmp_path, "volume_ml,A620\n0,0.1\n1,0.2\n")
    with pytest.raises(ValueError, match="read-only"):
        table.absorbance[0, 0] = 1.0


@pytest.mark.parametrize("title", ["%T 620", "T620", "T 620 nm", "Transmittance 620", "T%620"])
def test_transmittance_is_refused_in_words(tmp_path: Path, title: str) -> None:
    """A transmittance between 0 and 1 would pass for an absorbance."""
    with pytest.raises(SourceProblem, match="transmittance") as caught:
        table_of(tmp_path, f"volume_ml,{title}\n0,0.9\n1,0.4\n")
    assert "log10" in caught.value.remedy


@pytest.mark.parametrize("title", ["Intensity 620", "counts_620", "Dark 620 nm", "Ref620"])
def test_other_spectra_are_not_taken_for_absorbance(tmp_path: Path, title: str) -> None:
    with pytest.raises(SourceProblem, match="does not say"):
        table_of(tmp_path, f"volume_ml,{title}\n0,0.9\n1,0.4\n")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("volume_ml,A620\n0,0.1\n1,abc\n", ["Row 3", '"abc"', "A620"]),
        ("volume_ml,A620\n0,0.1\n1,NaN\n", ["Row 3", "not a finite number"]),
        ("volume_ml,A620\n0,0.1\n1,-inf\n", ["Row 3"]),
        ("volume_ml,A620\n0,0.1\n1,\n", ["Row 3", "has no A620"]),
        ("volume_ml,A620\n0,0.1\n1\n", ["Row 3", "has no A620"]),
        ("volume_ml,A620\nx,y\n0,0.1\n1,0.2\n", ["Row 2"]),
        ("volume_ml,A620\n-1,0.1\n1,0.2\n", ["Row 2", "negative volume"]),
        ("volume_ml,A620\n0,0.1\n2,0.2\n1,0.3\n", ["Row 4", "volume runs backwards"]),
        ("time_s,A620\n0,0.1\n2,0.2\n1,0.3\n", ["Row 4", "time runs backwards"]),
        ("volume_ml,A620\n0,0.1\n1,87.2\n", ["Row 3", "87.2"]),
        ("volume_ml,A620\n0,0.1\n1,-0.9\n", ["Row 3", "-0.9"]),
        ("volume_ml,A620\n0,0,1\n0,5,0,2\n", ["Row 2", "3 cells", "decimal comma"]),
        ("volume_ml,A620\n0,0.1\n", ["fewer than two rows"]),
        ("volume_ml,A620\n", ["no rows"]),
        ("volume_ml,colour\n0,1\n1,2\n", ["no absorbance column", "colour"]),
        ("x,A620\n0,1\n1,2\n", ["neither", "x, A620"]),
        ("time_min,A620\n0,1\n1,2\n", ["neither"]),
        ("volume_ml,A620,A620\n0,0.1,0.1\n1,0.2,0.2\n", ["two columns for 620 nm"]),
        ("\n\n\n", ["no rows"]),
        ("volume_ml,A620\n0,\x00\n", ["not a text"]),
    ],
)
def test_a_bad_table_is_refused_by_row(tmp_path: Path, text: str, words: list[str]) -> None:
    with pytest.raises(SourceProblem) as caught:
        table_of(tmp_path, text)
    for word in words:
        assert word in caught.value.sentence or word in caught.value.remedy
    assert "rows.csv" in caught.value.sentence
    assert caught.value.remedy


CELL = st.one_of(
    st.text(alphabet="0123456789.,;-+eE naNifx\"'\t%\n\r", max_size=6),
    st.floats().map(str),
    st.text(max_size=3),
)


@settings(max_examples=250, deadline=None)
@given(
    st.sampled_from(["volume_ml,A620", "time_s;A620;A530", "volume_ml\tA620", "", "A620"]),
    st.lists(st.lists(CELL, max_size=4), max_size=5),
    st.sampled_from(",;\t"),
)
def test_any_text_is_read_or_refused_in_words(
    tmp_path_factory: pytest.TempPathFactory, header: str, rows: list[list[str]], separator: str
) -> None:
    body = "\n".join(separator.join(row) for row in rows)
    path = tmp_path_factory.mktemp("any") / "rows.csv"
    path.write_bytes(f"{header}\n{body}".encode("utf-8", "surrogatepass"))
    try:
        table = read_table(path)
    except SourceProblem as problem:
        assert problem.sentence.isprintable()
        assert problem.remedy
    else:
        assert np.isfinite(table.absorbance).all()
        for axis in (table.volume_ml, table.time_s):
            assert axis is None or (np.diff(axis) >= 0).all()
            assert axis is None or axis[0] >= 0


@pytest.mark.parametrize(
    ("code", "word"),
    [
        ("'volume_ml,A620\\n' + '1.25,0.125\\n' * 1_000_001", "more than 1000000 rows"),
        ("'volume_ml,A620\\n' + '1.25,0.125,' * 3_000_000", "Row 2"),
        ("','.join(f'A{k}' for k in range(9_000_000 // 2))", "Row 1"),
        ("'volume_ml,A620\\n' + '1' * 30_000_000", "cannot be read as a table"),
        ("'x' * 41_000_000", "larger than 40 MB"),
    ],
)
def test_a_table_without_end_is_refused_in_little_memory(
    tmp_path: Path, code: str, word: str
) -> None:
    script = (
        "from pathlib import Path\n"
        "from endpoint.recording.photometer import read_table\n"
        f"path = Path(sys.argv[1]); path.write_text({code})\n"
        "try:\n    read_table(path)\nexcept Exception as e:\n"
        "    print(type(e).__name__, e, end='')\n"
    )
    said, _, peak_mb = run_apart(script, str(tmp_path / "rows.csv"))
    assert said.startswith("SourceProblem")
    assert word in said
    assert peak_mb < 700
