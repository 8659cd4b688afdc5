"""One rule of rounding for everything that people read.

The uncertainty is given to two significant figures and the value to the same decimals (JCGM
100:2008, 7.2.6); nothing is rounded before that.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Context, Decimal

FIXED_SPACE = "\u00a0"
"""Holds a number and its unit on one line; printed as a plain space."""
_ANY_FLOAT = Context(prec=700)
"""Digits enough for the largest number together with the smallest."""


def decimals_for(uncertainty: float) -> int | None:
    """Decimals that two significant figures of an uncertainty need; negative for tens.

    Returns None where the uncertainty is 0, unknown or not finite.
    """
    if not 0 < uncertainty < math.inf:
        return None
    number = Decimal(repr(float(uncertainty)))
    decimals = 1 - number.adjusted()
    # 0.0996 rounds up to 0.100: two figures then end one place earlier.
    if _to(number, decimals).adjusted() != number.adjusted():
        decimals -= 1
    return decimals


def _to(number: Decimal, decimals: int) -> Decimal:
    return number.quantize(
        Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN, context=_ANY_FLOAT
    )


def rounded(value: float, decimals: int) -> str:
    """Value with so many decimals as plain text; negative decimals round to tens."""
    return _plain(_to(Decimal(repr(float(value))), decimals))


def _plain(number: Decimal) -> str:
    exponent = number.as_tuple().exponent
    if isinstance(exponent, int) and exponent > 0:
        number = number.quantize(Decimal(1), context=_ANY_FLOAT)
    # "-0.00" would look like a number below zero.
    return format(abs(number) if number == 0 else number, "f")


def two_figures(uncertainty: float) -> str:
    """Uncertainty by itself, to two significant figures."""
    decimals = decimals_for(uncertainty)
    return "0" if decimals is None else rounded(uncertainty, decimals)


def probability(p: float) -> str:
    """Text such as "p = 0.034"."""
    return "p < 0.001" if p < 0.001 else f"p = {rounded(p, 3 if p < 0.1 else 2)}"


def outward(low: float, high: float | None, decimals: int = 2) -> tuple[str, str | None]:
    """Ends of a bracket as texts, rounded so that nothing of it is lost."""
    step = Decimal(1).scaleb(-decimals)
    down = Decimal(repr(float(low))).quantize(step, ROUND_FLOOR, _ANY_FLOAT)
    if high is None:
        return _plain(down), None
    up = Decimal(repr(float(high))).quantize(step, ROUND_CEILING, _ANY_FLOAT)
    return _plain(down), _plain(up)


def format_quantity(value: float, uncertainty: float | None, unit: str) -> str:
    """Text such as "13.901 ± 0.023 mL" that no line break can tear apart.

    Parameters
    ----------
    value, uncertainty:
        As in `with_uncertainty`; without an uncertainty only the value is given.
    unit:
        Written after the number.
    """
    shown, wide = with_uncertainty(value, uncertainty)
    parts = [shown, "\u00b1", wide, unit] if wide else [shown, unit]
    return FIXED_SPACE.join(part.replace(" ", FIXED_SPACE) for part in parts if part)


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
