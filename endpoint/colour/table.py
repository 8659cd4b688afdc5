"""Colours of frames to and from a table of colours."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from endpoint.colour.density import ColourSample
from endpoint.problems import Flag
from endpoint.recording.colours import ColourTable, column_names, words_of
from endpoint.scene.tracking import HOME, Pose

Triple = tuple[float, float, float]


def samples_of(table: ColourTable) -> tuple[ColourSample, ...]:
    """Rows of a table as the colours of frames."""

    def triples(rows: list[list[float]]) -> list[Triple]:
        return [(a, b, c) for a, b, c in rows]

    return tuple(
        ColourSample(index, time_s, density, display, sigma, reference, spread, Flag(flags), pose)
        for index, time_s, density, display, sigma, reference, spread, flags, pose in zip(
            table.index.tolist(),
            table.time_s.tolist(),
            triples(table.density.tolist()),
            triples(table.display_density.tolist()),
            triples(table.density_sigma.tolist()),
            triples(table.reference.tolist()),
            table.spread.tolist(),
            table.flags.tolist(),
            [Pose(*row) for row in table.pose.tolist()],
            strict=True,
        )
    )


def colours_csv(samples: Sequence[ColourSample]) -> str:
    """Table of colours as CSV, every number with all its digits."""
    moved = any(sample.pose != HOME for sample in samples)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(column_names(moved))
    for s in samples:
        triples = (*s.density, *s.display_density, *s.density_sigma, *s.reference)
        pose = s.pose
        place = (pose.dx, pose.dy, pose.turn_deg, pose.scale, pose.likeness) if moved else ()
        numbers = [repr(float(v)) for v in (s.time_s, *triples, s.spread)]
        writer.writerow([s.index, *numbers, words_of(s.flags), *(repr(float(v)) for v in place)])
    return out.getvalue()
