"""The command `endpoint replicates`."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from endpoint.commands.options import check_json, json_option, put_json, reasons_given

if TYPE_CHECKING:
    from endpoint.hardness.titre import ReplicateProblem
    from endpoint.hardness.titre_table import TitreSetup
    from endpoint.replicates.control_chart import Subgroup
    from endpoint.replicates.mean import Blank
    from endpoint.replicates.recovery import Recovery
    from endpoint.replicates.series import Replicates

_FILES = "FILE|FOLDER|ML"
_LEAST_SAMPLE_ML = 0.5


@click.command()
@click.argument("results", metavar="RESULT|TITRE...", nargs=-1, required=True)
@click.option("--limit-ml", type=float, help="Range of concordant titres, mL (default 0.10).")
@click.option("--rough", multiple=True, metavar="N|LABEL", help="Leave out a rough titration.")
@click.option(
    "--set-aside", multiple=True, metavar="N|LABEL", help="Leave out a titration; needs --because."
)
@click.option("--because", multiple=True, metavar="TEXT", help="Reason for each --set-aside.")
@click.option(
    "--side",
    type=click.Choice(["both", "high", "low"]),
    default="both",
    help="Side of an outlier, if it was decided before the titres were seen.",
)
@click.option("--repeatability-ml", type=float, help="Repeatability limit r to check, mL.")
@click.option("--blank", multiple=True, metavar=_FILES, help="Blank titration(s), subtracted.")
@click.option("--spiked", multiple=True, metavar=_FILES, help="Titration(s) of the spiked water.")
@click.option("--spike-mmol-l", type=float, help="Hardness that the spike adds, mmol/L.")
@click.option("--spike-u", type=float, help="Its standard uncertainty, mmol/L.")
@click.option("--sample", "only_sample", metavar="NAME", help="Sample to take from a CSV.")
@click.option("--sample-ml", type=float, help="Sample volume, mL (titres in a CSV).")
@click.option("--titrant", type=float, help="EDTA, mol/L (titres in a CSV).")
@click.option("--titrant-u", type=float, help="Its standard uncertainty, mol/L.")
@click.option("--control-chart", "charted", is_flag=True, help="Chart the values over days.")
@click.option(
    "--chart",
    "chart_kind",
    type=click.Choice(["auto", "individuals", "mean-range", "mean-s"]),
    default="auto",
    help="Kind of control chart.",
)
@click.option(
    "--baseline", type=int, metavar="N", help="Number of first points that set centre and limits."
)
@click.option(
    "--rules",
    type=click.Choice(["western-electric", "nelson"]),
    default="western-electric",
    help="Run rules of the control chart: the four of 1956 or the eight of 1984.",
)
@json_option
@click.option("--out", type=click.Path(), metavar="FOLDER", help="Write result and picture.")
def replicates(results: tuple[str, ...], charted: bool, **options: Any) -> int:
    """Evaluate several titrations of one sample.

    You get their mean, scatter and agreement.

    RESULT is a result.json or a folder with one (endpoint locate --out), or a CSV of titres read
    by eye with the column titre_ml and, if you like, label, date, analyst, sample. TITRE is a
    titre in mL, typed: endpoint replicates 12.40 12.45 12.50. Nothing is left out unless you say
    so.

    With --control-chart: results or a CSV with date and value over many days.

    Exit code: 0, or 2 for bad input.
    """
    _check_numbers(options)
    _prepare_output(options)
    if charted:
        return _control_chart([Path(name) for name in results], options)
    return _replicates(results, options)


def _problem(sentence: str, remedy: str) -> ReplicateProblem:
    """Error of this command; numpy comes with its module, so it is loaded only now."""
    from endpoint.hardness.titre import ReplicateProblem

    return ReplicateProblem(sentence, remedy)


def _check_numbers(options: dict[str, Any]) -> None:
    limits = {
        "limit_ml": 10.0,
        "repeatability_ml": 10.0,
        "spike_mmol_l": 1000.0,
        "spike_u": 1000.0,
        "sample_ml": 5000.0,
        "titrant": 1.0,
        "titrant_u": 1.0,
    }
    for name, most in limits.items():
        value = options[name]
        may_be_zero = name in ("spike_u", "titrant_u")
        if name == "sample_ml" and value is not None and 0 < value < _LEAST_SAMPLE_ML:
            raise _problem(
                f"--sample-ml is {value:g}, less than {_LEAST_SAMPLE_ML:g} mL.",
                f"Give it in mL; {value:g} L would be {1000 * value:g}.",
            )
        if value is None or 0 < value <= most or (may_be_zero and value == 0):
            continue
        option = "--" + name.replace("_", "-")
        least = "0" if may_be_zero else "above 0"
        raise _problem(f"{option} is {value:g}.", f"Give a number {least}, up to {most:g}.")
    if options["baseline"] is not None and options["baseline"] < 3:
        raise _problem(
            f"--baseline is {options['baseline']}.", "Give 3 or more, better 20 or more."
        )
    reasons_given(options["set_aside"], options["because"])
    if bool(options["spiked"]) != (options["spike_mmol_l"] is not None):
        raise _problem(
            "--spiked and --spike-mmol-l go together.",
            "Give the spiked titrations and the hardness that the spike adds to the water.",
        )


def _prepare_output(options: dict[str, Any]) -> None:
    from endpoint.files.folder import check_folder

    if options["out"] is not None:
        check_folder(Path(options["out"]))
    check_json(options["json_to"])


def _replicates(given: Sequence[str], options: dict[str, Any]) -> int:
    from endpoint.hardness.titre_files import read_runs, sources_of
    from endpoint.replicates.chart import describe_replicates, replicate_chart
    from endpoint.replicates.document import replicates_document
    from endpoint.replicates.series import replicates as work_out
    from endpoint.replicates.words import summary_text

    bench = _bench(options)
    runs = read_runs(sources_of(given), bench)
    if not runs:
        raise _problem("The files hold no titration.", "Give at least one titre.")
    blank = _blank(options, bench)
    limit = {} if options["limit_ml"] is None else {"limit_ml": options["limit_ml"]}
    found = work_out(
        runs,
        rough=options["rough"],
        set_aside=dict(zip(options["set_aside"], options["because"], strict=True)),
        side=options["side"],
        repeatability_ml=options["repeatability_ml"],
        blank=blank,
        **limit,
    )
    spike, spiked = _spike(options, bench, found, blank)
    text = summary_text(found, spike, spiked, encoding=sys.stdout.encoding)
    picture = None
    if options["out"] is not None:
        picture = replicate_chart(found), "Replicate titrations", describe_replicates(found)
    _write(replicates_document(found, spike, spiked), text, "replicates", picture, options)
    return 0


def _bench(options: dict[str, Any]) -> TitreSetup:
    from endpoint.hardness.titre_table import TitreSetup, titrant_quantity

    concentration, u = options["titrant"], options["titrant_u"]
    if u is not None and concentration is None:
        raise _problem("--titrant-u is given without --titrant.", "Give both.")
    return TitreSetup(
        sample_ml=options["sample_ml"],
        titrant_mol_l=None if concentration is None else titrant_quantity(concentration, u),
        only_sample=options["only_sample"],
    )


def _blank(options: dict[str, Any], bench: TitreSetup) -> Blank | None:
    from dataclasses import replace

    from endpoint.hardness.titre_files import read_runs, sources_of
    from endpoint.replicates.mean import mean_blank

    if not options["blank"]:
        return None
    given = sources_of(options["blank"])
    runs = read_runs(given, replace(bench, only_sample=None), "blank")
    if not runs:
        raise _problem("The files of --blank hold no titration.", "Give at least one.")
    return mean_blank(runs)


def _spike(
    options: dict[str, Any], bench: TitreSetup, found: Replicates, blank: Blank | None
) -> tuple[Recovery | None, Replicates | None]:
    from dataclasses import replace

    from calibration.problem import CalibrationProblem
    from calibration.quantity import Quantity
    from endpoint.hardness.titre_files import read_runs, sources_of
    from endpoint.replicates.recovery import recovery
    from endpoint.replicates.series import replicates as work_out

    if not options["spiked"]:
        return None, None
    runs = read_runs(
        sources_of(options["spiked"]), replace(bench, only_sample=None), "spiked titration"
    )
    spiked = work_out(runs, blank=blank)
    plain, with_spike = found.summary.hardness, spiked.summary.hardness
    if plain is None or with_spike is None:
        raise _problem(
            "A recovery needs the hardness, but only titres are known.",
            "Give --sample-ml and --titrant.",
        )
    value, u = options["spike_mmol_l"], options["spike_u"]
    added = (
        Quantity(value, "mmol/L")
        if u is None
        else Quantity.measured(value, "mmol/L", u, "spike: hardness added")
    )
    try:
        return recovery(plain.quantity, with_spike.quantity, added), spiked
    except CalibrationProblem as problem:
        raise _problem(problem.sentence, problem.remedy) from None


def _control_chart(paths: Sequence[Path], options: dict[str, Any]) -> int:
    from endpoint.replicates.control_chart import control_chart
    from endpoint.replicates.control_chart_view import chart_picture, chart_text
    from endpoint.replicates.document import chart_document

    days, unit = _days(paths)
    try:
        chart = control_chart(days, options["chart_kind"], options["baseline"], options["rules"])
    except ValueError as error:
        raise _problem(
            f"No control chart: {error}.", "Give more days, or another --chart."
        ) from None
    text = chart_text(chart, unit, encoding=sys.stdout.encoding)
    picture = None
    if options["out"] is not None:
        picture = chart_picture(chart, unit), "Control chart", text.replace("\n", " ")
    _write(chart_document(chart, unit), text, "control_chart", picture, options)
    return 0


def _days(paths: Sequence[Path]) -> tuple[list[Subgroup], str]:
    """Values by day, from results or tables, in order of time."""
    from endpoint.hardness.titre_files import read_runs
    from endpoint.hardness.titre_table import TitreSetup, is_table, read_series
    from endpoint.replicates.control_chart import Subgroup

    values: dict[Any, list[float]] = {}
    unit: str | None = None
    for path in paths:
        if is_table(path):
            pairs, this = read_series(path)
        else:
            this, pairs = "mmol/L", []
            for run in read_runs([path], TitreSetup()):
                if run.date is None:
                    raise _problem(
                        f"{run.where} does not give the date of the titration.",
                        "Put the date in the record and locate again, or give a CSV with date and "
                        "value.",
                    )
                if run.hardness_mmol_l is not None:
                    pairs.append((run.date, run.hardness_mmol_l.value))
        if unit is not None and this != unit and pairs:
            raise _problem(
                f"{path.name} is in {this}, the files before it in {unit}.",
                "Chart values in one unit only.",
            )
        unit = this if pairs else unit
        for day, value in pairs:
            values.setdefault(day, []).append(value)
    return [Subgroup(day.isoformat(), tuple(values[day])) for day in sorted(values)], unit or ""


def _write(
    document: dict[str, Any], text: str, stem: str, picture: Any, options: dict[str, Any]
) -> None:
    from endpoint.drawing.chart import picture_bytes
    from endpoint.files.folder import held_folder, staged, write_bytes

    out = options["out"]
    only_json = put_json(document, options["json_to"])
    if out is not None:
        figure, title, words = picture
        with held_folder(Path(out)), staged(Path(out), [f"{stem}.json"]) as stage:
            write_bytes(stage / f"{stem}.png", picture_bytes(figure, "png", title, words))
            put_json(document, str(stage / f"{stem}.json"))
    if not only_json:
        click.echo(text)
        if out is not None:
            click.echo(f"\nWritten to {out}: {stem}.json, {stem}.png")
