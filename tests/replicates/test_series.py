"""Replicates: what a mean improves and what it does not, blanks, recovery, files, command."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import uncertainties
from click.testing import CliRunner

from calibration.quantity import Quantity
from endpoint.commands.replicates import replicates as command
from endpoint.hardness.formula import hardness
from endpoint.hardness.titre import ReplicateProblem, Run
from endpoint.hardness.titre_files import read_runs
from endpoint.hardness.titre_table import TitreSetup, read_series
from endpoint.problems import Problem
from endpoint.replicates.chart import describe_replicates, replicate_chart
from endpoint.replicates.document import replicates_document
from endpoint.replicates.mean import mean_blank, summarise
from endpoint.replicates.recovery import RecoveryProblem, recovery
from endpoint.replicates.report_contents import mean_view
from endpoint.replicates.series import replicates
from endpoint.replicates.words import summary_text

TITRANT = Quantity.measured(0.01, "mol/L", 2e-5, "titrant: concentration")


def volume(titre_ml: float, label: str = "Well", colour_ml: float = 0.01) -> Quantity:
    """Equivalence volume as a located result carries it."""
    parts = [
        Quantity.measured(
            titre_ml,
            "mL",
            colour_ml,
            "endpoint: scatter of the colour",
            kind="A",
            degrees_of_freedom=50 + titre_ml,
        ),
        Quantity.measured(0.0, "mL", 0.004 + 1e-4 * titre_ml, "endpoint: amount of indicator"),
        Quantity.from_limits(0.0, "mL", 0.05, "triangular", "burette B2: calibration"),
        Quantity.from_limits(0.0, "mL", 0.02, "triangular", f"burette B2: reading, {label}, start"),
        Quantity.from_limits(0.0, "mL", 0.02, "triangular", f"burette B2: reading, {label}, end"),
    ]
    total = parts[0]
    for part in parts[1:]:
        total = total + part
    return total


def sample(label: str = "Well") -> Quantity:
    total = Quantity.from_limits(100.0, "mL", 0.1, "triangular", "pipette P1: calibration")
    for n in (1, 2):
        total += Quantity.measured(0.0, "mL", 0.0165, f"pipette P1: filling, {label}, {n}")
    return total


def result(titre_ml: float = 12.4, label: str = "Well", **extra: Any) -> dict[str, Any]:
    """What a result.json holds of one located titration."""
    v = volume(titre_ml, label)
    total = hardness(v, TITRANT, sample(label), extra.pop("blank", None))
    return {
        "format": 1,
        "label": label,
        "status": "located",
        "reasons": [],
        "equivalence_ml": {"value": titre_ml, "standard_uncertainty": 0.011},
        "hardness": total.to_json(),
        "quantities": {
            "equivalence_ml": v.to_json(),
            "hardness_mmol_l": total.mmol_l.to_json(),
        },
        "not_in_budget": [],
        "inputs": {
            "deliveries_ml": [{"value": 50.0}, {"value": 50.0}],
            "titrant_mol_l": TITRANT.to_json(),
            "blank_ml": None,
        },
        "provenance": {"medium_sha256": f"{label} {titre_ml}"},
        **extra,
    }


Writer = Callable[[str, dict[str, Any]], Path]


@pytest.fixture
def write(tmp_path: Path) -> Writer:
    def put(name: str, data: dict[str, Any]) -> Path:
        folder = tmp_path / name
        folder.mkdir()
        (folder / "result.json").write_text(json.dumps(data), encoding="utf-8")
        return folder

    return put


@pytest.fixture
def three(write: Writer) -> tuple[Run, ...]:
    """Three results that share their label, as replicates of one water do."""
    return read_runs(
        [write(f"run-{k}", result(v)) for k, v in enumerate((12.40, 12.41, 12.42), 1)], TitreSetup()
    )


def table(tmp_path: Path, text: str, name: str = "titres.csv") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def eye(
    tmp_path: Path, titres: Sequence[float], bench: TitreSetup | None = None
) -> tuple[Run, ...]:
    text = "titre_ml\n" + "".join(f"{v}\n" for v in titres)
    return read_runs([table(tmp_path, text)], bench or TitreSetup())


# --- the mean ---------------------------------------------------------------------------------


def test_what_is_shared_does_not_shrink_and_what_is_own_does(three: tuple[Run, ...]) -> None:
    found = summarise(three)
    assert found.scatter.used == "predicted"
    parts = found.titre.quantity.contributions
    assert parts["burette B2: calibration"].value == pytest.approx(0.05 / math.sqrt(6))
    assert parts["endpoint: amount of indicator"].value == pytest.approx(0.004 + 12.41e-4)
    own = math.hypot(*(c.value for n, c in parts.items() if n.startswith("titration ")))
    one = math.hypot(0.01, 0.02 / math.sqrt(6), 0.02 / math.sqrt(6))
    assert own == pytest.approx(one / math.sqrt(3))


def test_mean_against_an_independent_library(three: tuple[Run, ...]) -> None:
    found = summarise(three).hardness
    c = uncertainties.ufloat(0.01, 2e-5)
    burette = uncertainties.ufloat(0, 0.05 / math.sqrt(6))
    pipette = uncertainties.ufloat(100, 0.1 / math.sqrt(6))
    indicator = uncertainties.ufloat(0, 1)
    totals = []
    for v in (12.40, 12.41, 12.42):
        titre = v + burette + indicator * (0.004 + 1e-4 * v) + uncertainties.ufloat(0, 0.01)
        titre += uncertainties.ufloat(0, 0.02 / math.sqrt(6))
        titre -= uncertainties.ufloat(0, 0.02 / math.sqrt(6))
        water = pipette + uncertainties.ufloat(0, 0.0165) + uncertainties.ufloat(0, 0.0165)
        totals.append(1000 * c * titre / water)
    oracle = sum(totals) / 3
    assert found is not None
    assert found.quantity.value == pytest.approx(oracle.nominal_value, rel=1e-12)
    assert found.quantity.standard_uncertainty == pytest.approx(oracle.std_dev, rel=1e-9)


def test_readings_of_runs_with_one_label_stay_independent(three: tuple[Run, ...]) -> None:
    names = [name for name in summarise(three).titre.quantity.contributions if "reading" in name]
    assert len(names) == 6


def test_readings_that_came_with_the_titrant_stay_shared(write: Writer) -> None:
    reading = "burette B2: reading, standardisation 1, end"
    titrant = TITRANT + Quantity.measured(0.0, "mol/L", 1e-5, reading)
    paths = []
    for k, v in enumerate((12.40, 12.41)):
        data = result(v)
        total = hardness(volume(v), titrant, sample())
        data["quantities"]["hardness_mmol_l"] = total.mmol_l.to_json()
        data["inputs"]["titrant_mol_l"] = titrant.to_json()
        paths.append(write(f"r{k}", data))
    found = summarise(read_runs(paths, TitreSetup())).hardness
    assert found is not None
    assert found.quantity.contributions[reading].value == pytest.approx(1.2405e-3, rel=1e-3)


def test_one_run_gives_back_its_own_hardness(write: Writer) -> None:
    runs = read_runs([write("one", result(12.4))], TitreSetup())
    found = summarise(runs)
    expected = hardness(volume(12.4), TITRANT, sample()).mmol_l
    assert found.hardness is not None
    assert found.hardness.quantity.value == pytest.approx(expected.value)
    assert found.hardness.quantity.standard_uncertainty == pytest.approx(
        expected.standard_uncertainty
    )
    assert found.titre.s is None


@pytest.mark.parametrize("lacks", [(2,), (1, 2, 3)])
def test_an_interval_without_all_ware_is_marked(write: Writer, lacks: tuple[int, ...]) -> None:
    missing = "volume of the titrant (no burette stated)"
    folders = []
    for k, titre in enumerate((12.40, 12.41, 12.42), 1):
        extra = {"not_in_budget": [missing]} if k in lacks else {}
        folders.append(write(f"run-{k}", result(titre, **extra)))
    found = replicates(read_runs(folders, TitreSetup()))
    data = replicates_document(found)
    assert data["interval_complete"] is False
    assert data["lacking"] == [{"source": missing, "numbers": list(lacks)}]
    said = " ".join(summary_text(found).split())
    who = "every titration" if len(lacks) == 3 else "no. 2"
    assert (
        f"incomplete and too narrow, as not every uncertainty is stated. Missing for {who}: "
        in (said)
    )
    assert "(95 %, incomplete: not all sources are counted)" in said
    view = mean_view(found)
    assert view["headline"]["sure"] == "incomplete 95 %"
    assert any("too narrow" in text for text in view["findings"])


def test_a_complete_interval_is_not_marked(three: tuple[Run, ...]) -> None:
    found = replicates(three)
    assert replicates_document(found)["interval_complete"] is True
    assert "incomplete" not in summary_text(found)
    assert mean_view(found)["headline"]["sure"] == "95 %"


def test_observed_scatter_is_used_where_it_is_larger_and_it_is_said(write: Writer) -> None:
    titres = (12.30, 12.40, 12.50)
    runs = read_runs([write(f"r{v}", result(v)) for v in titres], TitreSetup())
    found = replicates(runs)
    scatter = found.summary.scatter
    assert scatter.used == "observed"
    assert scatter.p is not None
    assert scatter.p < 0.01
    part = found.summary.titre.quantity.contributions["scatter of the titrations"]
    assert (part.value, part.kind) == (pytest.approx(0.1 / math.sqrt(3)), "A")
    assert part.degrees_of_freedom == 2
    assert "more than chance explains" in " ".join(summary_text(found).split())


def test_chi_square_by_hand(three: tuple[Run, ...]) -> None:
    scatter = summarise(three).scatter
    total = [q.hardness_mmol_l for q in three]
    own = [run.own_uncertainty(q) for run, q in zip(three, total, strict=True) if q is not None]
    x = np.array([q.value for q in total if q is not None])
    w = 1 / np.array(own) ** 2
    expected = float(np.sum(w * (x - np.sum(w * x) / np.sum(w)) ** 2))
    assert scatter.chi_square == pytest.approx(expected)
    assert scatter.birge_ratio == pytest.approx(math.sqrt(expected / 2))
    # Two degrees of freedom: p = exp(-chi-square / 2).
    assert scatter.p == pytest.approx(math.exp(-expected / 2))


@pytest.mark.parametrize("understated", [1.0, 2.0])
def test_interval_holds_the_truth(understated: float) -> None:
    """Coverage of the mean titre, with the runs' own scatter right or too small by half."""
    rng = np.random.default_rng(21)
    trials, n, hits = 1500, 4, 0
    for _ in range(trials):
        shared = 0.003 * rng.standard_normal()
        runs = []
        for k in range(1, n + 1):
            v = 12.4 + shared + 0.01 * understated * rng.standard_normal()
            q = Quantity.measured(v, "mL", 0.01, f"titration {k}: own")
            q += Quantity.measured(0.0, "mL", 0.003, "burette B2: calibration")
            runs.append(Run(k, "titration", "w", "w", "located", q, None))
        low, high = summarise(runs).titre.quantity.interval(0.95)
        hits += low <= 12.4 <= high
    assert hits / trials > 0.95 - 3 * math.sqrt(0.05 * 0.95 / trials)
    assert hits / trials < 0.99


# --- nothing is left out silently -------------------------------------------------------------


def test_an_outlier_stays_in_the_mean_until_a_person_takes_it_out(tmp_path: Path) -> None:
    titres = [12.40, 12.42, 12.38, 12.41, 12.43, 13.60]
    found = replicates(eye(tmp_path, titres))
    assert found.tests[0].verdict == "outlier"
    assert found.summary.titre.n == 6
    assert found.summary.titre.quantity.value == pytest.approx(sum(titres) / 6)
    text = " ".join(summary_text(found).split())
    assert "no. 6 is an outlier at the 1 % level" in text
    assert "A test takes nothing out" in text


def test_what_is_set_aside_stands_with_its_reason_and_both_results(tmp_path: Path) -> None:
    runs = eye(tmp_path, [12.40, 12.42, 12.38, 12.41, 12.43, 13.60])
    found = replicates(runs, set_aside={"6": "end overshot by a stream"})
    assert found.summary.titre.quantity.value == pytest.approx(12.408)
    assert found.with_all is not None
    assert found.with_all.titre.quantity.value == pytest.approx(12.6067, abs=1e-4)
    text = " ".join(summary_text(found).split())
    assert "Set aside: no. 6, because: end overshot by a stream" in text
    assert "With everything in: mean titre 12.6" in text
    data = replicates_document(found)
    assert data["set_aside"] == [{"number": 6, "label": "6", "because": "end overshot by a stream"}]
    assert data["with_set_aside"]["titre_ml"]["value"] == pytest.approx(12.6067, abs=1e-4)
    # The tests still look at it, and then once more without it.
    assert data["outlier_tests"][0]["number"] == 6
    assert data["outlier_tests_after"][0]["verdict"] == "nothing"
    assert found.concordance.agrees(5)


def test_rough_titration_is_listed_but_not_used(tmp_path: Path) -> None:
    path = table(tmp_path, "label,titre_ml\nrough,13.1\na,12.40\nb,12.44\n")
    found = replicates(read_runs([path], TitreSetup()), rough=["rough"])
    assert found.summary.titre.n == 2
    assert found.tested == (2, 3)
    assert "Marked as rough, not in the mean: no. 1 (rough)" in " ".join(
        summary_text(found).split()
    )


def test_result_without_endpoint_is_listed_with_its_reason(write: Writer) -> None:
    none = {
        "status": "none",
        "label": "Stopped",
        "equivalence_ml": None,
        "reasons": [{"code": "never-reached", "text": "The liquid was still red.", "advice": ""}],
    }
    found = replicates(read_runs([write("a", result(12.4)), write("b", none)], TitreSetup()))
    assert found.summary.titre.n == 1
    text = " ".join(summary_text(found).split())
    assert "no. 2 (Stopped) has no titre and is not in the mean: The liquid was still red." in text
    assert replicates_document(found)["runs"][1]["use"] == "no titre"


def test_equal_titres_have_no_uncertainty_of_zero(tmp_path: Path) -> None:
    found = replicates(eye(tmp_path, [12.4, 12.4, 12.4]))
    data = replicates_document(found)
    assert data["titre_ml"]["standard_uncertainty"] is None
    text = " ".join(summary_text(found).split())
    assert "uncertainty not known" in text
    assert "it is not zero" in text


# --- titres by eye ----------------------------------------------------------------------------

HEAD = """# format = 1
# [sample]
# volume_ml = 100.0
# [titrant]
# concentration_mol_l = 0.01
# standard_uncertainty_mol_l = 0.00002
# [ware]
# burette = { nominal_ml = 50, division_ml = 0.1, class = "A", name = "B2" }
# pipette = { nominal_ml = 50, class = "A", name = "P1" }
"""


def test_table_with_a_head_carries_ware_and_titrant(tmp_path: Path) -> None:
    path = table(tmp_path, HEAD + "titre_ml;analyst\n12,40;KT\n12,44;KT\n12,42;KT\n")
    found = summarise(read_runs([path], TitreSetup()))
    assert found.hardness is not None
    assert found.hardness.quantity.value == pytest.approx(1.242)
    parts = found.hardness.quantity.contributions
    # 1.242 mmol/L times the relative uncertainty of the titrant; pipette emptied twice.
    assert parts["titrant: concentration"].value == pytest.approx(1.242 * 0.002)
    limit = 2 * 0.05 / math.sqrt(6)
    assert abs(parts["pipette P1: calibration"].value) == pytest.approx(1.242 * limit / 100)
    assert "eye sees" in " ".join(summary_text(replicates(read_runs([path], TitreSetup()))).split())


def test_options_give_the_hardness_of_a_plain_table(tmp_path: Path) -> None:
    bench = TitreSetup(sample_ml=50.0, titrant_mol_l=Quantity(0.02, "mol/L"))
    found = summarise(eye(tmp_path, [6.20, 6.22], bench))
    assert found.hardness is not None
    assert found.hardness.quantity.value == pytest.approx(0.02 * 6.21 / 50 * 1000)


def test_one_sample_of_several_is_chosen(tmp_path: Path) -> None:
    text = "titre_ml,sample,date\n12.4,well,2026-09-01\n3.1,rain,2026-09-01\n12.5,well,2026-09-02\n"
    path = table(tmp_path, text)
    runs = read_runs([path], TitreSetup(only_sample="well"))
    assert [run.titre_ml.value for run in runs if run.titre_ml] == [12.4, 12.5]
    with pytest.raises(ReplicateProblem, match=r"2 samples \(well, rain\)"):
        read_runs([path], TitreSetup())


BAD_TABLES = {
    "no column": ("volume\n12.4\n", "no column titre_ml"),
    "text": ("titre_ml\n12.4\nabout 12\n", "Row 3 of titres.csv"),
    "unit slip": ("titre_ml\n0.0124\n12400\n", "row 2, titre_ml is 0.0124 mL"),
    "negative": ("titre_ml\n-12.4\n", "outside 0.02 to 200 mL"),
    "day": ("titre_ml,date\n12.4,1.9.2026\n", "row 2, date is not a day"),
    "rows": ("titre_ml\n", "holds no rows"),
    "head": ("# format = 1\n# [sample]\n# volume = 100\ntitre_ml\n12.4\n", "volume is not known"),
    "titrant": (
        "# format = 1\n# [titrant]\n# concentration_mol_l = 10\ntitre_ml\n12.4\n",
        "outside 1e-05 to 1 mol/L",
    ),
    "nan": ("titre_ml\nnan\n", "no finite number"),
}


@pytest.mark.parametrize("name", BAD_TABLES)
def test_bad_tables_are_refused_by_cell(name: str, tmp_path: Path) -> None:
    text, words = BAD_TABLES[name]
    with pytest.raises(ReplicateProblem, match=words) as caught:
        read_runs([table(tmp_path, text)], TitreSetup())
    assert caught.value.exit_code == 2
    assert caught.value.remedy


# --- files that do not belong together --------------------------------------------------------


def test_one_recording_twice_is_no_replicate(write: Writer) -> None:
    with pytest.raises(ReplicateProblem, match="same recording"):
        read_runs([write("a", result(12.4)), write("b", result(12.4))], TitreSetup())


def test_titres_of_other_sample_volumes_are_refused(write: Writer) -> None:
    other = result(6.2)
    other["inputs"]["deliveries_ml"] = [{"value": 50.0}]
    runs = read_runs([write("a", result(12.4)), write("b", other)], TitreSetup())
    with pytest.raises(ReplicateProblem, match="cannot be compared"):
        replicates(runs)


def test_older_result_falls_back_on_its_whole_uncertainty_and_says_so(write: Writer) -> None:
    paths = []
    for k, v in enumerate((12.40, 12.42)):
        data = result(v)
        del data["quantities"]
        paths.append(write(f"r{k}", data))
    found = replicates(read_runs(paths, TitreSetup()))
    whole = found.summary.titre.quantity.contributions[
        "one result as a whole (its parts are not known)"
    ]
    assert whole.value == pytest.approx(0.011)
    assert "without named parts" in " ".join(summary_text(found).split())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{}", "is not a result"),
        ("[1]", "is no result"),
        ("{", "no valid JSON"),
        ("[" * 9999, "cannot"),
    ],
)
def test_files_that_are_no_result(text: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(ReplicateProblem, match=words):
        read_runs([table(tmp_path, text, "result.json")], TitreSetup())


def test_missing_files(tmp_path: Path) -> None:
    with pytest.raises(ReplicateProblem, match="does not exist"):
        read_runs([tmp_path / "nowhere"], TitreSetup())
    with pytest.raises(ReplicateProblem, match=r"holds no result\.json"):
        read_runs([tmp_path], TitreSetup())


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"rough": ["9"]}, 'no titration "9"'),
        ({"set_aside": {"2": "x"}, "rough": ["2"]}, "taken out twice"),
        ({"rough": ["1", "2", "3"]}, "No titration with a titre is left"),
    ],
)
def test_bad_choices(options: dict[str, Any], words: str, tmp_path: Path) -> None:
    with pytest.raises(ReplicateProblem, match=words):
        replicates(eye(tmp_path, [12.4, 12.5, 12.6]), **options)


# --- blank ------------------------------------------------------------------------------------


def test_mean_blank_is_subtracted_like_in_a_single_titration(
    three: tuple[Run, ...], tmp_path: Path
) -> None:
    path = table(tmp_path, "titre_ml\n0.04\n0.06\n0.05\n", "blank.csv")
    blank = mean_blank(read_runs([path], TitreSetup(), "blank"))
    assert blank.mean.quantity.value == pytest.approx(0.05)
    assert blank.mean.quantity.standard_uncertainty == pytest.approx(0.01 / math.sqrt(3))
    found = replicates(three, blank=blank).summary
    expected = hardness(volume(12.41), TITRANT, sample(), blank.mean.quantity).mmol_l
    assert found.hardness is not None
    assert found.net_titre_ml is not None
    assert found.net_titre_ml.value == pytest.approx(12.36)
    assert found.hardness.quantity.value == pytest.approx(expected.value)
    name = "blank, scatter of the blanks"
    assert found.hardness.quantity.contributions[name].value == pytest.approx(
        expected.contributions[name].value, rel=1e-6
    )


def test_calibration_of_the_burette_does_not_cancel_against_a_tiny_blank(
    three: tuple[Run, ...], write: Writer
) -> None:
    blank = mean_blank(read_runs([write("blank", result(0.05, "Blank"))], TitreSetup(), "blank"))
    net = replicates(three, blank=blank).summary.net_titre_ml
    assert net is not None
    assert net.contributions["burette B2: calibration"].value == pytest.approx(0.05 / math.sqrt(6))


def test_large_blank_is_remarked(tmp_path: Path) -> None:
    path = table(tmp_path, "titre_ml\n0.15\n0.17\n", "blank.csv")
    assert "check the water" in mean_blank(read_runs([path], TitreSetup(), "blank")).remarks[0]


def test_blank_is_not_subtracted_twice(write: Writer, tmp_path: Path) -> None:
    data = result(12.4, blank=Quantity.measured(0.05, "mL", 0.01, "blank"))
    data["inputs"]["blank_ml"] = {"value": 0.05}
    runs = read_runs([write("a", data), write("b", result(12.5))], TitreSetup())
    path = table(tmp_path, "titre_ml\n0.05\n0.06\n", "blank.csv")
    blank = mean_blank(read_runs([path], TitreSetup(), "blank"))
    with pytest.raises(ReplicateProblem, match="already had a blank"):
        replicates(runs, blank=blank)
    with pytest.raises(ReplicateProblem, match="other titrations had none"):
        replicates(runs)


def test_blank_above_the_titres_is_refused(three: tuple[Run, ...], tmp_path: Path) -> None:
    path = table(tmp_path, "titre_ml\n13\n13.1\n", "blank.csv")
    blank = mean_blank(read_runs([path], TitreSetup(), "blank"))
    with pytest.raises(ReplicateProblem, match="not smaller"):
        replicates(three, blank=blank)


# --- recovery ---------------------------------------------------------------------------------


def test_recovery_and_its_uncertainty_by_hand() -> None:
    a = Quantity.measured(1.20, "mmol/L", 0.004, "a", kind="A", degrees_of_freedom=2)
    b = Quantity.measured(1.69, "mmol/L", 0.003, "b", kind="A", degrees_of_freedom=2)
    added = Quantity.measured(0.50, "mmol/L", 0.001, "spike")
    found = recovery(a, b, added)
    u = 98 * math.hypot(0.005 / 0.49, 0.001 / 0.50)
    assert found.percent.value == pytest.approx(98.0)
    assert found.percent.standard_uncertainty == pytest.approx(u)
    assert found.t == pytest.approx(-2.0 / u)
    assert found.differs is False


def test_titrant_cancels_in_part_in_a_recovery() -> None:
    titres = [Quantity.measured(v, "mL", 0.01, f"own {v}") for v in (12.0, 17.0)]
    plain, spiked = (hardness(v, TITRANT, sample(str(v.value))).mmol_l for v in titres)
    found = recovery(plain, spiked, Quantity(0.5, "mmol/L"))
    # The scale of the titrant acts on the difference only: 0.2 % of 100 %.
    assert found.percent.contributions["titrant: concentration"].value == pytest.approx(0.2)


def test_recovery_test_alarms_at_its_rate() -> None:
    rng = np.random.default_rng(6)
    alarms = 0
    for _ in range(1000):
        a, b = 1 + 0.004 * rng.standard_normal(5), 1.5 + 0.004 * rng.standard_normal(5)
        found = recovery(
            Quantity.from_readings(a.tolist(), "mmol/L", "a"),
            Quantity.from_readings(b.tolist(), "mmol/L", "b"),
            Quantity(0.5, "mmol/L"),
        )
        alarms += bool(found.differs)
    assert abs(alarms / 1000 - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 1000)


def test_a_low_recovery_is_seen_and_no_spike_is_refused() -> None:
    a = Quantity.measured(1.20, "mmol/L", 0.004, "a")
    b = Quantity.measured(1.60, "mmol/L", 0.004, "b")
    assert recovery(a, b, Quantity(0.5, "mmol/L")).differs is True
    with pytest.raises(RecoveryProblem, match="spike is 0"):
        recovery(a, b, Quantity(0.0, "mmol/L"))


# --- command ----------------------------------------------------------------------------------


def run(*arguments: object) -> str:
    done = CliRunner().invoke(command, [str(a) for a in arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def test_command_writes_text_json_and_picture(write: Writer, tmp_path: Path) -> None:
    folders = [write(f"r{v}", result(v)) for v in (12.40, 12.41, 12.42)]
    out = tmp_path / "out"
    text = run(*folders, "--out", out, "--repeatability-ml", 0.08)
    assert text.startswith("Well: hardness 1.2410 ")
    assert "All 3 titres agree within 0.10 mL" in " ".join(text.split())
    assert "Repeatability: the range of 0.020 mL is within" in " ".join(text.split())
    assert (out / "replicates.png").read_bytes().startswith(b"\x89PNG")
    data = json.loads((out / "replicates.json").read_text(encoding="utf-8"))
    assert data == json.loads(run(*folders, "--json", "-", "--repeatability-ml", 0.08))
    assert data["n"] == 3
    assert data["hardness"]["caco3_mg_l"]["value"] == pytest.approx(124.2067, abs=1e-3)
    assert sum(line["share"] for line in data["budget"]) == pytest.approx(1.0)


def test_command_with_blank_and_spike(write: Writer, tmp_path: Path) -> None:
    folders = [write(f"r{v}", result(v)) for v in (12.40, 12.41, 12.42)]
    spiked = [write(f"s{v}", result(v, "Spiked")) for v in (17.39, 17.41)]
    blank = table(tmp_path, "titre_ml\n0.04\n0.06\n", "blank.csv")
    options = ["--spiked", spiked[0], "--spiked", spiked[1], "--spike-mmol-l", 0.5]
    data = json.loads(run(*folders, "--blank", blank, *options, "--spike-u", 0.002, "--json", "-"))
    assert data["recovery"]["percent"]["value"] == pytest.approx(99.8, abs=0.01)
    assert data["recovery"]["differs_from_100"] is False
    assert data["blank"]["mean_ml"]["value"] == pytest.approx(0.05)


def test_command_makes_a_control_chart(tmp_path: Path) -> None:
    path = tmp_path / "days.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["date", "hardness_mmol_l"])
        for day in range(1, 25):
            writer.writerow([f"2026-09-{day:02d}", 1.24 + 0.002 * (-1) ** day + 0.05 * (day == 24)])
    out = tmp_path / "out"
    text = run(path, "--control-chart", "--baseline", 20, "--out", out)
    assert "point 24 (2026-09-24, 1.292" in text
    assert (out / "control_chart.png").is_file()
    data = json.loads((out / "control_chart.json").read_text(encoding="utf-8"))
    assert (data["unit"], data["chart"]) == ("mmol/L", "individuals")
    assert [s["point"] for s in data["signals"] if s["rule"] == "W1"] == [24]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--set-aside", "1"], "--because"),
        (["--set-aside", "1", "--because", " "], "--because is empty"),
        (["--limit-ml", "-1"], "--limit-ml is -1"),
        (["--limit-ml", "nan"], "--limit-ml is nan"),
        (["--spike-mmol-l", "1"], "go together"),
        (["--titrant", "10"], "--titrant is 10"),
        (["--titrant-u", "0.1"], "without --titrant"),
        (["--baseline", "1"], "--baseline is 1"),
        (["--control-chart"], "row 2: date is missing"),
        (["--sample", "pond"], "no titre of the sample"),
    ],
)
def test_command_refuses_bad_options(options: list[str], words: str, tmp_path: Path) -> None:
    path = table(tmp_path, "titre_ml\n12.4\n12.5\n")
    with pytest.raises(Problem, match=words) as caught:
        run(path, *options)
    assert caught.value.exit_code == 2
    assert caught.value.remedy


def test_series_needs_days(tmp_path: Path) -> None:
    path = table(tmp_path, "date,value\n2026-09-01,1.2\n01.09.2026,1.3\n")
    with pytest.raises(ReplicateProblem, match="row 3, date is not a day"):
        read_series(path)
    with pytest.raises(ReplicateProblem, match="no column value or hardness_mmol_l or titre_ml"):
        read_series(table(tmp_path, "date,result\n2026-09-01,1.2\n"))


def test_series_may_have_a_head_and_a_decimal_comma(tmp_path: Path) -> None:
    path = table(tmp_path, "# format = 1\n# # invented\ndate;hardness_mmol_l\n2026-09-01;1,25\n")
    pairs, unit = read_series(path)
    assert ([(d.isoformat(), v) for d, v in pairs], unit) == ([("2026-09-01", 1.25)], "mmol/L")


# --- picture ----------------------------------------------------------------------------------


def test_picture_tells_by_shape_what_is_in_the_mean(tmp_path: Path) -> None:
    runs = eye(tmp_path, [13.0, 12.40, 12.42, 12.41, 12.9])
    found = replicates(runs, rough=["1"], set_aside={"5": "overshot"})
    figure = replicate_chart(found)
    shapes: dict[str, int] = {}
    for line in figure.axes[0].get_lines():
        marker = str(line.get_marker())
        if marker in "oXs":
            shapes[marker] = shapes.get(marker, 0) + 1
    assert shapes == {"o": 3, "X": 1, "s": 1}
    assert "12.90 mL, set aside" in describe_replicates(found)


def test_the_mean_of_few_titres_takes_the_interval_of_the_draws(tmp_path: Path) -> None:
    # Scatter of 3 titres alone is a Student t of 2 degrees of freedom; with shared ware the sum
    # is wider than Welch and Satterthwaite say (JCGM 101:2008, 5.9 and 8).
    path = tmp_path / "t.csv"
    head = "# format = 1\n# [sample]\n# volume_ml = 100.0\n# [titrant]\n"
    head += "# concentration_mol_l = 0.0100\n# standard_uncertainty_mol_l = 0.00002\n"
    path.write_text(head + "titre_ml\n12.40\n12.45\n12.36\n", encoding="utf-8")
    data = json.loads(run(path, "--json", "-"))
    text = json.dumps(data)
    assert "monte_carlo" in text
    shown = run(path)
    found = [q for q in _numbers(data) if q.get("interval_from") == "Monte Carlo"]
    assert found
    for quantity in found:
        low, high = quantity["interval95"]
        first_low, first_high = quantity["first_order"]["interval95"]
        assert quantity["coverage_factor"] is None
        assert high - low > first_high - first_low
    assert "from draws; first order" in " ".join(shown.split())


def _numbers(data: Any) -> list[dict[str, Any]]:
    """Every table with an interval anywhere in plain data."""
    if isinstance(data, list):
        return [found for part in data for found in _numbers(part)]
    if not isinstance(data, dict):
        return []
    here = [data] if "interval_from" in data else []
    return here + [found for part in data.values() for found in _numbers(part)]


def test_a_titre_of_tomorrow_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("titre_ml,date\n12.40,2026-01-05\n12.45,2199-01-05\n", encoding="utf-8")
    with pytest.raises(ReplicateProblem, match="row 3, date is 2199-01-05, which is in the future"):
        read_runs((path,), TitreSetup())
