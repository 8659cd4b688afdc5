"""Recordings of titrations, rendered from physics with known truth.

    python -m sample_media.render            # the committed samples
    python -m sample_media.render --family good-steps --seed 7 --out /tmp/film
    python -m sample_media.render --family hand-swirled --seed 7 --out /tmp/film

`recipes` holds chemistry and additions over time, `picture` draws bench films from a traced scene
(`scene`, `light`), `encode` writes files, `survey` lists the committed samples. Films as people
make them, with hands and accidents, come from `home_films`. Everything is simulated; nothing was
filmed.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from sample_media.encode import write, write_film, write_photometer, write_stills
from sample_media.picture import plate_of as _plate
from sample_media.picture import render_frames
from sample_media.recipes import (
    BRACKET,
    GOOD,
    REFUSE,
    Recipe,
    family,
    mixed_volume,
    plan_of,
    truth_of,
)
from sample_media.survey import SAMPLES

__all__ = [
    "BRACKET",
    "GOOD",
    "REFUSE",
    "SAMPLES",
    "Recipe",
    "_plate",
    "family",
    "mixed_volume",
    "plan_of",
    "render_frames",
    "truth_of",
    "write",
    "write_film",
    "write_photometer",
    "write_stills",
]


def write_samples(folder: Path, only: str | None = None) -> None:
    """Write the committed samples into a folder."""
    for sample in SAMPLES:
        if only is not None and sample.recipe.name != only:
            continue
        if sample.kind == "film":
            path = write_film(sample.recipe, folder)
        elif sample.kind == "stills":
            path = write_stills(sample.recipe, folder)
        else:
            path = write_photometer(sample.recipe, folder, comma=True)
        print(path.name, flush=True)


def main() -> None:
    """Write the samples, or one recording of a family."""
    parser = argparse.ArgumentParser(description="Render simulated recordings")
    parser.add_argument("--family", choices=GOOD + REFUSE + BRACKET)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--full", action="store_true", help="full size and length")
    parser.add_argument("--only", help="name of one sample")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent)
    options = parser.parse_args()
    if options.family:
        print(write(family(options.family, options.seed, quick=not options.full), options.out))
    else:
        write_samples(options.out, options.only)


if __name__ == "__main__":
    main()
