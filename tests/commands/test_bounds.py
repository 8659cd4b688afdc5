"""The largest inputs that README promises: as the code has them, and under limits of memory."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import pytest

import calibration.certificate
import calibration.instruments.pictures
import calibration.sheet
from endpoint.batch import items
from endpoint.chemistry import indicator_file
from endpoint.files import csv_table, result_json
from endpoint.record import titration
from endpoint.recording import film, stills
from tests.made_media import run_apart
from tests.places import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")
MB = 1_000_000


def row(name: str) -> str:
    """Bounds of one kind of input as README states them."""
    return next(line for line in README.splitlines() if line.startswith(f"| {name}"))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("film", f"{film.MAX_PICTURE_BYTES // MB} MB"),
        ("stills", f"{stills.MAX_PIXELS // MB} megapixels"),
        ("stills", f"(WebP: {stills.MAX_WEBP_PIXELS // MB})"),
        ("stills", f"{stills.MAX_SIDE:,} pixels a side"),
        ("stills", f"larger than {stills.LONG_SIDE} pixels"),
        ("table", f"{csv_table.MAX_BYTES // MB} MB"),
        ("table", f"{csv_table.MAX_ROWS:,} rows"),
        ("table", f"{csv_table._MAX_COLUMNS} columns"),
        ("table", f"{csv_table._MAX_CELLS:,} cells"),
        ("record", f"{titration.MAX_BYTES // MB} MB"),
        ("calibration sheet", f"{calibration.sheet.MAX_BYTES // MB} MB"),
        ("calibration sheet", f"{calibration.certificate.MAX_BYTES // MB} MB"),
        ("indicator file", f"{indicator_file._MAX_BYTES / MB:g} MB"),
        ("`result.json`", f"{result_json.MAX_BYTES // MB} MB"),
        ("list of records", f"{items._MAX_LIST_BYTES // MB} MB"),
        ("list of records", f"{items._MOST_ITEMS:,} records"),
    ],
)
def test_what_readme_promises_is_what_the_code_does(name: str, words: str) -> None:
    assert words in row(name)


def test_sides_of_a_film_and_of_a_chart_are_those_of_readme() -> None:
    assert film.MAX_PIXELS == 4096 * 3072
    assert calibration.instruments.pictures.MAX_SIDE == stills.MAX_SIDE


def png(width: int, height: int) -> bytes:
    """Grey picture without a light spot; a few bytes however large it is."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    data = zlib.compress(bytes(1000), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


READERS = {
    "a picture one pixel wide": (
        "from endpoint.recording.stills import load_still as read",
        png(1, 79_000_000),
    ),
    "a picture one pixel high": (
        "from endpoint.recording.stills import load_still as read",
        png(79_000_000, 1),
    ),
    "a table of too many rows": (
        "from endpoint.files.csv_table import read_sheet as read",
        b"volume_ml,A620\n" + b"1,1\n" * (csv_table.MAX_ROWS + 2),
    ),
    "a record with a deep name": (
        "from endpoint.record.titration import read_record as read",
        b"a." * 400_000 + b"a = 1\n",
    ),
    "an indicator with a deep name": (
        "from endpoint.chemistry.indicator_file import read_indicator as read",
        b"a." * 40_000 + b"a = 1\n",
    ),
    "a certificate of brackets": (
        "from calibration.certificate import read_certificate as read",
        b"[" * 4_900_000,
    ),
    "a sheet with a deep name": (
        "import datetime; from calibration.sheet import read_sheet\n"
        "def read(path): read_sheet(path, datetime.date(2026, 11, 25))",
        b"a." * 2_000_000 + b"a = 1\n",
    ),
}


@pytest.mark.parametrize("what", list(READERS))
def test_a_file_beyond_the_bounds_is_refused_within_them(tmp_path: Path, what: str) -> None:
    reader, data = READERS[what]
    path = tmp_path / "x.toml"
    path.write_bytes(data)
    code = (
        "import resource; resource.setrlimit(resource.RLIMIT_CPU, (20, 20))\n"
        f"from pathlib import Path; from calibration.problem import Problem\n{reader}\n"
        "try: read(Path(sys.argv[1]))\n"
        "except Problem as problem: print(problem.sentence)"
    )
    said, noise, peak_mb = run_apart(code, str(path))
    assert said.strip().endswith(".")
    assert noise == ""
    assert peak_mb < 700


def test_a_long_table_is_analysed_in_little_memory(tmp_path: Path) -> None:
    rows = "".join(f"{k / 800:.5f},0.5,0.1\n" for k in range(20_000))
    (tmp_path / "t.csv").write_text("volume_ml,A530,A620\n" + rows)
    (tmp_path / "r.toml").write_text(
        "format = 1\n[sample]\nvolume_ml = 100.0\n[titrant]\nconcentration_mol_l = 0.01\n"
        '[recording]\nphotometer = "t.csv"\n'
    )
    code = (
        "from pathlib import Path\n"
        "from endpoint.analysis.pipeline import analyse\n"
        "from endpoint.analysis.prepare import prepare\n"
        "from endpoint.record.titration import read_record\n"
        "job, table = prepare(read_record(Path(sys.argv[1])))\n"
        "print(analyse(table, job).status)"
    )
    said, _, peak_mb = run_apart(code, str(tmp_path / "r.toml"))
    assert said.strip() == "none"
    assert peak_mb < 500
