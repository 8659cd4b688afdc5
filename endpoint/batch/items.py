"""Which recordings a batch holds: the records of a folder, or those that a list names."""

from __future__ import annotations

import dataclasses
import difflib
import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.problem import Problem
from calibration.reading import Unreadable, read_bytes, read_text
from endpoint.batch.problem import BatchProblem
from endpoint.problems import RecordProblem
from endpoint.record.titration import MAX_BYTES, read_record, read_tables
from endpoint.result.document import program

_MAX_LIST_BYTES = 20_000_000
_MOST_ITEMS = 100_000
"""Bytes and records of a list beyond which it is refused: it is not a list then, or no study.
Assumed."""
_ALIKE = 0.8
"""Likeness (difflib, 0 to 1) from which a name is a misspelt [recording]: two letters dropped or
exchanged give 0.82 and more; of the words of other files none comes above 0.6."""


@dataclass(frozen=True)
class Item:
    """One record of a batch."""

    name: str
    """Path from the folder or the list, with forward slashes: its place in the table."""
    path: Path
    fingerprint: str
    """Changes with the record, the size or time of a file it names, and the program."""


def find_items(source: Path) -> tuple[Item, ...]:
    """Records of a folder (with its folders), or of a list, sorted by name.

    A folder may hold other TOML files too, such as sheets of calibrations, indicators and titres
    read by eye: `other_files` names them. A list is a text file with one path of a record in each
    line, from its own folder; lines that begin with `#` are remarks. A record that a list names
    but that does not exist gets a row that says so.

    Raises
    ------
    BatchProblem
        The path does not exist, or holds or names no record.
    """
    try:
        if source.is_dir():
            base, names = source, {name for name, kept in _in_folder(source) if kept}
            empty = "holds no record (.toml with [recording])"
        else:
            base, names = source.absolute().parent, _in_list(source)
            empty = "names no record"
    except OSError as error:
        raise BatchProblem(
            f"{source} cannot be read ({error.strerror}).", "Check the name and its permissions."
        ) from None
    if not names:
        raise BatchProblem(f"{source} {empty}.", "Write a record for each recording, see README.")
    if len(names) > _MOST_ITEMS:
        raise BatchProblem(f"{source} holds {len(names)} records.", f"Give {_MOST_ITEMS} at most.")
    return tuple(
        Item(name, (base / name).absolute(), fingerprint(base / name)) for name in sorted(names)
    )


def other_files(source: Path) -> tuple[str, ...]:
    """TOML files of a folder that a batch passes over, sorted; of a list there are none."""
    if not source.is_dir():
        return ()
    return tuple(sorted(name for name, kept in _in_folder(source) if not kept))


def _in_folder(folder: Path) -> Iterator[tuple[str, bool]]:
    """Every TOML file of a folder, and whether it is a record."""
    for root, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for file in files:
            path = Path(root, file)
            if file.lower().endswith(".toml") and not file.startswith("."):
                yield path.relative_to(folder).as_posix(), _is_record(path)


def _is_record(path: Path) -> bool:
    """Whether a TOML file is a record, or so broken that a person must look at it.

    A record whose [recording] is missing or misspelt is one by its other tables: a sheet of a
    calibration has `certificate`, and a record of titres read by eye has `eye`.
    """
    try:
        tables = read_tables(path).keys()
    except RecordProblem:
        return True
    if tables & {"recording", "delivery"}:
        return True
    if tables & {"certificate", "eye"}:
        return False
    return bool(tables & {"sample", "titrant"} or _almost("recording", tables))


def _almost(word: str, names: Iterable[str]) -> bool:
    return bool(difflib.get_close_matches(word, names, n=1, cutoff=_ALIKE))


def _in_list(path: Path) -> set[str]:
    if not path.exists():
        raise BatchProblem(f"{path} does not exist.", "Name a folder of records, or a list.")
    if path.suffix.lower() == ".toml":
        raise BatchProblem(
            f"{path.name} is a single record.", f"Use: endpoint locate {path.name}, or a list."
        )
    try:
        lines = read_text(path, _MAX_LIST_BYTES).splitlines()
    except Unreadable as why:
        raise BatchProblem(
            f"The list {path} cannot be read ({why.reason}).",
            "Name a folder, or a text file with one path in each line.",
        ) from None
    kept = (line.strip() for line in lines)
    chosen = [line for line in kept if line and not line.startswith("#")]
    odd = next((line for line in chosen if not line.isprintable() or len(line) > 1000), None)
    if odd is not None:
        raise BatchProblem(f"{path.name} is not a list of records.", "Write one path in each line.")
    base = path.absolute().parent
    return {_relative(base / line, base) for line in chosen}


def _relative(path: Path, base: Path) -> str:
    try:
        return Path(os.path.relpath(path, base)).as_posix()
    except ValueError:  # another drive
        return path.as_posix()


def fingerprint(path: Path) -> str:
    """Checksum of a record, of size and time of every file it names, and of the program."""
    parts: list[Any] = [program()]
    try:
        parts.append(hashlib.sha256(read_bytes(path, MAX_BYTES)).hexdigest())
        record = read_record(path)
    except (Unreadable, Problem):
        record = None
    if record is not None:
        parts += [_stamps(named) for named in _paths(dataclasses.asdict(record))]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def _paths(value: object) -> Iterator[Path]:
    """Every path in the fields of a record, in their order."""
    if isinstance(value, Path):
        yield value
    elif isinstance(value, Mapping):
        for each in value.values():
            yield from _paths(each)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _paths(each)


def _stamps(path: Path) -> list[Any]:
    try:
        if path.is_dir():
            return [_stamp(inside) for inside in sorted(path.iterdir())]
    except OSError:
        pass
    return _stamp(path)


def _stamp(path: Path) -> list[Any]:
    """Name, size and time of a file; a link to nothing has only a name."""
    try:
        found = path.stat()
    except OSError:
        return [path.name, None, None]
    return [path.name, found.st_size, found.st_mtime_ns]
