"""Stills: order, size, orientation, depth; broken ones are passed over and told."""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from endpoint.problems import SourceProblem
from endpoint.recording.frame import Box
from endpoint.recording.stills import LONG_SIDE, StillsSource, load_still, natural_key
from tests.made_media import patch_picture, run_apart, write_huge_png

PICTURE = patch_picture().astype(np.uint8)


def save(folder: Path, name: str, picture: np.ndarray = PICTURE, **options: Any) -> Path:
    path = folder / name
    Image.fromarray(picture).save(path, **options)
    return path


def test_natural_order_of_names() -> None:
    names = ["still-10.png", "still-9.png", "Still-1.png", "a.png", "9.png", "still-09b.png"]
    assert sorted(names, key=natural_key) == [
        "9.png",
        "a.png",
        "Still-1.png",
        "still-9.png",
        "still-09b.png",
        "still-10.png",
    ]


def test_stills_come_in_order_with_their_number_as_time(tmp_path: Path) -> None:
    for k in (10, 2, 1):
        save(tmp_path, f"s{k}.png", np.full((20, 30, 3), k, dtype=np.uint8))
    (tmp_path / "notes.txt").write_text("no picture")
    (tmp_path / "._s1.png").write_bytes(b"left by another computer")
    source = StillsSource(tmp_path)
    frames = list(source.frames())
    assert [frame.rgb8()[0, 0, 0] for frame in frames] == [1, 2, 10]
    assert [frame.time_s for frame in frames] == [0, 1, 2]
    assert (source.info.width, source.info.height, source.info.frame_count) == (30, 20, 3)
    assert source.info.notes == ()
    assert [frame.index for frame in source.sample(2)] == [0, 2]
    source.close()


def test_stills_come_in_the_order_of_the_volumes(tmp_path: Path) -> None:
    for k, name in enumerate(("a.png", "b.png", "c.png"), start=1):
        save(tmp_path, name, np.full((20, 30, 3), k, dtype=np.uint8))
    source = StillsSource(tmp_path, ["c.png", "sub/a.png"])
    assert [frame.rgb8()[0, 0, 0] for frame in source.frames()] == [3, 1]
    assert source.info.notes == ("1 stills of the folder have no volume and are not used.",)
    with pytest.raises(SourceProblem, match=r"d\.png is not in"):
        StillsSource(tmp_path, ["a.png", "d.png"])


@pytest.mark.parametrize(
    ("name", "options", "tolerance"),
    [
        ("a.png", {}, 0),
        ("a.tif", {}, 0),
        ("a.tiff", {"compression": "tiff_lzw"}, 0),
        ("a.webp", {"lossless": True}, 0),
        ("a.bmp", {}, 0),
        ("a.jpg", {"quality": 98, "subsampling": 0}, 3),
    ],
)
def test_every_format_gives_its_samples_back(
    tmp_path: Path, name: str, options: dict[str, Any], tolerance: int
) -> None:
    pixels, factor = load_still(save(tmp_path, name, **options))
    assert factor == 1
    assert np.abs(pixels.astype(int) - PICTURE).max() <= tolerance


def test_sixteen_bits_of_grey_and_colour(tmp_path: Path) -> None:
    ramp = np.linspace(0, 65535, 64 * 32).astype(np.uint16).reshape(32, 64)
    Image.fromarray(ramp).save(tmp_path / "grey.png")
    pixels, _ = load_still(tmp_path / "grey.png")
    np.testing.assert_array_equal(pixels[..., 1], ramp >> 8)
    import cv2

    deep = patch_picture().astype(np.uint16) * 257
    cv2.imwrite(str(tmp_path / "deep.png"), deep[..., ::-1])
    pixels, _ = load_still(tmp_path / "deep.png")
    np.testing.assert_array_equal(pixels, PICTURE)


@pytest.mark.parametrize("mode", ["L", "P", "RGBA", "LA", "1", "CMYK"])
def test_other_modes_become_colour(tmp_path: Path, mode: str) -> None:
    grey = np.repeat(np.full((16, 16, 1), 255, dtype=np.uint8), 3, axis=2)
    suffix = "tif" if mode == "CMYK" else "png"
    Image.fromarray(grey).convert(mode).save(tmp_path / f"a.{suffix}")
    pixels, _ = load_still(tmp_path / f"a.{suffix}")
    assert pixels.shape == (16, 16, 3)
    assert pixels.min() >= 254


@pytest.mark.parametrize(
    ("orientation", "turned"),
    [
        (1, PICTURE),
        (2, PICTURE[:, ::-1]),
        (3, PICTURE[::-1, ::-1]),
        (4, PICTURE[::-1]),
        (5, PICTURE.transpose(1, 0, 2)),
        (6, np.rot90(PICTURE, -1)),
        (7, PICTURE[::-1, ::-1].transpose(1, 0, 2)),
        (8, np.rot90(PICTURE, 1)),
    ],
)
def test_the_orientation_tag_is_obeyed(
    tmp_path: Path, orientation: int, turned: np.ndarray
) -> None:
    """EXIF 2.3: 6 means that row 0 is the right side, 7 that column 0 is the bottom as well."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    for k in (1, 2):
        save(tmp_path, f"{k}.png", exif=exif)
    source = StillsSource(tmp_path)
    frame = next(iter(source.frames()))
    np.testing.assert_array_equal(frame.rgb8(), turned)
    assert (source.info.height, source.info.width) == turned.shape[:2] == source.stored_size[::-1]


@pytest.mark.parametrize("name", ["big.png", "big.jpg"])
@pytest.mark.parametrize("side", [2001, 3000, 5000])
def test_large_stills_are_reduced_and_keep_their_colours(
    tmp_path: Path, name: str, side: int
) -> None:
    picture = np.empty((side // 2, side, 3), dtype=np.uint8)
    picture[:, : side // 2] = (150, 30, 80)
    picture[:, side // 2 :] = (50, 60, 150)
    for k in (1, 2):
        save(tmp_path, f"{k}{name}", picture, **({"quality": 95} if "jpg" in name else {}))
    source = StillsSource(tmp_path)
    frame = next(iter(source.frames()))
    assert max(frame.width, frame.height) <= LONG_SIDE
    assert source.reduction == pytest.approx(side / frame.width, rel=0.002)
    middle = side // 2 // source.reduction
    left = frame.encoded(Box(10, 10, middle - 10, 100)) * 255
    right = frame.encoded(Box(middle + 10, 10, middle + 100, 100)) * 255
    assert np.abs(left - (150, 30, 80)).max() <= 2
    assert np.abs(right - (50, 60, 150)).max() <= 2


def test_a_broken_still_is_passed_over_and_told(tmp_path: Path) -> None:
    for k in range(4):
        save(tmp_path, f"{k}.png")
    (tmp_path / "1.png").write_bytes((tmp_path / "1.png").read_bytes()[:150])
    (tmp_path / "2.png").write_bytes(b"")
    save(tmp_path, "4.png", np.zeros((40, 40, 3), dtype=np.uint8))
    source = StillsSource(tmp_path)
    assert [frame.index for frame in source.frames()] == [0, 3]
    told = " ".join(source.info.notes)
    assert all(name in told for name in ("1.png", "2.png", "4.png"))
    before = source.info.notes
    list(source.frames())
    assert source.info.notes == before


def test_the_size_of_most_stills_counts_not_that_of_the_first(tmp_path: Path) -> None:
    save(tmp_path, "0.png", np.zeros((40, 40, 3), dtype=np.uint8))
    for k in (1, 2, 3):
        save(tmp_path, f"{k}.png")
    source = StillsSource(tmp_path)
    assert (source.info.width, source.info.height) == (64, 32)
    assert [frame.index for frame in source.frames()] == [1, 2, 3]


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ([], "no pictures"),
        (["one"], "Only one still"),
        (["text", "text", "empty"], "None of the 3 stills"),
        (["one", "text"], "Only one still"),
    ],
)
def test_a_folder_without_stills_is_refused(tmp_path: Path, files: list[str], words: str) -> None:
    for k, kind in enumerate(files):
        path = tmp_path / f"{k}.png"
        if kind == "one":
            save(tmp_path, path.name)
        else:
            path.write_text("no picture" if kind == "text" else "")
    with pytest.raises(SourceProblem, match=words) as caught:
        StillsSource(tmp_path)
    assert caught.value.remedy


def test_a_missing_folder_and_a_file(tmp_path: Path) -> None:
    with pytest.raises(SourceProblem, match="does not exist"):
        StillsSource(tmp_path / "none")
    path = save(tmp_path, "a.png")
    with pytest.raises(SourceProblem, match="is not a folder"):
        StillsSource(path)
    os.mkfifo(tmp_path / "pipe.png")
    with pytest.raises(SourceProblem, match="Only one still"):
        StillsSource(tmp_path)


def test_the_library_does_not_write_to_the_terminal_by_itself(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.tif"
    Image.fromarray(PICTURE).save(path, compression="tiff_lzw")
    content = bytearray(path.read_bytes())
    # Two values for the tag 259, compression, of type 3.
    at = content.index(struct.pack("<HHI", 259, 3, 1))
    content[at + 4 : at + 12] = struct.pack("<IHH", 2, 5, 1)
    path.write_bytes(content)
    with pytest.raises(SourceProblem, match=r"a\.tif"):
        load_still(path)
    os.write(2, b"still there")
    assert capfd.readouterr().err == "still there"


@settings(max_examples=60)
@given(st.sampled_from(["PNG", "JPEG", "TIFF", "WEBP", "BMP"]), st.data())
def test_any_damage_is_a_problem_in_words(
    tmp_path_factory: pytest.TempPathFactory, kind: str, data: st.DataObject
) -> None:
    memory = io.BytesIO()
    Image.fromarray(PICTURE).save(memory, kind)
    content = bytearray(memory.getvalue())
    places = st.integers(0, len(content) - 1)
    for place in data.draw(st.lists(places, max_size=8)):
        content[place] = data.draw(st.integers(0, 255))
    end = data.draw(st.one_of(st.none(), places))
    path = tmp_path_factory.mktemp("still") / "a.png"
    path.write_bytes(content[:end])
    try:
        pixels, _ = load_still(path)
    except SourceProblem as problem:
        assert "a.png" in problem.sentence
        assert problem.remedy
    else:
        assert pixels.dtype == np.uint8
        assert pixels.ndim == 3
        assert max(pixels.shape) <= LONG_SIDE


def test_a_png_of_30000_pixels_is_refused_before_it_is_decoded(tmp_path: Path) -> None:
    write_huge_png(tmp_path / "a.png", 30_000)
    code = (
        "from pathlib import Path\n"
        "from endpoint.recording.stills import load_still\n"
        "try:\n    load_still(Path(sys.argv[1]))\nexcept Exception as e:\n"
        "    print(type(e).__name__, e, end='')\n"
    )
    said, _, peak_mb = run_apart(code, str(tmp_path / "a.png"))
    assert said.startswith("SourceProblem a.png is too large")
    assert peak_mb < 150


def test_the_largest_still_that_is_taken_fits_into_memory(tmp_path: Path) -> None:
    write_huge_png(tmp_path / "a.png", 8_900)
    code = (
        "from pathlib import Path\n"
        "from endpoint.recording.stills import load_still\n"
        "print(load_still(Path(sys.argv[1]))[0].shape, end='')\n"
    )
    said, _, peak_mb = run_apart(code, str(tmp_path / "a.png"))
    assert said == "(1780, 1780, 3)"
    assert peak_mb < 600
