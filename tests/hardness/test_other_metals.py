"""Other metals: factors by molar masses, subtraction with names, and what is refused."""

from __future__ import annotations

import datetime
import math
import re
from dataclasses import replace
from pathlib import Path

import periodictable
import pytest

from calibration.quantity import Quantity
from endpoint.analysis.by_eye import work_out
from endpoint.analysis.of_curve import result_of_curve, with_hardness
from endpoint.chemistry.indicator_file import named_indicator
from endpoint.hardness.formula import HardnessProblem, hardness
from endpoint.hardness.other_metals import (
    HIGH_PH,
    OTHER_METALS,
    StatedMetal,
    blocking,
    subtracted,
    treated_at,
)
from endpoint.hardness.split import Split
from endpoint.hardness.units import M_CACO3
from endpoint.messages import USUAL_WORDS
from endpoint.problems import RecordProblem
from endpoint.record.by_eye import parse_eye_record
from endpoint.result.document import document
from sample_media.simulated import simulate
from tests.simulated import curve, flask, job, steps

# AOAC 973.52 A, mg CaCO3 for each mg of metal.
AOAC = {"iron": 1.792, "zinc": 1.531, "manganese": 1.822, "aluminium": 5.564, "strontium": 1.142}
SYMBOLS = {
    **{"iron": "Fe", "zinc": "Zn", "manganese": "Mn", "copper": "Cu"},
    **{"aluminium": "Al", "strontium": "Sr", "nickel": "Ni", "cobalt": "Co"},
}


@pytest.mark.parametrize("name", OTHER_METALS)
def test_factors_are_ratios_of_molar_masses(name: str) -> None:
    mass = periodictable.elements.symbol(SYMBOLS[name]).mass
    added = StatedMetal(name, 1.0).as_hardness("well").value * M_CACO3
    # One mole of CaCO3 for one mole of metal, but for aluminium: 3/2, by its charge.
    moles = 1.5 if name == "aluminium" else 1.0
    assert added == pytest.approx(moles * M_CACO3 / mass, rel=1e-4)
    if name in AOAC:
        assert added == pytest.approx(AOAC[name], abs=0.0011)


def test_aluminium_may_take_one_mole_of_edta() -> None:
    found = StatedMetal("aluminium", 1.0, 0.0).as_hardness("well")
    one_to_one = 1.0 / OTHER_METALS["aluminium"].molar_mass
    assert found.interval(0.95)[0] < one_to_one
    assert found.standard_uncertainty == pytest.approx(0.5 * one_to_one / math.sqrt(3.0))
    assert any("EDTA per mole" in name for name in found.contributions)


def test_subtraction_with_its_uncertainty_by_name() -> None:
    titre = Quantity.measured(12.0, "mL", 0.01, "end")
    titrant = Quantity.measured(0.01, "mol/L", 1e-5, "titrant")
    sample = Quantity(50.0, "mL")
    metals = [StatedMetal("iron", 1.0, 0.1), StatedMetal("zinc", 2.0, 0.1)]
    plain = hardness(titre, titrant, sample)
    found = hardness(titre, titrant, sample, None, subtracted(metals, "well"))
    by_hand = 1.0 * 1.792 + 2.0 * 1.531
    assert plain.caco3_mg_l.value - found.caco3_mg_l.value == pytest.approx(by_hand, abs=0.003)
    lines = {line.name: line for line in found.budget}
    assert lines["well: iron in the sample"].contribution == pytest.approx(0.1792, abs=1e-4)
    assert lines["well: zinc in the sample"].contribution == pytest.approx(0.1531, abs=1e-4)
    joint = math.hypot(plain.caco3_mg_l.standard_uncertainty, math.hypot(0.1792, 0.1531))
    assert found.caco3_mg_l.standard_uncertainty == pytest.approx(joint, rel=1e-3)
    assert any("iron 1.8" in said and "zinc 3.1" in said for said in found.warnings)


def test_more_than_was_titrated_is_refused() -> None:
    titre, titrant = Quantity(1.0, "mL"), Quantity(0.01, "mol/L")
    metals = subtracted([StatedMetal("zinc", 50.0)], "well")
    with pytest.raises(HardnessProblem, match="more than all that was titrated"):
        hardness(titre, titrant, Quantity(50.0, "mL"), None, metals)


def test_blocking_counts_what_is_in_the_flask() -> None:
    metals = [StatedMetal("copper", 0.1), StatedMetal("zinc", 5.0), StatedMetal("iron", 0.01)]
    assert blocking(metals, 1.0) == ("copper",)  # 1.6 umol/L; iron 0.18; zinc is titrated
    assert blocking(metals, 0.5) == ()


def test_a_recording_subtracts_and_names_what_blocks() -> None:
    table = simulate(steps(flask(hardness_mmol_l=2.0)))
    metals = (StatedMetal("copper", 0.6, 0.05), StatedMetal("manganese", 0.3, 0.02))
    plain = result_of_curve(job(), curve(table))
    found = result_of_curve(job(other_metals=metals), curve(table))
    assert plain.hardness is not None
    assert found.hardness is not None
    less = plain.hardness.caco3_mg_l.value - found.hardness.caco3_mg_l.value
    assert less == pytest.approx(0.6 * M_CACO3 / 63.546 + 0.3 * 1.822, abs=0.002)
    said = {s.code: s.text for s in found.remarks}
    assert "copper" in said["indicator-blocked"]
    assert "manganese" not in said["indicator-blocked"]
    assert "indicator-blocked" not in {s.code for s in plain.remarks}
    names = {line["name"] for line in document(found, {})["budget"]}
    assert {"simulated: copper in the sample", "simulated: manganese in the sample"} <= names
    assert USUAL_WORDS["free"] in said["indicator-blocked"]


RECORD = {
    "format": 1,
    "sample": {"volume_ml": 50.0, "label": "well"},
    "titrant": {"concentration_mol_l": 0.01, "standard_uncertainty_mol_l": 1e-5},
    "eye": {"titres_ml": [12.0, 12.02, 11.98]},
}
TODAY = datetime.date(2026, 11, 20)


def test_titres_read_by_eye_subtract_too() -> None:
    metals = {"zinc_mg_l": 2.0, "zinc_standard_uncertainty_mg_l": 0.1, "iron_mg_l": 0.5}
    plain = work_out(parse_eye_record(RECORD, "well.toml", Path()), TODAY)
    found = work_out(
        parse_eye_record({**RECORD, "other_metals": metals}, "well.toml", Path()), TODAY
    )
    less = plain.hardness.caco3_mg_l.value - found.hardness.caco3_mg_l.value
    assert less == pytest.approx(2.0 * 1.531 + 0.5 * 1.792, abs=0.003)
    assert "iron in the sample (no uncertainty stated)" in found.missing
    assert not any("zinc" in name for name in found.missing)


def parts_of(metals: dict[str, float], **tables: dict[str, object]) -> tuple[Split, float]:
    """Split of the record with these metals, and its part without them, mg/L CaCO3."""
    split, plain = (
        work_out(
            parse_eye_record({**RECORD, **tables, "other_metals": stated}, "well.toml", Path()),
            TODAY,
        ).splits[0]
        for stated in (metals, {})
    )
    return split, (plain.part.value - split.part.value) * M_CACO3


IRON_WATER = {"iron_mg_l": 15.0, "copper_mg_l": 1.5, "strontium_mg_l": 4.0}


def test_at_high_ph_only_strontium_is_titrated_with_calcium() -> None:
    # Standard Methods 3500-Ca B: Fe 20, Mn 10, Zn 5, Al 5, Cu 2 mg/L do not disturb; Sr is counted.
    split, less = parts_of(IRON_WATER, calcium={"titre_ml": 6.0})
    assert less == pytest.approx(4.0 * 1.142, abs=0.01)
    said = " ".join(split.warnings)
    assert "Subtracted from calcium as well: strontium." in said
    assert "Not subtracted from calcium: iron and copper, not titrated at pH 12 to 13" in said
    assert "is not known" not in said
    # At pH 10 they are, and so they are in the total from which magnesium is calculated.
    whole = 15.0 * 1.792 + 1.5 * M_CACO3 / 63.546 + 4.0 * 1.142
    assert (1.2 * 2.0 - split.total.value) * M_CACO3 == pytest.approx(whole, abs=0.02)


def test_egta_takes_up_what_edta_does() -> None:
    egta = {"titre_ml": 6.0, "by": "EGTA", "concentration_mol_l": 0.01}
    split, less = parts_of(IRON_WATER, calcium=egta)
    assert less == pytest.approx(15.0 * 1.792 + 1.5 * M_CACO3 / 63.546 + 4.0 * 1.142, abs=0.02)
    assert not any("Not subtracted" in said for said in split.warnings)


@pytest.mark.parametrize(("metal", "harmless"), [("iron", 20.0), ("nickel", 0.0)])
def test_beyond_what_is_harmless_the_interval_reaches_from_none_to_all(
    metal: str, harmless: float
) -> None:
    stated = {f"{metal}_mg_l": harmless + 5.0, f"{metal}_standard_uncertainty_mg_l": 0.0}
    split, less = parts_of(stated, calcium={"titre_ml": 9.0})
    whole = 5.0 * M_CACO3 / OTHER_METALS[metal].molar_mass
    assert less == pytest.approx(0.5 * whole, rel=1e-6)
    (part,) = (c for name, c in split.part.contributions.items() if "part that is titrated" in name)
    # Rectangular: its ends are the square root of 3 away.
    assert abs(part.value) * math.sqrt(3.0) * M_CACO3 == pytest.approx(0.5 * whole, rel=1e-6)
    assert f"How much of the {metal} is titrated at pH 12 to 13 is not known" in split.warnings[-1]


def test_iron_falls_on_boiling_and_is_not_subtracted_again() -> None:
    # 0.2 mmol/L is temporary (1 mL), and the iron of the total has fallen.
    titre_ml = 11.0 - 15.0 / 55.845 / 10.0 * 50.0
    split, less = parts_of(
        {"iron_mg_l": 15.0, "iron_standard_uncertainty_mg_l": 0.1}, boiled={"titre_ml": titre_ml}
    )
    assert less == pytest.approx(0.0, abs=1e-9)
    assert split.rest is not None
    assert split.rest.value == pytest.approx(0.2, abs=1e-9)
    assert "Not subtracted from the boiled sample: iron, which falls" in split.warnings[-1]
    others = {"zinc_mg_l": 2.0, "copper_mg_l": 0.1, "nickel_mg_l": 0.1}
    split, less = parts_of(others, boiled={"titre_ml": 9.0})
    whole = 2.0 * 1.531 + 0.1 * M_CACO3 / 63.546 + 0.1 * M_CACO3 / 58.693
    assert less == pytest.approx(0.5 * whole, abs=0.002)
    assert "How much of the zinc, copper and nickel stays in the water" in split.warnings[-1]


def test_a_recording_of_calcium_alone_does_not_subtract_iron() -> None:
    assert treated_at(named_indicator("Eriochrome Black T").ph) is None
    for name in ("Murexide", "Calconcarboxylic acid", "Hydroxynaphthol blue"):
        assert treated_at(named_indicator(name).ph) == HIGH_PH
    indicator = named_indicator("Hydroxynaphthol blue")
    table = simulate(steps(flask(hardness_mmol_l=2.0, magnesium=0.2)))
    metals = (StatedMetal("iron", 2.0, 0.1), StatedMetal("strontium", 2.0, 0.1))
    plain, found = (
        with_hardness(replace(result_of_curve(job(), curve(table)), job=each))
        for each in (job(indicator=indicator), job(indicator=indicator, other_metals=metals))
    )
    assert plain.hardness is not None
    assert found.hardness is not None
    less = plain.hardness.caco3_mg_l.value - found.hardness.caco3_mg_l.value
    assert less == pytest.approx(2.0 * 1.142, abs=0.01)
    assert any("Not subtracted from calcium: iron" in said for said in found.hardness.warnings)


@pytest.mark.parametrize(
    ("metals", "said"),
    [
        ({"zink_mg_l": 1.0}, "other_metals.zink_mg_l is not known"),
        ({"zinc_mg_l": -1.0}, "other_metals.zinc_mg_l"),
        ({"zinc_standard_uncertainty_mg_l": 0.1}, "stands without zinc_mg_l"),
    ],
)
def test_metals_that_cannot_be_are_refused_by_name(metals: dict[str, float], said: str) -> None:
    with pytest.raises(RecordProblem, match=re.escape(said)):
        parse_eye_record({**RECORD, "other_metals": metals}, "well.toml", Path())
