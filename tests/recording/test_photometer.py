"""Photometer tables: dialects, what is absorbance and what is not, refusals by row."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from endpoint.analysis.of_curve import photometer_curve
from endpoint.files.column_heads import NamedColumns
from endpoint.problems import SourceProblem
from endpoint.record.titration import parse_record
from endpoint.recording.photometer import SATURATION, PhotometerTable, read_table
from tests.made_media import run_apart
from tests.simulated import job

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
        ["Vol (mL)", "Abs 620 nm", "Abs 530 nm"],
        ["Volume [cm³]", "A 620", "A 530"],
        ["Titrant added (mL)", "Abs. at 620 nm", "Abs. at 530 nm"],
        ["V(EDTA) / mL", "A(620 nm)", "A(530 nm)"],
        ["mL", "A620 (AU)", "A530 (AU)"],
        ["Burette reading (mL)", "620nm", "530nm"],
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


HEADS = {
    "volume": ["volume_ml", "Vol (mL)", "V / mL", "Volume [mL]", "Volume in mL", "V_mL", "vol."],
    "abs": ["A{}", "A {}", "Abs {} nm", "Abs. at {} nm", "absorbance_{}_nm", "{}", '"Ext ({} nm)"'],
}


@settings(max_examples=150)
@given(
    volume=st.sampled_from(HEADS["volume"]),
    wave=st.sampled_from(HEADS["abs"]),
    dialect=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", ","), ("\t", ".")]),
    quoted=st.booleans(),
    above=st.sampled_from(
        ["", "# run 3, cell 1 cm\n", "Instrument;V3\nDate, 4 May\n\n", "sep={}\n"]
    ),
    units=st.booleans(),
    trailing=st.booleans(),
    coding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
    end=st.sampled_from(["\n", "\r\n"]),
    rows=st.lists(st.tuples(st.integers(0, 90), st.integers(-90, 2900)), min_size=2, max_size=8),
)
def test_what_an_instrument_writes_is_read(  # noqa: PLR0913
    tmp_path_factory: pytest.TempPathFactory,
    volume: str,
    wave: str,
    dialect: tuple[str, str],
    quoted: bool,
    above: str,
    units: bool,
    trailing: bool,
    coding: str,
    end: str,
    rows: list[tuple[int, int]],
) -> None:
    separator, point = dialect
    volumes = np.cumsum([v for v, _ in rows])

    def cell(thousandths: int) -> str:
        text = f"{thousandths / 1000:.3f}".replace(".", point)
        return f'"{text}"' if quoted else text

    lines = [[volume, wave.format(530)], *([["mL", "AU"]] if units else [])]
    lines += [[cell(10 * v), cell(a)] for v, (_, a) in zip(volumes, rows, strict=True)]
    tail = separator if trailing else ""
    text = above.format(separator) + "".join(separator.join(x) + tail + "\n" for x in lines)
    path = tmp_path_factory.mktemp("table") / "rows.csv"
    path.write_bytes(text.replace("\n", end).encode(coding))
    table = read_table(path)
    assert table.volume_ml is not None
    np.testing.assert_allclose(table.volume_ml, volumes / 100, atol=1e-9)
    np.testing.assert_allclose(table.absorbance[:, 0], [a / 1000 for _, a in rows], atol=1e-9)
    assert table.wavelengths_nm == (530.0,)
    first = text.split("\n").index(separator.join(lines[-1]) + tail) + 1
    assert table.rows[-1] >= first


@pytest.mark.parametrize(
    ("head", "factor"),
    [("V / L", 1000.0), ("Volume (µL)", 1e-3), ("volume [cm3]", 1.0), ("Vol (μl)", 1e-3)],
)
def test_volumes_of_other_units_are_converted(tmp_path: Path, head: str, factor: float) -> None:
    table = table_of(tmp_path, f"{head}\tA620\n0\t0.1\n0.5\t0.2\n")
    assert table.volume_ml is not None
    np.testing.assert_allclose(table.volume_ml, [0.0, 0.5 * factor])


@pytest.mark.parametrize(
    ("head", "unit", "cells", "seconds"),
    [
        ("t / s", "", ("0", "90"), 90.0),
        ("Time (s)", "s", ("0", "90"), 90.0),
        ("time min", "", ("0", "1.5"), 90.0),
        ("time_min", "", ("0", "1.5"), 90.0),
        ("Time", "min", ("0", "1.5"), 90.0),
        ("elapsed time [h]", "", ("0", "0.025"), 90.0),
        ("time", "", ("0:00:00", "0:01:30"), 90.0),
        ("Time (m:s)", "", ("0:00", "1:30.5"), 90.5),
        ("Time (mm:ss)", "", ("0:00", "1:30"), 90.0),
    ],
)
def test_times_are_read_in_their_unit(
    tmp_path: Path, head: str, unit: str, cells: tuple[str, str], seconds: float
) -> None:
    below = f"{unit};AU\n" if unit else ""
    table = table_of(tmp_path, f"{head};A620\n{below}{cells[0]};0.1\n{cells[1]};0.2\n")
    assert table.time_s is not None
    assert table.volume_ml is None
    np.testing.assert_allclose(table.time_s, [0.0, seconds])


def test_milli_absorbance_is_converted(tmp_path: Path) -> None:
    for head in ("V (mL);A620 (mAU)\n", "V;A620\nmL;mAU\n"):
        table = table_of(tmp_path, f"{head}0;51\n1;400\n")
        np.testing.assert_allclose(table.absorbance[:, 0], [0.051, 0.4])


def test_columns_that_the_record_names(tmp_path: Path) -> None:
    text = "Photometer 7\nNo;Dose (L);Dose 2;Ch 1;Ch 2\n1;0,000;0;0,1;0,5\n2;0,001;5;0,2;0,4\n"
    path = tmp_path / "rows.csv"
    path.write_text(text, encoding="utf-8")
    named = NamedColumns(
        volume="dose (L)", absorbance=("Ch 2", "Ch 1"), wavelengths_nm=(620.0, 530.0)
    )
    table = read_table(path, named)
    assert table.volume_ml is not None
    np.testing.assert_allclose(table.volume_ml, [0.0, 1.0])
    np.testing.assert_allclose(table.absorbance, [[0.5, 0.1], [0.4, 0.2]])
    assert table.wavelengths_nm == (620.0, 530.0)
    with pytest.raises(SourceProblem, match="no column Ch 3"):
        read_table(path, NamedColumns(volume="Dose (L)", absorbance=("Ch 3",)))
    with pytest.raises(SourceProblem, match="at which wavelength Ch 1"):
        read_table(path, NamedColumns(volume="Dose (L)", absorbance=("Ch 1",)))


def test_the_line_that_a_refusal_shows_is_right(tmp_path: Path) -> None:
    """What the remedy says, put into a record, makes the table readable."""
    path = tmp_path / "rows.csv"
    path.write_text("No;Dose;Ext\n1;0;0,1\n2;0,5;0,2\n3;0,7;0,1\n", encoding="utf-8")
    with pytest.raises(SourceProblem) as caught:
        read_table(path)
    line = caught.value.remedy.partition("columns = ")[2].partition(" under [recording]")[0]
    record = {
        "format": 1,
        "sample": {"label": "a", "volume_ml": 100.0},
        "titrant": {"concentration_mol_l": 0.01},
        "recording": tomllib.loads(f'photometer = "rows.csv"\ncolumns = {line}'),
    }
    table = read_table(path, parse_record(record, "record.toml", tmp_path).columns)
    assert table.volume_ml is not None
    np.testing.assert_allclose(table.volume_ml, [0.0, 0.5, 0.7])
    assert table.wavelengths_nm == (620.0,)


def test_a_column_says_how_well_each_volume_was_read(tmp_path: Path) -> None:
    """Steps of one size tell nothing of who dosed; what is stated counts in the curve."""
    path = tmp_path / "run.csv"
    rows = [f"{0.1 * k:.1f},{0.1 + 0.01 * k:.2f},0.009" for k in range(12)]
    path.write_text("\n".join(["volume_ml,A620,standard_uncertainty_ml", *rows, ""]), "utf-8")
    table = read_table(path)
    assert table.reading_sd_ml == pytest.approx(0.009)
    assert photometer_curve(table, job()).reading_sd_ml == pytest.approx(0.009)
    path.write_text("\n".join(["volume_ml,A620", *(row[:-6] for row in rows), ""]), "utf-8")
    assert photometer_curve(read_table(path), job()).reading_sd_ml == 0.0


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
        ("volume_ml,A620,standard_uncertainty_ml\n0,0.1,0.01\n1,0.2,-1\n", ["Row 3", "-1 mL"]),
        ("time_s,A620,standard_uncertainty_ml\n0,0.1,0.01\n1,0.2,0.01\n", ["belongs to the log"]),
        ("Volume (drops),A620\n0,1\n2,2\n", ["neither", 'volume = "Volume (drops)"', '["A620"]']),
        ("sample volume (mL),A620\n50,1\n50,2\n", ["neither", 'volume = "..."']),
        ("T,A620\n20,1\n20,2\n", ["transmittance"]),
        ("T (°C),A620\n20,1\n20,2\n", ["neither"]),
        ("No;Dose;Ext\n1;0;0,1\n2;0,5;0,2\n3;0,7;0,1\n", ['"Dose"', '["Ext"]', "= [620]"]),
        ("V (mL),Volume mL,A620\n0,0,1\n1,1,2\n", ["two columns of volume", '= "V (mL)"']),
        ("V (mL),corrected volume (mL),A620\n0,0,1\n1,1,2\n", ["two columns of volume"]),
        ("t (s),time (min),A620\n0,0,1\n60,1,2\n", ["two columns of time", 'time = "t (s)"']),
        ("V (mL),A620\nL,-\n0,1\n1,2\n", ["volume in l"]),
        ("V (mL),Absorbance\n0,0.1\n1,0.2\n", ["no absorbance", '"V (mL)"', '["Absorbance"]']),
        ("V (mL);A530;A620\n0,0.1,0.2\n1,0.2,0.3\n", ["semicolons", "rows with commas"]),
        ("V (mL),A620\n0;0.1\n1;0.2\n", ["commas", "rows with semicolons"]),
        ("V (mL)  A620\n0  0.1\n1  0.2\n", ["no commas, semicolons or tabs"]),
        ("0,0.1\n1,0.2\n", ["Write a head", "volume_ml"]),
        ("time,A620\n0:30,0.1\n1:00,0.2\n", ["Row 2", "minutes or hours", "m:s"]),
        ("V (mL),A620\n0:30,0.1\n1:00,0.2\n", ["Row 2", "not a number"]),
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


@settings(max_examples=250)
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
        ("'volume_ml,A620\\n' + '1.25,0.125\\n' * 200_001", "more than 200000 rows"),
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
