"""Pictures kept for people: evenly spread, few, and the strip that says what was set aside."""

from __future__ import annotations

import csv
import dataclasses
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.analysis.result import Result
from endpoint.colour.kept_pictures import KeptPicture, PictureKeeper
from endpoint.drawing.thumbnails import MOST, choose, describe_thumbnails, thumbnails_picture
from endpoint.problems import Flag
from endpoint.record.titration import read_record
from endpoint.recording.frame import ArrayFrame
from endpoint.report.folder import write_folder
from tests.places import SAMPLES

SAMPLE = SAMPLES / "chapel-fountain.toml"


def frames(count: int) -> Iterator[ArrayFrame]:
    for k in range(count):
        yield ArrayFrame(k, 0.1 * k, np.full((90, 160, 3), k / count))


@pytest.mark.parametrize("count", [1, 5, 96, 97, 1000, 5000])
def test_what_is_kept_is_few_and_even(count: int) -> None:
    keeper = PictureKeeper(most=96)
    assert sum(1 for _ in keeper.through(frames(count))) == count
    kept = keeper.pictures
    assert len(kept) <= 96
    assert len(kept) >= min(count, 48)
    steps = np.diff([picture.index for picture in kept])
    assert kept[0].index == 0
    assert steps.size == 0 or steps.min() == steps.max()
    assert kept[-1].rgb.mean() == pytest.approx(255.0 * kept[-1].index / count, abs=0.6)


def test_forgetting_begins_anew() -> None:
    keeper = PictureKeeper(most=4)
    list(keeper.through(frames(40)))
    keeper.forget()
    list(keeper.through(frames(3)))
    assert [picture.index for picture in keeper.pictures] == [0, 1, 2]


@pytest.fixture(scope="module")
def result() -> Result:
    job, source = prepare(read_record(SAMPLE))
    return analyse(source, job)


def test_the_strip_shows_the_ends_and_the_end_point(result: Result) -> None:
    shown = choose(result)
    assert 4 <= len(shown) <= MOST
    assert [t.picture.time_s for t in shown] == sorted(t.picture.time_s for t in shown)
    assert result.equivalence is not None
    end = result.equivalence.value_ml
    volumes = np.array([t.volume_ml for t in shown if not t.aside])
    assert np.abs(volumes - end).min() < 0.6
    assert volumes[0] < 0.3 * end


def test_what_was_set_aside_is_shown_with_its_reason(result: Result) -> None:
    curve = result.curve
    assert curve is not None
    flags = np.array(curve.frame_flags)
    middle = flags.size // 3
    flags[middle : middle + flags.size // 8] = int(Flag.LIQUID_LOST)
    hidden = dataclasses.replace(result, curve=dataclasses.replace(curve, frame_flags=flags))
    assert "liquid hidden" in {t.aside for t in choose(hidden)}
    assert "set aside: liquid hidden" in describe_thumbnails(hidden)
    figure = thumbnails_picture(hidden)
    assert figure is not None
    titles = [" ".join(axes.get_title(loc="left").split()) for axes in figure.axes]
    assert any("set aside: liquid hidden" in title for title in titles)
    assert any(title.endswith("used") for title in titles)


def test_without_pictures_there_is_no_strip(result: Result) -> None:
    bare = dataclasses.replace(result, pictures=())
    assert choose(bare) == ()
    assert thumbnails_picture(bare) is None


def test_pictures_cannot_be_written_to() -> None:
    keeper = PictureKeeper()
    list(keeper.through(frames(2)))
    kept: KeptPicture = keeper.pictures[0]
    with pytest.raises(ValueError, match="read-only"):
        kept.rgb[0, 0, 0] = 1


def test_the_folder_of_pictures_says_what_each_shows(result: Result, tmp_path: Path) -> None:
    inside = tmp_path / "pictures"
    inside.mkdir()
    (inside / "index.csv").write_text("of an older result", encoding="utf-8")
    (inside / "099.jpg").write_bytes(b"old")
    (inside / "mine.jpg").write_bytes(b"mine")
    (tmp_path / "result.json").write_text("{}", encoding="utf-8")
    write_folder(result, tmp_path, {})
    with (inside / "index.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert {row["file"] for row in rows} | {"mine.jpg"} == {p.name for p in inside.glob("*.jpg")}
    assert len(rows) == len(result.pictures)
    assert result.curve is not None
    volumes = [float(row["volume_ml"]) for row in rows]
    assert volumes == sorted(volumes)
    assert volumes[-1] == pytest.approx(result.curve.volume_ml[-1])
    assert {row["state"] for row in rows} == {"used"}
    assert not any(row["why"] for row in rows)
    for row in (rows[0], rows[-1]):
        with Image.open(inside / row["file"]) as picture:
            assert picture.format == "JPEG"
            assert 160 <= max(picture.size) <= 320
    without = dataclasses.replace(result, pictures=())
    (inside / "mine.jpg").unlink()
    write_folder(without, tmp_path, {})
    assert not inside.exists()
