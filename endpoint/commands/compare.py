"""The command `endpoint compare`."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from endpoint.commands.options import check_json, json_option, put_json, reasons_given

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
@click.option(
    "--set-aside", type=int, multiple=True, metavar="ROW", help="Leave out a row; needs --because."
)
@click.option("--because", multiple=True, metavar="TEXT", help="Reason for each --set-aside.")
@json_option
@click.option(
    "--out", type=click.Path(), metavar="FOLDER", help="Write JSON, CSV and figures (SVG, PDF)."
)
def compare(
    table: str,
    results: str | None,
    json_to: str | None,
    out: str | None,
    **options: Any,
) -> int:
    """Compare titres read by eye with recorded ones.

    TABLE.csv has a row for each titration and the columns visual_ml (read by eye) and objective_ml
    (equivalence volume) or recording (a result of endpoint locate --json). Optional: analyst,
    sample, last_red_ml, visual_u_ml, objective_u_ml, last_red_u_ml (standard uncertainties).

    Nothing is left out unless you say so; with --set-aside you get both results.

    Exit code: 0, or 2 for bad input.
    """
    from endpoint.comparison.document import comparison_document
    from endpoint.comparison.study import compare as work_out
    from endpoint.comparison.titre_pairs import read_compare_table
    from endpoint.comparison.words import summary_text
    from endpoint.files.folder import held_folder

    for name in ("variance_ratio", "find_bias_ml", "limits_within_ml"):
        if options[name] is not None:
            _check("--" + name.replace("_", "-"), options[name])
    set_aside = reasons_given(options["set_aside"], options["because"])
    check_json(json_to)
    with nullcontext() if out is None else held_folder(Path(out)):
        found = work_out(
            read_compare_table(Path(table), None if results is None else Path(results)),
            variance_ratio=options["variance_ratio"],
            bias_ml=options["find_bias_ml"],
            limits_ml=options["limits_within_ml"],
            set_aside=set_aside,
        )
        document = comparison_document(found)
        only_json = put_json(document, json_to)
        written = [] if out is None else _write(found, document, Path(out))
    if not only_json:
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
