"""Which form of an indicator a colour shows, and whether a change leads from one to the other."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Form, Indicator
from endpoint.colour.density import lab_and_rgb
from endpoint.curve.points import RGB, Curve

FloatArray = NDArray[np.float64]

TOO_MUCH_INDICATOR = 1.35
"""Density of the darkest channel above which there is too much indicator: so dark a liquid hides
its own change, and the indicator itself takes EDTA. Rendered films of the family `very-dark` (1.1
to 1.5) are still located; chosen on them, no study kept."""
TOO_PALE = 0.15
"""Density of the darkest channel below which there is too little: twice the least change that is
surely not drift of the light. Chosen on rendered films, no study kept."""
_DARK_CHANGE = 0.03
_LARGE_CHANGE = 0.2
"""Changes of density, Euclidean over the channels: below twice the first the direction of a change
is not judged, and from the second on the bound form's band has to lose. Lower, and drift of the
light is taken for another indicator; higher, and a strange one in a pale liquid passes. Assumed."""
_BOUND_LEFT = 0.1
"""Rise in the bound form's band that a change may have, as a part of that of the free form's.
Assumed: less, and drift of the light refuses a sound change; more, and what only darkens passes for
one."""
_SURELY_ALIKE = 0.95
"""Likeness of the change above which the ground may have any colour: grey or skin that gives way to
blue liquid reach 0.93."""
_COLOURLESS = 4.0
"""Chroma (CIELAB) of what has no colour; the palest usable indicator shows about 9."""
_WOOD = np.array([0.1, 0.3, 0.6])
"""Density of light wood in warm light against white paper (reflectance about 0.8, 0.5, 0.25): what
stands behind a clear liquid adds its own."""
_DEEP = 0.4
"""Difference between the channels of a deeply coloured liquid, density; skin without the wood's
part has less than 0.2."""
_BEYOND_FREE_DEG, _BEYOND_BOUND_DEG = 37.0, 58.0
"""Hue angles that a first colour may lie from mixtures that are mostly bound, mostly free."""


_HALF_WIDTH_NM = 40.0
"""Standard deviation of the band of a form, nm, taken as a Gaussian: bands of azo dyes in water are
80 to 110 nm wide at half height (handbook spectra, from memory). It only ranks wavelengths."""


@dataclass(frozen=True)
class State:
    """Form of the indicator that one colour alone shows."""

    blueness: float
    """Density of the free form's band minus that of the bound form's as a part of the larger one,
    on the scale of Eriochrome Black T: about -0.8 bound (red), +0.4 or more free (blue)."""
    strength: float
    """Density of the dye above the least coloured channel."""


def _bands(channels: tuple[str, ...], indicator: Indicator) -> tuple[int, int] | None:
    """Columns that tell best of the free (blue) form and of the bound (red) form."""
    free, bound = indicator.free, indicator.bound
    if channels == RGB:
        return RGB.index(free.camera_channel), RGB.index(bound.camera_channel)
    numbers = [
        float("".join(c for c in name if c.isdigit() or c == ".") or "nan") for name in channels
    ]
    found = []
    for form, other in ((free, bound), (bound, free)):
        low, high = form.window_nm
        near = [k for k, nm in enumerate(numbers) if low <= nm < high]
        if not near:
            return None
        found.append(max(near, key=lambda k: _told_apart(numbers[k], form, other)))
    return found[0], found[1]


def _told_apart(wavelength_nm: float, form: Form, other: Form) -> float:
    """How much more one form absorbs than the other: next to nothing where their bands meet."""
    away = (wavelength_nm - np.array([form.band_nm, other.band_nm])) / _HALF_WIDTH_NM
    here, there = np.exp(-0.5 * away * away).tolist()
    return float(here - there)


def _contrast(density: FloatArray, bands: tuple[int, int]) -> FloatArray:
    """Density of the free form's band minus the bound form's, as a part of the larger one, (n,)."""
    free, bound = density[:, bands[0]], density[:, bands[1]]
    return np.asarray((free - bound) / np.maximum(np.maximum(free, bound), 1e-3))


@lru_cache(maxsize=64)
def _own_contrasts(bound: Form, free: Form) -> tuple[float, float]:
    """Contrast of the bound and of the free form, from the rough densities of the indicator."""
    bands = RGB.index(free.camera_channel), RGB.index(bound.camera_channel)
    here, there = _contrast(np.array([bound.camera_density, free.camera_density]), bands).tolist()
    return here, there


def state_of(density: FloatArray, channels: tuple[str, ...], indicator: Indicator) -> State | None:
    """Form that one density shows, shape (channels,). See `states_of`."""
    found = states_of(density[None, :], channels, indicator)
    return None if found is None else State(float(found[0][0]), float(found[1][0]))


def states_of(
    density: FloatArray, channels: tuple[str, ...], indicator: Indicator
) -> tuple[FloatArray, FloatArray] | None:
    """Forms that densities show.

    Parameters
    ----------
    density:
        Shape (n, channels).
    channels:
        Names of the channels: `RGB`, or such as "620 nm".
    indicator:
        The one that was used.

    Returns
    -------
    `State.blueness` and `State.strength`, shape (n,) each; None where no channel lies in the bands
    of the two forms.
    """
    bands = _bands(channels, indicator)
    if bands is None:
        return None
    floor = density.min(axis=1) if channels == RGB else np.zeros(len(density))
    floor = np.where(floor < 0.0, floor, 0.5 * floor)
    contrast = _contrast(density - floor[:, None], bands)
    # The thresholds are those of Eriochrome Black T: put the two forms where its own lie.
    usual = ERIOCHROME_BLACK_T
    here, there = _own_contrasts(indicator.bound, indicator.free)
    low, high = _own_contrasts(usual.bound, usual.free)
    contrast = low + (contrast - here) * ((high - low) / (there - here))
    return contrast, density.max(axis=1) - floor


def turns_to_free(curve: Curve, indicator: Indicator) -> bool:
    """Whether the free form's band leads the change, and the bound form's band loses.

    What comes before the flask, a sleeve for example, darkens both.
    """
    bands = _bands(curve.channels, indicator)
    if bands is None or curve.change < 2.0 * _DARK_CHANGE:
        return True
    usual = _usual_change(indicator)
    free, bound = (float(curve.change_density[band]) for band in bands)
    lead = float(usual[RGB.index(indicator.free.camera_channel)]) / float(np.abs(usual).max())
    leads = free > 0.5 * lead * float(np.abs(curve.change_density).max())
    # In a small change the light's own drift may hide what the bound form's band loses.
    loses = bound < _BOUND_LEFT * free
    return leads and (loses or curve.change < _LARGE_CHANGE)


def begins_coloured(curve: Curve, indicator: Indicator) -> bool:
    """Whether the first colour can be the indicator's: skin, cloth and plain water are none.

    Its hue is near that of some mixture of the two forms: a recording may begin within the
    change, and yellow water draws the hue towards orange. A coloured ground behind the liquid may
    draw it anywhere, but leaves the change itself as it is.
    """
    if curve.channels != RGB or curve.change < 2.0 * _DARK_CHANGE:
        return True
    if likeness(curve, indicator) > _SURELY_ALIKE:
        return True
    start = np.median(curve.density[: min(3, len(curve))], axis=0)
    return any(_is_a_mixture(colour, indicator) for colour in (start, *_before_wood(start)))


def _before_wood(density: FloatArray) -> list[FloatArray]:
    """The same without the wood behind it, where a deeper colour is left than skin has."""
    bare = [density - share * _WOOD for share in (0.5, 1.0)]
    return [each for each in bare if each.min() > 0.0 and np.ptp(each) > _DEEP]


def _is_a_mixture(density: FloatArray, indicator: Indicator) -> bool:
    """Whether the hue of a colour is near that of some mixture of the two forms."""
    free = np.linspace(0.0, 1.0, 11)
    bound = np.array(indicator.bound.camera_density)
    hue, chroma, _ = lab_and_rgb(
        np.vstack([density, bound + free[:, None] * _usual_change(indicator)])
    )
    away = np.abs((hue[1:] - hue[0] + 180.0) % 360.0 - 180.0)
    near = away <= np.where(free < 0.5, _BEYOND_BOUND_DEG, _BEYOND_FREE_DEG)
    return bool(chroma[0] >= _COLOURLESS and near.any())


def _usual_change(indicator: Indicator) -> FloatArray:
    """Rough change of density of a camera's channels from the bound to the free form."""
    bound, free = indicator.bound.camera_density, indicator.free.camera_density
    return np.asarray(np.array(free) - np.array(bound))


def end_states(curve: Curve, indicator: Indicator) -> tuple[State | None, State | None]:
    """Forms at the start and at the end of a curve."""
    first = np.median(curve.density[: min(3, len(curve))], axis=0)
    last = np.median(curve.density[-min(3, len(curve)) :], axis=0)
    return state_of(first, curve.channels, indicator), state_of(last, curve.channels, indicator)


def likeness(curve: Curve, indicator: Indicator) -> float:
    """How alike the change of a camera's colours is to that of the indicator: a cosine, 1 alike.

    Rendered films of Eriochrome Black T gave 0.94 to 0.99 with its rough densities.
    """
    usual = _usual_change(indicator)
    size = float(np.linalg.norm(usual)) * curve.change
    return float(usual @ curve.change_density) / size if size > 0 else 1.0
