"""Batches: bad films among good, crashes, the limit, kill and resume, a Dask cluster."""

from __future__ import annotations

import contextlib
import csv
import datetime
import importlib
import io
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from endpoint.batch.items import Item, find_items
from endpoint.batch.journal import BatchJournal
from endpoint.batch.pool import rows_by_pool
from endpoint.batch.problem import BatchProblem
from endpoint.batch.row import COLUMNS, died_row, empty_row, failed_row
from endpoint.batch.run import open_items, run_batch
from endpoint.batch.table import counts, table_csv
from endpoint.batch.work import row_of_record
from endpoint.cli import main
from tests.places import ROOT
from tests.waiting import wait_for

SAMPLES = ROOT / "sample_media"
TODAY = datetime.date(2026, 11, 25)
COMMAND = [sys.executable, "-c", "from endpoint.cli import main; main()", "batch"]


def rows_in(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8"))))


def pond(folder: Path, name: str, sample_ml: float = 50.0) -> None:
    """Record of the photometer sample under a name of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "quarry-pond.csv").exists():
        shutil.copy(SAMPLES / "quarry-pond.csv", folder)
    text = (SAMPLES / "quarry-pond.toml").read_text("utf-8")
    text = text.replace('label = "Quarry pond"', f'label = "{name}"')
    text = text.replace("[50.0, 50.0]", f"[50.0, {sample_ml}]")
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")


@pytest.fixture
def hooked(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Children in which opening a record named crash, once or slow does what the name says."""
    folder = tmp_path_factory.mktemp("hook")
    (folder / "sitecustomize.py").write_text(
        f"""
import os, sys, time
def hook(event, arguments):
    if event != "open" or not str(arguments[0]).endswith(".toml"):
        return
    name = os.path.basename(str(arguments[0]))
    if name.startswith("crash"):
        os._exit(139)
    if name.startswith("once") and not os.path.exists({str(folder / "seen")!r}):
        os.close(os.open({str(folder / "seen")!r}, os.O_CREAT))
        os._exit(139)
    if name.startswith("slow"):
        time.sleep(60)
if "endpoint.batch.child" in " ".join(sys.orig_argv):
    sys.addaudithook(hook)
""",
        encoding="utf-8",
    )
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(folder), str(ROOT)]))
    return folder


# --- which records ----------------------------------------------------------------------------


def test_records_of_a_folder_and_of_a_list(tmp_path: Path) -> None:
    for name in ("b", "a", "deep/c"):
        pond((tmp_path / name).parent, Path(name).name)
    (tmp_path / "sheet.toml").write_text("format = 1\n[ware]\n", encoding="utf-8")
    (tmp_path / "broken.toml").write_text("format = ", encoding="utf-8")
    (tmp_path / ".hidden").mkdir()
    pond(tmp_path / ".hidden", "x")
    items = find_items(tmp_path)
    assert [item.name for item in items] == ["a.toml", "b.toml", "broken.toml", "deep/c.toml"]
    listed = tmp_path / "list.txt"
    listed.write_text("# two\nb.toml\n\ndeep/c.toml\nb.toml\nnone.toml\n", encoding="utf-8")
    assert [item.name for item in find_items(listed)] == ["b.toml", "deep/c.toml", "none.toml"]
    assert find_items(listed)[0].fingerprint == items[1].fingerprint


def test_a_changed_record_or_recording_is_another(tmp_path: Path) -> None:
    pond(tmp_path, "a")
    first = find_items(tmp_path)[0].fingerprint
    assert find_items(tmp_path)[0].fingerprint == first
    pond(tmp_path, "a", 50.1)
    second = find_items(tmp_path)[0].fingerprint
    os.utime(tmp_path / "quarry-pond.csv", (1.0, 1.0))
    assert len({first, second, find_items(tmp_path)[0].fingerprint}) == 3


def test_what_is_no_file_is_a_record_to_be_looked_at_and_stops_nothing(tmp_path: Path) -> None:
    pond(tmp_path, "good")
    os.mkfifo(tmp_path / "pipe.toml")
    (tmp_path / "zero.toml").symlink_to("/dev/zero")
    (tmp_path / "deep.toml").write_text("a." * 20_000 + "a = 1\n")
    (tmp_path / "large.toml").write_text("x = [" + "1," * 1_000_000 + "]\n")
    names = ["deep.toml", "good.toml", "large.toml", "pipe.toml", "zero.toml"]
    assert [item.name for item in find_items(tmp_path)] == names
    rows = [row_of_record(item.name, item.path, TODAY) for item in find_items(tmp_path)]
    assert [row["status"] for row in rows] == [
        "refused",
        "located",
        "refused",
        "refused",
        "refused",
    ]
    (tmp_path / "list").write_text("\n".join(names))
    assert [item.name for item in find_items(tmp_path / "list")] == names
    for odd in ("pipe.toml", "zero.toml"):
        link = tmp_path / "odd"
        link.symlink_to(odd)
        with pytest.raises(BatchProblem, match="not an ordinary file"):
            find_items(link)
        link.unlink()


def test_a_changed_still_next_to_a_link_to_nothing_is_noticed(tmp_path: Path) -> None:
    (tmp_path / "stills").mkdir()
    (tmp_path / "stills" / "dangling.jpg").symlink_to("nowhere")
    (tmp_path / "stills" / "1.jpg").write_bytes(b"one")
    (tmp_path / "r.toml").write_text(
        "format = 1\n[sample]\nvolume_ml = 100.0\n[titrant]\nconcentration_mol_l = 0.01\n"
        '[recording]\nstills = "stills"\n[delivery]\nper_still = "v.csv"\n'
    )
    before = find_items(tmp_path)[0].fingerprint
    assert find_items(tmp_path)[0].fingerprint == before
    (tmp_path / "stills" / "1.jpg").write_bytes(b"other")
    assert find_items(tmp_path)[0].fingerprint != before


def test_a_record_with_a_misspelt_or_missing_recording_gets_a_refused_row(tmp_path: Path) -> None:
    films = tmp_path / "films"
    pond(films, "good")
    text = (films / "good.toml").read_text("utf-8")
    (films / "misspelt.toml").write_text(text.replace("[recording]", "[recordng]"), "utf-8")
    short = text.partition("[recording]")[0]
    (films / "without.toml").write_text(short, "utf-8")
    # These are other files of a bench, and not records.
    for name in ("burette-b2", "edta-caco3", "camera", "well-by-eye"):
        shutil.copy(SAMPLES / "bench" / f"{name}.toml", films)
    shutil.copy(ROOT / "endpoint" / "chemistry" / "indicator_files" / "murexide.toml", films)
    out = tmp_path / "out"
    got = CliRunner().invoke(main, ["batch", str(films), "--out", str(out), "--jobs", "1"])
    assert got.exit_code == 0, got.output
    rows = {row["record"]: row for row in rows_in(out / "results.csv")}
    assert {name: row["status"] for name, row in rows.items()} == {
        "good.toml": "located",
        "misspelt.toml": "refused",
        "without.toml": "refused",
    }
    assert "recordng" in rows["misspelt.toml"]["text"]
    # The list of what was refused names each record once.
    (line,) = (line for line in got.stdout.splitlines() if "recordng" in line)
    assert line.startswith("- misspelt.toml: recordng is not known.")
    assert got.stdout.count("without.toml") == 1
    assert "recording" in rows["without.toml"]["text"]
    assert (
        "Passed over, as not a record: burette-b2.toml, camera.toml, edta-caco3.toml, "
        "murexide.toml, well-by-eye.toml." in got.stderr
    )


def test_notes_of_locate_stand_in_the_table(tmp_path: Path) -> None:
    frames = tmp_path / "frames"
    shutil.copytree(ROOT / "tests" / "films" / "stills", frames)
    still = min(frames.glob("*/*.jpg"))
    still.with_name("not-in-the-log.jpg").write_bytes(still.read_bytes())
    record = next(frames.glob("*.toml"))
    got = CliRunner().invoke(main, ["locate", str(record), "--json", "-", "--quiet"])
    notes = json.loads(got.stdout)["notes"]
    assert notes
    assert row_of_record(record.name, record, TODAY)["notes"] == " ".join(notes)


def test_another_list_into_the_same_folder_asks(tmp_path: Path) -> None:
    for name in ("a", "b"):
        pond(tmp_path / "one", name)
    pond(tmp_path / "two", "a")
    out = tmp_path / "out"

    def batch(source: Path, *more: str) -> Any:
        words = ["batch", str(source), "--out", str(out), "--jobs", "1", *more]
        return CliRunner().invoke(main, words)

    assert batch(tmp_path / "one").exit_code == 0
    before = (out / "results.csv").read_bytes()
    asked = batch(tmp_path / "two")
    assert asked.exit_code == 2
    assert "holds the results of 2 other records" in asked.stderr
    assert "--replace" in asked.stderr
    assert (out / "results.csv").read_bytes() == before
    short = tmp_path / "one" / "list.txt"
    short.write_text("a.toml\n", "utf-8")
    assert "1 other record," in batch(short).stderr
    # What grows, or is the same, does not ask.
    pond(tmp_path / "one", "c")
    assert batch(tmp_path / "one").exit_code == 0
    replaced = batch(tmp_path / "two", "--replace")
    assert replaced.exit_code == 0, replaced.output
    assert [row["record"] for row in rows_in(out / "results.csv")] == ["a.toml"]
    assert batch(tmp_path / "two").exit_code == 0


@pytest.mark.parametrize("answer", [None, b"", b"HTTP/1.1 400 Bad Request\r\n\r\n"])
def test_what_is_not_a_scheduler_is_told_within_six_seconds(
    tmp_path: Path, answer: bytes | None
) -> None:
    """A server that keeps silent, one that hangs up, and one of another kind."""
    pond(tmp_path, "a")
    kept = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            with contextlib.suppress(OSError):
                while True:
                    caller, _ = server.accept()
                    if answer is None:
                        kept.append(caller)
                        continue
                    caller.sendall(answer)
                    caller.close()

        threading.Thread(target=serve, daemon=True).start()
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        importlib.import_module("distributed")  # to load it is not what is timed
        began = time.monotonic()
        got = CliRunner().invoke(
            main, ["batch", str(tmp_path), "--out", str(tmp_path / "out"), "--scheduler", address]
        )
        took_s = time.monotonic() - began
        server.shutdown(socket.SHUT_RDWR)
    for caller in kept:
        caller.close()
    assert got.exit_code == 2
    assert got.stderr.startswith(f"endpoint: There is no Dask scheduler at {address}")
    assert len(got.stderr.strip().splitlines()) == 2
    assert took_s < 6.0  # the command and the library load in 4 s more on a busy machine


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("nowhere", None, "does not exist"),
        ("empty.txt", "# nothing\n", "names no record"),
        ("one.toml", "format = 1\n", "is a single record"),
        ("odd.txt", "a\x00b\n", "is not a list"),
    ],
)
def test_bad_lists(tmp_path: Path, name: str, text: str | None, words: str) -> None:
    if text is not None:
        (tmp_path / name).write_text(text, encoding="utf-8")
    got = CliRunner().invoke(main, ["batch", str(tmp_path / name), "--out", str(tmp_path / "o")])
    assert got.exit_code == 2, got.output
    assert words in got.stderr
    assert len(got.stderr.strip().splitlines()) == 2


@pytest.mark.parametrize(
    "extra",
    [
        ("--jobs", "0"),
        ("--limit-s", "0"),
        ("--jobs", "1", "--scheduler", "tcp://127.0.0.1:1"),
        ("--scheduler", "nonsense://x"),
        (),
    ],
)
def test_bad_use(tmp_path: Path, extra: tuple[str, ...]) -> None:
    pond(tmp_path, "a")
    out = () if not extra else ("--out", str(tmp_path / "out"))
    got = CliRunner().invoke(main, ["batch", str(tmp_path), *out, *extra])
    assert got.exit_code == 2, got.output
    assert len(got.stderr.strip().splitlines()) == 2


def test_a_folder_without_records_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BatchProblem, match="holds no record"):
        find_items(tmp_path)


# --- rows -------------------------------------------------------------------------------------


def test_a_row_says_what_locate_says(tmp_path: Path) -> None:
    row = row_of_record("q.toml", SAMPLES / "quarry-pond.toml", TODAY)
    got = CliRunner().invoke(
        main, ["locate", str(SAMPLES / "quarry-pond.toml"), "--json", "-", "--quiet"]
    )
    data = json.loads(got.stdout)
    assert tuple(row) == COLUMNS
    assert row["status"] == data["status"] == "located"
    for volume in ("equivalence", "midpoint", "last_red"):
        assert row[f"{volume}_ml"] == data[f"{volume}_ml"]["value"]
        assert row[f"{volume}_u_ml"] == data[f"{volume}_ml"]["standard_uncertainty"]
    low, high = data["hardness"]["mmol_l"]["interval95"]
    assert (row["hardness_low95_mmol_l"], row["hardness_high95_mmol_l"]) == (low, high)
    assert row["hardness_mg_l_caco3"] == data["hardness"]["caco3_mg_l"]["value"]
    assert row["medium_sha256"] == data["provenance"]["medium_sha256"]
    assert row["program"] == data["provenance"]["program"]
    assert row["libraries"].startswith("numpy ")


def test_refusals_do_not_name_where_the_batch_lies(tmp_path: Path) -> None:
    row = row_of_record("none.toml", tmp_path / "none.toml", TODAY)
    assert row["status"] == "refused"
    assert row["text"] == "none.toml does not exist."


def test_a_cell_is_no_formula() -> None:
    row = {**empty_row("=1+1.toml"), "status": "refused", "equivalence_ml": 1.5}
    line = table_csv([row]).splitlines()[1]
    assert line.startswith("'=1+1.toml,,refused,1.5,")
    assert counts([row, died_row("a")]) == "1 refused, 1 failed"


def test_names_that_are_no_text_get_their_row(tmp_path: Path) -> None:
    pond(tmp_path / "films", "good")
    os.rename(
        os.fsencode(tmp_path / "films" / "good.toml"),
        os.fsencode(tmp_path / "films") + b"/b\xff.toml",
    )
    out = tmp_path / "out"
    for _ in range(2):
        got = CliRunner().invoke(main, ["batch", str(tmp_path / "films"), "--out", str(out)])
        assert got.exit_code == 0, got.output
    assert [(row["record"], row["status"]) for row in rows_in(out / "results.csv")] == [
        ("b?.toml", "located")
    ]


def test_a_terminal_gets_a_bar_with_the_time_left(tmp_path: Path) -> None:
    for name in ("a", "b"):
        pond(tmp_path / "films", name)
    # Not a pseudo-terminal: a bare system may have none.
    command = "import sys; sys.stderr.isatty = lambda: True; from endpoint.cli import main; main()"
    words = ["batch", str(tmp_path / "films"), "--out", str(tmp_path / "out"), "--jobs", "1"]
    done = subprocess.run(
        [sys.executable, "-c", command, *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm"},
        check=False,
    )
    seen = done.stderr
    assert done.returncode == 0, seen
    assert b"Recordings" in seen
    assert b"2/2" in seen
    assert b"a.toml: located" not in seen


# --- the pool ---------------------------------------------------------------------------------


def test_bad_recordings_among_good_ones_stop_nothing(tmp_path: Path, hooked: Path) -> None:
    films = tmp_path / "films"
    for name in ("good-1", "good-2", "crash", "once", "slow", "missing"):
        pond(films, name)
    text = (films / "missing.toml").read_text("utf-8")
    (films / "missing.toml").write_text(text.replace("quarry-pond.csv", "no.csv"), "utf-8")
    film = (SAMPLES / "mill-spring.toml").read_text("utf-8").replace("mill-spring.mp4", "no.mp4")
    (films / "text.toml").write_text(film, "utf-8")
    (films / "no.mp4").write_text("this is no film", "utf-8")
    shutil.copy(SAMPLES / "mill-spring-volumes.csv", films)
    (films / "broken.toml").write_text("format = ", "utf-8")
    out = tmp_path / "out"
    arguments = ["batch", str(films), "--out", str(out), "--jobs", "2", "--limit-s", "5"]
    got = CliRunner().invoke(main, arguments)
    assert got.exit_code == 0, got.output
    rows = {row["record"]: row for row in rows_in(out / "results.csv")}
    assert list(rows) == sorted(rows)
    assert {name: row["status"] for name, row in rows.items()} == {
        "broken.toml": "refused",
        "crash.toml": "failed",
        "good-1.toml": "located",
        "good-2.toml": "located",
        "missing.toml": "refused",
        "once.toml": "located",
        "slow.toml": "failed",
        "text.toml": "refused",
    }
    assert rows["crash.toml"]["reasons"] == "process-died"
    assert rows["slow.toml"]["reasons"] == "time-limit"
    assert "no.csv" in rows["missing.toml"]["text"]
    assert "not a film" in rows["text.toml"]["text"]
    assert "8 recordings: 3 located, 3 refused, 2 failed." in got.stdout
    assert len(got.stderr.strip().splitlines()) == 8
    assert "left" in got.stderr
    # Only what failed is tried again, when it is asked for.
    before = (out / "results.csv").read_bytes()
    again = CliRunner().invoke(main, arguments)
    assert "8 of 8 were already finished." in again.stderr
    assert (out / "results.csv").read_bytes() == before
    shutil.rmtree(hooked)
    once_more = CliRunner().invoke(main, [*arguments, "--retry-failed"])
    assert "6 of 8 were already finished." in once_more.stderr
    assert "8 recordings: 5 located, 3 refused." in once_more.stdout
    import pyarrow.parquet

    table = pyarrow.parquet.read_table(out / "results.parquet").to_pydict()
    assert table["record"] == list(rows)
    for name, value in zip(table["record"], table["equivalence_ml"], strict=True):
        told = {row["record"]: row for row in rows_in(out / "results.csv")}[name]
        assert (value is None) == (told["equivalence_ml"] == "")
        assert value is None or float(told["equivalence_ml"]) == pytest.approx(value, rel=1e-8)


def test_a_pool_that_cannot_start_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/no/such/python")
    items = [Item("a.toml", Path("a.toml"), "x")]
    with pytest.raises(BatchProblem, match="cannot be started"):
        list(rows_by_pool(items, 1, 10.0, TODAY))


def test_a_child_that_is_killed_while_it_starts_is_started_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, started = subprocess.Popen, []

    def unlucky(command: list[str], **how: Any) -> subprocess.Popen[str]:
        started.append(command)
        return real(command if len(started) > 2 else [sys.executable, "-c", "0"], **how)

    monkeypatch.setattr("endpoint.batch.worker.subprocess.Popen", unlucky)
    pond(tmp_path, "a")
    (row,) = rows_by_pool(find_items(tmp_path), 1, 60.0, TODAY)
    assert (row["status"], len(started)) == ("located", 3)


# --- the journal ------------------------------------------------------------------------------


def _items(count: int) -> list[Item]:
    return [Item(f"{k}.toml", Path(f"{k}.toml"), f"f{k}") for k in range(count)]


def test_a_torn_line_costs_only_its_record(tmp_path: Path) -> None:
    items = _items(3)
    path = tmp_path / "journal.jsonl"
    with BatchJournal(path) as journal:
        journal.add(items[0], empty_row("0.toml"))
        journal.add(items[1], empty_row("1.toml"))
    whole = path.read_bytes()
    ends = [k + 1 for k, c in enumerate(whole) if c == 10]
    for cut in (ends[0], ends[0] + 9, ends[1], ends[1] + 1, len(whole) - 1, 0, 7):
        path.write_bytes(whole[:cut])
        with BatchJournal(path) as journal:
            kept = [journal.row(item) is not None for item in items]
            assert kept == [cut >= ends[1], cut >= ends[2], False]
            journal.add(items[2], empty_row("2.toml"))
        with BatchJournal(path) as journal:
            assert journal.row(items[2]) is not None
            assert [journal.row(item) is not None for item in items[:2]] == kept[:2]


def test_a_flipped_digit_costs_only_its_record(tmp_path: Path) -> None:
    items = _items(3)
    path = tmp_path / "journal.jsonl"
    with BatchJournal(path) as journal:
        for item in items:
            journal.add(item, {**empty_row(item.name), "equivalence_ml": 17.25})
    whole = path.read_bytes()
    at = whole.index(b"17.25", whole.index(b"1.toml"))
    for old, new in ((b"17.25", b"18.25"), (b"17.25", b"17.24")):
        path.write_bytes(whole[:at] + new + whole[at + len(old) :])
        with BatchJournal(path) as journal:
            assert [journal.row(item) is not None for item in items] == [True, False, True]


def test_a_journal_is_taken_only_as_what_it_is(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    for text in ("a,b\n1,2\n", '{"format": 2}\n', "shopping list"):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(BatchProblem, match="not a journal"):
            BatchJournal(path)
        assert path.read_text("utf-8") == text
    path.unlink()
    with BatchJournal(path) as journal:
        journal.add(_items(1)[0], empty_row("0.toml"))
        with pytest.raises(BatchProblem, match="Another batch"):
            BatchJournal(path)
    changed = Item("0.toml", Path("0.toml"), "other")
    with BatchJournal(path) as journal:
        assert journal.row(changed) is None


def test_rows_come_in_the_order_of_the_records(tmp_path: Path) -> None:
    items = _items(5)

    def backwards(left: Any) -> Iterator[dict[str, Any]]:
        for item in reversed(left):
            yield (
                failed_row(item.name, "x", "x", "x")
                if item.name == "3.toml"
                else empty_row(item.name)
            )

    with BatchJournal(tmp_path / "j") as journal:
        rows = run_batch(items, journal, backwards)
        assert [row["record"] for row in rows] == [item.name for item in items]
        assert not open_items(items, journal)
        assert [i.name for i in open_items(items, journal, retry_failed=True)] == ["3.toml"]


# --- killed, and on a cluster -----------------------------------------------------------------


def _finished(journal: Path) -> int:
    return journal.read_bytes().count(b"\n") - 1 if journal.exists() else 0


def _is_at_work(pid: int) -> bool:
    words = Path(f"/proc/{pid}/cmdline")
    return words.exists() and b"endpoint.batch.child" in words.read_bytes()


def _children(of: int) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(fields[1]) == of and fields[0] != "Z":
                found.append(int(entry.name))
    return found


@pytest.fixture(scope="module")
def ponds(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, bytes, bytes]:
    """Eight records with a bad one, and their tables by an undisturbed batch."""
    folder = tmp_path_factory.mktemp("ponds")
    for k in range(7):
        pond(folder, f"pond-{k:02}", 50.0 + 0.1 * k)
    (folder / "pond-05b.toml").write_text("format = 1\n[recording]\n", "utf-8")
    out = tmp_path_factory.mktemp("undisturbed")
    words = ["batch", str(folder), "--out", str(out), "--quiet", "--jobs", "1"]
    got = CliRunner().invoke(main, words)
    assert got.exit_code == 0, got.output
    return folder, (out / "results.csv").read_bytes(), (out / "results.parquet").read_bytes()


def test_killed_and_resumed_gives_the_same_table(
    ponds: tuple[Path, bytes, bytes], tmp_path: Path
) -> None:
    folder, table, parquet = ponds
    journal = tmp_path / "journal.jsonl"
    command = [*COMMAND, str(folder), "--out", str(tmp_path), "--jobs", "2"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    killed = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL)
    wait_for(lambda: _finished(journal) >= 3, "a finished recording")
    children = _children(killed.pid)
    assert len(children) == 2
    killed.kill()
    killed.wait()
    finished = _finished(journal)
    assert 3 <= finished < 8
    assert not (tmp_path / "results.csv").exists()
    # Nobody is left behind at work.
    wait_for(lambda: not any(map(_is_at_work, children)), "the end of the children")
    with journal.open("ab") as stream:
        stream.write(b'{"record": "pond-1')
    done = CliRunner().invoke(main, ["batch", str(folder), "--out", str(tmp_path), "--jobs", "2"])
    assert done.exit_code == 0, done.output
    assert f"{finished} of 8 were already finished." in done.stderr
    assert (tmp_path / "results.csv").read_bytes() == table
    assert (tmp_path / "results.parquet").read_bytes() == parquet
    assert _finished(journal) == 8


def test_stopped_by_a_person_says_how_to_go_on(
    ponds: tuple[Path, bytes, bytes], tmp_path: Path
) -> None:
    folder, _, _ = ponds
    command = [*COMMAND, str(folder), "--out", str(tmp_path), "--jobs", "1", "--quiet"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    running = subprocess.Popen(
        command,
        env=environment,
        stderr=subprocess.PIPE,
        text=True,
        # What runs in the background of a shell inherits that this signal is ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    wait_for(lambda: _finished(tmp_path / "journal.jsonl") >= 1, "a finished recording")
    running.send_signal(signal.SIGINT)
    _, told = running.communicate(timeout=120)
    assert running.returncode == 130
    assert told.startswith("endpoint: Stopped; ")
    assert told.strip().endswith("Give the same command again to go on.")


_CLUSTER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True,
                      dashboard_address=None, host="127.0.0.1") as cluster:
        pids = [nanny.process.process.pid for nanny in cluster.workers.values()]
        print(cluster.scheduler_address, *pids, flush=True)
        sys.stdin.readline()
"""


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[int]]]:
    """A real cluster in processes of its own: address and process numbers of its workers."""
    script = tmp_path / "cluster.py"
    script.write_text(_CLUSTER, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    running = subprocess.Popen(
        [sys.executable, str(script)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=environment,
        cwd=tmp_path,
    )
    assert running.stdout is not None
    address, *pids = running.stdout.readline().split()
    yield address, [int(pid) for pid in pids]
    running.communicate("\n", timeout=120)


def test_a_cluster_loses_a_worker_and_gives_the_same_table(
    ponds: tuple[Path, bytes, bytes], cluster: tuple[str, list[int]], tmp_path: Path
) -> None:
    folder, table, _ = ponds
    address, pids = cluster
    out = tmp_path / "out"
    command = [*COMMAND, str(folder), "--out", str(out), "--scheduler", address]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    running = subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True)
    wait_for(lambda: _finished(out / "journal.jsonl") >= 2, "a finished recording")
    os.kill(pids[0], signal.SIGKILL)
    finished = _finished(out / "journal.jsonl")
    _, told = running.communicate(timeout=120)
    assert running.returncode == 0, told
    assert finished < 8
    assert (out / "results.csv").read_bytes() == table
    entries = [
        json.loads(line) for line in (out / "journal.jsonl").read_text("utf-8").splitlines()[1:]
    ]
    names = [entry["record"] for entry in entries]
    assert sorted(names) == sorted({item.name for item in find_items(folder)})
