"""Colours of a live run: growing columns in a memory of bounded size."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourSample, ColourTrace, trace_of

MOST = 12_000
"""Samples that are kept: 13 minutes at 15 a second before the older ones are thinned."""
_KEPT_WHOLE = 0.5
"""Part of the samples, the newest, that is not thinned when the store is full: about 7 minutes."""
_FIELDS = {
    "index": (),
    "time_s": (),
    "spread": (),
    "flags": (),
    "density": (3,),
    "display_density": (3,),
    "density_sigma": (3,),
    "reference": (3,),
}


class SampleStore:
    """Growing columns of colour samples.

    When `most` are held, every other one of the older half is dropped: a curve point is a median
    of many frames, so an old pause loses nothing that counts, and memory and time stay bounded
    however long a run lasts.
    """

    def __init__(self, most: int = MOST) -> None:
        self._columns: dict[str, NDArray[Any]] = {
            name: np.zeros((most, *shape), dtype=np.int64 if name in ("index", "flags") else float)
            for name, shape in _FIELDS.items()
        }
        self._most = most
        self._count = 0
        self._taken = 0

    def __len__(self) -> int:
        return self._count

    @property
    def taken(self) -> int:
        """Samples that were ever added."""
        return self._taken

    def add(self, sample: ColourSample) -> None:
        """Add the next sample in time."""
        if self._count == self._most:
            self._thin()
        for name, column in self._columns.items():
            column[self._count] = getattr(sample, name)
        self._count += 1
        self._taken += 1

    def _thin(self) -> None:
        old = int(self._most * (1.0 - _KEPT_WHOLE))
        kept = np.r_[0:old:2, old : self._most]
        for column in self._columns.values():
            column[: kept.size] = column[kept]
        self._count = int(kept.size)

    def forget_before(self, time_s: float) -> None:
        """Drop the samples from before a time."""
        first = int(np.searchsorted(self._columns["time_s"][: self._count], time_s))
        for column in self._columns.values():
            column[: self._count - first] = column[first : self._count].copy()
        self._count -= first

    def clear(self) -> None:
        """Drop all samples."""
        self._count = self._taken = 0

    def since(self, time_s: float, name: str) -> NDArray[Any]:
        """A column from a time on, as a copy."""
        first = int(np.searchsorted(self._columns["time_s"][: self._count], time_s))
        return self._columns[name][first : self._count].copy()

    def columns(self) -> dict[str, NDArray[Any]]:
        """All columns, copied."""
        return {name: column[: self._count].copy() for name, column in self._columns.items()}

    @staticmethod
    def trace_of(columns: dict[str, NDArray[Any]]) -> ColourTrace:
        """Columns as a trace; they are used up."""
        return trace_of(**columns)
