"""What is drawn of the curve of a kept result, and where in a drawing it stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.drawing.svg import MARKS
from endpoint.result.kept import KeptResult

FloatArray = NDArray[np.float64]

LEFT, RIGHT = 54.0, 430.0
"""Edges of every panel, user units."""
_MOST_DRAWN = 800
"""Points that are drawn at most: more cannot be told apart on the width of a page."""
_BEFORE_ML, _BEYOND_ML, _MOST_ML = 1.2, 1.3, 3.5
"""What is drawn before and beyond the end, and how far from it a volume is still in view."""


@dataclass(frozen=True, eq=False)
class Panel:
    """Where volumes and numbers lie in a panel."""

    window: tuple[float, float]
    rows: tuple[float, float]
    scale: tuple[float, float] = (0.0, 1.0)

    def x(self, volume: float) -> float:
        """Place of a volume in mL."""
        low, high = self.window
        return LEFT + (RIGHT - LEFT) * (volume - low) / (high - low)

    def y(self, number: float) -> float:
        """Height of a number."""
        low, high = self.scale
        top, bottom = self.rows
        return bottom - (bottom - top) * (number - low) / (high - low)

    def clipped(self, number: float) -> float:
        """Height of a number, kept inside the panel."""
        return min(max(self.y(number), self.rows[0]), self.rows[1])


@dataclass(frozen=True, eq=False)
class Points:
    """What is drawn of the curve, thinned where it has very many points."""

    x: FloatArray
    free: FloatArray | None
    sigma: FloatArray | None
    fitted: FloatArray | None
    left_out: NDArray[np.bool_]
    rgb: NDArray[np.uint8] | None
    bands: tuple[tuple[str, FloatArray], ...]


def points_of(kept: KeptResult) -> Points | None:
    """Points of a result in order of volume; None where it has no curve."""
    columns = kept.curve
    if columns is None or columns["volume_ml"].size < 2:
        return None
    size = columns["volume_ml"].size
    some = np.arange(0, size, -(-size // _MOST_DRAWN))
    believed = kept.status != "none" and _whole(columns, "free_fraction", "fitted_fraction")
    x = columns[
        "mixed_volume_ml" if believed and _whole(columns, "mixed_volume_ml") else "volume_ml"
    ]
    order = some[np.argsort(x[some], kind="stable")]
    names = ("srgb_red", "srgb_green", "srgb_blue")
    rgb = None
    if _whole(columns, *names):
        stack = np.stack([columns[n][order] for n in names], axis=1)
        rgb = np.clip(np.rint(stack), 0, 255).astype(np.uint8)
    bands = tuple(
        (n.removeprefix("density_").replace("_", " "), columns[n][order])
        for n in columns
        if n.startswith("density_") and not n.endswith("_sigma") and _whole(columns, n)
    )
    return Points(
        x=x[order],
        free=columns["free_fraction"][order] if believed else None,
        sigma=np.nan_to_num(columns["free_fraction_sigma"][order])
        if believed and "free_fraction_sigma" in columns
        else None,
        fitted=columns["fitted_fraction"][order] if believed else None,
        left_out=np.array(["outlier" in kept.flags[k].split() for k in order], dtype=bool),
        rgb=rgb,
        bands=bands,
    )


def _whole(columns: Mapping[str, FloatArray], *names: str) -> bool:
    return all(n in columns and bool(np.isfinite(columns[n]).all()) for n in names)


def zoom_window(data: Mapping[str, Any]) -> tuple[float, float]:
    """Volumes around the end, mL, from the document of a result, see `window_around`."""
    low, high = data["equivalence_ml"]["interval95"]
    value = data["equivalence_ml"]["value"]
    ends = (low, high) if value is None else (value, value)
    volumes = [data[key] for key in MARKS]
    values = [v["value"] for v in volumes if v is not None and v["value"] is not None]
    return window_around(ends, values)


def window_around(
    end_ml: tuple[float, float | None], volumes_ml: Sequence[float]
) -> tuple[float, float]:
    """Window with the end and the three volumes, and room for their names at the right.

    Parameters
    ----------
    end_ml:
        Equivalence volume twice, or the bracket; None for a bracket without an upper end.
    volumes_ml:
        Those of the three volumes that have a value. One further than 3.5 mL from the end is out
        of the window; its name stands at the edge.
    """
    first = end_ml[0]
    last = first + 1.0 if end_ml[1] is None else end_ml[1]
    least, most = first - _MOST_ML, last + _MOST_ML
    left = first - _BEFORE_ML
    for volume in volumes_ml:
        left = min(left, max(volume - 0.35, least))
        last = max(last, min(volume, most))
    return left, last + max(_BEYOND_ML, 0.8 * (last - left))
