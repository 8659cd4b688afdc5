"""A comparison as plain data: JSON, and the rows that the CSV and the terminal are drawn from."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import Any

from endpoint.comparison.agreement import Agreement, GroupedAgreement
from endpoint.comparison.estimates import Ranged, Refused
from endpoint.comparison.precision import Precision
from endpoint.comparison.regression import Line
from endpoint.comparison.study import Against, AnalystBias, Comparison
from endpoint.files.csv_table import plain_cell
from endpoint.replicates.outliers import OutlierTest

FORMAT = 1
"""Version of the JSON of a comparison."""
NAMES = {"equivalence_ml": "the equivalence volume", "last_red_ml": "the last red"}
_HEADER = (
    "against",
    "method",
    "quantity",
    "value",
    "low95",
    "high95",
    "unit",
    "n",
    "p_value",
)


@dataclass(frozen=True)
class Row:
    """One number of the results."""

    against: str
    method: str
    quantity: str
    value: float
    unit: str
    n: int
    low: float | None = None
    high: float | None = None
    p_value: float | None = None


def rows_of(found: Comparison) -> list[Row]:
    """Every number of a comparison, in a fixed order."""
    rows: list[Row] = []
    for part in found.against:
        rows += _agreement_rows(part) + _line_rows(part) + _test_rows(part) + _analyst_rows(part)
        if part.scatter is not None:
            rows += _precision_rows(part.scatter, part.volume, "differences by analyst")
    for level in found.precision:
        rows += _precision_rows(level, "", f"visual titres of {level.of}")
    return rows


def further_of(part: Against) -> list[tuple[str, GroupedAgreement]]:
    """Limits for further analysts, samples, or both, those that are known."""
    kinds = (
        ("analysts", part.further_analysts),
        ("samples", part.further_samples),
        ("analysts and samples", part.further_both),
    )
    return [(of, each) for of, each in kinds if each is not None]


def _ranged(against: str, method: str, name: str, value: Ranged, unit: str, n: int) -> Row:
    return Row(against, method, name, value.value, unit, n, value.low, value.high)


def _agreement_rows(part: Against) -> list[Row]:
    rows: list[Row] = []
    kinds: list[tuple[str, Agreement | None]] = [
        ("limits of agreement, exact intervals", part.agreement),
        ("limits of agreement, approximate intervals (1999)", part.approximate),
    ]
    for of, further in further_of(part):
        kinds.append((f"limits of agreement for further {of}", further.agreement))
    for method, each in kinds:
        if each is None:
            continue
        for name, value in (
            ("bias", each.bias_ml),
            ("lower limit", each.lower_ml),
            ("upper limit", each.upper_ml),
        ):
            rows.append(_ranged(part.volume, method, name, value, "mL", each.n))
        s = each.s_ml
        rows.append(Row(part.volume, method, "standard deviation", s, "mL", each.n))
    return rows


def _line_rows(part: Against) -> list[Row]:
    rows = []
    for line in part.lines:
        about = (part.volume, line.method)
        rows.append(_ranged(*about, "slope", line.slope, "1", line.n))
        rows.append(_ranged(*about, "intercept", line.intercept_ml, "mL", line.n))
        if line.chi_square is not None:
            chi, p = line.chi_square, line.p_value
            rows.append(Row(*about, "chi-square of the fit", chi, "1", line.n, p_value=p))
    if part.rank_line is not None:
        slope, intercept = part.rank_line
        n = len(part.pairs)
        rows.append(_ranged(part.volume, "Passing-Bablok", "slope", slope, "1", n))
        rows.append(_ranged(part.volume, "Passing-Bablok", "intercept", intercept, "mL", n))
    return rows


def _test_rows(part: Against) -> list[Row]:
    return [
        Row(part.volume, t.method, "statistic", t.statistic, "1", t.n, p_value=t.p_value)
        for t in part.tests
    ]


def _analyst_rows(part: Against) -> list[Row]:
    rows = []
    for each in part.by_analyst:
        low, high = (None, None) if each.interval is None else each.interval.ends
        about = (part.volume, "bias by analyst", f"bias of {each.analyst}")
        rows.append(Row(*about, each.bias_ml, "mL", each.n, low, high, each.adjusted_p))
    return rows


def _precision_rows(found: Precision, against: str, method: str) -> list[Row]:
    n, p = sum(found.numbers), found.anova.p_value
    return [
        _ranged(against, method, "s_r (repeatability)", found.s_r_ml, "mL", n),
        Row(against, method, "s_L (between analysts)", found.s_between_ml, "mL", n, p_value=p),
        _ranged(against, method, "s_R (reproducibility)", found.s_reproducibility_ml, "mL", n),
        Row(against, method, "r (repeatability limit)", found.r_ml, "mL", n),
        Row(against, method, "R (reproducibility limit)", found.R_ml, "mL", n),
    ]


def results_csv(found: Comparison) -> str:
    """Results as CSV, one number in each row."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_HEADER)
    for row in rows_of(found):
        numbers = [_cell(v) for v in (row.value, row.low, row.high)]
        writer.writerow(
            (
                plain_cell(row.against),
                row.method,
                plain_cell(row.quantity),
                *numbers,
                row.unit,
                row.n,
                _cell(row.p_value),
            )
        )
    return out.getvalue()


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def comparison_document(found: Comparison) -> dict[str, Any]:
    """Everything of a comparison as plain data without NaN."""
    return {
        "format": FORMAT,
        "kind": "comparison",
        "table": found.table.name,
        "titrations": len(found.table.pairs),
        "left_out": [
            {"row": x.row, "analyst": x.analyst, "sample": x.sample, "because": x.because}
            for x in found.table.left_out
        ],
        "against": {part.volume: _against(part) for part in found.against},
        "with_all": {part.volume: _against(part) for part in found.with_all},
        "precision": [_precision(level) for level in found.precision],
        "not_done": [_refused(each) for each in found.refused],
        "remarks": list(found.remarks),
    }


def _against(part: Against) -> dict[str, Any]:
    size = part.advice
    return {
        "n": len(part.pairs),
        "agreement": _agreement(part.agreement),
        "agreement_approximate": _agreement(part.approximate),
        "further_analysts": _grouped(part.further_analysts, "analysts"),
        "further_samples": _grouped(part.further_samples, "samples"),
        "further_both": _grouped(part.further_both, "groups"),
        "lines": [_line(line) for line in part.lines],
        "variance_ratio_is": part.ratio_source,
        "passing_bablok": None
        if part.rank_line is None
        else {
            "slope": _number(part.rank_line[0]),
            "intercept_ml": _number(part.rank_line[1]),
        },
        "tests": [
            {"test": t.method, "n": t.n, "statistic": t.statistic, "p_value": t.p_value}
            for t in part.tests
        ],
        "by_analyst": [_analyst(each) for each in part.by_analyst],
        "precision_of_differences": None if part.scatter is None else _precision(part.scatter),
        "outlier": _outlier(part),
        "normality_p": part.normal_p,
        "trend_p": part.trend_p,
        "proportional_bias": None
        if part.proportional is None
        else {**_number(part.proportional), "found": not part.proportional.holds(0.0)},
        "sample_size": None
        if size is None
        else {
            "s_ml": size.s_ml,
            "bias_to_find_ml": size.bias_ml,
            "power": size.power,
            "titrations_for_bias": size.n_for_bias,
            "limits_within_ml": size.limits_ml,
            "titrations_for_limits": size.n_for_limits,
            "bias_found_now_ml": size.bias_found_now_ml,
            "limits_within_now_ml": size.limits_now_ml,
        },
        "not_done": [_refused(each) for each in part.refused],
    }


def _number(value: Ranged) -> dict[str, Any]:
    return {"value": value.value, "interval95": list(value.ends)}


def _agreement(found: Agreement | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "n": found.n,
        "bias_ml": _number(found.bias_ml),
        "lower_limit_ml": _number(found.lower_ml),
        "upper_limit_ml": _number(found.upper_ml),
        "s_ml": found.s_ml,
        "intervals": found.interval,
    }


def _grouped(found: GroupedAgreement | None, of: str) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        of: found.groups,
        "s_within_ml": found.s_within_ml,
        "s_between_ml": found.s_between_ml,
        **(_agreement(found.agreement) or {}),
    }


def _line(line: Line) -> dict[str, Any]:
    return {
        "method": line.method,
        "n": line.n,
        "slope": {**_number(line.slope), "standard_uncertainty": line.u_slope},
        "intercept_ml": {
            **_number(line.intercept_ml),
            "standard_uncertainty": line.u_intercept_ml,
        },
        "covariance_ml": line.covariance,
        "chi_square": line.chi_square,
        "degrees_of_freedom": line.freedom,
        "p_value": line.p_value,
        "variance_ratio": line.variance_ratio,
    }


def _analyst(each: AnalystBias) -> dict[str, Any]:
    return {
        "analyst": each.analyst,
        "n": each.n,
        "bias_ml": {
            "value": each.bias_ml,
            "interval95": None if each.interval is None else list(each.interval.ends),
        },
        "s_ml": each.s_ml,
        "adjusted_p": each.adjusted_p,
    }


def _precision(found: Precision) -> dict[str, Any]:
    c = found.cochran
    return {
        "of": found.of,
        "analysts": [
            {"analyst": a, "titres": n} for a, n in zip(found.analysts, found.numbers, strict=True)
        ],
        "mean_ml": found.mean_ml,
        "s_r_ml": _number(found.s_r_ml),
        "s_between_ml": found.s_between_ml,
        "s_R_ml": _number(found.s_reproducibility_ml),
        "r_ml": found.r_ml,
        "R_ml": found.R_ml,
        "f": found.anova.f,
        "p_value": found.anova.p_value,
        "cochran": None
        if c is None
        else {
            "analyst": c.analyst,
            "statistic": c.statistic,
            "critical_5": c.critical_5,
            "critical_1": c.critical_1,
            "verdict": c.verdict,
        },
        "grubbs_of_means": _test(found.means),
    }


def _test(test: OutlierTest) -> dict[str, Any]:
    return {
        "statistic": test.statistic,
        "critical_5": test.critical_5,
        "critical_1": test.critical_1,
        "verdict": test.verdict,
        "remark": test.remark,
    }


def _outlier(part: Against) -> dict[str, Any]:
    k = part.outlier.suspect
    return {**_test(part.outlier), "row": None if k is None else part.pairs[k].row}


def _refused(each: Refused) -> dict[str, str]:
    return {"method": each.method, "text": each.sentence, "advice": each.remedy}
