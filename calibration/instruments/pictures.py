"""Pictures that a calibration sheet names, and the mean of a patch in one."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.cells import Section, SheetProblem

FloatArray = NDArray[np.float64]
Pixels = NDArray[np.uint8]

MAX_PIXELS = 80_000_000
"""Pixels beyond which a picture is refused before it is decoded: twice those of the largest usual
cameras, 240 MB in memory. Assumed."""
MAX_SIDE = 30_000
"""Pixels of a side beyond which a picture is refused: those of the longest panoramas."""
LONG_SIDE = 4000
"""Pictures with a longer side are reduced by a whole number. Assumed: patches then still hold
thousands of pixels."""
CLIPPED = 0.985
"""Encoded value from which a pixel counts as clipped (common practice, no source)."""
DARK = 0.012
"""Encoded value (0 to 1) up to which a patch is too dark to use, three steps of 8 bits: below, the
steps themselves decide its level. Assumed."""
_LEAST_PIXELS = 64
"""Pixels of the smallest box that is measured, 8 x 8: fewer, and the scatter of single pixels
counts. Assumed."""


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture in 8 bits; coordinates are those of the file."""

    name: str
    pixels: Pixels
    """Shape (height, width, 3), upright RGB."""
    factor: int
    """By how much it was reduced."""


@dataclass(frozen=True)
class Patch:
    """Encoded values, 0 to 1, of one patch; three channels each."""

    mean: tuple[float, float, float]
    noise: tuple[float, float, float]
    """Standard deviation of a pixel about a curved surface through the patch."""
    mean_uncertainty: tuple[float, float, float]
    """From the scatter, where 4 x 4 pixels go together, and from the step of 8 bits."""
    clipped_share: float
    """Share of pixels that are clipped in any channel."""
    unevenness: tuple[float, float, float]
    """Highest minus lowest of that surface (second order), in encoded values."""


def read_picture(row: Section, folder: Path, key: str = "picture") -> Picture:
    """Read the picture that a cell names.

    Raises
    ------
    SheetProblem
        It is missing, no picture, or larger than 80 megapixels.
    """
    from PIL import Image, ImageOps

    name = row.text(key)
    try:
        path = folder / name
        if not path.is_file():
            raise row.problem(key, f'names "{name}", which does not exist.', "Check the name; it "
                              "is taken from the folder of the sheet.")  # fmt: skip
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path) as image:
                if image.width * image.height > MAX_PIXELS or max(image.size) > MAX_SIDE:
                    raise row.problem(
                        key, f'names "{name}", which is too large ({image.width} x '
                        f"{image.height}).", "Reduce it to 80 megapixels or less, and to 30,000 "
                        "pixels a side.",
                    )  # fmt: skip
                if image.mode == "F" or image.mode.startswith("I"):
                    raise row.problem(
                        key, f'names "{name}", which is grey of 16 bits or more.',
                        "Save it as JPEG or PNG of 8 bits, in colour.",
                    )  # fmt: skip
                factor = -(-max(image.size) // LONG_SIDE)
                picture = image if image.mode == "RGB" else image.convert("RGB")
                picture = picture.reduce(factor) if factor > 1 else picture
                pixels = np.array(ImageOps.exif_transpose(picture), dtype=np.uint8)
    except SheetProblem:
        raise
    except Exception:
        # Decoders of broken files raise whatever they stumble over; there is no full list.
        raise row.problem(
            key, f'names "{name[:80]}", which is not a picture that can be read.',
            "Save it again as PNG or JPEG.",
        ) from None  # fmt: skip
    pixels.setflags(write=False)
    return Picture(name, pixels, factor)


def read_box(row: Section, key: str, picture: Picture) -> tuple[int, int, int, int]:
    """Left, top, width and height of a box, in pixels of the reduced picture.

    Raises
    ------
    SheetProblem
        It is not a list of four numbers, or does not lie in the picture.
    """
    cell = row.numbers(key, 0, 100_000, 4)
    if len(cell) > 4:
        raise row.problem(key, "holds more than 4 numbers.", "Write [left, top, width, height].")
    left, top, width, height = (round(v / picture.factor) for v in cell)
    return checked_box(row, key, picture, (left, top, width, height))


def checked_box(
    row: Section, key: str, picture: Picture, box: tuple[int, int, int, int]
) -> tuple[int, int, int, int]:
    """Return the box, or refuse one outside the picture or of fewer than 64 pixels."""
    left, top, width, height = box
    high, wide = picture.pixels.shape[:2]
    if left + width > wide or top + height > high:
        raise row.problem(
            key, f"reaches beyond {picture.name}, which is {wide * picture.factor} x "
            f"{high * picture.factor} pixels.", "Write [left, top, width, height] in pixels.",
        )  # fmt: skip
    if width * height < _LEAST_PIXELS:
        raise row.problem(
            key, f"is only {width} x {height} pixels.", "Take a box of 8 x 8 pixels or more."
        )
    return box


def patch_in_box(picture: Picture, box: tuple[int, int, int, int]) -> Patch:
    """Measure a patch, edges of the box included."""
    left, top, width, height = box
    part = picture.pixels[top : top + height, left : left + width]
    y, x = np.mgrid[0:height, 0:width]
    return patch_of(part.reshape(-1, 3), x.ravel(), y.ravel())


def patch_of(values: Pixels, x: NDArray[np.integer], y: NDArray[np.integer]) -> Patch:
    """Measure a patch from its pixels, shape (n, 3), and their places, shape (n,)."""
    step = -(-len(values) // 200_000)
    data = values[::step] / 255.0
    u, v = (
        (place - place.mean()) / max(float(np.ptp(place)), 1.0)
        for place in (x[::step].astype(np.float64), y[::step].astype(np.float64))
    )
    surface = np.column_stack([np.ones(len(data)), u, v, u * u, u * v, v * v])
    level = surface @ np.linalg.lstsq(surface, data, rcond=None)[0]
    noise = (data - level).std(axis=0)
    # Neighbouring pixels of a compressed picture are no independent witnesses: about 4 x 4 go
    # together (common practice, no source).
    independent = max(len(values) / 16.0, 1.0)
    step_of_8_bits = np.where(noise < 1 / 255, 1 / 255 / math.sqrt(12.0), 0.0)
    error = np.hypot(noise / math.sqrt(independent), step_of_8_bits)
    return Patch(
        _three(data.mean(axis=0)), _three(noise), _three(error),
        float(np.mean(np.any(data >= CLIPPED, axis=1))), _three(np.ptp(level, axis=0)),
    )  # fmt: skip


def _three(values: FloatArray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])
