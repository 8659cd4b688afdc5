"""Which containers are opened: those that hold the pictures themselves, and nothing else."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from endpoint.files.container import open_container
from endpoint.problems import SourceProblem
from endpoint.recording.film import VideoSource
from endpoint.recording.frame import Spans
from tests.made_media import busy_pictures, run_apart, write_film

M3U8 = "#EXTM3U\n#EXT-X-VERSION:3\n#EXT-X-TARGETDURATION:10\n#EXTINF:10.0,\n{}\n#EXT-X-ENDLIST\n"
LISTS = {
    "a film": M3U8.format("film.ts"),
    "a pipe": M3U8.format("pipe.ts"),
    "itself": M3U8.format("list.m3u8"),
    "a secret": M3U8.format("concat:film.ts|secret.txt"),
    "an address": M3U8.format("http://127.0.0.1:9/x.ts"),
    "itself as master": "#EXTM3U\n#EXT-X-STREAM-INF:BANDWIDTH=1\nlist.m3u8\n",
    "concat": "ffconcat version 1.0\nfile film.ts\n",
    "concat of a pipe": "ffconcat version 1.0\nfile pipe.ts\n",
    "concat of itself": "ffconcat version 1.0\nfile list.m3u8\n",
    "session": "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\n"
    "m=video 5004 RTP/AVP 96\na=rtpmap:96 H264/90000\n",
}


@pytest.mark.parametrize("what", list(LISTS))
def test_a_list_of_other_files_is_refused_before_they_are_touched(
    tmp_path: Path, what: str
) -> None:
    write_film(tmp_path / "film.ts", busy_pictures(6))
    (tmp_path / "secret.txt").write_text("secret")
    os.mkfifo(tmp_path / "pipe.ts")
    for name in ("list.m3u8", "list.mp4"):
        path = tmp_path / name
        path.write_text(LISTS[what].replace("list.m3u8", name))
        with pytest.raises(SourceProblem, match="list of other files"):
            VideoSource(path)


def test_a_list_that_names_itself_takes_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "list.m3u8"
    path.write_text(LISTS["itself"])
    code = (
        "from pathlib import Path\n"
        "import resource; resource.setrlimit(resource.RLIMIT_CPU, (10, 10))\n"
        "from endpoint.files.container import open_container\n"
        "assert open_container(Path(sys.argv[1])) is None"
    )
    assert run_apart(code, str(path))[2] < 300


@pytest.mark.parametrize("name", ["concat:film.mp4|film.mp4", "file:film.mp4", "pipe:0", "-i"])
def test_a_name_is_a_name_and_no_protocol(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copy(write_film(tmp_path / "film.mp4", busy_pictures(6)), tmp_path / name)
    monkeypatch.chdir(tmp_path)
    assert VideoSource(Path(name)).info.width == 160


def test_protocols_and_formats_are_only_those_that_are_named(tmp_path: Path) -> None:
    path = write_film(tmp_path / "film.mp4", busy_pictures(6))
    with open_container(path) as container:
        assert container.streams.video
    assert open_container(f"file:{path}", protocols=("pipe",)) is None
    assert open_container("testsrc", format="lavfi") is None


def test_a_film_that_cannot_be_sought_is_read_from_where_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = VideoSource(write_film(tmp_path / "film.mp4", busy_pictures(12)))
    times = source.stamps().time_s
    wanted = Spans.of([(times[4], times[5])])
    expected = [frame.time_s for frame in source.frames_within(wanted)]

    class Stubborn:
        """A container that refuses every seek."""

        def __init__(self, container: object) -> None:
            self._container = container

        def __getattr__(self, name: str) -> object:
            return getattr(self._container, name)

        def seek(self, *_: object, **__: object) -> None:
            raise IndexError("list index out of range")

    real = source._open
    monkeypatch.setattr(source, "_open", lambda: Stubborn(real()))
    assert [frame.time_s for frame in source.frames_within(wanted)] == expected
