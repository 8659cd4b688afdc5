"""Films: known patches come back, times are the film's own, damage is survived and told."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from endpoint.problems import SourceProblem
from endpoint.recording.film import VideoSource
from endpoint.recording.frame import Box, Frame, Spans, Spots, codes_at, grey, thinned
from endpoint.recording.planes import ColourCoding, Grid, Part, codes_of, rgb_at, rgb_of
from tests.made_media import (
    PATCHES,
    SIDE,
    Colours,
    busy_pictures,
    frame_of,
    patch_picture,
    planes_of,
    run_apart,
    write_film,
    write_sound,
)

TWO_LEVELS = 2.0 / 255.0


def patches_of(frame: Frame, columns: int = 4) -> np.ndarray:
    """Mean of the inside of every patch, read box by box."""
    out = []
    for k in range(len(PATCHES)):
        left, top = (k % columns) * SIDE, (k // columns) * SIDE
        out.append(frame.encoded(Box(left + 2, top + 2, left + 14, top + 14)).mean(axis=(0, 1)))
    return np.array(out)


def first_of(source: VideoSource) -> Frame:
    return next(iter(source.frames()))


@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
@pytest.mark.parametrize("full", [False, True], ids=["limited", "full"])
@pytest.mark.parametrize(
    "pixel_format", ["yuv420p", "yuv422p", "yuv444p", "yuv420p10le", "yuv444p10le"]
)
def test_known_patches_come_back(
    tmp_path: Path, matrix: str, full: bool, pixel_format: str
) -> None:
    path = write_film(
        tmp_path / "patches.mp4",
        [patch_picture()] * 2,
        colours=Colours(matrix=matrix, full=full, pixel_format=pixel_format),
    )
    source = VideoSource(path)
    assert source.info.details["colour_matrix"] == matrix
    assert source.info.details["colour_range"] == ("full" if full else "limited")
    assert source.info.notes == ()
    frame = first_of(source)
    assert np.abs(patches_of(frame) - PATCHES / 255).max() < TWO_LEVELS
    whole = frame.rgb8()
    assert whole.shape == (2 * SIDE, 4 * SIDE, 3)
    assert np.abs(whole.astype(float) - patch_picture()).max() <= 2


@pytest.mark.parametrize(
    "pixel_format", ["yuv420p", "yuvj420p", "yuv422p", "yuv444p", "nv12", "yuv422p10le", "yuv411p"]
)
def test_planes_are_read_in_every_layout(pixel_format: str) -> None:
    bits = 10 if "10le" in pixel_format else 8
    frame = frame_of(planes_of(patch_picture(), "bt709", True, bits), pixel_format)
    got = rgb_of(frame, Part(0, 32, 0, 64), ColourCoding("bt709", full_range=True))
    assert np.abs(got * 255 - patch_picture()).max() < 2


@pytest.mark.parametrize("pixel_format", ["uyvy422", "yuyv422", "p010le", "yuv420p10be"])
def test_packed_layouts_keep_matrix_and_range(pixel_format: str) -> None:
    deep = "10" in pixel_format
    planar = "yuv420p10le" if deep else "yuv422p"
    frame = frame_of(planes_of(patch_picture(), "bt601", False, 10 if deep else 8), planar)
    packed = frame.reformat(
        format=pixel_format,
        src_colorspace=5,
        dst_colorspace=5,
        src_color_range=1,
        dst_color_range=1,
    )
    got = rgb_of(packed, Part(0, 32, 0, 64), ColourCoding("bt601", full_range=False))
    inside = np.abs(got * 255 - patch_picture()).reshape(2, SIDE, 4, SIDE, 3)[:, 3:13, :, 3:13]
    assert inside.max() < 2


def test_ten_bits_are_not_rounded_to_eight(tmp_path: Path) -> None:
    grey = np.full((32, 32, 3), 128.0)
    grey[:, 16:] += 0.4
    path = write_film(
        tmp_path / "deep.mp4", [grey] * 2, colours=Colours(pixel_format="yuv420p10le")
    )
    part = first_of(VideoSource(path)).encoded(Box(0, 0, 32, 32))
    step = 255 * (part[:, 20:28].mean() - part[:, 4:12].mean())
    assert 0.2 < step < 0.6


def test_published_code_values_of_pure_red() -> None:
    """Red of 100 % is Y' Cb Cr 81 90 240 in BT.601 and 63 102 240 in BT.709 (from memory)."""
    for matrix, codes in (("bt601", (81, 90, 240)), ("bt709", (63, 102, 240))):
        planes = [np.full((16, 16), float(code)) for code in codes]
        frame = frame_of(planes, "yuv444p")
        got = rgb_of(frame, Part(0, 16, 0, 16), ColourCoding(matrix, full_range=False))[0, 0]
        np.testing.assert_allclose(got * 255, (255, 0, 0), atol=2)


def test_a_box_with_odd_corners_is_the_same_part_of_the_whole(tmp_path: Path) -> None:
    path = write_film(tmp_path / "busy.mp4", busy_pictures(2))
    frame = first_of(VideoSource(path))
    whole = frame.encoded(Box(0, 0, 160, 120))
    part = frame.encoded(Box(33, 17, 92, 84))
    np.testing.assert_allclose(part, whole[17:84, 33:92], atol=1e-6)


@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p", "yuv444p10le"])
@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
@pytest.mark.parametrize("step", [1, 2, 3, 7])
def test_thinned_pixels_are_those_of_the_whole(
    tmp_path: Path, rotation: int, step: int, pixel_format: str
) -> None:
    path = write_film(
        tmp_path / "a.mp4",
        busy_pictures(2),
        rotation=rotation,
        colours=Colours(pixel_format=pixel_format),
    )
    frame = first_of(VideoSource(path))
    for box in (Box(0, 0, frame.width, frame.height), Box(7, 12, 58, 91), Box(20, 31, 21, 33)):
        whole = frame.encoded(box)[::step, ::step]
        np.testing.assert_allclose(thinned(frame, box, step), whole, rtol=0, atol=1e-6)
        kr, kb = 0.2126, 0.0722
        luma = whole @ np.array([kr, 1 - kr - kb, kb])
        np.testing.assert_allclose(grey(frame, box, step), luma, rtol=0, atol=1e-5)
        rows, columns = np.mgrid[box.top : box.bottom : step, box.left : box.right : step]
        codes = codes_at(frame, Spots(rows.ravel(), columns.ravel()))
        seen = codes.encoded(codes.values).T
        np.testing.assert_allclose(seen, whole.reshape(-1, 3), rtol=0, atol=1e-6)


@pytest.mark.parametrize("pixel_format", ["nv12", "gray", "rgb24", "uyvy422", "p010le"])
def test_thinned_pixels_of_other_layouts(pixel_format: str) -> None:
    made = frame_of(planes_of(patch_picture(), "bt709", True, 8), "yuv420p")
    picture = made.reformat(format=pixel_format)
    coding = ColourCoding("bt709", full_range=True)
    part = Part(3, 31, 5, 60)
    whole = rgb_of(picture, part, coding)[::3, ::3]
    assert rgb_at(picture, Grid.of(part, 3), coding) == pytest.approx(whole, abs=1e-6)
    rows, columns = np.mgrid[part.top : part.bottom : 3, part.left : part.right : 3]
    codes = codes_of(picture, Spots(rows.ravel(), columns.ravel()), 0, coding)
    seen = codes.encoded(codes.values).T
    assert seen == pytest.approx(whole.reshape(-1, 3), abs=1e-6)


@pytest.mark.parametrize("rotation", [90, 180, 270])
def test_a_turned_film_stands_upright(tmp_path: Path, rotation: int) -> None:
    """The display matrix turns the stored picture counter-clockwise."""
    path = write_film(tmp_path / "turned.mp4", [patch_picture()] * 2, rotation=rotation)
    upright = np.rot90(patch_picture(), rotation // 90)
    source = VideoSource(path)
    frame = first_of(source)
    assert (frame.width, frame.height) == (upright.shape[1], upright.shape[0])
    assert (source.info.width, source.info.height) == (frame.width, frame.height)
    assert np.abs(frame.rgb8().astype(float) - upright).max() <= 2
    box = Box(3, 5, 21, 29)
    part = frame.encoded(box) * 255
    assert np.abs(part - upright[5:29, 3:21]).max() <= 2


def test_times_are_those_of_the_film(tmp_path: Path) -> None:
    times = [500, 540, 900, 910, 2500, 2533, 6000, 6040]
    path = write_film(tmp_path / "uneven.mp4", [patch_picture()] * 8, times_ms=times)
    got = [frame.time_s for frame in VideoSource(path).frames()]
    np.testing.assert_allclose(got, (np.array(times) - times[0]) / 1000, atol=0.0015)


def test_a_film_may_be_read_twice(tmp_path: Path) -> None:
    source = VideoSource(write_film(tmp_path / "film.mp4", [patch_picture()] * 7))
    assert [f.index for f in source.frames()] == [f.index for f in source.frames()] == [*range(7)]
    source.close()
    source.close()


@pytest.mark.parametrize(("height", "expected"), [(480, "bt601"), (720, "bt709")])
def test_an_untagged_film_is_read_the_usual_way_and_says_so(
    tmp_path: Path, height: int, expected: str
) -> None:
    big = np.zeros((height, 64, 3)) + 128
    big[:32] = patch_picture()
    path = write_film(
        tmp_path / "bare.mp4", [big] * 2, colours=Colours(matrix=None, coded_as=expected)
    )
    source = VideoSource(path)
    assert source.info.details["colour_matrix"] == expected
    assert any(expected.upper() in note for note in source.info.notes)
    assert any("range" in note for note in source.info.notes)
    assert np.abs(patches_of(first_of(source)) - PATCHES / 255).max() < TWO_LEVELS


def test_wrong_tags_can_be_overridden(tmp_path: Path) -> None:
    path = write_film(
        tmp_path / "wrong.mp4",
        [patch_picture()] * 2,
        colours=Colours(matrix="bt601", coded_as="bt709"),
    )
    wrong = patches_of(first_of(VideoSource(path)))
    right = patches_of(first_of(VideoSource(path, colour_matrix="bt709")))
    assert np.abs(wrong - PATCHES / 255).max() > 5 * TWO_LEVELS
    assert np.abs(right - PATCHES / 255).max() < TWO_LEVELS
    as_full = first_of(VideoSource(path, "bt709", "full")).encoded(Box(52, 4, 60, 12))
    assert as_full.mean() * 255 == pytest.approx(235 * 219 / 255 + 16, abs=1)


@pytest.mark.parametrize(("transfer", "name"), [(16, "PQ"), (18, "HLG")])
def test_hdr_is_told(tmp_path: Path, transfer: int, name: str) -> None:
    path = write_film(
        tmp_path / "hdr.mp4",
        [patch_picture()] * 2,
        colours=Colours("bt2020", transfer=transfer, pixel_format="yuv420p10le"),
    )
    assert any(f"HDR ({name})" in note for note in VideoSource(path).info.notes)


@pytest.mark.parametrize("gap", [1, 1000])
def test_sample_is_spread_and_small(tmp_path: Path, gap: int) -> None:
    """Through key pictures where there are many, by reading where there is one."""
    path = write_film(
        tmp_path / "long.mp4",
        [patch_picture()] * 200,
        options={"crf": "0", "g": str(gap), "sc_threshold": "0"},
    )
    sampled = VideoSource(path).sample(10)
    times = [frame.time_s for frame in sampled]
    assert 5 <= len(sampled) <= 10
    assert times == sorted(set(times))
    assert times[0] < 1.2
    assert times[-1] > 6.0
    assert max(np.diff(times)) < 2.0
    assert np.abs(patches_of(sampled[-1]) - PATCHES / 255).max() < TWO_LEVELS


def test_sample_of_a_short_film(tmp_path: Path) -> None:
    source = VideoSource(write_film(tmp_path / "short.mp4", [patch_picture()] * 3))
    assert [frame.index for frame in source.sample(20)] == [0, 1, 2]
    assert len(source.sample(1)) == 1


@pytest.mark.parametrize("gap", [10, 200], ids=["many-keys", "one-key"])
def test_chosen_spans_are_those_of_the_whole(tmp_path: Path, gap: int) -> None:
    options = {"crf": "20", "g": str(gap), "bf": "3", "sc_threshold": "0"}
    path = write_film(tmp_path / "a.mp4", busy_pictures(100), options=options)
    source = VideoSource(path)
    stamps = source.stamps()
    assert stamps.time_s == pytest.approx(np.arange(100) * 0.04)
    assert stamps.key_s.size == -(-100 // gap)
    spans = Spans.of([(0.0, 0.0), (0.3, 0.55), (0.62, 0.7), (2.5, 2.9), (3.96, 3.96)])
    box = Box(0, 0, 160, 120)
    whole = {f.index: (f.time_s, f.encoded(box)) for f in source.frames()}
    wanted = [index for index, (time_s, _) in whole.items() if spans.hold(time_s)]
    seen = []
    for frame in source.frames_within(spans):
        seen.append(frame.index)
        assert frame.time_s == whole[frame.index][0]
        assert np.array_equal(frame.encoded(box), whole[frame.index][1])
    assert seen == wanted
    assert len(wanted) == 1 + 6 + 2 + 10 + 1


def damaged_copy(path: Path, name: str, seed: int) -> Path:
    data = bytearray(path.read_bytes())
    chance = random.Random(seed)
    middle = len(data) // 2
    for _ in range(60):
        data[middle + chance.randrange(-2000, 2000)] ^= chance.randrange(1, 256)
    out = path.with_name(name)
    out.write_bytes(data)
    return out


def pictures_by_time(source: VideoSource) -> dict[float, np.ndarray]:
    return {round(f.time_s, 2): f.rgb8().astype(np.int16) for f in source.frames()}


@pytest.fixture(scope="module", params=[".mp4", ".mkv", ".ts"])
def busy(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, dict[float, np.ndarray]]:
    """A film with a key picture every 20 pictures, and what it shows."""
    options = {"crf": "18", "g": "20", "preset": "veryfast"}
    path = tmp_path_factory.mktemp("busy") / f"whole{request.param}"
    write_film(path, busy_pictures(100), options=options)
    return path, pictures_by_time(VideoSource(path))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_damage_in_the_middle_is_survived_and_told(
    busy: tuple[Path, dict[float, np.ndarray]], seed: int
) -> None:
    whole, good = busy
    source = VideoSource(damaged_copy(whole, f"damaged-{seed}{whole.suffix}", seed))
    got = pictures_by_time(source)
    assert len(good) == 100
    assert 50 <= len(got) < 100
    assert max(got) > 3.8, "reading ended at the damage"
    assert any("left out" in note or "passed over" in note for note in source.info.notes)
    # Concealment shifts whole pictures; what the decoder cannot notice is small and rare.
    wrong = [t for t in got if t in good and np.abs(got[t] - good[t]).mean() > 4.0]
    assert len(wrong) <= 2
    before = source.info.notes
    list(source.frames())
    assert source.info.notes == before, "notes repeat themselves"


def test_a_truncated_film_says_where_it_breaks_off(tmp_path: Path) -> None:
    import av

    whole = write_film(tmp_path / "whole.mp4", busy_pictures(250, 64, 48))
    front = tmp_path / "front.mp4"
    with (
        av.open(str(whole)) as old,
        av.open(str(front), "w", options={"movflags": "+faststart"}) as new,
    ):
        track = new.add_stream_from_template(old.streams.video[0])
        for packet in old.demux(video=0):
            if packet.dts is not None:
                packet.stream = track
                new.mux(packet)
    data = front.read_bytes()
    front.write_bytes(data[: len(data) // 2])
    source = VideoSource(front)
    times = [frame.time_s for frame in source.frames()]
    assert 2.0 < times[-1] < 7.0
    assert any("breaks off" in note for note in source.info.notes)


def test_a_title_that_is_not_utf8_does_not_stop_a_film(tmp_path: Path) -> None:
    path = write_film(tmp_path / "titled.mkv", busy_pictures(5, 64, 48), title="Muehle am Bach")
    old = path.read_bytes()
    assert old.count(b"Muehle am Bach") == 1
    path.write_bytes(old.replace(b"Muehle am Bach", "Mühle  am Bach".encode("latin-1")))
    assert len(list(VideoSource(path).frames())) == 5


def test_pictures_of_another_size_are_left_out(tmp_path: Path) -> None:
    for name, side in (("a.ts", 64), ("b.ts", 96)):
        write_film(tmp_path / name, busy_pictures(20, side, side))
    both = tmp_path / "both.ts"
    both.write_bytes((tmp_path / "a.ts").read_bytes() + (tmp_path / "b.ts").read_bytes())
    source = VideoSource(both)
    sizes = {(frame.width, frame.height) for frame in source.frames()}
    assert sizes == {(64, 64)}
    assert any("size differs" in note or "do not rise" in note for note in source.info.notes)


def make_bad(kind: str, folder: Path) -> Path:
    path = folder / "film.mp4"
    if kind == "empty":
        path.write_bytes(b"")
    elif kind == "text":
        path.write_text("time_s,volume_ml\n0,0\n" * 200)
    elif kind == "noise":
        path.write_bytes(random.Random(5).randbytes(50_000))
    elif kind == "sound":
        write_sound(path)
    elif kind == "one picture":
        write_film(path, [patch_picture()])
    elif kind == "head cut off":
        data = write_film(path, [patch_picture()] * 20).read_bytes()
        path.write_bytes(data[: len(data) // 2])
    elif kind == "list of files":
        write_film(folder / "other.ts", [patch_picture()] * 5)
        path.write_text("ffconcat version 1.0\nfile other.ts\n")
    elif kind == "no time stamps":
        path = write_film(folder / "film.h264", [patch_picture()] * 20)
    elif kind == "missing":
        pass
    return path


@pytest.mark.parametrize(
    ("kind", "word"),
    [
        ("empty", "not a film"),
        ("text", "not a film"),
        ("noise", "film.mp4"),
        ("sound", "no moving pictures"),
        ("one picture", "single picture"),
        ("head cut off", "not a film"),
        ("list of files", "list of other files"),
        ("no time stamps", "time stamps"),
        ("missing", "not a film"),
    ],
)
def test_what_is_no_film_is_refused_in_words(tmp_path: Path, kind: str, word: str) -> None:
    with pytest.raises(SourceProblem) as caught:
        VideoSource(make_bad(kind, tmp_path))
    assert word in caught.value.sentence
    assert caught.value.remedy


def test_too_large_pictures_are_refused_before_they_are_decoded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_film(tmp_path / "film.mp4", [patch_picture()] * 2)
    monkeypatch.setattr("endpoint.recording.film.MAX_PIXELS", 64 * 32 - 1)
    with pytest.raises(SourceProblem, match=r"too large|not a film|no picture"):
        VideoSource(path)


def test_the_decoder_keeps_its_own_words_to_itself(tmp_path: Path) -> None:
    whole = write_film(tmp_path / "whole.mp4", busy_pictures(60))
    code = (
        "from pathlib import Path\n"
        "from endpoint.recording.film import VideoSource\n"
        "list(VideoSource(Path(sys.argv[1])).frames())\n"
    )
    said, complained, _ = run_apart(code, str(damaged_copy(whole, "damaged.mp4", 1)))
    assert (said, complained) == ("", "")


def test_memory_does_not_grow_with_the_film(tmp_path: Path) -> None:
    """200 pictures of 3 MB would be 600 MB if they were kept."""
    path = write_film(
        tmp_path / "wide.mp4",
        [np.full((1080, 1920, 3), 120.0)] * 200,
        options={"crf": "30", "preset": "ultrafast"},
    )
    code = (
        "from pathlib import Path\n"
        "from endpoint.recording.frame import Box\n"
        "from endpoint.recording.film import VideoSource\n"
        "source = VideoSource(Path(sys.argv[1]))\n"
        "seen = sum(f.encoded(Box(900, 500, 950, 550)).shape[0] for f in source.frames())\n"
        "seen += sum(f.rgb8().shape[0] for f in source.sample(10))\n"
        "print(seen, end='')\n"
    )
    seen, _, peak_mb = run_apart(code, str(path))
    assert int(seen) > 50 * 200
    assert peak_mb < 250


def test_the_largest_film_that_is_taken_fits_into_memory(tmp_path: Path) -> None:
    """4:3 at 4096 pixels, ten bits; four decoder threads whatever the machine has."""
    path = write_film(
        tmp_path / "huge.mp4",
        [np.full((3072, 4096, 3), 120.0, dtype=np.float32)] * 10,
        colours=Colours(pixel_format="yuv420p10le"),
        options={"crf": "30", "preset": "ultrafast", "g": "1"},
    )
    code = (
        "import os; os.cpu_count = lambda: 64\n"
        "from pathlib import Path\n"
        "from endpoint.recording.frame import Box\n"
        "from endpoint.recording.film import VideoSource\n"
        "source = VideoSource(Path(sys.argv[1]))\n"
        "kept = source.sample(20)\n"
        "whole, part = kept[0].rgb8(), kept[-1].encoded(Box(0, 0, 4096, 3072))\n"
        "print(sum(1 for _ in source.frames()), len(kept), end='')\n"
    )
    said, _, peak_mb = run_apart(code, str(path))
    read, kept = (int(word) for word in said.split())
    assert (read, kept) == (10, 5)
    assert peak_mb < 900


def test_a_picture_of_too_many_bytes_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_film(
        tmp_path / "film.mp4", [patch_picture()] * 2, colours=Colours(pixel_format="yuv444p10le")
    )
    monkeypatch.setattr("endpoint.recording.film.MAX_PICTURE_BYTES", 64 * 32 * 6 - 1)
    with pytest.raises(SourceProblem, match="yuv444p10le") as caught:
        VideoSource(path)
    assert "8 bits" in caught.value.remedy
