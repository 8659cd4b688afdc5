"""The program at the bench is killed at random moments, and goes on."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from endpoint.bench.journal.journal import RunJournal
from tests.bench.journal.test_journal import result_in
from tests.bench_writer import ACK, PAUSE_S, live
from tests.live_titration import stepwise

RUNS, KILLS = 4, 5
MISSING_S = 1.0


def given(folder: Path) -> list[tuple[int, float]]:
    """Numbers that the program was given for its events, and when."""
    path = folder / "acks"
    data = path.read_bytes() if path.exists() else b""
    return list(ACK.iter_unpack(data[: len(data) // ACK.size * ACK.size]))


def one_titration(folder: Path, seed: int) -> tuple[list[int], int]:
    """Kill and restart, by hand until it is done; events lost each time, and all given."""
    folder.mkdir()
    start = multiprocessing.get_context("forkserver")
    rng = random.Random(seed)
    lost = []
    for _ in range(KILLS):
        known = len(given(folder))
        program = start.Process(target=live, args=(folder, seed))
        program.start()
        while len(given(folder)) == known:
            time.sleep(0.01)
        # Longer than what may be missing, so that the bound below can fail.
        time.sleep(rng.uniform(1.05, 1.75))
        killed = time.monotonic()
        assert program.pid is not None
        os.kill(program.pid, signal.SIGKILL)
        program.join()
        assert program.exitcode == -signal.SIGKILL, "it had ended before it was killed"
        with RunJournal.open(folder / "journal.sqlite", writing=False) as journal:
            there = {kept.number for kept in journal.events(1)}
        missing = [(n, at) for n, at in given(folder)[known:] if n not in there]
        assert all(at > killed - MISSING_S for _, at in missing), (killed, missing)
        lost.append(len(missing))
    if seed % 2 == 0:
        program = start.Process(target=live, args=(folder, seed))
        program.start()
        program.join()
        assert program.exitcode == 0
    return lost, len(given(folder))


def test_a_run_that_is_killed_twenty_times_holds_the_truth(tmp_path: Path) -> None:
    multiprocessing.get_context("forkserver").set_forkserver_preload(["tests.bench_writer"])
    folders = [tmp_path / f"bench-{k}" for k in range(RUNS)]
    with ThreadPoolExecutor(RUNS) as pool:
        told = list(pool.map(one_titration, folders, range(RUNS)))
    lost = [count for counts, _ in told for count in counts]
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
