"""A folder of stills, read with Pillow in the natural order of their names."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from endpoint.problems import SourceProblem
from endpoint.sources.frame import ArrayFrame, Frame, SourceInfo

SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".webp", ".bmp")
MAX_PIXELS = 80_000_000
LONG_SIDE = 2000


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
    except FileNotFoundError:
        raise SourceProblem(f"The folder {folder} does not exist.", "Check its name.") from None
    except NotADirectoryError:
        raise SourceProblem(f"{folder} is no folder.", "Name the folder of the stills.") from None
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


def load_still(path: Path) -> np.ndarray[tuple[int, int, int], np.dtype[np.generic]]:
    """Return one picture as an upright RGB array of 8 bits (16 for 16-bit grey-free files).

    Raises
    ------
    SourceProblem
        The file is no picture, or larger than 80 megapixels.
    """
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path) as image:
                if image.width * image.height > MAX_PIXELS:
                    raise SourceProblem(
                        f"{path.name} is too large ({image.width} x {image.height}).",
                        "Reduce the stills to 80 megapixels or less.",
                    )
                image.draft("RGB", (LONG_SIDE, LONG_SIDE))
                upright = ImageOps.exif_transpose(image).convert("RGB")
                factor = max(upright.size) // LONG_SIDE
                if factor > 1:
                    upright = upright.reduce(factor)
                return np.asarray(upright)
    except SourceProblem:
        raise
    except Image.DecompressionBombError:
        raise SourceProblem(
            f"{path.name} is too large.", "Reduce the stills to 80 megapixels or less."
        ) from None
    except (OSError, ValueError, SyntaxError, EOFError, IndexError, TypeError, MemoryError):
        raise SourceProblem(
            f"{path.name} is no picture that can be read.", "Remove it or save it again."
        ) from None


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
        A named file is missing, or no picture can be read.
    """

    def __init__(self, folder: Path, files: Sequence[str] | None = None) -> None:
        paths = find_stills(folder)
        if files is not None:
            by_name = {p.name: p for p in paths}
            missing = [name for name in files if Path(name).name not in by_name]
            if missing:
                raise SourceProblem(
                    f"The still {missing[0]} is not in {folder}.",
                    "Check the name in the volumes file.",
                )
            paths = [by_name[Path(name).name] for name in files]
        self._paths = paths
        self._bad: list[str] = []
        first = self._first()
        self._size = (first.width, first.height)
        self.info = SourceInfo(
            kind="stills",
            path=str(folder),
            width=first.width,
            height=first.height,
            duration_s=None,
            frame_count=len(paths),
        )

    def _first(self) -> ArrayFrame:
        trouble: SourceProblem | None = None
        for index, path in enumerate(self._paths):
            try:
                return ArrayFrame(index, float(index), load_still(path))
            except SourceProblem as problem:
                trouble = trouble or problem
        first = trouble or SourceProblem("There are no stills.", "Name their folder.")
        raise SourceProblem(f"None of the stills can be used. {first.sentence}", first.remedy)

    @property
    def file_names(self) -> tuple[str, ...]:
        """Names of the stills in order."""
        return tuple(p.name for p in self._paths)

    def frames(self) -> Iterator[Frame]:
        """Yield every readable still of the common size."""
        yield from self._load(range(len(self._paths)))

    def _load(self, numbers: Sequence[int]) -> Iterator[ArrayFrame]:
        for index in numbers:
            path = self._paths[index]
            try:
                frame = ArrayFrame(index, float(index), load_still(path))
            except SourceProblem as problem:
                self._note(f"{problem.sentence} It was passed over.")
                continue
            if (frame.width, frame.height) != self._size:
                self._note(
                    f"{path.name} has another size than the first still and was passed over."
                )
                continue
            yield frame

    def _note(self, sentence: str) -> None:
        if sentence not in self.info.notes:
            self.info = replace(self.info, notes=(*self.info.notes, sentence))

    def sample(self, count: int) -> list[Frame]:
        """Return about `count` stills spread over the folder."""
        numbers = np.unique(np.linspace(0, len(self._paths) - 1, count).round().astype(int))
        return list(self._load(numbers.tolist()))

    def close(self) -> None:
        """Nothing stays open."""
