"""The finished rows of a batch: one line of JSON for each record, safe on disk before the next.

A batch that was killed leaves a whole journal but for its last line, which is then cut off.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from endpoint.batch.items import Item
from endpoint.batch.problem import BatchProblem
from endpoint.batch.row import COLUMNS, Row, as_text
from endpoint.problems import OutputProblem

_HEAD = {"format": 1, "kind": "endpoint batch journal"}


class BatchJournal:
    """Finished rows by record; open while a batch runs.

    Parameters
    ----------
    path:
        The file; made if it is not there.

    Raises
    ------
    BatchProblem
        The file is not a journal, or another batch has it open.
    OutputProblem
        It cannot be read or written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._rows: dict[str, tuple[str, Row]] = {}
        self._paths: dict[str, str] = {}
        try:
            self._file: IO[bytes] = path.open("r+b" if path.exists() else "x+b")
        except OSError as error:
            raise _unwritable(path, error) from None
        try:
            _lock(self._file, path)
            self._read()
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> BatchJournal:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()

    def row(self, item: Item) -> Row | None:
        """Finished row of a record; None if there is none, or record or recording changed since."""
        found = self._rows.get(item.name)
        return found[1] if found is not None and found[0] == item.fingerprint else None

    def others(self, items: Sequence[Item]) -> int:
        """Count the finished records that are not among these: their rows would leave the table."""
        paths = {item.name: as_text(str(item.path)) for item in items}
        return sum(paths.get(name) != path for name, path in self._paths.items())

    def forget_others(self, items: Sequence[Item]) -> None:
        """Take the records that are not among these out of what `others` counts, also later.

        Raises
        ------
        OutputProblem
            The disk is full or gone.
        """
        kept = {item.name: as_text(str(item.path)) for item in items}
        self._paths = {n: path for n, path in self._paths.items() if kept.get(n) == path}
        self._write({"records": sorted(self._paths)})

    def add(self, item: Item, row: Row) -> None:
        """Keep a finished row; it is on the disk when this returns.

        Raises
        ------
        OutputProblem
            The disk is full or gone.
        """
        path = as_text(str(item.path))
        entry = {"record": item.name, "path": path, "fingerprint": item.fingerprint, "row": row}
        self._write({**entry, "sha256": _checksum(entry)})
        self._paths[item.name] = path
        self._rows[item.name] = (item.fingerprint, row)

    def _write(self, data: dict[str, Any]) -> None:
        try:
            self._file.write(json.dumps(data, allow_nan=False).encode() + b"\n")
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as error:
            raise _unwritable(self.path, error) from None

    def _read(self) -> None:
        data = self._file.read()
        whole = data.rfind(b"\n") + 1
        lines = data[:whole].splitlines()
        if lines and _parsed(lines[0]) != _HEAD:
            raise BatchProblem(
                f"{self.path} is not a journal of a batch.", "Name another folder with --out."
            )
        if not lines and data and not (json.dumps(_HEAD).encode() + b"\n").startswith(data):
            raise BatchProblem(
                f"{self.path} is not a journal of a batch.", "Name another folder with --out."
            )
        for line in lines[1:]:
            entry = _parsed(line)
            # A line that is no entry (a disk that lost power) only means that its record is redone.
            if _is_entry(entry):
                self._rows[entry["record"]] = (entry["fingerprint"], entry["row"])
                self._paths[entry["record"]] = entry["path"]
            elif isinstance(entry, dict) and isinstance(entry.get("records"), list):
                self._paths = {n: p for n, p in self._paths.items() if n in entry["records"]}
        self._file.seek(whole)
        self._file.truncate()
        if not lines:
            self._write(_HEAD)


def _parsed(line: bytes) -> Any:
    with suppress(ValueError, RecursionError):
        return json.loads(line)
    return None


def _checksum(entry: dict[str, Any]) -> str:
    """Checksum of what an entry says, so that a flipped digit is noticed."""
    said = {key: value for key, value in entry.items() if key != "sha256"}
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def _is_entry(entry: Any) -> bool:
    return (
        isinstance(entry, dict)
        and isinstance(entry.get("record"), str)
        and isinstance(entry.get("path"), str)
        and isinstance(entry.get("fingerprint"), str)
        and isinstance(entry.get("row"), dict)
        and set(entry["row"]) == set(COLUMNS)
        and entry.get("sha256") == _checksum(entry)
    )


def _lock(file: IO[bytes], path: Path) -> None:
    """Keep a second batch out where the system can (not on Windows)."""
    try:
        import fcntl
    except ImportError:
        return
    lock: Callable[[int, int], object] = fcntl.flock
    try:
        lock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise BatchProblem(
            f"Another batch is writing to {path}.", "Wait for it, or name another folder."
        ) from None
    except OSError:  # a network disk without locks
        return


def _unwritable(path: Path, error: OSError) -> OutputProblem:
    return OutputProblem(
        f"{path} cannot be written ({error.strerror}).",
        "Check the folder, its permissions and the free space; finished recordings are kept.",
    )
