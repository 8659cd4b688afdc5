"""The burette in the picture: its axis, the upright strip of its bore, and its printed lines.

The scale is printed on the front of the glass and the liquid stands behind it. For a pinhole
camera a ray from the lens maps the front line of the tube onto its axis by a central projection
between parallel lines, which is affine: true reading = a + b * (printed reading behind which the
meniscus seems to stand), whatever the height and pitch of the camera. b - 1 is the depth of the
axis behind the print (made shorter by refraction) over the distance of the camera: computed
0.005 to 0.03 for 150 to 1000 mm. Two readings taken at eye level give a and b.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.messages import seen_reason
from endpoint.problems import DeliveryProblem, UnseenVolume
from endpoint.recording.frame import Box, Frame

FloatArray = NDArray[np.float64]

_BANDS = 8
_LEAST_EDGE = 0.008
_ROUNDS = 4
_FINEST_PX = 2.3
"""Lines closer than this are not resolved by a picture with usual blur."""
_COARSEST_PX = 120.0
_LEAST_WHOLE = 3.5
"""Whole millilitres (longest lines) that must be in view to know the lines by their pattern."""
_LEAST_HEIGHT_PX = 60
_CLEAR_PEAK = 6.0
_OVERTONE = 0.4
_MM_PER_ML = (9.0, 25.0)
_COLUMNS = 25
_REACH = 0.62
"""Part of the half width of the tube that the strip covers: inside of the dark walls."""
_DARKEST = 0.02
_LUMA = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)


@dataclass(frozen=True)
class Tube:
    """A straight tube in the picture, its axis x = x_px + lean * (y - y_px)."""

    box: Box
    x_px: float
    y_px: float
    lean: float
    """Pixels to the right per pixel downwards."""
    half_px: float
    """Half of the outer width, pixels."""

    @property
    def tilt_deg(self) -> float:
        """Angle between the tube and the vertical of the picture, degrees."""
        return math.degrees(math.atan(self.lean))


@dataclass(frozen=True, eq=False)
class Scale:
    """Printed reading against the place along the strip, up to a constant."""

    coefficients: FloatArray
    """Polynomial (numpy order) of the reading, mL, in (place - middle) / 100 px."""
    middle_px: float
    ml_per_px: float
    """At the middle."""
    period_px: float
    sigma_ml: float
    """Scatter of the lines about the polynomial."""
    strength: float
    """Periodic part of the picture over what is not, amplitude; 0 if there are no lines."""

    def __post_init__(self) -> None:
        self.coefficients.setflags(write=False)

    def reading_ml(self, place_px: FloatArray | float) -> FloatArray:
        """Printed reading, mL, up to a constant."""
        at = (np.asarray(place_px, dtype=np.float64) - self.middle_px) / 100.0
        return np.asarray(np.polyval(self.coefficients, at))


def unseen(code: str, **words: object) -> UnseenVolume:
    """Problem of a volume that the pictures do not show, by the code of its sentence."""
    sentence = seen_reason(code, **words)
    return UnseenVolume(code, sentence.text, sentence.advice)


def grey(frame: Frame, box: Box) -> FloatArray:
    """Luma of a part of the picture, encoded, shape (height, width)."""
    return luma(frame.encoded(box))


def luma(part: NDArray[np.float32]) -> FloatArray:
    """Luma (BT.709 weights) of encoded colours of shape (height, width, 3).

    A film stores colour at half the resolution; luma keeps clear of it, and hardly sees a blue
    stripe's blue.
    """
    return np.asarray(part @ _LUMA, dtype=np.float64)


def clipped_box(box: tuple[int, int, int, int] | Box, frame: Frame, name: str) -> Box:
    """Box within the picture.

    Raises
    ------
    DeliveryProblem
        What is left of it is too small to hold a burette or a tip.
    """
    b = box if isinstance(box, Box) else Box(*box)
    inside = Box(
        max(b.left, 0), max(b.top, 0), min(b.right, frame.width), min(b.bottom, frame.height)
    )
    if inside.width < 8 or inside.height < 16:
        raise DeliveryProblem(
            f"settings.{name} covers no usable part of the picture "
            f"({frame.width} by {frame.height} pixels).",
            "Give left,top,right,bottom in pixels around it.",
        )
    return inside


def find_tube(picture: FloatArray, box: Box) -> Tube:
    """Axis and width of the one tube in a box, from its dark walls.

    Parameters
    ----------
    picture:
        Encoded grey of the box, shape (height, width).
    box:
        Where in the picture it stands.

    Raises
    ------
    DeliveryProblem
        There is no pair of straight walls.
    """
    from scipy.ndimage import gaussian_filter1d

    bands = np.array_split(picture, _BANDS, axis=0)
    centres = np.cumsum([len(b) for b in bands]) - 0.5 * np.array([len(b) for b in bands])
    rows = np.stack([np.median(b, axis=0) for b in bands])
    # Soft edges: between whole pixels a sharp one would lose height and pull the slope.
    edges = gaussian_filter1d(np.abs(np.gradient(rows, axis=1)), 1.5, axis=1)
    lean = _lean(edges, centres)
    aligned = np.stack(
        [_shifted(e, lean * (c - centres.mean())) for e, c in zip(edges, centres, strict=True)]
    )
    strength = np.median(aligned, axis=0)
    level = max(0.15 * float(np.max(strength)), _LEAST_EDGE)
    strong = np.flatnonzero(strength > level)
    if picture.shape[0] < _LEAST_HEIGHT_PX or strong.size < 2 or strong[-1] - strong[0] < 6:
        raise unseen("tube-missing")
    left, right = _outer(strength, level, strong)
    away = centres - centres.mean()
    # The outer walls alone: the inner ones stand elsewhere where the tube is empty.
    for _ in range(_ROUNDS):
        lefts = np.array([_near(e, left + lean * c) for e, c in zip(edges, away, strict=True)])
        rights = np.array([_near(e, right + lean * c) for e, c in zip(edges, away, strict=True)])
        lean = _middle_slope(0.5 * (lefts + rights), centres)
    return Tube(
        box,
        x_px=box.left + 0.5 * (left + right),
        y_px=box.top + float(centres.mean()),
        lean=lean,
        half_px=0.5 * (right - left),
    )


def _middle_slope(value: FloatArray, at: FloatArray) -> float:
    """Median of the slopes of all pairs (Theil and Sen, from memory): one odd band does nothing."""
    i, j = np.triu_indices(at.size, 1)
    return float(np.median((value[j] - value[i]) / (at[j] - at[i])))


def _near(edge: FloatArray, place: float) -> float:
    """Centre of the edge strength within 3 px of a place, px from the left side of the box."""
    x = np.arange(edge.size)
    weight = np.where(np.abs(x + 0.5 - place) <= 3.0, edge, 0.0) + 1e-9
    return float(np.average(x + 0.5, weights=weight**2))


def _outer(strength: FloatArray, level: float, strong: NDArray[np.int64]) -> tuple[float, float]:
    """Half-height places of the outermost walls."""
    left, right = int(strong[0]), int(strong[-1])
    while left + 1 < strength.size and strength[left + 1] > strength[left]:
        left += 1
    while right > 0 and strength[right - 1] > strength[right]:
        right -= 1
    return float(left) + 0.5, float(right) + 0.5


def _shifted(row: FloatArray, shift: float) -> FloatArray:
    x = np.arange(row.size)
    return np.asarray(np.interp(x + shift, x, row), dtype=np.float64)


def _lean(edges: FloatArray, centres: FloatArray) -> float:
    """Slope that lines the edges of all bands up best: coarse search, then a parabola."""
    span = float(centres[-1] - centres[0])

    def sharpness(lean: float) -> float:
        rows = [
            _shifted(e, lean * (c - centres.mean())) for e, c in zip(edges, centres, strict=True)
        ]
        return float(np.sum(np.mean(rows, axis=0) ** 2))

    step = 0.25 / span
    tries = np.arange(-0.14, 0.14, max(step, 0.0005))
    values = np.array([sharpness(t) for t in tries])
    k = int(np.clip(np.argmax(values), 1, tries.size - 2))
    low, mid, high = values[k - 1 : k + 2]
    bend = low - 2 * mid + high
    return float(tries[k] + (0.5 * (low - high) / bend * (tries[1] - tries[0]) if bend < 0 else 0))


def strip_maps(tube: Tube) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Where in the box the samples of the upright strip lie: x and y, shape (length, columns)."""
    length = int(tube.box.height * math.sqrt(1 + tube.lean**2))
    norm = math.sqrt(1 + tube.lean**2)
    along = (np.arange(length) - length / 2)[:, None] / norm
    across = np.linspace(-_REACH, _REACH, _COLUMNS)[None] * tube.half_px / norm
    x = tube.x_px - tube.box.left + along * tube.lean + across
    y = tube.y_px - tube.box.top + along - across * tube.lean
    return (x - 0.5).astype(np.float32), (y - 0.5).astype(np.float32)


def log_strip(
    picture: FloatArray, maps: tuple[NDArray[np.float32], NDArray[np.float32]]
) -> FloatArray:
    """Logarithm of the encoded light along the bore, shape (length, columns)."""
    import cv2

    strip = cv2.remap(
        picture.astype(np.float32),
        maps[0],
        maps[1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(np.log(np.maximum(strip.astype(np.float64), _DARKEST)))


def texture(strip: FloatArray, width: int) -> FloatArray:
    """Strip minus its running mean along the tube."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(strip - uniform_filter1d(strip, width, axis=0, mode="nearest"))


def read_scale(
    strip: FloatArray, usable: NDArray[np.bool_], division_ml: float, ml_per_px: float | None
) -> Scale | None:
    """Find the printed lines by their period and follow their phase along the tube.

    Complex demodulation: the local phase of the period gives the printed reading at every place,
    and a polynomial of third order through it the perspective.

    Parameters
    ----------
    strip:
        Log light, shape (length, columns).
    usable:
        Rows without meniscus, shape (length,).
    division_ml:
        Volume between two lines.
    ml_per_px:
        Rough scale, from two readings; None if not known.

    Returns
    -------
    None where no lines are resolved.
    """
    if int(usable.sum()) < _LEAST_HEIGHT_PX:
        return None
    per_ml = max(round(1.0 / division_ml), 1)
    best: Scale | None = None
    # The coarser lines are safe only where readings say how far apart they are.
    for step_ml in (division_ml, 1.0) if per_ml > 1 and ml_per_px else (division_ml,):
        expected = None if ml_per_px is None else step_ml / ml_per_px
        wide = max(int(1.5 * expected), 9) if expected else strip.shape[0] // 4
        flat = texture(strip, wide) * usable[:, None]
        # Rows next to the gap see it in their running mean; they are few.
        period = _period(flat, expected, per_ml if step_ml < 1.0 else 1)
        if period is None:
            continue
        scale = _demodulate(flat, usable, period, step_ml)
        if scale is not None and (best is None or scale.sigma_ml < 0.3 * best.sigma_ml):
            best = scale
    return best


def bore_fits(half_px: float, ml_per_px: float) -> bool:
    """Whether a tube of this outer half width can hold this volume per pixel.

    The bore is half width less a wall of 1.2 mm; burettes with lines of 0.1 mL have 9 to 25 mm
    for 1 mL (25 and 50 mL; computed from usual scale lengths of 500 to 600 mm, from memory).
    """
    lengths = np.linspace(_MM_PER_ML[0], _MM_PER_ML[1], 60)
    half_mm = half_px * lengths * ml_per_px
    inner_mm = np.maximum(half_mm - 1.2, 0.0)
    held = math.pi * inner_mm**2 * lengths / 1000.0
    return bool(held.min() < 1.35 and held.max() > 0.65)


def _spectrum(flat: FloatArray) -> tuple[FloatArray, FloatArray]:
    window = np.hanning(flat.shape[0])[:, None]
    size = 8 * int(2 ** math.ceil(math.log2(flat.shape[0])))
    power = np.abs(np.fft.rfft(flat * window, size, axis=0)) ** 2
    return np.asarray(np.fft.rfftfreq(size), np.float64), np.asarray(power.sum(axis=1), np.float64)


def _period(flat: FloatArray, expected: float | None, per_ml: int) -> float | None:
    """Period of the lines, px; without an expected one the comb of long and short lines decides."""
    from scipy.ndimage import maximum_filter1d, median_filter

    f, power = _spectrum(flat)
    if expected is not None:
        near = (f > 1.0 / (1.22 * expected)) & (f < 1.22 / expected)
        if expected < _FINEST_PX or not near.any():
            return None
        return float(1.0 / f[near][np.argmax(power[near])])
    whole = per_ml / (flat.shape[0] / _LEAST_WHOLE)
    good = (f > max(1.0 / _COARSEST_PX, whole)) & (f < 1.0 / _FINEST_PX)
    if not good.any():
        return None
    # Light and stripes change slowly along the tube: only narrow peaks count.
    unit = np.sqrt(power)
    unit = unit / (median_filter(unit, 24 * 16 + 1, mode="nearest") + 1e-12)
    # Lines of tenths are longer at every fifth and every tenth: all three periods must show.
    parts = (1.0, 0.2, 0.1) if per_ml == 10 else (1.0, 0.2) if per_ml == 5 else (1.0,)
    highest = maximum_filter1d(unit, 5, mode="nearest")
    k = np.flatnonzero(good)
    score = np.zeros_like(power)
    score[k] = np.min([highest[np.rint(k * part).astype(int)] for part in parts], axis=0)
    best: int = int(np.argmax(score))
    if score[best] < _CLEAR_PEAK:
        return None
    # Thin lines have overtones, which fit the pattern too: the longest period that fits counts.
    for part in range(6, 1, -1):
        low = max(int(best / part + 0.5) - 4, 0)
        high = low + 9
        if float(score[low:high].max()) > max(_CLEAR_PEAK, _OVERTONE * float(score[best])):
            best = low + int(np.argmax(score[low:high]))
            break
    around = slice(max(best - 8, 0), best + 9)
    return float(1.0 / f[around][np.argmax(unit[around])])


def _demodulate(
    flat: FloatArray, usable: NDArray[np.bool_], period: float, step_ml: float
) -> Scale | None:
    """Follow the phase of the lines; the course that is found straightens it for the next round.

    Without the rounds the running mean of a phase that bends is drawn inwards at both ends.
    """
    rows = np.arange(flat.shape[0], dtype=np.float64)
    middle = float(rows[usable].mean())
    at = (rows - middle) / 100.0
    fit = np.array([100.0 * step_ml / period, 0.0])
    sigma = strength = 0.0
    for turn in range(_ROUNDS):
        phase = np.polyval(fit, at) / step_ml
        found = _phase_left(
            flat, usable, phase, (4.0 - turn) * period if turn < 3 else 2.0 * period
        )
        if found is None:
            return None
        left, good, strength = found
        if good.sum() < 5 * period:
            return None
        order = 1 if good.sum() < 8 * period else 2 if good.sum() < 40 * period else 3
        reading = step_ml * (phase[good] + left)
        fit = np.polyfit(at[good], reading, order)
        off = reading - np.polyval(fit, at[good])
        keep = np.abs(off) < 3.0 * max(1.4826 * float(np.median(np.abs(off))), 1e-6)
        fit = np.polyfit(at[good][keep], reading[keep], order)
        sigma = float(np.std(off[keep]))
    ml_per_px = float(fit[-2]) / 100.0
    if ml_per_px <= 0 or sigma > 0.1 * step_ml:
        return None
    return Scale(fit, middle, ml_per_px, period, sigma, strength)


def _phase_left(
    flat: FloatArray, usable: NDArray[np.bool_], phase: FloatArray, width: float
) -> tuple[FloatArray, NDArray[np.bool_], float] | None:
    """Phase, in turns, that the lines are ahead of `phase`; rows where it is clear; strength."""
    from scipy.ndimage import gaussian_filter1d

    wave = np.asarray(flat * np.exp(-2j * np.pi * phase)[:, None], dtype=np.complex128)

    def smooth(values: NDArray[np.complex128]) -> NDArray[np.complex128]:
        return np.asarray(
            gaussian_filter1d(values.real, width) + 1j * gaussian_filter1d(values.imag, width)
        )

    # Columns are compared with their common course, because the phase may turn along the tube.
    course = np.exp(-1j * np.angle(smooth(wave.mean(axis=1))))
    whole = (wave * course[:, None])[usable].mean(axis=0)
    scatter = flat[usable].std(axis=0) / math.sqrt(usable.sum()) + 1e-9
    weight = np.where(np.abs(whole) > 3 * scatter, np.abs(whole) / scatter, 0.0)
    if not weight.any():
        return None
    # All columns of a line share its phase but for the slight bow of a line seen aslant.
    mean = (wave * (weight * np.exp(-1j * np.angle(whole)))).sum(axis=1) / weight.sum()
    local = smooth(mean)
    seen = gaussian_filter1d(usable.astype(float), width)
    size = np.abs(local) / np.maximum(seen, 0.2)
    good = usable & (size > 0.3 * np.median(size[usable])) & (seen > 0.4)
    if not good.any():
        return None
    rest = float(np.median(np.abs(flat[good]))) + 1e-9
    return np.unwrap(np.angle(local[good])) / (2 * np.pi), good, float(np.median(size[good])) / rest
