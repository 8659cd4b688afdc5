"""Replicates in plain words: the answer first, then the titres, then what the tests say."""

from __future__ import annotations

from endpoint.hardness.titre import Run
from endpoint.hardness.units import M_CACO3
from endpoint.replicates.document import OWN, budget, group_mean, lacking, not_in_budget, use_of
from endpoint.replicates.findings import (
    called,
    expanded,
    findings,
    how_sure,
    listed,
    titre_decimals,
)
from endpoint.replicates.mean import Mean, Summary, scatter_name
from endpoint.replicates.recovery import Recovery
from endpoint.replicates.series import Replicates
from endpoint.result.terminal import bullets, encodable, fill, joined, table
from endpoint.result.wording import CAUTION
from endpoint.rounding import decimals_for, rounded, two_figures, with_uncertainty

_LEAST_SHARE = 0.01
"""Part of the variance below which a source is counted with the smaller ones."""
_MOST_LINES = 6
_MOST_NAMES = 6
"""Lines of the budget, and names of titrations in a sentence, at most."""


def name_of(found: Replicates) -> str:
    """Label that all runs share, or an empty text."""
    labels = {found.run(n).label for n in found.summary.numbers}
    return labels.pop() if len(labels) == 1 and len(found.summary.numbers) > 1 else ""


def means(found: Replicates, summary: Summary, least: int) -> str:
    """Mean hardness, or mean titre where sample and titrant are not known."""
    total, complete = summary.hardness, not lacking(found, summary)
    if total is None:
        volume = summary.titre.quantity if summary.net_titre_ml is None else summary.net_titre_ml
        return f"mean titre {expanded(volume, least=least)} {how_sure(volume, complete=complete)}"
    mass = total.quantity.scaled(M_CACO3)
    return (
        f"hardness {expanded(total.quantity)} = {expanded(mass, 'mg/L as CaCO3', 1)} "
        f"{how_sure(total.quantity, complete=complete)}"
    )


def answer(found: Replicates) -> str:
    """One or two sentences that answer the question."""
    summary = found.summary
    name = name_of(found)
    words = means(found, summary, titre_decimals(found.runs) + 1)
    begin = f"{name}: {words}" if name else words[0].upper() + words[1:]
    n = summary.titre.n
    of = "from 1 titration" if n == 1 else f"mean of {n} titrations"
    return f"{begin}, {of}. {concordance_words(found)}"


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
    tail = "" if c.unique else " Another group is as large, so neither is preferred."
    if len(members) > len(others) and len(others) <= 4:
        apart = [(k, _titre(found.run(k)) - mean) for k in others]
        far = "; ".join(
            f"{called(found, k)} is {rounded(abs(d), decimals)} mL {'above' if d > 0 else 'below'} "
            "their mean"
            for k, d in apart
        )
        return f"{len(members)} of {n} titres agree within {limit}; {far}.{tail}"
    which = f" ({listed(found, members)})" if len(members) <= _MOST_NAMES else ""
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
        bullets(findings(found, spike, spiked), width),
        _budget(found),
        bullets(notes(found), width),
        [fill(CAUTION, width)],
    ]
    return encodable(joined(blocks), encoding)


def _aside(found: Replicates, width: int) -> list[str]:
    """What was left out by a person, and the result with it."""
    lines = []
    for each in found.set_aside:
        who = called(found, each.number)
        lines.append(fill(f"Set aside: {who}, because: {each.reason}", width, "  "))
    if found.with_all is not None:
        words = means(found, found.with_all, titre_decimals(found.runs) + 1)
        n = found.with_all.titre.n
        lines.append(fill(f"With everything included: {words}, mean of {n}.", width, "  "))
    if found.rough:
        lines.append(
            fill(f"Marked as rough, not in the mean: {listed(found, found.rough)}.", width, "  ")
        )
    return lines


def table_rows(found: Replicates) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Head and rows: number, label, titre, hardness, and who, when and what it was used for."""
    decimals = titre_decimals(found.runs)
    rows: list[tuple[str, ...]] = []
    for run in found.runs:
        use = use_of(found, run)
        titre = "-" if run.titre_ml is None else rounded(run.titre_ml.value, decimals)
        total = "-"
        if run.hardness_mmol_l is not None:
            u = run.hardness_mmol_l.standard_uncertainty or None
            total = with_uncertainty(run.hardness_mmol_l.value, u, 4)[0]
        who = [t for t in (run.analyst, run.date and run.date.isoformat()) if t]
        remark = ", ".join([*who, *([] if use == "mean" else [use])])
        rows.append((str(run.number), run.label, titre, total, remark))
    return ("no.", "label", "titre/mL", "mmol/L", ""), rows


def _table(found: Replicates) -> list[str]:
    """Every run on a line."""
    full = any(run.hardness_mmol_l is not None for run in found.runs)
    head, every = table_rows(found)
    rows = [head, *((number, label[:28], *rest) for number, label, *rest in every)]
    if full:
        return table(rows, left=(1, 4))
    return table([(*row[:3], row[4]) for row in rows], left=(1, 3))


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
    return [
        f"n = {summary.titre.n}; s: standard deviation; u: standard uncertainty of the mean",
        *table(rows),
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


def budget_parts(
    found: Replicates, most: int
) -> tuple[str, list[tuple[str, float, str]], tuple[str, str] | None]:
    """Unit of the budget, its larger lines, and what is left of it.

    Returns
    -------
    Unit; contribution, share from 0 to 1 and name of each line; share in percent and name of the
    rest, or None.
    """
    total = found.summary.hardness
    mean = found.summary.titre if total is None else total
    factor, unit = (1.0, "mL") if total is None else (M_CACO3, "mg/L CaCO3")
    lines = budget(mean.quantity, found.runs)
    large = [line for line in lines[:most] if line[2] >= _LEAST_SHARE]
    shown = [(two_figures(u * factor), share, name) for name, u, share in large]
    rest = lines[len(large) :]
    if not rest:
        return unit, shown, None
    share = sum(line[2] for line in rest)
    percent = f"{100 * share:.0f}" if share >= 0.005 else "<1"
    return unit, shown, (percent, rest[0][0] if len(rest) == 1 else f"{len(rest)} smaller sources")


def shared_words(found: Replicates) -> str:
    """How much of the uncertainty more titrations do not reduce; empty where there is none."""
    total = found.summary.hardness
    mean = found.summary.titre if total is None else total
    lines = budget(mean.quantity, found.runs)
    own = sum(s for name, _, s in lines if name in (OWN, scatter_name(found.runs)))
    if not lines or own >= 0.995:
        return ""
    return (
        f"{100 * (1 - own):.0f} % of the variance is common to all titrations, whatever their "
        "number."
    )


def _budget(found: Replicates) -> list[str]:
    unit, large, rest = budget_parts(found, _MOST_LINES)
    if not large and rest is None:
        return []
    rows = ["Where the uncertainty of the mean comes from:", f"{unit:>12}  share"]
    rows += [f"{part:>12}  {100 * s:>3.0f} %  {name}" for part, s, name in large]
    if rest is not None:
        rows.append(f"{'':>12}  {rest[0]:>3} %  {rest[1]}")
    shared = shared_words(found)
    return [*rows, shared] if shared else rows


def notes(found: Replicates) -> list[str]:
    """What is not in the uncertainty, and further notes."""
    missing = not_in_budget(found)
    lines = [f"Not included in the uncertainty: {'; '.join(missing)}."] if missing else []
    return [*lines, *found.notes]
