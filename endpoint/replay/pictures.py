"""Pictures of the flask from a result folder, checked before they are shown to a class."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from pathlib import Path

from calibration.reading import Unreadable, read_bytes
from endpoint.drawing.pictures import FOLDER, INDEX
from endpoint.files.csv_table import read_sheet
from endpoint.files.result_json import ResultFileProblem

_NAME = re.compile(r"[0-9]{3}\.jpg")
_MOST = 160
_LARGEST_BYTES = 400_000
_MOST_PIXELS = 1_000_000
"""Pictures that are read at most, and bytes and pixels of one: `endpoint locate` keeps about a
hundred small ones, so that a larger file is not one of them."""
TOTAL_BYTES = 4_200_000
"""Of all pictures together: a third more as text, so that the page stays below 8 MB."""


@dataclass(frozen=True)
class FlaskPicture:
    """One picture of the flask."""

    volume_ml: float
    """Delivered by then; in a story, its place on the scrubber."""
    delivered_ml: float
    aside: str
    """Why it was set aside, empty where it was used."""
    jpeg: bytes
    width: int
    height: int


def read_pictures(folder: Path | None) -> list[FlaskPicture]:
    """Pictures of a result folder in the order of their volumes; empty where it holds none.

    Parameters
    ----------
    folder:
        Of the result; None where only a result.json was given.

    Raises
    ------
    ResultFileProblem
        The table of the pictures or a picture cannot be used.
    """
    if folder is None or not (folder / FOLDER / INDEX).is_file():
        return []
    inside = folder / FOLDER
    sheet = read_sheet(inside / INDEX, ResultFileProblem)
    try:
        columns = [sheet.header.index(name) for name in ("file", "volume_ml", "state", "why")]
    except ValueError:
        raise _problem(f"{FOLDER}/{INDEX} lacks a column.") from None
    found = []
    for row in sheet.rows[:_MOST]:
        file, volume, state, why = (row[k] for k in columns)
        found.append(_read_one(inside, file, volume, why if state != "used" else ""))
    found.sort(key=lambda picture: picture.volume_ml)
    return _few_enough(found)


def _read_one(inside: Path, file: str, volume: str, why: str) -> FlaskPicture:
    from PIL import Image

    where = f"{FOLDER}/{file[:20]}"
    if not _NAME.fullmatch(file):
        raise _problem(f"{FOLDER}/{INDEX} names a file that is not one of its pictures.")
    try:
        volume_ml = float(volume)
        if not 0.0 <= volume_ml < 1e5:
            raise ValueError
        path = inside / file
        jpeg = read_bytes(path, _LARGEST_BYTES)
        with Image.open(io.BytesIO(jpeg), formats=["JPEG"]) as picture:
            if picture.width * picture.height > _MOST_PIXELS:
                raise _problem(f"{where} is too large for a small picture.")
            picture.load()
            size = (picture.width, picture.height)
            return FlaskPicture(volume_ml, volume_ml, why[:80], jpeg, *size)
    except (Unreadable, OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        raise _problem(f"{where} or its volume cannot be read.") from None


def _few_enough(pictures: list[FlaskPicture]) -> list[FlaskPicture]:
    """Without every second one until they fit into a page."""
    while sum(len(p.jpeg) for p in pictures) > TOTAL_BYTES:
        pictures = pictures[::2]
    return pictures


def _problem(sentence: str) -> ResultFileProblem:
    return ResultFileProblem(sentence, "Run endpoint locate again, or delete the folder pictures.")
