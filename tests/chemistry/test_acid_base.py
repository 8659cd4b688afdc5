"""What the pH does to ligands, magnesium and buffer; the indicator ground with salt."""

from __future__ import annotations

import re

import pytest
from scipy.optimize import brentq

from endpoint.chemistry.acid_base import (
    BUFFER_AMMONIA_MOL_L,
    KSP_MAGNESIUM_HYDROXIDE,
    buffer_ph,
    magnesium_hydroxide_ph,
    protonated_parts,
)
from endpoint.chemistry.equilibrium import EBT_PKA, EDTA_PKA, fully_deprotonated_fraction
from endpoint.chemistry.ground_indicator import (
    M_DYE,
    M_SODIUM_CHLORIDE,
    SALT_TO_DYE,
    SPATULA_TIP_MG,
    dye_umol_l,
    mixture_mg,
    sodium_mmol_l,
)
from tests.places import MINTEQ, reference

REFERENCE = reference("classroom", "equilibrium")


def test_forms_of_the_indicator_are_those_of_its_constants() -> None:
    printed = REFERENCE["ebt-k-harris"]["values"]
    red, blue = (printed[key] for key in ("pKa2", "pKa3"))
    half = protonated_parts(red, EBT_PKA)
    assert half[2] == pytest.approx(half[1], rel=1e-9)
    # Above pK 11.55, printed 11.6, the orange form without hydrogen ions prevails.
    orange = protonated_parts(blue, EBT_PKA)
    assert orange[0] == pytest.approx(orange[1], rel=0.13)
    assert protonated_parts(11.0, EBT_PKA)[0] == pytest.approx(0.22, abs=0.005)
    assert sum(protonated_parts(7.7, EBT_PKA)) == pytest.approx(1.0)


@pytest.mark.parametrize("name", ["fifield-kealey", "harris", "harvey"])
@pytest.mark.parametrize("ph", [3.0, 6.5, 10.0, 12.0])
def test_parts_agree_with_the_fraction_that_the_solver_takes(name: str, ph: float) -> None:
    parts = protonated_parts(ph, EDTA_PKA[name])
    assert parts[0] == pytest.approx(float(fully_deprotonated_fraction(ph, EDTA_PKA[name])))
    assert sum(parts) == pytest.approx(1.0)


def test_magnesium_hydroxide_begins_where_the_product_is_reached() -> None:
    entry = REFERENCE["hydroxide-of-two-waters"]
    given = entry["inputs"]
    in_flask = 1e-3 * given["hardness_mmol_per_L"] * given["sample_mL"] / given["flask_mL"]
    for share, ph in entry["values"]:
        found = magnesium_hydroxide_ph(share * in_flask)[0]
        assert found == pytest.approx(ph, abs=entry["tolerance"])
        # Not "above pH 11", by far.
        assert found < 10.5
    printed = REFERENCE["magnesium-hydroxide"]["values"]
    assert (printed["lowest"], printed["highest"]) == KSP_MAGNESIUM_HYDROXIDE


def test_phreeqc_has_a_product_in_between() -> None:
    text = MINTEQ.read_text("utf-8")
    log_k = re.search(r"^Brucite\n.*\n\s*log_k\s+([0-9.]+)", text, re.MULTILINE)
    assert log_k is not None
    low, high = KSP_MAGNESIUM_HYDROXIDE
    assert low < 10.0 ** (float(log_k[1]) - 28.0) < high


@pytest.mark.parametrize("acid_mmol", [0.05, 0.28, 2.0])
def test_buffer_against_its_charge_balance(acid_mmol: float) -> None:
    total, volume_l, pka = 17.8, 0.119, 9.244

    def charge(ph: float, strong: float) -> float:
        # Ammonium and hydrogen ions carry what the strong acid and hydroxide bring, mmol.
        ammonium = total / (1.0 + 10.0 ** (ph - pka))
        return ammonium + 1e3 * volume_l * (10.0**-ph - 10.0 ** (ph - 14.0)) - strong

    before = charge(10.0, 0.0)
    exact = brentq(lambda ph: charge(ph, before + acid_mmol), 7.0, 11.0)
    assert buffer_ph(total, 10.0, acid_mmol) == pytest.approx(exact, abs=0.005)


def test_the_buffer_has_the_ammonia_of_its_recipe() -> None:
    recipe = REFERENCE["buffer-iso6059"]["values"]
    ammonium = recipe["NH4Cl_g"] / (14.007 + 4 * 1.008 + 35.45)
    ammonia = 0.25 * recipe["NH3_25pc_mL"] * recipe["NH3_density_g_per_mL"] / (14.007 + 3 * 1.008)
    assert pytest.approx(ammonium + ammonia, abs=0.05) == BUFFER_AMMONIA_MOL_L
    with pytest.raises(ValueError, match="less free ammonia"):
        buffer_ph(1.0, 10.0, 0.9)


def test_half_a_milligram_of_dye_is_fifty_milligrams_of_mixture() -> None:
    masses = REFERENCE["molar-masses"]["values"]
    assert pytest.approx(masses["EBT_sodium_salt"], abs=0.01) == M_DYE
    assert pytest.approx(22.98977 + 35.45, abs=0.01) == M_SODIUM_CHLORIDE
    dye, salt = REFERENCE["indicator-solid"]["values"]["dye_to_salt_by_mass"]
    school = REFERENCE["ground-indicator-school"]["values"]
    assert salt / dye == SALT_TO_DYE == school["salt_g"] / school["dye_g"]
    assert list(SPATULA_TIP_MG) == REFERENCE["indicator-amount"]["values"]["about_mg_of_mixture"]
    # 50 mg hold 0.495 mg, that is 1.073 umol, in 105 mL 10.2 umol/L.
    assert dye_umol_l(50.0, 105.0) == pytest.approx(50.0 / 101.0 / 461.38e-6 / 105.0, rel=1e-3)
    assert dye_umol_l(50.0, 105.0) == pytest.approx(10.2, abs=0.05)
    assert mixture_mg(dye_umol_l(70.0, 52.0), 52.0) == pytest.approx(70.0)
    # The usual 20 umol/L of the planner are twice as much, still a spatula tip.
    low, high = SPATULA_TIP_MG
    assert low < mixture_mg(20.0, 105.0) < high
    assert sodium_mmol_l(50.0, 105.0) == pytest.approx(8.07, abs=0.02)
