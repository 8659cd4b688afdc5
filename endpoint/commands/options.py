"""What several commands share: options, and JSON that goes to a file or to the screen."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

accept_certificate = click.option(
    "--accept-certificate",
    "accepted",
    multiple=True,
    metavar="ID",
    help="Use this certificate even if it is expired, dated later or for other ware.",
)


def check_json(place: str | None) -> None:
    """Say before any work why what `--json` names cannot be written.

    Raises
    ------
    OutputProblem
        As `endpoint.files.folder.check_file`.
    """
    from endpoint.files.folder import check_file

    if place is not None and place != "-":
        check_file(Path(place))


def put_json(data: dict[str, Any], place: str | None) -> None:
    """Write plain data as JSON where `--json` says: nowhere, to a file, or with - to the screen.

    On the screen it is ASCII, so that every terminal and every pipe takes it as it is.

    Raises
    ------
    OutputProblem
        It cannot be written.
    """
    from endpoint.files.folder import write_text
    from endpoint.result.document import to_json

    if place == "-":
        click.echo(json.dumps(data, indent=2, allow_nan=False))
    elif place is not None:
        write_text(Path(place), to_json(data) + "\n")
