"""Volume logs come back as they were written, in every dialect and through refills."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from endpoint.files.column_heads import NamedColumns
from endpoint.problems import DeliveryProblem
from endpoint.recording.volume_log import VolumeLog, read_log

# Hundredths of a second and of a millilitre, so that no digit is lost in writing.
GAPS = st.lists(st.tuples(st.integers(1, 5000), st.integers(0, 300)), min_size=1, max_size=12)
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "cp1252")
LINE_ENDS = ("\n", "\r\n", "\r")


def cumulated(gaps: list[tuple[int, int]]) -> tuple[list[int], list[int]]:
    """Times and volumes in hundredths; the last addition makes the volume more than 0."""
    times = [0, *itertools.accumulate(gap for gap, _ in gaps)]
    volumes = [0, *itertools.accumulate(volume for _, volume in gaps)]
    return times, [*volumes[:-1], volumes[-1] + 1]


def read(folder: Path, rows: list[list[str]], separator: str, end: str, coding: str) -> VolumeLog:
    path = folder / "volumes.csv"
    path.write_bytes(end.join(separator.join(row) for row in rows).encode(coding))
    return read_log(path)


@given(
    gaps=GAPS,
    dialect=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", ","), ("\t", ".")]),
    end=st.sampled_from(LINE_ENDS),
    coding=st.sampled_from(ENCODINGS),
    spaces=st.booleans(),
    units=st.booleans(),
)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory,
    gaps: list[tuple[int, int]],
    dialect: tuple[str, str],
    end: str,
    coding: str,
    spaces: bool,
    units: bool,
) -> None:
    separator, point = dialect
    times, volumes = cumulated(gaps)

    def cell(hundredths: int) -> str:
        text = f"{hundredths / 100:.2f}".replace(".", point)
        return f" {text} " if spaces else text

    rows = [["time_s", "volume_ml"], *([["s", "mL"]] if units else [])]
    rows += [[cell(t), cell(v)] for t, v in zip(times, volumes, strict=True)]
    log = read(tmp_path_factory.mktemp("log"), rows, separator, end, coding)
    assert log.time_s is not None
    np.testing.assert_allclose(log.time_s, np.array(times) / 100, rtol=0, atol=1e-9)
    np.testing.assert_allclose(log.volume_ml, np.array(volumes) / 100, rtol=0, atol=1e-9)
    assert log.rows == tuple(range(len(rows) - len(times) + 1, len(rows) + 1))


@pytest.mark.parametrize(
    ("head", "first", "last"),
    [
        ("t / s;V / mL", "0;0", "90;2,5"),
        ("Time (min)\tVol (mL)", "0\t0", "1.5\t2.5"),
        ("time,burette reading (mL)", "0:00:00,0", "0:01:30,2.5"),
        ("Time (m:s),volume", "0:00,0", "1:30,2.5"),
        ("# by hand\nfilm time (s),cumulative volume [L]", "0,0", "90,0.0025"),
    ],
)
def test_heads_as_people_write_them(tmp_path: Path, head: str, first: str, last: str) -> None:
    path = tmp_path / "volumes.csv"
    path.write_text(f"{head}\n{first}\n{last}\n", encoding="utf-8")
    log = read_log(path)
    assert log.time_s is not None
    np.testing.assert_allclose(log.time_s, [0.0, 90.0])
    np.testing.assert_allclose(log.volume_ml, [0.0, 2.5])


def test_heads_that_the_record_names(tmp_path: Path) -> None:
    path = tmp_path / "volumes.csv"
    path.write_text("Uhr,Strich\n0,0\n30,1.5\n60,2\n", encoding="utf-8")
    with pytest.raises(DeliveryProblem) as caught:
        read_log(path)
    assert 'columns = { volume = "Uhr" }' in caught.value.remedy
    log = read_log(path, named=NamedColumns(volume="Strich", time="uhr"))
    assert log.time_s is not None
    np.testing.assert_allclose(log.time_s, [0.0, 30.0, 60.0])
    np.testing.assert_allclose(log.volume_ml, [0.0, 1.5, 2.0])


def test_times_with_colons_are_read_in_a_column_that_the_record_names(tmp_path: Path) -> None:
    path = tmp_path / "volumes.csv"
    path.write_text("elapsed;Strich\n0:00:04;0\n0:01:34;2,5\n", encoding="utf-8")
    log = read_log(path, named=NamedColumns(volume="Strich", time="elapsed"))
    assert log.time_s is not None
    np.testing.assert_allclose(log.time_s, [4.0, 94.0])
    with pytest.raises(DeliveryProblem, match="not a number"):
        read_log(path, named=NamedColumns(volume="elapsed", time="Strich"))


@given(gaps=GAPS, refilled=st.lists(st.booleans(), min_size=12, max_size=12))
def test_refills_come_back_as_what_was_delivered(
    tmp_path_factory: pytest.TempPathFactory, gaps: list[tuple[int, int]], refilled: list[bool]
) -> None:
    """A burette filled up to 0 between two additions; without the marks the log is refused."""
    times, volumes = cumulated(gaps)
    rows, marked, wanted, base = [["0", "0", ""]], [], [0], 0
    for k, (before, after) in enumerate(itertools.pairwise(volumes)):
        if refilled[k] and before > base:
            rows.append([f"{times[k] / 100 + 0.005:.3f}", "0", "yes"])
            marked.append(len(rows))
            wanted.append(before)
            base = before
        rows.append([f"{times[k + 1] / 100:.2f}", f"{(after - base) / 100:.2f}", ""])
        wanted.append(after)
    folder = tmp_path_factory.mktemp("log")
    log = read(folder, [["time_s", "volume_ml", "refill"], *rows], ",", "\n", "utf-8")
    np.testing.assert_allclose(log.volume_ml, np.array(wanted) / 100, rtol=0, atol=1e-9)
    if marked:
        bare = [["time_s", "volume_ml"], *([t, v] for t, v, _ in rows)]
        with pytest.raises(DeliveryProblem, match=f"Row {marked[0] + 1} ") as caught:
            read(folder, bare, ",", "\n", "utf-8")
        assert "refill" in caught.value.remedy


@given(gaps=GAPS, name=st.text(alphabet="abcäß 0123_-.()", min_size=1, max_size=12))
def test_names_of_stills_come_back(
    tmp_path_factory: pytest.TempPathFactory, gaps: list[tuple[int, int]], name: str
) -> None:
    _, volumes = cumulated(gaps)
    names = [f"{name.strip()}{k}.png" for k in range(len(volumes))]
    rows = [["file", "volume_ml"]]
    rows += [[f'"{n}"', f"{v / 100:.2f}"] for n, v in zip(names, volumes, strict=True)]
    log = read(tmp_path_factory.mktemp("log"), rows, ",", "\n", "utf-8")
    assert log.files == tuple(names)
    assert log.time_s is None
    np.testing.assert_allclose(log.volume_ml, np.array(volumes) / 100, rtol=0, atol=1e-9)


def test_rows_of_one_moment_are_one(tmp_path: Path) -> None:
    """Times that differ by less than anybody can note; a rate between them would overflow."""
    rows = [["time_s", "volume_ml"], ["0", "0"], ["1e-320", "0.5"], ["10", "2"]]
    log = read(tmp_path, rows, ",", "\n", "utf-8")
    assert log.time_s is not None
    assert log.time_s.size == 2
    assert list(log.volume_ml) == [0.5, 2.0]
