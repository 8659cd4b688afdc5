"""A folder of stills, read with Pillow in the natural order of their names."""

from __future__ import annotations

import logging
import re
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from endpoint.files.screen import quiet_libraries
from endpoint.problems import SourceProblem
from endpoint.recording.frame import ArrayFrame, Frame, SourceInfo

if TYPE_CHECKING:
    from PIL import Image

SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".webp", ".bmp")
MAX_PIXELS = 80_000_000
MAX_WEBP_PIXELS = 40_000_000
"""The decoder of WebP holds three whole pictures; the program stays under 1 GB."""
MAX_SIDE = 30_000
"""Longest side of a still, pixels: the longest panoramas; of a picture one pixel wide every line
is decoded by itself, which takes minutes."""
LONG_SIDE = 2000
"""Stills with a longer side are reduced, so that twenty of them fit into memory."""
_ORIENTATION = 0x0112
"""Tag number of EXIF 2.3, table 4."""


def natural_key(name: str) -> list[tuple[int, int, str]]:
    """Sort key in which still-9 comes before still-10."""
    parts = re.findall(r"\d+|\D+", name.lower())
    return [(0, int(p), "") if p.isdigit() else (1, 0, p) for p in parts]


def find_stills(folder: Path) -> list[Path]:
    """Return the pictures of a folder in natural order.

    Raises
    ------
    SourceProblem
        The folder does not exist, cannot be read or holds no pictures.
    """
    try:
        paths = [p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file()]
        paths = [p for p in paths if not p.name.startswith(".")]
    except FileNotFoundError:
        raise SourceProblem(f"The folder {folder} does not exist.", "Check its name.") from None
    except NotADirectoryError:
        raise SourceProblem(
            f"{folder} is not a folder.", "Name the folder of the stills."
        ) from None
    except OSError as error:
        raise SourceProblem(
            f"The folder {folder} cannot be read ({error.strerror}).", "Check its permissions."
        ) from None
    if not paths:
        raise SourceProblem(
            f"The folder {folder} holds no pictures.",
            f"Put the stills there as {', '.join(s[1:].upper() for s in SUFFIXES[:4])}.",
        )
    return sorted(paths, key=lambda p: natural_key(p.name))


def load_still(path: Path) -> tuple[NDArray[np.uint8], int]:
    """Return one picture as an upright RGB array of 8 bits, and by how much it was reduced.

    Pictures with a side over `LONG_SIDE` are reduced by a whole number: blocks of pixels are
    averaged, in the camera's coding. Inside a patch of one colour, where colours are measured,
    that is the same as averaging light.

    Raises
    ------
    SourceProblem
        The file is not a picture, or larger than 80 megapixels (WebP: 40).
    """
    with _opened(path) as image:
        factor = -(-max(image.size) // LONG_SIDE)
        width, height = image.size
        # A JPEG decoder can leave out work: a half, a quarter or an eighth come for nothing.
        drafted = image.draft("RGB", (-(-width // factor), -(-height // factor)))
        done = 1 if drafted is None else round(width / image.size[0])
        if factor % done:
            factor = done * -(-factor // done)
        picture = _eight_bits(image, path)
        if factor > done:
            picture = picture.reduce(factor // done)
        picture = _upright(picture, image.getexif().get(_ORIENTATION))
        return np.asarray(picture if picture.mode == "RGB" else picture.convert("RGB")), factor


@contextmanager
def _opened(path: Path) -> Iterator[Image.Image]:
    """Open a picture and turn every trouble of the decoder into one problem."""
    from PIL import Image

    # It tells of broken files on standard error besides raising.
    logging.getLogger("PIL").setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path) as image:
                most = MAX_WEBP_PIXELS if image.format == "WEBP" else MAX_PIXELS
                if image.width * image.height > most or max(image.size) > MAX_SIDE:
                    raise SourceProblem(
                        f"{path.name} is too large ({image.width} x {image.height}).",
                        f"Reduce the stills to {most // 1_000_000} megapixels and "
                        f"{MAX_SIDE} pixels a side, or less.",
                    )
                # libtiff tells of a broken file on standard error besides.
                with quiet_libraries() if image.format == "TIFF" else nullcontext():
                    yield image
    except SourceProblem:
        raise
    except Image.DecompressionBombError:
        raise SourceProblem(
            f"{path.name} is too large.", "Reduce the stills to 80 megapixels or less."
        ) from None
    except PermissionError:
        raise SourceProblem(f"{path.name} cannot be read.", "Check its permissions.") from None
    except Exception:
        # Decoders of broken files raise whatever they stumble over; there is no full list.
        raise SourceProblem(
            f"{path.name} is not a readable picture.", "Remove it or save it again."
        ) from None


def _eight_bits(image: Image.Image, path: Path) -> Image.Image:
    """Picture as 8-bit RGB or grey; 16 bits are scaled (Pillow alone would cut them off at 255)."""
    from PIL import Image

    if image.mode.startswith("I"):
        deep = np.asarray(image)
        if deep.dtype != np.uint16:
            deep = np.clip(deep, 0, 65535)
        # Grey until it is reduced: a large picture in colour takes four times the memory.
        return Image.fromarray((deep >> 8).astype(np.uint8))
    if image.mode == "F":
        raise SourceProblem(
            f"{path.name} holds floating-point samples.", "Save it as PNG or JPEG of 8 or 16 bits."
        )
    return image if image.mode == "RGB" else image.convert("RGB")


def _upright(picture: Image.Image, orientation: object) -> Image.Image:
    """Turn as the EXIF orientation says."""
    from PIL import Image

    turn = Image.Transpose
    turns = {
        2: turn.FLIP_LEFT_RIGHT,
        3: turn.ROTATE_180,
        4: turn.FLIP_TOP_BOTTOM,
        5: turn.TRANSPOSE,
        6: turn.ROTATE_270,
        7: turn.TRANSVERSE,
        8: turn.ROTATE_90,
    }
    method = turns.get(orientation) if isinstance(orientation, int) else None
    return picture if method is None else picture.transpose(method)


def _size_of(path: Path) -> tuple[int, int]:
    """Upright size of a picture as stored, from its header."""
    with _opened(path) as image:
        turned = image.getexif().get(_ORIENTATION) in (5, 6, 7, 8)
        return (image.height, image.width) if turned else image.size


class StillsSource:
    """Stills; time is the number of the still, from 0.

    Parameters
    ----------
    folder:
        Folder of the stills.
    files:
        Names in the order of the volumes; all pictures of the folder if None.

    Raises
    ------
    SourceProblem
        A named file is missing, or fewer than two pictures can be read.
    """

    def __init__(self, folder: Path, files: Sequence[str] | None = None) -> None:
        paths = find_stills(folder)
        notes: list[str] = []
        if files is not None:
            by_name = {p.name: p for p in paths}
            missing = [name for name in files if Path(name).name not in by_name]
            if missing:
                raise SourceProblem(
                    f"The still {missing[0][:80]} is not in {folder}.",
                    "Check the name in the volumes file.",
                )
            named = [by_name[Path(name).name] for name in files]
            if len(paths) > len(set(named)):
                notes.append(
                    f"{len(paths) - len(set(named))} stills of the folder have no volume and are "
                    "not used."
                )
            paths = named
        self._paths = paths
        self._size = self._common_size(notes)
        first = self._first()
        self.reduction = first[1]
        """By how much the stills are reduced: a box in pixels of the file is divided by it."""
        height, width = first[0].shape[:2]
        self.info = SourceInfo(
            kind="stills",
            path=str(folder),
            width=width,
            height=height,
            duration_s=None,
            frame_count=len(paths),
            notes=tuple(notes),
            details={"stored_size": "{} x {}".format(*self._size), "reduced_by": str(first[1])},
        )

    def _common_size(self, notes: list[str]) -> tuple[int, int]:
        """Size that most stills have."""
        sizes: list[tuple[int, int]] = []
        problem: SourceProblem | None = None
        for path in self._paths:
            try:
                sizes.append(_size_of(path))
            except SourceProblem as caught:
                problem = problem or caught
                notes.append(f"{caught.sentence} It was skipped.")
        if not sizes and problem is not None:
            raise SourceProblem(
                f"None of the {len(self._paths)} stills can be read; the first: {problem.sentence}",
                problem.remedy,
            )
        if len(sizes) < 2:
            raise SourceProblem(
                f"Only one still of {self._paths[0].parent} can be read.",
                "Take one still after each addition.",
            )
        return Counter(sizes).most_common(1)[0][0]

    def _first(self) -> tuple[NDArray[np.uint8], int]:
        for path in self._paths:
            with suppress(SourceProblem):
                if _size_of(path) == self._size:
                    return load_still(path)
        raise SourceProblem("None of the stills can be read.", "Save them again as PNG or JPEG.")

    @property
    def stored_size(self) -> tuple[int, int]:
        """Width and height of the stills as they are on the disk, upright."""
        return self._size

    def frames(self) -> Iterator[Frame]:
        """Yield every readable still of the common size."""
        yield from self._load(range(len(self._paths)))

    def _load(self, numbers: Sequence[int]) -> Iterator[ArrayFrame]:
        for index in numbers:
            path = self._paths[index]
            try:
                if _size_of(path) != self._size:
                    self._note(f"{path.name} differs in size from most stills and was skipped.")
                    continue
                pixels, _ = load_still(path)
            except SourceProblem as problem:
                self._note(f"{problem.sentence} It was skipped.")
                continue
            yield ArrayFrame(index, float(index), pixels)

    def _note(self, sentence: str) -> None:
        if sentence not in self.info.notes:
            self.info = replace(self.info, notes=(*self.info.notes, sentence))

    def sample(self, count: int) -> list[Frame]:
        """Return about `count` stills spread over the folder."""
        numbers = np.unique(np.linspace(0, len(self._paths) - 1, count).round().astype(int))
        return list(self._load(numbers.tolist()))

    def close(self) -> None:
        """Nothing stays open."""
