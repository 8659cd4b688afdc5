"""A whole verification: levels, line, precision, scatter, and whether the method passes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.certificate import Certificate
from calibration.quantity import Quantity
from endpoint.verification.statistics import (
    Factor,
    Fit,
    Level,
    Precision,
    detection_limits,
    holm,
    level,
    mean_bias,
    precision,
    proportion,
    scatter_factor,
    straight_line,
)
from endpoint.verification.table import VerificationProblem, VerificationTable

ALARM = 0.05
"""Probability below which chance is said not to explain a finding, for all tests together."""
MOST_WITHOUT = 0.1
"""Part of the titrations without a result above which a study decides nothing. Our choice."""
_LEAST_RECOVERY, _MOST_RECOVERY = 0.5, 2.0
"""Recovery outside which, at every level, known and found are not in one unit."""
BIAS, STANDARDS = "method: mean error on this bench", "method: known hardness of the standards"
LEVELS = "method: error that grows with the hardness"


@dataclass(frozen=True)
class Check:
    """One question to the bench, with the probability of the answer if nothing is wrong."""

    code: str
    """"bias", "scatter", "days", "line" or "slope"."""
    p_value: float
    adjusted_p: float
    passed: bool


@dataclass(frozen=True)
class Accepted:
    """One acceptance limit, as a part of the hardness."""

    code: str
    """"bias" or "scatter"."""
    limit: float
    value: float
    low: float
    high: float

    @property
    def verdict(self) -> str:
        """The limit is "met", "not met", or "undecided" where the interval holds it."""
        if self.high <= self.limit:
            return "met"
        return "not met" if self.low > self.limit else "undecided"


@dataclass(frozen=True)
class Verification:
    """Everything that a table says; mmol/L."""

    table: VerificationTable
    levels: tuple[Level, ...]
    bias: Quantity
    """Mean error on this bench, with its own scatter and the known values as sources."""
    expected_u: float
    """Standard uncertainty that the results state for their mean error."""
    line: Fit | None
    precision: Precision
    factor: Factor
    held: int
    """Intervals of 95 % that hold the known value."""
    held_interval: tuple[float, float]
    detection: tuple[float, float] | None
    """Detection and quantitation limit, where the line is known."""
    checks: tuple[Check, ...]
    accepted: tuple[Accepted, ...]

    @property
    def mean_known(self) -> float:
        """Mean of the known hardness of the levels: what acceptance limits are a part of."""
        return _middle(self.levels)

    @property
    def verdict(self) -> str:
        """The method "passes", "does not pass", or the study is "undecided".

        It is undecided where an acceptance limit lies within its interval, or where more than a
        tenth of the titrations gave no result.
        """
        limits = {each.verdict for each in self.accepted}
        if not all(check.passed for check in self.checks) or "not met" in limits:
            return "does not pass"
        return "undecided" if "undecided" in limits or self.many_without else "passes"

    @property
    def passed(self) -> bool:
        """Whether the method passes."""
        return self.verdict == "passes"

    @property
    def many_without(self) -> bool:
        """Whether more than a tenth of the titrations gave no result."""
        without = len(self.table.without_result)
        return without > MOST_WITHOUT * (without + len(self.table.titrations))

    @property
    def is_steadier(self) -> bool:
        """Whether the bench scatters less than the results state: no fault, but worth knowing."""
        return self.factor.high < 1.0

    @property
    def one_error(self) -> bool:
        """Whether one bias describes all levels and days, so that it may be subtracted."""
        return all(c.passed for c in self.checks if c.code in ("days", "line", "slope"))


def _middle(levels: tuple[Level, ...]) -> float:
    return sum(each.known for each in levels) / len(levels)


def verify(table: VerificationTable) -> Verification:
    """Evaluate a verification.

    The uncertainty that results state has a part that is new in each titration and one that all
    share (titrant, burette). Scatter within the levels is held against the first, the mean error
    against both: results that share an error fail or hold together, so the count of intervals that
    hold the known value is told, but not tested.
    """
    rows = table.titrations
    errors = np.array([each.error for each in rows])
    names, days = [each.level for each in rows], [each.day for each in rows]
    own = np.array([each.own_u for each in rows])
    shared = np.sqrt(np.maximum(np.array([each.u for each in rows]) ** 2 - own**2, 0.0))
    known_u = float(np.mean([each.known_u for each in rows]))
    value, scatter_u, freedom = mean_bias(errors, days)
    scatter = Quantity.measured(
        value, "mmol/L", scatter_u, BIAS, kind="A", degrees_of_freedom=freedom
    )
    bias = scatter + Quantity.measured(0.0, "mmol/L", known_u, STANDARDS)
    expected_u = math.hypot(float(shared.mean()), float(np.sqrt(np.sum(own**2))) / len(rows))
    total_u = math.hypot(expected_u, known_u)
    levels = tuple(
        level(
            name,
            [each.found for each in rows if each.level == name],
            next(each.known for each in rows if each.level == name),
            next(each.known_u for each in rows if each.level == name),
            STANDARDS,
        )
        for name in sorted(set(names), key=lambda n: next(e.known for e in rows if e.level == n))
    )
    _check_recovery(table.name, levels)
    line = straight_line(
        np.array([each.known for each in rows]), np.array([each.found for each in rows])
    )
    spread, factor = precision(errors, names, days), scatter_factor(errors, names, own)
    held = sum(abs(e.error) <= 1.96 * math.hypot(e.u, e.known_u) for e in rows)
    return Verification(
        table=table,
        levels=levels,
        bias=bias,
        expected_u=total_u,
        line=line,
        precision=spread,
        factor=factor,
        held=held,
        held_interval=proportion(held, len(rows)),
        detection=None if line is None else detection_limits(levels[0], line.slope),
        checks=_checks(value, total_u, factor, spread, line, _slope_u(table, shared, known_u)),
        accepted=_accepted(table, bias, spread, levels),
    )


def _check_recovery(name: str, levels: tuple[Level, ...]) -> None:
    """Refuse known values in another unit: then every level is off, not a soft one alone."""
    known = [each for each in levels if each.known > 0]
    if not known or any(_LEAST_RECOVERY <= e.recovery <= _MOST_RECOVERY for e in known):
        return
    first = known[0]
    raise VerificationProblem(
        f"{name}: level {first.name} is known to have {first.known:g} mmol/L, but "
        f"{first.mean:.4g} mmol/L was found, and no other level comes nearer.",
        "Give the known hardness in mmol/L (1 mmol/L is 100.09 mg/L as CaCO3), and check that each "
        "row has the recording of its own flask.",
    )


def _slope_u(table: VerificationTable, shared: NDArray[np.float64], known_u: float) -> float:
    """What the results state for the slope: titrant, burette and stock are off in proportion."""
    known = np.array([each.known for each in table.titrations])
    middle = float(known.mean())
    return math.hypot(float(shared.mean()), known_u) / middle if middle > 0 else 0.0


def _checks(
    bias: float,
    expected_u: float,
    factor: Factor,
    spread: Precision,
    line: Fit | None,
    slope_u: float,
) -> tuple[Check, ...]:
    from scipy.special import stdtr

    p = {"bias": math.erfc(abs(bias) / expected_u / math.sqrt(2.0)), "scatter": factor.p_value}
    if spread.days > 1:
        p["days"] = spread.p_value
    if line is not None:
        p["line"] = line.p_value
        z = abs(line.slope - 1.0) / math.hypot(line.slope_u, slope_u)
        p["slope"] = 2.0 * float(stdtr(sum(line.freedom), -z))
    adjusted = holm(list(p.values()))
    return tuple(
        Check(code, value, each, each >= ALARM)
        for (code, value), each in zip(p.items(), adjusted, strict=True)
    )


def _accepted(
    table: VerificationTable, bias: Quantity, spread: Precision, levels: tuple[Level, ...]
) -> tuple[Accepted, ...]:
    """Hold bias and scatter, as parts of the mean hardness, against the limits set before."""
    from endpoint.comparison.estimates import deviation_interval

    middle = _middle(levels)
    found = []
    if table.limits.bias is not None:
        low, high = (end / middle for end in bias.interval(0.95))
        least = 0.0 if low <= 0.0 <= high else min(abs(low), abs(high))
        most = max(abs(low), abs(high))
        found.append(Accepted("bias", table.limits.bias, abs(bias.value) / middle, least, most))
    if table.limits.scatter is not None:
        s = deviation_interval(spread.s_intermediate, spread.freedom_r)
        found.append(
            Accepted("scatter", table.limits.scatter, *(v / middle for v in (s.value, *s.ends)))
        )
    return tuple(found)


def certificate_of(found: Verification) -> Certificate:
    """Certificate of kind "method": the bias, and the factor for the scatter.

    The factor is that of the study where its interval leaves 1 out, else 1: fewer digits of a
    chance result are carried into later ones. The bias is the same at every hardness; by how much
    the line of the study departs from that over the levels is a part of its uncertainty.

    Raises
    ------
    ValueError
        The error differs between levels or days: no single bias may be subtracted.
    """
    if not found.one_error:
        raise ValueError("no single bias describes this bench")
    head, table, factor = found.table.head, found.table, found.factor
    apart = not factor.low <= 1.0 <= factor.high
    low, high = found.levels[0].known, found.levels[-1].known
    tilt = 0.0 if found.line is None else abs(found.line.slope - 1.0) * (high - low) / 2.0
    # As large as at either end, where a rectangular distribution would hold too seldom.
    grows = Quantity.measured(0.0, "mmol/L", tilt, LEVELS)
    return Certificate(
        identifier=head.identifier,
        kind="method",
        what=f"{head.what}; bench: {table.bench}; standards: {table.standards}",
        date=head.date,
        expiry=head.expiry,
        operator=head.operator,
        quantities={
            "bias": found.bias + grows,
            "scatter_factor": Quantity(factor.value if apart else 1.0, "1"),
        },
        readings={"error_mmol_l": tuple(each.error for each in table.titrations)},
        remarks=head.remarks,
        details={
            "passed": found.passed,
            "verdict": found.verdict,
            "titrations": len(table.titrations),
            "from_mmol_l": low,
            "to_mmol_l": high,
            **({} if table.end is None else {"end": table.end}),
        },
    )
