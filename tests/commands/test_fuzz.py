"""A slice of the fuzz study, and that the study notices what it is made to notice."""

from __future__ import annotations

import io
import itertools
import json
import math
import random
import signal
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from endpoint.problems import RecordProblem, SourceProblem
from endpoint.record.titration import read_tables
from endpoint.recording.stills import load_still
from tests.studies.fuzz_readers import READERS, Target, cases, finding, targets
from tests.studies.fuzz_study import Outcome, Ran, fault_of, outcomes_in, study, table
from tests.studies.mutations import (
    change_field,
    change_json,
    change_text,
    cut,
    fill_block,
    flip_bytes,
    move_block,
    mutate,
    with_png_checks,
)

LOCATED = {
    "status": "located",
    "reasons": [],
    "equivalence_ml": {"value": 9.0, "standard_uncertainty": 0.1, "interval95": [8.8, 9.2]},
}
NONE = {"status": "none", "reasons": [{"code": "x"}], "equivalence_ml": None, "hardness": None}
SENTENCE = 'endpoint: Row 3 of a.csv has "nan" for A620.\nWrite a number.\n'


def ran(
    code: int = 0, out: object = "", err: str = "", *, seconds: float = 1.0, peak: int = 100
) -> Ran:
    return Ran(code, out if isinstance(out, str) else json.dumps(out), err, seconds, peak)


@pytest.mark.parametrize(
    ("got", "arguments"),
    [
        (ran(0, LOCATED), ["locate"]),
        (ran(4, NONE), ["locate"]),
        (ran(3, {**NONE, "status": "bracketed"}), ["locate"]),
        (ran(2, err=SENTENCE), ["locate"]),
        (ran(0, {"any": [1]}), ["calibrate"]),
    ],
)
def test_sound_runs_pass(got: Ran, arguments: list[str]) -> None:
    assert fault_of(got, arguments) == ""


FRAME = 'Traceback (most recent call last):\n  File "/a/endpoint/curve.py", line 12, in f\n    x\n'


@pytest.mark.parametrize(
    ("got", "said"),
    [
        (
            ran(70, err=FRAME + "KeyError: 'a'\n"),
            "traceback: KeyError: 'a' at endpoint/curve.py:12",
        ),
        (ran(-signal.SIGSEGV), "crash: SIGSEGV"),
        (ran(-signal.SIGXCPU), "hang"),
        (ran(-signal.SIGALRM), "hang"),
        (ran(0, LOCATED, peak=1001), "memory: 1001 MB"),
        (ran(2, err="endpoint: The recording needs more memory than there is.\nX.\n"), "memory"),
        (ran(1), "exit code 1"),
        (ran(2, err="endpoint: One.\n"), "refusal: 1 lines"),
        (ran(2, err=SENTENCE + "And more.\n"), "refusal: 3 lines"),
        (ran(2, "text", err=SENTENCE), "refusal: text on standard output"),
        (ran(2, err="endpoint: It is nan mL.\nDo it again.\n"), "refusal: not for people"),
        (ran(2, err="endpoint: ValueError in it.\nDo it again.\n"), "refusal: not for people"),
        (ran(2, err="endpoint: A\x1b[31m b.\nDo it again.\n"), "refusal: no plain sentence"),
        (ran(2, err="endpoint: A " + "b" * 2000 + ".\nDo it.\n"), "refusal: a sentence of"),
        (ran(0, LOCATED, "a warning\n"), "noise on standard error: a warning"),
        (ran(0, '{"status": "located", "x": NaN}'), "JSON: NaN in JSON"),
        (ran(0, "{"), "JSON: "),
        (ran(3, LOCATED), "JSON: status located with exit code 3"),
        (ran(4, {**NONE, "hardness": {"mmol_l": 1.0}}), "JSON: a number without an end point"),
        (ran(4, {**NONE, "reasons": []}), "JSON: none without a reason"),
    ],
)
def test_faults_are_noticed(got: Ran, said: str) -> None:
    assert fault_of(got, ["locate"]).startswith(said)


def test_a_refusal_may_speak_of_what_the_file_holds() -> None:
    spoken = ran(2, err="endpoint: The volume is nan, outside 0 to 5 mL.\nGive it.\n")
    assert fault_of(spoken, ["locate"], b"volume_ml = NaN") == ""
    assert fault_of(spoken, ["locate"], b"volume_ml = inf") != ""


def test_a_value_outside_its_interval_is_noticed() -> None:
    found = {**LOCATED, "equivalence_ml": {**LOCATED["equivalence_ml"], "value": 9.5}}  # type: ignore[dict-item]
    assert "outside its interval" in fault_of(ran(0, found), ["locate"])


PNG = (
    b"\x89PNG\r\n\x1a\n\x00\x00\x00\x0dIHDR"
    + bytes(range(13))
    + zlib.crc32(b"IHDR" + bytes(range(13))).to_bytes(4, "big")
)


@pytest.mark.parametrize("way", [flip_bytes, cut, move_block, fill_block])
def test_bytes_are_damaged_the_same_way_for_the_same_seed(way: object) -> None:
    data = bytes(range(256)) * 40
    changed = [way(data, random.Random(seed))[0] for seed in range(20)]  # type: ignore[operator]
    assert changed == [way(data, random.Random(seed))[0] for seed in range(20)]  # type: ignore[operator]
    assert len(set(changed)) > 10
    assert sum(new == data for new in changed) < 4


def test_a_field_of_a_header_is_replaced_and_check_sums_follow() -> None:
    assert with_png_checks(PNG) == PNG
    new, way = change_field((b"IHDR",), PNG + bytes(40), random.Random(4))
    assert new != PNG + bytes(40)
    assert "IHDR" in way
    assert len(new) == len(PNG) + 40
    renewed = with_png_checks(PNG[:20] + b"\x7f" + PNG[21:])
    assert renewed[-4:] == zlib.crc32(renewed[12:-4]).to_bytes(4, "big")


def test_texts_are_changed_in_many_ways() -> None:
    text = b'[sample]\nlabel = "a"\nvolume_ml = 100.0\n' * 3
    changed = {change_text(text, random.Random(seed))[0] for seed in range(200)}
    assert len(changed) > 150
    parsed = 0
    for seed in range(100):
        new, _ = change_json(b'{"a": {"b": [1.5, "c"]}, "d": 2.5}', random.Random(seed))
        try:
            json.loads(new)
            parsed += 1
        except ValueError:
            continue
    assert parsed == 100


def test_a_name_decides_how_a_file_is_damaged() -> None:
    """Nothing raises for empty or odd content either."""
    for name in (
        "a.mp4",
        "a.webm",
        "a.avi",
        "a.png",
        "a.tif",
        "a.jpg",
        "a.toml",
        "a.csv",
        "a.json",
    ):
        for seed in range(40):
            for data in (b"", b"\xff\xfe\x00", PNG * 9, b"1,2\n", b"[1]"):
                new, way = mutate(name, data, random.Random(f"{name}{seed}"))
                assert isinstance(new, bytes)
                assert way


def test_half_a_line_of_the_journal_is_passed_over(tmp_path: Path) -> None:
    outcome = Outcome(3, "film", "a", "b", "c", 0, "located", 0.1, 90, "")
    journal = tmp_path / "seed-1.jsonl"
    whole = json.dumps(outcome.__dict__)
    journal.write_text(f"{whole}\n{whole[:40]}", encoding="utf-8")
    assert outcomes_in(journal) == {3: outcome}
    assert "ALL" in table([outcome])


# --- what the study found ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    [
        ".".join(["a"] * 60_000) + " = 1",
        "[" + ".".join(["a"] * 60_000) + "]",
        " . ".join(["'a'"] * 60_000) + " = 1",
    ],
    ids=["key", "table", "quoted"],
)
def test_a_name_of_thousands_of_parts_is_refused_at_once(tmp_path: Path, line: str) -> None:
    """The parser of TOML took 3.5 GB and minutes for it."""
    path = tmp_path / "r.toml"
    path.write_text(f"format = 1\n{line}\n", encoding="utf-8")
    with pytest.raises(RecordProblem, match="more than 30 parts"):
        read_tables(path)


def test_names_and_texts_with_some_dots_are_read(tmp_path: Path) -> None:
    path = tmp_path / "r.toml"
    label = "Well 3. North. Field. " * 12
    path.write_text(f'a.b.c.d = 1\nlabel = "{label}"\n', encoding="utf-8")
    assert read_tables(path) == {"a": {"b": {"c": {"d": 1}}}, "label": label}


def test_a_webp_that_would_take_more_than_a_gigabyte_is_refused(tmp_path: Path) -> None:
    """79 megapixels with transparency took 1.2 GB; PNG, TIFF and JPEG stay under 0.7 GB."""
    stream = io.BytesIO()
    Image.new("RGBA", (16, 12)).save(stream, "WEBP", lossless=True)
    data = stream.getvalue()
    at = data.index(b"VP8L") + 9  # after name, size and the signature 0x2f (RFC 9649, 3.4)
    bits = int.from_bytes(data[at : at + 4], "little")
    sides = (7000 - 1) | (7000 - 1) << 14 | bits >> 28 << 28
    path = tmp_path / "a.webp"
    path.write_bytes(data[:at] + sides.to_bytes(4, "little") + data[at + 4 :])
    with pytest.raises(SourceProblem, match="too large"):
        load_still(path)


def test_a_broken_tiff_is_passed_over_in_silence(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Pillow wrote "More samples per pixel than can be decoded" on standard error."""
    path = tmp_path / "a.tif"
    Image.new("RGB", (16, 12)).save(path)
    data = path.read_bytes()
    at = data.index(b"\x15\x01\x03\x00")  # tag 277, samples per pixel (TIFF 6.0)
    path.write_bytes(data[: at + 8] + b"\x00\x08" + data[at + 10 :])
    with pytest.raises(SourceProblem, match="not a readable picture"):
        load_still(path)
    assert not caplog.records


def test_deep_grey_comes_as_its_upper_eight_bits_in_colour(tmp_path: Path) -> None:
    grey = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    Image.fromarray(grey).save(tmp_path / "a.png")
    pixels, factor = load_still(tmp_path / "a.png")
    assert factor == 1
    assert pixels.shape == (256, 256, 3)
    assert (pixels == (grey >> 8)[..., None]).all()


def test_a_slice_of_the_study(tmp_path: Path) -> None:
    """Cases of kinds that take little time pass; what was run is not run again."""
    quick = ["still", "table", "record", "titres"]
    told: list[str] = []
    outcomes = study(2, 8, cache=tmp_path, kinds=quick, told=told.append)
    assert [o.case for o in outcomes] == list(range(8))
    assert not [f"{o.case} {o.name}, {o.change}: {o.fault}" for o in outcomes if o.fault]
    assert all(0 < o.peak_mb < 1000 and math.isfinite(o.processor_s) for o in outcomes)
    assert "8 of 8 cases" in told[-1]
    assert study(2, 5, cache=tmp_path, kinds=quick) == outcomes[:5]


@pytest.mark.parametrize("reader", READERS)
def test_a_slice_of_every_reader(tmp_path: Path, reader: str) -> None:
    target = targets()[reader]
    for name, data in target.sound:
        assert finding(target, name, data, tmp_path) == ""
    for name, data in itertools.islice(cases(target, 7), 3 if reader == "film" else 25):
        assert finding(target, name, data, tmp_path) == ""


def test_every_reader_has_a_target() -> None:
    assert tuple(targets()) == READERS


def test_a_finding_is_told(tmp_path: Path) -> None:
    def slow(_: Path) -> None:
        signal.raise_signal(signal.SIGPROF)

    assert "KeyError" in finding(Target(lambda _: json.loads("{}")["x"], ()), "x", b"", tmp_path)
    assert "processor time" in finding(Target(slow, ()), "x", b"", tmp_path)
