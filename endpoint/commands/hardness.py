"""The command that works out hardness from titres read by eye."""

from __future__ import annotations

import datetime
import sys
from dataclasses import replace
from pathlib import Path

import click

from endpoint.commands.options import accept_certificate, check_json, json_option, put_json


@click.command()
@click.argument("record", type=click.Path(path_type=Path), metavar="RECORD.toml")
@json_option
@accept_certificate
def hardness(record: Path, json_to: str | None, accepted: tuple[str, ...]) -> None:
    """Work out hardness from titres read by eye.

    The record holds [sample], [titrant], [ware] and [eye] with the titres; [calcium], [boiled] and
    [back_titration] if they were done.
    """
    from endpoint.analysis.by_eye import work_out
    from endpoint.record.by_eye import read_eye_record
    from endpoint.result.by_eye import eye_document, eye_text

    check_json(json_to)
    read = read_eye_record(record)
    read = replace(read, accepted=(*read.accepted, *accepted))
    result = work_out(read, datetime.date.today())
    if not put_json(eye_document(result), json_to):
        click.echo(eye_text(result, width=80, encoding=sys.stdout.encoding))
