"""A short rendered film for the camera of a browser, with its readings and its record.

The picture is the sample media's; only the pauses are short, so that a whole run fits in a test.
The first second is repeated as a lead.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from sample_media.picture import render_frames
from sample_media.recipes import Recipe, plan_of


@dataclass(frozen=True)
class BenchFilm:
    """A film and what is in it, on the clock of the film."""

    coded: list[bytes]
    """Its pictures as JPEG."""
    rate: float
    """Pictures a second."""
    record: Path
    """Record of the same pictures for `endpoint locate`."""
    recipe: Recipe
    readings: tuple[tuple[float, float], ...]
    """Time and cumulative volume of every reading."""
    start_s: float
    """When the pump starts."""
    pauses_s: tuple[tuple[float, float], ...]
    """From every reading to the beginning of the next addition, or to the end."""
    end_s: float
    """When the last addition has been mixed."""


def recipe_of(mode: str) -> Recipe:
    """Soft water, so that few additions are needed; stirred fast, so that it mixes in no time."""
    base = Recipe(
        name=f"bench-{mode}",
        seed=41 if mode == "steps" else 42,
        hardness_mmol_l=0.24,
        magnesium=0.25,
        indicator_umol_l=7.0,
        mode=mode,
        stop_after_ml=0.3,
        wait_s=(1.2, 1.4),
        fine_ml=(0.1,),
        mixing_s=0.25,
        rate_ml_min=14.0,
        width=240,
        height=180,
        frames_s=10.0,
        noise=0.004,
    )
    return base if mode == "steps" else replace(base, mode="continuous", stop_after_ml=0.7)


def make_film(mode: str, folder: Path, lead_s: float = 3.0) -> BenchFilm:
    """Write film and record; the film begins with `lead_s` in which nothing happens."""
    recipe = recipe_of(mode)
    plan = plan_of(recipe)
    pictures = [picture for _, picture in render_frames(recipe)]
    rate = round(recipe.frames_s)
    lead = [pictures[k % rate] for k in range(round(lead_s * rate))]
    tail = [pictures[-1 - k % 5] for k in range(2 * rate)]
    coded = [_jpeg(picture) for picture in [*lead, *pictures, *tail]]
    folder.mkdir(parents=True, exist_ok=True)
    film = folder / f"{recipe.name}.avi"
    _write_avi(film, coded, rate, (recipe.width, recipe.height))
    offset = lead_s
    readings = tuple(
        (float(t) + offset, float(v)) for t, v in zip(plan.log_s[1:], plan.log_ml[1:], strict=True)
    )
    record = _write_record(recipe, folder, film.name, readings, float(plan.true_s[1]) + offset)
    end_s = plan.duration_s + offset
    pours = plan.true_s[:-1][np.diff(plan.true_ml) > 1e-9] + offset
    stops = [*(float(s) for s in pours[1:]), end_s]
    pauses = tuple((t, stop) for (t, _), stop in zip(readings, stops, strict=False))
    return BenchFilm(
        coded, rate, record, recipe, readings, float(plan.true_s[1]) + offset, pauses, end_s
    )


def _jpeg(picture: np.ndarray) -> bytes:
    good, data = cv2.imencode(
        ".jpg", np.ascontiguousarray(picture[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 93]
    )
    assert good
    return data.tobytes()


def _write_avi(path: Path, coded: list[bytes], rate: int, size: tuple[int, int]) -> None:
    import av

    with av.open(str(path), "w") as container:
        stream = container.add_stream("mjpeg", rate=rate)
        stream.width, stream.height = size
        stream.pix_fmt = "yuvj420p"
        for k, data in enumerate(coded):
            packet = av.Packet(data)
            packet.stream, packet.pts, packet.dts = stream, k, k
            packet.time_base = Fraction(1, rate)
            container.mux(packet)


def _write_record(
    recipe: Recipe,
    folder: Path,
    film: str,
    readings: tuple[tuple[float, float], ...],
    start_s: float,
) -> Path:
    log = folder / f"{recipe.name}.csv"
    with log.open("w", newline="") as file:
        table = csv.writer(file)
        table.writerow(["time_s", "volume_ml"])
        table.writerow([0.0, 0.0])
        table.writerows(readings)
    pump = recipe.mode == "continuous"
    delivery = (
        f"rate_ml_min = {recipe.rate_ml_min}\nstart_s = {start_s:.3f}"
        if pump
        else f'log = "{log.name}"\nmode = "steps"'
    )
    record = folder / f"{recipe.name}.toml"
    record.write_text(
        f"""format = 1
[sample]
deliveries_ml = [50.0, 50.0]
added_ml = {recipe.added_ml}
[titrant]
concentration_mol_l = {recipe.titrant_mol_l}
[recording]
video = "{film}"
[delivery]
{delivery}
mixing_lag_s = {recipe.mixing_s}
mixing_lag_uncertainty_s = 0.1
""",
        encoding="utf-8",
    )
    return record
