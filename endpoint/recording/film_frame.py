"""A decoded picture of a film, upright, of which only the part that is asked for is converted."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.recording.channels import in_bytes
from endpoint.recording.frame import Box, ByteArray, Codes, Spots
from endpoint.recording.planes import ColourCoding, Grid, Part, codes_of, grey_at, rgb_at, rgb_of


class VideoFrame:
    """One decoded picture; converts only the part that is asked for."""

    def __init__(
        self, picture: Any, index: int, time_s: float, coding: ColourCoding, turns: int
    ) -> None:
        self.index = index
        self.time_s = time_s
        self._picture = picture
        self._coding = coding
        self._turns = turns % 4

    @property
    def width(self) -> int:
        """Width in pixels, upright."""
        return int(self._picture.height if self._turns % 2 else self._picture.width)

    @property
    def height(self) -> int:
        """Height in pixels, upright."""
        return int(self._picture.width if self._turns % 2 else self._picture.height)

    def rgb8(self) -> ByteArray:
        """Return the whole picture as uint8; worked out in strips, so that little is held."""
        out = np.empty((self.height, self.width, 3), dtype=np.uint8)
        rows = max(16, (1 << 19) // self.width)
        for top in range(0, self.height, rows):
            strip = self.thinned(Box(0, top, self.width, min(top + rows, self.height)), 1)
            out[top : top + rows] = in_bytes(strip)
        return out

    def encoded(self, box: Box) -> NDArray[np.float32]:
        """Return a part of the picture as float32 R'G'B', 0 to 1."""
        part = rgb_of(self._picture, self._stored(box), self._coding)
        return np.rot90(part, self._turns) if self._turns else part

    def thinned(self, box: Box, step: int) -> NDArray[np.float32]:
        """Return every `step`-th row and column of a part; the others are never converted."""
        grid = Grid.of(self._stored(box), step, self._turns)
        part = rgb_at(self._picture, grid, self._coding)
        return np.rot90(part, self._turns) if self._turns else part

    def halved(self, box: Box, step: int) -> NDArray[np.float32]:
        """Return means of two by two of the same pixels."""
        grid = Grid.of(self._stored(box), step, self._turns)
        part = rgb_at(self._picture, grid, self._coding, halved=True)
        return np.rot90(part, self._turns) if self._turns else part

    def grey(self, box: Box, step: int) -> NDArray[np.float32]:
        """Return the luma of the same pixels, 0 to 1."""
        grid = Grid.of(self._stored(box), step, self._turns)
        part = grey_at(self._picture, grid, self._coding)
        return np.rot90(part, self._turns) if self._turns else part

    def codes(self, spots: Spots) -> Codes:
        """Return single pixels as they are stored."""
        return codes_of(self._picture, spots, self._turns, self._coding)

    def _stored(self, box: Box) -> Part:
        """Box in the picture as stored, before it is turned upright (counter-clockwise turns)."""
        w, h = self._picture.width, self._picture.height
        if self._turns == 0:
            return Part(box.top, box.bottom, box.left, box.right)
        if self._turns == 1:
            return Part(box.left, box.right, w - box.bottom, w - box.top)
        if self._turns == 2:
            return Part(h - box.bottom, h - box.top, w - box.right, w - box.left)
        return Part(h - box.right, h - box.left, box.top, box.bottom)
