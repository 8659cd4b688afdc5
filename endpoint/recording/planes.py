"""From the stored samples of a decoded film picture to R'G'B', with an explicit matrix and range.

Only the part that is asked for is converted, in float, so nothing is rounded to 8 bits on the way.
Matrices and ranges: ITU-R BT.601, BT.709 and BT.2020 (non-constant luminance).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.recording import channels
from endpoint.recording.frame import Codes, Spots, as_they_are, half

FloatImage = NDArray[np.float32]
Places = slice | NDArray[np.intp]

KR_KB = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722), "bt2020": (0.2627, 0.0593)}
"""Kr and Kb of the luma equation."""
# Codes of ITU-T H.273 (colour description): matrix coefficients.
_MATRIX_BY_TAG = {1: "bt709", 4: "bt601", 5: "bt601", 6: "bt601", 9: "bt2020", 10: "bt2020"}


@dataclass(frozen=True)
class ColourCoding:
    """How samples of a film turn into R'G'B'."""

    matrix: str
    """"bt601", "bt709" or "bt2020"."""
    full_range: bool


def coding_of(
    picture: Any, matrix: str | None, range_: str | None
) -> tuple[ColourCoding, list[str]]:
    """Matrix and range: what was asked for, else the tags, else the usual ones with a note."""
    assumed: list[str] = []
    name = str(picture.format.name)
    is_yuv = not (picture.format.is_rgb or picture.format.has_palette or name.startswith("gray"))
    if matrix is None:
        matrix = _MATRIX_BY_TAG.get(int(picture.colorspace or 0))
        if matrix is None:
            matrix = "bt709" if picture.height >= 720 else "bt601"
            if is_yuv:
                assumed.append(f"the colour matrix {matrix.upper()}")
    tag = int(picture.color_range or 0)
    full = tag == 2 or name.startswith("yuvj")
    if range_ is not None:
        full = range_ == "full"
    elif tag not in (1, 2) and is_yuv and not full:
        assumed.append("limited range")
    if not assumed:
        return ColourCoding(matrix, full), []
    usual = " and ".join(assumed)
    return ColourCoding(matrix, full), [
        f"The film does not say how its colours are coded; {usual}, usual for its size, "
        f"{'are' if len(assumed) > 1 else 'is'} assumed."
    ]


@dataclass(frozen=True)
class Part:
    """A rectangle of the picture as stored, in whole pixels; last row and column excluded."""

    top: int
    bottom: int
    left: int
    right: int


@dataclass(frozen=True, eq=False)
class Grid:
    """Which rows and columns of the picture as stored are read."""

    rows: NDArray[np.intp]
    """Rising, shape (r,)."""
    columns: NDArray[np.intp]
    """Rising, shape (c,)."""

    @staticmethod
    @lru_cache(maxsize=64)
    def of(part: Part, step: int, turns: int = 0) -> Grid:
        """Every `step`-th row and column of a part, counted in the picture after it is turned.

        `turns` are the counter-clockwise quarter turns that set it upright: where a turn makes the
        last row or column the first, the counting begins there.
        """
        last_row, last_column = part.bottom - part.top - 1, part.right - part.left - 1
        row = last_row % step if turns in (2, 3) else 0
        column = last_column % step if turns in (1, 2) else 0
        return Grid(
            np.arange(part.top + row, part.bottom, step),
            np.arange(part.left + column, part.right, step),
        )


@lru_cache(maxsize=256)
def _picks(grid: Grid, down: int, across: int) -> tuple[Places, Places]:
    """Rows and columns of a grid in a plane of which each serves so many of the picture.

    Slices where they are evenly spaced: those are read without a copy.
    """
    return _evenly(grid.rows // down), _evenly(grid.columns // across)


def rgb_at(picture: Any, grid: Grid, coding: ColourCoding, *, halved: bool = False) -> FloatImage:
    """Convert only the pixels of a grid; formats and values as in `rgb_of`.

    Parameters
    ----------
    picture, coding:
        As in `rgb_of`.
    grid:
        Which pixels.
    halved:
        Take means of two by two of them. What is stored is a linear code, so the mean is taken
        before the conversion, which then has a quarter to do.

    Returns
    -------
    Encoded R'G'B', float32, shape (rows of the grid, columns of the grid, 3), or half as many
    of each, rounded up.
    """
    import cv2

    if picture.format.is_rgb or picture.format.has_palette or not _readable(picture.format):
        whole = Part(
            int(grid.rows[0]),
            int(grid.rows[-1]) + 1,
            int(grid.columns[0]),
            int(grid.columns[-1]) + 1,
        )
        part = rgb_of(picture, whole, coding)[grid.rows - grid.rows[0]]
        picked = np.asarray(part[:, grid.columns - grid.columns[0]], dtype=np.float32)
        return half(picked) if halved else picked
    bits = picture.format.components[0].bits
    dtype = np.uint8 if bits <= 8 else np.uint16
    ready = half if halved else as_they_are
    luma = ready(_at(_plane(picture, 0, dtype), _picks(grid, 1, 1)))
    if len(picture.format.components) < 3:
        return np.repeat(_luma(luma, bits, coding)[..., None], 3, axis=2)
    across = 64 // picture.format.chroma_width(64)
    down = 64 // picture.format.chroma_height(64)
    picks = _picks(grid, down, across)
    if picture.format.name == "nv12":
        pairs = _plane(picture, 1, dtype)
        chroma = [ready(_at(pairs[:, k::2], picks)) for k in (0, 1)]
    else:
        chroma = [ready(_at(_plane(picture, k, dtype), picks)) for k in (1, 2)]
    codes = cv2.merge([luma, *chroma])
    return np.asarray(cv2.transform(codes, _matrix(bits, coding)), dtype=np.float32)


@lru_cache(maxsize=8)
def _matrix(bits: int, coding: ColourCoding) -> NDArray[np.float64]:
    """What turns codes Y', Cb, Cr, 1 into R'G'B', shape (3, 4)."""
    black, span, chroma_span = _levels(bits, coding.full_range)
    kr, kb = KR_KB[coding.matrix]
    kg, red, blue = 1.0 - kr - kb, 2.0 * (1.0 - kr), 2.0 * (1.0 - kb)
    mixed = np.array(
        [[1.0, 0.0, red], [1.0, -kb / kg * blue, -kr / kg * red], [1.0, blue, 0.0]]
    ) / np.array([span, chroma_span, chroma_span])
    middle = float(1 << (bits - 1))
    return np.column_stack([mixed, -mixed @ np.array([black, middle, middle])])


def grey_at(picture: Any, grid: Grid, coding: ColourCoding) -> FloatImage:
    """Luma of the pixels of a grid, float32, 0 (black) to 1 (white), shape (rows, columns).

    Formats without a luma plane give the mean of R'G'B'.
    """
    if picture.format.is_rgb or picture.format.has_palette or not _readable(picture.format):
        return np.asarray(channels.mean(rgb_at(picture, grid, coding)), dtype=np.float32)
    bits = picture.format.components[0].bits
    luma = _at(_plane(picture, 0, np.uint8 if bits <= 8 else np.uint16), _picks(grid, 1, 1))
    return _luma(luma, bits, coding)


def codes_of(picture: Any, spots: Spots, turns: int, coding: ColourCoding) -> Codes:
    """Single pixels of a decoded PyAV picture, as they are stored.

    Parameters
    ----------
    picture, coding:
        As in `rgb_of`.
    spots:
        Pixels of the upright picture.
    turns:
        Counter-clockwise quarter turns that set the picture upright.
    """
    planes = picture.planes
    key = (picture.format.name, coding, turns, *(plane.line_size for plane in planes))
    places = spots.memory.get(key)
    if places is None:
        places = spots.memory[key] = _places(picture, spots, turns, coding)
    if places.plane is None:
        box = Part(*places.box)
        part = rgb_of(picture, box, coding)[places.rows - box.top, places.columns - box.left]
        return Codes(np.ascontiguousarray(part.T), key, as_they_are)
    values = np.empty((3, spots.rows.size), dtype=places.dtype)
    for k, (number, flat) in enumerate(zip(places.plane, places.flat, strict=True)):
        np.frombuffer(planes[number], dtype=places.dtype).take(flat, out=values[k], mode="clip")
    return Codes(values, key, places.encoded)


@dataclass(frozen=True, eq=False)
class _Places:
    """Where spots lie in the planes of one kind of picture."""

    rows: NDArray[np.intp]
    """In the picture as stored."""
    columns: NDArray[np.intp]
    plane: tuple[int, int, int] | None
    """Planes that hold Y', Cb, Cr; None where single samples cannot be read."""
    flat: list[NDArray[np.intp]]
    dtype: type
    encoded: Callable[[NDArray[Any]], FloatImage]

    @property
    def box(self) -> tuple[int, int, int, int]:
        """Top, bottom, left and right of them."""
        rows, columns = self.rows, self.columns
        return int(rows.min()), int(rows.max()) + 1, int(columns.min()), int(columns.max()) + 1


def _places(picture: Any, spots: Spots, turns: int, coding: ColourCoding) -> _Places:
    last_row, last_column = picture.height - 1, picture.width - 1
    rows, columns = (
        (spots.rows, spots.columns),
        (spots.columns, last_column - spots.rows),
        (last_row - spots.rows, last_column - spots.columns),
        (last_row - spots.columns, spots.rows),
    )[turns]
    kind = picture.format
    components = kind.components
    deep = components[0].bits > 8
    dtype = np.uint16 if deep else np.uint8
    encoded = partial(_encoded, bits=components[0].bits, coding=coding)
    whole = kind.is_rgb or kind.has_palette or not _readable(kind) or len(components) < 3
    if whole:
        return _Places(rows, columns, None, [], dtype, encoded)
    strides = [plane.line_size // np.dtype(dtype).itemsize for plane in picture.planes]
    down, across = 64 // kind.chroma_height(64), 64 // kind.chroma_width(64)
    flat = [rows * strides[0] + columns]
    if kind.name == "nv12":
        pair = rows // down * strides[1] + 2 * (columns // across)
        return _Places(rows, columns, (0, 1, 1), [*flat, pair, pair + 1], dtype, encoded)
    flat += [rows // down * stride + columns // across for stride in strides[1:3]]
    return _Places(rows, columns, (0, 1, 2), flat, dtype, encoded)


def _encoded(values: NDArray[Any], bits: int, coding: ColourCoding) -> FloatImage:
    """Encoded R'G'B' of Y', Cb and Cr, shape (3, ...)."""
    y = _luma(values[0], bits, coding)
    out = np.empty(values.shape, dtype=np.float32)
    for k, difference in enumerate(_differences(values[1], values[2], bits, coding)):
        np.add(y, difference, out=out[k])
    return out


def _at(plane: NDArray[Any], picks: tuple[Places, Places]) -> NDArray[Any]:
    """Rows first, then columns: the rows of a thin grid are few."""
    picked: NDArray[Any] = plane[picks[0]][:, picks[1]]
    return picked


def _evenly(places: NDArray[np.intp]) -> Places:
    """Places as a slice if they are evenly spaced."""
    if places.size < 2:
        return places
    step = int(places[1] - places[0])
    if step < 1 or (np.diff(places) != step).any():
        return places
    return slice(int(places[0]), int(places[-1]) + 1, step)


def _luma(codes: NDArray[Any], bits: int, coding: ColourCoding) -> FloatImage:
    """Luma, 0 (black) to 1 (white), of code values."""
    black, span, _ = _levels(bits, coding.full_range)
    luma: FloatImage = (codes.astype(np.float32) - np.float32(black)) * np.float32(1.0 / span)
    return luma


def _differences(
    u: NDArray[Any], v: NDArray[Any], bits: int, coding: ColourCoding
) -> tuple[FloatImage, FloatImage, FloatImage]:
    """What R', G' and B' differ from luma."""
    _, _, span = _levels(bits, coding.full_range)
    middle, scale = np.float32(1 << (bits - 1)), np.float32(1.0 / span)
    cb, cr = (u.astype(np.float32) - middle) * scale, (v.astype(np.float32) - middle) * scale
    kr, kb = KR_KB[coding.matrix]
    kg = 1.0 - kr - kb
    red, blue = np.float32(2.0 * (1.0 - kr)) * cr, np.float32(2.0 * (1.0 - kb)) * cb
    return red, np.float32(-kr / kg) * red - np.float32(kb / kg) * blue, blue


def rgb_of(picture: Any, part: Part, coding: ColourCoding) -> FloatImage:
    """Convert a part of a decoded PyAV picture.

    Parameters
    ----------
    picture:
        `av.VideoFrame` of any pixel format.
    part:
        Rectangle inside the picture as stored (before rotation).
    coding:
        Matrix and range of Y'CbCr formats; R'G'B' formats need none.

    Returns
    -------
    Encoded R'G'B', float32, 0 to 1 with small overshoots, shape (rows, columns, 3).
    """
    picture_format = picture.format
    if picture_format.is_rgb or picture_format.has_palette:
        deep = any(component.bits > 8 for component in picture_format.components)
        rgb = picture.to_ndarray(format="rgb48le" if deep else "rgb24")
        cut = rgb[part.top : part.bottom, part.left : part.right]
        return np.asarray(cut / np.float32(65535.0 if deep else 255.0), dtype=np.float32)
    if not _readable(picture_format):
        picture = _repacked(picture)
    return _from_planes(picture, part, coding)


def _readable(picture_format: Any) -> bool:
    """Whether the planes can be read as they are: grey, planar Y'CbCr or NV12."""
    components = picture_format.components
    if picture_format.is_big_endian or components[0].bits > 16:
        return False
    if len(components) <= 2 or picture_format.name == "nv12":
        return str(picture_format.name).startswith(("gray", "nv12"))
    return [c.plane for c in components[:3]] == [0, 1, 2]


def _repacked(picture: Any) -> Any:
    """The same samples in a planar format; matrix and range are left as they are."""
    deep = any(component.bits > 8 for component in picture.format.components)
    return picture.reformat(
        format="yuv444p16le" if deep else "yuv444p",
        src_colorspace=1,
        dst_colorspace=1,
        src_color_range=2,
        dst_color_range=2,
    )


def _plane(picture: Any, number: int, dtype: type) -> NDArray[Any]:
    plane = picture.planes[number]
    data: NDArray[Any] = np.frombuffer(plane, dtype=dtype)
    stride = plane.line_size // np.dtype(dtype).itemsize
    rows = data.size // stride
    return data[: rows * stride].reshape(rows, stride)


def _from_planes(picture: Any, part: Part, coding: ColourCoding) -> FloatImage:
    bits = picture.format.components[0].bits
    dtype = np.uint8 if bits <= 8 else np.uint16
    y = _luma(
        _plane(picture, 0, dtype)[part.top : part.bottom, part.left : part.right], bits, coding
    )
    out = np.empty((*y.shape, 3), dtype=np.float32)
    if len(picture.format.components) < 3:
        out[:] = y[..., None]
        return out
    u, v, down, across = _chroma(picture, part, dtype)
    rows = np.arange(part.top, part.bottom) // down - part.top // down
    columns = np.arange(part.left, part.right) // across - part.left // across
    # The differences are worked out at the resolution of the chroma planes.
    for k, difference in enumerate(_differences(u, v, bits, coding)):
        np.add(y, difference[rows][:, columns], out=out[..., k])
    return out


def _levels(bits: int, full_range: bool) -> tuple[float, float, float]:
    """Black level, span of luma and span of chroma in code values (BT.709 and BT.2100 clauses)."""
    if full_range:
        top = float((1 << bits) - 1)
        return 0.0, top, top
    unit = float(1 << (bits - 8))
    return 16.0 * unit, 219.0 * unit, 224.0 * unit


def _chroma(picture: Any, part: Part, dtype: type) -> tuple[NDArray[Any], NDArray[Any], int, int]:
    """Chroma samples that cover the part, and how many rows and columns of luma each serves."""
    across = 64 // picture.format.chroma_width(64)
    down = 64 // picture.format.chroma_height(64)
    rows = slice(part.top // down, (part.bottom - 1) // down + 1)
    columns = slice(part.left // across, (part.right - 1) // across + 1)
    if picture.format.name == "nv12":
        pairs = _plane(picture, 1, dtype)[rows]
        return pairs[:, 0::2][:, columns], pairs[:, 1::2][:, columns], down, across
    u, v = (_plane(picture, k, dtype)[rows, columns] for k in (1, 2))
    return u, v, down, across
