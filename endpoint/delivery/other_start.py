"""Whether a pump began at quite another time than its log says, by all that a film shows of it.

A film shows a start in three ways: the colour begins to dilute, a plume tints the view
(`endpoint.delivery.dilution_start`), and the liquid gets less even. Each is faint by itself, so
they are taken together, as a likelihood for every start that the film allows. Whether the log is
believed is then a matter of odds: beforehand few are apart, by anything. No source: own method;
judged in tests/studies/RESULTS.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endpoint.colour.density import ColourTrace
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.dilution_start import Starts, dilution_start, red_until_s
from endpoint.delivery.pump_start import plume_course

FloatArray = NDArray[np.float64]

PUMP_APART = 0.05
"""Part of the pumps whose start was read off beside the film, by any clock. Assumed."""
DOUBTED = -1.1
"""Logarithm of the odds, 1 to 3, from which a log is doubted. Of simulated pumps (tuning seeds 120
to 899) 1 % of those with a right clock are doubted then, and three of four of those that it makes
err by more than 0.3 mL; at even odds 0.8 % and two of three. Lower, and right ones lose their
number; higher, and wrong ones keep it."""
NEAR_S = 3.0
"""Difference up to which a start is that of the log, s: three to five standard uncertainties of
one that was read off (`endpoint.delivery.pump_start`)."""
BEND_SD_S = 5.0
"""Standard deviation of a start by the dilution as lamps and cameras wander, s: about 30 films of
the population (seeds 101 to 413). A bend that near the log speaks for the log."""
_PLUME_AT_MOST = 5.0
"""Most that a plume counts, natural logarithm: once in a hundred films a knock, a hand or a stirrer
that is switched on looks like one. Assumed."""
_OUTLASTS, _AFTER_S = 3.0, 3.0
"""How much less likely, natural logarithm, a log is that goes on for longer than this after the
last picture, s: people film until they stop the pump. Of 24 recordings of another maker no log
outlasts its film, so it is taken for one in twenty."""
_PLACES = 9
"""Starts that stand for all that are near."""


@dataclass(frozen=True)
class OtherStart:
    """Where the start lies if it is not that of the log."""

    later_s: float
    sd_s: float
    odds: float
    """Natural logarithm of the odds that the log is apart from the film; > `DOUBTED`."""


def other_start(trace: ColourTrace, delivery: Delivery, flask_ml: float) -> OtherStart | None:
    """Start of a pump elsewhere than its log says, where that is to be thought of.

    Parameters
    ----------
    trace:
        Colour against time, of all frames or of some spans.
    delivery:
        Continuous, on the clock of the log.
    flask_ml:
        Volume in the flask before, mL.
    """
    diluted, red_s = dilution_start(trace, delivery, flask_ml), red_until_s(trace)
    if diluted is None or red_s is None:
        return None
    away = np.abs(diluted.later_s) > NEAR_S
    if away.sum() < 2:
        return None
    last_s = float(trace.time_s[-1])
    course = plume_course(trace, red_s)

    def seen(later_s: FloatArray) -> FloatArray:
        plume = np.interp(delivery.begin_s + later_s, *course, left=0.0, right=0.0)
        outlasts = float(delivery.time_s[-1]) + later_s > last_s + _AFTER_S
        return np.asarray(np.minimum(plume, _PLUME_AT_MOST) - _OUTLASTS * outlasts)

    about_s = np.linspace(-NEAR_S, NEAR_S, _PLACES)
    bent = np.exp(-0.5 * (diluted.later_s / BEND_SD_S) ** 2)
    bend = np.log((1.0 + bent @ np.exp(diluted.likelihood)) / (1.0 + bent.sum()))
    near = Starts(about_s, float(bend) + seen(about_s))
    later_s = diluted.later_s[away]
    other = Starts(later_s, diluted.likelihood[away] + seen(later_s))
    odds = other.gain - near.gain + float(np.log(PUMP_APART / (1.0 - PUMP_APART)))
    return OtherStart(other.mean_s, other.sd_s, odds) if odds > DOUBTED else None
