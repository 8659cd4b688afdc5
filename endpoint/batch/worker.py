"""The near side of a child process: hands it records, with a time limit, and survives its death.

The library pebble has processes with a time limit that survive a crash too, but not all that is
promised here. Its process (5.2.3, tried) works on after its parent was killed, until its task is
done; the child here ends at once. Environment and standard error of a child could not be set, and
within a Dask worker, whose process is daemonic, it could start none: `multiprocessing` refuses.
"""

from __future__ import annotations

import datetime
import json
import os
import queue
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from endpoint.batch.items import Item
from endpoint.batch.problem import BatchProblem
from endpoint.batch.row import Row, died_row, late_row
from endpoint.files.fault_report import debugging

_START_S = 120.0
"""How long a child may take to load the libraries, s: a busy machine takes ten. Assumed."""
_TRIES = 2
"""Children that try one record: the first may have been killed for another reason, a second death
is the record's doing."""
_STARTS = 3
"""Children that are started for one record before the machine is held unfit. Assumed."""
_FILMS = 200
"""After so many records the child is renewed, so that what libraries keep cannot add up."""
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
_ROOT = Path(__file__).resolve().parents[2]


class Worker:
    """One child process, begun when it is needed and begun again when it died.

    Parameters
    ----------
    limit_s:
        Seconds that one record may take.
    """

    def __init__(self, limit_s: float) -> None:
        self._limit_s = limit_s
        self._child: subprocess.Popen[str] | None = None
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._served = 0
        self._closed = False

    def __enter__(self) -> Worker:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def run(self, item: Item, today: datetime.date) -> Row:
        """Row of a record; of a death or the limit too.

        Raises
        ------
        BatchProblem
            No child can be started.
        """
        request = {"name": item.name, "path": str(item.path), "today": today.isoformat()}
        for _ in range(_TRIES):
            if self._child is None or self._served >= _FILMS:
                self._start()
            self._served += 1
            try:
                answer = self._ask(request)
            except queue.Empty:
                self._end()
                return late_row(item.name, self._limit_s)
            if answer is not None:
                return answer
            self._end()
            if self._closed:
                break
        return died_row(item.name)

    def close(self) -> None:
        """End the child; a call of `run` in another thread comes back."""
        self._closed = True
        self._end()

    def _ask(self, request: dict[str, str]) -> Row | None:
        """Answer of the child; None if it died."""
        assert self._child is not None
        assert self._child.stdin is not None
        try:
            self._child.stdin.write(json.dumps(request) + "\n")
            self._child.stdin.flush()
        except (OSError, ValueError):
            return None
        line = self._lines.get(timeout=self._limit_s)
        return None if line is None else dict(json.loads(line))

    def _start(self) -> None:
        """Start a child; one that dies while it starts may have been killed for another reason."""
        for _ in range(_STARTS):
            try:
                if self._begin() or self._closed:
                    return
            except (OSError, queue.Empty):
                break
        if not self._closed:
            self._end()
            raise BatchProblem(
                "A process for the analysis cannot be started.",
                "Close other programs, give fewer --jobs, or try endpoint locate on one record.",
            )

    def _begin(self) -> bool:
        """Begin a child and wait until it is ready; False if it died."""
        self._end()
        paths = [str(_ROOT), os.environ.get("PYTHONPATH", "")]
        environment = {
            **os.environ,
            **dict.fromkeys(_ONE_THREAD, "1"),
            "PYTHONPATH": os.pathsep.join(path for path in paths if path),
        }
        # A queue of its own for each child: a late line of an old one cannot be taken for news.
        self._lines = queue.SimpleQueue()
        self._served = 0
        self._child = subprocess.Popen(
            [sys.executable, "-m", "endpoint.batch.child"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=None if debugging() else subprocess.DEVNULL,
            env=environment,
            text=True,
            encoding="utf-8",
            # Ctrl-C is for this process to answer; the child ends when its input does.
            start_new_session=True,
        )
        assert self._child.stdout is not None
        reader = threading.Thread(
            target=_listen, args=(self._child.stdout, self._lines), daemon=True
        )
        reader.start()
        return self._lines.get(timeout=_START_S) is not None

    def _end(self) -> None:
        child, self._child = self._child, None
        if child is None:
            return
        with suppress(OSError):
            child.kill()
        child.wait()
        if child.stdin is not None:
            with suppress(OSError):
                child.stdin.close()


def _listen(stream: IO[str], lines: queue.SimpleQueue[Any]) -> None:
    """Put what the child says into a queue, and None when it has ended."""
    with suppress(OSError, ValueError), stream:
        for line in stream:
            lines.put(line)
    lines.put(None)
