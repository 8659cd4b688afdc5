"""The command `endpoint plan`: what to take, how to add, how many titrations."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from endpoint.commands.options import check_json, json_option, put_json


@click.command()
@click.argument("hardness", metavar="HARDNESS")
@click.option(
    "--unit",
    metavar="UNIT",
    default="mmol/L",
    show_default=True,
    help="Unit of the hardness: mmol/L; mg/L or ppm, as CaCO3; dH or °dH, German degrees; fH or "
    "°fH, French degrees.",
)
@click.option(
    "--wanted",
    default="1%",
    show_default=True,
    help="Wanted 95 % uncertainty: 1% of the hardness, or a number in its unit.",
)
@click.option("--burette", default=25.0, show_default=True, help="Size of the burette, mL.")
@click.option("--division", type=float, help="Smallest division of the burette, mL.")
@click.option("--burette-class", default="A", show_default=True, help="A, AS or B, as printed.")
@click.option(
    "--pipette",
    default="10,25,50,100",
    show_default=True,
    help="Sizes of the pipettes at hand, mL, separated by commas.",
)
@click.option("--pipette-class", default="A", show_default=True, help="A, AS or B, as printed.")
@click.option(
    "--titrant",
    default="0.01,0.02,0.05",
    show_default=True,
    help="Concentrations of EDTA at hand, mol/L, separated by commas.",
)
@click.option(
    "--titrant-uncertainty",
    default=0.2,
    show_default=True,
    help="Standard uncertainty of the titrant, % of its concentration.",
)
@click.option("--magnesium", help="Share of magnesium in the hardness, %: 20 or 10-30.")
@click.option(
    "--indicator", default=20.0, show_default=True, help="Indicator in the flask, umol/L."
)
@click.option("--ph", default=10.0, show_default=True, help="pH of the buffered sample.")
@click.option(
    "--read",
    "read",
    type=click.Choice(["both", "eye", "recording"]),
    default="both",
    show_default=True,
    help="How the end point is found.",
)
@click.option(
    "--mg-edta/--no-mg-edta",
    default=None,
    help="Buffer with or without magnesium EDTA; the plan chooses if not given.",
)
@click.option("--flask", default=250.0, show_default=True, help="Size of the conical flask, mL.")
@click.option("--drop", default=0.05, show_default=True, help="One drop of the burette, mL.")
@click.option("--mixing-lag", default=1.5, show_default=True, help="Time of mixing, s.")
@click.option(
    "--colour-scatter",
    default=1.0,
    show_default=True,
    help="Scatter of one recorded point, % of the colour change.",
)
@click.option("--titre-scatter", type=float, help="Your own standard deviation of one titre, mL.")
@json_option
@click.option("--record", type=click.Path(), metavar="FILE", help="Write a record to fill in.")
@click.option("--replace", is_flag=True, help="Overwrite an existing record.")
def plan(json_to: str | None, record: str | None, replace: bool, **options: Any) -> None:
    """Plan a titration of water of about this hardness.

    HARDNESS is a number, or a range such as 2-3.

    Proposes sample, titrant, additions near the end, magnesium EDTA, and how many titrations the
    wanted uncertainty needs, by eye and by recording.
    """
    from endpoint.files.folder import check_file, write_text
    from endpoint.planner.ask import question_of
    from endpoint.planner.designs import make_plan
    from endpoint.planner.document import plan_document
    from endpoint.planner.record import record_skeleton
    from endpoint.planner.words import plan_words
    from endpoint.problems import OutputProblem

    question = question_of(**options)
    check_json(json_to)
    if record is not None:
        check_file(Path(record))
    if record is not None and Path(record).exists() and not replace:
        raise OutputProblem(f"{record} already exists.", "Name another file, or add --replace.")
    data = plan_document(make_plan(question))
    if not put_json(data, json_to):
        click.echo(plan_words(data, width=80, encoding=sys.stdout.encoding))
    if record is not None:
        write_text(Path(record), record_skeleton(data))
        click.echo(f"\nRecord to fill in: {record}", err=json_to == "-")
