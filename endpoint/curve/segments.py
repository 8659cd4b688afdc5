"""Steps of lamp, exposure, white balance or amount of indicator far from the change.

A step tells nothing of the chemistry, but a fit would bend to explain it. What lies beyond it is
another recording of the same plateau: only the points seen in the light of the change are used.
The plateau itself needs no model of the titration: from the mass balance the free indicator rises
as 1 / (distance from the end), so a straight line and two such hyperbolas hold every smooth
plateau, and one column of 0 and 1 the step.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from endpoint.curve.strays import running_median
from endpoint.curve.unmix import ends_of

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_FAR_ML = 0.5
"""Distance from the middle of the change, mL, from which on a step is not part of the change
itself: with magnesium the free part falls from 1/2 to 1/10 within 0.3 to 0.45 mL."""
_TURNED, _CORNER_ML, _BLUE_ROOM_ML = 0.93, 0.3, 0.1
"""Part of the change and the volume beyond it, mL, from which the colour is past its corner, and
what must be left of the blue plateau, mL."""
_LEAST_POINTS = 2
"""Points of the plateau on either side of a step: one alone would be a stray."""
_FEWEST = 12
"""Points of a curve of which steps are looked for."""
_ROOM_ML = 0.3
"""Volume of the plateau that must be left in the light of the change. Assumed: less, and no plateau
is left to fit."""
_GAIN = 30.0
"""Fall of n ln(sum of squares) with a step. Without one it is about chi-squared with as many
degrees of freedom as channels, times the part of points that count alone; the best of some hundred
places passes 30 by chance in less than one of a thousand plateaus of three channels. Lower, and
points are set aside for nothing; higher, and a step of five standard deviations is left in."""
_LEAST_PART = 0.01
"""Size of a step, as a part of the change, below which it bends no fit. Assumed."""
_LARGEST_AFTER = 0.25
"""Size of a step beyond the change, as a part of it, that a lamp can make: 10 % of light in a pale
liquid. A larger one is a colour that goes back, which the verdict must see."""
_LARGEST_ALONG = 0.2
"""Way towards blue, as a part of the change, up to which the plateau is one: beyond it only what
is no mixture of red and blue counts as a step, or a slow fade would be cut into lamps."""
_SMALL_GAP = 0.1
"""Volume between two points, as a part of their distance from the change, up to which a step
between them is one: over a larger addition the chemistry itself may jump."""
_LASTS = 6
"""Points beyond the middle of the change from which on a step across it counts over any addition:
fewer may be a hand that ends the recording, and the step the change itself."""
_ABRUPT = 0.5
"""Part of a step that must lie within a twentieth of the plateau, so that no smooth rise counts."""


def one_light(volume_ml: FloatArray, undiluted: FloatArray) -> BoolArray:
    """Points that were seen in the same light as the change, shape (n,).

    Parameters
    ----------
    volume_ml:
        Delivered volume, increasing, shape (n,).
    undiluted:
        Density with the dilution undone, shape (n, channels).
    """
    n = len(volume_ml)
    kept = np.ones(n, dtype=bool)
    if n < _FEWEST:
        return kept
    start, end = ends_of(volume_ml, undiluted)
    change = end - start
    size = float(np.linalg.norm(change))
    if size <= 0.0:
        return kept
    place = running_median((undiluted - start) @ change[:, None] / size**2, 5)[:, 0]
    red = np.flatnonzero(place < 0.5)
    if red.size == 0 or red[-1] == n - 1:
        return kept
    middle_ml = 0.5 * float(volume_ml[red[-1]] + volume_ml[red[-1] + 1])
    away_ml = middle_ml - volume_ml
    before = np.flatnonzero(away_ml > _FAR_ML)
    # What turns towards blue as the change itself does may be the chemistry.
    aside = undiluted[before] - np.clip(place[before], 0.0, None)[:, None] * change
    seen = undiluted[before] if float(place[before].max(initial=0.0)) < _LARGEST_ALONG else aside
    room = away_ml[before] - _FAR_ML >= _ROOM_ML
    sizes = (_LEAST_PART * size, np.inf)
    cut = _last_step(away_ml[before], seen, room, sizes)
    if undiluted.shape[1] > 1 and n - 1 - red[-1] >= _LASTS:
        # Across the change no chemistry jumps, however large the addition is.
        across = undiluted - (undiluted @ change / size**2)[:, None] * change
        cut = max(cut, _last_step(away_ml[before], across[before], room, sizes, np.inf))
    if not _turns_blue(place[:cut]):
        kept[:cut] = False
    # Without magnesium the colour has a corner at the end, far beyond the middle of the change.
    turned = np.flatnonzero(place < _TURNED)
    beyond_ml = volume_ml - float(volume_ml[turned[-1]])
    after = np.flatnonzero(beyond_ml > _CORNER_ML)[::-1]
    sizes = (_LEAST_PART * size, _LARGEST_AFTER * size)
    room = beyond_ml[after] - _CORNER_ML >= _BLUE_ROOM_ML
    kept[n - _last_step(-away_ml[after], undiluted[after], room, sizes) :] = False
    return kept


def _turns_blue(place: FloatArray) -> bool:
    """Whether a part of a curve ends half a change or more nearer to blue than it began.

    Then it is no plateau: the change may be there, and what was taken for the change a hand or a
    colour that goes back, which the verdict must see.
    """
    if place.size == 0:
        return False
    return float(np.median(place[-_LASTS:]) - np.median(place[:_LASTS])) >= 0.5


def _last_step(
    away_ml: FloatArray,
    density: FloatArray,
    room: BoolArray,
    sizes: tuple[float, float],
    gap: float = _SMALL_GAP,
) -> int:
    """Points up to the step of a plateau that is nearest to the change; 0 without a step.

    Parameters
    ----------
    away_ml:
        Distance from the change, falling, shape (n,).
    density:
        Shape (n, channels).
    room:
        Where a step leaves enough of the plateau in the light of the change, shape (n,).
    sizes:
        Least and largest step, density.
    gap:
        Largest volume between two points of a step, as a part of their distance from the change.
    """
    begin = 0
    while True:
        found = _step(away_ml[begin:], density[begin:], room[begin:], sizes, gap)
        if found == 0:
            return begin
        begin += found


def _step(
    away_ml: FloatArray,
    density: FloatArray,
    room: BoolArray,
    sizes: tuple[float, float],
    gap: float,
) -> int:
    """Index of the first point after the clearest step of a plateau; 0 without one."""
    n = len(away_ml)
    if n < 2 * _LEAST_POINTS + 4:
        return 0
    base = np.stack([np.ones(n), away_ml, 1.0 / (away_ml + 0.15), 1.0 / (away_ml + 1.0)], axis=1)
    frame, _ = np.linalg.qr(base / np.linalg.norm(base, axis=0))
    rest = density - frame @ (frame.T @ density)
    places = np.arange(_LEAST_POINTS, n - _LEAST_POINTS + 1)
    places = places[room[np.minimum(places, n - 1)]]
    gap_ml = away_ml[places - 1] - away_ml[np.minimum(places, n - 1)]
    places = places[gap_ml <= gap * away_ml[places - 1]]
    if places.size == 0:
        return 0
    # The column of a step is 0 up to its place and 1 from there: sums from each place to the end
    # give its projections without a matrix of n times n.
    along = np.cumsum(frame[::-1], axis=0)[::-1][places]
    length = np.maximum(n - places - np.sum(along**2, axis=1), 1e-9)
    steps = np.cumsum(rest[::-1], axis=0)[::-1][places] / length[:, None]
    total = np.sum(rest**2, axis=0)
    floor = n * 1e-8 + 1e-3 * total
    left = np.maximum(total - steps**2 * length[:, None], floor)
    gain = (n - 5.0) * np.sum(np.log(np.maximum(total, floor) / left), axis=1)
    k = int(np.argmax(gain))
    found, at = steps[k], int(places[k])
    part = float(np.linalg.norm(found))
    column = (np.arange(n) >= at) - frame @ along[k]
    alone = _independent(rest - column[:, None] * found)
    if alone * gain[k] < _GAIN or not sizes[0] <= part <= sizes[1]:
        return 0
    reach = n // 40  # a camera takes some frames to settle
    after, ahead = min(at + reach, n - 2), max(at - reach, 2)
    near = np.median(density[after : after + 2], axis=0) - np.median(
        density[ahead - 2 : ahead], axis=0
    )
    return after if float(near @ found) >= _ABRUPT * part**2 else 0


def _independent(rest: FloatArray) -> float:
    """Part of the points that count where neighbours err alike (first-order autocorrelation)."""
    alike = float(np.sum(rest[1:] * rest[:-1]) / max(float(np.sum(rest * rest)), 1e-300))
    alike = min(max(alike, 0.0), 0.98)
    return (1.0 - alike) / (1.0 + alike)
