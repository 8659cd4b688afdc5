"""Standardisation of EDTA: published examples, other libraries, simulated truth."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import periodictable
import pytest
import uncertainties

from calibration.certificate import Certificate, read_certificate, write_certificate
from calibration.quantity import Quantity, covariance
from calibration.standardisation.end_error import end_read_by_eye
from calibration.standardisation.standards import (
    amount,
    atomic_weights,
    find_substance,
    in_vacuum,
    molar_mass,
    substance_names,
    weighed_mass,
)
from calibration.standardisation.titrant import concentration, volume_ratio
from calibration.standardisation.titres import Repeatability, Titre, mean_of
from calibration.ware.glassware import burette_volume, pipette_deliveries, ware_from_table
from tests.places import reference
from tests.titrant_sheets import BURETTE, certificate, strength

REFERENCE = reference("titrant", "hardness", "uncertainty")
M_CACO3 = 100.086


def through_file(found: Certificate, folder: Path) -> Quantity:
    write_certificate(found, folder / "edta.json")
    return read_certificate(folder / "edta.json").quantity("concentration", "mol/L")


# --- published values -------------------------------------------------------------------------


def test_quam_a2_every_contribution() -> None:
    # QUAM 2012, example A2, unrounded as in the documentation of the GTC library (read).
    i = REFERENCE["quam-a2"]["inputs"]
    expected = REFERENCE["quam-a2-unrounded"]
    weights = {
        symbol: Quantity.from_limits(
            i[f"M_{symbol}"], "g/mol", i[f"M_{symbol}_half_width"], "rectangular", symbol
        )
        for symbol in i["M_atoms"]
    }
    mass = weighed_mass(1e3 * i["m_g"], 1e3 * i["m_linearity_half_width_g"], "KHP")
    purity = Quantity.from_limits(i["P"], "1", i["P_half_width"], i["P_distribution"], "P")
    moles = amount(mass, purity, molar_mass(i["M_atoms"], weights))
    volume = Quantity.from_limits(
        i["V_mL"], "mL", i["V_calibration_half_width_mL"], "triangular", "V calibration"
    ) + Quantity.measured(0.0, "mL", i["V_temperature_u_mL"], "V temperature")
    # The repeatability R is one relative standard deviation of the whole, stated beforehand.
    earlier = Repeatability(i["R_u"] * i["V_mL"], math.inf)
    titre = mean_of([Titre(volume, "one")], "KHP", earlier=earlier).mean_ml
    whole = concentration((moles / Quantity(1.0, "mL")), Quantity(1.0, "mL"), titre)
    assert whole.value == pytest.approx(expected["expected"]["c"], abs=1e-9)
    assert whole.standard_uncertainty == pytest.approx(expected["expected"]["u_c"], abs=1e-9)
    names = {
        "V calibration": "V calibration",
        "R": "KHP: scatter of the titres",
        "V temperature": "V temperature",
        "P": "P",
        "linearity tare": "balance: linearity, empty vessel, KHP",
        "linearity gross": "balance: linearity, full vessel, KHP",
        "M carbon": "C",
    }
    for source, size in expected["values"]:
        ours = whole.contributions[names[source]].value
        assert abs(ours) == pytest.approx(size, abs=1e-9), source


@pytest.mark.parametrize(
    ("key", "composition"),
    [
        ("CaCO3", {"Ca": 1, "C": 1, "O": 3}),
        ("MgCO3", {"Mg": 1, "C": 1, "O": 3}),
        ("CaO", {"Ca": 1, "O": 1}),
        ("EDTA_acid_C10H16N2O8", {"C": 10, "H": 16, "N": 2, "O": 8}),
        ("Na2EDTA_dihydrate", {"Na": 2, "C": 10, "H": 18, "N": 2, "O": 10}),
        ("KHP", {"K": 1, "H": 5, "C": 8, "O": 4}),
    ],
)
def test_molar_masses(key: str, composition: dict[str, int]) -> None:
    entry = REFERENCE["molar-masses"]
    assert molar_mass(composition).value == pytest.approx(
        entry["values"][key], abs=entry["tolerance"]
    )


def test_atomic_weights_are_those_of_another_table() -> None:
    for symbol, weight in atomic_weights().items():
        if symbol in ("Na", "K"):  # abridged to five digits here, given in full there
            continue
        element = getattr(periodictable, symbol)
        assert weight.value == pytest.approx(element.mass, abs=1e-9)
        u = element._mass_unc / math.sqrt(3.0)
        assert weight.standard_uncertainty == pytest.approx(u, rel=1e-9)


def test_standards_of_the_table() -> None:
    expected = REFERENCE["edta-standard-usp"]["values"]["calcium_carbonate"]
    carbonate = molar_mass(find_substance("calcium carbonate").composition)
    assert carbonate.value == pytest.approx(expected, abs=0.005)  # USP 29, printed to 0.01
    # Fully correlated atoms: u = hypot(4, 2, 3 x 1) / sqrt(3) in thousandths.
    assert carbonate.standard_uncertainty == pytest.approx(1e-3 * math.sqrt(29 / 3), rel=1e-9)
    for name in substance_names():
        substance = find_substance(name)
        assert {"Ca": 1, "Zn": 1}.keys() & substance.composition.keys()
        assert substance.handling.endswith(".")
        assert 1.0 < substance.density_g_ml < 10.0
    ec = REFERENCE["calcium-standard-ec"]
    litre = amount(Quantity(1e3 * ec["inputs"]["CaCO3_g_per_L"], "mg"), Quantity(1, "1"), carbonate)
    assert 1e-3 * litre.value == pytest.approx(ec["expected"]["c_mol_per_L"], abs=5e-5)


# Textbooks leave out buoyancy and end error, and give one titre.
PLAIN: dict[str, Any] = {
    "end.error_ml": 0.0,
    "repeatability": {"standard_deviation_ml": 0.02, "titrations": 10},
}


def weighed_example(inputs: dict[str, Any], titre_ml: float, nominal_mol_l: float) -> Quantity:
    changes = {
        **PLAIN,
        "standard.air_buoyancy": "left out",
        "standard.purity_percent": 100.0,
        "standard.mass_mg": 1e3 * inputs["CaCO3_g"],
        "ware.flask.nominal_ml": inputs["flask_mL"],
        "ware.pipette.nominal_ml": inputs["aliquot_mL"],
        "titrant.nominal_mol_l": nominal_mol_l,
        "titre": [{"volume_ml": titre_ml}],
    }
    return strength(changes)


def test_example_of_4505() -> None:
    # Worked answer; the printed 0.0153 was rounded on the way, the unrounded is 0.01539.
    inputs = REFERENCE["ex-edta-standard-4505"]["inputs"]
    c = weighed_example(inputs, inputs["edta_mL"], 0.0154)
    assert c.value == pytest.approx(0.01539, abs=5e-6)


def test_example_of_harvey() -> None:
    # D. Harvey, Analytical Chemistry 2.1, section 9.3 (memory).
    entry = REFERENCE["ex-harvey-standard"]
    c = weighed_example(entry["inputs"], entry["inputs"]["edta_mL"], 0.0095)
    assert c.value == pytest.approx(entry["expected"]["c_edta"], abs=entry["tolerance"])


def test_example_of_4193() -> None:
    # Textbook problem as quoted; the result is computed, the printed one is wrong.
    entry = REFERENCE["ex-standard-4193"]
    i, expected = entry["inputs"], entry["expected"]
    c = weighed_example(i, i["edta_std_mL"], 0.0089)
    assert c.value * M_CACO3 == pytest.approx(expected["mg_per_mL_edta"], abs=5e-5)
    total = 1e3 * c.value * M_CACO3 * i["edta_mL"] / i["sample_mL"]
    assert total == pytest.approx(expected["total"], abs=entry["tolerance"])


@pytest.mark.parametrize("name", ["ex-shw-1500", "ex-shw-boiled"])
def test_examples_with_standard_hard_water(name: str) -> None:
    # Question bank, worked answer: a ready-made standard, stated in mg of CaCO3.
    entry = REFERENCE[name]
    i = entry["inputs"]
    per_ml = i["std_mg_per_mL"] * i["std_mL"] / i["std_edta_mL"]
    changes = {
        **PLAIN,
        "standard": {
            "substance": "calcium carbonate",
            "certified_mg_l": 1e3 * i["std_mg_per_mL"],
            "expanded_uncertainty_mg_l": 2.0 * i["std_mg_per_mL"],
        },
        "ware.flask": ...,
        "ware.pipette.nominal_ml": i["std_mL"],
        "titrant.nominal_mol_l": round(per_ml / M_CACO3, 4),
        "titre": [{"volume_ml": i["std_edta_mL"]}],
    }
    c = strength(changes)
    assert c.value * M_CACO3 == pytest.approx(per_ml, rel=1e-9)
    total = 1e3 * c.value * M_CACO3 * i["edta_mL"] / i["sample_mL"]
    assert total == pytest.approx(entry["expected"]["total"], abs=entry["tolerance"])
    # U = 0.2 % with k = 2 of the certificate.
    certified = c.contributions["certified standard of calcium carbonate, used for EDTA-7"]
    assert certified.value == pytest.approx(0.001 * c.value, rel=1e-9)


def test_buoyancy_of_air() -> None:
    # m/W = (1 - 0.0012/8.0) / (1 - 0.0012/d): calcite weighs 0.03 % too little, zinc 0.002 %.
    for name, percent in (("calcium carbonate", 0.0293), ("zinc", 0.0018)):
        mass = in_vacuum(Quantity(1000.0, "mg"), find_substance(name).density_g_ml, "a")
        assert 100.0 * (mass.value / 1000.0 - 1.0) == pytest.approx(percent, abs=1e-4)
        # The density of air is known to 10 %, so the correction is known to 10 % / sqrt(3).
        relative = mass.standard_uncertainty / 1000.0
        assert 100.0 * relative == pytest.approx(percent / 12.0 / math.sqrt(3.0), rel=0.03)
    plain, corrected = (
        strength({"standard.air_buoyancy": way}).value for way in ("left out", "corrected")
    )
    assert corrected / plain == pytest.approx(1.000293, abs=1e-6)


def test_water_expands() -> None:
    # Slopes of the density formula of Tanaka et al., Metrologia 38 (2001) 301 (computed).
    for t, beta in REFERENCE["water-expansion-computed"]["values"]:
        assert volume_ratio(t - 0.5, t + 0.5) - 1.0 == pytest.approx(beta, rel=0.005)
    assert volume_ratio(25.0, 18.0) * volume_ratio(18.0, 25.0) == pytest.approx(1.0, abs=1e-12)


def test_volumes_are_brought_to_20_c() -> None:
    # Standard and titrant warm alike: flask and pipette cancel, the titre shrinks by 0.12 %
    # (density of water 25 to 20 °C: 0.116 %) less the glass (5 x 9.9e-6 = 0.005 %).
    warm, plain = strength({"titrant.temperature_c": 25.0}), strength()
    assert warm.value / plain.value - 1.0 == pytest.approx(0.00116 - 0.00005, abs=3e-5)
    remark = next(r for r in certificate({"titrant.temperature_c": 25.0}).remarks if "25 °C" in r)
    assert "-0.12 %" in remark


# --- other ways to the same uncertainty -------------------------------------------------------


def independent(scatter_ml: float) -> tuple[Any, dict[str, Any]]:
    """The model of the base sheet written out for another library, and its inputs."""
    r3, r6 = math.sqrt(3.0), math.sqrt(6.0)
    x = {
        "tare": uncertainties.ufloat(0.0, 0.15 / r3),
        "gross": uncertainties.ufloat(0.0, 0.15 / r3),
        "air": uncertainties.ufloat(0.0012, 0.0001 / r3),
        "purity": uncertainties.ufloat(0.9995, 0.0005 / r3),
        "Ca": uncertainties.ufloat(40.078, 0.004 / r3),
        "C": uncertainties.ufloat(12.011, 0.002 / r3),
        "O": uncertainties.ufloat(15.999, 0.001 / r3),
        "flask": uncertainties.ufloat(250.0, 0.15 / r6),
        "flask filling": uncertainties.ufloat(0.0, 0.33 * 0.15),
        "pipette": uncertainties.ufloat(25.0, 0.03 / r6),
        "burette": uncertainties.ufloat(0.0, 0.05 / r6),
        "warm": uncertainties.ufloat(0.0, 3.0 / r3),
        "scatter": uncertainties.ufloat(0.0, scatter_ml),
        "end": uncertainties.ufloat(-0.03, 0.03),
    }
    return model(x), x


def model(x: dict[str, Any]) -> Any:
    """Concentration in mol/L from the inputs of `independent`, numbers or arrays."""
    mass = (250.3 + x["tare"] + x["gross"]) * (1 - x["air"] / 8.0) / (1 - x["air"] / 2.71)
    moles = mass * x["purity"] / (x["Ca"] + x["C"] + 3 * x["O"])
    swell = 1.0 + 0.00021 * x["warm"]
    titre = 74.69 / 3 * swell + x["burette"] + x["scatter"]
    aliquot = (x["pipette"] * swell) / ((x["flask"] + x["flask filling"]) * swell)
    return moles * aliquot / (titre - x["end"])


def test_uncertainty_agrees_with_the_uncertainties_library() -> None:
    s = float(np.std([24.87, 24.92, 24.90], ddof=1)) / math.sqrt(3.0)
    theirs, x = independent(s)
    ours = strength()
    assert ours.value == pytest.approx(theirs.nominal_value, rel=1e-9)
    assert ours.standard_uncertainty == pytest.approx(theirs.std_dev, rel=1e-4)
    for key, name in {
        "burette": "burette B2: calibration",
        "pipette": "pipette P1: calibration",
        "flask": "flask F4: calibration",
        "O": "atomic weight: O",
        "purity": "purity of calcium carbonate, lot C-18",
        "end": "end read by eye: KT, Eriochrome Black T",
        "scatter": "EDTA-7: scatter of the titres",
        "warm": "temperature, EDTA-7",
        "air": "density of air, EDTA-7",
    }.items():
        expected = theirs.derivatives[x[key]] * x[key].std_dev
        assert ours.contributions[name].value == pytest.approx(expected, rel=0.01), key
    assert sum(ours.shares().values()) == pytest.approx(1.0, abs=1e-12)


def test_uncertainty_agrees_with_monte_carlo() -> None:
    # JCGM 101:2008: every input drawn from its own distribution, through the full model.
    rng = np.random.default_rng(412)
    n = 400_000
    earlier = {"standard_deviation_ml": 0.02, "titrations": 10_000}
    ours = strength({"repeatability": earlier})
    s = ours.contributions["EDTA-7: scatter of the titres"].source
    assert s is not None
    assert s.standard_uncertainty == pytest.approx(0.02 / math.sqrt(3.0), rel=1e-3)
    _, x = independent(s.standard_uncertainty)
    normal, triangular = ("flask filling", "scatter", "end"), ("flask", "pipette", "burette")
    drawn = {}
    for key, value in x.items():
        if key in normal:
            spread = rng.standard_normal(n)
        elif key in triangular:
            spread = rng.triangular(-math.sqrt(6.0), 0.0, math.sqrt(6.0), n)
        else:
            spread = rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), n)
        drawn[key] = value.nominal_value + value.std_dev * spread
    outcomes = model(drawn)
    assert float(outcomes.mean()) == pytest.approx(ours.value, abs=0.01 * ours.standard_uncertainty)
    assert float(outcomes.std()) == pytest.approx(ours.standard_uncertainty, rel=0.01)
    low, high = np.quantile(outcomes, [0.025, 0.975])
    assert (low, high) == pytest.approx(ours.interval(), abs=0.03 * ours.standard_uncertainty)


# --- how titres are counted -------------------------------------------------------------------


def read_titres(*volumes_ml: float) -> list[Titre]:
    ware = ware_from_table(BURETTE, "burette", "test")
    return [
        Titre(burette_volume(ware, volume, f"day titre {n}"), f"day titre {n}")
        for n, volume in enumerate(volumes_ml, 1)
    ]


READING_ML = math.sqrt(2.0) * 0.02 / math.sqrt(6.0)


def test_burette_is_not_divided_but_the_scatter_is() -> None:
    found = mean_of(read_titres(20.0, 20.06, 20.03, 20.07), "day")
    s = float(np.std([20.0, 20.06, 20.03, 20.07], ddof=1))
    parts = found.mean_ml.contributions
    assert found.scatter_from == "titres"
    assert found.standard_deviation_ml == pytest.approx(s)
    assert parts["burette B2: calibration"].value == pytest.approx(0.05 / math.sqrt(6.0))
    scatter = parts["day: scatter of the titres"]
    assert (scatter.kind, scatter.degrees_of_freedom) == ("A", 3)
    assert scatter.value == pytest.approx(s / 2.0)
    assert not [name for name in parts if "reading" in name]


def test_titres_that_agree_by_luck_keep_their_reading() -> None:
    found = mean_of(read_titres(20.03, 20.03, 20.03), "day")
    scatter = found.mean_ml.contributions["day: scatter of the titres"]
    assert found.scatter_from == "reading and filling"
    assert scatter.value == pytest.approx(READING_ML / math.sqrt(3.0))
    assert (scatter.kind, scatter.degrees_of_freedom) == ("B", 2)


def test_earlier_titrations_lend_their_scatter() -> None:
    # Pooled standard deviation, JCGM 100:2008, 4.2.4 (from memory).
    found = mean_of(read_titres(20.00, 20.04), "day", earlier=Repeatability(0.03, 9))
    scatter = found.mean_ml.contributions["day: scatter of the titres"]
    pooled = math.sqrt((9 * 0.03**2 + 0.0008) / 10)
    assert scatter.value == pytest.approx(pooled / math.sqrt(2.0))
    assert scatter.degrees_of_freedom == 10
    # F(1, 9) = (0.0707/0.03)^2 = 5.6 is above 5.12 (5 %, one-sided): then earlier work is no help.
    worse = mean_of(read_titres(20.00, 20.10), "day", earlier=Repeatability(0.03, 9))
    assert worse.scatter_from == "titres"
    assert worse.mean_ml.contributions["day: scatter of the titres"].degrees_of_freedom == 1
    assert "clearly more than in earlier" in worse.remarks[0]


def test_titres_that_differ_are_named_and_kept() -> None:
    # 0.10 mL is common practice, no source.
    far = mean_of(read_titres(20.00, 20.02, 20.30), "day")
    assert "differ by 0.30 mL" in far.remarks[0]
    assert far.mean_ml.value == pytest.approx(60.32 / 3)
    assert not mean_of(read_titres(20.40, 20.30), "day").remarks


def test_filling_of_each_aliquot_is_in_the_expected_scatter() -> None:
    same = {"titre": [{"volume_ml": 24.90}] * 3}
    details = certificate(same).details
    one = 24.90 * 0.33 * 0.03 / 25.0
    assert details["scatter_from"] == "reading and filling"
    c = strength(same)
    part = c.contributions["EDTA-7: scatter of the titres"]
    expected = math.hypot(READING_ML, one) / math.sqrt(3.0) / (24.90 + 0.03)
    assert abs(part.value) / c.value == pytest.approx(expected, rel=1e-9)
    # Two fillings of 25 mL for each titre: each filling counts half as much of the aliquot.
    two = strength({**same, "ware.pipette_fillings": 2, "titrant.nominal_mol_l": 0.02})
    part = two.contributions["EDTA-7: scatter of the titres"]
    expected = math.hypot(READING_ML, one / math.sqrt(2.0)) / math.sqrt(3.0) / (24.90 + 0.03)
    assert abs(part.value) / two.value == pytest.approx(expected, rel=1e-9)
    assert two.value == pytest.approx(2.0 * c.value, rel=1e-12)


# --- what cancels between standard and sample -------------------------------------------------


def sample(volume_ml: float, c: Quantity, error: Quantity | None = None) -> Quantity:
    """Hardness in mmol/L of 50 mL, titrated with burette B2."""
    burette = ware_from_table(BURETTE, "burette", "test")
    volume = burette_volume(burette, volume_ml, "well 3")
    taken = pipette_deliveries(
        ware_from_table({"nominal_ml": 50, "class": "A", "name": "P2"}, "pipette", "test")
    )[0]
    net = volume if error is None else volume - error
    return (c * net / taken).scaled(1e3, "mmol/L")


@pytest.mark.parametrize("volume_ml", [24.897, 12.5, 6.0])
def test_one_burette_cancels_to_the_remainder(volume_ml: float, tmp_path: Path) -> None:
    found = certificate()
    direct = found.quantity("concentration", "mol/L")
    for c in (direct, through_file(found, tmp_path)):
        hardness = sample(volume_ml, c)
        part = hardness.contributions["burette B2: calibration"].value / hardness.value
        u = 0.05 / math.sqrt(6.0)
        expected = u * (1.0 / volume_ml - 1.0 / (74.69 / 3 + 0.03))
        assert part == pytest.approx(expected, rel=1e-9, abs=1e-12)
        assert abs(part) < u / volume_ml


@pytest.mark.parametrize("volume_ml", [24.867, 18.0, 6.0])
def test_one_eye_cancels_to_the_remainder(volume_ml: float, tmp_path: Path) -> None:
    found = certificate()
    same = end_read_by_eye("KT", "Eriochrome Black T", -0.03, 0.03)
    other = end_read_by_eye("MR", "Eriochrome Black T", -0.03, 0.03)
    name = "end read by eye: KT, Eriochrome Black T"
    standard_ml = 74.69 / 3 + 0.03
    for c in (found.quantity("concentration", "mol/L"), through_file(found, tmp_path)):
        hardness = sample(volume_ml, c, same)
        part = hardness.contributions[name].value / hardness.value
        expected = 0.03 * (1.0 / standard_ml - 1.0 / (volume_ml + 0.03))
        assert part == pytest.approx(expected, rel=1e-9, abs=1e-12)
        # Another person, or a recording without such an error: nothing cancels.
        by_other = sample(volume_ml, c, other)
        recorded = sample(volume_ml, c)
        for whole in (by_other, recorded):
            kept = whole.contributions[name].value / whole.value
            assert kept == pytest.approx(0.03 / standard_ml, rel=1e-9)
        assert by_other.standard_uncertainty > recorded.standard_uncertainty
        # With less than half of the standard's titre the eye costs more than it cancels.
        saves = recorded.standard_uncertainty > hardness.standard_uncertainty
        assert saves == (volume_ml > standard_ml / 2.0)
        assert by_other.standard_uncertainty > hardness.standard_uncertainty


def test_a_blank_by_the_same_eye_takes_the_end_error_with_it() -> None:
    blank = {"blank": {"volume_ml": 0.04, "standard_uncertainty_ml": 0.02}}
    found = [
        certificate({**blank, "end.error_ml": error}).quantity("concentration", "mol/L")
        for error in (-0.03, 0.0, 0.10)
    ]
    # Titre and blank both hold the error: whatever it is, their difference holds none of it.
    assert len({one.value for one in found}) == 1
    assert not any("end read by eye" in name for one in found for name in one.contributions)
    alone = certificate().quantity("concentration", "mol/L")
    mean_ml = (24.87 + 24.92 + 24.90) / 3.0
    assert found[0].value == pytest.approx(
        alone.value * (mean_ml + 0.03) / (mean_ml - 0.04), rel=1e-9
    )
    said = " ".join(certificate(blank).remarks)
    assert "the error of the end cancels" in said
    # Without a blank it stays, and so does what is said of an error that nobody stated.
    assert any("end read by eye" in name for name in alone.contributions)


def test_two_standardisations_share_only_what_they_share() -> None:
    first = strength()
    second = strength({"certificate.id": "EDTA-8", "standard.mass_mg": 251.0})
    shared = {
        name: first.contributions[name].value * second.contributions[name].value
        for name in first.contributions.keys() & second.contributions.keys()
    }
    assert set(shared) == {
        "purity of calcium carbonate, lot C-18",
        "atomic weight: Ca",
        "atomic weight: C",
        "atomic weight: O",
        "flask F4: calibration",
        "pipette P1: calibration",
        "burette B2: calibration",
        "end read by eye: KT, Eriochrome Black T",
    }
    assert covariance(first, second) == pytest.approx(math.fsum(shared.values()), rel=1e-12)


# --- simulated truth --------------------------------------------------------------------------


def simulated(rng: np.random.Generator, own_ml: float, count: int) -> tuple[bool, bool, float]:
    """Tell of one standardisation and one sample whether the 95 % interval holds the truth.

    Errors are drawn as the sheet states them; `own_ml` is what the hand adds to each titre.
    """

    def within(half_width: float) -> float:
        return float(rng.uniform(-half_width, half_width))

    def near(limit: float) -> float:
        return float(rng.triangular(-limit, 0.0, limit))

    c, warm = 0.01, within(3.0)
    mass = 250.3 + within(0.15) + within(0.15)
    mass *= (1 - (air := 0.0012 + within(1e-4)) / 8.0) / (1 - air / 2.71)
    moles = mass * (0.9995 + within(0.0005)) / (100.086 + within(0.004))
    flask = 250.0 + near(0.15) + 0.33 * 0.15 * rng.standard_normal()
    pipette, burette = near(0.03), near(0.05)
    eye = -0.03 + 0.03 * rng.standard_normal()

    def read(millimoles: float, swell: float) -> float:
        true = millimoles / c / swell + eye - burette + own_ml * rng.standard_normal()
        return round(true + near(0.02) + near(0.02), 2)

    titres = []
    for _ in range(count):
        aliquot = 25.0 + pipette + 0.33 * 0.03 * rng.standard_normal()
        titres.append({"volume_ml": read(moles * aliquot / flask, 1 - 0.00021 * -warm)})
    found = strength({"titre": titres})
    low, high = found.interval()
    taken = 50.0 + near(0.05) + 0.33 * 0.05 * rng.standard_normal()
    true_mmol_l = 2.0
    other_day, own_day = within(3.0), within(3.0)
    seen = read(true_mmol_l * taken * (1 + 0.00021 * own_day) / 1e3, 1 + 0.00021 * other_day)
    hardness = sample(seen, found, end_read_by_eye("KT", "Eriochrome Black T", -0.03, 0.03))
    spread = Quantity.measured(0.0, "mL", own_ml, "hand").scaled(1e3 * c / 50.0, "mmol/L")
    h_low, h_high = (hardness + spread).interval()
    return low <= c <= high, h_low <= true_mmol_l <= h_high, found.value


@pytest.mark.parametrize(("own_ml", "count"), [(0.0, 3), (0.02, 3), (0.06, 4)])
def test_intervals_hold_the_truth(own_ml: float, count: int) -> None:
    # 400 runs: 95 % within two standard deviations of 1.1 %; much wider intervals fail as well.
    runs = [simulated(np.random.default_rng(5000 + seed), own_ml, count) for seed in range(400)]
    inside, hardness_inside, values = np.array(runs).T
    assert 0.93 <= inside.mean() <= 0.98
    assert 0.93 <= hardness_inside.mean() <= 0.98
    assert values.mean() == pytest.approx(0.01, abs=3e-6)
