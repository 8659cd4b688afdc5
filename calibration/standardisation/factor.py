"""Concentration of a titrant on a day, from several standardisations.

    between two:  c = (1 - w) c_before + w c_after,  w = the part of the time that has passed
    after the last:  c = c_last

The concentration may have changed at any time between two standardisations, and in whatever way:
what it changed by in all is the width of a rectangular distribution. After the last one it is taken
to change as fast as it did between the last two, in either direction. Both are our choice; a
bottle that changes much shows in the budget, under the name of its drift.
"""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Sequence

from calibration.certificate import Certificate
from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity

_LARGEST_CHANGE = 0.05
"""Change between two standardisations, as a part, from which they are not of one bottle, or one of
them is wrong: EDTA in polyethylene changes by tenths of a percent in a month (from memory)."""


def factor_on(day: datetime.date, certificates: Sequence[Certificate]) -> Quantity:
    """Concentration in mol/L on a day, with the drift as a source of its own.

    Parameters
    ----------
    day:
        Day of the titration.
    certificates:
        Of kind "titrant", all of one bottle, at least one.

    Raises
    ------
    CalibrationProblem
        Two are of one day, or they differ by more than 5 %.
    """
    ordered = sorted(certificates, key=lambda each: each.date)
    values = [each.quantity("concentration", "mol/L") for each in ordered]
    pairs = zip(itertools.pairwise(ordered), itertools.pairwise(values), strict=True)
    for (a, b), (u, v) in pairs:
        if a.date == b.date:
            raise CalibrationProblem(
                f"Certificates {a.identifier} and {b.identifier} of the titrant are of one day.",
                "Put the titres of one day into one sheet.",
            )
        if abs(v.value / u.value - 1.0) > _LARGEST_CHANGE:
            raise CalibrationProblem(
                f"From {a.identifier} to {b.identifier} the titrant changes by "
                f"{100.0 * (v.value / u.value - 1.0):+.1f} %.",
                "Name the certificates of one bottle, or give only the one in force.",
            )
    after = next((k for k, each in enumerate(ordered) if each.date > day), len(ordered))
    if after == 0 or len(ordered) == 1:
        return values[0]
    if after < len(ordered):
        first, second, k = ordered[after - 1], ordered[after], after
        passed = (day - first.date) / (second.date - first.date)
        found = (values[k - 1].scaled(1.0 - passed) + values[k].scaled(passed)).scaled(1.0, "mol/L")
        half = 0.0 if day == first.date else 0.5 * abs(values[k].value - values[k - 1].value)
    else:
        first, second = ordered[-2:]
        found = values[-1]
        half = abs(values[-1].value - values[-2].value) * (
            (day - second.date) / (second.date - first.date)
        )
    if not half > 0.0:
        return found
    name = f"titrant: drift, {first.identifier} to {second.identifier}"
    return found + Quantity.from_limits(0.0, "mol/L", half, "rectangular", name)
