"""Replicates, recovery and control charts as plain data for JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from calibration.quantity import Quantity
from endpoint.hardness.budget import evaluate_one
from endpoint.hardness.titre import Run
from endpoint.hardness.titre_table import JUDGEMENT
from endpoint.hardness.units import M_CACO3
from endpoint.replicates.control_chart import ControlChart
from endpoint.replicates.mean import Blank, Mean, Summary
from endpoint.replicates.outliers import OutlierTest
from endpoint.replicates.recovery import Recovery
from endpoint.replicates.series import Replicates

FORMAT = 1
"""Version of the JSON of replicates and control charts."""
OWN = "separate for each titration (readings, fillings, colour)"


def replicates_document(
    found: Replicates, spike: Recovery | None = None, spiked: Replicates | None = None
) -> dict[str, Any]:
    """Everything of a set of replicates; plain data without NaN.

    Parameters
    ----------
    found:
        The set.
    spike, spiked:
        Recovery and the spiked titrations, where there are any.
    """
    return {
        "format": FORMAT,
        "kind": "replicates",
        **summary_document(found.summary, found.runs),
        "runs": [_run(found, run) for run in found.runs],
        "set_aside": [
            {"number": a.number, "label": found.run(a.number).label, "because": a.reason}
            for a in found.set_aside
        ],
        "with_set_aside": None
        if found.with_all is None
        else summary_document(found.with_all, found.runs),
        "concordance": _concordance(found),
        "outlier_tests": [_test(test, found.tested) for test in found.tests],
        "outlier_tests_after": [_test(t, found.summary.numbers) for t in found.tests_after],
        "repeatability": _repeatability(found),
        "blank": _blank(found.blank),
        "recovery": _recovery(spike),
        "spiked": None if spiked is None else replicates_document(spiked),
        "not_in_budget": list(not_in_budget(found)),
        "interval_complete": not lacking(found),
        "lacking": [
            {"source": source, "numbers": list(numbers)}
            for source, numbers in lacking(found).items()
        ],
        "notes": list(found.notes),
    }


def not_in_budget(found: Replicates) -> tuple[str, ...]:
    """What no run states, each once."""
    used = [found.run(n) for n in found.summary.numbers]
    return tuple(dict.fromkeys(text for run in used for text in run.not_in_budget))


def lacking(found: Replicates, summary: Summary | None = None) -> dict[str, tuple[int, ...]]:
    """Source that is not stated for all runs of a mean -> numbers of the runs that lack it.

    A run without it brings nothing of it into the mean, so the interval of the mean is too narrow.
    How a person judges the colour is never stated and so left out here.
    """
    missing: dict[str, tuple[int, ...]] = {}
    for n in (summary or found.summary).numbers:
        for text in found.run(n).not_in_budget:
            if text != JUDGEMENT:
                missing[text] = (*missing.get(text, ()), n)
    return missing


def summary_document(summary: Summary, runs: Sequence[Run]) -> dict[str, Any]:
    """Means, scatter and budget of one choice of runs."""
    total = summary.hardness
    net = summary.net_titre_ml
    scatter = summary.scatter
    main = summary.titre.quantity if total is None else total.quantity
    return {
        "n": summary.titre.n,
        "numbers": list(summary.numbers),
        "titre_ml": _mean(summary.titre, 1.0),
        "net_titre_ml": None if net is None else number(net),
        "hardness": None
        if total is None
        else {"mmol_l": _mean(total, 1.0), "caco3_mg_l": _mean(total, M_CACO3, "mg/L CaCO3")},
        "scatter": {
            "of": scatter.of,
            "unit": scatter.unit,
            "observed": scatter.observed,
            "predicted": scatter.predicted,
            "chi_square": scatter.chi_square,
            "birge_ratio": scatter.birge_ratio,
            "p": scatter.p,
            "used": scatter.used,
        },
        "budget": [
            {"name": name, "contribution": u, "unit": main.unit, "share": share}
            for name, u, share in budget(main, runs)
        ],
        "quantities": {
            "equivalence_ml": summary.titre.quantity.to_json(),
            "hardness_mmol_l": None if total is None else total.quantity.to_json(),
        },
    }


def budget(quantity: Quantity, runs: Sequence[Run]) -> list[tuple[str, float, float]]:
    """Name, standard uncertainty and share, largest first; what is the runs' own in one line."""
    prefixes = tuple(run.own_prefix for run in runs)
    squares: dict[str, float] = {}
    for name, c in quantity.contributions.items():
        key = OWN if name.startswith(prefixes) else name
        squares[key] = squares.get(key, 0.0) + c.value**2
    total = math.fsum(squares.values())
    lines = [(name, math.sqrt(v), v / total) for name, v in squares.items() if total > 0]
    return sorted(lines, key=lambda line: -line[2])


def number(quantity: Quantity) -> dict[str, Any]:
    """Value with its uncertainty; null where none is known."""
    u = quantity.standard_uncertainty
    nu = quantity.effective_degrees_of_freedom
    known = u > 0
    found = evaluate_one(quantity)
    check = found.monte_carlo
    by_draws = check is not None and check.is_used
    return {
        "value": quantity.value,
        "unit": quantity.unit,
        "standard_uncertainty": u if known else None,
        "interval95": list(found.interval95) if known else None,
        "interval_from": "Monte Carlo" if by_draws else "first order",
        "coverage_factor": quantity.coverage_factor(0.95) if known and not by_draws else None,
        "effective_degrees_of_freedom": nu if math.isfinite(nu) else None,
        "first_order": {"interval95": list(quantity.interval(0.95))} if known else None,
        "monte_carlo": None if check is None else check.to_json(),
    }


def _mean(mean: Mean, factor: float, unit: str | None = None) -> dict[str, Any]:
    return {
        **number(mean.quantity.scaled(factor, unit)),
        "n": mean.n,
        "s": None if mean.s is None else mean.s * factor,
        "standard_error": None if mean.standard_error is None else mean.standard_error * factor,
        "lowest": mean.low * factor,
        "highest": mean.high * factor,
        "range": (mean.high - mean.low) * factor,
    }


def _run(found: Replicates, run: Run) -> dict[str, Any]:
    return {
        "number": run.number,
        "label": run.label,
        "file": run.where,
        "status": run.status,
        "use": use_of(found, run),
        "titre_ml": None if run.titre_ml is None else number(run.titre_ml),
        "hardness_mmol_l": None if run.hardness_mmol_l is None else number(run.hardness_mmol_l),
        "by_eye": run.by_eye,
        "date": None if run.date is None else run.date.isoformat(),
        "analyst": run.analyst,
        "reason": run.reason,
    }


def use_of(found: Replicates, run: Run) -> str:
    """What a run was used for: "mean", "rough", "set aside" or "no titre"."""
    if run.titre_ml is None:
        return "no titre"
    if run.number in found.rough:
        return "rough"
    return "set aside" if any(a.number == run.number for a in found.set_aside) else "mean"


def _concordance(found: Replicates) -> dict[str, Any]:
    c = found.concordance
    numbers = found.summary.numbers
    members = [numbers[k] for k in c.members]
    return {
        "limit_ml": c.limit_ml,
        "all": c.agrees(len(numbers)),
        "numbers": members,
        "mean_ml": group_mean(found),
        "range_ml": c.range_ml,
        "only_group_of_that_size": c.unique,
    }


def group_mean(found: Replicates) -> float | None:
    """Mean of the concordant titres, mL."""
    titres = [found.run(found.summary.numbers[k]).titre_ml for k in found.concordance.members]
    values = [t.value for t in titres if t is not None]
    return math.fsum(values) / len(values) if values else None


def _test(test: OutlierTest, numbers: Sequence[int]) -> dict[str, Any]:
    return {
        "test": test.test,
        "side": test.side,
        "number": None if test.suspect is None else numbers[test.suspect],
        "statistic": test.statistic,
        "critical_5": test.critical_5,
        "critical_1": test.critical_1,
        "verdict": test.verdict,
        "remark": test.remark,
    }


def _repeatability(found: Replicates) -> dict[str, Any] | None:
    r = found.repeatability
    if r is None:
        return None
    return {
        "limit_ml": r.limit_ml,
        "s_r_ml": r.deviation_ml,
        "n": r.n,
        "critical_range_ml": r.critical_range_ml,
        "range_ml": r.range_ml,
        "critical_s_ml": r.critical_s_ml,
        "s_ml": r.s_ml,
        "kept": r.kept,
    }


def _blank(blank: Blank | None) -> dict[str, Any] | None:
    if blank is None:
        return None
    runs = [
        {
            "label": run.label,
            "file": run.where,
            "titre_ml": None if run.titre_ml is None else run.titre_ml.value,
            "reason": run.reason,
        }
        for run in blank.runs
    ]
    return {"mean_ml": _mean(blank.mean, 1.0), "runs": runs, "remarks": list(blank.remarks)}


def _recovery(spike: Recovery | None) -> dict[str, Any] | None:
    if spike is None:
        return None
    nu = spike.degrees_of_freedom
    return {
        "percent": number(spike.percent),
        "t": spike.t,
        "degrees_of_freedom": nu if math.isfinite(nu) else None,
        "p": spike.p,
        "differs_from_100": spike.differs,
    }


def chart_document(chart: ControlChart, unit: str) -> dict[str, Any]:
    """Control chart with every point, limit and signal."""
    warning, action = chart.limits(2.0), chart.limits(3.0)
    points = []
    for k, value in enumerate(chart.points):
        line = chart.scatter_lines[k]
        points.append(
            {
                "point": k + 1,
                "label": chart.labels[k],
                "n": chart.sizes[k],
                "value": value,
                "limits_2s": list(warning[k]),
                "limits_3s": list(action[k]),
                "scatter": chart.scatter[k],
                "scatter_limits": None if line is None else [line.lower, line.upper],
                "rules": [s.rule for s in chart.signals if s.point == k],
            }
        )
    return {
        "format": FORMAT,
        "kind": "control chart",
        "chart": chart.kind,
        "unit": unit,
        "rules": chart.rules,
        "centre": chart.centre,
        "s": chart.sigma,
        "baseline": chart.baseline,
        "fixed_limits": chart.fixed,
        "in_control": chart.in_control,
        "signals": [
            {"rule": s.rule, "words": s.words, "point": s.point + 1, "label": chart.labels[s.point]}
            for s in chart.signals
        ],
        "scatter_signals": [
            {"point": k + 1, "label": chart.labels[k]} for k in chart.scatter_signals
        ],
        "points": points,
        "remarks": list(chart.remarks),
    }
