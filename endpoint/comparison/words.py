"""A comparison in plain words: the answer first, then the numbers, then cautions."""

from __future__ import annotations

from endpoint.comparison.agreement import Agreement
from endpoint.comparison.document import NAMES, further_of
from endpoint.comparison.estimates import Refused
from endpoint.comparison.precision import Precision
from endpoint.comparison.study import Against, Comparison
from endpoint.comparison.titre_pairs import named_row
from endpoint.result.terminal import bullets, encodable, fill, joined, table
from endpoint.result.wording import CAUTION
from endpoint.rounding import decimals_for, probability, rounded, two_figures

_ALARM = 0.05
"""Probability below which chance is said not to explain a difference, the usual 5 %."""
_MOST_LEVELS = 12
"""Levels of precision that the text lists; the document has all."""
_UNEQUAL = 4.0
"""Ratio of error variances from which the Passing-Bablok line may be tilted."""


def decimals_of(low: float, high: float) -> int:
    """Decimals for a value with an interval: two figures of half its width."""
    found = decimals_for(0.5 * (high - low))
    return 3 if found is None else max(found, 0)


def answer(found: Comparison) -> str:
    """Return the sentences that answer the question: how far eyes and recording are apart."""
    pairs = found.table.pairs
    people = len({pair.analyst for pair in pairs})
    who = f" by {people} analysts" if found.table.has_analysts and people > 1 else ""
    samples = len({pair.sample for pair in pairs})
    of = f" of {samples} samples" if found.table.has_samples and samples > 1 else ""
    return " ".join([f"{len(pairs)} titrations{who}{of}.", *map(_apart, found.against)])


def main_agreement(part: Against) -> Agreement | None:
    """Bias and limits that come first: for further analysts and samples where they are known."""
    further = further_of(part)
    return further[-1][1].agreement if further else part.agreement


def _apart(part: Against) -> str:
    """Bias and limits against one volume; those for further analysts where they are known."""
    best = main_agreement(part)
    name = NAMES[part.volume]
    if best is None:
        return f"Against {name} no limits of agreement can be given."
    bias = best.bias_ml
    digits = decimals_of(bias.low, bias.high)
    size = rounded(abs(bias.value), digits)
    side = "above" if bias.value >= 0 else "below"
    low, high = (rounded(v, digits) for v in (bias.low, bias.high))
    ends = [rounded(v.value, digits) for v in (best.lower_ml, best.upper_ml)]
    sure = "" if not bias.holds(0.0) else ", which may be chance"
    return (
        f"On average visual titres are {size} mL {side} {name} (95 % interval {low} to {high} mL"
        f"{sure}); 95 % of single titrations are expected between {ends[0]} and {ends[1]} mL from "
        "it."
    )


def summary_text(found: Comparison, *, width: int = 80, encoding: str | None = "utf-8") -> str:
    """Text for a terminal."""
    blocks = [[fill(answer(found), width)]]
    for part in found.against:
        blocks += [_numbers(part), _analysts(part)]
        blocks.append(bullets(findings(part), width))
    blocks.append(bullets(with_and_without(found), width))
    blocks.append(_levels(found))
    blocks.append(bullets(found.remarks, width))
    blocks.append(_not_done(found, width))
    blocks.append([fill(CAUTION, width)])
    return encodable(joined(blocks), encoding)


def with_and_without(found: Comparison) -> list[str]:
    """Both results, where titrations were set aside; the remarks give the reasons."""
    out = []
    for part, whole in zip(found.against, found.with_all, strict=False):
        with_all, without = main_agreement(whole), main_agreement(part)
        if with_all is None or without is None:
            continue
        count = len(whole.pairs) - len(part.pairs)
        aside = "the titration" if count == 1 else f"the {count} titrations"
        out.append(
            f"Against {NAMES[part.volume]}: without {aside} set aside, {_bias(without)}; with all, "
            f"{_bias(with_all)}."
        )
    return out


def _bias(found: Agreement) -> str:
    """Return bias, its interval and the limits in a few words."""
    bias = found.bias_ml
    digits = decimals_of(bias.low, bias.high)
    numbers = (bias.value, bias.low, bias.high, found.lower_ml.value, found.upper_ml.value)
    value, low, high, lower, upper = (rounded(v, digits) for v in numbers)
    return f"bias {value} mL ({low} to {high} mL), limits {lower} and {upper} mL"


def _ends(value: float, low: float | None, high: float | None) -> tuple[str, str]:
    if low is None or high is None:
        return rounded(value, 3), ""
    digits = decimals_of(low, high)
    return rounded(value, digits), f"{rounded(low, digits)} to {rounded(high, digits)}"


def _numbers(part: Against) -> list[str]:
    """Agreement, lines and tests."""
    rows: list[tuple[str, ...]] = [
        (f"Against {NAMES[part.volume]} (n = {len(part.pairs)})", "value", "95 % interval")
    ]

    def add(name: str, value: float, low: float | None, high: float | None) -> None:
        rows.append((name, *_ends(value, low, high)))

    kinds = [("", part.agreement)]
    kinds += [(f", further {of}", each.agreement) for of, each in further_of(part)[-1:]]
    for tail, each in kinds:
        if each is None:
            continue
        for name, v in (
            ("bias", each.bias_ml),
            ("lower limit of agreement", each.lower_ml),
            ("upper limit of agreement", each.upper_ml),
        ):
            add(f"{name}{tail}, mL", v.value, v.low, v.high)
    for line in part.lines:
        ratio = "" if line.variance_ratio is None else f", variance ratio {line.variance_ratio:.3g}"
        a, b = line.intercept_ml, line.slope
        add(f"slope ({line.method}{ratio})", b.value, b.low, b.high)
        add(f"intercept ({line.method}), mL", a.value, a.low, a.high)
    if part.rank_line is not None:
        for name, v in zip(("slope", "intercept"), part.rank_line, strict=True):
            unit = "" if name == "slope" else ", mL"
            add(f"{name} (Passing-Bablok){unit}", v.value, v.low, v.high)
    rows += [(f"{test.method} test", probability(test.p_value), "") for test in part.tests]
    return table(rows)


def _analysts(part: Against) -> list[str]:
    if len(part.by_analyst) < 2:
        return []
    rows: list[tuple[str, ...]] = [("analyst", "n", "bias/mL", "95 % interval", "s/mL", "adjusted")]
    for each in part.by_analyst:
        low, high = (None, None) if each.interval is None else each.interval.ends
        value, ends = _ends(each.bias_ml, low, high)
        s = "-" if each.s_ml is None else two_figures(each.s_ml)
        p = "-" if each.adjusted_p is None else probability(each.adjusted_p)
        rows.append((each.analyst[:24], str(each.n), value, ends or "-", s, p))
    return table(rows)


def findings(part: Against) -> list[str]:
    """What the numbers mean and what to mind, one sentence each."""
    out: list[str] = []
    name = NAMES[part.volume]
    sure = [a for a in part.by_analyst if a.adjusted_p is not None and a.adjusted_p < _ALARM]
    if len(part.by_analyst) > 1 and sure:
        biased = ", ".join(
            f"{a.analyst} ({'late' if a.bias_ml > 0 else 'early'} by "
            f"{rounded(abs(a.bias_ml), 3)} mL)"
            for a in sure[:8]
        )
        out.append(f"A bias against {name} that chance does not explain: {biased}.")
    if part.scatter is not None and part.scatter.anova.p_value < _ALARM:
        out.append(
            "The analysts differ from one another by more than chance explains "
            f"({probability(part.scatter.anova.p_value)}): tests, lines and the first limits hold "
            "for these analysts only; for anyone else use the limits for further analysts."
        )
    out.append(_proportional(part))
    if part.normal_p is not None and part.normal_p < _ALARM:
        out.append(
            f"The differences are not normally distributed ({probability(part.normal_p)}): the "
            "limits of agreement are rough."
        )
    test = part.outlier
    if test.suspect is not None and test.verdict in ("straggler", "outlier"):
        pair = part.pairs[test.suspect]
        out.append(
            f"{named_row(pair)} is far from the other differences "
            f"(Grubbs: {test.verdict}); it was kept. If the titration itself gives a "
            f'reason, leave it out with --set-aside {pair.row} --because "the reason".'
        )
    return [*out, *_line_findings(part), *_advice(part)]


def _proportional(part: Against) -> str:
    """Whether the difference grows in proportion to the titre, by the slope of the Deming line."""
    found = part.proportional
    if found is None:
        return (
            "Whether the bias grows in proportion to the titre cannot be said: there is no Deming "
            "line."
        )
    low, high, value = (100.0 * v for v in (found.low, found.high, found.value))
    digits = decimals_of(low, high)
    ends = f"{rounded(low, digits)} to {rounded(high, digits)} %"
    if found.holds(0.0):
        return (
            "No proportional bias was found: the slope of the Deming line differs from 1 by "
            f"{rounded(value, digits)} % (95 % interval {ends}); a bias within that interval is "
            "possible."
        )
    grows = "more" if value > 0 else "less"
    return (
        f"There is a proportional bias: visual titres grow {rounded(abs(value), digits)} % {grows} "
        f"than recorded volumes (95 % interval {ends}), so a single bias does not hold for the "
        "whole range; use a line."
    )


def _line_findings(part: Against) -> list[str]:
    """What to mind about the lines."""
    out = [
        f"The scatter about York's line is larger than the stated uncertainties "
        f"({probability(line.p_value)}), so its interval is too narrow; the Deming line takes the "
        "scatter as it is."
        for line in part.lines
        if line.p_value is not None and line.p_value < _ALARM
    ]
    if part.ratio_source == "assumed" and any(line.method == "Deming" for line in part.lines):
        out.append(
            "The Deming line assumes that the errors of both volumes are equal; state the "
            "uncertainties, or give --variance-ratio."
        )
    ratio = next((line.variance_ratio for line in part.lines if line.variance_ratio), 1.0)
    if part.rank_line is not None and not 1.0 / _UNEQUAL <= ratio <= _UNEQUAL:
        out.append(
            "The Passing-Bablok line assumes that both volumes are equally uncertain, which they "
            "are not here; with few different samples it is then tilted, so rely on the other "
            "lines."
        )
    return out


def _advice(part: Against) -> list[str]:
    size = part.advice
    if size is None:
        return []
    found = "more than 2000" if size.n_for_bias is None else str(size.n_for_bias)
    limits = "more than 2000" if size.n_for_limits is None else str(size.n_for_limits)
    return [
        f"Sample size: with this scatter ({two_figures(size.s_ml)} mL) {found} titrations detect a "
        f"bias of {size.bias_ml:g} mL with a power of {100 * size.power:.0f} %; these {size.n_now} "
        f"detect one of {two_figures(size.bias_found_now_ml)} mL. {limits} titrations fix the "
        f"limits of agreement to within {size.limits_ml:g} mL; now it is "
        f"{two_figures(size.limits_now_ml)} mL. This counts independent titrations; more of them "
        "by one analyst say little about another."
    ]


def _levels(found: Comparison) -> list[str]:
    """Precision of visual titres for each sample."""
    if not found.precision:
        return []
    rows: list[tuple[str, ...]] = [
        ("sample", "analysts", "titres", "mean/mL", "s_r", "s_L", "s_R", "r", "R")
    ]
    rows += [_level(level) for level in found.precision[:_MOST_LEVELS]]
    more = len(found.precision) - _MOST_LEVELS
    lines = ["Precision of visual titres (terms of ISO 5725-2, in mL)", *table(rows)]
    if more > 0:
        lines.append(f"and {more} more samples (see the JSON or the CSV)")
    lines.append("r, R: in 5 % of cases two titres of one analyst, or of two, differ by more.")
    lines.append("If all worked in one laboratory, s_R is an intermediate precision (ISO 5725-3).")
    for level in found.precision:
        c = level.cochran
        if c is not None and c.verdict != "nothing":
            lines.append(f"- {level.of}: the scatter of {c.analyst} is a {c.verdict} (Cochran).")
        if level.means.suspect is not None and level.means.verdict in ("straggler", "outlier"):
            who = level.analysts[level.means.suspect]
            lines.append(f"- {level.of}: the mean of {who} is a {level.means.verdict} (Grubbs).")
    return lines


def _level(level: Precision) -> tuple[str, ...]:
    sizes = (
        level.s_r_ml.value,
        level.s_between_ml,
        level.s_reproducibility_ml.value,
        level.r_ml,
        level.R_ml,
    )
    numbers = [two_figures(v) for v in sizes]
    n = sum(level.numbers)
    return (
        level.of[:24] or "-",
        str(len(level.analysts)),
        str(n),
        rounded(level.mean_ml, 3),
        *numbers,
    )


def _not_done(found: Comparison, width: int) -> list[str]:
    """Methods that were not used, each once."""
    every: list[Refused] = [each for part in found.against for each in part.refused]
    every += found.refused
    refusals = list(dict.fromkeys(f"{each.sentence} {each.remedy}" for each in every))
    if not refusals:
        return []
    return ["Not done:", *bullets(refusals, width)]
