"""What the tests of a set of replicates say, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from calibration.quantity import Quantity
from endpoint.hardness.budget import evaluate_one
from endpoint.hardness.titre import Run
from endpoint.replicates.document import lacking
from endpoint.replicates.mean import Summary
from endpoint.replicates.outliers import OutlierTest
from endpoint.replicates.recovery import Recovery
from endpoint.replicates.series import Replicates
from endpoint.rounding import (
    FIXED_SPACE,
    decimals_for,
    format_quantity,
    probability,
    rounded,
    two_figures,
)

_SIDES = {"both": "either side", "high": "the high side", "low": "the low side"}


def titre_decimals(runs: Sequence[Run]) -> int:
    """Decimals that titres are listed with: as written by a person, else by their uncertainty."""
    titres = [run.titre_ml for run in runs if run.titre_ml is not None]
    if not titres:
        return 2
    if any(run.by_eye for run in runs):
        enough = (
            d for d in range(1, 4) if all(abs(t.value - round(t.value, d)) < 1e-9 for t in titres)
        )
        return max(next(enough, 3), 2)
    return max((decimals_for(t.standard_uncertainty) or 3 for t in titres), default=3)


def expanded(quantity: Quantity, unit: str | None = None, least: int = 3) -> str:
    """Text such as "1.234 ± 0.012 mmol/L"; without ± where no uncertainty is known."""
    unit = quantity.unit if unit is None else unit
    if quantity.standard_uncertainty == 0.0:
        return f"{rounded(quantity.value, least)}{FIXED_SPACE}{unit.replace(' ', FIXED_SPACE)}"
    return format_quantity(quantity.value, evaluate_one(quantity).expanded_uncertainty, unit)


def how_sure(quantity: Quantity, *, complete: bool = True) -> str:
    """Words on the coverage of an interval, that sources are not in it, or that none is known."""
    if quantity.standard_uncertainty == 0.0:
        return "(uncertainty not known)"
    less = "" if complete else ", incomplete: not all sources are included"
    check = evaluate_one(quantity).monte_carlo
    if check is None or not check.is_used:
        return f"(95{FIXED_SPACE}%{less})"
    first = two_figures(quantity.expanded_uncertainty(0.95))
    return f"(95{FIXED_SPACE}%, Monte Carlo; first order \u00b1{FIXED_SPACE}{first}{less})"


def listed(found: Replicates, numbers: Sequence[int]) -> str:
    """Several runs as a person would call them."""
    return ", ".join(called(found, n) for n in numbers)


def called(found: Replicates, number: int) -> str:
    """Run by its number, and by its label where that tells it apart."""
    label = found.run(number).label
    same = sum(run.label == label for run in found.runs) > 1
    return f"no. {number}" if same or label == str(number) else f"no. {number} ({label})"


def findings(found: Replicates, spike: Recovery | None, spiked: Replicates | None) -> list[str]:
    """Sentences on missing titres, scatter, outliers, repeatability, blank and recovery."""
    lines = [
        f"{called(found, run.number)} has no titre and is not in the mean: {run.reason}"
        for run in found.without_titre
    ]
    lines += _lacking_words(found)
    lines.append(scatter_words(found.summary))
    lines += _test_words(found)
    lines += _repeatability_words(found)
    if found.blank is not None:
        mean = found.blank.mean
        s = "" if mean.s is None else f", s = {two_figures(mean.s)} mL"
        sure = how_sure(mean.quantity)
        lines.append(
            f"Blank: {expanded(mean.quantity, least=3)} {sure}, n = {mean.n}{s}; "
            "it was subtracted from every titre."
        )
        lines += [
            f"Blank {r.label} has no volume: {r.reason}" for r in found.blank.runs if r.reason
        ]
        lines += found.blank.remarks
    if spike is not None and spiked is not None:
        lines.append(recovery_words(spike, spiked))
    return lines


def _lacking_words(found: Replicates) -> list[str]:
    """Which titrations lack a source of uncertainty that the mean should hold."""
    missing = lacking(found)
    if not missing:
        return []
    used = found.summary.numbers
    by_runs: dict[tuple[int, ...], list[str]] = {}
    for source, numbers in missing.items():
        by_runs.setdefault(numbers, []).append(source)
    parts = []
    for numbers, sources in by_runs.items():
        every = len(numbers) == len(used)
        who = "every titration" if every else listed(found, numbers)
        parts.append(f"{who}: {', '.join(sources)}")
    return [
        "The interval of the mean is incomplete and too narrow, because not every uncertainty is "
        f"stated. Missing for {'; for '.join(parts)}. State what is missing and analyse again."
    ]


def scatter_words(summary: Summary) -> str:
    """Sentence on observed against predicted scatter, and which is used."""
    c = summary.scatter
    if c.observed is None:
        return (
            "A single titration shows no scatter; its own uncertainty is used."
            if c.used == "predicted"
            else "A single titration shows no scatter, and nothing predicts it."
        )
    observed = f"The titrations scatter by s = {two_figures(c.observed)} {c.unit} in {c.of}"
    if c.predicted is None or c.chi_square is None or c.birge_ratio is None or c.p is None:
        if c.observed == 0.0:
            return (
                "All titres are equal to the last digit and no ware is stated, so their "
                "uncertainty is not known (it is not zero)."
            )
        few = _two_only(summary)
        return (
            f"{observed}. This scatter is used, because the uncertainty of each titration is not "
            f"stated.{few}"
        )
    compared = (
        f"{observed}; their own uncertainties predict {two_figures(c.predicted)} (Birge ratio "
        f"{rounded(c.birge_ratio, 2)}, chi-square {rounded(c.chi_square, 1)} on "
        f"{summary.titre.n - 1}, {probability(c.p)})."
    )
    if c.used == "predicted":
        weak = " Two titrations are a weak check of that." if summary.titre.n == 2 else ""
        return f"{compared} This is no more than predicted; the predicted scatter is used.{weak}"
    if c.p < 0.05:
        return (
            f"{compared} This is more than chance explains: something varies from run to run that "
            f"their budgets do not include. The observed scatter is used.{_two_only(summary)}"
        )
    return (
        f"{compared} This is more than predicted, though chance may explain it; the observed "
        f"scatter is used.{_two_only(summary)}"
    )


def _two_only(summary: Summary) -> str:
    """What it does to the interval that the scatter was found from two values."""
    if summary.titre.n != 2:
        return ""
    return (
        " Two titrations hardly show a scatter, so the interval is wide; a third would help a lot."
    )


def _test_words(found: Replicates) -> list[str]:
    lines = _tests(found, found.tests, found.tested)
    hit = any(test.verdict in ("straggler", "outlier") for test in found.tests)
    if hit and not found.set_aside:
        lines.append(
            "A test alone is no reason to discard a titre. Look for a cause (overshot end, air in "
            "the tip, misread burette). If you find one, use --set-aside and --because; if not, "
            "keep the titre or repeat the titration."
        )
    after = [t for t in _tests(found, found.tests_after, found.summary.numbers) if t not in lines]
    return lines + [f"Without what was set aside: {text}" for text in after]


def _tests(found: Replicates, tests: Sequence[OutlierTest], numbers: Sequence[int]) -> list[str]:
    lines = [_one_test(found, t, numbers) for t in tests if t.verdict != "not tested"]
    # Both tests refuse for one and the same reason: it is said once.
    refused = dict.fromkeys(t.remark for t in tests if t.verdict == "not tested")
    return lines + [f"Outlier test: {text}" for text in refused]


def _one_test(found: Replicates, test: OutlierTest, numbers: Sequence[int]) -> str:
    assert test.suspect is not None
    values = [
        rounded(x, 4) for x in (test.statistic, test.critical_5, test.critical_1) if x is not None
    ]
    who = called(found, numbers[test.suspect])
    verdict = {
        "nothing": f"{who} is furthest from the others, but chance explains it",
        "straggler": f"{who} is a straggler: significant at the 5 % level, not at the 1 % level",
        "outlier": f"{who} is an outlier at the 1 % level",
    }[test.verdict]
    text = (
        f"{test.test} ({_SIDES[test.side]}): {verdict} ({values[0]}; 5 % value {values[1]}, "
        f"1 % value {values[2]})."
    )
    return f"{text} {test.remark}".rstrip()


def _repeatability_words(found: Replicates) -> list[str]:
    r = found.repeatability
    if r is None:
        return []
    word = "within" if r.kept else "beyond"
    what = (
        f"the limit r = {two_figures(r.limit_ml)} mL for two"
        if r.n == 2
        else f"{two_figures(r.critical_range_ml)} mL, the 95 % range of {r.n} titres for "
        f"r = {two_figures(r.limit_ml)} mL (r = 2.8 s_r)"
    )
    tail = "" if r.kept else " Titrate again, and look for the cause."
    s = (
        f" s = {two_figures(r.s_ml)} mL against at most {two_figures(r.critical_s_ml)} mL."
        if r.n > 2
        else ""
    )
    return [f"Repeatability: the range of {two_figures(r.range_ml)} mL is {word} {what}.{s}{tail}"]


def recovery_words(spike: Recovery, spiked: Replicates) -> str:
    """Sentence on the recovery of a spike."""
    n = spiked.summary.titre.n
    text = f"Recovery of the spike: {expanded(spike.percent, '%', 1)}"
    if spike.p is None or spike.t is None:
        return f"{text}; its uncertainty is not known, so it cannot be tested against 100 %."
    nu = spike.degrees_of_freedom
    shown = "many" if nu > 1e4 else rounded(nu, 0 if nu >= 10 else 1)
    verdict = (
        "It differs from 100 % by more than chance explains."
        if spike.differs
        else "It does not differ significantly from 100 % (which does not prove that it is 100 %)."
    )
    return (
        f"{text} (95 %), {n} spiked titration{'s' if n > 1 else ''}. {verdict} t = "
        f"{rounded(spike.t, 2)}, degrees of freedom {shown}, {probability(spike.p)}."
    )
