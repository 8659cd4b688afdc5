"""A bench in a process of its own, which a test can kill, fill the disk of, and start again.

`python -m tests.bench_process FOLDER PORT`: the flask stands in the file `added`, which holds how
many additions have been made, so that it does not forget what was poured while no program ran.
The address is written to `address`, and to `seen` how many pictures were measured. While there is
a file `full` the journal cannot be written.
"""

from __future__ import annotations

import datetime
import sys
import threading
from pathlib import Path

from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.web.hub import BenchClock, Hub
from endpoint.bench.web.security import Keys
from endpoint.commands.bench import listen, serve
from endpoint.recording.frame import ArrayFrame
from tests.bench.journal.test_journal import full_disk
from tests.bench_scene import FILM_START_S, PAUSE_S, RATE, frames, ready
from tests.bench_server import new_session

PER_SECOND = 10.0


def show(hub: Hub, folder: Path) -> None:
    """Pictures of the flask as it stands, ten a second."""
    film = frames()
    number = 0
    while not hub.stopping.wait(1.0 / PER_SECOND):
        added = int((folder / "added").read_text() or 0)
        # Frames of one addition differ by their noise.
        at = round((FILM_START_S + PAUSE_S * added) * RATE) + number % 10
        number += 1
        hub.frame(ArrayFrame(number, hub.clock.now(), film[min(at, len(film) - 1)].pixels))
        seen = folder / "seen.new"
        seen.write_text(str(number))
        seen.rename(folder / "seen")


def main(folder: Path, port: int) -> None:
    journal = RunJournal.open(folder / "journal.sqlite")
    open_run = OpenRun(journal, datetime.date(2026, 11, 25), source="drawn", program="test")
    session = new_session(journal=open_run)
    region = ready(frames()).view.region
    assert region is not None
    session.view.look_at(region)
    keys = Keys(port, shared=False)
    hub = Hub(session, BenchClock(), browser=False)
    listener = listen(port, everywhere=False)

    def mind_the_disk() -> None:
        was = False
        while not hub.stopping.wait(0.05):
            now = (folder / "full").exists()
            if now != was:
                full_disk(journal, now)
                was = now

    threading.Thread(target=mind_the_disk, daemon=True).start()
    address = folder / "address.new"
    address.write_text(f"http://127.0.0.1:{port}/?token={keys.operator_token}")
    address.rename(folder / "address")
    serve(hub, keys, (f"127.0.0.1:{port}",), listener, lambda hub: show(hub, folder))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
