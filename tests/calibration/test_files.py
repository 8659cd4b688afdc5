"""Files that come from anywhere, read with care and written whole."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from calibration.reading import Unreadable, json_of, read_bytes, read_text, toml_of
from calibration.writing import write_whole


def pipe(path: Path) -> None:
    os.mkfifo(path)


SPECIAL: dict[str, tuple[Callable[[Path], object], str]] = {
    "pipe": (pipe, "special"),
    "zeros without end": (lambda path: path.symlink_to("/dev/zero"), "special"),
    "nothing": (lambda path: path.symlink_to("/dev/null"), "special"),
    "folder": (lambda path: path.mkdir(), "folder"),
    "link to itself": (lambda path: path.symlink_to(path.name), "system"),
    "missing": (lambda path: None, "missing"),
    "too large": (lambda path: path.write_bytes(b"x" * 1001), "large"),
    "memory of this process": (lambda path: path.symlink_to("/proc/self/mem"), "system"),
}


@pytest.mark.parametrize("what", list(SPECIAL))
def test_what_is_not_an_ordinary_file_is_refused_at_once(tmp_path: Path, what: str) -> None:
    make, kind = SPECIAL[what]
    path = tmp_path / "x.toml"
    make(path)
    with pytest.raises(Unreadable) as caught:
        read_bytes(path, 1000)
    assert caught.value.kind == kind
    assert "x.toml" in caught.value.sentence


def test_a_pipe_put_there_after_the_look_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.toml"
    path.write_text("a = 1")
    look = os.stat(path)
    path.unlink()
    os.mkfifo(path)
    monkeypatch.setattr(os, "stat", lambda *_: look)
    with pytest.raises(Unreadable) as caught:
        read_bytes(path, 1000)
    assert caught.value.kind == "special"


def test_an_ordinary_file_is_read_up_to_its_limit(tmp_path: Path) -> None:
    path = tmp_path / "x.txt"
    path.write_bytes(b"\xef\xbb\xbfa\r\nb\rc")
    assert read_text(path, 9) == "a\nb\nc"
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(Unreadable) as caught:
        read_text(path, 9)
    assert caught.value.kind == "text"


@pytest.mark.parametrize(
    "text",
    [
        "a." * 20_000 + "a = 1",
        "[" + ".".join(["a"] * 5000) + "]",
        "x = " + "[" * 5000 + "]" * 5000,
        "x = " + "9" * 5000,
        "x = ",
    ],
)
def test_toml_that_is_none_or_too_deep_is_refused(text: str) -> None:
    with pytest.raises(Unreadable, match="syntax"):
        toml_of(text, "x.toml")


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("[" * 100_000, "nested too deep"),
        ('{"a": NaN}', "NaN"),
        ('{"a": 1, "b": 2, "a": 3}', '"a" is there twice'),
        ("{", "Expecting"),
        ('{"a": ' + "9" * 5000 + "}", "digits"),
    ],
)
def test_json_that_is_none_or_too_deep_is_refused(text: str, word: str) -> None:
    with pytest.raises(Unreadable, match=word):
        json_of(text, "x.json")


def test_a_doubled_key_among_many_is_found_quickly() -> None:
    text = "{" + ", ".join(f'"k{k}": 1' for k in range(150_000)) + ', "k149999": 2}'
    begin = time.process_time()
    with pytest.raises(Unreadable, match="k149999"):
        json_of(text, "x.json")
    # Linear work takes 0.3 s on a slow machine; a comparison of all pairs took over 100 s.
    assert time.process_time() - begin < 10.0


def test_a_file_is_written_whole_and_follows_the_umask(tmp_path: Path) -> None:
    path = tmp_path / "r.json"
    before = os.umask(0o027)
    try:
        write_whole(path, b"one")
        write_whole(path, b"two")
    finally:
        os.umask(before)
    assert path.read_bytes() == b"two"
    assert path.stat().st_mode & 0o777 == 0o640
    assert os.listdir(tmp_path) == ["r.json"]


def test_a_link_stays_and_its_file_is_written(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    link = tmp_path / "link.json"
    link.symlink_to("deep/real.json")
    for text in (b"first", b"second"):
        write_whole(link, text)
        assert link.is_symlink()
        assert (tmp_path / "deep/real.json").read_bytes() == text
    assert os.listdir(tmp_path / "deep") == ["real.json"]


def test_no_name_of_an_unfinished_file_can_be_taken_beforehand(tmp_path: Path) -> None:
    (tmp_path / "victim").write_text("precious")
    (tmp_path / "r.json.part").symlink_to("victim")
    write_whole(tmp_path / "r.json", b"new")
    assert (tmp_path / "victim").read_text() == "precious"
    assert not (tmp_path / "r.json").is_symlink()


def test_a_device_is_written_to_and_not_replaced(tmp_path: Path) -> None:
    path = tmp_path / "null"
    path.symlink_to("/dev/null")
    write_whole(path, b"x")
    assert Path("/dev/null").is_char_device()
    assert path.is_symlink()


def test_what_is_interrupted_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "r.json"
    path.write_bytes(b"old")

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["r.json"]
