"""The program at the bench is killed at random moments, and goes on."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import struct
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

from endpoint.bench.journal.journal import RunJournal
from tests.bench_writer import ACK, BEAT, PAUSE_S, live
from tests.kept_runs import result_in
from tests.live_titration import stepwise
from tests.waiting import wait_for

RUNS, KILLS = 4, 5
MISSING_BEATS = 4
"""What was given to the journal before the last four beats must be on the disk.

A beat waits as long as a colour may wait and writes to the disk once, so this is one second on a
machine that has nothing else to do, and more on one that is busy.
"""


def told(path: Path, form: struct.Struct) -> list[tuple[Any, ...]]:
    """What a program has written of itself; its last entry may be torn."""
    data = path.read_bytes() if path.exists() else b""
    return list(form.iter_unpack(data[: len(data) // form.size * form.size]))


def holds(path: Path, form: struct.Struct, least: int) -> bool:
    return len(told(path, form)) >= least


LOOKING = threading.Lock()
"""To start a process looks at the ends of all others, and only one thread may read an end."""


def started(folder: Path, seed: int) -> Any:
    """The program at the bench."""
    start = multiprocessing.get_context("forkserver")
    program = start.Process(target=live, args=(folder, seed))
    with LOOKING:
        program.start()
    return program


def ended(program: Any) -> bool:
    with LOOKING:
        return not program.is_alive()


def one_titration(folder: Path, seed: int) -> tuple[list[int], int]:
    """Kill and restart, by hand until it is done; events lost each time, and all given."""
    folder.mkdir()
    rng = random.Random(seed)
    lost = []
    for _ in range(KILLS):
        known, beats = len(told(folder / "acks", ACK)), len(told(folder / "beats", BEAT))
        program = started(folder, seed)
        wait_for(partial(holds, folder / "acks", ACK, known + 1), "the next acknowledgement")
        # Longer than what may be missing, so that the bound below can fail.
        wait_for(
            partial(holds, folder / "beats", BEAT, beats + MISSING_BEATS + 1), "the next beats"
        )
        time.sleep(rng.uniform(0.0, 0.7))
        os.kill(program.pid, signal.SIGKILL)
        wait_for(partial(ended, program), "the program ends")
        assert program.exitcode == -signal.SIGKILL, "it had ended before it was killed"
        with RunJournal.open(folder / "journal.sqlite", writing=False) as journal:
            there = {kept.number for kept in journal.events(1)}
        given = told(folder / "acks", ACK)[known:]
        missing = [(number, at_s) for number, at_s in given if number not in there]
        (safe_s,) = told(folder / "beats", BEAT)[-MISSING_BEATS]
        assert all(at_s > safe_s for _, at_s in missing), (safe_s, missing)
        # What is missing is the end: nothing is written before what was given earlier.
        assert missing == given[len(given) - len(missing) :]
        lost.append(len(missing))
    (folder / "finish").touch()
    if seed % 2 == 0:
        program = started(folder, seed)
        wait_for(partial(ended, program), "the program ends", 900.0)
        assert program.exitcode == 0
    return lost, len(told(folder / "acks", ACK))


def test_a_run_that_is_killed_twenty_times_holds_the_truth(tmp_path: Path) -> None:
    multiprocessing.get_context("forkserver").set_forkserver_preload(["tests.bench_writer"])
    folders = [tmp_path / f"bench-{k}" for k in range(RUNS)]
    with ThreadPoolExecutor(RUNS) as pool:
        runs = list(pool.map(one_titration, folders, range(RUNS)))
    lost = [count for counts, _ in runs for count in counts]
    assert len(lost) == RUNS * KILLS
    assert any(lost), "nothing waited when it was killed: this proves nothing"
    for seed, folder in list(enumerate(folders))[::2]:
        with RunJournal.open(folder / "journal.sqlite", writing=False) as journal:
            assert journal.unfinished() == []
            assert len(journal.events(1, ["resumed"])) == KILLS
            result = result_in(journal, 1)
        found = result.equivalence
        assert found is not None, [reason.code for reason in result.reasons]
        error = abs(found.value_ml - stepwise(seed, PAUSE_S).equivalence_ml)
        assert error < 0.05
        assert error < 3.5 * found.standard_uncertainty_ml
