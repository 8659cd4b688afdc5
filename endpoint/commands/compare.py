"""The command `endpoint compare`."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from endpoint.commands.options import check_json, put_json

if TYPE_CHECKING:
    from endpoint.comparison.study import Comparison


@click.command()
@click.argument("table", metavar="TABLE.csv", type=click.Path())
@click.option(
    "--results",
    type=click.Path(),
    metavar="RESULTS.csv",
    help="Table of endpoint batch: the column recording then names records in it.",
)
@click.option(
    "--variance-ratio",
    type=float,
    help="Error variance of a visual titre over that of a recorded volume, for the Deming line "
    "(default: from the stated uncertainties, else 1).",
)
@click.option(
    "--find-bias-ml",
    type=float,
    default=0.05,
    show_default=True,
    help="Smallest bias to be found, mL; for the advice on how many titrations to do.",
)
@click.option(
    "--limits-within-ml",
    type=float,
    default=0.05,
    show_default=True,
    help="How closely you need to know the limits of agreement, mL (same advice).",
)
@click.option("--json", "json_to", metavar="FILE|-", help="Write the result as JSON; - prints it.")
@click.option(
    "--out", type=click.Path(), metavar="FOLDER", help="Write JSON, CSV and figures (SVG, PDF)."
)
def compare(
    table: str,
    results: str | None,
    variance_ratio: float | None,
    find_bias_ml: float,
    limits_within_ml: float,
    json_to: str | None,
    out: str | None,
) -> int:
    """Compare titres read by eye with recorded ones.

    TABLE.csv has a row for each titration and the columns visual_ml (read by eye) and objective_ml
    (equivalence volume) or recording (a result of endpoint locate --json). Optional: analyst,
    sample, last_red_ml, visual_u_ml, objective_u_ml, last_red_u_ml (standard uncertainties).

    Exit code: 0, or 2 for bad input.
    """
    from endpoint.comparison.document import comparison_document
    from endpoint.comparison.study import compare as work_out
    from endpoint.comparison.titre_pairs import read_compare_table
    from endpoint.comparison.words import summary_text
    from endpoint.files.folder import held_folder

    for option, value in (
        ("--variance-ratio", variance_ratio),
        ("--find-bias-ml", find_bias_ml),
        ("--limits-within-ml", limits_within_ml),
    ):
        if value is not None:
            _check(option, value)
    check_json(json_to)
    with nullcontext() if out is None else held_folder(Path(out)):
        found = work_out(
            read_compare_table(Path(table), None if results is None else Path(results)),
            variance_ratio=variance_ratio,
            bias_ml=find_bias_ml,
            limits_ml=limits_within_ml,
        )
        document = comparison_document(found)
        put_json(document, json_to)
        written = [] if out is None else _write(found, document, Path(out))
    if json_to != "-":
        click.echo(summary_text(found, encoding=sys.stdout.encoding))
        if written:
            click.echo(f"\nWritten to {out}: {', '.join(written)}")
    return 0


def _check(option: str, value: float) -> None:
    from endpoint.comparison.estimates import ComparisonProblem

    if not 1e-4 <= value <= 1e4:
        raise ComparisonProblem(f"{option} is {value:g}.", "Give a number from 0.0001 to 10000.")


def _write(found: Comparison, document: dict[str, Any], folder: Path) -> list[str]:
    from endpoint.comparison.document import results_csv
    from endpoint.comparison.figures import figures
    from endpoint.drawing.chart import picture_bytes
    from endpoint.files.folder import staged, write_bytes, write_text

    names = ["comparison.json", "comparison.csv"]
    parts: list[tuple[str, Any, Any]] = [
        (stem, part, each) for part in found.against for stem, each in figures(part).items()
    ]
    with staged(folder, names[:1]) as stage:
        put_json(document, str(stage / names[0]))
        write_text(stage / names[1], results_csv(found))
        for stem, part, (draw, title, words) in parts:
            figure = draw(part)
            for kind in ("svg", "pdf"):
                names.append(f"{stem}.{kind}")
                write_bytes(stage / names[-1], picture_bytes(figure, kind, title, words))
    return names
