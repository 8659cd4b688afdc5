"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

import click

from endpoint.problems import RecordProblem

T = TypeVar("T")

json_option = click.option(
    "--json", "json_to", metavar="FILE|-", help="Write the result as JSON; - prints only that."
)


def check_json(json_to: str | None) -> None:
    """Say before any work why the file of --json cannot be written."""
    if json_to not in (None, "-"):
        from endpoint.files.folder import check_file

        check_file(Path(str(json_to)))


def give_json(json_to: str | None, text: str) -> bool:
    """Print or write JSON where --json asks for it; True where nothing else may be printed."""
    if json_to == "-":
        click.echo(text)
    elif json_to is not None:
        from endpoint.files.folder import write_text

        write_text(Path(json_to), text + "\n")
    return json_to == "-"


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
