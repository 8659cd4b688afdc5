"""The command `endpoint replay`: a titration as one page for a class."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("result", metavar="RESULT", type=click.Path())
@click.option(
    "--out",
    type=click.Path(),
    metavar="FILE.html",
    help="Where to write the page; replay.html in the folder of the result if not given.",
)
def replay(result: str, out: str | None) -> None:
    """Make a page that replays a titration with a class.

    RESULT is the folder that endpoint locate --out wrote. The file holds everything and works
    without a network: pictures, curve, questions, a model with sliders, worksheet and answers.
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
