"""Recovery of a spike: how much of a known addition of hardness the titration finds again."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import ndtr, stdtr

from calibration.problem import Problem
from calibration.quantity import Quantity


class RecoveryProblem(Problem):
    """No recovery can be worked out."""

    code = "recovery"


@dataclass(frozen=True)
class Recovery:
    """Found part of a spike in %, and whether it differs from 100 %."""

    percent: Quantity
    t: float | None
    """(recovery - 100 %) / u; None where no uncertainty is known."""
    degrees_of_freedom: float
    p: float | None
    """Probability of such a difference, or a larger one, by chance; two-sided."""

    @property
    def differs(self) -> bool | None:
        """Whether it differs from 100 % at the 5 % level; None where that cannot be said."""
        return None if self.p is None else self.p < 0.05


def recovery(unspiked: Quantity, spiked: Quantity, added: Quantity) -> Recovery:
    """Recovery = (spiked - unspiked) / added, in %, through the named contributions.

    What both share (titrant, ware) cancels in part in the difference. The test is Student's t with
    the effective degrees of freedom (QUAM 2012, 7.15 on recovery and its significance test, from
    memory).

    Parameters
    ----------
    unspiked, spiked:
        Hardness of the water without and with the spike, mmol/L, both per volume of the water
        itself.
    added:
        Hardness that the spike adds, mmol/L, above 0.

    Raises
    ------
    RecoveryProblem
        The spike is not above zero.
    """
    if not added.value > 0:
        raise RecoveryProblem(
            f"The spike is {added.value:g} mmol/L.", "Give the hardness that it adds, above 0."
        )
    percent = ((spiked - unspiked) / added).scaled(100.0, "%")
    u = percent.standard_uncertainty
    nu = percent.effective_degrees_of_freedom
    if u == 0.0:
        return Recovery(percent, None, nu, None)
    t = (percent.value - 100.0) / u
    tail = float(ndtr(-abs(t))) if math.isinf(nu) else float(stdtr(nu, -abs(t)))
    return Recovery(percent, t, nu, 2.0 * tail)
