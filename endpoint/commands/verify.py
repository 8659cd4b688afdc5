"""The command `endpoint verify`: whether what the program states is true on a bench."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from endpoint.commands.options import check_json, json_option, put_json


class _WithTable(click.Group):
    """A group whose first word may also be the table to evaluate."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in self.commands:
            args = ["table", *args]
        return super().resolve_command(ctx, args)


@click.group(cls=_WithTable, invoke_without_command=True)
@click.pass_context
def verify(context: click.Context) -> None:
    """Verify the method on your own bench with standards of known hardness.

    endpoint verify plan makes protocol, table and records; endpoint verify TABLE evaluates them.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


@verify.command("plan")
@click.option(
    "--levels",
    default="0.5,2,4",
    show_default=True,
    help="Known hardness of the standards, mmol/L, separated by commas.",
)
@click.option(
    "--wanted",
    type=float,
    required=True,
    help="Wanted half of the 95 % interval of the mean error, mmol/L.",
)
@click.option(
    "--scatter", type=float, required=True, help="Standard deviation of one titration, mmol/L."
)
@click.option("--days", type=int, default=5, show_default=True, help="Number of days.")
@click.option("--seed", type=int, default=1, show_default=True, help="Of the random order.")
@click.option("--out", type=click.Path(), required=True, metavar="FOLDER", help="Where to write.")
def plan(levels: str, wanted: float, scatter: float, days: int, seed: int, out: str) -> int:
    """Plan a verification: protocol, table and records.

    The protocol is to be printed, the table to be filled; each titration gets a record.
    """
    import datetime

    from endpoint.files.folder import check_folder, write_text
    from endpoint.planner.ware import numbers_of
    from endpoint.problems import OutputProblem
    from endpoint.verification.plan import (
        controls,
        plan_verification,
        record_text,
        table_text,
    )
    from endpoint.verification.protocol import protocol_text

    found = plan_verification(numbers_of(levels, "--levels"), wanted, scatter, days=days, seed=seed)
    folder = Path(out)
    if folder.is_dir() and any(folder.iterdir()):
        raise OutputProblem(f"{folder} is not empty.", "Name a new folder.")
    check_folder(folder)
    write_text(folder / "protocol.txt", protocol_text(found))
    write_text(folder / "table.csv", table_text(found, datetime.date.today()))
    names = (*(step.code for step in found.steps), *controls(found))
    for name in names:
        write_text(folder / f"{name}.toml", record_text(found, name))
    click.echo(protocol_text(found))
    click.echo(f"Written to {folder}: protocol.txt, table.csv, {len(names)} records")
    return 0


@verify.command("table")
@click.argument("path", metavar="TABLE", type=click.Path())
@click.option(
    "--results",
    type=click.Path(),
    metavar="RESULTS.csv",
    help="Table of endpoint batch: the column recording then names records in it.",
)
@json_option
@click.option(
    "--out",
    type=click.Path(),
    metavar="FOLDER",
    help="Write the certificate (method.json), report.html, verification.json, levels.csv.",
)
@click.option("--pdf", "pdf_to", type=click.Path(), metavar="FILE", help="Write the report as PDF.")
def table(
    path: str, results: str | None, json_to: str | None, out: str | None, pdf_to: str | None
) -> int:
    """Evaluate a table of titrations of known standards.

    Each level gets bias and recovery; all together get linearity, precision, and the scatter and
    the mean error compared with what the results state.

    Exit code: 0 whether the bench passes or not, 2 for bad input.
    """
    import datetime

    from calibration.certificate import write_certificate
    from endpoint.files.folder import check_file, check_folder, write_bytes, write_text
    from endpoint.result.document import to_json
    from endpoint.verification.document import levels_csv, summary_text, verification_document
    from endpoint.verification.report import report_html, report_pdf
    from endpoint.verification.study import certificate_of
    from endpoint.verification.study import verify as work_out
    from endpoint.verification.table import read_verification

    check_json(json_to)
    if out is not None:
        check_folder(Path(out))
    if pdf_to is not None:
        check_file(Path(pdf_to))
    today = datetime.date.today()
    read = read_verification(Path(path), None if results is None else Path(results), today)
    found = work_out(read)
    data: dict[str, Any] = verification_document(found)
    if out is not None:
        folder = Path(out)
        write_text(folder / "verification.json", to_json(data) + "\n")
        write_text(folder / "levels.csv", levels_csv(found))
        write_text(folder / "report.html", report_html(found))
        written = "report.html, verification.json, levels.csv"
        if found.one_error:
            write_certificate(certificate_of(found), folder / "method.json")
            written = f"method.json, {written}"
        else:
            # One of an earlier study must not stand for this one.
            (folder / "method.json").unlink(missing_ok=True)
    if pdf_to is not None:
        write_bytes(Path(pdf_to), report_pdf(found))
    if not put_json(data, json_to):
        click.echo(summary_text(found, encoding=sys.stdout.encoding))
        if out is not None:
            click.echo(f"\nWritten to {out}: {written}")
        if pdf_to is not None:
            click.echo(f"\nWritten: {pdf_to}")
    return 0
