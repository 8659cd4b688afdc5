"""The commands that make certificates from calibration sheets and list them."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from endpoint.commands.options import check_json, json_option, put_json

if TYPE_CHECKING:
    from calibration.certificate import Certificate
    from calibration.sheet import Sheet

KINDS = ("glassware", "titrant", "photometer", "camera", "timing")


def _maker(kind: str) -> Callable[[Sheet], Certificate]:
    """Calibration that makes a certificate of this kind."""
    if kind == "glassware":
        from calibration.ware.weighing import certificate_from_sheet as make
    elif kind == "titrant":
        from calibration.standardisation.titrant import certificate_from_sheet as make
    elif kind == "photometer":
        from calibration.instruments.photometer import certificate_from_sheet as make
    elif kind == "camera":
        from calibration.instruments.camera import certificate_from_sheet as make
    else:
        from calibration.instruments.timing import certificate_from_sheet as make
    return make


@click.command()
@click.argument("kind", type=click.Choice(KINDS))
@click.argument("sheet", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Certificate to write; by default the name of the sheet, ending in .json.",
)
@click.option("--replace", is_flag=True, help="Overwrite an existing file.")
@click.option(
    "--json",
    "json_to",
    metavar="FILE|-",
    help="Write the certificate to FILE; - prints it, and writes a file only with --out.",
)
def calibrate(kind: str, sheet: Path, out: Path | None, replace: bool, json_to: str | None) -> None:
    """Make a certificate from a calibration sheet.

    SHEET is a TOML file, or a CSV file with a head.

    glassware: weighings, or counted drops. titrant: standardisation. photometer: blank, filters or
    a dilution series. camera: grey patch, step wedge or exposures, colour chart. timing: clock of
    the camera, pause test.
    """
    from calibration.certificate import write_certificate
    from calibration.sheet import read_sheet
    from endpoint.files.folder import check_file
    from endpoint.problems import OutputProblem
    from endpoint.result.certificates import certificate_text

    targets = [path for path in (out, _file_of(json_to)) if path is not None]
    if not targets and json_to is None:
        targets = [sheet.with_suffix(".json")]
    for target in targets:
        check_file(target)
        if target.exists() and not replace:
            raise OutputProblem(
                f"{target} already exists.", "Name another file with --out, or add --replace."
            )
    today = datetime.date.today()
    certificate = _maker(kind)(read_sheet(sheet, today))
    for target in targets:
        write_certificate(certificate, target)
    if json_to == "-":
        put_json(certificate.to_json(), "-")
        return
    click.echo(certificate_text(certificate, today))
    click.echo(f"\nWritten to {', '.join(map(str, targets))}")


def _file_of(json_to: str | None) -> Path | None:
    return None if json_to in (None, "-") else Path(str(json_to))


@click.command()
@click.argument("places", nargs=-1, type=click.Path(path_type=Path), metavar="[FOLDER|FILE]...")
@json_option
def certificates(places: tuple[Path, ...], json_to: str | None) -> None:
    """List certificates, the first to expire on top.

    Without a FOLDER or FILE, the current folder and its subfolders are searched.
    """
    from endpoint.result.certificates import find_certificates, list_document, list_text

    check_json(json_to)
    today = datetime.date.today()
    found, unreadable = find_certificates(places or (Path(),))
    if not put_json(list_document(found, unreadable, today), json_to):
        click.echo(list_text(found, unreadable, today))
