"""Hardness, its units and its budget, against published examples."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantity import Contribution, Quantity
from endpoint.hardness.formula import (
    HardnessProblem,
    hardness,
)
from endpoint.hardness.split import calcium_and_magnesium, permanent_and_temporary
from endpoint.hardness.units import (
    CLARK_DEGREE_MG_L,
    M_CACO3,
    M_CALCIUM,
    M_CAO,
    M_MAGNESIUM,
    MG_L_CACO3,
    OTHER_UNITS,
    US_GRAIN_PER_GALLON_MG_L,
)
from tests.places import reference

REFERENCE = reference("hardness")


def exact(value: float, unit: str) -> Quantity:
    return Quantity(value, unit)


def caco3(quantity: Quantity | None) -> float:
    assert quantity is not None
    return quantity.value * M_CACO3


def from_titre(titre_ml: float, titrant_mol_l: float, sample_ml: float) -> Quantity:
    titrant = exact(titrant_mol_l, "mol/L")
    return hardness(exact(titre_ml, "mL"), titrant, exact(sample_ml, "mL")).mmol_l


def factor_from_standard(inputs: dict[str, float]) -> Quantity:
    """CaCO3 in mg that 1 mL of titrant binds."""
    return (
        exact(inputs["std_mg_per_mL"], "mg/mL")
        * exact(inputs["std_mL"], "mL")
        / exact(inputs["std_edta_mL"], "mL")
    )


def mol_l_of(mg_per_ml: Quantity) -> float:
    """Concentration of a titrant that binds so much CaCO3."""
    return mg_per_ml.value / M_CACO3


def from_ions(calcium_mg_l: float, magnesium_mg_l: float) -> Quantity:
    """Hardness of a water with declared ions."""
    return exact(calcium_mg_l / M_CALCIUM + magnesium_mg_l / M_MAGNESIUM, "mmol/L")


# --- units ------------------------------------------------------------------------------------


def test_definitions_of_units() -> None:
    values = REFERENCE["unit-definitions"]["values"]
    assert pytest.approx(values["us_grain_per_gallon_mg_per_L_CaCO3"], rel=1e-6) == (
        US_GRAIN_PER_GALLON_MG_L
    )
    assert pytest.approx(values["clark_degree_mg_per_L_CaCO3"], rel=1e-6) == CLARK_DEGREE_MG_L
    factors = {unit.key: unit.per_mmol_l for unit in OTHER_UNITS}
    french = values["french_degree_mg_per_L_CaCO3"]
    assert M_CACO3 / factors["french_degree"] == pytest.approx(french, rel=1e-12)
    german = values["german_degree_mg_per_L_CaO"]
    assert M_CAO / factors["german_degree"] == pytest.approx(german, rel=1e-12)


KEYS = {
    "mg_per_L_CaCO3": "caco3_mg_l",
    "meq_per_L": "meq_l",
    "german_degree": "german_degree",
    "french_degree": "french_degree",
    "clark_degree": "clark_degree",
    "us_gpg": "us_grain_per_gallon",
    "mg_per_L_CaO": "cao_mg_l",
}


def test_one_mmol_per_litre_in_every_unit_and_back() -> None:
    factors = {unit.key: unit.per_mmol_l for unit in (MG_L_CACO3, *OTHER_UNITS)}
    for name, expected in REFERENCE["unit-from-mmol"]["expected"].items():
        assert factors[KEYS[name]] == pytest.approx(expected, rel=1e-5), name
    for name, expected in REFERENCE["unit-to-mmol"]["expected"].items():
        assert 1.0 / factors[KEYS[name]] == pytest.approx(expected, rel=1e-5), name
    assert set(KEYS.values()) == set(factors)


def test_published_conversions() -> None:
    factors = {unit.key: unit.per_mmol_l for unit in (MG_L_CACO3, *OTHER_UNITS)}
    # FAO glossary: 50 mg/L is 1 meq/L, 28 mg/L CaO, 2.805 degrees (slightly high as printed).
    fao = REFERENCE["unit-fao"]["expected"]
    mmol = REFERENCE["unit-fao"]["inputs"]["mg_per_L_CaCO3"] / M_CACO3
    assert mmol * factors["meq_l"] == pytest.approx(fao["meq_per_L"], abs=0.005)
    assert mmol * factors["cao_mg_l"] == pytest.approx(fao["mg_per_L_CaO"], abs=0.05)
    assert mmol * factors["german_degree"] == pytest.approx(fao["german_degree"], abs=0.004)
    supplier = REFERENCE["unit-german-per-mmol"]
    assert factors["german_degree"] == pytest.approx(
        supplier["expected"]["german_degree"], abs=supplier["tolerance"]
    )
    # One French degree as calcium or as magnesium alone (AgroParisTech).
    ions = REFERENCE["unit-french-ions"]
    one = 1.0 / factors["french_degree"]
    assert from_ions(ions["expected"]["Ca_mg_per_L"], 0.0).value == pytest.approx(one, rel=0.0125)
    assert from_ions(0.0, ions["expected"]["Mg_mg_per_L"]).value == pytest.approx(one, rel=0.021)
    # The older round Clark degree is another unit: the label says which one is used.
    old = REFERENCE["unit-clark-old"]["values"]["clark_degree"]
    assert old / CLARK_DEGREE_MG_L == pytest.approx(1.0022, abs=1e-4)
    clark = next(unit for unit in OTHER_UNITS if unit.key == "clark_degree")
    assert f"{CLARK_DEGREE_MG_L:.4f}" in clark.definition
    assert f"{old:.4f}" in clark.definition


def test_ion_factors_standard_methods_2340b() -> None:
    entry = REFERENCE["ion-factors"]
    assert caco3(from_ions(1.0, 0.0)) == pytest.approx(entry["values"]["Ca"], abs=0.0005)
    assert caco3(from_ions(0.0, 1.0)) == pytest.approx(entry["values"]["Mg"], abs=0.0005)


# --- worked examples --------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["ex-shw-boiled", "ex-shw-1500", "ex-permanent-332"])
def test_standard_hard_water(name: str) -> None:
    entry = REFERENCE[name]
    inputs, expected, tolerance = entry["inputs"], entry["expected"], entry["tolerance"]
    factor = factor_from_standard(inputs)
    if "mg_per_mL_edta" in expected:
        assert factor.value == pytest.approx(expected["mg_per_mL_edta"], rel=1e-9)
    total = from_titre(inputs["edta_mL"], mol_l_of(factor), inputs["sample_mL"])
    if "total" in expected:
        assert caco3(total) == pytest.approx(expected["total"], abs=tolerance)
    if "permanent" in expected:
        boiled = from_titre(inputs["edta_boiled_mL"], mol_l_of(factor), inputs["sample_mL"])
        split = permanent_and_temporary(total, boiled)
        assert caco3(split.part) == pytest.approx(expected["permanent"], abs=tolerance)
        assert split.warnings == ()
        if "temporary" in expected:
            assert caco3(split.rest) == pytest.approx(expected["temporary"], abs=tolerance)


@pytest.mark.parametrize("name", ["ex-molar-150", "ex-molar-680"])
def test_total_and_boiled_with_molar_edta(name: str) -> None:
    entry = REFERENCE[name]
    inputs, expected, tolerance = entry["inputs"], entry["expected"], entry["tolerance"]
    total, boiled = (
        from_titre(inputs[key], inputs["c_edta"], inputs["sample_mL"])
        for key in ("edta_mL", "edta_boiled_mL")
    )
    split = permanent_and_temporary(total, boiled)
    assert split.rest is not None
    molar = inputs.get("M_CaCO3", M_CACO3)
    found = {"total": split.total, "permanent": split.part, "temporary": split.rest}
    for key, quantity in found.items():
        assert quantity.value * molar == pytest.approx(expected[key], abs=tolerance), key


def test_calcium_and_magnesium_apart() -> None:
    entry = REFERENCE["ex-ca-mg-split"]
    i, expected = entry["inputs"], entry["expected"]
    total = from_titre(i["edta_total_mL"], i["c_edta"], i["sample_mL"])
    calcium = from_titre(i["edta_ca_mL"], i["c_edta"], i["sample_mL"])
    split = calcium_and_magnesium(total, calcium)
    assert split.rest is not None
    assert caco3(split.total) == pytest.approx(expected["total_CaCO3"], abs=entry["tolerance"])
    assert caco3(split.part) == pytest.approx(expected["CaCO3"], abs=entry["tolerance"])
    assert split.rest.value * 84.313 == pytest.approx(expected["MgCO3"], abs=entry["tolerance"])


def test_standard_of_0_4193_g() -> None:
    entry = REFERENCE["ex-standard-4193"]
    i, expected = entry["inputs"], entry["expected"]
    standard = exact(1000.0 * i["CaCO3_g"], "mg") / exact(i["flask_mL"], "mL")
    factor = standard * exact(i["aliquot_mL"], "mL") / exact(i["edta_std_mL"], "mL")
    assert factor.value == pytest.approx(expected["mg_per_mL_edta"], abs=5e-5)
    total = from_titre(i["edta_mL"], mol_l_of(factor), i["sample_mL"])
    assert caco3(total) == pytest.approx(expected["total"], abs=entry["tolerance"])


@pytest.mark.parametrize(
    ("name", "unrounded"), [("ex-edta-standard-4505", 0.0153863), ("ex-harvey-standard", 0.0095411)]
)
def test_standardisation_of_edta(name: str, unrounded: float) -> None:
    entry = REFERENCE[name]
    i = entry["inputs"]
    standard = exact(1000.0 * i["CaCO3_g"], "mg") / exact(i["flask_mL"], "mL")
    factor = standard * exact(i["aliquot_mL"], "mL") / exact(i["edta_mL"], "mL")
    found = factor.value / i["M_CaCO3"]
    assert found == pytest.approx(entry["expected"]["c_edta"], abs=entry["tolerance"])
    assert found == pytest.approx(unrounded, rel=5e-5)
    # The module's own molar mass moves this by less than 0.02 %.
    assert mol_l_of(factor) == pytest.approx(found, rel=2e-4)


@pytest.mark.parametrize("name", ["ex-8020", "ex-harvey-hardness"])
def test_titre_to_hardness(name: str) -> None:
    entry = REFERENCE[name]
    i = entry["inputs"]
    total = from_titre(i["edta_mL"], i["c_edta"], i["sample_mL"])
    assert caco3(total) == pytest.approx(entry["expected"]["total"], abs=entry["tolerance"])


def test_bottled_water_from_its_ions() -> None:
    entry = REFERENCE["ex-bottled-ions"]
    i = entry["inputs"]
    total = from_ions(i["Ca_mg_per_L"], i["Mg_mg_per_L"])
    assert caco3(total) == pytest.approx(entry["expected"]["total"], abs=entry["tolerance"])


def test_every_worked_example_is_used() -> None:
    examples = {name for name in REFERENCE if name.startswith("ex-")}
    source = Path(__file__).read_text(encoding="utf-8")
    assert {name for name in examples if f'"{name}"' not in source} == set()


def test_impossible_readings_warn_and_give_no_negative_number() -> None:
    entry = REFERENCE["ex-impossible"]
    i = entry["inputs"]
    total, boiled = (
        from_titre(i[key], i["c_edta"], i["sample_mL"]) for key in ("edta_mL", "edta_boiled_mL")
    )
    split = permanent_and_temporary(total, boiled)
    assert entry["expected"]["must_warn"]
    assert split.rest is None
    assert "impossible" in split.warnings[0]
    assert "-" not in split.warnings[0]
    assert caco3(split.total) == pytest.approx(entry["expected"]["total"], abs=entry["tolerance"])
    assert caco3(split.part) == pytest.approx(entry["expected"]["permanent"], abs=0.5)


def test_a_part_above_the_total_within_its_uncertainty_is_an_upper_limit() -> None:
    total = Quantity.measured(2.00, "mmol/L", 0.01, "first titre")
    part = Quantity.measured(2.01, "mmol/L", 0.01, "second titre")
    split = calcium_and_magnesium(total, part)
    assert split.rest is None
    limit = (-0.01 + 1.95996 * 0.01 * math.sqrt(2)) * M_CACO3
    assert f"at most {limit:.1f} mg/L" in split.warnings[0]


# --- blank, sample, budget --------------------------------------------------------------------

TITRE = Quantity(
    12.4,
    "mL",
    {
        "burette 17: calibration": Contribution(0.02, distribution="triangular"),
        "end point: fit": Contribution(0.008, "A", 40.0),
    },
)
TITRANT = Quantity.measured(0.0100, "mol/L", 2e-5, "EDTA bottle 3: concentration")
SAMPLE = Quantity.from_limits(100.0, "mL", 0.08, "triangular", "pipette: calibration")


def test_blank_is_subtracted_with_its_uncertainty() -> None:
    blank = Quantity.measured(0.05, "mL", 0.01, "blank: fit")
    result = hardness(TITRE, TITRANT, SAMPLE, blank)
    assert result.mmol_l.value == pytest.approx(0.0100 * (12.4 - 0.05) / 100.0 * 1000.0)
    assert result.mmol_l.unit == "mmol/L"
    assert any(line.name == "blank: fit" for line in result.budget)
    # A blank from the same burette takes its calibration error away again.
    shared = Contribution(0.02, distribution="triangular")
    blank = Quantity(0.05, "mL", {"burette 17: calibration": shared})
    cancelled = hardness(TITRE, TITRANT, SAMPLE, blank)
    assert cancelled.mmol_l.contributions["burette 17: calibration"].value == pytest.approx(0.0)


def test_two_deliveries_of_one_pipette() -> None:
    calibration = Contribution(0.02, distribution="triangular")
    deliveries = [
        Quantity(50.0, "mL", {"P: calibration": calibration, f"P: filling {n}": Contribution(0.01)})
        for n in (1, 2)
    ]
    result = hardness(Quantity(10.0, "mL"), Quantity(0.01, "mol/L"), deliveries).mmol_l
    expected = math.sqrt((2 * 0.02) ** 2 + 2 * 0.01**2) / 100.0
    assert result.value == pytest.approx(1.0)
    assert result.standard_uncertainty / result.value == pytest.approx(expected, rel=1e-12)


def test_budget_shares_sum_to_one_and_match_the_contributions() -> None:
    result = hardness(TITRE, TITRANT, SAMPLE)
    u = result.caco3_mg_l.standard_uncertainty
    assert sum(line.share for line in result.budget) == pytest.approx(1.0, abs=1e-12)
    assert math.hypot(*(line.contribution for line in result.budget)) == pytest.approx(u)
    assert [line.share for line in result.budget] == sorted(
        (line.share for line in result.budget), reverse=True
    )
    fit = next(line for line in result.budget if line.name == "end point: fit")
    assert fit.contribution == pytest.approx(0.008 * 0.01 / 100 * 1000 * M_CACO3)
    assert (fit.kind, fit.degrees_of_freedom) == ("A", 40.0)
    text = json.dumps([line.to_json() for line in result.budget], allow_nan=False)
    assert '"unit": "mg/L CaCO3"' in text


def test_json_of_a_hardness() -> None:
    result = hardness(TITRE, TITRANT, SAMPLE)
    data: dict[str, Any] = json.loads(json.dumps(result.to_json(), allow_nan=False))
    assert data["mmol_l"]["value"] == pytest.approx(1.24)
    assert data["caco3_mg_l"]["value"] == pytest.approx(124.10664)
    low, high = data["caco3_mg_l"]["interval95"]
    half = data["caco3_mg_l"]["coverage_factor"] * data["caco3_mg_l"]["standard_uncertainty"]
    assert (high - low) / 2 == pytest.approx(half)
    assert set(data["other_units"]) == set(KEYS.values()) - {"caco3_mg_l"}
    assert all(entry["definition"] for entry in data["other_units"].values())


def test_no_uncertainty_gives_no_budget() -> None:
    result = hardness(Quantity(10.0, "mL"), Quantity(0.01, "mol/L"), Quantity(100.0, "mL"))
    assert result.budget == ()
    assert result.warnings == ()


def test_a_trace_of_hardness_warns() -> None:
    faint = Quantity.measured(0.03, "mL", 0.02, "end point: fit")
    assert "distinguished from zero" in hardness(faint, TITRANT, SAMPLE).warnings[0]
    low = hardness(faint, TITRANT, SAMPLE).to_json()["mmol_l"]
    assert isinstance(low, dict)
    assert low["interval95"][0] == 0.0
    blank = Quantity.measured(7.0, "mL", 0.01, "blank: fit")
    assert "blank is 56 % of the titre" in hardness(TITRE, TITRANT, SAMPLE, blank).warnings[0]


def ml(value: float) -> Quantity:
    return Quantity(value, "mL")


@pytest.mark.parametrize(
    ("words", "titre", "titrant", "sample", "blank"),
    [
        ("not smaller than the titre", ml(5.0), TITRANT, ml(100.0), ml(5.0)),
        ("not smaller than the titre", ml(5.0), TITRANT, ml(100.0), ml(6.0)),
        ("blank is -0.1", ml(5.0), TITRANT, ml(100.0), ml(-0.1)),
        ("blank is 0.1 L", ml(5.0), TITRANT, ml(100.0), Quantity(0.1, "L")),
        ("equivalence volume is 0", ml(0.0), TITRANT, ml(100.0), None),
        ("volume of the sample is -1", ml(5.0), TITRANT, ml(-1.0), None),
        ("volume of the sample is in L", ml(5.0), TITRANT, Quantity(0.1, "L"), None),
        ("titrant is 0", ml(5.0), Quantity(0.0, "mol/L"), ml(100.0), None),
        ("titrant is in mmol/L", ml(5.0), Quantity(10.0, "mmol/L"), ml(100.0), None),
        ("more EDTA than", ml(5.0), Quantity(10.0, "mol/L"), ml(100.0), None),
        ("sample is missing", ml(5.0), TITRANT, [], None),
        ("not a number", ml(1e300), TITRANT, ml(1e-300), None),
    ],
)
def test_refusals(words: str, titre: Quantity, titrant: Quantity, sample: Any, blank: Any) -> None:
    with pytest.raises(HardnessProblem) as caught:
        hardness(titre, titrant, sample, blank)
    assert words in caught.value.sentence
    assert caught.value.remedy.endswith(".")


def test_a_part_in_another_unit_is_refused() -> None:
    with pytest.raises(HardnessProblem):
        calcium_and_magnesium(Quantity(1.0, "mmol/L"), Quantity(1.0, "mg/L"))


@given(
    st.floats(0.01, 100.0),
    st.floats(1e-4, 0.5),
    st.floats(1.0, 1000.0),
    st.floats(0.0, 0.99),
)
def test_hardness_is_proportional(v: float, c: float, vs: float, part: float) -> None:
    result = hardness(ml(v), Quantity(c, "mol/L"), ml(vs), ml(part * v)).mmol_l
    assert result.value == pytest.approx(1000.0 * c * v * (1.0 - part) / vs, rel=1e-9)


def test_parts_and_first_order_stand_beside_the_draws() -> None:
    titre = Quantity.measured(12.4, "mL", 0.03, "scatter", kind="A", degrees_of_freedom=2)
    data = hardness(titre, TITRANT, SAMPLE).to_json()
    check, number = data["monte_carlo"], data["mmol_l"]
    assert isinstance(check, dict)
    assert isinstance(number, dict)
    assert check["used"] is True
    assert check["standard_uncertainty"] is None  # a Student t of 2 degrees has no variance
    assert number["interval_from"] == "Monte Carlo"
    assert number["coverage_factor"] is None
    first = number["first_order"]
    half = 0.5 * (number["interval95"][1] - number["interval95"][0])
    assert half > 1.05 * first["expanded_uncertainty"]
    total = hardness(titre, TITRANT, SAMPLE).mmol_l
    split = calcium_and_magnesium(total, Quantity.measured(0.5, "mmol/L", 1e-4, "calcium"))
    magnesium = dict(split.parts)["magnesium"]
    assert magnesium.monte_carlo is not None
    assert magnesium.monte_carlo.is_used
