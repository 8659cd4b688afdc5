"""Practical sheet: what a class needs to titrate and to try the control flasks, to print."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from endpoint.chemistry.ground_indicator import (
    M_DYE,
    M_SODIUM_CHLORIDE,
    SALT_TO_DYE,
    SPATULA_TIP_MG,
    dye_umol_l,
    sodium_mmol_l,
)
from endpoint.replay.lesson import BUFFER_ML
from endpoint.replay.numbers import strength
from endpoint.replay.questions import CONTROL_MMOL_L
from endpoint.replay.shades import EBT
from endpoint.replay.story import Story
from endpoint.rounding import FIXED_SPACE, rounded

TIP_MG = 50.0
"""Ground mixture for one flask, mg: half a milligram of dye, and within `SPATULA_TIP_MG`."""
M_DISODIUM_EDTA = 372.24
M_CALCIUM_CHLORIDE = 147.01
"""Na2EDTA 2 H2O and CaCl2 2 H2O, g/mol (standard atomic weights)."""
CONTROL_ML, SALT_ML, SALT_MOL_L = 100.0, 10.0, 0.01
"""Water in a control flask with the salt solution, that solution alone, mL, and its strength."""
EDTA_EXCESS = 1.1
"""EDTA for each calcium in the last control flask, as on the page."""


@dataclass(frozen=True)
class Amount:
    """One line of the list of what is needed."""

    what: str
    amount: str
    note: str


@dataclass(frozen=True)
class ControlRow:
    """One flask of the experiment."""

    name: str
    holds: str


@dataclass(frozen=True)
class Practical:
    """All texts of the sheet."""

    title: str
    about: str
    amounts: tuple[Amount, ...]
    salt: str
    steps: tuple[str, ...]
    titrations: tuple[str, ...]
    flasks_about: str
    flasks: tuple[ControlRow, ...]
    flasks_ask: str
    first: str
    hazards: tuple[str, ...]
    waste: tuple[str, ...]


def practical_of(story: Story) -> Practical | None:
    """Sheet for a titration like that of the story; None but for Eriochrome Black T at pH 10."""
    if story.facts.indicator != EBT or story.water is None:
        return None
    facts = story.facts
    buffer_ml = max(round(BUFFER_ML * facts.sample_ml / 100.0, 1), 0.5)
    return Practical(
        title="Practical sheet: hardness of water with EDTA",
        about=f"Made for {facts.sample_ml:g}{FIXED_SPACE}mL of sample and EDTA of "
        f"{strength(facts.titrant_mol_l)}{FIXED_SPACE}mol/L, as in the replay of "
        f"\u201c{story.label}\u201d.",
        amounts=(
            Amount("Sample", f"{facts.sample_ml:g} mL", "with a pipette, into a conical flask"),
            Amount(
                "Buffer of pH 10",
                f"{buffer_ml:g} mL",
                "67.5 g of ammonium chloride and 570 mL of ammonia solution (25 %), made up to 1 L "
                "with distilled water (ISO 6059); the teacher makes it in a fume hood",
            ),
            Amount(
                "Magnesium EDTA",
                "5 g in 1 L of buffer",
                "disodium magnesium salt (ISO 6059): makes the change sharp where the water has "
                "hardly any magnesium, and leaves the titre as it is. Keep some buffer without it "
                "for flasks A and B",
            ),
            Amount(
                "Indicator, ground",
                f"1 g dye with {SALT_TO_DYE:g} g salt",
                "Eriochrome Black T and dry sodium chloride; the teacher grinds it beforehand",
            ),
            _spatula_tip(facts.sample_ml + buffer_ml),
            Amount(
                f"EDTA, {strength(facts.titrant_mol_l)} mol/L",
                f"{rounded(facts.titrant_mol_l * M_DISODIUM_EDTA, 2)} g in 1 L",
                "disodium salt, dihydrate; in the burette, rinsed with it before",
            ),
            Amount(
                f"Sodium chloride, {strength(SALT_MOL_L)} mol/L",
                f"{rounded(100.0 * SALT_MOL_L * M_SODIUM_CHLORIDE, 0)} mg in 100 mL",
                "of distilled water",
            ),
            Amount(
                f"Calcium chloride, {strength(SALT_MOL_L)} mol/L",
                f"{rounded(100.0 * SALT_MOL_L * M_CALCIUM_CHLORIDE, 0)} mg in 100 mL",
                "dihydrate, in distilled water",
            ),
        ),
        salt="Why salt? It takes no part: it only makes half a milligram of dye an amount that "
        "can be taken with a spatula. Take the least that gives a clear wine red, and a little "
        "more if it is pale.",
        steps=_steps(facts.sample_ml, buffer_ml),
        titrations=("rough", "1", "2", "3"),
        flasks_about=f"Two flasks with {CONTROL_ML - SALT_ML:g} mL of distilled water, "
        f"{BUFFER_ML:g} mL of buffer without magnesium EDTA and a spatula tip of indicator each. "
        "Predict first, then add the salt solution.",
        flasks=_flasks(facts.titrant_mol_l),
        flasks_ask=f"The salt of the mixture alone brings about "
        f"{rounded(sodium_mmol_l(TIP_MG, CONTROL_ML + BUFFER_ML), 0)} mmol/L of sodium into every "
        f"flask, and flask A gets {CONTROL_MMOL_L:g} mmol/L more. What does that tell you about "
        "sodium and the indicator?",
        first="The safety data sheets of your reagents, the risk assessment of your school and "
        "your local rules come before this sheet. Wear goggles and gloves.",
        hazards=(
            "Ammonia buffer gives off fumes that hurt eyes and airways, and is corrosive. Dispense "
            "it in a fume hood or with good ventilation, and close the bottle at once.",
            "Eriochrome Black T is a dark dust that stains skin, clothes and benches and irritates "
            "the eyes. Do not raise dust; take the ground mixture only.",
            "EDTA and calcium chloride irritate the eyes.",
            "Burettes, pipettes and flasks break. Use a pipette filler, never the mouth. Fill the "
            "burette below eye level, and take the funnel off.",
        ),
        waste=(
            "Collect all that holds ammonia, EDTA or indicator in one labelled vessel. Local rules "
            "say where it goes; EDTA keeps metals dissolved, and the dye harms life in water.",
            "Do not mix it with acid or bleach: bleach and ammonia give poisonous gas.",
            "No cyanide in a classroom to mask other metals.",
        ),
    )


def _spatula_tip(flask_ml: float) -> Amount:
    dye_mg = TIP_MG / (1.0 + SALT_TO_DYE)
    low, high = SPATULA_TIP_MG
    return Amount(
        "Indicator for one flask",
        f"a spatula tip, about {TIP_MG:g} mg",
        f"{low:g} to {high:g} mg will do; {TIP_MG:g} mg hold {rounded(dye_mg, 1)} mg or "
        f"{rounded(1e3 * dye_mg / M_DYE, 1)} µmol of dye, in {flask_ml:.0f} mL that is "
        f"{rounded(dye_umol_l(TIP_MG, flask_ml), 0)} µmol/L",
    )


def _steps(sample_ml: float, buffer_ml: float) -> tuple[str, ...]:
    return (
        "Rinse the burette with EDTA and fill it. No bubble below the tap. Read it with the eye "
        "level with the bottom of the meniscus, to a tenth of a division.",
        f"Put {sample_ml:g} mL of sample into the flask, then {buffer_ml:g} mL of buffer, then the "
        "indicator. Finish within 5 minutes from here.",
        "Stand the flask on white paper. Let EDTA run in, swirling all the time.",
        "When the red turns violet, add single drops and wait 3 to 5 seconds after each.",
        "Stop when the last tinge of red is gone and the blue stays for half a minute. Read.",
        "Titrate once roughly, then three times. Write down both readings each time.",
    )


def _flasks(titrant_mol_l: float) -> tuple[ControlRow, ...]:
    calcium_mmol = SALT_ML * SALT_MOL_L
    edta_ml = EDTA_EXCESS * calcium_mmol / titrant_mol_l
    solution = f"{strength(SALT_MOL_L)} mol/L"
    return (
        ControlRow("A", f"{SALT_ML:g} mL of sodium chloride, {solution}"),
        ControlRow("B", f"{SALT_ML:g} mL of calcium chloride, {solution}"),
        ControlRow(
            "B, then",
            f"{rounded(edta_ml, 1)} mL of EDTA, {strength(titrant_mol_l)} mol/L: a tenth more EDTA "
            "than calcium",
        ),
    )


def practical_pdf(sheet: Practical) -> bytes:
    """The sheet as a PDF for paper.

    Raises
    ------
    InstallProblem
        typst cannot be loaded.
    OutputProblem
        The PDF cannot be typeset.
    """
    from endpoint.report.typesetting import set_from

    return set_from("endpoint.replay", "practical.typ", asdict(sheet))
