"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import click

from endpoint.problems import RecordProblem

T = TypeVar("T")

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
