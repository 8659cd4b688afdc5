"""One draw in words, for whoever looks at a case; and its files, to try by hand."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from tests.population.draws import Draw, draw
from tests.population.grading import grade_of, last_free
from tests.population.judging import rows_of, write_record


def truth_of(drawn: Draw) -> dict[str, Any]:
    """What an alignment of the log with the film may be compared with; times of the film, mL."""
    acts = drawn.acts
    return {
        "v_eq_ml": drawn.end_ml,
        "event": drawn.event,
        "clock_s": drawn.clock_apart_s,
        "mixing_lag_s": drawn.mixing.lag_s,
        "additions": [
            {"begin_s": begin, "end_s": end, "volume_after_ml": total}
            for begin, end, total in zip(
                (acts.begin_s - drawn.first_s).round(2).tolist(),
                (acts.end_s - drawn.first_s).round(2).tolist(),
                acts.total_ml.round(4).tolist(),
                strict=True,
            )
        ],
    }


def told(seed: int, level: str = "colour", keep: Path | None = None) -> str:
    """What happened in a draw, and what was written down.

    Parameters
    ----------
    seed:
        Of the draw.
    level:
        "colour" or "film": which recording is kept.
    keep:
        Folder that gets record, log and recording; None for none.
    """
    drawn = draw(seed)
    if level == "film":
        from tests.population.films import filmed

        drawn = filmed(drawn)
    rows = rows_of(drawn)
    grade = grade_of(drawn, rows)
    water, habits, film, mishaps = drawn.water, drawn.habits, drawn.film, drawn.mishaps
    end = drawn.end_ml
    middle, nearly = (
        float(np.interp(part, drawn.curve.at.free, drawn.curve.volume_ml)) for part in (0.5, 0.95)
    )
    away = drawn.first_s
    hands = [(round(a - away, 1), round(b - away, 1), known) for a, b, known in mishaps.hands]
    out = [
        f"Seed {seed}: {grade.name} ({', '.join(grade.because) or 'nothing in the way'}); "
        f"{drawn.event}, {drawn.delivery}.",
        f"Equivalence {end:.3f} mL; half blue at {middle:.3f}, 95 % at {nearly:.3f}; "
        f"{drawn.acts.total_ml[-1]:.3f} mL added; last frame {100 * last_free(drawn):.0f} % blue.",
        f"{water.flask_ml:.0f} mL, {100 * water.magnesium_share:.1f} % magnesium, "
        f"{water.indicator_umol_l:.1f} umol/L dye, pH {drawn.ph:.2f}, "
        f"{water.titrant_mol_l} mol/L titrant.",
        f"Mixing {drawn.mixing.lag_s:.2f} s in {drawn.mixing.stages} stages, plume "
        f"{drawn.mixing.plume_s:.2f} s, gain {drawn.mixing.plume_gain:.1f}.",
        f"Film {drawn.last_s - drawn.first_s:.0f} s at {film.fps:g} fps, first addition at "
        f"{drawn.acts.begin_s[0] - drawn.first_s:.1f} s; noise {film.noise:.4f}, wander "
        f"{film.wander:.4f}; sticks {mishaps.sticks:.3f}, glints {mishaps.spikes:.3f}.",
        f"Steps of light: {[round(at - drawn.first_s, 1) for at, _, _ in mishaps.steps]}; hands: "
        f"{hands}.",
        f"Rows {habits.late_s:.1f} +- {habits.late_scatter_s:.1f} s late, "
        f"{'read when written' if habits.reads_when_writing else 'read at once'}, every "
        f"{habits.early_rows_every} and near the end every {habits.near_rows_every}, to "
        f"{habits.grain_s:g} s and {habits.grain_ml:g} mL; clock {drawn.clock_apart_s:+.1f} s; "
        f"first row: {habits.first}.",
        "Additions around the end (begin, end, volume after) on the film's clock:",
    ]
    total = drawn.acts.total_ml
    for k in np.flatnonzero(np.abs(total - end) < 0.5)[:30]:
        begin, stop = drawn.acts.begin_s[k] - drawn.first_s, drawn.acts.end_s[k] - drawn.first_s
        out.append(f"  {begin:7.1f} {stop:7.1f} {total[k]:8.3f}")
    out.append("Rows around the end (time of the log, volume, late by):")
    out += [
        f"  {rows.time_s[k]:7.1f} {rows.volume_ml[k]:8.2f} {rows.lateness_s[k]:6.1f}"
        for k in np.flatnonzero(np.abs(rows.volume_ml - end) < 0.5)[:30]
    ]
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        if level == "film":
            from tests.population.films import write_film

            write_film(drawn, keep / "film.mp4")
        else:
            from endpoint.colour.table import colours_csv
            from tests.population.colours import samples_of

            (keep / "colours.csv").write_text(colours_csv(samples_of(drawn)), encoding="utf-8")
        write_record(drawn, rows, keep)
        (keep / "truth.json").write_text(json.dumps(truth_of(drawn), indent=1), encoding="utf-8")
        out.append(f"Kept in {keep}.")
    return "\n".join(out)
