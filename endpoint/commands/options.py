"""Options that several commands share."""

from __future__ import annotations

import click

accept_certificate = click.option(
    "--accept-certificate",
    "accepted",
    multiple=True,
    metavar="ID",
    help="Use this certificate even if it is expired, dated later or for other ware.",
)
