"""Whatever is put in: a result, or one sentence and one remedy; never a traceback, never a flood.

The corpus runs through the command as a user would; the random part runs through the same doors.
"""

from __future__ import annotations

import copy
import io
import json
import math
import os
import random
import shutil
import struct
import tomllib
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from calibration.problem import Problem
from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.cli import main
from endpoint.delivery.delivery import Delivery
from endpoint.problems import RecordProblem
from endpoint.record.settings import settings_from
from endpoint.record.titration import parse_record, read_record
from endpoint.recording.film import VideoSource
from endpoint.recording.frame import Box
from endpoint.recording.photometer import read_table
from endpoint.recording.stills import StillsSource
from endpoint.recording.volume_log import read_log
from tests.made_media import busy_pictures, patch_picture, run_apart, write_film, write_sound
from tests.places import SAMPLES

STATUSES = {"located": 0, "bracketed": 3, "none": 4}
LOOSE = ("--sample-ml", "100", "--titrant", "0.01")
HEAD = (
    "format = 1\n[sample]\nvolume_ml = 100.0\n[titrant]\nconcentration_mol_l = 0.01\n"
    "[recording]\n{recording}\n[delivery]\n{delivery}\n"
)
STEPS = 'log = "volumes.csv"\nmode = "steps"'
GOOD_LOG = "time_s,volume_ml\n0,0\n0.2,1\n0.4,2\n"
GOOD_TABLE = "volume_ml,A530,A620\n" + "".join(
    f"{v},{0.5 - 0.02 * v:.3f},{0.1 + 0.02 * v:.3f}\n" for v in range(12)
)


def locate(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["locate", *arguments])


def says_one_thing(got: Result) -> str:
    """Check the form of a refusal and return it."""
    assert isinstance(got.exception, SystemExit), repr(got.exception)
    assert got.exit_code == 2, got.output
    assert got.stdout == ""
    assert "Traceback" not in got.stderr
    lines = got.stderr.splitlines()
    assert len(lines) == 2, got.stderr
    assert lines[0].startswith("endpoint: ")
    assert all(line.isprintable() for line in lines)
    for line in lines:
        assert line.rstrip().endswith((".", "?")), line
        assert len(line.split()) > 1
    return got.stderr


def fair(problem: Problem) -> None:
    assert problem.sentence.strip()
    assert problem.remedy.strip()
    assert "\n" not in str(problem)
    assert "Error" not in problem.sentence


def record_of(folder: Path, recording: str, delivery: str = STEPS, extra: str = "") -> str:
    path = folder / "r.toml"
    path.write_text(HEAD.format(recording=recording, delivery=delivery) + extra, encoding="utf-8")
    return str(path)


def film(folder: Path, make: Callable[[Path], object]) -> str:
    """Record of a film that `make` writes."""
    make(folder / "film.mp4")
    (folder / "volumes.csv").write_text(GOOD_LOG, encoding="utf-8")
    return record_of(folder, 'video = "film.mp4"')


def good_film(path: Path) -> Path:
    return write_film(path, busy_pictures(12))


def cut(path: Path) -> None:
    data = good_film(path).read_bytes()
    path.write_bytes(data[: len(data) // 2])


def loop(path: Path) -> None:
    path.symlink_to(path.name)


FILMS: dict[str, Callable[[Path], object]] = {
    "missing": lambda path: None,
    "zero bytes": lambda path: path.write_bytes(b""),
    "text": lambda path: path.write_text("no film at all\n" * 99, encoding="utf-8"),
    "noise": lambda path: path.write_bytes(random.Random(1).randbytes(40_000)),
    "truncated": cut,
    "sound only": write_sound,
    "one picture": lambda path: write_film(path, [patch_picture()]),
    "a folder": lambda path: path.mkdir(),
    "a link to itself": loop,
    "a pipe": os.mkfifo,
    "a table": lambda path: path.write_text(GOOD_TABLE, encoding="utf-8"),
    "a picture": lambda path: Image.new("RGB", (64, 48)).save(path, "PNG"),
}


@pytest.mark.parametrize("make", FILMS.values(), ids=FILMS)
def test_what_is_no_film(tmp_path: Path, make: Callable[[Path], object]) -> None:
    assert "film.mp4" in says_one_thing(locate(film(tmp_path, make)))


LOGS: dict[str, tuple[str | None, str]] = {
    "missing": (None, "does not exist"),
    "empty": ("", "no rows"),
    "blank lines": ("\n\n \n", "no rows"),
    "header only": ("time_s,volume_ml\n", "no rows"),
    "text": ("time_s,volume_ml\n0,0\n1,lots\n", "Row 3"),
    "nan": ("time_s,volume_ml\n0,0\n1,NaN\n", "Row 3"),
    "infinite": ("time_s,volume_ml\n0,0\ninf,1\n", "Row 3"),
    "overflow": ("time_s,volume_ml\n0,0\n1,1e999\n", "Row 3"),
    "hexadecimal": ("time_s,volume_ml\n0,0\n1,0x1F\n", "Row 3"),
    "underscore": ("time_s,volume_ml\n0,0\n1,1_0\n", "Row 3"),
    "negative": ("time_s,volume_ml\n0,0\n1,-1\n", "Row 3"),
    "negative at once": ("time_s,volume_ml\n0,-1\n0.2,0\n0.4,1\n", "negative volume"),
    "falling": ("time_s,volume_ml\n0,2\n1,1\n", "Row 3"),
    "clock runs back": ("time_s,volume_ml\n1,0\n0,1\n", "time runs backwards"),
    "gap": ("time_s,volume_ml\n0,0\n0.2,\n0.4,2\n", "Row 3"),
    "beyond the film": ("time_s,volume_ml\n0,0\n3600,1\n", "Row 3"),
    "no volume column": ("time_s,weight_g\n0,0\n1,1\n", "volume_ml"),
    "no time column": ("step,volume_ml\n0,0\n1,1\n", "time_s"),
    "stills": ("file,volume_ml\na.png,0\nb.png,1\n", "time_s"),
    "comma twice": ("time_s,volume_ml\n0,0\n0,2,1,5\n", "Row 3"),
    "no header": ("0,0\n1,1\n2,2\n", "volume_ml"),
    "nul": ("time_s,volume_ml\n0,0\n1,\x00\n", "text"),
    "quote left open": ('time_s,volume_ml\n0,0\n1,"1\n2,2\n', "Row"),
    "terminal control": ("time_s,volume_ml\n0,0\n1,\x1b[31mred\x07\n", "Row 3"),
    "microlitres": ("time_s,volume_ml\n0,0\n0.2,13900\n", "Row 3"),
}


@pytest.mark.parametrize(("text", "reason"), LOGS.values(), ids=LOGS)
def test_bad_volume_logs(tmp_path: Path, text: str | None, reason: str) -> None:
    record = film(tmp_path, good_film)
    path = tmp_path / "volumes.csv"
    path.unlink()
    if text is not None:
        path.write_text(text, encoding="utf-8")
    said = says_one_thing(locate(record))
    assert "volumes.csv" in said
    assert reason in said


TABLES = {
    "empty": "",
    "one row": "volume_ml,A620\n0,0.1\n",
    "text": "volume_ml,A620\n0,0.1\n1,blue\n",
    "nan": "volume_ml,A620\n0,0.1\nnan,0.2\n",
    "infinite": "volume_ml,A620\n0,0.1\n1,-inf\n",
    "negative volume": "volume_ml,A620\n-1,0.1\n1,0.2\n",
    "falling volume": "volume_ml,A620\n2,0.1\n1,0.2\n",
    "transmittance": "volume_ml,%T 620\n0,80\n1,70\n",
    "counts": "volume_ml,A620\n0,15000\n1,16000\n",
    "no absorbance": "volume_ml,remark\n0,a\n1,b\n",
    "no volume": "sample,A620\n0,0.1\n1,0.2\n",
    "gap": "volume_ml,A530,A620\n0,0.1,0.1\n1,,0.2\n",
}


@pytest.mark.parametrize("text", TABLES.values(), ids=TABLES)
def test_bad_photometer_tables(tmp_path: Path, text: str) -> None:
    path = tmp_path / "table.csv"
    path.write_text(text, encoding="utf-8")
    assert "table.csv" in says_one_thing(locate(str(path), *LOOSE))


def test_times_without_volumes(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text("time_s,A620\n0,0.1\n1,0.2\n2,0.3\n", encoding="utf-8")
    assert "volume" in says_one_thing(locate(str(path), *LOOSE))


def zero_png(width: int, height: int) -> bytes:
    """Black PNG of any size, made at once: one deflated row, flushed, serves for all rows."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    squeeze = zlib.compressobj(9, zlib.DEFLATED, -15)
    size = 1 + 3 * width
    row = squeeze.compress(bytes(size)) + squeeze.flush(zlib.Z_FULL_FLUSH)
    end = squeeze.flush(zlib.Z_FINISH)
    # Adler-32 of n zeros: the low sum stays 1, the high sum counts the bytes (RFC 1950).
    check = struct.pack(">HH", size * height % 65521, 1)
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", b"\x78\x01" + row * height + end + check)
        + chunk(b"IEND", b"")
    )


def test_the_black_png_is_a_png(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(zero_png(70, 33))
    with Image.open(path) as image:
        assert image.size == (70, 33)
        assert not np.asarray(image).any()


def png_bytes(folder: Path) -> bytes:
    path = folder / "made.png"
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (48, 64, 3), np.uint8)).save(path)
    data = path.read_bytes()
    path.unlink()
    return data


def both(content: bytes) -> Callable[[Path], None]:
    """Write the same content as the two stills that the log names."""

    def make(folder: Path) -> None:
        for name in ("a.png", "a2.png"):
            (folder / name).write_bytes(content)

    return make


def both_black(width: int, height: int) -> Callable[[Path], None]:
    return lambda folder: both(zero_png(width, height))(folder)


def cut_png(folder: Path) -> None:
    both(png_bytes(folder)[:2000])(folder)


def one_of_two(folder: Path) -> None:
    (folder / "a.png").write_bytes(png_bytes(folder))


def links_to_nothing(folder: Path) -> None:
    for name in ("a.png", "a2.png"):
        (folder / name).symlink_to("gone.png")


STILLS: dict[str, tuple[Callable[[Path], object], str]] = {
    "missing": (lambda folder: folder.rmdir(), "stills"),
    "empty": (lambda folder: None, "no pictures"),
    "no pictures": (lambda folder: (folder / "notes.txt").write_text("x"), "no pictures"),
    "zero bytes": (both(b""), "a.png"),
    "text": (both(b"no picture"), "a.png"),
    "cut": (cut_png, "a.png"),
    # Pillow has a limit of its own from 179 megapixels on; the second lies below it.
    "30000 x 30000": (both_black(30_000, 30_000), "too large"),
    "10000 x 10000": (both_black(10_000, 10_000), "too large"),
    "a line": (both_black(90_000_001, 1), "too large"),
    "one of two": (one_of_two, "a2.png is not in"),
    "links to nothing": (links_to_nothing, "no pictures"),
}


@pytest.mark.parametrize(("make", "reason"), STILLS.values(), ids=STILLS)
def test_bad_stills(tmp_path: Path, make: Callable[[Path], object], reason: str) -> None:
    folder = tmp_path / "stills"
    folder.mkdir()
    make(folder)
    log = tmp_path / "volumes.csv"
    log.write_text("file,volume_ml\na.png,0\na2.png,1\n", encoding="utf-8")
    record = record_of(tmp_path, 'stills = "stills"', 'per_still = "volumes.csv"')
    assert reason in says_one_thing(locate(record))
    if folder.exists():
        assert reason in says_one_thing(locate(str(folder), "--volumes", str(log), *LOOSE))


def test_a_folder_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Permissions do not bind the superuser, so the refusal of the system is played."""
    (tmp_path / "stills").mkdir()
    (tmp_path / "volumes.csv").write_text("file,volume_ml\na.png,0\nb.png,1\n", encoding="utf-8")

    def denied(*_: object, **__: object) -> Any:
        raise PermissionError(13, "Permission denied")

    record = record_of(tmp_path, 'stills = "stills"', 'per_still = "volumes.csv"')
    with monkeypatch.context() as patch:
        for name in ("iterdir", "glob"):
            patch.setattr(Path, name, denied)
        for name in ("scandir", "listdir"):
            patch.setattr(os, name, denied)
        assert "stills cannot be read" in says_one_thing(locate(record))
    monkeypatch.setattr(os, "open", denied)
    assert "r.toml cannot be read" in says_one_thing(locate(record))


PUMP = "rate_ml_min = 6.0\nstart_s = 5.0\nmixing_lag_s = 1.5\nmixing_lag_uncertainty_s = 0.5"
REST = (
    "[blank]\nvolume_ml = 0.05\nstandard_uncertainty_ml = 0.01\n"
    '[ware]\nburette = { nominal_ml = 50, class = "A", division_ml = 0.1 }\npipette = "A"\n'
)
EVERY_KEY = tomllib.loads(
    HEAD.format(recording='photometer = "a.csv"\npath_cm = 2.0', delivery=PUMP) + REST
)
EVERY_KEY["sample"] |= {"label": "Well", "added_ml": 5.0}
EVERY_KEY["titrant"] |= {"standard_uncertainty_mol_l": 0.00002}
KEYS = [(s, key) for s, part in EVERY_KEY.items() if isinstance(part, dict) for key in part]
NUMBERS = [place for place in KEYS if isinstance(EVERY_KEY[place[0]][place[1]], float)]


def refusal_of(section: str, key: str, value: object) -> Problem:
    table = copy.deepcopy(EVERY_KEY)
    table[section][key] = value
    with pytest.raises(RecordProblem) as caught:
        parse_record(table, "r.toml", Path())
    fair(caught.value)
    return caught.value


@pytest.mark.parametrize(("section", "key"), KEYS)
def test_every_key_misspelt(section: str, key: str) -> None:
    wrong = key.replace("_", "__", 1) if "_" in key else key + "s"
    problem = refusal_of(section, wrong, 1.0)
    assert f"{section}.{wrong}" in problem.sentence
    assert problem.remedy == f"Did you mean {key}?"


ABSURD = (math.nan, math.inf, -math.inf, -1e9, 1e9, 10**400, True, "1.0", [1.0], {"ml": 1.0})


@pytest.mark.parametrize(("section", "key"), NUMBERS)
@pytest.mark.parametrize("value", ABSURD, ids=lambda value: repr(value)[:12])
def test_every_number_absurd(section: str, key: str, value: object) -> None:
    assert f"{section}.{key}" in refusal_of(section, key, value).sentence


@pytest.mark.parametrize(
    ("section", "key", "value"),
    [
        ("sample", "volume_ml", 0.1),  # litres
        ("sample", "volume_ml", 100_000.0),  # microlitres
        ("titrant", "concentration_mol_l", 10.0),  # mmol/L
        ("delivery", "mixing_lag_s", 1500.0),  # milliseconds
    ],
)
def test_values_in_another_unit(section: str, key: str, value: float) -> None:
    assert f"{section}.{key}" in refusal_of(section, key, value).sentence


@pytest.mark.parametrize(
    "value",
    [[0.5, 0, 5, 9], [True, 0, 5, 9], [math.nan, 0, 5, 9], [None, 0, 5, 9], "9" * 5000 + ",0,5,9"],
    ids=lambda value: repr(value)[:16],
)
def test_a_box_of_something_else(value: object) -> None:
    with pytest.raises(RecordProblem, match="liquid_box"):
        settings_from({"liquid_box": value}, "r.toml: settings")


@pytest.mark.parametrize(
    ("burette", "named"),
    [
        ({"nominal_ml": 50, "klass": "A"}, "klass"),
        ({"nominal_ml": math.nan, "class": "A"}, "nominal_ml"),
        ({"nominal_ml": 50, "class": "Z"}, "class"),
        ({}, "burette"),
    ],
)
def test_bad_ware(tmp_path: Path, burette: dict[str, Any], named: str) -> None:
    (tmp_path / "a.csv").write_text(GOOD_TABLE, encoding="utf-8")
    table = {**EVERY_KEY, "ware": {"burette": burette}}
    with pytest.raises(Problem) as caught:
        prepare(parse_record(table, "r.toml", tmp_path))
    fair(caught.value)
    assert named in str(caught.value)


CERTIFICATES = {
    "missing": None,
    "empty": b"",
    "no JSON": b"{",
    "a list": b"[1, 2]",
    "nan": b'{"format": NaN}',
    "deep": b"[" * 100_000,
    "long number": b'{"format": ' + b"9" * 5000 + b"}",
    "noise": bytes(range(256)),
    "another format": json.dumps({"format": 99, "id": "x"}).encode(),
}


@pytest.mark.parametrize("content", CERTIFICATES.values(), ids=CERTIFICATES)
@pytest.mark.parametrize("place", ["titrant", "burette", "pipette"])
def test_bad_certificates(tmp_path: Path, content: bytes | None, place: str) -> None:
    (tmp_path / "a.csv").write_text(GOOD_TABLE, encoding="utf-8")
    if content is not None:
        (tmp_path / "c.json").write_bytes(content)
    extra = f'[ware]\n{place} = "c.json"\n' if place != "titrant" else ""
    path = Path(record_of(tmp_path, 'photometer = "a.csv"', "", extra))
    if place == "titrant":
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace("concentration_mol_l = 0.01", 'certificate = "c.json"'))
    assert "c.json" in says_one_thing(locate(str(path)))


@pytest.mark.parametrize(
    "options",
    [
        ("--sample-ml", "nan"),
        ("--sample-ml", "ten"),
        ("--titrant", "-0.01"),
        ("--added-ml", "inf"),
        ("--rate", "0"),
        ("--liquid-box", "1,1,1,1"),
        ("--liquid-box", "left"),
        ("--tone-curve", "gamma"),
        ("--json", "a.csv/r.json"),
        ("--out", "a.csv"),
        ("--out", "a.csv/inner"),
        ("--volumes", "none.csv"),
        ("--unknown", "1"),
    ],
    ids=" ".join,
)
def test_bad_options(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a.csv").write_text(GOOD_TABLE, encoding="utf-8")
    says_one_thing(locate("a.csv", *LOOSE, *options))


@pytest.mark.parametrize(
    "name", ["x" * 5000, "x" * 5000 + ".toml", "\x1b[31m.toml", "a\nb.mp4", "\udcff.mp4", "", " "]
)
def test_odd_names(name: str) -> None:
    says_one_thing(locate(name, *(() if name.endswith(".toml") else LOOSE)))


def test_boxes_beyond_the_picture(tmp_path: Path) -> None:
    record = film(tmp_path, good_film)
    for option in ("--liquid-box", "--reference-box"):
        for box in ("5000,5000,6000,6000", "100,100,5000,5000"):
            assert "box" in says_one_thing(locate(record, option, box))


def answers(got: Result) -> str:
    """Check that a run ended with a result, and return its status."""
    assert got.exception is None or isinstance(got.exception, SystemExit), repr(got.exception)
    assert got.exit_code in STATUSES.values(), got.output
    data = json.loads(got.stdout, parse_constant=lambda word: pytest.fail(word))
    assert STATUSES[data["status"]] == got.exit_code
    if data["status"] == "none":
        assert data["reasons"]
        assert data["equivalence_ml"] is None
        assert data["hardness"] is None
    return str(data["status"])


FLAT = np.full((48, 64, 3), 128.0)
NO_TITRATIONS = {
    "busy": busy_pictures(12),
    "black": [FLAT * 0.0] * 12,
    "white": [FLAT * 0.0 + 255.0] * 12,
    "grey": [FLAT] * 12,
    "two pictures": [FLAT] * 2,
    "tiny": [np.full((2, 2, 3), 90.0)] * 12,
    "narrow": [np.full((2, 400, 3), 90.0)] * 12,
    "patches": [patch_picture()] * 12,
}


@pytest.mark.parametrize("pictures", NO_TITRATIONS.values(), ids=NO_TITRATIONS)
@pytest.mark.parametrize("boxes", [False, True], ids=["searched", "by hand"])
def test_films_without_a_titration_end_as_none(
    tmp_path: Path, pictures: list[np.ndarray], boxes: bool
) -> None:
    record = film(tmp_path, lambda path: write_film(path, pictures))
    given_by_hand = ("--liquid-box", "0,0,1,1", "--reference-box", "1,0,2,2") if boxes else ()
    got = locate(record, "--json", "-", *given_by_hand)
    if boxes and got.exit_code == 2:
        says_one_thing(got)
    else:
        assert answers(got) == "none"


def test_a_pump_that_starts_after_the_film(tmp_path: Path) -> None:
    film(tmp_path, good_film)
    record = record_of(tmp_path, 'video = "film.mp4"', "rate_ml_min = 6.0\nstart_s = 80000.0")
    assert "start_s" in says_one_thing(locate(record))


HARMLESS_BUT_ODD = {
    "one volume": "volume_ml,A620\n1,0.1\n1,0.1\n1,0.1\n",
    "no change": "volume_ml,A530,A620\n" + "".join(f"{v},0.3,0.3\n" for v in range(12)),
    "zeros": "volume_ml,A530,A620\n" + "".join(f"{v},0,0\n" for v in range(12)),
    "two rows": "volume_ml,A530,A620\n0,0.5,0.1\n10,0.1,0.5\n",
    "saturated": "volume_ml,A530,A620\n" + "".join(f"{v},9,9\n" for v in range(12)),
    "negative": "volume_ml,A530,A620\n" + "".join(f"{v},-0.1,-0.2\n" for v in range(12)),
    "a single jump": "volume_ml,A530,A620\n0,0.5,0.1\n0,0.5,0.1\n999,0.1,0.5\n999,0.1,0.5\n",
    "tiny volumes": "volume_ml,A530,A620\n"
    + "".join(f"{v}e-9,{0.5 - 0.02 * v},{0.1 + 0.02 * v}\n" for v in range(12)),
    "same wavelength": "volume_ml,A620,A620\n" + "".join(f"{v},0.3,0.4\n" for v in range(12)),
    "straight": GOOD_TABLE,
}


@pytest.mark.parametrize("text", HARMLESS_BUT_ODD.values(), ids=HARMLESS_BUT_ODD)
def test_odd_tables_never_reach_the_user_as_an_error(tmp_path: Path, text: str) -> None:
    path = tmp_path / "table.csv"
    path.write_text(text, encoding="utf-8")
    got = locate(str(path), *LOOSE, "--json", "-")
    if got.exit_code == 2:
        says_one_thing(got)
    else:
        assert answers(got) in ("none", "bracketed")


LIMIT_MB = 1000
COMMAND = (
    "from endpoint.cli import main\n"
    "try:\n"
    "    main(sys.argv[1:])\n"
    "except SystemExit as stop:\n"
    "    print(stop.code, end='')\n"
)


def test_a_gigantic_picture_takes_no_memory(tmp_path: Path) -> None:
    """30000 x 30000 pixels are 2.7 GB as RGB."""
    folder = tmp_path / "stills"
    folder.mkdir()
    for name in ("a.png", "b.png"):
        (folder / name).write_bytes(zero_png(30_000, 30_000))
    log = tmp_path / "v.csv"
    log.write_text("file,volume_ml\na.png,0\nb.png,1\n", encoding="utf-8")
    code, said, peak_mb = run_apart(COMMAND, "locate", str(folder), "--volumes", str(log), *LOOSE)
    assert code == "2"
    assert "too large" in said
    assert "Traceback" not in said
    assert peak_mb < LIMIT_MB


RANDOM = settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])


@st.composite
def mangled(draw: st.DrawFn, data: bytes) -> bytes:
    """Bytes with up to three places replaced, inserted, doubled or cut off."""
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(data)))
        junk = draw(st.binary(max_size=16))
        data = draw(
            st.sampled_from(
                [
                    data[:at] + junk + data[at + len(junk) :],
                    data[:at] + junk + data[at:],
                    data[:at],
                    data[:at] + data[max(at - 40, 0) :],
                ]
            )
        )
    return data


WHOLE = HEAD.format(recording='photometer = "a.csv"\npath_cm = 2.0', delivery="") + REST


@RANDOM
@given(data=mangled(WHOLE.encode()))
def test_mangled_records(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "a.csv").write_text(GOOD_TABLE, encoding="utf-8")
    path = tmp_path / "r.toml"
    path.write_bytes(data)
    try:
        job, _ = prepare(read_record(path))
    except Problem as problem:
        fair(problem)
    else:
        assert job.flask_ml > 0


NASTY = ["", "0", "-0", "nan", "inf", "1e999", "1e-400", "1,5", "1_0", "0x1", "\u0661", "\u221e"]
NASTY += ['"', '""', "\x00", "1 000", "1'000", "+1", "--1", "1.5.2", "-", "\u22121", "yes", "a.png"]
NUMBER = st.one_of(
    st.floats(-1, 60).map(lambda v: f"{v:.3g}"),
    st.sampled_from(NASTY),
)
TITLE = st.sampled_from(
    [
        "time_s",
        "volume_ml",
        "file",
        "refill",
        "A620",
        "A530",
        "Abs 620 nm",
        "620",
        "%T",
        "",
        "t",
        "v",
    ]
)


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    """Tables that look nearly right."""
    separator = draw(st.sampled_from([",", ";", "\t"]))
    width = draw(st.integers(1, 4))
    rows = [[draw(TITLE) for _ in range(width)]]
    for _ in range(draw(st.integers(0, 5))):
        wide = draw(st.integers(max(width - 1, 1), width + 1)) if draw(st.booleans()) else width
        rows.append([draw(NUMBER) for _ in range(wide)])
    text = draw(st.sampled_from(["\n", "\r\n", "\r"])).join(separator.join(row) for row in rows)
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"])))


@settings(RANDOM, max_examples=300)
@given(data=tables() | mangled(GOOD_LOG.encode()) | mangled(GOOD_TABLE.encode()))
def test_tables_that_look_nearly_right(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(data)
    try:
        log = read_log(path)
    except Problem as problem:
        fair(problem)
    else:
        assert np.isfinite(log.volume_ml).all()
        assert (np.diff(log.volume_ml) >= 0).all()
        if log.time_s is not None:
            for mode in ("steps", "continuous"):
                mixed = Delivery(mode, log.time_s.copy(), log.volume_ml.copy())
                assert np.isfinite(mixed.mixed_volume_at(np.array([-1.0, 0.5, 1e6]), 1.5)).all()
    try:
        table = read_table(path)
    except Problem as problem:
        fair(problem)
    else:
        assert np.isfinite(table.absorbance).all()
        assert table.absorbance.shape == (len(table.rows), len(table.wavelengths_nm))


@settings(RANDOM, max_examples=15)
@given(
    rows=st.lists(
        st.tuples(st.floats(0, 60), st.floats(-0.5, 10), st.floats(-0.5, 10)),
        min_size=2,
        max_size=9,
    )
)
def test_any_numbers_of_a_photometer_give_a_verdict(
    tmp_path: Path, rows: list[tuple[float, float, float]]
) -> None:
    lines = [",".join(f"{value!r}" for value in row) for row in sorted(rows)]
    (tmp_path / "a.csv").write_text("\n".join(["volume_ml,A530,A620", *lines]), encoding="utf-8")
    path = tmp_path / "r.toml"
    path.write_text(WHOLE, encoding="utf-8")
    try:
        job, source = prepare(read_record(path))
    except Problem as problem:
        fair(problem)
        return
    result = analyse(source, job)
    assert result.status in STATUSES
    if result.equivalence is not None:
        assert np.isfinite(result.equivalence.value_ml)


def picture_bytes(kind: str) -> bytes:
    stream = io.BytesIO()
    pixels = np.random.default_rng(1).integers(0, 255, (20, 24, 3), np.uint8)
    image = Image.fromarray(pixels)
    exif = image.getexif()
    exif[0x0112] = 6
    image.save(stream, kind, exif=exif) if kind != "BMP" else image.save(stream, kind)
    return stream.getvalue()


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF", "WEBP", "BMP"])
def test_mangled_stills(tmp_path: Path, kind: str) -> None:
    suffix = {"JPEG": ".jpg", "TIFF": ".tif"}.get(kind, f".{kind.lower()}")

    @settings(RANDOM, max_examples=40)
    @given(data=mangled(picture_bytes(kind)))
    def check(data: bytes) -> None:
        (tmp_path / f"a{suffix}").write_bytes(data)
        try:
            frames = list(StillsSource(tmp_path).frames())
        except Problem as problem:
            fair(problem)
        else:
            assert all(frame.rgb8().shape[2] == 3 for frame in frames)

    check()


@pytest.mark.parametrize("suffix", [".mp4", ".mkv", ".ts", ".avi"])
def test_mangled_films(tmp_path: Path, suffix: str) -> None:
    whole = write_film(tmp_path / f"whole{suffix}", busy_pictures(8, 32, 24)).read_bytes()
    path = tmp_path / f"film{suffix}"

    @settings(RANDOM, max_examples=25)
    @given(data=mangled(whole))
    def check(data: bytes) -> None:
        path.write_bytes(data)
        try:
            source = VideoSource(path)
            frames = [*source.frames(), *source.sample(4)]
            assert all(np.isfinite(frame.encoded(Box(0, 0, 2, 2))).all() for frame in frames)
        except Problem as problem:
            fair(problem)
        else:
            assert all(note.endswith(".") for note in source.info.notes)

    check()


def test_the_samples_with_a_wrong_neighbour(tmp_path: Path) -> None:
    """A good record beside the wrong recording is bad input, not an answer."""
    samples = SAMPLES
    shutil.copy(samples / "quarry-pond.toml", tmp_path)
    shutil.copy(samples / "mill-spring-volumes.csv", tmp_path / "quarry-pond.csv")
    says_one_thing(locate(str(tmp_path / "quarry-pond.toml")))
