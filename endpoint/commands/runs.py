"""The command `endpoint runs`: lists the runs in the journal of the bench, and exports them."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from endpoint.commands.options import check_json, give_json, json_option

if TYPE_CHECKING:
    from endpoint.bench.journal.run_list import RunEntry

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
    """List the runs of the bench, or export one.

    You can resume an unfinished run at the bench.
    """
    from endpoint.bench.journal.export import default_journal

    context.obj = path or default_journal()
    if context.invoked_subcommand is None:
        # A journal that was named must be there; the usual one is made by the first run.
        _list(context.obj, json_to, may_be_missing=path is None)


def _list(path: Path, json_to: str | None, *, may_be_missing: bool) -> None:
    from endpoint.bench.journal.journal import RunJournal
    from endpoint.result.document import to_json

    check_json(json_to)
    entries: list[RunEntry] = []
    if path.exists() or not may_be_missing:
        with RunJournal.open(path, writing=False) as journal:
            entries = journal.runs()
    text = to_json({"format": 1, "journal": str(path), "runs": [_plain(e) for e in entries]})
    if not give_json(json_to, text):
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
def export_run(usual: Path, run: int, folder: Path, replace: bool, path: Path | None) -> None:
    """Export run number RUN to FOLDER.

    FOLDER then holds the record, colours, volumes, pictures and result, and `endpoint locate
    FOLDER/record.toml` gives the same numbers.
    """
    import datetime

    from endpoint.bench.journal.export import export
    from endpoint.bench.journal.journal import RunJournal
    from endpoint.result.text import summary

    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    with RunJournal.open(path or usual, writing=False) as journal:
        done = export(journal, run, folder, replace_old=replace, analysed=now)
    if done.result is not None:
        click.echo(summary(done.result, width=80, encoding=sys.stdout.encoding))
    pictures = "" if done.pictures == 0 else f", {done.pictures} picture{'s'[: done.pictures != 1]}"
    click.echo(f"Run {run} was written to {folder}: record, colours, events{pictures}.")
    if done.why_not is not None:
        click.echo(f"It has no result: {done.why_not}")
    else:
        click.echo(f"To analyse it again: endpoint locate {folder / 'record.toml'}")
