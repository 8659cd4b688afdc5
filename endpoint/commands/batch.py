"""The command `endpoint batch`."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from endpoint.batch.items import Item
    from endpoint.batch.journal import BatchJournal
    from endpoint.batch.row import Row
    from endpoint.batch.run import Runner

_JOURNAL = "journal.jsonl"
_NAMED = 5
"""Files that are passed over and named; the others are only counted."""


@click.command()
@click.argument("source", metavar="FOLDER | LIST", type=click.Path())
@click.option(
    "--out",
    type=click.Path(),
    metavar="FOLDER",
    required=True,
    help="Where to write the table and the journal. Give the same folder again to go on with a "
    "stopped batch.",
)
@click.option(
    "--jobs", type=int, help="How many recordings to analyse at once (default: one for each core)."
)
@click.option("--scheduler", metavar="ADDRESS", help="Run on the Dask cluster at this address.")
@click.option(
    "--limit-s",
    type=float,
    default=1800.0,
    show_default=True,
    help="Longest time for one recording, s.",
)
@click.option("--retry-failed", is_flag=True, help="Analyse again the recordings that failed.")
@click.option(
    "--replace",
    is_flag=True,
    help="Drop the earlier records of FOLDER that are not in this batch.",
)
@click.option("--quiet", is_flag=True, help="Do not show progress.")
def batch(
    source: str,
    out: str,
    jobs: int | None,
    scheduler: str | None,
    limit_s: float,
    **flags: bool,
) -> int:
    """Analyse many recordings into one table.

    FOLDER holds titration records (.toml, also in its subfolders); LIST is a text file with the
    path of one record on each line. Each record gets a row, with its result or the reason why it
    has none: one bad recording never stops the rest. To go on with a batch that was stopped, give
    the same command again.

    Exit code: 0 if every recording has a row, whatever is in it; 2 for bad input.
    """
    from endpoint.batch.items import find_items, other_files
    from endpoint.batch.journal import BatchJournal
    from endpoint.batch.problem import BatchProblem, BatchStopped
    from endpoint.batch.run import open_items, run_batch
    from endpoint.files.folder import check_folder

    if not 0.0 < limit_s <= 1e6:
        raise BatchProblem(f"--limit-s is {limit_s:g}.", "Give seconds, above 0, up to 1000000.")
    if jobs is not None and not 1 <= jobs <= 1000:
        raise BatchProblem(f"--jobs is {jobs}.", "Give a number from 1 to 1000.")
    if jobs is not None and scheduler is not None:
        raise BatchProblem(
            "--jobs cannot be combined with --scheduler.",
            "Leave out --jobs: the cluster sets how many workers it has.",
        )
    retry_failed, quiet = flags["retry_failed"], flags["quiet"]
    items = find_items(Path(source))
    folder = Path(out)
    check_folder(folder)
    with BatchJournal(folder / _JOURNAL) as journal:
        _check_same_batch(journal, items, folder, replace=flags["replace"])
        if not quiet:
            _tell_other_files(other_files(Path(source)))
        left = len(open_items(items, journal, retry_failed=retry_failed))
        if left < len(items) and not quiet:
            click.echo(f"{len(items) - left} of {len(items)} were already finished.", err=True)
        runner = _runner(jobs or os.cpu_count() or 1, scheduler, limit_s)
        try:
            with _progress(left, quiet) as on_row:
                rows = run_batch(items, journal, runner, retry_failed=retry_failed, on_row=on_row)
        except KeyboardInterrupt:
            done = len(items) - len(open_items(items, journal))
            raise BatchStopped(
                f"Stopped; {done} of {len(items)} are finished.",
                "Give the same command again to go on.",
            ) from None
        written = _write(rows, folder)
    _tell(rows, folder, written)
    return 0


def _check_same_batch(
    journal: BatchJournal, items: Sequence[Item], folder: Path, *, replace: bool
) -> None:
    """Ask before the table of other records is replaced; where nobody can answer, refuse."""
    from endpoint.batch.problem import BatchProblem

    others = journal.others(items)
    if others == 0:
        return
    records = "1 other record" if others == 1 else f"{others} other records"
    sentence = f"{folder} holds the results of {records}, which this batch leaves out."
    remedy = "Name another folder with --out, or give --replace to leave them out of the table."
    if not replace and sys.stdin.isatty() and sys.stderr.isatty():
        replace = click.confirm(f"{sentence} Leave them out of the table?", err=True)
    if not replace:
        raise BatchProblem(sentence, remedy)
    journal.forget_others(items)


def _tell_other_files(names: Sequence[str]) -> None:
    from endpoint.batch.row import as_text

    if names:
        more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        told = f"Passed over, as not a record: {', '.join(names[:_NAMED])}{more}."
        click.echo(as_text(told), err=True)


def _runner(jobs: int, scheduler: str | None, limit_s: float) -> Runner:
    import datetime

    today = datetime.date.today()
    if scheduler is not None:
        from endpoint.batch.cluster import rows_by_cluster

        return lambda items: rows_by_cluster(items, scheduler, limit_s, today)
    from endpoint.batch.pool import rows_by_pool

    return lambda items: rows_by_pool(items, jobs, limit_s, today)


@contextmanager
def _progress(total: int, quiet: bool) -> Iterator[Callable[[Row], None] | None]:
    """A bar with the time left on a terminal; a line for each recording elsewhere."""
    if quiet or total == 0:
        yield None
        return
    if sys.stderr.isatty():
        with click.progressbar(
            length=total, label="Recordings", file=sys.stderr, show_eta=True, show_pos=True
        ) as bar:
            yield lambda row: bar.update(1)
        return
    from calibration.wording import one_line

    begin, done = time.monotonic(), 0

    def on_row(row: Row) -> None:
        nonlocal done
        done += 1
        left_s = (time.monotonic() - begin) / done * (total - done)
        tail = f", about {_duration(left_s)} left" if done < total else ""
        value = row["equivalence_ml"]
        found = "" if value is None else f" {value:.3f} mL"
        told = f"{done}/{total} {row['record']}: {row['status']}{found}{tail}"
        click.echo(one_line(told), err=True)

    yield on_row


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def _write(rows: tuple[Row, ...], folder: Path) -> list[str]:
    from endpoint.batch.table import has_parquet, table_csv, table_parquet
    from endpoint.files.folder import write_bytes, write_text

    write_text(folder / "results.csv", table_csv(rows))
    if not has_parquet():
        return ["results.csv"]
    write_bytes(folder / "results.parquet", table_parquet(rows))
    return ["results.csv", "results.parquet"]


def _tell(rows: tuple[Row, ...], folder: Path, written: list[str]) -> None:
    from calibration.wording import one_line
    from endpoint.batch.table import counts
    from endpoint.result.wording import CAUTION

    click.echo(f"{len(rows)} recordings: {counts(rows)}.")
    for row in rows:
        if row["status"] in ("refused", "failed"):
            click.echo(one_line(f"- {_told(row)} {row['advice']}"))
    click.echo(f"\nWritten to {folder}: {', '.join(written)}\n\n{CAUTION}")


def _told(row: Row) -> str:
    """Record and sentence of a row; a sentence that begins with the record names it once."""
    record, text = row["record"], row["text"]
    own = PurePosixPath(record).name
    if text.startswith((f"{own}:", f"{own} ")):
        return f"{record}{text.removeprefix(own)}"
    return f"{record}: {text}"
