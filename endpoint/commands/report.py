"""The commands `endpoint report` and `endpoint replay`: pages made from kept results."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from endpoint.replay.story import Story
    from endpoint.result.kept import KeptResult


@click.command()
@click.argument("results", metavar="RESULT...", nargs=-1, required=True, type=click.Path())
@click.option("--pdf", "pdf_to", metavar="FILE", help="Write a PDF, two A4 pages for each result.")
@click.option(
    "--html", "html_to", metavar="FILE", help="Write one HTML file that needs no other file."
)
def report(results: tuple[str, ...], pdf_to: str | None, html_to: str | None) -> int:
    """Write a report on one result, or on several.

    RESULT is a folder that endpoint locate --out wrote, or its result.json; the recording is not
    needed. Several are taken as replicates of one sample: the mean comes first, then each of them.

    Exit code: 0, or 2 for bad input.
    """
    from endpoint.files.folder import check_file, write_bytes, write_text
    from endpoint.problems import RecordProblem
    from endpoint.result.kept import read_kept

    if pdf_to is None and html_to is None:
        raise RecordProblem(
            "There is nothing to write.", "Give --pdf FILE or --html FILE, or both."
        )
    if pdf_to is not None and html_to is not None and Path(pdf_to) == Path(html_to):
        raise RecordProblem("PDF and HTML have the same file name.", "Give each its own name.")
    for name in (pdf_to, html_to):
        if name is not None:
            check_file(Path(name))
    kept = [read_kept(Path(name)) for name in results]
    title, heading, mean = _head(kept, results)
    if html_to is not None:
        write_text(Path(html_to), _page(kept, title, heading, mean))
    if pdf_to is not None:
        from endpoint.report.pdf import report_pdf

        write_bytes(Path(pdf_to), report_pdf(kept, title, heading, mean=mean))
    written = " and ".join(name for name in (html_to, pdf_to) if name is not None)
    click.echo(f"Written: {written}")
    return 0


def _head(
    kept: Sequence[KeptResult], results: Sequence[str]
) -> tuple[str, str, dict[str, Any] | None]:
    """Title, heading, and the texts on the mean where there are several results."""
    from endpoint.result.wording import label_of

    labels = list(dict.fromkeys(label_of(each.document) for each in kept))
    heading = ", ".join(labels)
    if len(kept) == 1:
        return f"Titration report: {heading}", heading, None
    from endpoint.hardness.titre_files import read_runs
    from endpoint.hardness.titre_table import TitreSetup
    from endpoint.replicates.report_contents import mean_contents
    from endpoint.replicates.series import replicates

    found = replicates(read_runs([Path(name) for name in results], TitreSetup()))
    return f"Titration report, {len(kept)} titrations: {heading}", heading, mean_contents(found)


def _page(kept: Sequence[KeptResult], title: str, heading: str, mean: dict[str, Any] | None) -> str:
    from endpoint.report.page import bars_of, dated, drawn_contents, page_of

    views = [drawn_contents(each, f"r{k}") for k, each in enumerate(kept, 1)]
    if mean is None:
        return page_of(views, title, heading, dated(views[0]))
    return page_of(views, title, heading, replicates={**mean, "bars": bars_of(mean, "mean")})


@click.command()
@click.argument("result", metavar="RESULT", type=click.Path())
@click.option(
    "--out",
    type=click.Path(),
    metavar="FILE.html",
    help="Where to write the page; replay.html in the folder of the result if not given.",
)
@click.option(
    "--practical",
    type=click.Path(),
    metavar="FILE",
    help="Write the practical sheet alone as well: FILE.pdf or FILE.html.",
)
def replay(result: str, out: str | None, practical: str | None) -> None:
    """Make a page that replays a titration with a class.

    RESULT is the folder that endpoint locate --out wrote. The file holds everything and works
    without a network: pictures, curve, questions, the chemistry, a model with sliders, and three
    sheets to print: worksheet, practical sheet and answers.
    """
    from endpoint.files.folder import check_file, write_text
    from endpoint.problems import OutputProblem
    from endpoint.replay.page import LARGEST_BYTES, page
    from endpoint.replay.story import story_of
    from endpoint.result.kept import read_kept

    kept = read_kept(Path(result))
    folder = kept.folder or Path(result).parent
    target = Path(out) if out is not None else folder / "replay.html"
    if target.suffix.lower() not in (".html", ".htm"):
        raise OutputProblem(
            f"{target.name} is not a name for a page.", "Name a file that ends in .html."
        )
    check_file(target)
    if practical is not None:
        if Path(practical).suffix.lower() not in (".pdf", ".html", ".htm"):
            raise OutputProblem(
                f"{Path(practical).name} is not a name for a practical sheet.",
                "Name a file that ends in .pdf or .html.",
            )
        check_file(Path(practical))
    story = story_of(kept)
    text = page(story)
    size = len(text.encode("utf-8"))
    if size > LARGEST_BYTES:
        raise OutputProblem(
            f"The page would be {size / 1e6:.1f} MB, too large to hand out.",
            "Delete every second picture and its line in pictures/index.csv.",
        )
    write_text(target, text)
    click.echo(f"Written to {target} ({size / 1e6:.1f} MB). Open it in any browser.")
    if practical is not None:
        _write_practical(story, Path(practical))
        click.echo(f"Practical sheet written to {practical}.")


def _write_practical(story: Story, target: Path) -> None:
    from endpoint.files.folder import write_bytes, write_text
    from endpoint.problems import OutputProblem
    from endpoint.replay.page import practical_page
    from endpoint.replay.practical import practical_of, practical_pdf

    sheet = practical_of(story)
    if sheet is None:
        raise OutputProblem(
            "The practical sheet is made for Eriochrome Black T only.", "Leave --practical away."
        )
    if target.suffix.lower() == ".pdf":
        write_bytes(target, practical_pdf(sheet))
    else:
        write_text(target, practical_page(story, sheet))
