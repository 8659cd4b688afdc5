"""Control charts: limits by hand, each run rule alone, false alarms at the known rate."""

from __future__ import annotations

import math

import numpy as np
import pytest

from endpoint.drawing.chart import picture_bytes
from endpoint.replicates.control_chart import RULES, ControlChart, RunRule, Subgroup, control_chart
from endpoint.replicates.control_chart_view import chart_answer, chart_picture, chart_text
from endpoint.replicates.document import chart_document
from tests.places import reference

REFERENCE = reference("statistics")
ALL = {rule.name: rule for rules in RULES.values() for rule in rules}


def fired(rules: tuple[RunRule, ...], z: list[float]) -> dict[str, list[int]]:
    found = {rule.name: np.flatnonzero(rule.fires(np.array(z))).tolist() for rule in rules}
    return {name: points for name, points in found.items() if points}


def singles(values: list[float]) -> list[Subgroup]:
    return [Subgroup(f"day {k}", (float(v),)) for k, v in enumerate(values, 1)]


# --- rules: hand-made series, in s from the centre, where exactly one rule fires --------------

ONE_RULE = {
    "W1": ([0.2, -0.5, 3.1, -0.3], [2]),
    "W2": ([0.2, -0.5, 2.1, -0.3, 2.2, -0.1], [4]),
    "W3": ([-0.2, 1.1, 1.2, -0.3, 1.3, 1.4, -0.2], [5]),
    "W4": ([-0.4, 0.5, 0.1, 0.9, 0.2, 0.4, 0.3, 0.8, 0.6, -0.5], [8]),
    "N1": ([0.2, -0.5, -3.1, -0.3], [2]),
    "N2": ([0.5, 0.1, 0.9, 0.2, 0.4, 0.3, 0.8, 0.6, 0.7, -0.1], [8]),
    "N3": ([0.5, -1.2, -0.6, -0.1, 0.2, 0.7, 1.3, 0.4], [6]),
    "N4": ([0.5, -0.4] * 6 + [1.2, -1.1, -1.2], [13]),
    "N5": ([0.2, -2.5, 0.1, -2.2, -0.1], [3]),
    "N6": ([0.2, -1.1, -1.2, -1.3, 0.3, -1.4, 0.2], [5]),
    "N7": ([0.4, -0.3, -0.2, 0.6, 0.1] * 3, [14]),
    "N8": ([1.2, -1.3, -1.1, 1.4, 1.2, -1.5, -1.2, 1.3], [7]),
}


@pytest.mark.parametrize("name", ONE_RULE)
def test_exactly_one_rule_fires_at_its_point(name: str) -> None:
    z, points = ONE_RULE[name]
    rules = RULES["western-electric" if name.startswith("W") else "nelson"]
    assert fired(rules, z) == {name: points}
    mirrored = [-v for v in z]
    assert fired(rules, mirrored) == {name: points}


ALMOST = {
    "W1": [0.2, 3.0, -0.2],
    "W2": [2.1, 0.1, 0.2, 2.2, -0.3, -2.3, 2.4],
    "W3": [1.1, 1.2, 0.3, 1.3, 0.4, 1.2, -1.3],
    "W4": [0.5, 0.1, 0.9, 0.2, 0.4, 0.3, 0.8, -0.1, 0.6],
    "N2": [0.5, 0.1, 0.9, 0.2, 0.4, 0.3, 0.8, 0.6, -0.7],
    "N3": [-1.2, -0.6, -0.1, 0.2, 0.7, 0.7, 0.9],
    "N4": [0.5, -0.4] * 6 + [0.3],
    "N7": [0.4, -0.3] * 7 + [1.0],
    "N8": [1.2, 1.3, 1.1, 1.4, 1.2, 1.5, 1.2, 1.3],
}


@pytest.mark.parametrize("name", ALMOST)
def test_a_rule_that_is_almost_met_stays_silent(name: str) -> None:
    assert not fired((ALL[name],), ALMOST[name])


@pytest.mark.parametrize("row", REFERENCE["run-lengths"]["values"], ids=lambda r: r[0])
def test_average_run_length_in_control(row: list[object]) -> None:
    rules = [ALL[name] for name in str(row[0]).split()]
    rng = np.random.default_rng(12)
    runs, length, lengths = 1500, 2500, []
    for _ in range(runs):
        z = rng.standard_normal(length)
        hit = np.any([rule.fires(z) for rule in rules], axis=0)
        lengths.append(int(np.argmax(hit)) + 1 if hit.any() else length)
    error = float(np.std(lengths)) / math.sqrt(runs)
    assert float(np.mean(lengths)) == pytest.approx(float(str(row[1])), abs=3.0 * error)


# --- limits -----------------------------------------------------------------------------------


def test_individuals_by_hand() -> None:
    # Moving ranges 2, 3, 1, 2: mean 2; s = 2 / 1.128.
    found = control_chart(singles([10, 12, 9, 10, 12]))
    assert found.kind == "individuals"
    assert found.centre == pytest.approx(10.6)
    assert found.sigma == pytest.approx(2 / 1.1284, rel=5e-5)
    assert found.limits(3)[0] == pytest.approx((10.6 - 2.66 * 2, 10.6 + 2.66 * 2), abs=0.005)
    line = found.scatter_lines[1]
    assert line is not None
    assert (line.centre, line.lower, line.upper) == pytest.approx((2, 0, 3.267 * 2), abs=0.005)
    assert found.scatter[0] is None


def test_means_and_ranges_by_hand() -> None:
    # A2 = 1.023 and D4 = 2.574 for n = 3 (tables of chart constants, from memory).
    days = [Subgroup("a", (1, 2, 3)), Subgroup("b", (2, 4, 3)), Subgroup("c", (3, 1, 2))]
    found = control_chart(days)
    assert found.kind == "mean-range"
    assert found.centre == pytest.approx(7 / 3)
    assert found.limits(3)[0][1] == pytest.approx(7 / 3 + 1.023 * 2, abs=0.002)
    line = found.scatter_lines[0]
    assert line is not None
    assert line.upper == pytest.approx(2.574 * 2, abs=0.005)


def test_means_and_s_by_hand() -> None:
    # A3 = 1.954 and B4 = 2.568 for n = 3 (from memory); s = 1 on each day.
    days = [Subgroup("a", (1, 2, 3)), Subgroup("b", (2, 4, 3)), Subgroup("c", (3, 1, 2))]
    found = control_chart(days, "mean-s")
    assert found.limits(3)[0][1] == pytest.approx(7 / 3 + 1.954, abs=0.002)
    line = found.scatter_lines[0]
    assert line is not None
    assert line.upper == pytest.approx(2.568, abs=0.002)


@pytest.mark.parametrize("kind", ["individuals", "mean-range", "mean-s"])
def test_s_is_found_back(kind: str) -> None:
    rng = np.random.default_rng(8)
    # Of 12000 moving ranges the mean is known to 0.8 %.
    n = 1 if kind == "individuals" else 4
    days = [Subgroup(str(k), tuple(5 + 0.3 * rng.standard_normal(n))) for k in range(12000)]
    assert control_chart(days, kind).sigma == pytest.approx(0.3, rel=0.03)


def test_days_of_different_size_have_limits_of_their_own() -> None:
    rng = np.random.default_rng(9)
    days = [Subgroup(str(k), tuple(rng.standard_normal(2 + k % 3))) for k in range(30)]
    found = control_chart(days)
    widths = {n: high - low for n, (low, high) in zip(found.sizes, found.limits(3), strict=True)}
    assert widths[2] / widths[4] == pytest.approx(math.sqrt(2))


def test_baseline_fixes_the_limits() -> None:
    rng = np.random.default_rng(10)
    quiet = (20 + 0.1 * rng.standard_normal(25)).tolist()
    found = control_chart(singles([*quiet, 21.0, 21.1, 21.0]), baseline=25)
    alone = control_chart(singles(quiet))
    assert (found.centre, found.sigma) == (alone.centre, alone.sigma)
    assert {s.point for s in found.signals if s.rule == "W1"} == {25, 26, 27}
    assert not any("rest on" in text for text in found.remarks)


def test_few_points_are_called_provisional() -> None:
    assert any("provisional" in text for text in control_chart(singles([1, 2, 1, 3])).remarks)


def test_days_that_differ_more_than_their_titres_are_named() -> None:
    rng = np.random.default_rng(11)
    days = [
        Subgroup(str(k), tuple(d + 0.1 * rng.standard_normal(3)))
        for k, d in enumerate(rng.standard_normal(25))
    ]
    assert any("individuals" in text for text in control_chart(days).remarks)
    assert len(control_chart(days, "individuals").signals) < len(control_chart(days).signals)


@pytest.mark.parametrize("values", [[1.0, 2.0], [1.0, 1.0, 1.0, 1.0]])
def test_no_chart_without_points_or_scatter(values: list[float]) -> None:
    with pytest.raises(ValueError, match=r"at least 3|do not scatter"):
        control_chart(singles(values))


def test_no_scatter_within_days_of_one_value() -> None:
    with pytest.raises(ValueError, match="several values"):
        control_chart(singles([1, 2, 1, 2]), "mean-range")


# --- words, data, picture ---------------------------------------------------------------------


@pytest.fixture
def odd() -> ControlChart:
    rng = np.random.default_rng(14)
    values = (138.5 + 0.4 * rng.standard_normal(30)).tolist()
    values[26] += 3.0
    return control_chart(singles(values), baseline=20)


def test_text_names_rule_point_and_limits(odd: ControlChart) -> None:
    text = chart_text(odd, "mg/L CaCO3")
    assert "not in control" in text
    assert "point 27 (day 27" in text
    assert "W1, one point beyond 3 s" in " ".join(text.split())
    assert all(len(line) <= 80 for line in text.splitlines())
    calm = control_chart(singles([1, 2, 1, 3, 2, 1, 2, 3, 2, 1]))
    assert "in control" in chart_answer(calm)
    assert not calm.signals


def test_document_is_plain_and_complete(odd: ControlChart) -> None:
    data = chart_document(odd, "mg/L CaCO3")
    assert data["points"][26]["rules"] == ["W1"]
    assert data["points"][0]["scatter"] is None
    assert data["in_control"] is False
    assert data["signals"][0] == {
        "rule": "W1",
        "words": "one point beyond 3 s",
        "point": 27,
        "label": "day 27",
    }


def test_picture_marks_the_point_by_shape_and_by_the_name_of_the_rule(odd: ControlChart) -> None:
    figure = chart_picture(odd, "mg/L CaCO3")
    top = figure.axes[0]
    marks = [line for line in top.get_lines() if line.get_marker() == "D"]
    assert [list(np.atleast_1d(np.asarray(m.get_xdata()))) for m in marks] == [[26]]
    assert "W1" in {text.get_text() for text in top.texts}
    assert picture_bytes(figure, "png", "chart", "words").startswith(b"\x89PNG")
