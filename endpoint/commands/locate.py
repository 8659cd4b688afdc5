"""The command `endpoint locate`."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from endpoint.commands.options import accept_certificate
from endpoint.problems import EXIT_BRACKETED, EXIT_LOCATED, EXIT_NONE
from endpoint.record.settings import OPTIONS

if TYPE_CHECKING:
    from endpoint.analysis.result import Result
    from endpoint.colour.density import ColourSample
    from endpoint.record.titration import TitrationRecord
    from endpoint.recording.colours import ColourTable
    from endpoint.recording.frame import PictureSource
    from endpoint.recording.photometer import PhotometerTable

_EXIT = {"located": EXIT_LOCATED, "bracketed": EXIT_BRACKETED, "none": EXIT_NONE}


def _settings_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in reversed(OPTIONS):
        kind = click.Choice(option.choices) if option.kind == "choice" else click.STRING
        metavar = None if option.kind == "choice" else "L,T,R,B"
        flag = "--" + option.name.replace("_", "-")
        command = click.option(flag, option.name, type=kind, metavar=metavar, help=option.help)(
            command
        )
    return command


@click.command()
@click.argument("source", metavar="RECORD.toml | FILM | FOLDER | TABLE.csv", type=click.Path())
@click.option("--volumes", type=click.Path(), help="CSV of delivered volumes (without a record).")
@click.option(
    "--mode",
    type=click.Choice(["steps", "continuous"]),
    help="How the titrant was delivered: in steps, or continuously (without a record).",
)
@click.option("--rate", type=float, help="Constant rate of a pump, mL/min (without a record).")
@click.option("--start", type=float, default=0.0, help="Time at which the pump starts, s.")
@click.option(
    "--meniscus",
    metavar="START,END[,DIVISION]",
    help="Volumes from the meniscus in the picture: both readings of the burette, mL, and the "
    "volume between two lines, by default 0.1 (without a record).",
)
@click.option(
    "--drops",
    metavar="START,END",
    help="Volumes from falling drops in the picture: both readings of the burette, mL (without "
    "a record).",
)
@click.option("--sample-ml", type=float, help="Volume of the water sample, mL (without a record).")
@click.option("--added-ml", type=float, default=0.0, help="Buffer and rinse water added, mL.")
@click.option("--titrant", type=float, help="Concentration of EDTA, mol/L (without a record).")
@accept_certificate
@click.option("--json", "json_to", metavar="FILE|-", help="Write the result as JSON; - prints it.")
@click.option(
    "--out", type=click.Path(), metavar="FOLDER", help="Write result, report, curve and chart."
)
@click.option(
    "--every-frame",
    is_flag=True,
    help="Read every frame of a film, even where the important ones would be enough.",
)
@click.option("--quiet", is_flag=True, help="Do not show progress.")
@_settings_options
def locate(
    source: str,
    accepted: tuple[str, ...],
    json_to: str | None,
    out: str | None,
    every_frame: bool,
    quiet: bool,
    **options: Any,
) -> int:
    """Locate the endpoint in a recording, and the hardness.

    Give a titration record, or a recording with --volumes, --sample-ml and --titrant.

    Exit code: 0 located, 3 bracketed (only an interval is honest), 4 no endpoint in this
    recording, 2 bad input.
    """
    from dataclasses import replace

    from endpoint.analysis.prepare import prepare
    from endpoint.files.folder import check_file, check_folder, write_text
    from endpoint.result.document import document, provenance_of, to_json
    from endpoint.result.text import summary

    record = _record(Path(source), options)
    record = replace(record, accepted=(*record.accepted, *accepted))
    if out is not None:
        check_folder(Path(out))
    if json_to is not None and json_to != "-":
        check_file(Path(json_to))
    job, opened = prepare(record)
    result = _run(job, opened, quiet=quiet or json_to == "-", every_frame=every_frame)
    provenance = provenance_of(record, result, _now())
    if json_to is not None:
        text = to_json(document(result, provenance))
        if json_to == "-":
            click.echo(text)
        else:
            write_text(Path(json_to), text)
    if out is not None:
        from endpoint.report.folder import write_folder

        write_folder(result, Path(out), provenance)
    if json_to != "-":
        click.echo(summary(result, width=80, encoding=sys.stdout.encoding))
        if out is not None:
            budget = "" if result.hardness is None else "budget.csv, "
            click.echo(
                f"\nWritten to {out}: report.html, chart.png, curve.csv, {budget}result.json"
            )
    return _EXIT[result.status]


def _now() -> str:
    import datetime

    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def _record(source: Path, options: dict[str, Any]) -> TitrationRecord:
    from dataclasses import replace

    from endpoint.problems import RecordProblem
    from endpoint.record.settings import settings_from
    from endpoint.record.titration import DeliveryOptions, read_record, record_from_options

    names = [option.name for option in OPTIONS]
    settings = settings_from({name: options[name] for name in names}, "The command line")
    needs = {"--sample-ml": options["sample_ml"], "--titrant": options["titrant"]}
    loose = {**needs, "--volumes": options["volumes"], "--rate": options["rate"]}
    loose |= {f"--{way}": options[way] for way in ("meniscus", "drops")}
    if source.suffix.lower() == ".toml":
        given = [name for name, value in loose.items() if value is not None]
        if given:
            raise RecordProblem(
                f"{given[0]} cannot be combined with a record.",
                "Change the record instead, or name the recording itself.",
            )
        record = read_record(source)
        chosen = {name: getattr(settings, name) for name in names if getattr(settings, name)}
        return replace(record, settings=replace(record.settings, **chosen))
    if not os.path.exists(source):  # unlike Path.exists it takes any name, however long
        raise RecordProblem(f"{source} does not exist.", "Check the name of the recording.")
    missing = [name for name, value in needs.items() if value is None]
    if missing:
        raise RecordProblem(
            f"{source.name} is not a record (.toml), and {missing[0]} is not given.",
            "Give --sample-ml 100 --titrant 0.01 and --volumes FILE.csv, or write a record.",
        )
    return record_from_options(
        source,
        delivery=DeliveryOptions(
            volumes=None if options["volumes"] is None else Path(options["volumes"]),
            mode=options["mode"],
            rate_ml_min=options["rate"],
            start_s=options["start"],
            meniscus=options["meniscus"],
            drops=options["drops"],
        ),
        sample_ml=options["sample_ml"],
        added_ml=options["added_ml"],
        titrant_mol_l=options["titrant"],
        settings=settings,
    )


def _run(
    job: Any,
    source: PictureSource | PhotometerTable | ColourTable,
    *,
    quiet: bool,
    every_frame: bool,
) -> Result:
    """Analyse with a progress bar on standard error."""
    from endpoint.analysis.pipeline import analyse
    from endpoint.recording.colours import ColourTable
    from endpoint.recording.photometer import PhotometerTable

    if isinstance(source, PhotometerTable | ColourTable) or quiet or not sys.stderr.isatty():
        return analyse(source, job, every_frame=every_frame)
    total = source.info.duration_s or source.info.frame_count or 1
    timed = source.info.duration_s is not None
    with click.progressbar(
        length=1000, label="Reading the recording", file=sys.stderr, show_eta=True
    ) as bar:

        def on_sample(sample: ColourSample) -> None:
            done = int(1000 * min((sample.time_s if timed else sample.index) / total, 1.0))
            if done > bar.pos:
                bar.update(done - bar.pos)

        return analyse(source, job, on_sample=on_sample, every_frame=every_frame)
