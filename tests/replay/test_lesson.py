"""Every statement of chemistry to a class: balanced, and what the solver or a source says."""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from endpoint.chemistry.conditions import Binding, shift_at
from endpoint.chemistry.equilibrium import (
    EBT_PKA,
    EDTA_PKA,
    Constants,
    Flask,
    constants_at,
    speciate,
)
from endpoint.chemistry.ground_indicator import sodium_mmol_l
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.replay.chemistry import Water, holders, magnesium_begins, tabulate, volumes_of_levels
from endpoint.replay.control_pair import control_pair
from endpoint.replay.lesson import BUFFER_ML, STEPS, forms_in_words, reasons_of
from endpoint.replay.practical import (
    CONTROL_ML,
    EDTA_EXCESS,
    M_CALCIUM_CHLORIDE,
    M_DISODIUM_EDTA,
    SALT_ML,
    SALT_MOL_L,
    TIP_MG,
)
from endpoint.replay.questions import CONTROL_MMOL_L, CONTROL_UMOL_L
from tests.places import reference

REFERENCE = reference("classroom", "equilibrium")
WATER = Water(105.0, 13.85, 0.010, 0.10, 10.0)
REASONS = {reason.title: reason for reason in reasons_of(WATER)}
EQUATIONS = [
    *(equation for step in STEPS for equation in step.equations),
    *(equation for reason in REASONS.values() for equation in reason.equations),
]


def said(title: str) -> str:
    return REASONS[title].text.replace("\u00a0", " ")


# --- equations --------------------------------------------------------------------------------


def contents(side: str) -> tuple[Counter[str], int]:
    """Atoms and charge of one side; In and Y count as atoms of their own."""
    atoms: Counter[str] = Counter()
    charge = 0
    for term in side.split(" + "):
        many = re.match(r"([0-9]+) (.+)", term)
        times, species = (int(many[1]), many[2]) if many else (1, term)
        formula, _, charged = species.partition("^")
        if charged:
            size = int(charged[:-1] or 1)
            charge += times * (size if charged[-1] == "+" else -size)
        formula = re.sub(r"\(OH\)_2", "O_2H_2", formula)
        for symbol, count in re.findall(r"(In|Ca|Mg|[HYNO])(?:_([0-9]))?", formula):
            atoms[symbol] += times * int(count or 1)
        assert re.sub(r"(In|Ca|Mg|[HYNO])(_[0-9])?", "", formula) == "", species
    return atoms, charge


@pytest.mark.parametrize("equation", EQUATIONS)
def test_equations_balance(equation: str) -> None:
    left, right = equation.split(" → ")
    assert contents(left) == contents(right)


def test_an_equation_that_does_not_balance_is_found() -> None:
    assert contents("MgIn^- + H_2Y^2-") != contents("MgY^2- + HIn^2-")


def test_equations_have_the_forms_that_prevail_at_ph_10() -> None:
    text = forms_in_words(10.0).replace("\u00a0", " ")
    y4 = REFERENCE["alpha-y4-computed"]
    row = next(r for r in y4["values"] if r[0] == 10)
    alpha = row[y4["columns"].index("fifield_kealey")]
    found = re.search(r"([0-9]+) % of the free EDTA is HY\^3-", text)
    assert found is not None
    # H2Y2- is 1e-4 of it at pH 10.
    assert float(found[1]) == pytest.approx(100.0 * (1.0 - alpha), abs=0.6)
    blue = re.search(r"([0-9]+) % of the free indicator is HIn\^2-", text)
    assert blue is not None
    alpha_in = REFERENCE["ebt-transition-ph10-computed"]["expected"]["alpha_In"]
    assert float(blue[1]) == pytest.approx(100.0 * (1.0 - alpha_in), abs=0.6)
    # The order of stability that is printed with the constants, and the middles of the change.
    middle = REFERENCE["ebt-transition-ph10-computed"]["expected"]
    logs = [float(v) for v in re.findall(r"(?:In|Y)\^[0-9]?- ([0-9]+\.[0-9])", text)]
    assert logs == sorted(logs)
    assert logs[0] == pytest.approx(middle["pCa_mid"], abs=0.06)
    assert logs[1] == pytest.approx(middle["pMg_mid"], abs=0.06)
    assert "CaIn- < MgIn- < MgY2- < CaY2-" in REFERENCE["ebt-k-harris"]["note"]


def test_red_is_bound_and_blue_is_free() -> None:
    printed = REFERENCE["ebt-k-harris"]["values"]
    assert (printed["MIn"], printed["HIn"]) == ("wine red", "blue")
    assert (printed["H2In"], printed["In"]) == ("red", "orange")
    method = REFERENCE["aoac-principle"]["values"]
    assert (method["bound"], method["free"]) == ("wine red", "blue")
    before, after = holders([WATER], np.array([0.0, 14.2])).indicator_free[0]
    assert before < 0.05
    assert after > 0.95


def test_the_indicator_keeps_its_metal_while_enough_of_it_is_free() -> None:
    half_way = holders([WATER], np.array([0.5 * WATER.equivalence_ml]))
    assert half_way.indicator_free[0, 0] < 0.05
    end = holders([WATER], np.array([WATER.equivalence_ml]))
    assert end.calcium_free[0, 0] < 1e-3
    assert end.magnesium_free[0, 0] < 0.01


# --- buffer, pH, magnesium --------------------------------------------------------------------


def test_what_the_buffer_takes_up() -> None:
    text = said("What the buffer does")
    acid = re.search(r"takes: ([0-9.]+) mmol", text)
    assert acid is not None
    assert float(acid[1]) == pytest.approx(2.0 * 13.85 * 0.010, abs=0.005)
    alone = re.search(r"bring the flask to pH ([0-9]+\.[0-9])", text)
    assert alone is not None
    ph = -math.log10(0.277 / (105.0 + 13.85))
    assert float(alone[1]) == pytest.approx(ph, abs=0.05)
    # EDTA holds neither there: half of 1 mmol/L would be bound at log K' 3.3.
    k = constants_at(ph)
    assert max(k.log_ca_edta, k.log_mg_edta) < 1.0
    moved = re.search(r"the pH moves by only ([0-9]+\.[0-9]+)", text)
    assert moved is not None
    ammonia = BUFFER_ML * 8.9
    free = ammonia / (1.0 + 10.0 ** (REFERENCE["ammonia-pka"]["values"]["pKa_25C"] - 10.0))
    ratio = (free - 0.277) / (ammonia - free + 0.277)
    after = REFERENCE["ammonia-pka"]["values"]["pKa_25C"] + math.log10(ratio)
    assert float(moved[1]) == pytest.approx(10.0 - after, abs=0.01)
    low, high = REFERENCE["buffer-volume"]["values"]["per_50_to_100_mL_sample_mL"]
    assert low <= BUFFER_ML <= high


def test_a_titration_that_the_buffer_cannot_hold_says_so() -> None:
    much = replace(WATER, equivalence_ml=900.0)
    (text,) = (r.text for r in reasons_of(much) if r.title == "What the buffer does")
    assert "more is taken" in text


def test_free_indicator_is_red_without_metal_in_acid() -> None:
    text = said("Why the pH must not be low")
    printed = REFERENCE["ebt-k-harris"]["values"]
    assert f"Below about pH {printed['pKa2']:g}" in text
    assert "91 % at pH 5.3" in text
    assert pytest.approx(0.91, abs=0.005) == 1.0 / (1.0 + 10.0**-1.0)
    # "Long before that the change is drawn out": between half free and 95 %, in mL.
    spans = []
    for ph in (10.0, 9.0):
        _, middle, _, last = volumes_of_levels([replace(WATER, ph=ph)])[0]
        spans.append(last - middle)
    assert spans[1] > 2.0 * spans[0]


def test_why_the_ph_is_not_higher() -> None:
    text = said("Why the pH is not higher")
    metal = 0.1385 / 105.0
    for share, found in re.findall(r"pH ([0-9.]+) if ([0-9]+) %", text):
        ph, part = float(share), float(found) / 100.0
        hydroxide = 10.0 ** (ph - 14.0)
        product = part * metal * hydroxide**2
        assert product == pytest.approx(5.6e-12, rel=0.25), ph
    (part,) = re.findall(r"([0-9]+) % is\.", text)
    assert part == "60"
    assert re.search(r"10\.3 if 10 % .* 9\.9 if 60 %", text)
    orange = re.search(r"([0-9]+) % of it at pH 10\.0, ([0-9]+) % at pH 11\.0", text)
    assert orange is not None
    pk = REFERENCE["ebt-transition-ph10-computed"]["inputs"]["pKa3"]
    for value, ph in zip(orange.groups(), (10.0, 11.0), strict=True):
        assert float(value) == pytest.approx(100.0 / (1.0 + 10.0 ** (pk - ph)), abs=0.6)
    method = REFERENCE["aoac-principle"]["values"]
    assert f"pH {method['pH']:.1f} ± {method['pH_limits']:g}" in text
    # "A higher pH would sharpen the change": the solver agrees, were it not for the solid.
    spans = []
    for ph in (10.0, 10.5):
        _, middle, _, last = volumes_of_levels([replace(WATER, ph=ph)])[0]
        spans.append(last - middle)
    assert spans[1] < spans[0]


def test_why_magnesium_matters() -> None:
    text = said("Why magnesium matters")
    constants = REFERENCE["ebt-metal-constants"]["values"]
    assert constants["MgIn"] / constants["CaIn"] == pytest.approx(40.0)
    assert "about 40 times as firmly" in text
    assert pytest.approx(70.0, abs=5.0) == 10.0 ** (10.65 - 8.79)
    assert "prefers about 70 times" in text
    # A pupil gets the same from the constants that stand above it.
    words = forms_in_words(10.0)
    ca_dye, mg_dye, mg, ca = (float(x) for x in re.findall(r"\^[2-]*-? (\d+\.\d+)", words))
    assert round(10.0 ** (ca - mg), -1) == 70.0
    assert round(10.0 ** (mg_dye - ca_dye), -1) == 40.0
    none = Flask(105.0, 0.1385, 0.0, 1.05, 0.010)
    free = float(speciate(none, [0.9 * 13.85]).free_fraction[0])
    early = re.search(r"alone ([0-9]+) % of the indicator is blue", text)
    assert early is not None
    assert float(early[1]) == pytest.approx(100.0 * free, abs=0.6)


def test_magnesium_edta_sharpens_the_change_and_leaves_the_titre() -> None:
    def levels(brought_mmol: float) -> tuple[float, float, float]:
        flask = Flask(105.0, 0.1385, 0.0, 1.05, 0.010, mg_edta_mmol=brought_mmol)
        volume = np.linspace(5.0, 16.0, 22001)
        found = speciate(flask, volume)
        middle, last = (np.interp(f, found.free_fraction, volume) for f in (0.5, 0.95))
        # Before the end the magnesium that came as MgEDTA is free: calcium has its EDTA.
        loose = speciate(flask, [0.0]).free_metal_mol_l[0, 1] * 0.105e3
        return float(middle), float(last), float(loose)

    without, with_it = levels(0.0), levels(0.01)
    assert with_it[1] - with_it[0] < 0.3 * (without[1] - without[0])
    assert abs(with_it[0] - 13.85) < 0.3
    assert with_it[2] > 0.8 * 0.01


# --- the model and its limits -----------------------------------------------------------------


def test_the_model_says_where_hydroxide_and_orange_matter() -> None:
    tables = tabulate(WATER)
    assert tables.ph[-1] == 11.0
    for share in tables.magnesium:
        from_ph = [ph for ph in tables.ph if magnesium_begins(WATER, share, ph)]
        if share == 0.0:
            assert from_ph == []
            continue
        # Every share begins below the end of the model, the highest below pH 10.
        assert from_ph
        product = share * WATER.metal_mmol / WATER.flask_ml * 10.0 ** (2 * (from_ph[0] - 14.0))
        assert product >= 5.6e-12
    assert magnesium_begins(WATER, 0.60, 10.0)
    assert not magnesium_begins(WATER, 0.10, 10.0)


def test_the_salt_of_the_mixture_takes_no_part() -> None:
    # All that sodium does is to bind a little EDTA; the end does not move by a hundredth of a mL.
    calcium, magnesium = ERIOCHROME_BLACK_T.metals
    binding = Binding(
        (calcium.edta_kj_mol, magnesium.edta_kj_mol),
        ((), ()),
        EDTA_PKA["fifield-kealey"],
        EBT_PKA,
        -3,
    )
    sodium = 1e-3 * sodium_mmol_l(TIP_MG, 105.0)
    ends = []
    for extra in (0.0, sodium):
        shift = shift_at(binding, 10.0, 25.0, 0.25, 0.002 + extra)
        k = Constants(
            *(
                log + moved
                for log, moved in zip(
                    (
                        calcium.log_k_edta,
                        magnesium.log_k_edta,
                        calcium.log_k_indicator,
                        magnesium.log_k_indicator,
                    ),
                    shift,
                    strict=True,
                )
            )
        )
        flask = Flask(105.0, 0.9 * 0.1385, 0.1 * 0.1385, 1.05, 0.010)
        volume = np.linspace(13.0, 14.5, 6001)
        free = speciate(flask, volume, k).free_fraction
        ends.append(np.interp([0.5, 0.95], free, volume))
    assert np.abs(ends[1] - ends[0]).max() < 0.01


# --- the practical sheet ----------------------------------------------------------------------


def test_masses_of_the_practical_sheet() -> None:
    masses = {row[0]: row[1] for row in REFERENCE["atomic-masses"]["values"]}
    water = 2 * masses["H"] + masses["O"]
    assert pytest.approx(masses["Ca"] + 2 * 35.45 + 2 * water, abs=0.02) == M_CALCIUM_CHLORIDE
    printed = REFERENCE["molar-masses"]["values"]["Na2EDTA_dihydrate"]
    assert pytest.approx(printed, abs=0.01) == M_DISODIUM_EDTA
    assert (
        pytest.approx(REFERENCE["edta-preparation"]["values"]["mass_g"], abs=0.005)
        == 0.01 * M_DISODIUM_EDTA
    )


def test_control_flasks_of_the_practical_sheet_turn_as_it_says() -> None:
    flask_ml = CONTROL_ML + BUFFER_ML
    millimolar = 1e3 * SALT_ML * SALT_MOL_L / flask_ml
    # As on the page, but for what the buffer dilutes.
    assert millimolar == pytest.approx(CONTROL_MMOL_L, rel=0.03)
    flasks = {f.key: f.free_fraction for f in control_pair(millimolar, CONTROL_UMOL_L)}
    assert flasks["sodium"] > 0.95
    assert flasks["calcium"] < 0.2
    assert flasks["calcium-edta"] > 0.95
    assert EDTA_EXCESS == 1.1


def test_magnesium_edta_in_the_buffer_would_spoil_the_sodium_flask() -> None:
    # 2 mL of the buffer of ISO 6059 bring 5 g/L of MgNa2EDTA (358.5 g/mol): 0.03 mmol.
    brought = 2e-3 * REFERENCE["buffer-iso6059"]["values"]["MgNa2EDTA_g"] / 358.5 * 1e3
    flask = Flask(102.0, 0.0, 0.0, 1.02, 0.010, mg_edta_mmol=brought)
    assert speciate(flask, [0.0]).free_fraction[0] < 0.95
    clean = Flask(102.0, 0.0, 0.0, 1.02, 0.010)
    assert speciate(clean, [0.0]).free_fraction[0] > 0.999
