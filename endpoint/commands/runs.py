"""The command `endpoint runs`: lists, exports and checks the runs in the journal of the bench."""

from __future__ import annotations

import sys
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from endpoint.commands.options import check_json, json_option, put_json

if TYPE_CHECKING:
    from endpoint.bench.journal.run_list import RunEntry
    from endpoint.bench.journal.sqlite_file import JournalFile, Row

_WHERE = (
    "The journal of the bench. By default endpoint/journal.sqlite in your data folder: "
    "$XDG_DATA_HOME, or ~/.local/share."
)


_journal = click.option(
    "--journal", "path", type=click.Path(path_type=Path), metavar="FILE", help=_WHERE
)


@click.group(invoke_without_command=True)
@_journal
@json_option
@click.pass_context
def runs(context: click.Context, path: Path | None, json_to: str | None) -> None:
    """List the runs of the bench, export one, or check them all.

    You can resume an unfinished run at the bench.
    """
    context.obj = path
    if context.invoked_subcommand is None:
        _list(_place(path), json_to, may_be_missing=path is None)


def _place(*named: Path | None) -> Path:
    """The journal that an option names, or the usual one."""
    from endpoint.bench.journal.export import default_journal

    return next((path for path in named if path is not None), None) or default_journal()


def _list(path: Path, json_to: str | None, *, may_be_missing: bool) -> None:
    from endpoint.bench.journal.journal import RunJournal

    check_json(json_to)
    entries: list[RunEntry] = []
    if path.exists() or not may_be_missing:
        with RunJournal.open(path, writing=False) as journal:
            entries = journal.runs()
    plain = {"format": 1, "journal": str(path), "runs": [_plain(e) for e in entries]}
    if not put_json(plain, json_to):
        none_yet = "There are none yet: endpoint bench begins the first run."
        click.echo(f"{path}\n" + (_table(entries) if entries else none_yet))


def _plain(entry: RunEntry) -> dict[str, Any]:
    found = (entry.result or {}).get("equivalence_ml") if entry.finished else None
    return {
        "run": entry.run,
        "label": entry.head.label,
        "day": _day(entry),
        "replicate": entry.head.replicate,
        "status": entry.status,
        "equivalence_ml": found,
    }


def _day(entry: RunEntry) -> str:
    import datetime

    if entry.opened is None:
        return "unknown"
    return datetime.datetime.fromtimestamp(entry.opened.wall_s).strftime("%Y-%m-%d %H:%M")


def _table(entries: list[RunEntry]) -> str:
    header = ("run", "day", "replicate", "status", "equivalence volume", "label")
    rows = [header, *(_row(entry) for entry in entries)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(header))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
    return "\n".join([*lines, "The equivalence volume is given with its 95 % interval."])


def _row(entry: RunEntry) -> tuple[str, ...]:
    from endpoint.result.wording import volume_text
    from endpoint.rounding import FIXED_SPACE, outward

    found = _plain(entry)["equivalence_ml"]
    volume = ""
    if isinstance(found, dict):
        if isinstance(found.get("value"), int | float):
            volume = volume_text(found)
        elif isinstance(found.get("interval95"), list):
            low, high = found["interval95"]
            volume = "{} to {} mL".format(*outward(low, high))
    volume = volume.replace(FIXED_SPACE, " ")
    encoding = sys.stdout.encoding or "ascii"
    if volume.encode(encoding, "replace").decode(encoding) != volume:
        volume = volume.replace("\u00b1", "+-")
    label = " ".join("".join(c if c.isprintable() else " " for c in entry.head.label).split())
    number = (str(entry.run), _day(entry), str(entry.head.replicate))
    return (*number, entry.status, volume, label[:60])


@runs.command("export")
@click.argument("run", type=int, metavar="RUN")
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")
@click.option("--replace", is_flag=True, help="Overwrite an earlier export.")
@_journal
@click.pass_obj
def export_run(
    group: Path | None, run: int, folder: Path, replace: bool, path: Path | None
) -> None:
    """Export run number RUN to FOLDER.

    FOLDER then holds the record, colours, volumes, pictures and result, and `endpoint locate
    FOLDER/record.toml` gives the same numbers.
    """
    import datetime

    from endpoint.bench.journal.export import export
    from endpoint.bench.journal.journal import RunJournal
    from endpoint.result.text import summary

    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    with RunJournal.open(_place(path, group), writing=False) as journal:
        done = export(journal, run, folder, replace_old=replace, analysed=now)
    if done.result is not None:
        click.echo(summary(done.result, width=80, encoding=sys.stdout.encoding))
    pictures = "" if done.pictures == 0 else f", {done.pictures} picture{'s'[: done.pictures != 1]}"
    click.echo(f"Run {run} was written to {folder}: record, colours, events{pictures}.")
    if done.why_not is not None:
        click.echo(f"It has no result: {done.why_not}")
    else:
        click.echo(f"To analyse it again: endpoint locate {folder / 'record.toml'}")


@runs.command("check")
@click.option(
    "--salvage",
    "new",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Copy what is sound to a new journal.",
)
@_journal
@click.pass_obj
def check_runs(group: Path | None, new: Path | None, path: Path | None) -> None:
    """Check every event of the journal, and say which runs are damaged.

    Exit code: 0 if all is sound or was salvaged, 2 if something is damaged.
    """
    from endpoint.bench.journal.sqlite_file import JournalFile
    from endpoint.problems import JournalProblem, OutputProblem

    place = _place(path, group)
    if new is not None and new.exists():
        raise OutputProblem(f"{new} already exists.", "Name a new file.")
    with closing(JournalFile(place, writing=False)) as file:
        sound, damaged = _sorted_out(file)
    for run, words in sorted(damaged.items()):
        click.echo(f"Run {run} is damaged: {words}.")
    click.echo(
        f"{len(sound)} runs can be read, {len(set(sound) - set(damaged))} of them are whole."
    )
    if new is not None:
        with closing(JournalFile(new, writing=True)) as copy:
            copy.write(sorted(row for rows in sound.values() for row in rows))
        click.echo(f"What is sound was written to {new}.")
    elif damaged:
        raise JournalProblem(
            f"The journal {place} is damaged.", "To copy what is sound, add --salvage FILE."
        )


def _sorted_out(file: JournalFile) -> tuple[dict[int, list[Row]], dict[int, str]]:
    """Sound events by run, of runs whose beginning is sound; and what is wrong with the others.

    What the file cannot give at all, though later events are there, is told of as run 0.
    """
    from endpoint.bench.journal.run_list import kept_of
    from endpoint.problems import JournalProblem

    sound: dict[int, list[Row]] = {}
    bad: dict[int, list[int]] = {}
    for number in range(1, file.last_numbers()[0] + 1):
        row = None
        try:
            row = file.row(number)
            if row is not None:
                kept_of(row, file.path)
                sound.setdefault(row[1], []).append(row)
        except JournalProblem:
            bad.setdefault(0 if row is None else row[1], []).append(number)
    told = {
        run: f"{len(numbers)} events cannot be read (the first is event {numbers[0]})"
        for run, numbers in bad.items()
    }
    for run in [run for run, rows in sound.items() if rows[0][2] != "opened"]:
        told[run] = f"its beginning cannot be read, and {len(sound.pop(run))} events belong to it"
    return sound, told
