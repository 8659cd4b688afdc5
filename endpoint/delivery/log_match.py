"""Whether a log is that of its recording, by the order of its additions.

Among dozens of clocks one fits every log by chance. So before a clock is believed that nobody
stated, the log has to fit better by its best clock than the same additions do in any other order by
theirs: a permutation test (Good, Permutation, Parametric and Bootstrap Tests of Hypotheses, 2005;
from memory).
"""

from __future__ import annotations

import numpy as np

from endpoint.colour.density import ColourTrace
from endpoint.delivery.activity import INDEPENDENT, activity_of
from endpoint.delivery.delivery import Delivery
from endpoint.delivery.row_path import Costs, Rows, cheapest_path, costs_of

_ORDERS, _CLEARLY = 4, 1.0
"""Other orders that are tried, and by how much the log must be better than each, natural logarithm.
Of 60 films of the population (seeds 2000 to 2116) that got the log of another one 77 % are doubted
so, and with their own log 50 %, where few plumes are seen. Lower, and a log of another film gets a
number by its own clock's difference; higher, and clocks that are apart get intervals only."""
_CLOCKS_S, _LEAST_INSIDE = 4.0, 0.6
"""Steps between the clocks that are tried, s: rows reach as far; and the part of the rows that the
recording must hold."""


def matches(trace: ColourTrace, delivery: Delivery) -> bool:
    """Whether a log fits its recording better than its additions do in another order.

    Parameters
    ----------
    trace:
        Colour against time, of all frames.
    delivery:
        The log, in steps, on any clock.
    """
    activity = activity_of(trace)
    if activity is None:
        return False
    costs = costs_of(activity)
    rows = Rows.of(delivery)
    own = _least(costs, rows)
    waits_s = np.diff(rows.time_s, prepend=0.0)
    rng = np.random.default_rng(1)
    others = []
    for _ in range(_ORDERS):
        order = rng.permutation(waits_s.size)
        added_ml = rows.added_ml[order]
        other = Rows(np.cumsum(waits_s[order]), np.cumsum(added_ml), added_ml)
        others.append(_least(costs, other))
    # That no other order can be put in at all speaks for this one.
    return bool(np.isfinite(own) and own + _CLEARLY <= min(others))


def _least(costs: Costs, rows: Rows) -> float:
    """Least cost by any clock, natural logarithm; infinite where the rows fit nowhere."""
    activity = costs.activity
    first_s, last_s = activity.first_s, activity.last_s
    least = np.inf
    for later_s in np.arange(first_s - rows.time_s[-1], last_s - rows.time_s[0], _CLOCKS_S):
        at_s = rows.time_s + later_s
        if np.mean((at_s >= first_s) & (at_s <= last_s)) < _LEAST_INSIDE:
            continue
        path = cheapest_path(costs, rows, float(later_s), coarse=True)
        if path is not None:
            least = min(least, path.cost * INDEPENDENT)
    return float(least)
