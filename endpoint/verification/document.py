"""A verification as plain data, as CSV and in words."""

from __future__ import annotations

import csv
import io
import math
from typing import Any

from calibration.quantity import Quantity
from endpoint.result.terminal import bullets, encodable, fill, joined, table
from endpoint.result.wording import CAUTION
from endpoint.rounding import probability, rounded, two_figures
from endpoint.verification.study import Accepted, Verification

FORMAT = 1
QUESTIONS = {
    "bias": "Does the mean error agree with the uncertainty that the results state?",
    "scatter": "Is the scatter no larger than the results state?",
    "days": "Do the days agree with one another?",
    "line": "Is the line of found against known hardness straight?",
    "slope": "Does the slope agree with the uncertainty that the results state?",
}
"""What is asked of a bench, by the code of the check."""
REMEDIES = {
    "bias": "Standardise the titrant again, and check burette, pipette and standards.",
    "scatter": "Look for what scatters: reading of the burette, drops, swirling, light.",
    "days": "Look for what changes from day to day: titrant, buffer, light, temperature.",
    "line": "Look at the lowest and the highest level: blank, dilution, titre beyond the burette.",
    "slope": "Standardise the titrant again and check burette and pipette: an error that grows "
    "with the hardness comes from a concentration or a volume.",
}
"""What to do where the answer is no."""
STEADIER = (
    "The bench scatters less than the results state, so their intervals are wider than they need "
    "be: see whether burette and pipette are better than the records say."
)
"""Where the scatter is the smaller one; that is not a fault."""
_UNTIL_THEN = (
    "Until then name the certificate in the record: it subtracts the bias, and takes the scatter "
    "as it is here."
)
_NO_CERTIFICATE = (
    "No certificate: the error is not the same at every level and on every day, so no single bias "
    "can be subtracted. Verify the method again when the cause is found."
)


def verification_document(found: Verification) -> dict[str, Any]:
    """Everything as plain data without NaN; mmol/L unless a key says otherwise."""
    line, detection = found.line, found.detection
    return {
        "format": FORMAT,
        "kind": "verification",
        "table": found.table.name,
        "bench": found.table.bench,
        "standards": found.table.standards,
        "titrations": len(found.table.titrations),
        "without_result": list(found.table.without_result),
        "verdict": found.verdict,
        "passed": found.passed,
        "end": found.table.end,
        "bias_mmol_l": {
            **_number(found.bias),
            "standard_uncertainty_expected": found.expected_u,
        },
        "levels": [
            {
                "level": each.name,
                "n": each.n,
                "known_mmol_l": each.known,
                "known_standard_uncertainty": each.known_u,
                "mean_mmol_l": each.mean,
                "s_mmol_l": each.s,
                "bias_mmol_l": _number(each.bias),
                "p_value": each.p_value,
                "recovery": None if math.isnan(each.recovery) else each.recovery,
                "recovery_interval95": None
                if math.isnan(each.recovery)
                else list(each.recovery_interval),
            }
            for each in found.levels
        ],
        "line": None
        if line is None
        else {
            "slope": line.slope,
            "slope_standard_uncertainty": line.slope_u,
            "intercept_mmol_l": line.intercept,
            "residual_s_mmol_l": line.residual_s,
            "lack_of_fit_f": line.f,
            "degrees_of_freedom": list(line.freedom),
            "p_value": line.p_value,
        },
        "precision": {
            "s_r_mmol_l": found.precision.s_r,
            "s_day_mmol_l": found.precision.s_day,
            "s_intermediate_mmol_l": found.precision.s_intermediate,
            "days": found.precision.days,
        },
        "scatter_factor": {
            "value": found.factor.value,
            "interval95": [found.factor.low, found.factor.high],
            "chi_square": found.factor.chi_square,
            "degrees_of_freedom": found.factor.freedom,
        },
        "intervals": {
            "held": found.held,
            "of": len(found.table.titrations),
            "interval95": list(found.held_interval),
        },
        "detection_limit_mmol_l": None if detection is None else detection[0],
        "quantitation_limit_mmol_l": None if detection is None else detection[1],
        "checks": [
            {
                "check": each.code,
                "p_value": each.p_value,
                "adjusted_p": each.adjusted_p,
                "passed": each.passed,
            }
            for each in found.checks
        ],
        "acceptance": [
            {
                "of": each.code,
                "limit": each.limit,
                "value": each.value,
                "interval95": [each.low, each.high],
                "verdict": each.verdict,
            }
            for each in found.accepted
        ],
    }


def _number(quantity: Quantity) -> dict[str, Any]:
    return {
        "value": quantity.value,
        "standard_uncertainty": quantity.standard_uncertainty,
        "interval95": list(quantity.interval(0.95)),
    }


def levels_csv(found: Verification) -> str:
    """Levels as CSV, one in each row."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    data = verification_document(found)["levels"]
    writer.writerow(
        ("level", "n", "known_mmol_l", "mean_mmol_l", "s_mmol_l", "bias_mmol_l", "bias_low95",
         "bias_high95", "recovery", "recovery_low95", "recovery_high95", "p_value")
    )  # fmt: skip
    for each in data:
        bias = each["bias_mmol_l"]
        numbers = (each["known_mmol_l"], each["mean_mmol_l"], each["s_mmol_l"], bias["value"],
                   *bias["interval95"], each["recovery"],
                   *(each["recovery_interval95"] or (None, None)), each["p_value"])  # fmt: skip
        writer.writerow(
            (each["level"], each["n"], *("" if v is None else f"{v:.6g}" for v in numbers))
        )
    return out.getvalue()


def to_do(found: Verification) -> list[str]:
    """What to do about each answer that is no."""
    said = [REMEDIES[each.code] for each in found.checks if not each.passed]
    if not found.one_error:
        return [*said, _NO_CERTIFICATE]
    return [*said, _UNTIL_THEN] if said else said


def answer(found: Verification) -> str:
    """Return the sentences that answer the question: may the results of this bench be trusted."""
    low, high = found.bias.interval(0.95)
    chance = "chance explains it" if low <= 0.0 <= high else "more than chance explains"
    return (
        f"{found.table.head.what}, {found.table.bench}: {_VERDICTS[found.verdict]}"
        f"{'; '.join(_why(found))}. Mean error {found.bias.value:+.4f} mmol/L (95 % interval "
        f"{low:+.4f} to {high:+.4f}: {chance}); scatter {found.factor.value:.2f} times what the "
        f"results state (95 % interval {found.factor.low:.2f} to {found.factor.high:.2f})."
    )


_VERDICTS = {
    "passes": "the method passes: the results agree with the uncertainties that they state",
    "does not pass": "the method does not pass: ",
    "undecided": "the study does not decide whether the method passes: ",
}


def _why(found: Verification) -> list[str]:
    """What stands against a pass; for one that passes, what is missing all the same."""
    without = len(found.table.without_result)
    said = [_FAILED[each.code] for each in found.checks if not each.passed]
    said += _broken(found)
    if without:
        of = without + len(found.table.titrations)
        said.append(f"{without} of {of} titrations gave no result")
    if found.passed and found.is_steadier:
        said.append("the scatter is smaller than they state")
    return ["", *said] if found.passed and said else said


_FAILED = {
    "bias": "the mean error is larger than the results state",
    "scatter": "the scatter is larger than the results state",
    "days": "the days differ",
    "line": "the line is not straight",
    "slope": "the error grows with the hardness",
}


def _broken(found: Verification) -> list[str]:
    return [
        f"the acceptance limit of the {each.code} is {each.verdict}"
        for each in found.accepted
        if each.verdict != "met"
    ]


def summary_text(found: Verification, *, width: int = 80, encoding: str | None = "utf-8") -> str:
    """Text for a terminal: the answer, levels, checks, and what to do."""
    blocks = [
        [fill(answer(found), width)],
        ["Levels, mmol/L, with 95 % intervals", *table(level_rows(found))],
        [fill(" ".join(filter(None, (line_words(found), precision_words(found)))), width)],
        table(check_rows(found)),
        bullets(to_do(found), width),
        bullets([accepted_words(each) for each in found.accepted], width),
        bullets(remarks(found), width),
        [fill(f"Standards: {found.table.standards}. {CAUTION}", width)],
    ]
    return encodable(joined(blocks), encoding)


def remarks(found: Verification) -> list[str]:
    """What is missing in the table, and what is better than it need be."""
    said = [STEADIER] if found.is_steadier else []
    said += [f"Without a result: {text}." for text in found.table.without_result]
    rows = found.table.titrations
    if found.table.end is None:
        said.append(
            "The table does not say how the ends were found, and recordings have another error "
            'than an eye: write end = "recording" or end = "by eye" in its head.'
        )
    exact = sum(each.known_u == 0.0 for each in rows)
    if exact:
        said.append(
            f"{exact} of {len(rows)} rows state no uncertainty of the known hardness: it counts as "
            "exact there, which makes the intervals too narrow. Fill in known_u_mmol_l."
        )
    return said


def level_rows(found: Verification) -> list[tuple[str, ...]]:
    """Levels as rows of cells under their heads."""
    rows: list[tuple[str, ...]] = [
        ("level", "n", "known", "mean", "s", "bias", "interval", "recovery, %")
    ]
    for each in found.levels:
        low, high = each.bias.interval(0.95)
        share = "-"
        if not math.isnan(each.recovery):
            least, most = each.recovery_interval
            share = f"{100 * each.recovery:.2f} ({100 * least:.2f} to {100 * most:.2f})"
        rows.append(
            (
                each.name[:20],
                str(each.n),
                rounded(each.known, 3),
                rounded(each.mean, 4),
                two_figures(each.s),
                f"{each.bias.value:+.4f}",
                f"{low:+.4f} to {high:+.4f}",
                share,
            )
        )
    return rows


def line_words(found: Verification) -> str:
    """Slope and intercept, and the tests of line and scatter with their degrees of freedom."""
    line, factor = found.line, found.factor
    chi = (
        f"Scatter held against the stated one: chi-square {factor.chi_square:.1f} with "
        f"{factor.freedom} degrees of freedom."
    )
    if line is None:
        return chi
    return (
        f"Line of found against known hardness: slope {line.slope:.4f} (standard uncertainty "
        f"{two_figures(line.slope_u)}), intercept {line.intercept:+.4f} mmol/L; lack of fit F = "
        f"{line.f:.2f} with {line.freedom[0]} and {line.freedom[1]} degrees of freedom. {chi}"
    )


def precision_words(found: Verification) -> str:
    """Precision, limits, and how many intervals hold the known value."""
    spread = found.precision
    days = (
        f"Intermediate precision over {spread.days} days: {two_figures(spread.s_intermediate)} "
        "mmol/L. "
        if spread.days > 1
        else ""
    )
    limits = ""
    if found.detection is not None:
        limits = (
            f"Detection limit {two_figures(found.detection[0])} mmol/L, quantitation limit "
            f"{two_figures(found.detection[1])} mmol/L (ICH Q2: 3.3 and 10 times the scatter of "
            "the lowest level). "
        )
    low, high = (100.0 * end for end in found.held_interval)
    return (
        f"Repeatability: {two_figures(spread.s_r)} mmol/L. {days}{limits}{found.held} of "
        f"{len(found.table.titrations)} intervals of 95 % hold the known value ({low:.0f} to "
        f"{high:.0f} % by the binomial distribution; results that share titrant and ware fail or "
        "hold together, so this is not a test)."
    )


def check_rows(found: Verification) -> list[tuple[str, ...]]:
    """Questions and answers as rows of cells under their heads."""
    rows: list[tuple[str, ...]] = [("question", "answer", "adjusted")]
    rows += [
        (QUESTIONS[each.code], "yes" if each.passed else "no", probability(each.adjusted_p))
        for each in found.checks
    ]
    return rows


def accepted_words(each: Accepted) -> str:
    """Sentence on an acceptance limit."""
    value, low, high, limit = (100.0 * v for v in (each.value, each.low, each.high, each.limit))
    more = " More titrations would decide it." if each.verdict == "undecided" else ""
    return (
        f"Acceptance limit of the {each.code}, {limit:g} %: {each.verdict} ({value:.2f} %, 95 % "
        f"interval {low:.2f} to {high:.2f} %).{more}"
    )
