"""First picture of a recording with the liquid and the reference outlined and named."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from endpoint.analysis.result import Result
from endpoint.recording.frame import Box

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_IN = 9.0
_NAME_PT = 14.0
"""Width of the picture, inches, and size of the names, points."""
_NAME_ROOM = 0.06
"""Height that a name takes, as a part of the picture's height."""


def region_picture(result: Result) -> Figure | None:
    """Picture of where the colour was measured; None where there is none.

    The outlines are white on black, so they are seen on anything; the liquid's is solid, the
    reference's dashed, that of the burette or the falling drops dotted.
    """
    from matplotlib.figure import Figure

    region, picture = result.region, result.first_frame
    if region is None or picture is None:
        return None
    height, width = picture.shape[:2]
    figure = Figure(figsize=(_WIDTH_IN, _WIDTH_IN * height / width), facecolor="white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.imshow(picture)
    axes.axis("off")
    _outline(axes, region.liquid_box, region.liquid_mask, (height, width), "solid")
    _outline(axes, region.reference_box, region.reference_mask, (height, width), (0, (3, 2)))
    liquid, reference = region.liquid_box, region.reference_box
    size = (height, width)
    above = _name(axes, "liquid", liquid, size, above=liquid.top >= _NAME_ROOM * height)
    near = abs(reference.top - liquid.top) < 1.5 * _NAME_ROOM * height and (
        abs(reference.left - liquid.left) < 0.2 * width
    )
    fits_above = reference.top >= _NAME_ROOM * height and not (near and above)
    _name(axes, "reference", reference, size, above=fits_above)
    seen = result.seen_box
    if seen is not None and result.job.seen is not None:
        whole = np.ones((seen.height, seen.width), dtype=bool)
        _outline(axes, seen, whole, size, (0, (1, 1.5)))
        kind = "burette" if result.job.seen.readings.kind == "meniscus" else "drops"
        _name(axes, kind, seen, size, above=seen.top >= _NAME_ROOM * height)
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    return figure


def _outline(
    axes: Axes, box: Box, mask: NDArray[np.bool_], size: tuple[int, int], style: Any
) -> None:
    """Closed line around a mask; one empty pixel all around closes it at the picture's edge."""
    whole = np.zeros((size[0] + 2, size[1] + 2))
    whole[box.top + 1 : box.bottom + 1, box.left + 1 : box.right + 1] = mask
    rows, columns = np.arange(-1, size[0] + 1), np.arange(-1, size[1] + 1)
    axes.contour(columns, rows, whole, [0.5], colors="black", linewidths=4.5)
    axes.contour(columns, rows, whole, [0.5], colors="white", linewidths=1.8, linestyles=[style])


def _name(axes: Axes, name: str, box: Box, size: tuple[int, int], *, above: bool) -> bool:
    """Write a name above, below or inside a box and return whether it stands above."""
    height, width = size
    below = not above and box.bottom + _NAME_ROOM * height <= height
    under = below or not above
    at_right = box.left > 0.8 * width
    axes.annotate(
        name,
        (box.right if at_right else box.left, box.bottom if below else box.top),
        xytext=(-6 if at_right else 6, -7 if under else 7),
        textcoords="offset points",
        fontsize=_NAME_PT,
        color="white",
        ha="right" if at_right else "left",
        va="top" if under else "bottom",
        bbox={"boxstyle": "square,pad=0.25", "fc": "black", "ec": "white", "lw": 1.0},
    )
    return above
