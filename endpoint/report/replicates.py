"""Replicates in plain words: the answer first, then the titres, then what the tests say."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from calibration.quantity import Quantity
from endpoint.hardness_units import M_CACO3
from endpoint.outliers import OutlierTest
from endpoint.recovery import Recovery
from endpoint.replicates import Mean, Replicates, Summary, scatter_name
from endpoint.report.replicate_document import OWN, budget, group_mean, not_in_budget, use_of
from endpoint.report.rounding import (
    FIXED_SPACE,
    decimals_for,
    format_quantity,
    rounded,
    two_figures,
    with_uncertainty,
)
from endpoint.report.text import CAUTION
from endpoint.titres import Run

_LEAST_SHARE = 0.01
_MOST_LINES = 6
_MOST_NAMES = 6
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
    return format_quantity(quantity.value, quantity.expanded_uncertainty(0.95), unit)


def _how_sure(quantity: Quantity) -> str:
    return f"(95{FIXED_SPACE}%)" if quantity.standard_uncertainty > 0 else "(uncertainty not known)"


def name_of(found: Replicates) -> str:
    """Label that all runs share, or an empty text."""
    labels = {found.run(n).label for n in found.summary.numbers}
    return labels.pop() if len(labels) == 1 and len(found.summary.numbers) > 1 else ""


def means(summary: Summary, least: int) -> str:
    """Mean hardness, or mean titre where sample and titrant are not known."""
    total = summary.hardness
    if total is None:
        volume = summary.titre.quantity if summary.net_titre_ml is None else summary.net_titre_ml
        return f"mean titre {expanded(volume, least=least)} {_how_sure(volume)}"
    mass = total.quantity.scaled(M_CACO3)
    return (
        f"hardness {expanded(total.quantity)} = {expanded(mass, 'mg/L as CaCO3', 1)} "
        f"{_how_sure(total.quantity)}"
    )


def answer(found: Replicates) -> str:
    """One or two sentences that answer the question."""
    summary = found.summary
    name = name_of(found)
    words = means(summary, titre_decimals(found.runs) + 1)
    begin = f"{name}: {words}" if name else words[0].upper() + words[1:]
    n = summary.titre.n
    of = "from 1 titration" if n == 1 else f"mean of {n} titrations"
    return f"{begin}, {of}. {concordance_words(found)}"


def _listed(found: Replicates, numbers: Sequence[int]) -> str:
    return ", ".join(_called(found, n) for n in numbers)


def _called(found: Replicates, number: int) -> str:
    label = found.run(number).label
    same = sum(run.label == label for run in found.runs) > 1
    return f"no. {number}" if same or label == str(number) else f"no. {number} ({label})"


def concordance_words(found: Replicates) -> str:
    """Sentence on concordance."""
    c, decimals = found.concordance, titre_decimals(found.runs)
    numbers = found.summary.numbers
    n = len(numbers)
    limit = f"{two_figures(c.limit_ml)} mL"
    if n == 1:
        return "A single titre does not show whether it can be repeated."
    if c.agrees(n):
        both = "Both" if n == 2 else f"All {n}"
        return f"{both} titres agree within {limit} (concordant)."
    if not c.members:
        return f"No two titres agree within {limit}: not concordant."
    members = [numbers[k] for k in c.members]
    others = [k for k in numbers if k not in members]
    mean = group_mean(found) or 0.0
    tail = "" if c.unique else " Another group is as large, so none is to be preferred."
    if len(members) > len(others) and len(others) <= 4:
        far = "; ".join(
            f"{_called(found, k)} is {rounded(_titre(found.run(k)) - mean, decimals)} mL from "
            "their mean"
            for k in others
        )
        return f"{len(members)} of {n} titres agree within {limit}; {far}.{tail}"
    which = f" ({_listed(found, members)})" if len(members) <= _MOST_NAMES else ""
    return (
        f"Not concordant: at most {len(members)} of {n} titres agree within {limit}{which}.{tail}"
    )


def _titre(run: Run) -> float:
    return 0.0 if run.titre_ml is None else run.titre_ml.value


def summary_text(
    found: Replicates,
    spike: Recovery | None = None,
    spiked: Replicates | None = None,
    *,
    width: int = 80,
    encoding: str | None = "utf-8",
) -> str:
    """Text for a terminal.

    Parameters
    ----------
    found:
        The set of replicates.
    spike, spiked:
        Recovery and the spiked titrations, where there are any.
    width:
        Columns.
    encoding:
        Encoding of the terminal; signs that it lacks are written in ASCII.
    """
    blocks = [
        [fill(answer(found), width), *_aside(found, width)],
        _table(found),
        _statistics(found),
        [fill(f"- {line}", width, "  ") for line in _findings(found, spike, spiked)],
        _budget(found),
        [fill(f"- {line}", width, "  ") for line in _notes(found)],
        [fill(CAUTION, width)],
    ]
    text = "\n\n".join("\n".join(block) for block in blocks if block)
    return plain(text, encoding)


def plain(text: str, encoding: str | None) -> str:
    """Text without fixed spaces, and in ASCII where the terminal lacks a sign."""
    text = text.replace(FIXED_SPACE, " ")
    try:
        text.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        text = text.replace("±", "+-").encode("ascii", "replace").decode("ascii")
    return text


def fill(text: str, width: int, indent: str = "") -> str:
    """Text in lines of a width; fixed spaces are not broken."""
    return textwrap.fill(text, width, subsequent_indent=indent, break_on_hyphens=False)


def _aside(found: Replicates, width: int) -> list[str]:
    """What was left out by a person, and the result with it."""
    lines = []
    for each in found.set_aside:
        called = _called(found, each.number)
        lines.append(fill(f"Set aside: {called}, because: {each.reason}", width, "  "))
    if found.with_all is not None:
        words = means(found.with_all, titre_decimals(found.runs) + 1)
        n = found.with_all.titre.n
        lines.append(fill(f"With everything in: {words}, mean of {n}.", width, "  "))
    if found.rough:
        lines.append(
            fill(f"Marked as rough, not in the mean: {_listed(found, found.rough)}.", width, "  ")
        )
    return lines


def _table(found: Replicates) -> list[str]:
    """Every run: number, label, titre, hardness, what it was used for."""
    decimals = titre_decimals(found.runs)
    full = any(run.hardness_mmol_l is not None for run in found.runs)
    rows = []
    for run in found.runs:
        use = use_of(found, run)
        titre = "-" if run.titre_ml is None else rounded(run.titre_ml.value, decimals)
        total = "-"
        if run.hardness_mmol_l is not None:
            u = run.hardness_mmol_l.standard_uncertainty or None
            total = with_uncertainty(run.hardness_mmol_l.value, u, 4)[0]
        who = [t for t in (run.analyst, run.date and run.date.isoformat()) if t]
        told = ", ".join([*who, *([] if use == "mean" else [use])])
        rows.append((str(run.number), run.label[:28], titre, total, told))
    head = ("no.", "label", "titre/mL", "mmol/L", "")
    wide = [max(len(row[k]) for row in [head, *rows]) for k in range(4)]
    lines = []
    for row in [head, *rows]:
        cells = [row[0].rjust(wide[0]), row[1].ljust(wide[1]), row[2].rjust(wide[2])]
        cells += [row[3].rjust(wide[3])] if full else []
        lines.append("  ".join([*cells, row[4]]).rstrip())
    return lines


def _statistics(found: Replicates) -> list[str]:
    summary = found.summary
    rows = [("", "mean", "s", "s/sqrt(n)", "range", "u")]
    rows.append(_numbers("titre, mL", summary.titre, 1.0))
    net = summary.net_titre_ml
    if net is not None:
        value, u = with_uncertainty(net.value, net.standard_uncertainty or None)
        rows.append(("titre less blank, mL", value, "", "", "", u))
    if summary.hardness is not None:
        rows.append(_numbers("hardness, mmol/L", summary.hardness, 1.0))
        rows.append(_numbers("hardness, mg/L CaCO3", summary.hardness, M_CACO3))
    wide = [max(len(row[k]) for row in rows) for k in range(6)]
    lines = [
        "  ".join([row[0].ljust(wide[0]), *(row[k].rjust(wide[k]) for k in range(1, 6))]).rstrip()
        for row in rows
    ]
    return [
        f"n = {summary.titre.n}; s: scatter of single titrations; u: standard uncertainty of "
        "the mean",
        *lines,
    ]


def _numbers(name: str, mean: Mean, factor: float) -> tuple[str, str, str, str, str, str]:
    q = mean.quantity.scaled(factor)
    value, u = with_uncertainty(q.value, q.standard_uncertainty or None)
    if mean.s is None or mean.standard_error is None:
        return name, value, "-", "-", "-", u or "-"
    spread = [x * factor for x in (mean.s, mean.standard_error, mean.high - mean.low)]
    reach = rounded(spread[2], decimals_for(spread[0]) or 3)
    return (
        name,
        value,
        two_figures(spread[0]),
        two_figures(spread[1]),
        reach,
        (u or "-"),
    )


def _findings(found: Replicates, spike: Recovery | None, spiked: Replicates | None) -> list[str]:
    lines = [
        f"{_called(found, run.number)} has no titre and is not in the mean: {run.reason}"
        for run in found.without_titre
    ]
    lines.append(scatter_words(found.summary))
    lines += _test_words(found)
    lines += _repeatability_words(found)
    if found.blank is not None:
        mean = found.blank.mean
        s = "" if mean.s is None else f", s = {two_figures(mean.s)} mL"
        sure = _how_sure(mean.quantity)
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


def scatter_words(summary: Summary) -> str:
    """Sentence on observed against predicted scatter, and which is used."""
    c = summary.scatter
    if c.observed is None:
        return (
            "One titration does not show the scatter; its own uncertainty is used."
            if c.used == "predicted"
            else "One titration does not show the scatter, and nothing predicts it."
        )
    seen = f"The titrations scatter by s = {two_figures(c.observed)} {c.unit} in {c.of}"
    if c.predicted is None or c.chi_square is None or c.birge_ratio is None or c.p is None:
        if c.observed == 0.0:
            return (
                "All titres are equal to the last digit and no ware is stated: their uncertainty "
                "is not known, and it is not zero."
            )
        return f"{seen}. That scatter is used, as the uncertainty of each alone is not stated."
    told = (
        f"{seen}; their own uncertainties predict {two_figures(c.predicted)} (Birge ratio "
        f"{rounded(c.birge_ratio, 2)}, chi-square {rounded(c.chi_square, 1)} on "
        f"{summary.titre.n - 1}, p = {_p(c.p)})."
    )
    if c.used == "predicted":
        weak = " Two titrations are a weak check of that." if summary.titre.n == 2 else ""
        return f"{told} That is no more than predicted; the predicted scatter is used.{weak}"
    if c.p < 0.05:
        return (
            f"{told} That is more than chance explains: something differs from run to run that the "
            "budget of each does not hold. The observed scatter is used."
        )
    return f"{told} It is more than predicted, though chance may explain it; it is used."


def _p(p: float) -> str:
    return "below 0.001" if p < 0.001 else rounded(p, 3 if p < 0.1 else 2)


def _test_words(found: Replicates) -> list[str]:
    lines = _tests(found, found.tests, found.tested)
    hit = any(test.verdict in ("straggler", "outlier") for test in found.tests)
    if hit and not found.set_aside:
        lines.append(
            "A test takes nothing out. Look for a cause (overshot end, air in the tip, misread "
            "burette); with one, use --set-aside and --because, else keep the titre or repeat."
        )
    after = _tests(found, found.tests_after, found.summary.numbers)
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
    who = _called(found, numbers[test.suspect])
    verdict = {
        "nothing": f"{who} stands furthest out, but no more than chance explains",
        "straggler": f"{who} is a straggler: further out than chance explains at 5 %, not at 1 %",
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
    tail = "" if r.kept else " Titrate again, and look for what differs."
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
        return (
            f"{text}; no uncertainty is known, so nothing can be said of a difference from 100 %."
        )
    nu = spike.degrees_of_freedom
    shown = "many" if nu > 1e4 else rounded(nu, 0 if nu >= 10 else 1)
    verdict = (
        "It differs from 100 % by more than chance explains."
        if spike.differs
        else "It does not differ from 100 % (that does not prove that it is 100 %)."
    )
    return (
        f"{text} (95 %), {n} spiked titration{'s' if n > 1 else ''}. {verdict} t = "
        f"{rounded(spike.t, 2)}, degrees of freedom {shown}, p = {_p(spike.p)}."
    )


def _budget(found: Replicates) -> list[str]:
    total = found.summary.hardness
    mean = found.summary.titre if total is None else total
    factor, unit = (1.0, "mL") if total is None else (M_CACO3, "mg/L CaCO3")
    lines = budget(mean.quantity, found.runs)
    if not lines:
        return []
    rows = ["Where the uncertainty of the mean comes from:", f"{unit:>12}  share"]
    large = [line for line in lines[:_MOST_LINES] if line[2] >= _LEAST_SHARE]
    rows += [f"{two_figures(u * factor):>12}  {100 * s:>3.0f} %  {name}" for name, u, s in large]
    rest = lines[len(large) :]
    if rest:
        share = sum(line[2] for line in rest)
        percent = f"{100 * share:>3.0f}" if share >= 0.005 else " <1"
        names = rest[0][0] if len(rest) == 1 else f"{len(rest)} smaller parts"
        rows.append(f"{'':>12}  {percent} %  {names}")
    own = sum(s for name, _, s in lines if name in (OWN, scatter_name(found.runs)))
    if own < 0.995:
        rows.append(
            f"{100 * (1 - own):.0f} % of this is shared by all titrations; more of them do not "
            "make it smaller."
        )
    return rows


def _notes(found: Replicates) -> list[str]:
    missing = not_in_budget(found)
    lines = [f"Not in the uncertainty: {'; '.join(missing)}."] if missing else []
    return [*lines, *found.notes]
