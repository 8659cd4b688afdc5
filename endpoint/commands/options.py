"""What several commands share: options, and JSON that goes to a file or to the screen."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from endpoint.problems import RecordProblem

T = TypeVar("T")

json_option = click.option(
    "--json", "json_to", metavar="FILE|-", help="Write the result as JSON; - prints only that."
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


def put_json(data: Mapping[str, Any], place: str | None) -> bool:
    """Write plain data as JSON where `--json` says: nowhere, to a file, or with - to the screen.

    On the screen it is ASCII, so that every terminal and every pipe takes it as it is.

    Returns
    -------
    Whether nothing else may be printed.

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
        write_text(Path(place), to_json(dict(data)) + "\n")
    return place == "-"


accept_certificate = click.option(
    "--accept-certificate",
    "accepted",
    multiple=True,
    metavar="ID",
    help="Use this certificate even if it is expired, dated later or for other ware.",
)


def reasons_given(set_aside: Sequence[T], because: Sequence[str]) -> dict[T, str]:
    """Reason of everything that is set aside.

    Raises
    ------
    RecordProblem
        A reason is missing or empty.
    """
    if len(set_aside) != len(because):
        raise RecordProblem(
            f"--set-aside is given {len(set_aside)} times, --because {len(because)} times.",
            'Give a reason for each: --set-aside 3 --because "end overshot".',
        )
    if not all(reason.strip() for reason in because):
        raise RecordProblem("--because is empty.", "Write the reason in a few words.")
    return dict(zip(set_aside, because, strict=True))
