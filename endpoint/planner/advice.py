"""Plain sentences about a plan: warnings, what would help, why magnesium EDTA, cautions."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from endpoint.planner.designs import (
    ALIQUOT_MG,
    BURETTE_SHARE,
    TITRE_FROM_ML,
    TITRE_TO_ML,
    Design,
    Judged,
    Outlook,
    Plan,
    outlook,
    wants_mg_edta,
)
from endpoint.planner.forecast import is_new
from endpoint.planner.indicator_error import MG_EDTA_MMOL_L
from endpoint.planner.question import LOWEST_MMOL_L, UNITS, Question
from endpoint.planner.ware import burette_at_hand

CAUTIONS = (
    "Ammonia buffer is corrosive and gives off fumes: open it in a fume hood, use a dispenser, "
    "close the bottle, and wear eye protection and gloves.",
    "EDTA and the solid indicator make dust: do not breathe it. Eriochrome Black T stains.",
    "Never pipette by mouth: use a filler. Take care with glass, most of all when "
    "fitting the filler.",
    "Do not mask with cyanide. Dispose of waste as your local rules say.",
    "The safety data sheets, your local rules and licensed practice come first.",
    "A result says how hard the sample is; it does not say that the water is fit to drink.",
)
DARK_UMOL_L, PALE_UMOL_L = 45.0, 5.0
"""Beyond these the liquid is very dark or very pale (our choice)."""
TIME_LIMIT_MIN = 5.0
"""From adding the buffer to the end (AOAC 973.52)."""
MANY_REPLICATES = 10
"""Replicates beyond which better ware or titrant is advised instead: an afternoon's work (our
choice)."""
_WEAKER_MOL_L = (0.005, 0.002, 0.001)
"""Weaker titrants that are proposed, mol/L: simple dilutions of the usual one."""
_SMALL_ML = 10.0
"""The smaller burette of a laboratory, mL."""
_TRIED = 5
"""Replicates for which advice on ware and titrant is worked out. Our choice."""
_NOTABLE = 0.1
"""Part of the variance that replicates leave, from which a source is worth the advice: less, and
nobody would see the gain. Assumed."""
_WIDE = 1.5
"""Highest over lowest expected hardness from which a rough titration first is advised. Assumed."""


@dataclass(frozen=True)
class Remark:
    """A stable code, one sentence and one advice."""

    code: str
    text: str
    advice: str


def lasting_by_source(view: Outlook) -> list[tuple[str, float]]:
    """What replicates cannot lessen: name of ware or source and its 95 % half width, mmol/L."""
    k = view.forecast.coverage_factor
    squares: dict[str, float] = {}
    for name, part in view.forecast.one.contributions.items():
        if not is_new(name):
            # "burette: calibration" and "burette: temperature" are one burette.
            whose = name.split(":")[0]
            squares[whose] = squares.get(whose, 0.0) + part.value**2
    found = [(name, k * math.sqrt(square)) for name, square in squares.items()]
    return sorted(found, key=lambda pair: -pair[1])


def _down(value: float) -> str:
    """Two figures, rounded down so that what is named is really enough."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return f"{math.floor(value / step) * step:.2g}"


def _room(view: Outlook, left_out: tuple[str, ...]) -> float:
    """Standard uncertainty, mmol/L, that the sources left out may have; 0 where none is left."""
    forecast = view.forecast
    rest = sum(
        part.value**2
        for name, part in forecast.one.contributions.items()
        if not is_new(name) and not name.startswith(left_out)
    )
    wanted = (view.wanted_mmol_l / forecast.coverage_factor) ** 2
    return math.sqrt(max(wanted - rest - forecast.repeated_u**2 / _TRIED, 0.0))


def _now(view: Outlook, starts: tuple[str, ...]) -> float:
    parts = view.forecast.one.contributions.items()
    return math.hypot(*(p.value for n, p in parts if n.startswith(starts) and not is_new(n)))


def _ware_fix(view: Outlook, kind: str, volume_ml: float, fillings: int) -> Remark | None:
    ware = view.forecast.setup.burette if kind == "burette" else view.forecast.setup.pipette
    source = (f"{ware.name}: calibration",)
    room, now = _room(view, source), _now(view, source)
    if room <= 0.0 or now**2 < _NOTABLE * view.forecast.lasting_u**2:
        return None
    u_ml = room / view.hardness_mmol_l * volume_ml / fillings
    limit = u_ml * math.sqrt(6.0)
    return Remark(
        f"better-{kind}",
        f"A {kind} with a limit of error of {_down(limit)} mL (now "
        f"{ware.tolerance.limit_ml:g} mL), or one calibrated to a standard uncertainty of "
        f"{_down(u_ml)} mL, would be enough with five titrations.",
        f"Calibrate the {kind} by weighing water, or take a better class.",
    )


def improvements(
    question: Question, judged: Judged, reading: str, mg_edta: bool
) -> tuple[Remark, ...]:
    """What would reach the wanted uncertainty by itself with five titrations; empty if reached."""
    view = judged.outlooks[reading]
    if view.replicates is not None and view.replicates <= MANY_REPLICATES:
        return ()
    found = []
    titrant = ("titrant",)
    room, now = _room(view, titrant), _now(view, titrant)
    if room > 0.0 and now**2 > _NOTABLE * view.forecast.lasting_u**2:
        found.append(
            Remark(
                "better-titrant",
                f"A titrant known to {_down(100 * room / view.hardness_mmol_l)} % (standard "
                f"uncertainty; now {100 * question.titrant_relative_u:.2g} %) would be enough "
                "with five titrations.",
                "Standardise it better.",
            )
        )
    design = judged.design
    titre = view.forecast.flask.equivalence_ml
    for kind, volume, times in (
        ("burette", titre, 1),
        ("pipette", design.sample_ml, design.fillings),
    ):
        fix = _ware_fix(view, kind, volume, times)
        if fix is not None:
            found.append(fix)
    if reading == "eye":
        found += _eye_fixes(question, judged, view, mg_edta)
    return tuple(found)


def _eye_fixes(question: Question, judged: Judged, view: Outlook, mg_edta: bool) -> list[Remark]:
    found = []
    if question.magnesium is None:
        found += _known_share(question, judged.design, mg_edta)
    other = judged.outlooks.get("recording")
    if other is not None and other.replicates is not None:
        found.append(
            Remark(
                "record-it",
                "A recording reaches it: the fit finds the equivalence volume itself.",
                f"Record {other.planned} titrations.",
            )
        )
    if _room(view, ("indicator error", "eye")) > 0.0:
        found.append(
            Remark(
                "standardise-alike",
                "Most of the eye's part cancels if the titrant is standardised in the same way.",
                "Let the same person titrate a standard with the same share of magnesium to "
                "the same blue.",
            )
        )
    return found


def _known_share(question: Question, design: Design, mg_edta: bool) -> list[Remark]:
    """Whether it would help to know the magnesium share, tried for each that may be."""
    enough: list[str] = []
    not_enough: list[str] = []
    for share in question.shares:
        known = replace(question, magnesium=(share, share))
        view = outlook(known, design, "eye", mg_edta)
        reached = view is not None and view.replicates is not None
        (enough if reached else not_enough).append(f"{100 * share:g} %")
    if not enough:
        return []
    text = f"If the share of magnesium were known to be {' or '.join(enough)}, it could be reached"
    text += f"; at {' or '.join(not_enough)} it could not." if not_enough else "."
    return [
        Remark(
            "know-magnesium",
            text,
            "Find the share by titrating calcium alone at pH 12 to 13, and give --magnesium.",
        )
    ]


def _design_remarks(question: Question, design: Design) -> list[Remark]:
    low, high = design.titre_ml
    texts = {
        "titre-small": (
            f"The titre may be only {low:.2g} mL; {TITRE_FROM_ML:g} mL or more is good practice.",
            "Take more sample, a weaker titrant or a burette of 10 mL.",
        ),
        "titre-large": (
            f"The titre may reach {high:.3g} mL; at most {TITRE_TO_ML:g} mL is good practice.",
            "Take less sample or a stronger titrant.",
        ),
        "burette-share": (
            f"The titre may use less than {100 * BURETTE_SHARE:.0f} % of the burette (USP <31>).",
            "A smaller burette would be better.",
        ),
        "aliquot": (
            f"The sample may hold {design.aliquot_mg:.3g} mg of CaCO3, more than the "
            f"{ALIQUOT_MG:g} mg of AOAC 973.52.",
            "Take less sample.",
        ),
    }
    return [Remark(code, *texts[code]) for code in design.broken]


def _soft(plan: Plan) -> list[Remark]:
    """What a weaker titrant in a smaller burette would bring for a soft water."""
    question, best = plan.question, plan.best
    low, _ = best.design.titre_ml
    mmol = low * best.design.titrant_mol_l
    weaker = [c for c in _WEAKER_MOL_L if c < best.design.titrant_mol_l and mmol / c <= _SMALL_ML]
    small = question.burette.tolerance.nominal_ml > _SMALL_ML
    if low >= TITRE_FROM_ML or not (weaker or small):
        return []
    titrant = min(weaker, default=best.design.titrant_mol_l)
    burette = burette_at_hand(_SMALL_ML, "A", None) if small else question.burette
    design = replace(best.design, titrant_mol_l=titrant, titre_ml=(mmol / titrant, mmol / titrant))
    other = replace(question, burette=burette, titrants_mol_l=(titrant,))
    gains = []
    for reading, words in (("eye", "by eye"), ("recording", "by recording")):
        now, then = best.outlooks.get(reading), outlook(other, design, reading, plan.mg_edta)
        if now is None or then is None:
            continue
        before, after = (
            100.0 * each.forecast.expanded(_TRIED) / each.hardness_mmol_l for each in (now, then)
        )
        if after < before:
            gains.append(f"{words} from {before:.2g} to {after:.2g} %")
    if not gains:
        return []
    return [
        Remark(
            "soft",
            f"The water is soft for this titrant and burette. With EDTA {titrant:g} mol/L in a "
            f"burette of {burette.tolerance.nominal_ml:g} mL the titre is {mmol / titrant:.2g} mL, "
            f"and five titrations come {', '.join(gains)} (95 %).",
            "Dilute the titrant with a pipette and a flask, standardise it as diluted, titrate a "
            "blank of buffer and indicator, and take less indicator.",
        )
    ]


def remarks(plan: Plan) -> tuple[Remark, ...]:
    """Warnings about the water, the reagents and the best design."""
    question, best = plan.question, plan.best
    found = []
    label, factor = UNITS[question.unit]
    if question.low_mmol_l < LOWEST_MMOL_L:
        found.append(
            Remark(
                "very-soft",
                f"The water may hold less than {LOWEST_MMOL_L * factor:.2g} {label}, the lowest "
                "hardness of ISO 6059.",
                "Use a method for traces, such as atomic absorption.",
            )
        )
    if question.high_mmol_l > _WIDE * question.low_mmol_l:
        found.append(
            Remark(
                "wide-range",
                "The expected hardness covers a wide range.",
                "Do the rough titration first and plan again with its result.",
            )
        )
    found += _design_remarks(question, best.design)
    found += _soft(plan)
    found += _reagent_remarks(question)
    longest = max(pouring.duration_s for pouring in best.pouring.values()) / 60.0
    if longest > TIME_LIMIT_MIN - 0.5:
        found.append(
            Remark(
                "slow",
                f"The titration takes about {longest:.0f} min; {TIME_LIMIT_MIN:g} min from adding "
                "the buffer is the limit (AOAC 973.52).",
                "Pour closer to the rough titre before the small additions.",
            )
        )
    return tuple(found)


def _reagent_remarks(question: Question) -> list[Remark]:
    found = []
    if question.indicator_umol_l > DARK_UMOL_L:
        found.append(
            Remark(
                "dark",
                f"{question.indicator_umol_l:g} umol/L of indicator makes the flask very dark: it "
                "stretches the change and hides it.",
                "Use the smallest amount that gives a clear wine red.",
            )
        )
    if question.indicator_umol_l < PALE_UMOL_L:
        found.append(
            Remark(
                "pale",
                f"{question.indicator_umol_l:g} umol/L of indicator is very pale.",
                "Use a little more, until the wine red is clear.",
            )
        )
    if not 9.9 <= question.ph <= 10.1:
        found.append(
            Remark(
                "ph",
                f"pH {question.ph:g} is outside 10.0 +- 0.1 (Standard Methods 2340 C).",
                "Use fresh ammonia buffer and check the pH.",
            )
        )
    return found


def mg_edta_words(plan: Plan) -> str:
    """Why magnesium EDTA should go in or not, in one to three sentences."""
    helps = wants_mg_edta(plan.errors)
    fades = [without.midpoint_ml for without, _ in plan.errors]
    if all(math.isfinite(fade) for fade in fades):
        without = (
            f"the colour may begin to fade so early that its middle lies {-min(fades):.1f} mL "
        )
        without += "before the end"
    else:
        without = "half of the indicator may be blue from the start"
    if plan.mg_edta and helps:
        return (
            "Yes. A little is enough: equal amounts of magnesium and EDTA, about "
            f"{MG_EDTA_MMOL_L:g} mmol/L in the flask. Without it {without}. It does not move the "
            "equivalence volume; check that with a blank."
        )
    if plan.mg_edta:
        return "It is in and does no harm; the water has enough magnesium without it."
    if helps:
        return f"You leave it out: {without}, and the end is hard to see."
    return "Not needed: the water has enough magnesium for a sharp change."
