"""The table, the command, the plan, and the certificate in a record."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import unicodedata
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser
from pypdf import PdfReader

from calibration.certificate import read_certificate
from calibration.ware.tolerance import find_tolerance
from endpoint.record.titration import read_record
from endpoint.verification.document import QUESTIONS, REMEDIES
from endpoint.verification.plan import plan_verification, record_text, titre_ml
from endpoint.verification.protocol import protocol_text
from endpoint.verification.table import VerificationProblem
from tests.bench_server import barriers, heard
from tests.command import located, run
from tests.places import BENCH, ROOT

HEAD = """# format = 1
# [certificate]
# id = "METHOD-1"
# what = "EDTA titration by film"
# date = 2026-11-20
# expiry = 2027-11-20
# operator = "KT"
# [method]
# bench = "bench 2, camera C1"
# standards = "calcium carbonate, lot C-18"
"""
COLUMNS = "level,day,known_mmol_l,known_u_mmol_l,found_mmol_l,found_u_mmol_l,own_u_mmol_l"


def table(folder: Path, *, bias: float = 0.0, scatter: float = 0.002, extra: str = "") -> Path:
    rng = np.random.default_rng(12)
    lines = [COLUMNS]
    for level, known in (("low", 0.8), ("middle", 1.7), ("high", 4.0)):
        for day in range(4):
            for _ in range(2):
                found = known + bias + rng.normal(0.0, scatter)
                lines.append(f"{level},{day},{known},0.001,{found:.5f},0.003,0.002")
    path = folder / "table.csv"
    path.write_text(HEAD + extra + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_sound_bench(tmp_path: Path) -> None:
    got = run("verify", table(tmp_path), "--out", tmp_path / "out")
    assert got.exit_code == 0, got.output
    text = " ".join(got.stdout.split())
    assert "bench 2, camera C1: the method passes" in text
    lines = [line for line in got.stdout.splitlines() if not line.startswith("Written")]
    assert max(map(len, lines)) <= 90
    data = json.loads((tmp_path / "out" / "verification.json").read_text("utf-8"))
    assert json.loads(run("verify", tmp_path / "table.csv", "--json", "-").stdout) == data
    assert data["passed"]
    assert data["titrations"] == 24
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / "levels.csv").read_text("utf-8"))))
    assert [row["level"] for row in rows] == ["low", "middle", "high"]
    assert float(rows[2]["recovery"]) == pytest.approx(1.0, abs=0.002)
    assert float(rows[2]["recovery_low95"]) < 1.0 < float(rows[2]["recovery_high95"])
    line, factor = data["line"], data["scatter_factor"]
    assert f"slope {line['slope']:.4f}" in text
    assert f"lack of fit F = {line['lack_of_fit_f']:.2f} with 1 and 21 degrees" in text
    assert f"chi-square {factor['chi_square']:.1f} with 21 degrees" in text
    certificate = read_certificate(tmp_path / "out" / "method.json")
    assert (certificate.kind, certificate.identifier) == ("method", "METHOD-1")
    assert "METHOD-1" in run("certificates", tmp_path / "out").stdout


def test_the_sample_bench_is_simulated_and_passes() -> None:
    path = BENCH / "verified-bench.csv"
    assert path.read_text("utf-8").startswith("# # Simulated")
    data = json.loads(run("verify", path, "--json", "-").stdout)
    assert data["passed"]
    assert [each["verdict"] for each in data["acceptance"]] == ["met", "met"]
    # The bias that was put in: 0.003 mmol/L, which is 0.03 mL of 0.01 mol/L for 100 mL.
    low, high = data["bias_mmol_l"]["interval95"]
    assert 0.0 < low < 0.003 < high
    text = " ".join(run("verify", path).stdout.split())
    assert "the method passes: the results agree with the uncertainties that they state" in text
    assert "more than chance explains" in text


@pytest.mark.parametrize(("bias", "scatter"), [(0.0, 0.002), (0.02, 0.006)])
def test_page_and_pdf_say_what_the_terminal_says(
    browser: Browser, tmp_path: Path, bias: float, scatter: float
) -> None:
    path = table(tmp_path, bias=bias, scatter=scatter)
    hostile = path.read_text("utf-8").replace("bench 2, camera", "<script>bad</script> & camera")
    path.write_text(hostile, encoding="utf-8")
    out, pdf = tmp_path / "out", tmp_path / "verification.pdf"
    got = run("verify", path, "--out", out, "--pdf", pdf)
    assert got.exit_code == 0
    assert "report.html" in got.stdout
    said = "".join(got.stdout.split())
    reader = PdfReader(pdf)
    assert "/StructTreeRoot" in reader.root_object
    paper = unicodedata.normalize("NFKC", "".join(page.extract_text() for page in reader.pages))
    paper = "".join(paper.split())
    opened = browser.new_page(viewport={"width": 390, "height": 844})
    told = heard(opened)
    opened.goto((out / "report.html").as_uri())
    assert barriers(opened) == []
    assert opened.evaluate("document.documentElement.scrollWidth <= innerWidth")
    text = "".join(opened.locator("body").inner_text().split())
    data = json.loads((out / "verification.json").read_text("utf-8"))
    for level in data["levels"]:
        numbers = f"{level['known_mmol_l']:.3f}", f"{level['mean_mmol_l']:.4f}"
        for place in (said, paper, text):
            assert all(number in place for number in numbers)
    for check in data["checks"]:
        answer = QUESTIONS[check["check"]].replace(" ", "") + ("yes" if check["passed"] else "no")
        assert answer in paper
        assert answer in text
        if not check["passed"]:
            assert REMEDIES[check["check"]].replace(" ", "") in text
            assert REMEDIES[check["check"]].replace(" ", "") in paper
    assert opened.locator(".drawing circle").count() == data["titrations"]
    assert told == []
    opened.close()


def test_a_bench_that_is_off_is_told_what_and_what_to_do(tmp_path: Path) -> None:
    limits = "# largest_bias_percent = 0.2\n"
    got = run("verify", table(tmp_path, bias=0.02, scatter=0.006, extra=limits))
    text = " ".join(got.stdout.split())
    assert "the mean error is larger than the results state" in text
    assert "the scatter is larger than the results state" in text
    assert "Look for what scatters" in text
    assert "the acceptance limit of the bias is not met" in text
    assert "Standardise the titrant again" in text
    assert "Until then name the certificate in the record" in text


def test_a_bench_that_scatters_less_is_not_sent_to_look_for_scatter(tmp_path: Path) -> None:
    text = " ".join(run("verify", table(tmp_path, scatter=0.0005)).stdout.split())
    assert "the method passes" in text
    assert "the scatter is smaller than they state" in text
    assert "their intervals are wider than they need be" in text
    assert "Look for what scatters" not in text


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("# bench", "# banch", "banch"),
        ("low,0,0.8", "low,0,0.9", "2 different known values"),
        (",0.002\n", ",\n", "own_u_mmol_l"),
        ("0.001", "-0.001", "known_u_mmol_l"),
        ("# standards", '# end = "guess"\n# standards', '"by eye"'),
        ("date = 2026-11-20", "date = 2926-11-20", "date"),
    ],
)
def test_bad_tables_are_one_sentence(tmp_path: Path, old: str, new: str, words: str) -> None:
    path = table(tmp_path)
    path.write_text(path.read_text("utf-8").replace(old, new, 1), encoding="utf-8")
    got = run("verify", path)
    assert got.exit_code == 2, got.output
    assert len(got.stderr.strip().splitlines()) == 2
    assert words in got.stderr


def test_results_of_recordings_and_of_a_batch_are_the_same(tmp_path: Path) -> None:
    for name in ("quarry-pond.toml", "quarry-pond.csv"):
        shutil.copy(ROOT / "sample_media" / name, tmp_path)
    text = (tmp_path / "quarry-pond.toml").read_text("utf-8")
    again = re.sub(r"concentration_mol_l = [0-9.]+", "concentration_mol_l = 0.01001", text)
    (tmp_path / "again.toml").write_text(again, encoding="utf-8")
    for name in ("quarry-pond", "again"):
        json_to = tmp_path / f"{name}.json"
        assert run("locate", tmp_path / f"{name}.toml", "--json", json_to).exit_code == 0
    assert run("batch", tmp_path, "--out", tmp_path / "batch", "--jobs", 1).exit_code == 0
    found = []
    for ending, more in ((".json", ()), (".toml", ("--results", tmp_path / "batch/results.csv"))):
        rows = [f"pond,{k},1.72,{name}{ending}" for k, name in enumerate(("quarry-pond", "again"))]
        path = tmp_path / f"table-{ending[1:]}.csv"
        text = "\n".join(["level,day,known_mmol_l,recording", *rows])
        path.write_text(HEAD + text + "\n", encoding="utf-8")
        got = run("verify", path, *more, "--json", "-")
        assert got.exit_code == 0, got.output
        found.append(json.loads(got.stdout))
    first, second = found
    assert first["line"] is None
    assert 0.0 < first["scatter_factor"]["value"] < 2.0
    for key in ("value", "standard_uncertainty"):
        assert second["bias_mmol_l"][key] == pytest.approx(first["bias_mmol_l"][key], abs=1e-8)
    # The table of a batch has nine figures, which are cut short in the difference of two results.
    assert second["scatter_factor"]["value"] == pytest.approx(
        first["scatter_factor"]["value"], rel=2e-5
    )


def test_a_record_carries_the_verified_method(tmp_path: Path) -> None:
    path = table(tmp_path, bias=0.02, scatter=0.008)
    assert run("verify", path, "--out", tmp_path).exit_code == 0
    certificate = read_certificate(tmp_path / "method.json")
    for name in ("quarry-pond.toml", "quarry-pond.csv"):
        shutil.copy(ROOT / "sample_media" / name, tmp_path)
    record = tmp_path / "quarry-pond.toml"
    plain = located(record, "--quiet")
    day = "[sample]\ndate = 2026-11-25"
    text = record.read_text("utf-8")
    if not re.search(r"^date =", text, re.M):
        text = text.replace("[sample]", day)
    record.write_text(text + '\n[method]\ncertificate = "method.json"\n', encoding="utf-8")
    with_method = located(record, "--quiet")
    bias, factor = (certificate.quantities[name].value for name in ("bias", "scatter_factor"))
    before, after = (each["hardness"]["mmol_l"] for each in (plain, with_method))
    assert after["value"] == pytest.approx(before["value"] - bias)
    names = {line["name"] for line in with_method["budget"]}
    assert {"method: mean error on this bench", "method: known hardness of the standards"} <= names
    scatter = "endpoint: scatter of the colour"
    parts = [
        each["quantities"]["hardness_mmol_l"]["contributions"] for each in (plain, with_method)
    ]
    assert parts[1][scatter]["value"] == pytest.approx(factor * parts[0][scatter]["value"])
    assert factor > 2
    said = " ".join(with_method["hardness"]["warnings"])
    assert "The method did not pass its verification (METHOD-1" in said
    assert "bench 2, camera C1" in said
    assert "calcium carbonate, lot C-18" in said
    assert "valid until 2027-11-20" in said
    # The table did not say how the ends were found, and so its certificate does not.
    assert "METHOD-1 does not say how the ends were found" in said
    assert 'write end = "recording" in the head of its table' in said
    (used,) = [each for each in with_method["certificates"] if each["kind"] == "method"]
    assert used["id"] == "METHOD-1"


@pytest.mark.parametrize("end", ["recording", "by eye", None])
def test_a_table_that_does_not_say_how_ends_were_found_is_remarked(
    tmp_path: Path, end: str | None
) -> None:
    path = table(tmp_path, extra="" if end is None else f'# end = "{end}"\n')
    text = " ".join(run("verify", path).stdout.split())
    assert ("does not say how the ends were found" in text) == (end is None)


def test_known_values_in_another_unit_are_refused(tmp_path: Path) -> None:
    path = table(tmp_path)
    text = path.read_text("utf-8")
    for known in ("0.8", "1.7", "4.0"):
        text = text.replace(f",{known},0.001,", f",{100.0 * float(known):.0f},0.1,")
    path.write_text(text, encoding="utf-8")
    got = run("verify", path)
    assert got.exit_code == 2
    assert "level low is known to have 80 mmol/L, but 0.8" in got.stderr
    assert "100.09 mg/L" in got.stderr


def test_one_recording_counts_once(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    rows = ["level,day,known_mmol_l,code,recording", "low,1,1.0,A1,x.json", "low,1,1.0,A2,x.json"]
    path.write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")
    got = run("verify", path)
    assert got.exit_code == 2
    assert "the recording x.json stands in the table twice" in got.stderr


def test_one_row_counts_once_but_a_flask_may_be_titrated_twice(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    row = "A1,low,1,1.0,0.001,1.002,0.003,0.002"
    for again, code in ((row, 2), (row.replace("1.002", "1.003"), 0)):
        path.write_text(HEAD + "\n".join([f"code,{COLUMNS}", row, again]) + "\n", "utf-8")
        got = run("verify", path)
        assert got.exit_code == code, got.output
        assert ("stands in the table twice" in got.stderr) == (code == 2)


def test_a_soft_level_that_is_far_off_is_evaluated(tmp_path: Path) -> None:
    """A blank that nobody took off looks like another unit only at the softest level."""
    path = table(tmp_path)
    text = re.sub(r"low,(\d),0.8,", r"low,\1,0.2,", path.read_text("utf-8"))
    path.write_text(text, encoding="utf-8")
    got = run("verify", path)
    assert got.exit_code == 0, got.stderr
    assert "does not pass" in got.stdout


def test_an_unfilled_table_is_refused_and_a_missing_uncertainty_told(tmp_path: Path) -> None:
    path = table(tmp_path)
    whole = path.read_text("utf-8")
    path.write_text(whole.replace('bench = "bench 2, camera C1"', 'bench = "?"'), encoding="utf-8")
    got = run("verify", path)
    assert got.exit_code == 2
    assert "bench is not filled in" in got.stderr
    path.write_text(whole.replace(",0.001,", ",,"), encoding="utf-8")
    text = " ".join(run("verify", path).stdout.split())
    assert "24 of 24 rows state no uncertainty of the known hardness" in text
    path.write_text(whole, encoding="utf-8")
    assert "state no uncertainty" not in run("verify", path).stdout


def test_records_in_the_table_ask_for_the_batch(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text(
        HEAD + "level,day,known_mmol_l,recording\nlow,1,1.0,A1.toml\nlow,1,1.0,A2.toml\n",
        encoding="utf-8",
    )
    got = run("verify", path)
    assert got.exit_code == 2
    assert "A1.toml is a record, not a result" in got.stderr
    assert "endpoint batch" in got.stderr
    assert "--results" in got.stderr


def test_where_the_error_grows_there_is_no_certificate(tmp_path: Path) -> None:
    path = table(tmp_path)
    lines = path.read_text("utf-8").splitlines()
    for k, line in enumerate(lines):
        cells = line.split(",")
        if cells[0] in ("low", "middle", "high"):
            cells[4] = f"{float(cells[4]) + 0.01 * float(cells[2]):.5f}"
            lines[k] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "method.json").write_text("{}")
    got = run("verify", path, "--out", tmp_path)
    text = " ".join(got.stdout.split())
    assert got.exit_code == 0
    assert "the error grows with the hardness" in text
    assert "No certificate: the error is not the same at every level" in text
    assert "name the certificate" not in text
    assert not (tmp_path / "method.json").exists()


def test_an_error_of_recordings_is_not_that_of_an_eye(tmp_path: Path) -> None:
    path = table(tmp_path, bias=0.02, extra='# end = "recording"\n')
    assert run("verify", path, "--out", tmp_path).exit_code == 0
    record = tmp_path / "well.toml"
    text = (BENCH / "well-by-eye.toml").read_text("utf-8")
    record.write_text(text + '\n[method]\ncertificate = "method.json"\n', encoding="utf-8")
    got = run("hardness", record)
    assert got.exit_code == 2
    assert "METHOD-1 verifies ends found in a recording; this one was found by eye" in got.stderr


def test_by_eye_too(tmp_path: Path) -> None:
    path = table(tmp_path, bias=0.02, extra='# end = "by eye"\n')
    assert run("verify", path, "--out", tmp_path).exit_code == 0
    text = (BENCH / "well-by-eye.toml").read_text("utf-8")
    record = tmp_path / "well.toml"
    record.write_text(text + '\n[method]\ncertificate = "method.json"\n', encoding="utf-8")
    got = json.loads(run("hardness", record, "--json", "-").stdout)
    bias = read_certificate(tmp_path / "method.json").quantities["bias"].value
    assert got["hardness"]["mmol_l"]["value"] == pytest.approx(213.921 / 100.086 - bias, abs=1e-4)


# --- the plan ---------------------------------------------------------------------------------


def test_the_plan_reaches_the_wanted_interval_and_one_less_does_not() -> None:
    """The interval of the mean error in simulated studies is as wide as the plan says."""
    from endpoint.verification.statistics import mean_bias

    plan = plan_verification((0.5, 2.0, 4.0), 0.004, 0.006, days=4)
    assert plan.expected_mmol_l <= 0.004
    per_day = 3 * plan.replicates
    fewer = 3 * (plan.replicates - 1)
    assert fewer == 0 or plan.expected_mmol_l * (per_day / fewer) ** 0.5 > 0.004
    rng = np.random.default_rng(1)
    days = [f"{k}" for k in range(4) for _ in range(per_day)]
    halves = [3.1824 * mean_bias(rng.normal(0.0, 0.006, 4 * per_day), days)[1] for _ in range(2000)]
    assert np.sqrt(np.mean(np.square(halves))) == pytest.approx(plan.expected_mmol_l, rel=0.03)


def test_the_plan_is_blind_and_in_random_order(tmp_path: Path) -> None:
    out = tmp_path / "plan"
    got = run("verify", "plan", "--wanted", 0.005, "--scatter", 0.006, "--out", out)
    assert got.exit_code == 0, got.output
    protocol = (out / "protocol.txt").read_text("utf-8")
    assert "goggles" in protocol
    assert "1.0009 g" in protocol
    lines = (out / "table.csv").read_text("utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    codes = [row["code"] for row in rows]
    assert len(set(codes)) == len(rows) == len(list(out.glob("*.toml"))) - 5
    assert (out / "control-5.toml").exists()
    # 100 mL of 4 mmol/L take 40 mL of 0.01 mol/L, which a burette of 25 mL does not hold.
    assert "EDTA, 0.01 mol/L" in protocol
    assert "burette of 50 mL: the lowest level takes 5.0 mL, the highest 40.0 mL" in protocol
    # The codes are blind only for somebody who does not see the table.
    told = " ".join(protocol.split())
    assert "table.csv says which code is which level. Keep it and this part to yourself" in told
    # Nor does that person's part tell how much the levels take.
    part = protocol.split("FOR WHOEVER TITRATES")[1]
    assert not re.search(r"L[123]|mmol|lowest|highest", part)
    assert all(code in part for code in codes)
    assert max(map(len, protocol.splitlines())) <= 80
    assert "nominal_ml = 50" in (out / f"{codes[0]}.toml").read_text("utf-8")
    assert any(line.startswith("# expiry = ") for line in lines)
    for day in {row["day"] for row in rows}:
        assert {row["level"] for row in rows if row["day"] == day} == {"L1", "L2", "L3"}
    orders = ["".join(r["level"] for r in rows if r["day"] == d) for d in ("1", "2", "3", "4", "5")]
    assert len(set(orders)) > 1
    # No record tells the level of its flask.
    for code in codes:
        record = (out / f"{code}.toml").read_text("utf-8")
        assert not re.search(r"L[123]|known", record)
    again = run("verify", "plan", "--wanted", 0.005, "--scatter", 0.006, "--out", out)
    assert again.exit_code == 2


@pytest.mark.parametrize(
    ("levels", "wanted", "days"),
    [((0.0, 1.0, 2.0), 0.01, 5), ((1.0, 2.0, 9.5), 0.01, 5), ((1.0, 2.0), 0.01, 5),
     ((1.0, 2.0, 3.0), 0.01, 2), ((1.0, 2.0, 30.0), 0.01, 5),
     ((1.0, 2.0, 3.0), 1e-5, 5), ((1.0, 2.0, 3.0), 0.0, 5)],
)  # fmt: skip
def test_plans_that_cannot_be(levels: tuple[float, ...], wanted: float, days: int) -> None:
    with pytest.raises(VerificationProblem):
        plan_verification(levels, wanted, 0.006, days=days)


@pytest.mark.parametrize(
    ("levels", "sample_ml", "burette_ml"),
    [((0.5, 1.0, 2.0), 100.0, 25.0), ((0.5, 2.0, 4.5), 100.0, 50.0), ((1.0, 4.0, 9.0), 50.0, 50.0)],
)
def test_the_ware_of_the_plan_holds_the_highest_level(
    levels: tuple[float, ...], sample_ml: float, burette_ml: float
) -> None:
    plan = plan_verification(levels, 0.005, 0.006)
    assert (plan.sample_ml, plan.burette_ml, plan.titrant_mol_l) == (sample_ml, burette_ml, 0.01)
    assert titre_ml(levels[-1], sample_ml, 0.01) <= 0.9 * burette_ml + 1e-9
    assert "would take only" not in protocol_text(plan)


@pytest.mark.parametrize(
    ("levels", "wanted", "titrant", "burette_ml"),
    [
        # 100 mL of 0.1 mmol/L take 1 mL of 0.01 mol/L, 5 mL of 0.002 mol/L.
        ((0.1, 0.2, 0.4), 0.002, 0.002, 25.0),
        ((0.05, 0.1, 0.2), 0.002, 0.001, 25.0),
        ((0.06, 0.07, 0.08), 0.002, 0.001, 10.0),
        # 40 mL at the highest level: no weaker titrant fits the burette.
        ((0.2, 2.0, 4.0), 0.002, 0.01, 50.0),
    ],
)
def test_soft_levels_get_a_weaker_titrant(
    levels: tuple[float, ...], wanted: float, titrant: float, burette_ml: float
) -> None:
    plan = plan_verification(levels, wanted, 0.002)
    assert (plan.titrant_mol_l, plan.burette_ml) == (titrant, burette_ml)
    text = " ".join(protocol_text(plan).split())
    assert f"EDTA, {titrant:g} mol/L, standardised" in text
    assert ("Of EDTA 0.01 mol/L the lowest level would take only" in text) == (titrant < 0.01)
    low = titre_ml(levels[0], plan.sample_ml, titrant)
    assert ("The levels lie too far apart" in text) == (low < 5.0)


@pytest.mark.parametrize("levels", [(0.06, 0.07, 0.08), (0.5, 1.0, 2.0), (0.5, 2.0, 4.0)])
def test_every_burette_of_a_plan_has_a_limit_of_error(
    tmp_path: Path, levels: tuple[float, ...]
) -> None:
    plan = plan_verification(levels, 0.005, 0.006)
    record = tmp_path / "A1.toml"
    record.write_text(record_text(plan, "A1"), encoding="utf-8")
    ware = read_record(record).ware["burette"]
    assert isinstance(ware, dict)
    found = find_tolerance("burette", ware["nominal_ml"], ware["class"], ware["division_ml"])
    assert found.nominal_ml == plan.burette_ml


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        # In 100 mL a drop of 0.05 mL of 0.01 mol/L is 0.005 mmol/L, of 0.005 mol/L half of that.
        (0.005, "is 0.005 mmol/L."),
        (0.0025, "wanted uncertainty: EDTA 0.005 mol/L from a burette of 50 mL would make"),
    ],
)
def test_a_drop_is_held_against_the_wanted_uncertainty(wanted: float, said: str) -> None:
    plan = plan_verification((0.5, 1.0, 2.0), wanted, 0.003)
    assert plan.titrant_mol_l == 0.01
    assert said in " ".join(protocol_text(plan).split())


def test_enough_of_each_standard_is_made() -> None:
    """Volumes of the protocol, in mL, against what the titrations and the controls pipette."""
    plan = plan_verification((0.5, 2.0, 4.0), 0.002, 0.006)
    text = protocol_text(plan)
    made = re.findall(r"L(\d): .* in (\d+) mL(?:, (\d) flasks)?", text)
    assert len(made) == 3
    for number, flask, count in made:
        titrations = plan.days * (plan.replicates + (number == "2"))
        assert int(flask) * int(count or 1) >= 1.2 * titrations * plan.sample_ml
