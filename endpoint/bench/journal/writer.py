"""Writes rows of a journal from its own thread; rows that cannot be written wait in memory."""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterator

from endpoint.bench.journal.sqlite_file import JournalFile, Row
from endpoint.problems import JournalProblem

BATCH_S = 0.25
"""Longest time that a colour waits to be written, s: what a kill may cost. Our choice."""
MOST_WAITING = 50_000
"""Rows that wait in memory while the disk cannot be written: half an hour at 25 a second."""
FRAMES_SHARE = 0.9
"""Share of them that frames may take; the rest is for what a person does. Assumed."""
RETRY_S = 1.0
"""Time between two attempts to write while the disk cannot be written, s. Assumed."""
Tell = Callable[[JournalProblem | None], None]


class JournalWriter:
    """Rows that wait, and the thread that writes them; every method from any thread.

    Parameters
    ----------
    file:
        Open for writing; for reading only, nothing may be put.
    tell:
        Called with the problem when writing begins to fail, and with None when it works again.
    """

    def __init__(self, file: JournalFile, tell: Tell | None) -> None:
        self._file, self._tell = file, tell
        self._waiting: deque[Row] = deque()
        self._urgent = self._closing = False
        self._news = threading.Condition(threading.RLock())
        self._writing = threading.RLock()
        self.problem: JournalProblem | None = None
        """Why rows wait now, or None."""
        self._thread: threading.Thread | None = None
        if file.writing and not file.in_memory:
            self._thread = threading.Thread(target=self._work, name="journal", daemon=True)
            self._thread.start()

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, row: Row, *, urgent: bool) -> None:
        """Add a row: an urgent one is written at once, others together.

        Raises
        ------
        JournalProblem
            The row is refused: too many wait, as they cannot be written.
        """
        with self._news:
            most = MOST_WAITING if urgent else FRAMES_SHARE * MOST_WAITING
            if len(self._waiting) >= most and self.problem is not None:
                raise self.problem
            self._waiting.append(row)
            self._urgent |= urgent
            self._news.notify_all()

    def take_back(self, number: int) -> bool:
        """Remove a row that still waits; False if it is written already."""
        with self._writing, self._news:
            left = deque(row for row in self._waiting if row[0] != number)
            taken = len(left) < len(self._waiting)
            self._waiting = left
            return taken

    def flush(self) -> None:
        """Write everything that waits.

        Raises
        ------
        JournalProblem
            Rows cannot be written; they go on waiting.
        """
        while self._waiting:
            self.write()
            if self.problem is not None:
                raise self.problem

    @contextlib.contextmanager
    def held(self) -> Iterator[list[Row]]:
        """Keep the file as it is for a while; gives the rows that wait."""
        with self._writing:
            with self._news:
                waiting = list(self._waiting)
            yield waiting

    def stop(self) -> None:
        """End the thread; what waits is left to `flush`."""
        with self._news:
            self._closing = True
            self._news.notify_all()
        if self._thread is not None:
            self._thread.join()

    def _work(self) -> None:
        """Run in the thread: write urgent rows at once, the others together."""
        while True:
            with self._news:
                self._news.wait_for(lambda: bool(self._waiting) or self._closing)
                if not self._closing and self.problem is None:
                    self._news.wait_for(lambda: self._urgent or self._closing, BATCH_S)
                elif not self._closing:
                    self._news.wait_for(lambda: self._closing, RETRY_S)
                if self._closing:
                    return
                self._urgent = False
            self.write()

    def write(self) -> None:
        """Write what waits in one transaction, or remember why that failed."""
        with self._writing:
            with self._news:
                batch = list(self._waiting)
            try:
                self._file.write(batch)
            except JournalProblem as problem:
                with self._news:
                    # Pictures need the most room and matter the least.
                    self._waiting = deque(row for row in self._waiting if row[2] != "still")
                self._say(problem)
                return
            with self._news:
                for _ in batch:
                    self._waiting.popleft()
            self._say(None)

    def _say(self, problem: JournalProblem | None) -> None:
        changed = (problem is None) != (self.problem is None)
        self.problem = problem
        if changed and self._tell is not None:
            self._tell(problem)
