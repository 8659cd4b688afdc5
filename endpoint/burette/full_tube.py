"""What is kept of a tube and of the meniscus that was followed in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from endpoint.burette.tube import Scale, Tube, bore_fits, read_scale

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PrintedLines:
    """The printed lines of a full tube; a run whose end is still open reads them often."""

    strip: FloatArray
    """Logarithm of the light of the tube at the start, shape (length, columns)."""
    usable: NDArray[np.bool_]
    """Rows of `strip` without meniscus."""
    _read: dict[float, Scale | None] = field(default_factory=dict)
    """What was read without a rough scale, by the volume between two lines, mL."""

    def __post_init__(self) -> None:
        self.strip.setflags(write=False)
        self.usable.setflags(write=False)

    def scale(self, division_ml: float, ml_per_px: float | None) -> Scale | None:
        """As `tube.read_scale`."""
        if ml_per_px is not None:
            return read_scale(self.strip, self.usable, division_ml, ml_per_px)
        if division_ml not in self._read:
            self._read[division_ml] = read_scale(self.strip, self.usable, division_ml, None)
        return self._read[division_ml]


@dataclass(frozen=True, eq=False)
class MeniscusTrace:
    """Place of the meniscus in every frame; arrays of length n cannot be written to."""

    time_s: FloatArray
    place_px: FloatArray
    """Crescent along the tube, pixels from the upper end of the strip; NaN where flagged."""
    sigma_px: FloatArray
    flags: NDArray[np.int64]
    tube: Tube
    lines: PrintedLines

    def __post_init__(self) -> None:
        for name in ("time_s", "place_px", "sigma_px", "flags"):
            getattr(self, name).setflags(write=False)

    def scale(self, division_ml: float, ml_per_px: float | None) -> Scale | None:
        """Printed lines of the tube, see `tube.read_scale`.

        Without a rough scale the lines count only if the bore can hold what they say.
        """
        scale = self.lines.scale(division_ml, ml_per_px)
        if scale is None or ml_per_px is not None:
            return scale
        usual = scale.ml_per_px * 0.1 / division_ml
        return scale if bore_fits(self.tube.half_px, usual) else None


@dataclass(frozen=True, eq=False)
class FullTube:
    """A tube as it was seen full: with its rows, all that a follower knows."""

    tube: Tube
    start: FloatArray
    """Logarithm of the light along the bore at the start, shape (length, columns)."""
    start_px: float
    """Where the meniscus stood in it."""
    full: FloatArray
    """The same without meniscus and empty part."""
    gap: tuple[int, int]
    """Rows that the meniscus hid at the start."""
    learnt: bool
    """Whether these have been seen since."""
    stepped: bool
    """Whether the tube has a stripe that the liquid widens."""

    @cached_property
    def lines(self) -> PrintedLines:
        """Its printed lines."""
        usable = np.ones(len(self.start), dtype=bool)
        if not self.learnt:
            usable[slice(*self.gap)] = False
        return PrintedLines(self.full.copy(), usable)

    def trace(self, rows: FloatArray) -> MeniscusTrace:
        """Trace of rows of time, place, standard deviation and flag, shape (n, 4)."""
        time, place, sigma, flags = (column.copy() for column in rows.T)
        return MeniscusTrace(time, place, sigma, flags.astype(np.int64), self.tube, self.lines)
