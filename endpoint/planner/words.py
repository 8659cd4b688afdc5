"""A plan in plain words for a terminal: what to do, how sure the result will be, and why.

Everything is read from the plain data of `endpoint.planner.document`.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from endpoint.chemistry.ground_indicator import SALT_TO_DYE, SPATULA_TIP_MG, mixture_mg
from endpoint.result.terminal import encodable, joined
from endpoint.rounding import rounded, two_figures

Data = Mapping[str, Any]

_TITLES = {"eye": "by eye", "recording": "recording"}
_SOURCES = {
    "indicator error": "indicator error",
    "eye": "shade that the eye calls blue",
    "endpoint": "fit of the recording",
}
_MOST_LINES = 6
"""Lines of the budget that the text shows."""
_NUMBERED = re.compile(r", titration \d+.*$")
_LEAST_SHARE = 0.005
"""Part of the variance below which a source is counted with the smaller ones."""


def plan_words(plan: Data, *, width: int = 80, encoding: str | None = "utf-8") -> str:
    """Whole plan as text.

    Parameters
    ----------
    plan:
        From `plan_document`.
    width:
        Columns.
    encoding:
        Of the terminal: signs that it lacks are written in plain letters.
    """
    blocks = [
        _heading(plan),
        *_what_to_take(plan),
        *_pouring(plan),
        *_titrations(plan),
        *_alternatives(plan),
        *_indicator(plan),
        *_sources(plan),
        _bullets("Note", [f"{r['text']} {r['advice']}" for r in plan["remarks"]]),
        _bullets("Assumptions", plan["assumptions"]),
        _bullets("Cautions", plan["cautions"]),
    ]
    return encodable(joined([[_fold(block, width)] for block in blocks]), encoding)


def _fold(block: str, width: int) -> str:
    """Lines that are too long are broken; rows of tables are short and stay."""
    lines = []
    for line in block.split("\n"):
        body = line.lstrip()
        indent = line[: len(line) - len(body)]
        hang = indent + (
            "   " if body[:2].rstrip(".").isdigit() else "  " if body[:2] == "- " else ""
        )
        lines += (
            [line.rstrip()]
            if len(line.rstrip()) <= width
            else textwrap.wrap(line, width, subsequent_indent=hang, break_on_hyphens=False)
        )
    return "\n".join(lines)


def _bullets(title: str, items: list[str]) -> str:
    return "\n".join([f"{title}:", *(f"- {item}" for item in items)]) if items else ""


def _span(ends: Sequence[float], unit: str, decimals: int = 1) -> str:
    a, b = (rounded(end, decimals) for end in ends)
    return f"{a} {unit}" if a == b else f"{a} to {b} {unit}"


def _heading(plan: Data) -> str:
    question = plan["question"]
    low, high = question["hardness"]
    range_ = f"{low:.4g}" if low == high else f"{low:.4g} to {high:.4g}"
    if question["wanted_relative"] is not None:
        wanted = f"{100 * question['wanted_relative']:.3g} %"
    else:
        wanted = f"{question['wanted']:.3g} {question['unit']}"
        least = list(plan["proposal"]["readings"].values())[-1]["wanted_percent"]
        wanted += f", here {two_figures(least)} %"
    return f"Plan for water of {range_} {question['unit']}; wanted: within ± {wanted} (95 %)."


def sample_words(design: Data) -> str:
    """Sample as fillings of the pipette: "2 × 50 mL"."""
    return f"{design['fillings']} × {design['pipette_ml']:g} mL"


def _what_to_take(plan: Data) -> list[str]:
    design, question = plan["proposal"], plan["question"]
    fillings = design["fillings"]
    how = "one filling" if fillings == 1 else f"{fillings} fillings"
    lines = [
        f"1. Sample: {design['sample_ml']:g} mL, {how} of the {design['pipette_ml']:g} mL pipette "
        f"(class {design['pipette_class']})."
    ]
    if design["water_ml"] > 0:
        lines[0] += f" Add {design['water_ml']:g} mL of distilled water."
    buffer = f"{design['added_ml'] - design['water_ml']:g} mL of ammonia buffer, pH "
    buffer += f"{question['ph']:g}, {'with' if plan['mg_edta']['in_buffer'] else 'without'} Mg-EDTA"
    lines.append(
        f"2. Buffer: {buffer}. Work in a fume hood or with good ventilation; close the bottle."
    )
    lines.append(_indicator_to_take(plan))
    burette = question["burette"]
    titre = _span(design["titre_ml"], "mL")
    lines.append(
        f"4. Titrant: EDTA {design['titrant_mol_l']:g} mol/L in the {burette['nominal_ml']:g} mL "
        f"burette (class {burette['class']}). Expected titre: {titre}."
    )
    return ["\n".join(lines)]


def _indicator_to_take(plan: Data) -> str:
    design, dye = plan["proposal"], plan["question"]["indicator_umol_l"]
    flask_ml = design["sample_ml"] + design["added_ml"]
    low, high = SPATULA_TIP_MG
    return (
        f"3. Indicator: the least that gives a clear wine red. {dye:g} umol/L, as reckoned here, "
        f"is {two_figures(mixture_mg(dye, flask_ml))} mg of Eriochrome Black T ground "
        f"1:{SALT_TO_DYE:g} with sodium chloride (a spatula tip holds {low:g} to {high:g} mg); the "
        "salt takes no part."
    )


def _pouring(plan: Data) -> list[str]:
    readings = plan["proposal"]["readings"]
    pouring = readings.get("recording", readings.get("eye"))["pouring"]
    here = f"{pouring['last_red_ml']:.1f}"
    lines = [
        f"Do one rough titration in 1 mL additions to find the titre. Then, for a rough titre of "
        f"{here} mL:"
    ]
    for stretch in pouring["stretches"]:
        before = -stretch["until_from_last_red_ml"]
        count, size = stretch["additions"], stretch["addition_ml"]
        if stretch["kind"] == "pour":
            lines.append(
                f"- Pour to {stretch['until_ml']:.1f} mL, that is {before:.1f} mL short of it."
            )
        elif stretch["kind"] == "drops":
            until = "until no red is left and the blue stays for 30 s"
            if "recording" in readings:
                until += "; when recording, go on for 0.5 mL"
            lines.append(
                f"- Drops of {size:g} mL, {_wait(stretch)}, {until} (about {count} drops)."
            )
        else:
            times = "addition" if count == 1 else "additions"
            lines.append(
                f"- {count} {times} of {size:g} mL, {_wait(stretch)}, to "
                f"{stretch['until_ml']:.1f} mL."
            )
    lines.append(
        f"This takes about {max(1, round(pouring['duration_s'] / 60))} min. Finish within 5 min of "
        "adding the buffer (AOAC 973.52). Do not refill the burette during a titration."
    )
    return ["\n".join(lines)]


def _wait(stretch: Data) -> str:
    return f"wait {stretch['pause_s']:.0f} s after each"


def _titrations(plan: Data) -> list[str]:
    readings = plan["proposal"]["readings"]
    rows = ["How many titrations, and how sure the mean will be (95 %):"]
    rows.append(f"  {'':12}{'titrations':>10}  {'mean':>7}  {'one alone':>9}  {'at best':>10}")
    for name, view in readings.items():
        number = str(view["replicates"]) if view["replicates_needed"] else "-"
        cells = (
            view["expanded_uncertainty_percent"],
            view["expanded_uncertainty_of_one_percent"],
            view["never_below_percent"],
        )
        a, b, c = (two_figures(value) + " %" for value in cells)
        mean = a if view["replicates_needed"] else "-"
        rows.append(f"  {_TITLES[name]:12}{number:>10}  {mean:>7}  {b:>9}  {c:>10}")
    blocks = ["\n".join(rows)]
    blocks += [_verdict(name, view) for name, view in readings.items()]
    return blocks


def _verdict(name: str, view: Data) -> str:
    title = _TITLES[name].capitalize()
    needed, planned = view["replicates_needed"], view["replicates"]
    lines = []
    if needed is None:
        alone = [
            f"the {_SOURCES.get(part['source'], part['source'])} alone gives "
            f"{two_figures(part['expanded_uncertainty_percent'])} %"
            for part in view["lasting"][:3]
        ]
        lines.append(
            f"{title}: more titrations cannot reach {two_figures(view['wanted_percent'])} %; "
            f"{two_figures(view['never_below_percent'])} % remains however many there are. "
            f"Of this, {', '.join(alone)}."
        )
    elif needed < planned:
        lines.append(f"{title}: one would be enough; do {planned}, so that a blunder shows.")
    else:
        own = view["with_scatter_from_these_percent"]
        more = ""
        if own is not None:
            more = (
                " With the scatter taken from these alone, the interval of the mean is "
                f"{two_figures(own)} %."
            )
        lines.append(f"{title}: {needed} titrations reach it, {needed - 1} do not.{more}")
    if name == "eye":
        correction = view["titre_correction_ml"]
        what = "Take" if correction < 0 else "Add"
        where = "off" if correction < 0 else "to"
        lines[0] += (
            f" {what} {abs(correction):.2f} mL {where} each titre: on average the eye stops that "
            f"much {'after' if correction < 0 else 'before'} the equivalence volume (last red and "
            "half a drop)."
        )
    fixes = view["improvements"]
    if fixes:
        lines.append("What would help, each by itself:")
        lines += [f"- {fix['text']} {fix['advice']}" for fix in fixes]
    elif needed is None:
        factor = view["never_below_percent"] / view["wanted_percent"]
        lines.append(
            "No single improvement is enough: together these must become at least "
            f"{factor:.2g} times smaller."
        )
    return "\n".join(lines)


def _alternatives(plan: Data) -> list[str]:
    designs = [plan["proposal"], *plan["alternatives"]]
    if len(designs) == 1:
        return []
    names = list(designs[0]["readings"])
    head = f"  {'sample':12}{'titrant':14}{'titre':16}"
    rows = [
        "Options, the proposal first (n titrations, uncertainty of their mean, 95 %):",
        (head + "".join(f"{_TITLES[name]:16}" for name in names)).rstrip(),
    ]
    for design in designs:
        row = f"  {sample_words(design):12}{design['titrant_mol_l']:g} mol/L".ljust(28)
        row += f"{_span(design['titre_ml'], 'mL'):16}"
        for name in names:
            view = design["readings"][name]
            shown = f"not below {two_figures(view['never_below_percent'])} %"
            if view["replicates_needed"]:
                mean = two_figures(view["expanded_uncertainty_percent"])
                shown = f"n = {view['replicates']}, {mean} %"
            row += f"{shown:16}"
        rows.append(row.rstrip())
    return ["\n".join(rows)]


def _indicator(plan: Data) -> list[str]:
    rows = [
        "Colour change relative to the equivalence volume (minus: too early):",
        f"  {'':10}{'without Mg-EDTA':^34}{'with Mg-EDTA':^34}",
        f"  {'magnesium':10}" + f"{'midpoint':^17}{'last red':^17}" * 2,
    ]
    for row in plan["indicator_error"]:
        cells = ""
        for key in ("without_mg_edta", "with_mg_edta"):
            for name in ("midpoint", "last_red"):
                ml, percent = row[key][f"{name}_ml"], row[key][f"{name}_percent"]
                text = "none" if ml is None else f"{ml:+.2f} mL {percent:+.1f} %"
                cells += f"{text:^17}"
        rows.append(f"  {100 * row['magnesium_share']:>7.3g} %  {cells}".rstrip())
    return ["\n".join(rows), "Mg-EDTA in the buffer: " + plan["mg_edta"]["text"]]


def _sources(plan: Data) -> list[str]:
    name, view = list(plan["proposal"]["readings"].items())[-1]
    squares: dict[str, float] = {}
    for line in view["budget"]:
        # All titrations share one line for what is new in each.
        title = _NUMBERED.sub("", line["name"])
        squares[title] = squares.get(title, 0.0) + line["contribution"] ** 2
    whole = sum(squares.values())
    order = sorted(squares, key=lambda title: -squares[title])
    shown = [title for title in order if squares[title] >= _LEAST_SHARE * whole][:_MOST_LINES]
    rest = sum(squares[title] for title in order if title not in shown)
    rows = [
        f"Where the uncertainty of the mean comes from ({_TITLES[name]}, "
        f"{view['replicates']} titrations):",
        f"  {'mg/L CaCO3':>12}  share",
        *(
            f"  {two_figures(math.sqrt(squares[title])):>12}  "
            f"{100 * squares[title] / whole:>3.0f} %  {title}"
            for title in shown
        ),
    ]
    if rest > 0:
        count = len(order) - len(shown)
        rows.append(f"  {'':>12}  {100 * rest / whole:>3.0f} %  {count} smaller sources")
    return ["\n".join(rows)]
