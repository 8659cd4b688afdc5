"""The papers of the run whose result is shown: report as page and PDF, and record folder."""

from __future__ import annotations

import datetime
import tempfile
import threading
from pathlib import Path
from typing import Any

from endpoint.bench.journal.export import export
from endpoint.bench.live.session import LiveSession
from endpoint.problems import RecordProblem
from endpoint.report.pdf import report_pdf
from endpoint.result.kept import read_kept

REPORTS = {"report.html": "text/html; charset=utf-8", "report.pdf": "application/pdf"}
"""Files that a page may open, with their types."""


class Papers:
    """Writes the papers of a run when they are asked for; slow, so off the event loop.

    All of it is made from the journal, so it says what `endpoint runs export` says.
    """

    def __init__(self, session: LiveSession) -> None:
        self._session = session
        self._lock = threading.Lock()
        self._made: tuple[tuple[int, int], dict[str, bytes]] | None = None
        """Run and version of its result, and the reports of it."""
        self._written: tuple[tuple[int, int], Path] | None = None

    def state(self) -> dict[str, Any] | None:
        """Where the run is kept, and under which number; None without a run."""
        keeper, written = self._session.keeper, self._written
        if keeper.run is None or keeper.head is None:
            return None
        current = written is not None and written[0] == self._key()
        return {
            "run": keeper.run,
            "replicate": keeper.head.replicate,
            "label": keeper.head.label,
            "journal": None if keeper.journal.in_memory_only else str(keeper.journal.path),
            "folder": str(written[1]) if written is not None and current else None,
        }

    def report(self, name: str) -> bytes:
        """Report on the result that is shown.

        Parameters
        ----------
        name:
            One of `REPORTS`.

        Raises
        ------
        Problem
            There is no result, or it cannot be written.
        """
        with self._lock:
            self._session.finished()
            key = self._key()
            if self._made is None or self._made[0] != key:
                with tempfile.TemporaryDirectory(prefix="endpoint-report-") as place:
                    self._made = key, self._write(Path(place) / self._name())
            return self._made[1][name]

    def write_folder(self) -> None:
        """Write the record folder next to the journal, over an older one of this run.

        Raises
        ------
        Problem
            There is no result, the journal is in memory, or the folder cannot be written.
        """
        with self._lock:
            self._session.finished()
            key, journal = self._key(), self._session.keeper.journal
            if journal.in_memory_only:
                raise RecordProblem(
                    "This bench keeps its journal in memory only.", "Start it with --journal FILE."
                )
            folder = journal.path.absolute().parent / "runs" / self._name()
            self._made = key, self._write(folder)
            self._written = key, folder

    def _key(self) -> tuple[int, int]:
        session = self._session
        return session.keeper.run or 0, session.version

    def _name(self) -> str:
        return f"run-{self._session.keeper.run:04d}"

    def _write(self, folder: Path) -> dict[str, bytes]:
        """Write the record folder; returns the reports in it."""
        keeper = self._session.keeper
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        done = export(keeper.journal, keeper.run or 0, folder, replace_old=True, analysed=now)
        if done.result is None:
            raise done.why_not or RecordProblem("This run has no result.", "Go on adding.")
        kept = read_kept(folder)
        title = f"Titration report: {done.result.label}"
        (folder / "report.pdf").write_bytes(report_pdf([kept], title, done.result.label))
        return {name: (folder / name).read_bytes() for name in REPORTS}
