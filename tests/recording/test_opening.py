"""The one door to a recording: what belongs together goes in, the rest is refused."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from calibration.problem import Problem
from endpoint.analysis.prepare import prepare
from endpoint.record.titration import TitrationRecord, parse_record
from endpoint.recording.film import VideoSource
from endpoint.recording.frame import Box
from endpoint.recording.opening import open_source, sha256_of
from endpoint.recording.photometer import PhotometerTable
from endpoint.recording.stills import StillsSource
from tests.made_media import patch_picture, run_apart, write_film


def record_in(
    folder: Path, recording: dict[str, Any], delivery: dict[str, Any], **options: Any
) -> TitrationRecord:
    table = {
        "format": 1,
        "sample": {"volume_ml": 100.0},
        "titrant": {"concentration_mol_l": 0.01},
        "recording": recording,
        "delivery": delivery,
        "settings": options,
    }
    return parse_record(table, "well.toml", folder)


def write_stills(folder: Path, count: int = 3, side: int = 64) -> Path:
    folder.mkdir()
    for k in range(count):
        picture = np.full((side // 2, side, 3), 40 * k + 20, dtype=np.uint8)
        Image.fromarray(picture).save(folder / f"{k}.png")
    return folder


def test_film_stills_and_rows_come_with_their_log(tmp_path: Path) -> None:
    write_film(tmp_path / "film.mp4", [patch_picture()] * 50)
    write_stills(tmp_path / "stills")
    (tmp_path / "rows.csv").write_text("time_s,A620\n0,0.1\n1,0.2\n")
    (tmp_path / "log.csv").write_text("time_s,volume_ml\n0,0\n1,1\n")
    (tmp_path / "each.csv").write_text("file,volume_ml\n2.png,0\n0.png,1\n")
    by_log = {"log": "log.csv", "mode": "steps"}
    film, log = open_source(record_in(tmp_path, {"video": "film.mp4"}, by_log))
    assert isinstance(film, VideoSource)
    assert log is not None
    np.testing.assert_array_equal(log.volume_ml, [0, 1])
    stills, log = open_source(record_in(tmp_path, {"stills": "stills"}, {"per_still": "each.csv"}))
    assert isinstance(stills, StillsSource)
    assert log is not None
    assert log.files == ("2.png", "0.png")
    assert [int(frame.rgb8()[0, 0, 0]) for frame in stills.frames()] == [100, 20]
    rows, log = open_source(record_in(tmp_path, {"photometer": "rows.csv"}, by_log))
    assert isinstance(rows, PhotometerTable)
    assert log is not None
    pumped, log = open_source(record_in(tmp_path, {"video": "film.mp4"}, {"rate_ml_min": 6.0}))
    assert isinstance(pumped, VideoSource)
    assert log is None


@pytest.mark.parametrize(
    ("recording", "delivery", "options", "words"),
    [
        ({"video": "none.mp4"}, {"rate_ml_min": 6.0}, {}, "none.mp4 does not exist"),
        ({"video": "stills"}, {"rate_ml_min": 6.0}, {}, "is a folder"),
        ({"video": "empty.mp4"}, {"rate_ml_min": 6.0}, {}, "0 bytes"),
        ({"video": "pipe.mp4"}, {"rate_ml_min": 6.0}, {}, "not an ordinary file"),
        ({"video": "film.mp4"}, {"log": "none.csv", "mode": "steps"}, {}, "none.csv"),
        ({"video": "film.mp4"}, {"log": "late.csv", "mode": "steps"}, {}, "Row 3 of late.csv"),
        ({"video": "film.mp4"}, {"log": "each.csv", "mode": "steps"}, {}, "no column time_s"),
        ({"video": "film.mp4"}, {"rate_ml_min": 6.0, "start_s": 60.0}, {}, "pump starts at 60 s"),
        ({"stills": "stills"}, {"per_still": "late.csv"}, {}, "no column file"),
        ({"stills": "film.mp4"}, {"per_still": "each.csv"}, {}, "is not a folder"),
        ({"photometer": "rows.csv"}, {}, {}, "times but no volumes"),
        (
            {"video": "film.mp4"},
            {"rate_ml_min": 6.0},
            {"liquid_box": [10, 10, 65, 20]},
            "liquid_box reaches to 65,20",
        ),
        (
            {"stills": "stills"},
            {"per_still": "each.csv"},
            {"reference_box": [10, 10, 20, 33]},
            "reference_box reaches to 20,33",
        ),
    ],
)
def test_what_does_not_belong_together(
    tmp_path: Path,
    recording: dict[str, Any],
    delivery: dict[str, Any],
    options: dict[str, Any],
    words: str,
) -> None:
    write_film(tmp_path / "film.mp4", [patch_picture()] * 50)
    write_stills(tmp_path / "stills")
    os.mkfifo(tmp_path / "pipe.mp4")
    (tmp_path / "empty.mp4").write_bytes(b"")
    (tmp_path / "late.csv").write_text("time_s,volume_ml\n0,0\n100,1\n")
    (tmp_path / "each.csv").write_text("file,volume_ml\n0.png,0\n1.png,1\n")
    (tmp_path / "rows.csv").write_text("time_s,A620\n0,0.1\n1,0.2\n")
    with pytest.raises(Problem) as caught:
        prepare(record_in(tmp_path, recording, delivery, **options))
    assert words in caught.value.sentence
    assert caught.value.remedy


def test_hand_boxes_follow_the_reduction_of_large_stills(tmp_path: Path) -> None:
    """A person reads pixels off the file; the frames are three times smaller."""
    write_stills(tmp_path / "stills", 2, 6000)
    (tmp_path / "each.csv").write_text("file,volume_ml\n0.png,0\n1.png,1\n")
    record = record_in(
        tmp_path,
        {"stills": "stills"},
        {"per_still": "each.csv"},
        liquid_box=[300, 600, 903, 1200],
        reference_box=[5400, 0, 6000, 3000],
    )
    job, source = prepare(record)
    assert isinstance(source, StillsSource)
    assert (source.info.width, source.info.height) == (2000, 1000)
    assert job.liquid_box == Box(100, 200, 301, 400)
    assert job.reference_box == Box(1800, 0, 2000, 1000)


def test_the_fingerprint_of_a_medium(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    path.write_bytes(b"abc" * 1_000_000)
    assert sha256_of(path) == hashlib.sha256(b"abc" * 1_000_000).hexdigest()
    folder = write_stills(tmp_path / "stills")
    whole = sha256_of(folder)
    (folder / "notes.txt").write_text("not a still")
    assert sha256_of(folder) == whole
    (folder / "2.png").rename(folder / "3.png")
    assert sha256_of(folder) != whole


@pytest.fixture
def locked() -> Iterator[Path]:
    """Folder that everybody may enter, with things in it that nobody may read."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    write_stills(folder / "stills").chmod(0)
    for name in ("film.mp4", "rows.csv", "log.csv", "well.toml"):
        (folder / name).write_text("time_s,volume_ml\n0,0\n1,1\n")
        (folder / name).chmod(0)
    yield folder
    (folder / "stills").chmod(0o755)
    shutil.rmtree(folder)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        ("read_record(folder / 'well.toml')", "well.toml"),
        ("find_stills(folder / 'stills')", "stills"),
        ("read_log(folder / 'log.csv')", "log.csv"),
        ("read_table(folder / 'rows.csv')", "rows.csv"),
        ("_need_file(folder / 'film.mp4')", "film.mp4"),
    ],
)
def test_what_may_not_be_read(locked: Path, call: str, name: str) -> None:
    """In a process without the rights of the superuser, whom no lock stops."""
    code = (
        "import os\n"
        "from pathlib import Path\n"
        "from calibration.problem import Problem\n"
        "from endpoint.record.titration import read_record\n"
        "from endpoint.recording.opening import _need_file\n"
        "from endpoint.recording.photometer import read_table\n"
        "from endpoint.recording.stills import find_stills\n"
        "from endpoint.recording.volume_log import read_log\n"
        "folder = Path(sys.argv[1])\n"
        "if os.geteuid() == 0:\n    os.setuid(65534)\n"
        f"try:\n    {call}\n"
        "except Problem as problem:\n    print(problem.sentence, end='')\n"
    )
    said, _, _ = run_apart(code, str(locked))
    assert f"{name} cannot be read (Permission denied)" in said
