"""One rule of rounding for everything that people read.

The uncertainty is given to two significant figures and the value to the same decimals (JCGM
100:2008, 7.2.6); nothing is rounded on the way there.
"""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal


def decimals_for(uncertainty: float) -> int | None:
    """Decimals that two significant figures of an uncertainty need; negative for tens.

    Returns None where the uncertainty is 0 or unknown.
    """
    if not uncertainty > 0:
        return None
    number = Decimal(repr(float(uncertainty)))
    decimals = 1 - number.adjusted()
    # 0.0996 rounds up to 0.100: two figures then end one place earlier.
    if _to(number, decimals).adjusted() != number.adjusted():
        decimals -= 1
    return decimals


def _to(number: Decimal, decimals: int) -> Decimal:
    return number.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)


def rounded(value: float, decimals: int) -> str:
    """Value with so many decimals as plain text; negative decimals round to tens."""
    number = _to(Decimal(repr(float(value))), decimals)
    return format(number if decimals >= 0 else number.quantize(Decimal(1)), "f")


def with_uncertainty(value: float, uncertainty: float | None, least: int = 3) -> tuple[str, str]:
    """Value and uncertainty as texts of equal decimals.

    Parameters
    ----------
    value, uncertainty:
        In one unit; the uncertainty may be standard or expanded, 0 or None.
    least:
        Decimals of the value where no uncertainty is known.
    """
    decimals = None if uncertainty is None else decimals_for(uncertainty)
    if decimals is None or uncertainty is None:
        return rounded(value, least), ""
    return rounded(value, decimals), rounded(uncertainty, decimals)
