"""The commands that make certificates from calibration sheets and list them."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from endpoint.commands.options import put_json

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
    "--json", "as_json", is_flag=True, help="Print the certificate as JSON and write no file."
)
def calibrate(kind: str, sheet: Path, out: Path | None, replace: bool, as_json: bool) -> None:
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

    target = out if out is not None else sheet.with_suffix(".json")
    if not as_json:
        check_file(target)
        if target.exists() and not replace:
            raise OutputProblem(
                f"{target} already exists.", "Name another file with --out, or add --replace."
            )
    today = datetime.date.today()
    certificate = _maker(kind)(read_sheet(sheet, today))
    if as_json:
        put_json(certificate.to_json(), "-")
        return
    write_certificate(certificate, target)
    click.echo(certificate_text(certificate, today))
    click.echo(f"\nWritten to {target}")


@click.command()
@click.argument("places", nargs=-1, type=click.Path(path_type=Path), metavar="[FOLDER|FILE]...")
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
def certificates(places: tuple[Path, ...], as_json: bool) -> None:
    """List certificates, the first to expire on top.

    Without a FOLDER or FILE, the current folder and its subfolders are searched.
    """
    from endpoint.result.certificates import find_certificates, list_json, list_text

    today = datetime.date.today()
    found, unreadable = find_certificates(places or (Path(),))
    if as_json:
        click.echo(list_json(found, unreadable, today))
    else:
        click.echo(list_text(found, unreadable, today))
