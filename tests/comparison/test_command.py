"""The table, the whole comparison, its forms and the command."""

from __future__ import annotations

import csv
import io
import itertools
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from endpoint.batch.row import empty_row
from endpoint.batch.table import table_csv
from endpoint.comparison.document import comparison_document, results_csv
from endpoint.comparison.estimates import ComparisonProblem
from endpoint.comparison.figures import figures
from endpoint.comparison.study import analyst_biases, compare
from endpoint.comparison.titre_pairs import (
    CompareTable,
    CompareTableProblem,
    Pair,
    named_row,
    read_compare_table,
)
from endpoint.comparison.words import answer, summary_text
from tests.command import run
from tests.places import BENCH

TABLE = BENCH / "eye-and-recording.csv"


def written(folder: Path, text: str) -> Path:
    path = folder / "t.csv"
    path.write_text(text, encoding="utf-8")
    return path


def class_table(
    biases: dict[str, float],
    seed: int,
    *,
    waters: int = 6,
    repeats: int = 2,
    scatter: float = 0.03,
) -> CompareTable:
    """Titres of people with known biases against the last red, which lies 0.05 mL late."""
    rng = np.random.default_rng(seed)
    pairs: list[Pair] = []
    for name, bias in biases.items():
        for k in range(waters):
            for _ in range(repeats):
                true = 6.0 + 2.0 * k
                pairs.append(
                    Pair(
                        row=len(pairs) + 2,
                        analyst=name,
                        sample=f"water {k}",
                        visual_ml=true + 0.05 + bias + rng.normal(0, scatter),
                        equivalence_ml=true + rng.normal(0, 0.005),
                        last_red_ml=true + 0.05 + rng.normal(0, 0.005),
                        visual_u_ml=scatter,
                        equivalence_u_ml=0.005,
                        last_red_u_ml=0.005,
                    )
                )
    return CompareTable("simulated", tuple(pairs), (), True, True)


# --- the whole --------------------------------------------------------------------------------


def test_known_biases_are_found_against_both_volumes() -> None:
    biases = {"AB": 0.0, "BC": 0.08, "CD": -0.06, "DE": 0.02}
    hits = 0
    for seed in range(60):
        found = compare(class_table(biases, seed))
        assert [part.volume for part in found.against] == ["equivalence_ml", "last_red_ml"]
        for part, late in zip(found.against, (0.05, 0.0), strict=True):
            for each in part.by_analyst:
                assert each.interval is not None
                hits += each.interval.holds(biases[each.analyst] + late)
    runs = 60 * 8
    assert abs(hits - 0.95 * runs) < 4 * (runs * 0.95 * 0.05) ** 0.5


def test_holm_keeps_false_alarms_of_all_analysts_together_at_5_percent() -> None:
    rng = np.random.default_rng(4)
    alarms, runs = 0, 500
    for _ in range(runs):
        biases = analyst_biases({f"A{k}": rng.normal(0, 0.05, 8) for k in range(6)})
        alarms += any(b.adjusted_p is not None and b.adjusted_p < 0.05 for b in biases)
    assert alarms < 0.05 * runs + 4 * (runs * 0.05 * 0.95) ** 0.5


def test_precision_of_the_levels_finds_the_scatter_put_in() -> None:
    rng = np.random.default_rng(10)
    people = {f"A{k}": float(b) for k, b in enumerate(rng.normal(0, 0.06, 40))}
    found = compare(class_table(people, 3, waters=3, scatter=0.03))
    assert len(found.precision) == 3
    for level in found.precision:
        assert level.s_r_ml.holds(0.03)
        assert level.s_between_ml == pytest.approx(np.std(list(people.values()), ddof=1), rel=0.2)
    scatter = found.against[0].scatter
    assert scatter is not None
    assert scatter.s_r_ml.holds((0.03**2 + 0.005**2) ** 0.5)


def test_what_the_words_say_is_what_the_numbers_are() -> None:
    found = compare(class_table({"AB": 0.0, "BC": 0.1, "CD": -0.06, "DE": 0.05}, 5))
    text = " ".join(summary_text(found).split())
    data = comparison_document(found)
    further = data["against"]["equivalence_ml"]["further_both"]
    low, high = further["bias_ml"]["interval95"]
    assert f"95 % interval {low:.2f} to {high:.2f} mL" in answer(found)
    assert "analysts differ from one another by more than chance explains" in text
    assert "BC (late by 0.1" in text
    rows = list(csv.DictReader(io.StringIO(results_csv(found))))
    got = next(
        row
        for row in rows
        if row["method"] == "limits of agreement for further analysts and samples"
        and row["quantity"] == "bias"
        and row["against"] == "equivalence_ml"
    )
    assert float(got["low95"]) == pytest.approx(low, rel=1e-5)
    json.dumps(data, allow_nan=False)
    assert all(len(line) <= 90 for line in summary_text(found).splitlines())
    assert "±" not in summary_text(found, encoding="ascii")


def test_titrations_of_one_sample_are_not_independent() -> None:
    """What belongs to the water (its magnesium, its turbidity) shifts all titres of it."""
    rng = np.random.default_rng(3)
    table = class_table({"AB": 0.0, "BC": 0.0, "CD": 0.0}, 3)
    own = {f"water {k}": rng.normal(0.0, 0.05) for k in range(6)}
    pairs = tuple(replace(p, visual_ml=p.visual_ml + own[p.sample]) for p in table.pairs)
    part = compare(replace(table, pairs=pairs)).against[0]
    assert part.agreement is not None
    assert part.further_samples is not None
    own_s = float(np.std(list(own.values()), ddof=1))
    assert part.further_samples.s_between_ml == pytest.approx(own_s, rel=0.25)
    width = [
        x.bias_ml.high - x.bias_ml.low for x in (part.agreement, part.further_samples.agreement)
    ]
    assert width[1] > 2 * width[0]
    once = tuple({p.sample: p for p in pairs}.values())
    assert compare(replace(table, pairs=once)).against[0].further_samples is None


@pytest.mark.parametrize(
    ("slope", "words"), [(1.0, "No proportional"), (1.02, "There is a proportional")]
)
def test_proportional_bias_gets_a_plain_verdict(slope: float, words: str) -> None:
    table = class_table({"AB": 0.0, "BC": 0.0}, 5)
    pairs = tuple(
        replace(p, visual_ml=p.visual_ml + (slope - 1) * p.equivalence_ml) for p in table.pairs
    )
    found = compare(replace(table, pairs=pairs))
    text = " ".join(summary_text(found).split())
    assert f"{words} bias" in text
    assert ("% more than recorded volumes" in text) == (slope > 1)
    data = comparison_document(found)["against"]["equivalence_ml"]["proportional_bias"]
    assert data["found"] == (slope > 1)
    low, high = data["interval95"]
    assert low < slope - 1.0 < high
    few = compare(replace(table, pairs=table.pairs[:5]))
    assert "in proportion to the titre cannot be said" in " ".join(summary_text(few).split())


def test_the_fit_has_a_row_of_its_own() -> None:
    rows = list(csv.DictReader(io.StringIO(results_csv(compare(class_table({"AB": 0.0}, 1))))))
    york = {row["quantity"]: row for row in rows if row["method"] == "York"}
    assert york["slope"]["p_value"] == york["intercept"]["p_value"] == ""
    assert 0.0 < float(york["chi-square of the fit"]["p_value"]) <= 1.0


def test_a_row_is_set_aside_with_a_reason_and_both_results(tmp_path: Path) -> None:
    lines = TABLE.read_text("utf-8").splitlines()
    lines[3] = lines[3].replace("9.68", "9.98")
    path = written(tmp_path, "\n".join(lines) + "\n")
    plain = run("compare", path)
    assert 'leave it out with --set-aside 4 --because "the reason"' in " ".join(
        plain.stdout.split()
    )
    got = run("compare", path, "--set-aside", 4, "--because", "the tip touched the flask")
    text = " ".join(got.stdout.split())
    assert got.exit_code == 0, got.output
    assert "Row 4 (AB, School well) is left out: set aside: the tip touched the flask." in text
    assert "without the titration set aside, bias " in text
    data = json.loads(
        run("compare", path, "--set-aside", 4, "--because", "x", "--json", "-").stdout
    )
    assert data["against"]["equivalence_ml"]["n"] == 59
    assert (
        data["with_all"]["equivalence_ml"]
        == (json.loads(run("compare", path, "--json", "-").stdout)["against"]["equivalence_ml"])
    )
    for bad in (("--set-aside", 4), ("--set-aside", 99, "--because", "x")):
        refused = run("compare", path, *bad)
        assert refused.exit_code == 2
        assert len(refused.stderr.strip().splitlines()) == 2


def test_odd_tables_are_said_plainly() -> None:
    rng = np.random.default_rng(1)

    def table(visual: np.ndarray, recorded: np.ndarray, analyst: str = "AB") -> CompareTable:
        pairs = tuple(
            Pair(k + 2, analyst, "River", float(v), float(e))
            for k, (v, e) in enumerate(zip(visual, recorded, strict=True))
        )
        return CompareTable("t.csv", pairs, (), True, True)

    one_water = compare(table(12.4 + rng.normal(0, 0.05, 12), np.full(12, 12.4)))
    part = one_water.against[0]
    assert part.agreement is not None
    assert not part.lines
    assert part.rank_line is None
    words = [each.sentence for each in part.refused]
    assert any("all recorded volumes are equal" in text for text in words)
    assert "Not done:" in summary_text(one_water)
    assert "variance ratio" not in summary_text(one_water)
    copied = compare(table(np.linspace(5, 20, 12), np.linspace(5, 20, 12)))
    assert copied.against[0].agreement is None
    assert "no limits of agreement can be given" in answer(copied)
    json.dumps(comparison_document(copied), allow_nan=False)
    grown = np.linspace(5, 20, 30)
    leaning = compare(table(1.02 * grown + rng.normal(0, 0.03, 30), grown))
    assert "There is a proportional bias" in summary_text(leaning)
    apart = grown + rng.normal(0, 0.02, 30)
    apart[7] += 1.5
    assert "Row 9 (AB, River) is far from the other" in summary_text(compare(table(apart, grown)))
    rounded = np.round(20 * (grown + rng.normal(0, 0.1, 30))) / 20
    assert any("multiples of 0.05 mL" in text for text in compare(table(rounded, grown)).remarks)
    with pytest.raises(ComparisonProblem, match="needs 3 or more"):
        compare(table(grown[:2] + 0.1, grown[:2]))
    few = compare(table(grown[:3] + np.array([0.1, 0.2, 0.15]), grown[:3]))
    assert few.against[0].agreement is not None
    assert summary_text(few)


def test_the_ratio_of_the_errors_is_stated_given_or_assumed() -> None:
    stated = class_table({"AB": 0.0, "BC": 0.02}, 3, scatter=0.03)
    bare = CompareTable(
        "bare", tuple(replace(p, visual_u_ml=None) for p in stated.pairs), (), True, True
    )
    for table, given, source, ratio in (
        (stated, None, "stated", 36.0),
        (stated, 4.0, "given", 4.0),
        (bare, None, "assumed", 1.0),
    ):
        part = compare(table, variance_ratio=given).against[0]
        assert part.ratio_source == source
        line = next(line for line in part.lines if line.method == "Deming")
        assert line.variance_ratio == pytest.approx(ratio)
    text = " ".join(summary_text(compare(bare)).split())
    assert "assumes that the errors of both volumes are equal" in text
    assert "The Passing-Bablok line assumes" not in text
    assert "The Passing-Bablok line assumes" in summary_text(compare(stated))


def test_stated_uncertainties_that_are_too_small_are_told() -> None:
    whole = class_table({"AB": 0.0, "BC": 0.15, "CD": -0.15}, 2)
    assert "The scatter about York's line is larger" in summary_text(compare(whole))


# --- the table --------------------------------------------------------------------------------


def result_file(folder: Path, name: str, **changes: Any) -> None:
    data = {
        "format": 1,
        "status": "located",
        "equivalence_ml": {"value": 13.85, "standard_uncertainty": 0.007},
        "last_red_ml": {"value": 13.90, "standard_uncertainty": 0.016},
        **changes,
    }
    (folder / name).write_text(json.dumps(data), encoding="utf-8")


def test_recordings_bring_their_volumes(tmp_path: Path) -> None:
    result_file(tmp_path, "mill.json")
    result_file(tmp_path, "well.json", status="none", equivalence_ml=None, last_red_ml=None)
    result_file(
        tmp_path,
        "pond.json",
        status="bracketed",
        equivalence_ml={"value": None, "interval95": [1.0, 2.0]},
    )
    path = written(
        tmp_path,
        "analyst;sample;visual_ml;recording;objective_ml\n"
        "AB;Mill;13,95;mill.json;\nAB;Well;9,70;well.json;\nAB;Pond;17,2;pond.json;\n"
        "AB;River;12,45;;12,40\n",
    )
    found = read_compare_table(path)
    mill, river = found.pairs
    assert (mill.equivalence_ml, mill.equivalence_u_ml) == (13.85, 0.007)
    assert (mill.last_red_ml, mill.visual_ml) == (13.90, 13.95)
    assert (river.equivalence_ml, river.last_red_ml) == (12.40, None)
    assert [(x.row, x.because) for x in found.left_out] == [
        (3, "its recording has no equivalence volume"),
        (4, "its recording gives only an interval"),
    ]
    got = run("compare", str(path))
    assert got.exit_code == 2
    assert "2 titration(s) with both volumes (2 left out)" in got.stderr


def test_one_analyst_is_told_once_and_in_plain_words(tmp_path: Path) -> None:
    rows = [f"{10.03 + n + 0.01 * (n % 3):.2f},{10 + n:.2f},s{n},A" for n in range(6)]
    text = "\n".join(["visual_ml,objective_ml,sample,analyst", *rows, ""])
    shown = " ".join(run("compare", str(written(tmp_path, text))).stdout.split())
    assert "there is 1 with 6 titrations" in shown
    assert shown.count("Repeatability and reproducibility need") == 1


def test_a_row_without_an_analyst_is_named_by_its_sample() -> None:
    pair = Pair(9, "all (no column analyst)", "s0", 13.95, 13.85)
    assert named_row(pair) == "Row 9 (s0)"
    assert named_row(replace(pair, sample="")) == "Row 9"
    assert named_row(replace(pair, analyst="KT")) == "Row 9 (KT, s0)"


def test_recordings_of_a_batch_are_found_by_their_record(tmp_path: Path) -> None:
    rows = [
        {**empty_row("mill.toml"), "status": "located", "equivalence_ml": 13.85,
         "equivalence_u_ml": 0.007, "last_red_ml": 13.9, "last_red_u_ml": 0.016},
        {**empty_row("deep/well.toml"), "status": "bracketed", "equivalence_low95_ml": 9.0},
        {**empty_row("bad.toml"), "status": "failed"},
    ]  # fmt: skip
    results = tmp_path / "results.csv"
    results.write_text(table_csv(rows), encoding="utf-8")
    text = "visual_ml,recording\n13.95,mill.toml\n9.7,deep/well.toml\n9.7,bad.toml\n"
    found = read_compare_table(written(tmp_path, text), results)
    assert found.pairs == (
        Pair(2, "all (no column analyst)", "", 13.95, 13.85, 13.9, None, 0.007, 0.016, "mill.toml"),
    )
    assert [left.because for left in found.left_out] == [
        "its recording gives only an interval",
        "its recording has no equivalence volume",
    ]
    for table, extra, words in (
        ("visual_ml,recording\n13.95,mil.toml\n", results, "Did you mean mill.toml"),
        ("visual_ml,recording\n13.95,mill.toml\n", TABLE, "is not a table of endpoint batch"),
    ):
        got = run("compare", str(written(tmp_path, table)), "--results", str(extra))
        assert got.exit_code == 2
        assert words in got.stderr


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("visual_ml\n12.4\n", "no recorded volumes"),
        ("objective_ml\n12.4\n", "no column visual_ml"),
        ("visual_ml,objectiv_ml\n12.4,12.3\n", 'unknown column "objectiv_ml"'),
        ("visual_ml,visual_ml,objective_ml\n1,1,1\n", "two columns visual_ml"),
        ("visual_ml,objective_ml\n12.4,\n", "Row 2 of t.csv has no recorded volume"),
        ("visual_ml,objective_ml\n,12.4\n", "Row 2 of t.csv has no visual_ml"),
        ("visual_ml,objective_ml\n12.4,x\n", 'Row 2 of t.csv has "x" for objective_ml'),
        ("visual_ml,objective_ml\n12.4,nan\n", "not a finite number"),
        ("visual_ml,objective_ml\n0.0124,12.4\n", "outside 0.02 to 200 mL"),
        ("visual_ml,objective_ml,visual_u_ml\n12.4,12.4,-1\n", "outside 0 to 10 mL"),
        ("analyst,visual_ml,objective_ml\n,12.4,12.3\n", "names no analyst"),
        ("visual_ml,recording\n12.4,none.json\n", "none.json does not exist"),
        ("visual_ml,recording,objective_ml\n12.4,r.json,12.4\n", "both a recording and objective"),
        ("visual_ml,recording\n12.4,bad.json\n", "not a result of endpoint locate"),
        ("visual_ml,recording\n12.4,odd.json\n", "equivalence_ml of odd.json is not a number"),
        ("visual_ml,objective_ml\n", "has no rows"),
    ],
)
def test_bad_tables_are_one_sentence(tmp_path: Path, text: str, words: str) -> None:
    result_file(tmp_path, "r.json")
    result_file(tmp_path, "odd.json", equivalence_ml={"value": "much"})
    (tmp_path / "bad.json").write_text("{}", encoding="utf-8")
    got = run("compare", str(written(tmp_path, text)))
    assert got.exit_code == 2, got.output
    assert words in got.stderr
    assert len(got.stderr.strip().splitlines()) == 2
    assert got.stdout == ""


def test_near_names_are_suggested(tmp_path: Path) -> None:
    with pytest.raises(CompareTableProblem, match="Did you mean last_red_ml"):
        read_compare_table(written(tmp_path, "visual_ml,objective_ml,lastred_ml\n1,1,1\n"))


# --- the command ------------------------------------------------------------------------------


def test_command_on_the_sample_table(tmp_path: Path) -> None:
    got = run("compare", str(TABLE), "--out", str(tmp_path / "out"))
    assert got.exit_code == 0, got.output
    assert got.stdout.startswith("60 titrations by 5 analysts of 6 samples.")
    names = {path.name for path in (tmp_path / "out").iterdir()}
    stems = [
        f"{a}-{b}" for a in ("agreement", "lines", "analysts") for b in ("equivalence", "last-red")
    ]
    assert names == {"comparison.json", "comparison.csv"} | {
        f"{stem}.{kind}" for stem in stems for kind in ("svg", "pdf")
    }
    for stem in stems:
        svg = (tmp_path / "out" / f"{stem}.svg").read_text("utf-8")
        assert "<desc" in svg
        assert "Visual titres against" in svg
        assert (tmp_path / "out" / f"{stem}.pdf").read_bytes().startswith(b"%PDF")
    data = json.loads(run("compare", str(TABLE), "--json", "-").stdout)
    assert data == json.loads((tmp_path / "out" / "comparison.json").read_text("utf-8"))
    # The invented class: EF stops 0.10 mL late against the last red, CD 0.05 mL early.
    biases = {
        each["analyst"]: each["bias_ml"] for each in data["against"]["last_red_ml"]["by_analyst"]
    }
    for name, truth in (("AB", 0.0), ("CD", -0.05), ("EF", 0.10)):
        low, high = biases[name]["interval95"]
        assert low < truth < high


def test_figures_are_black_on_white_and_differ_by_shape() -> None:
    found = compare(read_compare_table(TABLE))
    for part in found.against:
        for draw, title, words in figures(part).values():
            assert title and words  # noqa: PT018
            axes = draw(part).axes[0]
            colours = {line.get_color() for line in axes.lines if line.get_linestyle() != "None"}
            for colour in colours:
                red, green, blue = (int(str(colour)[k : k + 2], 16) for k in (1, 3, 5))
                assert red == green == blue
    marks = {
        line.get_marker()
        for line in figures(found.against[0])["agreement-equivalence"][0](found.against[0])
        .axes[0]
        .lines
        if line.get_linestyle() == "None"
    }
    assert len(marks) == 5


@pytest.mark.parametrize("index", [0, 1])
def test_the_figure_draws_the_limits_that_the_answer_states(index: int) -> None:
    found = compare(read_compare_table(TABLE))
    part = found.against[index]
    stem = ("equivalence", "last-red")[index]
    draw, _, words = figures(part)[f"agreement-{stem}"]
    axes = draw(part).axes[0]
    stated = re.findall(r"expected between (-?[\d.]+) and (-?[\d.]+) mL", answer(found))[index]
    drawn = {round(float(np.asarray(line.get_ydata())[0]), 3) for line in axes.lines}
    assert {float(end) for end in stated} <= drawn
    texts = " ".join(each.get_text() for each in axes.texts)
    for end in stated:
        assert f"{end.replace('-', chr(0x2212))} mL" in texts
        assert f"limit {end} mL" in words
    assert "-" not in texts
    assert part.agreement is not None
    assert round(part.agreement.lower_ml.value, 3) in drawn


def test_lines_that_lie_on_each_other_are_both_seen_and_named() -> None:
    part = compare(read_compare_table(TABLE)).against[0]
    axes = figures(part)["lines-equivalence"][0](part).axes[0]
    named = [each.get_text() for each in axes.texts]
    assert sorted(named) == ["Deming", "Passing-Bablok", "York"]
    places = sorted(each.get_position()[1] for each in axes.texts)
    assert min(b - a for a, b in itertools.pairwise(places)) > 0.05
    lines = {line.get_label(): line for line in axes.lines}
    assert lines["York"].get_linewidth() > 2 * lines["Deming"].get_linewidth()
    assert lines["York"].get_zorder() <= lines["Deming"].get_zorder()
    assert lines["Deming"].get_linestyle() == "--"
    assert lines["York"].get_linestyle() == "-"


@pytest.mark.parametrize(
    "arguments",
    [
        ("nowhere.csv",),
        (str(TABLE), "--variance-ratio", "0"),
        (str(TABLE), "--find-bias-ml", "nan"),
        (str(TABLE), "--json", "/no/such/folder/x.json"),
        (str(BENCH),),
    ],
)
def test_bad_use(arguments: tuple[str, ...]) -> None:
    got = run("compare", *arguments)
    assert got.exit_code == 2, got.output
    if arguments == ("nowhere.csv",):
        assert "from the folder where it runs" in " ".join(got.stderr.split())
    assert got.stdout == ""
    assert len(got.stderr.strip().splitlines()) == 2
