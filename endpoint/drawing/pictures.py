"""The folder `pictures`: small pictures of the titration and the table that says what each shows.

`index.csv` has one line for each picture: file, time_s, volume_ml (delivered by then), state
("used" or "set aside") and why it was set aside.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

from endpoint.analysis.result import Result
from endpoint.drawing.thumbnails import states_of
from endpoint.problems import OutputProblem

FOLDER, INDEX = "pictures", "index.csv"
HEADER = ["file", "time_s", "volume_ml", "state", "why"]
QUALITY = 82
"""Of the JPEG pictures: no blocks can be seen in a smooth liquid."""


@dataclass(frozen=True)
class SmallPicture:
    """One picture as it is written."""

    file: str
    time_s: float
    volume_ml: float
    aside: str
    """Why it was set aside, empty where it was used."""
    jpeg: bytes


def small_pictures(result: Result) -> list[SmallPicture]:
    """Every kept picture of a result as JPEG, in order of time; empty where there are none."""
    from PIL import Image

    states = states_of(result)
    if states is None:
        return []
    found = []
    for k, picture in enumerate(result.pictures):
        buffer = io.BytesIO()
        Image.fromarray(picture.rgb).save(buffer, "JPEG", quality=QUALITY)
        volume_ml, aside = float(states.volume_ml[k]), states.why(k)
        if states.flags[k] and not aside:
            aside = "set aside"
        name = f"{k + 1:03d}.jpg"
        found.append(SmallPicture(name, picture.time_s, volume_ml, aside, buffer.getvalue()))
    return found


def write_pictures(result: Result, folder: Path) -> None:
    """Write the folder `pictures` into an output folder.

    Raises
    ------
    OutputProblem
        The folder cannot be written.
    """
    inside = folder / FOLDER
    found = small_pictures(result)
    if not found:
        return
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    try:
        inside.mkdir(exist_ok=True)
        for p in found:
            (inside / p.file).write_bytes(p.jpeg)
            state = "set aside" if p.aside else "used"
            writer.writerow([p.file, f"{p.time_s:.3f}", f"{p.volume_ml:.4f}", state, p.aside])
        (inside / INDEX).write_text(out.getvalue(), encoding="utf-8")
    except OSError as error:
        raise OutputProblem(
            f"{inside} cannot be written ({error.strerror}).",
            "Check the folder, its permissions and the free space.",
        ) from None
