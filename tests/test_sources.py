"""Films, stills, tables, logs and records: what goes in comes out, and bad input is named."""

from __future__ import annotations

import resource
import struct
import subprocess
import sys
import textwrap
import zlib
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy.integrate import solve_ivp

from endpoint.delivery import Delivery
from endpoint.problems import DeliveryProblem, Problem, RecordProblem, SourceProblem
from endpoint.record import read_record
from endpoint.sources.frame import Box
from endpoint.sources.opening import open_source, sha256_of
from endpoint.sources.photometer import read_table
from endpoint.sources.stills import StillsSource, find_stills
from endpoint.sources.video import VideoSource
from endpoint.sources.volumes import check_clock, read_log

PATCHES = np.array([(60, 80, 150), (150, 50, 90), (128, 128, 128), (220, 215, 200)], np.uint8)
MATRIX = {"bt601": 5, "bt709": 1, "bt2020": 9}
RANGE = {"limited": 1, "full": 2}


def flat_picture(width: int = 128, height: int = 96) -> np.ndarray:
    """Four vertical bands of flat colour."""
    columns = np.repeat(np.arange(4), width // 4)
    return np.broadcast_to(PATCHES[columns], (height, width, 3)).copy()


def write_film(
    path: Path,
    *,
    times_ms: list[int] | None = None,
    matrix: str = "bt709",
    range_: str = "limited",
    pixel_format: str = "yuv420p",
    tagged: bool = True,
    picture: np.ndarray | None = None,
) -> Path:
    """Write a film of one flat picture with chosen tags and time stamps."""
    image = flat_picture() if picture is None else picture
    moments = times_ms or [0, 100, 200, 300]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=10)
        stream.width, stream.height, stream.pix_fmt = image.shape[1], image.shape[0], pixel_format
        stream.options = {"crf": "1", "g": "5", "bf": "0"}
        stream.codec_context.time_base = Fraction(1, 1000)
        if tagged:
            stream.codec_context.colorspace = MATRIX[matrix]
            stream.codec_context.color_range = RANGE[range_]
        for moment in moments:
            frame = av.VideoFrame.from_ndarray(image, format="rgb24").reformat(
                format=pixel_format, dst_colorspace=MATRIX[matrix], dst_color_range=RANGE[range_]
            )
            frame.pts, frame.time_base = moment, Fraction(1, 1000)
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return path


@pytest.mark.parametrize("matrix", ["bt601", "bt709"])
@pytest.mark.parametrize("range_", ["limited", "full"])
@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv444p"])
def test_colours_of_a_film_come_back(
    tmp_path: Path, matrix: str, range_: str, pixel_format: str
) -> None:
    path = write_film(tmp_path / "a.mp4", matrix=matrix, range_=range_, pixel_format=pixel_format)
    source = VideoSource(path)
    frame = next(iter(source.frames()))
    for k, wanted in enumerate(PATCHES):
        part = frame.encoded(Box(32 * k + 9, 31, 32 * k + 22, 60))
        assert part.shape == (29, 13, 3)
        assert 255.0 * np.median(part, axis=(0, 1)) == pytest.approx(wanted, abs=2.5)
    assert np.array_equal(frame.rgb8().shape, (96, 128, 3))


def test_an_untagged_film_is_told_and_can_be_overruled(tmp_path: Path) -> None:
    path = write_film(tmp_path / "a.mp4", matrix="bt709", tagged=False)
    plain = VideoSource(path)
    assert any("colour matrix" in note for note in plain.info.notes)
    told = VideoSource(path, colour_matrix="bt709", colour_range="limited")
    assert not told.info.notes
    part = next(iter(told.frames())).encoded(Box(5, 5, 25, 60))
    assert 255.0 * part.mean(axis=(0, 1)) == pytest.approx(PATCHES[0], abs=2.5)


def test_true_time_stamps_of_a_variable_frame_rate(tmp_path: Path) -> None:
    moments = [0, 40, 500, 520, 2000, 2100]
    source = VideoSource(write_film(tmp_path / "a.mp4", times_ms=moments))
    times = [frame.time_s for frame in source.frames()]
    assert times == pytest.approx([m / 1000 for m in moments], abs=0.002)
    assert [f.time_s for f in source.frames()] == times


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_turned_film_is_set_upright(tmp_path: Path, turns: int) -> None:
    image = flat_picture()
    image[:48] = (image[:48] * 0.5).astype(np.uint8)
    source = VideoSource(write_film(tmp_path / "a.mp4", picture=image, pixel_format="yuv444p"))
    source._turns = turns
    frame = next(iter(source.frames()))
    plain = VideoSource(source.path)
    whole = np.rot90(next(iter(plain.frames())).rgb8(), turns)
    assert np.array_equal(frame.rgb8(), whole)
    box = Box(10, 20, 40, 70)
    part = np.clip(np.rint(frame.encoded(box) * 255), 0, 255)
    assert np.array_equal(part, whole[box.top : box.bottom, box.left : box.right])


def test_a_damaged_film_is_read_on(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    noisy = rng.integers(0, 255, (96, 128, 3), dtype=np.uint8)
    path = write_film(tmp_path / "a.mp4", times_ms=list(range(0, 6000, 100)), picture=noisy)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 4000] = rng.integers(0, 255, 4000, dtype=np.uint8).tobytes()
    path.write_bytes(bytes(data))
    times = [frame.time_s for frame in VideoSource(path).frames()]
    assert len(times) > 30
    assert times[-1] > 4.0


def test_sampling_spreads_over_the_film(tmp_path: Path) -> None:
    source = VideoSource(write_film(tmp_path / "a.mp4", times_ms=list(range(0, 8000, 100))))
    times = [frame.time_s for frame in source.sample(8)]
    assert len(times) >= 6
    assert times == sorted(times)
    assert times[-1] - times[0] > 5.0


def _audio_only(path: Path) -> Path:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=44100)
        frame = av.AudioFrame.from_ndarray(
            np.zeros((1, 1024), dtype=np.float32), format="fltp", layout="mono"
        )
        frame.sample_rate = 44100
        for packet in [*stream.encode(frame), *stream.encode()]:
            container.mux(packet)
    return path


def _truncated(path: Path) -> Path:
    write_film(path)
    path.write_bytes(path.read_bytes()[:600])
    return path


def _text(path: Path) -> Path:
    path.write_text("this is no film\n" * 50)
    return path


def _empty(path: Path) -> Path:
    path.write_bytes(b"")
    return path


@pytest.mark.parametrize("make", [_audio_only, _truncated, _text, _empty])
def test_what_is_no_film_is_refused(tmp_path: Path, make: Callable[[Path], Path]) -> None:
    path = make(tmp_path / "x.mp4")
    with pytest.raises(SourceProblem) as caught:
        list(VideoSource(path).frames())
    assert caught.value.sentence.endswith(".")
    assert caught.value.remedy.endswith(".")


def test_stills_in_natural_order_and_upright(tmp_path: Path) -> None:
    for k in (1, 2, 10):
        image = Image.fromarray(np.full((40, 60, 3), 10 * k, np.uint8))
        exif = image.getexif()
        exif[0x0112] = 6 if k == 10 else 1
        image.resize((40, 60) if k == 10 else (60, 40)).save(tmp_path / f"still-{k}.png", exif=exif)
    assert [p.name for p in find_stills(tmp_path)] == ["still-1.png", "still-2.png", "still-10.png"]
    frames = list(StillsSource(tmp_path).frames())
    assert [int(f.rgb8()[0, 0, 0]) for f in frames] == [10, 20, 100]
    assert {(f.width, f.height) for f in frames} == {(60, 40)}


def test_a_bad_still_is_passed_over_with_a_note(tmp_path: Path) -> None:
    Image.fromarray(np.zeros((40, 60, 3), np.uint8)).save(tmp_path / "a.png")
    (tmp_path / "b.png").write_bytes(b"nonsense")
    Image.fromarray(np.zeros((80, 60, 3), np.uint8)).save(tmp_path / "c.png")
    source = StillsSource(tmp_path)
    assert len(list(source.frames())) == 1
    assert len(source.info.notes) == 2


def huge_png(path: Path, side: int = 30_000) -> Path:
    """PNG of side x side black pixels, written without ever holding them."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    packer = zlib.compressobj(9)
    row = bytes(1 + 3 * side)
    body = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    )
    return path


def test_a_gigantic_still_is_refused_without_the_memory(tmp_path: Path) -> None:
    huge_png(tmp_path / "huge.png")
    (tmp_path / "v.csv").write_text("file,volume_ml\nhuge.png,0\nhuge.png,1\n")
    code = textwrap.dedent(
        """
        import resource, sys
        from endpoint.cli import main
        try:
            main(sys.argv[1:])
        except SystemExit as stop:
            print(stop.code, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
        """
    )
    arguments = ["locate", str(tmp_path), "--volumes", str(tmp_path / "v.csv")]
    arguments += ["--sample-ml", "100", "--titrant", "0.01"]
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False
    )
    exit_code, kilobytes = map(int, done.stdout.split())
    assert exit_code == 2, done.stderr
    assert "too large" in done.stderr
    assert kilobytes < 1_000_000
    assert resource.RUSAGE_SELF == 0


@pytest.mark.parametrize(
    "text",
    [
        "volume_ml,A530,A620\n0,0.30,0.10\n1.5,0.29,0.11\n",
        "volume_ml;A530;A620\n0;0,30;0,10\n1,5;0,29;0,11\n",
        "Volume (mL)\tAbs 530 nm\tAbs 620 nm\n0\t0.30\t0.10\n1.5\t0.29\t0.11\n",
        "\ufeffvolume_ml,530,620\nmL,,\n0,0.30,0.10\n1.5,0.29,0.11\n",
    ],
)
def test_photometer_tables_of_every_make(tmp_path: Path, text: str) -> None:
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8")
    table = read_table(path)
    assert table.wavelengths_nm == (530.0, 620.0)
    assert table.volume_ml == pytest.approx([0.0, 1.5])
    assert table.absorbance == pytest.approx(np.array([[0.30, 0.10], [0.29, 0.11]]))


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("volume_ml,A620\n0,0.1\n1,abc\n", "Row 3"),
        ("volume_ml,A620\n0,0.1\n1,nan\n", "Row 3"),
        ("volume_ml,A620\n0,0.1\n1,inf\n", "Row 3"),
        ("volume_ml,A620\n0,0.1\n-1,0.2\n", "Row 3"),
        ("volume_ml,A620\n2,0.1\n1,0.2\n", "Row 3"),
        ("volume_ml,A620\n0,0.1\n1,\n", "Row 3"),
        ("volume_ml,A620\n0,0.1\n1,55\n", "Row 3"),
        ("volume_ml,%T620\n0,50\n1,40\n", "transmittance"),
        ("a,b\n1,2\n3,4\n", "volume_ml"),
        ("volume_ml,x\n1,2\n3,4\n", "absorbance"),
        ("volume_ml,A620\n0,0.1\n", "two rows"),
        ("", "no rows"),
    ],
)
def test_bad_photometer_rows_are_named(tmp_path: Path, text: str, named: str) -> None:
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SourceProblem) as caught:
        read_table(path)
    assert named in str(caught.value)


def test_saturated_rows_are_marked(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("volume_ml,A530,A620\n0,0.3,0.1\n1,3.4,0.1\n")
    assert read_table(path).saturated.tolist() == [False, True]


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("time_s,volume_ml\n0,0\n5,2\n4,3\n", "Row 4"),
        ("time_s,volume_ml\n0,0\n5,2\n9,1\n", "refill"),
        ("time_s,volume_ml\n0,0\n5,x\n", "Row 3"),
        ("time_s,volume_ml\n0,0\n,2\n", "Row 3"),
        ("time_s,volume_ml\n0,0\n5,-2\n", "Row 3"),
        ("time_s,volume_ml\n0,0\n5,nan\n", "Row 3"),
        ("time_s,volume_ml\n0,0\n5,20000\n", "Row 3"),
        ("time_s,amount\n0,0\n5,2\n", "volume_ml"),
        ("volume_ml,x\n0,0\n5,2\n", "time_s"),
        ("time_s,volume_ml\n0,0\n", "one row"),
    ],
)
def test_bad_log_rows_are_named(tmp_path: Path, text: str, named: str) -> None:
    path = tmp_path / "v.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DeliveryProblem) as caught:
        read_log(path)
    assert named in str(caught.value)


def test_a_refilled_burette_counts_on(tmp_path: Path) -> None:
    path = tmp_path / "v.csv"
    path.write_text("time_s,volume_ml,refill\n0,0.5,\n60,24.6,\n90,0.2,yes\n120,1.4,\n")
    log = read_log(path)
    assert log.volume_ml == pytest.approx([0.5, 24.6, 24.6, 25.8])


def test_a_log_beyond_the_film_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "v.csv"
    path.write_text("time_s,volume_ml\n0,0\n50,2\n500,3\n")
    log = read_log(path)
    check_clock(log, 600.0, "v.csv")
    with pytest.raises(DeliveryProblem, match="500 s"):
        check_clock(log, 100.0, "v.csv")


@pytest.mark.parametrize("mode", ["steps", "continuous"])
def test_mixed_volume_solves_the_mixing_equation(mode: str) -> None:
    rng = np.random.default_rng(3)
    times = np.cumsum(rng.uniform(2.0, 8.0, 12))
    delivery = Delivery(mode, times, np.r_[0.0, np.cumsum(rng.uniform(0.1, 2.0, 11))])
    moments = np.linspace(0.0, 90.0, 200)
    solved = solve_ivp(
        lambda t, y: (delivery.volume_at(t) - y) / 1.7,
        (0, 90),
        [0.0],
        t_eval=moments,
        max_step=0.02,
    )
    assert delivery.mixed_volume_at(moments, 1.7) == pytest.approx(solved.y[0], abs=0.01)
    assert delivery.mixed_volume_at(moments, 0.0) == pytest.approx(delivery.volume_at(moments))


def test_a_pump_lags_by_rate_times_mixing_time() -> None:
    pump = Delivery.at_constant_rate(6.0, 5.0)
    assert pump.volume_at(65.0) == pytest.approx(6.0)
    assert pump.volume_at(2.0) == 0.0
    assert 6.0 - pump.mixed_volume_at(65.0, 1.6)[0] == pytest.approx(0.16, abs=1e-6)


RECORD = """
format = 1
[sample]
label = "Well"
volume_ml = 100.0
added_ml = 5.0
[titrant]
concentration_mol_l = 0.0100
standard_uncertainty_mol_l = 0.00002
[recording]
video = "well.mp4"
[delivery]
log = "volumes.csv"
mode = "steps"
mixing_lag_s = 1.5
[blank]
volume_ml = 0.05
[ware]
burette = "A"
pipette = { nominal_ml = 50, class = "A" }
"""


def write_record(tmp_path: Path, text: str = RECORD) -> Path:
    path = tmp_path / "r.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_record_is_read(tmp_path: Path) -> None:
    record = read_record(write_record(tmp_path))
    assert record.label == "Well"
    assert record.deliveries_ml == (100.0,)
    assert record.medium == tmp_path / "well.mp4"
    assert record.mode == "steps"
    assert record.blank_ml == 0.05
    assert record.ware["burette"] == "A"


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("added_ml", "aded_ml", "sample.aded_ml"),
        ("[blank]", "[blanc]", "blanc"),
        ("volume_ml = 100.0", "volume_ml = 0.1", "sample.volume_ml"),
        ("volume_ml = 100.0", "volume_ml = nan", "sample.volume_ml"),
        ("volume_ml = 100.0", "volume_ml = inf", "sample.volume_ml"),
        ("volume_ml = 100.0", 'volume_ml = "100"', "sample.volume_ml"),
        ("volume_ml = 100.0", "deliveries_ml = [50.0, -1.0]", "deliveries_ml"),
        ("volume_ml = 100.0", "", "sample needs"),
        ("0.0100", "10.0", "concentration_mol_l"),
        ("0.00002", "0.009", "standard_uncertainty"),
        ('mode = "steps"', 'mode = "jumps"', "delivery.mode"),
        ('mode = "steps"', "", "delivery.mode"),
        ('video = "well.mp4"', "", "recording needs"),
        ('video = "well.mp4"', 'video = "a"\nstills = "b"', "recording needs"),
        ('video = "well.mp4"', "video = 3", "recording.video"),
        ("format = 1", "format = 2", "format"),
        ("format = 1", "format = ", "TOML"),
        ('burette = "A"', 'burette = "C"', "ware.burette"),
    ],
)
def test_a_bad_record_is_refused_by_key(tmp_path: Path, old: str, new: str, named: str) -> None:
    with pytest.raises(RecordProblem) as caught:
        read_record(write_record(tmp_path, RECORD.replace(old, new, 1)))
    assert named in str(caught.value)
    assert caught.value.remedy


def test_the_nearest_key_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordProblem, match="added_ml"):
        read_record(write_record(tmp_path, RECORD.replace("added_ml", "aded_ml")))


def test_missing_things_are_named(tmp_path: Path) -> None:
    with pytest.raises(Problem, match=r"volumes\.csv"):
        open_source(read_record(write_record(tmp_path)))
    (tmp_path / "volumes.csv").write_text("time_s,volume_ml\n0,0\n1,1\n")
    with pytest.raises(SourceProblem, match=r"well\.mp4"):
        open_source(read_record(write_record(tmp_path)))
    with pytest.raises(RecordProblem, match="does not exist"):
        read_record(tmp_path / "no.toml")


def test_an_unreadable_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(_self: Path) -> Any:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", denied)
    with pytest.raises(SourceProblem, match="cannot be read"):
        find_stills(tmp_path)


def test_the_checksum_follows_the_content(tmp_path: Path) -> None:
    one = tmp_path / "a.bin"
    one.write_bytes(b"abc")
    # SHA-256 of "abc", FIPS 180-2, appendix B.1.
    assert sha256_of(one) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


FUZZ = settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@FUZZ
@given(data=st.binary(max_size=400))
def test_any_bytes_as_table_log_or_record_give_a_problem_or_a_result(
    tmp_path: Path, data: bytes
) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(data)
    for read in (read_table, read_log, read_record):
        try:
            read(path)
        except Problem as problem:
            assert problem.sentence
            assert problem.remedy


@FUZZ
@given(cut=st.integers(0, len(RECORD)), put=st.text(max_size=12), width=st.integers(0, 12))
def test_a_mangled_record_gives_a_problem_or_a_record(
    tmp_path: Path, cut: int, put: str, width: int
) -> None:
    text = RECORD[:cut] + put + RECORD[cut + width :]
    path = tmp_path / "r.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    try:
        read_record(path)
    except Problem as problem:
        assert problem.sentence
        assert problem.remedy


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(place=st.floats(0, 1), junk=st.binary(min_size=1, max_size=60))
def test_a_mangled_film_never_breaks_the_reader(tmp_path: Path, place: float, junk: bytes) -> None:
    original = tmp_path / "good.mp4"
    if not original.exists():
        write_film(original)
    data = bytearray(original.read_bytes())
    at = int(place * (len(data) - 1))
    data[at : at + len(junk)] = junk
    path = tmp_path / "bad.mp4"
    path.write_bytes(bytes(data))
    try:
        for frame in VideoSource(path).frames():
            frame.encoded(Box(0, 0, 4, 4))
    except Problem as problem:
        assert problem.sentence
        assert problem.remedy
