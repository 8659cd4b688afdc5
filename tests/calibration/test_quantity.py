"""Named uncertainty: arithmetic, propagation, coverage, Monte Carlo, against published budgets."""

from __future__ import annotations

import copy
import json
import math
import pickle
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.certificate import quantity_from_json
from calibration.propagation import MonteCarlo, monte_carlo, propagate
from calibration.quantity import (
    DIVISORS,
    Contribution,
    Quantity,
    QuantityProblem,
    combine_units,
    correlation,
    covariance,
)
from tests.places import reference

REFERENCE = reference("uncertainty")


def round_trip(quantity: Quantity) -> Quantity:
    return quantity_from_json(json.loads(json.dumps(quantity.to_json(), allow_nan=False)), "test")


# --- arithmetic against an independent library ------------------------------------------------

OPERATIONS: dict[str, Callable[[Any, Any], Any]] = {
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "/": lambda a, b: a / b,
}
number = st.floats(0.1, 100.0) | st.floats(-100.0, -0.1)
steps = st.lists(
    st.tuples(st.sampled_from(list(OPERATIONS)), st.integers(0, 3), st.booleans()),
    min_size=1,
    max_size=8,
)


@settings(max_examples=150)
@given(
    st.lists(st.tuples(number, st.floats(1e-9, 0.3)), min_size=4, max_size=4),
    st.lists(st.floats(-1.0, 1.0), min_size=4, max_size=4),
    steps,
    steps,
)
def test_arithmetic_agrees_with_the_uncertainties_library(
    inputs: list[tuple[float, float]],
    common: list[float],
    first: list[tuple[str, int, bool]],
    second: list[tuple[str, int, bool]],
) -> None:
    # Every input has a part of its own and a part of one shared source with its own sign.
    shared = uncertainties.ufloat(0.0, 1.0)
    theirs = [
        uncertainties.ufloat(v, u) + c * shared for (v, u), c in zip(inputs, common, strict=True)
    ]
    ours = [
        Quantity(v, "1", {f"input {n}": Contribution(u), "shared": Contribution(c)})
        for n, ((v, u), c) in enumerate(zip(inputs, common, strict=True))
    ]

    largest = [1.0]

    def run(values: list[Any], plan: list[tuple[str, int, bool]]) -> Any:
        result = values[0]
        for sign, n, reverse in plan:
            other = values[n]
            if sign == "/":
                divisor = result if reverse else other
                size = divisor.value if isinstance(divisor, Quantity) else divisor.nominal_value
                if abs(size) < 1e-3:
                    continue
            result = OPERATIONS[sign](*((other, result) if reverse else (result, other)))
            if isinstance(result, Quantity):
                largest.append(result.standard_uncertainty)
                largest.append(result.standard_uncertainty / max(abs(result.value), 1e-3))
        return result

    a, b = run(ours, first), run(ours, second)
    x, y = run(theirs, first), run(theirs, second)
    expected = uncertainties.covariance_matrix([x, y])
    if max(abs(x.nominal_value), abs(y.nominal_value)) > 1e12:
        return
    assert a.value == pytest.approx(x.nominal_value, rel=1e-12)
    # What cancels is left with the rounding errors of the largest step on the way.
    rounding = 1e-12 * max(largest) * max(1.0, abs(a.value), abs(b.value))
    assert a.standard_uncertainty == pytest.approx(x.std_dev, rel=1e-9, abs=rounding)
    either = a.standard_uncertainty + b.standard_uncertainty + rounding
    assert covariance(a, b) == pytest.approx(expected[0][1], rel=1e-9, abs=rounding * either)
    again_a, again_b = round_trip(a), round_trip(b)
    assert again_a == a
    assert covariance(again_a, again_b) == covariance(a, b)


@settings(max_examples=60)
@given(st.floats(0.5, 20.0), st.floats(0.5, 20.0), st.floats(1e-6, 0.1), st.floats(1e-6, 0.1))
def test_numerical_sensitivities_agree_with_the_uncertainties_library(
    x: float, y: float, ux: float, uy: float
) -> None:
    a = Quantity.measured(x, "mL", ux * x, "a")
    b = Quantity.measured(y, "mL", uy * y, "b")
    ours = propagate(lambda p, q: p / q + math.sqrt(p * q), a, b, unit="1")
    p, q = uncertainties.ufloat(x, ux * x), uncertainties.ufloat(y, uy * y)
    theirs = p / q + (p * q) ** 0.5
    # Steps are 1 % of a value whose u is 10 %, so the differences are good to about 1e-8.
    for name, variable in (("a", p), ("b", q)):
        expected = theirs.derivatives[variable] * variable.std_dev
        assert ours.contributions[name].value == pytest.approx(
            expected, rel=1e-7, abs=1e-7 * theirs.std_dev
        )


def test_plain_numbers_are_exact() -> None:
    v = Quantity.measured(10.0, "mL", 0.1, "v")
    assert (v + 1.0).value == (1.0 + v).value == 11.0
    assert (v - 1.0).value == -(1.0 - v).value == 9.0
    assert (2.0 * v / 4.0).standard_uncertainty == pytest.approx(0.05)
    assert (1.0 / v).unit == "1/mL"
    assert (-v).contributions["v"].value == -0.1
    # A quantity minus itself is exactly known.
    assert (v - v).standard_uncertainty == 0.0
    assert (v / v).standard_uncertainty == pytest.approx(0.0, abs=1e-18)


@pytest.mark.parametrize(
    ("left", "right", "sign", "unit"),
    [
        ("mL", "mL", -1, "1"),
        ("mol/L", "mL", 1, "mol·mL/L"),
        ("mol·mL/L", "mL", -1, "mol/L"),
        ("1", "mL", -1, "1/mL"),
        ("mL", "mL", 1, "mL·mL"),
        ("mg/mL", "mL/mg", 1, "1"),
        ("1", "1", 1, "1"),
    ],
)
def test_units_of_products(left: str, right: str, sign: int, unit: str) -> None:
    assert combine_units(left, right, sign) == unit


def test_quantities_are_immutable_hashable_and_travel_between_processes() -> None:
    v = Quantity.from_readings([1.0, 1.1, 1.3], "mL", "titre")
    with pytest.raises(AttributeError):
        v.value = 2.0  # type: ignore[misc]
    with pytest.raises(TypeError):
        v.contributions["titre"] = Contribution(0.0)  # type: ignore[index]
    assert pickle.loads(pickle.dumps(v)) == v == copy.deepcopy(v)
    assert hash(v) == hash(round_trip(v))


# --- refusals ---------------------------------------------------------------------------------


def test_refusals_say_what_and_why() -> None:
    v = Quantity.measured(10.0, "mL", 0.1, "v")
    bad: list[tuple[str, Callable[[], object]]] = [
        ("mL and one in mol", lambda: v + Quantity(1.0, "mol")),
        ("divided by zero", lambda: v / 0.0),
        ("not a number", lambda: Quantity(math.nan, "mL")),
        ("not a number", lambda: v * math.inf),
        ("not a number", lambda: Contribution(math.nan)),
        ("negative", lambda: Quantity.measured(1.0, "mL", -0.1, "v")),
        ("kind", lambda: Contribution(0.1, kind="C")),
        ("distribution", lambda: Contribution(0.1, distribution="square")),
        ("distribution", lambda: Quantity.from_limits(1.0, "mL", 0.1, "square", "v")),
        ("degrees of freedom", lambda: Contribution(0.1, degrees_of_freedom=0.0)),
        ("degrees of freedom", lambda: Contribution(0.1, degrees_of_freedom=math.nan)),
        ("too few", lambda: Quantity.from_readings([1.0], "mL", "v")),
        ("probability", lambda: v.coverage_factor(1.0)),
        ("sensitivities", lambda: propagate(abs, v, unit="mL", sensitivities=[])),
        ("draws", lambda: monte_carlo(abs, [v], 10, 1)),
        ('share the name "v"', lambda: v + Quantity.from_limits(1.0, "mL", 0.1, "triangular", "v")),
    ]
    for words, act in bad:
        with pytest.raises(QuantityProblem) as caught:
            act()
        assert words in caught.value.sentence
        assert caught.value.remedy.endswith((".", "?"))


def test_monte_carlo_refuses_outcomes_that_are_no_numbers() -> None:
    near_zero = Quantity.measured(0.1, "mL", 0.1, "v")
    with pytest.raises(QuantityProblem, match="gave no number"):
        monte_carlo(np.log, [near_zero], 10_000, 1)


# --- limits, readings, degrees of freedom -----------------------------------------------------


def test_divisors_quam_8_1() -> None:
    # QUAM 2012, 8.1 and appendix E1.
    assert set(REFERENCE["divisors"]["values"]) >= {"rectangular", "triangular", "arcsine"}
    expected = {"rectangular": 3**-0.5, "triangular": 6**-0.5, "arcsine": 2**-0.5}
    expected["normal"] = 1 / 1.96
    assert set(expected) == set(DIVISORS)
    for name, divisor in expected.items():
        u = Quantity.from_limits(1.0, "mL", 0.3, name, "v").standard_uncertainty
        assert u == pytest.approx(0.3 * divisor, rel=1e-12)


def test_readings_give_type_a() -> None:
    q = Quantity.from_readings([10.0, 10.2, 10.1, 10.3], "mL", "titre")
    part = q.contributions["titre"]
    assert (part.kind, part.degrees_of_freedom) == ("A", 3.0)
    assert part.value == pytest.approx(np.std([10.0, 10.2, 10.1, 10.3], ddof=1) / 2.0)


def test_student_t_table() -> None:
    # scipy, in the layout of JCGM 100:2008, Table G.2: cross-checked with GUM H.1 (t99(16) = 2.92).
    entry = REFERENCE["student-t"]
    coverages = [0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973]
    for nu, *row in entry["values"]:
        q = Quantity(1.0, "1", {"a": Contribution(0.1, "A", nu)})
        for coverage, expected in zip(coverages, row, strict=True):
            tolerance = entry["tolerance"] if coverage not in (0.6827, 0.9545, 0.9973) else None
            if tolerance is None:  # the headings are rounded: compare with the exact multiples
                coverage = math.erf({0.6827: 1, 0.9545: 2, 0.9973: 3}[coverage] / math.sqrt(2))
                tolerance = 0.002 * expected
            assert q.coverage_factor(coverage) == pytest.approx(expected, abs=tolerance)
    for coverage, limit in ((0.90, 1.645), (0.95, 1.960), (0.99, 2.576)):
        well_known = Quantity(1.0, "1", {"a": Contribution(0.1)})
        assert well_known.coverage_factor(coverage) == pytest.approx(limit, abs=5e-4)


# --- published budgets ------------------------------------------------------------------------


def kilogram_of_khp(molar_unit: str = "g/mol") -> tuple[Quantity, Quantity, Quantity]:
    """Mass, purity and molar mass of QUAM A2, as its inputs print them."""
    i = REFERENCE["quam-a2"]["inputs"]
    half = i["m_linearity_half_width_g"]
    gross = Quantity.from_limits(i["m_g"], "g", half, "rectangular", "linearity gross")
    tare = Quantity.from_limits(0.0, "g", half, "rectangular", "linearity tare")
    purity = Quantity.from_limits(i["P"], "1", i["P_half_width"], "rectangular", "P")
    molar = Quantity(0.0, molar_unit)
    words = {"C": "carbon", "H": "hydrogen", "O": "oxygen", "K": "potassium"}
    for atom, count in i["M_atoms"].items():
        mass, limit = i[f"M_{atom}"], i[f"M_{atom}_half_width"]
        one = Quantity.from_limits(mass, molar_unit, limit, "rectangular", f"M {words[atom]}")
        molar = molar + count * one
    return gross - tare, purity, molar


def test_quam_a2_naoh_against_khp() -> None:
    # EURACHEM/CITAC guide QUAM, 3rd edition (2012), example A2; unrounded: GTC documentation.
    printed, entry = REFERENCE["quam-a2"], REFERENCE["quam-a2-unrounded"]
    i = printed["inputs"]
    mass, purity, molar = kilogram_of_khp()
    volume = Quantity.from_limits(
        i["V_mL"], "mL", i["V_calibration_half_width_mL"], "triangular", "V calibration"
    )
    # 19 mL x 2.1e-4 x 3 C / 1.96, which the guide rounds to 0.006.
    temperature = 19.0 * 2.1e-4 * 3.0 / 1.96
    assert temperature == pytest.approx(i["V_temperature_u_mL"], abs=2e-4)
    volume += Quantity.measured(0.0, "mL", i["V_temperature_u_mL"], "V temperature")
    factor = Quantity.measured(i["R"], "1", i["R_u"], "R")
    c = (1000.0 * factor * mass * purity / (molar * volume)).scaled(1.0, "mol/L")
    assert c.value == pytest.approx(entry["expected"]["c"], abs=1e-12)
    assert c.standard_uncertainty == pytest.approx(entry["expected"]["u_c"], abs=1e-9)
    for name, expected in entry["values"]:
        found = abs(c.contributions[name].value)
        assert found == pytest.approx(expected, abs=entry["tolerance"]), name
    assert c.value == pytest.approx(printed["expected"]["c"], abs=5e-6)
    assert c.standard_uncertainty == pytest.approx(printed["expected"]["u_c"], abs=5e-6)
    for name, quantity in (("m_g", mass), ("P", purity), ("M_g_per_mol", molar)):
        value, u = next(row[1:3] for row in printed["values"] if row[0] == name)
        assert quantity.value == pytest.approx(value, abs=5e-5)
        assert quantity.standard_uncertainty == pytest.approx(u, rel=0.06)


def quam_a3(repeatability: float) -> Quantity:
    i = REFERENCE["quam-a3"]["inputs"]
    mass, purity, molar = kilogram_of_khp()
    spread = i["beta"] * i["temperature_half_width_C"]

    def volume(name: str, value: float, limit: float, warmed: float) -> Quantity:
        made = Quantity.from_limits(value, "mL", limit, "triangular", f"{name} calibration")
        return made + Quantity.from_limits(
            0.0, "mL", warmed * spread, "rectangular", f"{name} temperature"
        )

    limit = i["V2_V1_calibration_half_width_mL"]
    v1 = volume("V1", i["V1_mL"], limit, i["V1_temperature_volume_mL"])
    v2 = volume("V2", i["V2_mL"], limit, i["V2_temperature_volume_mL"])
    vh = volume("VH", i["VH_mL"], i["VH_calibration_half_width_mL"], i["VH_mL"])
    factor = Quantity.measured(1.0, "1", repeatability, "R")
    return (1000.0 * factor * mass * purity * v2 / (v1 * molar * vh)).scaled(1.0, "mol/L")


def test_quam_a3_hcl_by_naoh() -> None:
    # QUAM 2012, example A3; unrounded: GTC documentation. The 0.00016 of the summary table belongs
    # to the variant with R divided by sqrt(3); the model with R_u = 0.001 gives 0.000184.
    entry = REFERENCE["quam-a3-unrounded"]
    c = quam_a3(REFERENCE["quam-a3"]["inputs"]["R_u"])
    assert c.value == pytest.approx(entry["expected"]["c"], abs=5e-7)
    assert c.standard_uncertainty == pytest.approx(entry["expected"]["u_c"], abs=5e-8)
    assert c.standard_uncertainty == pytest.approx(0.000184, abs=5e-7)
    for name, expected in entry["values"]:
        assert abs(c.contributions[name].value) == pytest.approx(expected, abs=5e-8), name
    variant = quam_a3(0.001 / math.sqrt(3.0))
    assert variant.standard_uncertainty == pytest.approx(0.00016, abs=5e-6)


def end_gauge() -> tuple[Quantity, ...]:
    """Inputs of GUM H.1 in the order of its model."""
    i = REFERENCE["gum-h1"]["inputs"]
    ls = Quantity(i["ls_nm"], "nm", {"ls": Contribution(i["u_ls"], "B", i["nu_ls"])})
    parts = {
        f"d {n}": Contribution(u, "A", nu)
        for n, (u, nu) in enumerate(zip(i["d_parts"], i["nu_d_parts"], strict=True))
    }
    d = Quantity(i["d_nm"], "nm", parts)

    def flat(value: float, half: float, name: str, nu: float = math.inf) -> Quantity:
        part = Contribution(half / math.sqrt(3.0), "B", nu, "rectangular")
        return Quantity(value, "1", {name: part})

    alpha = flat(i["as"], i["as_half_width"], "as")
    theta = Quantity.measured(i["theta"], "1", i["u_theta_mean"], "theta mean")
    swing = i["theta_arcsine_half_width"]
    theta += Quantity.from_limits(0.0, "1", swing, "arcsine", "theta cycle")
    da = flat(i["da"], i["da_half_width"], "da", i["nu_da"])
    dtheta = flat(i["dtheta"], i["dtheta_half_width"], "dtheta", i["nu_dtheta"])
    return ls, d, da, theta, alpha, dtheta


def end_gauge_length(ls: Any, d: Any, da: Any, theta: Any, alpha: Any, dtheta: Any) -> Any:
    return ls + d - ls * (da * theta + alpha * dtheta)


def test_gum_h1_end_gauge() -> None:
    # JCGM 100:2008, example H.1, Table H.1: Welch-Satterthwaite nu 16, k 2.92, U(99 %) 93 nm.
    entry = REFERENCE["gum-h1"]
    inputs = end_gauge()
    assert inputs[3].standard_uncertainty == pytest.approx(entry["inputs"]["u_theta"], abs=0.005)
    length = propagate(end_gauge_length, *inputs, unit="nm")
    expected = entry["expected"]
    assert length.value == pytest.approx(expected["l_nm"], abs=0.5)
    assert length.standard_uncertainty == pytest.approx(31.66, abs=0.02)
    assert math.floor(length.effective_degrees_of_freedom) == expected["nu_eff"]
    assert length.coverage_factor(0.99) == pytest.approx(expected["k_99"], abs=0.005)
    # The GUM multiplies the rounded 32 by 2.92; unrounded it is 92.5.
    assert length.expanded_uncertainty(0.99) == pytest.approx(expected["U_99_nm"], abs=0.6)
    # Printed 25.6 from the rounded 9.7 nm (from memory).
    rounded = (9.7 / inputs[1].standard_uncertainty) ** 4
    assert inputs[1].effective_degrees_of_freedom * rounded == pytest.approx(25.6, abs=0.05)
    for component, contribution in entry["values"]:
        found = math.hypot(
            *(c.value for n, c in length.contributions.items() if n.split()[0] == component)
        )
        assert found == pytest.approx(contribution, abs=0.05), component


def test_gum_h1_monte_carlo_is_wider_than_first_order() -> None:
    # JCGM 100:2008, H.1.7: the second-order terms raise 32 nm to 34 nm. Student t inputs add more.
    inputs = end_gauge()
    normal = [
        Quantity(
            q.value,
            q.unit,
            {
                n: Contribution(c.value, c.kind, math.inf, c.distribution)
                for n, c in q.contributions.items()
            },
        )
        for q in inputs
    ]
    run = monte_carlo(end_gauge_length, normal, 400_000, 7)
    second_order = REFERENCE["gum-h1"]["expected"]["u_second_order_nm"]
    assert run.standard_uncertainty == pytest.approx(second_order, abs=0.5)
    with_t = monte_carlo(end_gauge_length, inputs, 400_000, 7)
    assert with_t.standard_uncertainty > run.standard_uncertainty


def shortest_interval(run: MonteCarlo, coverage: float = 0.95) -> tuple[float, float]:
    """Shortest interval of the coverage (JCGM 101:2008, 7.7.4)."""
    inside = min(math.ceil(coverage * len(run.outcomes)), len(run.outcomes) - 1)
    start = int(np.argmin(run.outcomes[inside:] - run.outcomes[:-inside]))
    return float(run.outcomes[start]), float(run.outcomes[start + inside])


@pytest.mark.parametrize("case", REFERENCE["jcgm101-additive"]["values"], ids=lambda c: c[0])
def test_jcgm_101_additive_model(case: list[Any]) -> None:
    # JCGM 101:2008, 9.2 (from memory; second and third case confirmed by simulation).
    name, u, low, high, low_gum, high_gum = case
    scales = [1.0, 1.0, 1.0, 10.0 if "u = 10" in name else 1.0]
    shape = "normal" if "normal" in name else "rectangular"
    inputs = [
        Quantity.measured(0.0, "1", s, f"x{n}", distribution=shape) for n, s in enumerate(scales)
    ]
    total = inputs[0] + inputs[1] + inputs[2] + inputs[3]
    wide = scales[3] > 1.0
    assert total.standard_uncertainty == pytest.approx(u, abs=0.06 if wide else 1e-12)
    assert total.interval() == pytest.approx((low_gum, high_gum), abs=0.06 if wide else 0.005)
    run = monte_carlo(lambda *x: sum(x), inputs, 1_000_000, 20)
    # Printed to 0.01, and the ends scatter by 0.005 at a million draws.
    assert run.symmetric_interval() == pytest.approx((low, high), abs=0.1 if wide else 0.015)
    assert run.standard_uncertainty == pytest.approx(u, abs=0.06 if wide else 0.01)
    short = shortest_interval(run)
    assert short[1] - short[0] <= run.symmetric_interval()[1] - run.symmetric_interval()[0]


def test_jcgm_101_mass_calibration() -> None:
    # JCGM 101:2008, 9.3, Table 8 (from memory; confirmed by 4 million draws).
    entry = REFERENCE["jcgm101-mass"]
    i = entry["inputs"]

    def between(key: str) -> Quantity:
        low, high = i[key]
        return Quantity.from_limits((low + high) / 2, "1", (high - low) / 2, "rectangular", key)

    inputs = [
        Quantity.measured(i["mRc_mg"], "mg", i["u_mRc"], "mRc"),
        Quantity.measured(i["dmRc_mg"], "mg", i["u_dmRc"], "dmRc"),
        between("ra_kg_m3"),
        between("rW_kg_m3"),
        between("rR_kg_m3"),
    ]

    def model(m: Any, dm: Any, ra: Any, rw: Any, rr: Any) -> Any:
        return (m + dm) * (1.0 + (ra - i["ra0"]) * (1.0 / rw - 1.0 / rr)) - i["mnom_mg"]

    rows = {row[0]: row[1:] for row in entry["values"]}
    first = propagate(model, *inputs, unit="mg")
    assert first.value == pytest.approx(rows["first order"][0], abs=0.0005)
    assert first.standard_uncertainty == pytest.approx(rows["first order"][1], abs=0.0005)
    assert first.interval() == pytest.approx(tuple(rows["first order"][2:]), abs=0.001)
    run = monte_carlo(model, inputs, 1_000_000, 3, unit="mg")
    assert run.value == pytest.approx(rows["Monte Carlo"][0], abs=0.001)
    assert run.standard_uncertainty == pytest.approx(rows["Monte Carlo"][1], abs=0.001)
    # Table 8 prints the shortest interval.
    assert shortest_interval(run) == pytest.approx(tuple(rows["Monte Carlo"][2:]), abs=0.003)
    assert run.symmetric_interval() == pytest.approx((1.0842, 1.3837), abs=0.001)


def test_hardness_budget_check() -> None:
    # Made-up inputs, JCGM 100:2008, 5.1: a check of arithmetic.
    entry = REFERENCE["hardness-budget-check"]
    i, expected = entry["inputs"], entry["expected"]
    warmed = i["V_mL"] * i["beta"] * i["V_temperature_half_width_C"]
    volume = (
        Quantity.from_limits(
            i["V_mL"], "mL", i["V_calibration_half_width_mL"], "triangular", "burette calibration"
        )
        + Quantity.from_limits(0.0, "mL", warmed, "rectangular", "temperature")
        + Quantity.measured(0.0, "mL", i["end_point_u_mL"], "end point")
    )
    sample = Quantity.from_limits(i["Vs_mL"], "mL", i["Vs_half_width_mL"], "triangular", "pipette")
    titrant = Quantity.measured(i["c_mol_per_L"], "mol/L", i["u_c"], "titrant")
    hardness = (volume * titrant / sample).scaled(1e3 * i["M"], "mg/L")
    assert volume.standard_uncertainty == pytest.approx(expected["u_V_mL"], rel=1e-6)
    assert hardness.value == pytest.approx(expected["H"], rel=1e-6)
    assert hardness.standard_uncertainty == pytest.approx(expected["u_H"], rel=1e-6)
    assert sum(hardness.shares().values()) == pytest.approx(1.0, abs=1e-12)


# --- correlation through names ----------------------------------------------------------------


def test_shared_burette_cancels_also_through_a_file() -> None:
    calibration = Contribution(0.02, distribution="triangular")
    standard = Quantity(
        20.0, "mL", {"burette 17: calibration": calibration, "end 1": Contribution(0.01)}
    )
    sample = Quantity(
        10.0, "mL", {"burette 17: calibration": calibration, "end 2": Contribution(0.01)}
    )
    expected = math.sqrt(
        (0.01 / 20) ** 2 + (10 * 0.01 / 400) ** 2 + (0.02 / 20 - 10 * 0.02 / 400) ** 2
    )
    ratio = sample / standard
    assert ratio.standard_uncertainty == pytest.approx(expected, rel=1e-12)
    assert (round_trip(sample) / round_trip(standard)) == ratio
    assert correlation(sample, standard) == pytest.approx(0.02**2 / (0.02**2 + 0.01**2))
    # Monte Carlo draws the shared name once, so it sees the same cancelling.
    run = monte_carlo(lambda a, b: a / b, [sample, standard], 200_000, 5)
    assert run.standard_uncertainty == pytest.approx(expected, rel=0.01)


def test_monte_carlo_repeats_with_its_seed_and_is_read_only() -> None:
    v = Quantity.measured(1.0, "mL", 0.1, "v")
    first, again = (monte_carlo(lambda x: x, [v], 120_000, 11) for _ in range(2))
    assert np.array_equal(first.outcomes, again.outcomes)
    assert not first.outcomes.flags.writeable


@pytest.mark.parametrize("name", [*DIVISORS, "t"])
def test_draws_have_the_stated_spread(name: str) -> None:
    nu = 10.0 if name == "t" else math.inf
    shape = "normal" if name == "t" else name
    q = Quantity(0.0, "1", {"x": Contribution(1.0, "A", nu, shape)})
    run = monte_carlo(lambda x: x, [q], 400_000, 2)
    # JCGM 101:2008, 6.4.9.4: the spread of Student t is sqrt(nu/(nu - 2)) times its scale.
    assert run.standard_uncertainty == pytest.approx(
        math.sqrt(10 / 8) if name == "t" else 1.0, rel=0.01
    )
    assert run.value == pytest.approx(0.0, abs=0.01)
