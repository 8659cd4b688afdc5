"""Soft and hard in words: a hardness on a scale that is named."""

from __future__ import annotations

from endpoint.hardness.units import M_CACO3

SCHEME = "scale of the US Geological Survey"
BANDS = (
    ("soft", 60.0),
    ("moderately hard", 120.0),
    ("hard", 180.0),
    ("very hard", None),
)
"""Word, and the hardness up to which it holds, mg/L as CaCO3. The survey prints 0 to 60, 61 to 120,
121 to 180 and above; here the ends are closed, so that 60.5 is moderately hard."""
OTHER_SCHEME = (
    f"The German detergent act of 2007 draws the lines at 1.5 and 2.5 mmol/L ({1.5 * M_CACO3:.0f} "
    f"and {2.5 * M_CACO3:.0f} mg/L)"
)


def band_of(caco3_mg_l: float) -> str:
    """Word for a hardness in mg/L as CaCO3, >= 0."""
    return next(word for word, up_to in BANDS if up_to is None or caco3_mg_l <= up_to)


def hardness_in_words(caco3_mg_l: float, low: float, high: float) -> str:
    """Word for a hardness with its interval: two words where the interval crosses a line.

    Parameters
    ----------
    caco3_mg_l, low, high:
        Hardness and the ends of its interval, mg/L as CaCO3.
    """
    first, last = band_of(max(low, 0.0)), band_of(max(high, 0.0))
    if first == last:
        return band_of(caco3_mg_l)
    return f"{first} or {last} (the interval crosses a line of the scale)"


def scale_in_words() -> str:
    """The scale in one line."""
    parts, below = [], 0.0
    for word, up_to in BANDS:
        if up_to is None:
            parts.append(f"{word} above {below:g}")
        else:
            parts.append(f"{word} up to {up_to:g}")
            below = up_to
    return f"{', '.join(parts)} mg/L as CaCO3"
